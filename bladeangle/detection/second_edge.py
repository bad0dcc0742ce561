"""Photo + followed tip edges -> where a second edge runs beside one, so that either may be the tip's.

Seen from above a tip's edge is one step between blade and what lies below it. A thread, a pen line, a dark rim, a
chamfer that shines or a shadow on the paper makes a second one that keeps close to it for the length of the blade, and
nothing in the adjustment tells which was followed, as a smooth curve fits both.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bladeangle.adjustment.model import TipPoints
from bladeangle.base.geometry import Array
from bladeangle.imaging import profiles
from bladeangle.imaging.photo import Photo
from bladeangle.tuning.detection import SECOND_EDGE


@dataclass(frozen=True)
class SecondEdge:
    """A second edge beside the tip of a blade (from 0): how far off, px on the mean, and along which share of it.

    points : indices (k,) of the tip's points, and off_px (k,) how far along their normals the second edge lies; where
    it is not seen, as beside their neighbours.
    """

    blade: int
    away_px: float
    share: float
    points: NDArray[np.int64]
    off_px: Array


def second_edges(photo: Photo, tips: TipPoints, blur_px: float) -> list[SecondEdge]:
    """Of every blade whose tip is seen from above, the strongest second edge, whatever its share."""
    from scipy.ndimage import gaussian_filter1d

    inside = np.flatnonzero(tips.far)
    far = tips.only(tips.far)
    out: list[SecondEdge] = []
    if not len(far.px):
        return out
    reach = (SECOND_EDGE.reach_px, SECOND_EDGE.reach_px)
    read = profiles.read_profiles(photo.grey, far.px, far.normal, reach, SECOND_EDGE.along_px)
    slope = gaussian_filter1d(np.sqrt(np.maximum(np.nan_to_num(read), 0)), 0.8, axis=1, order=1, mode="nearest")
    size = np.abs(slope)
    noise = 1.4826 * np.median(size, axis=1, keepdims=True)
    middle = size.shape[1] // 2
    own = size[:, middle - 1 : middle + 2].max(1)
    apart = max(SECOND_EDGE.apart_px, SECOND_EDGE.apart_blurs * blur_px)
    beside = np.abs(np.arange(size.shape[1]) - middle) >= apart
    peak = np.zeros_like(size, bool)
    peak[:, 1:-1] = (size[:, 1:-1] >= size[:, :-2]) & (size[:, 1:-1] > size[:, 2:])
    second = np.where(peak & beside & (size > 4 * noise), size, 0.0)
    for b in np.unique(far.blade):
        mine = np.flatnonzero(far.blade == b)
        if len(mine) < SECOND_EDGE.fewest_points:
            continue
        share, off_px = _beside(second[mine], own[mine], middle)
        out.append(SecondEdge(int(b), float(np.abs(off_px).mean()), share, inside[mine], off_px))
    return out


def _beside(second: Array, own: Array, middle: int) -> tuple[float, Array]:
    """Share of a run along which one side has a second step, of the side that has more, and how far off (n,) px."""
    share, off_px = 0.0, np.zeros(len(second))
    for part in (slice(0, middle), slice(middle + 1, None)):
        strength = second[:, part]
        at = np.arange(second.shape[1])[part] - middle
        there = strength.max(1) > SECOND_EDGE.strong_share * own
        if there.any() and there.mean() > share:
            where = np.flatnonzero(there)
            share = float(there.mean())
            off_px = np.interp(np.arange(len(second)), where, at[strength.argmax(1)[there]])
    return share, np.asarray(off_px, float)
