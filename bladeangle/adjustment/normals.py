"""Rows -> robust weights, normal equations and the variance components of the points.

Correlated errors are marginalised here: they cost Fisher information, and none of them is a result.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from bladeangle.adjustment.correlated_errors import CorrelatedErrors
from bladeangle.adjustment.equations import Rows
from bladeangle.base.geometry import Array
from bladeangle.tuning.adjustment import NORMALS

#: Kind of observation -> source that its information is counted under.
SOURCES = {
    "ring": "ring corners",
    "inlet tips": "tip edges",
    "outlet tips": "tip edges",
    "end": "blade ends",
    "circle": "hub circles seen",
}
#: Kinds of edge whose points can be biased together, each along its normal, and what that is called.
COMMON_BIAS = {"ring": "ring", "inlet tips": "inlet tips", "outlet tips": "outlet tips", "circle": "hub"}


@dataclass(frozen=True)
class Scale:
    """Factors on claimed standard uncertainties: of single points, and the growth for correlation along the edge."""

    single: float = 1.0
    growth: float = 1.0

    @property
    def total(self) -> float:
        """Factor on the standard uncertainty of a point."""
        return self.single * self.growth

    def at_most(self, most: float) -> Scale:
        """The same with a total of no more than `most`."""
        single = min(self.single, most)
        return Scale(single, min(self.growth, most / single))


def scale_of(residual: Array) -> Scale:
    """Scale of residuals (m,) in standard uncertainties, in the order of the trace.

    `single` is the robust standard deviation of single points, at least `least_scale`: what errors have in common
    along an edge does not shrink with them. `growth` is the root of the growth of the variance of means over
    `block_lengths` neighbours against independent points: texture, compression and model error are correlated along an
    edge. Outliers are left out of it, as a run of them is no correlation. It grows as well with the loss of efficiency
    of a robust mean where residuals have longer tails than a normal distribution (Huber, Robust Statistics, 1981, 3.2).
    """
    r = residual[np.isfinite(residual)]
    if len(r) < 20:
        return Scale()
    single = 1.4826 * float(np.median(np.abs(r)))
    kept = r[np.abs(r) < 3 * single]
    growth = 1.0
    for size in NORMALS.block_lengths:
        blocks = kept[: len(kept) // size * size].reshape(-1, size)
        if len(blocks) >= 6:
            growth = max(growth, size * float((blocks.mean(1) ** 2).mean()) / max(float((kept**2).mean()), 1e-12))
    single = max(single, NORMALS.least_scale)
    z2 = (r / single / NORMALS.robust_sigmas) ** 2
    weight = 1 / (1 + z2)
    tails = float((weight**2 * (r / single) ** 2).mean() * weight.mean() / max((weight**2 * (1 - z2)).mean(), 0.1) ** 2)
    return Scale(single, float(np.sqrt(min(growth * np.clip(tails, 1.0, 1.5), 10.0))))


@dataclass(frozen=True)
class WeightedRows:
    """Rows with residual (m,) px, 0 where a ray misses, weight (m,) 1/px2, and their correlated errors."""

    rows: Rows
    residual: Array
    weight: Array
    errors: CorrelatedErrors | None

    @cached_property
    def error_covariance(self) -> Array:
        """Covariance (q, q) of the correlated errors given all other unknowns: K of the formulation."""
        return np.zeros((0, 0)) if self.errors is None else self.errors.covariance(self.weight)

    @cached_property
    def coupling(self) -> Array:
        """Normal equations' block (q, k) between correlated errors and unknowns; (0, k) without such errors."""
        if self.errors is None:
            return np.zeros((0, len(self.rows.jac)))
        out: Array = (self.errors.shape.T * self.weight) @ self.rows.jac.T
        return out

    @cached_property
    def normal(self) -> Array:
        """Information (k, k) on the unknowns, correlated errors marginalised (Schur complement)."""
        root = self.rows.jac * np.sqrt(self.weight)
        out: Array = root @ root.T
        if self.errors is not None:
            out -= self.coupling.T @ self.error_covariance @ self.coupling
        return out

    def right_side(self, residual: Array) -> Array:
        """Right-hand side (k,) of the normal equations for residuals (m,) px, correlated errors marginalised.

        Of several sets of residuals (m, q) at once (k, q).
        """
        weighted = (self.weight * residual.T).T
        out: Array = self.rows.jac @ weighted
        if self.errors is not None:
            out -= self.coupling.T @ (self.error_covariance @ (self.errors.shape.T @ weighted))
        return out

    def product(self, one: Array, other: Array) -> float:
        """Scalar product of two sets of residuals (m,) px in the metric of the cost, correlated errors marginalised."""
        out = float((self.weight * one) @ other)
        if self.errors is not None:
            first, second = (self.errors.shape.T @ (self.weight * residual) for residual in (one, other))
            out -= float(first @ self.error_covariance @ second)
        return out


@dataclass(frozen=True)
class CorrelatedRows(WeightedRows):
    """Rows that have correlated errors, for estimating the size of these."""

    errors: CorrelatedErrors

    def squares(self, covariance: Array) -> tuple[Array, Array]:
        """Squares (q,) of the correlated errors in their prior standard deviations, and the redundancy (q,) of each.

        covariance : (k, k) of the unknowns.
        """
        estimate = self.error_covariance @ (self.errors.shape.T @ (self.weight * self.residual))
        response = self.coupling.T @ self.error_covariance
        posterior = self.error_covariance + response.T @ covariance @ response
        information = self.errors.information
        return estimate * (information @ estimate), 1 - (information * posterior).sum(1)


@dataclass(frozen=True)
class Residuals:
    """Residuals of one kind of observation in one photograph, m points.

    px : (m,) along the normals, nan where a ray misses; sigma_px, weight : (m,) as claimed, and robust weights.
    independent_px : (m,) less the correlated errors, and larger by what these absorbed of the points' own scatter.
    """

    px: Array
    sigma_px: Array
    weight: Array
    independent_px: Array


@dataclass
class Normals:
    """Normal equations of all photographs at one state, of `size` unknowns.

    cost : robust sum of squares in standard uncertainties; residuals : photo -> kind -> residuals.
    correlated : rows with correlated errors, all points weighted alike but outliers, which have no weight. Robust
    weights fall off so slowly that they would make noise and correlated errors look smaller, and not by the same.
    """

    size: int
    weighted: list[WeightedRows] = field(default_factory=list)
    cost: float = 0.0
    residuals: list[dict[str, Residuals]] = field(default_factory=list)
    correlated: list[CorrelatedRows] = field(default_factory=list)

    @cached_property
    def equations(self) -> tuple[Array, Array]:
        """Normal equations: total information (n, n) and right-hand side (n,)."""
        total, right = np.zeros((self.size, self.size)), np.zeros(self.size)
        for one in self.weighted:
            columns = one.rows.columns
            total[columns[:, None], columns] += one.normal
            right[columns] += one.right_side(one.residual)
        return total, right

    @property
    def information(self) -> dict[str, Array]:
        """Source -> information (n, n)."""
        out = {source: np.zeros((self.size, self.size)) for source in SOURCES.values()}
        for one in self.weighted:
            columns = one.rows.columns
            out[SOURCES[one.rows.kind]][columns[:, None], columns] += one.normal
        return out

    @property
    def shifts(self) -> dict[str, Array]:
        """Kind of edge -> right-hand side (n,) of a pixel's shift of all its edges along their normals."""
        out: dict[str, Array] = {}
        for one in self.weighted:
            if (name := COMMON_BIAS.get(one.rows.kind)) is not None:
                shift = one.right_side(np.ones(len(one.residual)))
                out.setdefault(name, np.zeros(self.size))[one.rows.columns] += shift
        return out


def normals_of(
    all_rows: Sequence[Rows],
    size: int,
    scales: Sequence[Mapping[str, Scale]],
    start_weights: Mapping[tuple[int, str], Array],
    errors_of: Callable[[int, str, Array], CorrelatedErrors | None],
) -> Normals:
    """Weight all rows robustly and collect them.

    Parameters
    ----------
    size : number of unknowns; scales : photo -> kind -> factors on the claimed uncertainties.
    start_weights : (photo, kind) -> robust weights (m,) to begin the reweighting with (warm start).
    errors_of : photo, kind and the points' sigmas (m,) px -> their correlated errors.
    """
    out = Normals(size, residuals=[{} for _ in scales])
    for rows in all_rows:
        p, kind = rows.view, rows.kind
        scale = scales[p].get(kind, Scale())
        single = rows.sigma * scale.single
        missed = ~np.isfinite(rows.residual)
        residual = np.where(missed, 0.0, rows.residual)
        errors = errors_of(p, kind, single)
        robust, correlated = _robust_weights(residual, single, missed, errors, start_weights.get((p, kind)))
        weight = robust / (single * scale.growth) ** 2
        independent = residual - correlated
        z = (independent / single)[~missed]
        width = NORMALS.robust_sigmas
        out.cost += float((width**2 * np.log1p((z / width) ** 2)).sum()) / scale.growth**2
        one, absorbed = WeightedRows(rows, residual, weight, errors), 0.0
        if errors is not None:
            absorbed = len(one.error_covariance) - float((one.error_covariance * errors.information).sum())
            estimate = one.error_covariance @ (errors.shape.T @ (weight * residual))
            out.cost += float(estimate @ errors.information @ estimate)
            inlying = ~missed & (np.abs(independent) < NORMALS.outlier_sigmas * single)
            out.correlated.append(CorrelatedRows(rows, residual, inlying / (single * scale.growth) ** 2, errors))
        out.weighted.append(one)
        # correlated errors absorb part of the points' own scatter, so that what is left looks too small
        seen = len(residual) - missed.sum()
        inflation = np.sqrt(seen / max(seen - absorbed, 0.2 * seen, 1.0))
        independent_px = np.where(missed, np.nan, independent * inflation)
        out.residuals[p][kind] = Residuals(rows.residual, rows.sigma, robust, independent_px)
    return out


def _robust_weights(
    residual: Array, single: Array, missed: NDArray[np.bool_], errors: CorrelatedErrors | None, start: Array | None
) -> tuple[Array, Array]:
    """Robust weights (m,) of residuals (m,) px with sigmas `single` (m,) px, and the correlated errors (m,) px.

    Both follow from each other by turns: four times, or twice from the weights of a warm start.
    """

    def robust(off: Array) -> Array:
        return np.where(missed, 0.0, 1 / (1 + (off / single / NORMALS.robust_sigmas) ** 2))

    correlated = np.zeros_like(residual)
    if errors is None:
        return robust(residual), correlated
    weight = np.where(missed, 0.0, 1.0 if start is None else start)
    for _ in range(4 if start is None else 2):
        root = errors.shape.T * (np.sqrt(weight) / single)
        right = root @ (residual * np.sqrt(weight) / single)
        correlated = errors.shape @ np.linalg.solve(errors.information + root @ root.T, right)
        weight = robust(residual - correlated)
    return weight, correlated
