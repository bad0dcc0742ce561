"""Where outlines begin and end blades: late, where markers lie behind the tips, or where paper shows below them."""

from __future__ import annotations

from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from rendered_rotor import rendered

from bladeangle.adjustment.model import EndPoints
from bladeangle.detection import blade_ends
from bladeangle.detection.start import Tooth
from bladeangle.imaging.ring import Ring
from bladeangle.pipeline import outlines
from bladeangle.pipeline.judged import Measurement
from bladeangle.pipeline.options import priors_of
from bladeangle.pipeline.shots import OutlinedShot
from bladeangle.tuning.blade_ends import OUTLINES


def outlined(measurement: Measurement) -> list[OutlinedShot]:
    return [shot for shot in measurement.shots if isinstance(shot, OutlinedShot)]


def late(tooth: Tooth, by_rad: float, turn: int) -> Tooth:
    """The tooth without its first part."""
    seen = tooth.angle > by_rad
    return Tooth(tooth.start + turn * by_rad, tooth.angle[seen] - by_rad, tooth.height[seen], tooth.whole)


@pytest.mark.parametrize("by_deg", [14.0, 18.0])
def test_an_outline_that_begins_late_begins_where_the_ends_are(sound: Measurement, ring: Ring, by_deg: float) -> None:
    priors = priors_of(sound.camera, sound.options, ring)
    shots = outlined(sound)
    assert {shot.setup for shot in shots} == {"inlet_up", "outlet_up"}
    for shot in shots:
        assert outlines._begun_where_seen(shot, ring, priors) is shot
        teeth = tuple(late(tooth, float(np.radians(by_deg)), shot.turn) for tooth in shot.teeth)
        again = outlines._begun_where_seen(replace(shot, teeth=teeth), ring, priors)
        for before, after in zip(shot.teeth, again.teeth, strict=True):
            off_deg = np.degrees(np.angle(np.exp(1j * (after.start - before.start))))
            assert abs(off_deg) < 3.0
            assert after.angle[0] == 0.0 and (np.diff(after.angle) > 0).all()
            inside = before.angle < np.radians(by_deg)
            at = before.angle[inside] + shot.turn * (before.start - after.start)
            np.testing.assert_allclose(np.interp(at, after.angle, after.height), before.height[inside], atol=2.5)


@pytest.mark.parametrize(("by_deg", "moved"), [(2.0, False), (8.0, True)])
def test_an_outline_that_begins_early_begins_where_the_ends_are(
    sound: Measurement, ring: Ring, by_deg: float, moved: bool
) -> None:
    priors = priors_of(sound.camera, sound.options, ring)
    for shot in outlined(sound):
        teeth = tuple(tooth.begun_earlier(float(np.radians(by_deg)), shot.turn) for tooth in shot.teeth)
        early = replace(shot, teeth=teeth)
        again = outlines._begun_where_seen(early, ring, priors)
        assert (again is not early) is moved
        if not moved:
            continue
        for before, after in zip(shot.teeth, again.teeth, strict=True):
            off_deg = np.degrees(np.angle(np.exp(1j * (after.start - before.start))))
            assert abs(off_deg) < 3.0
            assert after.angle[0] == 0.0 and (np.diff(after.angle) > 0).all()
            at = before.angle + shot.turn * (before.start - after.start)
            within = at > 0
            np.testing.assert_allclose(
                np.interp(at, after.angle, after.height)[within], before.height[within], atol=1.0
            )


def test_one_end_where_the_outline_begins_is_not_enough(
    sound: Measurement, ring: Ring, monkeypatch: pytest.MonkeyPatch
) -> None:
    priors, shot = priors_of(sound.camera, sound.options, ring), outlined(sound)[0]
    teeth = tuple(late(tooth, float(np.radians(14.0)), shot.turn) for tooth in shot.teeth)
    late_shot, near_mm = replace(shot, teeth=teeth), OUTLINES.end_search_mm[0]
    measure_ends: Any = blade_ends.measure_ends

    for blades, moved in ((1, True), (2, False)):

        def seen(*of: Any, near: int = blades) -> EndPoints:
            ends = measure_ends(*of[:5], OUTLINES.end_search_mm[1])
            few = (ends.blade < near) & (ends.end == 0) | (of[5] > near_mm)
            return replace(ends, **{f.name: getattr(ends, f.name)[few] for f in fields(ends)})

        monkeypatch.setattr(blade_ends, "measure_ends", seen)
        assert (outlines._begun_where_seen(late_shot, ring, priors) is not late_shot) is moved


def test_ends_that_are_not_alike_move_no_outline(
    sound: Measurement, ring: Ring, monkeypatch: pytest.MonkeyPatch
) -> None:
    priors, shot = priors_of(sound.camera, sound.options, ring), outlined(sound)[0]
    teeth = tuple(
        late(t, float(np.radians(by)), shot.turn) for t, by in zip(shot.teeth, (11.0, 19.0, 14.0), strict=True)
    )
    uneven = replace(shot, teeth=teeth)
    assert outlines._begun_where_seen(uneven, ring, priors) is uneven


@pytest.mark.slow
@pytest.mark.parametrize(("seed", "overlap"), [(811, 0.75), (814, 0.93)])
def test_blades_that_do_not_overlap_end_where_paper_shows(tmp_path: Path, seed: int, overlap: float) -> None:
    found, true = rendered(tmp_path, seed, overlap=overlap)
    wrap_deg = [blade["wrap_deg"] for blade in true["blades"]]
    assert max(wrap_deg) < 360 / len(wrap_deg)
    for shot in outlined(found):
        for tooth in shot.teeth:
            assert tooth.whole
            assert np.degrees(tooth.angle[-1]) == pytest.approx(np.mean(wrap_deg), abs=4.0)
            assert (np.diff(tooth.angle) > 0).all() and len(tooth.angle) == len(tooth.height)
    found_deg = np.degrees(np.diff(found.result.state.rotor.ends, axis=1)[:, 0])
    np.testing.assert_allclose(found_deg, wrap_deg, atol=3.0)


def test_blades_that_overlap_end_nowhere(sound: Measurement, ring: Ring) -> None:
    """Nothing that looks like a lower end is alike from blade to blade; were it so, it would be taken for one."""
    priors, shots = priors_of(sound.camera, sound.options, ring), outlined(sound)
    assert outlines._ended(shots, ring, priors) == shots
    assert not any(tooth.whole for shot in shots for tooth in shot.teeth)


@pytest.mark.parametrize(("seen", "wrap_rad"), [(1.68, 1.7), (1.3, None)])
def test_most_lower_ends_must_be_alike(
    sound: Measurement, ring: Ring, monkeypatch: pytest.MonkeyPatch, seen: float, wrap_rad: float | None
) -> None:
    """Four of six are enough, wherever the others lie; three are not."""
    priors, shots = priors_of(sound.camera, sound.options, ring), outlined(sound)
    answers: Any = iter([np.array([1.7, 1.73, 1.2]), np.array([1.71, seen, 2.0])])
    monkeypatch.setattr(outlines, "_wraps_seen", lambda *_: next(answers))
    for shot in outlines._ended(shots, ring, priors):
        assert [tooth.whole for tooth in shot.teeth] == [wrap_rad is not None] * 3
        if wrap_rad is not None:
            ends = [float(tooth.angle[-1]) for tooth in shot.teeth]
            assert ends == pytest.approx([(1.7 + 1.71) / 2] * 3)
