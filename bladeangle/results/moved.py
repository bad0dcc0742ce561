"""Adjustment -> the photographs between which the rotor was moved, each with how far it sees the rotor elsewhere.

Residuals hardly show it: the common model absorbs a shove as another radius, tilt or curve, and fits well to wrong
angles. So each photograph in turn is given three unknowns of its own, a turn and a shift of the rotor. Their estimate
follows from the equations at the solution: a score test, with the common unknowns estimated anew (Schur complement).
Two photographs of a setup can only differ from each other, and small movements do not show; there a move is among the
unknowns (`model.unwatched`), and its estimate is taken without its prior. One photograph shows no movement.

Not covered: a shove along directions that the photographs together do not see, as one from the side and one from above
have; the significance is then small. How far exactly it was moved beyond half a millimetre, where edges are lost or
lose their weight: the size is rough then. A rotor moved between two standing positions, which it is anyhow.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from bladeangle.adjustment.adjust import Adjustment
from bladeangle.adjustment.equations import SETUP_TURN
from bladeangle.base.geometry import Array
from bladeangle.results.weighted import weighted_rows
from bladeangle.tuning.results import MOVED


@dataclass(frozen=True)
class Movement:
    """How far one photograph sees the rotor from where the others of its setup see it.

    way_mm : (3,) of the tip by a turn about the ring's z, and along the ring's x and y; covariance : (3, 3) mm2.
    turn_slack_mm : how far a turn may only seem to have been made.
    """

    way_mm: Array
    covariance: Array
    radius_mm: float
    turn_slack_mm: float = 0.0

    @property
    def turn_deg(self) -> float:
        """The turn about the ring's z."""
        return float(np.degrees(self.way_mm[0] / self.radius_mm))

    @property
    def shift_mm(self) -> Array:
        """The shift (2,) along the ring's x and y."""
        return self.way_mm[1:]

    @property
    def size_mm(self) -> float:
        """The shift, or the way of the tip by the turn, whichever is longer."""
        return max(float(np.hypot(*self.shift_mm)), abs(float(self.way_mm[0])))

    @property
    def significance(self) -> float:
        """The whole movement in its standard uncertainties: root of a chi-square of three degrees of freedom."""
        slack = np.diag([self.turn_slack_mm**2, 0.0, 0.0])
        return float(np.sqrt(self.way_mm @ np.linalg.solve(self.covariance + slack, self.way_mm)))

    @property
    def clear(self) -> bool:
        """Whether it is beyond what points that scatter make believe."""
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
class _Alone:
    """What one photograph's sight of the rotor brings to the equations of its own turn and shift.

    coupling : (n, 3) with the common unknowns; information : (3, 3); right : (3,) the gradient. All for mm at the tip.
    """

    photo: int
    coupling: Array
    information: Array
    right: Array
    turn_slack_mm: float


def movements(result: Adjustment) -> dict[int, Movement]:
    """Photograph -> its movement, for those against which the rotor was clearly moved.

    The clearest one is given its own place first, since as long as it has none it pulls at the common place, and the
    others seem moved as well. Where two photographs are left that contradict each other, both are named.
    """
    state, out = result.state, dict[int, Movement]()
    for index, setup in enumerate(state.setups):
        here = [p for p, view in enumerate(result.views) if view.setup == setup]
        free = [p for p in here if p in state.moves]
        if free:  # one of two, where the adjustment has let the rotor lie a little elsewhere: there, and back
            there = _allowed(result, free[0])
            back = replace(there, way_mm=-there.way_mm)
            out |= {p: there if p in free else back for p in here} if there.clear else {}
            continue
        waiting = _alone(result, here, index) if len(here) > 1 else []
        covariance, change = result.covariance, np.zeros(result.layout.size)
        while len(waiting) > 1:
            seen = [_movement(result, a, covariance, change) for a in waiting]
            worst = max(range(len(seen)), key=lambda i: seen[i].significance)
            if not seen[worst].clear:
                break
            if len(waiting) == 2:
                if all(m.clear for m in seen):  # it is one movement, seen from either
                    out |= {a.photo: m for a, m in zip(waiting, seen, strict=True)}
                break
            freed = waiting.pop(worst)
            out[freed.photo] = seen[worst]
            covariance, change = _without(freed, seen[worst], covariance, change)
    return out


def _allowed(result: Adjustment, photo: int) -> Movement:
    """The move that is among the unknowns, estimated without its prior."""
    at = result.layout[("move", photo)]
    unit = np.array([result.state.rotor.radius_mm, 1.0, 1.0])
    after = np.asarray(np.linalg.inv(result.covariance[at, at]), np.float64)
    information = (after - result.information["moves"][at, at]) / unit[:, None] / unit
    own: Array = np.asarray(np.linalg.inv(information + np.eye(3) / MOVED.expected_mm**2), np.float64)
    return Movement(own @ (after @ result.state.moves[photo] / unit), own, result.state.rotor.radius_mm)


def _alone(result: Adjustment, photos: Sequence[int], setup: int) -> list[_Alone]:
    """Equations of each photograph of a setup, weighted as in the adjustment, correlated errors marginalised as there.

    Of those alone that were looked at for tips.
    """
    state, layout = result.state, result.layout
    photos = [p for p in photos if result.views[p].tips is not None]
    views = [result.views[p] for p in photos]
    three = np.array([2, 3, 4])  # turn about z, shift in x and y
    own, unit = SETUP_TURN.start + three, np.array([1 / state.rotor.radius_mm, 1.0, 1.0])
    coupling, right = np.zeros((len(views), layout.size, 3)), np.zeros((len(views), 3))
    for one in weighted_rows(result, photos):
        coupling[one.rows.view, one.rows.columns] += one.normal[:, own] * unit
        right[one.rows.view] += one.right_side(one.residual)[own] * unit
    common = layout.columns["setup", setup][three]
    # one from above sees a turn by heights, and these by radii, which vary along tips by some hundredths of a mm
    mixed = len({bool(view.tips.far.all()) for view in views if view.tips is not None}) > 1
    slack = [MOVED.turn_from_above_mm if mixed and v.tips is not None and v.tips.far.all() else 0.0 for v in views]
    own_equations = zip(photos, coupling, right, slack, strict=True)
    return [_Alone(p, by, by[common] * unit[:, None], pull, mm) for p, by, pull, mm in own_equations]


def _movement(result: Adjustment, alone: _Alone, covariance: Array, change: Array) -> Movement:
    """What one photograph says by itself; covariance (n, n) and change (n,) are those of the common unknowns."""
    left = alone.information - alone.coupling.T @ covariance @ alone.coupling + np.eye(3) / MOVED.expected_mm**2
    own: Array = np.asarray(np.linalg.inv(left), np.float64)
    way_mm = -own @ (alone.right + alone.coupling.T @ change)
    return Movement(way_mm, own, result.state.rotor.radius_mm, alone.turn_slack_mm)


def _without(freed: _Alone, movement: Movement, covariance: Array, change: Array) -> tuple[Array, Array]:
    """Covariance (n, n) and change (n,) of the common unknowns once a photograph has a place of its own."""
    response = covariance @ freed.coupling
    return covariance + response @ movement.covariance @ response.T, change - response @ movement.way_mm
