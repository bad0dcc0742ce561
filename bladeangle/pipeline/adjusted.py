"""Registered photographs -> their final adjustment, to every edge that they show."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from bladeangle.adjustment.adjust import Adjustment, adjust
from bladeangle.adjustment.model import TIP_KINDS, State, unmoved
from bladeangle.adjustment.priors import Priors
from bladeangle.adjustment.rotor import Rotor
from bladeangle.imaging.ring import Ring
from bladeangle.pipeline.options import Options, calipers_of
from bladeangle.pipeline.register import Registered
from bladeangle.pipeline.shots import Shot, observed
from bladeangle.results.angles import arc_of
from bladeangle.tuning.pipeline import ADJUSTED
from bladeangle.tuning.results import DIAGNOSTICS


@dataclass(frozen=True)
class Adjusted:
    """Photographs in the order of the adjustment's views, the priors, and the final adjustment."""

    registered: Registered
    shots: tuple[Shot, ...]
    priors: Priors
    result: Adjustment


def adjusted(registered: Registered, options: Options) -> Adjusted:
    """The final adjustment; AdjustmentError where it does not converge."""
    shots, before = registered.shots, registered.result.state
    calipers = calipers_of(options, tip_length_mm(before.rotor))
    priors = replace(registered.outlined.priors, calipers=calipers)
    state = replace(before, moves=unmoved([shot.setup for shot in shots]))
    result = _seen_at(shots, state, registered.outlined.ring, priors)
    if _off(result):
        # an edge that was taken for the other one of its land is where the adjustment has it now
        again = _seen_at(shots, result.state, registered.outlined.ring, priors)
        result = result if _off(again) else again
    return Adjusted(registered, shots, priors, result)


def _seen_at(shots: Sequence[Shot], state: State, ring: Ring, priors: Priors) -> Adjustment:
    """The adjustment to the edges that are seen where a state has them."""
    return adjust(ring, observed(shots, state, 0, ADJUSTED.end_search_mm, last=True), state, priors)


def _off(result: Adjustment) -> bool:
    """Whether blades lie off in a photograph, so that it would be doubted."""
    photos = range(len(result.views))
    return any(result.rms_px(p, kind) > DIAGNOSTICS.doubted_rms_px for p in photos for kind in TIP_KINDS)


def tip_length_mm(rotor: Rotor) -> float:
    """Length along the tip, mm, of the middle one of a rotor's blades."""
    return float(np.median([arc_of(rotor, b, rotor.ends[b], 200)[1][-1] for b in range(rotor.blades)]))
