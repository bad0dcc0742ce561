"""Views + priors -> `Adjustment`: one least-squares model for every photograph, be it one or a walk round the rotor.

Unknowns: camera intrinsics, pose and small focus and principal-point changes of each photograph, stretch and bend of
the sheet and the place of its pieces, the rotor's pose in each setup, tip radius and its departures along
every blade, blade thickness, one smooth tip curve and two ends per blade, and radius and height of each hub circle.
Every observation is a point in a picture with a normal: its residual is the distance along the normal from the
predicted curve, divided by its standard uncertainty. The place along the curve is taken afresh from the picture in
every iteration; it does not change the residual to first order, so the derivatives are exact without it. Prior
information enters as observations of the unknowns.

The covariance of the unknowns is the inverse of the total information, which is kept apart by source: the share of the
source k in the covariance C of any function is C N_k C, and the shares add up (JCGM 100, 5.1 and 5.2, for a linear
model).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import overload

import numpy as np

from bladeangle.adjustment.correlated_errors import NO_RUN, CorrelatedErrors, correlated_errors_of
from bladeangle.adjustment.equations import Equations, Rows
from bladeangle.adjustment.model import TIP_KINDS, Layout, ObservedView, RingState, State, applied
from bladeangle.adjustment.normals import Scale, normals_of, scale_of
from bladeangle.adjustment.priors import Priors, prior_terms
from bladeangle.base.errors import AdjustmentError
from bladeangle.base.geometry import Array
from bladeangle.imaging.ring import Ring
from bladeangle.tuning.adjustment import ADJUST, CORRELATED_ERRORS

#: Sources of prior information that say what rotors are like.
ROTOR_PRIORS = ("tilt", "hub circles", "blade edges", "blades alike")
#: How often at most the scales of the points are estimated from their residuals, and the relative change of a scale
#: below which that ends.
MOST_RESCALINGS = 7
SCALE_TOLERANCE = 0.07
#: Converged: a step is expected to lower the cost (a sum of squares in standard uncertainties) by no more than this.
CONVERGED_GAIN = 0.02
#: The same while scales are still being estimated, and in adjustments on the way to the last one.
PROVISIONAL_GAIN = 100 * CONVERGED_GAIN
#: After the last iteration that is allowed, the result is accepted if a step is expected to lower the cost by less than
#: this: it would shift all unknowns together by less than their standard uncertainty.
ACCEPTED_GAIN = 0.5


@dataclass(frozen=True)
class RingAdjustment:
    """Result of an adjustment of photographs of the ring.

    state : the unknowns at the solution; layout : their columns.
    covariance : (n, n); information : source -> (n, n), the shares of the total information.
    shifts : kind of edge -> (n,) change of the unknowns per pixel by which all its edges are moved along their normals.
    residual_px : photo -> kind -> (m,) residuals along the normal, px; weight : the robust weights (m,) likewise.
    scale : photo -> kind -> factor by which the points' own uncertainty was multiplied, correlation included; single :
        the same without the correlation.
    correlated_sigma : standard deviation of correlated errors of tip edges, seen from the side and from overhead, in
        sigmas of a point.
    run_scale : photo -> kind -> (runs,) factors on the standard deviations of all correlated errors of a run of edge.
    prior_cost : source -> how far the solution is from the prior values, as a sum of squares in standard uncertainties.
    prior_redundancy : source -> the expected value of that sum.
    iterations : how many were needed.
    """

    state: RingState
    layout: Layout
    views: tuple[ObservedView, ...]
    covariance: Array
    information: dict[str, Array]
    shifts: dict[str, Array]
    residual_px: list[dict[str, Array]]
    weight: list[dict[str, Array]]
    scale: list[dict[str, float]]
    single: list[dict[str, float]]
    correlated_sigma: tuple[float, float]
    run_scale: list[dict[str, Array]]
    prior_cost: dict[str, float]
    prior_redundancy: dict[str, float]
    iterations: int

    def marker_residual_px(self, photo: int) -> Array:
        """Residuals (m,) px across the sides of markers, less the offset outwards that all of them share.

        Less no more than is usual: markers of another size are another ring's.
        """
        r, w = self.residual_px[photo]["ring"], self.weight[photo]["ring"]
        usual_px = 2 * CORRELATED_ERRORS.marker_growth_px
        out: Array = r - (np.clip(np.average(r, weights=w), -usual_px, usual_px) if w.any() else 0.0)
        return out

    def rms_px(self, photo: int, kind: str) -> float:
        """Robustly weighted root mean square residual, px; nan without points. Of markers less what they share.

        Of tips without saturated points, if there are others: glare moves those by a pixel and more.
        """
        r, w = self.residual_px[photo].get(kind), self.weight[photo].get(kind)
        if r is None or w is None or not len(r):
            return float("nan")
        if kind == "ring":
            r = self.marker_residual_px(photo)
        tips = self.views[photo].tips_of(TIP_KINDS[kind]) if kind in TIP_KINDS else None
        if tips is not None and not tips.shared_px.all():
            w = np.where(tips.shared_px > 0, 0.0, w)
        return float(np.sqrt((w * r**2).sum() / max(w.sum(), 1e-9)))


@dataclass(frozen=True)
class Adjustment(RingAdjustment):
    """Result of an adjustment with a rotor."""

    state: State

    @property
    def from_above(self) -> bool:
        """Whether no photograph shows tips from the side."""
        return seen_from_above(self.views)

    @property
    def birge_ratio_squared(self) -> float:
        """Square of how much the blades bend, as a ratio to what is expected (Birge, Phys. Rev. 40, 1932, 207)."""
        return self.prior_cost["smoothness"] / max(self.prior_redundancy["smoothness"], 1.0)

    def implausibility(self) -> float:
        """How unlike other rotors this one is: excess of the cost of `ROTOR_PRIORS`, in its standard deviations.

        Or by how many of its own the overlap is unusual, a single number that is lost among so many, or its tips are on
        the mean: of those all may be worn more than is usual, so that the excess would say too much.
        """
        redundancy = _of_rotors(self.prior_redundancy)
        excess = (self.rotor_cost - redundancy) / np.sqrt(2 * max(redundancy, 1.0))
        return float(max(excess, *(self.unlike(source) for source in ("overlap", "tip wear"))))

    def unlike(self, source: str) -> float:
        """Root mean square of how far the values of a source are from what was known, in their standard deviations."""
        return float(np.sqrt(self.prior_cost.get(source, 0.0) / max(self.prior_redundancy.get(source, 1.0), 1.0)))

    @property
    def rotor_cost(self) -> float:
        """Cost of `ROTOR_PRIORS`."""
        return _of_rotors(self.prior_cost)


def _of_rotors(by_source: Mapping[str, float]) -> float:
    return sum(by_source.get(source, 0.0) for source in ROTOR_PRIORS)


def seen_from_above(views: Sequence[ObservedView]) -> bool:
    """Whether all tips that are seen are seen from inside their cylinder."""
    return all(view.tips is None or bool(view.tips.far.all()) for view in views)


@overload
def adjust(
    ring: Ring, views: tuple[ObservedView, ...], start: State, priors: Priors,
    *, most_iterations: int = 80, rescale: bool = True, must_settle: bool = True, believed: bool = False,
) -> Adjustment: ...  # fmt: skip


@overload
def adjust(
    ring: Ring, views: tuple[ObservedView, ...], start: RingState, priors: Priors,
    *, most_iterations: int = 80, rescale: bool = True, must_settle: bool = True, believed: bool = False,
) -> RingAdjustment: ...  # fmt: skip


def adjust(
    ring: Ring,
    views: tuple[ObservedView, ...],
    start: RingState,
    priors: Priors,
    *,
    most_iterations: int = 160,
    rescale: bool = True,
    must_settle: bool = True,
    believed: bool = False,
) -> RingAdjustment:
    """Adjust all unknowns to all observations.

    Parameters
    ----------
    rescale : estimate scales of the points, and the variance components of correlated errors and of the blades' bend.
    must_settle : for the final adjustment, which has to converge. Others may stop after `most_iterations`, and are
        without correlated errors, which would absorb the residuals of an edge that was taken for another.
    believed : no run of edge has larger errors than others.

    Raises
    ------
    AdjustmentError : it does not converge, or the equations are singular.
    """
    if isinstance(start, State):
        rotor = start.rotor.covered()
        grooves = start.grooves if rotor is start.rotor else np.zeros_like(start.grooves)  # they lie along the splines
        start = replace(start, rotor=rotor.with_tips(priors.tips), grooves=grooves)
    work = _Work(ring, views, start, priors, ADJUST.correlated_sigmas if rescale and must_settle else (0.0, 0.0))
    work.most_run_scale = 1.0 if believed else ADJUST.most_run_scale
    iterations = 0
    for turn in range(MOST_RESCALINGS if rescale else 1):
        change = work.rescale(estimate=turn > 0) if rescale else 0.0
        steady = change < (SCALE_TOLERANCE if must_settle else 5 * SCALE_TOLERANCE)
        last = (steady and turn > (1 if must_settle else 0)) or not rescale or turn + 1 == MOST_RESCALINGS
        # weights change with the scales: full convergence is of use only once these are steady
        digits = not rescale or (must_settle and (steady or last))
        enough = CONVERGED_GAIN if digits else PROVISIONAL_GAIN
        iterations = work.settle(enough, iterations, most_iterations, last=last or not must_settle)
        if iterations >= most_iterations or last:
            break
    if must_settle and iterations >= most_iterations and work.gain > ACCEPTED_GAIN:
        raise AdjustmentError(
            "No rotor was found that fits all these photographs.",
            "Take them again without moving the rotor, and look at the picture of what was found. "
            f"(The adjustment did not settle in {most_iterations} iterations.)",
        )
    found = work.result(iterations)
    outgrown = must_settle and isinstance(found, Adjustment) and _outgrown(found)
    if outgrown and (left := most_iterations - iterations) > 0:
        # beyond its splines a blade is straight: once more with longer ones
        return adjust(ring, views, found.state, priors, most_iterations=left, rescale=rescale, believed=believed)
    return found


def _outgrown(found: Adjustment) -> bool:
    """Whether an end of a blade is seen to lie beyond the splines; one that nothing shows may."""
    rotor = found.state.rotor
    for b, (first, last) in enumerate(rotor.ends):
        at = found.layout[("blade", b)].start + rotor.basis.count  # the heights come first, then both ends
        beyond = rotor.basis.start - first, last - rotor.basis.stop
        sigma = np.sqrt(np.diag(found.covariance)[at : at + 2])
        for off, u in zip(beyond, sigma, strict=True):
            if off * rotor.radius_mm > ADJUST.most_uncovered_mm and off > 3 * u:
                return True
    return False


class _Work:
    """State of one adjustment while it runs."""

    def __init__(
        self,
        ring: Ring,
        views: tuple[ObservedView, ...],
        start: RingState,
        priors: Priors,
        correlated_sigma: tuple[float, float],
    ) -> None:
        self.ring, self.views, self.start, self.priors, self.correlated_sigma = (
            ring,
            views,
            start,
            priors,
            correlated_sigma,
        )
        self.layout = Layout(start)
        self.state = start.copy()
        posed = start.setups if isinstance(start, State) else ()
        setups = [posed.index(v.setup) if v.setup in posed else None for v in views]
        self.equations = Equations(ring, self.layout, views, range(len(views)), setups)
        self.scale: list[dict[str, Scale]] = [{} for _ in views]
        self.rows: list[Rows] = []
        self.rows_at: RingState | None = None
        self.terms_at: RingState | None = None
        self.terms_by: Priors | None = None
        self.unscaled_errors: dict[tuple[int, str], CorrelatedErrors | None] = {}
        #: robust weights at the last scales, the warm start of all that follow until the next; taken from the step
        #: before, they would make the cost depend on the way, and steps might cycle
        self.start_weights: dict[tuple[int, str], Array] = {}
        #: factors on the standard deviations of the correlated errors of each run of edge
        self.run_scale: dict[tuple[int, str], Array] = {}
        self.most_run_scale = ADJUST.most_run_scale
        self.damping = 0.0
        self.gain = np.inf
        self.build()

    def errors_of(self, photo: int, kind: str, sigma: Array) -> CorrelatedErrors | None:
        """Correlated errors of one kind of observation in one photograph, of points with sigmas (m,) px."""
        if not any(self.correlated_sigma):
            return None
        if (photo, kind) not in self.unscaled_errors:
            self.unscaled_errors[photo, kind] = correlated_errors_of(kind, self.views[photo], self.priors.tips)
        errors = self.unscaled_errors[photo, kind]
        return None if errors is None else errors.in_px(sigma, self.correlated_sigma, self.run_scale.get((photo, kind)))

    def build(self) -> None:
        """Normal equations at the present state, with the present scales."""
        if self.rows_at is not self.state:  # they stay when only the scales change
            self.rows, self.rows_at = self.equations.rows(self.state), self.state
        self.built = normals_of(self.rows, self.layout.size, self.scale, self.start_weights, self.errors_of)
        if self.terms_at is not self.state or self.terms_by is not self.priors:
            self.prior_terms = prior_terms(self.state, self.layout, self.priors, self.start)
            self.terms_at, self.terms_by = self.state, self.priors

    @property
    def cost(self) -> float:
        """Robust sum of squares in standard uncertainties, prior information included."""
        return self.built.cost + sum(term.cost for term in self.prior_terms.values())

    def total(self) -> tuple[Array, Array]:
        """Total information (n, n) and right-hand side (n,)."""
        information, right = (part.copy() for part in self.built.equations)
        for term in self.prior_terms.values():
            term.add_to(information, right)
        return information, right

    def covariance(self) -> Array:
        """Covariance (n, n) of the unknowns at the present state."""
        total, _ = self.total()
        diagonal = np.sqrt(np.maximum(np.diag(total), 1e-12))
        out: Array = np.linalg.inv(total / diagonal[:, None] / diagonal) / diagonal[:, None] / diagonal
        return (out + out.T) / 2

    def rescale(self, *, estimate: bool) -> float:
        """Estimate scales (with `estimate` variance components too) from the residuals; the largest relative change."""
        old = self.scale
        self.start_weights = {
            (p, k): r.weight for p, kinds in enumerate(self.built.residuals) for k, r in kinds.items()
        }
        most = dict.fromkeys(TIP_KINDS, ADJUST.most_scale) if estimate else {}
        self.scale = [
            {k: scale_of(r.independent_px / r.sigma_px).at_most(most.get(k, np.inf)) for k, r in kinds.items()}
            for kinds in self.built.residuals
        ]
        if estimate and isinstance(self.state, State):
            covariance = self.covariance()
            self._estimate_bend(covariance)
            if any(self.correlated_sigma):
                self._estimate_correlated_errors(covariance)
        self.build()
        pairs = [(new[k], before[k]) for new, before in zip(self.scale, old, strict=True) for k in new if k in before]
        return max((abs(a.total / b.total - 1) for a, b in pairs), default=np.inf)

    def _estimate_bend(self, covariance: Array) -> None:
        """The variance component of the blades' bend, deg a knot, from its cost and redundancy.

        A prior that is too loose lets the curves follow the metal's texture, one too tight smooths away real bends.
        """
        if seen_from_above(self.views):
            # a bend of the blade and a change of its radius look alike there: the component cannot be estimated
            self.priors = replace(self.priors, bend_sigma_deg=ADJUST.bend_from_above_deg)
            return
        smooth = self.prior_terms["smoothness"]
        bend = self.priors.bend_sigma_deg * np.sqrt(smooth.cost / max(smooth.redundancy(covariance), 1.0))
        self.priors = replace(self.priors, bend_sigma_deg=float(np.clip(bend, *ADJUST.bend_range_deg)))

    def _estimate_correlated_errors(self, covariance: Array) -> None:
        """The variance components of correlated errors, from their squares and redundancy and from the first guess.

        And how much larger than these the errors of single runs are. Most runs lie where their edge is, and a few
        follow something beside it, so that errors of runs have longer tails than a normal distribution; each has the
        scale that it is likeliest to have, as for a t distribution with `run_dof` degrees of freedom (Lange, Little
        and Taylor, J. Am. Stat. Assoc. 84, 1989, 881), but none is trusted more than is usual.
        """
        squares, redundancy = np.zeros(3), np.zeros(3)
        for one in self.built.correlated:
            at = one.rows.columns
            square, redundant = one.squares(covariance[np.ix_(at, at)])
            squares += np.bincount(one.errors.estimates, square, 3)
            redundancy += np.bincount(one.errors.estimates, redundant, 3)
            key, of_run = (one.rows.view, one.rows.kind), one.errors.run != NO_RUN
            if of_run.any():
                run = one.errors.run[of_run]
                before = self.run_scale.get(key, np.ones(1))
                sum_of_squares, free = np.bincount(run, square[of_run]), np.bincount(run, redundant[of_run])
                larger = np.sqrt((sum_of_squares * before**2 + ADJUST.run_dof) / (free + ADJUST.run_dof))
                self.run_scale[key] = np.clip(
                    larger / max(np.quantile(larger, 0.5, method="lower"), 1.0), 1.0, self.most_run_scale
                )
        first, dof = ADJUST.correlated_sigmas, ADJUST.correlated_dof
        least, most = ADJUST.correlated_range_sigmas
        side, above = (
            float(np.clip(np.sqrt((s * q**2 + dof * guess**2) / (f + dof)), least, most))
            for q, guess, s, f in zip(self.correlated_sigma, first, squares, redundancy, strict=False)
        )
        self.correlated_sigma = (side, above)

    def settle(self, enough: float, iterations: int, most: int, *, last: bool) -> int:
        """Levenberg-Marquardt steps until one is expected to lower the cost by less than `enough`; iterations so far.

        That step itself is taken only with the `last` weights, as others make it obsolete.
        """
        while iterations < most:
            total, right = self.total()
            if not np.isfinite(total).all() or not np.isfinite(right).all():
                raise AdjustmentError(
                    "No rotor was found that fits these photographs.", "Check that ring and camera file belong to them."
                )
            diagonal = np.sqrt(np.maximum(np.diag(total), 1e-12))
            scaled = total / diagonal[:, None] / diagonal + self.damping * np.eye(len(right))
            try:
                step = -np.linalg.solve(scaled, right / diagonal) / diagonal
            except np.linalg.LinAlgError as e:
                raise AdjustmentError(
                    "These photographs do not say enough of the rotor.", "Add a photograph from another side."
                ) from e
            gain = self.gain = float(-right @ step)  # expected fall of the cost
            if gain < enough and not last:
                break
            iterations += 1
            before, cost = (self.state, self.built, self.prior_terms), self.cost
            self.state = applied(self.state, self.layout, step)
            self.build()
            if self.cost > cost + 1e-6 * abs(cost) and gain > enough and self.damping < 1e6:
                self.state, self.built, self.prior_terms = before
                self.damping = max(10 * self.damping, 1e-3)
                continue
            self.damping = self.damping / 10 if self.damping > 1e-6 else 0.0
            if gain < enough:
                break
        return iterations

    def result(self, iterations: int) -> RingAdjustment:
        """The adjustment at the present state."""
        covariance = self.covariance()
        information = {k: p.information for k, p in self.prior_terms.items()} | self.built.information
        residuals = self.built.residuals
        found = RingAdjustment(
            self.state,
            self.layout,
            self.views,
            covariance,
            information,
            shifts={k: covariance @ v for k, v in self.built.shifts.items()},
            residual_px=[{k: r.px for k, r in kinds.items()} for kinds in residuals],
            weight=[{k: r.weight for k, r in kinds.items()} for kinds in residuals],
            scale=[{k: s.total for k, s in kinds.items()} for kinds in self.scale],
            single=[{k: s.single for k, s in kinds.items()} for kinds in self.scale],
            correlated_sigma=self.correlated_sigma,
            run_scale=[{k: s for (of, k), s in self.run_scale.items() if of == p} for p in range(len(self.views))],
            prior_cost={k: p.cost for k, p in self.prior_terms.items()},
            prior_redundancy={k: p.redundancy(covariance) for k, p in self.prior_terms.items()},
            iterations=iterations,
        )
        return Adjustment(**vars(found)) if isinstance(self.state, State) else found
