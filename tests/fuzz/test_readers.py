"""The fuzzing targets on their seeds and on seeded mutations of them: taken whole or refused with a sentence."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from fuzz.readers import TARGETS, mutate, try_bytes

#: Mutations of each reader's seeds; photographs take longer.
TRIALS = {"photo": 120}


@pytest.mark.parametrize("name", TARGETS)
def test_seeds_are_taken(name: str, tmp_path: Path) -> None:
    for seed in TARGETS[name].seeds():
        assert try_bytes(name, seed, tmp_path)


@pytest.mark.parametrize("name", TARGETS)
def test_mutations_are_taken_or_refused(name: str, tmp_path: Path) -> None:
    rng = random.Random(name)
    seeds = TARGETS[name].seeds()
    taken = []
    for _ in range(TRIALS.get(name, 250)):
        data = rng.choice(seeds)
        for _ in range(1 if name == "photo" else rng.choice((1, 1, 2, 4))):
            data = mutate(data, rng)
        taken.append(try_bytes(name, data, tmp_path))
    assert 0 < sum(taken) < len(taken)
