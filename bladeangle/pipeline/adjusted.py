"""Registered photographs -> their final adjustment, to every edge that they show."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from bladeangle.adjustment.adjust import Adjustment, adjust
from bladeangle.adjustment.model import TIP_KINDS, ObservedView, State, unmoved
from bladeangle.adjustment.priors import Priors
from bladeangle.adjustment.rotor import Rotor
from bladeangle.base.errors import AdjustmentError
from bladeangle.detection.edges import upper_face
from bladeangle.imaging.ring import Ring
from bladeangle.pipeline import fit
from bladeangle.pipeline.lower_ends import matched_at_lower_ends
from bladeangle.pipeline.mixups import two_rotors
from bladeangle.pipeline.options import Options, calipers_of
from bladeangle.pipeline.overlap import Overlaps, ends_unseen, most_likely, overlaps
from bladeangle.pipeline.register import Registered, nudged, on_other_lands
from bladeangle.pipeline.shots import Shot, observed
from bladeangle.pipeline.unlike import as_others, without_upper
from bladeangle.results.angles import arc_of
from bladeangle.results.contradicted import Run, contradicted_runs
from bladeangle.results.diagnostics import unlike_blades
from bladeangle.tuning.blade_ends import LOWER_ENDS
from bladeangle.tuning.pipeline import ADJUSTED
from bladeangle.tuning.register import REGISTER
from bladeangle.tuning.results import DIAGNOSTICS

#: How often edges are looked for where the adjustment has them, while blades move or lie off in a photograph.
MOST_LOOKS = 3
#: How many runs of edge that all else contradicts are left out at most.
MOST_CONTRADICTED = 4


@dataclass(frozen=True)
class Adjusted:
    """Photographs in the order of the adjustment's views, the priors, and the final adjustment.

    overlaps : of the blades that are likely, where photographs show nothing of it.
    believed : the adjustment with every run of edge believed alike. Photographs of two rotors contradict each other
    there; the final one would take what contradicts for errors of runs.
    """

    registered: Registered
    shots: tuple[Shot, ...]
    priors: Priors
    result: Adjustment
    believed: Adjustment
    overlaps: Overlaps | None = None


def adjusted(registered: Registered, options: Options) -> Adjusted:
    """The final adjustment; AdjustmentError where it does not converge."""
    shots, before = registered.shots, registered.result.state
    calipers = calipers_of(options, tip_length_mm(before.rotor))
    priors = replace(registered.outlined.priors, calipers=calipers)
    state = replace(before, moves=unmoved([shot.setup for shot in shots]))
    ring = registered.outlined.ring
    for _ in range(MOST_LOOKS):
        result = _looked(shots, state, ring, priors)
        moved_mm, state = _moved_mm(state.rotor, result.state.rotor), result.state
        if moved_mm < ADJUSTED.settled_mm or all(shot.overhead for shot in shots):
            break  # lands, which may be taken for their other edge, are seen from the side alone
    if _off(result):
        result = _put_right(shots, result, ring, priors)
    if not result.from_above:
        result = _with_blades_alike(shots, result, ring, priors)
    sided = len(result.state.setups) > 1 and not result.from_above
    if sided:
        if not _lower_edges(result):
            result = _on_another_land(registered, result, priors)
        result = _matched_at_lower_ends(shots, result, ring, priors)
    if not result.from_above:
        result = _without_contradicted(shots, result, ring, priors, options)
    if sided and two_rotors(_believed(result, ring, priors)):
        result = _matched_anew(shots, result, ring, priors)
    found = None
    if ends_unseen(shots, result):
        with contextlib.suppress(AdjustmentError):
            found = overlaps(result, ring, priors)
            result = most_likely(found, ring, priors)
    return Adjusted(registered, shots, priors, result, _believed(result, ring, priors), found)


def _looked(shots: Sequence[Shot], state: State, ring: Ring, priors: Priors, end_mm: float | None = None) -> Adjustment:
    """The adjustment to all edges that are seen where a state has them; end_mm : how far off ends may be."""
    views = observed(shots, state, 0, ADJUSTED.end_search_mm if end_mm is None else end_mm, last=True)
    return adjust(ring, views, state, priors)


def _moved_mm(before: Rotor, after: Rotor) -> float:
    """How far the tip of a blade has moved up or down at most, mm, at the places along it that both have."""
    moved = []
    for b in range(after.blades):
        tau = np.linspace(max(before.ends[b, 0], after.ends[b, 0]), min(before.ends[b, 1], after.ends[b, 1]), 30)
        heights = [r.basis.values(tau, r.heights, np.full(len(tau), b)) for r in (before, after)]
        moved.append(float(np.abs(heights[1] - heights[0]).max()))
    return max(moved)


def _put_right(shots: Sequence[Shot], result: Adjustment, ring: Ring, priors: Priors) -> Adjustment:
    """An adjustment in which blades lie off, or the first of others in which they do not.

    An edge that was taken for the other one of its land is where the adjustment has it now; where that was so in many
    photographs, the others show it only then. And below a thin blade the edge of a shadow is taken for the lower edge
    of the tip land; the other lower edges say enough without it, or the upper ones alone.
    """
    tried = result
    for _ in range(MOST_LOOKS):
        tried = _looked(shots, tried.state, ring, priors)
        if not _off(tried):
            return tried
    for all_lower in (False, True):
        fewer = tuple(_less_lower(result, p, all_lower) for p in range(len(shots)))
        tried = adjust(ring, fewer, result.state, priors)
        if not _off(tried):
            return tried
    return result


def _with_blades_alike(shots: Sequence[Shot], result: Adjustment, ring: Ring, priors: Priors) -> Adjustment:
    """An adjustment, or the best of others in which no blade is unlike the others, where that fits better."""
    tried = _made_alike(shots, result, ring, priors)
    return _best(shots, result, [one for one in tried if not unlike_blades(one.state.rotor)])


def _made_alike(shots: Sequence[Shot], result: Adjustment, ring: Ring, priors: Priors) -> Iterator[Adjustment]:
    """Adjustments with each unlike blade looked for where the others are, and without its upper edges.

    Without these no edges are looked for: they would be found where they were.
    """
    for blade in unlike_blades(result.state.rotor):
        with contextlib.suppress(AdjustmentError):
            yield _looked_anew(shots, as_others(result.state, blade), ring, priors)
        with contextlib.suppress(AdjustmentError):
            yield adjust(ring, without_upper(result, blade), result.state, priors)


def _looked_anew(shots: Sequence[Shot], state: State, ring: Ring, priors: Priors) -> Adjustment:
    """The adjustment to the edges that are seen where earlier looks bring a state that is off.

    What of them is right is not believed at once beside what is not, so that one look is not enough.
    """
    for _ in range(MOST_LOOKS):
        result = _looked(shots, state, ring, priors)
        state = result.state
    return result


def _best(shots: Sequence[Shot], result: Adjustment, others: Sequence[Adjustment]) -> Adjustment:
    """Whichever fits best, an adjustment or one of others in its stead."""
    return min((result, *others), key=lambda one: fit.misfit_px(one, shots)) if others else result


def _without_contradicted(
    shots: Sequence[Shot], result: Adjustment, ring: Ring, priors: Priors, options: Options
) -> Adjustment:
    """An adjustment without the runs of edge that all else contradicts, with edges looked for where it is then.

    One that is still contradicted where it is found next stays out.
    """
    out: set[tuple[int, int, int, bool]] = set()
    for _ in range(MOST_CONTRADICTED):
        runs = contradicted_runs(result, options.stations)
        if not runs:
            break
        out.add(runs[0].place)
        try:
            fewer = adjust(ring, _views_without(result, runs[:1]), result.state, priors)
            looked = _looked(shots, fewer.state, ring, priors)
            again = [run for run in contradicted_runs(looked, options.stations) if run.place in out]
            result = adjust(ring, _views_without(looked, again), looked.state, priors) if again else looked
        except AdjustmentError:
            break
    return result


def _believed(result: Adjustment, ring: Ring, priors: Priors) -> Adjustment:
    """The adjustment with every run of edge believed alike."""
    scales = [scale.max(initial=1.0) for of_photo in result.run_scale for scale in of_photo.values()]
    if max(scales, default=1.0) > ADJUSTED.alike_run_scale:
        with contextlib.suppress(AdjustmentError):
            return adjust(ring, result.views, result.state, priors, believed=True)
    return result


def _views_without(result: Adjustment, runs: Sequence[Run]) -> tuple[ObservedView, ...]:
    """The views of an adjustment without some runs of edge."""
    views = list(result.views)
    for run in runs:
        views[run.photo] = run.of(views[run.photo])
    return tuple(views)


def _lower_edges(result: Adjustment) -> int:
    """How many points lie on the lower edges of tip lands."""
    tips = [(view.tips, upper_face(view.setup)) for view in result.views if view.tips is not None]
    return sum(int((points.face != upper).sum()) for points, upper in tips)


def _on_another_land(registered: Registered, result: Adjustment, priors: Priors) -> Adjustment:
    """An adjustment without lower edges, or the best of others that have them, fit better and have no blade lie off.

    What was taken for the upper edge may be the lower one, on too large a tip radius; below it nothing is seen then.
    """
    shots, ring = registered.shots, registered.outlined.ring
    others = []
    for begun in on_other_lands(registered, result, priors):
        with contextlib.suppress(AdjustmentError):
            others.append(_looked_anew(shots, begun.state, ring, priors))
    return _best(shots, result, [tried for tried in others if _lower_edges(tried) and not _off(tried)])


def _matched_at_lower_ends(shots: Sequence[Shot], result: Adjustment, ring: Ring, priors: Priors) -> Adjustment:
    """The adjustment, or another one whose lower ends are where they are seen from the side, where it fits as well."""
    with contextlib.suppress(AdjustmentError):
        near = matched_at_lower_ends(shots, result, ring, priors)
        if near is not None:
            near = _looked(shots, near.state, ring, priors, LOWER_ENDS.search_mm)
            there = _looked(shots, near.state, ring, priors)
            if fit.misfit_px(there, shots) < REGISTER.worse_fit_ratio * fit.misfit_px(result, shots):
                return there
    return result


def _matched_anew(shots: Sequence[Shot], result: Adjustment, ring: Ring, priors: Priors) -> Adjustment:
    """An adjustment that shows two rotors, or the first of those matched beside it along the blades that shows one.

    Blades of even pitch fit one another nearly as well a millimetre or two farther on, and edges of the one setup that
    were looked for there hold it there.
    """
    for begun in nudged(result.state):
        with contextlib.suppress(AdjustmentError):
            near = adjust(ring, result.views, begun, priors)
            tried = _looked(shots, near.state, ring, priors)
            if not (two_rotors(_believed(tried, ring, priors)) or _off(tried)):
                return tried
    return result


def _less_lower(result: Adjustment, photo: int, all_lower: bool) -> ObservedView:
    """A view without the lower edges of tip lands: of all blades, or of those where they lie off."""
    view = result.views[photo]
    if view.tips is None:
        return view
    keep = np.ones(len(view.tips.px), bool)
    for kind, face in TIP_KINDS.items():
        if face == upper_face(view.setup):
            continue
        lower = view.tips.face == face
        for blade in np.unique(view.tips.blade[lower]):
            clear = (view.tips.blade[lower] == blade) & (view.tips.shared_px[lower] == 0)  # as `rms_px` counts them
            off_px = result.residual_px[photo][kind][clear]
            if all_lower or (len(off_px) and np.sqrt(np.nanmean(off_px**2)) > DIAGNOSTICS.doubted_rms_px):
                keep[lower & (view.tips.blade == blade)] = False
    return replace(view, tips=view.tips.only(keep))


def _off(result: Adjustment) -> bool:
    """Whether blades lie off in a photograph, so that it would be doubted."""
    photos = range(len(result.views))
    return any(result.rms_px(p, kind) > DIAGNOSTICS.doubted_rms_px for p in photos for kind in TIP_KINDS)


def tip_length_mm(rotor: Rotor) -> float:
    """Length along the tip, mm, of the middle one of a rotor's blades."""
    return float(np.median([arc_of(rotor, b, rotor.ends[b], 200)[1][-1] for b in range(rotor.blades)]))
