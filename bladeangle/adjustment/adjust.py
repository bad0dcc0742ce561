"""The joint adjustment: one least-squares model for every photograph, from one picture to a walk round the rotor.

Unknowns: camera intrinsics, pose and small focus and principal-point changes of each photograph, stretch and bend of
the sheet and the place of its pieces, the rotor's pose in each standing position, tip radius and its departures along
every blade, blade thickness, one smooth tip curve and two ends per blade, and radius and height of each hub circle.
Every observation is a point in a picture with a normal: its residual is the distance along the normal from the
predicted curve, divided by its standard uncertainty. The place along the curve is taken afresh from the picture in
every iteration; it does not change the residual to first order, so the derivatives are exact without it. What is known
beforehand enters as observations of the unknowns.

The covariance of the unknowns is the inverse of the total information, which is kept apart by source: the share of the
source k in the covariance C of any function is C N_k C, and the shares add up (JCGM 100, 5.1 and 5.2, for a linear
model).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from bladeangle.adjustment.correlated_errors import Traces, traces_of
from bladeangle.adjustment.equations import Equations, Rows
from bladeangle.adjustment.model import TIP_KINDS, Layout, State, View, applied
from bladeangle.adjustment.normals import Scale, normals_of, spread_of
from bladeangle.adjustment.priors import Priors, prior_rows
from bladeangle.base.errors import AdjustmentError
from bladeangle.base.geometry import Array
from bladeangle.imaging.ring import Ring

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
#: The bend, deg a knot, that is taken for usual where all photographs are taken from above: of twelve rendered pairs
#: of used rotors 84 % of the 95 % intervals held with it, 81 % with 0.5, 74 % with 1.2 and 68 % with 2.
BEND_FROM_ABOVE_DEG = 0.8
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

    @property
    def from_above(self) -> bool:
        """Whether no photograph shows tips from the side."""
        return seen_from_above(self.views)

    @property
    def birge_ratio_squared(self) -> float:
        """Square of how much the blades bend, as a ratio to what is expected (Birge, Phys. Rev. 40, 1932, 207)."""
        return self.prior_cost["smoothness"] / max(self.prior_freedom["smoothness"], 1.0)

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


def seen_from_above(views: Sequence[View]) -> bool:
    """Whether all tips that are seen are seen from inside their cylinder."""
    return all(view.tips is None or bool(view.tips.far.all()) for view in views)


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
    if start.rotor is not None:
        rotor = start.rotor.covered()
        grooves = start.grooves if rotor is start.rotor else np.zeros_like(start.grooves)  # they lie along the splines
        start = replace(start, rotor=rotor.with_tips(priors.tips), grooves=grooves)
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
        self.built = normals_of(self.rows, self.layout.size, self.scale, self.weights, self.traces)
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
            {k: spread_of(free / s).at_most(most.get(k, np.inf)) for k, (_, s, _, free) in kinds.items()}
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
        if seen_from_above(self.views):
            # a bend of the blade and a change of its radius look alike there, and neither tells of the other
            self.priors = replace(self.priors, bend_sigma_deg=BEND_FROM_ABOVE_DEG)
            return
        smooth = self.known["smoothness"]
        bend = self.priors.bend_sigma_deg * np.sqrt(smooth.cost / max(smooth.freedom(covariance), 1.0))
        self.priors = replace(self.priors, bend_sigma_deg=float(np.clip(bend, *BEND_RANGE_DEG)))

    def _estimate_sway(self, covariance: Array) -> None:
        """How much runs of edge sway, from what the traces show over what the curves have swallowed."""
        squares, freedom = np.zeros(3), np.zeros(3)
        for one in self.built.swaying:
            assert one.traces is not None
            square, free = one.told(covariance[np.ix_(one.rows.columns, one.rows.columns)])
            squares += np.bincount(one.traces.tells, square, 3)
            freedom += np.bincount(one.traces.tells, free, 3)
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
