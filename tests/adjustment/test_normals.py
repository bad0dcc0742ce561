"""Normal equations against dense least squares, weights and scales against what they are defined by."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest
from seeds import generator

from bladeangle.adjustment.correlated_errors import CorrelatedErrors
from bladeangle.adjustment.equations import Rows
from bladeangle.adjustment.normals import (
    CorrelatedRows,
    Normals,
    Scale,
    WeightedRows,
    normals_of,
    scale_of,
)
from bladeangle.tuning.adjustment import NORMALS

COLUMNS = np.array([4, 1, 7])


def case(seed: int, errors: bool) -> tuple[Rows, CorrelatedErrors | None, np.random.Generator]:
    rng = generator(seed)
    m, q = 40, 6
    rows = Rows(0, "inlet tips", rng.normal(0, 0.3, m), rng.normal(0, 5, (3, m)), COLUMNS, rng.uniform(0.1, 0.4, m))
    if not errors:
        return rows, None, rng
    root = rng.normal(0, 1, (q, q))
    of = CorrelatedErrors(
        rng.uniform(0, 1, (m, q)), root @ root.T + np.eye(q), np.zeros(q, int), np.zeros(q, int), np.zeros(q, int)
    )
    return rows, of, rng


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("errors", [False, True])
def test_marginalised_normal_equations_are_those_of_the_whole_covariance(seed: int, errors: bool) -> None:
    """Errors S x with x ~ N(0, K) beside noise 1/w: information J (diag(1/w) + S K S^T)^-1 J^T (generalised least
    squares; the two are equal by the Woodbury identity)."""
    rows, of, rng = case(seed, errors)
    weight = 1 / rows.sigma**2
    one = WeightedRows(rows, rows.residual, weight, of)
    covariance = np.diag(1 / weight)
    if of is not None:
        covariance = covariance + of.shape @ np.linalg.inv(of.information) @ of.shape.T
    inverse = np.linalg.inv(covariance)
    assert one.normal == pytest.approx(rows.jac @ inverse @ rows.jac.T, rel=1e-9)
    for residual in (rows.residual, rng.normal(0, 1, len(weight))):
        assert one.right_side(residual) == pytest.approx(rows.jac @ inverse @ residual, rel=1e-9)


def test_rows_are_added_at_their_columns_and_under_their_source() -> None:
    (first, errors, _), (second, _, _) = case(4, True), case(5, False)
    other = Rows(1, "ring", second.residual, second.jac, np.array([0, 1, 2]), second.sigma)
    parts = [WeightedRows(r, r.residual, 1 / r.sigma**2, e) for r, e in ((first, errors), (other, None))]
    total, right = Normals(9, parts).equations
    expected, expected_right = np.zeros((9, 9)), np.zeros(9)
    for one in parts:
        expected[np.ix_(one.rows.columns, one.rows.columns)] += one.normal
        expected_right[one.rows.columns] += one.right_side(one.residual)
    assert total == pytest.approx(expected) and right == pytest.approx(expected_right)
    information = Normals(9, parts).information
    assert sum(information.values()) == pytest.approx(expected)
    assert sum(bool(np.any(part)) for part in information.values()) == 2


def test_a_shift_of_all_edges_of_a_kind_is_a_residual_of_one_pixel() -> None:
    rows, errors, _ = case(6, True)
    one = WeightedRows(rows, rows.residual, 1 / rows.sigma**2, errors)
    shifts = Normals(9, [one]).shifts
    assert list(shifts) == ["inlet tips"]
    assert shifts["inlet tips"][COLUMNS] == pytest.approx(one.right_side(np.ones(len(rows.residual))))


@pytest.mark.parametrize("seed", [1, 2])
def test_weights_are_robust_and_misses_have_none(seed: int) -> None:
    """1 / (1 + (r / (sigma width))^2), the cost that of the Cauchy distribution (Huber, Robust Statistics, 1981)."""
    rows, _, _ = case(seed, False)
    residual = rows.residual.copy()
    residual[[3, 8]] = 5.0, np.nan
    missed = Rows(0, rows.kind, residual, rows.jac, COLUMNS, rows.sigma)
    scale = Scale(1.5, 1.2)
    found = normals_of([missed], 9, [{rows.kind: scale}], {}, lambda *_: None)
    z = residual / (1.5 * rows.sigma) / NORMALS.robust_sigmas
    weight = np.where(np.isnan(z), 0.0, 1 / (1 + z**2)) / (1.5 * 1.2 * rows.sigma) ** 2
    [one] = found.weighted
    assert one.weight == pytest.approx(weight)
    kept = ~np.isnan(z)
    assert found.cost == pytest.approx(NORMALS.robust_sigmas**2 * np.log1p(z[kept] ** 2).sum() / 1.2**2)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_scales_are_the_spread_and_the_growth_that_correlation_makes(seed: int) -> None:
    rng = generator(seed)
    alone = scale_of(rng.normal(0, 2.0, 4000))
    # a median's relative standard deviation is 1.17 / sqrt(n), of points in fours twice that
    assert alone.single == pytest.approx(2.0, rel=4 * 1.17 / np.sqrt(4000))
    assert 1.0 <= alone.growth < 1.2
    # neighbours alike in fours: the variance of means over longer blocks is four times that of independent points
    alike = scale_of(np.repeat(rng.normal(0, 2.0, 1000), 4))
    assert alike.single == pytest.approx(2.0, rel=4 * 1.17 / np.sqrt(1000))
    assert 1.7 < alike.growth < 2.6
    few = scale_of(rng.normal(0, 9.0, 10))
    assert (few.single, few.growth) == (1.0, 1.0)
    assert scale_of(rng.normal(0, 0.01, 100)).single == NORMALS.least_scale == 0.7
    assert Scale(3.0, 2.0).at_most(4.0).total == pytest.approx(4.0)
    assert Scale(3.0, 2.0).at_most(2.0) == Scale(2.0, 1.0)


@pytest.mark.parametrize("seed", [1, 2])
def test_squares_of_correlated_errors_are_as_large_as_expected(seed: int) -> None:
    """Samples of the model itself: each square has the mean that is stated as its redundancy."""
    rows, errors, rng = case(seed, True)
    assert errors is not None
    weight = 1 / rows.sigma**2
    total = np.zeros((3, 3))
    one = CorrelatedRows(rows, rows.residual, weight, errors)
    total += one.normal + np.eye(3) * 1e-6
    covariance = np.asarray(np.linalg.inv(total), np.float64)
    root = np.linalg.cholesky(np.linalg.inv(errors.information))
    found = np.zeros(len(errors.information))
    trials = 3000
    for _ in range(trials):
        seen = errors.shape @ root @ rng.standard_normal(len(root)) + rng.standard_normal(len(weight)) * rows.sigma
        step = covariance @ one.right_side(seen)  # what the unknowns take of it
        left = CorrelatedRows(rows, seen - rows.jac.T @ step, weight, errors)
        squares, redundancy = left.squares(covariance)
        found += squares / trials
    assert found.sum() == pytest.approx(redundancy.sum(), rel=0.05)
    assert (redundancy > -1e-9).all() and redundancy.sum() < len(redundancy)


def test_nothing_observed_says_nothing() -> None:
    total, right = Normals(5).equations
    assert not total.any() and not right.any() and Normals(5).shifts == {}


# --- published lines -------------------------------------------------------------------------------------------------


def fitted_line(x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray, float]:
    """Intercept and slope, their covariance, and the standard deviation of the residuals, by the normal equations."""
    jac = np.stack([np.ones_like(x), x])
    rows = Rows(0, "ring", -y, jac, np.arange(2), np.ones(len(x)))  # predicted, which is zero, less observed
    equations = Normals(2, [WeightedRows(rows, rows.residual, np.ones(len(x)), None)]).equations
    found = -np.linalg.solve(*equations)
    s = float(np.sqrt(((y - found @ jac) ** 2).sum() / (len(x) - 2)))
    return found, s**2 * np.linalg.inv(equations[0]), s


def test_the_calibration_line_of_jcgm_100() -> None:
    """JCGM 100:2008, H.3: eleven readings of a thermometer, reference temperature 20 deg."""
    t = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
    b = -1e-3 * np.array([171, 169, 166, 159, 164, 165, 156, 157, 159, 161, 160])
    (y1, y2), covariance, s = fitted_line(t - 20.0, b)
    u = np.sqrt(np.diag(covariance))
    assert (y1, u[0]) == (pytest.approx(-0.1712, abs=5e-5), pytest.approx(0.0029, abs=5e-5))
    assert (y2, u[1]) == (pytest.approx(0.00218, abs=5e-6), pytest.approx(0.00067, abs=5e-6))
    assert covariance[0, 1] / u.prod() == pytest.approx(-0.930, abs=5e-4)
    assert s == pytest.approx(0.0035, abs=5e-5)
    at_30 = np.array([1.0, 10.0])
    assert at_30 @ [y1, y2] == pytest.approx(-0.1494, abs=5e-5)
    assert np.sqrt(at_30 @ covariance @ at_30) == pytest.approx(0.0041, abs=5e-5)


def test_norris_of_nist() -> None:
    """NIST StRD, Norris (linear, lower difficulty), with the certified values; data as scipy's own tests carry them."""
    data = Path(str(files("scipy.stats"))) / "tests" / "data" / "nist_linregress" / "Norris.dat"
    if not data.exists():
        pytest.skip("scipy is installed without its tests, which carry Norris.dat")
    lines = data.read_text(encoding="ascii").splitlines()
    y, x = np.array([line.split() for line in lines[60:] if line.strip()], float).T
    assert len(x) == 36
    found, covariance, _ = fitted_line(x, y)
    assert found == pytest.approx([-0.262323073774029, 1.00211681802045], rel=1e-9)
    assert np.sqrt(np.diag(covariance)) == pytest.approx([0.232818234301152, 0.000429796848199937], rel=1e-9)
