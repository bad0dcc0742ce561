"""Encoded grey values of a photograph -> the level at which its light ends.

Metal that mirrors a lamp is brighter than a sensor can tell. Where the file's white is not reached (a coloured lamp
saturates one colour before the others, a tone curve ends below white) a saturated area still stands out in the
histogram: as a spike at one level, which nothing but saturation or a uniform sheet of colour makes. Taking the latter
for saturated costs information, not correctness.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

#: Levels (of 255) among which the spike is looked for: one that light below does not reach is no end of light.
LOWEST_LEVEL = 205
#: How much higher than the levels below it a spike must stand, and the least share of all pixels in it.
STANDS_OUT = 6.0
LEAST_SHARE = 0.001
#: Every so many rows and columns tell enough.
EVERY = 4


def saturation_level(encoded: NDArray[np.uint8]) -> int:
    """The encoded level, at most 255, at which light ends in a picture (height, width)."""
    count = np.bincount(encoded[::EVERY, ::EVERY].reshape(-1), minlength=256).astype(float)
    levels = np.arange(LOWEST_LEVEL, 254)
    below = np.array([count[level - 8 : level - 3].mean() for level in levels])
    spike = count[levels] > np.maximum(STANDS_OUT * below, LEAST_SHARE * count.sum())
    if not spike.any():
        return 255
    return int(levels[spike][count[levels[spike]].argmax()])
