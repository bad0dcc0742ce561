"""Adjustment -> how far pictures are sheared or stretched as a whole, as a rolling shutter makes them.

A phone reads a picture out line by line, in some hundredths of a second. A hand that moves meanwhile shears the
picture or stretches it across the lines. The ring is plane, so that its picture has the eight degrees of freedom of a
homography (Hartley and Zisserman, Multiple View Geometry, 2004, 2.3, from memory), of which a pose takes six: the other
two tell shear and stretch, apart from those of the sheet, which all photographs share. So the ring is adjusted by
itself, which no rotor pulls at, and each photograph in turn is given these two unknowns (`own_unknowns.py`).

Where the shear is large, the scale of the markers' residuals has grown with it, so that they weigh less and the angles
are less wrong; what is said of them holds with these weights.

Not covered: two pictures sheared alike by the sheet, which look like a sheet that was printed so.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields

import numpy as np

from bladeangle.adjustment.adjust import Adjustment, RingAdjustment, adjust
from bladeangle.adjustment.model import TIP_KINDS, CirclePoints, EndPoints, RingState, State, TipPoints
from bladeangle.adjustment.priors import Priors
from bladeangle.base.budget import BudgetLine
from bladeangle.base.errors import AdjustmentError
from bladeangle.base.geometry import Array
from bladeangle.imaging.ring import Ring, RingSighting
from bladeangle.records.station import StationOptions
from bladeangle.results.edge_shifts import angle_changes
from bladeangle.results.own_unknowns import OwnUnknowns
from bladeangle.results.stations import Stations
from bladeangle.results.weighted import weighted_rows
from bladeangle.tuning.results import PICTURE_SHEAR


@dataclass(frozen=True)
class PictureShear:
    """How far a picture is sheared and stretched, both per line: (2,) and their covariance (2, 2).

    or_photo : another photograph that explains the same about as well, if it was that one.
    """

    amount: Array
    covariance: Array
    or_photo: int | None = None

    @property
    def size(self) -> float:
        """Shear and stretch together."""
        return float(np.hypot(*self.amount))

    @property
    def chi_squared(self) -> float:
        """Of two degrees of freedom."""
        return float(self.amount @ np.linalg.solve(self.covariance, self.amount))

    @property
    def log_ratio(self) -> float:
        """Twice the logarithm of the likelihood ratio of pictures that are sheared as hands do it to one that is not.

        Of a shear that is normal with covariance S, estimated with covariance V: d' (V^-1 - (V + S)^-1) d less the
        logarithm of det(I + S V^-1).
        """
        both = self.covariance + PICTURE_SHEAR.usual**2 * np.eye(2)
        fit = self.chi_squared - float(self.amount @ np.linalg.solve(both, self.amount))
        return fit - float(np.linalg.slogdet(both)[1] - np.linalg.slogdet(self.covariance)[1])

    @property
    def second_moment(self) -> Array:
        """Of the shear to be expected (2, 2) of hands, without what noise adds; zero where noise makes up all of it."""
        expected = np.linalg.solve(np.eye(2) + self.covariance / PICTURE_SHEAR.usual**2, self.amount)
        left = max(1 - 2 / max(self.chi_squared, 1e-12), 0.0)
        out: Array = left * np.outer(expected, expected)
        return out

    @property
    def clear(self) -> bool:
        """Whether it is beyond what noise makes believe."""
        return self.log_ratio > _telling()


def _telling() -> float:
    """Twice the logarithm of the likelihood ratio that decides."""
    return 2 * math.log(PICTURE_SHEAR.likelihood_ratio)


def _across(state: RingState, photo: int, px: Array, normal: Array) -> Array:
    """Displacements (m, 2) px along their normals (m, 2) of points by a shear of 1 and by a stretch of 1."""
    line = px[:, 1] - state.camera_of(photo)[2]
    out: Array = line[:, None] * normal
    return out


def picture_shears(result: Adjustment, ring: Ring, priors: Priors) -> dict[int, PictureShear]:
    """Photograph -> its shear, whether clear or not; empty where the ring by itself cannot be adjusted.

    The clearest one is given its own first, since as long as it has none it pulls at the sheet, and others seem sheared
    against it.
    """
    try:
        bare = adjust(ring, result.views, _of_ring(result.state), priors)
    except AdjustmentError:
        return {}
    waiting = [_own_shear(bare, ring, p) for p in range(len(bare.views))]
    covariance, change, out = bare.covariance, np.zeros(bare.layout.size), dict[int, PictureShear]()
    while waiting:
        # a shear of 1 is none: the prior is for what is singular
        seen = [PictureShear(*own.estimated(covariance, change, 1.0)) for own in waiting]
        order = np.argsort([-s.chi_squared for s in seen])
        best = seen[order[0]]
        if not best.clear:
            return out | {own.photo: s for own, s in zip(waiting, seen, strict=True)}
        also = None
        if len(order) > 1:
            near = seen[order[1]].chi_squared > best.chi_squared - _telling()
            also = waiting[order[1]].photo if near else None
        freed = waiting.pop(int(order[0]))
        out[freed.photo] = PictureShear(best.amount, best.covariance, also)
        covariance, change = freed.granted(covariance, change, best.amount, best.covariance)
    return out


def _of_ring(state: State) -> RingState:
    """The unknowns of the ring's photographs among all."""
    return RingState(**{f.name: getattr(state, f.name).copy() for f in fields(RingState)})


def _own_shear(bare: RingAdjustment, ring: Ring, photo: int) -> OwnUnknowns:
    [one] = weighted_rows(bare, [photo], ring)
    sighting = bare.views[photo].sighting
    off = _across(bare.state, photo, sighting.px, sighting.normal)
    coupling = np.zeros((bare.layout.size, 2))
    coupling[one.rows.columns] = one.right_side(off)
    information = np.array([[one.product(a, b) for b in off.T] for a in off.T])
    return OwnUnknowns(photo, coupling, information, np.array([one.product(a, one.residual) for a in off.T]))


def shear_line(
    result: Adjustment, ring: Ring, stations: Stations, options: StationOptions, shears: dict[int, PictureShear]
) -> BudgetLine:
    """The line of the budget for pictures that are sheared: by as much as the angles may be off for it.

    Where either of two may be, the mean of both second moments.
    """
    covariance = np.zeros((len(stations.labels), len(stations.labels)))
    for photo, shear in shears.items():
        if (moment := shear.second_moment).any():
            either = (photo,) if shear.or_photo is None else (photo, shear.or_photo)
            for one in either:
                effect_deg = effects_deg(result, ring, stations, options, one)
                covariance += effect_deg @ moment @ effect_deg.T / len(either)
    return BudgetLine("pictures sheared by movement", "A", covariance, 50.0)


def effects_deg(result: Adjustment, ring: Ring, stations: Stations, options: StationOptions, photo: int) -> Array:
    """Changes (angles, 2) deg of the stations' angles by a shear of 1 and by a stretch of 1 of a picture.

    By the markers, tips, blade ends and circles of the hub that are seen in it, as in `edge_shifts.py`.
    """
    view, right = result.views[photo], np.zeros((result.layout.size, 2))
    seen: dict[str, RingSighting | TipPoints | EndPoints | CirclePoints | None]
    seen = {"ring": view.sighting, "end": view.ends, "circle": view.circles}
    seen |= {kind: view.tips_of(face) for kind, face in TIP_KINDS.items()}
    for one in weighted_rows(result, [photo], ring):
        if (points := seen[one.rows.kind]) is not None:
            right[one.rows.columns] += one.right_side(_across(result.state, photo, points.px, points.normal))
    return angle_changes(result, stations, options, right)
