"""Bounds of accuracy tests, from the distribution of what is tested and the probability that it lies outside."""

from __future__ import annotations

import math

from scipy import stats

#: Probability, of each test that asks, that a sound program fails it with some other seed.
ACCEPTED = 1e-4


def rms_bounds(n: int, sizes: tuple[float, float] = (1.0, 1.0), accepted: float = ACCEPTED) -> tuple[float, float]:
    """Between which the root mean square of n independent normal deviations lies, in standard uncertainties.

    sizes : smallest and largest standard deviation that they may have, where uncertainties are stated on the safe side.
    """
    low, high = (stats.chi2.ppf(p, n) / n for p in (accepted / 2, 1 - accepted / 2))
    return sizes[0] * math.sqrt(low), sizes[1] * math.sqrt(high)


def largest(n: int, accepted: float = ACCEPTED) -> float:
    """Below which the largest of n normal deviations lies, in standard uncertainties (Bonferroni)."""
    return float(stats.norm.isf(accepted / 2 / n))


def chi_squared(n: int, accepted: float = ACCEPTED) -> float:
    """Below which the sum of n squares lies."""
    return float(stats.chi2.isf(accepted, n))
