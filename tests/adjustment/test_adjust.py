"""The joint adjustment: derivatives, covariance, and what it must bear, on simulated points."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from bounds import ACCEPTED, largest
from scipy import stats
from seeds import generator
from simulated import observe
from simulated_run import measured, simulate, start_state
from simulated_truth import Changes, Noise, Truth, random_truth

from bladeangle.adjustment.adjust import Adjustment, adjust
from bladeangle.adjustment.equations import Equations
from bladeangle.adjustment.model import Layout, ObservedView, applied
from bladeangle.adjustment.rotor import Basis
from bladeangle.base.budget import Budget
from bladeangle.base.errors import AdjustmentError
from bladeangle.records.station import StationOptions
from bladeangle.results.stations import Stations, measure_stations

#: Few ring points: these tests need no more, and run faster.
QUICK = Noise(ring_every=8)
THREE = Changes(blades=3)
CLEAN = Noise(
    tip_px=0.02, ring_px=0.02, circle_px=0.02, end_mm=0.02, bias_px=0.0, correlated_sigma=(0.0, 0.0), groove_px=0.0,
    circle_error_px=0.0, offset_px=0.0, ring_every=8,
)  # fmt: skip


def case(
    seed: int, kind: str, changes: Changes = THREE, noise: Noise = QUICK
) -> tuple[Truth, tuple[ObservedView, ...], Adjustment, Stations]:
    rng = generator(seed)
    truth = random_truth(rng, kind, changes, noise)
    views = observe(truth, rng, noise)
    return truth, views, *measured(truth, views, rng)


def errors_deg(truth: Truth, found: Stations) -> np.ndarray:
    return found.angle_deg - [truth.angle_deg(label) for label in found.labels]


def uncertainty_deg(budget: Budget) -> np.ndarray:
    return np.sqrt(np.diag(budget.covariance_deg2))


@pytest.fixture(scope="module")
def eight() -> tuple[Truth, tuple[ObservedView, ...], Adjustment, Stations]:
    """Eight photographs of a ring in two pieces."""
    return case(1, "eight", Changes(blades=3, pieces=((0.3, -0.2, 0.002),)))


@pytest.mark.parametrize("seed", [3, 4])
def test_splines_too_short_for_the_blades_do_not_bend_them_straight(seed):
    """Begun where outlines were matched at two thirds of the wrap: exits were a degree off, and nothing told."""
    rng = generator(seed)
    truth = random_truth(rng, "pair", THREE, CLEAN)
    views = observe(truth, rng, CLEAN)
    begun = start_state(truth, views, rng)
    long = begun.rotor.basis
    short = Basis(long.start, 0.65 * long.stop, 7)
    tau = np.linspace(short.start, short.stop, 100)
    heights = np.linalg.lstsq(short.matrix(tau), long.matrix(tau) @ begun.rotor.heights.T, rcond=None)[0].T
    cut = replace(begun.copy(), rotor=replace(begun.rotor, basis=short, heights=np.asarray(heights, np.float64)))
    found = []
    for state in (begun, cut):
        for _ in range(2):
            state = adjust(truth.ring, views, state, truth.priors, most_iterations=12, must_settle=False).state
        result = adjust(truth.ring, views, state, truth.priors)
        assert result.state.rotor.basis.stop >= result.state.rotor.ends.max()
        found.append(measure_stations(result, StationOptions()))
    whole, carried_on = found
    assert carried_on.labels == whole.labels and len(whole.labels) == 9
    apart = np.abs(carried_on.angle_deg - whole.angle_deg) / uncertainty_deg(whole.budget)
    # the same rotor; rarely another place of the robust cost near by, with other points put aside
    assert np.median(apart) < 0.7 and 0 < apart.max() < 1.5
    assert np.abs(errors_deg(truth, carried_on) / uncertainty_deg(carried_on.budget)).max() < 3.5


@pytest.mark.parametrize("moves", [{}, {1: (0.02, 0.4, -0.3), 4: (-0.03, 0.2, 0.5)}], ids=["still", "moved"])
def test_derivatives_of_every_kind_of_observation(eight, moves):
    truth, views, result, _ = eight
    seen = set()
    state = replace(result.state.copy(), moves={p: np.array(move) for p, move in moves.items()})
    if moves:  # and a focus far from the usual, at the same focal length
        state = replace(state, focus=np.full(len(views), 0.05))
        state.camera[0] /= 1.05
    for photo in (0, 1, 4):  # both standings from above, and one oblique
        view, layout = views[photo], Layout(state)
        standing = state.setups.index(view.setup)
        equations = Equations(truth.ring, layout, [view], [photo], [standing])

        def whole(at, equations=equations, layout=layout):
            rows = {}
            for r in equations.rows(at):
                jac = np.zeros((len(r.residual), layout.size))
                jac[:, r.columns] = r.jac.T
                rows[r.kind] = (r.residual, jac)
            return rows

        rows = whole(state)
        seen |= set(rows)
        wrong = {kind: np.zeros(layout.size) for kind in rows}
        for k in range(layout.size):
            size = max(1.0, *(float(np.abs(j[:, k]).max()) for _, j in rows.values()))
            change = np.zeros(layout.size)
            values = []
            for sign in (1, -1):
                change[k] = sign * 1e-3 / size  # moves a point by a thousandth of a pixel at most
                values.append({kind: r for kind, (r, _) in whole(applied(state, layout, change)).items()})
            for kind, (_, j) in rows.items():
                difference = (values[0][kind] - values[1][kind]) / 2e-3
                off = np.sort(np.abs(difference - j[:, k] / size))
                wrong[kind][k] = np.sqrt(np.mean(off[: len(off) - len(off) // 30 * kind.endswith("tips")] ** 2))
        for kind, (_, j) in rows.items():
            # the tips' derivatives leave out that a steeper blade looks thicker along the axis, which counts for a
            # point or two at a rounded end
            bound = 0.03 if kind.endswith("tips") else 5e-3
            assert wrong[kind].max() < bound, f"photo {photo}, {kind}, column {wrong[kind].argmax()}"
            assert np.count_nonzero(np.abs(j).max(0)) > 10
    assert seen == {"ring", "inlet tips", "outlet tips", "end", "circle"}


def test_shares_of_information_add_up_to_the_covariance(eight):
    _, _, result, found = eight
    c = result.covariance
    whole = c @ sum(result.information.values()) @ c
    size = np.sqrt(np.diag(c))
    np.testing.assert_allclose(whole / np.outer(size, size), c / np.outer(size, size), atol=1e-6)
    assert np.linalg.eigvalsh(c / np.outer(size, size)).min() > 0
    lines = {line.name for line in found.budget.lines}
    assert {"tip edge points", "ring points", "focal length and lens", "axis: tilt", "edge bias, inlet face"} <= lines
    for line in found.budget.lines:
        assert np.diag(line.covariance_deg2).min() >= -1e-12


def test_the_hub_is_the_widest_circle_and_as_sure_as_a_broken_rim_lets_it_be(eight):
    truth, _, _, found = eight
    value, u = found.sizes["hub_diameter"]
    true = 2 * max(float(circles[:, 0].max()) for circles in truth.circles)
    assert 0.85 < u < 1.1  # the rim's, a rectangular distribution of 1.5 mm of the radius, is 0.87
    assert -0.5 * u < value - true < 2.5 * u  # these simulated rims are sharp


def test_clean_points_give_the_true_angles():
    truth, _, _, found = case(2, "eight", Changes(blades=4, rotors=True), CLEAN)
    assert len(found.labels) == 12
    error = errors_deg(truth, found)
    # however clean points are, their edges may lie off by `offset_mm`: what is usual of worn tips pulls them so
    assert np.abs(error).max() < 0.08
    assert abs(error.mean()) < 0.05
    assert 2 * truth.radius_mm == pytest.approx(found.sizes["tip_diameter"][0], abs=0.1)
    assert np.mean([b.thickness_mm for b in truth.blades]) == pytest.approx(found.sizes["thickness"][0], abs=0.1)
    wrap = np.degrees([b.tau[-1] for b in truth.blades])
    np.testing.assert_allclose(found.wrap_deg[:, 0], wrap, atol=0.1)


@pytest.mark.parametrize("seed", [40, 41])
def test_one_overhead_photograph_measures_what_it_sees(seed):
    rng = generator(seed)
    truth = random_truth(rng, "pair", Changes(blades=5), QUICK)
    both = observe(truth, rng, QUICK)
    start, views = start_state(truth, both, rng), both[:1]
    for name in ("r_camera_ring", "t_camera_ring", "focus", "principal", "r_ring_rotor", "t_ring_rotor"):
        setattr(start, name, getattr(start, name)[:1])
    start.setups, start.circles, start.circle_setup = ("inlet_up",), start.circles[:2], (0, 0)
    for _ in range(2):
        start = adjust(truth.ring, views, start, truth.priors, most_iterations=12, must_settle=False).state
    found = measure_stations(adjust(truth.ring, views, start, truth.priors), StationOptions())
    assert [f"{b}.entry" for b in range(1, 6)] == [label for label in found.labels if label.endswith("entry")]
    z = errors_deg(truth, found) / uncertainty_deg(found.budget)
    assert 0.1 < np.sqrt((z**2).mean()) < 2.2
    for b in range(1, 6):
        missing = {s for s in ("entry", "middle", "exit") if f"{b}.{s}" not in found.labels}
        assert set(found.not_seen.get(b, {})) == missing
        assert all(found.not_seen[b].values()) if missing else True
    assert all(sees == ["inlet"] for label, sees in found.sees.items() if label.endswith("entry"))


@pytest.mark.slow
def test_intervals_cover_and_sampled_covariance_is_the_predicted_one():
    """A small share of `tests/bench/simulate.py`.

    Sixteen pairs scatter: over twenty-two such sets, of other seeds and of cylinders and new tips, the mean square was
    0.27 to 0.88 (0.47 as a rule, the standard deviation of its logarithm 0.28), since these tips are better than the
    used ones that a pair's intervals have to cover. Bounds are four such standard deviations away, so that intervals
    twice or half as wide lie outside as a rule.
    """
    noise = replace(QUICK, law="markov")  # of which it is known what the ideal adjustment gives
    cases = [simulate(generator(7, k), "pair", Changes(blades=3), noise, with_ideal=k < 4) for k in range(16)]
    error = [c.angle_deg - c.true_deg for c in cases]
    squares = [float(e @ np.linalg.solve(c.covariance_deg2, e)) / len(e) for e, c in zip(error, cases, strict=True)]
    assert 0.16 < np.mean(squares) < 1.4
    covered = np.concatenate([np.abs(e) <= c.half_width_deg for e, c in zip(error, cases, strict=True)])
    assert len(covered) > 120
    # of a third as many independent ones: they share the focal length and the axis
    assert covered.mean() >= stats.binom.ppf(ACCEPTED, 48, 0.95) / 48
    z = np.concatenate([e / c.u_deg for e, c in zip(error, cases, strict=True)])
    assert 0.3 < np.sqrt((z**2).mean()) < 1.3
    # near the ideal adjustment, which knows how good the points are, and never better than it by much
    ratio = np.concatenate([c.u_deg / c.ideal_u_deg for c in cases[:4]])
    # 1.2 to 1.9: bends are not estimated from above, and inconsistency widens
    assert 0.85 < np.median(ratio) < 2.4


def spoiled(views: tuple[ObservedView, ...], run: int, seed: int) -> tuple[ObservedView, ...]:
    """A tenth of the tip points 2 to 6 px off, in runs of so many."""
    rng = generator(seed)
    out = []
    for view in views:
        tips = view.tips
        assert tips is not None
        runs = len(tips.px) // run + 1
        off = np.where(rng.uniform(size=runs) < 0.10, rng.choice([-1, 1], runs) * rng.uniform(2, 6, runs), 0.0)
        off = np.repeat(off, run)[: len(tips.px)]
        out.append(replace(view, tips=replace(tips, px=tips.px + off[:, None] * tips.normal)))
    return tuple(out)


def test_single_outliers_hardly_move_the_angles(eight):
    truth, views, _, found = eight
    again, seen = measured(truth, spoiled(views, 1, 3), generator(4))
    assert seen.labels == found.labels
    u = uncertainty_deg(found.budget)
    shift = np.abs(seen.angle_deg - found.angle_deg) / u
    assert 0 < shift.max() < 1.0
    assert np.sqrt((shift**2).mean()) < 0.5
    widened = uncertainty_deg(seen.budget) / u
    assert 0.8 < np.median(widened) < 1.6
    # and they are told: their weights are gone
    weight = np.concatenate([w[k] for w in again.weight for k in ("inlet tips", "outlet tips") if k in w])
    assert 0.05 < (weight < 0.3).mean() < 0.2


def test_runs_of_outliers_move_the_angles_little(eight):
    """Runs of 130 px, as glare makes them, of eight random places; with some of them the farthest angle moves by 9 u.

    They raise the estimate of sway, which then takes them for grooves. Bounding what each trace tells would mend most
    of it, but edges of turned metal have such tails without a fault, and would be thought better than they are.
    """
    truth, views, _, found = eight
    u = uncertainty_deg(found.budget)
    shifts = []
    for seed in range(3, 11):
        _, seen = measured(truth, spoiled(views, 8, seed), generator(4))
        shifts.append(np.abs(seen.angle_deg - found.angle_deg) / u)
        assert 0.8 < np.median(uncertainty_deg(seen.budget) / u) < 1.8
    # of four rotors the first was 1.3 to 2.6
    assert 0.4 < np.median([shift.max() for shift in shifts]) < 4.0
    assert 0.2 < np.median([np.sqrt((shift**2).mean()) for shift in shifts]) < 2.0
    assert max(shift.max() for shift in shifts) < 15.0


def test_sheet_pieces_that_lie_off_are_found():
    truth, _, result, found = case(5, "eight", Changes(blades=3, pieces=((0.8, -0.6, 0.004), (-1.0, 0.2, -0.003))))
    np.testing.assert_allclose(result.state.pieces[:, :2], truth.pieces[1:, :2], atol=0.15)
    np.testing.assert_allclose(result.state.pieces[:, 2], truth.pieces[1:, 2], atol=0.001)
    assert np.abs(result.state.pieces[:, :2]).max() > 0.5
    z = errors_deg(truth, found) / uncertainty_deg(found.budget)
    assert 0.2 < np.sqrt((z**2).mean()) < 2.2


@pytest.mark.parametrize("seed", [6, 16])
def test_a_bent_sheet_is_borne(seed):
    """A sheet that has risen by 1 mm at 150 mm from the centre, along one direction."""
    truth, _, result, found = case(seed, "eight", Changes(blades=3, bend_mm=1.0))
    error, u = errors_deg(truth, found), uncertainty_deg(found.budget)
    assert np.sqrt(((error / u) ** 2).mean()) < 2.0
    assert np.abs(error).max() < 0.25
    # half of the bend is a saddle along its direction, beside that of the sheet itself: r2 = x2 + y2 is not one
    height_mm, azimuth = truth.bend
    half_mm = 0.5 * height_mm * (truth.ring.outer_radius_mm / 150) ** 2
    saddle = truth.sheet[2:4] + half_mm * np.array([np.cos(2 * azimuth), np.sin(2 * azimuth)])
    assert result.state.sheet[2:4] == pytest.approx(saddle, abs=0.06)


@pytest.mark.parametrize("seed", [18, 38])
def test_a_rotor_off_centre_and_tilted(seed):
    truth, _, result, found = case(seed, "eight", Changes(blades=3, offset_mm=5.0, tilt_deg=0.5))
    error, u = errors_deg(truth, found), uncertainty_deg(found.budget)
    assert 0.2 < np.sqrt(((error / u) ** 2).mean()) < 2.2
    assert np.abs(error / u).max() < largest(len(u))
    assert 0.01 < np.median(u) < 0.12
    for s in (0, 1):
        axis, true = result.state.r_ring_rotor[s][:, 2], truth.r_ring_rotor[s][:, 2]
        assert np.degrees(np.arccos(np.clip(axis @ true, -1, 1))) < 0.16
        assert np.degrees(np.arccos(abs(axis[2]))) == pytest.approx(0.5, abs=0.16)
    assert np.hypot(*result.state.t_ring_rotor[0][:2]) == pytest.approx(5.0, abs=0.2)


def test_the_uncalibrated_phone_finds_its_focal_length():
    truth, _, result, found = case(9, "uncalibrated")
    begun = truth.priors.camera[0]
    true = np.mean([c.f_px for c in truth.cameras])
    assert abs(true / begun - 1) > 0.002
    assert result.state.camera[0] == pytest.approx(true, rel=0.002)
    error, u = errors_deg(truth, found), uncertainty_deg(found.budget)
    assert 0.2 < np.sqrt(((error / u) ** 2).mean()) < 2.2


def test_the_result_is_where_no_step_lowers_the_cost(eight):
    truth, views, result, found = eight
    again = adjust(truth.ring, views, result.state, truth.priors)
    assert again.iterations <= 12
    moved = np.abs(errors_deg(truth, found)).max()
    assert moved < 0.2
    rotor, other = again.state.rotor, result.state.rotor
    assert abs(rotor.radius_mm - other.radius_mm) < 0.02


def test_not_settling_is_an_error_unless_it_is_allowed(eight):
    truth, views, _, _ = eight
    start = start_state(truth, views, generator(2))
    with pytest.raises(AdjustmentError, match="No rotor was found that fits all"):
        adjust(truth.ring, views, start, truth.priors, most_iterations=1)
    assert adjust(truth.ring, views, start, truth.priors, most_iterations=1, must_settle=False).iterations in (1, 2)
