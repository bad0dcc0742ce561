"""What a re-pitch did to the tips, with the covariance that two records share."""

from __future__ import annotations

import copy
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from invented_record import invented_record, with_tips

from bladeangle.cli.verify import verify as verify_command
from bladeangle.records.record import Record, record_from_dict, write_record
from bladeangle.shop.ordering import order_from_record
from bladeangle.shop.orders import write_order
from bladeangle.shop.tip_changes import TipChange, change_lines, tip_changes


def worn(wear_mm: float, bore_mm: float | None = None, diameter_mm: float = 156.0, **changes: Any) -> Record:
    data = with_tips(invented_record(), wear_mm, bore_mm)
    data["rotor"]["tip_diameter_mm"]["value"] = diameter_mm
    return record_from_dict(data | changes)


def test_changes_and_what_the_calibration_shares() -> None:
    """u2 = 2 u2 - 2 e e': of wear 0.04 with 0.02 shared, of the diameter 0.05 with 0.03."""
    found = {c.what: c for c in tip_changes(worn(0.05, diameter_mm=155.8), worn(0.3))}
    wear = found["wear at the leading ends"]
    assert (wear.before_mm, wear.after_mm) == (0.3, 0.05) and wear.change_mm == pytest.approx(-0.25)
    assert wear.standard_uncertainty_mm == pytest.approx(math.sqrt(2 * 0.04**2 - 2 * 0.02**2))
    assert wear.changed and wear.expanded_uncertainty_mm == pytest.approx(1.96 * wear.standard_uncertainty_mm, rel=1e-3)
    diameter = found["diameter over the tips"]
    assert diameter.change_mm == pytest.approx(-0.2) and diameter.changed
    assert diameter.standard_uncertainty_mm == pytest.approx(math.sqrt(2 * 0.05**2 - 2 * 0.03**2))
    assert not found["run-out between blades"].changed
    assert "wear at the trailing ends" not in found and "smallest clearance" not in found


def test_the_shared_covariance_is_that_of_sampled_errors() -> None:
    """Two measurements drawn with the calibration's error in common: what their difference scatters by."""
    rng = np.random.default_rng(4)
    common, n = rng.normal(0, 0.02, 100_000), 100_000
    own = math.sqrt(0.04**2 - 0.02**2)
    difference = (common + rng.normal(0, own, n)) - (common + rng.normal(0, own, n))
    (wear,) = (c for c in tip_changes(worn(0.1), worn(0.2)) if c.what == "wear at the leading ends")
    assert wear.standard_uncertainty_mm == pytest.approx(difference.std(), rel=0.01)


def test_another_camera_shares_nothing() -> None:
    data: Any = copy.deepcopy(worn(0.2).data)
    data["camera"]["parameters"]["f_px"] += 1
    (wear,) = (c for c in tip_changes(worn(0.1), record_from_dict(data)) if c.what == "wear at the leading ends")
    assert wear.standard_uncertainty_mm == pytest.approx(0.04 * math.sqrt(2))


def test_the_same_values_of_another_calibration_share_nothing() -> None:
    data: Any = copy.deepcopy(worn(0.2).data)
    data["camera"]["covariance"][0][0] *= 1.1
    (wear,) = (c for c in tip_changes(worn(0.1), record_from_dict(data)) if c.what == "wear at the leading ends")
    assert wear.standard_uncertainty_mm == pytest.approx(0.04 * math.sqrt(2))


def with_effects(*effects_mm: float) -> Record:
    data: Any = copy.deepcopy(worn(0.2).data)
    data["rotor"]["tips"]["camera_effects_mm"]["leading_wear"] = list(effects_mm)
    return record_from_dict(data)


@pytest.mark.parametrize(
    ("before", "after", "u_mm"),
    [
        ((0.06,), (0.06,), 0.0),  # no more can be shared than there is: 0.04 of both
        ((0.06,), (-0.06,), 0.08),
        ((0.03,), (-0.02,), math.sqrt(2 * 0.04**2 + 2 * 0.03 * 0.02)),
        ((0.02,), (0.02, 0.0), 0.04 * math.sqrt(2)),  # effects of other sources say nothing
    ],
)
def test_what_is_shared_is_bounded_by_what_there_is(
    before: tuple[float, ...], after: tuple[float, ...], u_mm: float
) -> None:
    (wear,) = (c for c in tip_changes(with_effects(*after), with_effects(*before)) if c.what.startswith("wear"))
    assert wear.standard_uncertainty_mm == pytest.approx(u_mm, abs=1e-9)


@pytest.mark.parametrize(
    ("change_mm", "u_mm", "changed"),
    [(0.04, 0.005, False), (0.06, 0.005, True), (-0.06, 0.005, True), (0.2, 0.1, False), (-0.3, 0.1, True)],
)
def test_a_change_is_one_beyond_its_interval_and_worth_a_word(change_mm: float, u_mm: float, changed: bool) -> None:
    """Of independent errors the change has 1.96 sqrt(2) u: 0.014 and 0.277 mm."""
    records = []
    for value in (0.1, 0.1 + change_mm):
        data: Any = copy.deepcopy(worn(0.2).data)
        run_out = data["rotor"]["tips"]["run_out_mm"]
        run_out |= {"value": value, "standard_uncertainty": u_mm, "expanded_uncertainty": 2 * u_mm}
        records.append(record_from_dict(data))
    (found,) = (c for c in tip_changes(records[1], records[0]) if c.what == "run-out between blades")
    assert found.change_mm == pytest.approx(change_mm)
    assert found.changed is changed


def test_lengths_are_told_in_mm_or_inches() -> None:
    changes = (TipChange("diameter", 152.4, 151.13, -1.27, 0.1, 0.254, True),)  # 6.000, 5.950, -0.050, 0.010 in
    assert change_lines(changes)[-1].split() == ["diameter", "152.40", "151.13", "-1.27", "0.25", "changed"]
    assert change_lines(changes, inches=True)[-1].split() == [
        "diameter",
        "6.000",
        "5.950",
        "-0.050",
        "0.010",
        "changed",
    ]
    assert change_lines(()) == []


def test_clearance_in_one_and_the_same_bore() -> None:
    """The bore's 0.025 mm of radius is the same in both."""
    (gap,) = (c for c in tip_changes(worn(0.1, 157.0), worn(0.1, 157.0)) if c.what == "smallest clearance")
    assert gap.standard_uncertainty_mm == pytest.approx(math.sqrt(2 * 0.04**2 - 2 * 0.025**2))
    assert all(c.what != "smallest clearance" for c in tip_changes(worn(0.1, 157.0), worn(0.1, 158.0)))


def test_records_without_tips_tell_the_diameter_alone() -> None:
    found = tip_changes(record_from_dict(invented_record()), worn(0.2))
    assert [c.what for c in found] == ["diameter over the tips"]


def test_the_command_tells_it(tmp_path: Path) -> None:
    write_record(worn(0.05), tmp_path / "after.json")
    write_record(worn(0.3), tmp_path / "before.json")
    write_order(order_from_record(worn(0.3), {}, tolerance_deg=2.0), tmp_path / "o.toml")
    words = [str(tmp_path / "after.json"), "--order", str(tmp_path / "o.toml")]
    told = CliRunner().invoke(verify_command, [*words, "--before", str(tmp_path / "before.json")])
    (line,) = (row for row in told.stdout.splitlines() if row.startswith("wear at the leading ends"))
    assert line.split()[5:] == ["0.30", "0.05", "-0.25", "0.10", "changed"]
    assert "tips, mm" not in CliRunner().invoke(verify_command, words).stdout
