"""What moved edges do to the angles, against an adjustment of the moved edges, on the shipped photographs."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from seeds import generator

from bladeangle.adjustment.adjust import Adjustment, adjust
from bladeangle.adjustment.priors import Priors
from bladeangle.detection.second_edge import SecondEdge
from bladeangle.imaging.ring import Ring
from bladeangle.pipeline.disturbances import Disturbances, widened
from bladeangle.pipeline.measure import Measurement
from bladeangle.records.station import StationOptions
from bladeangle.results.edge_shifts import angle_shifts, shift_cost, uneven_line
from bladeangle.results.stations import measure_stations
from bladeangle.tuning.pipeline import DISTURBANCES

ROOT = Path(__file__).resolve().parents[2]
PHOTOS = ROOT / "fixtures" / "rotor-a"
OPTIONS = StationOptions()


def off_along(result: Adjustment, blade: int, most_px: float) -> np.ndarray:
    """From -most to +most along a blade's edge in the first photograph."""
    tips = result.views[0].tips
    assert tips is not None
    off, mine = np.zeros((len(tips.px), 1)), np.flatnonzero(tips.blade == blade)
    off[mine, 0] = np.linspace(-most_px, most_px, len(mine))
    return off


def test_predicted_changes_are_those_of_an_adjustment_of_moved_edges(sound: Measurement, ring: Ring) -> None:
    camera = sound.camera.worked()
    priors = Priors(camera.parameters, camera.covariance)
    before = adjust(ring, sound.result.views, sound.result.state, priors)
    stations = measure_stations(before, OPTIONS)
    off = off_along(before, 0, 1.0)
    predicted = angle_shifts(before, stations, OPTIONS, 0, off)[:, 0]
    tips = before.views[0].tips
    assert tips is not None
    moved = replace(tips, px=tips.px + off * tips.normal)
    views = (replace(before.views[0], tips=moved), *before.views[1:])
    after = measure_stations(adjust(ring, views, before.state, priors), OPTIONS)
    assert after.labels == stations.labels
    change = after.angle_deg - stations.angle_deg
    # most of it is taken for a tip radius that changes along the blade, as from above nobody could tell
    assert 0.03 < np.abs(change).max() < 0.5
    # to first order only: the adjustment of moved edges estimates its weights and variance components anew
    np.testing.assert_allclose(predicted, change, atol=0.5 * float(np.abs(change).max()))
    assert predicted @ change > 0.9 * np.linalg.norm(predicted) * np.linalg.norm(change)


def test_the_cost_of_a_shift_is_what_an_adjustment_of_moved_edges_costs_more(
    pair_and_two: tuple[Measurement, object], sound: Measurement
) -> None:
    """To first order; and where photographs from the side see the edge, moving it by the land costs far more."""
    costs = []
    for measurement in (sound, pair_and_two[0]):
        result = measurement.result
        small = off_along(result, 0, 0.0)[:, 0]
        tips = result.views[0].tips
        assert tips is not None
        assert shift_cost(result, 0, small) == 0.0
        small[tips.blade == 0] = 0.2
        costs.append([shift_cost(result, 0, times * small) for times in (1.0, -1.0, 20.0)])
        grown, back, far = costs[-1]
        # s' W s - b' C b goes with the square, 2 r' W s with the shift itself
        assert far == pytest.approx(20 * (grown - back) / 2 + 400 * (grown + back) / 2, rel=1e-6)
        assert grown + back > 0
    assert costs[1][2] > 2 * costs[0][2] and costs[1][2] > DISTURBANCES.contradicted_sigmas**2


def test_an_interval_reaches_the_other_one_of_two_edges(sound: Measurement, ring: Ring) -> None:
    tips = sound.result.views[0].tips
    assert tips is not None
    off, mine = off_along(sound.result, 0, 4.0), np.flatnonzero(tips.blade == 0)
    edge = SecondEdge(0, 2.0, 1.0, mine, off[mine, 0])
    found = Disturbances({}, {}, {0: [edge]}, ())
    wide = widened(sound.stations, found, sound.result, ring, OPTIONS, 4032)
    other = angle_shifts(sound.result, sound.stations, OPTIONS, 0, off)[:, 0]
    line = {line.name: line for line in wide.budget.lines}["second edge beside the tip"]
    half = 2 * np.sqrt(np.diag(line.covariance_deg2))
    np.testing.assert_allclose(half, np.abs(other), rtol=1e-9)
    # of the end that the other photograph does not show, other blades' tip radii take up as much
    assert 0.05 < half[wide.labels.index("1.middle")] < 2.0
    assert half[wide.labels.index("2.middle")] < 0.6 * half[wide.labels.index("1.middle")]
    assert (np.diag(wide.budget.covariance_deg2) >= np.diag(sound.stations.budget.covariance_deg2)).all()
    np.testing.assert_array_equal(wide.angle_deg, sound.stations.angle_deg)


def test_uneven_pictures_widen_in_proportion(sound: Measurement, ring: Ring) -> None:
    lines = [uneven_line(sound.result, sound.stations, OPTIONS, {1: px}, 4032, generator(3)) for px in (0.2, 0.4)]
    u = [np.sqrt(np.diag(line.covariance_deg2)) for line in lines]
    np.testing.assert_allclose(u[1], 2 * u[0], rtol=1e-9)
    exits = [k for k, label in enumerate(sound.stations.labels) if label.endswith("exit")]
    assert exits and (u[0][exits] > 0.005).all() and (u[0][exits] < 1.0).all()
    still = widened(sound.stations, Disturbances({}, {}, {}, ()), sound.result, ring, OPTIONS, 4032)
    assert still.budget.lines == sound.stations.budget.lines
