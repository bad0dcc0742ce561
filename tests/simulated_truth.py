"""The truth of a simulated measurement: a random rotor, its print and its photographs, all known."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline
from scipy.spatial.transform import Rotation
from simulated_noise import USUAL, Noise, grooves

from bladeangle.adjustment.priors import Priors
from bladeangle.base.structure import plain
from bladeangle.imaging.camera import Camera, camera_from_exif, read_camera
from bladeangle.imaging.ring import Ring, ring_from_dict, ring_to_file
from bladeangle.records.station import StationOptions
from bladeangle.tuning.detection import HUB
from bladeangle.tuning.priors import ANY_TIPS, NEW_TIPS, PRIORS
from tests import synthetic
from tests.synthetic.random_scenes import around_view
from tests.synthetic.scene import tip_curve
from tests.synthetic.wear import EdgeWear, TipWear
from tests.synthetic.workshop import random_wear

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]

#: Kinds of sets, and how many photographs from the side each has beside the overhead pair.
SIDES = {"pair": 0, "eight": 6, "uncalibrated": 6, "five": 3, "change": 0}
KINDS = tuple(SIDES)
TIPS = ("cylinder", "new", "used")
STATIONS = ("entry", "middle", "exit")
CALIBRATED = Path(__file__).parent.parent / "calibration" / "camera-pocket7.json"
#: How far circles of one face of the hub stand apart in height, mm.
FACE_MM = 1.0
#: Spacing of tip points along an edge, px, and of knots and past the ends, mm, as the measurement has them.
POINT_PX, KNOT_MM, PAST_END_MM = 16.0, 20.0, 6.0


@dataclass(frozen=True)
class Blade:
    """One blade's tip mid-line, arrays (n,): tau rad from its leading end, height, slope dz / (radius dtau) and radius;
    lead_rad its azimuth."""

    lead_rad: float
    tau: Array
    height_mm: Array
    slope: Array
    radius_mm: Array
    thickness_mm: float

    @cached_property
    def arc_mm(self) -> Array:
        """Circumferential arc length from the leading end at the local tip radius (trapezoid rule)."""
        steps = 0.5 * (self.radius_mm[1:] + self.radius_mm[:-1]) * np.diff(self.tau)
        return np.concatenate([[0.0], np.cumsum(steps)])

    @cached_property
    def length_mm(self) -> Array:
        """Length along the tip from the leading end."""
        sides = np.hypot(np.diff(self.arc_mm), np.diff(self.height_mm))
        return np.concatenate([[0.0], np.cumsum(sides)])


@dataclass(frozen=True)
class Changes:
    """What is asked for over the random draw; rotors : smooth laws and small tilts, as rotors are; tips : of `TIPS`;
    from_axis_deg : where photographs from the side are taken from, if not from 40 to 52."""

    blades: int | None = None
    rotors: bool = False
    offset_mm: float | None = None
    tilt_deg: float | None = None
    bend_mm: float = 0.0
    pieces: tuple[tuple[float, float, float], ...] = ()
    tips: str = "cylinder"
    from_axis_deg: tuple[float, float] | None = None


@dataclass(frozen=True)
class Truth:
    """A rotor, its print and its photographs, all known.

    turn : +1 when blades fall counter-clockwise; rounding_mm : leading, trailing; circles : per standing (k, 2) radius
    and height in the rotor frame; sheet : as `State.sheet`; bend : mm at 150 mm and azimuth of a parabolic bend;
    pieces : (q, 3) x, y, turn of every piece; cameras, views, standing_of : one a photograph; bias_px : kind -> px.
    grooves_mm : (3, m) arc from the leading end, and by how much there the edges of the inlet and of the outlet face
    seem too high from the side.
    """

    ring: Ring
    radius_mm: float
    turn: int
    rounding_mm: tuple[float, float]
    blades: tuple[Blade, ...]
    r_ring_rotor: Array
    t_ring_rotor: Array
    circles: tuple[Array, ...]
    sheet: Array
    bend: tuple[float, float]
    pieces: Array
    cameras: tuple[synthetic.CameraModel, ...]
    views: tuple[synthetic.CameraPose, ...]
    standing_of: tuple[int, ...]
    bias_px: dict[str, float]
    grooves_mm: Array
    priors: Priors
    lens: synthetic.CameraModel
    shape: synthetic.RotorShape
    changes: Changes

    def angle_deg(self, label: str) -> float:
        """The station angle by definition, from the densely sampled mid-line: the least-squares slope of height on
        circumferential arc length at the local tip radius."""
        options = StationOptions()
        number, station = label.split(".")
        blade = self.blades[int(number) - 1]
        arc, length = blade.arc_mm, blade.length_mm
        skip, long, whole = options.skip_mm, options.length_mm, length[-1]
        low, high = {
            "entry": (skip, skip + long),
            "middle": (skip + long, whole - skip - long),
            "exit": (whole - skip - long, whole - skip),
        }[station]
        at = np.linspace(low, high, 2001)
        slope = np.polyfit(np.interp(at, length, arc), np.interp(at, length, blade.height_mm), 1)[0]
        return math.degrees(math.atan(-slope))

    def face(self, blade: int, side: int) -> Array:
        """Dense points (n, 3) of a tip edge in the rotor frame: side +1 inlet, -1 outlet, 0 mid-line.

        The face lies half the thickness off, square to the mid-line on the unrolled cylinder.
        """
        b = self.blades[blade]
        length = b.length_mm
        half = np.full(len(length), 0.5 * b.thickness_mm * side)
        for inside, reach in ((length, self.rounding_mm[0]), (length[-1] - length, self.rounding_mm[1])):
            half *= np.sqrt(1 - np.clip(1 - inside / reach, 0.0, 1.0) ** 2)
        tilt = np.arctan(b.slope)
        phi = b.lead_rad + self.turn * (b.tau - half * np.sin(tilt) / b.radius_mm)
        z = b.height_mm + half * np.cos(tilt)
        return np.column_stack([b.radius_mm * np.cos(phi), b.radius_mm * np.sin(phi), z])

    def to_ring(self, points: Array, standing: int) -> Array:
        """Points (n, 3) of the rotor frame in the ring frame."""
        out: Array = points @ self.r_ring_rotor[standing].T + self.t_ring_rotor[standing]
        return out

    def px(self, points: Array, photo: int) -> Array:
        """Pixels (n, 2) of points (n, 3) in the ring frame."""
        return self.cameras[photo].project(self.views[photo].to_camera(points))[0]

    def eye(self, photo: int) -> Array:
        """The camera's centre in the rotor frame."""
        s = self.standing_of[photo]
        out: Array = (self.views[photo].eye_mm - self.t_ring_rotor[s]) @ self.r_ring_rotor[s]
        return out

    def printed(self, flat: Array, piece: NDArray[np.int64], outward: Array) -> Array:
        """Where points (n, 2) of the definition lie (n, 3): print grown, pieces moved, sheet stretched and bent."""
        stretch, shear, saddle, twist, growth = self.sheet
        x, y = (flat + growth * outward).T
        dx, dy, turn = self.pieces[piece].T
        x, y = np.cos(turn) * x - np.sin(turn) * y + dx, np.sin(turn) * x + np.cos(turn) * y + dy
        height, azimuth = self.bend
        along = x * np.cos(azimuth) + y * np.sin(azimuth)
        z = (saddle * (x**2 - y**2) + 2 * twist * x * y) / self.ring.outer_radius_mm**2 + height * (along / 150) ** 2
        return np.column_stack([x + stretch * x + shear * y, y - stretch * y + shear * x, z])


# --- The truth -------------------------------------------------------------------------------------------------------


def random_truth(rng: np.random.Generator, kind: str, changes: Changes = Changes(), noise: Noise = USUAL) -> Truth:
    """A rotor and its photographs, with everything uncertain drawn from the priors."""
    if kind == "uncalibrated":
        file = camera_from_exif(4032, 3024, 26.0)
    else:
        file = read_camera(CALIBRATED)
    tips = ANY_TIPS if changes.tips in ("used", "mixed") else NEW_TIPS
    lens, priors = _lens(rng, file), Priors(file.parameters, file.covariance, tips=tips)
    shape = synthetic.random_rotor(rng, changes.blades, blade_sigma_deg=0.3 if changes.rotors else 0.0)
    shape = replace(
        shape,
        tip_radius_mm=float(np.clip(rng.normal(priors.radius_mm, priors.radius_sigma_mm), 62, 92)),
        thickness_mm=float(np.clip(rng.normal(priors.thickness_mm, PRIORS.thickness_sigma_mm), 0.6, 5.0)),
    )
    top, bore = _circle_heights(rng, priors, shape.lead_height_mm, 2)
    up = np.array([[shape.nose_radius_mm, top], [shape.bore_radius_mm, bore]])
    rim = float(rng.normal(PRIORS.rim_height_mm, PRIORS.rim_height_sigma_mm))
    # turned over, the rim is the uppermost of what is seen, and the blades' trailing ends lie below it
    rise = float(np.clip(rng.normal(HUB.plane_mm, PRIORS.circle_height_sigma_mm), 35, 100)) + rim
    down = np.array([[shape.hub_radius_mm, rim], [shape.outlet_bore_radius_mm, rim + rng.normal(0.0, FACE_MM)]])
    r, t = _standings(rng, changes, priors, rise)
    blades = _blades(rng, shape, changes, priors)
    tallest = max(max(float(b.height_mm.max()), rise - float(b.height_mm.min())) for b in blades)
    inner = math.ceil(shape.tip_radius_mm * 280 / (280 - tallest) + 12)  # not hidden by the tips from 280 mm up
    definition = synthetic.ring_definition(float(inner), 18.0, int(2 * math.pi * inner / 27.5))
    ring = ring_from_dict(definition)
    count = len(changes.pieces) + 1
    ring = replace(ring, pieces=np.arange(len(ring.ids)) * count // len(ring.ids))
    pieces = np.zeros((count, 3))
    pieces[1:] = np.array(changes.pieces).reshape(-1, 3)
    views, standing_of = _views(rng, shape, lens, definition, SIDES[kind], changes)
    cameras = _cameras(rng, lens, priors, len(views))
    azimuth = float(rng.uniform(0, 2 * np.pi))
    rounding = np.clip(rng.normal(priors.rounding_mm, PRIORS.rounding_sigma_mm, 2), 1.0, 8.0)
    sheet = np.array([PRIORS.stretch_sigma] * 2 + [PRIORS.saddle_sigma_mm] * 2 + [PRIORS.growth_sigma_mm])
    bias = {k: float(noise.bias_px * rng.standard_normal()) for k in ("inlet", "outlet", "ring")}
    mm_per_px = float(np.mean([np.linalg.norm(v.eye_mm) for v in views])) / lens.f_px
    longest = max(float(b.tau[-1]) for b in blades) * shape.tip_radius_mm
    groove = grooves(rng, longest, noise.groove_px * mm_per_px, noise)
    return Truth(
        ring, shape.tip_radius_mm, -shape.hand, (float(rounding[0]), float(rounding[1])), blades, r, t, (up, down),
        rng.normal(0, sheet), (changes.bend_mm, azimuth), pieces, cameras, views, standing_of, bias, groove, priors,
        lens, shape, changes,
    )  # fmt: skip


def _views(
    rng: np.random.Generator, shape: synthetic.RotorShape, lens: synthetic.CameraModel, ring: dict[str, Any],
    sides: int, changes: Changes,
) -> tuple[tuple[synthetic.CameraPose, ...], tuple[int, ...]]:  # fmt: skip
    """Poses of the overhead pair and of so many photographs from the side, and the standing of each."""
    wanted = (*synthetic.ROTOR_VIEWS[:2], *(f"around-{1 + k * 6 // sides}" for k in range(sides)))
    scenes = synthetic.rotor_photos(rng, shape, lens, ring, wanted)
    views = [s.view for s in scenes]
    if changes.from_axis_deg is not None:
        start = float(rng.uniform(0, 360))
        outer, limits = float(ring["outer_radius_mm"]), changes.from_axis_deg
        views[2:] = [around_view(rng, lens, outer, start + 360 * k / sides, limits) for k in range(sides)]
    return tuple(views), tuple(int(s.name == "outlet.jpg") for s in scenes)


def _cameras(
    rng: np.random.Generator, lens: synthetic.CameraModel, priors: Priors, count: int
) -> tuple[synthetic.CameraModel, ...]:
    """The lens as each photograph's focus and stabiliser leave it."""
    return tuple(
        replace(
            lens,
            f_px=lens.f_px * (1 + rng.normal(0, priors.focus_sigma)),
            cx_px=lens.cx_px + rng.normal(0, priors.principal_sigma_px),
            cy_px=lens.cy_px + rng.normal(0, priors.principal_sigma_px),
        )
        for _ in range(count)
    )


def another_day(truth: Truth, rng: np.random.Generator, noise: Noise = USUAL, same_wear: bool = True) -> Truth:
    """The rotor bent by a degree or so at entry, exit or both, and photographed again with the same phone and print.

    Standings, poses, foci and biases are drawn anew; grooves stay. Without `same_wear` its tips were scraped too.
    """
    entry, exit_ = rng.uniform(-1.5, 1.5, 2) * np.array([(1, 0), (0, 1), (1, 1)])[rng.integers(3)]
    blades = []
    for b, blade in enumerate(truth.blades):
        first, last = np.radians([entry + rng.normal(0, 0.15), exit_ + rng.normal(0, 0.15)])
        slope = -np.tan(np.arctan(-blade.slope) + first + (last - first) * blade.tau / blade.tau[-1])
        more = np.diff(blade.arc_mm) * 0.5 * ((slope - blade.slope)[1:] + (slope - blade.slope)[:-1])
        height = blade.height_mm + np.concatenate([[0.0], np.cumsum(more)]) - 0.5 * more.sum()
        radius = blade.radius_mm if same_wear else blade.radius_mm - EdgeWear(
            float(rng.uniform(0.0, 0.2)), float(rng.uniform(8.0, 22.0))).loss_mm(b, blade.arc_mm)  # fmt: skip
        blades.append(replace(blade, slope=slope, height_mm=height, radius_mm=radius))
    ring = plain(ring_to_file(truth.ring))
    views, standing_of = _views(rng, truth.shape, truth.lens, ring, len(truth.views) - 2, truth.changes)
    r, t = _standings(rng, truth.changes, truth.priors, float(truth.t_ring_rotor[1, 2]))
    bias = {k: float(noise.bias_px * rng.standard_normal()) for k in truth.bias_px}
    cameras = _cameras(rng, truth.lens, truth.priors, len(views))
    return replace(
        truth,
        blades=tuple(blades),
        r_ring_rotor=r,
        t_ring_rotor=t,
        views=views,
        standing_of=standing_of,
        cameras=cameras,
        bias_px=bias,
    )


def _circle_heights(rng: np.random.Generator, priors: Priors, end_mm: float, count: int) -> Array:
    """Heights (count,) mm above the sheet of hub circles over blades whose upper ends lie at `end_mm`.

    On one face, but for some millimetres.
    """
    own, beyond = PRIORS.circle_height_sigma_mm**-2, PRIORS.circle_beyond_sigma_mm**-2
    mean = (own * HUB.plane_mm + beyond * (end_mm + HUB.beyond_mm)) / (own + beyond)
    drawn = rng.standard_normal(count)
    apart = np.append(0.0, FACE_MM * drawn[1:])
    return np.clip(mean + (own + beyond) ** -0.5 * drawn[0] + apart, 20, 100)


def _lens(rng: np.random.Generator, file: Camera) -> synthetic.CameraModel:
    """A lens drawn from what a camera file says."""
    p = rng.multivariate_normal(file.parameters, file.covariance, method="eigh")
    return synthetic.CameraModel(p[0], p[1], p[2], (p[3], p[4], p[5], p[6], p[7]), file.width, file.height)


def _standings(rng: np.random.Generator, changes: Changes, priors: Priors, rise: float) -> tuple[Array, Array]:
    """Rotor frame -> ring frame, inlet up and turned over, tilted about x and y and off centre."""
    sigma = 0.15 if changes.rotors else PRIORS.tilt_sigma_deg
    rotations, shifts = [], []
    for standing in (0, 1):
        direction = rng.uniform(0, 2 * np.pi, 2)
        tilt = rng.normal(0, sigma, 2)
        if changes.tilt_deg is not None:
            tilt = changes.tilt_deg * np.array([np.cos(direction[0]), np.sin(direction[0])])
        far = 5.0 * math.sqrt(rng.uniform()) if changes.offset_mm is None else changes.offset_mm
        turn = np.eye(3)
        if standing:
            psi = rng.uniform(-np.pi, np.pi)
            turn = np.array([[np.cos(psi), np.sin(psi), 0], [np.sin(psi), -np.cos(psi), 0], [0, 0, -1.0]])
        rotations.append(Rotation.from_rotvec([*np.radians(tilt), 0.0]).as_matrix() @ turn)
        shifts.append([far * np.cos(direction[1]), far * np.sin(direction[1]), rise * standing])
    return np.array(rotations), np.array(shifts)


def spline(count: int, start: float, stop: float) -> BSpline:
    """Uniform cubic B-splines as one vector-valued function of tau, by scipy."""
    step = (stop - start) / (count - 3)
    return BSpline(start + step * np.arange(-3, count + 1), np.eye(count), 3)


def _blades(
    rng: np.random.Generator, shape: synthetic.RotorShape, changes: Changes, priors: Priors
) -> tuple[Blade, ...]:
    """The blades of a shape, and over them what the priors leave open: bends, and differences between the blades.

    With third differences d and likeness functions a of the spline coefficients the priors are N(0, S^-1), S = d'd/s^2,
    on every blade and N(0, A^-1), A = a'a/s^2, on what differs between blades: together N(0, (S + A)^-1) for the
    differences and N(0, S^-1 / blades) for the mean, whose level, slope and curvature are the shape's.
    """
    n, radius = shape.blades, shape.tip_radius_mm
    curves = [tip_curve(shape, b) for b in range(n)]
    wrap = float(np.median([c.round_mm[-1] for c in curves])) / radius
    margin = PAST_END_MM / radius
    count = max(6, round(wrap * radius / KNOT_MM)) + 3
    basis = spline(count, -margin, wrap + margin)
    step = (wrap + 2 * margin) / (count - 3)
    bent = np.diff(np.eye(count), 3, axis=0) / (math.radians(priors.bend_sigma_deg) * step * radius)
    like = np.vstack(
        [
            basis.derivative()(np.array([0.1, 0.5, 0.9]) * wrap) / radius / math.radians(PRIORS.alike_sigma_deg),
            basis(np.array([0.5 * wrap])) / PRIORS.alike_height_sigma_mm,
        ]
    )
    own = rng.multivariate_normal(np.zeros(count), np.linalg.inv(bent.T @ bent + like.T @ like), n, method="eigh")
    common = np.linalg.pinv(bent) @ rng.standard_normal(count - 3) / math.sqrt(n)
    coefficients = own - own.mean(0) + common
    end_rad = rng.normal(0, PRIORS.alike_end_sigma_mm / radius, (n, 2))
    if changes.rotors:
        coefficients *= 0.0
        end_rad *= 0.2
    wear = TipWear() if changes.tips == "cylinder" else random_wear(rng, n, changes.tips == "used")
    blades = []
    for b, curve in enumerate(curves):
        last = float(curve.round_mm[-1]) / radius + end_rad[b, 1] - end_rad[b, 0]
        tau = np.linspace(0, last, math.ceil(last * radius / 0.05))
        arc = tau * radius
        beyond = np.maximum(arc - curve.round_mm[-1], 0.0)
        z = np.interp(arc, curve.round_mm, shape.lead_height_mm - curve.drop_mm)
        z -= beyond * math.tan(curve.angle_rad[-1])
        slope = -np.tan(np.interp(arc, curve.round_mm, curve.angle_rad))
        z += basis(tau) @ coefficients[b]
        slope += basis.derivative()(tau) @ coefficients[b] / radius
        thickness = shape.thickness_mm + (rng.normal(0, PRIORS.extra_sigma_mm) if n > 1 else 0.0)
        lead = 2 * np.pi * b / n - shape.hand * end_rad[b, 0]
        along = arc / math.cos(math.atan(float(-slope.mean())))
        r = radius + wear.deviation_mm(b, along, float(along[-1]), z / shape.height_mm)
        blades.append(Blade(lead, tau, z, slope * radius / r, r, max(thickness, 0.3)))
    return tuple(blades)
