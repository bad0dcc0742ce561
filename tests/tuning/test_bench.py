"""The command that varies and fits tuned values, on measurements that are made up."""

from __future__ import annotations

import json
import math
import sys
from pathlib import Path

import numpy as np
import pytest

from bladeangle.tuning.detection import HUB
from bladeangle.tuning.tree import TUNING
from bladeangle.tuning.value import NOT_READ
from tests.bench import tuning as bench

TRUE = np.array([10.0, 12.0, 14.0, 11.0])


def found(*angles: float, u: float = 0.1) -> bench.Found:
    return bench.Found(np.array(angles), np.where(np.isfinite(angles), u, np.nan))


class Invented:
    """A set whose angles are off by so much as a tuned value is off 0.5, with the uncertainty that another states."""

    name, true_deg = "invented", TRUE
    read = {"priors.tilt_sigma_deg": "outlined", "station_angles.edge_bias_px": "judged"}  # noqa: RUF012

    def __init__(self) -> None:
        self.begun: list[str] = []
        self.before = self.measure("sighted")

    def measure(self, begin: str) -> bench.Found:
        self.begun.append(begin)
        off = TUNING.priors.tilt_sigma_deg - 0.5
        return bench.Found(
            TRUE + off * np.array([1.0, -1.0, 1.0, -1.0]), np.full(4, TUNING.station_angles.edge_bias_px)
        )

    def changed(self, name: str, value: float) -> bench.Found:
        with bench.varied(name, value):
            return self.measure(self.read[name])


def test_a_value_is_varied_for_a_while_and_set_back_after_an_error() -> None:
    usual = HUB.plane_mm
    with bench.varied("hub.plane_mm", 40.0):
        assert HUB.plane_mm == bench.value_of("hub.plane_mm") == 40.0
    assert HUB.plane_mm == usual
    with pytest.raises(ZeroDivisionError), bench.varied("hub.plane_mm", 0.0):
        _ = 1 / HUB.plane_mm
    assert HUB.plane_mm == usual


def test_values_are_scaled_by_their_kind() -> None:
    assert bench.scaled(3.0, 0.5) == 1.5
    assert bench.scaled((2.0, 4.0), 1.5) == (3.0, 6.0)
    assert [bench.scaled(9, f) for f in (0.5, 1.5)] == [4, 14]
    assert [bench.scaled(2, 1.1), bench.scaled(2, 0.9), bench.scaled(1, 0.5)] == [3, 1, 1]
    assert isinstance(bench.scaled(9, 0.5), int)


def test_reads_are_noted_by_group() -> None:
    read: set[str] = set()
    with bench.noting(read):
        _ = HUB.plane_mm, TUNING.any_tips.unequal
    assert read == {"hub.plane_mm", "any_tips.unequal"}
    _ = HUB.needed_share
    assert read == {"hub.plane_mm", "any_tips.unequal"}


def test_effects_are_in_standard_uncertainties() -> None:
    before = found(10.0, 12.1, 14.3, math.nan)
    after = bench.Found(np.array([10.05, 12.1, 14.15, 11.0]), np.full(4, 0.1))
    one = bench.effect(before, after, TRUE)
    assert one.largest == pytest.approx(1.5) and one.rms == pytest.approx(math.sqrt((0.25 + 2.25) / 3))
    assert one.coverage == pytest.approx(1 / 3)  # the third came to within two u
    assert one.squares == pytest.approx((0.25 + 1 + 2.25) / (1 + 9) - 1)
    assert one.lost == 0
    assert one.words() == "1.5 u at most, 0.91 rms, coverage +33.3 %, z2 -65 %"
    lost = bench.effect(after, found(*[math.nan] * 4), TRUE)
    assert lost.lost == 4 and lost.words() == "4 angles lost"
    wider = bench.effect(after, bench.Found(after.angle_deg, 2 * after.u_deg), TRUE)
    assert wider.squares == pytest.approx(-0.75) and wider.words() == "angles same, z2 -75 %"
    assert bench.effect(after, after, TRUE).words() == "nothing"
    assert bench.sentence(bench.effect(after, after, TRUE), lost) == "half: nothing; half more: 4 angles lost"


def test_the_objective_is_the_negative_log_likelihood_but_for_a_constant() -> None:
    cost = bench.objective(found(10.1, 12.0, 14.0, math.nan, u=0.2), TRUE)
    assert cost == pytest.approx((3 * math.log(0.2) + 0.125 + math.log(10) + 0.5) / 4)


def test_sensitivities_go_on_from_the_log(tmp_path: Path) -> None:
    one, log = Invented(), tmp_path / "log.jsonl"
    names = ["station_angles.edge_bias_px", "quality.halo", "priors.tilt_sigma_deg"]
    told = dict(bench.sensitivity([one], names, log))  # type: ignore[list-item]
    assert told["quality.halo"] == NOT_READ
    # the angles are off by -0.1; half the value makes it -0.3, half more +0.1, with u of 0.08
    assert told["priors.tilt_sigma_deg"].startswith(
        "half: 2.5 u at most, 2.5 rms, coverage -100.0 %, z2 +800 %; half more"
    )
    assert told["station_angles.edge_bias_px"].startswith("half: angles same, coverage -100.0 %, z2 +300 %; half more:")
    assert one.begun == ["sighted", *["judged"] * 2, *["outlined"] * 2]
    lines = [json.loads(line) for line in log.read_text().splitlines()]
    assert [(x["value"], x["factor"]) for x in lines] == [(names[k], f) for k in (0, 2) for f in (0.5, 1.5)]
    log.write_text("\n".join(log.read_text().splitlines()[:-1]) + '\n{"value": "cut')
    assert dict(bench.sensitivity([one], names, log)) == told  # type: ignore[list-item]
    assert one.begun[5:] == ["outlined"]


def test_the_best_values_are_found() -> None:
    one = Invented()
    names = ["station_angles.edge_bias_px", "priors.tilt_sigma_deg"]
    best = {name: (value, now, before) for name, value, now, before in bench.fitted([one], names, 8)}  # type: ignore[list-item]
    off = abs(best["priors.tilt_sigma_deg"][0] - 0.5)
    assert off < 0.04  # a step of the search
    assert best["station_angles.edge_bias_px"][0] == pytest.approx(off, rel=0.3)  # the likeliest u is the error
    assert best["priors.tilt_sigma_deg"][1] < best["priors.tilt_sigma_deg"][2]
    assert TUNING.priors.tilt_sigma_deg == 0.4
    assert set(one.begun[1:]) == {"outlined"}  # both are read from there on


def test_folders_with_truth_are_found(tmp_path: Path) -> None:
    for name in ("pair-used-1", "change-new-2/before", "change-new-2/after", "other"):
        (tmp_path / name).mkdir(parents=True)
        if name != "other":
            (tmp_path / name / "truth.json").write_text("{}")
    wanted = [tmp_path / "change-new-2/after", tmp_path / "change-new-2/before", tmp_path / "pair-used-1"]
    assert bench.folders_of([tmp_path, tmp_path / "pair-used-1"]) == wanted


@pytest.mark.parametrize("words", [["--values", "hub.nothing"], ["--fit"]])
def test_what_makes_no_sense_is_refused(words: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "argv", ["tuning", "folder", *words])
    with pytest.raises(SystemExit) as refused:
        bench.arguments()
    assert refused.value.code == 2


def test_a_group_is_named_by_its_dot(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "argv", ["tuning", "folder", "--values", "trailing.", "hub.plane_mm"])
    assert bench.arguments().names == ["hub.plane_mm", "trailing.seat_mm", "trailing.largest_u_mm"]


def test_a_shipped_pair_is_measured_again_from_where_a_value_is_read() -> None:
    root = Path(__file__).resolve().parents[2]
    camera, ring = root / "calibration/camera-pocket7.json", root / "calibration/trial-ring.json"
    one = bench.PhotoSet(root / "fixtures/rotor-a", bench.read_ring(ring), bench.read_camera(camera))
    assert np.isfinite(one.before.angle_deg).all() and np.abs(one.before.angle_deg - one.true_deg).max() < 0.7
    assert one.read["quality.halo"] == one.read["saturation.spike_ratio"] == "sighted"
    assert one.read["hub.plane_mm"] == one.read["priors.thickness_mm"] == "outlined"
    assert one.read["adjusted.end_search_mm"] == "adjusted" and one.read["station_angles.edge_bias_px"] == "judged"
    assert "check.tallest_mm" not in one.read and "calibrate.focus_sigma" not in one.read
    same = one.measure("outlined")
    np.testing.assert_allclose(same.angle_deg, one.before.angle_deg, rtol=0, atol=1e-9)
    wider = one.changed("station_angles.edge_bias_px", 0.5)
    np.testing.assert_allclose(wider.angle_deg, one.before.angle_deg, rtol=0, atol=1e-9)
    assert (wider.u_deg > one.before.u_deg).all()
    assert one.changed("check.tallest_mm", 10.0) is one.before
