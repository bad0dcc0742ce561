"""Adjustment -> by how much a picture is shifted smoothly from place to place, as the ring's markers show.

A drop or smear on the lens or an editor's warp moves parts of a picture by pixels and leaves it sharp. Every marker
then fits by itself and lies off its place together with its neighbours, which no noise does. What moves the picture of
the ring as another view of it would, a rolling shutter among it, is for `picture_shear.py` and taken out before.

Not covered: what lies between the ring and the rotor only.
"""

from __future__ import annotations

import numpy as np

from bladeangle.adjustment.adjust import Adjustment
from bladeangle.base.geometry import Array
from bladeangle.imaging.ring import Ring
from bladeangle.tuning.imaging import QUALITY
from bladeangle.tuning.results import UNEVENNESS


def marker_shifts(result: Adjustment, photo: int) -> tuple[Array, Array]:
    """Markers seen (k,), as indices into the ring, and how far each lies off its place (k, 2) px, in one photograph."""
    sighting = result.views[photo].sighting
    if sighting is None or len(result.residual_px[photo].get("ring", ())) != len(sighting.marker):
        return np.zeros(0, int), np.zeros((0, 2))
    residual = result.marker_residual_px(photo)
    seen, shifts = [], []
    for marker in np.unique(sighting.marker):
        mine = (sighting.marker == marker) & np.isfinite(residual)
        if mine.sum() >= QUALITY.marker_points:
            seen.append(marker)
            shifts.append(np.linalg.lstsq(sighting.normal[mine], residual[mine], rcond=None)[0])
    return np.array(seen, int), np.array(shifts).reshape(-1, 2)


def unevenness_px(result: Adjustment, ring: Ring, photo: int) -> float:
    """How far neighbouring markers lie off together, px, where that is most."""
    seen, shifts = marker_shifts(result, photo)
    if len(seen) <= UNEVENNESS.neighbours:
        return 0.0
    centre = ring.corners_mm[seen].mean(1)
    shifts = shifts - _homography(centre / ring.outer_radius_mm, shifts)
    order = np.argsort(np.arctan2(centre[:, 1], centre[:, 0]))
    round_it = np.concatenate([shifts[order], shifts[order][: UNEVENNESS.neighbours - 1]])
    sums = np.cumsum(np.concatenate([np.zeros((1, 2)), round_it]), axis=0)
    means = (sums[UNEVENNESS.neighbours :] - sums[: -UNEVENNESS.neighbours]) / UNEVENNESS.neighbours
    return float(np.hypot(means[:, 0], means[:, 1]).max())


def _homography(place: Array, shifts: Array) -> Array:
    """Of shifts (k, 2) at places (k, 2) in a plane, what a small homography does: eight parameters, least squares."""
    x, y = place.T
    one, zero = np.ones_like(x), np.zeros_like(x)
    along_x = np.stack([one, x, y, zero, zero, zero, x * x, x * y], 1)
    along_y = np.stack([zero, zero, zero, one, x, y, x * y, y * y], 1)
    fields = np.concatenate([along_x, along_y])
    found = np.linalg.lstsq(fields, np.concatenate(list(shifts.T)), rcond=None)[0]
    out: Array = (fields @ found).reshape(2, -1).T
    return out
