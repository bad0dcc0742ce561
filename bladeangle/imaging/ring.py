"""The printed ring: JSON <-> Ring, and Photo -> RingSighting.

A sighting is a set of points on the sides of the square markers, each with its normal and uncertainty. Sides carry
more than corners: no straight-line assumption is made (the lens bends a side by a tenth of a pixel), and a side that is
partly hidden still counts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Any

import msgspec
import numpy as np
from msgspec import UNSET, UnsetType
from numpy.typing import NDArray

from bladeangle.base import inputs
from bladeangle.base.errors import DefinitionError, RingNotFoundError
from bladeangle.base.files import import_cv2, safe_name
from bladeangle.base.structure import File, Name, read_as
from bladeangle.imaging import profiles
from bladeangle.imaging.photo import Photo, reduced_px
from bladeangle.imaging.unseen import why_unseen
from bladeangle.tuning.imaging import RING

Array = NDArray[np.float64]

#: Windows of the threshold, px, of the quick look: the middle one of the three that OpenCV tries.
QUICK_WINDOW_PX = 13
#: Points read along each side of a marker.
POINTS_A_SIDE = 12
#: Fewest markers that fix a pose well.
FEWEST_MARKERS = 6
#: Most markers of a ring (the largest dictionary has as many numbers), and its largest radius, mm.
MOST_MARKERS = 1000
MOST_RADIUS_MM = 1000.0
_HINT = "Make the definition with `bladeangle ring`."


@dataclass(frozen=True)
class Ring:
    """Definition of a printed ring.

    ids : (n,) marker numbers in the dictionary.
    corners_mm : (n, 4, 2) top-left, top-right, bottom-right, bottom-left in the ring frame, markers upright = outward.
    pieces : (n,) number of the sheet piece that carries the marker.
    check_bar_mm : nominal length of the printed check bar, if there is one.
    """

    name: str
    dictionary: str
    index_azimuth_deg: float
    inner_radius_mm: float
    outer_radius_mm: float
    ids: NDArray[np.int64]
    corners_mm: Array
    pieces: NDArray[np.int64]
    check_bar_mm: float | None = None


@dataclass(frozen=True)
class RingSighting:
    """Marker sides seen in one photograph.

    marker : (m,) index into `Ring.ids` of each point's marker; side : (m,) 0..3 from corner `side` to the next.
    fraction : (m,) place along the side.
    px, normal : (m, 2) the point, and the unit normal from the marker outwards.
    sigma_px : (m,) standard uncertainty along the normal.
    corners_px : (k, 4, 2) corners of the markers `seen` (k,) (indices into `Ring.ids`).
    blur_px : standard deviation of the blur of the sides.
    contrast : median linear-light difference of paper and print; paper : linear light of the paper.
    """

    marker: NDArray[np.int64]
    side: NDArray[np.int64]
    fraction: Array
    px: Array
    normal: Array
    sigma_px: Array
    seen: NDArray[np.int64]
    corners_px: Array
    blur_px: float
    contrast: float
    paper: float

    def thinned(self, every: int) -> RingSighting:
        """The sighting with every so manieth of its points."""
        names = ("marker", "side", "fraction", "px", "normal", "sigma_px")
        return replace(self, **{name: getattr(self, name)[::every] for name in names})


_Coordinate = Annotated[float, msgspec.Meta(ge=-MOST_RADIUS_MM, le=MOST_RADIUS_MM, title="a corner")]
_Corner = tuple[_Coordinate, _Coordinate]
_Radius = Annotated[float, msgspec.Meta(ge=1.0, le=MOST_RADIUS_MM)]


class Marker(File, frozen=True, kw_only=True):
    """One marker of a definition; corners top-left, top-right, bottom-right, bottom-left, upright = outward."""

    id: Annotated[int, msgspec.Meta(ge=0, le=100_000, title="a marker's number")]
    piece: Annotated[int, msgspec.Meta(ge=0, le=1000, title="a marker's piece")] | UnsetType = UNSET
    corners_mm: Annotated[tuple[_Corner, _Corner, _Corner, _Corner], msgspec.Meta(title="a corner")]


_Markers = list[Annotated[Marker, msgspec.Meta(title="a marker")]]


class RingFile(File, frozen=True, kw_only=True, forbid_unknown_fields=False):
    """A ring definition's contents."""

    name: Name = "ring"
    units: Any = "mm"
    index_azimuth_deg: Annotated[float, msgspec.Meta(ge=-360.0, le=360.0)] = 0.0
    dictionary: Annotated[str, msgspec.Meta(max_length=inputs.NAME_LETTERS, title="marker dictionary")]
    inner_radius_mm: _Radius
    outer_radius_mm: _Radius
    check_bar_mm: Annotated[float, msgspec.Meta(ge=10.0, le=1000.0)] | UnsetType | None = UNSET
    markers: Annotated[_Markers, msgspec.Meta(max_length=MOST_MARKERS, title="markers")]


def ring_from_dict(data: Any, source: str = "The ring file") -> Ring:
    """Ring from a definition's contents.

    Raises
    ------
    DefinitionError : a field missing or wrong, markers that overlap in number, are mirrored, or are not near-square.
    """
    try:
        file = read_as(data, RingFile)
    except ValueError as e:
        raise DefinitionError(f"{source} {e}.", _HINT) from e
    return ring_of(file, source)


def ring_of(file: RingFile, source: str = "The ring file") -> Ring:
    """Ring from a definition's contents as a structure; the errors of `ring_from_dict`."""
    try:
        if file.units != "mm":
            raise ValueError("is not in mm")
        if not file.inner_radius_mm < file.outer_radius_mm:
            raise ValueError("has a value out of range: the inner radius must be less than the outer one")
        ids, pieces = (np.array([getattr(m, key) or 0 for m in file.markers], int) for key in ("id", "piece"))
        corners = np.array([m.corners_mm for m in file.markers], float)
        _check_markers(ids, corners.reshape(-1, 4, 2))
    except ValueError as e:
        raise DefinitionError(f"{source} {e}.", _HINT) from e
    dictionary_of(file.dictionary, source)
    radii = file.inner_radius_mm, file.outer_radius_mm
    return Ring(
        file.name, file.dictionary, file.index_azimuth_deg, *radii, ids, corners, pieces, file.check_bar_mm or None
    )


def _check_markers(ids: NDArray[np.int64], corners: Array) -> None:
    """Refuse markers that are too few, have one number, or are not squares seen from above."""
    if len(ids) < FEWEST_MARKERS or len(set(ids.tolist())) != len(ids):
        raise ValueError(f"has {len(ids)} markers; at least {FEWEST_MARKERS} with different numbers are needed")
    sides = np.linalg.norm(np.roll(corners, -1, 1) - corners, axis=2)
    first, second = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 1]
    cross = first[:, 0] * second[:, 1] - first[:, 1] * second[:, 0]
    if sides.min() < 2 or np.ptp(sides, axis=1).max() > 0.05 * sides.max():
        raise ValueError("has a marker that is not a square of at least 2 mm")
    if (cross > 0).any():
        raise ValueError("has corners that are not in the order top-left, top-right, bottom-right, bottom-left")


def ring_to_file(ring: Ring) -> RingFile:
    """The definition's contents, as `ring_from_dict` reads them; numbers of pieces where there are several."""
    several = len(set(ring.pieces.tolist())) > 1
    markers = [
        Marker(id=i, piece=p if several else UNSET, corners_mm=c)
        for i, p, c in zip(ring.ids.tolist(), ring.pieces.tolist(), ring.corners_mm.tolist(), strict=True)
    ]
    return RingFile(
        name=ring.name,
        index_azimuth_deg=ring.index_azimuth_deg,
        dictionary=ring.dictionary,
        inner_radius_mm=ring.inner_radius_mm,
        outer_radius_mm=ring.outer_radius_mm,
        check_bar_mm=UNSET if ring.check_bar_mm is None else ring.check_bar_mm,
        markers=markers,
    )


def read_ring(path: Path, check_bar_mm: float | None = None) -> Ring:
    """Read a ring definition, at the scale that the measured length of its check bar says, where one is given.

    Raises
    ------
    DefinitionError : the file is missing or wrong, or `with_check_bar` refuses the length.
    """
    ring = ring_from_dict(inputs.read_json(path, inputs.RING), inputs.shown_as(path, inputs.RING))
    return ring if check_bar_mm is None else with_check_bar(ring, check_bar_mm)


def with_check_bar(ring: Ring, measured_mm: float) -> Ring:
    """The ring at the scale at which it was really printed, from the measured length of its check bar.

    Raises
    ------
    DefinitionError : the ring has no check bar, or the measured length is out by more than 5 %, which no printer is.
    """
    if ring.check_bar_mm is None:
        raise DefinitionError("The ring definition has no check bar.", "Leave the measured length out.")
    scale = measured_mm / ring.check_bar_mm
    if not abs(scale - 1) <= 0.05:
        raise DefinitionError(
            f"A check bar of {measured_mm:g} mm does not fit the nominal {ring.check_bar_mm:g} mm.",
            "Measure it again with calipers; if it is right, print the sheets at 100 %.",
        )
    return replace(
        ring,
        inner_radius_mm=ring.inner_radius_mm * scale,
        outer_radius_mm=ring.outer_radius_mm * scale,
        corners_mm=ring.corners_mm * scale,
        check_bar_mm=measured_mm,
    )


def dictionary_of(name: str, source: str = "The ring file") -> Any:
    """OpenCV's predefined marker dictionary of that name; DefinitionError when there is none."""
    cv2 = import_cv2()
    if not name.startswith("DICT_") or not hasattr(cv2.aruco, name):
        raise DefinitionError(
            f"{source} names the marker dictionary {safe_name(name[:40])}, which does not exist.",
            "Use for example DICT_5X5_50.",
        )
    return cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, name))


def sight_ring(photo: Photo, ring: Ring, fewest: int = FEWEST_MARKERS) -> RingSighting:
    """Find the ring's markers and measure their sides.

    Raises
    ------
    RingNotFoundError : fewer than `fewest` markers, a marker seen twice (two rings), or a mirrored picture.
    """
    found, corners = detect_markers(photo, ring)
    if len(found) < fewest:
        mirrored = len(detect_markers(photo, ring, mirrored=True)[0]) >= max(fewest, 2 * len(found))
        if mirrored:
            raise RingNotFoundError(
                f"{photo.name}: the picture is mirrored.", "Use the camera's own file, not a selfie or a flipped copy."
            )
        raise RingNotFoundError(
            f"{photo.name}: {len(found)} markers of the ring are seen, at least {fewest} are needed.",
            why_unseen(photo)
            + "Photograph the whole ring in focus, evenly lit and not covered; name the definition that was printed.",
        )
    sighting = measure_sides(photo, found, corners)
    if len(sighting.seen) < fewest:
        raise RingNotFoundError(
            f"{photo.name}: only {len(sighting.seen)} markers are sharp enough, {fewest} are needed.",
            "Hold the phone still, let it focus, and light the ring evenly.",
        )
    return sighting


def detect_markers(photo: Photo, ring: Ring, *, mirrored: bool = False) -> tuple[NDArray[np.int64], Array]:
    """Indices (k,) into `Ring.ids` and rough corners (k, 4, 2) px of the markers seen.

    Runs on a reduced image, a tenth of the time of full size; `measure_sides` refines at full size. A quick look with
    one threshold, less than half of that, is enough where it finds the whole ring but for one run of it, which the
    rotor hides or the picture leaves out.
    """
    found, corners = _detect(photo, ring, mirrored, quick=True)
    if not _whole_but_a_run(found, ring):
        found, corners = _detect(photo, ring, mirrored, quick=False)
    return found, corners


def _whole_but_a_run(found: NDArray[np.int64], ring: Ring) -> bool:
    """Whether the markers found (k,) are the whole ring, or all but some in a row, fewer than half of it."""
    centre = ring.corners_mm.mean(1)
    seen = np.isin(np.argsort(np.arctan2(centre[:, 1], centre[:, 0])), found)
    return bool(2 * len(found) > len(seen) and (seen != np.roll(seen, 1)).sum() <= 2)


def _detect(photo: Photo, ring: Ring, mirrored: bool, *, quick: bool) -> tuple[NDArray[np.int64], Array]:
    cv2 = import_cv2()
    image = photo.encoded[:, ::-1] if mirrored else photo.encoded
    factor = max(1, math.ceil(max(image.shape) / RING.detection_size_px))
    if factor > 1:
        size = (image.shape[1] // factor, image.shape[0] // factor)
        image = image[: size[1] * factor, : size[0] * factor]
        image = cv2.resize(image, size, interpolation=cv2.INTER_AREA)
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_NONE
    if quick:
        parameters.adaptiveThreshWinSizeMin = parameters.adaptiveThreshWinSizeMax = QUICK_WINDOW_PX
    detector = cv2.aruco.ArucoDetector(dictionary_of(ring.dictionary), parameters)
    quads, numbers, _ = detector.detectMarkers(np.ascontiguousarray(image))
    if numbers is None or not len(numbers):
        return np.zeros(0, int), np.zeros((0, 4, 2))
    index = {int(i): k for k, i in enumerate(ring.ids)}
    pairs = [
        (index[int(n)], np.asarray(q, float).reshape(4, 2))
        for n, q in zip(np.ravel(numbers), quads, strict=True)
        if int(n) in index
    ]
    numbers_seen = [k for k, _ in pairs]
    twice = {k for k in numbers_seen if numbers_seen.count(k) > 1}
    if len(twice) >= 3:
        raise RingNotFoundError(
            f"{photo.name}: {len(twice)} markers are seen twice; there is more than one ring.",
            "Leave one ring in view.",
        )
    pairs = sorted((p for p in pairs if p[0] not in twice), key=lambda p: p[0])
    if not pairs:
        return np.zeros(0, int), np.zeros((0, 4, 2))
    corners = np.array([q for _, q in pairs]) * factor + (factor - 1) / 2
    return np.array([k for k, _ in pairs]), reduced_px(corners, photo.reduction)


def measure_sides(photo: Photo, found: NDArray[np.int64], corners: Array) -> RingSighting:
    """Sub-pixel points on the sides of detected markers, from rough corners (k, 4, 2) px."""
    fraction = np.linspace(0.09, 0.91, POINTS_A_SIDE)
    larger = max(photo.scale, 1.0)  # corners are as far off as pixels of the reduced picture are large
    blur, wide, near = 1.2 * larger, round(6 * larger), round(4 * larger)
    for reach in (wide, near):
        start, end = corners, np.roll(corners, -1, 1)
        along = end - start
        length = np.linalg.norm(along, axis=2, keepdims=True)
        tangent = along / length
        normal = np.stack([tangent[..., 1], -tangent[..., 0]], -1)  # clockwise corners on the picture: outwards
        px = start[:, :, None] + fraction[None, None, :, None] * along[:, :, None]
        shape = px.shape[:3]
        flat_px, flat_normal = px.reshape(-1, 2), np.repeat(normal[:, :, None], POINTS_A_SIDE, 2).reshape(-1, 2)
        half = int(np.clip(np.median(length) * 0.82 / POINTS_A_SIDE / 2 - 0.5, 0, 6 * larger))
        read = profiles.read_profiles(photo.grey, flat_px, flat_normal, (reach, reach), half)
        if reach == near:
            # sides smeared along one direction look like ramps, which the fit takes for any blur
            whole_read = read[np.isfinite(read).all(1)]
            most = 1.3 * profiles.rise_width(whole_read, reach) if len(whole_read) else np.inf
            blur = min(profiles.estimate_blur(read, (reach, reach)), most)
        steps = profiles.fit_steps(read, (reach, reach), blur, slopes=False, polarity=1)
        on = flat_px + steps.offset_px[:, None] * flat_normal
        # A straight line with a bow a side, robustly: rejects points where something covers the side.
        across = np.where(steps.found, steps.offset_px, np.nan).reshape(shape)
        design = np.stack([np.ones_like(fraction), fraction - 0.5, (fraction - 0.5) ** 2], 1)
        line, kept = _robust_lines(across, design if reach == near else design[:, :2], 4.0 * larger)
        corners, whole = _corners_from_lines(start, along, normal, line, kept, 6.0 * larger)
        if not whole.any():
            break
        corners = np.where(whole[:, None, None], corners, start)
    good_marker = whole
    keep = (kept & good_marker[:, None, None]).reshape(-1)
    marker = np.repeat(found, 4 * POINTS_A_SIDE)[keep]
    side = np.tile(np.repeat(np.arange(4), POINTS_A_SIDE), len(found))[keep]
    # The fit's own sigma leaves out the roughness of print and pixels; a hundredth of a pixel is the floor.
    sigma = np.hypot(steps.sigma_px[keep], 0.02)
    contrast = float(np.median(steps.contrast[keep])) if keep.any() else 0.0
    paper = float(np.median(read[keep][:, -1])) if keep.any() else 0.0
    return RingSighting(
        marker,
        side,
        np.tile(fraction, 4 * len(found))[keep],
        on[keep],
        flat_normal[keep],
        sigma,
        found[good_marker],
        corners[good_marker],
        blur,
        contrast,
        paper,
    )


def _robust_lines(across: Array, design: Array, most_px: float) -> tuple[Array, NDArray[np.bool_]]:
    """Fit `design` (p, q) to each row of offsets (k, 4, p) px, nan where not found, within `most_px` of their median.

    Returns coefficients (k, 4, q) and which offsets were kept (k, 4, p).
    """
    kept = np.isfinite(across)
    filled = np.where(kept, across, 0.0)
    median = np.nanmedian(np.where(kept.any(-1, keepdims=True), across, 0.0), axis=-1, keepdims=True)
    kept &= np.abs(across - median) < most_px
    for _ in range(3):
        w = kept.astype(float)
        normal = np.einsum("kspq,pr->ksqr", w[..., None] * design, design) + 1e-9 * np.eye(design.shape[1])
        right = np.einsum("ksp,pq->ksq", w * filled, design)
        line = np.linalg.solve(normal, right[..., None])[..., 0]
        residual = np.abs(filled - line @ design.T)
        scale = np.median(residual[kept]) if kept.any() else 0.1
        kept = np.isfinite(across) & (residual < max(5 * 1.4826 * scale, 0.15))
    return line, kept


def _corners_from_lines(
    start: Array, along: Array, normal: Array, line: Array, kept: NDArray[np.bool_], most_px: float
) -> tuple[Array, NDArray[np.bool_]]:
    """Intersections of the fitted sides (k, 4, 2), and which markers (k,) are whole and lie within `most_px`."""
    a, b = line[..., 0:1], line[..., 1:2]
    bow = line[..., 2:3] if line.shape[-1] == 3 else np.zeros_like(a)
    p = start + normal * (a - 0.5 * b + 0.25 * bow)  # the fitted side at its two ends
    q = start + along + normal * (a + 0.5 * b + 0.25 * bow)
    before = np.roll(np.arange(4), 1)
    d1, d2 = (q - p)[:, before], q - p
    r = p - p[:, before]
    denominator = d1[..., 0] * d2[..., 1] - d1[..., 1] * d2[..., 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        u = (r[..., 0] * d2[..., 1] - r[..., 1] * d2[..., 0]) / denominator
    corners = p[:, before] + u[..., None] * d1
    whole = (kept.sum(-1) >= POINTS_A_SIDE // 2).all(1) & np.isfinite(corners).all((1, 2))
    return corners, whole & (np.abs(corners - start).max((1, 2)) < most_px)
