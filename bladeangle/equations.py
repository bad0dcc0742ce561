"""Views + state -> residuals and their derivatives, of all photographs at once.

The residual of a point is its distance across the predicted curve's image. The place along the curve is taken afresh
from the picture each time, and the residual is taken across the curve as it is predicted there, so that the derivatives
are exact without the place along it.

Each sort of observation is one set of points, those of one photograph after those of another: a thousand points cost
little more than ten. Arrays have coordinates or unknowns first and points last.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from bladeangle.geometry import Array, cross, project, ray_cylinder, undistort
from bladeangle.model import GROOVE_KNOTS, TIP_KINDS, Ints, Layout, State, View, groove_hats
from bladeangle.ring import Ring

#: Rows of all derivatives: by the camera; by a photograph's rotation and shift, focus and principal point; and, where
#: it is the rotor that is seen, by its standing's rotation and shift. Those by a movement of the rotor come last, and
#: are left out for photographs without.
CAMERA, TURN, SHIFT, FOCUS, PRINCIPAL = slice(0, 8), slice(8, 11), slice(11, 14), 14, slice(15, 17)
POSED = 17
STANDING_TURN, STANDING_SHIFT = slice(17, 20), slice(20, 23)
STOOD = 23


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
    """Residuals and derivatives of views, each of a photograph and a standing of the state (None: the ring alone)."""

    def __init__(
        self, ring: Ring, layout: Layout, views: Sequence[View], photos: Sequence[int], standings: Sequence[int | None]
    ) -> None:
        of = layout.columns
        shape = [of[key] for key in of if key == "rotor" or (isinstance(key, tuple) and key[0] == "blade")]
        sides, tips, ends, circles = [], [], [], []
        for v, (view, photo, standing) in enumerate(zip(views, photos, standings, strict=True)):
            posed = [of["camera"], of["photo", photo]]
            sides.append(_Part(v, "ring", photo, -1, view.sighting, [*posed, of["sheet"], of["pieces"]]))
            if standing is not None:
                stood = [*posed, of["standing", standing]]
                moved = [of[key] for key in of if key == ("move", photo)]
                for (kind, sign), grooves in zip(TIP_KINDS.items(), np.split(of["grooves"], 2), strict=True):
                    tips.append(_Part(v, kind, photo, standing, view.tips_of(sign), [*stood, *shape, grooves, *moved]))
                ends.append(_Part(v, "end", photo, standing, view.ends, [*stood, *shape, *moved]))
                circles.append(_Part(v, "circle", photo, standing, view.circles, [*stood, of["circles"], *moved]))
        self._sides = _Sides.of(sides, ring)
        self._of_rotor = [_Tips.of(tips), _Ends.of(ends), _Circles.of(circles)]

    def rows(self, state: State, *, of_ring: bool = True) -> list[Rows]:
        """All rows at a state, view by view; without those `of_ring`, what is seen of the rotor where it stands."""
        sorts = [self._sides, *self._of_rotor] if of_ring else self._of_rotor
        rows = [rows for points in sorts if points is not None for rows in points.rows(state)]
        return sorted(rows, key=lambda rows: rows.view)


@dataclass(frozen=True)
class _Part:
    """What is seen of one kind in one view: points (n) with px, normal and sigma_px; unknowns that they depend on."""

    view: int
    kind: str
    photo: int
    standing: int
    seen: Any
    columns: list[Ints]


class _Points:
    """Points (m) of one sort in all views: part and photo of each, px and normal (2, m)."""

    def __init__(self, parts: Sequence[_Part]) -> None:
        count = [len(part.seen.px) for part in parts]
        self._parts = parts
        self._columns = [np.concatenate(part.columns) for part in parts]
        self._ends = np.cumsum([0, *count])
        self.photo = np.repeat([part.photo for part in parts], count)
        self.part = np.repeat(np.arange(len(parts)), count)
        self.px, self.normal = (np.ascontiguousarray(self.each(name).T) for name in ("px", "normal"))

    @classmethod
    def of(cls, parts: Sequence[_Part], *more: Any) -> _Points | None:
        """Points of the parts in which something is seen."""
        parts = [part for part in parts if part.seen is not None and len(part.seen.px)]
        return cls(parts, *more) if parts else None

    def each(self, name: str) -> Any:
        """An attribute of all observations, one after another."""
        return np.concatenate([getattr(part.seen, name) for part in self._parts])

    def rows(self, state: State) -> Iterator[Rows]:
        """What the points say at a state, by view and kind."""
        residual, jac = self.equations(state)
        for part, columns, a, b in zip(self._parts, self._columns, self._ends, self._ends[1:], strict=False):
            yield Rows(part.view, part.kind, residual[a:b], jac[: len(columns), a:b], columns, part.seen.sigma_px)

    def equations(self, state: State) -> tuple[Array, Array]:
        """Residuals (m,) px and derivatives (k, m)."""
        raise NotImplementedError

    def on_ring(self, state: State, size: int, points: Array, tangent: Array | None) -> tuple[Array, Array, Array]:
        """Residuals (m,) px, derivatives (size, m) filled for camera and pose, gradient (3, m) by the ring-frame point.

        points : (3, m) mm where the curves are met.
        tangent : (3, m) direction of the curve at the points; the residual is taken across its image, the normals only
        say to which side. With another direction the place along the curve would count, and the derivatives would be
        wrong. None takes the residual along the normals themselves.
        """
        turn = _turns(state.r_camera_ring, self.photo)
        turned = _turned(turn, points)
        camera = self.cameras(state)
        seen, by_point, by_camera = project(turned + state.t_camera_ring.T[:, self.photo], camera)
        normal = self.normal
        if tangent is not None:
            along = _turned(by_point, _turned(turn, tangent))
            across = np.stack([-along[1], along[0]])
            across *= np.sign((across * normal).sum(0))
            normal = across / np.maximum(np.hypot(*across), 1e-12)
        residual = ((seen - self.px) * normal).sum(0)
        gradient = _turned(by_point.swapaxes(0, 1), normal)
        by_camera = _turned(by_camera.swapaxes(0, 1), normal)
        jac = np.zeros((size, len(residual)))
        jac[CAMERA] = by_camera
        jac[0] *= 1 + state.focus[self.photo]
        jac[TURN], jac[SHIFT] = cross(turned, gradient), gradient
        jac[FOCUS], jac[PRINCIPAL] = by_camera[0] * state.camera[0], by_camera[1:3]
        return residual, jac, _turned(turn.swapaxes(0, 1), gradient)

    def on_rotor(self, state: State, size: int, points: Array, tangent: Array | None) -> tuple[Array, Array, Array]:
        """As `on_ring` for rotor-frame points, and (size + 3, m) filled for the standing and the movement too.

        The gradient is by the rotor-frame point.
        """
        turn, shift = self.placed(state)
        turned = _turned(turn, points)
        pivot = np.array([state.pivot(part.standing) for part in self._parts]).T[:, self.part]
        along = None if tangent is None else _turned(turn, tangent)
        residual, jac, gradient = self.on_ring(state, size + 3, turned + shift, along)
        by_point = _turned(turn.swapaxes(0, 1), gradient)
        jac[STANDING_TURN], jac[STANDING_SHIFT] = cross(turned - pivot, gradient), gradient
        if state.moves:
            # the standing is turned about the pivot, and what it is then, a movement turns about the standing's origin
            before = _turns(state.r_ring_rotor[[part.standing for part in self._parts]], self.part)
            jac[STANDING_TURN] = cross(_turned(before, points), _turned(before, by_point)) - cross(pivot, gradient)
            jac[size] = turned[0] * gradient[1] - turned[1] * gradient[0]
            jac[size + 1 :] = gradient[:2]
        return residual, jac, by_point

    def placed(self, state: State) -> tuple[Array, Array]:
        """Rotation (3, 3, m) and origin (3, m) in the ring frame of the rotor of each point."""
        turns, shifts = zip(*(state.placed(part.photo, part.standing) for part in self._parts), strict=True)
        return _turns(np.array(turns), self.part), np.array(shifts).T[:, self.part]

    def cameras(self, state: State) -> Array:
        """Camera parameters (8, m) of each point's photograph."""
        return np.stack([state.camera_of(p) for p in range(len(state.focus))], 1)[:, self.photo]

    def rays(self, state: State) -> tuple[Array, Array]:
        """The camera's centre and the direction of the ray through each point, (3, m) in its rotor frame."""
        turn, shift = self.placed(state)
        turn = turn.swapaxes(0, 1)
        to_ring = _turns(state.r_camera_ring, self.photo).swapaxes(0, 1)
        x, y = undistort(self.px.T, self.cameras(state)).T
        directions = _turned(turn, _turned(to_ring, np.stack([x, y, np.ones(len(x))])))
        eye = -np.einsum("pji,pj->ip", state.r_camera_ring, state.t_camera_ring)[:, self.photo]
        return _turned(turn, eye - shift), directions


def _turns(rotations: Array, of: Ints) -> Array:
    """Rotations (k, 3, 3) as one of each point (3, 3, m)."""
    return np.ascontiguousarray(rotations.transpose(1, 2, 0))[:, :, of]


def _turned(turn: Array, vectors: Array) -> Array:
    """Vectors (j, m) turned by a rotation, or taken through a derivative, of each (i, j, m)."""
    out: Array = np.einsum("ijm,jm->im", turn, vectors)
    return out


class _Sides(_Points):
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

    def equations(self, state: State) -> tuple[Array, Array]:
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
        residual, jac, gradient = self.on_ring(state, POSED + 5 + state.pieces.size, points, tangent)
        jac[POSED] = gradient[0] * x - gradient[1] * y
        jac[POSED + 1] = gradient[0] * y + gradient[1] * x
        jac[POSED + 2], jac[POSED + 3] = gradient[2] * saddle, gradient[2] * twisted
        jac[POSED + 4] = (gradient[:2] * outward).sum(0)
        later = np.flatnonzero(self.piece)
        own = POSED + 5 + 3 * (self.piece[later] - 1)
        jac[own, later], jac[own + 1, later] = gradient[:2, later]
        jac[own + 2, later] = (gradient[1] * turned[0] - gradient[0] * turned[1])[later]
        return residual, jac


class _Tips(_Points):
    """Points on tip edges."""

    def __init__(self, parts: Sequence[_Part]) -> None:
        super().__init__(parts)
        self.blade, self.face, self.far = (self.each(name) for name in ("blade", "face", "far"))

    def equations(self, state: State) -> tuple[Array, Array]:
        rotor = state.rotor
        assert rotor is not None
        eye, directions = self.rays(state)
        foot = ray_cylinder(eye.T, directions.T, rotor.radius_mm, far=self.far)
        missed = ~np.isfinite(foot).all(1)
        foot[missed] = [rotor.radius_mm, 0.0, 0.0]
        tau = rotor.tau_of(foot, self.blade)
        near = np.concatenate([tau + 1e-4, tau - 1e-4])
        after, before = np.split(rotor.tip(np.tile(self.blade, 2), np.tile(self.face, 2), near).T, 2, axis=1)
        half, by_rounding, by_ends = rotor.half(tau, self.blade)
        thickness = rotor.thickness_mm + rotor.extra_mm[self.blade]
        hats = (groove_hats(rotor, tau) * ~self.far[:, None]).T
        points = rotor.tip(self.blade, np.zeros_like(self.face), tau).T
        points[2] += self.face * half * thickness + (hats * state.grooves[(self.face < 0).astype(int)].T).sum(0)
        blades = STOOD + 4
        grooves = blades + rotor.blades * (rotor.basis.count + 3)
        residual, jac, gradient = self.on_rotor(state, grooves + GROOVE_KNOTS, points, after - before)
        jac[STOOD] = (gradient[:2] * points[:2]).sum(0) / rotor.radius_mm
        up = gradient[2] * self.face
        jac[STOOD + 1] = up * half
        jac[STOOD + 2 : blades] = up * thickness * by_rounding
        by_heights = gradient[2] * rotor.basis.matrix(tau).T
        own = blades + self.blade * (rotor.basis.count + 3)
        by_blade = np.vstack([by_heights, up * thickness * by_ends, up * half])
        jac[own + np.arange(len(by_blade))[:, None], np.arange(len(tau))] = by_blade
        jac[grooves : grooves + GROOVE_KNOTS] = gradient[2] * hats
        residual[missed] = np.nan
        jac[:, missed] = 0.0
        return residual, jac


class _Ends(_Points):
    """Ends of blades."""

    def __init__(self, parts: Sequence[_Part]) -> None:
        super().__init__(parts)
        self.blade, self.end = self.each("blade"), self.each("end")

    def equations(self, state: State) -> tuple[Array, Array]:
        rotor = state.rotor
        assert rotor is not None
        basis, count = rotor.basis, rotor.basis.count
        tau = rotor.ends[self.blade, self.end]
        points = rotor.tip(self.blade, np.zeros_like(self.blade), tau).T
        blades = STOOD + 4
        residual, jac, gradient = self.on_rotor(state, blades + rotor.blades * (count + 3), points, None)
        slope = basis.values(tau, rotor.heights, self.blade, 1)
        by_tau = rotor.turn * (gradient[1] * points[0] - gradient[0] * points[1]) + gradient[2] * slope
        own, each = blades + self.blade * (count + 3), np.arange(len(tau))
        jac[own + np.arange(count)[:, None], each] = gradient[2] * basis.matrix(tau).T
        jac[own + count + self.end, each] = by_tau
        jac[STOOD] = (gradient[:2] * points[:2]).sum(0) / rotor.radius_mm
        return residual, jac


class _Circles(_Points):
    """Points on hub circles."""

    def __init__(self, parts: Sequence[_Part]) -> None:
        super().__init__(parts)
        self.circle = self.each("circle")

    def equations(self, state: State) -> tuple[Array, Array]:
        radius, height = state.circles[self.circle].T
        eye, directions = self.rays(state)
        on_plane = eye[:2] + directions[:2] * ((height - eye[2]) / directions[2])
        radial = on_plane / np.hypot(*on_plane)
        points = np.stack([*(radius * radial), height])
        tangent = np.stack([-radial[1], radial[0], np.zeros(len(radius))])
        residual, jac, gradient = self.on_rotor(state, STOOD + state.circles.size, points, tangent)
        own, each = STOOD + 2 * self.circle, np.arange(len(radius))
        jac[own, each] = (gradient[:2] * radial).sum(0)
        jac[own + 1, each] = gradient[2]
        return residual, jac
