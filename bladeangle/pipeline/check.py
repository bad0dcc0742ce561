"""One photograph just taken -> retake it or go on, and why: a look seconds after it was taken.

The ring gives the camera's place, the sharpness and the light; the cylinder on which the blade tips lie is then looked
at for glare. The limits are set from own renders and trials (no published source). Not covered: whether the tips, which
stand higher than the sheet, are in focus too; whether the blade edges can be followed, which only `measure` finds out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bladeangle.base.errors import RingNotFoundError
from bladeangle.base.lengths import MM_PER_INCH, length_text
from bladeangle.imaging import profiles, quality
from bladeangle.imaging.camera import Camera, camera_from_exif
from bladeangle.imaging.photo import Photo
from bladeangle.imaging.pose import Pose, start_pose
from bladeangle.imaging.quality import Look, inside, to_pixels
from bladeangle.imaging.ring import Ring, RingSighting, sight_ring
from bladeangle.tuning.imaging import QUALITY
from bladeangle.tuning.pipeline import CHECK, OPTIONS

Array = NDArray[np.float64]

#: Verdicts from best to worst.
VERDICTS = ("good", "usable", "retake")


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


def check_photo(
    photo: Photo,
    ring: Ring,
    camera: Camera | None = None,
    diameter_mm: float | None = None,
    inches: bool = False,
) -> Check:
    """Look at one photograph.

    Parameters
    ----------
    camera : of the phone; without one, or if its picture size differs, the photograph's EXIF gives a rough one.
    diameter_mm : over the blade tips; without it, the largest that the ring leaves room for.
    inches : lengths in the lines' words are in inches; values stay in mm.
    """
    lines = _file_lines(photo, camera)
    fits = camera is not None and (camera.width, camera.height) == photo.file_size
    used = camera if fits and camera is not None else camera_from_exif(*photo.file_size, photo.exif.focal_35mm)
    used = used.reduced(photo.reduction)
    try:
        sighting = sight_ring(photo, ring)
        pose = start_pose(sighting, ring, used.parameters, photo.name)
    except RingNotFoundError as e:
        clipped, middle = float((photo.encoded >= CHECK.clipped_level).mean()), float(np.median(photo.encoded))
        advice = e.hint
        if middle < 40:
            advice = "The picture is too dark: add light."
        elif clipped > 0.3:
            advice = "The picture is too bright: expose for the paper."
        lines.append(Line("ring", "retake", e.message.removeprefix(f"{photo.name}: "), advice))
        return Check(photo.name, tuple(lines), {"markers": 0, "clipped_share": clipped})
    look = quality.look(photo, sighting, ring, used, pose)
    radius_mm = diameter_mm / 2 if diameter_mm else OPTIONS.radius_of_ring * ring.inner_radius_mm
    glare, dark = _tip_band(photo, pose, used, radius_mm)
    scale = _scale(ring, sighting)
    rotor = _has_rotor(photo, ring, pose, used, sighting.paper)
    distance = float(np.linalg.norm(pose.eye_mm))
    lines += [
        _ring_line(ring, sighting, look, pose),
        _sharpness_line(look, photo),
        _exposure_line(look),
        _light_line(look.paper),
        _glare_line(glare, dark, rotor),
        _place_line(pose.obliquity_deg, distance, rotor, inches),
        _size_line(scale * photo.reduction, inches),
    ]
    return Check(
        photo.name,
        tuple(lines),
        {
            "markers": len(sighting.seen),
            "markers_of_ring": len(ring.ids),
            "markers_hidden": look.hidden,
            "markers_cut_off": look.cut,
            "largest_gap_deg": look.gap_deg,
            "blur_px": look.blur_px * photo.reduction,
            "blur_along_px": look.along_px * photo.reduction,
            "blur_across_px": look.across_px * photo.reduction,
            "paper_level": look.paper_level,
            "paper_unevenness": float(look.paper.min() / look.paper.max()),
            "tips_clipped_share": glare,
            "tips_dark_share": dark,
            "tilt_deg": pose.obliquity_deg,
            "azimuth_deg": float(np.degrees(np.arctan2(pose.eye_mm[1], pose.eye_mm[0])) % 360),
            "distance_mm": distance,
            "scale_px_per_mm": scale * photo.reduction,
            "rotor_seen": rotor,
        },
    )


def _graded(value: float, good: float, usable: float) -> str:
    """Verdict of a value that is better the smaller it is."""
    return "good" if value <= good else "usable" if value <= usable else "retake"


def _file_lines(photo: Photo, camera: Camera | None) -> list[Line]:
    lines = []
    if (photo.exif.digital_zoom or 1.0) > QUALITY.zoom:
        lines.append(Line("zoom", "retake", f"taken with a zoom of {photo.exif.digital_zoom:.2g}", "Do not zoom."))
    width, height = photo.file_size
    if camera is not None and (camera.width, camera.height) != (width, height):
        seen = f"not the camera file's: {width} x {height} pixels instead of {camera.width} x {camera.height}"
        lines.append(
            Line("size", "retake", seen, "Use the calibrated phone and its own file, neither cropped nor resized.")
        )
    return lines


def _ring_line(ring: Ring, sighting: RingSighting, look: Look, pose: Pose) -> Line:
    seen = f"{len(sighting.seen)} of {len(ring.ids)} markers"
    parts = [f"{look.hidden} hidden"] * (look.hidden > 0) + [f"{look.cut} outside the picture"] * (look.cut > 0)
    seen += f" ({', '.join(parts)})" if parts else ""
    # From a slant the rotor hides the ring's far side, and that is as it should be.
    overhead = pose.obliquity_deg < QUALITY.overhead_deg
    good = QUALITY.gap_overhead_deg if overhead else QUALITY.gap_oblique_deg
    if look.another_ring:
        seen += ", not placed or not as large as those of the ring definition"
        return Line("ring", "retake", seen, "Name the definition of the ring that was printed; others look alike.")
    verdict = _graded(look.gap_deg, good, QUALITY.gap_most_deg)
    advice = ""
    if verdict != "good":
        advice = (
            "Step back until the whole ring is in the picture."
            if look.cut > look.hidden
            else "Uncover the ring, or use a larger one."
        )
    return Line("ring", verdict, seen, advice)


def _sharpness_line(look: Look, photo: Photo) -> Line:
    larger, of_file = max(photo.scale, 1.0), photo.reduction
    verdict = _graded(look.along_px, QUALITY.blur_good_px * larger, QUALITY.blur_usable_px * larger)
    seen = f"edges blurred by {look.blur_px * of_file:.1f} pixels"
    if verdict == "good":
        return Line("sharpness", verdict, seen)
    if look.moved:
        seen = f"blurred by {look.along_px * of_file:.1f} pixels one way and {look.across_px * of_file:.1f} the other"
        return Line("sharpness", verdict, seen, "The phone moved: hold it against something, or add light.")
    return Line("sharpness", verdict, seen, "Wipe the lens, tap on the rotor to focus, keep 250 mm away.")


def _exposure_line(look: Look) -> Line:
    if look.white_share > QUALITY.white_share:
        return Line(
            "exposure",
            "retake",
            f"{100 * look.white_share:.0f} % of the paper is overexposed",
            "Expose for the paper, or dim the light.",
        )
    verdict = _graded(-look.paper_level, -QUALITY.good_light, -QUALITY.usable_light)
    advice = "" if verdict == "good" else "Add light or expose longer."
    return Line("exposure", verdict, f"paper at {100 * look.paper_level:.0f} % of full scale", advice)


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


def _place_line(tilt: float, distance: float, rotor: bool, inches: bool) -> Line:
    seen = f"{tilt:.0f} degrees from straight above, {length_text(distance, inches, 0)} away"
    if tilt <= 10:
        return Line("place", "good", f"from above: {seen}")
    if rotor and tilt < 30:
        advice = "From above is best within 10 degrees of straight down, from the side at 50 to 65 (40 to 25 down)."
        return Line("place", "usable", seen, advice)
    verdict = _graded(tilt, 60.0, 70.0)
    return Line("place", verdict, f"from the side: {seen}", "" if verdict == "good" else "Hold the phone higher.")


def _size_line(scale: float, inches: bool) -> Line:
    verdict = _graded(-scale, -4.0, -2.5)
    return Line(
        "scale",
        verdict,
        f"{scale * MM_PER_INCH:.0f} pixels an inch on the sheet" if inches else f"{scale:.1f} pixels a mm on the sheet",
        "" if verdict == "good" else "Go nearer, so that the ring fills the picture.",
    )


def _tip_band(photo: Photo, pose: Pose, camera: Camera, radius_mm: float) -> tuple[float, float]:
    """Shares of the cylinder on which the tips lie that are clipped to white and that are black."""
    azimuth, z = np.meshgrid(np.radians(np.arange(0.0, 360.0, 0.5)), np.arange(0.0, CHECK.tallest_mm, 1.0))
    points = np.stack([radius_mm * np.cos(azimuth), radius_mm * np.sin(azimuth), z], -1).reshape(-1, 3)
    px = to_pixels(points, pose, camera)
    px = np.rint(photo.in_file(px[inside(px, photo.width, photo.height)])).astype(int)
    if not len(px):
        return 0.0, 0.0
    value = photo.encoded[px[:, 1], px[:, 0]]
    return float((value >= CHECK.clipped_level).mean()), float((value <= 12).mean())


def _has_rotor(photo: Photo, ring: Ring, pose: Pose, camera: Camera, paper: float) -> bool:
    """Whether something stands in the ring: bare paper is as bright as beside the markers and has no steps in it."""
    radius, azimuth = np.meshgrid(
        np.arange(0.05, 0.7, 0.01) * ring.inner_radius_mm, np.radians(np.arange(0.0, 360.0, 0.5))
    )
    points = np.stack([radius * np.cos(azimuth), radius * np.sin(azimuth), 0 * radius], -1).reshape(-1, 3)
    grey = profiles.sample(photo.grey, to_pixels(points, pose, camera).T).reshape(90, 8, -1)
    smooth = np.nan_to_num(np.median(grey, axis=1), nan=paper)  # over 4 degrees: noise and print dots go
    steps = np.abs(smooth[:, 2:] - smooth[:, :-2]) / max(paper, 1e-3)
    other = abs(float(np.median(smooth)) / max(paper, 1e-3) - 1) > 0.3
    return other or bool((steps > 0.15).mean() > 0.01)


def _scale(ring: Ring, sighting: RingSighting) -> float:
    """Median of pixels per mm along the marker sides."""
    length_px = np.linalg.norm(np.roll(sighting.corners_px, -1, 1) - sighting.corners_px, axis=2)
    corners = ring.corners_mm[sighting.seen]
    return float(np.median(length_px / np.linalg.norm(np.roll(corners, -1, 1) - corners, axis=2)))
