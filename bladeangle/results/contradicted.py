"""Adjustment -> the runs of edge that all else contradicts, the clearest first.

A run is what one photograph shows of one edge of a blade, on its near or far side. One that followed a shadow, a worn
corner or the ring's markers draws the blade with it, where few others see the same: its residuals are small then, and
angles are off by degrees. What the solution would be without a run follows from the equations there, and how far the
run lies from that is compared with how far both are unsure (a test of groups of observations for gross errors; Baarda,
A testing procedure for use in geodetic networks, 1968).

Not covered: two runs that err alike; photographs from above alone, where hardly anything would be left of a blade.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from bladeangle.adjustment.adjust import Adjustment, seen_from_above
from bladeangle.adjustment.model import TIP_KINDS, Ints, ObservedView
from bladeangle.adjustment.normals import WeightedRows
from bladeangle.base.budget import STATIONS
from bladeangle.base.geometry import Array
from bladeangle.records.station import StationOptions
from bladeangle.results.angles import angle_row
from bladeangle.results.weighted import weighted_rows
from bladeangle.tuning.results import CONTRADICTED


@dataclass(frozen=True)
class Run:
    """One edge of one blade in one photograph; blade from 0, face +1 inlet or -1 outlet, far : seen from inside.

    mean_square : of how far its points lie from where all else has them, in standard deviations of the difference;
    points : how many these are. turns : by how many standard deviations of the change an angle of the blade would be
    another without it; 0 where no angle would change by its standard uncertainty.
    """

    photo: int
    blade: int
    face: int
    far: bool
    points: int
    mean_square: float
    turns: float

    @property
    def place(self) -> tuple[int, int, int, bool]:
        """What makes it the same run after another look for edges."""
        return self.photo, self.blade, self.face, self.far

    @property
    def excess(self) -> float:
        """How much larger the sum of squares is than usual, in its standard deviations."""
        return (self.mean_square - 1) * float(np.sqrt(self.points / 2))

    @property
    def contradicted(self) -> bool:
        """Whether it is more than the scatter of points and edges explains."""
        far_off = self.mean_square > CONTRADICTED.mean_square and self.excess > CONTRADICTED.excess_sigmas
        return far_off or self.turns > CONTRADICTED.turned_sigmas

    def of(self, view: ObservedView) -> ObservedView:
        """The view, of its photograph, without it."""
        assert view.tips is not None
        tips = view.tips
        mine = (tips.blade == self.blade) & (tips.face == self.face) & (tips.far == self.far)
        return replace(view, tips=tips.only(~mine))


def contradicted_runs(result: Adjustment, options: StationOptions) -> list[Run]:
    """The runs seen from the side that all else contradicts, the clearest first.

    Where half of the runs of a photograph are, it is the photograph that is contradicted, and none of its runs is told.
    """
    of_photo: dict[int, list[Run]] = {}
    for run in runs_of(result, options):
        if not seen_from_above([result.views[run.photo]]):
            of_photo.setdefault(run.photo, []).append(run)
    told = [[run for run in runs if run.contradicted] for runs in of_photo.values()]
    few = [some for some, runs in zip(told, of_photo.values(), strict=True) if 2 * len(some) < len(runs)]
    return sorted((run for some in few for run in some), key=lambda run: -max(run.excess, run.turns))


def runs_of(result: Adjustment, options: StationOptions) -> Iterator[Run]:
    """All runs of an adjustment, and how far each is from what all else says."""
    angles = [
        np.stack([angle_row(result.layout, result.state.rotor, b, station, options) for station in STATIONS])
        for b in range(result.state.rotor.blades)
    ]
    for one in weighted_rows(result, range(len(result.views))):
        photo, kind = one.rows.view, one.rows.kind
        tips = result.views[photo].tips_of(TIP_KINDS[kind]) if kind in TIP_KINDS else None
        if tips is None or one.errors is None:
            continue
        for blade, far in np.unique(np.column_stack([tips.blade, tips.far]), axis=0).tolist():
            points = np.flatnonzero((tips.blade == blade) & (tips.far == far) & (one.weight > 0))
            if len(points) >= CONTRADICTED.fewest:
                square, turns = _left_out(result, one, points, angles[blade])
                yield Run(photo, blade, TIP_KINDS[kind], bool(far), len(points), square / len(points), turns)


def _left_out(result: Adjustment, one: WeightedRows, points: Ints, angles: Array) -> tuple[float, float]:
    """Square of what the points' residuals are from a solution without them, in its covariance, and `Run.turns`.

    angles : (stations, n) derivatives of the blade's angles, deg.
    """
    assert one.errors is not None
    shape = one.errors.shape[points]
    scatter = np.diag(1 / one.weight[points]) + shape @ np.linalg.solve(one.errors.information, shape.T)
    by = np.zeros((len(points), result.layout.size))
    by[:, one.rows.columns] = one.rows.jac[:, points].T
    gained = result.covariance @ by.T
    of_residuals = scatter - by @ gained
    residual = one.residual[points]
    solved = np.linalg.solve((of_residuals + of_residuals.T) / 2, np.column_stack([residual, by @ result.covariance]))
    change = angles @ gained @ solved[:, 0]
    sigma = np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", angles @ gained, solved[:, 1:], angles), 1e-12))
    u = np.sqrt(np.einsum("ij,jk,ik->i", angles, result.covariance, angles))
    turns = np.where(np.abs(change) > u, np.abs(change) / sigma, 0.0)
    return float(residual @ solved[:, 0]), float(turns.max())
