"""Adjustment -> whether the photographs of a standing, or from the side, show other blades than the rest do.

Two rotors of a make are alike but for a degree, and an adjustment of photographs of both fits a third one in between.
So the photographs that may have been mixed up together are given blades of their own: all of them steeper or more
bent by the same, and each steeper by itself. What these would come to is read off the equations at the solution (the
score test, as in `moved.py`), and compared with its uncertainty. From above only what both standings show of the
blades is compared; photographs from the side show all of them.

Not covered: rotors that differ only where one standing alone shows them, which no pair can tell.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from bladeangle.adjustment.adjust import Adjustment
from bladeangle.adjustment.correlated_errors import correlated_errors_in_px
from bladeangle.adjustment.equations import Equations
from bladeangle.adjustment.normals import WeightedRows
from bladeangle.base.geometry import Array
from bladeangle.imaging.ring import Ring

#: What is expected of another rotor's blades, deg: how much steeper.
EXPECTED_DEG = 2.0
#: A direction counts where the photographs leave less than this share of the variance that was expected.
UNTOLD = 0.1


@dataclass(frozen=True)
class Difference:
    """By how much a group of photographs sees other blades.

    photos : the group; steeper_deg : (n,) of each blade over its middle; significance : root of chi-square over its
    degrees of freedom, in standard deviations of a normal distribution.
    """

    photos: tuple[int, ...]
    steeper_deg: Array
    significance: float


def differences(result: Adjustment, ring: Ring) -> list[Difference]:
    """Of the second standing against the first, and of photographs from the side against those from above."""
    return [_difference(result, ring, group) for group in _groups(result)]


def _groups(result: Adjustment) -> Iterator[list[int]]:
    """Photographs that may be of another rotor together: those of one standing, or those from the side of one."""
    state = result.state
    seen = [p for p, view in enumerate(result.views) if view.tips is not None and len(view.tips.px)]
    turned = [p for p in seen if result.views[p].setup == state.setups[-1]]
    if len(state.setups) == 2 and turned and len(turned) < len(seen):
        yield turned
    for standing in state.setups:
        here = [p for p in seen if result.views[p].setup == standing]
        side = [p for p in here if not _far(result, p)]
        if side and len(side) < len(here):
            yield side


def _far(result: Adjustment, photo: int) -> bool:
    tips = result.views[photo].tips
    return tips is not None and bool(tips.far.all())


def _shapes(result: Adjustment) -> Array:
    """Changes of all unknowns (n, 2 + blades): every blade alike steeper, and more bent; each one steeper by itself.

    One unit is `EXPECTED_DEG` of slope at the ends.
    """
    rotor, layout = result.state.rotor, result.layout
    assert rotor is not None
    basis = rotor.basis
    out = np.zeros((layout.size, 2 + rotor.blades))
    knots = basis.start + basis.step * (np.arange(basis.count) - 1)  # where the coefficients of a line lie on it
    for b, (first, last) in enumerate(rotor.ends):
        columns = np.arange(layout[("blade", b)].start, layout[("blade", b)].start + basis.count)
        x = (knots - (first + last) / 2) / ((last - first) / 2)
        rise = np.tan(np.radians(EXPECTED_DEG)) * rotor.radius_mm * (last - first) / 2
        out[columns, 0] = rise * x
        out[columns, 1] = rise * (x**2 - 1 / 3) / 2
        out[columns, 2 + b] = rise * x
    return out


def _difference(result: Adjustment, ring: Ring, photos: Sequence[int]) -> Difference:
    state, layout = result.state, result.layout
    assert state.rotor is not None
    views = [result.views[p] for p in photos]
    standings = [state.setups.index(view.setup) for view in views]
    equations = Equations(ring, layout, views, photos, standings, of_ring=False)
    shapes = _shapes(result)
    count = shapes.shape[1]
    coupling, information, right = np.zeros((layout.size, count)), np.zeros((count, count)), np.zeros(count)
    for r in equations.rows(state):
        p = photos[r.view]
        single, total = (r.sigma * scale[p].get(r.kind, 1.0) for scale in (result.single, result.scale))
        residual = np.where(np.isfinite(r.residual), r.residual, 0.0)
        traces = correlated_errors_in_px(r.kind, result.views[p], single, result.correlated_sigma)
        one = WeightedRows(r, residual, result.weight[p][r.kind] / total**2, traces)
        mine = shapes[r.columns]
        by_shapes = one.normal @ mine
        coupling[r.columns] += by_shapes
        information += mine.T @ by_shapes
        right += mine.T @ one.right_side(residual)
    spread = np.ones(count)
    spread[2:] = 0.5  # blades of a rotor differ by less than rotors do
    scale = np.outer(spread, spread)
    left = (information - coupling.T @ result.covariance @ coupling) * scale + np.eye(count)
    own = np.linalg.inv((left + left.T) / 2)
    found = -own @ (right * spread)
    # under no difference it scatters by this; directions that hardly anything but expectation tells are left out
    variance, along = np.linalg.eigh(own - own @ own)
    told = (variance > 1e-12) & (np.diag(along.T @ own @ along) < UNTOLD)
    freedom = int(told.sum())
    square = float(((along.T @ found)[told] ** 2 / variance[told]).sum())
    found *= spread
    return Difference(
        tuple(photos),
        EXPECTED_DEG * (found[0] + found[2:]),
        float((square - freedom) / np.sqrt(2 * max(freedom, 1))),
    )
