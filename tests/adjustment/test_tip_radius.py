"""The tip radius: what its functions say beforehand, that lengths may change under it, and its derivatives."""

from __future__ import annotations

import numpy as np
import pytest
from seeds import generator
from simulated import observe
from simulated_run import start_state
from simulated_truth import random_truth

from bladeangle.adjustment.adjust import adjust
from bladeangle.adjustment.equations import Equations
from bladeangle.adjustment.model import Layout, applied
from bladeangle.adjustment.tip_radius import BEYOND_MM, TABLE_STEP_MM, TipRadius, tip_functions
from bladeangle.tuning.priors import ANY_TIPS, NEW_TIPS, TipCondition

ENDS = np.array([[0.0, 2.4], [0.01, 2.41], [-0.01, 2.39]])


def row(at_mm: float) -> int:
    return round((at_mm + BEYOND_MM) / TABLE_STEP_MM)


@pytest.mark.parametrize("condition", [ANY_TIPS, NEW_TIPS])
def test_the_functions_have_the_variances_that_are_stated(condition: TipCondition) -> None:
    """By hand: at the leading end wear, half the taper and unevenness; one blade's against it, a share of wear more."""
    functions = tip_functions(condition, 190.0)
    k = row(0.0)
    wear, uneven = condition.leading_wear_mm[1], condition.uneven_mm
    shared = np.sqrt(wear**2 + (condition.taper_mm / 2) ** 2 + uneven**2)
    own = np.sqrt((condition.unequal * wear) ** 2 + condition.run_out_mm**2 + uneven**2)
    assert np.sqrt((functions.shared[:, k] ** 2).sum()) == pytest.approx(shared, rel=0.06, abs=0.004)
    assert np.sqrt((functions.own[:, k] ** 2).sum()) == pytest.approx(own, rel=0.06, abs=0.004)
    assert functions.mean[k] == pytest.approx(-condition.leading_wear_mm[0], abs=0.002)
    assert functions.mean[row(95.0)] == pytest.approx(0.0, abs=0.004)


def test_coefficients_tell_wear_as_far_as_it_can_be_told() -> None:
    """Of sampled tips, what is told is the regression of wear on the coefficients, and the rest is stated open."""
    functions = tip_functions(ANY_TIPS, 190.0)
    rng = generator(11)
    mean, sd = ANY_TIPS.leading_wear_mm
    lengths = np.geomspace(*ANY_TIPS.wear_length_mm, 3)
    at = np.arange(len(functions.mean)) * TABLE_STEP_MM - BEYOND_MM
    shapes = np.exp(-np.maximum(at, 0.0) / lengths[:, None])
    far = np.exp(-np.maximum(190.0 - at, 0.0) / lengths[:, None])
    uneven = ANY_TIPS.uneven_mm**2 * np.exp(-(((at[:, None] - at) / ANY_TIPS.uneven_length_mm) ** 2) / 2)
    root = np.linalg.cholesky(uneven + 1e-12 * np.eye(len(at)))
    error = []
    for _ in range(400):
        amounts = sd / np.sqrt(3) * rng.normal(size=3)
        other = ANY_TIPS.trailing_wear_mm[1] / np.sqrt(3) * rng.normal(size=3)
        taper = ANY_TIPS.taper_mm * rng.normal() * (at / 190.0 - 0.5)
        departure = -amounts @ shapes - other @ far + taper + root @ rng.normal(size=len(at))
        told = functions.shared @ departure / (functions.shared**2).sum(1)  # principal functions are orthogonal
        error.append(functions.features["leading wear"].shared @ told - amounts.sum())
    share = functions.features["leading wear"]
    own = (functions.own * share.own[:, None]).any()
    assert share.mean_mm == mean and own
    open_mm = np.sqrt(share.open_mm**2 - (ANY_TIPS.unequal * sd) ** 2 + (share.own**2).sum())
    assert np.std(error) == pytest.approx(open_mm, rel=0.15)
    assert 0.2 * sd < open_mm < 0.8 * sd


def test_departures_count_from_each_blades_own_leading_end() -> None:
    """Beforehand a tip has lost the usual wear there, 0.15 mm, and next to nothing 60 mm on."""
    tips = TipRadius.of(ANY_TIPS, ENDS, 80.0)
    for b, lead in enumerate(ENDS[:, 0]):
        found = tips.departure(np.array([lead, lead + 60.0 / 80.0]), np.full(2, b))
        assert found == pytest.approx([-ANY_TIPS.leading_wear_mm[0], 0.0], abs=0.01)
        assert tips.departure(np.array([lead + 4.0 / 80.0]), b)[0] > found[0] + 0.02


def test_other_lengths_take_the_departures_over() -> None:
    """A departure that is told on blades of one length is nearly the same on blades 3 mm longer."""
    rng = generator(3)
    before = TipRadius.of(ANY_TIPS, ENDS, 80.0)
    before.shared[:] = rng.normal(size=before.shared.shape)
    before.own[:] = rng.normal(size=before.own.shape)
    longer = ENDS + np.array([0.0, 3.0 / 80.0])
    after = TipRadius.of(ANY_TIPS, longer, 80.0, before)
    assert after.functions is not before.functions
    tau = np.linspace(0.05, 2.3, 60)
    for b in range(3):
        blade = np.full(len(tau), b)
        off = after.departure(tau, blade) - before.departure(tau, blade)
        assert np.abs(off).max() < 0.04
        slope = (before.departure(tau + 1e-3, blade) - before.departure(tau - 1e-3, blade)) / 2e-3
        assert np.abs(slope - before.slope(tau, blade)).max() < 0.15 * np.abs(slope).max()


@pytest.mark.parametrize("seed", [3, 17])
def test_derivatives_by_the_departures_are_those_of_the_residuals(seed: int) -> None:
    """Central differences of every residual, by shared and own coefficients, for eyes above and beside the rotor."""
    rng = generator(seed)
    truth = random_truth(rng, "eight")
    views = observe(truth, rng)
    start = start_state(truth, views, rng)
    # derivatives are those of small residuals
    state = adjust(truth.ring, views, start, truth.priors, most_iterations=25, must_settle=False).state
    layout = Layout(state)
    standings = [state.setups.index(view.setup) for view in views]
    equations = Equations(truth.ring, layout, views, range(len(views)), standings)
    tips = layout["tips"]
    at = equations.rows(state)
    for column in (tips.start, tips.start + 2, tips.stop - 1):
        step = np.zeros(layout.size)
        step[column] = 0.05  # the place on the tip is found to a ten-thousandth of a millimetre
        ahead, behind = (equations.rows(applied(state, layout, s * step)) for s in (1, -1))
        seen = 0
        for here, plus, minus in zip(at, ahead, behind, strict=True):
            rows = np.flatnonzero(here.columns == column)
            if not len(rows):
                continue
            slope = (plus.residual - minus.residual) / 0.1
            good = np.isfinite(slope)
            np.testing.assert_allclose(here.jac[rows[0]][good], slope[good], rtol=0.01, atol=2e-3)
            seen += int((np.abs(slope[good]) > 0.01).sum())
        assert seen > 20
