"""Adjustment -> what its tips are like: radius along each blade, wear at the ends, taper, run-out, clearance.

Wear, taper and run-out are linear functions of the adjustment's coefficients (`tip_radius.TipFeature`). Their
uncertainty is that of the coefficients, propagated (JCGM 100:2008, 5.2), and a conditional one that no coefficient
takes away. Of a mean over blades the part that all blades share counts whole, while the blades' own parts average.

Where photographs carry little information, estimates stay near their prior means; `Estimate.seen` marks those that
photographs improved on, so that nobody takes a prior for a finding.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bladeangle.adjustment.adjust import Adjustment
from bladeangle.adjustment.rotor import Rotor
from bladeangle.adjustment.tip_radius import TipFeature
from bladeangle.base.budget import correlated, covariance_root, monte_carlo
from bladeangle.base.geometry import Array
from bladeangle.results.angles import BladeColumns, arc_of
from bladeangle.results.stations import points_seen
from bladeangle.tuning.results import TIPS

#: Spacing, mm along the tip, of the places at which the radius is given.
STEP_MM = 4.0
#: Trials for the smallest clearance; its uncertainty is then known to 2 %.
TRIALS = 2000


@dataclass(frozen=True)
class Estimate:
    """A value and its standard uncertainty, mm; seen : whether it rests on photographs rather than on the prior."""

    value_mm: float
    u_mm: float
    seen: bool = True


@dataclass(frozen=True)
class Clearance:
    """Gap, mm, between tips and bore: where it is smallest over what is seen, and its mean."""

    smallest: Estimate
    mean: Estimate


@dataclass(frozen=True)
class BladeTip:
    """One blade's tip: radius and its standard uncertainty (n,) mm at arc (n,) mm from the leading edge, where seen.

    shape_u_mm : (n,) standard uncertainty of the radius against half the tip diameter, which is most of what is unknown
    of it. run_out : of the whole tip against the mean of all blades'; clearance : None without a bore.
    """

    arc_mm: Array
    radius_mm: Array
    u_mm: Array
    shape_u_mm: Array
    leading_wear: Estimate
    trailing_wear: Estimate
    run_out: Estimate
    clearance: Clearance | None


@dataclass(frozen=True)
class Tips:
    """All blades' tips: wear of the mean over blades, taper (growth of the radius from the leading to the trailing
    end), run-out (largest minus smallest over blades), and the smallest and mean clearance of all blades.

    effects_mm : "tip_diameter", "leading_wear", "trailing_wear" -> (8,) change for one standard uncertainty of each of
    the calibration's independent sources, as `budget.covariance_root` has them; what another record may feature.
    """

    blades: tuple[BladeTip, ...]
    leading_wear: Estimate
    trailing_wear: Estimate
    taper: Estimate
    run_out: Estimate
    clearance: Clearance | None
    effects_mm: dict[str, Array]

    @property
    def seen(self) -> bool:
        """Whether wear is seen at the leading end, where it counts."""
        return self.leading_wear.seen


def measure_tips(
    result: Adjustment,
    diameter_row: Array,
    bore: tuple[float, float] | None = None,
    rng: np.random.Generator | None = None,
) -> Tips | None:
    """What tips are like; None where they were taken for a cylinder.

    Parameters
    ----------
    diameter_row : (n,) derivatives of the tip diameter by all unknowns; see `stations.diameter_over_tips`.
    bore : diameter of the housing and its standard uncertainty, mm; rng : needed with it, for the smallest clearance.
    """
    rotor = result.state.rotor
    if not rotor.tip_radius.functions.features:
        return None
    features, everyone = rotor.tip_radius.functions.features, range(rotor.blades)
    leading, trailing, run_out = (features[name] for name in ("leading wear", "trailing wear", "run-out"))
    curves = [_Curve.of(result, rotor, b, seen) for b, seen in enumerate(points_seen(result))]
    tips = tuple(
        BladeTip(
            c.arc_mm, c.radius_mm, c.u_of(c.rows), c.u_of(c.rows - diameter_row / 2),
            leading_wear=_estimate(result, rotor, leading, [b]), trailing_wear=_estimate(result, rotor, trailing, [b]),
            run_out=_out_of(result, rotor, run_out, b),
            clearance=None if bore is None else _clearance([c], bore, rng),
        )
        for b, c in enumerate(curves)
    )  # fmt: skip
    rows = {
        "tip_diameter": diameter_row,
        "leading_wear": _row(result, rotor, leading, everyone),
        "trailing_wear": _row(result, rotor, trailing, everyone),
    }
    return Tips(
        tips,
        leading_wear=_estimate(result, rotor, leading, everyone),
        trailing_wear=_estimate(result, rotor, trailing, everyone),
        taper=_estimate(result, rotor, features["taper"], everyone),
        run_out=_run_out(result, rotor, run_out),
        clearance=None if bore is None else _clearance(curves, bore, rng),
        effects_mm={name: _camera_effects(result, row) for name, row in rows.items()},
    )


def _row(result: Adjustment, rotor: Rotor, feature: TipFeature, blades: Sequence[int]) -> Array:
    """Derivatives (n,) by all unknowns of a feature of the mean over some blades."""
    row = np.zeros(result.layout.size)
    for b in blades:
        columns = BladeColumns.of(result.layout, rotor, b)
        row[columns.shared] += feature.shared / len(blades)
        row[columns.own] += feature.own / len(blades)
    return row


def _estimate(result: Adjustment, rotor: Rotor, feature: TipFeature, blades: Sequence[int]) -> Estimate:
    """One feature, of the mean over some blades."""
    tips, n = rotor.tip_radius, len(blades)
    value = feature.mean_mm + tips.shared @ feature.shared + tips.own[list(blades)].mean(0) @ feature.own
    row = _row(result, rotor, feature, blades)
    prior, open_mm = (
        float(np.hypot(shared, own / np.sqrt(n))) for shared, own in (feature.prior_parts_mm, feature.open_parts_mm)
    )
    u = _with_open(result, row, open_mm)
    return Estimate(float(value), u, u <= TIPS.seen_share * prior)


def _with_open(result: Adjustment, row: Array, open_mm: float) -> float:
    """Standard uncertainty of a function with derivatives (n,) and an independent conditional deviation, mm."""
    return float(np.sqrt(max(float(row @ result.covariance @ row), 0.0) + open_mm**2))


def _out_of(result: Adjustment, rotor: Rotor, feature: TipFeature, blade: int) -> Estimate:
    """A blade's run-out against the mean of all blades'."""
    weights = np.eye(rotor.blades)[blade] - 1 / rotor.blades
    return _own(result, rotor, feature, weights)


def _run_out(result: Adjustment, rotor: Rotor, feature: TipFeature) -> Estimate:
    """Run-out of the blade that stands out most less that of the one that does least."""
    out = rotor.tip_radius.own @ feature.own
    weights = np.zeros(rotor.blades)
    if rotor.blades > 1:
        weights[[int(out.argmax()), int(out.argmin())]] = 1.0, -1.0
    return _own(result, rotor, feature, weights)


def _own(result: Adjustment, rotor: Rotor, feature: TipFeature, weights: Array) -> Estimate:
    """A weighted sum (b,) of what blades do by themselves."""
    row = np.zeros(result.layout.size)
    for b, weight in enumerate(weights):
        row[BladeColumns.of(result.layout, rotor, b).own] = weight * feature.own
    prior, open_mm = (
        float(np.linalg.norm(weights)) * own for _, own in (feature.prior_parts_mm, feature.open_parts_mm)
    )
    u = _with_open(result, row, open_mm)
    return Estimate(float(weights @ (rotor.tip_radius.own @ feature.own)), u, u <= TIPS.seen_share * prior)


@dataclass(frozen=True)
class _Curve:
    """Radius (n,) mm along what is seen of a blade, its derivatives (n, m) by all unknowns, and their covariance."""

    arc_mm: Array
    radius_mm: Array
    rows: Array
    covariance: Array

    @classmethod
    def of(cls, result: Adjustment, rotor: Rotor, blade: int, seen: Array) -> _Curve:
        """That of one blade, with points seen at tau (k,)."""
        tau, length = arc_of(rotor, blade, rotor.ends[blade])
        arc = np.zeros(0)
        if len(seen) >= TIPS.fewest_points:
            low, high = np.interp(np.quantile(seen, [0.005, 0.995]), tau, length)
            arc = np.arange(low, high, STEP_MM)
        at = np.interp(arc, length, tau)
        shared, own = rotor.tip_radius.shapes(at, blade)
        nothing = np.zeros((len(at), 2 + rotor.basis.count))  # ends and heights do not count where tau is given
        by = np.column_stack([np.ones(len(at)), nothing, shared.T, own.T])
        rows = BladeColumns.of(result.layout, rotor, blade).rows(by)
        return cls(arc, rotor.radius_at(at, blade), rows, result.covariance)

    def u_of(self, rows: Array) -> Array:
        """Standard uncertainties (n,) of functions with derivatives (n, m) by all unknowns."""
        out: Array = np.sqrt(np.maximum(((rows @ self.covariance) * rows).sum(1), 0.0))
        return out


def _clearance(
    curves: Sequence[_Curve], bore: tuple[float, float], rng: np.random.Generator | None
) -> Clearance | None:
    """Clearance of some blades in a bore of a diameter and standard uncertainty; None where nothing is seen.

    The smallest is that of curves drawn from their joint covariance (JCGM 101), since where a curve known to a tenth
    of a millimetre is highest is not known: the smallest of the adjusted curve alone would come out too large.
    """
    radius, rows = np.concatenate([c.radius_mm for c in curves]), np.concatenate([c.rows for c in curves])
    if not len(radius):
        return None
    if rng is None:
        raise ValueError("the smallest clearance needs a random generator")
    diameter, u = bore
    covariance = rows @ curves[0].covariance @ rows.T + (u / 2) ** 2
    gap = diameter / 2 - radius
    each = np.concatenate([np.full(len(c.radius_mm), 1 / max(len(c.radius_mm), 1)) for c in curves])
    each /= each.sum()
    mean = Estimate(float(each @ gap), float(np.sqrt(each @ covariance @ each)))
    found = monte_carlo(correlated(gap, covariance), lambda gaps: gaps.min(1), TRIALS, rng)
    return Clearance(Estimate(float(found.mean), float(found.standard_uncertainty)), mean)


def _camera_effects(result: Adjustment, row: Array) -> Array:
    """Change (8,) of a function with derivatives (n,) for one standard uncertainty of the calibration's sources."""
    at = result.layout["camera"]
    calibration = result.information["camera calibration"][at, at]
    effects: Array = (row @ result.covariance)[at] @ calibration @ covariance_root(np.linalg.inv(calibration))
    return effects
