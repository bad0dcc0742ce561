"""An adjustment from above in which blades end unseen -> the same at their likely overlap, and what that is worth.

Where blades overlap, photographs of either end show nothing of where their lower ends are, and how far the rotor was
turned about its axis when it was turned over is not known either. The overlap then follows from the heights of both
ends, and from how little blades bend and how they are worn. Matched anywhere along the blades, an adjustment settles
near by, and is far surer of it than it may be: of 180 rendered pairs found overlaps were ten times as far off as their
standard uncertainties. So all overlaps are tried, and weighed by how likely they make the rotor.

Not covered: edges are not looked for again at each of them.
"""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from bladeangle.adjustment.adjust import Adjustment, adjust
from bladeangle.adjustment.model import TIP_KINDS, ObservedView
from bladeangle.adjustment.priors import Priors
from bladeangle.base.budget import Budget, BudgetLine
from bladeangle.base.errors import AdjustmentError
from bladeangle.base.geometry import Array
from bladeangle.detection.edges import upper_end
from bladeangle.imaging.ring import Ring
from bladeangle.pipeline.register import matched_farther
from bladeangle.pipeline.shots import OutlinedShot, Shot
from bladeangle.results.stations import Stations
from bladeangle.tuning.blade_ends import OVERLAP

#: Wraps that are tried, as shares of the pitch between blades.
TRIED_SHARES = (1.0, 1.1, 1.2, 1.3, 1.4, 1.55, 1.7, 1.9, 2.1)


@dataclass(frozen=True)
class Overlaps:
    """Adjustments with overlaps held, and how likely each of them is.

    shares (n,) : wraps of the blades as shares of the pitch between them, ascending; weights (n,) : their sum is one;
    mean, sigma : of the shares.
    """

    shares: Array
    weights: Array
    adjustments: tuple[Adjustment, ...]
    mean: float
    sigma: float


def ends_unseen(shots: Sequence[Shot], result: Adjustment) -> bool:
    """Whether photographs from above of both ends show none of the blades' lower ends, or so few that it is chance."""
    if not result.from_above or len(result.state.setups) < 2:
        return False
    if all(shot.ended for shot in shots if isinstance(shot, OutlinedShot)):
        return False
    seen = sum(int(np.sum(view.ends.end != upper_end(view.setup))) for view in result.views if view.ends is not None)
    return seen <= OVERLAP.few_share * result.state.rotor.blades * len(result.views)


def without_lower_ends(view: ObservedView) -> ObservedView:
    """The view without what was taken for lower ends of blades."""
    return view if view.ends is None else replace(view, ends=view.ends.only(view.ends.end == upper_end(view.setup)))


def overlaps(result: Adjustment, ring: Ring, priors: Priors) -> Overlaps:
    """The overlaps that the blades may have, from the nearest to that of the adjustment outwards.

    Raises
    ------
    AdjustmentError : none of them converges.
    """
    nearest = int(np.abs(np.array(TRIED_SHARES) - mean_share(result)).argmin())
    result = replace(result, views=tuple(without_lower_ends(view) for view in result.views))
    found: dict[float, tuple[float, Adjustment]] = {}
    for way in (TRIED_SHARES[nearest:], TRIED_SHARES[:nearest][::-1]):
        begun = result
        for share in way:
            with contextlib.suppress(AdjustmentError):
                begun = held(share, begun, ring, priors)
                found[share] = _unlikely(begun, share, priors), begun
                if found[share][0] > min(cost for cost, _ in found.values()) + OVERLAP.hopeless:
                    break
    if not found:
        raise AdjustmentError("No overlap of the blades fits these photographs.")
    shares = np.array(sorted(found))
    cost = np.array([found[share][0] for share in shares])
    return _weighed(shares, cost, tuple(found[share][1] for share in shares))


def held(share: float, begun: Adjustment, ring: Ring, priors: Priors) -> Adjustment:
    """The adjustment with an overlap, as a share of the pitch, held, begun with its setups matched there.

    Raises
    ------
    AdjustmentError : it does not converge there.
    """
    near = matched_farther(begun.state, (share - mean_share(begun)) * 2 * np.pi / begun.state.rotor.blades)
    return adjust(ring, begun.views, near, replace(priors, overlap=(share, OVERLAP.held_sigma)))


def mean_share(result: Adjustment) -> float:
    """Mean wrap of the blades as a share of the pitch between them."""
    rotor = result.state.rotor
    return float(np.diff(rotor.ends, axis=1).mean()) * rotor.blades / (2 * np.pi)


def _unlikely(held: Adjustment, share: float, priors: Priors) -> float:
    """-2 log likelihood of a rotor with such an overlap, with that of the overlap among rotors."""
    usual, sigma = priors.overlap
    return _deviance(held) - held.prior_cost["overlap"] + ((share - usual) / sigma) ** 2


def _deviance(result: Adjustment) -> float:
    """How unlikely a rotor is: -2 log likelihood and a constant.

    By all that is known beforehand, and by edges that lie farther off than they are unsure; for comparing adjustments
    to the same photographs. Whether a rotor is like rotors at all, `Adjustment.implausibility` says.
    """
    tips = [(p, kind) for p, kinds in enumerate(result.scale) for kind in TIP_KINDS if kind in kinds]
    off = sum(len(result.weight[p][kind]) * 2 * np.log(max(result.scale[p][kind], 1.0)) for p, kind in tips)
    # the gauge only ties it to where it was begun
    return float(off + sum(cost for of, cost in result.prior_cost.items() if of != "gauge"))


def _weighed(shares: Array, cost: Array, adjustments: tuple[Adjustment, ...]) -> Overlaps:
    """The weight of each overlap: that of all between it and its neighbours, each by how near it is to which.

    Between overlaps that are tried the cost is taken to change evenly, and nothing lies beyond the outermost.
    """
    fine = np.linspace(shares[0], shares[-1], 1 + round(float(np.ptp(shares)) / OVERLAP.held_sigma))
    density = np.exp(-0.5 * (np.interp(fine, shares, cost) - cost.min()))
    density /= density.sum()
    nearness = np.stack([np.interp(fine, shares, one) for one in np.eye(len(shares))])
    mean = float(density @ fine)
    sigma = float(np.sqrt(density @ (fine - mean) ** 2))
    return Overlaps(shares, nearness @ density, adjustments, mean, sigma)


def most_likely(found: Overlaps, ring: Ring, priors: Priors) -> Adjustment:
    """The adjustment with the mean overlap; how unusual that is stays known of it.

    Raises
    ------
    AdjustmentError : it does not converge.
    """
    begun = found.adjustments[int(np.abs(found.shares - found.mean).argmin())]
    likely = held(found.mean, begun, ring, priors)
    usual, sigma = priors.overlap
    return replace(likely, prior_cost=likely.prior_cost | {"overlap": ((found.mean - usual) / sigma) ** 2})


def widened_by(stations: Stations, found: Overlaps, others: Sequence[Stations]) -> Stations:
    """The stations with what the angles, lengths and sizes owe to an overlap that is left open.

    others : those of the overlaps' adjustments.
    """

    def apart(usual: Array, of_others: Sequence[Array]) -> Array:
        """How far values (n,) are off at the overlaps, (overlaps, n); no way where one of them is not seen."""
        return np.nan_to_num(np.stack(of_others) - usual)

    def widened(values: Array, of_others: Sequence[Array]) -> Array:
        """Values and their standard uncertainties (n, 2), the latter with that of the overlap."""
        more = found.weights @ apart(values[:, 0], [one[:, 0] for one in of_others]) ** 2
        return np.stack([values[:, 0], np.sqrt(values[:, 1] ** 2 + more)], 1)

    by_label = (dict(zip(one.labels, one.angle_deg.tolist(), strict=True)) for one in others)
    off = apart(stations.angle_deg, [np.array([one.get(x, np.nan) for x in stations.labels]) for one in by_label])
    line = BudgetLine("overlap of the blades", "B", (off.T * found.weights) @ off, 50.0)
    names = list(stations.sizes)
    sizes = [np.array([one.sizes.get(name, (np.nan, np.nan)) for name in names]) for one in (stations, *others)]
    wide = widened(sizes[0], sizes[1:]).tolist()
    return replace(
        stations,
        budget=Budget(stations.budget.labels, (*stations.budget.lines, line)),
        wrap_deg=widened(stations.wrap_deg, [one.wrap_deg for one in others]),
        tip_length_mm=widened(stations.tip_length_mm, [one.tip_length_mm for one in others]),
        sizes={name: (value, u) for name, (value, u) in zip(names, wide, strict=True)},
    )
