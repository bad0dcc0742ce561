"""Photo + predicted rotor -> sub-pixel points on the blade-tip edges.

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

from bladeangle.adjustment.model import Ints, State, TipPoints
from bladeangle.adjustment.rotor import FACES
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
        if not search_px and not stretch.far:
            steps = _carried_on(photo, stretch, centre, steps, blur_px)
        middle = np.arange(len(steps.found)) * stretch.point_px + stretch.point_px // 2
        normal = (stretch.normal[middle] + stretch.normal[middle - 1]) / 2
        px = (centre[middle] + centre[middle - 1]) / 2 + steps.offset_px[:, None] * normal
        parts.append((stretch, px, normal, steps))
    from_the_side = not state.inside(index, setup)
    found = np.concatenate([_adjacent(steps.found) if from_the_side else steps.found for *_, steps in parts])

    def each(value: Callable[[Stretch], int]) -> Ints:
        of_all: Ints = np.concatenate([np.full(len(steps.found), value(stretch)) for stretch, _, _, steps in parts])
        return np.asarray(of_all[found], np.int64)

    return TipPoints(
        each(lambda s: s.blade),
        each(lambda s: s.face),
        each(lambda s: s.far).astype(bool),
        np.concatenate([px for _, px, _, _ in parts])[found],
        np.concatenate([normal for _, _, normal, _ in parts])[found],
        np.concatenate([_sigma(steps, stretch.far, from_the_side, scale) for stretch, *_, steps in parts])[found],
        EDGES.saturation_shift_px * scale * np.concatenate([steps.saturated for *_, steps in parts])[found],
    )


def _adjacent(found: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Where at least `EDGES.fewest_adjacent` neighbours are found in a row (n,).

    Single ones are of something that crosses the edge or lies beside it, as the ring's markers do behind the far side.
    """
    bounds = np.flatnonzero(np.diff(found, prepend=False, append=False))
    out = np.zeros_like(found)
    for first, end in zip(bounds[::2], bounds[1::2], strict=True):
        out[first:end] = end - first >= EDGES.fewest_adjacent
    return out


def _sigma(steps: profiles.Steps, far: bool, from_the_side: bool, scale: float) -> Array:
    """Standard uncertainty (n,) px: noise, a floor, and what the metal's own texture does to an edge that is faint.

    An edge of the far side, seen from the side, scatters more than from overhead.
    """
    texture = EDGES.texture_share if far else EDGES.land_texture_share
    texture *= max(scale, 1.0)  # smaller ones are blurred over as many pixels
    faint = texture / np.maximum(np.abs(steps.contrast) / np.maximum(steps.level, 1e-3), 0.01)
    out: Array = np.sqrt(steps.sigma_px**2 + 0.03**2 + faint**2)
    return out * EDGES.far_side_noise if far and from_the_side else out


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
        usual_px = land_px / stretches[outlet].thickness  # of either sign, as is a thickness that was found wrong
        least_px = min(EDGES.least_land * abs(usual_px), EDGES.least_land_blurs * blur_px)
        if apart_px * np.sign(usual_px) < least_px:
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


def _carried_on(photo: Photo, stretch: Stretch, centre: Array, steps: profiles.Steps, blur_px: float) -> profiles.Steps:
    """The steps, and those that continue runs of them where the edge runs farther off the prediction than is trusted.

    An edge that is off at its end would else be lost there, and with it all that could put the prediction right. A run
    is continued by as many points as it has, since a short one may be of the edge of a shadow.
    """
    trust = as_long(EDGES.trust_px, photo.scale, LEAST_TRUST_PX)
    for run in _runs(steps.found):
        for last, way in ((int(run[-1]), 1), (int(run[0]), -1)):
            for k in range(last + way, last + way * (1 + len(run)), way):
                if len(run) < 2 or not 0 <= k < len(steps.found) or steps.found[k]:
                    break
                expected_px = 2 * steps.offset_px[k - way] - steps.offset_px[k - 2 * way]
                if abs(expected_px) < trust / 2:  # then it is not for its distance that it was not found
                    break
                one = _at_point(photo, stretch, centre, k, expected_px, blur_px)
                leaps = abs(one.offset_px[0] - expected_px) > EDGES.most_leap_px
                if not one.found[0] or leaps or one.contrast[0] * steps.contrast[last] < 0:
                    break
                steps = steps.with_rows(np.array([k]), one)
    return steps


def _at_point(photo: Photo, stretch: Stretch, centre: Array, k: int, off_px: float, blur_px: float) -> profiles.Steps:
    """The step at one of the points along a stretch, looked for about so many px off the centre (n, 2)."""
    at = slice(k * stretch.point_px, (k + 1) * stretch.point_px)
    part = replace(stretch, px=stretch.px[at], normal=stretch.normal[at], land_px=stretch.land_px[at])
    found = _refine(photo, part, centre[at] + off_px * part.normal, blur_px)
    return replace(found, offset_px=found.offset_px + off_px)
