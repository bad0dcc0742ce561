"""Rotor and camera -> where nothing hides a tip edge from the camera.

Three cases: from overhead the highest blade at each azimuth; from the side the near side of the tip cylinder, where
nothing can stand in front; and, from the side too, its far side, seen over the rotor itself: there a sight line is
followed from the tip to where it leaves the cylinder, past hub and blades.

Not covered: hubs that are wider below than the circles seen of them, and blades whose generators are not nearly radial
beyond what the clearances allow.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from bladeangle.adjustment.model import Ints, State
from bladeangle.base.geometry import Array
from bladeangle.tuning.edges import VISIBILITY

#: Spacing, mm, of the places at which a sight line is looked at; a blade is thicker with its clearance.
SIGHT_STEP_MM = 2.5


def near_side(points: Array, eye: Array) -> NDArray[np.bool_]:
    """Which points (n, 3) of the tip cylinder, rotor frame, look towards the camera at `eye` (3,)."""
    near: NDArray[np.bool_] = _facing(points, eye) > VISIBILITY.near_cosine
    return near


def _facing(points: Array, eye: Array) -> Array:
    """Cosine (n,) between the outward normal of the tip cylinder at points (n, 3) and the line to the camera."""
    to_eye = eye - points
    radial = points[:, :2] / np.maximum(np.linalg.norm(points[:, :2], axis=1, keepdims=True), 1e-9)
    out: Array = (radial * to_eye[:, :2]).sum(1) / np.linalg.norm(to_eye, axis=1)
    return out


def highest(state: State, blade: Ints, tau: Array, up: int) -> NDArray[np.bool_]:
    """Where (n,) bool blades (n,) are the highest at their azimuth, with a margin beside the ends of those above.

    up : sign of the face that looks up.
    """
    rotor = state.rotor
    z = rotor.basis.values(tau, rotor.heights, blade)
    seen = np.ones(len(tau), bool)
    margin = VISIBILITY.cover_margin_mm / rotor.radius_mm
    for other in range(rotor.blades):
        for turns in (-2 * np.pi, 0.0, 2 * np.pi):
            there = tau + rotor.turn * (rotor.azimuth[blade] - rotor.azimuth[other]) + turns
            on = (there > rotor.ends[other, 0] - margin) & (there < rotor.ends[other, 1] + margin)
            if turns == 0:
                on &= blade != other
            if on.any():
                z_other = rotor.basis.values(there[on], rotor.heights, other)
                seen[np.flatnonzero(on)[up * (z_other - z[on]) > 0]] = False
    return seen


def far_side(state: State, blade: Ints, tau: Array, eye: Array, up: int) -> NDArray[np.bool_]:
    """Where (n,) bool the upper edges at tau (n,) of blades (n,) are seen from `eye` (3,) over the rotor.

    Nowhere without hub circles of both ends, as then it is not known what the hub hides.
    """
    rotor = state.rotor
    points = rotor.tip(blade, np.zeros(len(tau), int), tau)
    seen = _facing(points, eye) < -VISIBILITY.near_cosine
    if len(set(state.circle_setup)) < 2 or not seen.any():
        return np.zeros(len(tau), bool)
    some = np.flatnonzero(seen)
    start, away = points[some], eye - points[some]
    away /= np.linalg.norm(away, axis=1, keepdims=True)
    # horizontally from the tip to where the line leaves the cylinder
    out_mm = -2 * (start[:, :2] * away[:, :2]).sum(1) / (away[:, :2] ** 2).sum(1)
    shares = np.linspace(0.0, 1.0, int(np.ceil(2 * rotor.radius_mm / SIGHT_STEP_MM)) + 1)[1:, None]
    line = start + (shares * out_mm)[..., None] * away
    radius_mm, height = np.hypot(line[..., 0], line[..., 1]), up * line[..., 2]
    hidden = _in_hub(state, radius_mm, height, up)
    azimuth = np.arctan2(line[..., 1], line[..., 0])
    beside = VISIBILITY.blade_clearance_mm / np.maximum(radius_mm, VISIBILITY.blade_clearance_mm)
    for other in range(rotor.blades):
        first, last = rotor.ends[other]
        there = rotor.turn * (azimuth - rotor.azimuth[other])
        for at in (there - 2 * np.pi, there, there + 2 * np.pi):
            above = height - up * rotor.basis.values(at.reshape(-1), rotor.heights, other).reshape(at.shape)
            own = (blade[some] == other) & (np.abs(at - tau[some]) < VISIBILITY.own_surface_rad)
            near = np.where(own, above < 0, np.abs(above) < VISIBILITY.blade_clearance_mm)
            hidden |= near & (at > first - beside) & (at < last + beside)
    seen[some[hidden.any(0)]] = False
    return seen


def _in_hub(state: State, radius_mm: Array, height: Array, up: int) -> NDArray[np.bool_]:
    """Whether places, by distance from the axis and height (m, n), lie in the hub or near it.

    The hub is taken for the narrowest convex one that has all its circles; below the lowest it is as wide as that.
    """
    wide, high = state.circles[:, 0], up * state.circles[:, 1]
    # the largest of all lines between two of them, at heights between these
    places = np.linspace(high.min(), high.max(), 50)
    lower, upper = (v.reshape(-1) for v in np.meshgrid(np.arange(len(high)), np.arange(len(high))))
    lower, upper = lower[high[lower] < high[upper]], upper[high[lower] < high[upper]]
    share = (places[:, None] - high[lower]) / (high[upper] - high[lower])
    between = (share >= 0) & (share <= 1)
    hull = np.where(between, wide[lower] + share * (wide[upper] - wide[lower]), 0.0).max(1, initial=0.0)
    hub_mm = np.interp(height, places, hull)
    near = VISIBILITY.hub_clearance_mm
    out: NDArray[np.bool_] = (radius_mm < hub_mm + near) & (height < high.max() + near)
    return out
