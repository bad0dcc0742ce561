"""Outlines of overhead photographs, one of each setup -> their adjustment."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from bladeangle.adjustment.adjust import Adjustment, adjust
from bladeangle.adjustment.model import TIP_KINDS, State
from bladeangle.adjustment.priors import Priors
from bladeangle.detection import start
from bladeangle.imaging.ring import Ring
from bladeangle.pipeline.outlines import begun_alone
from bladeangle.pipeline.shots import OutlinedShot, begun_state, observed
from bladeangle.tuning.register import REGISTER

#: Overlaps that are tried where that of the blades is unusual.
TRIED_OVERLAPS = (0.75, 0.95, 1.15, 1.35, 1.6)


def _teeth(shot: OutlinedShot, ring: Ring, priors: Priors) -> list[start.Tooth]:
    """The blades of an overhead photograph with heights from its sub-pixel points on the priors' tip radius."""
    state = begun_alone(shot, ring, priors)
    foot = state.on_cylinder(shot.tips.px, 0, 0, priors.radius_mm, shot.tips.far)
    foot = foot @ state.r_ring_rotor[0].T + [0.0, 0.0, state.t_ring_rotor[0, 2]]
    azimuth = np.arctan2(foot[:, 1], foot[:, 0])
    return start.refined_teeth(shot.teeth, shot.turn, shot.tips.blade, azimuth, foot[:, 2])


def _begin(first: Sequence[OutlinedShot], ring: Ring, priors: Priors, wrap_rad: float | None = None) -> State:
    """First rotor from the outlines of one overhead photograph of each setup, on the priors' tip radius."""
    teeth, axis = {}, {}
    for shot in first:
        teeth[shot.setup], axis[shot.setup] = _teeth(shot, ring, priors), shot.axis_mm
    away_mm = float(np.mean([s.pose.eye_mm[2] for s in first]))
    begun = start.first_rotor(
        teeth,
        first[0].turn,
        axis,
        priors.radius_mm,
        priors.thickness_mm,
        priors.rounding_mm,
        priors.radius_sigma_mm / priors.radius_mm * away_mm,
        wrap_rad,
    )
    state = begun_state(first, priors.camera, ring, begun)
    rise = begun.t_ring_rotor[:, 2]
    circles, owner = [], []
    for k, shot in enumerate(first):
        for circle in shot.circles:
            height = circle.height_mm if shot.setup == "inlet_up" else rise[k] - circle.height_mm
            circles.append((circle.radius_mm, height))
            owner.append(k)
    state.circles, state.circle_setup = np.array(circles), tuple(owner)
    return state


def adjusted_overhead(
    first: Sequence[OutlinedShot], ring: Ring, priors: Priors, wrap_rad: float | None = None, *, rough: bool = False
) -> Adjustment:
    """First adjustment, of one overhead photograph of each setup.

    Parameters
    ----------
    wrap_rad : wrap of the blades, where it is known better than from matching both setups.
    rough : to a few pixels, from the first look at the edges alone.
    """

    def near(state: State, known: bool) -> Adjustment:
        views = observed(first, state, 3, 5.0 if known else 3.0, known=known)
        return adjust(ring, views, state, priors, most_iterations=40, must_settle=False)

    result = near(_begin(first, ring, priors, wrap_rad), known=True)
    if not rough and len(first) > 1 and not all(shot.ended for shot in first) and _strange(result):
        pitch = 2 * np.pi / len(first[0].teeth)
        others = [near(_begin(first, ring, priors, share * pitch), known=True) for share in TRIED_OVERLAPS]
        other = near(min(others, key=deviance).state, known=True)
        if deviance(other) + REGISTER.least_deviance_gain < deviance(result):
            result = other
    if rough:
        return result
    return near(result.state, known=False)


def _strange(result: Adjustment) -> bool:
    """Whether two overhead photographs may have been matched at a wrong place along the blades.

    Signs are an unusual overlap, and blades that bend more than blades do: of twelve rendered pairs of used rotors
    the five that were matched more than 10 deg off bent by 2.5 to 4 times the variance expected, the others by up to
    1.3.
    """
    return (
        result.prior_cost["overlap"] > REGISTER.unusual_overlap_cost
        or result.birge_ratio_squared > REGISTER.unusual_birge_squared
    )


def deviance(result: Adjustment) -> float:
    """How unlikely a rotor is: -2 log likelihood and a constant.

    By all that is known beforehand, and by edges that lie farther off than they are unsure; for comparing starts from
    the same photographs. Whether a rotor is like rotors at all, `Adjustment.implausibility` says.
    """
    tips = [(p, kind) for p, kinds in enumerate(result.scale) for kind in TIP_KINDS if kind in kinds]
    off = sum(len(result.weight[p][kind]) * 2 * np.log(max(result.scale[p][kind], 1.0)) for p, kind in tips)
    # the gauge only ties it to where it was begun
    return float(off + sum(cost for of, cost in result.prior_cost.items() if of != "gauge"))
