"""The look at a photograph just taken: each fault is named, and a good picture passes."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache

import cv2
import numpy as np
import pytest
from click.testing import CliRunner
from rendered_ring import CALIBRATION, as_photo, encode, light_of, shot, trial_ring
from seeds import generator

from bladeangle.cli.main import main
from bladeangle.imaging.camera import Camera, write_camera
from bladeangle.imaging.photo import Exif
from bladeangle.pipeline.check import VERDICTS, check_photo

PARAMETERS = np.array([1480.0, 806.0, 595.0, 0.03, -0.05, 0.0004, -0.0003, 0.0])
CAMERA = Camera("bench", 1600, 1200, PARAMETERS, np.eye(8) * 1e-6)


def sector(radius_mm, start_deg, stop_deg):
    """Outline (n, 2) mm of a sector of a disc."""
    azimuth = np.radians(np.linspace(start_deg, stop_deg, 181))
    rim = radius_mm * np.stack([np.cos(azimuth), np.sin(azimuth)], 1)
    return np.vstack([[0.0, 0.0], rim])


def paint(light, seen, outline_mm, value):
    """The light with a flat shape on the sheet."""
    px = seen.px(np.column_stack([outline_mm, np.zeros(len(outline_mm))]))
    mask = cv2.fillPoly(np.zeros(light.shape, np.uint8), [np.rint(px).astype(np.int32)], 1)
    return np.where(mask, value, light)


@cache
def drawn(tilt, azimuth, distance, rotor, more):
    """The shot, and the light of the trial ring with a plain turned disc in it: many tests ask for the very same."""
    seen = shot(PARAMETERS, tilt, azimuth, distance, roll_deg=10)
    light = light_of(trial_ring(), seen, **dict(more))
    if rotor:
        for radius in np.arange(82.0, 20.0, -4.0):
            light = paint(light, seen, sector(radius, 0, 360), 0.25 + 0.1 * np.cos(radius / 9.0))
    light.flags.writeable = False
    return seen, light


def taken(tilt=2.0, azimuth=40.0, distance=350.0, *, change=None, rotor=True, exif=None, gain=1.0, **more):
    """A photograph of the ring; `change(light, seen)` spoils it."""
    seen, light = drawn(tilt, azimuth, distance, rotor, tuple(more.items()))
    if change is not None:
        light = change(light, seen)
    return as_photo(encode(light * gain, noise=0.01, rng=generator(1)), "shot.png", exif)


def line(check, what):
    return next(entry for entry in check.lines if entry.what == what)


def test_a_good_photograph_passes(ring):
    check = check_photo(taken(), ring, CAMERA)
    assert check.verdict == "good", check.lines
    assert all(entry.advice == "" for entry in check.lines)
    values = check.values
    assert values["paper_unevenness"] is not None
    assert values["markers"] == 24
    assert values["tilt_deg"] == pytest.approx(2.0, abs=0.1)
    assert values["distance_mm"] == pytest.approx(350.0, abs=0.5)
    assert values["scale_px_per_mm"] == pytest.approx(1480 / 350, rel=0.02)
    assert values["blur_px"] == pytest.approx(0.9, rel=0.15)
    assert values["paper_level"] == pytest.approx(0.65, abs=0.01)
    assert values["paper_unevenness"] > 0.97
    assert values["tips_clipped_share"] == 0
    assert values["rotor_seen"] is True


def test_the_bare_sheet_is_told(ring):
    check = check_photo(taken(25, rotor=False), ring, CAMERA)
    assert check.values["rotor_seen"] is False
    assert "no rotor" in line(check, "tips").seen
    assert line(check, "place").verdict == "good"
    assert line(check_photo(taken(25), ring, CAMERA), "place").verdict == "usable"


@pytest.mark.parametrize(("blur", "verdict"), [(1.0, "good"), (2.0, "usable"), (3.6, "retake")])
def test_blur(ring, blur, verdict):
    large = taken(distance=300.0, blur_px=blur)
    check = check_photo(large, ring, CAMERA)
    assert line(check, "sharpness" if check.values["markers"] else "ring").verdict == verdict


def test_a_shaken_phone_is_told_from_a_soft_lens(ring):
    def shake(light, _):
        return cv2.blur(light, (9, 1))

    check = check_photo(taken(change=shake), ring, CAMERA)
    assert "the phone moved" in line(check, "sharpness").advice.lower()
    along, across = check.values["blur_along_px"], check.values["blur_across_px"]
    assert along is not None and across is not None and along > 1.7 * across
    soft = check_photo(taken(blur_px=2.2), ring, CAMERA)
    assert "focus" in line(soft, "sharpness").advice


@pytest.mark.parametrize(
    ("gain", "verdict", "says"),
    [(1.0, "good", ""), (0.35, "usable", "light"), (0.1, "retake", "light"), (1.6, "retake", "Expose")],
)
def test_exposure(ring, gain, verdict, says):
    entry = line(check_photo(taken(gain=gain), ring, CAMERA), "exposure")
    assert entry.verdict == verdict
    assert says in entry.advice


def test_a_hard_shadow_is_told(ring):
    def shadow(light, _):
        light = light.copy()
        light[:, 1000:] *= 0.3
        return light

    check = check_photo(taken(change=shadow), ring, CAMERA)
    assert line(check, "light").verdict == "usable"
    assert check.values["paper_unevenness"] == pytest.approx(0.3, abs=0.03)


@pytest.mark.parametrize(("degrees", "verdict"), [(0, "good"), (40, "usable"), (120, "retake")])
def test_glare_on_the_tips(ring, degrees, verdict):
    def glare(light, seen):
        if not degrees:
            return light
        bright = paint(light, seen, sector(105, 0, degrees), 1.0)
        return paint(bright, seen, sector(70, 0, degrees), 0.3)

    entry = line(check_photo(taken(change=glare), ring, CAMERA, diameter_mm=160.0), "tips")
    assert entry.verdict == verdict
    assert ("lamp" in entry.advice) == (verdict != "good")


def test_hidden_markers(ring):
    few = check_photo(taken(hidden=tuple(range(4))), ring, CAMERA)
    assert few.values["markers_hidden"] == 4
    assert line(few, "ring").verdict == "usable"
    assert "4 hidden" in line(few, "ring").seen
    half = check_photo(taken(hidden=tuple(range(13))), ring, CAMERA)
    assert line(half, "ring").verdict == "retake"
    slanted = check_photo(taken(45, hidden=tuple(range(6))), ring, CAMERA)
    assert line(slanted, "ring").verdict == "good"


def test_markers_outside_the_picture(ring):
    check = check_photo(taken(distance=250.0), ring, CAMERA)
    assert (check.values["markers_cut_off"] or 0) > 3
    assert check.values["markers_hidden"] == 0
    assert "Step back" in line(check, "ring").advice


@pytest.mark.parametrize(
    ("tilt", "verdict"), [(0.5, "good"), (9, "good"), (20, "usable"), (45, "good"), (64, "usable")]
)
def test_the_place(ring, tilt, verdict):
    check = check_photo(taken(tilt, distance=420.0), ring, CAMERA)
    assert line(check, "place").verdict == verdict
    assert check.values["tilt_deg"] == pytest.approx(tilt, abs=0.2)


def test_too_far_away(ring):
    check = check_photo(taken(distance=640.0), ring, CAMERA)
    assert line(check, "scale").verdict == "retake"


@pytest.mark.parametrize(("level", "says"), [(0.005, "too dark"), (1.0, "too bright"), (0.5, "whole ring")])
def test_without_ring(ring, level, says):
    blank = as_photo(encode(np.full((1200, 1600), level)), "blank.png")
    check = check_photo(blank, ring, CAMERA)
    assert check.verdict == "retake"
    assert check.values["markers"] == 0
    assert says in line(check, "ring").advice


def test_zoom_and_another_size(ring):
    zoomed = check_photo(taken(exif=Exif(digital_zoom=2.0)), ring, CAMERA)
    assert line(zoomed, "zoom").verdict == "retake"
    resized = check_photo(taken(), ring, replace(CAMERA, width=3200, height=2400))
    assert line(resized, "size").verdict == "retake"
    assert resized.values["markers"] == 24


def test_without_camera_file_the_place_is_rough(ring):
    check = check_photo(taken(), ring)
    assert check.verdict == "good"
    assert check.values["distance_mm"] == pytest.approx(350, rel=0.25)


@pytest.mark.parametrize("seed", range(3))
def test_the_verdict_is_the_worst_line(ring, seed):
    rng = generator(seed)
    check = check_photo(taken(rng.uniform(0, 50), gain=rng.uniform(0.2, 1.3), blur_px=rng.uniform(0.8, 2)), ring)
    assert check.verdict == VERDICTS[max(VERDICTS.index(entry.verdict) for entry in check.lines)]


def _run(*words):
    return CliRunner().invoke(main, ["check", *map(str, words), "--ring", str(CALIBRATION / "trial-ring.json")])


def test_the_command(ring, tmp_path):
    good, dark, blank = tmp_path / "good.png", tmp_path / "dark.png", tmp_path / "blank.png"
    cv2.imwrite(str(good), taken().encoded)
    cv2.imwrite(str(dark), taken(gain=0.1).encoded)
    cv2.imwrite(str(blank), np.full((1200, 1600), 180, np.uint8))
    write_camera(CAMERA, tmp_path / "phone.json")
    run = _run(good, "--camera", tmp_path / "phone.json")
    assert run.exit_code == 0, run.output
    assert run.stdout.startswith("good.png: good, go on\n")
    assert "24 of 24 markers" in run.stdout
    run = _run(good, dark, "--camera", tmp_path / "phone.json")
    assert run.exit_code == 10
    assert "dark.png: take it again" in run.stdout
    run = _run(blank, "--json")
    assert run.exit_code == 5
    (entry,) = json.loads(run.stdout)
    assert entry["verdict"] == "retake"
    assert entry["values"]["markers"] == 0
    run = _run(good, "--json")
    (entry,) = json.loads(run.stdout)
    assert {"what", "verdict", "seen", "advice"} == set(entry["lines"][0])
    for words, expected in (([tmp_path / "none.jpg"], 3), ([good, "--camera", tmp_path / "none.json"], 4)):
        with pytest.raises(SystemExit) as stop:
            main.main(["check", *map(str, words), "--ring", str(CALIBRATION / "trial-ring.json")])
        assert stop.value.code == expected
