"""Advice: directions, ranges, what the log teaches, and the log itself."""

from __future__ import annotations

import json
import os
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st
from invented_record import agreeing, invented_record

from bladeangle.base.budget import STATIONS
from bladeangle.base.errors import RecordError, UsageError
from bladeangle.cli import tune as command
from bladeangle.cli.main import main
from bladeangle.records.record import Record
from bladeangle.shop.tuning import (
    LARGEST_STEP_DEG,
    RESULTS,
    SMALLEST_STEP_DEG,
    SYMPTOMS,
    Advice,
    LogEntry,
    advise,
    append_log,
    entry_of,
    read_log,
)


def a_record(entry: float | None = 12.0, middle: float | None = 13.5, exit_: float | None = 15.0) -> dict[str, Any]:
    """The parts of a record that tuning reads; the mean over blades is known to 0.02 deg."""
    record = invented_record(name="teal")
    angles = dict(zip(STATIONS, (entry, middle, exit_), strict=True))
    for blade in record["blades"]:
        for station, angle in angles.items():
            blade["stations"][station]["angle_deg"] = (angle or 0.0) + 0.2 * (blade["number"] - 2)
    record["covariance"]["matrix_deg2"] = (3 * 0.02**2 * np.eye(9)).tolist()
    agreeing(record)
    for station, angle in angles.items():
        if angle is None:
            record["rotor"]["stations"][station] = None
    return record


def visits(*steps: tuple[float, str, str | None]) -> tuple[Advice, list[LogEntry]]:
    """Advice after visits of (entry angle, symptom, result)."""
    log = [
        entry_of(Record(a_record(entry=angle)), [symptom], f"2026-01-{day:02}T12:00:00+00:00", result=result)
        for day, (angle, symptom, result) in enumerate(steps, start=1)
    ]
    return advise(Record(a_record(entry=steps[-1][0])), log[-1], log[:-1]), log


@pytest.mark.parametrize(
    ("symptom", "station", "direction"),
    [
        # As practitioners put it (common practice, no source).
        ("slow-off-idle", "entry", "shallower"),
        ("revs-without-thrust", "entry", "steeper"),
        ("short-of-peak", "exit", "shallower"),
        ("on-the-limiter", "exit", "steeper"),
    ],
)
def test_each_symptom_points_to_a_station_and_a_way(symptom: str, station: str, direction: str) -> None:
    record = a_record()
    advice = advise(Record(record), entry_of(Record(record), [symptom], "t"))
    (change,) = advice.changes
    assert (change.station, change.direction) == (station, direction)
    assert (change.least_deg, change.most_deg) == (0.5, 1.0)
    now = record["rotor"]["stations"][station]["angle_deg"]
    sign = 1 if direction == "steeper" else -1
    assert sorted(change.wanted_deg or ()) == sorted([now + sign * 0.5, now + sign * 1.0])
    assert "no source" in advice.basis
    assert "no source" in change.why
    assert advice.rule_out
    assert {lever.name.split()[0] for lever in advice.levers} == {"distance", "cone", "nozzles"}
    assert any("manual" in caution for caution in advice.cautions)


@pytest.mark.parametrize(("middle", "direction", "most"), [(13.0, "steeper", 0.5), (15.5, "shallower", 1.0)])
def test_flat_in_the_middle_moves_it_to_halfway(middle: float, direction: str, most: float) -> None:
    record = a_record(middle=middle)
    (change,) = advise(Record(record), entry_of(Record(record), ["flat-in-the-middle"], "t")).changes
    assert (change.station, change.direction, change.most_deg) == ("middle", direction, pytest.approx(most))


@pytest.mark.parametrize(("exit_", "words"), [(15.0, "leave its angle alone"), (None, "cannot be told")])
def test_flat_in_the_middle_without_anything_to_correct(exit_: float | None, words: str) -> None:
    record = a_record(exit_=exit_)
    advice = advise(Record(record), entry_of(Record(record), ["flat-in-the-middle"], "t"))
    assert advice.changes == ()
    assert any(words in remark for remark in advice.remarks)


@pytest.mark.parametrize(("middle", "direction"), [(12.8, "steeper"), (14.2, "shallower"), (13.0, None), (14.0, None)])
def test_halfway_is_known_as_well_as_all_three_angles(middle: float, direction: str | None) -> None:
    """Halfway between 12 and 15: u = (0.1^2 + 0.2^2 + 0.2^2)^1/2 = 0.3 deg, so that 0.6 deg and less says nothing."""
    record = a_record(middle=middle)
    for station, u in (("entry", 0.4), ("middle", 0.1), ("exit", 0.4)):
        record["rotor"]["stations"][station]["standard_uncertainty_deg"] = u
    changes = advise(Record(record), entry_of(Record(record), ["flat-in-the-middle"], "t")).changes
    assert [c.direction for c in changes] == ([direction] if direction else [])


def test_contradicting_symptoms_change_nothing() -> None:
    record = a_record()
    advice = advise(Record(record), entry_of(Record(record), ["slow-off-idle", "revs-without-thrust"], "t"))
    assert advice.changes == ()
    assert any("contradict" in remark for remark in advice.remarks)


def test_a_station_not_measured_still_gets_a_direction() -> None:
    record = a_record(exit_=None)
    (change,) = advise(Record(record), entry_of(Record(record), ["short-of-peak"], "t")).changes
    assert (change.direction, change.now_deg, change.wanted_deg) == ("shallower", None, None)


def test_uneven_blades_come_first_and_only_when_they_are() -> None:
    record = a_record()
    for value, named in ((0.8, True), (0.3, False)):
        record["rotor"]["spread_deg"]["exit"] |= {"value": value, "expanded_uncertainty": 0.1}
        advice = advise(Record(record), entry_of(Record(record), ["short-of-peak"], "t"))
        assert any("Uneven" in line for line in advice.rule_out) is named


def test_shim_stands_only_for_changes_of_one_way() -> None:
    record = a_record()
    for symptoms, words in (
        (["slow-off-idle", "short-of-peak"], "About 0.5 to 1.0 mm"),
        (["slow-off-idle", "on-the-limiter"], "both ways"),
    ):
        shim = advise(Record(record), entry_of(Record(record), symptoms, "t")).levers[0]
        assert words in shim.range


def test_photographs_too_coarse_for_the_step_are_named() -> None:
    record = a_record()
    record["rotor"]["stations"]["entry"]["standard_uncertainty_deg"] = 0.25
    (change,) = advise(Record(record), entry_of(Record(record), ["slow-off-idle"], "t")).changes
    assert "above 0.7 deg only" in change.why


# --- what the log teaches --------------------------------------------------------------------------------------------


def test_better_goes_on_but_no_further_than_last_time() -> None:
    advice, _ = visits((12.0, "slow-off-idle", None), (11.4, "slow-off-idle", "better"))
    (change,) = advice.changes
    assert change.direction == "shallower"
    assert (change.least_deg, change.most_deg) == pytest.approx((0.3, 0.6))


def test_worse_reverses() -> None:
    advice, _ = visits((12.0, "slow-off-idle", None), (11.2, "slow-off-idle", "worse"))
    (change,) = advice.changes
    assert change.direction == "steeper"
    assert change.wanted_deg == pytest.approx((11.6, 12.0))


def test_a_step_too_far_is_bracketed() -> None:
    """Slow at 12.0, no grip at 11.0: the best angle lies between, and so do all proposals."""
    advice, _ = visits((12.0, "slow-off-idle", None), (11.0, "revs-without-thrust", None))
    (change,) = advice.changes
    assert change.direction == "steeper"
    assert change.wanted_deg == pytest.approx((11.25, 11.75))


def test_a_bracket_closes_until_nothing_is_left_to_change() -> None:
    advice, _ = visits(
        (12.0, "slow-off-idle", None), (11.0, "revs-without-thrust", None), (11.85, "revs-without-thrust", "better")
    )
    assert advice.changes == ()
    assert any("leave it" in remark for remark in advice.remarks)


def test_same_repeats_with_a_doubt() -> None:
    advice, _ = visits((12.0, "slow-off-idle", None), (11.2, "slow-off-idle", "same"))
    (change,) = advice.changes
    assert change.direction == "shallower"
    assert "not felt" in change.why


def test_a_result_without_a_change_of_angle_belongs_to_something_else() -> None:
    advice, _ = visits((12.0, "slow-off-idle", None), (11.99, "slow-off-idle", "worse"))
    (change,) = advice.changes
    assert (change.direction, change.most_deg) == ("shallower", 1.0)
    assert any("something else" in remark for remark in advice.remarks)


def test_a_step_lost_in_its_uncertainty_is_no_step() -> None:
    """A step of 0.6 deg between angles known to 0.25 deg each: 2 x 0.35 deg is more."""
    for u, direction in ((0.25, "shallower"), (0.2, "steeper")):
        records = [a_record(entry=angle) for angle in (12.0, 11.4)]
        for record in records:
            record["rotor"]["stations"]["entry"]["standard_uncertainty_deg"] = u
        then, now = (Record(record) for record in records)
        first = entry_of(then, ["slow-off-idle"], "1")
        advice = advise(now, entry_of(now, ["slow-off-idle"], "2", result="worse"), [first])
        assert [c.direction for c in advice.changes] == [direction]


def test_the_middle_between_changed_ends_is_no_change_of_its_own() -> None:
    """It moves with the entry, to which the result is put down."""
    before, now = (Record(a_record(entry=e, middle=m)) for e, m in ((12.0, 13.5), (11.2, 13.1)))
    first = entry_of(before, ["slow-off-idle"], "1")
    (change,) = advise(now, entry_of(now, ["slow-off-idle"], "2", result="worse"), [first]).changes
    assert (change.direction, change.wanted_deg) == ("steeper", pytest.approx((11.6, 12.0)))


def test_a_driver_with_one_best_angle_is_led_to_it() -> None:
    """Simulated drivers whose engine is best at one entry angle get within 0.3 deg of it, never further off."""
    for best in (8.0, 9.3, 11.05, 11.9, 12.6, 14.0):
        angle, result = 12.0, None
        log: list[LogEntry] = []
        for day in range(1, 20):
            symptom = "slow-off-idle" if angle > best else "revs-without-thrust"
            now = entry_of(Record(a_record(entry=angle)), [symptom], str(day), result=result)
            advice = advise(Record(a_record(entry=angle)), now, log)
            log.append(now)
            if not advice.changes:
                break
            low, high = advice.changes[0].wanted_deg or (angle, angle)
            before, angle = angle, (low + high) / 2
            result = "better" if abs(angle - best) < abs(before - best) else "worse"
        assert abs(angle - best) < 0.3, (best, angle)
        assert len(log) > 1 or abs(12.0 - best) < 0.3


@given(
    st.lists(
        st.tuples(
            st.floats(5, 30) | st.none(),
            st.lists(st.sampled_from(sorted(SYMPTOMS)), min_size=1, max_size=3),
            st.sampled_from([None, *RESULTS]),
        ),
        min_size=1,
        max_size=5,
    )
)
def test_never_more_than_a_degree_whatever_was_logged(
    history: list[tuple[float | None, list[str], str | None]],
) -> None:
    log: list[LogEntry] = []
    for angle, symptoms, result in history:
        record = a_record(entry=angle, middle=13.0 if angle is None else angle + 1)
        entry = entry_of(Record(record), symptoms, "t", result=result if log else None)
        for change in advise(Record(record), entry, log).changes:
            assert SMALLEST_STEP_DEG <= change.least_deg <= change.most_deg <= LARGEST_STEP_DEG
            if change.wanted_deg is not None and change.now_deg is not None:
                low, high = (abs(wanted - change.now_deg) for wanted in change.wanted_deg)
                assert {round(low, 6), round(high, 6)} == {round(change.least_deg, 6), round(change.most_deg, 6)}
        log.append(entry)


def test_refusals() -> None:
    record = a_record()
    with pytest.raises(UsageError, match="Nothing was noticed"):
        entry_of(Record(record), [], "t")
    with pytest.raises(UsageError, match="not a known symptom"):
        entry_of(Record(record), ["smells"], "t")
    with pytest.raises(UsageError, match="not a known result"):
        entry_of(Record(record), ["slow-off-idle"], "t", result="good")
    with pytest.raises(UsageError, match="no earlier change"):
        advise(Record(record), entry_of(Record(record), ["slow-off-idle"], "t", result="better"))


# --- the log ---------------------------------------------------------------------------------------------------------


def test_the_log_gives_back_what_was_appended(tmp_path: Path) -> None:
    path = tmp_path / "tuning.jsonl"
    assert read_log(path) == ()
    one = entry_of(
        Record(a_record(exit_=None)), ["slow-off-idle"], "2026-01-01T00:00:00+00:00", note="shim −0.5 mm\n2nd line"
    )
    two = entry_of(Record(a_record()), ["on-the-limiter"], "2026-01-02T00:00:00+00:00", rotor="pintail", result="worse")
    odd = entry_of(
        Record(a_record()), ["on-the-limiter"], "2026-01-03T00:00:00+00:00", rotor="\udcff", note="\\"
    )  # not UTF-8
    for entry in (one, two):
        append_log(path, entry)
    assert read_log(path) == (one, two)
    assert read_log(path, "pintail") == (two,)
    assert len(path.read_text(encoding="utf-8").splitlines()) == 2
    assert os.listdir(tmp_path) == ["tuning.jsonl"]
    append_log(path, odd)
    assert read_log(path) == (one, two, odd)


def _line(**change: Any) -> str:
    good = {
        "schema": "bladeangle-tuning-log/1",
        "rotor": "teal",
        "time": "2026-01-01T00:00:00+00:00",
        "noticed": ["slow-off-idle"],
        "angles_deg": {"entry": 12.0, "middle": None, "exit": 15.0},
        "standard_uncertainty_deg": {"entry": 0.1, "middle": None, "exit": 0.1},
        "result": None,
        "note": "",
    }
    return json.dumps(good | change)


@pytest.mark.parametrize(
    "bad",
    [
        "{",
        "[]",
        "null",
        "[" * 100_000,
        _line(schema="bladeangle-tuning-log/2"),
        _line(extra=1),
        _line(rotor=3),
        _line(noticed="slow-off-idle"),
        _line(noticed=[{}]),
        _line(noticed=["smells"]),
        _line(result="good"),
        _line(angles_deg=[1, 2, 3]),
        _line(angles_deg={"entry": 12.0}),
        _line(angles_deg={"entry": float("nan"), "middle": None, "exit": None}),
        _line(angles_deg={"entry": 1e308, "middle": None, "exit": None}),
        _line(angles_deg={"entry": True, "middle": None, "exit": None}),
        _line(angles_deg={"entry": 90.1, "middle": None, "exit": None}),
        _line(angles_deg={"entry": None, "middle": None, "exit": -90.1}),
        _line(note="n" * 5001),
        _line(rotor="n" * 301),
        _line(time="n" * 301),
    ],
)
def test_a_broken_line_is_named_and_nothing_is_lost(tmp_path: Path, bad: str) -> None:
    path = tmp_path / "tuning.jsonl"
    text = f"{_line()}\n{bad}\n"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(RecordError, match="Line 2 "):
        append_log(path, entry_of(Record(a_record()), ["slow-off-idle"], "t"))
    assert path.read_text(encoding="utf-8") == text


def test_a_log_that_is_no_log(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match="cannot be read"):
        read_log(tmp_path)
    (tmp_path / "log").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(RecordError, match="not a text in UTF-8"):
        read_log(tmp_path / "log")


# --- the command -----------------------------------------------------------------------------------------------------


def test_the_command_knows_the_same_names() -> None:
    assert tuple(SYMPTOMS) == command.SYMPTOM_NAMES
    assert RESULTS == command.RESULT_NAMES


def test_the_command_keeps_a_log_and_learns_from_it(tmp_path: Path) -> None:
    runner, log = CliRunner(), str(tmp_path / "log.jsonl")
    for number, (angle, result) in enumerate([(12.0, None), (11.2, "worse")]):
        path = tmp_path / f"{number}.json"
        path.write_text(json.dumps(a_record(entry=angle)), encoding="utf-8")
        words = ["tune", str(path), "--noticed", "slow-off-idle", "--log", log, "--json"]
        outcome = runner.invoke(main, words + (["--result", result] if result else []))
        assert outcome.exit_code == 0, outcome.stderr
    advice = json.loads(outcome.stdout)
    assert advice["changes"][0]["direction"] == "steeper"
    assert [entry.result for entry in read_log(log)] == [None, "worse"]


def test_the_command_in_words(tmp_path: Path) -> None:
    path = tmp_path / "teal.json"
    path.write_text(json.dumps(a_record()), encoding="utf-8")
    outcome = CliRunner().invoke(main, ["tune", str(path), "--noticed", "short-of-peak"])
    assert outcome.exit_code == 0
    assert "exit shallower by 0.5 to 1.0 deg" in outcome.stdout
    assert "common practice, no source" in outcome.stdout
    assert "from 15.00 ± 0.04 deg to between 14.0 and 14.5 deg" in " ".join(outcome.stdout.split())


@pytest.mark.parametrize(
    ("words", "code"),
    [
        (["tune", "none.json", "--noticed", "short-of-peak"], 8),
        (["tune", "none.json"], 2),
        (["tune", "none.json", "--noticed", "smells"], 2),
        (["tune", "none.json", "--noticed", "short-of-peak", "--result", "better"], 2),
    ],
)
def test_the_commands_refusals(words: list[str], code: int) -> None:
    outcome = CliRunner().invoke(main, words)
    assert outcome.exit_code == code
    assert outcome.stdout == ""
    assert outcome.stderr


def test_uneven_blades_are_told_with_their_uncertainty() -> None:
    record = a_record()
    for apart, u, words in (
        (0.60, 0.44, "Perhaps uneven blades, 0.60 ± 0.44"),
        (1.2, 0.3, "Uneven blades, 1.20 ± 0.30"),
    ):
        record["rotor"]["spread_deg"]["exit"] |= {"value": apart, "expanded_uncertainty": u}
        told = advise(Record(record), entry_of(Record(record), ["short-of-peak"], "t")).rule_out
        assert any(line.startswith(words) for line in told)
    record["rotor"]["spread_deg"]["exit"] |= {"value": 0.60, "expanded_uncertainty": 0.7}
    assert not any(
        "neven" in line for line in advise(Record(record), entry_of(Record(record), ["short-of-peak"], "t")).rule_out
    )


def test_a_result_is_not_put_down_to_one_of_two_steps() -> None:
    """Entry and exit were both changed: what came of it may be due to either, so neither is turned back."""
    first = entry_of(Record(a_record(entry=12.0, exit_=15.0)), ["slow-off-idle"], "1")
    both = a_record(entry=11.2, exit_=16.0)
    (change,) = advise(Record(both), entry_of(Record(both), ["slow-off-idle"], "2", result="worse"), [first]).changes
    assert change.direction == "shallower" and "cannot be put down to the entry" in change.why
    assert "the exit changed as well" in change.why
    alone = a_record(entry=11.2, exit_=15.0)
    (change,) = advise(Record(alone), entry_of(Record(alone), ["slow-off-idle"], "2", result="worse"), [first]).changes
    assert change.direction == "steeper"


@pytest.mark.parametrize(("exit_deg", "credited"), [(16.0, False), (14.4, False), (15.2, True), (15.0, True)])
def test_a_change_that_photographs_could_not_show_may_be_what_was_noticed(exit_deg: float, credited: bool) -> None:
    """The entry went from 12.0 to 11.2; the exit is known to 0.4 deg only, so that its change is never certain."""
    told = []
    for number, (entry, exit_) in enumerate(((12.0, 15.0), (11.2, exit_deg)), start=1):
        visit = entry_of(Record(a_record(entry=entry, exit_=exit_)), ["slow-off-idle"], str(number), result="worse")
        told.append(replace(visit, standard_uncertainty_deg={**visit.standard_uncertainty_deg, "exit": 0.4}))
    (change,) = advise(Record(a_record(entry=11.2, exit_=exit_deg)), told[1], told[:1]).changes
    assert change.direction == ("steeper" if credited else "shallower")
    assert ("the exit may have changed as well" in change.why) is not credited
