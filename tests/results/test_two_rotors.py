"""Photographs of two rotors, some from the side: told by the likelihood ratio, on simulated points."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from seeds import generator
from simulated import observe
from simulated_run import measured
from simulated_truth import Changes, Noise, Truth, random_truth

from bladeangle.adjustment.adjust import Adjustment
from bladeangle.pipeline.mixups import contradictions
from bladeangle.results.two_rotors import differences

NOISE = Noise(ring_every=8)
#: Inlet end from above, outlet end from above, and three from the side.
KEPT = (0, 1, 2, 4, 6)


def five(seed: int) -> Truth:
    """A rotor's pair and three photographs from the side."""
    truth = random_truth(generator(seed), "eight", Changes(blades=3), NOISE)
    cameras, views, standing_of = (tuple(of[p] for p in KEPT) for of in (truth.cameras, truth.views, truth.standing_of))
    return replace(truth, cameras=cameras, views=views, standing_of=standing_of)


def adjusted(seed: int, steeper_deg: float) -> tuple[Truth, Adjustment]:
    """The adjustment where the outlet end is that of a rotor with steeper blades."""
    truth = five(seed)
    blades = []
    for blade in truth.blades:
        along = blade.length_mm - blade.length_mm[-1] / 2
        falls = np.sign(blade.height_mm[-1] - blade.height_mm[0])
        height_mm = blade.height_mm + falls * np.tan(np.radians(steeper_deg)) * along
        blades.append(replace(blade, height_mm=height_mm))
    views = list(observe(truth, generator(seed, 1), NOISE))
    views[1] = observe(replace(truth, blades=tuple(blades)), generator(seed, 2), NOISE)[1]
    return truth, measured(truth, tuple(views), generator(5))[0]


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_beside_photographs_from_the_side_half_a_degree_tells(seed: int) -> None:
    for steeper_deg, told in ((0.0, False), (0.5, True)):
        truth, result = adjusted(seed, steeper_deg)
        outlet, sides = differences(result)
        assert outlet.photos == (1,) and sides.photos == (2, 3, 4)
        # one rotor leaves the ratio far below where a doubt begins, not just below; two are far above
        assert -3 < outlet.excess < 0.5 if not told else outlet.excess > 10
        assert np.abs(outlet.steeper_deg).max() < (1.5 if told else 0.4)
        codes = {flag.code for flag in contradictions(result, truth.ring, truth.priors)}
        assert (codes & {"rotors-differ", "blades-misnumbered"} != set()) == told
