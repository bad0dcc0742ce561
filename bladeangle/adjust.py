"""The joint adjustment: one least-squares model for every photograph, from one picture to a walk round the rotor.

Unknowns: camera intrinsics, pose and small focus and principal-point changes of each photograph, stretch and bend of
the sheet and the place of its pieces, the rotor's pose in each standing position, tip radius, blade thickness, one
smooth tip curve and two ends per blade, and radius and height of each hub circle. Every observation is a point in a
picture with a normal: its residual is the distance along the normal from the predicted curve, divided by its standard
uncertainty. The place along the curve is taken afresh from the picture in every iteration; it does not change the
residual to first order, so the derivatives are exact without it. What is known beforehand enters as observations of the
unknowns.

The covariance of the unknowns is the inverse of the total information, which is kept apart by source: the share of the
source k in the covariance C of any function is C N_k C, and the shares add up (JCGM 100, 5.1 and 5.2, for a linear
model).
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from bladeangle.equations import Equations, Rows
from bladeangle.errors import AdjustmentError
from bladeangle.geometry import Array
from bladeangle.model import TIP_KINDS, Ints, Layout, State, View, applied
from bladeangle.priors import Priors, prior_rows
from bladeangle.ring import Ring
from bladeangle.sway import Traces, swallowed, traces_of

#: Residuals, in standard uncertainties, at which the weight of a point has fallen to a half (Cauchy's loss).
ROBUST_WIDTH = 3.0
#: A point that lies farther off, in standard uncertainties, says nothing of how much edges sway.
OUTLYING = 4.0
#: Numbers of neighbours along an edge whose means are compared with single points; about a third of, and a whole,
#: station.
BLOCKS = (6, 16)
#: First guesses of the sway of tip edges seen from the side and from overhead, in standard uncertainties of a point,
#: and its least and most. Path-traced photographs of turned metal: grooves cross the edges of the tip land and move
#: them by about as much as noise does; from overhead the land is not seen, and nearly all that is left is noise.
SWAY = (1.0, 0.3)
SWAY_RANGE = (0.1, 3.0)
#: Degrees of freedom that the guessed sway counts as, beside those of the photographs.
SWAY_FREEDOM = 20.0
#: Most that the tip points' uncertainty is multiplied by once the adjustment has come near. Residuals of points that
#: lie farther off say that something is wrong; were their scale let grow, what is known beforehand would hold it there.
MOST_SCALE = 4.0
#: What is known of rotors beforehand.
LIKELY = ("tilt", "hub circles", "blade edges", "blades alike")
#: Least and most bend of the tip curves, deg a knot, that is believed.
BEND_RANGE_DEG = (0.15, 2.0)
#: How often at most the points' uncertainty is taken afresh from their residuals, and the change that ends it.
RESCALINGS = 7
STEADY = 0.07
#: The adjustment has settled when a step can lower the cost (a sum of squares in standard uncertainties) by no more.
SETTLED = 0.02
#: The same while the weights are provisional and on the way to the last adjustment, where it is enough to be near.
PROVISIONAL = 100 * SETTLED
#: Where it has not settled in the time given, a step that could lower the cost by less than this changes nothing that
#: counts: a shift of all unknowns together by less than their standard uncertainty.
NEARLY = 0.5


@dataclass(frozen=True)
class Adjustment:
    """Result of the adjustment.

    state : the unknowns at the solution; layout : their columns.
    covariance : (n, n); information : source -> (n, n), the shares of the total information.
    shifts : kind of edge -> (n,) change of the unknowns per pixel by which all its edges are moved along their normals.
    residual_px : photo -> kind -> (m,) residuals along the normal, px; weight : the robust weights (m,) likewise.
    scale : photo -> kind -> factor by which the points' own uncertainty was multiplied, correlation included; single :
        the same without the correlation.
    sway : by how much runs of tip edge sway, seen from the side and from overhead, in sigmas of a point.
    prior_cost : source -> how far the solution is from what was known, as a sum of squares in standard uncertainties.
    prior_freedom : source -> what that is expected to be.
    iterations : how many were needed.
    """

    state: State
    layout: Layout
    views: tuple[View, ...]
    covariance: Array
    information: dict[str, Array]
    shifts: dict[str, Array]
    residual_px: list[dict[str, Array]]
    weight: list[dict[str, Array]]
    scale: list[dict[str, float]]
    single: list[dict[str, float]]
    sway: tuple[float, float]
    prior_cost: dict[str, float]
    prior_freedom: dict[str, float]
    iterations: int

    def unlikely(self) -> float:
        """How far the rotor is from what rotors are like: excess of the squares in all, in its standard deviations."""
        square, freedom = (sum(of.get(k, 0.0) for k in LIKELY) for of in (self.prior_cost, self.prior_freedom))
        return float((square - freedom) / np.sqrt(2 * max(freedom, 1.0)))

    def rms_px(self, photo: int, kind: str) -> float:
        """Robustly weighted root mean square residual, px; nan without points."""
        r, w = self.residual_px[photo].get(kind), self.weight[photo].get(kind)
        if r is None or w is None or not len(r):
            return float("nan")
        return float(np.sqrt((w * r**2).sum() / max(w.sum(), 1e-9)))


def adjust(
    ring: Ring,
    views: tuple[View, ...],
    start: State,
    priors: Priors,
    *,
    most_iterations: int = 80,
    rescale: bool = True,
    must_settle: bool = True,
) -> Adjustment:
    """Adjust all unknowns to all observations.

    Parameters
    ----------
    rescale : let the residuals say how good the points are, how much whole edges sway and how much the blades bend.
    must_settle : the last word; otherwise it stops after `most_iterations`, and no sway is allowed for, which on the
        way would hide a wrong edge.

    Raises
    ------
    AdjustmentError : it does not converge, or the equations are singular.
    """
    work = _Work(ring, views, start, priors, SWAY if rescale and must_settle else (0.0, 0.0))
    iterations = 0
    for turn in range(RESCALINGS if rescale else 1):
        change = work.rescale(estimate=turn > 0) if rescale else 0.0
        steady = change < (STEADY if must_settle else 5 * STEADY)
        last = (steady and turn > (1 if must_settle else 0)) or not rescale or turn + 1 == RESCALINGS
        # until the scales are steady the weights are provisional: no need to settle to the last digit
        digits = not rescale or (must_settle and (steady or last))
        enough = SETTLED if digits else PROVISIONAL
        iterations = work.settle(enough, iterations, most_iterations, last=last or not must_settle)
        if iterations >= most_iterations or last:
            break
    if must_settle and iterations >= most_iterations and work.gain > NEARLY:
        raise AdjustmentError(
            f"The adjustment did not settle in {most_iterations} iterations.",
            "Look at the picture of what was found; take the photographs again without moving the rotor.",
        )
    return work.result(iterations)


class _Work:
    """State of one adjustment while it runs."""

    def __init__(
        self, ring: Ring, views: tuple[View, ...], start: State, priors: Priors, sway: tuple[float, float]
    ) -> None:
        self.ring, self.views, self.start, self.priors, self.sway = ring, views, start, priors, sway
        self.layout = Layout(start)
        self.state = start.copy()
        known = start.standings if start.rotor is not None else ()
        standings = [known.index(v.standing) if v.standing in known else None for v in views]
        self.equations = Equations(ring, self.layout, views, range(len(views)), standings)
        self.scale: list[dict[str, Scale]] = [{} for _ in views]
        self.rows: list[Rows] = []
        self.rows_at: State | None = None
        self.known_at: State | None = None
        self.known_by: Priors | None = None
        self.runs: dict[tuple[int, str], Traces | None] = {}
        #: those at the last scales, from which new ones are soon found; were they to follow every step, the cost would
        #: depend on the way, and steps might go round in a circle
        self.weights: dict[tuple[int, str], Array] = {}
        self.damping = 0.0
        self.gain = np.inf
        self.build()

    def traces(self, photo: int, kind: str, sigma: Array) -> Traces | None:
        """What may sway of one kind of edge in one photograph, with points of these sigmas (m,) px."""
        if not any(self.sway):
            return None
        if (photo, kind) not in self.runs:
            self.runs[photo, kind] = traces_of(kind, self.views[photo])
        runs = self.runs[photo, kind]
        return None if runs is None else runs.swaying(sigma, self.sway)

    def build(self) -> None:
        """Normal equations at the present state, with the present scales."""
        if self.rows_at is not self.state:  # they stay when only the scales change
            self.rows, self.rows_at = self.equations.rows(self.state), self.state
        self.built = _build(self)
        if self.known_at is not self.state or self.known_by is not self.priors:
            self.known = prior_rows(self.state, self.layout, self.priors, self.start)
            self.known_at, self.known_by = self.state, self.priors

    @property
    def cost(self) -> float:
        """Robust sum of squares in standard uncertainties, prior knowledge included."""
        return self.built.cost + sum(k.cost for k in self.known.values())

    def total(self) -> tuple[Array, Array]:
        """Total information (n, n) and right-hand side (n,)."""
        information, right = (part.copy() for part in self.built.equations)
        for known in self.known.values():
            known.add_to(information, right)
        return information, right

    def covariance(self) -> Array:
        """Covariance (n, n) of the unknowns at the present state."""
        total, _ = self.total()
        diagonal = np.sqrt(np.maximum(np.diag(total), 1e-12))
        out: Array = np.linalg.inv(total / diagonal[:, None] / diagonal) / diagonal[:, None] / diagonal
        return (out + out.T) / 2

    def rescale(self, *, estimate: bool) -> float:
        """Take scales (with `estimate` sway and bend too) from the residuals; the largest relative change of one."""
        old = self.scale
        self.weights = {(p, k): r[2] for p, kinds in enumerate(self.built.residuals) for k, r in kinds.items()}
        most = dict.fromkeys(TIP_KINDS, MOST_SCALE) if estimate else {}
        self.scale = [
            {k: _spread(free / s).at_most(most.get(k, np.inf)) for k, (_, s, _, free) in kinds.items()}
            for kinds in self.built.residuals
        ]
        if estimate and self.state.rotor is not None:
            covariance = self.covariance()
            self._estimate_bend(covariance)
            if any(self.sway):
                self._estimate_sway(covariance)
        self.build()
        pairs = [(new[k], before[k]) for new, before in zip(self.scale, old, strict=True) for k in new if k in before]
        return max((abs(a.total / b.total - 1) for a, b in pairs), default=np.inf)

    def _estimate_bend(self, covariance: Array) -> None:
        """How much these blades bend, deg a knot, from their own curves (variance component by its redundancy).

        A prior that is too loose lets the curves follow every texture, one too tight irons out what a bender did.
        """
        smooth = self.known["smoothness"]
        bend = self.priors.bend_sigma_deg * np.sqrt(smooth.cost / max(smooth.freedom(covariance), 1.0))
        self.priors = replace(self.priors, bend_sigma_deg=float(np.clip(bend, *BEND_RANGE_DEG)))

    def _estimate_sway(self, covariance: Array) -> None:
        """How much runs of edge sway, from what the traces show over what the curves have swallowed."""
        squares, freedom = np.zeros(3), np.zeros(3)
        for sway in self.built.sways:
            square, free = sway.told(covariance[np.ix_(sway.columns, sway.columns)])
            squares += np.bincount(sway.traces.tells, square, 3)
            freedom += np.bincount(sway.traces.tells, free, 3)
        side, above = (
            float(np.clip(np.sqrt((s * q**2 + SWAY_FREEDOM * usual**2) / (f + SWAY_FREEDOM)), *SWAY_RANGE))
            for q, usual, s, f in zip(self.sway, SWAY, squares, freedom, strict=False)
        )
        self.sway = (side, above)

    def settle(self, enough: float, iterations: int, most: int, *, last: bool) -> int:
        """Levenberg-Marquardt steps until one can lower the cost by less than `enough`; the iterations so far.

        That one is taken at the `last`, and otherwise left to the weights that come next.
        """
        while iterations < most:
            total, right = self.total()
            if not np.isfinite(total).all() or not np.isfinite(right).all():
                raise AdjustmentError(
                    "The adjustment ran away from the photographs.", "Check that ring and camera file belong to them."
                )
            diagonal = np.sqrt(np.maximum(np.diag(total), 1e-12))
            scaled = total / diagonal[:, None] / diagonal + self.damping * np.eye(len(right))
            try:
                step = -np.linalg.solve(scaled, right / diagonal) / diagonal
            except np.linalg.LinAlgError as e:
                raise AdjustmentError(
                    "The adjustment's equations are singular.", "Add a photograph from another side."
                ) from e
            gain = self.gain = float(-right @ step)  # expected fall of the cost
            if gain < enough and not last:
                break
            iterations += 1
            before, cost = (self.state, self.built, self.known), self.cost
            self.state = applied(self.state, self.layout, step)
            self.build()
            if self.cost > cost + 1e-6 * abs(cost) and gain > enough and self.damping < 1e6:
                self.state, self.built, self.known = before
                self.damping = max(10 * self.damping, 1e-3)
                continue
            self.damping = self.damping / 10 if self.damping > 1e-6 else 0.0
            if gain < enough:
                break
        return iterations

    def result(self, iterations: int) -> Adjustment:
        """The adjustment at the present state."""
        covariance = self.covariance()
        information = {k: p.information for k, p in self.known.items()} | self.built.information
        residuals = self.built.residuals
        return Adjustment(
            self.state,
            self.layout,
            self.views,
            covariance,
            information,
            {k: covariance @ v for k, v in self.built.shifts.items()},
            [{k: r for k, (r, *_) in kinds.items()} for kinds in residuals],
            [{k: w for k, (_, _, w, _) in kinds.items()} for kinds in residuals],
            [{k: s.total for k, s in kinds.items()} for kinds in self.scale],
            [{k: s.single for k, s in kinds.items()} for kinds in self.scale],
            self.sway,
            {k: p.cost for k, p in self.known.items()},
            {k: p.freedom(covariance) for k, p in self.known.items()},
            iterations,
        )


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


def _spread(residual: Array, floor: float = 0.5) -> Scale:
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
class _Sway:
    """What may sway, and of the points on it residuals (m,) px, weights (m,) 1/px2, derivatives (n, m), columns (n,).

    The weights are those of points all alike, but none for outliers: robust ones, which fall off slowly, would have
    noise and sway look smaller than they are, and not by the same.
    """

    traces: Traces
    residual: Array
    weight: Array
    jac: Array
    columns: Ints

    def told(self, covariance: Array) -> tuple[Array, Array]:
        """Squares (q,) of the sways in standard uncertainties, and what to expect of each at this covariance (n, n)."""
        by, kernel = swallowed(self.traces, self.weight, self.jac)
        sway = kernel @ (self.traces.shape.T @ (self.weight * self.residual))
        reduction = by.T @ kernel
        posterior = kernel + reduction.T @ covariance @ reduction
        return sway * (self.traces.known @ sway), 1 - (self.traces.known * posterior).sum(1)


@dataclass(frozen=True)
class _Weighed:
    """Rows with residual (m,) px, 0 where one is missed, and weight (m,) 1/px2; what may sway of them, and its kernel.

    kernel : (q, q) covariance of the sways as these points alone tell them; they are eliminated with it.
    """

    rows: Rows
    residual: Array
    weight: Array
    traces: Traces | None
    kernel: Array

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


@dataclass
class _Built:
    """What all photographs say at one state: of `size` unknowns, with the points' weights."""

    size: int
    weighed: list[_Weighed] = field(default_factory=list)
    cost: float = 0.0
    #: photo -> kind -> residual px, claimed sigma px, robust weight, residual free of sway px
    residuals: list[dict[str, tuple[Array, Array, Array, Array]]] = field(default_factory=list)
    sways: list[_Sway] = field(default_factory=list)

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


SOURCES = {
    "ring": "ring corners",
    "inlet tips": "tip edges",
    "outlet tips": "tip edges",
    "end": "blade ends",
    "circle": "hub circles seen",
}
#: Kinds of edge whose points can be biased together, each along its normal, and what that is called.
MOVED_TOGETHER = {"ring": "ring", "inlet tips": "inlet tips", "outlet tips": "outlet tips", "circle": "hub"}


def _build(work: _Work) -> _Built:
    built = _Built(work.layout.size, residuals=[{} for _ in work.views])
    for rows in work.rows:
        p, kind, residual, sigma = rows.view, rows.kind, rows.residual, rows.sigma
        scale = work.scale[p].get(kind, Scale())
        single = sigma * scale.single
        missed = ~np.isfinite(residual)
        r = np.where(missed, 0.0, residual)
        traces = work.traces(p, kind, single)
        weight, swayed = _weigh(r, single, missed, traces, work.weights.get((p, kind)))
        w = weight / (single * scale.growth) ** 2
        z = ((r - swayed) / single)[~missed]
        built.cost += float((ROBUST_WIDTH**2 * np.log1p((z / ROBUST_WIDTH) ** 2)).sum()) / scale.growth**2
        taken, kernel = 0.0, np.zeros((0, 0))
        if traces is not None:
            kernel = traces.kernel(w)
            taken = len(kernel) - float((kernel * traces.known).sum())
            pull = kernel @ (traces.shape.T @ (w * r))
            built.cost += float(pull @ traces.known @ pull)
            inlying = ~missed & (np.abs(r - swayed) < OUTLYING * single)
            built.sways.append(_Sway(traces, r, inlying / (single * scale.growth) ** 2, rows.jac, rows.columns))
        built.weighed.append(_Weighed(rows, r, w, traces, kernel))
        # what the sway took from the residuals as well as its own: they are that much larger than they look
        seen = len(r) - missed.sum()
        spared = np.sqrt(seen / max(seen - taken, 0.2 * seen, 1.0))
        built.residuals[p][kind] = (residual, sigma, weight, np.where(missed, np.nan, (r - swayed) * spared))
    return built


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

