"""The truth of a simulated measurement: a random rotor, its print and its photographs, all known."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline
from scipy.spatial.transform import Rotation

from bladeangle.adjustment.priors import Priors
from bladeangle.imaging.camera import Camera, camera_from_exif, read_camera
from bladeangle.imaging.ring import Ring, ring_from_dict
from bladeangle.records.station import StationOptions
from tests import synthetic
from tests.synthetic.scene import tip_curve

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]

KINDS = ("pair", "eight", "uncalibrated")
STATIONS = ("entry", "middle", "exit")
CALIBRATED = Path(__file__).parent.parent / "calibration" / "camera-pocket7.json"
#: How far circles of one face of the hub stand apart in height, mm.
FACE_MM = 1.0
#: Spacing of tip points along an edge, px, and of knots and past the ends, mm, as the measurement has them.
POINT_PX, KNOT_MM, PAST_END_MM = 16.0, 20.0, 6.0


@dataclass(frozen=True)
class Noise:
    """What the points suffer: standard deviations along the normal, px (ends: mm along the tip).

    bias_px : of a shift common to all edges of a kind; correlated : correlation of neighbours along an edge; outliers :
    share of the tip points that lie `outlier_px` off, in runs of ten; sway : of runs of edge in one photograph, seen
    from the side and from overhead, in `tip_px`, and forgotten over 130 px; groove_px : by which grooves move the same
    places of all edges seen from the side; circle_sway_px : of a circle, once and twice round; ring_every : thins the
    ring.
    """

    tip_px: float = 0.15
    ring_px: float = 0.05
    circle_px: float = 0.10
    end_mm: float = 0.30
    bias_px: float = 0.08
    correlated: float = 0.0
    outliers: float = 0.0
    outlier_px: float = 4.0
    sway: tuple[float, float] = (1.0, 0.3)
    groove_px: float = 0.14
    circle_sway_px: float = 0.1
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
    views: tuple[synthetic.View, ...]
    standing_of: tuple[int, ...]
    bias_px: dict[str, float]
    grooves_mm: Array
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
    top, bore = _circle_heights(rng, priors, shape.lead_height_mm, 2)
    up = np.array([[shape.nose_radius_mm, top], [shape.bore_radius_mm, bore]])
    rim = float(rng.normal(priors.rim_height_mm, priors.rim_height_sigma_mm))
    # turned over, the rim is the uppermost of what is seen, and the blades' trailing ends lie below it
    rise = float(np.clip(rng.normal(priors.circle_height_mm, priors.circle_height_sigma_mm), 35, 100)) + rim
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
    mm_per_px = float(np.mean([np.linalg.norm(s.view.eye_mm) for s in scenes])) / lens.f_px
    longest = max(float(b.tau[-1]) for b in blades) * shape.tip_radius_mm
    grooves = _grooves(rng, longest, noise.groove_px * mm_per_px)
    return Truth(
        ring, shape.tip_radius_mm, -shape.hand, (float(rounding[0]), float(rounding[1])), blades, r, t, (up, down),
        rng.normal(0, sheet), (changes.bend_mm, azimuth), pieces, cameras, tuple(s.view for s in scenes),
        tuple(int(s.name == "outlet.jpg") for s in scenes), bias, grooves, priors,
    )  # fmt: skip


def _circle_heights(rng: np.random.Generator, priors: Priors, end_mm: float, count: int) -> Array:
    """Heights (count,) mm above the sheet of hub circles over blades whose upper ends lie at `end_mm`.

    On one face, but for some millimetres.
    """
    own, beyond = priors.circle_height_sigma_mm**-2, priors.circle_beyond_sigma_mm**-2
    mean = (own * priors.circle_height_mm + beyond * (end_mm + priors.circle_beyond_mm)) / (own + beyond)
    drawn = rng.standard_normal(count)
    apart = np.append(0.0, FACE_MM * drawn[1:])
    return np.clip(mean + (own + beyond) ** -0.5 * drawn[0] + apart, 20, 100)


def _grooves(rng: np.random.Generator, length_mm: float, sigma_mm: float) -> Array:
    """What grooves do to the two edges of the land, (2, m) mm along the tip: a random walk that forgets over 13 mm."""
    arc = np.linspace(-10.0, length_mm + 10.0, 160)
    alike = np.exp(-np.abs(arc[:, None] - arc) / 13.0)
    out: Array = rng.multivariate_normal(np.zeros(len(arc)), alike, 2, method="cholesky") * sigma_mm
    return np.vstack([arc, out])


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
