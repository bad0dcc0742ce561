"""All tuned values -> one frozen tree, by the module that uses them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields
from typing import Any

from bladeangle.tuning import adjustment, blade_ends, detection, imaging, pipeline, results
from bladeangle.tuning import edges as of_edges
from bladeangle.tuning import expected as of_expected
from bladeangle.tuning import priors as of_priors
from bladeangle.tuning import register as of_register
from bladeangle.tuning.value import Knowledge, known

#: What values are fitted for (`python -m tests.bench.tuning --fit`): the least of this over angles of known
#: truth, where u is the standard uncertainty that is stated: of Gaussian errors their negative log likelihood.
OBJECTIVE = "mean of ln u + (error / u)^2 / 2"


@dataclass(frozen=True, eq=False)
class Tuning:
    """Groups of tuned values; a value is named `group.value`, as `outline.jump_cost`."""

    camera: imaging.Camera = imaging.CAMERA
    compression: imaging.Compression = imaging.COMPRESSION
    photo: imaging.Photo = imaging.PHOTO
    profiles: imaging.Profiles = imaging.PROFILES
    quality: imaging.Quality = imaging.QUALITY
    ring: imaging.Ring = imaging.RING
    saturation: imaging.Saturation = imaging.SATURATION
    unseen: imaging.Unseen = imaging.UNSEEN
    edges: of_edges.Edges = of_edges.EDGES
    visibility: of_edges.Visibility = of_edges.VISIBILITY
    hub: detection.Hub = detection.HUB
    oblique: detection.Oblique = detection.OBLIQUE
    outline: detection.Outline = detection.OUTLINE
    second_edge: detection.SecondEdge = detection.SECOND_EDGE
    start: detection.Start = detection.START
    adjust: adjustment.Adjust = adjustment.ADJUST
    correlated_errors: adjustment.CorrelatedErrors = adjustment.CORRELATED_ERRORS
    normals: adjustment.Normals = adjustment.NORMALS
    rotor: adjustment.Rotor = adjustment.ROTOR
    priors: of_priors.Priors = of_priors.PRIORS
    any_tips: of_priors.TipCondition = of_priors.ANY_TIPS
    new_tips: of_priors.NewTips = of_priors.NEW_TIPS
    advice: of_expected.Advice = of_expected.ADVICE
    expected: of_expected.Expected = of_expected.EXPECTED
    typical: of_expected.Typical = of_expected.TYPICAL
    angles: results.Angles = results.ANGLES
    contradicted: results.Contradicted = results.CONTRADICTED
    diagnostics: results.Diagnostics = results.DIAGNOSTICS
    edge_shifts: results.EdgeShifts = results.EDGE_SHIFTS
    moved: results.Moved = results.MOVED
    picture_shear: results.PictureShear = results.PICTURE_SHEAR
    station_angles: results.StationAngles = results.STATION_ANGLES
    tips: results.Tips = results.TIPS
    trailing: results.Trailing = results.TRAILING
    two_rotors: results.TwoRotors = results.TWO_ROTORS
    unevenness: results.Unevenness = results.UNEVENNESS
    adjusted: pipeline.Adjusted = pipeline.ADJUSTED
    calibrate: pipeline.Calibrate = pipeline.CALIBRATE
    check: pipeline.Check = pipeline.CHECK
    disturbances: pipeline.Disturbances = pipeline.DISTURBANCES
    ends: pipeline.Ends = pipeline.ENDS
    mixups: pipeline.Mixups = pipeline.MIXUPS
    options: pipeline.Options = pipeline.OPTIONS
    outlines: blade_ends.Outlines = blade_ends.OUTLINES
    overlap: blade_ends.Overlap = blade_ends.OVERLAP
    lower_ends: blade_ends.LowerEnds = blade_ends.LOWER_ENDS
    sight: pipeline.Sight = pipeline.SIGHT
    sorting: pipeline.Sorting = pipeline.SORTING
    turning: pipeline.Turning = pipeline.TURNING
    register: of_register.Register = of_register.REGISTER
    shots: of_register.Shots = of_register.SHOTS

    def groups(self) -> Iterator[tuple[str, Any]]:
        """Name of each group, with the group."""
        for one in fields(self):
            yield one.name, getattr(self, one.name)

    def values(self) -> Iterator[tuple[str, Any, Knowledge]]:
        """`group.value`, the value, and what is known of it."""
        for name, group in self.groups():
            for value, knowledge in known(group):
                yield f"{name}.{value}", getattr(group, value), knowledge


TUNING = Tuning()
