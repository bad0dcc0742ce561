"""Adjustment -> the one further photograph that would help most.

What each candidate would show (`expected.py`) is added, as information, to that of the adjustment; the photograph's own
unknowns are marginalised. The present photographs themselves say how well edges like these are measured.

Not covered: glare, dirt and hands in the way; combinations of photographs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from bladeangle.adjustment.adjust import Adjustment
from bladeangle.adjustment.equations import Equations
from bladeangle.adjustment.model import Layout, ObservedView, State
from bladeangle.adjustment.priors import Priors, prior_terms
from bladeangle.base.budget import STATIONS, coverage_factor
from bladeangle.base.geometry import Array
from bladeangle.detection.edges import ROUGH_STEP_MM
from bladeangle.imaging.ring import Ring
from bladeangle.records.station import StationOptions, station_span
from bladeangle.results.angles import angle_row, arc_of, named
from bladeangle.results.expected import (
    Place,
    attained,
    distance_for,
    expected_view,
    from_above,
    from_side,
    turned_over,
    worth_of,
)
from bladeangle.results.stations import BINS, FACE_SHIFTS, Stations
from bladeangle.tuning.expected import ADVICE, EXPECTED, Typical
from bladeangle.tuning.results import STATION_ANGLES

#: Azimuths tried for a photograph from the side, deg from the one that faces the station; farther round it is not seen.
TRIED_DEG = (0, 45, -45, 90, -90)


#: Photographs from the side that are proposed where there is none.
SIDES = 3


@dataclass(frozen=True)
class FromTheSide:
    """What photographs from the side, together, would bring: of entries, expanded, deg, root mean square over blades.

    azimuth_deg, down_deg : where they are taken from; setup : "inlet_up" or "outlet_up".
    before_deg, after_deg : without and with them.
    """

    azimuth_deg: tuple[float, ...]
    down_deg: tuple[float, ...]
    setup: str
    before_deg: float
    after_deg: float

    @property
    def words(self) -> str:
        """What they are and bring, in a sentence."""
        at = [f"{azimuth:.0f}" for azimuth in self.azimuth_deg]
        down = [f"{down:.0f}" for down in self.down_deg]
        end = "inlet" if self.setup == "inlet_up" else "outlet"
        many = {2: "Two", 3: "Three", 4: "Four"}.get(len(at), str(len(at)))
        return (
            f"{many} photographs from the side would bring entries from ±{self.before_deg:.2f} to about "
            f"±{self.after_deg:.2f} degrees: {end} end up, at {', '.join(at[:-1])} and {at[-1]} degrees "
            f"counter-clockwise from the arrow, looking {', '.join(down[:-1])} and {down[-1]} degrees down."
        )


@dataclass(frozen=True)
class _Candidate:
    """A photograph that could be taken; `setup` indexes the state's setups.

    aside_deg : how far beside the station that is to be shown, about the rotor's axis.
    """

    place: Place
    setup: int
    overhead: bool
    aside_deg: float = 0.0


def next_photograph(
    result: Adjustment,
    stations: Stations,
    ring: Ring,
    size: tuple[int, int],
    options: StationOptions | None = None,
    priors: Priors | None = None,
) -> str | None:
    """One sentence naming the further photograph that adds most of what is missing, or shrinks the largest uncertainty.

    Parameters
    ----------
    size : width and height of the photographs, px.
    priors : those of the adjustment; they say how far the focal length of a new photograph may differ.

    Returns
    -------
    None when no photograph adds a station or shrinks the largest uncertainty by more than a fifth.
    """
    state = result.state
    rotor = state.rotor
    priors = priors or Priors(state.camera, np.eye(8))
    options = options or StationOptions()
    state, layout, old, added = _with_turned(result, priors, ring)
    missing = [(b - 1, s) for b, why in stations.not_seen.items() for s in why]
    work = _Addition(ring, state, old, priors, size, attained(result, ring, size), _known_ends(result), added)
    if missing:
        tried = work.of(_candidates(result, state, ring, size, added, *missing[0]))
        adds = [[m for m in missing if work.adds(t, *m, options)] for t in tried]
        rows = {m: angle_row(layout, rotor, *m, options) for m in missing}
        ranked = [
            (len(a), -float(t.u_deg(np.array([rows[m] for m in a])).max()) if a else 0.0)
            for a, t in zip(adds, tried, strict=True)
        ]
        best = max(range(len(tried)), key=lambda i: ranked[i])
        if adds[best]:
            u = coverage_factor() * -ranked[best][1]
            where, what = _words(tried[best].candidate, state), _those(adds[best], rotor.blades)
            return f"One more photograph {where} would add {what}, to about ±{u:.2f} degrees."
    if not stations.labels:
        return None
    stated = [stations.budget.angle(k)[:2] for k in range(len(stations.labels))]
    wide = [u * coverage_factor(max(dof, 1.0)) for u, dof in stated]
    k = int(np.argmax(wide))
    blade, station = named(stations.labels[k])
    row = angle_row(layout, rotor, blade, station, options)
    before = float(_Tried(None, old.information, old.shifts).u_deg(row))
    # what is stated beside the covariance is said of photographs from above alone: one from the side ends it
    beside2 = max(stated[k][0] ** 2 - before**2, 0.0)
    candidates = _candidates(result, state, ring, size, added, blade, station)
    # from in front of the station nearly always shrinks it most
    for some in ([c for c in candidates if not c.aside_deg], [c for c in candidates if c.aside_deg]):
        tried = work.of(some)
        staying = [result.from_above and candidate.overhead for candidate in some]
        after = [
            float(np.hypot(t.u_deg(row), np.sqrt(beside2) if stays else 0.0)) / stated[k][0]
            for t, stays in zip(tried, staying, strict=True)
        ]
        best = int(np.argmin(after))
        if after[best] <= ADVICE.worthwhile_ratio:
            return (
                f"One more photograph {_words(tried[best].candidate, state)} would bring the {station} of blade "
                f"{blade + 1} from ±{wide[k]:.2f} to about ±{wide[k] * after[best]:.2f} degrees."
            )
    return None


def from_the_side(
    result: Adjustment,
    stations: Stations,
    ring: Ring,
    size: tuple[int, int],
    options: StationOptions | None = None,
    priors: Priors | None = None,
) -> FromTheSide | None:
    """What `SIDES` photographs from the side would bring to a measurement that has none; None without entries.

    size : width and height of the photographs, px.
    """
    options, priors = options or StationOptions(), priors or Priors(result.state.camera, np.eye(8))
    state, rotor, layout = result.state, result.state.rotor, result.layout
    entries = [k for k, label in enumerate(stations.labels) if label.endswith("entry")]
    if not entries:
        return None
    total = np.asarray(sum(result.information.values()))
    old = _Total(total, {k: total @ v for k, v in result.shifts.items()})
    distance = distance_for(ring, float(state.camera[0]), size, EXPECTED.around_margin_mm)
    start = _station_azimuth(state, 0, named(stations.labels[entries[0]])[0], "entry")
    down = tuple(EXPECTED.down_in_turn_deg[k % len(EXPECTED.down_in_turn_deg)] for k in range(SIDES))
    places = [from_side(start + 2 * np.pi * k / SIDES, distance, down[k]) for k in range(SIDES)]
    work = _Addition(ring, state, old, priors, size, attained(result, ring, size), frozenset(), None)
    tried = work.of([_Candidate(place, 0, False) for place in places])
    # the information of each, its own unknowns marginalised, adds up
    information = old.information + sum(t.information - old.information for t in tried)
    zero, kinds = np.zeros(layout.size), {kind for t in tried for kind in t.shifts}
    was = {kind: old.shifts.get(kind, zero) for kind in kinds}
    shifts = {kind: was[kind] + sum(t.shifts.get(kind, was[kind]) - was[kind] for t in tried) for kind in kinds}
    rows = np.array([angle_row(layout, rotor, *named(stations.labels[k]), options) for k in entries])
    after = _Tried(None, information, shifts).u_deg(rows)
    stated = [stations.budget.angle(k)[:2] for k in entries]
    wide = np.array([u * coverage_factor(max(dof, 1.0)) for u, dof in stated])
    azimuths = tuple(p.azimuth_deg % 360 for p in places)
    # what is stated beside the covariance is said of photographs from above alone
    stated_deg, then_deg = (float(np.sqrt(np.mean(np.square(u)))) for u in (wide, coverage_factor() * after))
    return FromTheSide(azimuths, down, state.setups[0], stated_deg, then_deg)


@dataclass(frozen=True)
class _Total:
    """Information (n, n) of an adjustment and, per kind of edge, the right-hand side (n,) of a pixel's shift."""

    information: Array
    shifts: dict[str, Array]


@dataclass(frozen=True)
class _Tried:
    """The adjustment with a candidate: information (n, n), `_Total.shifts`, its state, photograph, what it shows."""

    candidate: _Candidate | None
    information: Array
    shifts: dict[str, Array]
    state: State | None = None
    photo: int = 0
    view: ObservedView | None = None

    def u_deg(self, by: Array) -> Array:
        """Standard uncertainty of functions with derivatives (..., n), edge bias included as the budget has it."""
        scale = 1 / np.sqrt(np.diag(self.information))
        response = np.linalg.solve(self.information * scale[:, None] * scale, (by * scale).T).T * scale
        bias_px = STATION_ANGLES.edge_bias_px
        bias = [(bias_px * (response @ v)) ** 2 for kind, v in self.shifts.items() if kind in FACE_SHIFTS]
        out: Array = np.sqrt(np.maximum((by * response).sum(-1), 0.0) + sum(bias))
        return out


@dataclass(frozen=True)
class _Addition:
    """Adds one photograph at a time to an adjustment."""

    ring: Ring
    state: State
    old: _Total
    priors: Priors
    size: tuple[int, int]
    typical: Typical
    known_ends: frozenset[tuple[int, int]]
    added: int | None

    def of(self, candidates: Sequence[_Candidate]) -> list[_Tried]:
        """The adjustment with each candidate; the new photograph's own unknowns are marginalised (Schur complement)."""
        s, more = self.state, len(candidates)
        photos = range(len(s.focus), len(s.focus) + more)
        state = replace(
            s,
            r_camera_ring=np.concatenate([s.r_camera_ring, [c.place.r_camera_ring for c in candidates]]),
            t_camera_ring=np.concatenate([s.t_camera_ring, [c.place.t_camera_ring for c in candidates]]),
            focus=np.append(s.focus, np.zeros(more)),
            principal=np.vstack([s.principal, np.zeros((more, 2))]),
        )
        layout = Layout(state)
        setups = [c.setup for c in candidates]
        views = [
            expected_view(
                self.ring,
                state,
                p,
                setup,
                self.size,
                self.typical,
                circles=setup == self.added,
                points_a_side=3,
                step_mm=ROUGH_STEP_MM,
            )
            for p, setup in zip(photos, setups, strict=True)
        ]
        owns = [layout.columns["photo", p] for p in photos]
        common = np.setdiff1d(np.arange(layout.size), np.concatenate(owns))
        n = len(common)
        changes = (self.priors.focus_sigma, self.priors.principal_sigma_px, self.priors.principal_sigma_px)
        information = np.zeros((more, n + 9, n + 9))
        information[:, range(n + 6, n + 9), range(n + 6, n + 9)] = 1 / np.square(changes)
        shifts: list[dict[str, Array]] = [{} for _ in candidates]
        place = np.empty(layout.size, int)  # of an unknown among the common ones and then the candidate's own
        place[common] = np.arange(n)
        place[np.array(owns)] = n + np.arange(9)
        for rows in Equations(self.ring, layout, views, photos, setups).rows(state):
            k, at = rows.view, place[rows.columns]
            normal, shift = worth_of(rows, views[k], state.rotor.tip_radius.condition, self.typical.correlated_sigmas)
            information[k, at[:, None], at] += normal
            shifts[k].setdefault(rows.kind, np.zeros(n + 9))[at] += shift
        out = []
        for k, candidate in enumerate(candidates):
            both = information[k, n:, :n]
            response = np.linalg.solve(information[k, n:, n:], both).T
            moved = dict(self.old.shifts)
            for kind, v in shifts[k].items():
                moved[kind] = moved.get(kind, 0.0) + v[:n] - response @ v[n:]
            total = self.old.information + information[k, :n, :n] - response @ both
            out.append(_Tried(candidate, total, moved, state, photos[k], views[k]))
        return out

    def adds(self, tried: _Tried, blade: int, station: str, options: StationOptions) -> bool:
        """Whether a candidate shows enough of a station, and its end of the blade if that is not known yet."""
        rotor = self.state.rotor
        candidate, view, state = tried.candidate, tried.view, tried.state
        assert candidate is not None and view is not None and state is not None
        assert view.tips is not None and view.ends is not None
        ends = self.known_ends | set(zip(view.ends.blade.tolist(), view.ends.end.tolist(), strict=True))
        for end in {"entry": (0,), "middle": (0, 1), "exit": (1,)}[station]:
            # as in the stations: an end may stand where it does on most of the others
            if (blade, end) not in ends and 2 * sum(e == end for _, e in ends) <= rotor.blades:
                return False
        tau, length = arc_of(rotor, blade, rotor.ends[blade], 400)
        low, high = station_span(float(length[-1]), station, options)
        if high - low < 5.0:  # too short a blade for this station, as in the stations; no photograph helps
            return False
        mine = view.tips.only(view.tips.blade == blade)
        foot = state.on_cylinder(mine.px, tried.photo, candidate.setup, rotor.radius_mm, mine.far)
        at = np.interp(rotor.tau_of(np.nan_to_num(foot, nan=1.0), mine.blade), tau, length)
        return int((np.histogram(at, BINS, (low, high))[0] > 0).sum()) >= STATION_ANGLES.needed_bins


def _known_ends(result: Adjustment) -> frozenset[tuple[int, int]]:
    """Blade and end of all ends that the photographs show."""
    out: set[tuple[int, int]] = set()
    for view, weight in zip(result.views, result.weight, strict=True):
        if view.ends is not None and len(view.ends.px):
            good = weight["end"] > 0.2
            out |= set(zip(view.ends.blade[good].tolist(), view.ends.end[good].tolist(), strict=True))
    return frozenset(out)


def _with_turned(result: Adjustment, priors: Priors, ring: Ring) -> tuple[State, Layout, _Total, int | None]:
    """State, layout and information of an adjustment, with the rotor turned over as well if only one setup is seen.

    The last is the index of the setup that was added, or None.
    """
    total = np.asarray(sum(result.information.values()))
    old = _Total(total, {k: total @ v for k, v in result.shifts.items()})
    if len(result.state.setups) != 1:
        return result.state, result.layout, old, None
    state = turned_over(result.state, ring)
    layout = Layout(state)
    # where the columns of the adjustment are now; circles of the new setup come after the old ones
    at = np.concatenate(
        [np.arange(layout[k].start, layout[k].start + s.stop - s.start) for k, s in result.layout.slices.items()]
    )
    new = np.setdiff1d(np.arange(layout.size), at)
    information = np.zeros((layout.size, layout.size))
    known = sum(k.information for k in prior_terms(state, layout, priors, state).values())
    information[np.ix_(new, new)] = np.asarray(known)[np.ix_(new, new)] + 0.01 * np.eye(
        len(new)
    )  # what nothing limits: 10 mm, 10 rad
    information[np.ix_(at, at)] += old.information
    shifts = {}
    for kind, v in old.shifts.items():
        shifts[kind] = np.zeros(layout.size)
        shifts[kind][at] = v
    return state, layout, _Total(information, shifts), 1


def _station_azimuth(state: State, setup: int, blade: int, station: str) -> float:
    """Ring-frame azimuth, rad, of the middle of an end's station or of the blade."""
    rotor = state.rotor
    share = {"entry": 0.12, "middle": 0.5, "exit": 0.88}[station]
    tau = rotor.ends[blade] @ [1 - share, share]
    point = rotor.tip(np.array([blade]), np.array([0]), np.array([tau]))[0] @ state.r_ring_rotor[setup].T
    return float(np.arctan2(point[1], point[0]))


def _candidates(
    result: Adjustment, state: State, ring: Ring, size: tuple[int, int], added: int | None, blade: int, station: str
) -> list[_Candidate]:
    """From above and from the sides in each setup, one side facing the station; a new setup from above only."""
    f_px = float(state.camera[0])
    rotor = state.rotor
    eyes = [-r.T @ t for r, t in zip(result.state.r_camera_ring, result.state.t_camera_ring, strict=True)]
    high = [float(e[2]) for e in eyes if np.hypot(e[0], e[1]) < rotor.radius_mm]
    height = float(np.median(high)) if high else distance_for(ring, f_px, size, 0.5 * EXPECTED.around_margin_mm)
    distance = distance_for(ring, f_px, size, EXPECTED.around_margin_mm)
    out = [_Candidate(from_above(height), s, True) for s in range(len(state.setups))]
    for s in range(len(state.setups)):
        if s != added:
            facing = _station_azimuth(state, s, blade, station)
            out += [_Candidate(from_side(facing + np.radians(d), distance), s, False, d) for d in TRIED_DEG]
    return out


def _words(candidate: _Candidate | None, state: State) -> str:
    """Where to take the photograph from."""
    assert candidate is not None
    turned = "with the outlet end up" if state.setups[candidate.setup] == "outlet_up" else "with the inlet end up"
    if candidate.overhead:
        return f"from straight above, {turned} and the light from another side,"
    rotor = state.rotor
    azimuth = np.radians(candidate.place.azimuth_deg)
    faced = [
        (abs(np.angle(np.exp(1j * (_station_azimuth(state, candidate.setup, b, s) - azimuth)))), b, s)
        for b in range(rotor.blades) for s in STATIONS
    ]  # fmt: skip
    _, blade, station = min(faced)
    what = {"entry": "the leading end", "middle": "the middle", "exit": "the trailing end"}[station]
    degrees = f"{candidate.place.azimuth_deg:.0f} degrees counter-clockwise from the arrow"
    down = f"about {EXPECTED.down_deg:.0f} degrees down"
    return f"from the side of {what} of blade {blade + 1} ({degrees}), {down}, {turned},"


def _those(added: Sequence[tuple[int, str]], blades: int) -> str:
    """The stations that a photograph would add, in words."""
    parts = []
    for station in STATIONS:
        which = sorted(b + 1 for b, s in added if s == station)
        if len(which) == blades:
            parts.append(f"the {station} of all blades")
        elif which:
            numbers = " and ".join(
                [", ".join(map(str, which[:-1])), str(which[-1])] if len(which) > 1 else [str(which[0])]
            )
            parts.append(f"the {station} of {'blade' if len(which) == 1 else 'blades'} {numbers}")
    return " and ".join([", ".join(parts[:-1]), parts[-1]] if len(parts) > 1 else parts)
