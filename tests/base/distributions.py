"""Distributions of JCGM 101, by which the published examples are propagated."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Distribution:
    """A distribution: mean, standard uncertainty and `sample(rng, n) -> (n,)`."""

    mean: float
    standard_uncertainty: float
    sample: Callable[[np.random.Generator, int], Array]


def normal(mean: float, u: float) -> Distribution:
    """Gaussian (JCGM 101:2008, 6.4.7)."""
    return Distribution(mean, u, lambda rng, n: rng.normal(mean, u, n))


def rectangular(low: float, high: float) -> Distribution:
    """Rectangular on [low, high] (JCGM 101:2008, 6.4.2)."""
    return Distribution((low + high) / 2, (high - low) / math.sqrt(12), lambda rng, n: rng.uniform(low, high, n))


def curvilinear_trapezoid(low: float, high: float, d: float) -> Distribution:
    """Rectangular with limits known only to +- d, the width's middle fixed (JCGM 101:2008, 6.4.3)."""

    def sample(rng: np.random.Generator, n: int) -> Array:
        start = low - d + 2 * d * rng.random(n)
        return start + (low + high - 2 * start) * rng.random(n)

    return Distribution((low + high) / 2, math.sqrt((high - low) ** 2 / 12 + d**2 / 9), sample)


def arcsine(low: float, high: float) -> Distribution:
    """Arc sine (U-shaped) on [low, high], a quantity that cycles sinusoidally (JCGM 101:2008, 6.4.6)."""
    middle, half = (low + high) / 2, (high - low) / 2
    return Distribution(middle, half / math.sqrt(2), lambda rng, n: middle + half * np.sin(2 * np.pi * rng.random(n)))


def student_t(mean: float, scale: float, dof: float) -> Distribution:
    """Scaled and shifted t (JCGM 101:2008, 6.4.9); its standard uncertainty is infinite for dof of 2 or less."""
    u = scale * math.sqrt(dof / (dof - 2)) if dof > 2 else math.inf
    return Distribution(mean, u, lambda rng, n: mean + scale * rng.standard_t(dof, n))


def independent(*distributions: Distribution) -> Callable[[np.random.Generator, int], Array]:
    """A draw (rng, n) -> (n, m) of m independent quantities."""
    return lambda rng, n: np.stack([d.sample(rng, n) for d in distributions], 1)
