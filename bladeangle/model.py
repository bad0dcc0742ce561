"""The model of all photographs: the unknowns, the observations, and residuals with their derivatives.

Every observation is a point in a picture with a normal; its residual is the distance across the predicted curve's
image.
The place along the curve is taken afresh from the picture each time, and the residual is taken across the curve as it
is predicted there, so that the derivatives are exact without the place along it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, fields
from itertools import accumulate

import numpy as np
from numpy.typing import NDArray

from bladeangle.geometry import Array, cross, hats, orthonormal, pixels, project, ray_cylinder, rays_in, rotation
from bladeangle.ring import Ring, RingSighting
from bladeangle.rotor import Rotor

Ints = NDArray[np.int64]

#: Knots along the tip between which what grooves do to the edges of the tip land is linear.
GROOVE_KNOTS = 16
#: Tip edges of the two faces are weighed apart: one may stand out clearly where the other is hardly seen.
TIP_KINDS = {"inlet tips": 1, "outlet tips": -1}


@dataclass(frozen=True)
class TipPoints:
    """Points (n) on blade-tip edges in one photograph: face +1 inlet, -1 outlet; far: seen from inside; px (n, 2).

    `sigma_px` is of a point by itself, `shared_px` of what a run of points has in common, as where an edge glares.
    """

    blade: Ints
    face: Ints
    far: NDArray[np.bool_]
    px: Array
    normal: Array
    sigma_px: Array
    shared_px: Array

    @classmethod
    def none(cls) -> TipPoints:
        """No points."""
        empty = np.zeros(0, int)
        return cls(empty, empty, empty > 0, np.zeros((0, 2)), np.zeros((0, 2)), np.zeros(0), np.zeros(0))

    def only(self, keep: NDArray[np.bool_]) -> TipPoints:
        """The points for which `keep` (n,) is true."""
        return TipPoints(*(getattr(self, f.name)[keep] for f in fields(self)))


@dataclass(frozen=True)
class EndPoints:
    """Places (n) in one photograph where a tip edge ends: end 0 leading, 1 trailing; `normal` points along the edge."""

    blade: Ints
    end: Ints
    px: Array
    normal: Array
    sigma_px: Array


@dataclass(frozen=True)
class CirclePoints:
    """Points (n) on hub circles in one photograph; `circle` indexes `State.circles`."""

    circle: Ints
    px: Array
    normal: Array
    sigma_px: Array


@dataclass(frozen=True)
class View:
    """All observations in one photograph; what was not looked for is None."""

    name: str
    standing: str
    sighting: RingSighting
    tips: TipPoints | None = None
    ends: EndPoints | None = None
    circles: CirclePoints | None = None

    def tips_of(self, face: int) -> TipPoints | None:
        """The tip points of one face, or None."""
        if self.tips is None or not (self.tips.face == face).any():
            return None
        return self.tips.only(self.tips.face == face)


@dataclass
class State:
    """Current values of the unknowns; poses as matrices, corrected by small rotations from the left."""

    camera: Array
    r_camera_ring: Array  # (p, 3, 3)
    t_camera_ring: Array  # (p, 3)
    focus: Array  # (p,) relative change of the focal length
    principal: Array  # (p, 2) px
    sheet: Array  # (5,) stretch, shear, saddle and twisted saddle in mm at the outer radius, growth of the print in mm
    pieces: Array  # (q - 1, 3) place of the pieces after the first: x, y mm, turn rad
    standings: tuple[str, ...]
    r_ring_rotor: Array  # (s, 3, 3)
    t_ring_rotor: Array  # (s, 3)
    rotor: Rotor | None = None
    circles: Array = field(default_factory=lambda: np.zeros((0, 2)))  # (k, 2) radius, height in the rotor frame
    circle_standing: tuple[int, ...] = ()  # standing in which each circle is seen
    #: (2, GROOVE_KNOTS) mm by which both edges of the tip land, inlet face first, seem too high from the side
    grooves: Array = field(default_factory=lambda: np.zeros((2, GROOVE_KNOTS)))
    #: photograph -> (3,) turn about the ring's z, rad, and shift along x and y, mm, of the rotor since the other
    #: photograph of its standing, where that is allowed for
    moves: dict[int, Array] = field(default_factory=dict)

    def copy(self) -> State:
        """An independent copy."""
        return State(
            self.camera.copy(), self.r_camera_ring.copy(), self.t_camera_ring.copy(), self.focus.copy(),
            self.principal.copy(), self.sheet.copy(),
            self.pieces.copy(), self.standings, self.r_ring_rotor.copy(), self.t_ring_rotor.copy(),
            None if self.rotor is None else self.rotor.copy(), self.circles.copy(), self.circle_standing,
            self.grooves.copy(), {p: move.copy() for p, move in self.moves.items()},
        )  # fmt: skip

    def camera_of(self, photo: int) -> Array:
        """Camera parameters (8,) with the focus and principal-point change of one photograph."""
        out = self.camera.copy()
        out[0] *= 1 + self.focus[photo]
        out[1:3] += self.principal[photo]
        return out

    def placed(self, photo: int, standing: int) -> tuple[Array, Array]:
        """Rotation (3, 3) and origin (3,) in the ring frame of the rotor as it stands in one photograph."""
        r, t = self.r_ring_rotor[standing], self.t_ring_rotor[standing]
        move = self.moves.get(photo)
        if move is None:
            return r, t
        return rotation(np.array([0.0, 0.0, move[0]])) @ r, t + np.array([move[1], move[2], 0.0])

    def pixels_of(self, points: Array, photo: int, standing: int | None = None) -> Array:
        """Pixels (n, 2) of points (n, 3) in the ring frame, or in the rotor frame of a standing."""
        if standing is not None:
            r, t = self.placed(photo, standing)
            points = points @ r.T + t
        return pixels(points @ self.r_camera_ring[photo].T + self.t_camera_ring[photo], self.camera_of(photo))

    def eye_in(self, photo: int, standing: int) -> Array:
        """The camera's centre (3,) in the rotor frame of a standing, mm."""
        eye = -self.r_camera_ring[photo].T @ self.t_camera_ring[photo]
        r, t = self.placed(photo, standing)
        out: Array = r.T @ (eye - t)
        return out

    def pivot(self, standing: int) -> Array:
        """The point (3,) about which a standing's small rotations turn: on the axis amid the tips; from its origin, mm.

        Overhead photographs tell heights badly. Were the rotor turned about its foot, every change of all heights would
        shift the tips by the tilt, and the adjustment would creep along a bent valley.
        """
        assert self.rotor is not None
        out: Array = self.r_ring_rotor[standing][:, 2] * self.rotor.heights.mean()
        return out

    def inside(self, photo: int, standing: int) -> bool:
        """Whether the camera looks from inside the tip cylinder, as from overhead."""
        assert self.rotor is not None
        eye = self.eye_in(photo, standing)
        return bool(np.hypot(eye[0], eye[1]) < self.rotor.radius_mm)

    def rays(self, px: Array, photo: int, standing: int) -> Array:
        """Directions (n, 3) in the rotor frame of the rays through pixels (n, 2)."""
        return rays_in(px, self.camera_of(photo), self.r_camera_ring[photo] @ self.placed(photo, standing)[0])

    def on_cylinder(self, px: Array, photo: int, standing: int, radius_mm: float, far: NDArray[np.bool_]) -> Array:
        """Points (n, 3) in the rotor frame where rays through pixels meet the tip cylinder; nan where they miss."""
        return ray_cylinder(self.eye_in(photo, standing), self.rays(px, photo, standing), radius_mm, far=far)


def unwatched(standings: Sequence[object]) -> tuple[int, ...]:
    """Photographs (of these standings) that have a single other of their standing, named before them.

    Whether the rotor was moved between two, hardly anything tells; of three, each is controlled by the others.
    """
    return tuple(p for p, s in enumerate(standings) if standings.count(s) == 2 and s in standings[:p])


class Layout:
    """Which column of the normal equations belongs to which unknown."""

    def __init__(self, state: State) -> None:
        self.slices: dict[object, slice] = {}
        self.columns: dict[object, Ints] = {}
        self.size = 0
        self._add("camera", 8)
        self._add("sheet", 5)
        self._add("pieces", state.pieces.size)
        for p in range(len(state.focus)):
            self._add(("photo", p), 9)  # rotation 3, translation 3, focus, principal point 2
        if state.rotor is not None:
            for s in range(len(state.standings)):
                self._add(("standing", s), 6)
            self._add("rotor", 4)  # radius, thickness, rounding 2
            for b in range(state.rotor.blades):
                self._add(("blade", b), state.rotor.basis.count + 3)  # heights, ends 2, extra thickness
            self._add("grooves", state.grooves.size)
            self._add("circles", state.circles.size)
            for p in state.moves:
                self._add(("move", p), 3)

    def _add(self, key: object, size: int) -> None:
        self.slices[key] = slice(self.size, self.size + size)
        self.columns[key] = np.arange(self.size, self.size + size)
        self.size += size

    def __getitem__(self, key: object) -> slice:
        return self.slices[key]


def sheet_points(
    ring: Ring, state: State, marker: Ints, side: Ints, fraction: Array
) -> tuple[Array, Array, Array, Ints]:
    """Places of points on marker sides in the ring frame, with their derivatives.

    Returns
    -------
    points : (n, 3) mm; by_sheet : (n, 3, 5); by_piece : (n, 3, 3) by x, y, turn of the point's piece; piece : (n,)
    """
    c = ring.corners_mm[marker]
    rows = np.arange(len(marker))
    along = c[rows, (side + 1) % 4] - c[rows, side]
    outward = np.stack([-along[:, 1], along[:, 0]], 1) / np.linalg.norm(along, axis=1, keepdims=True)
    flat = c[rows, side] + fraction[:, None] * along + state.sheet[4] * outward
    piece = np.searchsorted(np.unique(ring.pieces), ring.pieces[marker])
    place = np.vstack([np.zeros(3), state.pieces])[piece]
    cos, sin = np.cos(place[:, 2]), np.sin(place[:, 2])
    turned, outward = (
        np.stack([cos * v[:, 0] - sin * v[:, 1], sin * v[:, 0] + cos * v[:, 1]], 1) for v in (flat, outward)
    )
    x, y = (turned + place[:, :2]).T
    e, g, a, b, _ = state.sheet
    rho2 = ring.outer_radius_mm**2
    points = np.stack([x * (1 + e) + g * y, y * (1 - e) + g * x, (a * (x * x - y * y) + 2 * b * x * y) / rho2], 1)
    by_sheet = np.zeros((len(x), 3, 5))
    by_sheet[:, 0, 0], by_sheet[:, 0, 1], by_sheet[:, 1, 0], by_sheet[:, 1, 1] = x, y, -y, x
    by_sheet[:, :2, 4] = outward
    by_sheet[:, 2, 2], by_sheet[:, 2, 3] = (x * x - y * y) / rho2, 2 * x * y / rho2
    by_piece = np.zeros((len(x), 3, 3))
    by_piece[:, 0, 0] = by_piece[:, 1, 1] = 1.0
    by_piece[:, 0, 2], by_piece[:, 1, 2] = -turned[:, 1], turned[:, 0]
    return points, by_sheet, by_piece, piece


def sheet_tangents(ring: Ring, state: State, marker: Ints, side: Ints, piece: Ints, points: Array) -> Array:
    """Directions (n, 3) of marker sides in the ring frame at `points` on them; `piece` as of `sheet_points`."""
    c = ring.corners_mm[marker]
    rows = np.arange(len(marker))
    along = c[rows, (side + 1) % 4] - c[rows, side]
    turn = np.append(0.0, state.pieces[:, 2])[piece]
    dx = np.cos(turn) * along[:, 0] - np.sin(turn) * along[:, 1]
    dy = np.sin(turn) * along[:, 0] + np.cos(turn) * along[:, 1]
    e, g, a, b, _ = state.sheet
    # the small stretch of the sheet does not count in the place at which its bend is taken
    x, y = points[:, 0], points[:, 1]
    rise = 2 * (a * (x * dx - y * dy) + b * (x * dy + y * dx)) / ring.outer_radius_mm**2
    return np.stack([dx * (1 + e) + g * dy, dy * (1 - e) + g * dx, rise], 1)


class Equations:
    """Builds residuals and Jacobian of one photograph, in the columns that concern it."""

    def __init__(self, ring: Ring, layout: Layout, state: State, photo: int, standing: int | None) -> None:
        self.ring, self.state, self.photo, self.standing = ring, state, photo, standing
        self.camera = state.camera_of(photo)
        keys: list[object] = ["camera", "sheet", "pieces", ("photo", photo)]
        if standing is not None and state.rotor is not None:
            keys += [("standing", standing), "rotor", *(("blade", b) for b in range(state.rotor.blades))]
            keys += ["grooves", "circles", *([("move", photo)] if photo in state.moves else [])]
        self.columns = np.concatenate([layout.columns[k] for k in keys])
        sizes = [len(layout.columns[k]) for k in keys]
        self.local = dict(zip(keys, accumulate([0, *sizes]), strict=False))

    def _common(self, points: Array, tangent: Array | None, px: Array, normal: Array) -> tuple[Array, Array, Array]:
        """Residuals (m,) px, Jacobian (m, columns) filled for camera and pose, gradient (m, 3) by the ring-frame point.

        tangent : (m, 3) direction of the curve at the points; the residual is taken across its image, `normal` only
        says to which side. With another direction the place along the curve would count, and the derivatives would be
        wrong.
        None takes the residual along `normal` itself.
        """
        s, p = self.state, self.photo
        turned = points @ s.r_camera_ring[p].T
        seen, by_point, by_camera = project(turned + s.t_camera_ring[p], self.camera)
        if tangent is not None:
            along = np.einsum("nij,nj->ni", by_point, tangent @ s.r_camera_ring[p].T)
            across = np.stack([-along[:, 1], along[:, 0]], 1)
            across *= np.sign((across * normal).sum(1))[:, None]
            normal = across / np.maximum(np.linalg.norm(across, axis=1, keepdims=True), 1e-12)
        residual = ((seen - px) * normal).sum(1)
        gradient = np.einsum("ni,nij->nj", normal, by_point)
        by_c = np.einsum("ni,nij->nj", normal, by_camera)
        jac = np.zeros((len(px), len(self.columns)))
        jac[:, 0:8] = by_c
        jac[:, 0] *= 1 + s.focus[p]
        k = self.local[("photo", p)]
        jac[:, k : k + 3] = cross(turned, gradient)
        jac[:, k + 3 : k + 6] = gradient
        jac[:, k + 6] = by_c[:, 0] * s.camera[0]
        jac[:, k + 7 : k + 9] = by_c[:, 1:3]
        return residual, jac, gradient @ s.r_camera_ring[p]

    def ring_rows(self, sighting: RingSighting) -> tuple[Array, Array]:
        """Residuals (m,) px and Jacobian of marker sides."""
        points, by_sheet, by_piece, piece = sheet_points(
            self.ring, self.state, sighting.marker, sighting.side, sighting.fraction
        )
        tangent = sheet_tangents(self.ring, self.state, sighting.marker, sighting.side, piece, points)
        residual, jac, gradient = self._common(points, tangent, sighting.px, sighting.normal)
        k = self.local["sheet"]
        jac[:, k : k + 5] = np.einsum("ni,nij->nj", gradient, by_sheet)
        later = np.flatnonzero(piece > 0)
        columns = self.local["pieces"] + 3 * (piece[later, None] - 1) + np.arange(3)
        jac[later[:, None], columns] = np.einsum("ni,nij->nj", gradient[later], by_piece[later])
        return residual, jac

    def _rotor_rows(self, points: Array, tangent: Array | None, px: Array, normal: Array) -> tuple[Array, Array, Array]:
        """As `_common` for rotor-frame points; the gradient is by the rotor-frame point."""
        assert self.standing is not None
        m, o = self.state.placed(self.photo, self.standing)
        turned = points @ m.T
        pivot = self.state.pivot(self.standing)
        along = None if tangent is None else tangent @ m.T
        residual, jac, gradient = self._common(turned + o, along, px, normal)
        k = self.local[("standing", self.standing)]
        jac[:, k : k + 3] = cross(turned - pivot, gradient)
        jac[:, k + 3 : k + 6] = gradient
        if self.photo in self.state.moves:
            # the standing is turned about the pivot, and what it is then, the move turns about its origin
            before = self.state.r_ring_rotor[self.standing]
            stood = cross(points @ before.T, gradient @ m @ before.T)
            jac[:, k : k + 3] = stood - cross(np.broadcast_to(pivot, turned.shape), gradient)
            at = self.local[("move", self.photo)]
            jac[:, at] = turned[:, 0] * gradient[:, 1] - turned[:, 1] * gradient[:, 0]
            jac[:, at + 1 : at + 3] = gradient[:, :2]
        return residual, jac, gradient @ m

    def tip_rows(self, tips: TipPoints) -> tuple[Array, Array]:
        """Residuals (m,) px and Jacobian of tip edges; nan residual where a ray misses the tip cylinder."""
        rotor = self.state.rotor
        assert rotor is not None and self.standing is not None
        foot = self.state.on_cylinder(tips.px, self.photo, self.standing, rotor.radius_mm, tips.far)
        missed = ~np.isfinite(foot).all(1)
        foot[missed] = [rotor.radius_mm, 0.0, 0.0]
        tau = rotor.tau_of(foot, tips.blade)
        near = np.concatenate([tau, tau + 1e-4, tau - 1e-4])
        points, after, before = np.split(rotor.tip(np.tile(tips.blade, 3), np.tile(tips.face, 3), near), 3)
        tangent = after - before
        which = (tips.face < 0).astype(int)
        hats = groove_hats(rotor, tau) * ~tips.far[:, None]
        points[:, 2] += (hats * self.state.grooves[which]).sum(1)
        residual, jac, gradient = self._rotor_rows(points, tangent, tips.px, tips.normal)
        half, by_rounding, by_ends = rotor.half(tau, tips.blade)
        k = self.local["rotor"]
        radial = points[:, :2] / rotor.radius_mm
        jac[:, k] = (gradient[:, :2] * radial).sum(1)
        by_thickness = gradient[:, 2] * tips.face * half
        jac[:, k + 1] = by_thickness
        thickness = rotor.thickness_mm + rotor.extra_mm[tips.blade]
        jac[:, k + 2 : k + 4] = (gradient[:, 2] * tips.face * thickness)[:, None] * by_rounding
        by_heights = gradient[:, 2:3] * rotor.basis.matrix(tau)
        count = rotor.basis.count
        first = np.array([self.local[("blade", b)] for b in range(rotor.blades)])[tips.blade]
        rows = np.arange(len(tau))
        jac[rows[:, None], first[:, None] + np.arange(count)] = by_heights
        by_ends *= (gradient[:, 2] * tips.face * thickness)[:, None]
        jac[rows[:, None], first[:, None] + count + np.arange(2)] = by_ends
        jac[rows, first + count + 2] = by_thickness
        at = self.local["grooves"] + GROOVE_KNOTS * which
        jac[rows[:, None], at[:, None] + np.arange(GROOVE_KNOTS)] = gradient[:, 2:3] * hats
        residual[missed] = np.nan
        jac[missed] = 0.0
        return residual, jac

    def end_rows(self, ends: EndPoints) -> tuple[Array, Array]:
        """Residuals (m,) px and Jacobian of blade ends."""
        rotor = self.state.rotor
        assert rotor is not None
        tau = rotor.ends[ends.blade, ends.end]
        points = rotor.tip(ends.blade, np.zeros_like(ends.blade), tau)
        residual, jac, gradient = self._rotor_rows(points, None, ends.px, ends.normal)
        slope = (rotor.basis.matrix(tau, 1) * rotor.heights[ends.blade]).sum(1)
        by_tau = rotor.turn * (gradient[:, 1] * points[:, 0] - gradient[:, 0] * points[:, 1]) + gradient[:, 2] * slope
        first = np.array([self.local[("blade", b)] for b in range(rotor.blades)])[ends.blade]
        rows = np.arange(len(tau))
        jac[rows, first + rotor.basis.count + ends.end] = by_tau
        jac[:, self.local["rotor"]] = (gradient[:, :2] * points[:, :2]).sum(1) / rotor.radius_mm
        jac[rows[:, None], first[:, None] + np.arange(rotor.basis.count)] = gradient[:, 2:3] * rotor.basis.matrix(tau)
        return residual, jac

    def circle_rows(self, circles: CirclePoints) -> tuple[Array, Array]:
        """Residuals (m,) px and Jacobian of hub circles."""
        s = self.state
        assert self.standing is not None
        radius, height = s.circles[circles.circle].T
        d = s.rays(circles.px, self.photo, self.standing)
        eye = s.eye_in(self.photo, self.standing)
        on_plane = eye[:2] + d[:, :2] * ((height - eye[2]) / d[:, 2])[:, None]
        radial = on_plane / np.linalg.norm(on_plane, axis=1, keepdims=True)
        points = np.column_stack([radius[:, None] * radial, height])
        tangent = np.column_stack([-radial[:, 1], radial[:, 0], np.zeros(len(radial))])
        residual, jac, gradient = self._rotor_rows(points, tangent, circles.px, circles.normal)
        rows = np.arange(len(radius))
        k = self.local["circles"] + 2 * circles.circle
        jac[rows, k] = (gradient[:, :2] * radial).sum(1)
        jac[rows, k + 1] = gradient[:, 2]
        return residual, jac

    def rows(self, view: View) -> Iterator[tuple[str, Array, Array, Array]]:
        """kind, residuals px, Jacobian, sigma px of every kind of observation in the photograph."""
        yield "ring", *self.ring_rows(view.sighting), view.sighting.sigma_px
        if self.standing is not None:
            yield from self.standing_rows(view)

    def standing_rows(self, view: View) -> Iterator[tuple[str, Array, Array, Array]]:
        """As `rows`, without the ring: what is seen of the rotor where it stands."""
        if view.tips is not None and len(view.tips.px):
            residual, jac = self.tip_rows(view.tips)
            for kind, sign in TIP_KINDS.items():
                mine = view.tips.face == sign
                if mine.any():
                    yield kind, residual[mine], jac[mine], view.tips.sigma_px[mine]
        if view.ends is not None and len(view.ends.px):
            yield "end", *self.end_rows(view.ends), view.ends.sigma_px
        if view.circles is not None and len(view.circles.px):
            yield "circle", *self.circle_rows(view.circles), view.circles.sigma_px


def groove_hats(rotor: Rotor, tau: Array) -> Array:
    """Shares (n, GROOVE_KNOTS) of the knots along the tip at tau (n,); knots are even over the blades' length."""
    knots = np.linspace(rotor.basis.start, rotor.basis.stop, GROOVE_KNOTS)
    return hats(tau, knots)


def applied(state: State, layout: Layout, step: Array) -> State:
    """The state after a step (n,)."""
    new = state.copy()
    new.camera += step[layout["camera"]]
    new.sheet += step[layout["sheet"]]
    new.pieces += step[layout["pieces"]].reshape(-1, 3)
    for p in range(len(new.focus)):
        d = step[layout[("photo", p)]]
        new.r_camera_ring[p] = orthonormal(rotation(d[:3]) @ new.r_camera_ring[p])
        new.t_camera_ring[p] += d[3:6]
        new.focus[p] += d[6]
        new.principal[p] += d[7:9]
    rotor = new.rotor
    if rotor is not None:
        d = step[layout["rotor"]]
        rotor.radius_mm += float(d[0])
        rotor.thickness_mm = max(rotor.thickness_mm + float(d[1]), 0.1)
        rotor.rounding_mm = np.clip(rotor.rounding_mm + d[2:4], 0.5, 12.0)
        for b in range(rotor.blades):
            d = step[layout[("blade", b)]]
            rotor.heights[b] += d[: rotor.basis.count]
            rotor.ends[b] += d[rotor.basis.count : rotor.basis.count + 2]
            rotor.extra_mm[b] += d[-1]
        for s in range(len(new.standings)):
            d = step[layout[("standing", s)]]
            pivot = new.pivot(s)  # carried along the axis with the heights
            new.r_ring_rotor[s] = orthonormal(rotation(d[:3]) @ new.r_ring_rotor[s])
            new.t_ring_rotor[s] += d[3:6] + pivot - new.pivot(s)
        new.grooves += step[layout["grooves"]].reshape(2, -1)
        new.circles += step[layout["circles"]].reshape(-1, 2)
        for p, move in new.moves.items():
            move += step[layout[("move", p)]]
    return new
