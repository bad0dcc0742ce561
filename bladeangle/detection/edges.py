"""Photo + predicted rotor -> sub-pixel points on the blade-tip edges, and the places where the tips end.

Edges are looked for only where the rotor as known so far says that one is to be seen (`visibility.py`): in a photograph
taken from inside the tip cylinder (overhead) the upper face of the highest blade at each azimuth; in one taken from
outside (oblique) both edges of the tip land on the near side, and in the end the upper ones of the far side too.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from bladeangle.adjustment.model import EndPoints, Ints, ObservedView, State, TipPoints
from bladeangle.adjustment.rotor import FACES
from bladeangle.base.errors import EdgesError
from bladeangle.base.geometry import Array
from bladeangle.detection import visibility
from bladeangle.imaging import profiles
from bladeangle.imaging.photo import Photo, scale_of
from bladeangle.tuning.edges import EDGES
from bladeangle.tuning.imaging import PROFILES

#: Least pixels that an edge may be moved by, and that its profiles reach, with which a step can be fitted.
LEAST_TRUST_PX, LEAST_REACH_PX = 2, 6
#: Every so many pixels along an edge its path is looked for.
PATH_PX = 4
#: Spacing, mm along the tip, of the places at which it is decided whether the edge is seen.
STEP_MM = 0.3
#: The same where the share that is seen, or a drawing of it, is all that is needed.
ROUGH_STEP_MM = 1.0


@dataclass(frozen=True)
class Stretch:
    """One run of a tip edge predicted to be seen, with every pixel along it: px, normal (n, 2), land_px (n,).

    The normal points the way the edge moves in the picture when the blade rises towards the inlet end. `land_px` is the
    signed distance along the normal to the other edge of the tip land; infinite where that is not seen. One point is
    measured on every `point_px` of them. thickness : of the blade, as a ratio to that of all blades.
    """

    blade: int
    face: int
    far: bool
    px: Array
    normal: Array
    land_px: Array
    point_px: int
    thickness: float = 1.0

    @property
    def points(self) -> int:
        """How many points are measured along it."""
        return len(self.px) // self.point_px


def as_long(px: float, scale: float, least: int = 1) -> int:
    """Whole pixels that are as long as `px` in a photograph of the usual size, but no fewer than `least`."""
    return max(round(px * scale), least)


def upper_face(setup: str) -> int:
    """Sign of the face that looks up."""
    return FACES["inlet"] if setup == "inlet_up" else FACES["outlet"]


def upper_end(setup: str) -> int:
    """Which end of the blades looks up: 0 the leading, 1 the trailing one."""
    return 0 if setup == "inlet_up" else 1


def predicted(
    state: State, photo: int, setup: int, size: tuple[int, int], step_mm: float = STEP_MM, *, far_side: bool = False
) -> Iterator[Stretch]:
    """The runs of tip edge that one photograph of `size` (width, height) should show; they begin and end at a step.

    far_side : those of the far side too, in a photograph from the side; where they are seen depends on the hub.
    """
    rotor = state.rotor
    eye, up = state.eye_in(photo, setup), upper_face(state.setups[setup])
    point_px = as_long(EDGES.point_px, scale_of(*size))
    margin = EDGES.end_margin_mm / rotor.radius_mm
    first, last = rotor.ends[:, :1] + margin, rotor.ends[:, 1:] - margin
    step = step_mm / rotor.radius_mm
    count = int(np.ceil(float((last - first).max()) / step))
    if count < 2:
        return
    along = first + step * np.arange(count)  # (blades, count), past the end of shorter blades
    tau, blade = along.reshape(-1), np.repeat(np.arange(rotor.blades), count)
    middle = rotor.tip(blade, np.zeros(len(tau), int), tau)
    edges = []  # face, whether it is seen from inside the cylinder, and where it is seen
    if state.inside(photo, setup):
        edges.append((up, True, visibility.highest(state, blade, tau, up)))
    else:
        near = visibility.near_side(middle, eye)
        edges += [(1, False, near), (-1, False, near)]
        if far_side:
            edges.append((up, True, visibility.far_side(state, blade, tau, eye, up)))
    thickness = 1 + rotor.extra_mm / rotor.thickness_mm
    half = np.zeros((3, len(tau))).T
    half[:, 2] = rotor.half_mm(tau, blade) * (rotor.thickness_mm + rotor.extra_mm[blade])
    for face, far, seen in edges:
        points = middle + face * half
        places = np.concatenate([points, points + np.array([0, 0, 0.05]), *([] if far else [middle - face * half])])
        px, raised, *other = state.pixels_of(places, photo, setup).reshape(-1, rotor.blades, count, 2)
        within = ((px > 12) & (px < np.array(size) - 13)).all(2) & (along < last)
        tangent = np.gradient(px, axis=1)
        normal = np.stack([-tangent[..., 1], tangent[..., 0]], -1)
        length = np.maximum(np.hypot(normal[..., 0], normal[..., 1]), 1e-9)
        normal *= (np.sign(_dot(raised - px, normal)) / length)[..., None]
        land = np.full(along.shape, np.inf) if far else _dot(other[0] - px, normal)
        for b, mask in enumerate(within & seen.reshape(along.shape)):
            for run in _runs(mask):
                if (found := _stretch(b, face, far, px[b, run], normal[b, run], land[b, run], point_px)) is not None:
                    yield replace(found, thickness=float(thickness[b]))


def _dot(v: Array, w: Array) -> Array:
    """Scalar products (...) of vectors (..., 2)."""
    out: Array = v[..., 0] * w[..., 0] + v[..., 1] * w[..., 1]
    return out


def _stretch(
    blade: int, face: int, far: bool, px: Array, normal: Array, land_px: Array, point_px: int
) -> Stretch | None:
    """A run of places along an edge with a place every pixel, a whole number of `point_px` of them; None if too few."""
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(px, axis=0).T))])
    count = int(along[-1] // point_px)
    if count < 2:
        return None
    at = np.arange(count * point_px) + 0.5 * (along[-1] - count * point_px)
    on, across = (np.stack([np.interp(at, along, v) for v in of.T]) for of in (px, normal))
    across /= np.hypot(*across)
    land = np.full(len(at), np.inf) if far else np.interp(at, along, land_px)
    return Stretch(blade, face, far, on.T, across.T, land, point_px)


def _runs(mask: NDArray[np.bool_]) -> Iterator[Ints]:
    """Index runs where a mask (n,) is true."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(int), [0]])))
    for a, b in zip(edges[::2], edges[1::2], strict=True):
        yield np.arange(a, b)


def follow(
    responses: Sequence[Array], places: Array, most_step: int = 2, priors: Sequence[Array] | None = None
) -> list[Array]:
    """Smooth paths (n_i,) of places (m,) through responses (n_i, m) >= 0: dynamic programming, of all side by side.

    priors : (m,) taken off each response everywhere, for example to prefer small offsets.
    """
    length = [len(response) for response in responses]
    score = np.zeros((max(length), len(responses), len(places)))  # past its end a path goes on at no cost
    for k, response in enumerate(responses):
        score[: length[k], k] = response - (0 if priors is None else priors[k])
    n, count, m = score.shape
    value = np.full((count, m + 2 * most_step), -np.inf)  # padded for the steps beyond either end
    value[:, most_step : most_step + m] = score[0]
    options = np.lib.stride_tricks.sliding_window_view(value, 2 * most_step + 1, axis=1)
    cost = 0.3 * np.abs(np.arange(-most_step, most_step + 1))
    came = np.zeros((n, count, m), int)
    each, everywhere = np.arange(count), np.arange(m)
    for i in range(1, n):
        after = options - cost
        came[i] = pick = after.argmax(2)
        value[:, most_step : most_step + m] = after[each[:, None], everywhere, pick] + score[i]
    came -= most_step
    path = np.zeros((n, count), int)
    path[-1] = value[:, most_step : most_step + m].argmax(1)
    for i in range(n - 1, 0, -1):
        path[i - 1] = path[i] + came[i, each, path[i]]
    return [places[path[:k, i]] for i, k in enumerate(length)]


def step_slope(read: Array, blur_px: float) -> Array:
    """Steepness (n, k) of the blurred brightness, either way, at every sample of profiles (n, k)."""
    from scipy.ndimage import gaussian_filter1d

    encoded = np.sqrt(np.maximum(np.nan_to_num(read), 0))  # noise of a photograph is nearly even on this scale
    out: Array = np.abs(gaussian_filter1d(encoded, blur_px + 0.5, axis=1, order=1, mode="nearest"))
    return out


def noise_of(slopes: Array) -> float:
    """Noise of slopes, most of which are of no edge."""
    return float(1.4826 * np.median(slopes) + 1e-6)


def step_strength(slope: Array, noise: float) -> Array:
    """Slopes in units of the noise, capped."""
    out: Array = np.clip(slope / noise, 0, 8)
    return out


def step_response(read: Array, blur_px: float) -> Array:
    """Strength (n, k) of a step at every sample of profiles (n, k), in units of the noise, capped."""
    slope = step_slope(read, blur_px)
    return step_strength(slope, noise_of(slope))


def measure_tips(
    photo: Photo, state: State, index: int, setup: int, blur_px: float, search_px: int, *, far_side: bool = False
) -> TipPoints:
    """Sub-pixel points on all tip edges that the photograph should show.

    Parameters
    ----------
    index, setup : which photograph and which setup of the state it is.
    blur_px : blur of edges in this photograph.
    search_px : how far off the prediction may be, in a photograph of the usual size; 0 when the rotor is known to a
        pixel.
    far_side : also the edges of the far side, in a photograph from the side.
    """
    scale = photo.scale
    parts: list[tuple[Stretch, Array, Array, profiles.Steps]] = []
    stretches = list(predicted(state, index, setup, (photo.width, photo.height), far_side=far_side))
    if not stretches:
        return TipPoints.none()
    offsets = [np.zeros(len(s.px)) for s in stretches]
    if not search_px:  # before, the thickness may be wrong, and with it how far an edge is off
        for k, off_px in lands_off(photo, stretches, blur_px).items():
            offsets[k] = off_px
    else:
        offsets = _search(photo, stretches, blur_px, as_long(search_px, scale, 2))
    stretches, offsets = _apart(stretches, offsets, upper_face(state.setups[setup]), blur_px)
    for stretch, offset in zip(stretches, offsets, strict=True):
        centre = stretch.px + offset[:, None] * stretch.normal
        steps = _refine(photo, stretch, centre, blur_px)
        middle = np.arange(len(steps.found)) * stretch.point_px + stretch.point_px // 2
        normal = (stretch.normal[middle] + stretch.normal[middle - 1]) / 2
        px = (centre[middle] + centre[middle - 1]) / 2 + steps.offset_px[:, None] * normal
        parts.append((stretch, px, normal, steps))
    found = np.concatenate([steps.found for *_, steps in parts])

    def each(value: Callable[[Stretch], int]) -> Ints:
        of_all: Ints = np.concatenate([np.full(len(steps.found), value(stretch)) for stretch, _, _, steps in parts])
        return np.asarray(of_all[found], np.int64)

    return TipPoints(
        each(lambda s: s.blade),
        each(lambda s: s.face),
        each(lambda s: s.far).astype(bool),
        np.concatenate([px for _, px, _, _ in parts])[found],
        np.concatenate([normal for _, _, normal, _ in parts])[found],
        np.concatenate([_sigma(steps, stretch.far, scale) for stretch, *_, steps in parts])[found],
        EDGES.saturation_shift_px * scale * np.concatenate([steps.saturated for *_, steps in parts])[found],
    )


def _sigma(steps: profiles.Steps, far: bool, scale: float) -> Array:
    """Standard uncertainty (n,) px: noise, a floor, and what the metal's own texture does to an edge that is faint."""
    texture = EDGES.texture_share if far else EDGES.land_texture_share
    texture *= max(scale, 1.0)  # smaller ones are blurred over as many pixels
    faint = texture / np.maximum(np.abs(steps.contrast) / np.maximum(steps.level, 1e-3), 0.01)
    out: Array = np.sqrt(steps.sigma_px**2 + 0.03**2 + faint**2)
    return out


def _lands(stretches: Sequence[Stretch]) -> Iterator[tuple[int, int]]:
    """Which stretches, as indices, are the inlet and the outlet face's edge of one tip land, the longest of a blade."""
    longest: dict[tuple[int, int], int] = {}
    for k, s in enumerate(stretches):
        if not s.far and ((s.blade, s.face) not in longest or s.points > stretches[longest[s.blade, s.face]].points):
            longest[s.blade, s.face] = k
    for blade, face in longest:
        if face == 1 and (blade, -1) in longest:
            yield longest[blade, 1], longest[blade, -1]


def lands_off(photo: Photo, stretches: Sequence[Stretch], blur_px: float) -> dict[int, Array]:
    """Stretches, as indices, of tip lands that lie off in part or as a whole, and by how many px (n,) along normals.

    A blade whose height is off by its thickness has one edge of its land predicted on the other one, and the other on
    nothing: a smooth curve may fit that for a blade, or for the end of one, that a single photograph shows, and so may
    a rotor whose radius is off by a part of the thickness. So both edges are looked for together, on a path that bends
    as little as a blade: one that jumps has found the edge of a shadow.
    """
    out: dict[int, Array] = {}
    every, group = PATH_PX, 3  # so many profiles make a place on the path
    for k, stretch in enumerate(stretches):
        number = len(stretch.px) // (every * group)
        if stretch.far or not number:
            continue
        at = every * np.arange(number * group)
        lands_px = stretch.land_px[at]
        land_px = abs(float(np.median(lands_px)))
        if not (np.isfinite(land_px) and land_px > 3 * blur_px):  # else the edges are not told apart
            continue
        away_px = int(np.ceil(EDGES.land_off[1] * land_px))
        reach = away_px + int(np.ceil(np.abs(lands_px).max())) + 3
        read = profiles.read_profiles(photo.grey, stretch.px[at], stretch.normal[at], (reach, reach), every // 2)
        places, read_at = np.arange(-away_px, away_px + 1), np.arange(-reach, reach + 1)
        response = step_response(read, blur_px)
        one, other = (
            np.array([np.interp(places + p, read_at, r) for r, p in zip(response, past_px, strict=True)])
            .reshape(number, group, -1)
            .mean(1)
            for past_px in (np.zeros(len(at)), lands_px)
        )
        both, weaker = one + other, np.minimum(one, other)
        path = follow([both], places.astype(float), most_step=1, priors=[0.5 * (places / away_px) ** 2])[0]
        share = np.abs(path) / land_px
        off = share > EDGES.land_off[0] / 2
        long = off.sum() * every * group >= EDGES.least_land_run_px * photo.scale
        if not long or np.median(share[off]) < EDGES.land_off[0]:
            continue
        new, old = (np.flatnonzero(off), away_px + path[off].astype(int)), (off, away_px)
        stronger = both[new].mean() > EDGES.land_gain * both[old].mean()
        if stronger and weaker[new].mean() > max(EDGES.clear_edge_sigmas, EDGES.weaker_edge_gain * weaker[old].mean()):
            middle = (np.arange(number) * group + (group - 1) / 2) * every
            out[k] = np.interp(np.arange(len(stretch.px)), middle, path)
    return out


def _apart(
    stretches: Sequence[Stretch], offsets: Sequence[Array], up: int, blur_px: float
) -> tuple[list[Stretch], list[Array]]:
    """The stretches and their offsets (n,), less lower edges that were found on the upper ones.

    A faint lower edge lets the search slip to the upper one, and the blade then seems to have no thickness.
    """
    lost = set()
    for inlet, outlet in _lands(stretches):
        land_px = float(np.median(stretches[outlet].land_px))
        apart_px = land_px + float(np.median(offsets[inlet])) - float(np.median(offsets[outlet]))
        least_px = EDGES.least_land * abs(land_px) / stretches[outlet].thickness
        if apart_px * np.sign(land_px) < min(least_px, EDGES.least_land_blurs * blur_px):
            lost.add(stretches[outlet].blade)
    keep = [k for k, s in enumerate(stretches) if s.far or s.face == up or s.blade not in lost]
    return [stretches[k] for k in keep], [offsets[k] for k in keep]


def _search(photo: Photo, stretches: Sequence[Stretch], blur_px: float, search_px: int) -> list[Array]:
    """Offsets (n,) of each edge from its prediction: the strongest smooth path within `search_px`."""
    from scipy.ndimage import uniform_filter1d

    every, reach = PATH_PX, (search_px + 3, search_px + 3)
    px, normal = (np.concatenate([getattr(s, name)[::every] for s in stretches]) for name in ("px", "normal"))
    read = profiles.read_profiles(photo.grey, px, normal, reach, every // 2)
    ends = np.cumsum([0] + [len(s.px[::every]) for s in stretches])
    responses = [step_response(read[a:b], blur_px)[:, 3:-3] for a, b in pairwise(ends)]
    places = np.arange(-search_px, search_px + 1, dtype=float)
    lands = [float(np.median(s.land_px)) for s in stretches]
    # beyond half the land the other edge of it is nearer
    beyond = [np.sign(land) * places > max(0.5 * abs(land), 1.0) for land in lands]
    priors = [(places / search_px) ** 2 + np.where(there, 1e3, 0.0) for there in beyond]
    out = []
    for stretch, path in zip(stretches, follow(responses, places, priors=priors), strict=True):
        smooth = uniform_filter1d(path, 7, mode="nearest")
        out.append(np.interp(np.arange(len(stretch.px)), np.arange(len(path)) * every, smooth))
    return out


def _refine(photo: Photo, stretch: Stretch, centre: Array, blur_px: float) -> profiles.Steps:
    """Step fits to the means of `EDGES.point_px` profiles, kept clear of the other edge of the tip land."""
    most = as_long(EDGES.reach_px, photo.scale, LEAST_REACH_PX)
    trust = as_long(EDGES.trust_px, photo.scale, LEAST_TRUST_PX)
    land = float(np.median(np.abs(stretch.land_px)))
    sign = float(np.sign(np.median(stretch.land_px))) if np.isfinite(land) else 0.0
    clear = int(np.clip(np.floor(land - 2 * blur_px), 3, most)) if np.isfinite(land) else most
    reach = (clear if sign < 0 else most, clear if sign > 0 else most)
    read = profiles.read_profiles(photo.grey, centre, stretch.normal, reach, 0)
    read = read.reshape(-1, stretch.point_px, read.shape[1]) / photo.saturation
    steps = profiles.fit_steps(read.mean(1), reach, blur_px, slopes=min(reach) >= 5, trust_px=trust)
    saturated = np.flatnonzero((read > PROFILES.white_light).mean(1).max(1) > EDGES.saturated_share)
    if not len(saturated):
        return steps
    found = profiles.fit_saturated_steps(read[saturated], reach, blur_px, trust)
    return steps.with_rows(saturated, found)


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
