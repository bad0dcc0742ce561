"""Views + state -> residuals and their derivatives, of all photographs at once.

The residual of a point is its distance across the predicted curve's image. The place along the curve is taken afresh
from the picture each time, and the residual is taken across the curve as it is predicted there, so that the derivatives
are exact without the place along it.

All points of all photographs go through the cameras together, sort after sort of observation and photograph after
photograph: a thousand points cost little more than ten. Arrays have coordinates or unknowns first and points last.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Generic, Self

import numpy as np
from numpy.typing import NDArray

from bladeangle.adjustment.model import (
    GROOVE_KNOTS,
    TIP_KINDS,
    Ints,
    Layout,
    ObservedView,
    RingState,
    S,
    State,
    groove_hats,
)
from bladeangle.adjustment.rotor import Rotor
from bladeangle.base.geometry import Array, cross, project, ray_cylinder, undistort
from bladeangle.imaging.ring import Ring

#: Rows of all derivatives: by the camera; by a photograph's rotation and shift, focus and principal point; and, where
#: it is the rotor that is seen, by its setup's rotation and shift. Those by a movement of the rotor come last, and
#: are left out for photographs without.
CAMERA, TURN, SHIFT, FOCUS, PRINCIPAL = slice(0, 8), slice(8, 11), slice(11, 14), 14, slice(15, 17)
POSED = 17
SETUP_TURN, SETUP_SHIFT = slice(17, 20), slice(20, 23)
ROTOR_POSED = 23
MOVED = slice(23, 26)
#: Change of the tip radius, mm, at which a place on the tip is found: a thousandth of a pixel.
RADIUS_TOLERANCE_MM = 1e-4


@dataclass(frozen=True)
class Rows:
    """What one kind of observation in one view says.

    residual : (m,) px, nan where a ray misses the tip cylinder; jac : (k, m) its derivatives by the unknowns in the
    `columns` (k,) of the layout; sigma : (m,) px.
    """

    view: int
    kind: str
    residual: Array
    jac: Array
    columns: Ints
    sigma: Array


class Equations:
    """Residuals and derivatives of views, each of a photograph and a setup of the state (None: the ring alone).

    ring : None for only what is seen of the rotor where it stands.
    """

    def __init__(
        self,
        ring: Ring | None,
        layout: Layout,
        views: Sequence[ObservedView],
        photos: Sequence[int],
        setups: Sequence[int | None],
    ) -> None:
        of = layout.columns
        shape = [of[key] for key in of if key in ("rotor", "tips") or (isinstance(key, tuple) and key[0] == "blade")]
        sides, tips, ends, circles = [], [], [], []
        for v, (view, photo, setup) in enumerate(zip(views, photos, setups, strict=True)):
            posed = [of["camera"], of["photo", photo]]
            if ring is not None:
                sides.append(_Part(v, "ring", photo, None, view.sighting, [*posed, of["sheet"], of["pieces"]]))
            if setup is not None:
                rotor_posed = [*posed, of["setup", setup]]
                moved = [of[key] for key in of if key == ("move", photo)]
                for (kind, sign), grooves in zip(TIP_KINDS.items(), np.split(of["grooves"], 2), strict=True):
                    tips.append(
                        _Part(v, kind, photo, setup, view.tips_of(sign), [*rotor_posed, *shape, grooves, *moved])
                    )
                ends.append(_Part(v, "end", photo, setup, view.ends, [*rotor_posed, *shape, *moved]))
                circles.append(_Part(v, "circle", photo, setup, view.circles, [*rotor_posed, of["circles"], *moved]))
        # those that are followed along rays come first, those that lie on no curve last
        sorts = [_Tips.of(tips), _Circles.of(circles), _Sides.of(sides, ring), _Ends.of(ends)]
        self._sorts: list[_Points[Any]] = [sort for sort in sorts if sort is not None]
        count = [sort.px.shape[1] for sort in self._sorts]
        self._slices = [slice(end - n, end) for n, end in zip(count, np.cumsum(count), strict=True)]
        self._on_rays = sum(n for n, sort in zip(count, self._sorts, strict=True) if sort.on_rays)
        self._parts = [part for sort in self._sorts for part in sort.parts]
        self._part = np.repeat(np.arange(len(self._parts)), [len(part.seen.px) for part in self._parts])
        self._photo = np.array([part.photo for part in self._parts], int)[self._part]
        self._setup = np.array([-1 if part.setup is None else part.setup for part in self._parts], int)
        self._px, self._normal = (
            np.hstack([getattr(sort, name) for sort in self._sorts] or [np.zeros((2, 0))]) for name in ("px", "normal")
        )
        self._ideal: Array | None = None

    def rows(self, state: RingState) -> list[Rows]:
        """All rows at a state, view by view."""
        if not self._sorts:
            return []
        cameras = np.stack([state.camera_of(p) for p in range(len(state.focus))], 1)[:, self._photo]
        to_camera = _turns(state.r_camera_ring, self._photo)
        turns, shifts = zip(*(_frame(state, part) for part in self._parts), strict=True)
        turn, shift = _turns(np.array(turns), self._part), np.array(shifts).T[:, self._part]
        eye, directions = self._rays(state, cameras, to_camera, turn, shift)
        met = [
            sort.met(state, eye[:, at], directions[:, at]) for sort, at in zip(self._sorts, self._slices, strict=True)
        ]
        points = np.hstack([m.points for m in met])
        turned = _turned(turn, points)
        tangent = np.hstack([m.tangent for m in met if m.tangent is not None] or [np.zeros((3, 0))])
        along = _turned(to_camera[..., : tangent.shape[1]], _turned(turn[..., : tangent.shape[1]], tangent))
        residual, jac, gradient = self._seen(state, cameras, to_camera, turned + shift, along)
        by_point = _turned(turn.swapaxes(0, 1), gradient)
        if isinstance(state, State):
            self._place(state, jac, points, turned, gradient, by_point)
        rows: list[Rows] = []
        for sort, at, m in zip(self._sorts, self._slices, met, strict=True):
            own = m.derivatives(jac[:, at], by_point[:, at])
            if m.missed is not None:
                residual[at][m.missed] = np.nan
                own[:, m.missed] = 0.0
            rows += sort.rows(residual[at], own)
        return sorted(rows, key=lambda rows: rows.view)

    def _rays(
        self, state: RingState, cameras: Array, to_camera: Array, turn: Array, shift: Array
    ) -> tuple[Array, Array]:
        """The camera's centre and the direction of the ray through each point, (3, m) in the frame of what is seen.

        Of those points alone that are followed along rays.
        """
        at = slice(self._on_rays)
        # from one iteration to the next the lens hardly changes
        self._ideal = undistort(self._px[:, at].T, cameras[:, at], self._ideal)
        ideal = np.vstack([self._ideal.T, np.ones(self._on_rays)])
        turn = turn[..., at].swapaxes(0, 1)
        eye = -np.einsum("pji,pj->ip", state.r_camera_ring, state.t_camera_ring)[:, self._photo[at]]
        return _turned(turn, eye - shift[:, at]), _turned(turn, _turned(to_camera[..., at].swapaxes(0, 1), ideal))

    def _seen(
        self, state: RingState, cameras: Array, to_camera: Array, points: Array, along: Array
    ) -> tuple[Array, Array, Array]:
        """Residuals (m,) px, derivatives (MOVED.stop, m) filled for camera and pose, gradient (3, m) by the point.

        points : (3, m) mm in the ring frame where the curves are met.
        along : (3, k) direction of the curve in the camera's frame at the first points; their residual is taken across
        its image, the normals only say to which side. With another direction the place along the curve would count, and
        the derivatives would be wrong. Of the others it is taken along the normals themselves.
        """
        turned = _turned(to_camera, points)
        seen, by_point, by_camera = project(turned + state.t_camera_ring.T[:, self._photo], cameras)
        normal, k = self._normal.copy(), along.shape[1]
        along = _turned(by_point[..., :k], along)
        across = np.stack([-along[1], along[0]])
        across *= np.sign((across * normal[:, :k]).sum(0))
        normal[:, :k] = across / np.maximum(np.hypot(*across), 1e-12)
        residual: Array = ((seen - self._px) * normal).sum(0)
        gradient = _turned(by_point.swapaxes(0, 1), normal)
        by_camera = _turned(by_camera.swapaxes(0, 1), normal)
        jac = np.zeros((MOVED.stop, len(residual)))
        jac[CAMERA] = by_camera
        jac[0] *= 1 + state.focus[self._photo]
        jac[TURN], jac[SHIFT] = cross(turned, gradient), gradient
        jac[FOCUS], jac[PRINCIPAL] = by_camera[0] * state.camera[0], by_camera[1:3]
        return residual, jac, _turned(to_camera.swapaxes(0, 1), gradient)

    def _place(self, state: State, jac: Array, points: Array, turned: Array, gradient: Array, by_point: Array) -> None:
        """Fill the derivatives (MOVED.stop, m) by the rotor's setup and movement, which the ring does not heed.

        points : (3, m) in the frame of what is seen, and `turned` as the ring's frame is; gradient : (3, m) by the
        point in the ring's frame, and by_point : by that in its own.
        """
        pivots = np.array([*(state.pivot(s) for s in range(len(state.setups))), np.zeros(3)])
        pivot = pivots[self._setup].T[:, self._part]
        jac[SETUP_TURN], jac[SETUP_SHIFT] = cross(turned - pivot, gradient), gradient
        if state.moves:
            # the setup is turned about the pivot, and what it is then, a movement turns about the setup's origin
            before = _turns(np.array([*state.r_ring_rotor, np.eye(3)])[self._setup], self._part)
            jac[SETUP_TURN] = cross(_turned(before, points), _turned(before, by_point)) - cross(pivot, gradient)
            jac[MOVED.start] = turned[0] * gradient[1] - turned[1] * gradient[0]
            jac[MOVED.start + 1 : MOVED.stop] = gradient[:2]


@dataclass(frozen=True)
class _Part:
    """What is seen of one kind in one view: points (n) with px, normal and sigma_px; unknowns that they depend on.

    setup : None for what lies on the sheet.
    """

    view: int
    kind: str
    photo: int
    setup: int | None
    seen: Any
    columns: list[Ints]


def _frame(state: RingState, part: _Part) -> tuple[Array, Array]:
    """Rotation (3, 3) and origin (3,) in the ring's frame of the frame in which something lies."""
    if part.setup is None or not isinstance(state, State):
        return np.eye(3), np.zeros(3)
    return state.placed(part.photo, part.setup)


@dataclass(frozen=True)
class _Met:
    """Where the curves are met on which points of one sort (m) lie.

    points, tangent : (3, m) mm, and directions of the curves there, in the frame of what is seen; None on no curve.
    derivatives : those (MOVED.stop, m) by what all sorts have in common, gradient (3, m) by the point -> all, (k, m).
    missed : (m,) whose rays miss.
    """

    points: Array
    tangent: Array | None
    derivatives: Callable[[Array, Array], Array]
    missed: NDArray[np.bool_] | None = None


class _Points(Generic[S]):
    """Points (m) of one sort in all views; px and normal (2, m)."""

    #: Whether the curve is met by following the ray through the point.
    on_rays = False

    def __init__(self, parts: Sequence[_Part]) -> None:
        self.parts = parts
        self._columns = [np.concatenate(part.columns) for part in parts]
        self._ends = np.cumsum([0] + [len(part.seen.px) for part in parts])
        self.px, self.normal = (self.each(name).T for name in ("px", "normal"))

    @classmethod
    def of(cls, parts: Sequence[_Part], *more: Any) -> Self | None:
        """Points of the parts in which something is seen."""
        parts = [part for part in parts if part.seen is not None and len(part.seen.px)]
        return cls(parts, *more) if parts else None

    def each(self, name: str) -> Any:
        """An attribute of all observations, one after another."""
        return np.concatenate([getattr(part.seen, name) for part in self.parts])

    def rows(self, residual: Array, jac: Array) -> Iterator[Rows]:
        """Residuals (m,) px and derivatives (k, m), by view and kind."""
        for part, columns, a, b in zip(self.parts, self._columns, self._ends, self._ends[1:], strict=False):
            yield Rows(part.view, part.kind, residual[a:b], jac[: len(columns), a:b], columns, part.seen.sigma_px)

    def met(self, state: S, eye: Array, directions: Array) -> _Met:
        """Where the curves are met at a state; eye and directions (3, m) of rays, where they are followed."""
        raise NotImplementedError


def _with_own(common: Array, posed: int, size: int) -> Array:
    """Derivatives (size + 3, m) of which the first `posed` and the last three are those of `common` (MOVED.stop, m)."""
    out = np.zeros((size + MOVED.stop - MOVED.start, common.shape[1]))
    out[:posed], out[size:] = common[:posed], common[MOVED]
    return out


def _turns(rotations: Array, of: Ints) -> Array:
    """Rotations (k, 3, 3) as one of each point (3, 3, m)."""
    return np.ascontiguousarray(rotations.transpose(1, 2, 0))[:, :, of]


def _turned(turn: Array, vectors: Array) -> Array:
    """Vectors (j, m) turned by a rotation, or taken through a derivative, of each (i, j, m)."""
    out: Array = np.einsum("ijm,jm->im", turn, vectors)
    return out


class _Sides(_Points[RingState]):
    """Points on marker sides: place on the sheet as it was meant, direction of the side, outwards (2, m); piece."""

    def __init__(self, parts: Sequence[_Part], ring: Ring) -> None:
        super().__init__(parts)
        marker, side = self.each("marker"), self.each("side")
        start, end = ring.corners_mm[marker, side].T, ring.corners_mm[marker, (side + 1) % 4].T
        self.along = end - start
        self.outward = np.stack([-self.along[1], self.along[0]]) / np.hypot(*self.along)
        self.meant = start + self.each("fraction") * self.along
        self.piece = np.searchsorted(np.unique(ring.pieces), ring.pieces[marker])
        self.radius_mm = ring.outer_radius_mm

    def met(self, state: RingState, eye: Array, directions: Array) -> _Met:
        place = np.vstack([np.zeros(3), state.pieces])[self.piece].T
        cos, sin = np.cos(place[2]), np.sin(place[2])
        flat = self.meant + state.sheet[4] * self.outward
        turned, outward, along = (
            np.stack([cos * v[0] - sin * v[1], sin * v[0] + cos * v[1]]) for v in (flat, self.outward, self.along)
        )
        x, y = turned + place[:2]
        e, g, a, b, _ = state.sheet
        saddle, twisted = (x * x - y * y) / self.radius_mm**2, 2 * x * y / self.radius_mm**2
        points = np.stack([x * (1 + e) + g * y, y * (1 - e) + g * x, a * saddle + b * twisted])
        dx, dy = along
        rise = 2 * (a * (x * dx - y * dy) + b * (x * dy + y * dx)) / self.radius_mm**2
        tangent = np.stack([dx * (1 + e) + g * dy, dy * (1 - e) + g * dx, rise])

        def derivatives(common: Array, gradient: Array) -> Array:
            jac = _with_own(common, POSED, POSED + 5 + state.pieces.size)
            jac[POSED] = gradient[0] * x - gradient[1] * y
            jac[POSED + 1] = gradient[0] * y + gradient[1] * x
            jac[POSED + 2], jac[POSED + 3] = gradient[2] * saddle, gradient[2] * twisted
            jac[POSED + 4] = (gradient[:2] * outward).sum(0)
            later = np.flatnonzero(self.piece)
            own = POSED + 5 + 3 * (self.piece[later] - 1)
            jac[own, later], jac[own + 1, later] = gradient[:2, later]
            jac[own + 2, later] = (gradient[1] * turned[0] - gradient[0] * turned[1])[later]
            return jac

        return _Met(points, tangent, derivatives)


class _Tips(_Points[State]):
    """Points on tip edges."""

    on_rays = True

    def __init__(self, parts: Sequence[_Part]) -> None:
        super().__init__(parts)
        self.blade, self.face, self.far = (self.each(name) for name in ("blade", "face", "far"))
        self.near = np.flatnonzero(~self.far)  # where grooves of the land are seen
        self._departure = np.zeros(len(self.blade))

    def met(self, state: State, eye: Array, directions: Array) -> _Met:
        rotor = state.rotor
        tau, missed = self._follow(rotor, eye, directions)
        half, by_tau, by_rounding, by_ends = rotor.half(tau, self.blade)
        thickness = rotor.thickness_mm + rotor.extra_mm[self.blade]
        hats = np.zeros((GROOVE_KNOTS, len(tau)))
        hats[:, self.near] = groove_hats(rotor, tau[self.near]).T
        points = rotor.tip(self.blade, np.zeros_like(self.face), tau).T
        radial = points[:2] / np.hypot(*points[:2])
        slope = rotor.basis.values(tau, rotor.heights, self.blade, 1) + self.face * by_tau * thickness
        tangent = np.stack([-rotor.turn * points[1], rotor.turn * points[0], slope])
        tangent[:2] += rotor.tip_radius.slope(tau, self.blade) * radial
        points[2] += self.face * half * thickness + (hats * state.grooves[(self.face < 0).astype(int)].T).sum(0)

        def derivatives(common: Array, gradient: Array) -> Array:
            blades = ROTOR_POSED + 4
            tips = blades + rotor.blades * (rotor.basis.count + 3)
            grooves = tips + rotor.tip_radius.shared.size + rotor.tip_radius.own.size
            jac = _with_own(common, ROTOR_POSED, grooves + GROOVE_KNOTS)
            jac[ROTOR_POSED] = (gradient[:2] * radial).sum(0)
            up = gradient[2] * self.face
            jac[ROTOR_POSED + 1] = up * half
            jac[ROTOR_POSED + 2 : blades] = up * thickness * by_rounding
            by_heights = gradient[2] * rotor.basis.matrix(tau).T
            own = blades + self.blade * (rotor.basis.count + 3)
            by_blade = np.vstack([by_heights, up * thickness * by_ends, up * half])
            jac[own + np.arange(len(by_blade))[:, None], np.arange(len(tau))] = by_blade
            _by_tips(jac, tips, rotor, tau, self.blade)
            jac[grooves : grooves + GROOVE_KNOTS] = gradient[2] * hats
            return jac

        return _Met(points, tangent, derivatives, missed)

    def _follow(self, rotor: Rotor, eye: Array, directions: Array) -> tuple[Array, NDArray[np.bool_]]:
        """tau (m,) at which rays meet the tips, and which of them miss.

        The radius is that of the place on the tip where the ray meets it, which hardly changes from step to step.
        """
        for _ in range(4):
            foot = ray_cylinder(eye.T, directions.T, rotor.radius_mm + self._departure, far=self.far)
            missed = np.asarray(~np.isfinite(foot).all(1))
            foot[missed] = [rotor.radius_mm, 0.0, 0.0]
            tau = rotor.tau_of(foot, self.blade)
            before, self._departure = self._departure, rotor.tip_radius.departure(tau, self.blade)
            if np.abs(self._departure - before).max(initial=0.0) < RADIUS_TOLERANCE_MM:
                break
        return tau, missed


def _by_tips(jac: Array, first: int, rotor: Rotor, tau: Array, blade: Ints) -> None:
    """Fill the rows from `first` with derivatives by the coefficients of the tip radius, like that by the radius."""
    shared, own = rotor.tip_radius.shapes(tau, blade)
    jac[first : first + len(shared)] = jac[ROTOR_POSED] * shared
    rows = first + len(shared) + blade * len(own)
    jac[rows + np.arange(len(own))[:, None], np.arange(len(tau))] = jac[ROTOR_POSED] * own


class _Ends(_Points[State]):
    """Ends of blades, each with the direction of its edge as normal."""

    def __init__(self, parts: Sequence[_Part]) -> None:
        super().__init__(parts)
        self.blade, self.end = self.each("blade"), self.each("end")

    def met(self, state: State, eye: Array, directions: Array) -> _Met:
        rotor = state.rotor
        basis, count = rotor.basis, rotor.basis.count
        tau = rotor.ends[self.blade, self.end]
        points = rotor.tip(self.blade, np.zeros_like(self.blade), tau).T

        def derivatives(common: Array, gradient: Array) -> Array:
            blades = ROTOR_POSED + 4
            tips = blades + rotor.blades * (count + 3)
            jac = _with_own(common, ROTOR_POSED, tips + rotor.tip_radius.shared.size + rotor.tip_radius.own.size)
            slope = basis.values(tau, rotor.heights, self.blade, 1)
            by_tau = rotor.turn * (gradient[1] * points[0] - gradient[0] * points[1]) + gradient[2] * slope
            own, each = blades + self.blade * (count + 3), np.arange(len(tau))
            jac[own + np.arange(count)[:, None], each] = gradient[2] * basis.matrix(tau).T
            radial = points[:2] / np.hypot(*points[:2])
            by_tau += (gradient[:2] * radial).sum(0) * rotor.tip_radius.slope(tau, self.blade)
            jac[own + count + self.end, each] = by_tau
            jac[ROTOR_POSED] = (gradient[:2] * radial).sum(0)
            _by_tips(jac, tips, rotor, tau, self.blade)
            return jac

        return _Met(points, None, derivatives)


class _Circles(_Points[State]):
    """Points on hub circles."""

    on_rays = True

    def __init__(self, parts: Sequence[_Part]) -> None:
        super().__init__(parts)
        self.circle = self.each("circle")

    def met(self, state: State, eye: Array, directions: Array) -> _Met:
        radius, height = state.circles[self.circle].T
        on_plane = eye[:2] + directions[:2] * ((height - eye[2]) / directions[2])
        radial = on_plane / np.hypot(*on_plane)
        points = np.stack([*(radius * radial), height])
        tangent = np.stack([-radial[1], radial[0], np.zeros(len(radius))])

        def derivatives(common: Array, gradient: Array) -> Array:
            jac = _with_own(common, ROTOR_POSED, ROTOR_POSED + state.circles.size)
            own, each = ROTOR_POSED + 2 * self.circle, np.arange(len(radius))
            jac[own, each] = (gradient[:2] * radial).sum(0)
            jac[own + 1, each] = gradient[2]
            return jac

        return _Met(points, tangent, derivatives)
