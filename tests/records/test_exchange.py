"""Tables and derived quantities: against hand calculation, simulation, and hostile names."""

from __future__ import annotations

import csv
import io
import math
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st
from invented_record import agreeing, invented_record, with_tips

from bladeangle.base.errors import OutputError, RecordError
from bladeangle.base.structure import plain
from bladeangle.cli.export import export as export_command
from bladeangle.records import exchange
from bladeangle.records.record import Record, quantity, record_from_dict, write_record


def correlated_record(**changes: Any) -> Record:
    """The invented record with angles that share a common error."""
    data = invented_record(**changes)
    n = len(data["covariance"]["labels"])
    data["covariance"]["matrix_deg2"] = np.eye(n) * 0.01 + 0.04
    return record_from_dict(agreeing(data))


RECORD = correlated_record()
UNSEEN = record_from_dict(invented_record(turned=False))


def test_pitch_at_a_station() -> None:
    """2 pi x 78 mm x tan(9.3 deg); u from du_angle and u_D by hand: dP = pi D / cos^2 da and P dD / D."""
    found = exchange.pitch_at(RECORD, 1, "entry")
    assert found is not None
    expected = 2 * math.pi * 78.0 * math.tan(math.radians(9.3))
    slope = 2 * math.pi * 78.0 / math.cos(math.radians(9.3)) ** 2 * math.radians(1)
    assert found[0] == pytest.approx(expected)
    assert found[1] == pytest.approx(math.hypot(slope * math.sqrt(0.05), expected * 0.05 / 156.0), rel=1e-4)
    assert exchange.pitch_at(UNSEEN, 1, "exit") is None


def test_pitch_of_a_published_propeller_turned_down_to_a_cylinder() -> None:
    """DTMB propeller 4119 at r/R = 0.9: P/D 1.079, blade angle atan(1.079 / (0.9 pi)) = 20.89 deg."""
    data = invented_record(blade_count=1)
    angle = math.degrees(math.atan(1.079 / (0.9 * math.pi)))
    data["blades"][0]["stations"]["entry"]["angle_deg"] = angle
    data["rotor"]["tip_diameter_mm"] = plain(quantity(0.9 * 304.8, 0.1))
    found = exchange.pitch_at(record_from_dict(agreeing(data)), 1, "entry")
    assert found is not None and found[0] == pytest.approx(1.079 * 304.8, rel=1e-9)
    assert angle == pytest.approx(20.89, abs=0.005)


def test_progression_uses_the_covariance() -> None:
    """The common error of 0.2 deg cancels between entry and exit; 0.1 deg a blade remains."""
    assert exchange.progression(RECORD, 2) == pytest.approx((5.0, 0.1 * math.sqrt(2)))
    assert exchange.progression(RECORD) == pytest.approx((5.0, 0.1 * math.sqrt(2 / 3)))
    assert exchange.progression(UNSEEN) is None and exchange.progression(UNSEEN, 1) is None


def test_overlap_and_swept_area() -> None:
    assert exchange.overlap(RECORD) == pytest.approx((139.5 - 120.0, 0.2))
    area = exchange.swept_area(RECORD)
    assert area is not None
    assert area[0] == pytest.approx(math.pi / 4 * (156.0**2 - 74.0**2))
    assert area[1] == pytest.approx(math.pi / 2 * math.hypot(156.0 * 0.05, 74.0 * 0.1), rel=1e-6)
    data = invented_record()
    data["rotor"]["hub_diameter_mm"] = None
    assert exchange.swept_area(record_from_dict(data)) is None


def test_mean_pitch_is_that_of_the_curve_and_its_uncertainty_that_of_simulation() -> None:
    """Of a tip whose angle grows along its length, the mean pitch is height over arc, times 2 pi R."""
    radius, arc = 78.0, np.linspace(0.0, 190.0, 19001)
    tangent = np.tan(np.radians(9.0 + 6.0 * arc / 190.0))
    along = np.concatenate([[0.0], np.cumsum(0.01 * np.hypot(1.0, (tangent[1:] + tangent[:-1]) / 2))])
    tip = along[-1]
    spans = {"entry": (0.0, 34.0), "middle": (34.0, tip - 34.0), "exit": (tip - 34.0, tip)}
    data = invented_record()
    for blade in data["blades"]:
        blade["tip_length_mm"] = plain(quantity(tip, 0.1))
        for s, (low, high) in spans.items():
            inside = (along >= low) & (along <= high)
            blade["stations"][s]["angle_deg"] = math.degrees(math.atan(tangent[inside].mean()))
    for s in spans:
        data["rotor"]["stations"][s]["angle_deg"] = data["blades"][0]["stations"][s]["angle_deg"]
    n = len(data["covariance"]["labels"])
    data["covariance"]["matrix_deg2"] = np.eye(n) * 0.01 + 0.04
    record = record_from_dict(agreeing(data))
    found = exchange.mean_pitch(record)
    assert found is not None
    assert found[0] == pytest.approx(2 * math.pi * radius * tangent.mean(), rel=1e-3)
    # Simulated: common error 0.2 deg, own error 0.1 deg an angle, diameter 0.05 mm; weights from the lengths.
    rng = np.random.default_rng(20261125)
    shares = np.array([34.0, tip - 68.0, 34.0]) / tip
    truth = np.array([[b["stations"][s]["angle_deg"] for s in spans] for b in data["blades"]])
    angles = truth + 0.1 * rng.standard_normal((20_000, 3, 3)) + 0.2 * rng.standard_normal((20_000, 1, 1))
    pitches = np.pi * (156.0 + 0.05 * rng.standard_normal(20_000)) * (np.tan(np.radians(angles)) @ shares).mean(axis=1)
    assert found[1] == pytest.approx(pitches.std(), rel=0.03)
    assert exchange.mean_pitch(UNSEEN) is None


def test_mean_pitch_of_a_short_tip_is_not_known() -> None:
    data = invented_record()
    for blade in data["blades"]:
        blade["tip_length_mm"] = plain(quantity(60.0, 0.1))
    assert exchange.mean_pitch(record_from_dict(data)) is None
    data["blades"][0]["tip_length_mm"] = None
    assert exchange.mean_pitch(record_from_dict(data)) is None


def test_csv_has_a_row_a_blade_and_station_with_units() -> None:
    rows = list(csv.DictReader(io.StringIO(exchange.to_csv([RECORD, UNSEEN]), newline="")))
    assert len(rows) == 2 * (3 + 1) * 3
    first = rows[0]
    assert (first["name"], first["blade"], first["station"]) == ("Heron, spare rotor", "1", "entry")
    assert float(first["angle [deg]"]) == pytest.approx(9.3) and float(first["dof [1]"]) == 40
    assert float(first["u_angle [deg]"]) == pytest.approx(math.sqrt(0.05))
    assert float(first["tip_diameter [mm]"]) == 156.0 and float(first["u_tip_diameter [mm]"]) == 0.05
    assert float(first["swept_area [mm2]"]) == pytest.approx(14812.6, abs=0.5)
    mean = rows[9]
    assert mean["blade"] == "mean" and float(mean["pitch [mm]"]) == pytest.approx(
        np.mean([float(r["pitch [mm]"]) for r in rows[:9] if r["station"] == "entry"])
    )
    unseen = rows[12 + 2]
    assert unseen["station"] == "exit" and unseen["angle [deg]"] == "" and unseen["pitch [mm]"] == ""
    assert unseen["not_seen"] == "hidden under the next blade"
    assert {r["flags"] for r in rows} == {"uncalibrated-camera", "glare-gap uncalibrated-camera"}
    assert [r["blade"] for r in rows[:12] if "glare-gap" in r["flags"]] == ["2"]


def test_what_is_seen_of_tips_stands_in_the_tables(tmp_path: Path) -> None:
    record = record_from_dict(with_tips(invented_record(), 0.25, bore_mm=157.0))
    rows = list(csv.DictReader(io.StringIO(exchange.to_csv([record, RECORD]), newline="")))
    assert float(rows[0]["leading_wear [mm]"]) == 0.25 and float(rows[0]["u_leading_wear [mm]"]) == 0.04
    assert rows[0]["trailing_wear [mm]"] == ""  # only what is usual
    assert float(rows[0]["smallest_clearance [mm]"]) == 0.5 and float(rows[0]["blade_smallest_clearance [mm]"]) == 0.5
    assert [float(r["blade_run_out [mm]"]) for r in rows[:9:3]] == [-0.02, 0.0, 0.02]
    assert rows[9]["blade"] == "mean" and rows[9]["blade_run_out [mm]"] == ""
    assert rows[12]["leading_wear [mm]"] == rows[12]["smallest_clearance [mm]"] == ""  # a record without tips
    along = list(csv.DictReader(io.StringIO(exchange.to_csv([record, RECORD], tips=True), newline="")))
    assert len(along) == 3 * 47
    assert float(along[0]["radius [mm]"]) == pytest.approx(78.0 - 0.25 * math.exp(-2 / 15))
    assert float(along[0]["u_radius [mm]"]) == 0.05
    exchange.write_xlsx([record], tmp_path / "r.xlsx")
    sheet = openpyxl.load_workbook(tmp_path / "r.xlsx")["tips"]
    assert sheet.max_row == 1 + 3 * 47 and sheet.cell(2, 4).value == 2.0


@pytest.mark.parametrize(
    "name",
    ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "  =HYPERLINK(0)", "=cmd|' /C calc'!A0", "\uff1d1", "\n=1"],
)
def test_formulas_are_made_harmless(tmp_path: Path, name: str) -> None:
    record = record_from_dict(invented_record(name=name))
    rows = list(csv.DictReader(io.StringIO(exchange.to_csv([record]), newline="")))
    assert rows[0]["name"].startswith("'") and len(rows) == 12
    exchange.write_xlsx([record], tmp_path / "r.xlsx")
    sheet = openpyxl.load_workbook(tmp_path / "r.xlsx")["angles"]
    assert str(sheet["A2"].value).startswith("'") and sheet["A2"].data_type == "s"
    assert all(cell.data_type != "f" for row in sheet.iter_rows() for cell in row)


@given(text=st.text(max_size=40))
def test_no_text_starts_a_formula_or_a_line(text: str) -> None:
    cell = exchange.harmless(text)
    assert not cell.lstrip().startswith(exchange.FORMULA_STARTS)
    assert cell.isprintable()
    if text.isascii() and text.isalnum():
        assert cell == text


def test_xlsx_keeps_numbers_as_numbers(tmp_path: Path) -> None:
    exchange.write_xlsx([RECORD], tmp_path / "r.xlsx")
    sheet = openpyxl.load_workbook(tmp_path / "r.xlsx")["angles"]
    head, rows = exchange.table([RECORD])
    assert [c.value for c in sheet[1]] == head and sheet.max_row == 1 + len(rows)
    assert sheet.cell(2, head.index("angle [deg]") + 1).value == pytest.approx(9.3)
    assert sheet.freeze_panes == "A2" and sheet["A1"].font.bold


def test_a_folder_that_is_missing_refuses_the_output(tmp_path: Path) -> None:
    for write in (exchange.write_csv, exchange.write_xlsx):
        with pytest.raises(OutputError):
            write([RECORD], tmp_path / "none" / "r.x")


def test_the_command(tmp_path: Path) -> None:
    write_record(RECORD, tmp_path / "r.json")
    one = str(tmp_path / "r.json")
    result = CliRunner().invoke(export_command, [one, one], catch_exceptions=False)
    assert result.exit_code == 0 and result.stdout.count("Heron") == 24
    arguments = [one, "--csv", str(tmp_path / "r.csv"), "--xlsx", str(tmp_path / "r.xlsx")]
    result = CliRunner().invoke(export_command, arguments, catch_exceptions=False)
    assert result.stdout == "" and "r.xlsx" in result.stderr
    assert (tmp_path / "r.csv").read_bytes().startswith(b"\xef\xbb\xbfname,created")
    assert (tmp_path / "r.xlsx").read_bytes().startswith(b"PK")
    with pytest.raises(RecordError, match="does not exist"):
        CliRunner().invoke(export_command, [str(tmp_path / "none.json")], catch_exceptions=False)
