"""What is photographed: rotor, printed sheet, camera, lamps and exposure, all as frozen dataclasses.

Frames and units: ring frame (mm, x to the printed arrow, y counter-clockwise seen from above, z up); rotor frame (mm,
origin on the axis at the outlet-end face, z to the inlet end, blade 1's leading tip at azimuth 0); camera frame x
right, y down, z forward; pixel centres at integers; distortion is OpenCV's five-coefficient model (k1, k2, p1, p2, k3).

The camera and the poses here are written for the renderer alone, so that a sign error of the measurement cannot cancel
itself.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from bladeangle.base.errors import DefinitionError
from tests.synthetic.phone import Phone
from tests.synthetic.surroundings import Bench, Lighting, Spill, Thing
from tests.synthetic.wear import AngleLaw, Array, TipWear


@dataclass(frozen=True)
class Progressive:
    """Blade angle entry + (exit - entry) * fraction**shape; constant pitch when entry equals exit."""

    entry_deg: float
    exit_deg: float
    shape: float = 1.0

    def __call__(self, fraction: Array) -> Array:
        return self.entry_deg + (self.exit_deg - self.entry_deg) * np.asarray(fraction, float) ** self.shape


@dataclass(frozen=True)
class Damage:
    """A nick (material missing from the tip) or a dent (edge bent towards the inlet end), smooth along the tip.

    `blade` counts from 1; `at_mm` along the tip from the leading edge; `width_mm` is the full width.
    """

    kind: str
    blade: int
    at_mm: float
    width_mm: float = 4.0
    depth_mm: float = 1.0

    def __post_init__(self) -> None:
        if self.kind not in ("nick", "dent"):
            raise DefinitionError(f"damage of kind {self.kind!r} is not known.", "Use nick or dent.")

    def depth(self, along_mm: Array) -> Array:
        """Depth in mm at distances along the tip: one raised cosine, 0 outside."""
        t = np.clip((np.asarray(along_mm) - self.at_mm) / (0.5 * self.width_mm), -1.0, 1.0)
        return 0.5 * self.depth_mm * (1.0 + np.cos(np.pi * t))


@dataclass(frozen=True)
class Stain:
    """A spot that multiplies the metal's reflectance near a point of a blade's tip."""

    blade: int
    at_mm: float
    radius_mm: float = 6.0
    factor: float = 0.25


@dataclass(frozen=True)
class RotorShape:
    """A rotor whose blades are helicoids with radial generators and a tip on a cylinder, or near one (`wear`).

    `laws` holds one angle law for all blades or one per blade. `hand` is +1 when the blade is a right-hand screw thread
    and -1 otherwise. `edge_round_mm` is how far along the tip the elliptical rounding of the leading and trailing edge
    reaches; the tip land meets the faces in sharp edges. `sweep_mm` is how far the leading edge falls back along the
    tip's arc between tip and hub. `land` is what the tip land reflects against the rest, and its gloss: (1, 1) as the
    blades are, (1.2, 0) chalked. Angles of the stations never depend on damage or stains.
    """

    blades: int = 3
    hand: int = 1
    tip_radius_mm: float = 79.7
    hub_radius_mm: float = 45.0
    nose_radius_mm: float = 29.0
    bore_radius_mm: float = 14.0
    outlet_bore_radius_mm: float = 18.0
    bore_depth_mm: float = 18.0
    height_mm: float = 68.0
    base_mm: float = 5.0
    tip_length_mm: float = 195.0
    thickness_mm: float = 3.2
    root_thickness_mm: float = 4.5
    edge_round_mm: float = 4.0
    sweep_mm: float = 22.0
    trailing_sweep_mm: float = 0.0
    laws: tuple[AngleLaw, ...] = (Progressive(10.0, 16.0),)
    damage: tuple[Damage, ...] = ()
    stains: tuple[Stain, ...] = ()
    wear: TipWear = field(default_factory=TipWear)
    texture: float = 1.0
    reflectance: float = 0.8
    land: tuple[float, float] = (1.0, 1.0)

    def __post_init__(self) -> None:
        if not 1 <= self.blades <= 12 or self.hand not in (1, -1):
            raise DefinitionError("a rotor needs 1 to 12 blades and hand +1 or -1.", "Correct the rotor's shape.")
        if len(self.laws) not in (1, self.blades):
            raise DefinitionError(
                f"{len(self.laws)} angle laws do not fit {self.blades} blades.",
                "Give one law for all blades or one for each.",
            )
        if any(
            len(one) not in (0, self.blades)
            for one in (self.wear.runout_mm, self.wear.ripple, self.wear.leading.share, self.wear.trailing.share)
        ):
            raise DefinitionError("wear is not given for every blade.", "Give one run-out, ripple and share per blade.")
        if not self.bore_radius_mm < self.nose_radius_mm <= self.hub_radius_mm < self.tip_radius_mm:
            raise DefinitionError("the radii must grow from bore over nose and hub to tip.", "Correct the radii.")

    def law(self, blade: int) -> AngleLaw:
        """The angle law of blade 0..blades-1."""
        return self.laws[blade if len(self.laws) > 1 else 0]

    @property
    def lead_height_mm(self) -> float:
        """Height of the leading tips' mid-line: the longest blade ends `base_mm` above the outlet face."""
        return self.base_mm + max(float(_fall(self, b)[2][-1]) for b in range(len(self.laws)))


@dataclass(frozen=True)
class TipCurve:
    """Mid-line of one blade's tip, finely sampled from the leading edge: arrays (N,) in mm and radians.

    `round_mm` is the circumferential arc at the local tip radius `radius_mm`, `phi_rad` the azimuth from the leading
    tip (positive), `drop_mm` the fall of the height.
    """

    along_mm: Array
    angle_rad: Array
    round_mm: Array
    drop_mm: Array
    radius_mm: Array
    phi_rad: Array

    def at(self, along_mm: Array) -> tuple[Array, Array, Array, Array]:
        """Angle (rad), azimuth from the leading tip (rad), drop and radius (mm) at distances along the tip."""
        s = np.asarray(along_mm, float)
        return (
            np.interp(s, self.along_mm, self.angle_rad),
            np.interp(s, self.along_mm, self.phi_rad),
            np.interp(s, self.along_mm, self.drop_mm),
            np.interp(s, self.along_mm, self.radius_mm),
        )


def _integral(values: Array, step: float) -> Array:
    """Integral from the first sample on (trapezoid rule)."""
    return np.concatenate([[0.0], np.cumsum(0.5 * step * (values[1:] + values[:-1]))])


def _fall(shape: RotorShape, blade: int, step_mm: float = 0.02) -> tuple[Array, Array, Array]:
    """Distance along a blade's tip (mm), angle (rad) and drop (mm) on a grid of about `step_mm`."""
    s = np.linspace(0.0, shape.tip_length_mm, math.ceil(shape.tip_length_mm / step_mm) + 1)
    angle = np.radians(np.broadcast_to(np.asarray(shape.law(blade)(s / s[-1]), float), s.shape))
    return s, angle, _integral(np.sin(angle), s[1])


def tip_curve(shape: RotorShape, blade: int, step_mm: float = 0.02) -> TipCurve:
    """Integrate a blade's angle law along its tip (trapezoid rule on a grid of `step_mm`)."""
    s, angle, drop = _fall(shape, blade, step_mm)
    height = (shape.lead_height_mm - drop) / shape.height_mm
    radius = shape.tip_radius_mm + shape.wear.deviation_mm(blade, s, shape.tip_length_mm, height)
    cosine = np.cos(angle)
    return TipCurve(s, angle, _integral(cosine, s[1]), drop, radius, _integral(cosine / radius, s[1]))


def half_thickness(shape: RotorShape, along_mm: Array, thickness_mm: float | Array) -> Array:
    """Half thickness at distances along the tip: constant, with an elliptical rounding at either end."""
    edge = np.minimum(along_mm, shape.tip_length_mm - along_mm)
    q = np.clip(1.0 - edge / shape.edge_round_mm, 0.0, 1.0)
    return 0.5 * np.asarray(thickness_mm) * np.sqrt(1.0 - q * q)


def _axis_rotation(axis: int, angle_rad: float) -> Array:
    c, s = math.cos(angle_rad), math.sin(angle_rad)
    i, j = (axis + 1) % 3, (axis + 2) % 3
    m = np.eye(3)
    m[i, i] = m[j, j] = c
    m[i, j], m[j, i] = -s, s
    return m


@dataclass(frozen=True)
class Standing:
    """How the rotor stands on the sheet: offset of its axis, tilt about x and y, spin about the axis, turned or not."""

    offset_mm: tuple[float, float] = (0.0, 0.0)
    tilt_deg: tuple[float, float] = (0.0, 0.0)
    spin_deg: float = 0.0
    flipped: bool = False
    on_side: bool = False

    def pose(self, shape: RotorShape) -> Array:
        """4x4 rigid transform rotor frame -> ring frame."""
        m = np.eye(4)
        if self.flipped:
            m[:3, :3] = np.diag([1.0, -1.0, -1.0])
            m[2, 3] = shape.height_mm
        spin = _axis_rotation(2, math.radians(self.spin_deg))
        tilt = _axis_rotation(1, math.radians(self.tilt_deg[1])) @ _axis_rotation(0, math.radians(self.tilt_deg[0]))
        turn = np.eye(4)
        turn[:3, :3] = tilt @ spin
        turn[:2, 3] = self.offset_mm
        m = turn @ m
        if self.on_side:
            side = np.eye(4)
            side[:3, :3] = _axis_rotation(0, math.pi / 2)
            side[:3, 3] = (0.0, 0.5 * shape.height_mm, shape.tip_radius_mm)
            m = side @ m
        return m


@dataclass(frozen=True)
class CameraModel:
    """Pinhole with OpenCV's distortion; `focal_35mm` only goes into the EXIF data."""

    f_px: float = 2952.0
    cx_px: float = 2021.4
    cy_px: float = 1506.2
    dist: tuple[float, float, float, float, float] = (0.042, -0.071, 0.0004, -0.0003, 0.0)
    width: int = 4032
    height: int = 3024
    name: str = "Bench 1"
    focal_35mm: int = 26

    def scaled(self, width: int, height: int) -> CameraModel:
        """The same lens on a sensor of other pixel size; the aspect ratio must stay."""
        k = width / self.width
        if abs(height - self.height * k) > 1.0:
            raise DefinitionError(
                f"{width}x{height} does not have the aspect ratio of {self.width}x{self.height}.",
                "Choose a size of the same shape, such as 2016x1512.",
            )
        return CameraModel(
            self.f_px * k,
            (self.cx_px + 0.5) * k - 0.5,
            (self.cy_px + 0.5) * k - 0.5,
            self.dist,
            width,
            height,
            self.name,
            self.focal_35mm,
        )

    def project(self, points_camera_mm: Array) -> tuple[Array, Array]:
        """Pixels (N, 2) and depths (N,) in mm of points (N, 3) in the camera frame; NaN behind the camera.

        OpenCV's model as its documentation of the calibration module states it.
        """
        p = np.asarray(points_camera_mm, float)
        z = np.where(p[:, 2] > 1e-6, p[:, 2], np.nan)
        x, y = p[:, 0] / z, p[:, 1] / z
        k1, k2, p1, p2, k3 = self.dist
        r2 = x * x + y * y
        radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
        xd = x * radial + 2.0 * p1 * x * y + p2 * (r2 + 2.0 * x * x)
        yd = y * radial + p1 * (r2 + 2.0 * y * y) + 2.0 * p2 * x * y
        return np.column_stack([self.f_px * xd + self.cx_px, self.f_px * yd + self.cy_px]), z


@dataclass(frozen=True)
class CameraPose:
    """Rigid transform ring frame -> camera frame."""

    R: tuple[tuple[float, float, float], ...]
    t_mm: tuple[float, float, float]

    @staticmethod
    def looking(eye_mm: Array, target_mm: Array, roll_deg: float = 0.0) -> CameraPose:
        """A camera at `eye_mm` looking at `target_mm`, turned about its optical axis by `roll_deg`."""
        eye, target = np.asarray(eye_mm, float), np.asarray(target_mm, float)
        forward = (target - eye) / np.linalg.norm(target - eye)
        # Straight down, "up in the picture" is the ring's y; otherwise the ring's z.
        up = np.array([0.0, 1.0, 0.0]) if abs(forward[2]) > 0.95 else np.array([0.0, 0.0, 1.0])
        right = np.cross(forward, up)
        right /= np.linalg.norm(right)
        R = _axis_rotation(2, math.radians(roll_deg)) @ np.array([right, np.cross(forward, right), forward])
        return CameraPose(tuple(map(tuple, R.tolist())), tuple((-R @ eye).tolist()))

    @property
    def eye_mm(self) -> Array:
        """The camera's centre in the ring frame."""
        return -np.array(self.R).T @ np.array(self.t_mm)

    def to_camera(self, points_mm: Array) -> Array:
        """Points (N, 3) of the ring frame in the camera frame."""
        return np.asarray(points_mm, float) @ np.array(self.R).T + np.array(self.t_mm)


@dataclass(frozen=True)
class RingPrint:
    """A ring definition as it came out of a printer and lies on the table.

    `scale` is (x, y) of the print against the definition; `mirrored` turns y round; `pieces` are (x mm, y mm, degrees)
    by which sheet pieces 1, 2, ... (the markers' `piece`) lie off their places, markers without a piece never do;
    `bend_mm` is the height to which the sheet has risen at 150 mm from the centre along `bend_azimuth_deg` (parabolic);
    `place` is (x mm, y mm, degrees) of the whole sheet in the ring frame.
    """

    definition: dict[str, Any]
    scale: tuple[float, float] = (1.0, 1.0)
    mirrored: bool = False
    pieces: tuple[tuple[float, float, float], ...] = ()
    bend_mm: float = 0.0
    bend_azimuth_deg: float = 0.0
    place: tuple[float, float, float] = (0.0, 0.0, 0.0)
    half_side_mm: float | None = None
    arrow: bool = True

    def _put(self, xy: Array, piece: int) -> Array:
        out = np.asarray(xy, float) * np.array([self.scale[0], self.scale[1] * (-1.0 if self.mirrored else 1.0)])
        off = self.pieces[piece - 1] if 1 <= piece <= len(self.pieces) else (0.0, 0.0, 0.0)
        for x, y, turn in (off, self.place):
            out = out @ _axis_rotation(2, math.radians(turn))[:2, :2].T + (x, y)
        return out

    def corners_mm(self) -> dict[int, Array]:
        """Printed corners (4, 2) of every marker as they lie in the ring frame, in the definition's corner order."""
        return {m["id"]: self._put(m["corners_mm"], m.get("piece", 0)) for m in self.definition["markers"]}

    def arrow_mm(self) -> Array:
        """The arrow's triangle (3, 2): just outside the ring, pointing outward at the index azimuth."""
        r, a = self.definition["outer_radius_mm"], math.radians(self.definition.get("index_azimuth_deg", 0.0))
        shape = np.array([[r + 2.0, 3.0], [r + 2.0, -3.0], [r + 7.0, 0.0]])
        return self._put(shape @ _axis_rotation(2, a)[:2, :2].T, 0)

    @property
    def side_mm(self) -> float:
        """Half the side of the square sheet."""
        return self.half_side_mm or self.definition["outer_radius_mm"] + 25.0

    def height_mm(self, xy_mm: Array) -> Array:
        """Height (N,) of the bent sheet over the table at points (N, 2)."""
        a = math.radians(self.bend_azimuth_deg)
        along = np.asarray(xy_mm, float) @ np.array([math.cos(a), math.sin(a)])
        return self.bend_mm * (along / 150.0) ** 2


@dataclass(frozen=True)
class Exposure:
    """What lens, sensor and file do to the light. Blur is applied in linear light, before noise and encoding.

    `phone`, if there is one, takes the place of plain noise and encoding; `path_px` is the hand's path, (x, y) a step.

    `blur_px` is the sigma of a Gaussian; `motion_px` the (x, y) of a straight smear; `full_well` the electrons of a
    white pixel (0: no noise); `gain` multiplies the light (1: paper near 0.75 of full scale); `vignetting` the loss of
    light in the image's corners; `quality` of the JPEG.
    """

    gain: float = 1.0
    blur_px: float = 0.6
    motion_px: tuple[float, float] = (0.0, 0.0)
    full_well: float = 4000.0
    vignetting: float = 0.25
    quality: int = 88
    colour: bool = True
    seed: int = 0
    path_px: tuple[tuple[float, float], ...] = ()
    phone: Phone | None = None


@dataclass(frozen=True)
class Scene:
    """One photograph to be taken."""

    camera: CameraModel
    view: CameraPose
    sheets: tuple[RingPrint, ...]
    rotor: RotorShape | None = None
    standing: Standing = field(default_factory=Standing)
    lighting: Lighting = field(default_factory=Lighting)
    exposure: Exposure = field(default_factory=Exposure)
    objects: tuple[Thing, ...] = ()
    bench: Bench = field(default_factory=Bench)
    spills: tuple[Spill, ...] = ()
    name: str = "photo.jpg"
