"""Start poses: straight above, oblique, and the false twin of a plane."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from seeds import generator

from bladeangle.base.errors import RingNotFoundError
from bladeangle.imaging.pose import Pose, start_pose
from bladeangle.imaging.ring import Ring, RingSighting, ring_from_dict
from tests.synthetic import CameraModel, CameraPose, ring_definition

LENS = CameraModel()
CAMERA = np.array([LENS.f_px, LENS.cx_px, LENS.cy_px, *LENS.dist])


def ring() -> Ring:
    return ring_from_dict(ring_definition())


def sighting(view: CameraPose, keep: slice = slice(None), noise_px: float = 0.0, seed: int = 0) -> RingSighting:
    """The ring's corners through the renderer's camera."""
    corners = ring().corners_mm
    flat = np.column_stack([corners.reshape(-1, 2), np.zeros(4 * len(corners))])
    px = LENS.project(view.to_camera(flat))[0].reshape(corners.shape)
    px = px + generator(seed).normal(0, noise_px, px.shape) if noise_px else px
    none, points = np.zeros(0, int), np.zeros((0, 2))
    seen = np.arange(len(corners))[keep]
    return RingSighting(none, none, np.zeros(0), points, points, np.zeros(0), seen, px[keep], 0.8, 0.5, 0.7)


def off_deg(pose: Pose, view: CameraPose) -> float:
    """Angle of the rotation between a pose and the truth."""
    cosine = (np.trace(pose.r_camera_ring @ np.array(view.R).T) - 1) / 2
    return float(np.degrees(np.arccos(np.clip(cosine, -1, 1))))


@pytest.mark.parametrize("roll_deg", [0.0, 77.0, 180.0, -90.0])
@pytest.mark.parametrize(("eye", "target"), [
    ((0, 0, 320), (0, 0, 0)),  # exactly frontal: the two solutions are one
    ((0.01, 0, 320), (0, 0, 0)),
    ((4, -7, 300), (2, 3, 0)),
    ((25, 0, 320), (0, 0, 0)),
    ((250, 60, 260), (3, -4, 15)),
    ((-180, 220, 240), (0, 0, 15)),
])  # fmt: skip
def test_exact_corners_give_the_exact_pose(eye, target, roll_deg):
    view = CameraPose.looking(np.array(eye, float), np.array(target, float), roll_deg)
    pose = start_pose(sighting(view), ring(), CAMERA)
    assert off_deg(pose, view) < 1e-3
    np.testing.assert_allclose(pose.t_camera_ring_mm, view.t_mm, atol=2e-3)
    np.testing.assert_allclose(pose.eye_mm, view.eye_mm, atol=5e-3)
    assert 0 <= pose.rms_px < 1e-3
    assert pose.obliquity_deg == pytest.approx(np.degrees(np.arctan2(np.hypot(*eye[:2]), eye[2])), abs=0.01)


def test_obliquity_is_the_eyes():
    straight = start_pose(sighting(CameraPose.looking(np.array([0, 0, 300.0]), np.zeros(3))), ring(), CAMERA)
    slanted = start_pose(sighting(CameraPose.looking(np.array([300.0, 0, 300.0]), np.zeros(3))), ring(), CAMERA)
    assert 0 <= straight.obliquity_deg < 0.01
    assert slanted.obliquity_deg == pytest.approx(45.0, abs=0.01)


@pytest.mark.parametrize("slant_deg", [8.0, 15.0, 30.0])
def test_the_false_twin_is_told_from_the_true_pose(slant_deg):
    """The mirrored tilt fits a plane nearly as well: noise must not make it the answer."""
    a = np.radians(slant_deg)
    for seed in range(6):
        view = CameraPose.looking(330 * np.array([np.sin(a), 0, np.cos(a)]), np.zeros(3), 40.0 * seed)
        pose = start_pose(sighting(view, noise_px=0.3, seed=seed), ring(), CAMERA)
        assert off_deg(pose, view) < 0.2
        assert pose.rms_px == pytest.approx(0.3 * np.sqrt(2), rel=0.2)


def test_part_of_the_ring_is_enough():
    view = CameraPose.looking(np.array([120.0, -60.0, 300.0]), np.array([0, 0, 15.0]), 20.0)
    pose = start_pose(sighting(view, slice(0, 7), noise_px=0.05), ring(), CAMERA)
    assert off_deg(pose, view) < 0.2
    np.testing.assert_allclose(pose.eye_mm, view.eye_mm, atol=1.5)


def test_the_sheet_from_behind_is_no_pose():
    """Corners mirrored left to right fit only a camera under the sheet."""
    view = CameraPose.looking(np.array([60.0, 20.0, 300.0]), np.zeros(3))
    seen = sighting(view)
    mirrored = seen.corners_px * [-1, 1] + [2 * LENS.cx_px, 0]
    with pytest.raises(RingNotFoundError, match=r"mirrored\.jpg"):
        start_pose(replace(seen, corners_px=mirrored), ring(), CAMERA, "mirrored.jpg")
