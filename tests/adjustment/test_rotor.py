"""The rotor's shape: splines, thickness, places on the tip."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import BSpline
from seeds import generator

from bladeangle.adjustment.rotor import Basis, Rotor
from tests.synthetic.scene import RotorShape, half_thickness

RADIUS_MM = 77.5


def straight(angle_deg: float = 12.0, turn: int = 1, wrap: float = 2.2, thickness_mm: float = 2.4) -> Rotor:
    """Three blades of constant angle; coefficients of a straight line are its values at the knots' means."""
    basis = Basis(-0.08, wrap + 0.08, 12)
    knots = basis.start + basis.step * (np.arange(basis.count) - 1)
    heights = 60 - np.tan(np.radians(angle_deg)) * RADIUS_MM * knots
    azimuth = np.arange(3) * 2 * np.pi / 3
    return Rotor(
        RADIUS_MM, thickness_mm, np.array([3.0, 4.0]), turn, azimuth, basis, np.tile(heights, (3, 1)),
        np.tile([0.0, wrap], (3, 1)), np.array([0.0, 0.1, -0.1]),
    )  # fmt: skip


@given(st.floats(-1, 1), st.floats(0.3, 4), st.integers(4, 25), st.integers(0, 2))
def test_basis_is_the_uniform_cubic_b_spline(start, length, count, derivative):
    basis = Basis(start, start + length, count)
    knots = start + basis.step * np.arange(-3, count + 1)
    reference = BSpline(knots, np.eye(count), 3)
    tau = np.linspace(start, start + length, 57)[:-1] + 1e-9
    expected = reference(tau, nu=derivative)
    np.testing.assert_allclose(basis.matrix(tau, derivative), expected, atol=1e-6 * np.abs(expected).max())


def test_basis_runs_straight_beyond_its_ends():
    basis = Basis(0.0, 2.0, 9)
    heights = generator(3).normal(0, 5, 9)
    for end, beyond in ((0.0, -0.4), (2.0, 2.5)):
        value, slope = (float((basis.matrix(np.array([end]), d) @ heights)[0]) for d in (0, 1))
        there = [float((basis.matrix(np.array([beyond]), d) @ heights)[0]) for d in (0, 1, 2)]
        assert there == pytest.approx([value + slope * (beyond - end), slope, 0.0], abs=1e-9)


def test_splines_are_carried_on_to_the_ends_of_blades():
    """The same curves, straight beyond where they ended, on knots 20 mm apart, to 6 mm past the longest blade."""
    rotor = straight()
    assert rotor.covered() is rotor
    rotor.heights[1] += generator(4).normal(0, 0.05, rotor.basis.count)
    rotor.ends[1, 1] = 3.0
    longer = rotor.covered()
    assert rotor.basis.stop == pytest.approx(2.28)
    assert (longer.basis.start, longer.basis.stop) == pytest.approx((-6.0 / RADIUS_MM, 3.0 + 6.0 / RADIUS_MM))
    assert longer.basis.step * RADIUS_MM == pytest.approx(20.0, abs=1.5)
    tau, blade = np.tile(np.linspace(0.0, 3.0, 50), 3), np.repeat([0, 1, 2], 50)
    was, now = (r.basis.values(tau, r.heights, blade) for r in (rotor, longer))
    np.testing.assert_allclose(now[blade != 1], was[blade != 1], atol=1e-9)
    assert 1e-4 < np.abs(now - was)[blade == 1].max() < 0.1


def test_every_point_has_the_weight_one():
    basis = Basis(-0.1, 2.3, 11)
    tau = np.linspace(-0.5, 3.0, 200)
    np.testing.assert_allclose(basis.matrix(tau).sum(1), 1.0, atol=1e-12)
    np.testing.assert_allclose(basis.matrix(tau, 1).sum(1), 0.0, atol=1e-9)


@pytest.mark.parametrize("angle_deg", [6.0, 14.0, 30.0])
def test_half_thickness_is_that_of_the_renderer_seen_along_the_axis(angle_deg):
    rotor = straight(angle_deg)
    rotor.rounding_mm = np.array([3.5, 3.5])
    cosine = np.cos(np.radians(angle_deg))
    length = rotor.ends[0, 1] * RADIUS_MM / cosine
    shape = RotorShape(tip_length_mm=length, thickness_mm=2.0, edge_round_mm=3.5)
    along = np.concatenate([np.linspace(0.05, 6, 60), np.linspace(length - 6, length - 0.05, 60), [length / 2]])
    expected = half_thickness(shape, along, 1.0) / cosine
    half = rotor.half(along * cosine / RADIUS_MM, np.zeros(len(along), int))[0]
    np.testing.assert_allclose(half, expected, atol=1e-6)


def test_half_thickness_derivatives():
    rotor = straight()
    rng = generator(5)
    rotor.heights += rng.normal(0, 0.5, rotor.heights.shape)
    tau = np.concatenate([rng.uniform(0.004, 0.07, 40), rng.uniform(2.13, 2.196, 40), [1.0]])
    blade = rng.integers(0, 3, len(tau))
    _, by_tau, by_rounding, by_ends = rotor.half(tau, blade)
    step = 1e-6
    after, before = (rotor.half(tau + sign * step, blade)[0] for sign in (1, -1))
    np.testing.assert_allclose(by_tau, (after - before) / (2 * step), rtol=1e-4, atol=1e-5)
    for end in (0, 1):
        step = 1e-6
        values = []
        for sign in (1, -1):
            moved = rotor.copy()
            moved.rounding_mm[end] += sign * step
            values.append(moved.half(tau, blade)[0])
        np.testing.assert_allclose(by_rounding[end], (values[0] - values[1]) / (2 * step), rtol=1e-4, atol=1e-6)
        values = []
        for sign in (1, -1):
            moved = rotor.copy()
            moved.ends[:, end] += sign * step
            values.append(moved.half(tau, blade)[0])
        np.testing.assert_allclose(by_ends[end], (values[0] - values[1]) / (2 * step), rtol=1e-4, atol=1e-5)


@pytest.mark.parametrize("turn", [1, -1])
def test_tip_lies_on_the_cylinder_and_falls_from_the_leading_end(turn):
    rotor = straight(12.0, turn)
    tau = np.linspace(0.2, 2.0, 50)
    blade = np.full(50, 1)
    middle = rotor.tip(blade, np.zeros(50, int), tau)
    np.testing.assert_allclose(np.hypot(middle[:, 0], middle[:, 1]), RADIUS_MM, atol=1e-9)
    azimuth = np.unwrap(np.arctan2(middle[:, 1], middle[:, 0]))
    np.testing.assert_allclose(np.diff(azimuth), turn * np.diff(tau), atol=1e-12)
    fall = -np.diff(middle[:, 2]) / (np.diff(tau) * RADIUS_MM)
    np.testing.assert_allclose(np.degrees(np.arctan(fall)), 12.0, atol=1e-9)


def test_faces_are_the_blades_thickness_apart():
    rotor = straight(20.0)
    for blade, thickness in ((0, 2.4), (1, 2.5), (2, 2.3)):
        which, tau = np.full(1, blade), np.array([1.1])
        inlet, outlet = (rotor.tip(which, np.array([face]), tau) for face in (1, -1))
        apart = (inlet - outlet)[0]
        assert apart[2] * np.cos(np.radians(20.0)) == pytest.approx(thickness, abs=1e-9)
        np.testing.assert_allclose(apart[:2], 0.0, atol=1e-12)


@given(st.integers(0, 2), st.sampled_from([1, -1]), st.floats(-0.99, 1.99), st.floats(0.3, 5.5))
def test_tau_of_finds_the_place_back(blade, turn, share, wrap):
    rotor = straight(12.0, turn, wrap)
    tau = np.array([wrap / 2 + (share - 0.5) * 2])  # within half a turn of the middle
    point = rotor.tip(np.array([blade]), np.array([0]), tau)
    assert rotor.tau_of(point, np.array([blade]))[0] == pytest.approx(tau[0], abs=1e-9)


def test_a_copy_is_independent():
    rotor = straight()
    other = rotor.copy()
    other.heights += 1
    other.ends += 1
    other.extra_mm += 1
    other.rounding_mm += 1
    np.testing.assert_array_equal(rotor.heights, straight().heights)
    np.testing.assert_array_equal(rotor.ends, straight().ends)
    np.testing.assert_array_equal(rotor.extra_mm, straight().extra_mm)
    np.testing.assert_array_equal(rotor.rounding_mm, straight().rounding_mm)


def test_values_are_the_matrix_times_the_coefficients():
    rng = generator(8)
    basis, heights = Basis(-0.1, 2.3, 11), rng.normal(size=(3, 11))
    tau, row = np.linspace(-0.4, 2.6, 61), rng.integers(0, 3, 61)
    for derivative in (0, 1, 2):
        wanted = (basis.matrix(tau, derivative) * heights[row]).sum(1)
        np.testing.assert_allclose(basis.values(tau, heights, row, derivative), wanted, atol=1e-11)
        one = basis.matrix(tau, derivative) @ heights[2]
        np.testing.assert_allclose(basis.values(tau, heights, 2, derivative), one, atol=1e-11)


def test_half_the_thickness_is_the_same_without_its_derivatives():
    rotor = straight()
    tau, blade = np.linspace(-0.05, 2.25, 80), np.arange(80) % 3
    np.testing.assert_allclose(rotor.half_mm(tau, blade), rotor.half(tau, blade)[0], rtol=1e-13)
