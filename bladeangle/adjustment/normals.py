"""Rows -> robust weights, normal equations and what residuals say of how good the points are.

Runs of edge that sway together are eliminated here: they cost information, and none of them is a result.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from bladeangle.adjustment.correlated_errors import Traces
from bladeangle.adjustment.equations import Rows
from bladeangle.base.geometry import Array

#: Residuals, in standard uncertainties, at which the weight of a point has fallen to a half (Cauchy's loss).
ROBUST_WIDTH = 3.0
#: A point that lies farther off, in standard uncertainties, says nothing of how much edges sway.
OUTLYING = 4.0
#: Numbers of neighbours along an edge whose means are compared with single points; about a third of, and a whole,
#: station.
BLOCKS = (6, 16)
#: Kind of observation -> what its information is a share of.
SOURCES = {
    "ring": "ring corners",
    "inlet tips": "tip edges",
    "outlet tips": "tip edges",
    "end": "blade ends",
    "circle": "hub circles seen",
}
#: Kinds of edge whose points can be biased together, each along its normal, and what that is called.
MOVED_TOGETHER = {"ring": "ring", "inlet tips": "inlet tips", "outlet tips": "outlet tips", "circle": "hub"}


@dataclass(frozen=True)
class Scale:
    """By how much residuals exceed what was claimed: single points, and the growth for correlation along the edge."""

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


def spread_of(residual: Array, floor: float = 0.5) -> Scale:
    """Scale of residuals (m,) in standard uncertainties, in the order of the trace.

    The robust spread of single points; and the root of the growth of the variance of means over `BLOCKS` neighbours
    (one if the points are independent): texture, compression and model error are correlated along an edge. Points that
    the robust weights put aside are left out of the growth: a run of glare is not correlation. Where the residuals have
    longer tails than a normal distribution, the variance of a robust mean (Huber, Robust Statistics, 1981, 3.2) grows
    as well.
    """
    r = residual[np.isfinite(residual)]
    if len(r) < 20:
        return Scale()
    single = 1.4826 * float(np.median(np.abs(r)))
    kept = r[np.abs(r) < 3 * single]
    growth = 1.0
    for size in BLOCKS:
        blocks = kept[: len(kept) // size * size].reshape(-1, size)
        if len(blocks) >= 6:
            growth = max(growth, size * float((blocks.mean(1) ** 2).mean()) / max(float((kept**2).mean()), 1e-12))
    single = max(single, floor)
    z2 = (r / single / ROBUST_WIDTH) ** 2
    weight = 1 / (1 + z2)
    tails = float((weight**2 * (r / single) ** 2).mean() * weight.mean() / max((weight**2 * (1 - z2)).mean(), 0.1) ** 2)
    return Scale(single, float(np.sqrt(min(growth * np.clip(tails, 1.0, 1.5), 10.0))))


@dataclass(frozen=True)
class Weighed:
    """Rows with residual (m,) px, 0 where one is missed, and weight (m,) 1/px2; what may sway of them."""

    rows: Rows
    residual: Array
    weight: Array
    traces: Traces | None

    @cached_property
    def kernel(self) -> Array:
        """Covariance (q, q) of the sways as these points alone tell them; they are eliminated with it."""
        return np.zeros((0, 0)) if self.traces is None else self.traces.kernel(self.weight)

    @cached_property
    def by_sways(self) -> Array:
        """The sways' part (q, k) of the weighted equations."""
        assert self.traces is not None
        out: Array = (self.traces.shape.T * self.weight) @ self.rows.jac.T
        return out

    @cached_property
    def normal(self) -> Array:
        """Information (k, k) on the unknowns."""
        root = self.rows.jac * np.sqrt(self.weight)
        out: Array = root @ root.T
        if self.traces is not None:
            out -= self.by_sways.T @ self.kernel @ self.by_sways
        return out

    def pull(self, off: Array) -> Array:
        """Right-hand side (k,) of normal equations of points that are `off` (m,) px."""
        weighted = self.weight * off
        out: Array = self.rows.jac @ weighted
        if self.traces is not None:
            out -= (self.kernel @ (self.traces.shape.T @ weighted)) @ self.by_sways
        return out

    def told(self, covariance: Array) -> tuple[Array, Array]:
        """Squares (q,) of the sways in standard uncertainties, and what to expect of each.

        covariance : (k, k) of the unknowns.
        """
        assert self.traces is not None
        sway = self.kernel @ (self.traces.shape.T @ (self.weight * self.residual))
        reduction = self.by_sways.T @ self.kernel
        posterior = self.kernel + reduction.T @ covariance @ reduction
        return sway * (self.traces.known @ sway), 1 - (self.traces.known * posterior).sum(1)


@dataclass
class Normals:
    """What all photographs say at one state: of `size` unknowns, with the points' weights."""

    size: int
    weighed: list[Weighed] = field(default_factory=list)
    cost: float = 0.0
    #: photo -> kind -> residual px, claimed sigma px, robust weight, residual free of sway px
    residuals: list[dict[str, tuple[Array, Array, Array, Array]]] = field(default_factory=list)
    #: what may sway, with weights of points all alike but none for outliers: robust ones, which fall off slowly, would
    #: have noise and sway look smaller than they are, and not by the same
    swaying: list[Weighed] = field(default_factory=list)

    @cached_property
    def equations(self) -> tuple[Array, Array]:
        """Normal equations: total information (n, n) and right-hand side (n,); they are not asked for everywhere."""
        total, right = np.zeros((self.size, self.size)), np.zeros(self.size)
        for one in self.weighed:
            columns = one.rows.columns
            total[columns[:, None], columns] += one.normal
            right[columns] += one.pull(one.residual)
        return total, right

    @property
    def information(self) -> dict[str, Array]:
        """Source -> information (n, n)."""
        out = {source: np.zeros((self.size, self.size)) for source in SOURCES.values()}
        for one in self.weighed:
            columns = one.rows.columns
            out[SOURCES[one.rows.kind]][columns[:, None], columns] += one.normal
        return out

    @property
    def shifts(self) -> dict[str, Array]:
        """Kind of edge -> right-hand side (n,) of a pixel's shift of all its edges along their normals."""
        out: dict[str, Array] = {}
        for one in self.weighed:
            if (name := MOVED_TOGETHER.get(one.rows.kind)) is not None:
                shift = one.pull(np.ones(len(one.residual)))
                out.setdefault(name, np.zeros(self.size))[one.rows.columns] += shift
        return out


def normals_of(
    all_rows: Sequence[Rows],
    size: int,
    scales: Sequence[Mapping[str, Scale]],
    weights: Mapping[tuple[int, str], Array],
    traces_of: Callable[[int, str, Array], Traces | None],
) -> Normals:
    """Weigh all rows.

    Parameters
    ----------
    size : number of unknowns; scales : photo -> kind -> by how much residuals exceed what was claimed.
    weights : (photo, kind) -> robust weights (m,) from which those sought are sooner reached.
    traces_of : photo, kind and the points' sigmas (m,) px -> what may sway of them.
    """
    out = Normals(size, residuals=[{} for _ in scales])
    for rows in all_rows:
        p, kind, residual, sigma = rows.view, rows.kind, rows.residual, rows.sigma
        scale = scales[p].get(kind, Scale())
        single = sigma * scale.single
        missed = ~np.isfinite(residual)
        r = np.where(missed, 0.0, residual)
        traces = traces_of(p, kind, single)
        weight, swayed = _weigh(r, single, missed, traces, weights.get((p, kind)))
        w = weight / (single * scale.growth) ** 2
        z = ((r - swayed) / single)[~missed]
        out.cost += float((ROBUST_WIDTH**2 * np.log1p((z / ROBUST_WIDTH) ** 2)).sum()) / scale.growth**2
        one, taken = Weighed(rows, r, w, traces), 0.0
        if traces is not None:
            taken = len(one.kernel) - float((one.kernel * traces.known).sum())
            pull = one.kernel @ (traces.shape.T @ (w * r))
            out.cost += float(pull @ traces.known @ pull)
            inlying = ~missed & (np.abs(r - swayed) < OUTLYING * single)
            out.swaying.append(Weighed(rows, r, inlying / (single * scale.growth) ** 2, traces))
        out.weighed.append(one)
        # what the sway took from the residuals as well as its own: they are that much larger than they look
        seen = len(r) - missed.sum()
        spared = np.sqrt(seen / max(seen - taken, 0.2 * seen, 1.0))
        out.residuals[p][kind] = (residual, sigma, weight, np.where(missed, np.nan, (r - swayed) * spared))
    return out


def _weigh(
    r: Array, single: Array, missed: NDArray[np.bool_], traces: Traces | None, before: Array | None
) -> tuple[Array, Array]:
    """Robust weights (m,) of residuals r (m,) px with sigmas `single` (m,), and the sway (m,) px taken off.

    before : weights from which it is sooner there.
    """

    def robust(off: Array) -> Array:
        return np.where(missed, 0.0, 1 / (1 + (off / single / ROBUST_WIDTH) ** 2))

    swayed = np.zeros_like(r)
    if traces is None:
        return robust(r), swayed
    weight = np.where(missed, 0.0, 1.0 if before is None else before)
    for _ in range(4 if before is None else 2):
        root = traces.shape.T * (np.sqrt(weight) / single)
        swayed = traces.shape @ np.linalg.solve(traces.known + root @ root.T, root @ (r * np.sqrt(weight) / single))
        weight = robust(r - swayed)
    return weight, swayed
