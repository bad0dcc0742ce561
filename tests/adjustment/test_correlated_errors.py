"""Covariances against their laws, written out point by point, and against samples."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest
from seeds import generator

from bladeangle.adjustment.correlated_errors import (
    CorrelatedErrors,
    correlated_errors_in_px,
    correlated_errors_of,
)
from bladeangle.adjustment.model import CirclePoints, ObservedView, TipPoints
from bladeangle.imaging.ring import RingSighting
from bladeangle.tuning.adjustment import CORRELATED_ERRORS
from bladeangle.tuning.priors import ANY_TIPS

PX_PER_MM = 7.0


def tip_points(along_px: np.ndarray, blade: np.ndarray, far: bool, shared_px: float = 0.0) -> TipPoints:
    """Points on straight edges, one a blade, at distances along them."""
    n = len(along_px)
    px = np.stack([along_px, 100.0 * blade], 1)
    normal = np.tile([0.0, 1.0], (n, 1))
    return TipPoints(blade, np.ones(n, int), np.full(n, far), px, normal, np.full(n, 0.2), np.full(n, shared_px))


def view_of(tips: TipPoints | None = None, circles: CirclePoints | None = None) -> ObservedView:
    none, no_index = np.zeros(0), np.zeros(0, int)
    sides = no_index, no_index, none, np.zeros((0, 2)), np.zeros((0, 2)), none
    sighting = RingSighting(*sides, no_index, np.zeros((0, 4, 2)), 1.0, 1.0, 1.0)  # nothing of it is asked for
    return ObservedView("a.jpg", "inlet_up", sighting, tips, None, circles, PX_PER_MM)


def covariance(errors: CorrelatedErrors) -> np.ndarray:
    return np.asarray(errors.shape @ np.linalg.inv(errors.information) @ errors.shape.T)


@pytest.mark.parametrize("far", [False, True])
def test_along_an_edge_errors_are_a_gauss_markov_process_and_an_offset(far: bool) -> None:
    """Between knots the process is linear, so that the law holds to some percent of the variance."""
    along = np.arange(0.0, 700.0, 5.0)
    sigma, size = np.full(len(along), 0.25), (1.3, 0.6)
    errors = correlated_errors_in_px(
        "inlet tips", view_of(tip_points(along, np.zeros(len(along), int), far)), None, sigma, size
    )
    assert errors is not None
    process = (size[far] * 0.25) ** 2
    distance = np.abs(along[:, None] - along)
    law = (
        process * np.exp(-distance / (CORRELATED_ERRORS.length_mm[far] * PX_PER_MM))
        + (CORRELATED_ERRORS.offset_mm * PX_PER_MM) ** 2
    )
    found = covariance(errors)
    assert np.abs(found - law).max() < 0.35 * process  # amid two knots, at no distance
    assert np.abs(found - law).mean() < 0.08 * process
    assert 0.75 < np.diag(found).mean() / law[0, 0] < 1.0


def test_blades_err_independently() -> None:
    along = np.tile(np.arange(0.0, 400.0, 10.0), 2)
    blade = np.repeat([0, 2], 40)
    errors = correlated_errors_in_px(
        "inlet tips", view_of(tip_points(along, blade, False)), None, np.full(80, 0.2), (1.0, 0.3)
    )
    assert errors is not None
    found = covariance(errors)
    assert np.abs(found[:40, 40:]).max() == 0.0
    assert found[:40, :40] == pytest.approx(found[40:, 40:])


def test_one_run_may_err_more_than_others() -> None:
    """All of its errors are larger by its factor, offset and all; those of the other run stay."""
    along = np.tile(np.arange(0.0, 400.0, 10.0), 2)
    blade = np.repeat([0, 2], 40)
    view, sigma = view_of(tip_points(along, blade, False)), np.full(80, 0.2)
    usual, larger = (
        correlated_errors_in_px("inlet tips", view, None, sigma, (1.0, 0.3), scale)
        for scale in (None, np.array([1.0, 3.0]))
    )
    assert usual is not None and larger is not None
    assert set(usual.run) == {0, 1}
    before, after = covariance(usual), covariance(larger)
    assert after[:40, :40] == pytest.approx(before[:40, :40])
    assert after[40:, 40:] == pytest.approx(9 * before[40:, 40:])


def test_saturated_edges_share_an_error_in_px() -> None:
    """Besides what other edges have; over 600 px it falls to 1/e, whatever the points' own sigma."""
    along = np.arange(0.0, 1200.0, 20.0)
    blade = np.zeros(len(along), int)
    plain, shared = (
        correlated_errors_in_px(
            "inlet tips", view_of(tip_points(along, blade, True, px)), None, np.full(len(along), 0.1), (1.0, 0.3)
        )
        for px in (0.0, 0.2)
    )
    assert plain is not None and shared is not None
    more = covariance(shared) - covariance(plain)
    assert more[0, 0] == pytest.approx(0.04, rel=0.01)
    assert more[0, 30] == pytest.approx(0.04 * np.exp(-600 / CORRELATED_ERRORS.shared_length_px), rel=0.03)


def test_waves_of_tips_count_from_overhead_only() -> None:
    """A process of 0.012 mm at the rotor's scale, which falls to 1/e over 12 mm."""
    along = np.arange(0.0, 72.0 * PX_PER_MM, 0.6 * PX_PER_MM)
    blade, sigma = np.zeros(len(along), int), np.full(len(along), 0.1)
    for far in (True, False):
        views = view_of(tip_points(along, blade, far))
        plain, wavy = (
            correlated_errors_in_px("inlet tips", views, tips, sigma, (1.0, 0.3)) for tips in (None, ANY_TIPS)
        )
        assert plain is not None and wavy is not None
        more = covariance(wavy) - covariance(plain)
        if not far:
            assert np.abs(more).max() == 0.0
            continue
        variance = (0.012 * PX_PER_MM) ** 2
        assert more[0, 0] == pytest.approx(variance, rel=0.01)
        assert more[0, 20] == pytest.approx(variance * np.exp(-1), rel=0.1)


@pytest.mark.parametrize("seed", [1, 7])
def test_the_covariance_given_the_points_is_that_of_samples(seed: int) -> None:
    """Values drawn from their prior, seen through noisy points: how far estimates lie off (normal theory)."""
    rng = generator(seed)
    along = np.arange(0.0, 500.0, 25.0)
    errors = correlated_errors_in_px(
        "outlet tips",
        view_of(_outlet(tip_points(along, np.zeros(len(along), int), False))),
        None,
        np.full(len(along), 0.2),
        (1.0, 0.3),
    )
    assert errors is not None
    weight = 1 / rng.uniform(0.1, 0.4, len(along)) ** 2
    root = np.linalg.cholesky(np.linalg.inv(errors.information))
    true = root @ rng.standard_normal((len(root), 20_000))
    seen = errors.shape @ true + rng.standard_normal((len(along), 20_000)) / np.sqrt(weight)[:, None]
    stated = errors.covariance(weight)
    estimate = stated @ errors.shape.T @ (weight[:, None] * seen)
    found = np.cov(estimate - true)
    scale = np.sqrt(np.diag(stated))
    assert np.abs(found / np.outer(scale, scale) - stated / np.outer(scale, scale)).max() < 0.05
    assert 0.97 < np.mean(np.diag(found) / np.diag(stated)) < 1.03


def _outlet(tips: TipPoints) -> TipPoints:
    return TipPoints(tips.blade, -tips.face, tips.far, tips.px, tips.normal, tips.sigma_px, tips.shared_px)


def test_a_circle_is_off_by_as_much_all_round_in_its_centre() -> None:
    """Once and twice round the turn, each harmonic with the same standard deviation: 2 of it squared at any point."""
    psi = np.linspace(0.0, 2 * np.pi, 24, endpoint=False)
    normal = np.stack([np.cos(psi), np.sin(psi)], 1)
    circles = CirclePoints(np.zeros(24, int), 50.0 * normal, normal, np.full(24, 0.1))
    errors = correlated_errors_of("circle", view_of(None, circles), None)
    assert errors is not None
    found = covariance(errors)
    law = CORRELATED_ERRORS.circle_error_px**2 * (np.cos(psi[:, None] - psi) + np.cos(2 * (psi[:, None] - psi)))
    assert found == pytest.approx(law, abs=1e-12)


def test_all_sides_of_markers_are_off_by_as_much() -> None:
    """Dark markers are larger or smaller all round by so many pixels, in each photograph by others."""
    view = view_of()
    view = replace(view, sighting=replace(view.sighting, px=np.zeros((5, 2))))
    errors = correlated_errors_of("ring", view, None)
    assert errors is not None
    assert covariance(errors) == pytest.approx(np.full((5, 5), CORRELATED_ERRORS.marker_growth_px**2), abs=1e-12)


def test_what_has_no_correlated_errors() -> None:
    assert correlated_errors_of("circle", view_of(), None) is None
    along = np.arange(0.0, 100.0, 10.0)
    view = view_of(tip_points(along, np.zeros(10, int), False))
    assert correlated_errors_of("outlet tips", view, None) is None
    assert correlated_errors_in_px("inlet tips", view, None, np.full(10, 0.2), (0.0, 0.0)) is None


def test_near_and_far_side_of_a_blade_in_one_photograph_err_apart() -> None:
    """As two edges from the side: each as the near one does alone, and neither says anything of the other.

    Where tips are no cylinders, waves of them move the far edge as one that is seen from overhead.
    """
    along = np.arange(0.0, 300.0, 10.0)
    near, far = (tip_points(along, np.zeros(len(along), int), side) for side in (False, True))
    both = TipPoints(*(np.concatenate([getattr(t, f.name) for t in (near, far)]) for f in fields(TipPoints)))
    n, size = len(along), (1.3, 0.6)
    found, wavy, alone = (
        covariance(errors)
        for view, condition in ((both, None), (both, ANY_TIPS), (near, None))
        if (
            errors := correlated_errors_in_px("inlet tips", view_of(view), condition, np.full(len(view.px), 0.25), size)
        )
    )
    for part in (slice(None, n), slice(n, None)):
        np.testing.assert_allclose(found[part, part], alone, rtol=1e-9)
    assert not found[:n, n:].any() and not wavy[:n, n:].any()
    np.testing.assert_allclose(wavy[:n, :n], alone, rtol=1e-9)
    more = np.diag(wavy[n:, n:] - alone).mean()
    assert 0.7 < more / (ANY_TIPS.waviness_mm * PX_PER_MM) ** 2 < 1.01
