"""The camera file: what is written is read again, what is wrong is refused."""

from __future__ import annotations

import copy
import json

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from seeds import generator

from bladeangle.base.errors import DefinitionError, OutputError
from bladeangle.base.structure import plain
from bladeangle.imaging.camera import (
    Camera,
    camera_from_dict,
    camera_from_exif,
    camera_to_file,
    read_camera,
    write_camera,
)


def a_camera() -> Camera:
    values = np.array([2952.0, 2021.4, 1506.2, 0.042, -0.071, 0.0004, -0.0003, 0.0])
    root = generator(1).normal(size=(8, 8)) * np.array([2, 1, 1, 1e-3, 5e-3, 3e-5, 3e-5, 1e-2])
    return Camera("bench phone", 4032, 3024, values, root.T @ root, True, {"from": "calibration", "photos": []})


def test_a_camera_survives_a_round_trip(tmp_path):
    camera, path = a_camera(), tmp_path / "camera.json"
    write_camera(camera, path)
    again = read_camera(path)
    np.testing.assert_array_equal(again.parameters, camera.parameters)
    np.testing.assert_allclose(again.covariance, camera.covariance, rtol=1e-12)
    assert (again.name, again.width, again.height, again.calibrated) == ("bench phone", 4032, 3024, True)
    assert again.provenance == camera.provenance


def _set(path, value):
    def change(data):
        for key in path[:-1]:
            data = data[key]
        data[path[-1]] = value

    return change


def _alike(correlation):
    """Focal length and centre correlated by so much: by one they are one error, by more they are none."""

    def change(data):
        c = data["covariance"]
        for k in range(2, 8):
            c[0][k] = c[k][0] = c[1][k] = c[k][1] = 0.0
        c[0][1] = c[1][0] = correlation * (c[0][0] * c[1][1]) ** 0.5

    return change


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (_set(["schema"], "bladeangle-camera/9"), "not a bladeangle-camera/1"),
        (_set(["colour"], "red"), "unknown key 'colour'"),
        (_set(["parameters", "k4"], 0.0), "unknown key 'k4' in parameters"),
        (_set(["parameters", "f_px"], float("nan")), "f_px must be a number"),
        (_set(["parameters", "f_px"], 1e300), "f_px must be a number"),
        (_set(["parameters", "f_px"], 29.0), "does not fit a picture"),
        (_set(["parameters", "f_px"], 81_000.0), "does not fit a picture"),  # 20.1 times the longer side
        (_set(["parameters", "f_px"], "long"), "f_px must be a number"),
        (_set(["parameters", "f_px"], True), "f_px must be a number"),
        (_set(["parameters", "cx_px"], 1e8), "cx_px must be|far from the middle"),
        (_set(["parameters", "cx_px"], 900.0), "far from the middle"),
        (_set(["parameters", "cy_px"], 2500.0), "far from the middle"),
        (_set(["parameters", "k1"], 1e5), "distortion"),
        (_set(["parameters", "k1"], -0.6), "distortion"),
        (_set(["parameters", "p1"], 0.3), "distortion"),
        (_set(["parameters"], []), "malformed"),
        (_set(["covariance"], [[1.0]]), "8 x 8"),
        (_set(["covariance", 0], [1.0]), "8 x 8"),
        (_set(["covariance"], [[0.0] * 8] * 8), "not positive definite"),
        (_set(["covariance", 0, 0], 9e6), "far too large"),
        (_set(["covariance", 5, 5], 200.0), "far too large"),
        (_set(["covariance", 1, 1], 4033.0**2), "far too large"),
        (_set(["covariance", 2, 2], 4033.0**2), "far too large"),
        (_set(["covariance", 0, 1], 5.0), "symmetric"),
        (_alike(1.0), "positive definite"),
        (_alike(1.5), "positive definite"),
        (_set(["covariance", 0, 0], -5.0), "positive"),
        (_set(["covariance", 0, 0], float("inf")), "must be a number"),
        (_set(["width"], 0), "width must be"),
        (_set(["width"], 4032.0), "width must be"),
        (_set(["name"], "n" * 201), "at most 200 letters"),
        (_set(["calibrated"], 1), "true or false"),
        (_set(["width"], 10**400), "width must be"),
        (_set(["provenance"], 7), "malformed"),
    ],
)
def test_a_wrong_camera_is_refused(change, says):
    data = copy.deepcopy(plain(camera_to_file(a_camera())))
    change(data)
    with pytest.raises(DefinitionError, match=says):
        camera_from_dict(data)


@given(
    st.recursive(
        st.none() | st.booleans() | st.floats() | st.text(max_size=5),
        lambda c: st.lists(c, max_size=3) | st.dictionaries(st.text(max_size=5), c, max_size=3),
        max_leaves=8,
    )
)
def test_anything_else_is_refused_too(data):
    with pytest.raises(DefinitionError):
        camera_from_dict(data)
    whole = plain(camera_to_file(a_camera()))
    for key in ("width", "name", "parameters", "covariance", "provenance"):
        try:
            camera_from_dict(whole | {key: data})
        except DefinitionError:
            pass


@pytest.mark.parametrize("text", ["", "[]", "{", "null", "[" * 100_000])
def test_a_file_that_is_no_camera_is_refused(tmp_path, text):
    path = tmp_path / "camera.json"
    path.write_text(text)
    with pytest.raises(DefinitionError):
        read_camera(path)
    with pytest.raises(DefinitionError):
        read_camera(tmp_path / "missing.json")


def test_a_huge_file_is_not_read(tmp_path):
    path = tmp_path / "camera.json"
    with path.open("wb") as f:
        f.truncate(5_000_000)
    with pytest.raises(DefinitionError, match="larger than 1 MB"):
        read_camera(path)


def test_an_unwritable_place_is_refused(tmp_path):
    with pytest.raises(OutputError):
        write_camera(a_camera(), tmp_path / "no folder" / "camera.json")


def test_exif_gives_the_focal_length_by_the_diagonal():
    """CIPA DC-008 defines the 35 mm-equivalent by the diagonal of 36 x 24 mm: 43.27 mm."""
    camera = camera_from_exif(4032, 3024, 26.0)
    assert camera.parameters[0] == pytest.approx(26.0 / 43.2666 * 5040.0, rel=1e-4)
    np.testing.assert_allclose(camera.parameters[1:3], [2015.5, 1511.5])
    sigma = np.sqrt(np.diag(camera.covariance))
    assert 0.02 < sigma[0] / camera.parameters[0] < 0.06
    assert not camera.calibrated
    turned = camera_from_exif(3024, 4032, 26.0)
    assert turned.parameters[0] == camera.parameters[0]


def test_without_exif_the_uncertainty_is_wider():
    known, unknown = camera_from_exif(4032, 3024, 26.0), camera_from_exif(4032, 3024, None)
    assert unknown.covariance[0, 0] == pytest.approx(16 * known.covariance[0, 0])
    assert json.loads(json.dumps(plain(camera_to_file(unknown))))["provenance"] == {"from": "assumption"}


def test_a_camera_of_a_reduced_picture_sees_the_same():
    """Four file pixels become one whose centre is half a pixel beyond the first one's: by OpenCV's projection."""
    points = np.array([[[20.0, -35.0, 300.0]], [[-80.0, 60.0, 350.0]], [[5.0, 90.0, 280.0]]])
    camera = a_camera()

    def seen(of):
        f, cx, cy = of.parameters[:3]
        matrix = np.array([[f, 0, cx], [0, f, cy], [0, 0, 1]])
        return cv2.projectPoints(points, np.zeros(3), np.zeros(3), matrix, of.parameters[3:])[0][:, 0]

    for factor in (2, 3):
        small = camera.reduced(factor)
        np.testing.assert_allclose(factor * seen(small) + (factor - 1) / 2, seen(camera), atol=1e-9)
        assert (small.width, small.height) == (4032 // factor, 3024 // factor)
        sigma, smaller = np.sqrt(np.diag(camera.covariance)), np.sqrt(np.diag(small.covariance))
        np.testing.assert_allclose(smaller / sigma, [1 / factor] * 3 + [1] * 5)
        np.testing.assert_allclose(small.reduced(1 / factor).parameters, camera.parameters, rtol=1e-12)
    assert camera.worked() is camera
    assert camera.reduced(1 / 2).worked().width == 4032
