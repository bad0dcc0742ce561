"""Edits: what a hand struck out or put is honoured exactly, and a wrong file is refused."""

from __future__ import annotations

import copy
import json
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bladeangle.base.errors import DefinitionError, OutputError
from bladeangle.base.structure import plain
from bladeangle.records.edits import (
    Edits,
    apply_to_points,
    distance_to_line,
    edits_from_dict,
    edits_to_file,
    read_edits,
    write_edits,
)

SHA = "0f" * 32


def contents() -> dict[str, Any]:
    return {
        "schema": "bladeangle-edits/1",
        "name": "heron",
        "created": "2026-11-25T10:00:00Z",
        "photos": [
            {
                "sha256": SHA,
                "name": "inlet.jpg",
                "struck": [
                    {"kind": "tip", "blade": 2, "face": "inlet", "along_px": [[10, 10], [30.5, 10]], "reach_px": 3},
                    {"kind": None, "blade": None, "face": None, "along_px": [[100, 100]], "reach_px": 5.0},
                ],
                "added": [
                    {"kind": "tip", "blade": 1, "face": "outlet", "px": [[1, 2], [3, 4.25]], "sigma_px": 1.5},
                    {"kind": "hub", "blade": None, "face": None, "px": [[50, 60]], "sigma_px": 1.0},
                ],
            }
        ],
    }


def test_file_comes_back_as_it_was(tmp_path: Path) -> None:
    edits = edits_from_dict(contents())
    write_edits(edits, tmp_path / "e.json")
    again = read_edits(tmp_path / "e.json")
    assert plain(edits_to_file(again)) == plain(edits_to_file(edits)) == contents()


def test_points_within_reach_of_a_stretch_are_struck_and_no_others() -> None:
    photo = edits_from_dict(contents()).for_photo(SHA)
    px = np.array([[10, 12.9], [10, 13.1], [20, 10], [33.4, 10], [33.6, 10], [6.9, 10], [104.9, 100], [105.1, 100]])
    assert apply_to_points(photo, px, 2, "inlet").tolist() == [False, True, False, False, True, True, False, True]
    # Of another blade or face only the stretch that names none holds; so for the hub.
    for blade, face in ((1, "inlet"), (2, "outlet"), (None, None)):
        assert apply_to_points(photo, px, blade, face).tolist() == [True] * 6 + [False, True]


@pytest.mark.parametrize(("kind", "struck"), [("tip", [True, False]), ("hub", [False, True]), (None, [True, True])])
def test_a_stretch_of_one_kind_leaves_the_other(kind: str | None, struck: list[bool]) -> None:
    """It names no blade and no face, but tips or the hub."""
    change = {"kind": kind, "blade": None, "face": None, "along_px": [[10, 10]], "reach_px": 3}
    photo = edits_from_dict(_change([*PHOTO, "struck"], [change])).for_photo(SHA)
    place = np.array([[11.0, 11.0]])
    kept = [apply_to_points(photo, place, 2, "inlet"), apply_to_points(photo, place, None, None)]
    assert [not bool(k[0]) for k in kept] == struck


def test_a_photograph_without_edits_keeps_everything() -> None:
    photo = edits_from_dict(contents()).for_photo("ab" * 32)
    assert apply_to_points(photo, np.array([[10.0, 10.0]]), 2, "inlet").tolist() == [True]
    assert photo.added == ()
    assert apply_to_points(photo, np.empty((0, 2)), None, None).shape == (0,)


def test_added_points_carry_blade_face_and_sigma() -> None:
    tip, hub = edits_from_dict(contents()).for_photo(SHA).added
    assert (tip.kind, tip.blade, tip.face, tip.sigma_px) == ("tip", 1, "outlet", 1.5)
    np.testing.assert_array_equal(tip.px, [[1, 2], [3, 4.25]])
    assert (hub.kind, hub.blade, hub.face) == ("hub", None, None)


coordinate = st.floats(-1000, 1000)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(coordinate, coordinate), min_size=1, max_size=5), st.tuples(coordinate, coordinate))
def test_distance_to_a_line_is_the_least_to_points_on_it(line: list[tuple[float, float]], point: Any) -> None:
    corners = np.array(line)
    t = np.linspace(0, 1, 400)[:, None]
    dense = np.vstack([corners, *(a + t * (b - a) for a, b in pairwise(corners))])
    sampled = np.hypot(*(dense - point).T).min()
    exact = float(distance_to_line(np.array([point]), corners)[0])
    longest = max((np.hypot(*(b - a)) for a, b in pairwise(corners)), default=0.0)
    # Sampling can only miss the nearest place, by at most half a step along the line.
    assert exact <= sampled + 1e-9
    assert sampled <= exact + longest / 399 / 2 + 1e-9


def _change(path: list[Any], value: Any) -> dict[str, Any]:
    data = copy.deepcopy(contents())
    place: Any = data
    for key in path[:-1]:
        place = place[key]
    if value is KeyError:
        del place[path[-1]]
    else:
        place[path[-1]] = value
    return data


PHOTO = ["photos", 0]
WRONG = [
    (["schema"], "bladeangle-edits/2"),
    (["extra"], 1),
    (["photos"], KeyError),
    (["photos"], {}),
    (["name"], 7),
    ([*PHOTO, "sha256"], "0F" * 32),
    ([*PHOTO, "sha256"], "0f"),
    ([*PHOTO, "sha256"], KeyError),
    ([*PHOTO, "moved"], []),
    ([*PHOTO, "struck", 0], "all of it"),
    ([*PHOTO, "struck", 0, "polygon"], []),
    ([*PHOTO, "struck", 0, "along_px"], []),
    ([*PHOTO, "struck", 0, "along_px"], [[1, 2, 3]]),
    ([*PHOTO, "struck", 0, "along_px"], [[1, float("nan")]]),
    ([*PHOTO, "struck", 0, "along_px"], [[1, float("inf")]]),
    ([*PHOTO, "struck", 0, "along_px"], [[1, 10**400]]),
    ([*PHOTO, "struck", 0, "along_px"], [[1, True]]),
    ([*PHOTO, "struck", 0, "reach_px"], -1),
    ([*PHOTO, "struck", 0, "reach_px"], "3"),
    ([*PHOTO, "struck", 0, "kind"], "bore"),
    ([*PHOTO, "struck", 0, "blade"], 0),
    ([*PHOTO, "struck", 0, "blade"], 1.5),
    ([*PHOTO, "struck", 0, "blade"], 25),
    ([*PHOTO, "struck", 0, "reach_px"], 10_001),
    ([*PHOTO, "struck", 0, "along_px"], [[-100_001, 0]]),
    ([*PHOTO, "struck", 0, "along_px"], [[0, 100_001]]),
    ([*PHOTO, "struck"], [contents()["photos"][0]["struck"][1]] * 501),
    ([*PHOTO, "struck", 0, "along_px"], [[0, 0]] * 9997),  # with the four others more than ten thousand
    ([*PHOTO, "added", 1, "face"], "inlet"),
    ([*PHOTO, "added", 0, "sigma_px"], 101),
    ([*PHOTO, "added", 0, "sigma_px"], 0.04),
    (["photos"], [{"sha256": f"{k:064x}"} for k in range(1001)]),
    ([*PHOTO, "struck", 0, "face"], "rear"),
    ([*PHOTO, "added", 0, "blade"], None),
    ([*PHOTO, "added", 0, "face"], None),
    ([*PHOTO, "added", 0, "kind"], None),
    ([*PHOTO, "added", 0, "sigma_px"], 0),
    ([*PHOTO, "added", 1, "blade"], 3),
    ([*PHOTO, "added", 1, "px"], KeyError),
]


@pytest.mark.parametrize(
    ("path", "value"),
    [
        ([*PHOTO, "struck", 0, "blade"], 24),
        ([*PHOTO, "struck", 0, "reach_px"], 10_000),
        ([*PHOTO, "struck", 0, "along_px"], [[-100_000, 100_000]]),
        ([*PHOTO, "struck"], [contents()["photos"][0]["struck"][1]] * 500),
        ([*PHOTO, "struck", 0, "along_px"], [[0, 0]] * 9996),
        ([*PHOTO, "added", 0, "sigma_px"], 100),
        ([*PHOTO, "added", 0, "sigma_px"], 0.05),
        (["photos"], [{"sha256": f"{k:064x}"} for k in range(1000)]),
    ],
)
def test_all_that_the_limits_leave_is_taken(path: list[Any], value: Any) -> None:
    edits_from_dict(_change(path, value))


@pytest.mark.parametrize(("path", "value"), WRONG)
def test_wrong_contents_are_refused(path: list[Any], value: Any, tmp_path: Path) -> None:
    file = tmp_path / "e.json"
    file.write_text(json.dumps(_change(path, value)))
    with pytest.raises(DefinitionError, match=r"edits file 'e\.json'") as caught:
        read_edits(file)
    assert caught.value.exit_code == 4
    assert caught.value.hint


def test_the_same_photograph_twice_is_refused() -> None:
    data = contents()
    data["photos"] *= 2
    with pytest.raises(DefinitionError, match="twice"):
        edits_from_dict(data)


@pytest.mark.parametrize("text", ["", "[]", "{", "null", '{"schema": 1}', "[" * 100_000])
def test_files_that_are_no_edits_are_refused(text: str, tmp_path: Path) -> None:
    (tmp_path / "e.json").write_text(text)
    with pytest.raises(DefinitionError):
        read_edits(tmp_path / "e.json")


def test_missing_file_and_folder_are_refused(tmp_path: Path) -> None:
    for path in (tmp_path / "none.json", tmp_path):
        with pytest.raises(DefinitionError):
            read_edits(path)
    with pytest.raises(OutputError):
        write_edits(Edits(), tmp_path / "no" / "e.json")


def test_edits_of_a_reduced_photograph_strike_the_same_points() -> None:
    """Pixel centres at integers: the file's pixels 0 and 1 are the small picture's 0, whose centre lies at 0.5."""
    edits = edits_from_dict(contents()).for_photo(SHA)
    small = edits.reduced(2)
    assert small.struck[0].along_px.tolist() == [[4.75, 4.75], [15.0, 4.75]]
    assert small.struck[0].reach_px == 1.5
    assert small.added[0].px.tolist() == [[0.25, 0.75], [1.25, 1.875]]
    assert small.added[0].sigma_px == 0.75
    px = np.array([[20.0, 12.9], [20.0, 13.1], [33.4, 10.0], [33.6, 10.0], [60.0, 60.0]])
    kept = apply_to_points(edits, px, 2, "inlet").tolist()
    assert kept == [False, True, False, True, True]
    assert apply_to_points(small, (px + 0.5) / 2 - 0.5, 2, "inlet").tolist() == kept
    assert edits.reduced(1).struck[0].along_px.tolist() == edits.struck[0].along_px.tolist()
