"""Outlines seen overhead -> the first rotor and its standing positions, to predict edges to a few pixels."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from bladeangle.adjustment.rotor import Basis, Rotor
from bladeangle.base.errors import EdgesError
from bladeangle.base.geometry import Array
from bladeangle.detection.outline import Outline
from bladeangle.tuning.adjustment import ROTOR
from bladeangle.tuning.detection import HUB, START


@dataclass(frozen=True)
class Start:
    """First rotor and setups: r_ring_rotor (s, 3, 3), t_ring_rotor (s, 3)."""

    rotor: Rotor
    setups: tuple[str, ...]
    r_ring_rotor: Array
    t_ring_rotor: Array


@dataclass(frozen=True)
class Tooth:
    """One blade as one overhead photograph shows it, on the cylinder of the guessed radius.

    start : ring-frame azimuth of its upper end, rad; angle : (n,) from there in falling order, rad; height : (n,) mm of
    its upper face; whole : whether the lower end is seen too.
    """

    start: float
    angle: Array
    height: Array
    whole: bool

    def begun_earlier(self, by_rad: float, turn: int) -> Tooth:
        """The same with its upper end so much earlier, straight on from where it was seen to begin."""
        half = len(self.angle) // 2
        slope, height = np.polyfit(self.angle[:half], self.height[:half], 1)
        new = np.arange(0.0, by_rad, float(np.diff(self.angle).mean()))
        angle = np.append(new, self.angle + by_rad)
        return Tooth(
            self.start - turn * by_rad, angle, np.append(height + slope * (new - by_rad), self.height), self.whole
        )

    def begun_later(self, by_rad: float, turn: int) -> Tooth:
        """The same without what lies before an angle from its upper end."""
        angle = np.append(0.0, self.angle[self.angle > by_rad] - by_rad)
        height = np.interp(angle + by_rad, self.angle, self.height)
        return Tooth(self.start + turn * by_rad, angle, height, self.whole)

    def ended(self, at_rad: float) -> Tooth:
        """The same, whole, with its lower end at an angle from the upper one; straight on where it was not seen."""
        half = len(self.angle) // 2
        line = np.polyfit(self.angle[half:], self.height[half:], 1)
        step = float(np.diff(self.angle).mean())
        seen = self.angle < at_rad - step / 2
        new = np.append(np.arange(self.angle[-1] + step, at_rad - step / 2, step), at_rad)
        angle, height = np.append(self.angle[seen], new), np.append(self.height[seen], np.polyval(line, new))
        return Tooth(self.start, angle, height, True)


def teeth_of(outline: Outline, setup: str, arrow_deg: float) -> tuple[list[Tooth], float]:
    """The blades of an outline in the order of their numbers, and the angle (deg) from the arrow to blade 1."""
    sense = 1 if setup == "inlet_up" else -1  # blades count counter-clockwise seen from the inlet
    gap = (np.degrees(outline.start_rad) - arrow_deg + 180) % 360 - 180
    first = int(np.abs(gap).argmin())
    order = [(first + sense * k) % len(gap) for k in range(len(gap))]
    return [_tooth(outline, i) for i in order], float(abs(gap[first]))


def refined_teeth(
    teeth: Sequence[Tooth], turn: int, blade: NDArray[np.int64], azimuth_rad: Array, height_mm: Array
) -> list[Tooth]:
    """The same teeth with heights from measured points (n): blade, ring-frame azimuth, height on that cylinder."""
    out = []
    for b, tooth in enumerate(teeth):
        mine = blade == b
        angle = np.mod(turn * (azimuth_rad[mine] - tooth.start) + 0.5, 2 * np.pi) - 0.5
        order = np.argsort(angle)
        angle, height = angle[order], height_mm[mine][order]
        if len(angle) < 20:
            out.append(tooth)
            continue
        at = np.linspace(angle[0], angle[-1], max(12, round((angle[-1] - angle[0]) / 0.05)))
        out.append(Tooth(tooth.start, at, _smooth(angle, height, 6)(at), tooth.whole))
    return out


def first_rotor(
    teeth: Mapping[str, Sequence[Tooth]],
    turn: int,
    axis: dict[str, Array],
    radius_mm: float,
    thickness_mm: float,
    rounding_mm: float,
    height_sigma_mm: float = 0.0,
    wrap_rad: float | None = None,
) -> Start:
    """Build the first rotor.

    Parameters
    ----------
    teeth : setup -> blades in the order of their numbers, on a cylinder of `radius_mm` about `axis` (2,) mm, in the
        ring frame.
    height_sigma_mm : by how much all heights may be off together, as the radius is not known.
    wrap_rad : wrap of the blades, where it is known better than from matching both setups.
    turn : +1 when blades fall counter-clockwise seen from above, in every photograph of the rotor.

    Raises
    ------
    EdgesError : the two setups show different numbers of blades: not the same rotor.
    """
    counts = {len(t) for t in teeth.values()}
    if len(counts) > 1:
        raise EdgesError(
            f"The photographs of the two standing positions show {' and '.join(map(str, sorted(counts)))} blades.",
            "Make sure that both show the same rotor.",
        )
    inlet, outlet = teeth.get("inlet_up"), teeth.get("outlet_up")
    rise = 0.0
    if inlet and outlet:
        wrap, rise = _match(inlet, outlet, radius_mm, height_sigma_mm, wrap_rad)
    else:
        one = inlet or outlet
        assert one is not None
        hidden = 0.0 if all(t.whole for t in one) else START.hidden_wrap_rad
        wrap = float(np.median([t.angle[-1] for t in one])) + hidden
        rise = 70.0
    basis = Basis.over(0.0, wrap, radius_mm)
    some = inlet or outlet
    assert some is not None
    azimuth = np.array([t.start for t in inlet]) if inlet else np.array([-t.start for t in some]) - turn * wrap
    heights = np.array(
        [
            _curve(basis, inlet[b] if inlet else None, outlet[b] if outlet else None, wrap, rise, thickness_mm / 2)
            for b in range(len(some))
        ]
    )
    n = len(some)
    rotor = Rotor(
        radius_mm,
        thickness_mm,
        np.array([rounding_mm, rounding_mm]),
        turn,
        azimuth,
        basis,
        heights,
        np.tile([0.0, wrap], (n, 1)),
        np.zeros(n),
    )
    rotations, shifts = [], []
    for setup in teeth:
        x, y = axis[setup]
        if setup == "inlet_up":
            rotations.append(np.eye(3))
            shifts.append([x, y, 0.0])
        else:
            assert outlet is not None
            trailing = azimuth + turn * wrap
            turned = np.exp(1j * (trailing + np.array([t.start for t in outlet])))
            psi = float(np.angle(turned.mean()))
            c, s = np.cos(psi), np.sin(psi)
            rotations.append(np.array([[c, s, 0], [s, -c, 0], [0, 0, -1.0]]))
            shifts.append([x, y, rise])
    return Start(rotor, tuple(teeth), np.array(rotations), np.array(shifts))


def _tooth(outline: Outline, index: int) -> Tooth:
    """A smoothed tooth: the path's steps are ironed out by a cubic, and a tail where no edge is seen is cut off."""
    angle = np.abs(outline.azimuth_rad[index] - outline.azimuth_rad[index][0])
    height, strength = outline.height_mm[index], outline.strength[index]
    n = len(angle)
    whole = False
    k = np.arange(4, n - 2)
    first = np.cumsum(strength)
    rss = -(first[k - 1] ** 2) / k - (first[-1] - first[k - 1]) ** 2 / (n - k)
    cut = int(k[rss.argmin()])
    if strength[cut:].mean() < 0.4 * strength[:cut].mean() and strength[cut:].mean() < 2.5:
        angle, height, whole = angle[:cut], height[:cut], True
    fit = _smooth(angle[1:], height[1:], 3)
    return Tooth(float(outline.start_rad[index]), angle, fit(angle), whole)


def _smooth(x: Array, y: Array, degree: int) -> np.polynomial.Polynomial:
    """Polynomial through the bulk of points (n,), outliers left out."""
    good = np.ones(len(x), bool)
    domain = float(x.min()), float(x.max())
    powers = np.polynomial.polynomial.polyvander(np.interp(x, domain, (-1.0, 1.0)), min(degree, max(1, len(x) // 4)))
    for _ in range(4):
        fit = np.linalg.lstsq(powers[good], y[good], rcond=None)[0]
        error = np.abs(y - powers @ fit)
        before, good = good, error <= max(3 * 1.4826 * float(np.median(error)), 0.1)
        if (good == before).all():
            break
    return np.polynomial.Polynomial(fit, domain)


def _match(
    inlet: Sequence[Tooth],
    outlet: Sequence[Tooth],
    radius_mm: float,
    height_sigma_mm: float,
    wrap_rad: float | None = None,
) -> tuple[float, float]:
    """Wrap (rad) and height of the turned-over rotor's frame (mm) at which both views show the same blades best."""
    ends_in, ends_out = float(np.median([t.angle[-1] for t in inlet])), float(np.median([t.angle[-1] for t in outlet]))
    # blades are alike: one that stops where others go on has faded, not ended
    whole = [
        t.angle[-1]
        for t in (*inlet, *outlet)
        if t.whole and t.angle[-1] > START.faded_tooth_share * min(ends_in, ends_out)
    ]
    if wrap_rad is not None:
        wraps = np.array([wrap_rad])
    elif len(whole) >= len(inlet):
        wraps = np.array([float(np.median(whole))])
    else:
        wraps = np.arange(max(min([ends_in, ends_out, *whole]) - 0.1, 0.3), ends_in + ends_out - 0.2, np.radians(0.5))
    low, high = np.maximum(0.05, wraps - ends_out + 0.03), np.minimum(ends_in, wraps) - 0.05
    enough = high - low >= 0.1
    if not enough.any():
        return float(wraps[0]), 70.0
    wraps, low, high = wraps[enough], low[enough], high[enough]
    grid = np.linspace(low, high, 48, axis=1)  # (w, 48)
    above = np.array([np.interp(grid, i.angle, i.height) for i in inlet])
    below = np.array([np.interp(wraps[:, None] - grid, o.angle, o.height) for o in outlet])
    # the middling blade of each setup: tilt and offset of the axis hardly count, nor one lost in a shadow
    rise = (np.median(above, 0) + np.median(below, 0)).mean(1)
    # Slopes that agree to `matched_deg` where they could as well differ by `unmatched_deg` speak for this wrap, at each
    # place that is a place of its own; without that the shortest overlap, which says least, would fit best.
    places = np.maximum(1, np.round((high - low) * radius_mm / ROTOR.knot_mm)).astype(int)
    cost = -places * 2 * np.log(START.unmatched_deg / START.matched_deg)
    for count in np.unique(places):
        mine = np.flatnonzero(places == count)
        slopes = _slopes(grid.shape[1], int(count))
        step = np.median(above[:, mine] @ slopes, 0) + np.median(below[:, mine] @ slopes, 0)
        step = np.degrees(step / (grid[mine, 1] - grid[mine, 0])[:, None]) / radius_mm
        cost[mine] += (step**2).sum(1) * (START.matched_deg**-2 - START.unmatched_deg**-2)
    cost += ((wraps * len(inlet) / (2 * np.pi) - ROTOR.usual_overlap) / ROTOR.overlap_sigma) ** 2
    cost -= START.whole_tooth_evidence * (np.abs(wraps[:, None] - np.array(whole)) < 0.1).sum(1)
    leading, trailing = (float(np.median([t.height[0] for t in teeth])) for teeth in (inlet, outlet))
    beyond = np.array([rise - leading, rise - trailing]) - HUB.beyond_mm
    # a wrong radius lifts or lowers everything that is seen, in both setups alike
    common, own = beyond.mean(0), beyond[0] - beyond[1]
    cost += common**2 / (HUB.beyond_sigma_mm**2 / 2 + height_sigma_mm**2) + own**2 / (2 * HUB.beyond_sigma_mm**2)
    best = int(cost.argmin())
    return float(wraps[best]), float(rise[best])


@lru_cache(maxsize=32)
def _slopes(count: int, runs: int) -> Array:
    """Weights (count, runs) for the slopes of lines through successive runs of `count` values, a step of one apart."""
    out = np.zeros((count, runs))
    for k, run in enumerate(np.array_split(np.arange(count), runs)):
        away = run - run.mean()
        out[run, k] = away / max(float(away @ away), 1e-9)
    return out


def _curve(basis: Basis, inlet: Tooth | None, outlet: Tooth | None, wrap: float, rise: float, half_mm: float) -> Array:
    """Spline coefficients of one blade's mid-line through what both views show of it."""
    tau, z = [], []
    if inlet is not None:
        keep = slice(1, -1)
        tau.append(inlet.angle[keep])
        z.append(inlet.height[keep] - half_mm)
    if outlet is not None:
        keep = slice(1, -1)
        tau.append(wrap - outlet.angle[keep])
        z.append(rise - outlet.height[keep] + half_mm)
    t, h = np.concatenate(tau), np.concatenate(z)
    bend = np.diff(np.eye(basis.count), 3, axis=0) * 2.0  # weak smoothing, and straight on where nothing is seen
    flat = np.diff(np.eye(basis.count), 2, axis=0) * 0.02
    design = np.vstack([basis.matrix(t), bend, flat])
    out: Array = np.linalg.lstsq(design, np.concatenate([h, np.zeros(len(bend) + len(flat))]), rcond=None)[0]
    return out
