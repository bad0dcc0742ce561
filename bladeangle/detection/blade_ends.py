"""Photo + predicted rotor -> the places where the blade tips end, and whether enough are seen for so many blades."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from bladeangle.adjustment.model import EndPoints, ObservedView, State
from bladeangle.base.errors import EdgesError
from bladeangle.base.geometry import Array
from bladeangle.detection import visibility
from bladeangle.detection.edges import follow, step_response, upper_end, upper_face
from bladeangle.imaging import profiles
from bladeangle.imaging.photo import Photo
from bladeangle.tuning.edges import EDGES


def ends_in_sight(state: State, index: int, setup: int) -> list[tuple[int, int]]:
    """Blade and end (0 leading, 1 trailing) of the ends of tips that nothing hides from a photograph."""
    rotor = state.rotor
    ends = [(b, end) for b in range(rotor.blades) for end in (0, 1)]
    tau = rotor.ends.reshape(-1)
    if state.inside(index, setup):
        inward = np.linspace(0.0, 6.0, 7) / rotor.radius_mm * np.tile([[1.0], [-1.0]], (rotor.blades, 1))
        blade = np.repeat(np.arange(rotor.blades), 2 * 7)
        up = upper_face(state.setups[setup])
        seen = np.asarray(
            visibility.highest(state, blade, (tau[:, None] + inward).reshape(-1), up).reshape(-1, 7).all(1)
        )
    else:
        phi = np.repeat(rotor.azimuth, 2) + rotor.turn * tau
        at = rotor.radius_mm * np.stack([np.cos(phi), np.sin(phi)], 1)
        away = state.eye_in(index, setup)[:2] - at
        seen = (away * at).sum(1) >= 0.5 * rotor.radius_mm * np.linalg.norm(away, axis=1)
    return [end for end, shown in zip(ends, seen, strict=True) if shown]


def measure_ends(photo: Photo, state: State, index: int, setup: int, blur_px: float, search_mm: float) -> EndPoints:
    """Where the tip edges end: the change from edge to no edge along the predicted curve, carried on past its end.

    Looked for within `search_mm` of the present ends, at the end that the photograph shows.
    """
    wanted = ends_in_sight(state, index, setup)
    found = find_ends(photo, state, index, setup, wanted, blur_px, search_mm)
    if state.inside(index, setup):
        lost = [end for end in wanted if end not in found]
        found |= find_ends(photo, state, index, setup, lost, blur_px, EDGES.lost_end_factor * search_mm)
    if not found:
        return EndPoints(np.zeros(0, int), np.zeros(0, int), np.zeros((0, 2)), np.zeros((0, 2)), np.zeros(0))
    blade, which, px, along, sigma = zip(*((*end, *found[end]) for end in wanted if end in found), strict=True)
    return EndPoints(np.array(blade), np.array(which), np.array(px), np.array(along), np.array(sigma))


def confirm_count(views: Sequence[ObservedView], state: State) -> None:
    """Refuse a number of blades whose upper ends overhead photographs do not show.

    From above nothing hides where a blade begins. Of rendered rotors with their right number of blades 99 in 100 of
    these ends were found; of six with a number forced to be wrong, at most half.

    Raises
    ------
    EdgesError : no more than half of these ends are found, and two or more are not.
    """
    rotor = state.rotor
    wanted = [upper_end(view.setup) for view in views]
    ends = [(view.ends, end) for view, end in zip(views, wanted, strict=True)]
    found = sum(len(np.unique(e.blade[e.end == end])) for e, end in ends if e is not None)
    should = rotor.blades * len(views)
    if found <= should / 2 and found <= should - 2:
        names = " and ".join(view.name for view in views)
        raise EdgesError(
            f"{names}: where {rotor.blades} blades should begin, only {found} of {should} ends are seen, so the blades "
            "may be of another number.",
            "Photograph the rotor again, evenly lit, without glare and hard shadows on the blades' ends.",
        )


def find_ends(
    photo: Photo,
    state: State,
    index: int,
    setup: int,
    wanted: Sequence[tuple[int, int]],
    blur_px: float,
    search_mm: float,
) -> dict[tuple[int, int], tuple[Array, Array, float]]:
    """Blade and end -> its place (2,), direction (2,) along the tip edge, and sigma px, of those wanted that are clear.

    The leading or trailing edge itself is followed for a few millimetres inside the tip and carried on to the tip.
    """
    rotor = state.rotor
    depth = np.arange(0.6, 5.1, 0.25)
    along = np.arange(-search_mm, search_mm + 1e-9, 0.1)
    n = len(along)
    blade = np.repeat([b for b, _ in wanted], n).astype(int)
    tau = np.array([rotor.ends[end] for end in wanted]).reshape(-1, 1) + along / rotor.radius_mm
    tip = rotor.tip(blade, np.zeros_like(blade), tau.reshape(-1))
    px = state.pixels_of(tip, index, setup).reshape(-1, n, 2)
    within = np.flatnonzero(((px > 12) & (px < np.array([photo.width, photo.height]) - 13)).all((1, 2)))
    wanted, px, tip = [wanted[int(k)] for k in within], px[within], tip.reshape(-1, n, 3)[within].reshape(-1, 3)
    if not wanted:
        return {}
    inward = np.stack([1 - depth / rotor.radius_mm, 1 - depth / rotor.radius_mm, np.ones(len(depth))], 1)
    inner = state.pixels_of((inward[:, None] * tip).reshape(-1, 3), index, setup).T.reshape(2, len(depth), -1, n)
    px_per_mm = np.linalg.norm(np.diff(px, axis=1), axis=2).mean(1) / 0.1
    light = np.maximum(profiles.sample(photo.grey, inner), 0).astype(float)
    responses = [step_response(light[:, k], max(blur_px, 1.0) / scale / 0.1) for k, scale in enumerate(px_per_mm)]
    priors = [(along / search_mm) ** 2] * len(wanted)
    paths = follow(responses, along, most_step=4, priors=priors)
    out = {}
    for end, response, path, on, scale in zip(wanted, responses, paths, px, px_per_mm, strict=True):
        strong = response[np.arange(len(depth)), np.searchsorted(along, path)]
        if np.median(strong) < 3.0:
            continue
        slope, at = (float(c) for c in np.polyfit(depth, path, 1, w=strong))
        error = path - at - slope * depth
        if abs(at) > search_mm or np.median(np.abs(error)) > 0.5:
            continue
        direction = np.gradient(on, axis=0)
        i = int(np.clip(np.searchsorted(along, at), 1, n - 2))
        place = on[i] + (at - along[i]) * direction[i] / 0.1
        sigma_mm = float(np.hypot(0.3, 2 * np.sqrt((error**2).mean())))
        out[end] = place, direction[i] / np.linalg.norm(direction[i]), sigma_mm * float(scale)
    return out
