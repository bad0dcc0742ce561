"""Shots -> the adjustment of all of them together, near enough to look for every edge where it lies."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import cache, partial
from itertools import islice

import numpy as np

from bladeangle.adjustment.adjust import Adjustment, adjust
from bladeangle.adjustment.model import ObservedView, State, TipPoints
from bladeangle.adjustment.priors import Priors
from bladeangle.base.errors import AdjustmentError
from bladeangle.base.geometry import rotation
from bladeangle.detection import blade_ends, edges, oblique
from bladeangle.imaging.ring import Ring
from bladeangle.pipeline import fit
from bladeangle.pipeline.outlines import Outlined
from bladeangle.pipeline.overhead import adjusted_overhead
from bladeangle.pipeline.shots import OutlinedShot, Shot, observed, state_of, with_rotor_of
from bladeangle.tuning.detection import OBLIQUE
from bladeangle.tuning.register import REGISTER, SHOTS

#: How often edges are looked for anew at most until the blades' lengths change by less than this, mm.
MOST_EDGE_SEARCHES = 5
LENGTH_TOLERANCE_MM = 0.3
#: How many tip radii and wraps are started from at most.
MOST_STARTS = 12
#: How far away edges are looked for, px, one after the other, where they still lie off.
WIDE_SEARCHES_PX = (6, 6, 4, 3)
#: Of how many thicknesses, those that fit best at once, edges are looked for anew.
REFINED_THICKNESSES = 3
#: Steps to either side when a radius is looked for again.
NARROW_RADIUS_STEPS = 30


@dataclass(frozen=True)
class Registered:
    """All photographs, and their adjustment to edges found so far: near enough to predict each edge to a pixel."""

    outlined: Outlined
    shots: tuple[Shot, ...]
    result: Adjustment


def registered(outlined: Outlined, progress: Callable[[str], None]) -> Registered:
    """Adjust the overhead photographs, then bring in the others.

    Raises
    ------
    EdgesError : the blades' upper ends are not where that number of blades has them.
    AdjustmentError : the oblique photographs do not fit the overhead ones.
    """
    progress("adjusting the overhead photographs")
    ring, priors, first, others = outlined.ring, outlined.priors, outlined.first, outlined.others
    result = adjusted_overhead(first, ring, priors, rough=bool(others))
    blade_ends.confirm_count(result.views, result.state)
    if others:
        result = register_all(first, others, result, ring, priors, progress)
    return Registered(outlined, (*first, *others), result)


def register_all(
    first: Sequence[OutlinedShot],
    others: Sequence[Shot],
    overhead: Adjustment,
    ring: Ring,
    priors: Priors,
    progress: Callable[[str], None],
) -> Adjustment:
    """Bring in the other photographs: place them by the ring, then take the tip radius that fits all of them best.

    Parameters
    ----------
    first, overhead : photographs from overhead, one of each setup, and their adjustment; others : the rest.

    Raises
    ------
    AdjustmentError : the oblique photographs do not fit the overhead ones.
    """
    shots = (*first, *others)
    state = _placed(shots, overhead, ring)
    if all(s.overhead for s in shots):
        return _adjusted(shots, state, 6, ring, priors)
    sides = _Sides.of(first, others, overhead, state)
    progress("finding tip radius and thickness from the oblique photographs")
    best, misfit_px = overhead, np.inf
    other_wraps: list[Adjustment] = []  # what starts at other wraps came to
    for radius_mm, wrap_rad, begun in islice(_begun(sides, state, ring, priors), MOST_STARTS):
        progress(f"adjusting all photographs on a tip radius of {radius_mm:.1f} mm")
        here, here_px = _best_tried(sides, begun, ring, priors)
        if here_px < REGISTER.even_misfit_px and not fit.right(here, here_px, shots):
            here, here_px = _widened(sides, here, here_px, ring, priors)
        if misfit_px == np.inf or fit.rank(here, here_px, shots) < fit.rank(best, misfit_px, shots):
            best, misfit_px = here, here_px
            if fit.right(best, misfit_px, shots):
                break
        if wrap_rad is not None:
            other_wraps.append(here)
        if sum(fit.same_place(best, other) for other in other_wraps) >= REGISTER.enough_alike:
            break
    best, misfit_px = _settled(sides, best, misfit_px, ring, priors)
    if len(sides.first) > 1 and misfit_px > REGISTER.good_misfit_px and not fit.even(best, misfit_px, shots):
        best, misfit_px = _nudged(sides, best, misfit_px, ring, priors)
    best, misfit_px = _of_like_lengths(sides, best, misfit_px, ring, priors)
    if misfit_px > REGISTER.refused_misfit_px:
        raise AdjustmentError(
            "The photographs from the side do not fit those from above.",
            "Was the rotor moved, or another one photographed? Take those from the side again without touching it.",
        )
    return best


@dataclass(frozen=True)
class _Sides:
    """What is asked of the oblique photographs: all shots, the `first` of them adjusted from overhead, their points."""

    shots: Sequence[Shot]
    first: Sequence[OutlinedShot]
    slanted: list[int]
    setup_of: list[int]
    above: list[tuple[int, TipPoints]]
    blur_px: float

    @classmethod
    def of(cls, first: Sequence[OutlinedShot], others: Sequence[Shot], overhead: Adjustment, state: State) -> _Sides:
        """Of those from overhead, with their adjustment, and the rest."""
        shots = (*first, *others)
        return cls(
            shots,
            first,
            [i for i, s in enumerate(shots) if not s.overhead],
            [state.setups.index(s.setup) for s in shots],
            [(i, v.tips) for i, v in enumerate(overhead.views) if v.tips is not None],
            float(np.median([s.sighting.blur_px for s in shots])),
        )

    def radii(self, state: State, range_mm: float, steps: int, apart_mm: float) -> list[tuple[float, float]]:
        """Tip radii, mm, within a range about the state's, and how clear each is, the clearest first."""
        photos = [s.photo for s in self.shots]
        return oblique.find_radius(
            photos, state, self.above, self.slanted, self.setup_of, self.blur_px, range_mm, steps, apart_mm
        )

    def thicknesses(self, state: State) -> list[tuple[float, float]]:
        """Thicknesses of the tip and shifts of the mid-lines that go with them, mm, the likeliest first."""
        photos = [s.photo for s in self.shots]
        return oblique.find_thickness(photos, state, self.slanted, self.setup_of, self.blur_px)


def _begun(sides: _Sides, placed: State, ring: Ring, priors: Priors) -> Iterator[tuple[float, float | None, State]]:
    """Tip radii, mm, wraps, rad, and states with the rotor on them to start from; each place once.

    A wrong radius puts the axis a little off too, and that shifts the answer: one that is not sure is looked for again
    with the rotor on it. Both edges of the tip land may answer then, and either may be the clearer one.
    """
    on = cache(partial(_on_radius, sides, placed, ring, priors))
    wide = sides.radii(placed, OBLIQUE.radius_range_mm, oblique.RADIUS_STEPS, OBLIQUE.distinct_radii_mm)
    begun: list[tuple[float, float | None]] = []
    for start_mm, wrap_rad, sure in _starts(wide, sides.first):
        nearer = [] if sure else _clear_near(sides, on(start_mm, wrap_rad))
        for radius_mm in nearer or [start_mm]:
            if all(wrap != wrap_rad or abs(radius_mm - r) > REGISTER.begun_radius_mm for r, wrap in begun):
                begun.append((radius_mm, wrap_rad))
                yield radius_mm, wrap_rad, on(radius_mm, wrap_rad)


def _clear_near(sides: _Sides, state: State) -> list[float]:
    """Clear tip radii, mm, near the state's, the clearest first."""
    nearer = sides.radii(state, REGISTER.narrow_radius_mm, NARROW_RADIUS_STEPS, REGISTER.edges_apart_mm)
    return [radius_mm for radius_mm, clear in nearer if clear > REGISTER.clear_radius_sigmas]


def _on_radius(
    sides: _Sides, placed: State, ring: Ring, priors: Priors, radius_mm: float, wrap_rad: float | None
) -> State:
    """The placed photographs with the rotor as those from overhead show it on a tip radius."""
    # the camera as the ring in all photographs has it: an assumed focal length would bend the first rotor
    near = replace(priors, camera=placed.camera, radius_mm=radius_mm, radius_sigma_mm=0.1)
    return with_rotor_of(placed, adjusted_overhead(sides.first, ring, near, wrap_rad, rough=True).state)


def _tried(sides: _Sides, begun: State, ring: Ring, priors: Priors) -> Iterator[Adjustment]:
    """All photographs adjusted with each thickness at the tip that they show, the one that fits best at once first."""
    rough: list[tuple[float, State]] = []
    for thickness_mm, shift_mm in sides.thicknesses(begun):
        result = _adjusted(sides.shots, _with_thickness(begun, sides, thickness_mm, shift_mm), 6, ring, priors)
        rough.append((fit.misfit_px(result, sides.shots), result.state))
        if rough[-1][0] < REGISTER.rough_misfit_px:
            break
    for _, state in sorted(rough, key=lambda r: r[0])[:REFINED_THICKNESSES]:
        yield _adjusted(sides.shots, state, 2, ring, priors)


def on_other_lands(registered: Registered, result: Adjustment, priors: Priors) -> Iterator[Adjustment]:
    """Adjustments near by of all photographs, with each thickness at the tip that those from the side may show."""
    outlined = registered.outlined
    overhead = replace(result, views=result.views[: len(outlined.first)])
    sides = _Sides.of(outlined.first, outlined.others, overhead, result.state)
    for thickness_mm, shift_mm in sides.thicknesses(result.state):
        state = _with_thickness(result.state, sides, thickness_mm, shift_mm)
        with suppress(AdjustmentError):
            yield _adjusted(sides.shots, state, 6, outlined.ring, priors)


def _with_thickness(begun: State, sides: _Sides, thickness_mm: float, shift_mm: float) -> State:
    """A state with another thickness of the tip and its mid-lines shifted, mm, as both edges are seen from the side.

    Where that raises the edge that is known from overhead, it is nearer to the axis: rays from overhead say so, of
    either setup.
    """
    state = begun.copy()
    rotor, setup = state.rotor, sides.setup_of[sides.slanted[0]]
    up = edges.upper_face(state.setups[setup])
    thicker_mm = thickness_mm - rotor.thickness_mm
    raised_mm = up * shift_mm + thicker_mm / 2
    photo = next((p for p, _ in sides.above if sides.setup_of[p] == setup), None)
    if photo is not None:
        eye = state.eye_in(photo, setup)
        below_mm = abs(eye[2] - float(rotor.heights.mean()))
        rotor.radius_mm -= raised_mm * rotor.radius_mm / below_mm
        others = np.arange(len(state.setups)) != setup
        state.t_ring_rotor[others, 2] += 2 * raised_mm - thicker_mm
    rotor.thickness_mm = thickness_mm
    rotor.extra_mm[:] = 0.0
    rotor.heights += shift_mm
    return state


def _best_tried(sides: _Sides, begun: State, ring: Ring, priors: Priors) -> tuple[Adjustment, float]:
    """The best of `_tried` and its misfit, px; the rest are not tried once one fits well."""
    found: list[tuple[Adjustment, float]] = []
    for tried in _tried(sides, begun, ring, priors):
        found.append((tried, fit.misfit_px(tried, sides.shots)))
        best, misfit_px = min(found, key=lambda f: fit.rank(f[0], f[1], sides.shots))
        if misfit_px < REGISTER.good_misfit_px or fit.even(best, misfit_px, sides.shots):
            break
    return best, misfit_px


def _widened(sides: _Sides, best: Adjustment, misfit_px: float, ring: Ring, priors: Priors) -> tuple[Adjustment, float]:
    """The adjustment and its misfit, px, or those that edges looked for farther away lead to, where they fit better.

    Where edges still lie off, or were found on something else, the true ones are farther away than was looked.
    """
    found, begun = [(best, misfit_px)], best.state
    for search_px in WIDE_SEARCHES_PX:
        wide = _adjusted(sides.shots, begun, search_px, ring, priors)
        found.append((wide, fit.misfit_px(wide, sides.shots)))
        begun = wide.state
    return min(found, key=lambda f: fit.rank(f[0], f[1], sides.shots))


def _settled(sides: _Sides, best: Adjustment, misfit_px: float, ring: Ring, priors: Priors) -> tuple[Adjustment, float]:
    """The adjustment and its misfit, with edges looked for anew until the blades' ends stay where they are.

    The cost is flat along the wrap, which only heights and slopes together determine: one look may end half way.
    """
    for _ in range(MOST_EDGE_SEARCHES):
        tried = _adjusted(sides.shots, best.state, 3, ring, priors)
        tried_px = fit.misfit_px(tried, sides.shots)
        if tried_px > REGISTER.worse_fit_ratio * misfit_px:
            break
        before, after = best.state.rotor, tried.state.rotor
        moved_mm = float(np.abs(np.diff(after.ends) - np.diff(before.ends)).max()) * after.radius_mm
        best, misfit_px = tried, tried_px
        if moved_mm < LENGTH_TOLERANCE_MM:
            break
    return best, misfit_px


def _nudged(sides: _Sides, best: Adjustment, misfit_px: float, ring: Ring, priors: Priors) -> tuple[Adjustment, float]:
    """The best of the adjustment and of those begun with both ends matched a little to either side along the blades.

    Where edges were looked for from a wrong match, an end of a blade may be found at a place that holds it there.
    """
    others = [_readjusted(sides, state, ring, priors) for state in nudged(best.state)]
    return min([(best, misfit_px), *others], key=lambda f: f[1])


def nudged(state: State) -> Iterator[State]:
    """States of both setups with their ends matched a little to either side along the blades."""
    for nudge_rad in (-REGISTER.nudge_rad, REGISTER.nudge_rad):
        yield matched_farther(state, nudge_rad)


def matched_farther(state: State, by_rad: float) -> State:
    """The state with its setups matched so much farther along the blades, which are longer for it."""
    turned = state.setups.index("outlet_up")  # which shows the trailing ends where they are
    other = state.copy()
    other.rotor.ends[:, 1] += by_rad
    turn = rotation(np.array([0.0, 0.0, -state.rotor.turn * by_rad]))
    other.r_ring_rotor[turned] = other.r_ring_rotor[turned] @ turn
    return other


def _of_like_lengths(
    sides: _Sides, best: Adjustment, misfit_px: float, ring: Ring, priors: Priors
) -> tuple[Adjustment, float]:
    """The best of the adjustment and of those with one end of each odd blade where it is as long as the others.

    An end that was found at a wrong place holds its blade there: edges are looked for no farther. What fits as well and
    is more like rotors is taken; a blade that is shorter indeed comes back to where it was.
    """
    ends = best.state.rotor.ends
    wraps = np.diff(ends, axis=1)[:, 0]
    longer = np.median(wraps) - wraps
    odd = np.abs(longer) * best.state.rotor.radius_mm > REGISTER.odd_length_mm
    if len(wraps) < 3 or not odd.any():  # of two, neither is the odd one
        return best, misfit_px
    found = [(best.rotor_cost, misfit_px, best)]
    for leading in (True, False):
        state = best.state.copy()
        state.rotor.ends[odd] += longer[odd, None] * ([-1.0, 0.0] if leading else [0.0, 1.0])
        tried, tried_px = _readjusted(sides, state, ring, priors)
        if tried_px < REGISTER.worse_fit_ratio * misfit_px:
            found.append((tried.rotor_cost + REGISTER.least_cost_gain, tried_px, tried))
    _, misfit_px, best = min(found, key=lambda f: f[0])
    return best, misfit_px


def _readjusted(sides: _Sides, begun: State, ring: Ring, priors: Priors) -> tuple[Adjustment, float]:
    """The adjustment that a state which is some mm off comes to, and its misfit, px."""
    near = _adjusted(sides.shots, begun, 3, ring, priors)
    result = _adjusted(sides.shots, near.state, 2, ring, priors)
    return result, fit.misfit_px(result, sides.shots)


def _adjusted(shots: Sequence[Shot], state: State, search_px: int, ring: Ring, priors: Priors) -> Adjustment:
    """All photographs adjusted to the edges that lie within `search_px` of where a state predicts them."""
    views = observed(shots, state, search_px, 3.0)
    return adjust(ring, views, state, priors, most_iterations=25, must_settle=False)


def _starts(
    radii: Sequence[tuple[float, float]], first: Sequence[OutlinedShot]
) -> Iterator[tuple[float, float | None, bool]]:
    """Tip radii, mm, wraps, rad, to start from, and whether the radius is to be taken as it is.

    The likeliest first, then radii beside it, then other wraps. Blades of even pitch look alike wherever both setups
    are matched along them, so that the wrap may be far off; only the blade's other end, seen from the side, shows it.
    """
    for radius, clear in radii:
        if clear > REGISTER.clear_radius_sigmas or radius == radii[0][0]:
            yield radius, None, False
    for beside in (-0.25, 0.25, -0.5, 0.5):
        yield radii[0][0] + beside, None, True
    if len(first) > 1:
        seen = [max(t.angle[-1] for t in shot.teeth) for shot in first]
        for wrap in np.arange(max(seen) + 0.1, sum(seen), REGISTER.wrap_step_rad):
            yield radii[0][0], float(wrap), False


def _placed(shots: Sequence[Shot], overhead: Adjustment, ring: Ring) -> State:
    """The state of the overhead photographs with the others placed by their sight of the ring."""
    old, count = overhead.state, len(overhead.views)
    state = state_of(shots, old.camera, ring)
    state.r_camera_ring[:count], state.t_camera_ring[:count] = old.r_camera_ring, old.t_camera_ring
    sighted = tuple(ObservedView(s.name, s.setup, s.sighting.thinned(SHOTS.ring_every)) for s in shots)
    priors = Priors(old.camera, overhead.covariance[overhead.layout["camera"], overhead.layout["camera"]])
    placed = adjust(ring, sighted, state, priors, most_iterations=25, must_settle=False).state
    return with_rotor_of(placed, old)
