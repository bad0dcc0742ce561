"""The path through the unrolled picture that falls along blades and jumps up between them."""

from __future__ import annotations

import numpy as np
import pytest

from bladeangle.outline import COLUMNS, PITCH_MM, best_path

ROWS = 300


def saw_tooth(count: int, fall: int = 2) -> np.ndarray:
    """Row (COLUMNS,) of `count` teeth that fall by `fall` rows a column, the first starting at column 10."""
    within = (np.arange(COLUMNS) - 10) % (COLUMNS // count)
    return 250 - fall * within


@pytest.mark.parametrize("count", [3, 4])
def test_a_saw_tooth_is_followed_through_noise_and_a_scratch(count):
    rng = np.random.default_rng(count)
    strength = rng.uniform(0, 2, (COLUMNS, ROWS))
    strength[:, 60] = 5.0  # level, all round, and stronger than the teeth where they fade
    rows = saw_tooth(count)
    strength[np.arange(COLUMNS), rows] = rng.uniform(4, 8, COLUMNS)
    path, jumped, mean = best_path(strength, PITCH_MM, np.full(COLUMNS, 4.0))
    assert (path == rows).mean() > 0.95
    assert np.flatnonzero(jumped).tolist() == [10 + k * COLUMNS // count for k in range(count)]
    assert mean == pytest.approx(strength[np.arange(COLUMNS), path].mean(), rel=1e-6)


def test_no_jump_where_none_is_allowed():
    strength = np.random.default_rng(1).uniform(0, 2, (COLUMNS, ROWS))
    strength[np.arange(COLUMNS), saw_tooth(3)] = 8.0
    cost = np.full(COLUMNS, np.inf)
    cost[10::60] = 1.0
    cost[70] = np.inf
    _, jumped, _ = best_path(strength, PITCH_MM, cost)
    assert set(np.flatnonzero(jumped).tolist()) <= {10, 130}
    assert jumped.any()
