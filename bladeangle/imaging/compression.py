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
from bladeangle.tuning.imaging import COMPRESSION

#: How many rows and columns are read.
LINES = 1000


def mean_entry(tables: Mapping[int, Sequence[int]] | None) -> float | None:
    """Mean entry of a file's table for brightness; None without one."""
    return float(np.mean(tables[0])) if tables and 0 in tables else None


def strongly_compressed(encoded: NDArray[np.uint8], own_entry: float | None) -> bool:
    """Whether a picture (h, w) was compressed strongly, whose file's own table has this mean entry."""
    if own_entry is None:
        return False
    by_own_table = COMPRESSION.own_table_steps + COMPRESSION.own_table_growth * own_entry
    return own_entry > COMPRESSION.coarse_entry or blockiness(encoded) > by_own_table


def blockiness(encoded: NDArray[np.uint8]) -> float:
    """How much steps between neighbouring pixels stand out every eighth of them, wherever the squares begin.

    As the geometric mean of rows and columns.
    """
    step = max(1, min(encoded.shape) // LINES)
    columns = import_cv2().transpose(np.ascontiguousarray(encoded[:, ::step]))
    return float(np.sqrt(_outstanding(encoded[::step]) * _outstanding(np.asarray(columns, np.uint8))))


def _outstanding(values: NDArray[np.uint8]) -> float:
    steps = np.minimum(np.abs(np.diff(values.astype(np.int16), axis=1)), COMPRESSION.scene_step).mean(0)
    by_place = steps[: len(steps) // 8 * 8].reshape(-1, 8).mean(0)
    highest = int(by_place.argmax())
    return float(by_place[highest] / max(float(np.median(np.delete(by_place, highest))), 1e-6))
