"""From photographs to a measured rotor: the only place that knows the order of the modules."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from bladeangle.adjustment.adjust import Adjustment, adjust
from bladeangle.adjustment.model import unmoved
from bladeangle.adjustment.priors import Caliper, Priors, unconfirmed, unobserved
from bladeangle.adjustment.rotor import Rotor
from bladeangle.adjustment.tip_radius import CONDITIONS
from bladeangle.base.errors import EdgesError, UsageError
from bladeangle.base.flags import Flag
from bladeangle.base.inputs import MOST_PHOTOS
from bladeangle.detection.edges import confirm_count
from bladeangle.imaging.camera import Camera, camera_from_exif
from bladeangle.imaging.photo import Photo, light_alone, read_photo, scale_of
from bladeangle.imaging.pose import start_pose
from bladeangle.imaging.quality import judge, tied_to
from bladeangle.imaging.ring import Ring, sight_ring
from bladeangle.pipeline.disturbances import disturbances, widened
from bladeangle.pipeline.mixups import contradictions, refuse_mixups
from bladeangle.pipeline.register import adjusted_overhead, find_outlines, register_all
from bladeangle.pipeline.shots import Shot, observed
from bladeangle.pipeline.turning import quarter_turned, stands_upright, turned_to_fit
from bladeangle.records.edits import Edits
from bladeangle.records.station import StationOptions
from bladeangle.results.advice import from_the_side, next_photograph
from bladeangle.results.angles import arc_of
from bladeangle.results.diagnostics import diagnose, wear_unseen
from bladeangle.results.stations import Stations, diameter_over_tips, measure_stations
from bladeangle.results.tips import Tips, measure_tips

#: A camera whose foot on the sheet is nearer to the ring's centre than this, mm, looks from overhead.
OVERHEAD_MM = 55.0
#: Smallest tip diameter that is believed.
LEAST_DIAMETER_MM = 60.0
#: Tip radius of the rotor that a ring is made for, as a share of the ring's inner radius, and how far it may be off,
#: mm.
RADIUS_OF_RING = 0.735
RADIUS_SIGMA_MM = 5.0
#: What a caliper over the tips tells of the radius at large, mm: what tips do along their length is not in it.
CALIPER_RADIUS_SIGMA_MM = 1.0
#: How far from an end of the tips a caliper measures there, mm: at the very end it rests on the rounding of the edge.
CALIPER_FROM_END_MM = 3.0
#: Length of a tip, mm, while it is not known.
USUAL_TIP_MM = 110.0
#: Widest gap between tips and bore that is believed, mm.
MOST_CLEARANCE_MM = 5.0
#: Photographs that are read side by side; each needs the memory of a decoded picture.
AT_ONCE = 2


@dataclass(frozen=True)
class Options:
    """What a measurement can be told; stored whole in the record. Lengths mm.

    diameter_mm, diameter_leading_mm, diameter_trailing_mm : measured over the tips in the middle of their length, and
    `CALIPER_FROM_END_MM` from their leading and from their trailing ends; each to `diameter_sigma_mm`.
    tips : "any" as rotors come in, or "new" where they are known to be new. bore_mm : of the housing.
    """

    diameter_mm: float | None = None
    diameter_leading_mm: float | None = None
    diameter_trailing_mm: float | None = None
    diameter_sigma_mm: float = 0.05
    tips: str = "any"
    bore_mm: float | None = None
    bore_sigma_mm: float = 0.05
    check_bar_mm: float | None = None
    station_length_mm: float = 32.0
    station_skip_mm: float = 2.0


@dataclass(frozen=True)
class Measurement:
    """All that one measurement found; `assemble.py` turns it into the record.

    The camera and a shot's file speak of the pixels of the files, all else of those that are worked on.
    """

    shots: tuple[Shot, ...]
    ring: Ring
    camera: Camera
    options: Options
    result: Adjustment
    stations: Stations
    flags: tuple[Flag, ...]
    suggestion: str | None = None
    edits: Edits | None = None
    tips: Tips | None = None


def nothing(message: str) -> None:
    """Progress that is not shown."""


def measure(
    standing_photos: Sequence[Path],
    turned_photos: Sequence[Path],
    ring: Ring,
    camera: Camera | None,
    options: Options = Options(),
    progress: Callable[[str], None] = nothing,
    edits: Edits | None = None,
    at_once: int = AT_ONCE,
) -> Measurement:
    """Measure one rotor.

    Parameters
    ----------
    standing_photos : photographs with the inlet end up; turned_photos : with the outlet end up.
    edits : what a person has struck out or added, by photograph.
    camera : None takes the focal length from the first photograph's own data, with its wide uncertainty.
    at_once : photographs that are read side by side, in threads.

    Raises
    ------
    PhotoError, RingNotFoundError, EdgesError, AdjustmentError, UsageError : see `errors`.
    """
    named = [(p, "inlet_up") for p in standing_photos] + [(p, "outlet_up") for p in turned_photos]
    if not named:
        raise UsageError("No photographs were named.", "Name at least one photograph taken from straight above.")
    if len(named) > MOST_PHOTOS:
        few = "Five are enough: one from above for either end and three from the side."
        raise UsageError(f"{len(named)} photographs were named; at most {MOST_PHOTOS} are measured together.", few)
    _refuse(options, ring)
    flags: list[Flag] = []
    shots: list[Shot] = []
    progress(f"reading {', '.join(path.name for path, _ in named)}")
    read: dict[Path, Photo] = {}
    if camera is None:
        read[named[0][0]] = read_photo(named[0][0])
        camera = camera_for(read[named[0][0]], None, flags)
    upright = stands_upright([path for path, _ in named], camera)
    sighted_with = quarter_turned(camera, 3) if upright else camera
    for shot, photo_flags in _sighted(named, ring, sighted_with, read, at_once):
        for other in shots:
            if other.photo.sha256 == shot.photo.sha256:
                raise UsageError(
                    f"{shot.name} and {other.name} are the same photograph.",
                    "Name every photograph once, each a shot of its own.",
                )
        flags += photo_flags
        shots.append(shot)
        if edits is not None:
            shot.edits = edits.for_photo(shot.photo.sha256).reduced(shot.photo.reduction)
            if shot.edits.struck or shot.edits.added:
                flags.append(Flag("edited-by-hand", "Edges were struck out or added by hand.", shot.name))
    if upright:
        camera, turned_flag = turned_to_fit(shots, ring, camera)
        flags.append(turned_flag)
    setups = tuple(s for s in ("inlet_up", "outlet_up") if any(x.setup == s and x.overhead for x in shots))
    for shot in shots:
        if shot.setup not in setups:
            raise EdgesError(
                f"{shot.name}: no photograph of the rotor standing this way is taken from straight above.",
                "Add one from above; those from the side are matched to it.",
            )
    priors = _priors(camera.worked(), options, ring)
    loose = [s.name for s in shots if not tied_to(s.photo, camera)]
    if loose:
        priors = unconfirmed(priors)
    if all(shot.overhead for shot in shots):
        priors = unobserved(priors)
    first = [
        min((s for s in shots if s.setup == setup and s.overhead), key=lambda s: s.pose.obliquity_deg)
        for setup in setups
    ]
    progress(f"looking for hub and blade tips in {' and '.join(s.name for s in first)}")
    flags += find_outlines(first, ring, priors)
    refuse_mixups(shots, priors)
    progress("adjusting the overhead photographs")
    others = [s for s in shots if not any(s is f for f in first)]
    result = adjusted_overhead(first, ring, priors, rough=bool(others))
    confirm_count(result.views, result.state)
    if others:
        shots = first + others
        result = register_all(shots, result, ring, priors, progress)
    assert result.state.rotor is not None
    priors = replace(priors, calipers=calipers_of(options, tip_length_mm(result.state.rotor)))
    progress("last adjustment")
    state = replace(result.state, moves=unmoved([s.setup for s in shots]))
    result = adjust(ring, observed(shots, state, 0, 2.5, last=True), state, priors)
    station_options = StationOptions(options.station_length_mm, options.station_skip_mm)
    spoiled = disturbances(shots, result, ring)
    side_px = max(max(shot.photo.width, shot.photo.height) for shot in shots)
    stations = measure_stations(result, station_options)
    stations = widened(stations, spoiled, result, ring, station_options, side_px)
    bore = None if options.bore_mm is None else (options.bore_mm, options.bore_sigma_mm)
    tips = measure_tips(result, diameter_over_tips(result)[1], bore, np.random.default_rng(0))
    given = bool(priors.calipers), options.check_bar_mm is not None
    flags += diagnose(result, stations, station_options, ring, *given, loose)
    size = (shots[0].photo.width, shots[0].photo.height)
    flags += [*spoiled.flags, *contradictions(result, ring, priors, spoiled=bool(spoiled.flags))]
    suggestion = next_photograph(result, stations, ring, size, station_options, priors)
    if result.from_above:
        sides = from_the_side(result, stations, ring, size, station_options, priors)
        flags += wear_unseen(stations, sides.words if sides is not None else "")
    return Measurement(tuple(shots), ring, camera, options, result, stations, tuple(flags), suggestion, edits, tips)


def _sighted(
    named: Sequence[tuple[Path, str]], ring: Ring, camera: Camera, read: dict[Path, Photo], at_once: int
) -> Iterator[tuple[Shot, list[Flag]]]:
    """The photographs, each with the ring seen in it and what is photo_flags of it, in their order.

    named : paths, and how the rotor stands; read : those that are read already.
    """

    def sighted(path: Path, setup: str) -> tuple[Shot, list[Flag]]:
        photo = read.pop(path, None) or read_photo(path)
        sighting = sight_ring(photo, ring)
        pose = start_pose(sighting, ring, camera.reduced(photo.reduction).parameters, photo.name)
        photo_flags = judge(photo, sighting, ring, camera, pose)
        overhead = bool(np.hypot(*pose.eye_mm[:2]) < OVERHEAD_MM)
        return Shot(path, photo.name, setup, light_alone(photo), sighting, pose, overhead), photo_flags

    with ThreadPoolExecutor(at_once) as threads:
        yield from threads.map(sighted, *zip(*named, strict=True))


def camera_for(photo: Photo, camera: Camera | None, flags: list[Flag]) -> Camera:
    """The camera of a photograph: the calibrated one, or one assumed from EXIF."""
    if camera is None:
        text = "The camera was not calibrated; its focal length comes from the photograph's own data."
        flags.append(Flag("uncalibrated-camera", text))
        return camera_from_exif(*photo.file_size, photo.exif.focal_35mm)
    return camera


def _refuse(options: Options, ring: Ring) -> None:
    """UsageError for diameters that no rotor on this ring has, tips of an unknown kind, or too small a bore."""
    most = 2 * ring.inner_radius_mm
    for diameter in _diameters(options).values():
        if not LEAST_DIAMETER_MM < diameter < most:
            raise UsageError(
                f"A tip diameter of {diameter:g} mm does not fit inside this ring.",
                f"Give the diameter over the tips in mm, from {LEAST_DIAMETER_MM:g} to {most:.0f}.",
            )
        if options.bore_mm is not None and not diameter < options.bore_mm < diameter + 2 * MOST_CLEARANCE_MM:
            raise UsageError(
                f"Tips of {diameter:g} mm do not belong into a bore of {options.bore_mm:g} mm.",
                "Give the diameters over the tips and of the housing's bore in mm.",
            )
    if options.bore_mm is not None and not LEAST_DIAMETER_MM < options.bore_mm < most + 2 * MOST_CLEARANCE_MM:
        raise UsageError(
            f"A bore of {options.bore_mm:g} mm does not go with this ring.", "Give the housing's bore in mm."
        )
    if options.tips not in CONDITIONS:
        raise UsageError(f"Tips are not {options.tips!r}.", f"Say one of: {', '.join(CONDITIONS)}.")


def _diameters(options: Options) -> dict[str, float]:
    """The diameters over the tips that were measured: "middle", "leading" and "trailing" -> mm."""
    found = {
        "middle": options.diameter_mm, "leading": options.diameter_leading_mm, "trailing": options.diameter_trailing_mm
    }  # fmt: skip
    return {where: mm for where, mm in found.items() if mm is not None}


def calipers_of(options: Options, length_mm: float) -> tuple[Caliper, ...]:
    """The diameters that were measured, as observations of tips of a length, mm."""
    end = CALIPER_FROM_END_MM / length_mm
    share = {"middle": 0.5, "leading": end, "trailing": 1 - end}
    return tuple(Caliper(share[k], mm, options.diameter_sigma_mm) for k, mm in _diameters(options).items())


def tip_length_mm(rotor: Rotor) -> float:
    """Length along the tip, mm, of the middle one of a rotor's blades."""
    return float(np.median([arc_of(rotor, b, rotor.ends[b], 200)[1][-1] for b in range(rotor.blades)]))


def _priors(camera: Camera, options: Options, ring: Ring) -> Priors:
    """What is known beforehand; a ring is printed for a size of rotor, which tells the tip radius to millimetres."""
    guess, sigma = RADIUS_OF_RING * ring.inner_radius_mm, RADIUS_SIGMA_MM
    if measured := _diameters(options):
        guess, sigma = max(measured.values()) / 2, CALIPER_RADIUS_SIGMA_MM
    priors = Priors(
        camera.parameters, camera.covariance, radius_mm=guess, radius_sigma_mm=sigma,
        tips=CONDITIONS[options.tips], calipers=calipers_of(options, USUAL_TIP_MM),
    )  # fmt: skip
    return replace(priors, principal_sigma_px=priors.principal_sigma_px * scale_of(camera.width, camera.height))
