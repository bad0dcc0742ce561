"""The path through the unrolled picture that falls along blades and jumps up between them, and how many there are."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from painted import ABOVE, Painted, photographs
from seeds import generator

from bladeangle.base.errors import EdgesError
from bladeangle.detection import outline
from bladeangle.detection.outline import COLUMNS, PITCH_MM, best_path
from bladeangle.tuning.detection import HUB, OUTLINE

ROWS = 300
HEIGHTS_MM = (-20.0, 80.0)


def saw_tooth(count: int, fall: int = 2) -> np.ndarray:
    """Row (COLUMNS,) of `count` teeth that fall by `fall` rows a column, the first starting at column 10."""
    within = (np.arange(COLUMNS) - 10) % (COLUMNS // count)
    return 250 - fall * within


@pytest.mark.parametrize("count", [3, 4])
def test_a_saw_tooth_is_followed_through_noise_and_a_scratch(count):
    rng = generator(count)
    strength = rng.uniform(0, 2, (COLUMNS, ROWS))
    strength[:, 60] = 5.0  # level, all round, and stronger than the teeth where they fade
    rows = saw_tooth(count)
    strength[np.arange(COLUMNS), rows] = rng.uniform(4, 8, COLUMNS)
    path, jumped, mean = best_path(strength, PITCH_MM, np.full(COLUMNS, 4.0))
    assert (path == rows).mean() > 0.95
    assert np.flatnonzero(jumped).tolist() == [10 + k * COLUMNS // count for k in range(count)]
    assert mean == pytest.approx(strength[np.arange(COLUMNS), path].mean(), rel=1e-6)


def test_no_jump_where_none_is_allowed():
    strength = generator(1).uniform(0, 2, (COLUMNS, ROWS))
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
    noise = generator(count).uniform(0, 1, (COLUMNS, len(z)))
    return 8.0 * np.exp(-0.5 * ((z[None] - ridge[:, None]) / 0.45) ** 2) + noise


def look(name: str, axis_mm: Callable[[float], Any] = lambda rim_mm: np.zeros(2)) -> outline.Look:
    photo: Any = SimpleNamespace(name=name)
    return outline.Look(photo, lambda p: p, 75.0, axis_mm, HEIGHTS_MM, lambda p: np.zeros(len(p)))


def found(monkeypatch: pytest.MonkeyPatch, turn: int, *strengths: np.ndarray) -> list[outline.Outline]:
    """The outlines in pictures whose teeth fall in direction `turn`; the other direction is noise."""
    noise = generator(1).uniform(0, 1, strengths[0].shape)
    monkeypatch.setattr(outline, "_unroll", lambda one, rim_mm: int(one.photo.name[0]))
    monkeypatch.setattr(outline, "_strengths", lambda k: {turn: strengths[k], -turn: noise})
    return outline.find_outlines([look(f"{k}.jpg") for k in range(len(strengths))])


@pytest.mark.parametrize("turn", [1, -1])
@pytest.mark.parametrize("count", [2, 3, 4, 5, 6, 7])
def test_teeth_are_counted(monkeypatch: pytest.MonkeyPatch, count: int, turn: int) -> None:
    (out,) = found(monkeypatch, turn, teeth(count))
    assert (len(out.start_rad), out.turn) == (count, turn)
    assert np.diff(np.sort(np.mod(out.start_rad, 2 * np.pi))) == pytest.approx(2 * np.pi / count, abs=0.1)
    for height in out.height_mm:
        seen = (len(height) - 5) * count / COLUMNS  # from the third column of a tooth to the last but two
        assert height[2] - height[-3] == pytest.approx(30.0 * seen, abs=1.5)


def scores(monkeypatch: pytest.MonkeyPatch, *photos: dict[tuple[int, int], float]) -> None:
    """Teeth of all numbers of blades and turns are as strong as given for each photograph, and all there."""

    def look_at(one: outline.Look) -> outline._Seen:
        mine = photos[int(one.photo.name[0])]
        rows = (100, 200)
        found = {key: outline._Tooth(score, 0.0, 200, rows, np.full(key[1], score)) for key, score in mine.items()}
        return outline._Seen(one, OUTLINE.usual_rim_mm, {turn: teeth(3) for turn in (1, -1)}, found)

    monkeypatch.setattr(outline, "_look_at", look_at)


@pytest.mark.parametrize(("half", "whole", "count"), [(6.40, 6.35, 4), (4.78, 3.68, 2), (4.57, 4.09, 4)])
def test_half_the_number_may_look_as_strong(
    monkeypatch: pytest.MonkeyPatch, half: float, whole: float, count: int
) -> None:
    """Scores as renders had them: the multiple is taken where it comes near, and not where there are but half."""
    scores(monkeypatch, {(1, 2): half, (1, 4): whole})
    assert len(outline.find_outlines([look("0.jpg")])[0].start_rad) == count


@pytest.mark.parametrize("count", [2, 3])
def test_bare_paper_between_blades_is_not_more_blades(monkeypatch: pytest.MonkeyPatch, count: int) -> None:
    """Blades that fill little more than half the turn look nearly as strong when folded to twice their number."""
    strength = teeth(count)
    bare = (np.arange(COLUMNS) * count / COLUMNS) % 1.0 > 0.53
    strength[bare] = generator(5).uniform(0, 1, (int(bare.sum()), strength.shape[1]))
    folded = {n: outline._Folded.of(outline._thickened(strength), n).tooth() for n in (count, 2 * count)}
    once, twice = folded[count], folded[2 * count]
    assert once is not None and twice is not None
    assert twice.score > OUTLINE.multiple_share * once.score
    assert once.evenness(count) > 0.9
    assert 0.0 <= twice.evenness(2) < 0.15
    (out,) = found(monkeypatch, 1, strength)
    assert len(out.start_rad) == count
    assert np.angle(np.exp(1j * count * out.start_rad)) == pytest.approx(0.0, abs=0.15 * count)


def test_photographs_are_counted_together(monkeypatch: pytest.MonkeyPatch) -> None:
    """What one photograph shows a little better does not stand against what the other shows clearly."""
    doubtful, clear = {(1, 3): 4.7, (1, 5): 5.0}, {(1, 3): 6.0, (1, 5): 3.0}
    scores(monkeypatch, doubtful, clear)
    assert [len(o.start_rad) for o in outline.find_outlines([look("0.jpg"), look("1.jpg")])] == [3, 3]
    assert len(outline.find_outlines([look("0.jpg")])[0].start_rad) == 5


@pytest.mark.parametrize(
    ("other", "words"),
    [({(1, 3): 3.0, (1, 5): 6.0}, "3 and 5 blades"), ({(-1, 3): 6.0, (1, 3): 4.0}, "opposite hands")],
)
def test_photographs_of_two_rotors_are_refused(
    monkeypatch: pytest.MonkeyPatch, other: dict[tuple[int, int], float], words: str
) -> None:
    scores(monkeypatch, {(1, 3): 6.0, (1, 5): 2.0, (-1, 3): 2.0}, other)
    with pytest.raises(EdgesError, match=words):
        outline.find_outlines([look("0.jpg"), look("1.jpg")])


@pytest.mark.parametrize(("rival", "words"), [((1, 5), "3 or 5 blades"), ((-1, 3), "left hand or of the right")])
def test_what_cannot_be_told_apart_is_refused(
    monkeypatch: pytest.MonkeyPatch, rival: tuple[int, int], words: str
) -> None:
    scores(monkeypatch, {(1, 3): 6.0, rival: 5.9})
    with pytest.raises(EdgesError, match=words):
        outline.find_outlines([look("0.jpg")])
    scores(monkeypatch, {(1, 3): 6.0, rival: 5.7})
    assert len(outline.find_outlines([look("0.jpg")])[0].start_rad) == 3


@pytest.mark.parametrize("count", [4, 6])
def test_teeth_lost_on_one_side_are_still_counted(monkeypatch: pytest.MonkeyPatch, count: int) -> None:
    """Light from one side leaves the edges of neighbouring blades a fifth of what the others have."""
    strength = teeth(count)
    faint = (np.arange(COLUMNS) * count / COLUMNS) < count // 2
    strength[faint] = 0.2 * strength[faint] + 0.4
    (out,) = found(monkeypatch, -1, strength)
    assert (len(out.start_rad), out.turn) == (count, -1)


def test_the_axis_stands_where_a_rim_above_the_teeth_is_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    """Short blades reach 24 mm: the rim is 8 mm above them, not at the height that is guessed first; of usual ones it
    is near enough there."""
    rims = []

    def unroll(one: outline.Look, rim_mm: float) -> np.ndarray:
        rims.append(rim_mm)
        return one.axis_mm(rim_mm)

    low = np.roll(teeth(3), -round(36.0 / PITCH_MM), axis=1)
    monkeypatch.setattr(outline, "_unroll", unroll)
    monkeypatch.setattr(outline, "_strengths", lambda axis: {1: low, -1: 0.0 * low})
    (out,) = outline.find_outlines([look("0.jpg", lambda rim_mm: np.array([rim_mm, 0.0]))])
    assert rims == [OUTLINE.usual_rim_mm, out.rim_mm]
    assert out.rim_mm == pytest.approx(24.0 + HUB.beyond_mm, abs=2.0)
    rims.clear()
    monkeypatch.setattr(outline, "_strengths", lambda axis: {1: teeth(3), -1: 0.0 * low})
    assert outline.find_outlines([look("0.jpg")])[0].rim_mm == OUTLINE.usual_rim_mm
    assert rims == [OUTLINE.usual_rim_mm]


def test_no_outline_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(EdgesError, match="no outline"):
        found(monkeypatch, 3, np.zeros_like(teeth(3)))


@pytest.mark.parametrize(("blades", "turn", "seed"), [(3, -1, 1), (3, 1, 2), (4, 1, 3), (5, -1, 4)])
def test_the_outline_of_a_painted_rotor_is_its_tips(blades: int, turn: int, seed: int) -> None:
    """Upper edges of straight blades of 13 deg, on a cylinder of the true radius and on one 2 mm too small.

    Along its ray a place is seen so much higher on a smaller cylinder: (300 - 45) mm x 2 mm / 75 mm = 7 mm.
    """
    rotor = Painted(blades=blades, turn=turn, wrap_rad=2 * np.pi / blades + 0.1)
    photo = photographs(rotor, seed)[0]
    for radius_mm, lifted_mm in ((75.0, 0.0), (73.0, 6.8)):
        one = outline.Look(
            photo,
            ABOVE.px,
            radius_mm,
            lambda rim_mm: np.zeros(2),
            (0.0, 85.0),
            lambda points: np.full(len(points), -1.0),
        )
        (out,) = outline.find_outlines([one])
        assert (len(out.start_rad), out.turn) == (blades, turn)
        wanted = np.sort(np.mod(2 * np.pi * np.arange(blades) / blades, 2 * np.pi))
        off = np.angle(np.exp(1j * (np.sort(np.mod(out.start_rad + 0.2, 2 * np.pi)) - 0.2 - wanted)))
        assert np.abs(off).max() < 0.08  # two of 180 columns
        for start, azimuth, height in zip(out.start_rad, out.azimuth_rad, out.height_mm, strict=True):
            along = turn * (azimuth - start)
            assert along[0] == 0 and np.all(np.diff(along) > 0)
            inner = slice(4, -6)
            upper = 56.0 + 1.2 / np.cos(np.radians(13)) - np.tan(np.radians(13)) * 75.0 * along
            error = height[inner] - upper[inner]
            assert np.median(error) == pytest.approx(lifted_mm - 0.9, abs=1.4)  # the lower end of a capped, broad step
            assert np.abs(error - np.median(error)).max() < 1.5
