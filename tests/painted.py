"""Crude photographs of a straight-bladed rotor, painted in a moment: pinhole formula, polygons, blur, noise.

Blades are ruled surfaces from the tip to the hub's cylinder, of one angle, thickness and tip radius, so that every edge
is known from a formula. Not covered: lenses, light, metal, the ring.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from seeds import generator

from bladeangle.adjustment.model import State
from bladeangle.adjustment.rotor import Basis, Rotor
from bladeangle.imaging.photo import WHITE_LEVEL, Exif, Photo

Array = NDArray[np.float64]

WIDTH, HEIGHT, FOCAL_PX = 2016, 1512, 1500.0
#: Parameters (8,) of that camera, which has no lens.
CAMERA = np.array([FOCAL_PX, (WIDTH - 1) / 2, (HEIGHT - 1) / 2, 0, 0, 0, 0, 0], float)
#: Subpixels a pixel that polygons are painted in.
FINE = 4
PAPER, DARK = 0.75, 0.10
#: OpenCV also fills the fine pixels that a polygon's outline crosses: so much beyond it, px.
FILLED_BEYOND_PX = 0.45 / FINE


@dataclass(frozen=True)
class Painted:
    """A rotor of straight blades: angle from the plane of rotation, height of the leading end's mid-line, mm.

    turn : +1 when blades run counter-clockwise from their leading ends, seen from the inlet.
    shadow_mm : how far below a lower edge, seen from the side, its shadow ends on what is as bright as paper; 0: never.
    """

    blades: int = 3
    angle_deg: float = 13.0
    radius_mm: float = 75.0
    hub_mm: float = 28.0
    bore_mm: float = 13.0
    wrap_rad: float = 2.2
    thickness_mm: float = 2.4
    lead_height_mm: float = 56.0
    rim_height_mm: float = 64.0
    turn: int = -1
    shadow_mm: float = 0.0

    def tip(self, blade: int, face: int, tau: Array, radius_mm: float | None = None) -> Array:
        """Points (n, 3) of a tip edge, inlet end up; face +1 the upper one, 0 the mid-line."""
        radius = self.radius_mm if radius_mm is None else radius_mm
        slope = math.tan(math.radians(self.angle_deg))
        half = face * self.thickness_mm / 2 / math.cos(math.radians(self.angle_deg))
        phi = 2 * np.pi * blade / self.blades + self.turn * tau
        z = self.lead_height_mm - slope * self.radius_mm * tau + half
        return np.column_stack([radius * np.cos(phi), radius * np.sin(phi), z])

    def circle(self, radius_mm: float, height_mm: float) -> Array:
        """Points (n, 3) of a circle about the axis."""
        phi = np.linspace(0, 2 * np.pi, 400)
        return np.column_stack([radius_mm * np.cos(phi), radius_mm * np.sin(phi), np.full(400, height_mm)])


@dataclass(frozen=True)
class Eye:
    """A pinhole camera: where it is, mm, and what it looks at."""

    place_mm: tuple[float, float, float]
    target_mm: tuple[float, float, float] = (0.0, 0.0, 30.0)

    @property
    def pose(self) -> tuple[Array, Array]:
        """R_camera_ring (3, 3), t_camera_ring (3,) mm."""
        eye = np.array(self.place_mm)
        z = np.array(self.target_mm) - eye
        z /= np.linalg.norm(z)
        x = np.cross(z, [0.1, 1.0, 0.0] if abs(z[2]) > 0.9 else [0.0, 0.0, 1.0])
        x /= np.linalg.norm(x)
        r = np.stack([x, np.cross(z, x), z])
        return r, -r @ eye

    def px(self, points: Array) -> Array:
        """Pixels (n, 2) of points (n, 3) mm."""
        r, t = self.pose
        seen = points @ r.T + t
        out: Array = seen[:, :2] / seen[:, 2:] * FOCAL_PX + [(WIDTH - 1) / 2, (HEIGHT - 1) / 2]
        return out


#: From above, a little beside the axis, and from two sides.
ABOVE = Eye((8.0, -5.0, 300.0), (8.0, -5.0, 0.0))
SIDES = (Eye((250.0, 30.0, 190.0)), Eye((-150.0, 200.0, 190.0)))


def photograph(
    rotor: Painted,
    eye: Eye,
    rng: np.random.Generator,
    line_px: float = 0.0,
    line_light: float = 0.65,
    noise: float = 0.02,
) -> Photo:
    """The rotor, inlet end up, as a camera sees it.

    line_px, line_light : how far inside the tip edges a thin line runs along the upper faces, and how bright; 0: none.
    """
    picture = np.full((HEIGHT * FINE, WIDTH * FINE), round(255 * PAPER), np.uint8)

    def fill(points: Array, light: float) -> None:
        place = (eye.px(points) + 0.5) * FINE - 0.5
        cv2.fillPoly(picture, [np.round(place * 16).astype(np.int32)], round(255 * light), shift=4)

    above = math.hypot(*eye.place_mm[:2]) < rotor.radius_mm
    if above:
        _paint_from_above(rotor, eye, fill, line_px, line_light)
    else:
        _paint_from_aside(rotor, eye, fill)
    small = cv2.resize(picture, (WIDTH, HEIGHT), interpolation=cv2.INTER_AREA).astype(np.float32) / 255
    light = cv2.GaussianBlur(small, (0, 0), 0.8) + noise * rng.standard_normal(small.shape).astype(np.float32)
    grey = np.clip(np.rint(light * WHITE_LEVEL), 0, WHITE_LEVEL).astype(np.uint16)
    encoded = np.rint(255 * np.clip(light, 0, 1) ** (1 / 2.2)).astype(np.uint8)
    return Photo(Path("painted.jpg"), "painted.jpg", "0" * 64, grey, encoded, WIDTH, HEIGHT, Exif())


def _paint_from_above(rotor: Painted, eye: Eye, fill, line_px: float, line_light: float) -> None:  # type: ignore[no-untyped-def]
    tau = np.linspace(0, rotor.wrap_rad, 160)
    px_per_mm = FOCAL_PX / (eye.place_mm[2] - 40)
    radius = rotor.radius_mm - FILLED_BEYOND_PX / px_per_mm
    pieces = []
    for b in range(rotor.blades):
        outer, inner = rotor.tip(b, 1, tau, radius), rotor.tip(b, 1, tau, rotor.hub_mm)
        for k in range(len(tau) - 1):
            quad = np.stack([outer[k], outer[k + 1], inner[k + 1], inner[k]])
            pieces.append((quad[:2, 2].mean(), quad, 0.16 + 0.05 * b))
            if line_px:
                lines = [rotor.tip(b, 1, tau, rotor.radius_mm - (line_px + w) / px_per_mm) for w in (-1.0, 1.0)]
                line = np.stack([lines[0][k], lines[0][k + 1], lines[1][k + 1], lines[1][k]])
                pieces.append((line[:, 2].mean() + 1e-3, line, line_light))
    for _, piece, light in sorted(pieces, key=lambda p: p[0]):
        fill(piece, light)
    for radius, light in ((rotor.hub_mm, 0.55), (rotor.bore_mm, DARK)):
        fill(rotor.circle(radius - FILLED_BEYOND_PX / px_per_mm, rotor.rim_height_mm), light)


def _paint_from_aside(rotor: Painted, eye: Eye, fill) -> None:  # type: ignore[no-untyped-def]
    """The cylinder within the tips, dark, and the tip lands on the near side."""
    towards = math.atan2(eye.place_mm[1], eye.place_mm[0])
    reach = math.acos(rotor.radius_mm / math.hypot(*eye.place_mm[:2]))
    for height in np.linspace(0, rotor.lead_height_mm + 4, 40):
        fill(rotor.circle(rotor.radius_mm - 6, float(height)), DARK)
    far = math.dist(eye.place_mm, (0, 0, 0))
    px_per_mm = FOCAL_PX / (far - rotor.radius_mm) * math.hypot(*eye.place_mm[:2]) / far
    inside = np.array([0, 0, FILLED_BEYOND_PX / px_per_mm])
    for b in range(rotor.blades):
        tau = np.linspace(0, rotor.wrap_rad, 400)
        away = np.angle(np.exp(1j * (2 * np.pi * b / rotor.blades + rotor.turn * tau - towards)))
        for k in np.flatnonzero(np.abs(away[:-1]) < reach):
            upper, lower = rotor.tip(b, 1, tau[k : k + 2]) - inside, rotor.tip(b, -1, tau[k : k + 2]) + inside
            fill(np.vstack([upper, lower[::-1]]), 0.5)
            if rotor.shadow_mm:
                past = lower - [0, 0, rotor.shadow_mm]
                fill(np.vstack([past, past[::-1] - [0, 0, 4.0]]), PAPER)


def state_of(rotor: Painted, eyes: tuple[Eye, ...]) -> State:
    """The unknowns as they are, of photographs of one standing, inlet up."""
    poses = [eye.pose for eye in eyes]
    n, slope = len(eyes), math.tan(math.radians(rotor.angle_deg))
    basis = Basis.over(0.0, rotor.wrap_rad, rotor.radius_mm)
    knots = basis.start + basis.step * (np.arange(basis.count) - 1)  # a line's coefficients are its values there
    shape = Rotor(
        rotor.radius_mm, rotor.thickness_mm, np.array([0.5, 0.5]), rotor.turn,
        2 * np.pi * np.arange(rotor.blades) / rotor.blades, basis,
        np.tile(rotor.lead_height_mm - slope * rotor.radius_mm * knots, (rotor.blades, 1)),
        np.tile([0.0, rotor.wrap_rad], (rotor.blades, 1)), np.zeros(rotor.blades),
    )  # fmt: skip
    return State(
        CAMERA, np.array([r for r, _ in poses]), np.array([t for _, t in poses]), np.zeros(n), np.zeros((n, 2)),
        np.zeros(5), np.zeros((0, 3)), ("inlet_up",), np.eye(3)[None], np.zeros((1, 3)), shape,
    )  # fmt: skip


@cache
def photographs(rotor: Painted, seed: int, noise: float = 0.02) -> tuple[Photo, ...]:
    """The rotor from above and from both sides."""
    rng = generator(seed)
    return tuple(photograph(rotor, eye, rng, noise=noise) for eye in (ABOVE, *SIDES))


def off_px(px: Array, normal: Array, curve: Array) -> tuple[Array, NDArray[np.int64]]:
    """How far (n,) points lie from a densely sampled curve (m, 2), along their normals; and the samples nearest."""
    nearest = np.array([int(np.argmin(((curve - p) ** 2).sum(1))) for p in px], int)
    return ((px - curve[nearest]) * normal).sum(1), nearest
