"""Projection, its derivatives and its inverses."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bladeangle.base import geometry

CAMERA = np.array([2952.0, 2021.4, 1506.2, 0.042, -0.071, 0.0004, -0.0003, 0.02])

angles = st.floats(-3.1, 3.1)
vectors = st.tuples(angles, angles, angles).map(np.array)
cameras = st.tuples(
    st.floats(800, 6000), st.floats(1000, 3000), st.floats(1000, 3000), st.floats(-0.15, 0.15), st.floats(-0.1, 0.1),
    st.floats(-0.002, 0.002), st.floats(-0.002, 0.002), st.floats(-0.05, 0.05),
).map(np.array)  # fmt: skip
seeds = st.integers(0, 2**32 - 1)


def _points(seed: int, n: int = 12) -> np.ndarray:
    """Points (n, 3) in front of the camera, up to 31 degrees off its axis."""
    rng = np.random.default_rng(seed)
    z = rng.uniform(100, 900, n)
    return np.column_stack([rng.uniform(-0.6, 0.6, (n, 2)) * z[:, None], z])


@given(vectors)
def test_rotation_is_rodrigues(vector):
    r = geometry.rotation(vector)
    np.testing.assert_allclose(r, cv2.Rodrigues(vector)[0], atol=1e-12)
    np.testing.assert_allclose(r @ r.T, np.eye(3), atol=1e-14)
    assert np.linalg.det(r) == pytest.approx(1, abs=1e-13)


@pytest.mark.parametrize("size", [0.0, 1e-12, 1e-9, 1e-7, 1e-5])
def test_small_rotations(size):
    v = size * np.array([0.6, -0.48, 0.64])
    np.testing.assert_allclose(geometry.rotation(v), cv2.Rodrigues(v)[0], atol=1e-15)


@given(vectors, vectors)
def test_cross_matrix(v, w):
    np.testing.assert_allclose(geometry.cross_matrix(v) @ w, np.cross(v, w), atol=1e-12)


@given(seeds, cameras)
def test_projection_is_opencvs(seed, camera):
    points = _points(seed)
    matrix = np.array([[camera[0], 0, camera[1]], [0, camera[0], camera[2]], [0, 0, 1]])
    expected = cv2.projectPoints(points, np.zeros(3), np.zeros(3), matrix, camera[3:].copy())[0].reshape(-1, 2)
    np.testing.assert_allclose(geometry.project(points.T, camera)[0].T, expected, rtol=1e-12, atol=1e-9)
    np.testing.assert_allclose(geometry.pixels(points, camera), expected, rtol=1e-12, atol=1e-9)


@settings(max_examples=30)
@given(seeds, cameras)
def test_derivatives_are_those_of_finite_differences(seed, camera):
    points = _points(seed, 5)
    _, by_points, by_camera = geometry.project(points.T, camera)
    for k in range(3):
        h = np.zeros(3)
        h[k] = 1e-3
        slope = (geometry.pixels(points + h, camera) - geometry.pixels(points - h, camera)) / 2e-3
        np.testing.assert_allclose(by_points[:, k].T, slope, rtol=1e-5, atol=1e-5)
    for k in range(8):
        h = np.zeros(8)
        h[k] = 1e-2 if k < 3 else 1e-5
        slope = (geometry.pixels(points, camera + h) - geometry.pixels(points, camera - h)) / (2 * h[k])
        np.testing.assert_allclose(by_camera[:, k].T, slope, rtol=1e-6, atol=1e-5)


@given(seeds, cameras)
def test_undistort_inverts_distort(seed, camera):
    points = _points(seed) * [0.8, 0.8, 1.0]
    ideal = points[:, :2] / points[:, 2:]
    px = geometry.pixels(points, camera)
    np.testing.assert_allclose(geometry.undistort(px, camera), ideal, atol=1e-10)
    near = ideal + np.random.default_rng(seed).normal(0, 1e-3, ideal.shape)
    near[0] = np.nan  # of another camera, for which there was none
    np.testing.assert_allclose(geometry.undistort(px, camera, near), ideal, atol=1e-10)


def test_rays_go_through_their_points():
    points, r = _points(3), geometry.rotation(np.array([0.3, -0.5, 1.1]))
    t = np.array([4.0, -7.0, 20.0])
    in_frame = (points - t) @ r
    directions = geometry.rays_in(geometry.pixels(points, CAMERA), CAMERA, r)
    eye = -r.T @ t
    np.testing.assert_allclose(eye + directions * points[:, 2:], in_frame, atol=1e-8)


@given(seeds, st.floats(20, 120))
def test_rays_meet_the_cylinder(seed, radius):
    """From a point on the cylinder back to it, near or far as it lies."""
    rng = np.random.default_rng(seed)
    phi, z = rng.uniform(0, 2 * np.pi, 20), rng.uniform(-50, 50, 20)
    on = np.column_stack([radius * np.cos(phi), radius * np.sin(phi), z])
    eye = np.array([3 * radius, 0.4 * radius, 300.0])
    near = (on[:, :2] * (eye[:2] - on[:, :2])).sum(1) > 0  # the outward normal faces the eye
    for far in (False, True):
        found = geometry.ray_cylinder(eye, on - eye, radius, far=far)
        rows = near ^ far
        grazing = np.abs((on[:, :2] * (eye[:2] - on[:, :2])).sum(1)) < 1e-3 * radius**2
        np.testing.assert_allclose(found[rows & ~grazing], on[rows & ~grazing], atol=1e-6)
        np.testing.assert_allclose(np.hypot(*found.T[:2]), radius, rtol=1e-9)


def test_a_ray_that_misses_is_nan():
    found = geometry.ray_cylinder(np.array([300.0, 0, 0]), np.array([[0, 1.0, 0], [-1, 0.0, 0]]), 80.0, far=False)
    assert np.isnan(found[0]).all()
    np.testing.assert_allclose(found[1], [80, 0, 0])


def test_an_eye_inside_sees_the_far_side():
    """As from overhead, with the camera near the axis: one crossing is before the eye."""
    found = geometry.ray_cylinder(np.array([1.0, 2.0, 300.0]), np.array([[0.25, 0.1, -1.0]]), 80.0, far=True)
    assert np.hypot(*found[0, :2]) == pytest.approx(80)
    assert found[0, 2] < 300


def test_cross_products_are_those_of_numpy():
    v, w = np.random.default_rng(4).normal(size=(2, 50, 3))
    np.testing.assert_allclose(geometry.cross(v.T, w.T).T, np.cross(v, w), atol=1e-14)


def test_stretched_values_lie_on_the_straight_lines_between_the_coarse_ones():
    rows, columns = np.meshgrid(np.arange(4.0), np.arange(6.0), indexing="ij")

    def surface(r, c):
        return np.stack([3 + 2 * r - c, r * c])  # both are bilinear

    fine = geometry.stretched(surface(rows, columns), 4, 5)
    r, c = np.meshgrid(np.arange(12) / 4, np.arange(25) / 5, indexing="ij")
    np.testing.assert_allclose(fine, surface(r, c), atol=1e-5)
    assert fine.dtype == np.float32


def test_hats_add_up_and_interpolate() -> None:
    knots = np.linspace(2.0, 8.0, 5)
    at = np.array([1.0, 2.0, 3.1, 6.5, 8.0, 9.0])
    shares = geometry.hats(at, knots)
    np.testing.assert_allclose(shares.sum(1), 1.0)
    np.testing.assert_allclose(shares @ knots**2, np.interp(at, knots, knots**2))


def test_a_walk_that_forgets_has_its_correlation() -> None:
    covariance = np.linalg.inv(geometry.exponential_precision(np.array([0.0, 3.0, 7.0]), 5.0))
    np.testing.assert_allclose(np.diag(covariance), 1.0)
    assert covariance[0, 2] == pytest.approx(np.exp(-7 / 5))
