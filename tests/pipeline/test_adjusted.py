"""What becomes of photographs from the side in which the lower edges of blades lie off."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from bladeangle.adjustment import adjust as adjustment
from bladeangle.adjustment.adjust import Adjustment, adjust
from bladeangle.adjustment.model import ObservedView
from bladeangle.adjustment.priors import Priors
from bladeangle.detection.edges import upper_face
from bladeangle.pipeline import adjusted, fit, register
from bladeangle.pipeline.measure import Measurement
from bladeangle.pipeline.options import priors_of
from bladeangle.pipeline.register import nudged
from bladeangle.pipeline.shots import observed
from bladeangle.results.contradicted import Run, contradicted_runs, runs_of
from bladeangle.results.stations import measure_stations
from bladeangle.tuning.adjustment import ADJUST
from bladeangle.tuning.register import REGISTER
from bladeangle.tuning.value import changed

pytestmark = pytest.mark.slow


def shaded(view: ObservedView, blade: int | None = None) -> ObservedView:
    """A view from the side with its lower edges at that of a shadow, which runs away from the blade by up to 12 px.

    blade : the one that is so; None: all.
    """
    tips = view.tips
    if tips is None or tips.far.all():
        return view
    lower = np.flatnonzero((tips.face == -1) & ((tips.blade == blade) | (blade is None)))
    px = tips.px.copy()
    away = np.linspace(0.0, 12.0, len(lower)) * np.sign(np.sin(np.arange(len(lower)) / 3.0))
    px[lower] -= away[:, None] * tips.normal[lower]
    return replace(view, tips=replace(tips, px=px))


def usual(measurement: Measurement) -> Priors:
    return priors_of(measurement.camera, measurement.options, measurement.ring)


def test_what_was_predicted_wrong_is_seen_where_the_adjustment_has_it(pair_and_two: tuple[Measurement, Any]) -> None:
    measurement = pair_and_two[0]
    priors, sound = usual(measurement), measurement.result
    bad = adjust(measurement.ring, tuple(shaded(v) for v in sound.views), sound.state, priors)
    assert adjusted._off(bad) and not adjusted._off(sound)
    right = adjusted._put_right(measurement.shots, bad, measurement.ring, priors)
    assert not adjusted._off(right)
    faces = [set(v.tips.face) for v in right.views if v.tips is not None]
    assert {1, -1} in faces  # seen again, lower edges and all
    assert_alike(measurement, right, 1.5)


def test_lower_edges_that_stay_off_are_left_out(
    pair_and_two: tuple[Measurement, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    measurement = pair_and_two[0]
    priors, sound = usual(measurement), measurement.result
    views = tuple(shaded(v) for v in sound.views)
    bad = adjust(measurement.ring, views, sound.state, priors)
    monkeypatch.setattr(adjusted, "observed", lambda *_, **__: views)
    right = adjusted._put_right(measurement.shots, bad, measurement.ring, priors)
    assert not adjusted._off(right)
    for before, after in zip(views, right.views, strict=True):
        assert before.tips is not None and after.tips is not None
        up = 1 if before.setup == "inlet_up" else -1
        assert set(after.tips.face) == {up}
        assert len(after.tips.px) == (before.tips.face == up).sum()
    assert_alike(measurement, right, 2.0)


def test_the_lower_edge_of_one_blade_that_stays_off_is_left_out_alone(
    pair_and_two: tuple[Measurement, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    measurement = pair_and_two[0]
    priors, sound = usual(measurement), measurement.result
    lower = [sum(v.tips.face == -1) if v.tips is not None and not v.tips.far.all() else 0 for v in sound.views]
    photo = int(np.argmax(lower))
    tips = sound.views[photo].tips
    assert tips is not None and lower[photo] > 10
    blade = int(np.bincount(tips.blade[tips.face == -1]).argmax())
    views = tuple(shaded(v, blade) if p == photo else v for p, v in enumerate(sound.views))
    bad = adjust(measurement.ring, views, sound.state, priors)
    assert adjusted._off(bad)
    monkeypatch.setattr(adjusted, "observed", lambda *_, **__: views)
    right = adjusted._put_right(measurement.shots, bad, measurement.ring, priors)
    assert not adjusted._off(right)
    for p, (before, after) in enumerate(zip(views, right.views, strict=True)):
        assert before.tips is not None and after.tips is not None
        struck = (before.tips.face == -1) & (before.tips.blade == blade) & (p == photo)
        np.testing.assert_array_equal(after.tips.px, before.tips.px[~struck])
    assert_alike(measurement, right, 1.0)


def test_where_nothing_puts_it_right_it_stays_in_doubt(
    pair_and_two: tuple[Measurement, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    measurement = pair_and_two[0]
    bad = measurement.result
    monkeypatch.setattr(adjusted, "_off", lambda _: True)
    assert adjusted._put_right(measurement.shots, bad, measurement.ring, usual(measurement)) is bad


def run_put_off(measurement: Measurement, off_px: float) -> tuple[Run, Adjustment]:
    """A run of upper edges seen from the side, and an adjustment that believes it where it leaves its edge."""
    sound, options = measurement.result, measurement.options.stations
    near = [run for run in runs_of(sound, options) if not run.far and run.face > 0 and run.points >= 6]
    run = min(near, key=lambda run: run.points)
    views = list(sound.views)
    tips = views[run.photo].tips
    assert tips is not None
    mine = np.flatnonzero((tips.blade == run.blade) & (tips.face == run.face) & ~tips.far)
    px = tips.px.copy()
    px[mine] += np.linspace(1.0, off_px, len(mine))[:, None] * tips.normal[mine]
    views[run.photo] = replace(views[run.photo], tips=replace(tips, px=px))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(adjustment, "ADJUST", changed(ADJUST, most_run_scale=1.0))
        return run, adjust(measurement.ring, tuple(views), sound.state, usual(measurement))


def test_a_run_is_what_one_photograph_shows_of_one_edge_on_one_side(pair_and_two: tuple[Measurement, Any]) -> None:
    result = pair_and_two[0].result
    runs = list(runs_of(result, pair_and_two[0].options.stations))
    assert {run.far for run in runs if not result.views[run.photo].name.startswith(("inlet", "outlet"))} == {
        True,
        False,
    }
    assert len({run.place for run in runs}) == len(runs)
    for run in runs:
        before, after = result.views[run.photo].tips, run.of(result.views[run.photo]).tips
        assert before is not None and after is not None
        mine = (before.blade == run.blade) & (before.face == run.face) & (before.far == run.far)
        assert run.points == mine.sum() == len(before.px) - len(after.px)


def test_an_edge_that_all_else_contradicts_is_looked_for_again(pair_and_two: tuple[Measurement, Any]) -> None:
    measurement = pair_and_two[0]
    options, priors = measurement.options, usual(measurement)
    run, bad = run_put_off(measurement, 8.0)
    assert run.place in [one.place for one in contradicted_runs(bad, options.stations)]
    mended = adjusted._without_contradicted(measurement.shots, bad, measurement.ring, priors, options)
    assert not contradicted_runs(mended, options.stations)
    assert run.place in [one.place for one in runs_of(mended, options.stations)]  # where it is, this time
    assert_alike(measurement, mended, 1.5)


def test_one_that_stays_contradicted_is_left_out(
    pair_and_two: tuple[Measurement, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    measurement = pair_and_two[0]
    options, priors = measurement.options, usual(measurement)
    run, bad = run_put_off(measurement, 8.0)
    monkeypatch.setattr(adjusted, "_looked", lambda *_: bad)
    mended = adjusted._without_contradicted(measurement.shots, bad, measurement.ring, priors, options)
    places = [one.place for one in runs_of(mended, options.stations)]
    assert run.place not in places and len(places) >= len(list(runs_of(bad, options.stations))) - 2
    assert_alike(measurement, mended, 1.5)


def test_what_nothing_contradicts_stays(pair_and_two: tuple[Measurement, Any], monkeypatch: pytest.MonkeyPatch) -> None:
    measurement = pair_and_two[0]
    monkeypatch.setattr(adjusted, "contradicted_runs", lambda *_: [])
    given = measurement.shots, measurement.result, measurement.ring, usual(measurement), measurement.options
    assert adjusted._without_contradicted(*given) is measurement.result


def test_beside_the_final_adjustment_stands_one_that_believes_every_run(
    pair_and_two: tuple[Measurement, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where no run has larger errors than others they are one."""
    measurement, sound = pair_and_two[0], pair_and_two[0].result
    priors = usual(measurement)
    run, _ = run_put_off(measurement, 8.0)
    views = list(sound.views)
    tips = views[run.photo].tips
    assert tips is not None
    mine = (tips.blade == run.blade) & (tips.face == run.face) & ~tips.far
    px = tips.px + 4.0 * mine[:, None] * tips.normal
    views[run.photo] = replace(views[run.photo], tips=replace(tips, px=px))
    doubting = adjust(measurement.ring, tuple(views), sound.state, priors)
    assert max(scale.max() for of_photo in doubting.run_scale for scale in of_photo.values()) > 2
    believing = adjusted._believed(doubting, measurement.ring, priors)
    assert all((scale == 1).all() for of_photo in believing.run_scale for scale in of_photo.values())
    off_px = [np.abs(one.residual_px[run.photo]["inlet tips"]).max() for one in (doubting, believing)]
    assert 0.3 < off_px[1] < 0.9 * off_px[0] < 4.0  # which draws the rotor towards it
    ones = [{kind: np.ones_like(scale) for kind, scale in of_photo.items()} for of_photo in doubting.run_scale]
    alike = replace(doubting, run_scale=ones)
    assert adjusted._believed(alike, measurement.ring, priors) is alike


def assert_alike(measurement: Measurement, result: Any, most_u: float) -> None:
    """Angles as they are of the sound measurement, but not to the last digit."""
    stations = measure_stations(result, measurement.options.stations)
    index = {label: k for k, label in enumerate(measurement.stations.labels)}
    shared = [k for k, label in enumerate(stations.labels) if label in index]
    assert len(shared) >= 0.8 * len(index)
    at = [index[stations.labels[k]] for k in shared]
    u_deg = np.sqrt(np.diag(stations.budget.covariance_deg2))[shared]
    off = np.abs(stations.angle_deg[shared] - measurement.stations.angle_deg[at]) / u_deg
    assert 0 < off.max() < most_u


def test_photographs_that_seem_to_show_two_rotors_are_matched_anew(
    pair_and_two: tuple[Measurement, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Begun at either side along the blades; the first that shows one rotor is taken, or what was found before."""
    measurement = pair_and_two[0]
    priors, sound = usual(measurement), measurement.result
    begun = list(nudged(sound.state))
    turned = sound.state.setups.index("outlet_up")
    away_deg = [
        float(np.degrees(np.linalg.norm(state.r_ring_rotor[turned] - sound.state.r_ring_rotor[turned]) / np.sqrt(2)))
        for state in begun
    ]
    assert away_deg == pytest.approx([np.degrees(REGISTER.nudge_rad)] * 2, rel=1e-3)
    moved = [state.rotor.ends[:, 1] - sound.state.rotor.ends[:, 1] for state in begun]
    np.testing.assert_allclose(moved[0], -moved[1])
    answers = [True, False]
    monkeypatch.setattr(adjusted, "two_rotors", lambda _: answers.pop(0))
    again = adjusted._matched_anew(measurement.shots, sound, measurement.ring, priors)
    assert again is not sound and not answers
    assert_alike(measurement, again, 2.0)
    monkeypatch.setattr(adjusted, "two_rotors", lambda _: True)
    assert adjusted._matched_anew(measurement.shots, sound, measurement.ring, priors) is sound


def on_lower_edges(measurement: Measurement, registered: Any, priors: Priors) -> Adjustment:
    """The adjustment that takes the lower edges of tip lands for the upper ones and sees nothing below."""
    sound = measurement.result
    overhead = replace(sound, views=sound.views[:2])
    sides = register._Sides.of(registered.outlined.first, registered.outlined.others, overhead, sound.state)
    thickness_mm = sound.state.rotor.thickness_mm
    state = register._with_thickness(sound.state, sides, thickness_mm, -thickness_mm)
    views = observed(measurement.shots, state, 4, 3.0)
    upper = [view.tips.face == upper_face(view.setup) for view in views if view.tips is not None]
    alone = [replace(v, tips=v.tips.only(up)) for v, up in zip(views, upper, strict=True) if v.tips is not None]
    return adjust(measurement.ring, tuple(alone), state, priors)


def test_a_lower_edge_taken_for_the_upper_one_is_found_out(pair_and_two: tuple[Measurement, Any]) -> None:
    """The tip radius is too large by a quarter of the thickness or so then."""
    measurement = pair_and_two[0]
    priors, sound, shots = usual(measurement), measurement.result, measurement.shots
    outlined = SimpleNamespace(ring=measurement.ring, first=shots[:2], others=shots[2:])
    registered: Any = SimpleNamespace(shots=shots, outlined=outlined)
    wrong = on_lower_edges(measurement, registered, priors)
    assert adjusted._lower_edges(wrong) == 0 < adjusted._lower_edges(sound)
    off_mm = wrong.state.rotor.radius_mm - sound.state.rotor.radius_mm
    assert off_mm > 0.1 * sound.state.rotor.thickness_mm
    right = adjusted._on_another_land(registered, wrong, priors)
    assert adjusted._lower_edges(right) > 0.8 * adjusted._lower_edges(sound)
    assert right.state.rotor.radius_mm == pytest.approx(sound.state.rotor.radius_mm, abs=0.05)
    assert_alike(measurement, right, 1.0)


@pytest.mark.parametrize("fault", ["lies off", "no lower edges", "fits worse"])
def test_another_land_must_be_better(
    pair_and_two: tuple[Measurement, Any], monkeypatch: pytest.MonkeyPatch, fault: str
) -> None:
    measurement = pair_and_two[0]
    sound = measurement.result
    registered: Any = SimpleNamespace(shots=measurement.shots, outlined=SimpleNamespace(ring=measurement.ring))
    other = replace(sound)
    monkeypatch.setattr(adjusted, "on_other_lands", lambda *_: iter([other]))
    monkeypatch.setattr(adjusted, "_looked", lambda *_: other)
    misfit_px = {id(sound): 0.5, id(other): 0.4}
    monkeypatch.setattr(fit, "misfit_px", lambda result, _: misfit_px[id(result)])
    assert adjusted._on_another_land(registered, sound, usual(measurement)) is other
    if fault == "lies off":
        monkeypatch.setattr(adjusted, "_off", lambda _: True)
    elif fault == "no lower edges":
        monkeypatch.setattr(adjusted, "_lower_edges", lambda _: 0)
    else:
        misfit_px[id(other)] = 0.6
    assert adjusted._on_another_land(registered, sound, usual(measurement)) is sound
