"""Adjustment + by how much edges may lie elsewhere in a photograph -> what that does to the angles.

To first order, moving the points of an edge along their normals by s moves the unknowns by C J' W s, with the weights
of the adjustment and correlated errors marginalised as there, and so the angles by G C J' W s.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from bladeangle.adjustment.adjust import Adjustment
from bladeangle.adjustment.model import TIP_KINDS
from bladeangle.adjustment.normals import WeightedRows
from bladeangle.base.budget import BudgetLine
from bladeangle.base.geometry import Array
from bladeangle.records.station import StationOptions
from bladeangle.results.angles import angle_row, named
from bladeangle.results.stations import Stations
from bladeangle.results.weighted import weighted_rows
from bladeangle.tuning.results import EDGE_SHIFTS

#: How many fields of shifts are drawn to see what they do to the angles.
FIELDS = 100
#: Plane waves that make up a field.
WAVES = 40


def angle_shifts(result: Adjustment, stations: Stations, options: StationOptions, photo: int, off_px: Array) -> Array:
    """Changes (angles, k) deg of the stations' angles when a photograph's tip points (m) lie off by (m, k) px."""
    right = np.zeros((result.layout.size, off_px.shape[1]))
    for one, off in _rows_and_shifts(result, photo, off_px):
        right[one.rows.columns] += one.right_side(off)
    return angle_changes(result, stations, options, right)


def shift_cost(result: Adjustment, photo: int, off_px: Array) -> float:
    """By how much the cost of the adjustment would grow if a photograph's tip points lay off by off_px (m,).

    In squares of standard uncertainties, all unknowns adjusted to it, to first order: s' W s + 2 r' W s - b' C b with
    residuals r and b = J' W s. Large where the other photographs, or what rotors are like, speak against it.
    ValueError when the photograph was not looked at for tips.
    """
    cost, right = 0.0, np.zeros(result.layout.size)
    for one, off in _rows_and_shifts(result, photo, -off_px):  # residuals are predicted less seen
        cost += one.product(off, off) + 2 * one.product(one.residual, off)
        right[one.rows.columns] += one.right_side(off)
    return cost - float(right @ result.covariance @ right)


def _rows_and_shifts(result: Adjustment, photo: int, off_px: Array) -> Iterator[tuple[WeightedRows, Array]]:
    """The rows of each face's tip points in a photograph, with the shifts (m, ...) px that are theirs."""
    tips = result.views[photo].tips
    if tips is None:
        raise ValueError("the photograph was not looked at for tips")
    for one in weighted_rows(result, [photo]):
        if one.rows.kind in TIP_KINDS:
            yield one, off_px[tips.face == TIP_KINDS[one.rows.kind]]


def angle_changes(result: Adjustment, stations: Stations, options: StationOptions, right: Array) -> Array:
    """Changes (angles, k) deg of the stations' angles by right sides (n, k) J' W s of the normal equations."""
    return changed_angles(result, stations, options, result.covariance @ right)


def changed_angles(result: Adjustment, stations: Stations, options: StationOptions, change: Array) -> Array:
    """Changes (angles,) or (angles, k) deg of the stations' angles by changes (n,) or (n, k) of the unknowns."""
    rows = [angle_row(result.layout, result.state.rotor, *named(label), options) for label in stations.labels]
    out: Array = np.array(rows).reshape(len(rows), result.layout.size) @ change
    return out


def uneven_line(
    result: Adjustment,
    stations: Stations,
    options: StationOptions,
    shifts_px: dict[int, float],
    side_px: int,
    rng: np.random.Generator,
) -> BudgetLine:
    """The line of the budget for pictures that are shifted smoothly from place to place.

    shifts_px : photograph -> standard deviation of the shift along either axis, px; side_px : the pictures' longer
    side. A field of shifts with squared-exponential correlation is a sum of random plane waves (Rahimi and Recht, 2007,
    from memory).
    """
    covariance = np.zeros((len(stations.labels), len(stations.labels)))
    for photo, sigma_px in shifts_px.items():
        tips = result.views[photo].tips
        if tips is None or not len(tips.px):
            continue
        field = np.zeros((2, len(tips.px), FIELDS))
        for axis in field:
            waves = rng.normal(0.0, 1.0 / (EDGE_SHIFTS.alike_px * side_px / 4032), (2, WAVES, FIELDS))
            phase = np.einsum("mj,jwf->mwf", tips.px, waves) + rng.uniform(0, 2 * np.pi, (WAVES, FIELDS))
            axis += sigma_px * np.sqrt(2 / WAVES) * np.cos(phase).sum(1)
        off_px = np.einsum("mj,jmf->mf", tips.normal, field)
        by = angle_shifts(result, stations, options, photo, off_px)
        covariance += by @ by.T / FIELDS
    return BudgetLine("shifts within the picture", "A", covariance, 10.0)
