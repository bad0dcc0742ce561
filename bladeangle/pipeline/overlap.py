"""An adjustment from above in which blades end unseen -> the same with the overlap left open, and what that is worth.

Where blades overlap, photographs of either end show nothing of where their lower ends are: only that they are hidden,
so that the next blade begins above them. An adjustment may put them a few degrees before it all the same, where they
would be seen: the edge grows fainter there, in the next blade's shade, and a blade that ends looks like that.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from bladeangle.adjustment.adjust import Adjustment, adjust
from bladeangle.adjustment.priors import Priors
from bladeangle.base.budget import Budget, BudgetLine
from bladeangle.detection.edges import upper_end
from bladeangle.imaging.ring import Ring
from bladeangle.pipeline.shots import OutlinedShot, Shot
from bladeangle.results.stations import Stations
from bladeangle.tuning.blade_ends import OVERLAP


def ends_unseen(shots: Sequence[Shot], result: Adjustment) -> bool:
    """Whether blades end, as adjusted, where their lower ends would be seen or nearly so, and none of them is seen."""
    if not result.from_above or len(result.state.setups) < 2 or _share(result) > OVERLAP.seen_share:
        return False
    if all(shot.ended for shot in shots if isinstance(shot, OutlinedShot)):
        return False
    seen = [(view.ends.end, 1 - upper_end(view.setup)) for view in result.views if view.ends is not None]
    return not any((ends == lower).any() for ends, lower in seen)


def _share(result: Adjustment) -> float:
    """Wrap of the blades as a share of the pitch between them."""
    rotor = result.state.rotor
    return float(np.median(np.diff(rotor.ends, axis=1))) * rotor.blades / (2 * np.pi)


def left_open(result: Adjustment, ring: Ring, priors: Priors) -> tuple[Adjustment, tuple[Adjustment, Adjustment]]:
    """The adjustment with the overlap that such blades have on the mean, and those a standard uncertainty beside it.

    Raises
    ------
    AdjustmentError : it does not converge.
    """

    def held(off: float, begun: Adjustment) -> Adjustment:
        overlap = OVERLAP.hidden_share + off, OVERLAP.held_sigma
        return adjust(ring, begun.views, begun.state, replace(priors, overlap=overlap))

    middle = held(0.0, result)
    return middle, (held(-OVERLAP.hidden_sigma, middle), held(OVERLAP.hidden_sigma, middle))


def widened_by(stations: Stations, beside: Sequence[Stations]) -> Stations:
    """The stations with a line of the budget, and a wrap and a length, for the overlap that is left open.

    beside : those of the adjustments a standard uncertainty to either side.
    """
    ends = [dict(zip(one.labels, one.angle_deg.tolist(), strict=True)) for one in beside]
    usual = zip(stations.labels, stations.angle_deg.tolist(), strict=True)
    effect = np.array([(ends[1].get(label, angle) - ends[0].get(label, angle)) / 2 for label, angle in usual])
    line = BudgetLine("overlap of the blades", "B", np.outer(effect, effect), 20.0)
    wrap, length = stations.wrap_deg.copy(), stations.tip_length_mm.copy()
    open_deg = OVERLAP.hidden_sigma * 360 / len(wrap)
    length[:, 1] = np.hypot(length[:, 1], open_deg * length[:, 0] / wrap[:, 0])
    wrap[:, 1] = np.hypot(wrap[:, 1], open_deg)
    budget = Budget(stations.budget.labels, (*stations.budget.lines, line))
    return replace(stations, budget=budget, wrap_deg=wrap, tip_length_mm=length)
