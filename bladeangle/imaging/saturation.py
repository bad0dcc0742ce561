"""Encoded grey values of a photograph -> the level at which its light ends.

Metal that mirrors a lamp is brighter than a sensor can tell. Where the file's white is not reached (a coloured lamp
saturates one colour before the others, a tone curve ends below white) a saturated area still stands out in the
histogram: as a spike at one level, which nothing but saturation or a uniform sheet of colour makes. Light that is as
bright by itself hides it, but not from the histogram of smooth places: where light has ended there is no noise either.
Taking a uniform sheet for saturated costs information, not correctness.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from bladeangle.tuning.imaging import SATURATION

#: Every so many rows and columns tell enough.
EVERY = 4


def saturation_level(encoded: NDArray[np.uint8]) -> int:
    """The encoded level, at most 255, at which light ends in a picture (height, width)."""
    count = np.bincount(encoded[::EVERY, ::EVERY].reshape(-1), minlength=256).astype(float)
    levels = np.arange(SATURATION.lowest_level, 254)
    below = np.array([count[level - 8 : level - 3].mean() for level in levels])
    least = SATURATION.spike_share * count.sum()
    spike = count[levels] > np.maximum(SATURATION.spike_ratio * below, least)
    if spike.any():
        return int(levels[spike][count[levels[spike]].argmax()])
    # compression spreads a plateau over three levels, and a part of it is not smooth
    smooth = np.bincount(_smooth_places(encoded), minlength=256).astype(float)
    below = np.array([smooth[level - 6 : level - 2].mean() for level in levels])
    plateau = np.array([smooth[level : level + 3].sum() if level < 251 else 0.0 for level in levels])
    brighter, smooth_ones = (np.cumsum(of[::-1])[::-1][levels] for of in (count, smooth))
    found = plateau > np.maximum(3 * SATURATION.spike_ratio * below, least / 3)
    found &= smooth_ones > SATURATION.smooth_share * brighter
    return int(levels[found][plateau[found].argmax()]) if found.any() else 255


def _smooth_places(encoded: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Levels (n,) of those of every so many pixels that differ from pixels two rows and columns away by 1 at most."""
    middle = encoded[2:-2:EVERY, 2:-2:EVERY].astype(np.int16)
    rows, columns = middle.shape
    smooth = np.ones(middle.shape, bool)
    for down, right in ((0, 2), (4, 2), (2, 0), (2, 4)):
        beside = encoded[down::EVERY, right::EVERY][:rows, :columns]
        smooth &= np.abs(middle - beside) <= 1
    return middle[smooth].astype(np.uint8)
