"""The cheap part of the fault campaign in the ordinary tests; all of it with `-m campaign`."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from .__main__ import Line, as_json, main, read_log, shard_of, table
from .bases import Base, default_cache, make_base
from .cases import MIXED, NAMES, lay_out
from .running import BAD, outcome_of, with_usual_flags
from .spoil import BYTES, MEASURED, PLACES

SIZE = (2016, 1512)
#: Faults that must be refused before anything is measured: about a second each.
CHEAP = [
    name
    for name, (_, allowed) in {**MIXED, **BYTES, **PLACES}.items()
    if not allowed & MEASURED and allowed <= {3, 4}
]  # fmt: skip
#: Faults that must not change a single digit of the angles.
EQUAL = ("orientation_6", "name_with_newline")


@pytest.fixture(scope="session")
def base() -> Base:
    return make_base(1002, SIZE, default_cache())


@pytest.fixture(scope="session")
def measured_base(base: Base, tmp_path_factory: pytest.TempPathFactory) -> Base:
    known, outcome = with_usual_flags(base, tmp_path_factory.mktemp("usual") / "case")
    assert outcome.kind in ("within", "flagged"), outcome
    return known


@pytest.fixture(scope="session")
def other() -> Base:
    return make_base(1001, SIZE, default_cache())


def measured(fault: str, base: Base, other: Base, folder: Path) -> dict[str, Any]:
    """What a record says of rotor and blades."""
    case = lay_out(fault, base, other, np.random.default_rng(3), folder)
    outcome = outcome_of(case)
    assert outcome.kind in ("within", "flagged"), outcome
    record = json.loads((folder / "record.json").read_text(encoding="utf-8"))
    return {key: record[key] for key in ("rotor", "blades", "covariance")}


def test_every_fault_has_its_outcomes(base: Base, other: Base) -> None:
    assert len(NAMES) == len(set(NAMES)) > 90
    assert len(CHEAP) > 15


def test_a_log_goes_on_where_it_stopped(tmp_path: Path) -> None:
    line = Line(3, "sound", 1002, "within", 0, 5.2, 360.0, -0.2, ("tip-radius-assumed",), "text")
    wrong = replace(line, number=4, kind="WRONG", worst_deg=float("inf"))
    log = tmp_path / "log"
    log.write_text(as_json(line) + "\n" + as_json(wrong) + "\n" + as_json(line)[:40])
    assert read_log(log) == [line, replace(wrong, worst_deg=999.0)]
    assert "WRONG" in table(read_log(log))
    assert main(["--table", str(log)]) == 1
    assert shard_of("2/3") == (1, 3)
    with pytest.raises(ValueError, match="3/2"):
        shard_of("3/2")


@pytest.mark.parametrize("fault", CHEAP)
def test_refused_at_once(fault: str, base: Base, other: Base, tmp_path: Path) -> None:
    case = lay_out(fault, base, other, np.random.default_rng(len(fault)), tmp_path / "case")
    outcome = outcome_of(case)
    assert outcome.kind == "refused", outcome
    assert outcome.code in case.allowed
    assert outcome.memory_mb < 1000


@pytest.mark.slow
def test_what_is_not_in_the_pixels_changes_nothing(base: Base, other: Base, tmp_path: Path) -> None:
    sound = measured("sound", base, other, tmp_path / "sound")
    for fault in EQUAL:
        assert measured(fault, base, other, tmp_path / fault) == sound, fault
    # without its data a photograph is not tied to the camera file: hardly another angle, and an interval no narrower
    # (a pair's focal length is not observed, so that it is uncertain anyway)
    loose = measured("exif_random", base, other, tmp_path / "loose")
    for station, mean in sound["rotor"]["stations"].items():
        found = loose["rotor"]["stations"][station]
        assert found["angle_deg"] == pytest.approx(mean["angle_deg"], abs=0.05)
        assert 0.999 < found["standard_uncertainty_deg"] / mean["standard_uncertainty_deg"] < 10


@pytest.mark.campaign
@pytest.mark.parametrize("fault", NAMES)
def test_fault(fault: str, measured_base: Base, other: Base, tmp_path: Path) -> None:
    for draw in range(2):
        case = lay_out(fault, measured_base, other, np.random.default_rng([draw, len(fault)]), tmp_path / str(draw))
        outcome = outcome_of(case)
        assert outcome.kind not in BAD, outcome
