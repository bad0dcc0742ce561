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
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from bladeangle.errors import AdjustmentError
from bladeangle.geometry import Array, orthonormal, pixels, project, ray_cylinder, rays_in, rotation
from bladeangle.ring import Ring, RingSighting
from bladeangle.rotor import Rotor

Ints = NDArray[np.int64]

#: Residuals, in standard uncertainties, at which the weight of a point has fallen to a half (Cauchy's loss).
ROBUST_WIDTH = 3.0
#: How often the points' uncertainty is taken afresh from their residuals.
RESCALINGS = 3
#: The adjustment has settled when a step can lower the cost (a sum of squares in standard uncertainties) by no more.
SETTLED = 0.02


@dataclass(frozen=True)
class TipPoints:
    """Points (n) on blade-tip edges in one photograph: px, normal (n, 2); face +1 inlet, -1 outlet; far: seen from inside."""

    blade: Ints
    face: Ints
    far: NDArray[np.bool_]
    px: Array
    normal: Array
    sigma_px: Array


@dataclass(frozen=True)
class EndPoints:
    """Places (n) in one photograph where a tip edge ends: end 0 leading, 1 trailing; `normal` points along the tip edge."""

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


@dataclass(frozen=True)
class Priors:
    """What is known beforehand, as standard uncertainties (mm, degrees, pixels, ratios)."""

    camera: Array  # (8,) values
    camera_covariance: Array  # (8, 8)
    radius_mm: float = 77.5
    radius_sigma_mm: float = 4.0
    thickness_mm: float = 2.4
    thickness_sigma_mm: float = 1.0
    extra_sigma_mm: float = 0.15
    rounding_mm: float = 4.0
    rounding_sigma_mm: float = 2.0
    tilt_sigma_deg: float = 0.4
    focus_sigma: float = 0.001
    principal_sigma_px: float = 1.5
    stretch_sigma: float = 0.0003
    saddle_sigma_mm: float = 0.3
    growth_sigma_mm: float = 0.1
    piece_sigma_mm: float = 1.0
    circle_height_mm: float = 60.0
    circle_height_sigma_mm: float = 18.0
    turned_height_sigma_mm: float = 8.0
    bend_sigma_deg: float = 1.5
    alike_sigma_deg: float = 0.5
    alike_height_sigma_mm: float = 0.7


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

    def copy(self) -> State:
        """An independent copy."""
        return State(
            self.camera.copy(), self.r_camera_ring.copy(), self.t_camera_ring.copy(), self.focus.copy(), self.principal.copy(),
            self.sheet.copy(), self.pieces.copy(), self.standings, self.r_ring_rotor.copy(), self.t_ring_rotor.copy(),
            None if self.rotor is None else self.rotor.copy(), self.circles.copy(), self.circle_standing,
        )  # fmt: skip

    def camera_of(self, photo: int) -> Array:
        """Camera parameters (8,) with the focus and principal-point change of one photograph."""
        out = self.camera.copy()
        out[0] *= 1 + self.focus[photo]
        out[1:3] += self.principal[photo]
        return out

    def pixels_of(self, points: Array, photo: int, standing: int | None = None) -> Array:
        """Pixels (n, 2) of points (n, 3) in the ring frame, or in the rotor frame of a standing."""
        if standing is not None:
            points = points @ self.r_ring_rotor[standing].T + self.t_ring_rotor[standing]
        return pixels(points @ self.r_camera_ring[photo].T + self.t_camera_ring[photo], self.camera_of(photo))

    def eye_in(self, photo: int, standing: int) -> Array:
        """The camera's centre (3,) in the rotor frame of a standing, mm."""
        eye = -self.r_camera_ring[photo].T @ self.t_camera_ring[photo]
        out: Array = self.r_ring_rotor[standing].T @ (eye - self.t_ring_rotor[standing])
        return out

    def on_cylinder(self, px: Array, photo: int, standing: int, radius_mm: float, far: NDArray[np.bool_]) -> Array:
        """Points (n, 3) in the rotor frame where rays through pixels meet the tip cylinder; nan where they miss."""
        d = rays_in(px, self.camera_of(photo), self.r_camera_ring[photo] @ self.r_ring_rotor[standing])
        eye = self.eye_in(photo, standing)
        near = ray_cylinder(eye, d, radius_mm, far=False)
        return np.where(far[:, None], ray_cylinder(eye, d, radius_mm, far=True), near)


class Layout:
    """Which column of the normal equations belongs to which unknown."""

    def __init__(self, state: State) -> None:
        self.slices: dict[object, slice] = {}
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
            self._add("circles", state.circles.size)

    def _add(self, key: object, size: int) -> None:
        self.slices[key] = slice(self.size, self.size + size)
        self.size += size

    def __getitem__(self, key: object) -> slice:
        return self.slices[key]


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


def sheet_points(ring: Ring, state: State, marker: Ints, side: Ints, fraction: Array) -> tuple[Array, Array, Array, Array]:
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
    turn = np.stack([np.stack([cos, -sin], 1), np.stack([sin, cos], 1)], 1)  # (n, 2, 2)
    turned = np.einsum("nij,nj->ni", turn, flat)
    outward = np.einsum("nij,nj->ni", turn, outward)
    x, y = (turned + place[:, :2]).T
    e, g, a, b, _ = state.sheet
    rho2 = ring.outer_radius_mm**2
    points = np.stack([x * (1 + e) + g * y, y * (1 - e) + g * x, (a * (x * x - y * y) + 2 * b * x * y) / rho2], 1)
    zero = np.zeros_like(x)
    by_sheet = np.stack(
        [
            np.stack([x, y, zero, zero, outward[:, 0]], 1),
            np.stack([-y, x, zero, zero, outward[:, 1]], 1),
            np.stack([zero, zero, (x * x - y * y) / rho2, 2 * x * y / rho2, zero], 1),
        ],
        1,
    )
    by_piece = np.zeros((len(x), 3, 3))
    by_piece[:, 0, 0] = by_piece[:, 1, 1] = 1.0
    by_piece[:, 0, 2], by_piece[:, 1, 2] = -turned[:, 1], turned[:, 0]
    return points, by_sheet, by_piece, piece


class _Equations:
    """Builds residuals and Jacobian of one photograph, in the columns that concern it."""

    def __init__(self, ring: Ring, layout: Layout, state: State, photo: int, standing: int | None) -> None:
        self.ring, self.state, self.photo, self.standing = ring, state, photo, standing
        self.camera = state.camera_of(photo)
        keys: list[object] = ["camera", "sheet", "pieces", ("photo", photo)]
        if standing is not None and state.rotor is not None:
            keys += [("standing", standing), "rotor", *(("blade", b) for b in range(state.rotor.blades)), "circles"]
        self.columns = np.concatenate([np.arange(layout[k].start, layout[k].stop) for k in keys])
        starts = np.cumsum([0] + [layout[k].stop - layout[k].start for k in keys])
        self.local = dict(zip(keys, starts, strict=False))

    def _common(self, points: Array, tangent: Array | None, px: Array, normal: Array) -> tuple[Array, Array, Array]:
        """Residuals (m,) px, Jacobian (m, columns) filled for camera and pose, gradient (m, 3) by the ring-frame point.

        tangent : (m, 3) direction of the curve at the points; the residual is taken across its image, `normal` only says
        to which side. With another direction the place along the curve would count, and the derivatives would be wrong.
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
        jac[:, k : k + 3] = np.cross(turned, gradient)
        jac[:, k + 3 : k + 6] = gradient
        jac[:, k + 6] = by_c[:, 0] * s.camera[0]
        jac[:, k + 7 : k + 9] = by_c[:, 1:3]
        return residual, jac, gradient @ s.r_camera_ring[p]

    def ring_rows(self, sighting: RingSighting) -> tuple[Array, Array]:
        """Residuals (m,) px and Jacobian of marker sides."""
        points, by_sheet, by_piece, piece = sheet_points(self.ring, self.state, sighting.marker, sighting.side, sighting.fraction)
        ends = [sheet_points(self.ring, self.state, sighting.marker, sighting.side, sighting.fraction + d)[0] for d in (-0.05, 0.05)]
        residual, jac, gradient = self._common(points, ends[1] - ends[0], sighting.px, sighting.normal)
        k = self.local["sheet"]
        jac[:, k : k + 5] = np.einsum("ni,nij->nj", gradient, by_sheet)
        later = np.flatnonzero(piece > 0)
        columns = self.local["pieces"] + 3 * (piece[later, None] - 1) + np.arange(3)
        jac[later[:, None], columns] = np.einsum("ni,nij->nj", gradient[later], by_piece[later])
        return residual, jac

    def _rotor_rows(self, points: Array, tangent: Array | None, px: Array, normal: Array) -> tuple[Array, Array, Array]:
        """As `_common` for rotor-frame points; the gradient is by the rotor-frame point."""
        assert self.standing is not None
        m, o = self.state.r_ring_rotor[self.standing], self.state.t_ring_rotor[self.standing]
        turned = points @ m.T
        along = None if tangent is None else tangent @ m.T
        residual, jac, gradient = self._common(turned + o, along, px, normal)
        k = self.local[("standing", self.standing)]
        jac[:, k : k + 3] = np.cross(turned, gradient)
        jac[:, k + 3 : k + 6] = gradient
        return residual, jac, gradient @ m

    def tip_rows(self, tips: TipPoints) -> tuple[Array, Array]:
        """Residuals (m,) px and Jacobian of tip edges; nan residual where a ray misses the tip cylinder."""
        rotor = self.state.rotor
        assert rotor is not None and self.standing is not None
        foot = self.state.on_cylinder(tips.px, self.photo, self.standing, rotor.radius_mm, tips.far)
        missed = ~np.isfinite(foot).all(1)
        foot[missed] = [rotor.radius_mm, 0.0, 0.0]
        tau = rotor.tau_of(foot, tips.blade)
        points = rotor.tip(tips.blade, tips.face, tau)
        tangent = rotor.tip(tips.blade, tips.face, tau + 1e-4) - rotor.tip(tips.blade, tips.face, tau - 1e-4)
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
        d = rays_in(circles.px, self.camera, s.r_camera_ring[self.photo] @ s.r_ring_rotor[self.standing])
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
        if self.standing is None:
            return
        if view.tips is not None and len(view.tips.px):
            yield "tip", *self.tip_rows(view.tips), view.tips.sigma_px
        if view.ends is not None and len(view.ends.px):
            yield "end", *self.end_rows(view.ends), view.ends.sigma_px
        if view.circles is not None and len(view.circles.px):
            yield "circle", *self.circle_rows(view.circles), view.circles.sigma_px


@dataclass
class _Known:
    """Normal equations and cost of one source of prior knowledge."""

    information: Array
    right: Array
    cost: float = 0.0


def _prior_rows(state: State, layout: Layout, priors: Priors, start: State) -> dict[str, _Known]:
    """Source -> normal equations of everything known beforehand.

    `start` fixes what nothing measures: height and turn of the first standing.
    """
    out: dict[str, _Known] = {}

    def of(source: str) -> _Known:
        return out.setdefault(source, _Known(np.zeros((layout.size, layout.size)), np.zeros(layout.size)))

    def add(source: str, columns: Array, value: Array, sigma: Array, jac: Array | None = None) -> None:
        known = of(source)
        j = np.eye(len(columns)) if jac is None else jac
        w = 1 / np.broadcast_to(np.asarray(sigma, float), value.shape) ** 2
        known.information[np.ix_(columns, columns)] += j.T @ (w[:, None] * j)
        known.right[columns] += j.T @ (w * value)
        known.cost += float((w * value**2).sum())

    def cols(key: object, first: int = 0, count: int | None = None) -> Array:
        at = layout[key]
        stop = at.stop if count is None else at.start + first + count
        return np.arange(at.start + first, stop)

    calibration, off = of("camera calibration"), state.camera - priors.camera
    information = np.linalg.inv(priors.camera_covariance)
    calibration.information[layout["camera"], layout["camera"]] += information
    calibration.right[layout["camera"]] += information @ off
    calibration.cost += float(off @ information @ off)
    add("print and flatness", cols("sheet"), state.sheet, np.array([priors.stretch_sigma] * 2 + [priors.saddle_sigma_mm] * 2 + [priors.growth_sigma_mm]))
    if state.pieces.size:
        add("print and flatness", cols("pieces"), state.pieces.reshape(-1), np.tile([1, 1, 0.01], len(state.pieces)) * priors.piece_sigma_mm)
    for p in range(len(state.focus)):
        add("focus and stabiliser", cols(("photo", p), 6, 1), state.focus[p : p + 1], np.array([priors.focus_sigma]))
        add("focus and stabiliser", cols(("photo", p), 7, 2), state.principal[p], np.array([priors.principal_sigma_px] * 2))
    rotor = state.rotor
    if rotor is None or start.rotor is None:
        return out
    for s in range(len(state.standings)):
        axis = state.r_ring_rotor[s][:, 2]
        sign = np.sign(axis[2])
        add("tilt", cols(("standing", s), 0, 2), np.array([sign * axis[0], sign * axis[1]]), np.radians([priors.tilt_sigma_deg] * 2), np.array([[0.0, 1.0], [-1.0, 0.0]]))
        add("gauge", cols(("standing", s), 3, 2), state.t_ring_rotor[s, :2], np.array([10.0, 10.0]))
    # Where the rotor's frame begins is a free choice: tie it to the first standing.
    first = state.r_ring_rotor[0] @ start.r_ring_rotor[0].T
    spin = np.array([(first[1, 0] - first[0, 1]) / 2])
    add("gauge", cols(("standing", 0), 2, 1), spin, np.array([1e-5]))
    add("gauge", cols(("standing", 0), 5, 1), state.t_ring_rotor[0, 2:] - start.t_ring_rotor[0, 2:], np.array([1e-3]))
    if len(state.standings) > 1:
        add("gauge", cols(("standing", 1), 5, 1), state.t_ring_rotor[1, 2:] - start.t_ring_rotor[1, 2:], np.array([priors.turned_height_sigma_mm]))
    k = cols("rotor")
    add("tip radius", k[:1], np.array([rotor.radius_mm - priors.radius_mm]), np.array([priors.radius_sigma_mm]))
    add("blade edges", k[1:2], np.array([rotor.thickness_mm - priors.thickness_mm]), np.array([priors.thickness_sigma_mm]))
    add("blade edges", k[2:], rotor.rounding_mm - priors.rounding_mm, np.array([priors.rounding_sigma_mm] * 2))
    basis, count = rotor.basis, rotor.basis.count
    bend = np.zeros((count - 3, count))  # third differences: change of the angle's slope from knot to knot
    for i in range(count - 3):
        bend[i, i : i + 4] = [-1, 3, -3, 1]
    sigma = np.radians(priors.bend_sigma_deg) * basis.step * rotor.radius_mm
    for b in range(rotor.blades):
        c = cols(("blade", b))
        add("smoothness", c[:count], bend @ rotor.heights[b], np.full(len(bend), sigma), bend)
        # only so that the equations stay regular where nothing is seen of a blade
        add("gauge", c[:count], rotor.heights[b] - start.rotor.heights[b], np.full(count, 50.0))
        add("gauge", c[count : count + 2], rotor.ends[b] - start_ends(start, b), np.array([0.03, 0.6]))
        add("blade edges", c[count + 2 :], rotor.extra_mm[b : b + 1], np.array([priors.extra_sigma_mm]))
    same = of("blades alike")
    like, sigma = alike(rotor, priors)
    weighted = like.T @ (like / sigma[:, None] ** 2)
    off = rotor.heights - rotor.heights.mean(0)
    same.cost += float(np.einsum("bi,ij,bj->", off, weighted, off))
    for b in range(rotor.blades):
        own = cols(("blade", b), 0, count)
        same.right[own] += weighted @ off[b]
        for other in range(rotor.blades):
            share = (b == other) - 1 / rotor.blades
            same.information[np.ix_(own, cols(("blade", other), 0, count))] += share * weighted
    for k, standing in enumerate(state.circle_standing):
        # height above the sheet, along the axis: what is looked at from above is the upper end of the rotor
        sign = np.sign(state.r_ring_rotor[standing, 2, 2])
        height = state.t_ring_rotor[standing, 2] + sign * state.circles[k, 1]
        at = np.array([layout[("standing", standing)].start + 5, layout["circles"].start + 2 * k + 1])
        add("hub circles", at, np.array([height - priors.circle_height_mm]), np.array([priors.circle_height_sigma_mm]), np.array([[1.0, sign]]))
    return out


def alike(rotor: Rotor, priors: Priors) -> tuple[Array, Array]:
    """Functions (m, c) of a blade's spline that are much the same on all blades, and the spread (m,) about their mean.

    Slopes at the leading, middle and trailing parts and the height of the leading end. Blades of one rotor are made alike
    to about half a degree (common practice, no source); a blade that is not shows as soon as the photographs say so better.
    """
    wrap = float(np.median(rotor.ends[:, 1]))
    slopes = rotor.basis.matrix(np.array([0.1, 0.5, 0.9]) * wrap, 1) / rotor.radius_mm
    height = rotor.basis.matrix(np.array([0.5 * wrap]))
    sigma = np.array([np.radians(priors.alike_sigma_deg)] * 3 + [priors.alike_height_sigma_mm])
    return np.vstack([slopes, height]), sigma


def start_ends(start: State, blade: int) -> Array:
    """The starting values (2,) of a blade's ends."""
    assert start.rotor is not None
    out: Array = start.rotor.ends[blade]
    return out


def _apply(state: State, layout: Layout, step: Array) -> State:
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
        for s in range(len(new.standings)):
            d = step[layout[("standing", s)]]
            new.r_ring_rotor[s] = orthonormal(rotation(d[:3]) @ new.r_ring_rotor[s])
            new.t_ring_rotor[s] += d[3:6]
        d = step[layout["rotor"]]
        rotor.radius_mm += float(d[0])
        rotor.thickness_mm = max(rotor.thickness_mm + float(d[1]), 0.1)
        rotor.rounding_mm = np.clip(rotor.rounding_mm + d[2:4], 0.5, 12.0)
        for b in range(rotor.blades):
            d = step[layout[("blade", b)]]
            rotor.heights[b] += d[: rotor.basis.count]
            rotor.ends[b] += d[rotor.basis.count : rotor.basis.count + 2]
            rotor.extra_mm[b] += d[-1]
        new.circles += step[layout["circles"]].reshape(-1, 2)
    return new


def _spread(residual: Array, floor: float = 0.5) -> float:
    """Factor by which residuals (m,) in standard uncertainties, in the order of the trace, exceed what was claimed.

    The robust spread of single points, times the root of the growth of the variance of means of eight neighbours (one if
    the points are independent): texture, compression and model error are correlated along an edge.
    """
    good = np.isfinite(residual)
    r = residual[good]
    if len(r) < 20:
        return 1.0
    single = 1.4826 * float(np.median(np.abs(r)))
    kept = np.clip(r, -3 * single, 3 * single)
    blocks = kept[: len(kept) // 8 * 8].reshape(-1, 8)
    growth = 8 * float(blocks.mean(1).var()) / max(float(kept.var()), 1e-12) if len(blocks) >= 8 else 1.0
    return max(single, floor) * float(np.sqrt(np.clip(growth, 1.0, 8.0)))


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
    built = _build(ring, views, state, layout, standing, scale)
    known = _prior_rows(state, layout, priors, start)
    while True:
        if rescale and fresh < RESCALINGS:
            # Let the residuals say how good the points are: at first they are large because the start is, and the
            # robust weights would not know which points to believe.
            fresh += 1
            scale = [{k: _spread(r / s) for k, (r, s, _) in kinds.items()} for kinds in built.residuals]
            built = _build(ring, views, state, layout, standing, scale)
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
            tried = _apply(state, layout, step)
            after = _build(ring, views, tried, layout, standing, scale)
            after_known = _prior_rows(tried, layout, priors, start)
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
        [{k: r for k, (r, _, _) in kinds.items()} for kinds in built.residuals],
        [{k: w for k, (_, _, w) in kinds.items()} for kinds in built.residuals],
        scale, iteration,
    )  # fmt: skip


@dataclass
class _Built:
    """Normal equations from all photographs."""

    information: dict[str, Array]
    right: Array
    shifts: dict[str, Array]
    cost: float
    residuals: list[dict[str, tuple[Array, Array, Array]]]  # photo -> kind -> residual px, claimed sigma px, weight


def _build(ring: Ring, views: tuple[View, ...], state: State, layout: Layout, standing: list[int | None], scale: list[dict[str, float]]) -> _Built:
    n = layout.size
    sources = {"ring": "ring corners", "tip": "tip edges", "end": "blade ends", "circle": "hub circles seen"}
    built = _Built({s: np.zeros((n, n)) for s in [*sources.values(), "photographs"]}, np.zeros(n), {}, 0.0, [])
    for p, view in enumerate(views):
        equations = _Equations(ring, layout, state, p, standing[p])
        at = np.ix_(equations.columns, equations.columns)
        kinds: dict[str, tuple[Array, Array, Array]] = {}
        for kind, residual, jac, sigma in equations.rows(view):
            claimed = sigma * scale[p].get(kind, 1.0)
            missed = ~np.isfinite(residual)
            z = np.where(missed, 0.0, residual / claimed)
            robust = 1 / (1 + (z / ROBUST_WIDTH) ** 2)
            weight = np.where(missed, 0.0, robust)
            w = weight / claimed**2
            normal = jac.T @ (w[:, None] * jac)
            built.information[sources[kind]][at] += normal
            built.information["photographs"][at] += normal
            built.right[equations.columns] += jac.T @ (w * np.where(missed, 0.0, residual))
            built.cost += float((ROBUST_WIDTH**2 * np.log1p((z / ROBUST_WIDTH) ** 2))[~missed].sum())
            for name, sign in _directions(kind, view):
                vector = built.shifts.setdefault(name, np.zeros(n))
                vector[equations.columns] += jac.T @ (w * sign)
            kinds[kind] = (residual, sigma, weight)
        built.residuals.append(kinds)
    return built


def _directions(kind: str, view: View) -> Iterator[tuple[str, Array]]:
    """Kinds of edge that can be biased together, with +1, 0, -1 for each point by how its normal points."""
    if kind == "ring":
        yield "ring", np.ones(len(view.sighting.px))
    if kind == "tip" and view.tips is not None:
        yield "inlet face", (view.tips.face > 0).astype(float)
        yield "outlet face", (view.tips.face < 0).astype(float)
    if kind == "circle" and view.circles is not None:
        yield "hub", np.ones(len(view.circles.px))
