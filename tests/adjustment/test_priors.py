"""What is known beforehand: its equations are the derivatives of its cost, and it leaves the tip radius free."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from simulated import observe
from simulated_run import start_state
from simulated_truth import random_truth

from bladeangle.adjustment.model import Layout, State, applied
from bladeangle.adjustment.priors import Caliper, Priors, prior_terms
from bladeangle.tuning.priors import ANY_TIPS

Case = tuple[State, State, Layout, Priors]


@pytest.fixture(scope="module")
def pair() -> Case:
    """Start and, a little off it, the state of an overhead pair."""
    rng = np.random.default_rng(5)
    truth = random_truth(rng, "pair")
    start = start_state(truth, observe(truth, rng), rng)
    start.moves = {1: np.array([0.0003, 0.05, -0.04])}
    start.rotor = rotor = start.rotor.with_tips(ANY_TIPS)
    layout = Layout(start)
    step = rng.normal(0, 1e-3, layout.size)
    for b in range(rotor.blades):
        step[layout["blade", b]][: rotor.basis.count] = rng.normal(0, 0.5, rotor.basis.count)
        step[layout["blade", b]][-1] = rng.normal(0, 0.1)
    step[layout["rotor"]] = [1.3, 0.3, 0.5, -0.4]
    step[layout["tips"]] = np.random.default_rng(6).normal(0, 1.0, step[layout["tips"]].size)
    step[layout["setup", 0]] = 0.0  # where the frame begins is held to a micrometre
    state = applied(start, layout, step)
    state.t_ring_rotor[0] = start.t_ring_rotor[0]  # it was carried along with the heights
    calipers = (Caliper(0.1, 2 * rotor.radius_mm - 0.3, 0.05), Caliper(0.5, 2 * rotor.radius_mm, 0.05))
    return state, start, layout, replace(truth.priors, calipers=calipers)


def test_the_pull_of_every_source_is_the_slope_of_its_cost(pair: Case) -> None:
    state, start, layout, priors = pair
    known = prior_terms(state, layout, priors, start)
    total = np.zeros((layout.size, layout.size))
    for of in known.values():
        of.add_to(total, np.zeros(layout.size))
    for source, of in known.items():
        right, information = np.zeros(layout.size), np.zeros((layout.size, layout.size))
        of.add_to(information, right)
        np.testing.assert_allclose(information, information.T, rtol=1e-9)
        slope = np.zeros(layout.size)
        for k in np.flatnonzero(np.diag(information)):
            step = np.zeros(layout.size)
            step[k] = 1e-3 / np.sqrt(information[k, k])
            costs = [prior_terms(applied(state, layout, s * step), layout, priors, start)[source].cost for s in (1, -1)]
            slope[k] = (costs[0] - costs[1]) / (4 * step[k])
        # a turn about the rotor's axis of which less than a radian is known changes nothing that counts
        off = np.abs(slope - right) / np.sqrt(np.maximum(np.diag(total), 1.0)) / max(np.sqrt(of.cost), 1.0)
        assert off.max() < 0.03, f"{source}, column {off.argmax()}"


def test_what_is_usual_of_a_shape_pulls_no_radius(pair: Case) -> None:
    """Seen from above, heights go with the radius: the same picture on another one must cost the same."""
    state, start, layout, priors = pair
    costs = []
    for factor in (1.0, 1.05):
        larger = state.copy()
        larger.rotor.radius_mm *= factor
        larger.rotor.heights *= factor
        known = prior_terms(larger, layout, priors, start)
        costs.append([known["smoothness"].cost, known["blades alike"].cost])
    assert min(costs[0]) > 1.0
    np.testing.assert_allclose(costs[1], costs[0], rtol=1e-9)
