"""Wear, run-out, radius and clearance of the tips, held against draws of what they are told from."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from seeds import generator

from bladeangle.adjustment.adjust import Adjustment
from bladeangle.adjustment.model import applied
from bladeangle.adjustment.priors import Priors
from bladeangle.adjustment.tip_radius import BEYOND_MM, TABLE_STEP_MM, tip_functions
from bladeangle.imaging.camera import camera_from_exif
from bladeangle.imaging.ring import read_ring
from bladeangle.plan import RotorSize, nominal_rotor, nominal_state
from bladeangle.records.station import StationOptions
from bladeangle.results.expected import expected_view, from_above, from_side, ideal_adjustment
from bladeangle.results.stations import diameter_over_tips
from bladeangle.results.tips import Tips, measure_tips
from bladeangle.tuning.expected import TYPICAL
from bladeangle.tuning.priors import ANY_TIPS, NEW_TIPS, TipCondition
from bladeangle.tuning.results import TIPS

RING = read_ring(Path(__file__).parents[2] / "calibration" / "ring-160-a3.json")
SIZE = (2016, 1512)
BLADES = 3
ROTOR = RotorSize(158.0, 58.0, BLADES, 11.0, 15.0, "left", 120.0)


def adjusted(sides: int, condition: TipCondition | None = ANY_TIPS) -> Adjustment:
    """A pair from above and so many from the side, ideal, of a rotor whose tips are then worn by what is usual."""
    phone = camera_from_exif(*SIZE, 26.0)
    shots = [(from_above(320.0), 0), (from_above(320.0), 1)]
    shots += [(from_side(np.radians(120.0 * k), 420.0, 40.0), 0) for k in range(sides)]
    rotor = nominal_rotor(ROTOR, RING, StationOptions())[0].with_tips(condition)
    state = nominal_state(rotor, RING, phone, ROTOR.height_mm, shots)
    views = tuple(expected_view(RING, state, p, s, SIZE, TYPICAL, circles=p < 2) for p, (_, s) in enumerate(shots))
    priors = Priors(phone.parameters, phone.covariance, radius_mm=rotor.radius_mm, tips=condition)
    return ideal_adjustment(RING, views, state, priors, TYPICAL.correlated_sigmas)


def tips_of(result: Adjustment, bore: tuple[float, float] | None = None, seed: int = 0) -> Tips:
    found = measure_tips(result, diameter_over_tips(result)[1], bore, generator(seed))
    assert found is not None
    return found


@pytest.fixture(scope="module")
def five() -> Adjustment:
    """A pair and three from the side."""
    return adjusted(3)


def drawn(
    condition: TipCondition, at: np.ndarray, length_mm: float, rng: np.random.Generator, *, own: bool
) -> tuple[dict[str, float], np.ndarray]:
    """The part that all blades share or one blade's own: what it has of everything, and its departures (n,) mm."""
    uneven = condition.uneven_mm**2 * np.exp(-(((at[:, None] - at) / condition.uneven_length_mm) ** 2) / 2)
    out = np.linalg.cholesky(uneven + 1e-10 * np.eye(len(at))) @ rng.standard_normal(len(at))
    has: dict[str, float] = {"run-out": rng.normal(0, condition.run_out_mm) if own else 0.0}
    has["taper"] = 0.0 if own else rng.normal(0, condition.taper_mm)
    out += has["run-out"] + has["taper"] * (at / length_mm - 0.5)
    for name, (_, sd), from_end in (
        ("leading wear", condition.leading_wear_mm, np.maximum(at, 0)),
        ("trailing wear", condition.trailing_wear_mm, np.maximum(length_mm - at, 0)),
    ):
        has[name] = rng.normal(0, sd * (condition.unequal if own else 1.0))
        out -= has[name] * np.exp(-from_end / rng.choice(np.linspace(*condition.wear_length_mm, 8)))
    return has, out


@pytest.mark.parametrize("condition", [ANY_TIPS, NEW_TIPS])
def test_what_coefficients_tell_misses_what_tips_do_by_what_they_leave_open(condition: TipCondition) -> None:
    """Tips drawn part by part, their coefficients known; root mean squares of 2,000 rotors are known to 2 %."""
    rng, functions = generator(11), tip_functions(condition, 120.0)
    at = np.arange(len(functions.mean)) * TABLE_STEP_MM - BEYOND_MM
    missed: dict[str, list[list[float]]] = {name: [] for name in functions.features}
    for _ in range(2000):
        parts = [drawn(condition, at, 120.0, rng, own=own) for own in (False, True)]
        shared, own = (
            table @ out / (table**2).sum(1)
            for table, (_, out) in zip((functions.shared, functions.own), parts, strict=True)
        )
        for name, share in functions.features.items():
            missed[name].append([shared @ share.shared - parts[0][0][name], own @ share.own - parts[1][0][name]])
    for name, share in functions.features.items():
        rms = np.sqrt(np.mean(np.square(missed[name]), axis=0))
        np.testing.assert_allclose(rms, share.open_parts_mm, rtol=0.08, atol=2e-4, err_msg=name)
        assert np.hypot(*share.open_parts_mm) == pytest.approx(share.open_mm), name
        assert np.all(rms <= 1.02 * np.array(share.prior_parts_mm) + 1e-9), name


def test_uncertainties_are_those_of_unknowns_drawn_from_their_covariance(five: Adjustment) -> None:
    """400 draws of all unknowns; wear has what coefficients leave open beside it. Drawn scatter is known to 4 %."""
    found, rng = tips_of(five), generator(3)
    rotor = five.state.rotor
    shares = rotor.tip_radius.functions.features
    root = np.linalg.cholesky(five.covariance + 1e-18 * np.eye(len(five.covariance)))
    tau = rotor.ends[1, 0] + found.blades[1].arc_mm * (rotor.ends[1, 1] - rotor.ends[1, 0]) / 120.0
    radius, wear, taper, out = [], [], [], []
    for _ in range(400):
        moved = applied(five.state, five.layout, root @ rng.standard_normal(len(root))).rotor
        assert moved is not None
        tips, lead = moved.tip_radius, shares["leading wear"]
        radius.append(moved.radius_at(tau, 1))
        wear.append(np.append(tips.own @ lead.own, (tips.own @ lead.own).mean()) + tips.shared @ lead.shared)
        taper.append(tips.shared @ shares["taper"].shared)
        out.append(tips.own @ shares["run-out"].own)
    np.testing.assert_allclose(np.std(radius, axis=0), found.blades[1].u_mm, rtol=0.15)
    left = shares["leading wear"].open_parts_mm
    stated = [np.sqrt(b.leading_wear.u_mm**2 - left[0] ** 2 - left[1] ** 2) for b in found.blades]
    stated.append(np.sqrt(found.leading_wear.u_mm**2 - left[0] ** 2 - left[1] ** 2 / BLADES))
    np.testing.assert_allclose(np.std(wear, axis=0), stated, rtol=0.15)
    drawn_taper, left_taper = np.std(taper), shares["taper"].open_parts_mm[0]
    assert np.hypot(drawn_taper, left_taper) == pytest.approx(found.taper.u_mm, rel=0.12)
    apart = np.array(out) - np.mean(out, axis=1, keepdims=True)
    left_out = shares["run-out"].open_parts_mm[1] * np.sqrt(1 - 1 / BLADES)
    stated = [np.sqrt(b.run_out.u_mm**2 - left_out**2) for b in found.blades]
    np.testing.assert_allclose(apart.std(axis=0), stated, rtol=0.15)


def test_values_are_those_of_the_tips_that_are_adjusted(five: Adjustment) -> None:
    """Moved by known coefficients, curve and run-out move as the tables say."""
    moved = replace(five, state=five.state.copy())
    rotor = moved.state.rotor
    share = rotor.tip_radius.functions.features["run-out"]
    rotor.tip_radius.own[0] += 2.0 * share.own / (share.own @ share.own)  # 2 mm of run-out
    before, after = tips_of(five), tips_of(moved)
    assert after.blades[0].run_out.value_mm - before.blades[0].run_out.value_mm == pytest.approx(4 / 3, abs=1e-9)
    assert after.blades[2].run_out.value_mm - before.blades[2].run_out.value_mm == pytest.approx(-2 / 3, abs=1e-9)
    assert after.run_out.value_mm == pytest.approx(2.0, abs=1e-4)
    assert before.run_out.value_mm == pytest.approx(0.0, abs=1e-4)
    assert after.blades[0].radius_mm.mean() - before.blades[0].radius_mm.mean() > 0.5
    np.testing.assert_allclose(np.diff(before.blades[0].arc_mm), 4.0)
    assert before.blades[0].radius_mm == pytest.approx(79.0, abs=0.5)


def test_clearance_in_a_bore(five: Adjustment) -> None:
    found = tips_of(five, (159.0, 0.05))
    for tip in found.blades:
        gap = 159.0 / 2 - tip.radius_mm
        assert tip.clearance is not None
        assert tip.clearance.mean.value_mm == pytest.approx(gap.mean(), abs=1e-9)
        # a mean is known no better than the bore, no worse than its worst place and the bore together
        assert 0.025 < tip.clearance.mean.u_mm < np.hypot(tip.u_mm.max(), 0.025) + 1e-9
        assert gap.min() - 0.1 < tip.clearance.smallest.value_mm < gap.min() + 0.002
    assert found.clearance is not None
    least = min(t.clearance.smallest.value_mm for t in found.blades if t.clearance is not None)
    assert found.clearance.smallest.value_mm <= least + 0.002
    sharp = replace(five, covariance=five.covariance * 1e-8)
    exact = tips_of(sharp, (159.0, 1e-6)).clearance
    assert exact is not None
    assert exact.smallest.value_mm == pytest.approx(79.5 - max(t.radius_mm.max() for t in found.blades), abs=1e-3)


def test_the_smallest_of_two_independent_gaps() -> None:
    """E min(X, Y) of two standard normal variables is -1/sqrt(pi), their variance 1 - 1/pi (Clark, 1961)."""
    from bladeangle.results.tips import _clearance, _Curve

    curve = _Curve(np.array([0.0, 4.0]), np.array([70.0, 70.0]), np.eye(2), np.eye(2) * 0.01)
    found = _clearance([curve], (150.0, 0.0), generator(1))
    assert found is not None
    assert found.smallest.value_mm == pytest.approx(5.0 - 0.1 / np.sqrt(np.pi), abs=0.006)
    assert found.smallest.u_mm == pytest.approx(0.1 * np.sqrt(1 - 1 / np.pi), rel=0.05)
    assert found.mean.value_mm == pytest.approx(5.0)
    assert found.mean.u_mm == pytest.approx(0.1 / np.sqrt(2))


def test_what_photographs_do_not_tell_is_not_seen(five: Adjustment) -> None:
    """From the side, wear is told; where nothing is, what is known beforehand comes back and is marked."""
    assert tips_of(five).seen and tips_of(five).leading_wear.u_mm < TIPS.seen_share * ANY_TIPS.leading_wear_mm[1]
    blind = replace(five, covariance=np.zeros_like(five.covariance))
    at = five.layout["tips"]
    blind.covariance[at, at] = np.eye(at.stop - at.start)  # what is known beforehand
    found = tips_of(blind)
    known = np.hypot(ANY_TIPS.leading_wear_mm[1], ANY_TIPS.leading_wear_mm[1] * ANY_TIPS.unequal / np.sqrt(BLADES))
    assert found.leading_wear.u_mm == pytest.approx(known, rel=1e-6)
    assert found.taper.u_mm == pytest.approx(ANY_TIPS.taper_mm, rel=1e-6)
    assert found.run_out.u_mm == pytest.approx(ANY_TIPS.run_out_mm * np.sqrt(2), rel=1e-6)
    assert not any(e.seen for e in (found.leading_wear, found.trailing_wear, found.taper, found.run_out))


def test_a_cylinder_has_no_wear() -> None:
    result = adjusted(0, None)
    assert measure_tips(result, diameter_over_tips(result)[1]) is None


def test_what_the_calibration_does_to_wear_is_its_share_of_the_variance(five: Adjustment) -> None:
    found = tips_of(five)
    _, row = diameter_over_tips(five)
    response = row @ five.covariance
    share = response @ five.information["camera calibration"] @ response
    assert found.effects_mm["tip_diameter"] @ found.effects_mm["tip_diameter"] == pytest.approx(share, rel=1e-6)
    assert 0 < np.linalg.norm(found.effects_mm["leading_wear"]) < found.leading_wear.u_mm
