"""Sighted photographs -> one from overhead of each setup with the outline of its blade tips, and the priors."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from bladeangle.adjustment.model import State, TipPoints
from bladeangle.adjustment.priors import Priors, unconfirmed, unobserved
from bladeangle.base.flags import Flag
from bladeangle.base.geometry import Array
from bladeangle.detection import edges, hub, outline, start
from bladeangle.imaging.quality import tied_to
from bladeangle.imaging.ring import Ring
from bladeangle.pipeline.mixups import refuse_mixups
from bladeangle.pipeline.options import Options, priors_of
from bladeangle.pipeline.shots import OutlinedShot, Shot, begun_state, state_of
from bladeangle.pipeline.sight import Sighted
from bladeangle.tuning.pipeline import OUTLINES


@dataclass(frozen=True)
class Outlined:
    """Photographs of which the first of each setup have outlines.

    first : from overhead, one of each setup; others : the rest; loose : names of photographs whose own data do not
    confirm the camera file.
    """

    ring: Ring
    priors: Priors
    first: tuple[OutlinedShot, ...]
    others: tuple[Shot, ...]
    loose: tuple[str, ...]
    flags: tuple[Flag, ...]


def outlined(sighted: Sighted, options: Options, progress: Callable[[str], None]) -> Outlined:
    """Find hub and blade tips in the most upright overhead photograph of each setup.

    Raises
    ------
    EdgesError : no circle, no outline of blade tips, or not clearly the same number of blades and hand in all.
    AdjustmentError, UsageError : photographs were mixed up.
    """
    ring, shots = sighted.ring, sighted.shots
    priors = priors_of(sighted.camera.worked(), options, ring)
    loose = tuple(s.name for s in shots if not tied_to(s.photo, sighted.camera))
    if loose:
        priors = unconfirmed(priors)
    if all(shot.overhead for shot in shots):
        priors = unobserved(priors)
    upright = [
        min((s for s in shots if s.setup == setup and s.overhead), key=lambda s: s.pose.obliquity_deg)
        for setup in sighted.setups
    ]
    progress(f"looking for hub and blade tips in {' and '.join(s.name for s in upright)}")
    first, flags = _with_outlines(upright, ring, priors)
    with_outline = {shot.path: shot for shot in first}
    refuse_mixups([with_outline.get(shot.path, shot) for shot in shots], priors)
    others = tuple(shot for shot in shots if shot.path not in with_outline)
    return Outlined(ring, priors, first, others, loose, (*sighted.flags, *flags))


def _with_outlines(shots: Sequence[Shot], ring: Ring, priors: Priors) -> tuple[tuple[OutlinedShot, ...], list[Flag]]:
    """Overhead photographs of one rotor with hub circles, blades and tip points, and doubts about them."""
    out, flags = [], []
    shots = [replace(shot, circles=_hub_of(shot, ring, priors)) for shot in shots]
    looks = [_look(shot, ring, priors) for shot in shots]
    for shot, found in zip(shots, outline.find_outlines(looks), strict=True):
        teeth, off_deg = start.teeth_of(found, shot.setup, ring.index_azimuth_deg)
        circles = tuple(c.on(found.rim_mm, shot.pose.eye_mm) for c in shot.circles)
        of_shot = vars(shot) | {"circles": circles}
        one = OutlinedShot(**of_shot, teeth=tuple(teeth), turn=found.turn, tips=TipPoints.none())
        one = _begun_earlier(one, ring, priors)
        state = begun_alone(one, ring, priors)
        out.append(replace(one, tips=edges.measure_tips(shot.photo, state, 0, 0, shot.sighting.blur_px, 8)))
        if off_deg > OUTLINES.far_from_arrow * 360 / len(teeth):
            text = f"The nearest blade is {off_deg:.0f} deg from the arrow."
            flags.append(Flag("blade-1-far-from-arrow", text, shot.name))
    return tuple(out), flags


def _begun_earlier(shot: OutlinedShot, ring: Ring, priors: Priors) -> OutlinedShot:
    """The shot with its blades begun where their ends are seen, if that is well before its outline begins them.

    Where the ring's markers lie behind the tips no outline is looked for, and there the blades are highest.
    """
    state, upper = begun_alone(shot, ring, priors), 0 if shot.setup == "inlet_up" else 1

    def lateness_rad(search_mm: float) -> Array:
        ends = edges.measure_ends(shot.photo, state, 0, 0, shot.sighting.blur_px, search_mm)
        mine = ends.end == upper
        tau = state.tau_of_px(ends.px[mine], ends.blade[mine], np.ones(int(mine.sum()), bool), 0, 0)
        first = state.rotor.ends[ends.blade[mine], upper]
        return (first - tau) * (1 if upper == 0 else -1)

    fewest = len(shot.teeth) / 2
    if len(lateness_rad(OUTLINES.end_search_mm[0])) > fewest:
        return shot
    late = lateness_rad(OUTLINES.end_search_mm[1])
    if len(late) <= fewest or np.ptp(late) > OUTLINES.alike_late_rad or np.median(late) < 0:
        return shot
    teeth = tuple(tooth.begun_earlier(float(np.median(late)), shot.turn) for tooth in shot.teeth)
    return replace(shot, teeth=teeth)


def _hub_of(shot: Shot, ring: Ring, priors: Priors) -> tuple[hub.HubCircle, ...]:
    """Hub circles of an overhead photograph."""
    alone = state_of([shot], priors.camera, ring)
    plane = hub.Plane(lambda points: alone.pixels_of(points, 0))
    return tuple(hub.find_hub(shot.photo, plane, np.zeros(2), shot.sighting.blur_px))


def _look(shot: Shot, ring: Ring, priors: Priors) -> outline.Look:
    """How the tips of an overhead photograph are to be looked for round its hub circles."""
    alone = state_of([shot], priors.camera, ring)
    eye = shot.pose.eye_mm

    def to_pixels(points: Array) -> Array:
        return alone.pixels_of(points, 0)

    def beyond_mm(points: Array) -> Array:
        foot = eye[:2] + (points[:, :2] - eye[:2]) * (eye[2] / (eye[2] - points[:, 2]))[:, None]
        out: Array = np.hypot(foot[:, 0], foot[:, 1]) - (ring.inner_radius_mm - OUTLINES.ring_margin_mm)
        return out

    rim = hub.rim_of(shot.circles)

    def axis_mm(rim_mm: float) -> Array:
        return rim.on(rim_mm, eye).centre_mm

    return outline.Look(shot.photo, to_pixels, priors.radius_mm, axis_mm, OUTLINES.heights_mm, beyond_mm)


def begun_alone(shot: OutlinedShot, ring: Ring, priors: Priors) -> State:
    """The state of one overhead photograph, with the rotor as its outline alone shows it."""
    begun = start.first_rotor(
        {shot.setup: shot.teeth},
        shot.turn,
        {shot.setup: shot.axis_mm},
        priors.radius_mm,
        priors.thickness_mm,
        priors.rounding_mm,
    )
    return begun_state([shot], priors.camera, ring, begun)
