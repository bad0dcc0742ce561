"""Blades whose lower ends are not seen from above: how long they may be, and what that is worth."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from bladeangle.adjustment.adjust import Adjustment
from bladeangle.adjustment.model import EndPoints
from bladeangle.detection.start import Tooth
from bladeangle.pipeline import overlap
from bladeangle.pipeline.judged import Measurement
from bladeangle.pipeline.options import priors_of
from bladeangle.pipeline.overlap import TRIED_SHARES, Overlaps, overlaps
from bladeangle.pipeline.shots import OutlinedShot
from bladeangle.results.stations import Stations, measure_stations
from bladeangle.tuning.adjustment import ROTOR
from bladeangle.tuning.blade_ends import OVERLAP

ROOT = Path(__file__).parents[2]


def share_of(result: Adjustment) -> float:
    """Wrap of the blades as a share of the pitch between them."""
    rotor = result.state.rotor
    return float(np.diff(rotor.ends, axis=1).mean()) * rotor.blades / (2 * np.pi)


def ended(measurement: Measurement) -> list[Any]:
    """The shots as if their outlines had seen the lower ends."""
    out: list[Any] = []
    for shot in measurement.shots:
        assert isinstance(shot, OutlinedShot)
        teeth = tuple(Tooth(t.start, t.angle, t.height, True) for t in shot.teeth)
        out.append(replace(shot, teeth=teeth))
    return out


def with_lower_ends(result: Adjustment, count: int) -> Adjustment:
    """The adjustment as if so many lower ends had been seen in its first photograph, inlet end up."""
    first = result.views[0]
    assert first.setup == "inlet_up" and first.ends is not None
    assert (first.ends.end == 0).all() and len(first.ends.end) >= count
    more = EndPoints(*(np.append(a, a[:count], 0) for a in vars(first.ends).values()))
    more = replace(more, end=np.append(first.ends.end, np.ones(count, int)))
    return replace(result, views=(replace(first, ends=more), *result.views[1:]))


@pytest.mark.parametrize(("seen", "unseen"), [(0, True), (2, True), (3, False)])
def test_a_lower_end_or_two_are_chance(sound: Measurement, seen: int, unseen: bool) -> None:
    """Of three blades in two photographs, two are a third."""
    result = with_lower_ends(sound.result, seen)
    assert overlap.ends_unseen(sound.shots, result) is unseen
    assert not overlap.ends_unseen(ended(sound), result)


def test_photographs_from_the_side_show_how_long_blades_are(pair_and_two: tuple[Measurement, Any]) -> None:
    assert not overlap.ends_unseen(pair_and_two[0].shots, pair_and_two[0].result)


@pytest.fixture(scope="module")
def found(sound: Measurement) -> Overlaps:
    return overlaps(sound.result, sound.ring, priors_of(sound.camera, sound.options, sound.ring))


def test_the_likely_overlaps_hold_the_true_one(found: Overlaps) -> None:
    truth = json.loads((ROOT / "fixtures" / "rotor-a" / "truth.json").read_text())
    wraps = [blade["wrap_deg"] for blade in truth["blades"]]
    true = float(np.mean(wraps)) * len(wraps) / 360
    assert 0.005 < found.sigma < 0.3
    assert abs(found.mean - true) < 2.5 * found.sigma
    assert found.weights.sum() == pytest.approx(1.0) and (found.weights >= 0).all()
    assert (np.diff(found.shares) > 0).all() and set(found.shares) <= set(TRIED_SHARES)
    for share, one in zip(found.shares, found.adjustments, strict=True):
        assert share_of(one) == pytest.approx(share, abs=3 * OVERLAP.held_sigma)
        lower = [view.ends.end != (view.setup != "inlet_up") for view in one.views if view.ends is not None]
        assert not np.concatenate(lower).any()


def test_overlaps_do_not_hang_on_where_blades_were_matched(sound: Measurement, found: Overlaps) -> None:
    priors = priors_of(sound.camera, sound.options, sound.ring)
    farthest = found.adjustments[int(np.abs(found.shares - found.mean).argmax())]
    again = overlaps(farthest, sound.ring, priors)
    assert again.mean == pytest.approx(found.mean, abs=0.5 * found.sigma)
    assert again.sigma == pytest.approx(found.sigma, rel=0.5)


def test_what_is_known_of_rotors_counts(sound: Measurement, found: Overlaps) -> None:
    priors = replace(priors_of(sound.camera, sound.options, sound.ring), overlap=(1.4, 0.02))
    assert overlaps(sound.result, sound.ring, priors).mean == pytest.approx(1.4, abs=0.06)
    assert abs(found.mean - 1.4) > 0.1


def test_lower_ends_seen_by_chance_say_nothing(sound: Measurement, found: Overlaps) -> None:
    priors = priors_of(sound.camera, sound.options, sound.ring)
    again = overlaps(with_lower_ends(sound.result, 2), sound.ring, priors)
    assert (again.mean, again.sigma) == pytest.approx((found.mean, found.sigma), rel=1e-6)


@pytest.mark.parametrize("mean", [1.2, 1.25])
def test_weights_are_those_of_a_normal_distribution_where_the_cost_is_its(mean: float) -> None:
    """-2 log of a normal density is a square: mean and standard deviation are its own, but for straight lines."""
    shares = np.array(TRIED_SHARES[:5])
    found = overlap._weighed(shares, ((shares - mean) / 0.06) ** 2, ())
    assert found.mean == pytest.approx(mean, abs=0.005)
    assert found.sigma == pytest.approx(0.06, rel=0.2)
    assert found.weights @ shares == pytest.approx(found.mean)
    assert found.weights[2] >= found.weights.max() - 1e-9 and found.weights[2] > 5 * found.weights[4]
    even = overlap._weighed(shares, np.full(5, 7.0), ())
    assert even.mean == pytest.approx(1.2) and even.sigma == pytest.approx(0.4 / np.sqrt(12), rel=0.05)
    np.testing.assert_allclose(even.weights, [0.125, 0.25, 0.25, 0.25, 0.125], atol=0.02)


def test_how_unusual_an_overlap_is_stays_known(sound: Measurement, found: Overlaps) -> None:
    priors = priors_of(sound.camera, sound.options, sound.ring)
    middle = overlap.most_likely(found, sound.ring, priors)
    assert share_of(middle) == pytest.approx(found.mean, abs=3 * OVERLAP.held_sigma)
    unusual = (found.mean - ROTOR.usual_overlap) / ROTOR.overlap_sigma
    assert middle.prior_cost["overlap"] == pytest.approx(unusual**2)
    rare = overlap.most_likely(replace(found, mean=2.1), sound.ring, priors)
    assert rare.unlike("overlap") == pytest.approx((2.1 - 1.25) / 0.35)


def test_what_is_left_open_is_in_the_interval(sound: Measurement) -> None:
    """Two overlaps of which one is three times as likely: three quarters and a quarter of the squares."""
    usual: Stations = measure_stations(sound.result, sound.options.stations)
    rise = np.linspace(0.2, -0.4, len(usual.labels))
    unseen = usual.labels[-1]
    sizes = {name: (value + 0.5, u) for name, (value, u) in usual.sizes.items()}
    others = [
        replace(usual, angle_deg=usual.angle_deg + rise, wrap_deg=usual.wrap_deg + np.array([4.0, 0.0]), sizes=sizes),
        replace(
            usual, labels=usual.labels[:-1], angle_deg=(usual.angle_deg - rise)[:-1],
            wrap_deg=usual.wrap_deg - np.array([8.0, 0.0]), tip_length_mm=usual.tip_length_mm + np.array([6.0, 0.0]),
        ),
    ]  # fmt: skip
    found = Overlaps(np.array([1.1, 1.2]), np.array([0.75, 0.25]), (), 1.125, 0.04)
    wide = overlap.widened_by(usual, found, others)
    np.testing.assert_array_equal(wide.angle_deg, usual.angle_deg)
    line = wide.budget.lines[-1]
    assert line.name == "overlap of the blades" and wide.labels[-1] == unseen
    want = np.outer(rise, rise)
    want[-1] = want[:, -1] = 0.75 * want[-1]
    np.testing.assert_allclose(line.covariance_deg2, want, atol=1e-12)

    def more(before: Any, after: Any) -> Any:
        assert (after[:, 0] == before[:, 0]).all()
        return after[:, 1] ** 2 - before[:, 1] ** 2

    np.testing.assert_allclose(more(usual.wrap_deg, wide.wrap_deg), 0.75 * 16 + 0.25 * 64)
    np.testing.assert_allclose(more(usual.tip_length_mm, wide.tip_length_mm), 0.25 * 36)
    for name, (value, u) in usual.sizes.items():
        assert wide.sizes[name] == pytest.approx((value, np.sqrt(u**2 + 0.75 * 0.25)))
