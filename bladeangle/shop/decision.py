"""Value, limits and uncertainty -> conforming, not conforming, or undecided: the rules of decision.

Two decision rules, both on the deviation d from what was ordered, the tolerance T and the standard uncertainty u:

- "iso14253" (ISO 14253-1): conforming when |d| <= T - U, not conforming when |d| >= T + U, undecided between, with the
  95 % expanded uncertainty U.
- "guard" (JCGM 106:2012, 8.3): conforming when the probability that the true value lies outside the tolerance is at
  most the chosen one, not conforming when the probability that it lies inside is at most the same, undecided between.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from bladeangle.base.budget import coverage_factor

Array = NDArray[np.float64]

CONFORMING, NOT_CONFORMING, UNDECIDED = "conforming", "not conforming", "undecided"


def conformance_probability(value: float, u: float, low: float, high: float, dof: float = math.inf) -> float:
    """Probability that the true value lies in [low, high] (JCGM 106:2012, 7.3); either limit may be infinite.

    What is known of the true value is taken as the measurement alone: Gaussian, or Student's t with `dof`.
    """
    if u <= 0:
        return float(low <= value <= high)
    from scipy import special

    def below(limit: float) -> float:
        if math.isinf(limit):
            return float(limit > 0)
        z = (limit - value) / u
        return float(special.ndtr(z) if math.isinf(dof) else special.stdtr(dof, z))

    return min(max(below(high) - below(low), 0.0), 1.0)


@lru_cache(maxsize=4096)
def decision_limits(tolerance: float, u: float, dof: float, rule: str, false_accept: float) -> tuple[float, float]:
    """Largest |deviation| that conforms (negative: none does) and smallest that does not conform, by the rule."""
    if rule == "iso14253":
        expanded = coverage_factor(dof) * u
        return tolerance - expanded, tolerance + expanded

    def conform(deviation: float) -> float:
        return conformance_probability(deviation, u, -tolerance, tolerance, dof)

    accept = -1.0 if conform(0.0) < 1 - false_accept else _falling(conform, 1 - false_accept, 0.0, tolerance)
    return accept, _falling(conform, false_accept, 0.0, tolerance + 100 * u)


def _falling(function: Callable[[float], float], level: float, low: float, high: float) -> float:
    """Where a falling function passes a level between low and high, by bisection."""
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if function(middle) >= level else (low, middle)
    return low


def decide(deviation: float, limits: tuple[float, float]) -> str:
    """The verdict on a deviation by its `decision_limits`."""
    accept, reject = limits
    size = abs(deviation)
    return CONFORMING if size <= accept else NOT_CONFORMING if size >= reject else UNDECIDED


def false_pass_probability(
    error_deg: float, tolerance: float, u: float, dof: float, rule: str, false_accept: float
) -> float:
    """Probability that an angle off by `error_deg` would be measured as conforming, with this uncertainty and rule."""
    accept = decision_limits(tolerance, u, dof, rule, false_accept)[0]
    return 0.0 if accept < 0 else conformance_probability(error_deg, u, -accept, accept, dof)
