"""Shots -> the adjustment of all of them together, near enough to look for every edge where it lies."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache, partial

import numpy as np

from bladeangle.adjustment.adjust import Adjustment, adjust
from bladeangle.adjustment.model import TIP_KINDS, ObservedView, State, TipPoints
from bladeangle.adjustment.priors import Priors
from bladeangle.base.errors import AdjustmentError
from bladeangle.base.geometry import rotation
from bladeangle.detection import edges, oblique, start
from bladeangle.imaging.ring import Ring
from bladeangle.pipeline.outlines import Outlined, begun_alone
from bladeangle.pipeline.shots import (
    OutlinedShot,
    Shot,
    begun_state,
    observed,
    predicted,
    state_of,
    upper_edges,
    with_rotor_of,
)
from bladeangle.tuning.detection import OBLIQUE
from bladeangle.tuning.register import REGISTER, SHOTS

#: How often edges are looked for anew at most until the blades' lengths change by less than this, mm.
MOST_EDGE_SEARCHES = 5
LENGTH_TOLERANCE_MM = 0.3
#: How far away edges are looked for, px, one after the other, where they still lie off.
WIDE_SEARCHES_PX = (6, 6, 4, 3)
#: Overlaps that are tried where that of the blades is unusual.
TRIED_OVERLAPS = (0.75, 0.95, 1.15, 1.35, 1.6)
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
    edges.confirm_count(result.views, result.state)
    if others:
        result = register_all(first, others, result, ring, priors, progress)
    return Registered(outlined, (*first, *others), result)


def _teeth(shot: OutlinedShot, ring: Ring, priors: Priors) -> list[start.Tooth]:
    """The blades of an overhead photograph with heights from its sub-pixel points on the priors' tip radius."""
    state = begun_alone(shot, ring, priors)
    foot = state.on_cylinder(shot.tips.px, 0, 0, priors.radius_mm, shot.tips.far)
    foot = foot @ state.r_ring_rotor[0].T + [0.0, 0.0, state.t_ring_rotor[0, 2]]
    azimuth = np.arctan2(foot[:, 1], foot[:, 0])
    return start.refined_teeth(shot.teeth, shot.turn, shot.tips.blade, azimuth, foot[:, 2])


def _begin(first: Sequence[OutlinedShot], ring: Ring, priors: Priors, wrap_rad: float | None = None) -> State:
    """First rotor from the outlines of one overhead photograph of each setup, on the priors' tip radius."""
    teeth, axis = {}, {}
    for shot in first:
        teeth[shot.setup], axis[shot.setup] = _teeth(shot, ring, priors), shot.axis_mm
    away_mm = float(np.mean([s.pose.eye_mm[2] for s in first]))
    begun = start.first_rotor(
        teeth,
        first[0].turn,
        axis,
        priors.radius_mm,
        priors.thickness_mm,
        priors.rounding_mm,
        priors.radius_sigma_mm / priors.radius_mm * away_mm,
        wrap_rad,
    )
    state = begun_state(first, priors.camera, ring, begun)
    rise = begun.t_ring_rotor[:, 2]
    circles, owner = [], []
    for k, shot in enumerate(first):
        for circle in shot.circles:
            height = circle.height_mm if shot.setup == "inlet_up" else rise[k] - circle.height_mm
            circles.append((circle.radius_mm, height))
            owner.append(k)
    state.circles, state.circle_setup = np.array(circles), tuple(owner)
    return state


def adjusted_overhead(
    first: Sequence[OutlinedShot], ring: Ring, priors: Priors, wrap_rad: float | None = None, *, rough: bool = False
) -> Adjustment:
    """First adjustment, of one overhead photograph of each setup.

    Parameters
    ----------
    wrap_rad : wrap of the blades, where it is known better than from matching both setups.
    rough : to a few pixels, from the first look at the edges alone.
    """

    def near(state: State, known: bool) -> Adjustment:
        views = observed(first, state, 3, 5.0 if known else 3.0, known=known)
        return adjust(ring, views, state, priors, most_iterations=40, must_settle=False)

    result = near(_begin(first, ring, priors, wrap_rad), known=True)
    if not rough and len(first) > 1 and _strange(result):
        pitch = 2 * np.pi / len(first[0].teeth)
        others = [near(_begin(first, ring, priors, share * pitch), known=True) for share in TRIED_OVERLAPS]
        other = near(min(others, key=_deviance).state, known=True)
        if _deviance(other) + REGISTER.least_deviance_gain < _deviance(result):
            result = other
    if rough:
        return result
    return near(result.state, known=False)


def _strange(result: Adjustment) -> bool:
    """Whether two overhead photographs may have been matched at a wrong place along the blades.

    Signs are an unusual overlap, and blades that bend more than blades do: of twelve rendered pairs of used rotors
    the five that were matched more than 10 deg off bent by 2.5 to 4 times the variance expected, the others by up to
    1.3.
    """
    return (
        result.prior_cost["overlap"] > REGISTER.unusual_overlap_cost
        or result.birge_ratio_squared > REGISTER.unusual_birge_squared
    )


def _deviance(result: Adjustment) -> float:
    """How unlikely a rotor is: -2 log likelihood and a constant.

    By all that is known beforehand, and by edges that lie farther off than they are unsure; for comparing starts from
    the same photographs. Whether a rotor is like rotors at all, `Adjustment.implausibility` says.
    """
    tips = [(p, kind) for p, kinds in enumerate(result.scale) for kind in TIP_KINDS if kind in kinds]
    off = sum(len(result.weight[p][kind]) * 2 * np.log(max(result.scale[p][kind], 1.0)) for p, kind in tips)
    # the gauge only ties it to where it was begun
    return float(off + sum(cost for of, cost in result.prior_cost.items() if of != "gauge"))


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
    for radius_mm, wrap_rad, begun in _begun(sides, state, ring, priors):
        progress(f"adjusting all photographs on a tip radius of {radius_mm:.1f} mm")
        here, here_px = _best_tried(sides, begun, ring, priors)
        if misfit_px == np.inf or _rank(here, here_px, shots) < _rank(best, misfit_px, shots):
            best, misfit_px = here, here_px
        if _fits(best, misfit_px, sides.shots) or _even(best, misfit_px, sides.shots):
            break
        if wrap_rad is not None:
            other_wraps.append(here)
        if sum(_same_place(best, other) for other in other_wraps) >= REGISTER.enough_alike:
            break
    best, misfit_px = _settled(sides, best, misfit_px, ring, priors)
    if len(sides.first) > 1 and not _even(best, misfit_px, sides.shots):
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
        state = begun.copy()
        state.rotor.thickness_mm = thickness_mm
        state.rotor.extra_mm[:] = 0.0
        state.rotor.heights += shift_mm
        result = _adjusted(sides.shots, state, 6, ring, priors)
        rough.append((_misfit_px(result, sides.shots), result.state))
        if rough[-1][0] < REGISTER.rough_misfit_px:
            break
    for _, state in sorted(rough, key=lambda r: r[0]):
        yield _adjusted(sides.shots, state, 2, ring, priors)


def _best_tried(sides: _Sides, begun: State, ring: Ring, priors: Priors) -> tuple[Adjustment, float]:
    """The best of `_tried` and its misfit, px; the rest are not tried once one fits well."""
    found: list[tuple[Adjustment, float]] = []
    for tried in _tried(sides, begun, ring, priors):
        found.append((tried, _misfit_px(tried, sides.shots)))
        best, misfit_px = min(found, key=lambda f: _rank(f[0], f[1], sides.shots))
        if misfit_px < REGISTER.good_misfit_px or _even(best, misfit_px, sides.shots):
            break
    return best, misfit_px


def _settled(sides: _Sides, best: Adjustment, misfit_px: float, ring: Ring, priors: Priors) -> tuple[Adjustment, float]:
    """The adjustment and its misfit, with edges looked for anew until the blades' ends stay where they are.

    The cost is flat along the wrap, which only heights and slopes together determine: one look may end half way. Where
    edges still lie off, or were found on something else, the true ones are farther away than they were looked for.
    """
    if misfit_px > REGISTER.good_misfit_px:
        found, begun = [(best, misfit_px)], best.state
        for search_px in WIDE_SEARCHES_PX:
            wide = _adjusted(sides.shots, begun, search_px, ring, priors)
            found.append((wide, _misfit_px(wide, sides.shots)))
            begun = wide.state
        best, misfit_px = min(found, key=lambda f: f[1])
    for _ in range(MOST_EDGE_SEARCHES):
        tried = _adjusted(sides.shots, best.state, 3, ring, priors)
        tried_px = _misfit_px(tried, sides.shots)
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
    rotor = best.state.rotor
    found = [(best, misfit_px)]
    for nudge in (-REGISTER.nudge_rad, REGISTER.nudge_rad):
        state = best.state.copy()
        state.rotor.ends[:, 1] += nudge
        turned = state.setups.index("outlet_up")  # which shows the trailing ends where they are
        state.r_ring_rotor[turned] = state.r_ring_rotor[turned] @ rotation(np.array([0.0, 0.0, -rotor.turn * nudge]))
        found.append(_readjusted(sides, state, ring, priors))
    return min(found, key=lambda f: f[1])


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
            found.append((tried.rotor_cost + REGISTER.least_deviance_gain, tried_px, tried))
    _, misfit_px, best = min(found, key=lambda f: f[0])
    return best, misfit_px


def _readjusted(sides: _Sides, begun: State, ring: Ring, priors: Priors) -> tuple[Adjustment, float]:
    """The adjustment that a state which is some mm off comes to, and its misfit, px."""
    near = _adjusted(sides.shots, begun, 3, ring, priors)
    result = _adjusted(sides.shots, near.state, 2, ring, priors)
    return result, _misfit_px(result, sides.shots)


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


def _misfit_px(result: Adjustment, shots: Sequence[Shot]) -> float:
    """Root mean square distance, px, of the tip edges that should be seen, each at most `REGISTER.missing_edge_px`.

    Edges that are not found count as lying so far off, since a wrong start fits the few edges that it finds. It may fit
    with an implausible rotor instead, which adds `implausible_px` for each standard deviation beyond the usual.
    """
    if result.state.rotor.thickness_mm < REGISTER.thinnest_blade_mm:  # both edges were taken for one
        return REGISTER.missing_edge_px
    total, number = 0.0, 0
    for p, shot in enumerate(shots):
        wanted = sum(stretch.points for stretch in predicted(result.state, p, shot))
        off = np.concatenate([r for kind, r in result.residual_px[p].items() if kind in TIP_KINDS] or [np.zeros(0)])
        off = off[np.isfinite(off)] / shot.photo.scale
        lost = max(wanted - len(off), 0)
        total += float(np.minimum(off**2, REGISTER.missing_edge_px**2).sum()) + lost * REGISTER.missing_edge_px**2
        number += len(off) + lost
    unlike = REGISTER.implausible_px * max(result.implausibility() - REGISTER.usual_implausibility_sigmas, 0.0)
    return min(float(np.sqrt(total / max(number, 1))) + unlike, REGISTER.missing_edge_px)


def _upper_seen(result: Adjustment, shots: Sequence[Shot]) -> float:
    """Share of the upper edges of blades that is found in the photographs from the side; 1 without such photographs.

    A rotor too high by the thickness of its blades has its lower edges where the upper ones are, and nothing above.
    """
    counts = [upper_edges(result, p, shot) for p, shot in enumerate(shots) if not shot.overhead]
    found, wanted = np.sum(counts, axis=0) if counts else (0, 0)
    return float(found / wanted) if wanted else 1.0


def _rank(result: Adjustment, misfit_px: float, shots: Sequence[Shot]) -> tuple[bool, float]:
    """Less for the better of two adjustments: one that has upper edges where none are seen fits by the others alone."""
    return _upper_seen(result, shots) < REGISTER.least_seen_share, misfit_px


def _same_place(one: Adjustment, other: Adjustment) -> bool:
    """Whether two adjustments came to the same tip radius and wrap."""
    a, b = one.state.rotor, other.state.rotor
    wraps = [float(np.diff(rotor.ends, axis=1).mean()) for rotor in (a, b)]
    return (
        abs(a.radius_mm - b.radius_mm) < REGISTER.same_radius_mm and abs(wraps[0] - wraps[1]) < REGISTER.same_wrap_rad
    )


def _even(result: Adjustment, misfit_px: float, shots: Sequence[Shot]) -> bool:
    """Whether the tip edges scatter about a plausible rotor, with no part of a run of them off or missing."""
    if misfit_px > REGISTER.even_misfit_px or result.implausibility() > REGISTER.usual_implausibility_sigmas:
        return False
    if _farthest_px(result, shots) > REGISTER.even_run_px:
        return False
    return _upper_seen(result, shots) >= REGISTER.least_seen_share


def _fits(result: Adjustment, misfit_px: float, shots: Sequence[Shot]) -> bool:
    """Whether the tip edges lie where the adjustment has them, but for a few."""
    return (
        misfit_px < REGISTER.fitting_misfit_px
        and _upper_seen(result, shots) > REGISTER.least_seen_share
        and _farthest_px(result, shots) < REGISTER.missed_run_px
    )


def _farthest_px(result: Adjustment, shots: Sequence[Shot]) -> float:
    """The largest median distance, px, of a third of a run of tip edge, one blade's in one photograph."""
    farthest = 0.0
    for p, (view, shot) in enumerate(zip(result.views, shots, strict=True)):
        for kind, face in TIP_KINDS.items():
            if (tips := view.tips_of(face)) is None:
                continue
            off_px = result.residual_px[p][kind] / shot.photo.scale
            for blade in np.unique(tips.blade):
                run = off_px[(tips.blade == blade) & np.isfinite(off_px)]
                if parts := min(len(run) // REGISTER.even_run_points, 3):
                    farthest = max(farthest, *(abs(float(np.median(r))) for r in np.array_split(run, parts)))
    return farthest
