"""Outlines of overhead photographs, one of each setup -> their adjustment."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from bladeangle.adjustment.adjust import Adjustment, adjust
from bladeangle.adjustment.model import State
from bladeangle.adjustment.priors import Priors
from bladeangle.detection import start
from bladeangle.imaging.ring import Ring
from bladeangle.pipeline.outlines import begun_alone
from bladeangle.pipeline.shots import OutlinedShot, begun_state, observed


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
    if rough:
        return result
    return near(result.state, known=False)
