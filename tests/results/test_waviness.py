"""Waviness of the tips against adjustments of points that are moved as waves of the radius move them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from seeds import generator
from simulated import observe
from simulated_run import measured
from simulated_truth import Changes, Noise, random_truth

from bladeangle.adjustment.adjust import adjust
from bladeangle.adjustment.tip_radius import TABLE_STEP_MM, waviness_functions
from bladeangle.records.station import StationOptions
from bladeangle.results.angles import angle_row, named
from bladeangle.results.stations import measure_stations
from bladeangle.results.waviness import waviness_effects
from bladeangle.tuning.priors import ANY_TIPS, NEW_TIPS


def test_waves_move_angles_as_adjusted_points_do() -> None:
    """Of two sets together, as weights and scales are estimated anew: in one alone they change by up to a half."""
    sets = [moved_and_predicted("eight", 4), moved_and_predicted("five", 6)]
    changed, predicted = np.concatenate(sets, axis=1)
    assert np.corrcoef(changed, predicted)[0, 1] > 0.6
    assert 0.62 < np.sqrt((changed**2).mean() / (predicted**2).mean()) < 1.6


def moved_and_predicted(kind: str, seed: int) -> np.ndarray:
    """Changes (2, n) of the angles by a wave, as adjusted and as predicted."""
    rng = generator(seed)
    noise = Noise(ring_every=8)
    truth = random_truth(rng, kind, Changes(blades=3, tips="used"), noise)
    views = observe(truth, rng, noise)
    result, found = measured(truth, views, rng)
    state, rotor = result.state, result.state.rotor
    options = StationOptions()
    rows = [angle_row(result.layout, rotor, *named(label), options) for label in found.labels]
    effects = waviness_effects(result, np.array(rows))
    functions = waviness_functions(ANY_TIPS, rotor.tip_radius.functions.length_mm)
    # three times as large as usual, since an adjustment settles to some thousandths of a degree
    wave = 3.0 * rng.standard_normal((rotor.blades, len(functions)))
    radius_mm = wave @ functions
    assert effects.shape == (len(found.labels), wave.size)
    angles = []
    for sign in (1.0, -1.0):
        moved = []
        for p, view in enumerate(views):
            setup, tips = state.setups.index(view.setup), view.tips
            foot = state.on_cylinder(tips.px, p, setup, rotor.radius_mm, tips.far)
            # in millimetres from the leading end, by the slope of this very place
            along = (rotor.tau_of(foot, tips.blade) - rotor.ends[tips.blade, 0]) * rotor.tip_radius.mm_per_rad
            cell = np.clip(np.round((along + 8.0) / TABLE_STEP_MM).astype(int), 0, radius_mm.shape[1] - 1)
            out = foot * [1.0, 1.0, 0.0] / rotor.radius_mm * radius_mm[tips.blade, cell][:, None]
            there, here = (truth.px(truth.to_ring(points, truth.standing_of[p]), p) for points in (foot + out, foot))
            moved.append(replace(view, tips=replace(tips, px=tips.px + sign * (there - here))))
        after = adjust(truth.ring, tuple(moved), state, truth.priors)
        angles.append(measure_stations(after, options).angle_deg)
    return np.stack([(angles[0] - angles[1]) / 2, effects @ wave.ravel()])


@pytest.mark.parametrize("condition", [ANY_TIPS, NEW_TIPS])
def test_functions_have_the_stated_size_and_length(condition) -> None:
    functions = waviness_functions(condition, 110.0)
    covariance = functions.T @ functions
    assert np.sqrt(np.diag(covariance)).mean() == pytest.approx(condition.waviness_mm, rel=0.1)
    apart = round(condition.waviness_length_mm / TABLE_STEP_MM)
    correlation = np.diag(covariance, apart) / condition.waviness_mm**2
    assert correlation.mean() == pytest.approx(np.exp(-0.5), abs=0.1)


def test_a_cylinder_has_no_waves() -> None:
    assert len(waviness_functions(None, 110.0)) == 0
