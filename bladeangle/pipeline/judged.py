"""Final adjustment -> angles, tips and sizes, and what is to be doubted of them: the measurement."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from bladeangle.adjustment.adjust import Adjustment
from bladeangle.base.flags import Flag
from bladeangle.imaging.camera import Camera
from bladeangle.imaging.ring import Ring
from bladeangle.pipeline.adjusted import Adjusted
from bladeangle.pipeline.disturbances import disturbances, widened, without_excluded
from bladeangle.pipeline.mixups import contradictions
from bladeangle.pipeline.options import Options
from bladeangle.pipeline.overlap import widened_by
from bladeangle.pipeline.shots import Shot
from bladeangle.records.edits import Edits
from bladeangle.results.advice import from_the_side, next_photograph
from bladeangle.results.diagnostics import diagnose, refuse_unlikely, wear_unseen
from bladeangle.results.stations import Stations, diameter_over_tips, measure_stations
from bladeangle.results.tips import Tips, measure_tips


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


def judged(adjusted: Adjusted, camera: Camera, options: Options, edits: Edits | None) -> Measurement:
    """Angles and tips with their uncertainty, flags, and the further photograph that would help most.

    Raises
    ------
    AdjustmentError : the photographs contradict ring or camera file beyond any use, or fit no rotor that is likely.
    """
    shots, result, priors = adjusted.shots, adjusted.result, adjusted.priors
    ring, loose = adjusted.registered.outlined.ring, adjusted.registered.outlined.loose
    size = (shots[0].photo.width, shots[0].photo.height)
    spoiled = disturbances(shots, result, ring, priors)
    if any(spoiled.edges.values()) and not any(contradictions(adjusted.believed, ring, priors)):
        spoiled = without_excluded(spoiled, result)
    side_px = max(max(shot.photo.width, shot.photo.height) for shot in shots)
    stations = measure_stations(result, options.stations)
    if (overlaps := adjusted.overlaps) is not None:
        stations = widened_by(stations, overlaps, [measure_stations(o, options.stations) for o in overlaps.adjustments])
    stations = widened(stations, spoiled, result, ring, options.stations, side_px)
    bore = None if options.bore_mm is None else (options.bore_mm, options.bore_sigma_mm)
    tips = measure_tips(result, diameter_over_tips(result)[1], bore, np.random.default_rng(0))
    given = bool(priors.calipers), options.check_bar_mm is not None
    flags = [*adjusted.registered.outlined.flags, *diagnose(result, stations, options.stations, ring, *given, loose)]
    flags += [*spoiled.flags, *contradictions(adjusted.believed, ring, priors, spoiled=bool(spoiled.flags))]
    if not any(flag.code == "rotors-differ" for flag in flags):  # which names the cause
        refuse_unlikely(result)
    suggestion = next_photograph(result, stations, ring, size, options.stations, priors)
    if result.from_above:
        sides = from_the_side(result, stations, ring, size, options.stations, priors)
        flags += wear_unseen(stations, sides.words if sides is not None else "")
    return Measurement(shots, ring, camera, options, result, stations, tuple(flags), suggestion, edits, tips)
