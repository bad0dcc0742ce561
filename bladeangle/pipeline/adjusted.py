"""Registered photographs -> their final adjustment, to every edge that they show."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from bladeangle.adjustment.adjust import Adjustment, adjust
from bladeangle.adjustment.model import unmoved
from bladeangle.adjustment.priors import Priors
from bladeangle.adjustment.rotor import Rotor
from bladeangle.pipeline.options import Options, calipers_of
from bladeangle.pipeline.register import Registered
from bladeangle.pipeline.shots import Shot, observed
from bladeangle.results.angles import arc_of
from bladeangle.tuning.pipeline import ADJUSTED


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
    views = observed(shots, state, 0, ADJUSTED.end_search_mm, last=True)
    return Adjusted(registered, shots, priors, adjust(registered.outlined.ring, views, state, priors))


def tip_length_mm(rotor: Rotor) -> float:
    """Length along the tip, mm, of the middle one of a rotor's blades."""
    return float(np.median([arc_of(rotor, b, rotor.ends[b], 200)[1][-1] for b in range(rotor.blades)]))
