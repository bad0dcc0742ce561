"""JPEG tables and pixels -> how strongly a picture was compressed, by whoever did so last or before.

The file's own table tells of the last time. What was compressed strongly before and then saved with a fine table, as
editors do, keeps steps at the borders of the squares of eight pixels of that time; the coarser the file's own table is,
the more of them are its own.

Not covered: a picture that was cut between by other than whole squares, which hides most of those steps.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from bladeangle.base.files import import_cv2

#: Mean entry of the file's own table for brightness from which it is coarse: libjpeg's quality of 77 (from memory:
#: phones save with 90 and more, messengers with 50 to 75).
COARSE = 26.0
#: Steps at the squares' borders over those elsewhere to which pictures come by their own table, as a line over its mean
#: entry: of path-traced and rendered ones up to 1.65 at 14 and 2.04 at 20; of pictures compressed three times at a
#: quality of 30 to 60 and saved at 92, whose table has 9, from 1.8 on.
BY_OWN_TABLE = (1.3, 0.045)
#: Steps beyond which they are the scene's, grey levels; and how many rows and columns are read.
STEP_LEVELS = 12
LINES = 1000


def mean_entry(tables: Mapping[int, Sequence[int]] | None) -> float | None:
    """Mean entry of a file's table for brightness; None without one."""
    return float(np.mean(tables[0])) if tables and 0 in tables else None


def strongly_compressed(encoded: NDArray[np.uint8], own_entry: float | None) -> bool:
    """Whether a picture (h, w) was compressed strongly, whose file's own table has this mean entry."""
    if own_entry is None:
        return False
    first, by = BY_OWN_TABLE
    return own_entry > COARSE or blockiness(encoded) > first + by * own_entry


def blockiness(encoded: NDArray[np.uint8]) -> float:
    """How much steps between neighbouring pixels stand out every eighth of them, wherever the squares begin.

    As the geometric mean of rows and columns.
    """
    step = max(1, min(encoded.shape) // LINES)
    columns = import_cv2().transpose(np.ascontiguousarray(encoded[:, ::step]))
    return float(np.sqrt(_outstanding(encoded[::step]) * _outstanding(np.asarray(columns, np.uint8))))


def _outstanding(values: NDArray[np.uint8]) -> float:
    steps = np.minimum(np.abs(np.diff(values.astype(np.int16), axis=1)), STEP_LEVELS).mean(0)
    by_place = steps[: len(steps) // 8 * 8].reshape(-1, 8).mean(0)
    highest = int(by_place.argmax())
    return float(by_place[highest] / max(float(np.median(np.delete(by_place, highest))), 1e-6))
