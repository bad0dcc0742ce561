"""Rows of single photographs against the information that the adjustment says it had of each source."""

from __future__ import annotations

import numpy as np
import pytest
from seeds import generator
from simulated import observe
from simulated_run import measured
from simulated_truth import Changes, Noise, random_truth

from bladeangle.adjustment.normals import SOURCES
from bladeangle.results.weighted import weighted_rows


@pytest.mark.parametrize("seed", [3, 8])
def test_all_photographs_together_bring_the_adjustments_information(seed: int) -> None:
    rng = generator(seed)
    noise = Noise(ring_every=8)
    truth = random_truth(rng, "eight", Changes(blades=3), noise)
    result, _ = measured(truth, observe(truth, rng, noise), rng)
    photos = list(range(len(result.views)))[::-1]  # in any order
    found = {kind: np.zeros((result.layout.size, result.layout.size)) for kind in SOURCES.values()}
    seen = set()
    for one in weighted_rows(result, photos):
        columns = one.rows.columns
        found[SOURCES[one.rows.kind]][columns[:, None], columns] += one.normal
        seen.add((photos[one.rows.view], one.rows.kind))
    for source in ("tip edges", "hub circles seen", "blade ends"):
        stated = result.information[source]
        size = np.sqrt(np.maximum(np.diag(stated), 1e-12))
        # the stated one was last worked out a step before the solution, so they agree to 1e-4, at an end to 1e-2
        off = np.abs(found[source] - stated) / np.outer(size, size)
        assert off.max() < 0.03 and np.quantile(off, 0.999) < 1e-3
    assert {kind for _, kind in seen} == {"inlet tips", "outlet tips", "end", "circle"}
    assert {photo for photo, _ in seen} == set(photos)
    [alone] = {one.rows.view for one in weighted_rows(result, photos[:1])}
    assert alone == 0
