"""ObservedView -> its correlated errors: runs of edge that lie off together, as grooves, shading and saturation do.

Along an edge the error is a first-order Gauss-Markov process (correlation exp(-distance / length)), a standard
deviation of `correlated_sigma` times the points' own, linear between knots. The values at the knots are unknowns of
which no result is made; they are marginalised out of the normal equations.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from bladeangle.adjustment.model import TIP_KINDS, Ints, ObservedView, TipPoints
from bladeangle.base.geometry import Array, block_diagonal, exponential_precision, hats
from bladeangle.tuning.adjustment import CORRELATED_ERRORS
from bladeangle.tuning.priors import TipCondition

#: Variance components that the sizes of correlated errors belong to: tip edges from the side, from overhead, and none:
#: errors of a given size in px.
SIDE, OVERHEAD, FIXED = 0, 1, 2
#: Of values that belong to no run of edge.
NO_RUN = -1


@dataclass(frozen=True)
class CorrelatedErrors:
    """The correlated errors of one kind of edge in one photograph: q values at knots, of m points.

    shape : (m, q) error of each point for one unit of each value; information : (q, q) prior information of the values.
    component : (q,) the variance component that scales each value: `SIDE` and `OVERHEAD` count in sigmas of a point,
    `FIXED` in px.
    estimates : (q,) the variance component to whose estimate each value contributes. Of a saturated edge that is none:
    how it errs says nothing of the usual size.
    run : (q,) the run of edge that each value belongs to, numbered from 0; `NO_RUN` for what no run of a tip has alone.
    """

    shape: Array
    information: Array
    component: Ints
    estimates: Ints
    run: Ints

    def in_px(
        self, sigma: Array, correlated_sigma: tuple[float, float], run_scale: Array | None = None
    ) -> CorrelatedErrors:
        """The same in px, of points with standard uncertainties sigma (m,) px.

        run_scale : (runs,) factors on the standard deviations of all that each run has; None for one.
        """
        shape = self.shape * np.where(self.component == FIXED, 1.0, sigma[:, None])
        size = np.array([*correlated_sigma, 1.0])[self.component]
        if run_scale is not None:
            size = size * np.where(self.run == NO_RUN, 1.0, run_scale[self.run])
        return replace(self, shape=shape, information=self.information / size[:, None] / size)

    def covariance(self, weight: Array) -> Array:
        """Covariance (q, q) of the values given all other unknowns, from points of weights (m,) 1/px2."""
        return np.asarray(np.linalg.inv(self.information + (self.shape.T * weight) @ self.shape), np.float64)


def correlated_errors_of(kind: str, view: ObservedView, tips: TipCondition | None) -> CorrelatedErrors | None:
    """The correlated errors of one kind of observation in a photograph; None for kinds that have none.

    tips : whose waviness moves edges seen from overhead; None for cylinders.
    """
    if kind == "ring":
        return _of_marker_sides(len(view.sighting.px))
    if kind == "circle":
        return None if view.circles is None else _of_circles(view.circles.circle, view.circles.normal)
    points = view.tips_of(TIP_KINDS[kind]) if kind in TIP_KINDS else None
    if points is None or view.tips is None:
        return None
    return _of_tips(points, view.px_per_mm, tips, OVERHEAD if view.tips.far.all() else SIDE)


def _of_marker_sides(count: int) -> CorrelatedErrors:
    """An offset of all `count` points outwards: tone curve, sharpening and stray light make dark markers larger or
    smaller by so many pixels, however far away and however oblique they are seen.

    Print that is too fat or too thin (`RingState.sheet`) is foreshortened, and so no substitute.
    """
    fixed = np.array([FIXED])
    return CorrelatedErrors(
        np.ones((count, 1)), np.eye(1) / CORRELATED_ERRORS.marker_growth_px**2, fixed, fixed, np.array([NO_RUN])
    )


def _of_circles(circle: Ints, normal: Array) -> CorrelatedErrors:
    """Harmonics once and twice round each hub circle, of points (m,) with normals (m, 2)."""
    psi = np.arctan2(normal[:, 1], normal[:, 0])
    harmonics = np.stack([np.cos(psi), np.sin(psi), np.cos(2 * psi), np.sin(2 * psi)], 1)
    mine = circle[:, None] == np.unique(circle)
    shape = (mine[:, :, None] * harmonics[:, None]).reshape(len(psi), -1)
    fixed = np.full(shape.shape[1], FIXED)
    return CorrelatedErrors(
        shape, np.eye(len(fixed)) / CORRELATED_ERRORS.circle_error_px**2, fixed, fixed, np.full(len(fixed), NO_RUN)
    )


def _of_tips(tips: TipPoints, px_per_mm: float, condition: TipCondition | None, seen_from: int) -> CorrelatedErrors:
    """A Gauss-Markov process along each blade's edge, another where it is saturated, and an offset of all of it.

    What one photograph from the side shows of a blade on its near and on its far side are two edges, which err alike.

    Seen from inside the tip cylinder, where radii are seen directly, waviness of the tip is a third: there it counts
    more than on the near side, four times as much from overhead, and unless it is known to be an error such an edge is
    trusted too much.
    """
    shapes, information, component, estimates, run = [], [], [], [], []
    for n, (b, far) in enumerate(np.unique(np.column_stack([tips.blade, tips.far]), axis=0)):
        rows = np.flatnonzero((tips.blade == b) & (tips.far == far))
        along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(tips.px[rows], axis=0), axis=1))])
        length = max(float(along[-1]), 1.0)  # of a single point too
        shared = tips.shared_px[rows]
        knot_px = CORRELATED_ERRORS.knot_mm[seen_from] * px_per_mm
        length_px = CORRELATED_ERRORS.length_mm[seen_from] * px_per_mm
        processes = [(knot_px, length_px, np.ones(len(rows)), seen_from)]
        if shared.any():
            shared_px = CORRELATED_ERRORS.shared_length_px
            processes.append((shared_px / 4, shared_px, shared, FIXED))
        if far and condition is not None:
            length_px = condition.waviness_length_mm * px_per_mm
            waviness_px = np.full(len(rows), condition.waviness_mm * px_per_mm)
            processes.append((CORRELATED_ERRORS.waviness_knots * length_px, length_px, waviness_px, FIXED))
        for knot_px, length_px, size, which in processes:
            knots = np.linspace(0.0, length, int(np.ceil(length / knot_px)) + 1)
            shape = np.zeros((len(tips.px), len(knots)))
            shape[rows] = hats(along, knots) * size[:, None]
            shapes.append(shape)
            information.append(exponential_precision(knots, length_px))
            component.append(np.full(len(knots), which))
            estimates.append(np.full(len(knots), FIXED if shared.any() else seen_from))
            run.append(np.full(len(knots), n))
        offset = np.zeros((len(tips.px), 1))
        offset[rows] = CORRELATED_ERRORS.offset_mm * px_per_mm
        shapes.append(offset)
        information.append(np.eye(1))
        component.append(np.array([FIXED]))
        estimates.append(np.array([FIXED]))
        run.append(np.array([n]))
    return CorrelatedErrors(
        np.hstack(shapes), block_diagonal(information), *(np.concatenate(of) for of in (component, estimates, run))
    )


def correlated_errors_in_px(
    kind: str,
    view: ObservedView,
    tips: TipCondition | None,
    sigma: Array,
    correlated_sigma: tuple[float, float],
    run_scale: Array | None = None,
) -> CorrelatedErrors | None:
    """`correlated_errors_of` in px, of points with sigmas (m,) px; None also where they are taken to be zero.

    run_scale : (runs,) as of `CorrelatedErrors.in_px`.
    """
    errors = correlated_errors_of(kind, view, tips) if any(correlated_sigma) else None
    return None if errors is None else errors.in_px(sigma, correlated_sigma, run_scale)
