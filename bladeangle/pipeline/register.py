"""Shots -> the adjustment of all of them together, near enough to look for every edge where it lies."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from bladeangle.adjustment.adjust import Adjustment, adjust
from bladeangle.adjustment.model import TIP_KINDS, ObservedView, State, TipPoints
from bladeangle.adjustment.priors import Priors
from bladeangle.base.errors import AdjustmentError
from bladeangle.base.flags import Flag
from bladeangle.base.geometry import Array, rotation
from bladeangle.detection import edges, hub, oblique, outline, start
from bladeangle.imaging.ring import Ring
from bladeangle.pipeline.shots import RING_EVERY, Shot, observed, state_of

#: Heights searched for the tips on the guessed cylinder, mm; wide, since a wrong radius shifts heights.
HEIGHTS_MM = (-60.0, 105.0)
#: Margin kept from the ring's inner radius, mm.
RING_MARGIN_MM = 1.5
# Pixels are those of a photograph of the usual size, as edges lie off by so many millimetres.
#: What an edge that should be seen and is not found counts as lying off, px, and the most that any counts.
MISSING_EDGE_PX = 1.0
#: How often edges are looked for anew at most until the blades' lengths change by less than this, mm; a look after
#: which they fit worse than this many times is not kept.
MOST_EDGE_SEARCHES = 5
LENGTH_TOLERANCE_MM = 0.3
#: By how much wraps are nudged to see whether they come back, rad.
NUDGE_RAD = 0.05
WORSE_FIT_RATIO = 1.03
#: What each standard deviation counts, px, by which the rotor found is more unlike rotors than usual.
IMPLAUSIBLE_PX, USUAL_IMPLAUSIBILITY = 0.02, 2.0
#: Tip edges that lie no farther off than this on the mean, px, are the right ones (no farther than this after a rough
#: adjustment, very likely), else other thicknesses are tried; if then they still lie farther off than this, other radii
#: and wraps; farther off than this, the photographs are refused; thinner blades than this, mm, are not believed.
GOOD_MISFIT_PX = 0.4
ROUGH_MISFIT_PX = 0.5
FITTING_MISFIT_PX = 0.52
REFUSED_MISFIT_PX = 0.8
THINNEST_BLADE_MM = 0.3
#: Blades whose overlap is as unusual as this, a square in standard uncertainties, are tried once more from usual ones:
#: both setups may have been matched at a wrong place.
UNUSUAL_OVERLAP_COST = 1.5
#: Likewise where the blades bend by as many times what is expected, and the overlaps that are tried.
UNUSUAL_BIRGE_SQUARED = 1.6
TRIED_OVERLAPS = (0.75, 0.95, 1.15, 1.35, 1.6)
#: By how much lower the deviance of the other must be (nearly three times as likely).
LEAST_DEVIANCE_GAIN = 2.0
#: Steps of the wraps that are tried, rad.
WRAP_STEP_RAD = 0.2
#: Half the range, mm, in which a radius is looked for again, and its steps.
NARROW_RADIUS_MM, NARROW_RADIUS_STEPS = 1.5, 30
#: How clear the radius seen by oblique photographs must be, robust standard deviations.
CLEAR_RADIUS_SCORE = 5.0


def find_outlines(first: Sequence[Shot], ring: Ring, priors: Priors) -> list[Flag]:
    """Give overhead photographs of one rotor their hub circles, blades in the order of their numbers, and tip points.

    Raises
    ------
    EdgesError : no circle, no outline of blade tips, or not clearly the same number of blades and hand in all.
    """
    flags = []
    looks = [_look(shot, ring, priors) for shot in first]
    for shot, found in zip(first, outline.find_outlines(looks), strict=True):
        shot.circles = [c.on(found.rim_mm, shot.pose.eye_mm) for c in shot.circles]
        shot.teeth, off_deg = start.teeth_of(found, shot.setup, ring.index_azimuth_deg)
        shot.turn = found.turn
        state = _begin_alone(shot, ring, priors)
        shot.tips = edges.measure_tips(shot.photo, state, 0, 0, shot.sighting.blur_px, 8)
        if off_deg > 0.3 * 360 / len(shot.teeth):
            text = f"The nearest blade is {off_deg:.0f} deg from the arrow."
            flags.append(Flag("blade-1-far-from-arrow", text, shot.name))
    return flags


def _look(shot: Shot, ring: Ring, priors: Priors) -> outline.Look:
    """Give an overhead photograph its hub circles, and say how its tips are to be looked for round them."""
    alone = state_of([shot], priors.camera, ring)
    eye = shot.pose.eye_mm

    def to_pixels(points: Array) -> Array:
        return alone.pixels_of(points, 0)

    def beyond_mm(points: Array) -> Array:
        foot = eye[:2] + (points[:, :2] - eye[:2]) * (eye[2] / (eye[2] - points[:, 2]))[:, None]
        out: Array = np.hypot(foot[:, 0], foot[:, 1]) - (ring.inner_radius_mm - RING_MARGIN_MM)
        return out

    shot.circles = hub.find_hub(shot.photo, hub.Plane(to_pixels), np.zeros(2), shot.sighting.blur_px)
    rim = hub.rim_of(shot.circles)

    def axis_mm(rim_mm: float) -> Array:
        return rim.on(rim_mm, eye).centre_mm

    return outline.Look(shot.photo, to_pixels, priors.radius_mm, axis_mm, HEIGHTS_MM, beyond_mm)


def _begin_alone(shot: Shot, ring: Ring, priors: Priors) -> State:
    """The state of one overhead photograph, with the rotor as its outline alone shows it."""
    begun = start.first_rotor(
        {shot.setup: shot.teeth},
        shot.turn,
        {shot.setup: shot.axis_mm},
        priors.radius_mm,
        priors.thickness_mm,
        priors.rounding_mm,
    )
    return state_of([shot], priors.camera, ring, begun)


def _teeth(shot: Shot, ring: Ring, priors: Priors) -> list[start.Tooth]:
    """The blades of an overhead photograph with heights from its sub-pixel points on the priors' tip radius."""
    assert shot.tips is not None
    state = _begin_alone(shot, ring, priors)
    foot = state.on_cylinder(shot.tips.px, 0, 0, priors.radius_mm, shot.tips.far)
    foot = foot @ state.r_ring_rotor[0].T + [0.0, 0.0, state.t_ring_rotor[0, 2]]
    azimuth = np.arctan2(foot[:, 1], foot[:, 0])
    return start.refined_teeth(shot.teeth, shot.turn, shot.tips.blade, azimuth, foot[:, 2])


def _begin(first: Sequence[Shot], ring: Ring, priors: Priors, wrap_rad: float | None = None) -> State:
    """First rotor from the outlines of one overhead photograph of each standing position, on the priors' tip radius."""
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
    state = state_of(first, priors.camera, ring, begun)
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
    first: Sequence[Shot], ring: Ring, priors: Priors, wrap_rad: float | None = None, *, rough: bool = False
) -> Adjustment:
    """First adjustment, of one overhead photograph of each standing position.

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
        if _deviance(other) + LEAST_DEVIANCE_GAIN < _deviance(result):
            result = other
    if rough:
        return result
    return near(result.state, known=False)


def _strange(result: Adjustment) -> bool:
    """Whether two overhead photographs may have been matched at a wrong place along the blades.

    An unusual overlap tells, and so do blades that bend more than blades do: of twelve rendered pairs of used rotors
    the five that were matched more than 10 deg off bent by 2.5 to 4 times the variance expected, the others by up to
    1.3.
    """
    return result.prior_cost["overlap"] > UNUSUAL_OVERLAP_COST or result.birge_ratio_squared > UNUSUAL_BIRGE_SQUARED


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
    shots: Sequence[Shot], overhead: Adjustment, ring: Ring, priors: Priors, progress: Callable[[str], None]
) -> Adjustment:
    """Bring in the other photographs: place them by the ring, then take the tip radius that fits all of them best.

    Parameters
    ----------
    shots : all, beginning with those of the adjustment from `overhead`, in its order.

    Raises
    ------
    AdjustmentError : the oblique photographs do not fit the overhead ones.
    """
    state = _placed(shots, overhead, ring)
    if all(s.overhead for s in shots):
        return _adjusted(shots, state, 6, ring, priors)
    sides = _Sides.of(shots, overhead, state)
    progress("finding tip radius and thickness from the oblique photographs")
    best, misfit_px = overhead, np.inf
    for radius_mm, wrap_rad, sure in _starts(sides.radii(state), sides.first):
        begun = _on_radius(sides, state, ring, priors, radius_mm, wrap_rad, sure)
        progress(f"adjusting all photographs on a tip radius of {radius_mm:.1f} mm")
        for tried in _tried(sides, begun, ring, priors):
            if (tried_px := _misfit_px(tried, sides.shots)) < misfit_px:
                best, misfit_px = tried, tried_px
            if misfit_px < GOOD_MISFIT_PX:
                break
        if misfit_px < FITTING_MISFIT_PX:
            break
    best, misfit_px = _settled(sides, best, misfit_px, ring, priors)
    if len(sides.first) > 1:
        best, misfit_px = _nudged(sides, best, misfit_px, ring, priors)
    if misfit_px > REFUSED_MISFIT_PX:
        raise AdjustmentError(
            "The photographs from the side do not fit those from above.",
            "Was the rotor moved, or another one photographed? Take those from the side again without touching it.",
        )
    return best


@dataclass(frozen=True)
class _Sides:
    """What is asked of the oblique photographs: all shots, the `first` of them adjusted from overhead, their points."""

    shots: Sequence[Shot]
    first: Sequence[Shot]
    slanted: list[int]
    setup_of: list[int]
    above: list[tuple[int, TipPoints]]
    blur_px: float

    @classmethod
    def of(cls, shots: Sequence[Shot], overhead: Adjustment, state: State) -> _Sides:
        """Of all shots, beginning with those of the adjustment from overhead."""
        return cls(
            shots,
            shots[: len(overhead.views)],
            [i for i, s in enumerate(shots) if not s.overhead],
            [state.setups.index(s.setup) for s in shots],
            [(i, v.tips) for i, v in enumerate(overhead.views) if v.tips is not None],
            float(np.median([s.sighting.blur_px for s in shots])),
        )

    def radii(
        self, state: State, range_mm: float = oblique.RADIUS_RANGE_MM, steps: int = oblique.RADIUS_STEPS
    ) -> list[tuple[float, float]]:
        """Tip radii, mm, within a range about the state's, and how clear each is, the clearest first."""
        photos = [s.photo for s in self.shots]
        return oblique.find_radius(
            photos, state, self.above, self.slanted, self.setup_of, self.blur_px, range_mm, steps
        )

    def thicknesses(self, state: State) -> list[tuple[float, float]]:
        """Thicknesses of the tip and shifts of the mid-lines that go with them, mm, the likeliest first."""
        photos = [s.photo for s in self.shots]
        return oblique.find_thickness(photos, state, self.slanted, self.setup_of, self.blur_px)


def _on_radius(
    sides: _Sides, placed: State, ring: Ring, priors: Priors, radius_mm: float, wrap_rad: float | None, sure: bool
) -> State:
    """The placed photographs with the rotor as those from overhead show it on a tip radius."""
    state = placed.copy()
    # twice: a wrong radius puts the axis a little off too, and that shifts the answer
    for again in (False,) if sure else (True, False):
        # the camera as the ring in all photographs has it: an assumed focal length would bend the first rotor
        near = replace(priors, camera=placed.camera, radius_mm=radius_mm, radius_sigma_mm=0.1)
        _adopt_rotor(state, adjusted_overhead(sides.first, ring, near, wrap_rad, rough=True).state)
        if again:
            nearer_mm, clear = sides.radii(state, NARROW_RADIUS_MM, NARROW_RADIUS_STEPS)[0]
            if clear > CLEAR_RADIUS_SCORE:
                radius_mm = nearer_mm
    return state


def _tried(sides: _Sides, begun: State, ring: Ring, priors: Priors) -> Iterator[Adjustment]:
    """All photographs adjusted with each thickness at the tip that they show, the one that fits best at once first."""
    rough: list[tuple[float, State]] = []
    for thickness_mm, shift_mm in sides.thicknesses(begun):
        state = begun.copy()
        assert state.rotor is not None
        state.rotor.thickness_mm = thickness_mm
        state.rotor.extra_mm[:] = 0.0
        state.rotor.heights += shift_mm
        result = _adjusted(sides.shots, state, 6, ring, priors)
        rough.append((_misfit_px(result, sides.shots), result.state))
        if rough[-1][0] < ROUGH_MISFIT_PX:
            break
    for _, state in sorted(rough, key=lambda r: r[0]):
        yield _adjusted(sides.shots, state, 2, ring, priors)


def _settled(sides: _Sides, best: Adjustment, misfit_px: float, ring: Ring, priors: Priors) -> tuple[Adjustment, float]:
    """The adjustment and its misfit, with edges looked for anew until the blades' ends stay where they are.

    Valleys are flat along the wrap, which heights and slopes tell only together, so that one look may end half way.
    """
    for _ in range(MOST_EDGE_SEARCHES):
        tried = _adjusted(sides.shots, best.state, 3, ring, priors)
        tried_px = _misfit_px(tried, sides.shots)
        if tried_px > WORSE_FIT_RATIO * misfit_px:
            break
        before, after = best.state.rotor, tried.state.rotor
        assert before is not None and after is not None
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
    assert rotor is not None
    found = [(misfit_px, best)]
    for nudge in (-NUDGE_RAD, NUDGE_RAD):
        state = best.state.copy()
        assert state.rotor is not None
        state.rotor.ends[:, 1] += nudge
        turned = state.setups.index("outlet_up")  # which shows the trailing ends where they are
        state.r_ring_rotor[turned] = state.r_ring_rotor[turned] @ rotation(np.array([0.0, 0.0, -rotor.turn * nudge]))
        tried = _adjusted(sides.shots, _adjusted(sides.shots, state, 3, ring, priors).state, 2, ring, priors)
        found.append((_misfit_px(tried, sides.shots), tried))
    misfit_px, best = min(found, key=lambda f: f[0])
    return best, misfit_px


def _adjusted(shots: Sequence[Shot], state: State, search_px: int, ring: Ring, priors: Priors) -> Adjustment:
    """All photographs adjusted to the edges that lie within `search_px` of where a state predicts them."""
    views = observed(shots, state, search_px, 3.0)
    return adjust(ring, views, state, priors, most_iterations=25, must_settle=False)


def _starts(radii: Sequence[tuple[float, float]], first: Sequence[Shot]) -> Iterator[tuple[float, float | None, bool]]:
    """Tip radii, mm, wraps, rad, to start from, and whether the radius is to be taken as it is.

    The likeliest first, then radii beside it, then other wraps. Blades of even pitch look alike wherever both setups
    are matched along them, so that the wrap may be far off; only the blade's other end, seen from the side, tells.
    """
    for radius, clear in radii:
        if clear > CLEAR_RADIUS_SCORE or radius == radii[0][0]:
            yield radius, None, False
    for beside in (-0.5, 0.5):
        yield radii[0][0] + beside, None, True
    if len(first) > 1:
        seen = [max(t.angle[-1] for t in shot.teeth) for shot in first]
        for wrap in np.arange(max(seen) + 0.1, sum(seen), WRAP_STEP_RAD):
            yield radii[0][0], float(wrap), False


def _placed(shots: Sequence[Shot], overhead: Adjustment, ring: Ring) -> State:
    """The state of the overhead photographs with the others placed by their sight of the ring."""
    old, count = overhead.state, len(overhead.views)
    state = state_of(shots, old.camera, ring)
    state.r_camera_ring[:count], state.t_camera_ring[:count] = old.r_camera_ring, old.t_camera_ring
    sighted = tuple(ObservedView(s.name, s.setup, s.sighting.thinned(RING_EVERY)) for s in shots)
    priors = Priors(old.camera, overhead.covariance[overhead.layout["camera"], overhead.layout["camera"]])
    state = adjust(ring, sighted, state, priors, most_iterations=25, must_settle=False).state
    _adopt_rotor(state, old)
    return state


def _misfit_px(result: Adjustment, shots: Sequence[Shot]) -> float:
    """Root mean square distance, px, of the tip edges that should be seen, each at most `MISSING_EDGE_PX`.

    Edges that are not found count as lying so far off, since a wrong start fits the few edges that it finds. It may fit
    with an implausible rotor instead, which adds `IMPLAUSIBLE_PX` for each standard deviation beyond the usual.
    """
    state = result.state
    assert state.rotor is not None
    if state.rotor.thickness_mm < THINNEST_BLADE_MM:  # both edges were taken for one
        return MISSING_EDGE_PX
    total, number = 0.0, 0
    for p, shot in enumerate(shots):
        setup = state.setups.index(shot.setup)
        stretches = edges.predicted(state, p, setup, (shot.photo.width, shot.photo.height))
        wanted = sum(len(stretch.px) // stretch.point_px for stretch in stretches)
        off = np.concatenate([r for kind, r in result.residual_px[p].items() if kind in TIP_KINDS] or [np.zeros(0)])
        off = off[np.isfinite(off)] / shot.photo.scale
        lost = max(wanted - len(off), 0)
        total += float(np.minimum(off**2, MISSING_EDGE_PX**2).sum()) + lost * MISSING_EDGE_PX**2
        number += len(off) + lost
    unlike = IMPLAUSIBLE_PX * max(result.implausibility() - USUAL_IMPLAUSIBILITY, 0.0)
    return min(float(np.sqrt(total / max(number, 1))) + unlike, MISSING_EDGE_PX)


def _adopt_rotor(state: State, source: State) -> None:
    """Take rotor, setups and hub circles from another state."""
    state.setups, state.r_ring_rotor, state.t_ring_rotor = source.setups, source.r_ring_rotor, source.t_ring_rotor
    state.rotor, state.circles, state.circle_setup = source.rotor, source.circles, source.circle_setup
