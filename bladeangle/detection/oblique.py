"""Oblique photographs -> tip radius and thickness at the tip, to the few pixels that a start needs.

From overhead, radius and height trade against each other: the edge seen lies somewhere on its ray. An oblique
photograph sees where. So the edge points seen overhead are carried along their rays to each trial radius and looked at
from the side: at the right one they fall on an edge all round.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

import numpy as np

from bladeangle.adjustment.model import State, TipPoints
from bladeangle.base.geometry import Array, ray_cylinder
from bladeangle.detection.edges import noise_of, step_response, step_slope, step_strength
from bladeangle.detection.visibility import near_side
from bladeangle.imaging import profiles
from bladeangle.imaging.photo import Photo
from bladeangle.tuning.detection import OBLIQUE

#: Steps of the trial radii to either side of the present one.
RADIUS_STEPS = 100
#: Trial thicknesses, mm, and how far the edge of the upper face, known from overhead, may be off, mm.
THICKNESSES_MM = np.arange(0.6, 5.01, 0.1)
OFFSETS_MM = np.arange(-0.8, 0.81, 0.1)
#: Within how many of these steps an answer is the strongest, and how many answers there are of thin, usual and thick
#: blades each.
OWN_STEPS = 5
ANSWERS_OF_CLASS = 2


def _across(state: State, photo: int, setup: int, points: Array) -> tuple[Array, Array, Array]:
    """Pixels (n, 2) of points, unit image direction (n, 2) of +z, and px per mm of it (n,)."""
    px = state.pixels_of(points, photo, setup)
    raised = state.pixels_of(points + np.array([0, 0, 0.1]), photo, setup) - px
    length = np.linalg.norm(raised, axis=1)
    return px, raised / np.maximum(length, 1e-9)[:, None], length / 0.1


def find_radius(
    photos: Sequence[Photo],
    state: State,
    overhead: Sequence[tuple[int, TipPoints]],
    oblique: Sequence[int],
    setup_of: Sequence[int],
    blur_px: float,
    range_mm: float,
    steps: int,
    apart_mm: float = OBLIQUE.distinct_radii_mm,
) -> list[tuple[float, float]]:
    """Tip radii at which edge points seen overhead lie on edges of oblique photographs, best first, and how clear each.

    The lower edge of the tip land is such an edge too: at a radius larger by a quarter of the thickness or so.

    Parameters
    ----------
    apart_mm : how far apart radii are that count as different answers.

    Returns
    -------
    Up to three pairs of radius, mm, and clearness: height of its score over the median of all, in robust standard
    deviations.
    """
    rotor = state.rotor
    radii = np.linspace(-range_mm, range_mm, 2 * steps + 1) + rotor.radius_mm
    strength, contrast = np.zeros(len(radii)), np.zeros(len(radii))
    for photo in oblique:
        image = photos[photo]
        setup = setup_of[photo]
        eye = state.eye_in(photo, setup)
        for source, tips in overhead:
            if setup_of[source] != setup:
                continue
            from_above, rays = state.eye_in(source, setup), state.rays(tips.px[::2], source, setup)
            far = tips.far[::2]
            points = np.concatenate([ray_cylinder(from_above, rays, radius, far=far) for radius in radii])
            of = np.repeat(np.arange(len(radii)), len(far))
            hit = np.isfinite(points).all(1)
            hit[hit] = near_side(points[hit], eye)
            points, of = points[hit], of[hit]
            px, up, _ = _across(state, photo, setup, points)
            inside = ((px > 20) & (px < np.array([image.width, image.height]) - 21)).all(1)
            read = profiles.read_profiles(image.grey, px[inside], up[inside], (7, 7), 1)
            slope = step_slope(read, blur_px + 1.0)
            # at all radii: at one it is least where an edge just leaves the profiles
            noise = noise_of(slope)
            peak, rise = slope[:, 5:10].max(1), read[:, 8:].mean(1) - read[:, :7].mean(1)
            ends = np.searchsorted(of[inside], np.arange(len(radii) + 1))
            for k, (a, b) in enumerate(pairwise(ends)):
                if b - a >= 5:
                    strength[k] += float(step_strength(np.median(peak[a:b]), noise))
                    contrast[k] += abs(float(np.median(rise[a:b])))
    # Two views of one thing: how strong the steps are, and how much they agree on a side. Each alone can be misled, the
    # first by texture, the second by a blade that is bright on one side of the rotor and dark on the other.
    score = _clearness(strength) + _clearness(contrast)
    found: list[tuple[float, float]] = []
    for k in np.argsort(-score):
        # of its own: the flank of another answer is none
        highest = score[k] >= score[np.abs(radii - radii[k]) < apart_mm / 2].max()
        if highest and all(abs(radii[k] - r) > apart_mm for r, _ in found):
            found.append((float(radii[k]), float(score[k]) / 2))
        if len(found) == 3:
            break
    return found


def _clearness(score: Array) -> Array:
    """Score over its median, in robust standard deviations."""
    away = score - np.median(score)
    out: Array = away / (1.4826 * float(np.median(np.abs(away))) + 1e-9)
    return out


def find_thickness(
    photos: Sequence[Photo], state: State, oblique: Sequence[int], setup_of: Sequence[int], blur_px: float
) -> list[tuple[float, float]]:
    """Thickness, mm, and shift of the mid-line towards the inlet, mm, that put both edges of the tip land on edges.

    The upper face's edge is known from overhead; what is not known is how far below it the other edge is. Where the
    lower edge is the stronger one, as between bright metal and shade, it may have been taken for the upper one, and
    then that is a thickness higher: answers of this kind come last. Up to `ANSWERS_OF_CLASS` answers of each kind for
    thin, usual and thick blades each, where both edges are stronger than beside it and the metal between is quiet. A
    shadow's edge below a thin blade can be stronger still, so they are ranked by the weaker edge, on the middling
    blade: the likeliest first.
    """
    rotor = state.rotor
    z = np.arange(-6.0, 6.01, 0.1)
    responses = []  # one for each blade in each photograph, against the height over the present mid-line, upwards
    up_of = [1.0 if state.r_ring_rotor[s, 2, 2] > 0 else -1.0 for s in range(len(state.setups))]
    for photo in oblique:
        image = photos[photo]
        setup = setup_of[photo]
        eye = state.eye_in(photo, setup)
        for b in range(rotor.blades):
            tau = np.arange(rotor.ends[b, 0] + 0.1, rotor.ends[b, 1] - 0.1, 0.6 / rotor.radius_mm)
            points = rotor.tip(np.full(len(tau), b), np.zeros(len(tau), int), tau)
            points = points[near_side(points, eye)]
            if len(points) < 8:
                continue
            px, up, scale = _across(state, photo, setup, points)
            size = np.array([image.width, image.height])
            if not (seen := ((px > 0) & (px < size)).all(1)).any():
                continue
            reach = int(np.ceil(6.0 * scale[seen].max())) + 2
            inside = ((px > reach) & (px < size - reach)).all(1)
            if inside.sum() < 8:
                continue
            read = profiles.read_profiles(image.grey, px[inside], up_of[setup] * up[inside], (reach, reach), 1)
            response = step_response(read, blur_px)
            places = np.arange(-reach, reach + 1)
            each = [np.interp(z, places / s, r) for s, r in zip(scale[inside], response, strict=True)]
            responses.append(np.mean(each, axis=0))
    found: list[tuple[bool, bool, float, float, float]] = []
    for raised in (False, True):
        # what was taken for the upper edge is where it was found
        higher_mm, off_mm = (THICKNESSES_MM, OFFSETS_MM / 2) if raised else (0 * THICKNESSES_MM, OFFSETS_MM)
        upper = rotor.thickness_mm / 2 + np.add.outer(higher_mm, off_mm)
        for has_peak, weaker, row, offset in _lands_at(np.array(responses or [np.zeros(len(z))]), z, upper):
            thickness = float(THICKNESSES_MM[row])
            shift = float(upper[row, offset] - thickness / 2) * up_of[setup_of[oblique[0]]]
            again = any(max(abs(thickness - t), abs(shift - s)) < 0.15 for *_, t, s in found)
            if not raised or (has_peak and not again):
                found.append((not raised, has_peak, weaker, thickness, shift))
    return [(thickness, shift) for *_, thickness, shift in sorted(found, reverse=True)]


def _lands_at(responses: Array, z: Array, upper: Array) -> Iterator[tuple[bool, float, int, int]]:
    """Tip lands that stretches (n, k) of responses at heights z (k,), mm, show, up to `ANSWERS_OF_CLASS` of each class.

    Parameters
    ----------
    upper : heights (thicknesses, offsets), mm, of the upper edge.

    Returns
    -------
    Whether it is stronger than what is beside it, how clear the weaker edge is, and its place in `upper`. A class
    without one leans on a stronger neighbour, and has one answer all the same.
    """
    from scipy.ndimage import maximum_filter

    heights = upper - np.outer((0.0, 0.5, 1.0), THICKNESSES_MM)[:, :, None]
    first, quiet, second = (np.array([np.interp(h, z, r) for r in responses]) for h in heights)
    value = (first + second - 2 * quiet).sum(0)  # two edges and quiet metal between, not one edge twice
    weaker = np.median(np.minimum(first, second) - quiet, axis=0)
    peaks = (value >= maximum_filter(value, size=OWN_STEPS)) & (value > value.min())  # where nothing answers, none
    for low, high in pairwise(OBLIQUE.thickness_classes_mm):
        of_class = (low <= THICKNESSES_MM) & (high > THICKNESSES_MM)
        has_peak = bool(peaks[of_class].any())
        rows, offsets = np.nonzero((peaks if has_peak else value >= value[of_class].max()) & of_class[:, None])
        for k in np.argsort(-value[rows, offsets], kind="stable")[: ANSWERS_OF_CLASS if has_peak else 1]:
            yield has_peak, float(weaker[rows[k], offsets[k]]), int(rows[k]), int(offsets[k])
