"""Model + uncertainties -> its uncertainty, propagated (JCGM 100:2008) or drawn (JCGM 101:2008), and the budget.

A budget is a list of named lines, each one covariance contribution over the vector of all angles; the lines are
independent of each other, so the covariance of the angles is their sum. Not covered: lines that correlate with each
other (put such sources into one line), and correlated inputs in the Welch-Satterthwaite formula.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

STATIONS = ("entry", "middle", "exit")
#: JCGM 100, 4.2 and 4.3: evaluated by statistics, or otherwise.
Kind = Literal["A", "B"]
#: What another record may share a source of error with.
Shared = Literal["camera", "ring", "rotor"]


# --- JCGM 100: propagation -------------------------------------------------------------------------------------------


def numerical_jacobian(function: Callable[[Array], ArrayLike], values: ArrayLike, steps: ArrayLike) -> Array:
    """Derivatives (m, n) of `function` (n,) -> (m,) by central differences with `steps` (n,), all positive."""
    x = np.asarray(values, float)
    columns = []
    for i, step in enumerate(np.asarray(steps, float)):
        shift = np.zeros_like(x)
        shift[i] = step
        high, low = (
            np.atleast_1d(np.asarray(function(x + shift), float)),
            np.atleast_1d(np.asarray(function(x - shift), float)),
        )
        columns.append((high - low) / (2 * step))
    return np.stack(columns, 1)


def propagate(
    values: ArrayLike, covariance: ArrayLike, model: Callable[[Array], ArrayLike] | ArrayLike
) -> tuple[Array, Array]:
    """First-order propagation of values and covariance through a model (JCGM 100:2008, 5.2.2; JCGM 102:2011, 6.2.1.3).

    Parameters
    ----------
    values : (n,) estimates; covariance : (n, n), or (n,) standard uncertainties of uncorrelated estimates.
    model : a function (n,) -> (m,) or scalar, differentiated numerically, or its Jacobian (m, n) when it is linear.

    Returns
    -------
    The model's values (m,) and their covariance (m, m). Higher-order terms are not covered.
    """
    x = np.atleast_1d(np.asarray(values, float))
    v = np.asarray(covariance, float)
    v = np.diag(v**2) if v.ndim <= 1 else v
    if callable(model):
        # A thousandth of the uncertainty: small against any curvature that matters, large against rounding.
        u = np.sqrt(np.diag(v))
        steps = np.where(u > 0, 1e-3 * u, 1e-6 * np.maximum(np.abs(x), 1.0))
        jacobian = numerical_jacobian(model, x, steps)
        y = np.atleast_1d(np.asarray(model(x), float))
    else:
        jacobian = np.atleast_2d(np.asarray(model, float))
        y = jacobian @ x
    return y, jacobian @ v @ jacobian.T


def welch_satterthwaite(u_components: ArrayLike, dofs: ArrayLike) -> float:
    """Effective degrees of freedom of a sum of independent contributions (JCGM 100:2008, G.4.1, equation G.2b).

    `u_components` are the contributions to the result, `dofs` their degrees of freedom (infinite allowed). Infinite
    when
    no component has finitely many.
    """
    u, v = np.broadcast_arrays(np.asarray(u_components, float), np.asarray(dofs, float))
    if (v <= 0).any():
        raise ValueError("degrees of freedom must be positive")
    total = float((u**2).sum())
    denominator = float((u**4 / v).sum())
    return math.inf if denominator <= 1e-12 * total**2 else total**2 / denominator


def coverage_factor(dof: float = math.inf, probability: float = 0.95) -> float:
    """Two-sided coverage factor from Student's t (JCGM 100:2008, G.3); `dof` may be fractional or infinite."""
    from scipy import special

    if not 0 < probability < 1 or not dof > 0:
        raise ValueError("a coverage factor needs a probability between 0 and 1 and positive degrees of freedom")
    p = 0.5 + probability / 2
    return float(special.ndtri(p) if math.isinf(dof) else special.stdtrit(dof, p))


def combined(values: ArrayLike) -> float:
    """Root of the sum of squares."""
    return float(np.sqrt((np.asarray(values, float) ** 2).sum()))


# --- JCGM 101: distributions and Monte Carlo -------------------------------------------------------------------------


def correlated(values: ArrayLike, covariance: ArrayLike) -> Callable[[np.random.Generator, int], Array]:
    """A draw (rng, n) -> (n, m) of a joint Gaussian (JCGM 101:2008, 6.4.8); a singular covariance is allowed."""
    mean, root = np.asarray(values, float), covariance_root(covariance)
    return lambda rng, n: mean + rng.standard_normal((n, root.shape[1])) @ root.T


def covariance_root(covariance: ArrayLike) -> Array:
    """A matrix R (n, n) with R R' = covariance; a singular covariance is allowed.

    R is the symmetric root of the correlation matrix scaled by the standard uncertainties: unlike a Cholesky or
    eigenvector
    root it has no sign or order to choose, so that equal covariances give equal roots on every machine.
    """
    c = np.asarray(covariance, float)
    u = np.sqrt(np.maximum(np.diag(c), 0.0))
    scale = np.where(u > 0, u, 1.0)
    values, vectors = np.linalg.eigh(c / np.outer(scale, scale))
    root: Array = scale[:, None] * ((vectors * np.sqrt(np.maximum(values, 0.0))) @ vectors.T)
    return root


@dataclass(frozen=True)
class MonteCarlo:
    """Summary of a Monte Carlo propagation; for a vector output every entry has one value a component.

    symmetric, shortest : (2,) or (2, m) ends of the probabilistically symmetric and of the shortest coverage interval.
    """

    mean: Any
    standard_uncertainty: Any
    symmetric: Array
    shortest: Array


def monte_carlo(
    draw: Callable[[np.random.Generator, int], Array],
    function: Callable[[Array], Array],
    n: int,
    rng: np.random.Generator,
    probability: float = 0.95,
) -> MonteCarlo:
    """Propagate distributions by Monte Carlo (JCGM 101:2008, clause 7).

    Parameters
    ----------
    draw : (rng, n) -> (n, ...) samples of the inputs; function : samples -> (n,) or (n, m) outputs.
    n : number of trials, at least 100. ValueError below that.
    """
    if n < 100:
        raise ValueError("Monte Carlo needs at least 100 trials")
    y = np.asarray(function(draw(rng, n)), float)
    ordered = np.sort(y.reshape(n, -1), axis=0)
    symmetric, shortest = np.empty((2, ordered.shape[1])), np.empty((2, ordered.shape[1]))
    # 7.7: with q = pM (rounded), [y(r), y(r+q)] for r = 1 ... M-q; symmetric takes r = (M-q)/2.
    q = min(max(round(probability * n), 1), n - 1)
    middle = (n - q) // 2
    for j in range(ordered.shape[1]):
        column = ordered[:, j]
        widths = column[q:] - column[:-q]
        r = int(np.argmin(widths))
        shortest[:, j] = column[r], column[r + q]
        symmetric[:, j] = column[middle], column[middle + q]
    mean, u = y.mean(axis=0), y.std(axis=0, ddof=1)
    if y.ndim == 1:
        return MonteCarlo(float(mean), float(u), symmetric[:, 0], shortest[:, 0])
    return MonteCarlo(mean, u, symmetric, shortest)


# --- Budgets ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class BudgetLine:
    """One named contribution to the covariance of all angles.

    covariance_deg2 : (n, n).
    kind : "A" from statistics of this measurement, "B" from other knowledge (JCGM 100:2008, 4.2 and 4.3).
    dof : degrees of freedom behind the contribution, infinite for a well-known one.
    shared : what other records may share this source of error with this one ("camera": the same calibration; "ring":
        the same print; "rotor": the same tips); None for a source that is new in every measurement.
    effects_deg : (m, n), change of every angle for one standard uncertainty of each of the m independent sources, so
        that
        effects_deg' effects_deg = covariance_deg2; needed with `shared`, since the covariance between two records is
        effects' of the one times effects of the other.
    """

    name: str
    kind: Kind
    covariance_deg2: Array
    dof: float = math.inf
    shared: Shared | None = None
    effects_deg: Array | None = None

    def __post_init__(self) -> None:
        c = self.covariance_deg2
        if self.kind not in ("A", "B"):
            raise ValueError(f"a budget line is of kind A or B, not {self.kind!r}")
        if c.ndim != 2 or c.shape[0] != c.shape[1] or not np.isfinite(c).all():
            raise ValueError(f"budget line {self.name!r}: the covariance is not a finite square matrix")
        if not np.allclose(c, c.T, rtol=1e-6, atol=1e-15):
            raise ValueError(f"budget line {self.name!r}: the covariance is not symmetric")
        if self.effects_deg is not None and not np.allclose(
            self.effects_deg.T @ self.effects_deg, c, rtol=1e-5, atol=1e-12
        ):
            raise ValueError(f"budget line {self.name!r}: effects and covariance contradict each other")
        if self.shared is not None and self.effects_deg is None:
            raise ValueError(f"budget line {self.name!r} is shared but has no effects")
        if not self.dof > 0:
            raise ValueError(f"budget line {self.name!r}: degrees of freedom must be positive")


def line_from_jacobian(
    name: str,
    kind: Kind,
    jacobian: ArrayLike,
    covariance: ArrayLike,
    dof: float = math.inf,
    shared: Shared | None = None,
) -> BudgetLine:
    """A line from the derivatives (n, m) of the angles (deg) by m sources and the sources' covariance (m, m) or sigmas
    (m,).

    The effects come by `covariance_root` of the sources, the same for equal covariances, which `shared` relies on.
    """
    j = np.asarray(jacobian, float)
    c = np.atleast_1d(np.asarray(covariance, float))
    root = np.diag(c) if c.ndim == 1 else covariance_root(c)
    effects = (j @ root).T
    return BudgetLine(name, kind, effects.T @ effects, dof, shared, effects)


def blade_and_station(label: str) -> tuple[int, str]:
    """Number of the blade (from 1) and station of an angle's label, as "1.entry"."""
    number, station = label.split(".")
    return int(number), station


@dataclass(frozen=True)
class Budget:
    """Named, independent lines over the angles `labels` ("1.entry", ...)."""

    labels: tuple[str, ...]
    lines: tuple[BudgetLine, ...]

    def __post_init__(self) -> None:
        for line in self.lines:
            if line.covariance_deg2.shape != (len(self.labels), len(self.labels)):
                raise ValueError(f"budget line {line.name!r} is not over the {len(self.labels)} angles")
        if len({line.name for line in self.lines}) != len(self.lines):
            raise ValueError("two budget lines have one name")

    @property
    def covariance_deg2(self) -> Array:
        """(n, n) covariance of all angles: the sum of the lines."""
        n = len(self.labels)
        return sum((line.covariance_deg2 for line in self.lines), np.zeros((n, n)))

    def of(self, weights: ArrayLike) -> tuple[float, float, Array]:
        """A combination of angles by weights (n,): standard uncertainty, effective dof, contribution of every line."""
        w = np.asarray(weights, float)
        parts = np.array([math.sqrt(max(float(w @ line.covariance_deg2 @ w), 0.0)) for line in self.lines])
        return (
            combined(parts),
            welch_satterthwaite(parts, [line.dof for line in self.lines]) if self.lines else math.inf,
            parts,
        )

    def angle(self, index: int) -> tuple[float, float, Array]:
        """`of` a single angle."""
        return self.of(np.eye(len(self.labels))[index])

    def mean_weights(self, station: str) -> Array | None:
        """Weights (n,) of the mean over the blades seen at a station; None when there is none."""
        here = np.array([blade_and_station(label)[1] == station for label in self.labels], float)
        return here / here.sum() if here.any() else None
