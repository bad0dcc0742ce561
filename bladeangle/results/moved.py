"""Adjustment -> the photographs between which the rotor was moved, each with how far it sees the rotor elsewhere.

Residuals hardly show it: the common model absorbs a shove as another radius, tilt or curve, and fits well to wrong
angles. So each photograph in turn is given three unknowns of its own, a turn and a shift of the rotor; their estimate
follows from the equations at the solution (`own_unknowns.py`).
Two photographs of a setup can only differ from each other, and small movements do not show; there a move is among the
unknowns (`model.unwatched`), and its estimate is taken without its prior. One photograph shows no movement.

Not covered: a shove along directions that the photographs together do not see, as one from the side and one from above
have; the significance is then small. How far exactly it was moved beyond half a millimetre, where edges are lost or
lose their weight: the size is rough then. A rotor moved between two setups, which it is anyhow.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from bladeangle.adjustment.adjust import Adjustment, seen_from_above
from bladeangle.adjustment.equations import SETUP_TURN
from bladeangle.base.geometry import Array
from bladeangle.results.own_unknowns import OwnUnknowns
from bladeangle.results.weighted import weighted_rows
from bladeangle.tuning.results import MOVED


@dataclass(frozen=True)
class Movement:
    """How far one photograph sees the rotor from where the others of its setup see it.

    displacement_mm : (3,) of the tip by a turn about the ring's z, and of the rotor along the ring's x and y.
    covariance : (3, 3) mm2. turn_sigma_mm : standard uncertainty of the first that the covariance leaves out.
    change : (n,) by which the common unknowns differ once it is taken into account; None where they have it already, or
    where it is not clear of which of two photographs it is.
    """

    displacement_mm: Array
    covariance: Array
    radius_mm: float
    turn_sigma_mm: float = 0.0
    change: Array | None = None

    @property
    def turn_deg(self) -> float:
        """The turn about the ring's z."""
        return float(np.degrees(self.displacement_mm[0] / self.radius_mm))

    @property
    def shift_mm(self) -> Array:
        """The shift (2,) along the ring's x and y."""
        return self.displacement_mm[1:]

    @property
    def size_mm(self) -> float:
        """The shift, or how far the turn takes the tip, whichever is longer."""
        return max(float(np.hypot(*self.shift_mm)), abs(float(self.displacement_mm[0])))

    @property
    def significance(self) -> float:
        """The whole movement in its standard uncertainties: root of a chi-square of three degrees of freedom."""
        left_out = np.diag([self.turn_sigma_mm**2, 0.0, 0.0])
        return float(np.sqrt(self.displacement_mm @ np.linalg.solve(self.covariance + left_out, self.displacement_mm)))

    @property
    def clear(self) -> bool:
        """Whether it is more than the scatter of the points explains."""
        return self.significance > MOVED.moved_sigmas and self.size_mm > MOVED.least_move_mm

    def __str__(self) -> str:
        shift = float(np.hypot(*self.shift_mm))
        along = self.shift_mm / max(shift, 1e-9)
        u_shift = float(np.sqrt(along @ self.covariance[1:, 1:] @ along))
        u_turn = float(np.degrees(np.sqrt(self.covariance[0, 0]) / self.radius_mm))
        return (
            f"by {shift:.1f} mm (standard uncertainty {u_shift:.1f}) and {abs(self.turn_deg):.1f} deg "
            f"({u_turn:.1f}), together {self.significance:.0f} standard uncertainties"
        )


@dataclass(frozen=True)
class _OwnMove(OwnUnknowns):
    """A turn and a shift of the rotor in one photograph alone, in mm at the tip; turn_sigma_mm : as `Movement`'s."""

    turn_sigma_mm: float


def movements(result: Adjustment) -> dict[int, Movement]:
    """Photograph -> its movement, for those against which the rotor was clearly moved.

    The clearest one is given a place of its own first: as long as it has none, it draws the common place towards itself
    and the others seem moved as well. Where the last two photographs contradict each other, both are named.
    """
    state, out = result.state, dict[int, Movement]()
    for index, setup in enumerate(state.setups):
        here = [p for p, view in enumerate(result.views) if view.setup == setup]
        free = [p for p in here if p in state.moves]
        if free:  # of two photographs one has a move among the unknowns; seen from the other it is the way back
            there = _estimated_move(result, free[0])
            back = replace(there, displacement_mm=-there.displacement_mm)
            out |= {p: there if p in free else back for p in here} if there.clear else {}
            continue
        undecided = _own_moves(result, here, index) if len(here) > 1 else []
        covariance, change = result.covariance, np.zeros(result.layout.size)
        while len(undecided) > 1:
            seen = [_movement(result, a, covariance, change) for a in undecided]
            worst = max(range(len(seen)), key=lambda i: seen[i].significance)
            if not seen[worst].clear:
                break
            if len(undecided) == 2:
                if all(m.clear for m in seen):  # it is one movement, seen from either
                    out |= {a.photo: m for a, m in zip(undecided, seen, strict=True)}
                break
            freed = undecided.pop(worst)
            value, own, before = seen[worst].displacement_mm, seen[worst].covariance, change
            covariance, change = freed.granted(covariance, change, value, own)
            out[freed.photo] = replace(seen[worst], change=change - before)
    return out


def _estimated_move(result: Adjustment, photo: int) -> Movement:
    """The move that is among the unknowns, estimated without its prior."""
    at = result.layout[("move", photo)]
    unit = np.array([result.state.rotor.radius_mm, 1.0, 1.0])
    after = np.asarray(np.linalg.inv(result.covariance[at, at]), np.float64)
    information = (after - result.information["moves"][at, at]) / unit[:, None] / unit
    own: Array = np.asarray(np.linalg.inv(information + np.eye(3) / MOVED.expected_mm**2), np.float64)
    return Movement(own @ (after @ result.state.moves[photo] / unit), own, result.state.rotor.radius_mm)


def _own_moves(result: Adjustment, photos: Sequence[int], setup: int) -> list[_OwnMove]:
    """Equations of each photograph of a setup, weighted as in the adjustment, correlated errors marginalised as there.

    Photographs in which no tips were looked for are left out.
    """
    state, layout = result.state, result.layout
    photos = [p for p in photos if result.views[p].tips is not None]
    views = [result.views[p] for p in photos]
    three = np.array([2, 3, 4])  # turn about z, shift in x and y
    own, unit = SETUP_TURN.start + three, np.array([1 / state.rotor.radius_mm, 1.0, 1.0])
    coupling, gradient = np.zeros((len(views), layout.size, 3)), np.zeros((len(views), 3))
    for one in weighted_rows(result, photos):
        coupling[one.rows.view, one.rows.columns] += one.normal[:, own] * unit
        gradient[one.rows.view] += one.right_side(one.residual)[own] * unit
    common = layout.columns["setup", setup][three]
    # From above a turn follows from the tips' heights, and these from their radii, which vary along the tips by some
    # hundredths of a mm: beside photographs from the side a small turn may only seem to be there.
    above = [seen_from_above([view]) for view in views]
    turn_sigma_mm = [MOVED.turn_from_above_mm if one and not all(above) else 0.0 for one in above]
    of_each = zip(photos, coupling, gradient, turn_sigma_mm, strict=True)
    return [_OwnMove(p, by, by[common] * unit[:, None], slope, mm) for p, by, slope, mm in of_each]


def _movement(result: Adjustment, own_move: _OwnMove, covariance: Array, change: Array) -> Movement:
    """Estimate of one photograph's move; covariance (n, n) and change (n,) are those of the common unknowns."""
    displacement_mm, own = own_move.estimated(covariance, change, MOVED.expected_mm)
    return Movement(displacement_mm, own, result.state.rotor.radius_mm, own_move.turn_sigma_mm)
