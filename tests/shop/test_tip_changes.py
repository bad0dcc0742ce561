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
from bladeangle.shop.tip_changes import tip_changes


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
