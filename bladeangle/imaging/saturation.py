"""Encoded grey values of a photograph -> the level at which its light ends.

Metal that mirrors a lamp is brighter than a sensor can tell. Where the file's white is not reached (a coloured lamp
saturates one colour before the others, a tone curve ends below white) a saturated area still stands out in the
histogram: as a spike at one level, which nothing but saturation or a uniform sheet of colour makes. Taking the latter
for saturated costs information, not correctness.
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
    spike = count[levels] > np.maximum(SATURATION.spike_ratio * below, SATURATION.spike_share * count.sum())
    if not spike.any():
        return 255
    return int(levels[spike][count[levels[spike]].argmax()])
