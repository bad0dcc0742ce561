"""Rotor -> lengths and angles along its tips, with their derivatives by the rotor's unknowns.

The angle at a station is that of the least-squares line through the tip's mid-line, height against circumferential arc
length at the local tip radius, over the station (tan(angle) = fall of height a length of arc). Where a station lies is
measured along the tip.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bladeangle.adjustment.model import Layout
from bladeangle.adjustment.rotor import Rotor
from bladeangle.base.budget import blade_and_station
from bladeangle.base.geometry import Array
from bladeangle.records.station import StationOptions, station_span
from bladeangle.tuning.results import ANGLES

#: Points that stand for a station, each for an equal part of it (with points at its very ends, a fit over so few would
#: weigh the ends too much: 0.03 deg on a long middle that turns back).
SAMPLES = 101
SHARES = (np.arange(SAMPLES) + 0.5) / SAMPLES
#: Places along a blade between which lengths are summed.
PLACES = 400
FINE_PLACES = 1500


@dataclass(frozen=True)
class BladeColumns:
    """Which columns of the normal equations a blade's shape depends on, in the order of its derivatives."""

    radius: int
    ends: slice
    heights: slice
    shared: slice
    own: slice
    size: int

    @classmethod
    def of(cls, layout: Layout, rotor: Rotor, blade: int) -> BladeColumns:
        """Those of one blade."""
        first, count = layout[("blade", blade)].start, rotor.basis.count
        tips, q, r = layout["tips"].start, len(rotor.tip_radius.shared), rotor.tip_radius.own.shape[1]
        own = tips + q + blade * r
        return cls(
            layout["rotor"].start,
            slice(first + count, first + count + 2),
            slice(first, first + count),
            slice(tips, tips + q),
            slice(own, own + r),
            layout.size,
        )

    def rows(self, by: Array) -> Array:
        """Derivatives (..., k) by radius, ends, heights, shared and own departures as rows (..., n) by all unknowns."""
        out = np.zeros((*by.shape[:-1], self.size))
        at = 1
        out[..., self.radius] = by[..., 0]
        for columns in (self.ends, self.heights, self.shared, self.own):
            width = columns.stop - columns.start
            out[..., columns] = by[..., at : at + width]
            at += width
        return out


def arc_of(rotor: Rotor, blade: int, ends: Array, n: int = FINE_PLACES) -> tuple[Array, Array]:
    """Dense tau (n,) over a blade and the length along its tip from the leading edge (n,), mm."""
    tau = np.linspace(ends[0], ends[1], n)
    slope = rotor.basis.values(tau, rotor.heights, blade, 1)
    return tau, _summed(np.hypot(rotor.radius_at(tau, blade), slope), tau)


def _summed(speed: Array, tau: Array) -> Array:
    """Integral (n, ...) from the first place, of speeds (n, ...), by the trapezoidal rule."""
    step = np.diff(tau).reshape(-1, *[1] * (speed.ndim - 1))
    out = np.zeros_like(speed)
    out[1:] = np.cumsum((speed[1:] + speed[:-1]) / 2 * step, axis=0)
    return out


def station_angle(rotor: Rotor, blade: int, station: str, options: StationOptions) -> float:
    """Blade angle, degrees, at a station of one blade; nan where the blade is too short for it."""
    tau, length = arc_of(rotor, blade, rotor.ends[blade], PLACES)
    low, high = station_span(length[-1], station, options)
    if high - low < ANGLES.shortest_mm:
        return float("nan")
    at = np.interp(low + SHARES * (high - low), length, tau)
    x = np.interp(at, tau, _summed(rotor.radius_at(tau, blade), tau))
    x -= x.mean()
    z = rotor.basis.values(at, rotor.heights, blade)
    return float(np.degrees(np.arctan(-(x @ z) / (x @ x))))


def change_with_scale(rotor: Rotor, labels: Sequence[str], options: StationOptions, scale: float) -> Array:
    """Change (n,) of the angles of `labels`, deg, were print and rotor `scale` times as large as they are taken for.

    Such a print makes the same picture of such a rotor, so its shape is found right but for its size: only the stations
    are so many mm of another tip. Nan where the blade is then too short for the station.
    """
    other = StationOptions(options.length_mm / scale, options.skip_mm / scale)
    places = [named(label) for label in labels]
    return np.array([station_angle(rotor, *at, other) - station_angle(rotor, *at, options) for at in places])


def angle_gradient(rotor: Rotor, blade: int, station: str, options: StationOptions) -> Array:
    """Derivatives (k,) of `station_angle`, deg, by what `BladeColumns` names: radius, ends, heights and departures."""
    tau, length, by = length_gradient(rotor, blade, PLACES)
    heights, widths = rotor.heights[blade], rotor.basis.count
    span = station_span(length[-1], station, options)
    longer = np.subtract(station_span(length[-1] + 1, station, options), span)  # by the length, which they go with
    at = np.interp(span[0] + SHARES * (span[1] - span[0]), length, tau)
    slope, radius = rotor.basis.values(at, heights, 0, 1), rotor.radius_at(at, blade)
    # where the station lies along the blade moves with the length before it, and with that of the whole
    cell = np.clip(np.searchsorted(tau, at) - 1, 0, len(tau) - 2)
    part = ((at - tau[cell]) / (tau[cell + 1] - tau[cell]))[:, None]
    before = (1 - part) * by[cell] + part * by[cell + 1]
    moved = (longer[0] + SHARES * (longer[1] - longer[0]))[:, None] * by[-1] - before
    moved /= np.hypot(radius, slope)[:, None]
    around = _summed(rotor.radius_at(tau, blade), tau)
    x, z = np.interp(at, tau, around), rotor.basis.values(at, heights)
    wider = _summed(_by_radius(rotor, tau, blade), tau)  # what the arc to a fixed place grows by
    by_x, by_z = radius[:, None] * moved, slope[:, None] * moved
    grown = (1 - part) * wider[cell] + part * wider[cell + 1]
    by_x[:, 0] += grown[:, 0]
    by_x[:, 3 + widths :] += grown[:, 1:]
    by_z[:, 3 : 3 + widths] += rotor.basis.matrix(at)
    x, by_x = x - x.mean(), by_x - by_x.mean(0)
    fall, run = -(x @ z), x @ x
    out: Array = (-(z @ by_x + x @ by_z) * run - 2 * fall * (x @ by_x)) / (run**2 + fall**2)
    return np.degrees(out)


def angle_row(layout: Layout, rotor: Rotor, blade: int, station: str, options: StationOptions) -> Array:
    """Derivatives (n,) of `station_angle`, deg, by all unknowns."""
    return BladeColumns.of(layout, rotor, blade).rows(angle_gradient(rotor, blade, station, options))


def named(label: str) -> tuple[int, str]:
    """Blade (from 0) and station of an angle's label."""
    number, station = blade_and_station(label)
    return number - 1, station


def _by_radius(rotor: Rotor, tau: Array, blade: int) -> Array:
    """Derivatives (n, 1 + q + r) of the tip radius at tau (n,) by the common radius and by all departures."""
    shared, own = rotor.tip_radius.shapes(tau, blade)
    return np.column_stack([np.ones(len(tau)), shared.T, own.T])


def length_gradient(rotor: Rotor, blade: int, n: int = FINE_PLACES) -> tuple[Array, Array, Array]:
    """As `arc_of`, and the length's derivatives (n, k) at fixed tau by radius, ends, heights and departures.

    Those of its last row hold for the whole length, which the trailing end bounds.
    """
    tau, length = arc_of(rotor, blade, rotor.ends[blade], n)
    bends = rotor.basis.matrix(tau, 1)
    slope, radius = bends @ rotor.heights[blade], rotor.radius_at(tau, blade)
    speed = np.hypot(radius, slope)
    wider = _by_radius(rotor, tau, blade) * (radius / speed)[:, None]
    ends = np.zeros((n, 2))
    by = np.column_stack(
        [_summed(wider[:, :1], tau), ends, _summed(slope[:, None] / speed[:, None] * bends, tau),
         _summed(wider[:, 1:], tau)]
    )  # fmt: skip
    by[:, 1] = -speed[0]
    by[-1, 2] = speed[-1]
    return tau, length, by
