"""Measurements simulated at edge-point level: a random rotor, and the points that ideal edge finding would give.

The truth is built with the camera and the tip curves of `bladeangle.synthetic` and with code of its own for the rest
(splines by scipy, visibility, print, frames). Whatever `Priors` holds to be uncertain is drawn from it, so that the
intervals can be judged: where they do not cover, the adjustment is wrong and not the draw.

Not covered: errors of edge finding itself (points on a wrong edge, tone curves); renders show those.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline
from scipy.spatial.transform import Rotation

from bladeangle import synthetic
from bladeangle.camera import Camera, camera_from_exif, read_camera
from bladeangle.model import CirclePoints, EndPoints, TipPoints, View
from bladeangle.priors import Priors
from bladeangle.ring import Ring, RingSighting, ring_from_dict
from bladeangle.stations import StationOptions
from bladeangle.synthetic.scene import tip_curve

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]

KINDS = ("pair", "eight", "uncalibrated")
STATIONS = ("entry", "middle", "exit")
CALIBRATED = Path(__file__).parent.parent / "calibration" / "camera-pocket7.json"
#: Spacing of tip points along an edge, px, and of knots and past the ends, mm, as the measurement has them.
POINT_PX, KNOT_MM, PAST_END_MM = 16.0, 20.0, 6.0


@dataclass(frozen=True)
class Noise:
    """What the points suffer: standard deviations along the normal, px (ends: mm along the tip).

    bias_px : of a shift common to all edges of a kind; correlated : correlation of neighbours along an edge; outliers :
    share of the tip points that lie `outlier_px` off, in runs of ten; sway_px : by which a blade's whole edge in one
    photograph is shifted, and turned (over 250 px) and bowed (half of it); ring_every : thins the ring.
    """

    tip_px: float = 0.15
    ring_px: float = 0.05
    circle_px: float = 0.10
    end_mm: float = 0.30
    bias_px: float = 0.08
    correlated: float = 0.0
    outliers: float = 0.0
    outlier_px: float = 4.0
    sway_px: float = 0.1
    ring_every: int = 3


@dataclass(frozen=True)
class Blade:
    """One blade's tip mid-line: tau (n,) rad from its leading end, height (n,) and angle (n,); lead_rad its azimuth."""

    lead_rad: float
    tau: Array
    height_mm: Array
    slope: Array
    thickness_mm: float


@dataclass(frozen=True)
class Truth:
    """A rotor, its print and its photographs, all known.

    turn : +1 when blades fall counter-clockwise; rounding_mm : leading, trailing; circles : per standing (k, 2) radius
    and height in the rotor frame; sheet : as `State.sheet`; bend : mm at 150 mm and azimuth of a parabolic bend;
    pieces : (q, 3) x, y, turn of every piece; cameras, views, standing_of : one a photograph; bias_px : kind -> px.
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
    views: tuple[synthetic.View, ...]
    standing_of: tuple[int, ...]
    bias_px: dict[str, float]
    priors: Priors

    def angle_deg(self, label: str) -> float:
        """The station angle by definition, from the densely sampled mid-line."""
        options = StationOptions()
        number, station = label.split(".")
        blade = self.blades[int(number) - 1]
        arc = blade.tau * self.radius_mm
        length = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(arc), np.diff(blade.height_mm)))])
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
        arc = b.tau * self.radius_mm
        length = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(arc), np.diff(b.height_mm)))])
        half = np.full(len(arc), 0.5 * b.thickness_mm * side)
        for inside, reach in ((length, self.rounding_mm[0]), (length[-1] - length, self.rounding_mm[1])):
            half *= np.sqrt(1 - np.clip(1 - inside / reach, 0.0, 1.0) ** 2)
        tilt = np.arctan(b.slope)
        phi = b.lead_rad + self.turn * (arc - half * np.sin(tilt)) / self.radius_mm
        z = b.height_mm + half * np.cos(tilt)
        return np.column_stack([self.radius_mm * np.cos(phi), self.radius_mm * np.sin(phi), z])

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


@dataclass(frozen=True)
class Changes:
    """What is asked for over the random draw; rotors : smooth laws and small tilts, as rotors are."""

    blades: int | None = None
    rotors: bool = False
    offset_mm: float | None = None
    tilt_deg: float | None = None
    bend_mm: float = 0.0
    pieces: tuple[tuple[float, float, float], ...] = ()


# --- The truth -------------------------------------------------------------------------------------------------------


def random_truth(rng: np.random.Generator, kind: str, changes: Changes = Changes(), noise: Noise = Noise()) -> Truth:
    """A rotor and its photographs, with everything uncertain drawn from the priors."""
    if kind == "uncalibrated":
        file = camera_from_exif(4032, 3024, 26.0)
    else:
        file = read_camera(CALIBRATED)
    lens, priors = _lens(rng, file), Priors(file.parameters, file.covariance)
    shape = synthetic.random_rotor(rng, changes.blades, blade_sigma_deg=0.3 if changes.rotors else 0.0)
    shape = replace(
        shape,
        tip_radius_mm=float(np.clip(rng.normal(priors.radius_mm, priors.radius_sigma_mm), 62, 92)),
        thickness_mm=float(np.clip(rng.normal(priors.thickness_mm, priors.thickness_sigma_mm), 0.6, 5.0)),
    )
    top = float(np.clip(rng.normal(priors.circle_height_mm, priors.circle_height_sigma_mm), 25, 100))
    bore = float(np.clip(rng.normal(priors.circle_height_mm, priors.circle_height_sigma_mm), 25, 100))
    up = np.array([[shape.nose_radius_mm, top], [shape.bore_radius_mm, bore]])
    rim = float(rng.normal(priors.rim_height_mm, priors.rim_height_sigma_mm))
    above = np.clip(rng.normal(priors.circle_height_mm, priors.circle_height_sigma_mm, 2), 25, 100)
    rise = above[0] + rim
    down = np.array([[shape.hub_radius_mm, rim], [shape.outlet_bore_radius_mm, rise - above[1]]])
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
    wanted = synthetic.ROTOR_VIEWS[: 2 if kind == "pair" else 8]
    scenes = synthetic.rotor_photos(rng, shape, lens, definition, wanted)
    cameras = tuple(
        replace(
            lens,
            f_px=lens.f_px * (1 + rng.normal(0, priors.focus_sigma)),
            cx_px=lens.cx_px + rng.normal(0, priors.principal_sigma_px),
            cy_px=lens.cy_px + rng.normal(0, priors.principal_sigma_px),
        )
        for _ in scenes
    )
    azimuth = float(rng.uniform(0, 2 * np.pi))
    rounding = np.clip(rng.normal(priors.rounding_mm, priors.rounding_sigma_mm, 2), 1.0, 8.0)
    sheet = np.array([priors.stretch_sigma] * 2 + [priors.saddle_sigma_mm] * 2 + [priors.growth_sigma_mm])
    bias = {k: float(noise.bias_px * rng.standard_normal()) for k in ("inlet", "outlet", "ring")}
    return Truth(
        ring, shape.tip_radius_mm, -shape.hand, (float(rounding[0]), float(rounding[1])), blades, r, t, (up, down),
        rng.normal(0, sheet), (changes.bend_mm, azimuth), pieces, cameras, tuple(s.view for s in scenes),
        tuple(int(s.name == "outlet.jpg") for s in scenes), bias, priors,
    )  # fmt: skip


def _lens(rng: np.random.Generator, file: Camera) -> synthetic.CameraModel:
    """A lens drawn from what a camera file says."""
    p = rng.multivariate_normal(file.parameters, file.covariance, method="eigh")
    return synthetic.CameraModel(p[0], p[1], p[2], (p[3], p[4], p[5], p[6], p[7]), file.width, file.height)


def _standings(rng: np.random.Generator, changes: Changes, priors: Priors, rise: float) -> tuple[Array, Array]:
    """Rotor frame -> ring frame, inlet up and turned over, tilted about x and y and off centre."""
    sigma = 0.15 if changes.rotors else priors.tilt_sigma_deg
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
    like = np.vstack([
        basis.derivative()(np.array([0.1, 0.5, 0.9]) * wrap) / radius / math.radians(priors.alike_sigma_deg),
        basis(np.array([0.5 * wrap])) / priors.alike_height_sigma_mm,
    ])
    own = rng.multivariate_normal(np.zeros(count), np.linalg.inv(bent.T @ bent + like.T @ like), n, method="eigh")
    common = np.linalg.pinv(bent) @ rng.standard_normal(count - 3) / math.sqrt(n)
    coefficients = own - own.mean(0) + common
    end_rad = rng.normal(0, priors.alike_end_sigma_mm / radius, (n, 2))
    if changes.rotors:
        coefficients *= 0.0
        end_rad *= 0.2
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
        thickness = shape.thickness_mm + (rng.normal(0, priors.extra_sigma_mm) if n > 1 else 0.0)
        lead = 2 * np.pi * b / n - shape.hand * end_rad[b, 0]
        blades.append(Blade(lead, tau, z, slope, max(thickness, 0.3)))
    return tuple(blades)


# --- The observations ------------------------------------------------------------------------------------------------


def observe(truth: Truth, rng: np.random.Generator, noise: Noise = Noise()) -> tuple[View, ...]:
    """What ideal edge finding would give in every photograph."""
    return tuple(
        View(
            f"photo-{p}", ("inlet_up", "outlet_up")[truth.standing_of[p]], _sight(truth, p, rng, noise),
            _tips(truth, p, rng, noise), _ends(truth, p, rng, noise), _circles(truth, p, rng, noise),
        )
        for p in range(len(truth.views))
    )  # fmt: skip


def _within(truth: Truth, photo: int, px: Array) -> Bools:
    camera = truth.cameras[photo]
    out: Bools = np.all((px > 12) & (px < np.array([camera.width, camera.height]) - 13), axis=1)
    return out


def _hidden(truth: Truth, photo: int, points: Array) -> Bools:
    """Whether the rotor stands between the camera and points (n, 3) of the sheet: a cylinder as tall as the blades."""
    s = truth.standing_of[photo]
    tops = [truth.to_ring(truth.face(b, 1), s)[:, 2].max() for b in range(len(truth.blades))]
    eye = truth.views[photo].eye_mm
    hidden: Bools = np.zeros(len(points), bool)
    for height in np.linspace(0, max(tops), 15):
        place = points + (eye - points) * (height / eye[2])
        far = np.hypot(*(place - truth.t_ring_rotor[s])[:, :2].T)
        hidden[far < truth.radius_mm + 1.5] = True
    return hidden


def _sight(truth: Truth, photo: int, rng: np.random.Generator, noise: Noise) -> RingSighting:
    ring, sides = truth.ring, 12
    n = len(ring.ids)
    marker = np.repeat(np.arange(n), 4 * sides)
    side = np.tile(np.repeat(np.arange(4), sides), n)
    fraction = np.tile(np.linspace(0.09, 0.91, sides), 4 * n)
    first, second = ring.corners_mm[marker, side], ring.corners_mm[marker, (side + 1) % 4]
    outward = np.column_stack([first[:, 1] - second[:, 1], second[:, 0] - first[:, 0]])
    outward /= np.linalg.norm(outward, axis=1, keepdims=True)
    piece = ring.pieces[marker]

    def at(share: Array, out_mm: float = 0.0) -> Array:
        flat = first + share[:, None] * (second - first) + out_mm * outward
        return truth.printed(flat, piece, outward)

    points = at(fraction)
    px = truth.px(points, photo)
    along = truth.px(at(fraction + 0.02), photo) - truth.px(at(fraction - 0.02), photo)
    normal = _across(along, truth.px(at(fraction, 0.1), photo) - px)
    covered = _hidden(truth, photo, points) | ~_within(truth, photo, px)
    whole: Bools = ~np.any(covered.reshape(n, -1), axis=1)
    keep = whole[marker] & (np.arange(len(marker)) % noise.ring_every == 0)
    px = px + (truth.bias_px["ring"] + rng.normal(0, noise.ring_px, len(px)))[:, None] * normal
    seen = np.flatnonzero(whole)
    corners = ring.corners_mm[seen]
    shape = corners.shape[:2]
    corner = truth.printed(corners.reshape(-1, 2), np.repeat(ring.pieces[seen], 4), np.zeros((shape[0] * 4, 2)))
    corner_px = truth.px(corner, photo).reshape(*shape, 2)
    sigma = np.full(int(keep.sum()), noise.ring_px)
    points_seen = (marker[keep], side[keep], fraction[keep], px[keep], normal[keep])
    return RingSighting(*points_seen, sigma, seen, corner_px, blur_px=0.8, contrast=0.5, paper=0.7)


def _across(along: Array, towards: Array) -> Array:
    """Unit vectors (n, 2) square to `along`, on the side of `towards`."""
    normal = np.column_stack([-along[:, 1], along[:, 0]])
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    out: Array = normal * np.sign((normal * towards).sum(1))[:, None]
    return out


def _overhead(truth: Truth, photo: int) -> bool:
    return bool(np.hypot(*truth.eye(photo)[:2]) < truth.radius_mm)


def _uncovered(truth: Truth, blade: int, standing: int, margin_mm: float = 3.0) -> Bools:
    """Where no other blade stands over or under this one, as seen from above, with a margin beside their ends."""
    me = truth.blades[blade]
    up = 1 if standing == 0 else -1
    free: Bools = np.ones(len(me.tau), bool)
    margin = margin_mm / truth.radius_mm
    for b, other in enumerate(truth.blades):
        for lap in (-1, 0, 1):
            if b == blade and lap == 0:
                continue
            tau = me.tau + truth.turn * (me.lead_rad - other.lead_rad) + 2 * np.pi * lap
            there = (tau > -margin) & (tau < other.tau[-1] + margin)
            free[there & (up * (np.interp(tau, other.tau, other.height_mm) - me.height_mm) > 0)] = False
    return free


def _visible(truth: Truth, photo: int) -> Iterator[tuple[int, int, Bools]]:
    """Blade, face and where (n,) its tip edge is seen and far enough from the blade's ends."""
    eye, standing = truth.eye(photo), truth.standing_of[photo]
    for b, blade in enumerate(truth.blades):
        arc = blade.tau * truth.radius_mm
        inner = (arc > 4) & (arc < arc[-1] - 4)
        if _overhead(truth, photo):
            yield b, 1 if standing == 0 else -1, inner & _uncovered(truth, b, standing)
            continue
        middle = truth.face(b, 0)
        to_eye = eye - middle
        cosine = (middle[:, :2] * to_eye[:, :2]).sum(1) / truth.radius_mm / np.linalg.norm(to_eye, axis=1)
        for face in (1, -1):
            yield b, face, inner & (cosine > 0.3)


def _tips(truth: Truth, photo: int, rng: np.random.Generator, noise: Noise) -> TipPoints:
    standing = truth.standing_of[photo]
    far, rise = _overhead(truth, photo), np.array([0, 0, 0.05])
    parts: list[Part] = []
    for b, face, seen in _visible(truth, photo):
        points = truth.face(b, face)
        px = truth.px(truth.to_ring(points, standing), photo)
        normal = _across(np.gradient(px, axis=0), truth.px(truth.to_ring(points + rise, standing), photo) - px)
        seen = seen & _within(truth, photo, px)
        edges = np.flatnonzero(np.diff(np.concatenate([[0], seen.astype(int), [0]])))
        for begin, end in zip(edges[::2], edges[1::2], strict=True):
            run = slice(begin, end)
            along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(px[run], axis=0), axis=1))])
            number = int(along[-1] // POINT_PX)
            if number < 2:
                continue
            at = (np.arange(number) + 0.5) * POINT_PX
            on, across = (np.column_stack([np.interp(at, along, a[run, k]) for k in (0, 1)]) for a in (px, normal))
            across /= np.linalg.norm(across, axis=1, keepdims=True)
            error = truth.bias_px["inlet" if face > 0 else "outlet"] + noise.tip_px * _errors(rng, number, noise)
            parts.append((b, face, on + error[:, None] * across, across))
    if not parts:
        nothing = np.zeros(0, int)
        return TipPoints(nothing, nothing, nothing > 0, np.zeros((0, 2)), np.zeros((0, 2)), np.zeros(0))
    parts = _swayed(parts, rng, noise)
    sizes = [len(p[2]) for p in parts]
    return TipPoints(
        np.repeat([p[0] for p in parts], sizes), np.repeat([p[1] for p in parts], sizes), np.full(sum(sizes), far),
        np.concatenate([p[2] for p in parts]), np.concatenate([p[3] for p in parts]), np.full(sum(sizes), noise.tip_px),
    )  # fmt: skip


Part = tuple[int, int, Array, Array]


def _swayed(parts: list[Part], rng: np.random.Generator, noise: Noise) -> list[Part]:
    """Runs (blade, face, px, normal) with every edge shifted, turned and bowed a little as a whole."""
    out = list(parts)
    for key in sorted({(b, face) for b, face, _, _ in parts}):
        mine = [i for i, part in enumerate(parts) if part[:2] == key]
        px, normal = (np.concatenate([parts[i][k] for i in mine]) for k in (2, 3))
        x = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(px, axis=0), axis=1))]) / 250.0
        x -= x.mean()
        sway = noise.sway_px * rng.standard_normal(3) @ np.stack([np.ones_like(x), x, 0.5 * (x**2 - (x**2).mean())])
        moved = np.split(px + sway[:, None] * normal, np.cumsum([len(parts[i][2]) for i in mine])[:-1])
        for i, place in zip(mine, moved, strict=True):
            out[i] = (*key, place, parts[i][3])
    return out


def _errors(rng: np.random.Generator, n: int, noise: Noise) -> Array:
    """Errors (n,) along a run in standard deviations: correlated with their neighbours, and runs of outliers."""
    error = rng.standard_normal(n)
    for i in range(1, n):
        error[i] = noise.correlated * error[i - 1] + math.sqrt(1 - noise.correlated**2) * error[i]
    for begin in range(0, n, 10):
        if rng.uniform() < noise.outliers:
            error[begin : begin + 10] += rng.choice([-1, 1]) * noise.outlier_px / noise.tip_px
    return error


def _ends(truth: Truth, photo: int, rng: np.random.Generator, noise: Noise) -> EndPoints:
    standing, eye = truth.standing_of[photo], truth.eye(photo)
    rows: list[tuple[int, int, Array, Array, float]] = []
    for b, blade in enumerate(truth.blades):
        middle = truth.face(b, 0)
        for end in (0, 1):
            near = slice(0, 120) if end == 0 else slice(-120, None)
            at = middle[0 if end == 0 else -1]
            if _overhead(truth, photo):
                seen = bool(_uncovered(truth, b, standing)[near].all())
            else:
                flat = eye[:2] - at[:2]
                seen = bool(flat @ at[:2] / np.linalg.norm(flat) / truth.radius_mm > 0.5)
            px = truth.px(truth.to_ring(middle[near], standing), photo)
            if end:
                px = px[::-1]
            if not seen or not _within(truth, photo, px).all():
                continue
            # derivatives along tau: from the leading end into the blade, from the trailing end out of it
            along = (px[20] - px[0]) * (1 if end == 0 else -1)
            px_per_mm = float(np.linalg.norm(along)) / (20 * (blade.tau[1] - blade.tau[0]) * truth.radius_mm)
            direction = along / np.linalg.norm(along)
            sigma = noise.end_mm * px_per_mm
            rows.append((b, end, px[0] + rng.normal(0, sigma) * direction, direction, sigma))
    blade_of, which, place, normal, sigmas = zip(*rows, strict=True) if rows else ((), (), (), (), ())
    return EndPoints(
        np.array(blade_of, int), np.array(which, int), np.reshape(place, (-1, 2)), np.reshape(normal, (-1, 2)),
        np.array(sigmas),
    )  # fmt: skip


def _circles(truth: Truth, photo: int, rng: np.random.Generator, noise: Noise) -> CirclePoints | None:
    if photo > 1:  # looked for in the overhead photographs only
        return None
    standing = truth.standing_of[photo]
    psi = np.linspace(0, 2 * np.pi, 180, endpoint=False)
    index, place, across = [], [], []
    for k, (radius, height) in enumerate(truth.circles[standing]):
        def ring(r: float, turn: float = 0.0, z: float = height) -> Array:
            points = np.column_stack([r * np.cos(psi + turn), r * np.sin(psi + turn), np.full(len(psi), z)])
            return truth.px(truth.to_ring(points, standing), photo)

        px = ring(radius)
        normal = _across(ring(radius, 0.01) - ring(radius, -0.01), ring(radius + 0.05) - px)
        index.append(np.full(len(psi), 2 * standing + k))
        place.append(px + rng.normal(0, noise.circle_px, len(psi))[:, None] * normal)
        across.append(normal)
    many = np.concatenate(index)
    return CirclePoints(many, np.concatenate(place), np.concatenate(across), np.full(len(many), noise.circle_px))
