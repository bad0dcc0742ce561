"""The ring's definition, and finding it in rendered photographs with exact truth."""

from __future__ import annotations

import copy
import json
from dataclasses import replace

import numpy as np
import pytest
from bounds import largest
from rendered_ring import CALIBRATION, as_photo, encode, light_of, photograph, shot
from seeds import generator

from bladeangle.base.errors import DefinitionError, RingNotFoundError
from bladeangle.base.structure import plain
from bladeangle.imaging.pose import start_pose
from bladeangle.imaging.ring import detect_markers, read_ring, ring_from_dict, ring_to_file, sight_ring, with_check_bar

CAMERA = np.array([1480.0, 806.0, 595.0, 0.03, -0.05, 0.0004, -0.0003, 0.0])


@pytest.fixture(scope="module")
def definition():
    return json.loads((CALIBRATION / "trial-ring.json").read_text())


def test_a_definition_survives_a_round_trip(ring):
    again = ring_from_dict(json.loads(json.dumps(plain(ring_to_file(ring)))))
    np.testing.assert_array_equal(again.corners_mm, ring.corners_mm)
    np.testing.assert_array_equal(again.ids, ring.ids)
    assert (again.name, again.dictionary, again.check_bar_mm) == (ring.name, ring.dictionary, ring.check_bar_mm)
    pieces = replace(ring, pieces=np.repeat([0, 1, 2, 3], 6), check_bar_mm=100.0)
    again = ring_from_dict(json.loads(json.dumps(plain(ring_to_file(pieces)))))
    np.testing.assert_array_equal(again.pieces, pieces.pieces)
    assert again.check_bar_mm == 100.0


def _set(path, value):
    def change(data):
        for key in path[:-1]:
            data = data[key]
        data[path[-1]] = value

    return change


def _five(data):
    data["markers"] = data["markers"][:5]


def _missing(data):
    del data["dictionary"]


def _mirrored(data):
    for marker in data["markers"]:
        marker["corners_mm"] = [[x, -y] for x, y in marker["corners_mm"]]


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (_missing, "dictionary"),
        (_five, "5 markers"),
        (_mirrored, "order"),
        (_set(["units"], "inch"), "not in mm"),
        (_set(["markers", 1, "id"], 0), "different numbers"),
        (_set(["markers", 1, "corners_mm", 0, 0], float("nan")), "corner must be a number"),
        (_set(["markers", 1, "corners_mm", 0, 0], 1e300), "corner must be a number"),
        (_set(["markers", 1, "corners_mm", 0, 0], "12"), "corner must be a number"),
        (_set(["markers", 1, "id"], True), "whole number"),
        (_set(["inner_radius_mm"], 1e9), "out of range"),
        (_set(["outer_radius_mm"], 1001.0), "out of range"),
        (_set(["index_azimuth_deg"], 1e5), "out of range"),
        (_set(["name"], "n" * 201), "at most 200 letters"),
        (_set(["markers", 1, "corners_mm"], [[0, 0], [1, 0]]), "malformed"),
        (_set(["markers", 1], 7), "malformed"),
        (_set(["markers"], None), "malformed"),
        (_set(["dictionary"], "DICT_OF_WORDS"), "does not exist"),
        (_set(["dictionary"], "getPredefinedDictionary"), "does not exist"),
        (_set(["inner_radius_mm"], 130), "out of range"),
        (_set(["inner_radius_mm"], -1), "out of range"),
        (_set(["check_bar_mm"], 1e9), "out of range"),
        (_set(["markers", 2, "corners_mm", 0], [103.7, 90.0]), "square"),
    ],
)
def test_a_wrong_definition_is_refused(definition, change, says):
    data = copy.deepcopy(definition)
    change(data)
    with pytest.raises(DefinitionError, match=says):
        ring_from_dict(data)


@pytest.mark.parametrize("text", ["[]", "null", "3", '"ring"', "{", "[" * 100_000, "\x00"])
def test_a_file_that_is_no_definition_is_refused(tmp_path, text):
    path = tmp_path / "ring.json"
    path.write_text(text)
    with pytest.raises(DefinitionError):
        read_ring(path)
    with pytest.raises(DefinitionError):
        read_ring(tmp_path / "none.json")
    with pytest.raises(DefinitionError):
        read_ring(tmp_path)


def test_the_check_bar_corrects_the_scale(ring):
    bar = replace(ring, check_bar_mm=100.0)
    larger = with_check_bar(bar, 100.7)
    np.testing.assert_allclose(larger.corners_mm, 1.007 * ring.corners_mm)
    assert larger.inner_radius_mm == pytest.approx(1.007 * ring.inner_radius_mm)
    assert larger.check_bar_mm == 100.7
    for wrong in (10.07, 50.0, 94.9, 105.1, 150.0, 1007.0):
        with pytest.raises(DefinitionError, match="nominal 100 mm"):
            with_check_bar(bar, wrong)
    assert (with_check_bar(bar, 95.1).check_bar_mm, with_check_bar(bar, 104.9).check_bar_mm) == (95.1, 104.9)
    with pytest.raises(DefinitionError, match="does not fit"):
        with_check_bar(bar, float("nan"))
    with pytest.raises(DefinitionError, match="no check bar"):
        with_check_bar(ring, 100.0)


def _side_errors(seen, ring, sighting):
    """Distance of sighted points from the true sides along their normals, px."""
    corners = ring.corners_mm[sighting.marker]
    rows = np.arange(len(corners))
    start, end = corners[rows, sighting.side], corners[rows, (sighting.side + 1) % 4]
    place = start + sighting.fraction[:, None] * (end - start)
    true = seen.px(np.column_stack([place, np.zeros(len(place))]))
    return ((sighting.px - true) * sighting.normal).sum(1)


@pytest.mark.parametrize(
    ("tilt", "azimuth", "roll", "blur"), [(2, 30, 20, 0.8), (25, 200, 75, 0.8), (45, 100, 0, 1.0), (30, -60, 140, 1.5)]
)
def test_sides_and_corners_are_found_to_a_few_hundredths(ring, tilt, azimuth, roll, blur):
    seen = shot(CAMERA, tilt, azimuth, 380.0, roll_deg=roll)
    sighting = sight_ring(photograph(ring, seen, blur_px=blur, noise=0.03), ring)
    assert len(sighting.seen) >= len(ring.ids) - (tilt > 40)  # far off, a marker may be too small for its noise
    true = seen.px(np.column_stack([ring.corners_mm.reshape(-1, 2), np.zeros(4 * len(ring.ids))])).reshape(-1, 4, 2)
    error = sighting.corners_px - true[sighting.seen]
    rms = np.sqrt((error**2).mean())
    assert np.abs(error.mean((0, 1))).max() < largest(2) * rms / np.sqrt(error[..., 0].size)
    assert rms < 0.08
    along = _side_errors(seen, ring, sighting)
    assert abs(along.mean()) < 0.015
    assert along.std() < 0.08
    assert 0.7 < 1.4826 * np.median(np.abs(along / sighting.sigma_px)) < 1.3
    assert sighting.blur_px == pytest.approx(blur, rel=0.15)
    assert sighting.paper == pytest.approx(0.65, abs=0.03)
    assert sighting.contrast == pytest.approx(0.62, abs=0.06)
    np.testing.assert_allclose(np.hypot(*sighting.normal.T), 1.0, atol=1e-9)
    centre = sighting.corners_px.mean(1)[np.searchsorted(sighting.seen, sighting.marker)]
    assert (((sighting.px - centre) * sighting.normal).sum(1) > 0).all()


@pytest.mark.parametrize(("tilt", "azimuth"), [(0, 0), (1, 40), (20, 10), (50, 250)])
def test_the_start_pose_is_the_true_one(ring, tilt, azimuth):
    seen = shot(CAMERA, tilt, azimuth, roll_deg=33)
    pose = start_pose(sight_ring(photograph(ring, seen), ring), ring, CAMERA)
    assert pose.rms_px < 0.12
    assert np.linalg.norm(pose.eye_mm + seen.rotation.T @ seen.shift) < 0.5
    assert pose.obliquity_deg == pytest.approx(tilt, abs=0.1)
    angle = np.degrees(np.arccos(np.clip((np.trace(pose.r_camera_ring.T @ seen.rotation) - 1) / 2, -1, 1)))
    assert angle < 0.1


def test_hidden_markers_are_left_out(ring):
    hidden = (0, 1, 2, 3, 8, 9, 15, 20)
    sighting = sight_ring(photograph(ring, shot(CAMERA, 10), hidden=hidden), ring)
    assert sighting.seen.tolist() == [k for k in range(24) if k not in hidden]


def test_a_covered_corner_does_not_pull(ring):
    """A dark strip over part of some markers: their points there are rejected or the marker is left out."""
    seen = shot(CAMERA, 5, 60)
    light = light_of(ring, seen)
    corner = seen.px(np.array([[115.0, 9.0, 0.0]]))[0].astype(int)
    light[corner[1] - 20 : corner[1] + 8, corner[0] - 12 : corner[0] + 12] = 0.03
    sighting = sight_ring(as_photo(encode(light, noise=0.01, rng=generator(2))), ring)
    assert len(sighting.seen) >= 23
    assert np.abs(_side_errors(seen, ring, sighting)).max() < 0.4


def test_too_few_markers_are_refused(ring):
    with pytest.raises(RingNotFoundError, match=r"rendered.png: 5 markers of the ring are seen, at least 6"):
        sight_ring(photograph(ring, shot(CAMERA, 5), hidden=tuple(range(5, 24))), ring)


@pytest.mark.parametrize("level", [0.0, 0.02, 0.65, 1.0])
def test_a_picture_without_ring_is_refused(ring, level):
    blank = encode(np.full((1200, 1600), level), noise=0.02, rng=generator(3))
    with pytest.raises(RingNotFoundError, match="0 markers"):
        sight_ring(as_photo(blank), ring)


def test_a_mirrored_picture_is_named(ring):
    flipped = photograph(ring, shot(CAMERA, 5)).encoded[:, ::-1]
    with pytest.raises(RingNotFoundError, match="mirrored"):
        sight_ring(as_photo(np.ascontiguousarray(flipped)), ring)


def test_two_rings_are_named(ring):
    one = shot(CAMERA, 0, distance_mm=640.0, target_mm=(140.0, 0.0))
    other = shot(CAMERA, 0, distance_mm=640.0, target_mm=(-140.0, 0.0))
    light = np.minimum(light_of(ring, one), light_of(ring, other))
    with pytest.raises(RingNotFoundError, match="more than one ring"):
        sight_ring(as_photo(encode(light)), ring)


def test_another_dictionary_is_not_found(ring):
    with pytest.raises(RingNotFoundError):
        sight_ring(photograph(ring, shot(CAMERA, 5)), replace(ring, dictionary="DICT_4X4_50"))


def test_noise_and_blur_widen_the_sigma(ring):
    seen = shot(CAMERA, 10)
    sharp = sight_ring(photograph(ring, seen, noise=0.005), ring)
    rough = sight_ring(photograph(ring, seen, noise=0.04, blur_px=2.0), ring)
    assert np.median(rough.sigma_px) > 2 * np.median(sharp.sigma_px)
    z = _side_errors(seen, ring, rough) / rough.sigma_px
    assert 0.6 < 1.4826 * np.median(np.abs(z)) < 1.5


def test_detection_gives_rough_corners_of_a_large_picture(ring):
    """Detection runs on a reduced picture; its corners are good to a pixel or two of the full one."""
    big = np.array([2952.0, 1980.0, 1490.0, 0, 0, 0, 0, 0])
    seen = shot(big, 20, width=4000, height=3000)
    photo = photograph(ring, seen, blur_px=1.2)
    found, corners = detect_markers(photo, ring)
    true = seen.px(np.column_stack([ring.corners_mm.reshape(-1, 2), np.zeros(96)])).reshape(-1, 4, 2)
    assert len(found) == 24
    assert np.abs(corners - true[found]).max() < 4.0
    sighting = sight_ring(photo, ring)
    assert np.sqrt(((sighting.corners_px - true) ** 2).mean()) < 0.05
