"""The path through the unrolled picture that falls along blades and jumps up between them, and how many there are."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from bladeangle import outline
from bladeangle.errors import EdgesError
from bladeangle.outline import COLUMNS, PITCH_MM, best_path

ROWS = 300
HEIGHTS_MM = (-20.0, 80.0)


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


def teeth(count: int) -> np.ndarray:
    """Strength (columns, rows) of `count` teeth that fall from 60 by 30 mm, a row and a half wide, over noise."""
    z = np.arange(*HEIGHTS_MM, PITCH_MM)
    ridge = 60.0 - 30.0 * ((np.arange(COLUMNS) * count / COLUMNS) % 1.0)
    noise = np.random.default_rng(count).uniform(0, 1, (COLUMNS, len(z)))
    return 8.0 * np.exp(-0.5 * ((z[None] - ridge[:, None]) / 0.45) ** 2) + noise


def found(monkeypatch: pytest.MonkeyPatch, strength: np.ndarray, turn: int) -> outline.Outline:
    """The outline in a picture whose teeth fall in direction `turn`; the other direction is noise."""
    noise = np.random.default_rng(1).uniform(0, 1, strength.shape)
    monkeypatch.setattr(outline, "_unroll", lambda *words: None)
    monkeypatch.setattr(outline, "_strength", lambda unrolled, way: strength if way == turn else noise)
    photo: Any = SimpleNamespace(name="inlet.jpg")
    return outline.find_outline(photo, lambda p: p, 75.0, np.zeros(2), HEIGHTS_MM, lambda p: np.zeros(len(p)))


@pytest.mark.parametrize("turn", [1, -1])
@pytest.mark.parametrize("count", [2, 3, 4, 5, 6, 7])
def test_teeth_are_counted(monkeypatch: pytest.MonkeyPatch, count: int, turn: int) -> None:
    out = found(monkeypatch, teeth(count), turn)
    assert (len(out.start_rad), out.turn) == (count, turn)
    assert np.diff(np.sort(np.mod(out.start_rad, 2 * np.pi))) == pytest.approx(2 * np.pi / count, abs=0.1)
    for height in out.height_mm:
        seen = (len(height) - 5) * count / COLUMNS  # from the third column of a tooth to the last but two
        assert height[2] - height[-3] == pytest.approx(30.0 * seen, abs=1.5)


@pytest.mark.parametrize(("half", "whole", "count"), [(6.40, 6.35, 4), (4.78, 3.68, 2), (4.57, 4.09, 4)])
def test_half_the_number_may_look_as_strong(
    monkeypatch: pytest.MonkeyPatch, half: float, whole: float, count: int
) -> None:
    """Scores as renders had them: the multiple is taken where it comes near, and not where there are but half."""

    class Folded(SimpleNamespace):
        def tooth(self) -> tuple[float, float]:
            return self.most, 0.0

    scores = {2: half, 4: whole}
    monkeypatch.setattr(outline, "_Folded", SimpleNamespace(of=lambda s, n: Folded(most=scores.get(n, 0.0))))
    assert len(found(monkeypatch, teeth(count), 1).start_rad) == count


def test_no_outline_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(EdgesError, match="no outline"):
        found(monkeypatch, np.zeros_like(teeth(3)), 3)
