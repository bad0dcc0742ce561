"""Hostile cases: a few of every class in the ordinary tests, all of them with `-m campaign`."""

from __future__ import annotations

from pathlib import Path

import pytest

from .hostile import CASES, PATHS, PLACES, Hostile, run

#: What broke once and was mended by its class: one case of each.
ORDINARY = (
    "path: ring, pipe", "path: manifest, device", "path: settings, 500 GB", "path: turned, folder",
    "swollen: camera nested 600 deep", "swollen: order with a key of 40,000 parts",
    "swollen: record of 19 MB of empty lists", "swollen: covariance of 2500 x 2600",
    "swollen: page of 400 photographs of one file", "swollen: manifest of 300,000 rows",
    "swollen: JPEG with 1,500 large segments", "swollen: TIFF of 4,000 overlapping tags",
    "number: camera with covariance zero", "number: record with a smaller u", "number: --station-length nan",
    "output: correct over a photograph", "output: export over its own record", "output: table and workbook in one",
    "output: record and picture in one", "output: order and sheet in one",
    "inventory: record null", "inventory: entry_deg = 'steep' in the list", "inventory: a picture of 3 GB",
    "machine: 700 MB of address space, order",
)  # fmt: skip
BY_NAME = {case.name: case for case in CASES}


def test_every_class_has_its_cases() -> None:
    assert len(BY_NAME) == len(CASES) > 300
    assert set(ORDINARY) <= set(BY_NAME)
    assert sum(name.startswith("path: ") for name in BY_NAME) == len(PATHS) * len(PLACES)


@pytest.mark.parametrize("name", ORDINARY)
def test_what_broke_once(name: str, tmp_path: Path) -> None:
    result = run(BY_NAME[name], tmp_path / "case")
    assert result.kind == "ok", result


@pytest.mark.campaign
@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_hostile(case: Hostile, tmp_path: Path) -> None:
    result = run(case, tmp_path / "case")
    assert result.kind == "ok", result
