"""Random generators of accuracy tests: other draws of everything with BLADEANGLE_SEED=N in the environment."""

from __future__ import annotations

import os

import numpy as np

#: Added to every seed's key; 0 for the ordinary run.
SHIFT = int(os.environ.get("BLADEANGLE_SEED", "0"))


def generator(*seed: int) -> np.random.Generator:
    """The generator of a seed, or of as many as a tuple has, with the shift of this run."""
    return np.random.default_rng([*seed, SHIFT] if SHIFT else list(seed))
