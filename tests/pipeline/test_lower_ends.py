"""Lower ends of blades that photographs from the side show: what they say of how the two setups match."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from rendered_rotor import EIGHT, rendered
from scipy.stats import binom

from bladeangle.adjustment.adjust import Adjustment
from bladeangle.adjustment.model import State
from bladeangle.pipeline import adjusted, lower_ends
from bladeangle.pipeline.judged import Measurement
from bladeangle.pipeline.lower_ends import in_sight_and_found, log_likelihood, matched_at_lower_ends
from bladeangle.pipeline.options import priors_of
from bladeangle.pipeline.register import matched_farther
from bladeangle.results.stations import measure_stations
from bladeangle.tuning.blade_ends import LOWER_ENDS

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def eight(tmp_path_factory: pytest.TempPathFactory) -> tuple[Measurement, dict[str, Any]]:
    """A rotor whose blades overlap, seen from six sides."""
    return rendered(tmp_path_factory.mktemp("eight"), 912, EIGHT, overlap=1.25)


def off_by(result: Adjustment, mm: float) -> Adjustment:
    """The adjustment as it is with the setups matched farther along the blades, which are so much longer."""
    return replace(result, state=matched_farther(result.state, mm / result.state.rotor.radius_mm))


def length_mm(result: Adjustment) -> float:
    return float(np.diff(result.state.rotor.ends, axis=1).mean()) * result.state.rotor.radius_mm


def test_lower_ends_are_found_at_the_right_length_alone(eight: tuple[Measurement, Any]) -> None:
    measurement = eight[0]
    wanted, found = in_sight_and_found(measurement.shots, measurement.result.state)
    assert wanted >= 5 and found >= 0.6 * wanted
    for mm in (-16.0, -9.0, 9.0, 16.0):
        wanted, found = in_sight_and_found(measurement.shots, off_by(measurement.result, mm).state)
        assert wanted >= 5 and found <= 0.3 * wanted


@pytest.mark.parametrize("mm", [-17.0, -9.0, 16.0])
def test_setups_matched_elsewhere_come_back(eight: tuple[Measurement, Any], mm: float) -> None:
    measurement = eight[0]
    priors = priors_of(measurement.camera, measurement.options, measurement.ring)
    sound = measurement.result
    wrong = off_by(sound, mm)
    near = matched_at_lower_ends(measurement.shots, wrong, measurement.ring, priors)
    assert near is not None
    assert abs(length_mm(near) - length_mm(sound)) < 3.0 < abs(length_mm(wrong) - length_mm(sound))
    back = adjusted._matched_at_lower_ends(measurement.shots, wrong, measurement.ring, priors)
    assert abs(length_mm(back) - length_mm(sound)) < 0.5
    before, after = (measure_stations(r, measurement.options.stations) for r in (sound, back))
    u = np.sqrt(np.diag(before.budget.covariance_deg2))
    assert np.abs((np.array(after.angle_deg) - np.array(before.angle_deg)) / u).max() < 0.6


def test_what_is_right_stays(eight: tuple[Measurement, Any], monkeypatch: pytest.MonkeyPatch) -> None:
    """Or is matched within a step of it; where all ends in sight are found nothing else is tried."""
    measurement = eight[0]
    priors = priors_of(measurement.camera, measurement.options, measurement.ring)
    near = matched_at_lower_ends(measurement.shots, measurement.result, measurement.ring, priors)
    assert near is None or abs(length_mm(near) - length_mm(measurement.result)) < LOWER_ENDS.step_mm
    monkeypatch.setattr(lower_ends, "in_sight_and_found", lambda *_: (5, 5))
    assert matched_at_lower_ends(measurement.shots, measurement.result, measurement.ring, priors) is None


@pytest.mark.parametrize(
    ("found", "steps"),
    [
        ({0: 1, 2: 7, 5: 6}, 2),
        ({0: 1, -3: 6, 5: 7}, 5),
        ({0: 1, 3: 7, 4: 7}, 3.5),  # amid the places that are as likely
        ({0: 4, 2: 6}, 2),
        ({0: 5, 2: 6}, 2),
        ({0: 6, 2: 7}, None),  # enough are found
        ({0: 1, 2: 4}, None),  # too many are not
    ],
)
def test_the_clearest_place_is_taken_where_few_are_found(
    eight: tuple[Measurement, Any], monkeypatch: pytest.MonkeyPatch, found: dict[int, int], steps: float | None
) -> None:
    """Of seven ends in sight so many are found so many steps farther on, and none elsewhere."""
    measurement = eight[0]
    rotor = measurement.result.state.rotor

    def counted(_: Any, state: State) -> tuple[int, int]:
        farther_mm = float(np.diff(state.rotor.ends - rotor.ends, axis=1).mean()) * rotor.radius_mm
        at = round(farther_mm / LOWER_ENDS.step_mm)
        return 7, found.get(at, 0) if abs(farther_mm - at * LOWER_ENDS.step_mm) < LOWER_ENDS.step_mm / 2 else 0

    shares: list[float] = []
    monkeypatch.setattr(lower_ends, "in_sight_and_found", counted)
    monkeypatch.setattr(lower_ends, "held", lambda share, *_: shares.append(share))
    priors = priors_of(measurement.camera, measurement.options, measurement.ring)
    matched_at_lower_ends(measurement.shots, measurement.result, measurement.ring, priors)
    if steps is None:
        assert not shares
    else:
        farther_mm = (shares[0] * 2 * np.pi / rotor.blades - np.diff(rotor.ends, axis=1).mean()) * rotor.radius_mm
        assert farther_mm == pytest.approx(steps * LOWER_ENDS.step_mm, abs=LOWER_ENDS.step_mm / 2)


def test_likelihoods_are_those_of_ends_that_are_found_or_not() -> None:
    """The ratio of two binomial distributions (scipy), by which of two shares of the ends is found."""
    for wanted, found in ((0, 0), (1, 0), (5, 2), (7, 7)):
        right, wrong = (binom.logpmf(found, wanted, share) for share in (0.85, 0.04))
        assert log_likelihood(wanted, found) == pytest.approx(right - wrong, abs=1e-9)
    assert (LOWER_ENDS.found_share, LOWER_ENDS.chance_share) == (0.85, 0.04)


@pytest.mark.parametrize(("off_px", "taken"), [(0.0, True), (2.0, False)])
def test_ends_where_edges_do_not_fit_are_of_something_else(
    eight: tuple[Measurement, Any], monkeypatch: pytest.MonkeyPatch, off_px: float, taken: bool
) -> None:
    measurement = eight[0]
    priors = priors_of(measurement.camera, measurement.options, measurement.ring)
    sound = measurement.result
    residual_px = [{kind: r + off_px for kind, r in of_photo.items()} for of_photo in sound.residual_px]
    elsewhere = replace(sound, residual_px=residual_px)
    monkeypatch.setattr(adjusted, "matched_at_lower_ends", lambda *_: elsewhere)
    monkeypatch.setattr(adjusted, "_looked", lambda *_: elsewhere)
    found = adjusted._matched_at_lower_ends(measurement.shots, sound, measurement.ring, priors)
    assert found is (elsewhere if taken else sound)
