"""Judgement of single photographs: good ones pass, each fault has its flag or refusal, and it costs little."""

from __future__ import annotations

import time
from dataclasses import replace
from functools import cache
from typing import Any

import cv2
import numpy as np
import pytest
from rendered_ring import Array, as_photo, encode, light_of, shot, trial_ring
from seeds import generator

from bladeangle.base.errors import PhotoError, RingNotFoundError
from bladeangle.base.flags import Flag
from bladeangle.imaging import quality
from bladeangle.imaging.camera import Camera
from bladeangle.imaging.photo import Exif, Photo
from bladeangle.imaging.pose import start_pose
from bladeangle.imaging.ring import Ring, sight_ring
from bladeangle.tuning.imaging import QUALITY

PARAMETERS = np.array([1480.0, 806.0, 595.0, 0.03, -0.05, 0.0004, -0.0003, 0.0])
CAMERA = Camera("bench", 1600, 1200, PARAMETERS, np.eye(8) * 1e-6)


@cache
def encoded(tilt: float, distance: float, gain: float, shake: tuple[int, int] | None, more: Any) -> Any:
    """Grey values of the trial ring: many tests ask for the very same."""
    light: Array = light_of(trial_ring(), shot(PARAMETERS, tilt, 40.0, distance, roll_deg=10.0), **dict(more))
    if shake is not None:
        light = cv2.blur(light, shake)
    return encode(light * gain, noise=0.01, rng=generator(1))


def taken(
    tilt: float = 2.0, *, distance: float = 330.0, gain: float = 1.0, shake: tuple[int, int] | None = None,
    exif: Exif | None = None, **more: Any,
) -> Photo:  # fmt: skip
    return as_photo(encoded(tilt, distance, gain, shake, tuple(more.items())).copy(), "shot.jpg", exif)


def judged(photo: Photo, ring: Ring, camera: Camera | None = CAMERA, used: Ring | None = None) -> list[Flag]:
    """Flags of a photograph of `ring` that is taken for one of `used`."""
    used = used or ring
    sighting = sight_ring(photo, used)
    return quality.judge(photo, sighting, used, camera, start_pose(sighting, used, PARAMETERS))


def codes(flags: list[Flag]) -> list[str]:
    return [flag.code for flag in flags]


@pytest.mark.parametrize("tilt", [1.0, 12.0, 45.0])
def test_a_good_photograph_has_no_flag(ring: Ring, tilt: float) -> None:
    assert judged(taken(tilt, distance=380.0), ring) == []
    assert judged(taken(tilt, distance=380.0), ring, None) == []


def test_every_flag_names_the_photograph(ring: Ring) -> None:
    (flag,) = judged(taken(gain=0.12), ring)
    assert (flag.code, flag.photo) == ("exposure-low", "shot.jpg")


@pytest.mark.parametrize(("blur", "expected"), [(0.9, []), (2.0, []), (3.2, ["blur"])])
def test_defocus(ring: Ring, blur: float, expected: list[str]) -> None:
    flags = judged(taken(blur_px=blur, distance=330.0), ring)
    # Strong blur costs some markers too.
    assert [code for code in codes(flags) if code != "ring-partly-hidden"] == expected
    assert all("one way" not in flag.text for flag in flags)


def test_motion_is_told_from_defocus(ring: Ring) -> None:
    flags = judged(taken(shake=(9, 1)), ring)
    # It may cost some markers too, and look uneven over the rest.
    assert set(codes(flags)) - {"ring-partly-hidden", "sharpness-uneven"} == {"blur"}
    assert "one way" in next(flag.text for flag in flags if flag.code == "blur")


def test_blur_beyond_measure_is_refused(ring: Ring) -> None:
    photo = taken()
    sighting = sight_ring(photo, ring)
    smeared = replace(photo, grey=np.asarray(cv2.blur(photo.grey, (1, 21)), np.uint16))
    pose = start_pose(sighting, ring, PARAMETERS)
    with pytest.raises(PhotoError, match=r"too blurred.*moved"):
        quality.judge(smeared, sighting, ring, CAMERA, pose)
    soft = replace(photo, grey=np.asarray(cv2.GaussianBlur(photo.grey, (0, 0), 6.0), np.uint16))
    with pytest.raises(PhotoError, match=r"too blurred.*focus"):
        quality.judge(soft, sighting, ring, CAMERA, pose)


@pytest.mark.parametrize(
    ("gain", "expected"), [(1.0, []), (0.3, []), (0.1, ["exposure-low"]), (1.6, ["exposure-high"])]
)
def test_exposure(ring: Ring, gain: float, expected: list[str]) -> None:
    assert codes(judged(taken(gain=gain), ring)) == expected


def test_darkness_is_refused(ring: Ring) -> None:
    photo = taken()
    sighting = sight_ring(photo, ring)
    dark = replace(photo, grey=(photo.grey * 0.02).astype(np.uint16))
    with pytest.raises(PhotoError, match=r"too dark.*1\.3 %"):
        quality.judge(dark, sighting, ring, CAMERA, start_pose(sighting, ring, PARAMETERS))


@pytest.mark.parametrize(
    ("hidden", "expected"),
    [(range(2), []), (range(4), ["ring-partly-hidden"]), (range(13), ["few-markers"]), (range(0, 24, 2), []),
     ([i for i in range(24) if i % 3], ["few-markers"])],
)  # fmt: skip
def test_hidden_markers(ring: Ring, hidden: Any, expected: list[str]) -> None:
    assert codes(judged(taken(hidden=tuple(hidden)), ring)) == expected


@pytest.mark.parametrize(
    ("hidden", "expected"),
    [(range(6), []), (range(12), ["ring-partly-hidden"]), (range(14), ["ring-partly-hidden"]),
     (range(17), ["few-markers"]), ([i for i in range(24) if i % 4], [])],
)  # fmt: skip
def test_the_far_side_of_an_oblique_photograph_may_be_hidden(ring: Ring, hidden: Any, expected: list[str]) -> None:
    assert codes(judged(taken(45.0, distance=420.0, hidden=tuple(hidden)), ring)) == expected


def test_a_marker_off_its_place_is_told(ring: Ring) -> None:
    moved = ring.corners_mm.copy()
    moved[5, :, 0] += 6.0
    (flag,) = judged(taken(), ring, used=replace(ring, corners_mm=moved))
    assert flag.code == "residuals-high"
    assert f"Marker {ring.ids[5]} lies" in flag.text
    # Half a millimetre is within what taped sheets may be off.
    moved[5, :, 0] -= 5.5
    assert judged(taken(), ring, used=replace(ring, corners_mm=moved)) == []


def test_another_size_is_refused(ring: Ring) -> None:
    other = replace(CAMERA, width=3200, height=2400)
    with pytest.raises(PhotoError, match="1600 x 1200 pixels, the camera file 3200 x 2400"):
        quality.judge_file(taken(), other)
    assert quality.judge_file(taken(), None) == []


@pytest.mark.parametrize("calibrated", [True, False])
@pytest.mark.parametrize("factor", [0.5, 2.0])
def test_a_multiple_of_the_size_is_refused_too(ring: Ring, factor: float, calibrated: bool) -> None:
    """A picture cropped to half its sides has that size as well, and what looks like another distance."""
    other = replace(CAMERA.reduced(factor), calibrated=calibrated)
    with pytest.raises(PhotoError, match=r"is of another size .*: 1600 x 1200 pixels, .* (800 x 600|3200 x 2400)\."):
        quality.judge_file(taken(), other)


def test_digital_zoom(ring: Ring) -> None:
    photo = taken(exif=Exif(digital_zoom=2.0))
    with pytest.raises(PhotoError, match="digital zoom of 2;"):
        quality.judge_file(photo, CAMERA)
    for camera in (None, replace(CAMERA, calibrated=False)):
        assert codes(quality.judge_file(photo, camera)) == ["digital-zoom"]
    assert quality.judge_file(taken(exif=Exif(digital_zoom=1.0)), CAMERA) == []


@pytest.mark.parametrize(
    ("exif", "provenance", "differs"),
    [
        (Exif(), {"phone": "Workshop Bench 1", "focal_35mm": 26}, False),
        (Exif(make="Workshop", model="Bench 1", focal_35mm=26), {"phone": "Workshop Bench 1", "focal_35mm": 26}, False),
        (Exif(make="Workshop", model="Bench 2", focal_35mm=26), {"phone": "Workshop Bench 1", "focal_35mm": 26}, True),
        (Exif(focal_35mm=27), {"focal_35mm": 26}, True),
        # The bench camera's 1480 px are 32 mm by the diagonal; without provenance only another lens is noticed.
        (Exif(focal_35mm=32), {}, False),
        (Exif(focal_35mm=33), {}, False),
        (Exif(focal_35mm=52), {}, True),
        (Exif(focal_35mm=13), {"phone": None, "focal_35mm": None}, True),
    ],
)
def test_another_phone_or_lens(ring: Ring, exif: Exif, provenance: dict[str, Any], differs: bool) -> None:
    flags = quality.judge_file(taken(exif=exif), replace(CAMERA, provenance=provenance))
    assert codes(flags) == ["focal-length-differs"] * differs
    assert all(flag.kind.severity == "doubt" for flag in flags)


def test_a_camera_is_confirmed_by_what_both_files_name() -> None:
    photo = as_photo(np.zeros((1200, 1600), np.uint8), "shot.jpg", Exif(focal_35mm=26))
    silent = as_photo(np.zeros((1200, 1600), np.uint8), "shot.jpg", Exif(make="Workshop", model="Bench 1"))
    known = replace(CAMERA, provenance={"phone": "Workshop Bench 1", "focal_35mm": 26})
    assert quality.tied_to(photo, known)
    assert not quality.tied_to(photo, CAMERA)
    assert not quality.tied_to(silent, known)
    assert quality.tied_to(silent, replace(CAMERA, calibrated=False))
    assert not quality.tied_to(photo, replace(known, provenance={"focal_35mm": 27}))


@pytest.mark.parametrize("method", [cv2.INTER_LINEAR, cv2.INTER_CUBIC])
@pytest.mark.parametrize("zoom", [1.08, 1.15, 1.4])
def test_an_enlarged_picture_is_told_by_its_pixels(ring: Ring, zoom: float, method: int) -> None:
    photo = taken(distance=420.0)
    assert 1.0 < quality.enlargement(photo) < 0.8 * QUALITY.enlarged_line
    h, w = photo.encoded.shape
    y, x = round(h / 2 * (1 - 1 / zoom)), round(w / 2 * (1 - 1 / zoom))
    enlarged = cv2.resize(photo.encoded[y : h - y, x : w - x], (w, h), interpolation=method)
    assert "enlarged" in codes(judged(as_photo(enlarged, "shot.jpg", None), ring))


def test_a_line_along_rows_alone_does_not_look_enlarged() -> None:
    """As a scene may have it; whoever zooms enlarges both ways."""
    values = taken(distance=420.0).encoded
    h, w = values.shape
    wide = cv2.resize(values[:, w // 6 : w - w // 6], (w, h), interpolation=cv2.INTER_LINEAR)
    assert 1.0 < quality.enlargement(as_photo(wide, "shot.jpg", None)) < QUALITY.enlarged_line
    assert 1.0 < quality.enlargement(as_photo(np.ascontiguousarray(wide.T), "shot.jpg", None)) < QUALITY.enlarged_line


@pytest.mark.parametrize("turn_deg", [2.0, 12.0, 30.0])  # at 45 deg rows and columns show one spacing, and it may
def test_a_grid_on_the_bench_does_not_look_enlarged(turn_deg: float) -> None:
    """Lines 21 pixels apart, as of a cutting mat, over everything."""
    values = taken(distance=420.0).encoded
    y, x = np.mgrid[: values.shape[0], : values.shape[1]]
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    line = np.zeros(values.shape)
    for along in (c * x + s * y, c * y - s * x):
        line = np.maximum(line, np.exp(-(((along + 10.5) % 21.0 - 10.5) ** 2) / 2))
    grid = np.clip(values + 60.0 * line - 30.0, 0, 255).astype(np.uint8)
    assert 1.0 < quality.enlargement(as_photo(grid, "shot.jpg", None)) < QUALITY.enlarged_line


@pytest.mark.parametrize("quality_of_file", [30, 50, 90])  # at 20, which is told by itself, it may
def test_compression_alone_does_not_look_enlarged(ring: Ring, quality_of_file: int) -> None:
    photo = taken()
    coded = cv2.imencode(".jpg", photo.encoded, [cv2.IMWRITE_JPEG_QUALITY, quality_of_file])[1]
    again = as_photo(cv2.imdecode(coded, cv2.IMREAD_GRAYSCALE), "shot.jpg", None)
    assert quality.enlargement(again) < QUALITY.enlarged_line


def test_another_lens_by_both_files_is_refused(ring: Ring) -> None:
    known = replace(CAMERA, provenance={"focal_35mm": 26})
    for focal in (13, 28, 52):
        with pytest.raises(PhotoError, match=f"focal length of {focal} mm .35 mm film., the camera file is for 26"):
            quality.judge_file(taken(exif=Exif(focal_35mm=focal)), known)


def test_judging_costs_little(ring: Ring) -> None:
    photo = taken()
    sighting = sight_ring(photo, ring)
    pose = start_pose(sighting, ring, PARAMETERS)
    times = []
    for _ in range(5):
        start = time.process_time()
        quality.judge(photo, sighting, ring, CAMERA, pose)
        times.append(time.process_time() - start)
    assert min(times) < 0.05


@pytest.mark.parametrize("zoom", [1.2, 1.35])
def test_zoomed_from_the_side_is_told_from_another_ring(ring: Ring, zoom: float) -> None:
    """Seen from straight above zoom looks like another distance; from the side the ring is out of shape."""
    photo = taken(45.0, distance=430.0)
    h, w = photo.encoded.shape
    y, x = round(h / 2 * (1 - 1 / zoom)), round(w / 2 * (1 - 1 / zoom))
    closer = cv2.resize(photo.encoded[y : h - y, x : w - x], (w, h), interpolation=cv2.INTER_CUBIC)
    with pytest.raises(RingNotFoundError, match=r"shot\.jpg was zoomed or cropped"):
        judged(as_photo(closer, "shot.jpg", None), ring)
    middle = ring.corners_mm.mean(1, keepdims=True)
    other = replace(ring, corners_mm=middle * 0.95 + (ring.corners_mm - middle) * 0.95**0.5)
    with pytest.raises(RingNotFoundError, match="shows another ring"):
        judged(photo, ring, used=other)
