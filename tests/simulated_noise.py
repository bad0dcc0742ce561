"""What simulated points suffer, by laws that the measurement does not assume.

The measurement takes what moves an edge to be a first-order Gauss-Markov process of fixed lengths. Here the law and its
length are drawn anew for every edge or rotor: smooth (squared exponential), moving averages, sums of a few sinusoids,
with a step now and then; `markov` is the measurement's own, for tests that ask what the ideal adjustment would give.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
#: The laws that are drawn from.
LAWS = ("squared exponential", "moving average", "sinusoids")
MARKOV = "markov"
#: Lengths that are drawn from, evenly in their logarithm: along edges in a photograph, px, and of grooves, mm.
ERROR_LENGTH_PX, GROOVE_MM = (30.0, 400.0), (3.0, 25.0)
#: Lengths of the measurement's own law.
MARKOV_PX, MARKOV_MM = 130.0, 13.0
#: Share of processes that have a step, and its size in standard deviations of the process.
STEPS, STEP_SIZE = 0.15, 1.5


@dataclass(frozen=True)
class Noise:
    """What the points suffer: standard deviations along the normal, px (ends: mm along the tip).

    bias_px : of a shift common to all edges of a kind; correlated : correlation of neighbours along an edge; outliers :
    share of the tip points that lie `outlier_px` off, in runs of ten; correlated_sigma : of runs of edge in one
    photograph, seen from the side and from overhead, in `tip_px`; offset_px : of all of an edge in one photograph;
    groove_px : by which grooves move the same places of all edges seen from the side; circle_error_px : of a circle,
    once and twice round; ring_every : thins the ring; law : of correlated errors and grooves, None draws from `LAWS`.
    """

    tip_px: float = 0.15
    ring_px: float = 0.05
    circle_px: float = 0.10
    end_mm: float = 0.30
    bias_px: float = 0.08
    correlated: float = 0.0
    outliers: float = 0.0
    outlier_px: float = 4.0
    correlated_sigma: tuple[float, float] = (1.0, 0.3)
    groove_px: float = 0.14
    circle_error_px: float = 0.1
    offset_px: float = 0.1
    ring_every: int = 3
    law: str | None = None

    @property
    def measured_law(self) -> bool:
        """Whether sway is as the measurement assumes it, so that it is known what the ideal adjustment gives."""
        return self.law == MARKOV


USUAL = Noise()


def process(rng: np.random.Generator, at: Array, law: str, length: float) -> Array:
    """Samples (n,) of a process of variance 1 at places (n,) in rising order.

    `length` is that over which it changes: of the squared exponential exp(-d^2 / 2 length^2), of the average's window,
    the middle of the sinusoids' wavelengths, or over which the Markov process forgets.
    """
    if law == "squared exponential":
        # its spectrum is normal (Rahimi and Recht 2007, random features, from memory)
        waves = rng.normal(0.0, 1.0 / length, 200)
        phase = rng.uniform(0.0, 2.0 * math.pi, 200)
        out: Array = math.sqrt(2.0 / 200) * np.cos(at[:, None] * waves + phase).sum(1)
        return out
    if law == "moving average":
        step = length / 16
        grid = np.arange(at[0] - length, at[-1] + length, step)
        white = rng.standard_normal(len(grid))
        mean = np.convolve(white, np.full(16, 0.25), mode="same")  # 16 / 4^2: of variance 1
        return np.interp(at, grid, mean)
    if law == "sinusoids":
        number = int(rng.integers(3, 7))
        waves = 2.0 * math.pi / (length * np.exp(rng.uniform(-0.7, 0.7, number)))
        size = rng.standard_normal((2, number)) / math.sqrt(number)
        turn = at[:, None] * waves
        return np.asarray((size[0] * np.cos(turn) + size[1] * np.sin(turn)).sum(1), float)
    if law != MARKOV:
        raise ValueError(f"there is no law {law!r}")
    out = rng.standard_normal(len(at))
    kept = np.exp(-np.diff(at) / length)
    for i, share in enumerate(kept, 1):
        out[i] = share * out[i - 1] + math.sqrt(1 - share**2) * out[i]
    return out


def drawn(rng: np.random.Generator, at: Array, law: str | None, lengths: tuple[float, float], markov: float) -> Array:
    """Samples (n,) of rms 1 of a law at places (n,): its length drawn, now and then with a step in it."""
    if law == MARKOV:
        return process(rng, at, law, markov)
    chosen = str(rng.choice(LAWS)) if law is None else law
    out = process(rng, at, chosen, float(np.exp(rng.uniform(*np.log(lengths)))))
    if rng.uniform() < STEPS:
        # half of the size on either side: as large as the process on the whole
        step = 0.5 * STEP_SIZE * rng.choice([-1.0, 1.0])
        out = (out + np.where(at < rng.uniform(at[0], at[-1] + 1e-9), -step, step)) / math.hypot(1.0, step)
    return out


def correlated_error(rng: np.random.Generator, along_px: Array, noise: Noise) -> Array:
    """By how much an edge lies off in one photograph, (n,) of variance 1, at distances along its image."""
    return drawn(rng, along_px, noise.law, ERROR_LENGTH_PX, MARKOV_PX)


def offset_px(rng: np.random.Generator, noise: Noise) -> float:
    """By how much all of an edge lies off in one photograph: uniform within bounds, or normal as is measured."""
    if noise.measured_law:
        return float(rng.normal(0.0, noise.offset_px))
    return float(rng.uniform(-1.0, 1.0) * math.sqrt(3.0) * noise.offset_px)


def grooves(rng: np.random.Generator, length_mm: float, sigma_mm: float, noise: Noise) -> Array:
    """What grooves do to the two edges of the land: (3, m) arc from the leading end and heights, mm."""
    arc = np.arange(-10.0, length_mm + 10.0, 0.5)
    return np.vstack([arc, *(sigma_mm * drawn(rng, arc, noise.law, GROOVE_MM, MARKOV_MM) for _ in range(2))])
