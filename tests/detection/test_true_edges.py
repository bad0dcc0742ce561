"""The true edges that followed ones are compared with, against the triangles that are drawn."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from seeds import generator

from tests.bench.true_edges import true_edge
from tests.synthetic.mesh import blade_mesh
from tests.synthetic.wear import EdgeWear, TipWear
from tests.synthetic.workshop import workshop_rotor


@pytest.mark.parametrize("seed", range(4))
def test_the_true_edge_is_that_of_the_drawn_tip_land(seed: int) -> None:
    """Corners of the land's triangles lie on it, and an edge of a worn tip lies inside that of a new one."""
    shape = replace(workshop_rotor(generator(seed), True), damage=())
    for blade in range(shape.blades):
        land = blade_mesh(shape, blade, 1.0)[-1].vertices
        for side in (1, -1):
            edge = true_edge(shape, blade, side)
            off = np.array([np.sqrt(((edge - corner) ** 2).sum(1).min()) for corner in land])
            on = off < 0.08  # points of the edge are 0.1 mm apart
            assert 0.15 < on.mean() < 0.7
            middle = edge[len(edge) // 2]
            assert np.sqrt(((land - middle) ** 2).sum(1).min()) < 0.6
    new = true_edge(replace(shape, wear=TipWear()), 0, 1)
    worn = true_edge(replace(shape, wear=TipWear(leading=EdgeWear(0.3, 12.0))), 0, 1)
    lost = np.hypot(*new[:, :2].T) - np.hypot(*worn[:, :2].T)
    assert lost[0] == pytest.approx(0.3, abs=0.03) and np.abs(lost[-1]) < 0.05
