"""Decision rules against published examples, verdicts on invented records, and false accepts counted in simulation."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from invented_record import agreeing, invented_record
from scipy import special, stats

from bladeangle.base.budget import Budget, BudgetLine, coverage_factor, line_from_jacobian
from bladeangle.base.errors import DefinitionError, UsageError
from bladeangle.base.structure import plain
from bladeangle.cli.verify import verify as verify_command
from bladeangle.records.record import Record, budget_lines, quantity, record_from_dict, station_result, write_record
from bladeangle.shop import decision, judging, verify
from bladeangle.shop.ordering import order_from_record
from bladeangle.shop.orders import Order, StationOrder, write_order

Array = np.ndarray
SEED = 20261125
STATIONS = ("entry", "middle", "exit")


def make(
    angles: dict[str, list[float]], reading_u: float = 0.03, focal_u: float = 0.0, dof: float = math.inf, **options: Any
) -> Record:
    """A record with given angles at some stations, independent readings and a focal length that moves all angles."""
    count = len(next(iter(angles.values())))
    data = invented_record(blade_count=count, **options)
    labels = [f"{b}.{s}" for b in range(1, count + 1) for s in STATIONS if s in angles]
    lines = [BudgetLine("edge points", "A", np.eye(len(labels)) * reading_u**2, dof)]
    if focal_u:
        lines.append(
            line_from_jacobian("focal length", "B", np.full((len(labels), 1), focal_u), [1.0], shared="camera")
        )
    budget = Budget(tuple(labels), tuple(lines))
    for i, blade in enumerate(data["blades"]):
        for s in STATIONS:
            blade["stations"][s] = None
            blade["not_seen"].setdefault(s, "hidden under the next blade")
            if s in angles:
                u, v, _ = budget.angle(labels.index(f"{i + 1}.{s}"))
                blade["stations"][s] = plain(station_result(angles[s][i], u, ["inlet"], v))
                del blade["not_seen"][s]
    for s in STATIONS:
        weights = budget.mean_weights(s)
        data["rotor"]["stations"][s] = None
        if weights is not None:
            u, v, _ = budget.of(weights)
            data["rotor"]["stations"][s] = plain(station_result(float(np.mean(angles[s])), u, ["inlet"], v))
    data["covariance"] = {"labels": labels, "matrix_deg2": budget.covariance_deg2.tolist()}
    data["budget"] = [plain(line) for line in budget_lines(budget)]
    data["flags"] = []
    return record_from_dict(agreeing(data))


def an_order(angle: float = 14.5, tolerance: float = 0.4, **more: Any) -> Order:
    return Order("Heron", {"exit": StationOrder(angle, tolerance)}, **more)


# --- published examples ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "u", "low", "high", "expected"),
    # JCGM 106:2012, clause 7: examples quoted from memory, their arithmetic recomputed with the normal distribution.
    [(-5.47, 0.05, -math.inf, -5.40, 0.92), (509.7, 8.6, 490.0, math.inf, 0.99), (13.6, 1.8, 12.5, 16.3, 0.66)],
)
def test_jcgm_106_conformance_probability(value: float, u: float, low: float, high: float, expected: float) -> None:
    assert decision.conformance_probability(value, u, low, high) == pytest.approx(expected, abs=0.005)


def false_accept_risk(
    density: Callable[[Array], Array], u: float, tolerance: tuple[float, float], acceptance: tuple[float, float]
) -> tuple[float, float]:
    """Probability that a part does not conform, and that it does not conform but is accepted (JCGM 106:2012, 9.5).

    Parameters
    ----------
    density : probability density (n,) of the true values that the process makes, at values (n,).
    u : standard uncertainty of the Gaussian measurement; tolerance, acceptance : finite limits (low, high).

    Integrated by the trapezoidal rule over the tolerance and 20 u and 20 tolerance widths beyond; a process that
    reaches further is not covered.
    """
    low, high = tolerance
    reach = 20 * (u + high - low)
    outside = outside_accepted = 0.0
    for start, stop in ((low - reach, low), (high, high + reach)):
        x = np.linspace(start, stop, 200_001)
        p = density(x)
        accepted = special.ndtr((acceptance[1] - x) / u) - special.ndtr((acceptance[0] - x) / u)
        outside += float(np.trapezoid(p, x))
        outside_accepted += float(np.trapezoid(p * accepted, x))
    return outside, outside_accepted


def test_jcgm_106_9_5_4_roundness() -> None:
    """JCGM 106:2012, 9.5.4: Gamma(4, 1/4) um, limit 2 um, u 0.25 um: 4.2 % nonconforming, consumer's risk 0.8 %, and
    0.1 % with the acceptance limit 1.67 um."""
    density = stats.gamma(4, scale=0.25).pdf
    nonconforming, risk = false_accept_risk(density, 0.25, (0.0, 2.0), (0.0, 2.0))
    assert nonconforming == pytest.approx(0.042, abs=0.0005)
    assert risk == pytest.approx(0.008, abs=0.0005)
    assert false_accept_risk(density, 0.25, (0.0, 2.0), (0.0, 1.67))[1] == pytest.approx(0.001, abs=0.0001)


def test_iso_14253_1_zones() -> None:
    """ISO 14253-1: conformity inside [LSL + U, USL - U], non-conformity outside [LSL - U, USL + U], neither between."""
    limits = decision.decision_limits(0.4, 0.1, math.inf, "iso14253", 0.02)
    expanded = 1.96 * 0.1
    for deviation, expected in [
        (0.4 - expanded - 1e-4, "conforming"),
        (0.4 - expanded + 1e-4, "undecided"),
        (-0.4 - expanded + 1e-4, "undecided"),
        (-0.4 - expanded - 1e-4, "not conforming"),
    ]:
        assert decision.decide(deviation, limits) == expected
    assert decision.decide(0.0, decision.decision_limits(0.4, 0.3, math.inf, "iso14253", 0.02)) == "undecided"


@pytest.mark.parametrize("dof", [math.inf, 8.5])
def test_guard_limits_hold_the_chosen_probability(dof: float) -> None:
    accept, reject = decision.decision_limits(0.4, 0.05, dof, "guard", 0.02)
    assert 1 - decision.conformance_probability(accept, 0.05, -0.4, 0.4, dof) == pytest.approx(0.02, abs=1e-6)
    assert decision.conformance_probability(reject, 0.05, -0.4, 0.4, dof) == pytest.approx(0.02, abs=1e-6)
    # One-sided, since the other limit is 16 u away.
    assert (0.4 - accept) / 0.05 == pytest.approx(float(stats.t(min(dof, 1e9)).ppf(0.98)), abs=1e-3)


def test_guard_accepts_nothing_when_the_uncertainty_is_too_wide() -> None:
    accept, reject = decision.decision_limits(0.4, 0.4, math.inf, "guard", 0.02)
    assert accept < 0 < reject
    assert decision.false_pass_probability(0.0, 0.4, 0.4, math.inf, "guard", 0.02) == 0.0


def test_exact_measurements_decide_exactly() -> None:
    limits = decision.decision_limits(0.4, 0.0, math.inf, "guard", 0.02)
    assert decision.decide(0.3999, limits) == "conforming" and decision.decide(0.4001, limits) == "not conforming"
    assert decision.conformance_probability(0.4, 0.0, -0.4, 0.4) == 1.0


def test_planning_matches_simulation() -> None:
    """Chance that a blade 0.6 deg off passes a tolerance of 0.5 deg measured with u = 0.1 deg, counted."""
    rng = np.random.default_rng(SEED)
    limits = decision.decision_limits(0.5, 0.1, math.inf, "guard", 0.05)
    passed = np.mean([decision.decide(d, limits) == "conforming" for d in 0.6 + 0.1 * rng.standard_normal(40_000)])
    predicted = decision.false_pass_probability(0.6, 0.5, 0.1, math.inf, "guard", 0.05)
    assert predicted == pytest.approx(float(stats.norm.cdf((0.5 - 1.645 * 0.1 - 0.6) / 0.1)), rel=0.01)
    assert passed == pytest.approx(predicted, abs=5 * math.sqrt(predicted / 40_000))


# --- verdicts on records ---------------------------------------------------------------------------------------------


def test_one_blade_off_at_the_exit() -> None:
    """A rotor of four with blade 3 0.8 deg steep at the exit, order 14.5 +- 0.4 deg, walk-round uncertainty."""
    record = make({"entry": [9.5] * 4, "exit": [14.5, 14.45, 15.3, 14.52]}, reading_u=0.03)
    order = an_order(spread_tolerance_deg=0.5, blade_count=4, hand="left")
    found = verify.verify(record, order, rng=np.random.default_rng(SEED))
    by = {j.label: j for j in found.judgements}
    assert [by[f"blade {b} exit"].verdict for b in (1, 2, 3, 4)] == ["conforming"] * 2 + [
        "not conforming",
        "conforming",
    ]
    assert by["mean exit"].verdict == "conforming" and by["spread exit"].verdict == "not conforming"
    assert by["spread exit"].measured_deg == pytest.approx(0.85)
    assert by["spread exit"].standard_uncertainty_deg == pytest.approx(0.03 * math.sqrt(2))
    assert by["blade 3 exit"].probability is not None and by["blade 3 exit"].probability < 1e-6
    assert found.verdict == "not conforming" and found.probability == 0.0
    assert found.false_pass["exit"] is not None and found.false_pass["exit"] < 1e-9


def test_a_good_rotor_conforms_with_its_probability() -> None:
    record = make({"exit": [14.5, 14.6, 14.4]}, reading_u=0.05)
    found = verify.verify(record, an_order(spread_tolerance_deg=0.4), rng=np.random.default_rng(SEED), trials=50_000)
    assert found.verdict == "conforming" and found.advice == ()
    spread = next(j for j in found.judgements if j.what == "spread")
    # Range of three independent Gaussians by quadrature: the sum over i of f_i(x) times the others in [x, x + 0.4].
    x = np.linspace(13.5, 15.5, 20_001)
    blades = [stats.norm(mean, 0.05) for mean in (14.5, 14.6, 14.4)]
    inside = [b.cdf(x + 0.4) - b.cdf(x) for b in blades]
    product = [b.pdf(x) * np.prod(inside[:i] + inside[i + 1 :], axis=0) for i, b in enumerate(blades)]
    expected = float(np.trapezoid(np.sum(product, axis=0), x))
    assert 0.99 < expected < 0.999
    assert spread.probability == pytest.approx(expected, abs=5 * math.sqrt((1 - expected) / 50_000))
    # Single blades are six standard uncertainties inside, so that the spread alone decides.
    assert found.probability == pytest.approx(spread.probability, abs=1e-6)


def test_undecided_says_what_would_decide() -> None:
    record = make({"exit": [14.5, 14.5, 14.85]}, reading_u=0.1, focal_u=0.02, oblique=0)
    found = verify.verify(record, an_order())
    blade = found.judgements[2]
    assert (blade.label, blade.verdict) == ("blade 3 exit", "undecided")
    assert "under ± 0.05 would decide" in blade.reason and "mostly from: edge points" in blade.reason
    assert found.verdict == "undecided" and found.probability is None
    assert "four to six photographs from the side" in found.advice[0] and "outlet end up" in found.advice[0]
    assert record.data["suggestion"] in found.advice


def test_on_the_limit_itself_photographs_hardly_help() -> None:
    found = verify.verify(make({"exit": [14.5, 14.899, 14.5]}, reading_u=0.03), an_order())
    assert any("On the limit, photographs cannot decide: blade 2 exit" in line for line in found.advice)


def test_what_was_not_seen_is_undecided_and_the_photograph_named() -> None:
    record = make({"entry": [9.5, 9.5, 9.5]})
    found = verify.verify(record, an_order(spread_tolerance_deg=0.4), rng=np.random.default_rng(SEED))
    assert {j.verdict for j in found.judgements} == {"undecided"}
    assert found.judgements[0].reason == "not seen: hidden under the next blade"
    assert found.probability is None and found.false_pass == {"exit": None}
    assert "exit of blades 1, 2, 3" in found.advice[0] and "turned over" in found.advice[0]


def test_another_rotor_is_not_conforming() -> None:
    record = make({"exit": [14.5] * 3})
    found = verify.verify(record, an_order(blade_count=4, hand="right", tip_diameter_mm=140.0, hub_diameter_mm=74.0))
    assert [j.verdict for j in found.judgements[:2]] == ["not conforming"] * 2
    assert "ordered for 4" in found.judgements[0].reason
    assert len(found.cautions) == 1 and "The tip diameter is 156.0 mm, ordered 140.0 mm" in found.cautions[0]


def test_few_degrees_of_freedom_widen_the_limits() -> None:
    wide = verify.verify(make({"exit": [14.5] * 3}, dof=4), an_order()).judgements[0]
    assert wide.expanded_uncertainty_deg == pytest.approx(coverage_factor(4) * 0.03)
    assert wide.expanded_uncertainty_deg == pytest.approx(2.776 * 0.03, rel=1e-3)


def test_doubts_in_the_record_are_passed_on() -> None:
    data: Any = make({"exit": [14.5] * 3}).data | {
        "flags": [{"code": "blur", "text": "soft", "photo": None, "blade": None, "station": None}]
    }
    doubted = record_from_dict(data)
    found = verify.verify(doubted, an_order())
    assert found.cautions[0] == "Doubt in the record: soft."
    # what would conform does not while a doubt is open, and does when it is named
    assert (found.verdict, found.doubts) == ("undecided", ("blur",))
    assert any("--despite blur" in line for line in found.advice)
    accepted = verify.verify(doubted, an_order(), despite=["blur"])
    assert (accepted.verdict, accepted.doubts) == ("conforming", ())
    # a doubt does not make what is wrong any better, and one about another station does not matter
    assert verify.verify(doubted, an_order(12.0)).verdict == "not conforming"
    elsewhere = {**data, "flags": [{**data["flags"][0], "station": "entry"}]}
    assert verify.verify(record_from_dict(elsewhere), an_order()).verdict == "conforming"
    # those of the record from before count too, unless the order was made in spite of them
    clean = make({"exit": [14.5] * 3})
    order = Order("Heron", {"exit": StationOrder(14.5, 0.4, 14.5)})
    assert verify.verify(clean, order, doubted).verdict == "undecided"
    in_spite = Order("Heron", order.stations, accepted_doubts=("blur",))
    assert verify.verify(clean, in_spite, doubted).verdict == "conforming"


def test_an_order_that_does_not_belong_to_the_record_before_is_refused() -> None:
    before, after = make({"exit": [14.0] * 3}), make({"exit": [15.0] * 3})
    with pytest.raises(DefinitionError, match=r"with 13\.00 deg at the exit, the record from before has 14\.00"):
        verify.verify(after, Order("Heron", {"exit": StationOrder(15.0, 0.4, 13.0)}), before)
    assert verify.verify(after, Order("Heron", {"exit": StationOrder(15.0, 0.4, 14.0)}), before).verdict == "conforming"


def test_balance_is_judged_pair_by_pair_with_the_covariance() -> None:
    """Readings of 0.03 deg each: a pair differs with 0.03 sqrt(2), and errors common to all blades drop out."""
    for angles, verdict in (([14.5, 14.6, 14.5], "conforming"), ([14.5, 15.0, 14.5], "undecided")):
        (found,) = judging.balance(make({"exit": angles}, focal_u=0.5), 0.5)
        assert found.verdict == verdict and found.what == "spread"
        assert found.standard_uncertainty_deg == pytest.approx(0.03 * math.sqrt(2))
    (apart,) = judging.balance(make({"exit": [14.5, 15.5, 14.5]}), 0.5)
    assert apart.verdict == "not conforming"


# --- judging the change ----------------------------------------------------------------------------------------------


def test_the_change_is_known_better_than_the_angle() -> None:
    """The same camera file in both records: the focal length's 0.2 deg cancels, the readings' do not."""
    before = make({"exit": [14.0, 14.2, 13.8]}, reading_u=0.03, focal_u=0.2)
    after = make({"exit": [15.0, 15.0, 15.0]}, reading_u=0.03, focal_u=0.2)
    order = Order("Heron", {"exit": StationOrder(15.0, 0.3, 14.0)})
    alone, change = verify.verify(after, order), verify.verify(after, order, before)
    assert alone.verdict == "undecided" and change.verdict == "conforming" and change.change
    assert alone.judgements[0].standard_uncertainty_deg == pytest.approx(math.hypot(0.03, 0.2))
    assert change.judgements[0].standard_uncertainty_deg == pytest.approx(0.03 * math.sqrt(1 + 1 / 3))
    assert change.judgements[0].measured_deg == pytest.approx(1.0) and change.judgements[0].wanted_deg == 1.0
    mean = change.judgements[3]
    assert mean.what == "mean" and mean.standard_uncertainty_deg == pytest.approx(0.03 * math.sqrt(2 / 3))
    # Without a stated change it follows from the angle and the mean before.
    assert verify.verify(after, an_order(15.1, 0.3), before).judgements[0].wanted_deg == pytest.approx(1.1)


def test_another_camera_cancels_nothing() -> None:
    before = make({"exit": [14.0] * 3}, focal_u=0.2)
    data = json.loads(json.dumps(before.data))
    data["camera"]["parameters"]["f_px"] += 1
    other = record_from_dict(data)
    assert judging.shared_covariance(before, before) == pytest.approx(np.full((3, 3), 0.04))
    assert not judging.shared_covariance(before, other).any()
    u = verify.verify(before, an_order(14.0), other).judgements[3].standard_uncertainty_deg
    assert u == pytest.approx(math.sqrt(2 * (0.03**2 / 3 + 0.2**2)))


def test_effects_that_contradict_the_covariances_are_not_used() -> None:
    before = make({"exit": [14.0] * 3}, focal_u=0.2)
    data = json.loads(json.dumps(before.data))
    data["budget"][1]["effects_deg"] = [[5.0, 5.0, 5.0]]
    assert not judging.shared_covariance(record_from_dict(data), before).any()


def test_before_must_be_the_same_rotor_and_show_the_station() -> None:
    after = make({"exit": [14.5] * 3})
    with pytest.raises(UsageError, match="differ in blade_count"):
        verify.verify(after, an_order(), make({"exit": [14.5] * 4}))
    found = verify.verify(after, an_order(), make({"entry": [9.5] * 3}))
    assert found.judgements[0].reason == "not seen in the record from before"
    assert found.judgements[0].verdict == "undecided"


def changed(record: Record, *way: Any) -> Record:
    """The record with one value, given by its keys and itself last, in place of another."""
    data = json.loads(json.dumps(record.data))
    *path, last, value = way
    here = data
    for key in path:
        here = here[key]
    here[last] = value
    return record_from_dict(data)


def test_before_of_another_hand_is_another_rotor() -> None:
    after = make({"exit": [14.5] * 3})
    with pytest.raises(UsageError, match="differ in hand"):
        verify.verify(after, an_order(), changed(after, "rotor", "hand", "right"))


def test_only_the_very_same_calibration_and_the_same_ring_are_shared() -> None:
    """What another calibration of the camera, or another print, brings in is another error; u of 0.2 deg is shared."""
    by_camera = make({"exit": [14.0] * 3}, focal_u=0.2)
    by_ring = changed(by_camera, "budget", 1, "shared", "ring")
    other_covariance = np.diag([16.0, 4, 4, 1e-4, 1e-4, 1e-8, 1e-8, 1e-4]).tolist()
    corner = by_ring.content.ring.markers[0].corners_mm[0][0] + 0.01
    same = np.full((3, 3), 0.04)
    assert judging.shared_covariance(by_ring, by_ring) == pytest.approx(same)
    for shared, lost in (
        (by_camera, changed(by_camera, "camera", "covariance", other_covariance)),
        (by_ring, changed(by_ring, "ring", "markers", 0, "corners_mm", 0, 0, corner)),
        (by_camera, by_ring),
    ):
        assert not judging.shared_covariance(shared, lost).any()
        assert not judging.shared_covariance(lost, shared).any()
    # the camera may differ where the ring is what is shared, and the other way round
    assert judging.shared_covariance(
        by_ring, changed(by_ring, "camera", "covariance", other_covariance)
    ) == pytest.approx(same)
    assert judging.shared_covariance(
        by_camera, changed(by_camera, "ring", "markers", 0, "corners_mm", 0, 0, corner)
    ) == pytest.approx(same)


def test_what_the_rotor_itself_brings_in_is_the_same_before_and_after_whatever_the_camera_and_the_ring() -> None:
    by_rotor = changed(make({"exit": [14.0] * 3}, focal_u=0.2), "budget", 1, "shared", "rotor")
    corner = by_rotor.content.ring.markers[0].corners_mm[0][0] + 0.01
    other = changed(by_rotor, "ring", "markers", 0, "corners_mm", 0, 0, corner)
    other = changed(other, "camera", "parameters", "f_px", 2500.0)
    assert judging.shared_covariance(by_rotor, other) == pytest.approx(np.full((3, 3), 0.04))


def test_few_degrees_of_freedom_before_widen_the_change() -> None:
    """By hand (JCGM 100, G.4.1): u^2 = 9e-4 + 3e-4, of which the second has 2 dof: 12e-4^2 / (3e-4^2 / 2) = 32.

    Student's t for 32 degrees of freedom and 95 % is 2.037 (JCGM 100, table G.2, between 30: 2.04 and 35: 2.03).
    """
    after, before = make({"exit": [15.0] * 3}), make({"exit": [14.0] * 3}, dof=2.0)
    item = verify.verify(after, Order("Heron", {"exit": StationOrder(15.0, 0.3, 14.0)}), before).judgements[0]
    assert item.standard_uncertainty_deg == pytest.approx(math.sqrt(12e-4))
    assert item.expanded_uncertainty_deg == pytest.approx(2.037 * math.sqrt(12e-4), rel=1e-3)


def test_the_spread_is_over_all_blades_and_not_over_neighbours() -> None:
    order = Order("Heron", {"exit": StationOrder(14.5, 5.0)}, spread_tolerance_deg=0.5)
    rising = verify.verify(make({"exit": [14.2, 14.5, 14.8]}, reading_u=0.01), order).judgements[-1]
    assert (rising.what, rising.verdict) == ("spread", "not conforming")
    assert rising.measured_deg == pytest.approx(0.6) and "0.60 deg" in rising.reason


def test_a_spread_of_which_a_blade_is_unseen_is_undecided() -> None:
    data = json.loads(json.dumps(make({"exit": [14.5] * 3}, reading_u=0.01).data))
    data["blades"][2]["stations"]["exit"], data["blades"][2]["not_seen"]["exit"] = None, "hidden"
    data["covariance"] = {"labels": ["1.exit", "2.exit"], "matrix_deg2": [[1e-4, 0.0], [0.0, 1e-4]]}
    for line in data["budget"]:
        line.pop("deg", None)
    order = Order("Heron", {"exit": StationOrder(14.5, 0.5)}, spread_tolerance_deg=0.5)
    item = verify.verify(record_from_dict(agreeing(data)), order).judgements[-1]
    assert (item.what, item.verdict, item.reason) == ("spread", "undecided", "not all blades are seen")


def test_the_largest_chance_of_a_false_pass_is_told() -> None:
    """By hand, ISO 14253-1 with k = 1.960 and a tolerance of 0.4: a blade known to 0.05 is accepted within 0.302, one
    to 0.1 within 0.204. Off by 0.5 they pass with Phi(-3.96) = 3.8e-5 and Phi(-2.96) = 1.54e-3 (normal table)."""
    data = json.loads(json.dumps(make({"exit": [14.5] * 3}).data))
    for uncertainties in ((0.05, 0.1, 0.05), (0.1, 0.05, 0.05), (0.05, 0.05, 0.1)):
        data["covariance"]["matrix_deg2"] = np.diag(np.square(uncertainties)).tolist()
        record = record_from_dict(agreeing(data))
        found = verify.verify(record, an_order(14.5, 0.4), error_deg=0.5).false_pass["exit"]
        assert found == pytest.approx(1.54e-3, rel=0.01)


def test_deviations_count_on_both_sides() -> None:
    """A deviation and its opposite have the same verdict, by either rule."""
    for rule in ("iso14253", "guard"):
        limits = decision.decision_limits(0.4, 0.05, math.inf, rule, 0.02)
        for size, verdict in ((0.1, "conforming"), (0.4, "undecided"), (0.6, "not conforming")):
            assert [decision.decide(sign * size, limits) for sign in (1, -1)] == [verdict] * 2
    assert decision.conformance_probability(-0.5, 0.05, -0.4, 0.4) == pytest.approx(0.02275, abs=1e-5)  # Phi(-2)
    assert decision.conformance_probability(0.5, 0.05, -0.4, 0.4) == pytest.approx(0.02275, abs=1e-5)


def test_another_diameter_before_is_a_caution() -> None:
    before = make({"exit": [14.5] * 3})
    data = json.loads(json.dumps(before.data))
    data["rotor"]["tip_diameter_mm"] = plain(quantity(154.0, 0.05))
    assert "before 154.0" in verify.verify(before, an_order(), record_from_dict(data)).cautions[0]


@pytest.mark.parametrize(("ordered_mm", "cautions"), [(154.0, 1), (155.5, 0), (156.5, 0), (158.0, 1)])
def test_a_diameter_off_to_either_side_of_the_ordered_one_is_a_caution(ordered_mm: float, cautions: int) -> None:
    """The record's is 156.0 +- 0.1 mm (standard); up to 1 mm and twice that, the order may be of the same rotor."""
    found = verify.verify(make({"exit": [14.5] * 3}), an_order(tip_diameter_mm=ordered_mm)).cautions
    assert len([c for c in found if "tip diameter" in c]) == cautions


# --- false accepts, counted ------------------------------------------------------------------------------------------


def accepted(true: Array, before_true: Array | None, order: Order, count: int, rule: str) -> float:
    """Share of `count` simulated measurements of the rotor that are judged conforming.

    Readings of 0.06 deg for each blade and a focal length of 0.05 deg common to all blades and both records.
    """
    rng = np.random.default_rng(SEED)
    base = make({"exit": list(true)}, reading_u=0.06, focal_u=0.05)
    old_base = None if before_true is None else make({"exit": list(before_true)}, reading_u=0.06, focal_u=0.05)
    passed = 0
    for _ in range(count):
        focal = 0.05 * rng.standard_normal()
        after = measured(base, true + focal + 0.06 * rng.standard_normal(len(true)))
        old = None
        if old_base is not None and before_true is not None:
            old = measured(old_base, before_true + focal + 0.06 * rng.standard_normal(len(true)))
        passed += verify.verify(after, order, old, rule=rule, false_accept_probability=0.02).verdict == "conforming"
    return passed / count


def measured(base: Record, angles: Array) -> Record:
    """The record with other angles at the exit; made without the checks, which take longer than the verdict."""
    data: Any = base.data
    blades = [
        b | {"stations": b["stations"] | {"exit": b["stations"]["exit"] | {"angle_deg": float(a)}}}
        for b, a in zip(data["blades"], angles, strict=True)
    ]
    mean = data["rotor"]["stations"]["exit"] | {"angle_deg": float(np.mean(angles))}
    rotor = data["rotor"] | {"stations": data["rotor"]["stations"] | {"exit": mean}}
    return Record(data | {"blades": blades, "rotor": rotor})


@pytest.mark.slow
@pytest.mark.parametrize(
    ("case", "verdicts"), [("blade", 5_000), ("spread", 3_000), ("change", 2_000), ("blade by U", 3_000)]
)
def test_false_accepts_are_as_many_as_chosen(case: str, verdicts: int) -> None:
    """A rotor exactly on the limit, the worst that does not conform: accepted as often as chosen, nor far less.

    ISO 14253-1's 95 % expanded uncertainty leaves 2.5 % on the side of the limit.
    """
    order, before, rule, chosen = an_order(tolerance=0.4), None, "guard", 0.02
    true = np.array([14.9, 14.5, 14.5])
    if case == "spread":
        order, true = an_order(tolerance=3.0, spread_tolerance_deg=0.4), np.array([14.7, 14.5, 14.3])
    if case == "change":
        before = np.array([13.5, 13.4, 13.6])
        order = Order("Heron", {"exit": StationOrder(14.5, 0.4, 13.5)})
    if case == "blade by U":
        rule, chosen = "iso14253", 0.025
    share = accepted(true, before, order, verdicts, rule)
    sampling = math.sqrt(chosen * (1 - chosen) / verdicts)
    assert chosen - 4 * sampling < share < chosen + 3 * sampling


def test_false_accepts_in_fewer_verdicts() -> None:
    share = accepted(np.array([14.9, 14.5, 14.5]), None, an_order(tolerance=0.4), 1500, "guard")
    assert 0.005 < share < 0.035


# --- yardstick and command -------------------------------------------------------------------------------------------


def test_iso_484_2_yardstick() -> None:
    """ISO 484-2:1981 classes in percent of pitch; d beta = sin(beta) cos(beta) dP / P."""
    beta = math.radians(14.5)
    off = [math.degrees(math.sin(beta) * math.cos(beta) * p / 100) for p in (1.4, 1.9, 2.8, 4.0)]
    record = make({"exit": [14.5 + d for d in off]})
    rows = verify.yardstick(record, an_order())
    assert [r.best_class for r in rows] == ["S", "I", "II", "outside", "I", "II", "III", "III", "III"]
    assert [r.deviation_percent for r in rows[:4]] == pytest.approx([1.4, 1.9, 2.8, 4.0], rel=0.02)
    assert rows[-1].kind == "whole" and rows[-1].deviation_percent == pytest.approx(
        np.mean([1.4, 1.9, 2.8, 4.0]), rel=0.02
    )
    expected = 196 * math.radians(0.03) / (math.sin(beta) * math.cos(beta))
    assert rows[0].expanded_uncertainty_percent == pytest.approx(expected, rel=0.01)
    assert rows[-1].expanded_uncertainty_percent == pytest.approx(expected / 2, rel=0.02)
    assert verify.yardstick(make({"entry": [9.5] * 3}), an_order()) == ()


@pytest.fixture
def files(tmp_path: Path) -> Path:
    before = make({"entry": [9.5] * 3, "exit": [14.0] * 3}, focal_u=0.1)
    write_record(before, tmp_path / "before.json")
    write_record(make({"entry": [9.5] * 3, "exit": [15.0] * 3}, focal_u=0.1), tmp_path / "good.json")
    write_record(make({"entry": [9.5] * 3, "exit": [15.0, 15.9, 15.0]}, focal_u=0.1), tmp_path / "bad.json")
    write_record(make({"entry": [9.5] * 3}, focal_u=0.1), tmp_path / "unseen.json")
    write_order(order_from_record(before, {"exit": 1.0}, tolerance_deg=0.4), tmp_path / "o.toml")
    return tmp_path


@pytest.mark.parametrize(("name", "code"), [("good", 0), ("bad", 10), ("unseen", 10)])
def test_the_command_exits_0_only_for_conforming(files: Path, name: str, code: int) -> None:
    arguments = [str(files / f"{name}.json"), "--order", str(files / "o.toml")]
    result = CliRunner().invoke(verify_command, arguments)
    assert result.exit_code == code
    assert "exit" in result.stdout and "Rule: ISO 14253-1" in result.stdout
    # the verdict stands first
    verdict = result.stdout.splitlines()[0].split(": ")[1]
    assert (verdict == "conforming") is (code == 0)
    assert ("conforming" in verdict) == (name != "unseen")
    again = CliRunner().invoke(
        verify_command, [*arguments, "--json", "--before", str(files / "before.json"), "--iso484"]
    )
    assert again.exit_code == code
    data = json.loads(again.stdout)
    assert data["change"] is True and (data["verdict"] == "conforming") == (code == 0)
    assert "0.80 m" in data["iso_484_2"]["scope"]


def test_the_command_is_repeatable_and_honours_the_rule(files: Path) -> None:
    arguments = [
        str(files / "good.json"),
        "--order",
        str(files / "o.toml"),
        "--rule",
        "guard",
        "--false-accept",
        "0.001",
    ]
    one, two = (CliRunner().invoke(verify_command, [*arguments, "--iso484"]) for _ in range(2))
    assert one.exit_code == 0 and one.stdout == two.stdout
    assert "a bad blade accepted in at most 0.001" in one.stdout and "yardstick" in one.stdout


def test_few_degrees_of_freedom_move_both_limits_of_the_decision_rule() -> None:
    """ISO 14253-1 with Student's t for 95 %: 2.776 of 4 degrees of freedom, 1.960 of very many (any table)."""
    for dof, factor in ((4.0, 2.776), (math.inf, 1.960)):
        accept, reject = decision.decision_limits(0.5, 0.1, dof, "iso14253", 0.02)
        assert accept == pytest.approx(0.5 - 0.1 * factor, abs=1e-4)
        assert reject == pytest.approx(0.5 + 0.1 * factor, abs=1e-4)


def test_an_angle_known_exactly_conforms_or_does_not() -> None:
    assert decision.conformance_probability(0.4001, 0.0, -0.4, 0.4) == 0.0
    assert decision.conformance_probability(-0.4001, 0.0, -0.4, 0.4) == 0.0
    assert decision.conformance_probability(0.0, 0.0, -0.4, 0.4) == 1.0


def test_a_right_blade_passes_only_when_it_is_read_within_the_limits_on_both_sides() -> None:
    """ISO 14253-1, tolerance 0.5, u 0.2: accepted within 0.108 of the goal, 0.54 u; 2 Phi(0.54) - 1 = 0.4108."""
    assert decision.false_pass_probability(0.0, 0.5, 0.2, math.inf, "iso14253", 0.02) == pytest.approx(0.4108, abs=1e-4)


def test_risks_are_counted_beyond_both_limits() -> None:
    """A process N(0, 1) read with u = 0.5, limits +-2: what is read is N(0, 1.25) with covariance 1, by SciPy's
    bivariate normal distribution; outside lie 2 Phi(-2) = 0.0455."""
    outside, accepted = false_accept_risk(stats.norm.pdf, 0.5, (-2.0, 2.0), (-2.0, 2.0))
    joint = stats.multivariate_normal(cov=[[1.0, 1.0], [1.0, 1.25]])
    inside_both = joint.cdf([2.0, 2.0], lower_limit=[-2.0, -2.0])
    read_inside = 2 * stats.norm.cdf(2 / math.sqrt(1.25)) - 1
    assert outside == pytest.approx(0.0455, abs=5e-5)
    assert accepted == pytest.approx(read_inside - inside_both, rel=1e-3)
    upper = false_accept_risk(stats.norm.pdf, 0.5, (-20.0, 2.0), (-20.0, 2.0))
    assert upper == pytest.approx((outside / 2, accepted / 2), rel=1e-3)  # the other half lies beyond the other limit


def test_the_probability_that_a_blade_conforms_counts_both_limits() -> None:
    """14.5 +- 0.4 with u = 0.1: read as 14.2 and as 14.8 it is Phi(1) - Phi(-7) = 0.8413, in the middle 1."""
    found = verify.verify(make({"exit": [14.2, 14.5, 14.8]}, reading_u=0.1), an_order(14.5, 0.4))
    assert [j.probability for j in found.judgements[:3]] == pytest.approx([0.8413, 0.99994, 0.8413], abs=1e-4)


def test_two_blades_differ_as_surely_as_the_less_certain_one_is_known() -> None:
    """By hand: u 0.03 each, of which one has 4 degrees of freedom: 2.776 sqrt(2) 0.03 (Student's t, any table)."""
    data = json.loads(json.dumps(make({"exit": [14.5, 14.6]}, reading_u=0.03).data))
    for uncertain in (0, 1):
        changed = json.loads(json.dumps(data))
        changed["blades"][uncertain]["stations"]["exit"] = plain(
            station_result(14.5 + uncertain / 10, 0.03, ["inlet"], 4.0)
        )
        order = Order("Heron", {"exit": StationOrder(14.5, 0.5)}, spread_tolerance_deg=0.5)
        item = verify.verify(record_from_dict(changed), order).judgements[-1]
        assert item.what == "spread"
        assert item.expanded_uncertainty_deg == pytest.approx(2.776 * math.sqrt(2) * 0.03, rel=1e-3)


def test_the_probability_is_that_all_angles_conform_together() -> None:
    """By hand: three independent blades a u within their limit, Phi(1)^3 = 0.5955; the mean is then within it, too."""
    found = verify.verify(
        make({"exit": [14.2] * 3}, reading_u=0.1), an_order(14.5, 0.4), rng=np.random.default_rng(SEED)
    )
    assert found.probability == pytest.approx(0.5955, abs=5 * math.sqrt(0.24 / 20_000))


def test_few_degrees_of_freedom_lower_the_probability_of_the_whole() -> None:
    """One blade at its goal, its limits 4 u away: Student's t of 3 degrees of freedom lies beyond with 0.0280."""
    record = make({"exit": [14.5]}, reading_u=0.1, dof=3.0)
    found = verify.verify(record, an_order(14.5, 0.4), rng=np.random.default_rng(SEED))
    assert found.probability == pytest.approx(1 - 0.0280, abs=5 * math.sqrt(0.027 / 20_000))


@pytest.mark.parametrize("angle", [12.5, 16.5])
def test_an_order_made_from_a_steeper_or_a_shallower_rotor_is_not_judged(angle: float) -> None:
    order = Order("Heron", {"exit": StationOrder(15.0, 0.4, 14.5)})
    with pytest.raises(DefinitionError, match=f"the record from before has {angle}0 deg"):
        verify.verify(make({"exit": [15.0] * 3}), order, make({"exit": [angle] * 3}))
