"""Blades whose lower ends are not seen from above: how long they may be, and what that is worth."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from bladeangle.adjustment.adjust import Adjustment
from bladeangle.detection.start import Tooth
from bladeangle.pipeline import overlap
from bladeangle.pipeline.judged import Measurement
from bladeangle.pipeline.options import priors_of
from bladeangle.pipeline.shots import OutlinedShot
from bladeangle.results.stations import measure_stations
from bladeangle.tuning.blade_ends import OVERLAP


def with_wrap(result: Adjustment, share: float) -> Adjustment:
    """The adjustment with blades so long, as a share of the pitch between them."""
    state = result.state.copy()
    state.rotor.ends[:, 1] = state.rotor.ends[:, 0] + share * 2 * np.pi / state.rotor.blades
    return replace(result, state=state)


def ended(measurement: Measurement) -> list[Any]:
    """The shots as if their outlines had seen the lower ends."""
    out: list[Any] = []
    for shot in measurement.shots:
        assert isinstance(shot, OutlinedShot)
        teeth = tuple(Tooth(t.start, t.angle, t.height, True) for t in shot.teeth)
        out.append(replace(shot, teeth=teeth))
    return out


@pytest.mark.parametrize(("share", "unseen"), [(0.95, True), (1.02, True), (1.04, False), (1.3, False)])
def test_blades_that_seem_to_end_where_nothing_is_seen(sound: Measurement, share: float, unseen: bool) -> None:
    result = with_wrap(sound.result, share)
    assert overlap.ends_unseen(sound.shots, result) is unseen
    assert not overlap.ends_unseen(ended(sound), result)


def test_a_lower_end_that_is_seen_settles_it(sound: Measurement, pair_and_two: tuple[Measurement, Any]) -> None:
    result = with_wrap(sound.result, 0.95)
    first = result.views[0]
    assert first.ends is not None and first.setup == "inlet_up"
    seen = replace(first, ends=replace(first.ends, end=np.ones_like(first.ends.end)))
    assert not overlap.ends_unseen(sound.shots, replace(result, views=(seen, *result.views[1:])))
    # and photographs from the side show how long blades are
    assert not overlap.ends_unseen(pair_and_two[0].shots, with_wrap(pair_and_two[0].result, 0.95))


def test_what_is_left_open_is_in_the_interval(sound: Measurement) -> None:
    priors = priors_of(sound.camera, sound.options, sound.ring)
    middle, beside = overlap.left_open(sound.result, sound.ring, priors)
    pitch = 2 * np.pi / middle.state.rotor.blades
    shares = [float(np.diff(one.state.rotor.ends, axis=1).mean()) / pitch for one in (beside[0], middle, beside[1])]
    wanted = OVERLAP.hidden_share + OVERLAP.hidden_sigma * np.array([-1.0, 0.0, 1.0])
    np.testing.assert_allclose(shares, wanted, atol=3 * OVERLAP.held_sigma)
    stations = measure_stations(middle, sound.options.stations)
    ends = [
        dict(zip(s.labels, s.angle_deg, strict=True))
        for s in (measure_stations(b, sound.options.stations) for b in beside)
    ]
    wide = overlap.widened_by(stations, [measure_stations(one, sound.options.stations) for one in beside])
    np.testing.assert_array_equal(wide.angle_deg, stations.angle_deg)
    line = wide.budget.lines[-1]
    assert line.name == "overlap of the blades"
    u_deg = np.sqrt(np.diag(line.covariance_deg2))
    for label, u in zip(wide.labels, u_deg, strict=True):
        if label in ends[0] and label in ends[1]:
            assert u == pytest.approx(abs(ends[1][label] - ends[0][label]) / 2)
    assert 0.02 < u_deg.max() < 2.0
    grown = np.sqrt(wide.wrap_deg[:, 1] ** 2 - stations.wrap_deg[:, 1] ** 2)
    np.testing.assert_allclose(grown, OVERLAP.hidden_sigma * 360 / 3)
    relative = wide.tip_length_mm[:, 1] / wide.tip_length_mm[:, 0]
    assert (relative > OVERLAP.hidden_sigma * 360 / 3 / wide.wrap_deg[:, 0] - 1e-9).all()
