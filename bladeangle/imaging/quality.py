"""Photo + sighting + pose -> flags, or a refusal: what is to be doubted and what cannot be measured.

`look` gathers numbers about sharpness, light and the ring once its pose is known; `judge` turns them into flags or a
refusal for a measurement, `check` into advice for whoever still has the rotor before them. The limits are set from own
renders and trials (no published source). Not covered: what only the whole set of photographs shows (a bent sheet, a
wrong focal length, a rotor that moved), and whether the tips, which stand higher than the sheet, are in focus too.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NoReturn

import numpy as np
from numpy.typing import NDArray

from bladeangle.base.errors import PhotoError, RingNotFoundError
from bladeangle.base.files import import_cv2
from bladeangle.base.flags import Flag
from bladeangle.base.geometry import pixels
from bladeangle.imaging import profiles
from bladeangle.imaging.camera import Camera, camera_from_exif
from bladeangle.imaging.compression import strongly_compressed
from bladeangle.imaging.photo import Photo
from bladeangle.imaging.pose import Pose
from bladeangle.imaging.ring import Ring, RingSighting
from bladeangle.tuning.imaging import QUALITY

Array = NDArray[np.float64]

#: How many rows and columns are read for signs of enlargement.
LINES = 1000


@dataclass(frozen=True)
class Look:
    """What one photograph shows of the ring and the light.

    blur_px : standard deviation of the blur of marker sides, over all; along_px, across_px : in the worst and the best
        direction. paper : (k,) linear light of the paper beside each marker seen. hidden, cut : markers in the picture
        and not seen, markers outside it. gap_deg : largest turn about the centre between neighbouring markers seen.
    softer_px : by how much three neighbouring markers are softer than the middling one, in quadrature. halo : how much
        brighter paper is beside markers than farther off, as a share of the contrast.
    off_place_mm : (k,) distance of each marker seen from its place on the sheet. marker_size : of the markers over what
        the definition makes of them where they lie.
    """

    blur_px: float
    along_px: float
    across_px: float
    paper: Array
    hidden: int
    cut: int
    gap_deg: float
    off_place_mm: Array
    marker_size: float = 1.0
    softer_px: float = 0.0
    halo: float = 0.0

    @property
    def another_ring(self) -> bool:
        """Whether the markers lie, or are as large, as those of another ring than the definition's."""
        return bool(
            np.median(self.off_place_mm) > QUALITY.another_ring_mm
            or abs(self.marker_size - 1) > QUALITY.another_ring_size
        )

    @property
    def moved(self) -> bool:
        """Whether the blur has a direction, as a phone that moved gives it."""
        return self.along_px > QUALITY.blur_good_px and self.along_px > QUALITY.motion_ratio * self.across_px

    @property
    def paper_level(self) -> float:
        """Median light of the paper."""
        return float(np.median(self.paper))

    @property
    def white_share(self) -> float:
        """Share of the paper beside markers that is clipped to white."""
        return float((self.paper > QUALITY.white_light).mean())


def judge_file(photo: Photo, camera: Camera | None) -> list[Flag]:
    """Doubts about a photograph that its file alone gives away; call it before the ring is looked for.

    Without a calibrated camera only digital zoom matters: the focal length in EXIF counts it on most phones.

    Raises
    ------
    PhotoError : another size than the camera's, or digital zoom or another lens with a calibrated camera.
    """
    zoom = photo.exif.digital_zoom or 1.0
    width, height = photo.file_size
    if camera is None or not camera.calibrated:
        if camera is not None and (camera.width, camera.height) != (width, height):
            raise PhotoError(
                f"{photo.name} is of another size than the other photographs: {width} x {height} pixels, another "
                f"{camera.width} x {camera.height}.",
                "Use one phone's original files, not cropped, turned or sent through a messenger.",
            )
        if zoom > QUALITY.zoom:
            return [Flag("digital-zoom", f"Taken with a digital zoom of {zoom:.2g}.", photo.name)]
        return []
    if (camera.width, camera.height) == (height, width):
        raise PhotoError(
            f"{photo.name} is turned by a quarter, {width} x {height} pixels, against the others or the "
            f"camera file, {camera.width} x {camera.height}.",
            "Use the phone's original files; or turn all photographs the same way by an app.",
        )
    if (camera.width, camera.height) != (width, height):
        # also where one is a multiple of the other: a picture cropped to the same shape looks just like that
        raise PhotoError(
            f"{photo.name} is of another size than the camera was calibrated for: {width} x {height} pixels, "
            f"the camera file {camera.width} x {camera.height}.",
            "Use the phone's original file, not cropped, turned or sent through a messenger, and that phone's camera "
            "file; a phone that takes pictures of several sizes is calibrated for each.",
        )
    if zoom > QUALITY.zoom:
        raise PhotoError(
            f"{photo.name} was taken with a digital zoom of {zoom:.2g}; the camera file is for none.",
            "Take it again without zoom.",
        )
    focal, taken = photo.exif.focal_35mm, _focal_35mm(camera)
    if focal and taken and abs(focal / taken - 1) > QUALITY.other_35mm_share:
        raise PhotoError(
            f"{photo.name} was taken at a focal length of {focal:g} mm (35 mm film), the camera file is for "
            f"{taken:g} mm.",
            "Use the lens and the zoom of the calibration, or calibrate this one.",
        )
    flags = []
    if reason := _other_lens(photo, camera):
        flags.append(Flag("focal-length-differs", reason, photo.name))
    return flags


def _focal_35mm(camera: Camera) -> float | None:
    """The 35 mm-equivalent focal length that the calibration's photographs named."""
    value = camera.provenance.get("focal_35mm")
    return float(value) if isinstance(value, int | float) and value > 0 else None


def _other_lens(photo: Photo, camera: Camera) -> str:
    """Why the photograph seems to come from another phone or lens than the camera file; empty when it does not."""
    exif = photo.exif
    phone = " ".join(t for t in (exif.make, exif.model) if t)
    known = camera.provenance.get("phone")
    if phone and isinstance(known, str) and known and phone != known:
        return f"The photograph names the phone {phone!r}, the camera file {known!r}."
    focal = exif.focal_35mm
    if focal is None:
        return ""
    taken = _focal_35mm(camera)
    if taken is not None:
        if abs(focal / taken - 1) > QUALITY.focal_35mm_share:
            return f"The photograph names a focal length of {focal:g} mm (35 mm film), the camera file {taken:g} mm."
        return ""
    by_exif = float(camera_from_exif(*photo.file_size, focal).parameters[0])
    f_px = float(camera.parameters[0])
    if abs(f_px / by_exif - 1) > QUALITY.focal_share:
        text = "The photograph names another focal length than the camera file has."
        return f"{text} (In pixels it is {by_exif:.0f}, in the file {f_px:.0f}.)"
    return ""


def tied_to(photo: Photo, camera: Camera) -> bool:
    """Whether the photograph's own data can show that it was taken as the camera was calibrated.

    They can when both name the same phone and the same 35 mm-equivalent focal length, in which phones count another
    lens and digital zoom. A file that has lost its data may be cropped and enlarged, which a picture from straight
    above never shows: focal length and distance cannot be told apart there. Without a calibration there is nothing to
    be tied to.
    """
    if not camera.calibrated:
        return True
    return bool(photo.exif.focal_35mm and _focal_35mm(camera)) and not _other_lens(photo, camera)


def judge(photo: Photo, sighting: RingSighting, ring: Ring, camera: Camera | None, pose: Pose) -> list[Flag]:  # noqa: C901 (one check after another)
    """Doubts about one photograph whose ring is found; some 0.2 s at 12 megapixels.

    Parameters
    ----------
    camera : the one that `pose` was found with, in the file's pixels; None stands for the one assumed from EXIF.

    Raises
    ------
    PhotoError : too blurred or too dark to be measured, or what `judge_file` refuses.
    RingNotFoundError : the markers do not lie as the ring definition has them.
    """
    flags = judge_file(photo, camera)
    used = camera or camera_from_exif(*photo.file_size, photo.exif.focal_35mm)
    seen = look(photo, sighting, ring, used.reduced(photo.reduction), pose)
    larger = max(photo.scale, 1.0)

    def flag(code: str, text: str) -> None:
        flags.append(Flag(code, text, photo.name))

    if seen.along_px > QUALITY.blur_most_px * larger:
        cause = "the phone moved" if seen.moved else "it is out of focus"
        raise PhotoError(
            f"{photo.name} is too blurred to be measured: {cause}.",
            "Take it again with the phone held against something, more light, and a tap on the tip to focus.",
        )
    if seen.paper_level < QUALITY.least_light:
        raise PhotoError(
            f"{photo.name} is too dark to be measured: the paper is at {100 * seen.paper_level:.1f} % of full scale.",
            "Add light and take it again.",
        )
    if seen.moved:
        along, across = seen.along_px * photo.reduction, seen.across_px * photo.reduction
        flag("blur", f"The phone moved. Edges are blurred by {along:.1f} px one way and {across:.1f} px the other.")
    elif seen.along_px > QUALITY.blur_usable_px * larger:
        flag("blur", f"It is out of focus. Edges are blurred by {seen.blur_px * photo.reduction:.1f} px.")
    if seen.paper_level < QUALITY.usable_light:
        flag("exposure-low", f"It is dark: the paper has {100 * seen.paper_level:.0f} % of full light.")
    if enlargement(photo) > QUALITY.enlarged_line and enlargement(photo, sighting) > QUALITY.enlarged_line_within:
        flag("enlarged", "The picture looks enlarged: its noise repeats as after digital zoom.")
    if strongly_compressed(photo.encoded, photo.jpeg_entry):
        flag("compressed", "The picture was compressed strongly, as a messenger or an editor does it.")
    overhead = pose.obliquity_deg < QUALITY.overhead_deg
    if overhead and seen.softer_px > QUALITY.softer_px * larger:  # from the side distance makes it so
        flag(
            "sharpness-uneven",
            "Part of the picture is softer than the rest, as behind a drop or a fingerprint on the lens.",
        )
    if seen.halo > QUALITY.halo:
        flag("contrast-raised", f"An effect makes paper {100 * seen.halo:.0f} % brighter beside dark edges.")
    if seen.white_share > QUALITY.white_share:
        flag("exposure-high", f"It is too bright: {100 * seen.white_share:.0f} % of the paper is plain white.")
    if overhead:
        few = len(sighting.seen) < QUALITY.few_markers or seen.gap_deg > QUALITY.gap_most_deg
    else:  # the rotor hides half of the ring; what that leaves open of the camera's place is in the covariance
        few = seen.gap_deg > QUALITY.gap_most_oblique_deg
    if few:
        text = f"Only {len(sighting.seen)} of the ring's {len(ring.ids)} markers are read, and over {seen.gap_deg:.0f} "
        text += "degrees of it none."
        flag("few-markers", text)
    elif seen.gap_deg > (QUALITY.gap_overhead_deg if overhead else QUALITY.gap_oblique_deg):
        flag("ring-partly-hidden", f"{seen.hidden} markers are hidden and {seen.cut} outside of the picture.")
    if camera is not None and seen.another_ring:
        _refuse_ring(photo, seen)
    off = seen.off_place_mm
    if off.max() > max(QUALITY.off_place_mm, QUALITY.off_place_ratio * float(np.median(off))):
        marker = int(ring.ids[sighting.seen[int(off.argmax())]])
        flag("residuals-high", f"Marker {marker} lies {off.max():.1f} mm off the place that the ring file gives it.")
    return flags


def _refuse_ring(photo: Photo, seen: Look) -> NoReturn:
    """Why the markers are not those of the ring definition: PhotoError by an effect, RingNotFoundError by another."""
    off_mm = float(np.median(seen.off_place_mm))
    if seen.halo > QUALITY.halo and off_mm < QUALITY.another_ring_mm:
        raise PhotoError(
            f"In {photo.name} an effect raised the contrast so much that the ring's markers seem larger or smaller.",
            "Switch off HDR, clarity and filters, or use the phone's original file, or take the photograph again.",
        )
    if off_mm > QUALITY.zoomed_mm * abs(seen.marker_size - 1):  # out of shape, though its markers are of their size
        raise RingNotFoundError(
            f"{photo.name} was zoomed or cropped, or taken with another lens: the ring's shape does not fit the camera "
            "file.",
            "Take it again without zoom, with the lens that the camera file is of, and use the phone's original file. "
            f"(The ring's markers lie {off_mm:.1f} mm off their places.)",
        )
    raise RingNotFoundError(
        f"{photo.name} shows another ring than the ring definition: its markers are {seen.marker_size:.2f} times "
        f"as large for their distances, and lie {off_mm:.1f} mm off their places.",
        "Name the ring that was printed, which its sheet tells; rings for other sizes have the same markers.",
    )


def enlargement(photo: Photo, within: RingSighting | None = None) -> float:
    """By how much the picture looks enlarged: a line in the spectrum of its second differences, against the rest.

    within : only the part of the picture about which the ring is seen, where no cutting mat has lines of its own.

    Interpolation smooths the noise by an amount that repeats with the grid of the old pixels, along rows and columns
    alike (A. C. Gallagher, Detection of linear and cubic interpolation in JPEG compressed images, 2005; from memory).
    Multiples of an eighth are the compression's own. Not covered: under 5 %, 14 %, a whole multiple, and pictures that
    were reduced, smoothed or much compressed afterwards.
    """
    values = photo.encoded
    if within is not None:
        corners = within.corners_px.reshape(-1, 2) * (values.shape[1] / photo.width)
        (left, top), (right, bottom) = np.maximum(corners.min(0), 0).astype(int), corners.max(0).astype(int)
        values = np.ascontiguousarray(values[top:bottom, left:right])
    step = max(1, min(values.shape) // LINES)
    frequency = np.linspace(QUALITY.lowest_frequency, QUALITY.highest_frequency, 4000)
    eighths = np.abs(frequency * 8 - np.round(frequency * 8)) < 0.03

    def outstanding(spectrum: Array) -> float:
        return float(np.where(eighths, 0.0, spectrum).max() / np.median(spectrum))

    along = _lines(values[::step], frequency)
    if (found := outstanding(along)) < QUALITY.line_along_rows:
        return found
    columns = import_cv2().transpose(np.ascontiguousarray(values[:, ::step]))
    return outstanding(np.minimum(along, _lines(columns, frequency)))


def _lines(values: NDArray[np.uint8], frequency: Array) -> Array:
    """Spectrum at frequencies (cycles a pixel) of the mean second difference along rows, over its local median.

    Only where the picture is even: a grid on the bench, as of a cutting mat, has lines in its spectrum too.
    """
    from scipy.ndimage import maximum_filter1d, median_filter

    total, count = np.zeros((2, values.shape[1] - 2), np.int64)
    for first in range(0, len(values), 32):  # so few that they stay in the processor's cache
        rows = values[first : first + 32].astype(np.int16)
        slope = rows[:, 1:] - rows[:, :-1]
        second = np.abs(slope[:, 1:] - slope[:, :-1])
        even = (second < QUALITY.noise_step) & (np.abs(rows[:, 2:] - rows[:, :-2]) < QUALITY.noise_step)
        total += np.where(even, second, np.int16(0)).sum(0, dtype=np.int16)
        count += even.sum(0)
    mean = total / np.maximum(count, 1)
    spectrum = np.abs(np.fft.rfft((mean - np.median(mean)) * np.hanning(len(mean))))
    outstanding = maximum_filter1d(spectrum / (median_filter(spectrum, 151, mode="nearest") + 1e-9), 3)
    out: Array = np.interp(frequency, np.fft.rfftfreq(len(mean)), outstanding)
    return out


def look(photo: Photo, sighting: RingSighting, ring: Ring, camera: Camera, pose: Pose) -> Look:
    """Look at a photograph whose ring is found; `camera` and `pose` in the pixels that it is worked on in."""
    blur, along, across = _blur(photo, sighting)
    hidden, cut = _missing(ring, sighting, pose, camera)
    return Look(
        blur,
        along,
        across,
        _paper_levels(photo, ring, sighting, pose, camera),
        hidden,
        cut,
        _largest_gap_deg(ring, sighting),
        *_places(ring, sighting, pose, camera),
        _softer(photo, ring, sighting),
        _halo(photo, sighting),
    )


def to_pixels(points: Array, pose: Pose, camera: Camera) -> Array:
    """Pixels (n, 2) of points (n, 3) in the ring frame; nan behind the camera."""
    seen = points @ pose.r_camera_ring.T + pose.t_camera_ring_mm
    return pixels(np.where(seen[:, 2:] > 1.0, seen, np.nan), camera.parameters)


def inside(px: Array, width: int, height: int, margin: float = 0.0) -> NDArray[np.bool_]:
    """Which pixels (n, 2) lie in a picture."""
    with np.errstate(invalid="ignore"):
        within = (px >= margin) & (px <= np.array([width - 1, height - 1]) - margin)
    return within[:, 0] & within[:, 1]


def _on_sheet(corners_mm: Array) -> Array:
    flat = corners_mm.reshape(-1, 2)
    return np.concatenate([flat, np.zeros((len(flat), 1))], 1)


def _missing(ring: Ring, sighting: RingSighting, pose: Pose, camera: Camera) -> tuple[int, int]:
    """How many markers are in the picture and yet not seen, and how many are outside it."""
    px = to_pixels(_on_sheet(ring.corners_mm), pose, camera)
    within = inside(px, camera.width, camera.height, 3.0).reshape(-1, 4).all(1)
    unseen = ~np.isin(np.arange(len(ring.ids)), sighting.seen)
    return int((unseen & within).sum()), int((unseen & ~within).sum())


def _largest_gap_deg(ring: Ring, sighting: RingSighting) -> float:
    """Largest turn about the ring's centre between neighbouring markers that are seen."""
    centre = ring.corners_mm[sighting.seen].mean(1)
    azimuth = np.sort(np.degrees(np.arctan2(centre[:, 1], centre[:, 0])))
    return float(np.diff(azimuth, append=azimuth[0] + 360.0).max())


def _places(ring: Ring, sighting: RingSighting, pose: Pose, camera: Camera) -> tuple[Array, float]:
    """Mean distance (k,) of a seen marker's corners from where the pose puts them, scaled from px by its size.

    And the median of how large markers are over what the pose makes of them.
    """
    corners = ring.corners_mm[sighting.seen]
    px = to_pixels(_on_sheet(corners), pose, camera).reshape(-1, 4, 2)
    side_px = np.linalg.norm(np.roll(sighting.corners_px, -1, 1) - sighting.corners_px, axis=2).mean(1)
    side_mm = np.linalg.norm(np.roll(corners, -1, 1) - corners, axis=2).mean(1)
    off: Array = np.linalg.norm(sighting.corners_px - px, axis=2).mean(1) * side_mm / side_px
    expected_px = np.linalg.norm(np.roll(px, -1, 1) - px, axis=2).mean(1)
    return off, float(np.median(side_px / expected_px))


def _blur(photo: Photo, sighting: RingSighting) -> tuple[float, float, float]:
    """Blur of marker sides, px: over all, in the worst of eight directions and in the best."""
    read = profiles.read_profiles(photo.grey, sighting.px, sighting.normal, (6, 6), 3)
    direction = np.degrees(np.arctan2(sighting.normal[:, 1], sighting.normal[:, 0])) % 180.0
    by_direction = []
    for middle in np.arange(0.0, 180.0, 22.5):
        near = np.abs((direction - middle + 90.0) % 180.0 - 90.0) < 15.0
        if near.sum() >= 40:
            by_direction.append(profiles.rise_width(read[near], 6))
    blur = profiles.rise_width(read, 6)
    return blur, max(by_direction, default=blur), min(by_direction, default=blur)


def _softer(photo: Photo, ring: Ring, sighting: RingSighting) -> float:
    """By how much, px, three neighbouring markers are softer than the middling one, in quadrature."""
    read = profiles.read_profiles(photo.grey, sighting.px, sighting.normal, (6, 6), 3)
    whole = [m for m in np.unique(sighting.marker) if (sighting.marker == m).sum() >= QUALITY.marker_points]
    if len(whole) < QUALITY.few_markers:
        return 0.0
    centre = ring.corners_mm[whole].mean(1)
    order = np.argsort(np.arctan2(centre[:, 1], centre[:, 0]))
    blur = np.array([profiles.rise_width(read[sighting.marker == whole[k]], 6) for k in order])
    round_it = np.convolve(np.concatenate([blur, blur[:2]]), np.full(3, 1 / 3), "valid")
    return float(np.sqrt(max(round_it.max() ** 2 - np.median(blur) ** 2, 0.0)))


def _halo(photo: Photo, sighting: RingSighting) -> float:
    """Brightest paper beside markers over that farther off, as a share of the contrast of paper and print."""
    reaches = (QUALITY.beside_px, QUALITY.farther_px, (16,))
    near, far, middle = ([max(round(px * photo.scale), 1) for px in of] for of in reaches)
    reach = (middle[0], far[1])
    profile = np.nanmedian(profiles.read_profiles(photo.grey, sighting.px, sighting.normal, reach, 3), axis=0)
    paper, print_ = float(np.median(profile[reach[0] + far[0] :])), float(np.median(profile[: reach[0] // 2]))
    beside = float(profile[reach[0] + near[0] : reach[0] + near[1] + 1].max())
    return (beside - paper) / max(paper - print_, 1.0)


def _paper_levels(photo: Photo, ring: Ring, sighting: RingSighting, pose: Pose, camera: Camera) -> Array:
    """Linear light (k,) of the paper beside each marker that is seen, as the median along its sides."""
    corners = ring.corners_mm[sighting.seen]
    middle = corners.mean(1, keepdims=True)
    around = middle + (corners - middle) * (1 + 4.0 / np.linalg.norm(corners - middle, axis=2, keepdims=True))
    t = np.linspace(0.1, 0.9, 9)[:, None]
    sides = around[:, :, None] + t * (np.roll(around, -1, 1) - around)[:, :, None]
    level = profiles.sample(photo.grey, to_pixels(_on_sheet(sides), pose, camera).T).reshape(len(corners), -1)
    out: Array = np.nanmedian(np.where(np.isfinite(level), level, sighting.paper), axis=1).astype(float)
    return out
