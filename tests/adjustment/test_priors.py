"""What is known beforehand: its equations are the derivatives of its cost, and it leaves the tip radius free."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from seeds import generator
from simulated import observe
from simulated_run import start_state
from simulated_truth import random_truth

from bladeangle.adjustment.model import Layout, State, applied
from bladeangle.adjustment.priors import Caliper, Priors, PriorTerm, prior_terms
from bladeangle.tuning.priors import ANY_TIPS

Case = tuple[State, State, Layout, Priors]


@pytest.fixture(scope="module")
def pair() -> Case:
    """Start and, a little off it, the state of an overhead pair."""
    rng = generator(5)
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
    step[layout["tips"]] = generator(6).normal(0, 1.0, step[layout["tips"]].size)
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


def test_shapes_pull_the_radius_as_their_sigmas_grow_with_it(pair: Case) -> None:
    """Heights off by so much cost 1/r2 of it on a rotor r times as large: half the cost's slope is -cost / radius."""
    state, start, layout, priors = pair
    known = prior_terms(state, layout, priors, start)
    radius = layout["rotor"].start
    for source in ("smoothness", "blades alike"):
        right = np.zeros(layout.size)
        known[source].add_to(np.zeros((layout.size, layout.size)), right)
        shape = right[radius]
        # of where the blades end nothing goes with the radius
        heights = np.concatenate(
            [layout.columns["blade", b][: state.rotor.basis.count] for b in range(state.rotor.blades)]
        )
        along = float(right[heights] @ state.rotor.heights.reshape(-1))
        assert shape == pytest.approx(-along / state.rotor.radius_mm, rel=1e-6)
        assert abs(shape) > 0.01
    assert np.isclose(
        float(known["smoothness"].cost), -state.rotor.radius_mm * _right(known["smoothness"], layout)[radius]
    )


def _right(term: PriorTerm, layout: Layout) -> np.ndarray:
    right = np.zeros(layout.size)
    term.add_to(np.zeros((layout.size, layout.size)), right)
    return right


def test_blades_too_long_pull_their_ends_together(pair: Case) -> None:
    """Usual is 1.25 of the pitch between blades, to 0.35 of it (standard)."""
    state, start, layout, priors = pair
    n, count = state.rotor.blades, state.rotor.basis.count
    term = prior_terms(state, layout, priors, start)["overlap"]
    off = float((state.rotor.ends[:, 1] - state.rotor.ends[:, 0]).mean()) - 1.25 * 2 * np.pi / n
    pull = off / (0.35 * 2 * np.pi / n) ** 2 / n
    assert term.cost == pytest.approx((off / (0.35 * 2 * np.pi / n)) ** 2)
    for b in range(n):
        assert _right(term, layout)[layout["blade", b]][count : count + 2] == pytest.approx([-pull, pull])


def test_hub_circles_are_expected_above_the_blades_of_either_standing(pair: Case) -> None:
    """55 +- 25 mm above the sheet, and 8 +- 15 mm beyond the blades' upper ends; together as much as one circle.

    The largest of the rotor turned over is the rim on which it stood: 1 +- 4 mm.
    """
    state, start, layout, priors = pair
    rotor, n = state.rotor, state.rotor.blades
    leading, trailing = (
        float(rotor.tip(np.arange(n), np.zeros(n, int), rotor.ends[:, e])[:, 2].mean()) for e in (0, 1)
    )
    cost = 0.0
    turned = [k for k, s in enumerate(state.circle_setup) if s == 1]
    rim = max(turned, key=lambda k: state.circles[k, 0])
    for k, s in enumerate(state.circle_setup):
        alike = state.circle_setup.count(s)
        height = state.circles[k, 1]
        above = height if s == 0 else state.t_ring_rotor[1, 2] - height
        beyond = height - leading if s == 0 else trailing - height
        cost += ((above - 55) / 25) ** 2 / alike + ((beyond - 8) / 15) ** 2 / alike
    cost += ((state.circles[rim, 1] - 1) / 4) ** 2
    # of the inlet's standing the sheet may lie some micrometres off
    assert prior_terms(state, layout, priors, start)["hub circles"].cost == pytest.approx(cost, rel=1e-3)
