"""The record: round trip, determinism, schema, and every kind of damage refused with exit code 8."""

from __future__ import annotations

import copy
import json
import math
import os
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invented_record import agreeing, invented_record, with_tips

from bladeangle.base.budget import Budget, BudgetLine, line_from_jacobian
from bladeangle.base.errors import RecordError
from bladeangle.base.structure import plain
from bladeangle.records import record as rec
from bladeangle.records.content import AtStations


def test_round_trip_is_exact_and_deterministic(tmp_path: Path) -> None:
    path = tmp_path / "record.json"
    record = rec.record_from_dict(invented_record())
    rec.write_record(record, path)
    again = rec.read_record(path)
    assert again == record
    assert rec.record_to_json(again) == path.read_text(encoding="utf-8")
    shuffled = dict(reversed(list(invented_record().items())))
    shuffled["rotor"] = dict(reversed(list(shuffled["rotor"].items())))
    assert rec.record_to_json(rec.record_from_dict(shuffled)) == path.read_text(encoding="utf-8")
    assert path.read_text().startswith('{\n "schema": "bladeangle-record/1",\n "created"')


def put(data: dict[str, Any], path: str, value: Any) -> None:
    """Set or (with ...) delete an item given by a dotted path."""
    *way, last = path.split(".")
    here: Any = data
    for key in way:
        here = here[int(key)] if isinstance(here, list) else here[key]
    if value is ...:
        del here[last]
    elif isinstance(here, list):
        here[int(last)] = value
    else:
        here[last] = value


#: What is done to a record, and the word by which the refusal names it.
DAMAGE: list[tuple[str, Any, str]] = [
    ("schema", "bladeangle-record/9", "version"),
    ("schema", 1, "not a bladeangle record"),
    ("surprise", 1, "surprise"),
    ("rotor", ..., "rotor"),
    ("blades.0.stations.entry.angle_deg", "9.5", "angle_deg"),
    ("blades.0.stations.entry.angle_deg", 91.0, "angle_deg"),
    ("blades.0.stations.entry.angle_deg", math.nan, "not finite"),
    ("blades.0.stations.entry.angle_deg", math.inf, "not finite"),
    ("blades.0.stations.entry.angle_deg", True, "angle_deg"),
    ("blades.0.stations.entry.standard_uncertainty_deg", -0.1, "standard_uncertainty_deg"),
    ("blades.0.stations.entry.coverage_factor", 0, "coverage_factor"),
    ("blades.0.stations.exit", None, "labelled by the stations seen"),
    ("blades.0.number", 2, "numbered"),
    ("blades.0.curve.arc_mm", [1.0], "unequal columns"),
    ("rotor.blade_count", 4, "numbered"),
    ("rotor.hand", "both", "hand"),
    ("rotor.tip_diameter_mm.value", 1e300, "too large"),
    ("covariance.matrix_deg2.0", [0.01], "does not fit its labels"),
    ("covariance.matrix_deg2.0.1", 0.005, "not symmetric"),
    ("covariance.matrix_deg2.0.0", -0.5, "negative variance"),
    ("covariance.labels.0", "1.tip", "labels"),
    ("budget.0.deg", [0.1], "does not fit the angles"),
    ("budget.0.kind", "C", "kind"),
    ("flags.0.code", "gremlins", "not a registered flag"),
    ("photos.0.sha256", "0" * 63, "sha256"),
    ("photos.0.traces.0.kept", [1], "one 0 or 1"),
    ("photos.0.R_camera_ring.0", [1.0, 0.0], "R_camera_ring"),
    ("camera.parameters.f_px", -1.0, "f_px"),
    ("ring.markers", [], "markers"),
    ("created", "yesterday", "created"),
    ("options", {"now": object()}, "JSON cannot hold"),
    ("options.stations.length_mm", -1.0, "length_mm"),
    ("options.stations.skip_mm", True, "skip_mm"),
    ("options.stations.length_mm", 1e5, "length_mm"),
    ("blades.0.points", {"arc_mm": [1.0, 2.0], "height_mm": [3.0]}, "unequal columns"),
    ("blades.0.points", {"arc_mm": [1.0], "height_mm": ["3"]}, "height_mm"),
    ("blades.0.points", {"arc_mm": [1.0], "height_mm": [3.0], "kept": [2]}, "kept"),
    ("blades.0.points", {"arc_mm": [1.0]}, "height_mm"),
    ("blades.0.points", {"arc_mm": [1.0], "height_mm": [3.0], "depth": [2.0]}, "depth"),
    # what follows from angles and covariance: blades at 9.3, 9.5 and 9.7 deg, known to 0.11 deg each
    ("blades.0.stations.entry.angle_deg", 9.31, "the mean at the entry"),
    ("rotor.stations.entry.angle_deg", 9.51, "the mean at the entry"),
    ("rotor.stations.entry", None, "the mean at the entry"),
    ("rotor.stations.exit.standard_uncertainty_deg", 0.07, "the uncertainty of the mean at the exit"),
    ("rotor.stations.exit.expanded_uncertainty_deg", 0.14, "the expanded uncertainty of the mean"),
    ("blades.1.stations.middle.standard_uncertainty_deg", 0.078, "the uncertainty of 2.middle"),
    ("blades.1.stations.middle.expanded_uncertainty_deg", 0.164, "the expanded uncertainty of 2.middle"),
    ("covariance.matrix_deg2.0.0", 0.0125, "the uncertainty of 1.entry"),
    ("rotor.spread_deg.entry.value", 0.39, "the spread at the entry"),
    ("rotor.tip_diameter_mm.expanded_uncertainty", 0.05, "the expanded uncertainty of tip_diameter_mm"),
    ("checks", {"iterations": 3}, "checks"),
    ("checks", 7, "checks"),
]


def test_schemas_are_schemas_and_say_what_another_validator_says() -> None:
    """The reference library of JSON Schema (2020-12) in Python, which is slower by far than the one that is used."""
    from jsonschema import Draft202012Validator
    from referencing import Registry, Resource

    for name in ("record", "camera", "ring"):
        Draft202012Validator.check_schema(rec.schema(name))
    parts: Any = Registry().with_resources(
        (rec.schema(n)["$id"], Resource.from_contents(rec.schema(n))) for n in ("camera", "ring")
    )
    reference: Any = Draft202012Validator(rec.schema(), registry=parts)
    assert reference.is_valid(invented_record())
    assert rec.validator().is_valid(invented_record())
    refused = 0
    for path, value, why in DAMAGE:
        data = invented_record()
        put(data, path, value)
        if "JSON" not in why and "finite" not in why:
            assert rec.validator().is_valid(data) == reference.is_valid(data), path
            refused += not rec.validator().is_valid(data)
    assert 20 < refused < len(DAMAGE) - 5  # others contradict themselves


def test_schemas_accept_the_camera_and_ring_files_that_the_rooms_write() -> None:
    from bladeangle.imaging.camera import camera_from_exif, camera_to_file
    from bladeangle.imaging.ring import ring_from_dict, ring_to_file

    assert list(rec.validator("camera").iter_errors(plain(camera_to_file(camera_from_exif(4000, 3000, 26.0))))) == []
    assert list(rec.validator("ring").iter_errors(plain(ring_to_file(ring_from_dict(invented_record()["ring"]))))) == []
    assert list(rec.validator("camera").iter_errors({"schema": "bladeangle-camera/1"})) != []
    assert list(rec.validator("ring").iter_errors({"markers": []})) != []


def test_accessors() -> None:
    record = rec.record_from_dict(invented_record(turned=False))
    labels, values, covariance = record.angles()
    assert labels == ("1.entry", "1.middle", "2.entry", "2.middle", "3.entry", "3.middle")
    assert values == pytest.approx([9.3, 11.8, 9.5, 12.0, 9.7, 12.2])
    assert covariance == pytest.approx(np.diag([0.11**2, 0.08**2] * 3))
    assert record.station(2, "exit") is None and record.mean("exit") is None
    assert record.why_not_seen(2, "exit") == "hidden under the next blade"
    entry = record.station(3, "entry")
    assert entry is not None and entry.angle_deg == pytest.approx(9.7)
    assert record.blade_count == 3 and record.name == "Heron, spare rotor"
    assert record.quantity("tip_diameter_mm") == (156.0, 0.05)
    with pytest.raises(KeyError):
        record.station(4, "entry")


def test_of_the_tips_only_what_was_seen_is_told_and_of_the_blade_asked_for() -> None:
    """Wear 0.3 mm at the leading ends; trailing ends unseen; run-out -0.02, 0 and 0.02 mm; a bore 0.6 mm wider."""
    record = rec.record_from_dict(with_tips(invented_record(), 0.3, 156.6))
    assert record.tip("leading_wear_mm") == (0.3, 0.04) and record.tip("leading_wear_mm", 1) == (0.3, 0.05)
    assert record.tip("trailing_wear_mm") is None and record.tip("trailing_wear_mm", 2) is None
    assert [record.tip("run_out_mm", b) for b in (1, 2, 3)] == [(-0.02, 0.03), (0.0, 0.03), (0.02, 0.03)]
    assert record.clearance("smallest") == (pytest.approx(0.3), 0.04)
    assert record.clearance("mean", 3) == (pytest.approx(0.35), 0.04)
    without = rec.record_from_dict(with_tips(invented_record()))
    assert without.clearance("smallest") is None and without.clearance("mean", 1) is None
    assert rec.record_from_dict(invented_record()).tip("leading_wear_mm", 1) is None


def test_a_single_blade_has_no_spread() -> None:
    data = agreeing(invented_record(blade_count=1))
    rec.record_from_dict(data)
    data["rotor"]["spread_deg"]["entry"] = plain(rec.quantity(0.0, 0.1))
    with pytest.raises(RecordError, match="a spread at the entry of fewer than two blades"):
        rec.record_from_dict(data)


def test_numpy_numbers_and_odd_names_become_plain(tmp_path: Path) -> None:
    data = invented_record()
    data["covariance"]["matrix_deg2"] = np.array(data["covariance"]["matrix_deg2"])
    data["rotor"]["blade_count"] = np.int64(3)
    data["blades"] = tuple(data["blades"])
    data["photos"][0]["name"] = os.fsdecode(b"ein\xff.jpg")
    path = tmp_path / "r.json"
    rec.write_record(rec.record_from_dict(data), path)
    assert rec.read_record(path).content.photos[0].name == "ein\\udcff.jpg"


def test_parts_carry_the_right_coverage_factor() -> None:
    q = rec.quantity(3.0, 0.5, 10)
    assert q.expanded_uncertainty == pytest.approx(0.5 * 2.228, abs=5e-4)  # Student t, JCGM 100:2008 table G.2
    assert q.dof == 10.0 and q.coverage_factor == pytest.approx(2.228, abs=5e-4)
    assert rec.quantity(3.0, 0.5).dof is None
    assert rec.station_result(9.5, 0.1, ["inlet"], 7).dof == 7.0
    assert rec.station_result(9.5, 0.1, ["inlet"]).expanded_uncertainty_deg == pytest.approx(0.196, abs=1e-4)


def test_budget_rows_are_what_the_record_keeps() -> None:
    reading = BudgetLine("edge points", "A", np.diag([0.04, 0.04, 0.09, 0.09]), dof=12)
    effects = np.array([[0.05], [0.1], [0.05], [0.1]])  # of one standard uncertainty of the focal length
    focal = line_from_jacobian("focal length", "B", effects, [1.0], shared="camera")
    rows = rec.budget_lines(Budget(("1.entry", "1.exit", "2.entry", "2.exit"), (reading, focal)))
    assert [r.line for r in rows] == ["edge points", "focal length"]
    assert rows[0].stations.entry == pytest.approx(math.sqrt(0.065))
    assert rows[0].stations.middle is None and rows[0].mean.middle is None
    # readings of 0.2 and 0.3 deg: half the root of the sum of squares; what is shared does not average out
    assert rows[0].mean.entry == pytest.approx(math.sqrt(0.13) / 2)
    assert rows[0].deg == pytest.approx([0.2, 0.2, 0.3, 0.3])
    assert rows[0].dof == 12 and rows[1].dof is None
    assert rows[1].mean == AtStations(pytest.approx(0.05), None, pytest.approx(0.1))
    assert rows[1].shared == "camera" and rows[1].effects_deg == [pytest.approx([0.05, 0.1, 0.05, 0.1])]
    assert "shared" not in plain(rows[0]) and plain(rows[1])["dof"] is None


def test_budget_rows_fit_the_record() -> None:
    data = invented_record()
    labels = tuple(data["covariance"]["labels"])
    lines = (
        BudgetLine("edge points", "A", np.eye(9) * 0.01, dof=50),
        line_from_jacobian("focal length", "B", np.full((9, 2), 0.1), np.eye(2), shared="camera"),
    )
    data["budget"] = [plain(line) for line in rec.budget_lines(Budget(labels, lines))]
    assert rec.record_from_dict(data).content.budget[1].shared == "camera"
    del data["budget"][1]["effects_deg"]
    with pytest.raises(RecordError, match="effects_deg"):
        rec.record_from_dict(data)


@pytest.mark.parametrize(("path", "value", "message"), DAMAGE)
def test_damage_is_refused(path: str, value: Any, message: str) -> None:
    data = invented_record()
    rec.record_from_dict(data)
    put(data, path, value)
    with pytest.raises(RecordError, match=message) as caught:
        rec.record_from_dict(data)
    assert caught.value.exit_code == 8 and caught.value.hint
    assert "\n" not in caught.value.message and len(caught.value.message) < 400


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (b"", "not valid JSON"),
        (b"\xff\xfe", "not a text in UTF-8"),
        (b"[1, 2]", "not a bladeangle record"),
        (b'{"schema": "a", "schema": "b"}', "stands twice"),
        (b'{"schema": NaN}', "NaN"),
        (b'{"schema": -Infinity}', "Infinity"),
        (b'{"schema": 1e999}', "not finite or far too large"),
        (b'{"schema": ' + b"9" * 5000 + b"}", "far too large"),
        (b"[" * 100_000, "nested too deeply"),
        (b'{"schema": "bladeangle-record/1"', "not valid JSON"),
        (b'{"schema": "bladeangle-record/1"}', "created"),
    ],
)
def test_broken_files_are_refused(tmp_path: Path, text: bytes, message: str) -> None:
    path = tmp_path / "r.json"
    path.write_bytes(text)
    with pytest.raises(RecordError, match=message):
        rec.read_record(path)


def test_what_blades_share_counts_in_the_uncertainty_of_their_mean() -> None:
    """By hand: three blades with 0.01 deg2 each and 0.004 shared: (3 * 0.01 + 6 * 0.004) / 9 = 0.006."""
    data = invented_record()
    n = len(data["covariance"]["labels"])
    matrix = np.full((n, n), 0.004) + 0.006 * np.eye(n)
    data["covariance"]["matrix_deg2"] = matrix.tolist()
    agreeing(data)
    mean = rec.record_from_dict(data).mean("exit")
    assert mean is not None and mean.standard_uncertainty_deg == pytest.approx(math.sqrt(0.006))
    alone = {"standard_uncertainty_deg": 0.1 / math.sqrt(3), "expanded_uncertainty_deg": 0.2 / math.sqrt(3)}
    data["rotor"]["stations"]["exit"] |= alone
    with pytest.raises(RecordError, match="the uncertainty of the mean at the exit"):
        rec.record_from_dict(data)


def test_missing_large_and_irregular_files_are_refused(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match="does not exist"):
        rec.read_record(tmp_path / "none.json")
    with pytest.raises(RecordError, match="not a regular file"):
        rec.read_record(tmp_path)
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(RecordError, match="not a regular file"):
        rec.read_record(tmp_path / "pipe")
    with pytest.raises(RecordError, match=r"cannot be read|does not exist"):
        rec.read_record("a\0b")
    big = tmp_path / "big.json"
    big.write_bytes(b" " * 20_000_001)
    with pytest.raises(RecordError, match="larger than"):
        rec.read_record(big)


def test_an_invalid_record_is_never_written(tmp_path: Path) -> None:
    path = tmp_path / "r.json"
    path.write_text("old")
    data = invented_record()
    data["blades"][0]["stations"]["entry"]["angle_deg"] = math.nan
    with pytest.raises(RecordError):
        rec.write_record(rec.Record(data), path)
    assert path.read_text() == "old"


def test_older_versions_go_through_their_reader(monkeypatch: pytest.MonkeyPatch) -> None:
    """A version that kept the name elsewhere is brought to the present one by its reader."""

    def from_zero(data: dict[str, Any]) -> dict[str, Any]:
        data = dict(data)
        data["name"] = data.pop("title")
        return data | {"schema": rec.SCHEMA}

    readers: dict[str, Callable[[dict[str, Any]], dict[str, Any]]] = {**rec.READERS, "bladeangle-record/0": from_zero}
    monkeypatch.setattr(rec, "READERS", readers)
    old = invented_record()
    old["title"] = old.pop("name")
    old["schema"] = "bladeangle-record/0"
    assert rec.record_from_dict(old).name == "Heron, spare rotor"


def test_reading_a_large_record_is_quick(tmp_path: Path) -> None:
    """The traces must not go through the slow general validator: 200 000 points in a few seconds of the processor."""
    data = invented_record()
    points = [[float(i) + 0.25, 7.5] for i in range(20_000)]
    trace = {"kind": "tip", "blade": 1, "face": "inlet", "px": points, "kept": [1] * len(points)}
    data["photos"][0]["traces"] = [trace] * 10
    path = tmp_path / "r.json"
    rec.write_record(rec.record_from_dict(data), path)
    start = time.process_time()
    rec.read_record(path)
    assert 0.01 < time.process_time() - start < 5.0


JUNK = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=6,
)


def paths(value: Any, so_far: str = "") -> list[str]:
    """Dotted paths of a few places at every level of a record."""
    items = (
        list(value.items())[:30]
        if isinstance(value, dict)
        else list(enumerate(value))[:2]
        if isinstance(value, list)
        else []
    )
    out = []
    for key, inner in items:
        here = f"{so_far}.{key}" if so_far else str(key)
        out += [here, *paths(inner, here)]
    return out


BASE = rec.record_from_dict(invented_record(oblique=0)).data


def one_sentence(error: RecordError) -> None:
    assert error.message and "\n" not in error.message


@settings(max_examples=60, deadline=None)
@given(path=st.sampled_from([p for p in paths(BASE) if "." not in p.split(".")[-1]]), value=JUNK | st.just(...))
def test_any_junk_anywhere_is_taken_whole_or_refused(path: str, value: Any) -> None:
    """Whatever is put wherever: a valid record that survives the round trip, or RecordError; never another
    exception."""
    data = copy.deepcopy(BASE)
    if value is ... and path.split(".")[-1].isdigit():
        return
    put(data, path, value)
    try:
        record = rec.record_from_dict(data)
    except RecordError as error:
        one_sentence(error)
        return
    text = rec.record_to_json(record)
    assert rec.record_from_dict(json.loads(text)) == record
