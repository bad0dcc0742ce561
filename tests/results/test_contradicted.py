"""Runs of edge that all else contradicts: against the chi-square law, leaving runs out, and runs that are put off."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from seeds import generator
from simulated import observe
from simulated_noise import Noise
from simulated_run import measured
from simulated_truth import Changes, Truth, random_truth

from bladeangle.adjustment import adjust as adjustment
from bladeangle.adjustment.adjust import Adjustment, adjust, seen_from_above
from bladeangle.adjustment.model import ObservedView
from bladeangle.records.station import StationOptions
from bladeangle.results import contradicted
from bladeangle.results.angles import angle_row
from bladeangle.results.contradicted import Run, contradicted_runs, runs_of
from bladeangle.results.weighted import weighted_rows
from bladeangle.tuning.adjustment import ADJUST
from bladeangle.tuning.results import CONTRADICTED
from bladeangle.tuning.value import changed

OPTIONS = StationOptions()
QUICK = Noise(ring_every=8)


def case(seed: int, kind: str = "five") -> tuple[Truth, Adjustment]:
    rng = generator(seed)
    truth = random_truth(rng, kind, Changes(blades=3), QUICK)
    return truth, measured(truth, observe(truth, rng, QUICK), rng)[0]


@pytest.fixture(scope="module")
def five() -> tuple[Truth, Adjustment]:
    return case(31)


def put_off(view: ObservedView, run: Run, off_px: float) -> ObservedView:
    """The view with one run running away from its edge, from nothing to so many pixels."""
    tips = view.tips
    assert tips is not None
    mine = np.flatnonzero((tips.blade == run.blade) & (tips.face == run.face) & (tips.far == run.far))
    px = tips.px.copy()
    px[mine] += np.linspace(0.0, off_px, len(mine))[:, None] * tips.normal[mine]
    return replace(view, tips=replace(tips, px=px))


def test_squares_are_those_of_points_that_err_as_they_are_said_to() -> None:
    """Of random points the mean square is one (chi-square over its degrees of freedom); growths make it smaller."""
    runs = [run for seed in (31, 32, 33, 34) for run in runs_of(case(seed)[1], OPTIONS)]
    assert len(runs) > 60
    squares, points = np.array([(run.mean_square * run.points, run.points) for run in runs]).T
    assert 0.6 < squares.sum() / points.sum() < 1.1
    assert 0.6 < np.median(squares / points) < 1.1
    assert not any(run.contradicted for run in runs)
    one = Run(0, 0, 1, False, 18, 4.0, 0.0)
    assert one.excess == pytest.approx((18 * 4.0 - 18) / np.sqrt(2 * 18))  # chi-square: mean m, variance 2 m


def test_what_is_said_of_a_run_is_what_leaving_it_out_gives(five: tuple[Truth, Adjustment]) -> None:
    """The fall of the cost and the change of angles, by equations without its rows."""
    _, result = five
    runs = sorted(runs_of(result, OPTIONS), key=lambda run: run.points)
    run = next(run for run in runs if run.points >= 8)
    kind = "inlet tips" if run.face > 0 else "outlet tips"
    total = np.linalg.inv(result.covariance)
    one = next(one for one in weighted_rows(result, [run.photo]) if one.rows.kind == kind)
    tips = result.views[run.photo].tips_of(run.face)
    assert tips is not None
    mine = (tips.blade == run.blade) & (tips.far == run.far)
    others = replace(one, weight=np.where(mine, 0.0, one.weight))
    at = np.ix_(one.rows.columns, one.rows.columns)
    without = total.copy()
    without[at] += others.normal - one.normal
    pull = np.zeros(len(total))  # of the run on the solution, at which all pulls together are nothing
    pull[one.rows.columns] = one.right_side(one.residual) - others.right_side(one.residual)
    fall = one.product(one.residual, one.residual) - others.product(one.residual, one.residual)
    assert run.mean_square * run.points == pytest.approx(fall + pull @ np.linalg.solve(without, pull), rel=1e-5)
    rows = np.stack(
        [angle_row(result.layout, result.state.rotor, run.blade, s, OPTIONS) for s in ("entry", "middle", "exit")]
    )
    change = rows @ np.linalg.solve(without, pull)
    sigma = np.sqrt(np.diag(rows @ (np.linalg.inv(without) - result.covariance) @ rows.T))
    u = np.sqrt(np.diag(rows @ result.covariance @ rows.T))
    turns = np.where(np.abs(change) > u, np.abs(change) / sigma, 0.0).max()
    assert run.turns == pytest.approx(turns, rel=1e-4, abs=1e-9)


@pytest.mark.parametrize("off_px", [-6.0, 6.0])
def test_a_run_that_runs_away_is_told_and_can_be_left_out(
    five: tuple[Truth, Adjustment], monkeypatch: pytest.MonkeyPatch, off_px: float
) -> None:
    """Where the errors of its run are taken for usual ones; else an adjustment hardly believes it."""
    truth, sound = five
    monkeypatch.setattr(adjustment, "ADJUST", changed(ADJUST, most_run_scale=1.0))
    near = [run for run in runs_of(sound, OPTIONS) if not run.far and run.face > 0]
    run = min(near, key=lambda run: run.points if run.points >= 8 else 1000)
    views = list(sound.views)
    views[run.photo] = put_off(views[run.photo], run, off_px)
    spoiled = adjust(truth.ring, tuple(views), sound.state, truth.priors)
    told = contradicted_runs(spoiled, OPTIONS)
    assert told and told[0].place == run.place
    views[run.photo] = told[0].of(views[run.photo])
    tips, before = views[run.photo].tips, sound.views[run.photo].tips
    assert tips is not None and before is not None
    assert len(before.px) - len(tips.px) == run.points
    mended = adjust(truth.ring, tuple(views), spoiled.state, truth.priors)
    assert not contradicted_runs(mended, OPTIONS)


@pytest.mark.parametrize(
    ("points", "mean_square", "turns", "told"),
    [
        (18, 1.0, 0.0, False),
        (18, 3.2, 0.0, True),
        (18, 2.8, 0.0, False),
        (3, 3.2, 0.0, False),
        (18, 1.0, 4.2, True),
        (18, 1.0, 3.8, False),
    ],
)
def test_what_is_contradicted(points: int, mean_square: float, turns: float, told: bool) -> None:
    """By 18 points of a mean square of 3 the excess is 6 standard deviations; by 3 points it is 2.4."""
    assert Run(1, 0, -1, True, points, mean_square, turns).contradicted is told
    assert (CONTRADICTED.mean_square, CONTRADICTED.excess_sigmas, CONTRADICTED.turned_sigmas) == (3.0, 3.0, 4.0)


def test_a_photograph_whose_runs_are_all_off_is_left_to_other_doubts(
    five: tuple[Truth, Adjustment], monkeypatch: pytest.MonkeyPatch
) -> None:
    """And so are those from above: what they show of a blade nothing else does."""
    _, result = five
    above, side = 0, next(p for p, view in enumerate(result.views) if not seen_from_above([view]))

    def off(photo: int, blade: int, mean_square: float) -> Run:
        return Run(photo, blade, 1, False, 18, mean_square, 0.0)

    runs = [off(side, 0, 5.0), off(side, 1, 7.0), *(off(side, b, 1.0) for b in (2, 3, 4)), off(above, 0, 9.0)]
    monkeypatch.setattr(contradicted, "runs_of", lambda *_: iter(runs))
    assert contradicted_runs(result, OPTIONS) == [runs[1], runs[0]]
    runs[4] = off(side, 4, 5.0)  # three of five
    assert contradicted_runs(result, OPTIONS) == []
