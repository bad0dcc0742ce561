"""Adjustment and photographs -> how well the tip edges that should be seen lie where it has them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from bladeangle.adjustment.adjust import Adjustment
from bladeangle.adjustment.model import TIP_KINDS
from bladeangle.pipeline.shots import Shot, predicted, upper_edges
from bladeangle.tuning.register import REGISTER


def misfit_px(result: Adjustment, shots: Sequence[Shot]) -> float:
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


def upper_seen(result: Adjustment, shots: Sequence[Shot]) -> float:
    """Share of the upper edges of blades that is found in the photographs from the side; 1 without such photographs.

    A rotor too high by the thickness of its blades has its lower edges where the upper ones are, and nothing above.
    """
    counts = [upper_edges(result, p, shot) for p, shot in enumerate(shots) if not shot.overhead]
    found, wanted = np.sum(counts, axis=0) if counts else (0, 0)
    return float(found / wanted) if wanted else 1.0


def rank(result: Adjustment, misfit_px: float, shots: Sequence[Shot]) -> tuple[bool, float]:
    """Less for the better of two adjustments: one that has upper edges where none are seen fits by the others alone."""
    return upper_seen(result, shots) < REGISTER.least_seen_share, misfit_px


def same_place(one: Adjustment, other: Adjustment) -> bool:
    """Whether two adjustments came to the same tip radius and wrap."""
    a, b = one.state.rotor, other.state.rotor
    wraps = [float(np.diff(rotor.ends, axis=1).mean()) for rotor in (a, b)]
    return (
        abs(a.radius_mm - b.radius_mm) < REGISTER.same_radius_mm and abs(wraps[0] - wraps[1]) < REGISTER.same_wrap_rad
    )


def even(result: Adjustment, misfit_px: float, shots: Sequence[Shot]) -> bool:
    """Whether the tip edges scatter about a plausible rotor, with no part of a run of them off or missing."""
    if misfit_px > REGISTER.even_misfit_px or result.implausibility() > REGISTER.usual_implausibility_sigmas:
        return False
    if farthest_px(result, shots) > REGISTER.even_run_px:
        return False
    return upper_seen(result, shots) >= REGISTER.least_seen_share


def right(result: Adjustment, misfit_px: float, shots: Sequence[Shot]) -> bool:
    """Whether this is the right place, so that no other need be tried."""
    return _fits(result, misfit_px, shots) or even(result, misfit_px, shots)


def _fits(result: Adjustment, misfit_px: float, shots: Sequence[Shot]) -> bool:
    """Whether the tip edges lie where the adjustment has them, but for a few."""
    return (
        misfit_px < REGISTER.fitting_misfit_px
        and upper_seen(result, shots) > REGISTER.least_seen_share
        and farthest_px(result, shots) < REGISTER.missed_run_px
    )


def farthest_px(result: Adjustment, shots: Sequence[Shot]) -> float:
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
