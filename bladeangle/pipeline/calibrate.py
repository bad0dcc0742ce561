"""Calibration of a phone: photographs of the bare printed ring -> `Camera` with covariance, and what each one gave.

The joint adjustment does it, with nothing but the ring in it: the EXIF focal length is the weak start, every photograph
has its pose and its own small change of focus and principal point. A photograph that contradicts the others is dropped
and named. Not covered: fish-eye lenses; a phone that changes its distortion with the focus.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from bladeangle.adjustment.adjust import RingAdjustment, adjust
from bladeangle.adjustment.model import ObservedView, RingState
from bladeangle.adjustment.priors import Priors
from bladeangle.base import clock
from bladeangle.base.errors import AdjustmentError, BladeangleError, PhotoError, RingNotFoundError
from bladeangle.base.structure import Plain
from bladeangle.imaging.camera import Camera, camera_from_exif
from bladeangle.imaging.photo import Exif, read_photo, reduction_of
from bladeangle.imaging.pose import Pose, start_pose
from bladeangle.imaging.ring import Ring, RingSighting, sight_ring
from bladeangle.tuning.pipeline import CALIBRATE

#: What to photograph; the end of every refusal.
HOW_TO_SHOOT = (
    "Take eight photographs of the flat, bare sheet, filling the picture: one or two from straight above and the "
    "others tilted by 30 to 45 degrees from different sides, some with the phone turned upright, without zoom."
)


@dataclass(frozen=True)
class SightedPhoto:
    """The ring as seen in one photograph, without its pixels.

    width, height : of the file, px; the sighting is in the pixels that the photograph is worked on in.
    """

    name: str
    sha256: str
    width: int
    height: int
    exif: Exif
    sighting: RingSighting


@dataclass(frozen=True)
class PhotoResult:
    """What one photograph gave; numbers are None where the ring was not found or the pose failed.

    rms_px : root mean square distance of the marker sides from the model along their normals.
    spread : the same in units of the points' own standard uncertainties, robust.
    obliquity_deg : from straight above; distance_mm : camera to the ring's centre.
    focus : relative change of the focal length.
    reason : why it was dropped, None when it was used.
    """

    name: str
    sha256: str | None
    used: bool
    markers: int | None = None
    rms_px: float | None = None
    spread: float | None = None
    obliquity_deg: float | None = None
    distance_mm: float | None = None
    focus: float | None = None
    reason: str | None = None


@dataclass(frozen=True)
class Calibration:
    """A calibrated camera, the result for every photograph in the order given, and the adjustment of those used."""

    camera: Camera
    photos: tuple[PhotoResult, ...]
    adjustment: RingAdjustment

    @property
    def focal_sigma(self) -> float:
        """Relative standard uncertainty of the focal length."""
        return float(np.sqrt(self.camera.covariance[0, 0]) / self.camera.parameters[0])


def calibrate(
    paths: Sequence[Path], ring: Ring, *, name: str | None = None,
    progress: Callable[[str], None] = lambda _: None, now: datetime | None = None,
) -> Calibration:  # fmt: skip
    """Calibrate from photograph files.

    Parameters
    ----------
    name : of the camera; without one the phone's model from EXIF.
    progress : is told what was found in each photograph, one line each.
    now : the time written into the camera's provenance.

    Raises
    ------
    PhotoError, RingNotFoundError : no photograph is usable, or they are of different sizes, phones or lenses.
    AdjustmentError : the photographs contradict each other or cannot fix the focal length.
    """
    seen: list[SightedPhoto] = []
    failed: dict[int, PhotoResult] = {}
    errors: list[BladeangleError] = []
    for i, path in enumerate(paths):
        sha256 = None
        try:
            photo = read_photo(path)
            sha256 = photo.sha256
            if (photo.exif.digital_zoom or 1.0) > 1.01:
                raise PhotoError(
                    f"{photo.name}: taken with a digital zoom of {photo.exif.digital_zoom:.2g}.", "Do not zoom."
                )
            sighting = sight_ring(photo, ring)
        except (PhotoError, RingNotFoundError) as e:
            errors.append(e)
            failed[i] = PhotoResult(
                Path(path).name, sha256, False, reason=e.message.removeprefix(f"{Path(path).name}: ")
            )
            progress(f"{Path(path).name}: not used: {failed[i].reason}")
            continue
        seen.append(SightedPhoto(photo.name, sha256, *photo.file_size, photo.exif, sighting))
        progress(f"{photo.name}: {len(sighting.seen)} markers")
    if not seen and errors:
        raise errors[0]
    result = calibrate_sightings(seen, ring, name=name, dropped=tuple(failed.values()), now=now)
    used = iter(result.photos)
    photos = tuple(failed[i] if i in failed else next(used) for i in range(len(paths)))
    return replace(
        result,
        photos=photos,
        camera=replace(result.camera, provenance=result.camera.provenance | {"photos": _photos_dict(photos)}),
    )


def calibrate_sightings(
    seen: Sequence[SightedPhoto], ring: Ring, *, name: str | None = None,
    dropped: tuple[PhotoResult, ...] = (), now: datetime | None = None,
) -> Calibration:  # fmt: skip
    """Calibrate from sightings; `dropped` are photographs that gave none, for the messages. Raises as `calibrate`."""
    _check_same_camera(seen)
    _refuse_too_few(len(seen), dropped)
    first = seen[0]
    focal_35mm = next((p.exif.focal_35mm for p in seen if p.exif.focal_35mm), None)
    start = camera_from_exif(first.width, first.height, focal_35mm).worked()
    poses, results = _poses(seen, ring, start)
    while True:
        used = sorted(poses)
        _refuse_too_few(len(used), (*dropped, *results.values()))
        if len(used) <= len(seen) / 2:
            raise AdjustmentError(
                f"The photographs contradict each other: {_listed((*dropped, *results.values()))}.", HOW_TO_SHOOT
            )
        adjustment = _adjust([seen[i] for i in used], [poses[i] for i in used], ring, start)
        found = [_result(seen[i], adjustment, k) for k, i in enumerate(used)]
        if (worst := _outlier(found, [seen[i].sighting.blur_px for i in used])) is None:
            break
        k, reason = worst
        results[used[k]] = replace(found[k], used=False, reason=reason)
        del poses[used[k]]
    typical = float(np.median([r.rms_px or 0.0 for r in found]))
    if typical > CALIBRATE.largest_rms_px:
        raise AdjustmentError(
            "The ring's markers do not lie where its definition has them.",
            "Name the definition of the ring that was printed, and lay the sheet flat. "
            f"(They lie {typical:.1f} px off, at most {CALIBRATE.largest_rms_px:g} px are accepted.)",
        )
    adjustment, bias_px, bias_part = _without_edge_bias(adjustment, ring, start)
    results |= {i: _result(seen[i], adjustment, k) for k, i in enumerate(used)}
    of_file = reduction_of(first.width, first.height)
    at = adjustment.layout["camera"]
    parameters = adjustment.state.camera
    covariance = adjustment.covariance[at, at] + bias_part
    ratio = float(np.sqrt(covariance[0, 0]) / parameters[0])
    if ratio > CALIBRATE.largest_focal_sigma:
        tilts = [r.obliquity_deg or 0.0 for r in found]
        raise AdjustmentError(
            f"These photographs do not tell the focal length: it stays uncertain by {100 * ratio:.1f} %, "
            f"{100 * CALIBRATE.largest_focal_sigma:.1f} % is needed; the camera was "
            f"{min(tilts):.0f} to {max(tilts):.0f} degrees from straight above.",
            HOW_TO_SHOOT,
        )
    photos = tuple(_in_file(results[i], of_file) for i in range(len(seen)))
    provenance = {
        "from": "calibration",
        "ring": ring.name,
        "date": clock.stamp(now),
        "phone": " ".join(t for t in (first.exif.make, first.exif.model) if t) or None,
        "focal_35mm": focal_35mm,
        "focus_allowance": CALIBRATE.focus_sigma,
        "principal_point_allowance_px": CALIBRATE.principal_sigma_px * of_file,
        "edge_bias_px": [round(b * of_file, 4) for b in bias_px],
        "note": "The covariance is of the phone's mean; each photograph was allowed its own focus and principal point.",
        "photos": _photos_dict(photos),
    }
    camera = Camera(
        name or first.exif.model or "camera",
        start.width,
        start.height,
        parameters.copy(),
        covariance.copy(),
        True,
        provenance,
    )
    camera = replace(camera.reduced(1 / of_file), width=first.width, height=first.height)
    return Calibration(camera, photos, adjustment)


def _poses(seen: Sequence[SightedPhoto], ring: Ring, start: Camera) -> tuple[dict[int, Pose], dict[int, PhotoResult]]:
    """Photograph -> its pose; and the results of those that have none, or do not fit the ring definition."""
    results: dict[int, PhotoResult] = {}
    poses: dict[int, Pose] = {}
    for i, photo in enumerate(seen):
        try:
            poses[i] = start_pose(photo.sighting, ring, start.parameters, photo.name)
        except RingNotFoundError as e:
            results[i] = PhotoResult(
                photo.name,
                photo.sha256,
                False,
                len(photo.sighting.seen),
                reason=e.message.removeprefix(f"{photo.name}: "),
            )
    # An uncalibrated camera leaves a few pixels; another ring leaves tens. A third of the pictures may be wrong.
    usual = float(np.median([p.rms_px for p in poses.values()])) if poses else 0.0
    for i, pose in list(poses.items()):
        if pose.rms_px > max(6 * usual, 0.004 * max(start.width, start.height)):
            reason = f"the markers do not fit the ring definition ({pose.rms_px:.0f} px)"
            results[i] = PhotoResult(
                seen[i].name, seen[i].sha256, False, len(seen[i].sighting.seen), pose.rms_px, reason=reason
            )
            del poses[i]
    return poses, results


def _in_file(result: PhotoResult, of_file: int) -> PhotoResult:
    """The result with residuals in pixels of the file."""
    return result if result.rms_px is None else replace(result, rms_px=result.rms_px * of_file)


def _photos_dict(photos: tuple[PhotoResult, ...]) -> list[Plain]:
    return [
        {k: round(v, 5) if isinstance(v, float) else v for k, v in asdict(p).items() if v is not None} for p in photos
    ]


def _listed(dropped: Sequence[PhotoResult]) -> str:
    return "; ".join(f"{r.name}: {(r.reason or '').rstrip('.')}" for r in dropped)


def _refuse_too_few(count: int, dropped: Sequence[PhotoResult]) -> None:
    if count < CALIBRATE.fewest:
        why = f" ({_listed(dropped)})" if dropped else ""
        found = "is only one" if count == 1 else f"are only {count}" if count else "is none"
        raise AdjustmentError(
            f"At least {CALIBRATE.fewest} usable photographs are needed to calibrate the camera, "
            f"and there {found}{why}.",
            HOW_TO_SHOOT,
        )


def _check_same_camera(seen: Sequence[SightedPhoto]) -> None:
    """Refuse photographs of different sizes, phones or lenses; what EXIF does not say is held against none."""
    for what, values in (
        ("sizes", [f"{p.width} x {p.height}" for p in seen]),
        ("phones", [p.exif.model for p in seen]),
        (
            "lenses (35 mm-equivalent focal lengths)",
            [None if p.exif.focal_35mm is None else f"{p.exif.focal_35mm:g} mm" for p in seen],
        ),
    ):
        known = [v for v in values if v is not None]
        if len(set(known)) > 1:
            usual = max(set(known), key=known.count)
            odd = next(p.name for p, v in zip(seen, values, strict=True) if v not in (None, usual))
            raise PhotoError(
                f"The photographs are of different {what}: {', '.join(sorted(set(known)))} ({odd} is the odd one out).",
                "Calibrate one camera of one phone at a time, from its own files, neither cropped nor resized.",
            )


def _adjust(seen: Sequence[SightedPhoto], poses: Sequence[Pose], ring: Ring, start: Camera) -> RingAdjustment:
    n, pieces = len(seen), len(np.unique(ring.pieces)) - 1
    state = RingState(
        camera=start.parameters.copy(),
        r_camera_ring=np.array([p.r_camera_ring for p in poses]),
        t_camera_ring=np.array([p.t_camera_ring_mm for p in poses]),
        focus=np.zeros(n),
        principal=np.zeros((n, 2)),
        sheet=np.zeros(5),
        pieces=np.zeros((pieces, 3)),
    )
    return adjust(ring, tuple(ObservedView(p.name, "", p.sighting) for p in seen), state, _priors(start))


def _priors(start: Camera) -> Priors:
    return Priors(
        start.parameters,
        start.covariance,
        focus_sigma=CALIBRATE.focus_sigma,
        principal_sigma_px=CALIBRATE.principal_sigma_px,
    )


def _without_edge_bias(
    adjustment: RingAdjustment, ring: Ring, start: Camera
) -> tuple[RingAdjustment, tuple[float, float], NDArray[np.float64]]:
    """The adjustment with common shifts of marker sides found and taken out.

    Two more unknowns border the adjustment: a shift of all sides and one of the radial sides, both in pixels. The
    change of the residuals with each comes from adjusting shifted sides; the shifts follow from least squares.

    Returns
    -------
    adjustment : of the corrected sides.
    bias_px : the shifts that were taken out, all sides and radial sides.
    covariance : (8, 8) what their uncertainty adds to that of the camera.
    """
    priors = _priors(start)

    def shifted(by_px: NDArray[np.float64]) -> RingAdjustment:
        views = []
        for view in adjustment.views:
            seen = view.sighting
            outwards = by_px[0] + by_px[1] * (seen.side % 2 == 0)
            views.append(replace(view, sighting=replace(seen, px=seen.px + outwards[:, None] * seen.normal)))
        return adjust(ring, tuple(views), adjustment.state, priors)

    def residuals(of: RingAdjustment) -> NDArray[np.float64]:
        return np.concatenate([kinds["ring"] for kinds in of.residual_px])

    claimed = np.concatenate(
        [v.sighting.sigma_px * s.get("ring", 1.0) for v, s in zip(adjustment.views, adjustment.scale, strict=True)]
    )
    weight = np.concatenate([kinds["ring"] for kinds in adjustment.weight]) / claimed**2
    trial = 0.1
    moved = [shifted(trial * unit) for unit in np.eye(2)]
    by_shift = np.stack([(residuals(m) - residuals(adjustment)) / trial for m in moved], 1)
    camera_by_shift = np.stack([(m.state.camera - adjustment.state.camera) / trial for m in moved], 1)
    prior = np.diag([CALIBRATE.edge_bias_px**-2, CALIBRATE.radial_bias_px**-2])
    covariance = np.linalg.inv(by_shift.T @ (weight[:, None] * by_shift) + prior)
    shift = -covariance @ by_shift.T @ (weight * residuals(adjustment))
    return shifted(shift), (float(-shift[0]), float(-shift[1])), camera_by_shift @ covariance @ camera_by_shift.T


def _result(photo: SightedPhoto, adjustment: RingAdjustment, k: int) -> PhotoResult:
    state = adjustment.state
    residual = adjustment.marker_residual_px(k)
    spread = 1.4826 * float(np.median(np.abs(residual / photo.sighting.sigma_px)))
    pose = Pose(state.r_camera_ring[k], state.t_camera_ring[k], 0.0)
    return PhotoResult(
        photo.name, photo.sha256, True, len(photo.sighting.seen), float(np.sqrt((residual**2).mean())), spread,
        pose.obliquity_deg, float(np.linalg.norm(pose.eye_mm)), float(state.focus[k]),
    )  # fmt: skip


def _outlier(found: Sequence[PhotoResult], blur_px: Sequence[float]) -> tuple[int, str] | None:
    """The photograph that contradicts the others most, and how; None when none does."""
    spread = np.array([r.spread or 0.0 for r in found])
    rms = np.array([r.rms_px or 0.0 for r in found])
    focus = np.array([r.focus or 0.0 for r in found])
    usual_spread, usual_blur = max(float(np.median(spread)), 0.5), float(np.median(blur_px))
    # Residuals under 0.3 px and a blur of some pixels do no harm, however good the others are.
    ratios = {
        "residuals": np.minimum(spread / usual_spread, rms / 0.1) / CALIBRATE.outlier_ratio,
        "focus": np.abs(focus) / (4 * CALIBRATE.focus_sigma),
        "blur": np.array(blur_px) / max(3 * usual_blur, 4.0),
    }
    kind = max(ratios, key=lambda key: float(ratios[key].max()))
    k = int(ratios[kind].argmax())
    if ratios[kind][k] <= 1:
        return None
    if kind == "residuals":
        return k, (
            f"its residuals of {rms[k]:.2f} px are {spread[k] / usual_spread:.0f} times what the others leave "
            "(sheet moved or bent, phone shaken, or another ring)"
        )
    if kind == "focus":
        return k, f"its focal length is {100 * focus[k]:+.1f} % off the others' (zoomed, cropped or another lens)"
    return k, f"it is blurred ({blur_px[k]:.1f} px, the others {usual_blur:.1f} px)"
