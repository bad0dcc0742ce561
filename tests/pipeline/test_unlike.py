"""A blade whose lower edge was taken for its upper one in photographs from the side: told and put right."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from rendered_rotor import PAIR, rendered

from bladeangle.adjustment import adjust as adjustment
from bladeangle.adjustment.adjust import Adjustment, adjust
from bladeangle.adjustment.model import ObservedView
from bladeangle.detection.edges import upper_face
from bladeangle.pipeline import adjusted
from bladeangle.pipeline.judged import Measurement
from bladeangle.pipeline.options import priors_of
from bladeangle.pipeline.unlike import as_others, without_upper
from bladeangle.results.diagnostics import diagnose, unlike_blades
from bladeangle.results.stations import measure_stations
from bladeangle.tuning.adjustment import ADJUST
from bladeangle.tuning.value import changed

pytestmark = pytest.mark.slow

BLADE = 4


@pytest.fixture(scope="module")
def five(tmp_path_factory: pytest.TempPathFactory) -> tuple[Measurement, dict[str, Any]]:
    """A rotor with thick blades, seen from three sides."""
    views = (*PAIR, "around-1", "around-3", "around-5")
    return rendered(tmp_path_factory.mktemp("five"), 914, views, thickness_mm=3.0)


def mistaken(view: ObservedView) -> ObservedView:
    """A view with the lower edge of the blade's near tip land as its upper one, which is not seen."""
    if view.tips is None:
        return view
    tips, up = view.tips, upper_face(view.setup)
    near = (tips.blade == BLADE) & ~tips.far
    tips = replace(tips, face=np.where(near, up, tips.face))
    return replace(view, tips=tips.only(~near | (view.tips.face != up)))


@pytest.fixture(scope="module")
def wrong(five: tuple[Measurement, Any]) -> Adjustment:
    """The adjustment to views with the edges of one blade mistaken, and believed."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(adjustment, "ADJUST", changed(ADJUST, most_run_scale=1.0))
        return with_mistaken(five[0])


def with_mistaken(measurement: Measurement) -> Adjustment:
    sound = measurement.result
    priors = priors_of(measurement.camera, measurement.options, measurement.ring)
    return adjust(measurement.ring, tuple(mistaken(view) for view in sound.views), sound.state, priors)


def off_u(result: Adjustment, measurement: Measurement) -> float:
    """Largest difference between the angles of an adjustment and the measurement's, in its standard uncertainties."""
    stations = measure_stations(result, measurement.options.stations)
    u = np.sqrt(np.diag(measurement.stations.budget.covariance_deg2))
    return float((np.abs(np.array(stations.angle_deg) - np.array(measurement.stations.angle_deg)) / u).max())


def test_a_blade_on_another_edge_is_told_by_its_thickness(five: tuple[Measurement, Any], wrong: Adjustment) -> None:
    measurement = five[0]
    assert unlike_blades(measurement.result.state.rotor) == []
    assert BLADE in unlike_blades(wrong.state.rotor)
    assert off_u(wrong, measurement) > 3
    stations = measure_stations(wrong, measurement.options.stations)
    flags = diagnose(wrong, stations, measurement.options.stations, measurement.ring, False, True)
    assert "rotor-unlikely" in {flag.code for flag in flags}
    assert "rotor-unlikely" not in {flag.code for flag in measurement.flags}


def test_it_is_put_right(five: tuple[Measurement, Any], wrong: Adjustment) -> None:
    measurement = five[0]
    priors = priors_of(measurement.camera, measurement.options, measurement.ring)
    back = adjusted._with_blades_alike(measurement.shots, wrong, measurement.ring, priors)
    assert unlike_blades(back.state.rotor) == []
    assert 0 < off_u(back, measurement) < 1


def test_so_is_one_whose_edges_are_hardly_believed(five: tuple[Measurement, Any]) -> None:
    """Then its thickness is that of the others, but all else contradicts its edges."""
    measurement = five[0]
    doubted, options = with_mistaken(measurement), measurement.options
    priors = priors_of(measurement.camera, options, measurement.ring)
    assert off_u(doubted, measurement) > 3
    alike = adjusted._with_blades_alike(measurement.shots, doubted, measurement.ring, priors)
    back = adjusted._without_contradicted(measurement.shots, alike, measurement.ring, priors, options)
    assert unlike_blades(back.state.rotor) == []
    assert 0 < off_u(back, measurement) < 1


def test_blades_that_are_alike_stay(five: tuple[Measurement, Any]) -> None:
    measurement = five[0]
    priors = priors_of(measurement.camera, measurement.options, measurement.ring)
    sound = measurement.result
    assert adjusted._with_blades_alike(measurement.shots, sound, measurement.ring, priors) is sound


def test_a_blade_is_placed_as_the_middle_one_of_the_others(wrong: Adjustment) -> None:
    placed, before = as_others(wrong.state, BLADE).rotor, wrong.state.rotor
    others = [b for b in range(before.blades) if b != BLADE]
    np.testing.assert_array_equal(placed.heights[BLADE], np.median(before.heights[others], axis=0))
    assert placed.extra_mm[BLADE] == np.median(before.extra_mm[others])
    np.testing.assert_array_equal(placed.heights[others], before.heights[others])
    assert not np.array_equal(before.heights[BLADE], placed.heights[BLADE])


def test_only_upper_edges_seen_from_outside_are_left_out(five: tuple[Measurement, Any]) -> None:
    result = five[0].result
    fewer = without_upper(result, BLADE)
    dropped = 0
    for before, after in zip(result.views, fewer, strict=True):
        tips = before.tips
        assert tips is not None and after.tips is not None
        gone = (tips.blade == BLADE) & (tips.face == upper_face(before.setup)) & ~tips.far
        assert len(after.tips.px) == len(tips.px) - gone.sum()
        dropped += int(gone.sum())
    assert dropped > 20
