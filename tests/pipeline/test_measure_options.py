"""What a measurement can be told of tips and housing: priors, refusals, and where it comes from."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from bladeangle.base.errors import UsageError
from bladeangle.cli.main import main
from bladeangle.imaging.camera import camera_from_exif
from bladeangle.imaging.ring import read_ring
from bladeangle.pipeline.options import Options, calipers_of, priors_of, refuse_options
from bladeangle.tuning.pipeline import OPTIONS
from bladeangle.tuning.priors import ANY_TIPS, NEW_TIPS

RING = read_ring(Path(__file__).parents[2] / "calibration" / "ring-160-a3.json")


def test_calipers_lie_where_they_were_held() -> None:
    options = Options(diameter_mm=158.0, diameter_leading_mm=157.4, diameter_trailing_mm=157.8)
    found = {c.diameter_mm: c for c in calipers_of(options, 150.0)}
    assert found[158.0].share == 0.5
    assert found[157.4].share == pytest.approx(3.0 / 150.0) and found[157.8].share == pytest.approx(147.0 / 150.0)
    assert {c.sigma_mm for c in found.values()} == {0.05}
    assert calipers_of(Options(), 150.0) == ()


def test_priors_are_what_was_told() -> None:
    camera = camera_from_exif(2016, 1512, 26.0)
    plain = priors_of(camera, Options(), RING)
    assert plain.tips is ANY_TIPS and plain.calipers == ()
    assert plain.radius_sigma_mm == OPTIONS.radius_sigma_mm
    told = priors_of(camera, Options(diameter_mm=158.0, tips="new"), RING)
    assert told.tips is NEW_TIPS and told.radius_mm == 79.0
    # the caliper holds the middle of the tips, no more: their run is left to the photographs
    assert [c.diameter_mm for c in told.calipers] == [158.0] and told.radius_sigma_mm == 1.0


@pytest.mark.parametrize(
    ("told", "words"),
    [
        ({"diameter_leading_mm": 20.0}, "does not fit inside this ring"),
        ({"diameter_trailing_mm": 900.0}, "does not fit inside this ring"),
        ({"diameter_mm": 158.0, "bore_mm": 157.0}, "do not belong into a bore"),
        ({"diameter_mm": 158.0, "bore_mm": 180.0}, "do not belong into a bore"),
        ({"bore_mm": 900.0}, "does not go with this ring"),
        ({"tips": "shiny"}, "'shiny'"),
    ],
)
def test_what_cannot_be_is_refused(told: dict[str, Any], words: str) -> None:
    with pytest.raises(UsageError) as caught:
        refuse_options(Options(**told), RING)
    assert words in caught.value.message and caught.value.hint


def test_what_can_be_is_not() -> None:
    refuse_options(Options(diameter_mm=158.0, diameter_leading_mm=157.2, bore_mm=158.6, tips="new"), RING)


def test_the_commands_take_it_and_refuse_what_it_cannot_be() -> None:
    ring = ["--ring", str(Path(__file__).parents[2] / "calibration" / "ring-160-a3.json")]
    wrong = CliRunner().invoke(main, ["measure", "x.jpg", *ring, "--tips", "worn"])
    assert wrong.exit_code == 2 and "'any', 'new'" in wrong.output
    for words in (["--diameter-leading", "-1"], ["--bore", "nan"]):
        assert CliRunner().invoke(main, ["measure", "x.jpg", *ring, *words]).exit_code == 2
    for command in ("measure", "batch"):
        text = CliRunner().invoke(main, [command, "--help"]).output
        assert "--tips" in text and "--bore" in text
