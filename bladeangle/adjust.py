"""The joint adjustment: one least-squares model for every photograph, from one overhead picture to a walk round the rotor.

Unknowns: camera intrinsics, pose and small focus and principal-point changes of each photograph, stretch and bend of the
sheet and the place of its pieces, the rotor's pose in each standing position, tip radius, blade thickness, one smooth tip
curve and two ends per blade, and radius and height of each hub circle. Every observation is a point in a picture with a
normal: its residual is the distance along the normal from the predicted curve, divided by its standard uncertainty. The
place along the curve is taken afresh from the picture in every iteration; it does not change the residual to first order,
so the derivatives are exact without it. What is known beforehand enters as observations of the unknowns.

The covariance of the unknowns is the inverse of the total information, which is kept apart by source: the share of the
source k in the covariance C of any function is C N_k C, and the shares add up (JCGM 100, 5.1 and 5.2, for a linear model).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from bladeangle.errors import AdjustmentError
from bladeangle.geometry import Array
from bladeangle.model import TIP_KINDS, Equations, Ints, Layout, State, View, applied
from bladeangle.priors import Priors, prior_rows
from bladeangle.ring import Ring

#: Residuals, in standard uncertainties, at which the weight of a point has fallen to a half (Cauchy's loss).
ROBUST_WIDTH = 3.0
#: Numbers of neighbours along an edge whose means are compared with single points; about a third of, and a whole, station.
BLOCKS = (6, 16)
#: First guess, least and most of the sway of a tip edge in one photograph, px, and the length on which it varies, px.
SWAY_PX = 0.2
SWAY_RANGE_PX = (0.05, 0.4)
SWAY_LENGTH_PX = 250.0
#: Least and most bend of the tip curves, deg a knot, that is believed.
BEND_RANGE_DEG = (0.15, 2.0)
#: How often the points' uncertainty is taken afresh from their residuals.
RESCALINGS = 3
#: The adjustment has settled when a step can lower the cost (a sum of squares in standard uncertainties) by no more.
SETTLED = 0.02


@dataclass(frozen=True)
class Adjustment:
    """Result of the adjustment.

    state : the unknowns at the solution; layout : their columns.
    covariance : (n, n); information : source -> (n, n), the shares of the total information.
    shifts : kind of edge -> (n,) change of the unknowns per pixel by which all its edges are moved along their normals.
    residual_px : photo -> kind -> (m,) residuals along the normal, px; weight : the robust weights (m,) likewise.
    scale : photo -> kind -> factor by which the points' own uncertainty was multiplied, correlation included.
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
    iterations: int

    def rms_px(self, photo: int, kind: str) -> float:
        """Robustly weighted root mean square residual, px; nan without points."""
        r, w = self.residual_px[photo].get(kind), self.weight[photo].get(kind)
        return float("nan") if r is None or w is None or not len(r) else float(np.sqrt((w * r**2).sum() / max(w.sum(), 1e-9)))


def _bend(priors: Priors, built: _Built, known: dict[str, Known]) -> float:
    """How much these blades bend, deg a knot, from their own curves (variance component, Helmert's simple estimate).

    A prior that is too loose lets the curves follow every texture, one too tight irons out what a bender did.
    """
    smooth = known.get("smoothness")
    if smooth is None:
        return priors.bend_sigma_deg
    total = built.information["photographs"] + sum(p.information for p in known.values())
    diagonal = np.sqrt(np.maximum(np.diag(total), 1e-12))
    share = np.linalg.solve(total / diagonal[:, None] / diagonal, smooth.information / diagonal[:, None] / diagonal)
    rows = int(np.linalg.matrix_rank(smooth.information))
    redundancy = max(rows - float(np.trace(share)), 1.0)
    return float(np.clip(priors.bend_sigma_deg * np.sqrt(smooth.cost / redundancy), *BEND_RANGE_DEG))


def _spread(residual: Array, floor: float = 0.5) -> float:
    """Factor by which residuals (m,) in standard uncertainties, in the order of the trace, exceed what was claimed.

    The robust spread of single points, times the root of the growth of the variance of means over `BLOCKS` neighbours (one if
    the points are independent): texture, compression and model error are correlated along an edge.
    """
    good = np.isfinite(residual)
    r = residual[good]
    if len(r) < 20:
        return 1.0
    single = 1.4826 * float(np.median(np.abs(r)))
    kept = np.clip(r, -3 * single, 3 * single)
    growth = 1.0
    for size in BLOCKS:
        blocks = kept[: len(kept) // size * size].reshape(-1, size)
        if len(blocks) >= 6:
            growth = max(growth, size * float((blocks.mean(1) ** 2).mean()) / max(float((kept**2).mean()), 1e-12))
    return max(single, floor) * float(np.sqrt(min(growth, 10.0)))


def adjust(ring: Ring, views: tuple[View, ...], start: State, priors: Priors, *, most_iterations: int = 60, rescale: bool = True, must_settle: bool = True) -> Adjustment:
    """Adjust all unknowns to all observations.

    Raises
    ------
    AdjustmentError : it does not converge, or the equations are singular.
    """
    layout = Layout(start)
    state = start.copy()
    standing = [
        state.standings.index(v.standing) if state.rotor is not None and v.standing in state.standings else None
        for v in views
    ]
    scale: list[dict[str, float]] = [{} for _ in views]
    damping, fresh, iteration = 0.0, 0, 0
    sway_px = SWAY_PX if rescale and must_settle else 0.0  # only the last word: on the way it would hide a wrong edge
    built = _build(ring, views, state, layout, standing, scale, sway_px)
    known = prior_rows(state, layout, priors, start)
    while True:
        if rescale and fresh < RESCALINGS:
            # Let the residuals say how good the points are: at first they are large because the start is, and the
            # robust weights would not know which points to believe.
            fresh += 1
            scale = [{k: _spread(free / s) for k, (_, s, _, free) in kinds.items()} for kinds in built.residuals]
            if fresh > 1 and built.sway[1] > 3:
                sway_px = float(np.clip(sway_px * np.sqrt(built.sway[0] / built.sway[1]), *SWAY_RANGE_PX))
            built = _build(ring, views, state, layout, standing, scale, sway_px)
            if fresh > 1:
                priors = replace(priors, bend_sigma_deg=_bend(priors, built, known))
            known = prior_rows(state, layout, priors, start)
        while True:
            iteration += 1
            total = built.information["photographs"] + sum(p.information for p in known.values())
            right = built.right + sum(p.right for p in known.values())
            if not np.isfinite(total).all() or not np.isfinite(right).all():
                raise AdjustmentError(
                    "The adjustment ran away from the photographs.", "Check that ring and camera file belong to them."
                )
            if iteration > most_iterations and must_settle:
                raise AdjustmentError(
                    f"The adjustment did not settle in {most_iterations} iterations.",
                    "Look at the picture of what was found; take the photographs again without moving the rotor.",
                )
            if iteration > most_iterations:
                break
            diagonal = np.sqrt(np.maximum(np.diag(total), 1e-12))
            scaled = total / diagonal[:, None] / diagonal
            try:
                step = -np.linalg.solve(scaled + damping * np.eye(layout.size), right / diagonal) / diagonal
            except np.linalg.LinAlgError as e:
                raise AdjustmentError(
                    "The adjustment's equations are singular.", "Add a photograph from another side."
                ) from e
            tried = applied(state, layout, step)
            after = _build(ring, views, tried, layout, standing, scale, sway_px)
            after_known = prior_rows(tried, layout, priors, start)
            gain = float(-right @ step)  # expected fall of the cost, in units of a squared standard uncertainty
            cost = built.cost + sum(p.cost for p in known.values())
            worse = after.cost + sum(p.cost for p in after_known.values()) > cost + 1e-6 * abs(cost)
            if worse and gain > SETTLED and damping < 1e6:
                damping = max(10 * damping, 1e-3)
                continue
            damping = damping / 10 if damping > 1e-6 else 0.0
            state, built, known = tried, after, after_known
            if gain < SETTLED * (100.0 ** (RESCALINGS - fresh) if rescale else 1.0):
                break
        if not rescale or fresh >= RESCALINGS or iteration > most_iterations:
            break
    total = built.information["photographs"] + sum(p.information for p in known.values())
    diagonal = np.sqrt(np.maximum(np.diag(total), 1e-12))
    scaled = total / diagonal[:, None] / diagonal
    covariance = np.linalg.inv(scaled) / diagonal[:, None] / diagonal
    information = {k: p.information for k, p in known.items()} | {k: n for k, n in built.information.items() if k != "photographs"}
    return Adjustment(
        state, layout, views, (covariance + covariance.T) / 2, information,
        {k: covariance @ v for k, v in built.shifts.items()},
        [{k: r for k, (r, *_) in kinds.items()} for kinds in built.residuals],
        [{k: w for k, (_, _, w, _) in kinds.items()} for kinds in built.residuals],
        scale, iteration,
    )  # fmt: skip


@dataclass
class _Built:
    """Normal equations from all photographs."""

    information: dict[str, Array]
    right: Array
    shifts: dict[str, Array]
    cost: float
    residuals: list[dict[str, tuple[Array, Array, Array, Array]]]  # photo -> kind -> residual, sigma, weight, free of sway
    sway: list[float] = field(default_factory=lambda: [0.0, 0.0])  # sum of squares in sigmas, and how many it stands for


def _build(ring: Ring, views: tuple[View, ...], state: State, layout: Layout, standing: list[int | None], scale: list[dict[str, float]], sway_px: float) -> _Built:
    n = layout.size
    sources = {"ring": "ring corners", "inlet tips": "tip edges", "outlet tips": "tip edges", "end": "blade ends", "circle": "hub circles seen"}
    built = _Built({s: np.zeros((n, n)) for s in [*sources.values(), "photographs"]}, np.zeros(n), {}, 0.0, [])
    for p, view in enumerate(views):
        equations = Equations(ring, layout, state, p, standing[p])
        at = np.ix_(equations.columns, equations.columns)
        kinds: dict[str, tuple[Array, Array, Array, Array]] = {}
        for kind, residual, jac, sigma in equations.rows(view):
            claimed = sigma * scale[p].get(kind, 1.0)
            missed = ~np.isfinite(residual)
            r = np.where(missed, 0.0, residual)
            traces = _traces(kind, view, claimed, sway_px)
            weight, swayed = _weigh(r, claimed, missed, traces)
            w = weight / claimed**2
            normal = jac.T @ (w[:, None] * jac)
            right = jac.T @ (w * r)
            z = (r - swayed) / claimed
            built.cost += float((ROBUST_WIDTH**2 * np.log1p((z / ROBUST_WIDTH) ** 2))[~missed].sum())
            reduced: list[tuple[Array, Array, Array]] = []
            for rows, shape, known in traces:
                by = shape.T @ (w[rows, None] * jac[rows])
                kernel = np.linalg.inv(known + shape.T @ (w[rows, None] * shape))
                pull = kernel @ (shape.T @ (w[rows] * r[rows]))
                normal -= by.T @ kernel @ by
                right -= by.T @ pull
                built.cost += float(pull @ known @ pull)
                built.sway[0] += float(pull @ known @ pull)
                built.sway[1] += len(known) - float(np.trace(kernel @ known))
                reduced.append((rows, shape, by.T @ kernel))
            built.information[sources[kind]][at] += normal
            built.information["photographs"][at] += normal
            built.right[equations.columns] += right
            for name, sign in _directions(kind, view):
                vector = built.shifts.setdefault(name, np.zeros(n))
                vector[equations.columns] += jac.T @ (w * sign)
                for rows, shape, reduction in reduced:
                    vector[equations.columns] -= reduction @ (shape.T @ (w[rows] * sign[rows]))
            kinds[kind] = (residual, sigma, weight, np.where(missed, np.nan, r - swayed))
        built.residuals.append(kinds)
    return built


Trace = tuple[Ints, Array, Array]


def _traces(kind: str, view: View, claimed: Array, sway_px: float) -> list[Trace]:
    """Runs of one tip edge in one photograph: rows (m,), shapes (m, 3) of an unknown sway, and its information (3, 3).

    Shading, texture and the roundness of a deburred edge move a whole run of it, not single points. Such a run may be
    shifted, turned and bowed a little as a whole; the sway is eliminated from the equations, never shown as a result.
    """
    if kind not in TIP_KINDS or sway_px <= 0:
        return []
    tips = view.tips_of(TIP_KINDS[kind])
    assert tips is not None
    out = []
    for b in np.unique(tips.blade):
        rows = np.flatnonzero(tips.blade == b)
        along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(tips.px[rows], axis=0), axis=1))])
        x = (along - along.mean()) / SWAY_LENGTH_PX
        shape = np.stack([np.ones(len(x)), x, x**2 - (x**2).mean()], 1)
        faint = float(np.clip(np.median(claimed[rows]) / 0.15, 0.7, 3.0))
        sigma = sway_px * faint * np.array([1.0, 1.0, 0.5])
        out.append((rows, shape, np.diag(1 / sigma**2)))
    return out


def _weigh(r: Array, claimed: Array, missed: NDArray[np.bool_], traces: list[Trace]) -> tuple[Array, Array]:
    """Robust weights (m,) of residuals r (m,) px, and the sway (m,) px that the traces take off them."""
    swayed = np.zeros_like(r)
    weight = np.where(missed, 0.0, 1.0)
    for _ in range(4 if traces else 1):
        for rows, shape, known in traces:
            w = weight[rows] / claimed[rows] ** 2
            fit = np.linalg.solve(known + shape.T @ (w[:, None] * shape), shape.T @ (w * r[rows]))
            swayed[rows] = shape @ fit
        weight = np.where(missed, 0.0, 1 / (1 + ((r - swayed) / claimed / ROBUST_WIDTH) ** 2))
    return weight, swayed


def _directions(kind: str, view: View) -> Iterator[tuple[str, Array]]:
    """Kinds of edge that can be biased together, with +1, 0, -1 for each point by how its normal points."""
    if kind == "ring":
        yield "ring", np.ones(len(view.sighting.px))
    if kind in TIP_KINDS and view.tips is not None:
        yield kind, np.ones(int((view.tips.face == TIP_KINDS[kind]).sum()))
    if kind == "circle" and view.circles is not None:
        yield "hub", np.ones(len(view.circles.px))
