"""Adjustment -> whether the photographs of a setup, or from the side, show other blades than the rest do.

Two rotors of a make are alike but for a degree, and an adjustment of photographs of both fits a third one in between.
So the photographs that may have been mixed up together are given blades of their own, each of them higher, steeper and
more bent by d than the common ones. With the gradient g and the information A of the group's photographs on d, all
common unknowns marginalised, g is normal with covariance A where there is one rotor, and A + A S A where there are two
whose blades differ by d, normal with covariance S. The likelihood ratio of the two is

    2 ln L = g' (A + S^-1)^-1 g - ln det(I + S A),

read off the equations at the solution (the score test; Rao, 1948, from memory). Whatever the photographs tell of d
counts in it by how well they tell it. One rotor gives L over 100 at most once in 100 cases, as L is 1 on the mean
(Markov's inequality). Beside photographs from the side, which see all of the blades, L of one rotor is far smaller,
the smaller the more they tell: with the eigenvalues v of S A, 2 ln L is the sum of z^2 v / (1 + v) - ln(1 + v) there,
z standard normal. What lies above the mean of that by `MIXUPS.excess_sigmas` of its standard deviations is two rotors.
From above only what both setups show of the blades is compared; photographs from the side show all of them.

Not covered: rotors that differ only where one setup alone shows them, which no pair can tell; nor in what a turn, a
lean and another match lengthwise make up for. How few pairs it tells is in `UNCERTAINTY.md`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from bladeangle.adjustment.adjust import Adjustment, seen_from_above
from bladeangle.base.budget import covariance_root
from bladeangle.base.geometry import Array
from bladeangle.results.weighted import weighted_rows
from bladeangle.tuning.results import TWO_ROTORS


@dataclass(frozen=True)
class Difference:
    """By how much the blades that a group of photographs shows differ from those of the rest.

    photos : the group; steeper_deg : (n,) of each blade, as it is to be expected of two rotors; log_ratio : twice the
    logarithm of the likelihood ratio of two rotors to one; null : its mean and standard deviation where there is one.
    """

    photos: tuple[int, ...]
    steeper_deg: Array
    log_ratio: float
    null: tuple[float, float]

    @property
    def excess(self) -> float:
        """How far the log ratio lies above that of one rotor, in standard deviations of that."""
        mean, deviation = self.null
        return (self.log_ratio - mean) / max(deviation, 1e-9)


def differences(result: Adjustment) -> list[Difference]:
    """Of the second setup against the first, and of photographs from the side against those from above."""
    return [_difference(result, group) for group in _groups(result)]


def _groups(result: Adjustment) -> Iterator[list[int]]:
    """Photographs that may be of another rotor together: those of one setup, or those from the side of one."""
    state = result.state
    seen = [p for p, view in enumerate(result.views) if view.tips is not None and len(view.tips.px)]
    turned = [p for p in seen if result.views[p].setup == state.setups[-1]]
    if len(state.setups) == 2 and turned and len(turned) < len(seen):
        yield turned
    for setup in state.setups:
        here = [p for p in seen if result.views[p].setup == setup]
        side = [p for p in here if not seen_from_above([result.views[p]])]
        if side and len(side) < len(here):
            yield side


def _shapes(result: Adjustment) -> Array:
    """Changes of all unknowns (n, 3 * blades): each blade higher by a mm, steeper by a degree, and more bent.

    Bent blades are steeper by a degree at one end and shallower by one at the other.
    """
    rotor, layout = result.state.rotor, result.layout
    basis, count = rotor.basis, rotor.blades
    out = np.zeros((layout.size, 3 * count))
    knots = basis.start + basis.step * (np.arange(basis.count) - 1)  # where the coefficients of a line lie on it
    for b, (first, last) in enumerate(rotor.ends):
        columns = np.arange(layout[("blade", b)].start, layout[("blade", b)].start + basis.count)
        x = (knots - (first + last) / 2) / ((last - first) / 2)
        rise = np.tan(np.radians(1.0)) * rotor.radius_mm * (last - first) / 2
        out[columns, b] = 1.0
        out[columns, count + b] = rise * x
        out[columns, 2 * count + b] = rise * (x**2 - 1 / 3) / 2
    return out


def _expected(blades: int) -> Array:
    """Covariance (3 * blades, 3 * blades) of what two rotors differ by; alike in height, which a setup may have."""
    each, all_ = np.eye(blades), np.ones((blades, blades))
    out = np.zeros((3 * blades, 3 * blades))
    out[:blades, :blades] = TWO_ROTORS.own_mm**2 * each
    for k in (1, 2):
        at = slice(k * blades, (k + 1) * blades)
        out[at, at] = TWO_ROTORS.own_deg**2 * each + TWO_ROTORS.common_deg**2 * all_
    return out


def _difference(result: Adjustment, photos: Sequence[int]) -> Difference:
    layout, blades, shapes = result.layout, result.state.rotor.blades, _shapes(result)
    count = shapes.shape[1]
    coupling, information, gradient = np.zeros((layout.size, count)), np.zeros((count, count)), np.zeros(count)
    for one in weighted_rows(result, photos):
        columns = one.rows.columns
        own = shapes[columns]
        by_shapes = one.normal @ own
        coupling[columns] += by_shapes
        information += own.T @ by_shapes
        gradient += own.T @ one.right_side(one.residual)
    spread = covariance_root(_expected(blades))
    left = information - coupling.T @ result.covariance @ coupling
    # where both ends fit each other worse than they should, all variances are larger by so much
    larger = max(result.birge_ratio_squared, 1.0) if result.from_above else 1.0
    information, gradient = spread.T @ left @ spread / larger, spread.T @ gradient / larger
    values, along = np.linalg.eigh((information + information.T) / 2)
    values, gradient = np.maximum(values, 0.0), along.T @ gradient
    found = -gradient / (1 + values)
    told = values / (1 + values)  # the squares of one rotor's gradients have these means, and twice their squares' sum
    log_determinant = np.log1p(values).sum()
    null = float(told.sum() - log_determinant), float(np.sqrt(2 * (told**2).sum()))
    log_ratio = float(-(gradient @ found) - log_determinant)
    return Difference(tuple(photos), (spread @ along @ found)[blades : 2 * blades], log_ratio, null)
