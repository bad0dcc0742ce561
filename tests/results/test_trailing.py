"""Distance of the trailing edges from the outlet end, against simulated rotors whose place is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from seeds import generator
from simulated import observe
from simulated_run import measured
from simulated_truth import Changes, Noise, Truth, random_truth

from bladeangle.adjustment.adjust import Adjustment
from bladeangle.adjustment.model import applied
from bladeangle.results.angles import BladeColumns
from bladeangle.results.stations import ends_seen
from bladeangle.results.trailing import trailing_edges
from bladeangle.tuning.results import TRAILING


def case(kind: str) -> tuple[Truth, Adjustment]:
    rng = generator(7)
    noise = Noise(ring_every=8)
    truth = random_truth(rng, kind, Changes(blades=3), noise)
    return truth, measured(truth, observe(truth, rng, noise), rng)[0]


@pytest.fixture(scope="module")
def eight() -> tuple[Truth, Adjustment]:
    return case("eight")


def true_mm(truth: Truth) -> np.ndarray:
    """Heights (b,) of the mid-lines' trailing ends above the sheet, inlet end up."""
    faces = [[truth.to_ring(truth.face(b, side), 0)[-1, 2] for side in (1, -1)] for b in range(len(truth.blades))]
    return np.mean(faces, axis=1)


def test_distances_are_the_true_ones_within_what_is_stated(eight):
    truth, result = eight
    found = trailing_edges(result, ends_seen(result)[:, 1])
    assert found is not None
    value, u = found.blades.T
    assert np.abs((value - true_mm(truth)) / u).max() < 3
    assert u.min() > TRAILING.seat_mm and u.max() < 0.4
    assert found.mean[0] == pytest.approx(value.mean()) and TRAILING.seat_mm < found.mean[1] <= u.max()


def test_from_above_alone_the_distance_is_not_known_well_enough_to_be_told():
    _, result = case("pair")
    found = trailing_edges(result, np.ones(3, bool))
    assert found is not None and np.isnan(found.blades).all() and np.isnan(found.mean).all()
    sharper = trailing_edges(replace(result, covariance=result.covariance / 1e4), np.ones(3, bool))
    assert sharper is not None and np.isfinite(sharper.blades).all()
    assert TRAILING.seat_mm < sharper.mean[1] < TRAILING.largest_u_mm


def test_the_uncertainty_follows_from_every_unknown(eight):
    """Against what happens to the distances when the unknowns are changed, by differences."""
    _, result = eight
    seen = np.ones(3, bool)
    rng = generator(1)
    rotor, axis = result.state.rotor, result.state.r_ring_rotor[0][:, 2]
    at_ends = [BladeColumns.of(result.layout, rotor, b).ends for b in range(3)]
    leans = float(np.hypot(*axis[:2]))
    for _ in range(3):
        step = 1e-5 * rng.standard_normal(result.layout.size)
        both = [applied(result.state, result.layout, k * step) for k in (1, -1)]
        ends = [trailing_edges(replace(result, state=state), seen) for state in both]
        assert ends[0] is not None and ends[1] is not None
        change = (ends[0].blades - ends[1].blades)[:, 0] / 2
        alone = trailing_edges(replace(result, covariance=1e4 * np.outer(step, step)), seen)
        assert alone is not None
        told = np.sqrt(alone.blades[:, 1] ** 2 - TRAILING.seat_mm**2) / 1e2
        # left out: an end that moves round on an axis that leans rises by so much as well
        round_mm = rotor.radius_mm * max(abs(float(step[at][1])) for at in at_ends)
        assert told == pytest.approx(np.abs(change), rel=0.005, abs=leans * round_mm + 2e-8)
        assert np.abs(change).max() > 5 * leans * round_mm


def test_unseen_ends_and_rotors_only_turned_over_say_nothing(eight):
    _, result = eight
    found = trailing_edges(result, np.array([True, False, True]))
    assert found is not None
    assert np.isnan(found.blades[1]).all() and np.isfinite(found.blades[[0, 2]]).all() and np.isnan(found.mean).all()
    state = result.state.copy()
    state.setups = tuple("outlet_up" for _ in state.setups)
    assert trailing_edges(replace(result, state=state), np.ones(3, bool)) is None
