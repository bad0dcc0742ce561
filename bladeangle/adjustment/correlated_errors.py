"""View -> what of its edges may sway: runs that lie off together, as grooves, shading and glare move them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from bladeangle.adjustment.model import TIP_KINDS, Ints, View
from bladeangle.base.geometry import Array, block_diagonal, forgetting, hats

#: Distance along a tip edge, mm, over which its errors correlate, seen from the side and from overhead, and between its
#: knots. Path-traced photographs of turned metal, at the true edge: from the side products of errors fall to a half in
#: 6 to 8 mm and to nothing in 20 on each of six rotors, as grooves cross the edges of the tip land; from overhead they
#: are small on some rotors and on others reach over 30 mm and more.
LENGTH_MM = (10.0, 30.0)
KNOT_MM = (6.0, 20.0)
#: Distance, px, over which what points share beside the sway (`TipPoints.shared_px`) is forgotten.
SHARED_LENGTH_PX = 600.0
#: Sway of a hub circle as a whole, px, once and twice round the turn. Light comes from one side, and the rim
#: is not sharp; centres of rendered hubs lie off by this much though a circle has hundreds of points.
CIRCLE_SWAY_PX = 0.2


@dataclass(frozen=True)
class Traces:
    """The runs of one kind of edge in one photograph that may sway, of which nothing is shown as a result.

    shape : (m, q) of unknown sways; known : (q, q) their information.
    scaled : (q,) the sway that each is a multiple of (0 from the side, 1 from overhead), in sigmas of the points; 2 for
    none, in px.
    tells : (q,) of which of these sways it tells; 2 for none: a hub circle, an edge that glares.
    """

    shape: Array
    known: Array
    scaled: Ints
    tells: Ints

    def swaying(self, sigma: Array, sway: tuple[float, float]) -> Traces:
        """The same in px, with points of these sigmas (m,) px."""
        shape = self.shape * np.where(self.scaled < 2, sigma[:, None], 1.0)
        size = np.array([*sway, 1.0])[self.scaled]
        return Traces(shape, self.known / size[:, None] / size, self.scaled, self.tells)

    def kernel(self, w: Array) -> Array:
        """Covariance (q, q) of the sways as points of weights w (m,) alone tell them."""
        return np.asarray(np.linalg.inv(self.known + (self.shape.T * w) @ self.shape), np.float64)


def traces_of(kind: str, view: View) -> Traces | None:
    """The runs of edge that may sway by one, or None where none do.

    Grooves, shading and the roundness of a deburred edge move runs of it, not single points. Along the edge the sway is
    a random walk that forgets (correlation exp(-distance / `LENGTH_MM`)), linear between knots, and as large as
    `sway` times the points' own sigma; it is eliminated from the equations.
    """
    if kind == "circle" and view.circles is not None:
        circle = view.circles.circle
        psi = np.arctan2(view.circles.normal[:, 1], view.circles.normal[:, 0])
        shape = np.stack([np.cos(psi), np.sin(psi), np.cos(2 * psi), np.sin(2 * psi)], 1)
        mine = circle[:, None] == np.unique(circle)
        each = (mine[:, :, None] * shape[:, None]).reshape(len(psi), -1)
        none = np.full(each.shape[1], 2)
        return Traces(each, np.eye(len(none)) / CIRCLE_SWAY_PX**2, none, none)
    if kind not in TIP_KINDS:
        return None
    tips = view.tips_of(TIP_KINDS[kind])
    assert tips is not None
    shapes, known, scaled, tells = [], [], [], []
    for b in np.unique(tips.blade):
        rows = np.flatnonzero(tips.blade == b)
        along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(tips.px[rows], axis=0), axis=1))])
        length = max(float(along[-1]), 1.0)  # of a single point too
        shared, far = tips.shared_px[rows], int(tips.far[rows[0]])
        walks = [(KNOT_MM[far] * view.px_per_mm, LENGTH_MM[far] * view.px_per_mm, np.ones(len(rows)), far)]
        if shared.any():
            walks.append((SHARED_LENGTH_PX / 4, SHARED_LENGTH_PX, shared, 2))
        for knot_px, length_px, size, which in walks:
            knots = np.linspace(0.0, length, int(np.ceil(length / knot_px)) + 1)
            shape = np.zeros((len(tips.px), len(knots)))
            shape[rows] = hats(along, knots) * size[:, None]
            shapes.append(shape)
            known.append(forgetting(knots, length_px))
            scaled.append(np.full(len(knots), which))
            tells.append(np.full(len(knots), 2 if shared.any() else far))  # glare says nothing of the usual sway
    return Traces(np.hstack(shapes), block_diagonal(known), np.concatenate(scaled), np.concatenate(tells))


def swaying(kind: str, view: View, sigma: Array, sway: tuple[float, float]) -> Traces | None:
    """`traces_of` in px, with points of these sigmas (m,) px; None also where nothing sways."""
    traces = traces_of(kind, view) if any(sway) else None
    return None if traces is None else traces.swaying(sigma, sway)
