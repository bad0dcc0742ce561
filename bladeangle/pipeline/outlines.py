"""Sighted photographs -> one from overhead of each setup with the outline of its blade tips, and the priors."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from bladeangle.adjustment.model import Ints, State, TipPoints
from bladeangle.adjustment.priors import Priors, unconfirmed, unobserved
from bladeangle.base.flags import Flag
from bladeangle.base.geometry import Array
from bladeangle.detection import blade_ends, edges, hub, outline, start
from bladeangle.imaging.quality import tied_to
from bladeangle.imaging.ring import Ring
from bladeangle.pipeline.mixups import refuse_mixups
from bladeangle.pipeline.options import Options, priors_of
from bladeangle.pipeline.shots import OutlinedShot, Shot, begun_state, state_of
from bladeangle.pipeline.sight import Sighted
from bladeangle.tuning.blade_ends import OUTLINES


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
        out.append(_begun_where_seen(one, ring, priors))
        if off_deg > OUTLINES.far_from_arrow * 360 / len(teeth):
            text = f"The nearest blade is {off_deg:.0f} deg from the arrow."
            flags.append(Flag("blade-1-far-from-arrow", text, shot.name))
    return tuple(_with_tips(shot, ring, priors) for shot in _ended(out, ring, priors)), flags


def _with_tips(shot: OutlinedShot, ring: Ring, priors: Priors) -> OutlinedShot:
    """The shot with sub-pixel points on the edges of its outline."""
    state = begun_alone(shot, ring, priors)
    return replace(shot, tips=edges.measure_tips(shot.photo, state, 0, 0, shot.sighting.blur_px, 8))


def _begun_where_seen(shot: OutlinedShot, ring: Ring, priors: Priors) -> OutlinedShot:
    """The shot with its blades begun where their ends are seen, if that is well off where its outline begins them.

    Where the ring's markers lie behind the tips no outline is looked for, and there the blades are highest; and where
    a shadow touches a blade's end, an outline begins in it.
    """
    state = begun_alone(shot, ring, priors)

    def lateness_rad(search_mm: float) -> Array:
        ends = blade_ends.measure_ends(shot.photo, state, 0, 0, shot.sighting.blur_px, search_mm)
        mine = ends.end == edges.upper_end(shot.setup)
        return -_from_upper_rad(state, shot.setup, ends.blade[mine], ends.px[mine])

    fewest = len(shot.teeth) / 2
    late = lateness_rad(OUTLINES.end_search_mm[0])
    near = len(late) > fewest
    if not near:
        late = lateness_rad(OUTLINES.end_search_mm[1])
    if len(late) <= fewest or np.ptp(late) > OUTLINES.alike_late_rad:
        return shot
    off = float(np.median(late))
    if off < -OUTLINES.most_early_rad:
        return replace(shot, teeth=tuple(tooth.begun_later(-off, shot.turn) for tooth in shot.teeth))
    if near or off < 0:
        return shot
    return replace(shot, teeth=tuple(tooth.begun_earlier(off, shot.turn) for tooth in shot.teeth))


def _ended(shots: Sequence[OutlinedShot], ring: Ring, priors: Priors) -> list[OutlinedShot]:
    """The shots with their blades ended where their lower ends are seen, if those of most blades are, at one length.

    Where blades do not reach over each other paper shows between them, however little. Where they do, nothing but
    shadows and glare looks like a lower end, and those are not alike from blade to blade.
    """
    wraps = np.concatenate([_wraps_seen(shot, ring, priors) for shot in shots])
    within = (wraps >= wraps[:, None]) & (wraps <= wraps[:, None] + OUTLINES.alike_wraps_rad)
    alike = max((wraps[one] for one in within), key=len, default=wraps)
    if len(alike) < OUTLINES.ended_share * sum(len(shot.teeth) for shot in shots):
        return list(shots)
    wrap_rad = float(np.median(alike))
    return [replace(shot, teeth=tuple(tooth.ended(wrap_rad) for tooth in shot.teeth)) for shot in shots]


def _wraps_seen(shot: OutlinedShot, ring: Ring, priors: Priors) -> Array:
    """Angles (n,), rad, from the upper ends of blades to what looks like their lower ends, above the next blade's."""
    state, upper, pitch_rad = begun_alone(shot, ring, priors), edges.upper_end(shot.setup), 2 * np.pi / len(shot.teeth)
    lower, down = 1 - upper, 1 if upper == 0 else -1
    first, last = OUTLINES.least_wrap * pitch_rad, pitch_rad - OUTLINES.least_gap_rad
    state.rotor.ends[:, lower] = state.rotor.ends[:, upper] + down * (first + last) / 2
    wanted = [(b, lower) for b in range(len(shot.teeth))]
    search_mm = (last - first) / 2 * state.rotor.radius_mm
    found = blade_ends.find_ends(shot.photo, state, 0, 0, wanted, shot.sighting.blur_px, search_mm)
    blade, px = np.array([b for b, _ in found], int), np.array([px for px, *_ in found.values()]).reshape(-1, 2)
    return _from_upper_rad(state, shot.setup, blade, px)


def _from_upper_rad(state: State, setup: str, blade: Ints, px: Array) -> Array:
    """Angles (n,), rad, down along blades (n,) from their upper ends to pixels (n, 2) of their tips, from above."""
    upper = edges.upper_end(setup)
    along = state.tau_of_px(px, blade, np.ones(len(px), bool), 0, 0) - state.rotor.ends[blade, upper]
    return np.asarray(along if upper == 0 else -along)


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
