"""Pictures sheared by a known amount: whether that is found, and what it does to the angles, on simulated points."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from simulated import observe
from simulated_run import measured
from simulated_truth import Changes, Noise, Truth, random_truth

from bladeangle.adjustment.adjust import Adjustment
from bladeangle.adjustment.model import CirclePoints, EndPoints, ObservedView, TipPoints
from bladeangle.base.geometry import Array
from bladeangle.imaging.ring import RingSighting
from bladeangle.records.station import StationOptions
from bladeangle.results.picture_shear import PictureShear, effects_deg, picture_shears, shear_line
from bladeangle.results.stations import Stations
from bladeangle.results.unevenness import unevenness_px

NOISE = Noise(ring_every=8)
OPTIONS = StationOptions()


def sheared(view: ObservedView, shear: float, stretch: float) -> ObservedView:
    """Points lie the farther off the later their line is read out."""

    def px(seen: RingSighting | TipPoints | EndPoints | CirclePoints) -> Array:
        return seen.px + np.outer(seen.px[:, 1] - 1500, [shear, stretch])

    return replace(
        view,
        sighting=replace(view.sighting, px=px(view.sighting)),
        tips=None if view.tips is None else replace(view.tips, px=px(view.tips)),
        ends=None if view.ends is None else replace(view.ends, px=px(view.ends)),
        circles=None if view.circles is None else replace(view.circles, px=px(view.circles)),
    )


def adjusted(kind: str, seed: int, *amounts: tuple[int, float, float]) -> tuple[Truth, Adjustment, Stations]:
    """An adjustment of simulated points, with some photographs sheared and stretched."""
    rng = np.random.default_rng(seed)
    truth = random_truth(rng, kind, Changes(blades=3), NOISE)
    views = list(observe(truth, rng, NOISE))
    for photo, shear, stretch in amounts:
        views[photo] = sheared(views[photo], shear, stretch)
    return truth, *measured(truth, tuple(views), rng)


@pytest.mark.parametrize("seed", [4, 9])
def test_sound_pictures_are_not_sheared(seed: int) -> None:
    truth, result, stations = adjusted("eight", seed)
    found = picture_shears(result, truth.ring, truth.priors)
    assert set(found) == set(range(len(result.views)))
    assert not any(shear.clear for shear in found.values())
    line = shear_line(result, truth.ring, stations, OPTIONS, found)
    u = np.sqrt(np.diag(line.covariance_deg2) / np.diag(stations.budget.covariance_deg2))
    assert u.max() < 0.8


def test_dark_markers_that_look_larger_are_no_shear() -> None:
    """By 0.3 px in one picture and less in the others, which a foreshortened print does not explain."""
    rng = np.random.default_rng(4)
    truth = random_truth(rng, "eight", Changes(blades=3), NOISE)
    sound = tuple(observe(truth, rng, NOISE))
    grown_px = [0.1, 0.15, 0.3, *np.full(len(sound) - 3, 0.12)]
    views = tuple(
        replace(v, sighting=replace(v.sighting, px=v.sighting.px + px * v.sighting.normal))
        for v, px in zip(sound, grown_px, strict=True)
    )
    before, after = (measured(truth, seen, np.random.default_rng(1)) for seen in (sound, views))
    assert not any(shear.clear for shear in picture_shears(after[0], truth.ring, truth.priors).values())
    for p in range(len(views)):
        assert after[0].scale[p]["ring"] == pytest.approx(before[0].scale[p]["ring"], rel=0.1)
    u = np.sqrt(np.diag(before[1].budget.covariance_deg2))
    change = np.array(after[1].angle_deg) - np.array(before[1].angle_deg)
    assert 1e-6 < np.abs(change / u).max() < 0.2


@pytest.mark.parametrize("amount", [(0.0008, 0.0), (0.0, -0.0006), (-0.0005, 0.0005)])
def test_a_sheared_picture_is_found_and_told_from_the_others(amount: tuple[float, float]) -> None:
    truth, result, _ = adjusted("eight", 4, (0, *amount))
    found = picture_shears(result, truth.ring, truth.priors)
    assert [p for p, shear in found.items() if shear.clear] == [0]
    off = found[0].amount - np.array(amount)
    assert np.sqrt(off @ np.linalg.solve(found[0].covariance, off)) < 4
    assert np.abs(off).max() < 0.00015
    # a homography explains it, so that no part of the picture is shifted against another
    assert unevenness_px(result, truth.ring, 0) < 0.1


def test_of_a_pair_either_may_be_sheared() -> None:
    truth, result, _ = adjusted("pair", 4, (1, 0.0008, 0.0))
    found = picture_shears(result, truth.ring, truth.priors)
    [clear] = [p for p, shear in found.items() if shear.clear]
    assert {clear, found[clear].or_photo} == {0, 1}


def test_angles_are_off_by_what_is_predicted_and_intervals_cover_it() -> None:
    amount = (0.00014, 0.00008)
    (truth, sound, before), (_, result, after) = (adjusted("eight", 9, *a) for a in ((), ((0, *amount),)))
    change = after.angle_deg - before.angle_deg
    predicted = effects_deg(sound, truth.ring, before, OPTIONS, 0) @ amount
    assert 0.03 < np.abs(predicted).max() < 0.2
    np.testing.assert_allclose(change, predicted, atol=0.15 * float(np.abs(predicted).max()))
    line = shear_line(result, truth.ring, after, OPTIONS, picture_shears(result, truth.ring, truth.priors))
    u = np.sqrt(np.diag(line.covariance_deg2))
    most = np.abs(change).argmax()
    assert 0.5 < np.abs(change[most]) / u[most] < 2.0


def test_ratio_and_second_moment_by_hand() -> None:
    u = 5e-5
    few = PictureShear(np.array([u, 0.0]), u**2 * np.eye(2))
    assert few.chi_squared == pytest.approx(1.0)
    assert not few.second_moment.any()
    many = PictureShear(np.array([6 * u, 8 * u]), u**2 * np.eye(2))
    # with a usual shear of 10 u, that to be expected is 100/101 of what is found
    part = 0.98 * (100 / 101) ** 2 * u**2
    np.testing.assert_allclose(many.second_moment, part * np.array([[36, 48], [48, 64]]), rtol=1e-9)
    # and the ratio 100 (1 - 1/101) - 2 ln 101
    assert many.log_ratio == pytest.approx(100 * 100 / 101 - 2 * np.log(101), rel=1e-9)
    assert many.clear and not few.clear
