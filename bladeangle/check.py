"""A look at one photograph seconds after it was taken: retake it, or go on.

The ring gives the camera's place, the sharpness and the light; the cylinder on which the blade tips lie is then looked
at for glare. The limits are set from own renders and trials (no published source). Not covered: whether the tips, which
stand higher than the sheet, are in focus too; whether the blade edges can be followed, which only `measure` finds out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bladeangle import profiles
from bladeangle.camera import Camera, camera_from_exif
from bladeangle.errors import RingNotFoundError
from bladeangle.geometry import pixels
from bladeangle.photo import Photo
from bladeangle.pose import Pose, start_pose
from bladeangle.ring import Ring, RingSighting, sight_ring

Array = NDArray[np.float64]

#: Verdicts from best to worst.
VERDICTS = ("good", "usable", "retake")
#: Encoded grey value from which a pixel counts as clipped; compression rounds a few levels off.
CLIPPED = 252
#: Height over the sheet up to which blade tips are looked for, mm.
TALLEST_MM = 70.0
#: Radius of the tips over the ring's inner radius when no diameter is given: what a ring leaves room for.
TIP_RATIO = 0.75


@dataclass(frozen=True)
class Line:
    """One thing looked at: `what` in one word, its verdict, what was seen, and what to do (empty when good)."""

    what: str
    verdict: str
    seen: str
    advice: str = ""


@dataclass(frozen=True)
class Check:
    """Everything looked at in one photograph; numbers by name, None where they could not be had."""

    photo: str
    lines: tuple[Line, ...]
    values: dict[str, float | int | bool | None]

    @property
    def verdict(self) -> str:
        """The worst verdict of all lines."""
        return max((line.verdict for line in self.lines), key=VERDICTS.index)


def check_photo(photo: Photo, ring: Ring, camera: Camera | None = None, diameter_mm: float | None = None) -> Check:
    """Look at one photograph.

    Parameters
    ----------
    camera : of the phone; without one, or if its picture size differs, the photograph's EXIF gives a rough one.
    diameter_mm : over the blade tips; without it, the largest that the ring leaves room for.
    """
    lines = _file_lines(photo, camera)
    fits = camera is not None and (camera.width, camera.height) == (photo.width, photo.height)
    used = camera if fits and camera is not None else camera_from_exif(photo.width, photo.height, photo.exif.focal_35mm)
    try:
        sighting = sight_ring(photo, ring)
        pose = start_pose(sighting, ring, used.parameters, photo.name)
    except RingNotFoundError as e:
        clipped, middle = float((photo.encoded >= CLIPPED).mean()), float(np.median(photo.encoded))
        advice = e.hint
        if middle < 40:
            advice = "The picture is too dark: add light."
        elif clipped > 0.3:
            advice = "The picture is too bright: expose for the paper."
        lines.append(Line("ring", "retake", e.message.removeprefix(f"{photo.name}: "), advice))
        return Check(photo.name, tuple(lines), {"markers": 0, "clipped_share": clipped})
    hidden, cut = _missing(ring, sighting, pose, used)
    gap = _largest_gap_deg(ring, sighting)
    blur, along, across = _blur(photo, sighting)
    levels = _paper_levels(photo, ring, sighting, pose, used)
    glare, dark = _tip_band(photo, pose, used, diameter_mm / 2 if diameter_mm else TIP_RATIO * ring.inner_radius_mm)
    scale = _scale(ring, sighting)
    rotor = _has_rotor(photo, ring, pose, used, sighting.paper)
    distance = float(np.linalg.norm(pose.eye_mm))
    lines += [
        _ring_line(ring, sighting, hidden, cut, gap, pose),
        _sharpness_line(blur, along, across),
        _exposure_line(levels),
        _light_line(levels),
        _glare_line(glare, dark, rotor),
        _place_line(pose.obliquity_deg, distance, rotor),
        _size_line(scale),
    ]
    return Check(
        photo.name,
        tuple(lines),
        {
            "markers": len(sighting.seen),
            "markers_of_ring": len(ring.ids),
            "markers_hidden": hidden,
            "markers_cut_off": cut,
            "largest_gap_deg": gap,
            "blur_px": blur,
            "blur_along_px": along,
            "blur_across_px": across,
            "paper_level": float(np.median(levels)),
            "paper_unevenness": float(levels.min() / levels.max()),
            "tips_clipped_share": glare,
            "tips_dark_share": dark,
            "tilt_deg": pose.obliquity_deg,
            "distance_mm": distance,
            "scale_px_per_mm": scale,
            "rotor_seen": rotor,
        },
    )


def _graded(value: float, good: float, usable: float) -> str:
    """Verdict of a value that is better the smaller it is."""
    return "good" if value <= good else "usable" if value <= usable else "retake"


def _file_lines(photo: Photo, camera: Camera | None) -> list[Line]:
    lines = []
    if (photo.exif.digital_zoom or 1.0) > 1.01:
        lines.append(Line("zoom", "retake", f"taken with a zoom of {photo.exif.digital_zoom:.2g}", "Do not zoom."))
    if camera is not None and (camera.width, camera.height) != (photo.width, photo.height):
        seen = f"{photo.width} x {photo.height} px, the camera file is for {camera.width} x {camera.height} px"
        lines.append(
            Line("size", "retake", seen, "Use the calibrated phone and its own file, neither cropped nor resized.")
        )
    return lines


def _ring_line(ring: Ring, sighting: RingSighting, hidden: int, cut: int, gap: float, pose: Pose) -> Line:
    seen = f"{len(sighting.seen)} of {len(ring.ids)} markers"
    parts = [f"{hidden} hidden"] * (hidden > 0) + [f"{cut} outside the picture"] * (cut > 0)
    seen += f" ({', '.join(parts)})" if parts else ""
    # From a slant the rotor hides the ring's far side, and that is as it should be.
    verdict = _graded(gap, 45.0 if pose.obliquity_deg < 20 else 160.0, 180.0)
    advice = ""
    if verdict != "good":
        advice = (
            "Step back until the whole ring is in the picture."
            if cut > hidden
            else "Uncover the ring, or use a larger one."
        )
    return Line("ring", verdict, seen, advice)


def _sharpness_line(blur: float, along: float, across: float) -> Line:
    verdict = _graded(along, 1.6, 3.0)
    if verdict == "good":
        return Line("sharpness", verdict, f"edges blurred by {blur:.1f} px")
    if along > 1.7 * across:
        advice = "The phone moved: hold it against something, or add light."
        return Line("sharpness", verdict, f"blurred by {along:.1f} px one way and {across:.1f} px the other", advice)
    return Line(
        "sharpness",
        verdict,
        f"edges blurred by {blur:.1f} px",
        "Wipe the lens, tap on the rotor to focus, keep 250 mm away.",
    )


def _exposure_line(levels: Array) -> Line:
    level, white = float(np.median(levels)), float((levels > 0.96).mean())
    if white > 0.1:
        return Line(
            "exposure",
            "retake",
            f"{100 * white:.0f} % of the paper is clipped to white",
            "Expose for the paper, or dim the light.",
        )
    verdict = _graded(-level, -0.3, -0.1)
    advice = "" if verdict == "good" else "Add light or expose longer."
    return Line("exposure", verdict, f"paper at {100 * level:.0f} % of full scale", advice)


def _light_line(levels: Array) -> Line:
    ratio = float(levels.min() / levels.max())
    verdict = "good" if ratio >= 0.5 else "usable"
    advice = "" if verdict == "good" else "Avoid a hard shadow: light from two sides, or from a window."
    return Line("light", verdict, f"darkest paper at {100 * ratio:.0f} % of the brightest", advice)


def _glare_line(clipped: float, dark: float, rotor: bool) -> Line:
    if not rotor:
        return Line("tips", "good", "no rotor stands in the ring (as for a calibration)")
    verdict = _graded(clipped, 0.03, 0.15)
    advice = "" if verdict == "good" else "Move the lamp aside, or hang paper before it."
    if verdict == "good" and dark > 0.3:
        return Line("tips", "usable", f"{100 * dark:.0f} % of where the tips lie is black", "Add light from the sides.")
    return Line("tips", verdict, f"glare on {100 * clipped:.1f} % of where the tips lie", advice)


def _place_line(tilt: float, distance: float, rotor: bool) -> Line:
    seen = f"{tilt:.0f} degrees from straight above, {distance:.0f} mm away"
    if tilt <= 10:
        return Line("place", "good", f"overhead: {seen}")
    if rotor and tilt < 30:
        advice = "Overhead photographs are best within 10 degrees, the others at 40 to 50."
        return Line("place", "usable", seen, advice)
    verdict = _graded(tilt, 60.0, 70.0)
    return Line("place", verdict, f"oblique: {seen}", "" if verdict == "good" else "Hold the phone higher.")


def _size_line(scale: float) -> Line:
    verdict = _graded(-scale, -4.0, -2.5)
    return Line(
        "scale",
        verdict,
        f"{scale:.1f} px per mm on the sheet",
        "" if verdict == "good" else "Go nearer, so that the ring fills the picture.",
    )


def _to_pixels(points: Array, pose: Pose, camera: Camera) -> Array:
    """Pixels (n, 2) of points (n, 3) in the ring frame; nan behind the camera."""
    seen = points @ pose.r_camera_ring.T + pose.t_camera_ring_mm
    return pixels(np.where(seen[:, 2:] > 1.0, seen, np.nan), camera.parameters)


def _inside(px: Array, width: int, height: int, margin: float = 0.0) -> NDArray[np.bool_]:
    with np.errstate(invalid="ignore"):
        inside = (px >= margin) & (px <= np.array([width - 1, height - 1]) - margin)
    return inside[:, 0] & inside[:, 1]


def _missing(ring: Ring, sighting: RingSighting, pose: Pose, camera: Camera) -> tuple[int, int]:
    """How many markers are in the picture and yet not seen, and how many are outside it."""
    corners = np.concatenate([ring.corners_mm.reshape(-1, 2), np.zeros((4 * len(ring.ids), 1))], 1)
    inside = _inside(_to_pixels(corners, pose, camera), camera.width, camera.height, 3.0).reshape(-1, 4).all(1)
    unseen = ~np.isin(np.arange(len(ring.ids)), sighting.seen)
    return int((unseen & inside).sum()), int((unseen & ~inside).sum())


def _largest_gap_deg(ring: Ring, sighting: RingSighting) -> float:
    """Largest turn about the ring's centre between neighbouring markers that are seen."""
    centre = ring.corners_mm[sighting.seen].mean(1)
    azimuth = np.sort(np.degrees(np.arctan2(centre[:, 1], centre[:, 0])))
    return float(np.diff(azimuth, append=azimuth[0] + 360.0).max())


def _blur(photo: Photo, sighting: RingSighting) -> tuple[float, float, float]:
    """Blur of marker sides, px: over all, in the worst of eight directions and in the best."""
    read = profiles.read_profiles(photo.grey, sighting.px, sighting.normal, (6, 6), 3)
    direction = np.degrees(np.arctan2(sighting.normal[:, 1], sighting.normal[:, 0])) % 180.0
    by_direction = []
    for middle in np.arange(0.0, 180.0, 22.5):
        near = np.abs((direction - middle + 90.0) % 180.0 - 90.0) < 15.0
        if near.sum() >= 40:
            by_direction.append(profiles.estimate_blur(read[near], (6, 6)))
    blur = profiles.estimate_blur(read, (6, 6))
    return blur, max(by_direction, default=blur), min(by_direction, default=blur)


def _paper_levels(photo: Photo, ring: Ring, sighting: RingSighting, pose: Pose, camera: Camera) -> Array:
    """Linear light (k,) of the paper beside each marker that is seen, as the median along its sides."""
    corners = ring.corners_mm[sighting.seen]
    middle = corners.mean(1, keepdims=True)
    around = middle + (corners - middle) * (1 + 4.0 / np.linalg.norm(corners - middle, axis=2, keepdims=True))
    t = np.linspace(0.1, 0.9, 9)[:, None]
    sides = around[:, :, None] + t * (np.roll(around, -1, 1) - around)[:, :, None]
    points = np.concatenate([sides.reshape(-1, 2), np.zeros((sides.size // 2, 1))], 1)
    level = profiles.sample(photo.grey, _to_pixels(points, pose, camera)).reshape(len(corners), -1)
    out: Array = np.nanmedian(np.where(np.isfinite(level), level, sighting.paper), axis=1).astype(float)
    return out


def _tip_band(photo: Photo, pose: Pose, camera: Camera, radius_mm: float) -> tuple[float, float]:
    """Shares of the cylinder on which the tips lie that are clipped to white and that are black."""
    azimuth, z = np.meshgrid(np.radians(np.arange(0.0, 360.0, 0.5)), np.arange(0.0, TALLEST_MM, 1.0))
    points = np.stack([radius_mm * np.cos(azimuth), radius_mm * np.sin(azimuth), z], -1).reshape(-1, 3)
    px = _to_pixels(points, pose, camera)
    px = np.rint(px[_inside(px, photo.width, photo.height)]).astype(int)
    if not len(px):
        return 0.0, 0.0
    value = photo.encoded[px[:, 1], px[:, 0]]
    return float((value >= CLIPPED).mean()), float((value <= 12).mean())


def _has_rotor(photo: Photo, ring: Ring, pose: Pose, camera: Camera, paper: float) -> bool:
    """Whether something stands in the ring: bare paper is as bright as beside the markers and has no steps in it."""
    radius, azimuth = np.meshgrid(
        np.arange(0.05, 0.7, 0.01) * ring.inner_radius_mm, np.radians(np.arange(0.0, 360.0, 0.5))
    )
    points = np.stack([radius * np.cos(azimuth), radius * np.sin(azimuth), 0 * radius], -1).reshape(-1, 3)
    grey = profiles.sample(photo.grey, _to_pixels(points, pose, camera)).reshape(90, 8, -1)
    smooth = np.nan_to_num(np.median(grey, axis=1), nan=paper)  # over 4 degrees: noise and print dots go
    steps = np.abs(smooth[:, 2:] - smooth[:, :-2]) / max(paper, 1e-3)
    other = abs(float(np.median(smooth)) / max(paper, 1e-3) - 1) > 0.3
    return other or bool((steps > 0.15).mean() > 0.01)


def _scale(ring: Ring, sighting: RingSighting) -> float:
    """Median of pixels per mm along the marker sides."""
    length_px = np.linalg.norm(np.roll(sighting.corners_px, -1, 1) - sighting.corners_px, axis=2)
    corners = ring.corners_mm[sighting.seen]
    return float(np.median(length_px / np.linalg.norm(np.roll(corners, -1, 1) - corners, axis=2)))
