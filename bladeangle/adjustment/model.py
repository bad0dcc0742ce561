"""The model of all photographs: the unknowns, and the observations, each a point in a picture with a normal."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, fields, replace
from typing import Self, TypeVar

import numpy as np
from numpy.typing import NDArray

from bladeangle.adjustment.rotor import Rotor
from bladeangle.base.geometry import Array, hats, pixels, ray_cylinder, rays_in, rotation
from bladeangle.imaging.ring import RingSighting

Ints = NDArray[np.int64]

#: Knots along the tip between which what grooves do to the edges of the tip land is linear.
GROOVE_KNOTS = 16
#: Tip edges of the two faces are weighed apart: one may stand out clearly where the other is hardly seen.
TIP_KINDS = {"inlet tips": 1, "outlet tips": -1}


@dataclass(frozen=True)
class Points:
    """Places (n) in one photograph, with a value in each array for each of them."""

    def only(self, keep: NDArray[np.bool_]) -> Self:
        """Those for which `keep` (n,) is true."""
        return type(self)(*(getattr(self, f.name)[keep] for f in fields(self)))


@dataclass(frozen=True)
class TipPoints(Points):
    """Points (n) on blade-tip edges in one photograph: face +1 inlet, -1 outlet; far: seen from inside; px (n, 2).

    `sigma_px` is of a point by itself, `shared_px` of the error that a run of points shares, as on a saturated edge.
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


@dataclass(frozen=True)
class EndPoints(Points):
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
class ObservedView:
    """All observations in one photograph; what was not looked for is None.

    px_per_mm : scale of the picture at the rotor, which says over how many pixels errors along an edge correlate.
    """

    name: str
    setup: str
    sighting: RingSighting
    tips: TipPoints | None = None
    ends: EndPoints | None = None
    circles: CirclePoints | None = None
    px_per_mm: float = 7.0

    def tips_of(self, face: int) -> TipPoints | None:
        """The tip points of one face, or None."""
        if self.tips is None or not (self.tips.face == face).any():
            return None
        return self.tips.only(self.tips.face == face)


@dataclass
class RingState:
    """Current values of the unknowns of photographs of the ring; poses as matrices, corrected by small rotations from
    the left.

    focus : (p,) relative change of the focal length; principal : (p, 2) px, change of the principal point.
    sheet : (5,) stretch, shear, saddle and twisted saddle in mm at the outer radius, growth of the print in mm.
    pieces : (q - 1, 3) place of the sheet's pieces after the first: x, y mm, turn rad.
    """

    camera: Array
    r_camera_ring: Array  # (p, 3, 3)
    t_camera_ring: Array  # (p, 3)
    focus: Array
    principal: Array
    sheet: Array
    pieces: Array

    def copy(self) -> Self:
        """An independent copy."""
        return replace(
            self, camera=self.camera.copy(), r_camera_ring=self.r_camera_ring.copy(),
            t_camera_ring=self.t_camera_ring.copy(), focus=self.focus.copy(), principal=self.principal.copy(),
            sheet=self.sheet.copy(), pieces=self.pieces.copy(),
        )  # fmt: skip

    def px_per_mm(self, photo: int) -> float:
        """Scale of a photograph at the ring's centre."""
        return float(self.camera[0] / np.linalg.norm(self.t_camera_ring[photo]))

    def camera_of(self, photo: int) -> Array:
        """Camera parameters (8,) with the focus and principal-point change of one photograph."""
        out = self.camera.copy()
        out[0] *= 1 + self.focus[photo]
        out[1:3] += self.principal[photo]
        return out

    def pixels_of(self, points: Array, photo: int) -> Array:
        """Pixels (n, 2) of points (n, 3) in the ring frame."""
        return pixels(points @ self.r_camera_ring[photo].T + self.t_camera_ring[photo], self.camera_of(photo))


@dataclass
class State(RingState):
    """Current values of all unknowns: those of the photographs of the ring, the rotor's, and its pose in each setup.

    circles : (k, 2) radius and height of hub circles in the rotor frame; circle_setup : setup in which each is seen.
    grooves : (2, GROOVE_KNOTS) mm by which both edges of the tip land, inlet face first, seem too high from the side.
    moves : photograph -> (3,) turn about the ring's z, rad, and shift along x and y, mm, of the rotor since the other
    photograph of its setup, where that is allowed for.
    """

    setups: tuple[str, ...]
    r_ring_rotor: Array  # (s, 3, 3)
    t_ring_rotor: Array  # (s, 3)
    rotor: Rotor
    circles: Array = field(default_factory=lambda: np.zeros((0, 2)))
    circle_setup: tuple[int, ...] = ()
    grooves: Array = field(default_factory=lambda: np.zeros((2, GROOVE_KNOTS)))
    moves: dict[int, Array] = field(default_factory=dict)

    def copy(self) -> Self:
        """An independent copy."""
        return replace(
            super().copy(), r_ring_rotor=self.r_ring_rotor.copy(), t_ring_rotor=self.t_ring_rotor.copy(),
            rotor=self.rotor.copy(), circles=self.circles.copy(), grooves=self.grooves.copy(),
            moves={p: move.copy() for p, move in self.moves.items()},
        )  # fmt: skip

    def placed(self, photo: int, setup: int) -> tuple[Array, Array]:
        """Rotation (3, 3) and origin (3,) in the ring frame of the rotor as it stands in one photograph."""
        r, t = self.r_ring_rotor[setup], self.t_ring_rotor[setup]
        move = self.moves.get(photo)
        if move is None:
            return r, t
        return rotation(np.array([0.0, 0.0, move[0]])) @ r, t + np.array([move[1], move[2], 0.0])

    def pixels_of(self, points: Array, photo: int, setup: int | None = None) -> Array:
        """Pixels (n, 2) of points (n, 3) in the ring frame, or in the rotor frame of a setup."""
        if setup is not None:
            r, t = self.placed(photo, setup)
            points = points @ r.T + t
        return super().pixels_of(points, photo)

    def eye_in(self, photo: int, setup: int) -> Array:
        """The camera's centre (3,) in the rotor frame of a setup, mm."""
        eye = -self.r_camera_ring[photo].T @ self.t_camera_ring[photo]
        r, t = self.placed(photo, setup)
        out: Array = r.T @ (eye - t)
        return out

    def pivot(self, setup: int) -> Array:
        """The point (3,) about which a setup's small rotations turn: on the axis amid the tips; from its origin, mm.

        Overhead photographs determine heights badly. With turns about the rotor's foot, every common change of heights
        would shift the tips by the tilt: the valley of the cost would be bent, and the adjustment slow.
        """
        out: Array = self.r_ring_rotor[setup][:, 2] * self.rotor.heights.mean()
        return out

    def inside(self, photo: int, setup: int) -> bool:
        """Whether the camera looks from inside the tip cylinder, as from overhead."""
        eye = self.eye_in(photo, setup)
        return bool(np.hypot(eye[0], eye[1]) < self.rotor.radius_mm)

    def rays(self, px: Array, photo: int, setup: int) -> Array:
        """Directions (n, 3) in the rotor frame of the rays through pixels (n, 2)."""
        return rays_in(px, self.camera_of(photo), self.r_camera_ring[photo] @ self.placed(photo, setup)[0])

    def on_cylinder(self, px: Array, photo: int, setup: int, radius_mm: float | Array, far: NDArray[np.bool_]) -> Array:
        """Points (n, 3) in the rotor frame where rays through pixels meet the tip cylinder; nan where they miss.

        radius_mm : of the cylinder, or of each ray's own (n,).
        """
        return ray_cylinder(self.eye_in(photo, setup), self.rays(px, photo, setup), radius_mm, far=far)

    def tau_of_tips(self, tips: TipPoints, photo: int, setup: int) -> Array:
        """tau (m,) at which the rays through tip points (m) meet the cylinder of the common radius; nan where none."""
        return self.tau_of_px(tips.px, tips.blade, tips.far, photo, setup)

    def tau_of_px(self, px: Array, blade: Ints, far: NDArray[np.bool_], photo: int, setup: int) -> Array:
        """The same of pixels (m, 2) on the tips of blades (m,), seen on the far side or not (m,)."""
        foot = self.on_cylinder(px, photo, setup, self.rotor.radius_mm, far)
        met = np.asarray(np.isfinite(foot).all(1))
        return np.where(met, self.rotor.tau_of(np.where(met[:, None], foot, 1.0), blade), np.nan)


def unwatched(setups: Sequence[object]) -> tuple[int, ...]:
    """Photographs (of these setups) that have a single other of their setup, named before them.

    Two photographs hardly show that the rotor was moved between them; of three, each is controlled by the others.
    """
    return tuple(p for p, s in enumerate(setups) if setups.count(s) == 2 and s in setups[:p])


def unmoved(setups: Sequence[object]) -> dict[int, Array]:
    """`State.moves` to start from: one of nothing for each of the `unwatched`."""
    return {p: np.zeros(3) for p in unwatched(setups)}


S = TypeVar("S", bound=RingState)


class Layout:
    """Which column of the normal equations belongs to which unknown."""

    def __init__(self, state: RingState) -> None:
        self.slices: dict[object, slice] = {}
        self.columns: dict[object, Ints] = {}
        self.size = 0
        self._add("camera", 8)
        self._add("sheet", 5)
        self._add("pieces", state.pieces.size)
        for p in range(len(state.focus)):
            self._add(("photo", p), 9)  # rotation 3, translation 3, focus, principal point 2
        if isinstance(state, State):
            for s in range(len(state.setups)):
                self._add(("setup", s), 6)
            self._add("rotor", 4)  # radius, thickness, rounding 2
            for b in range(state.rotor.blades):
                self._add(("blade", b), state.rotor.basis.count + 3)  # heights, ends 2, extra thickness
            self._add("tips", state.rotor.tip_radius.shared.size + state.rotor.tip_radius.own.size)
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


def groove_hats(rotor: Rotor, tau: Array) -> Array:
    """Shares (n, GROOVE_KNOTS) of the knots along the tip at tau (n,); knots are even over the blades' length."""
    knots = np.linspace(rotor.basis.start, rotor.basis.stop, GROOVE_KNOTS)
    return hats(tau, knots)


def applied(state: S, layout: Layout, step: Array) -> S:
    """The state after a step (n,). Rounding leaves rotations orthonormal to 1e-14 over a hundred steps."""
    new = state.copy()
    new.camera += step[layout["camera"]]
    new.sheet += step[layout["sheet"]]
    new.pieces += step[layout["pieces"]].reshape(-1, 3)
    photos = step[np.array([layout.columns["photo", p] for p in range(len(new.focus))])]
    turns = np.array([rotation(d) for d in photos[:, :3]])
    new.r_camera_ring = turns @ new.r_camera_ring
    new.t_camera_ring += photos[:, 3:6]
    new.focus += photos[:, 6]
    new.principal += photos[:, 7:9]
    if isinstance(new, State):
        _step_rotor(new, layout, step)
    return new


def _step_rotor(new: State, layout: Layout, step: Array) -> None:
    """Apply a step (n,) to the rotor and its setups."""
    rotor, d = new.rotor, step[layout["rotor"]]
    rotor.radius_mm += float(d[0])
    rotor.thickness_mm = max(rotor.thickness_mm + float(d[1]), 0.1)
    rotor.rounding_mm = np.clip(rotor.rounding_mm + d[2:4], 0.5, 12.0)
    blades, count = step[np.array([layout.columns["blade", b] for b in range(rotor.blades)])], rotor.basis.count
    rotor.heights += blades[:, :count]
    rotor.ends += blades[:, count : count + 2]
    rotor.extra_mm += blades[:, -1]
    tips, shared = step[layout["tips"]], len(rotor.tip_radius.shared)
    rotor.tip_radius.shared += tips[:shared]
    rotor.tip_radius.own += tips[shared:].reshape(rotor.tip_radius.own.shape)
    for s in range(len(new.setups)):
        d = step[layout[("setup", s)]]
        pivot = new.pivot(s)  # carried along the axis with the heights
        new.r_ring_rotor[s] = rotation(d[:3]) @ new.r_ring_rotor[s]
        new.t_ring_rotor[s] += d[3:6] + pivot - new.pivot(s)
    new.grooves += step[layout["grooves"]].reshape(2, -1)
    new.circles += step[layout["circles"]].reshape(-1, 2)
    for p, move in new.moves.items():
        move += step[layout[("move", p)]]
