"""Photographs between which the rotor was moved, on simulated points: named with how far, and sound ones not."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from bounds import ACCEPTED, chi_squared, largest, rms_bounds
from scipy.spatial.transform import Rotation
from seeds import generator
from simulated import observe
from simulated_run import measured, start_state
from simulated_truth import Changes, Noise, Truth, random_truth

from bladeangle.adjustment.adjust import Adjustment, adjust
from bladeangle.adjustment.model import TIP_KINDS, ObservedView, unwatched
from bladeangle.records.station import StationOptions
from bladeangle.results.diagnostics import _harmful
from bladeangle.results.edge_shifts import changed_angles
from bladeangle.results.moved import Movement, _estimated_move, _movement, _own_moves, movements
from bladeangle.results.stations import measure_stations
from bladeangle.tuning.results import DIAGNOSTICS

QUICK = Noise(ring_every=8)
LEVEL = Changes(blades=3, tilt_deg=0.2)


def eight(seed: int) -> Truth:
    return random_truth(generator(seed), "eight", LEVEL, QUICK)


def only(truth: Truth, photos: list[int]) -> Truth:
    """The truth with some of its photographs."""
    return replace(
        truth,
        cameras=tuple(truth.cameras[p] for p in photos),
        views=tuple(truth.views[p] for p in photos),
        standing_of=tuple(truth.standing_of[p] for p in photos),
    )


def shoved(truth: Truth, shift_mm: tuple[float, float], turn_deg: float) -> Truth:
    """The same with the rotor moved where it stands inlet end up."""
    r, t = truth.r_ring_rotor.copy(), truth.t_ring_rotor.copy()
    r[0] = Rotation.from_euler("z", turn_deg, degrees=True).as_matrix() @ r[0]
    t[0, :2] += shift_mm
    return replace(truth, r_ring_rotor=r, t_ring_rotor=t)


def adjusted(truth: Truth, moved: dict[int, tuple[tuple[float, float], float]]) -> Adjustment:
    """The adjustment of simulated photographs; `moved` has shift and turn of the rotor in some of them."""
    rng = generator(7)
    views: list[ObservedView] = list(observe(truth, rng, QUICK))
    for p, (shift_mm, turn_deg) in moved.items():
        views[p] = observe(shoved(truth, shift_mm, turn_deg), generator(9 + p), QUICK)[p]
    return measured(truth, tuple(views), generator(5))[0]


def each(result: Adjustment, truth: Truth) -> list[Movement]:
    """What every photograph of the first standing says by itself; of two, what the second says."""
    if result.state.moves:
        return [_estimated_move(result, p) for p in result.state.moves]
    none = np.zeros(result.layout.size)
    photos = [p for p, view in enumerate(result.views) if view.setup == "inlet_up"]
    alone = _own_moves(result, photos, result.state.setups.index("inlet_up"))
    return [_movement(result, a, result.covariance, none) for a in alone]


@pytest.mark.parametrize("photos", [[0, 1, 2], [0, 1, 2, 4], list(range(8))], ids=len)
def test_a_rotor_left_own_moves_seems_moved_by_what_scatter_explains(photos: list[int]) -> None:
    squares = []
    for seed in (1, 2, 3):
        truth = only(eight(seed), photos)
        result = adjusted(truth, {})
        assert movements(result) == {}
        squares += [m.significance**2 for m in each(result, truth)]
    # three degrees of freedom each; photographs of a set are not independent, so that three sets count as so many
    low, high = rms_bounds(9)
    assert low**2 < np.mean(squares) / 3 < high**2
    assert max(squares) < chi_squared(3, ACCEPTED / len(squares))


@pytest.mark.parametrize(
    ("photo", "shift_mm", "turn_deg"),
    [(4, (0.3, -0.2), 0.1), (0, (-0.25, 0.25), 0.0), (6, (0.0, 0.0), 1.0)],
)
def test_where_the_rotor_lay_in_one_of_eight(photo: int, shift_mm: tuple[float, float], turn_deg: float) -> None:
    truth = eight(1)
    result = adjusted(truth, {photo: (shift_mm, turn_deg)})
    found = movements(result)
    assert set(found) == {photo}
    movement = found[photo]
    off = np.array([np.radians(movement.turn_deg - turn_deg) * truth.radius_mm, *(movement.shift_mm - shift_mm)])
    assert off @ np.linalg.solve(movement.covariance, off) < chi_squared(3)
    # so that none, one the other way, or one of twice the size would not have passed
    assert np.sqrt(chi_squared(3)) < movement.significance < 200


def test_what_a_movement_did_to_the_angles_decides_whether_it_is_a_doubt() -> None:
    """Beside the same photographs of a rotor that was left alone."""
    truth, options = eight(1), StationOptions()
    left_deg = measure_stations(adjusted(truth, {}), options).angle_deg
    for mm in (0.15, 0.6):
        result = adjusted(truth, {4: ((mm, 0.0), 0.0)})
        stations, found = measure_stations(result, options), movements(result)
        assert set(found) == {4}
        change = found[4].change
        assert change is not None
        off_deg, predicted_deg = left_deg - stations.angle_deg, changed_angles(result, stations, options, change)
        # first order, beside other noise in that photograph: no other sign, nor half or twice as much
        noise_deg = 0.5 * np.sqrt(np.trace(stations.budget.covariance_deg2))
        assert np.linalg.norm(predicted_deg - off_deg) < noise_deg + 0.4 * np.linalg.norm(off_deg)
        u_deg = np.sqrt(np.diag(stations.budget.covariance_deg2))
        assert found[4].significance > DIAGNOSTICS.sure_move_sigmas
        assert _harmful(found, result, stations, options) == {4}
        # the same seen less well, which changes angles less or more
        unsure = replace(found[4], covariance=found[4].covariance * (found[4].significance / 5) ** 2)
        most = np.abs(predicted_deg / u_deg).max()
        for sigmas, doubted in ((1.8, set()), (2.2, {4})):
            one = replace(unsure, change=change * sigmas / most)
            assert _harmful({4: one}, result, stations, options) == doubted


def test_two_moved_ones_of_eight_are_told_from_the_rest() -> None:
    truth = eight(2)
    result = adjusted(truth, {3: ((0.4, 0.3), 0.0), 6: ((-0.3, 0.5), 0.0)})
    found = movements(result)
    assert set(found) == {3, 6}
    for photo, shift_mm in ((3, (0.4, 0.3)), (6, (-0.3, 0.5))):
        # the clearer one is told while the other still pulls at the common place: none, twice as far or the other way
        # would be off by the whole shift at least
        assert np.linalg.norm(found[photo].shift_mm - shift_mm) < 0.7 * np.linalg.norm(shift_mm)


def test_of_two_photographs_that_contradict_each_other_both_are_named() -> None:
    truth = only(eight(2), [0, 1, 4])
    result = adjusted(truth, {2: ((1.5, -1.0), 1.5)})
    # the model takes the movement for another rotor: no residual tells
    tips = [(p, kind) for p in (0, 2) for kind in TIP_KINDS if kind in result.weight[p]]
    assert max(result.rms_px(*one) for one in tips) < DIAGNOSTICS.doubted_rms_px
    found = movements(result)
    assert set(found) == {0, 2}
    # one movement seen from both: there and back
    np.testing.assert_allclose(found[0].significance, found[2].significance, rtol=0.25)
    assert np.dot(found[0].shift_mm, found[2].shift_mm) < 0


def test_which_photographs_a_single_other_watches() -> None:
    up, down = "inlet_up", "outlet_up"
    assert unwatched([up, down]) == ()
    assert unwatched([up, down, up]) == (2,)
    assert unwatched([up, up, down, down]) == (1, 3)
    assert unwatched([up, down, up, up, down]) == (4,)


@pytest.mark.parametrize("shoves", [[(0.0, 0.0)], [(0.25, -0.2), (-0.25, 0.2)]], ids=["none", "two"])
def test_a_shove_that_two_photographs_hardly_tell_does_no_harm(shoves: list[tuple[float, float]]) -> None:
    """Of 0.32 mm: taken for a rotor of another shape, it would turn angles by up to five uncertainties."""
    z: dict[bool, list[float]] = {}
    u: dict[bool, list[float]] = {}
    for (seed, side), shift_mm in itertools.product(((1, 6), (2, 4), (6, 4)), shoves):
        truth = only(eight(seed), [0, 1, side])
        views = list(observe(truth, generator(7), QUICK))
        views[2] = observe(shoved(truth, shift_mm, 0.0), generator(11), QUICK)[2]
        begun = start_state(truth, tuple(views), generator(5))
        for moves in ({}, {2: np.zeros(3)}):
            result = adjust(truth.ring, tuple(views), replace(begun.copy(), moves=moves), truth.priors)
            found = measure_stations(result, StationOptions())
            off = found.angle_deg - [truth.angle_deg(label) for label in found.labels]
            own = np.sqrt(np.diag(found.budget.covariance_deg2))
            z.setdefault(bool(moves), []).extend(off / own)
            u.setdefault(bool(moves), []).append(np.median(own))
            assert ("rotor moved between photographs" in {x.name for x in found.budget.lines}) == bool(moves)
    # 27 angles in either case: the two shoves are of the same three rotors. Edges lie off by laws that are not assumed,
    # and tips are better than what is allowed for
    low, high = rms_bounds(27, (0.7, 1.1))
    rms = {moves: np.sqrt(np.mean(np.square(of))) for moves, of in z.items()}
    assert low < rms[True] < high
    assert np.abs(z[True]).max() < largest(len(z[True]))
    ratios = np.divide(u[True], u[False])
    if len(shoves) > 1:
        assert rms[False] > 1.15 * rms[True]
    else:  # and what it costs
        assert (ratios > 0.98).all() and ratios.max() < 1.4 and 0.995 < np.exp(np.log(ratios).mean()) < 1.3


def test_photographs_of_different_standings_are_not_compared() -> None:
    truth = only(eight(1), [0, 1])
    result = adjusted(truth, {0: ((0.8, 0.0), 0.5)})
    assert movements(result) == {}


def test_a_movement_is_told_with_its_uncertainty() -> None:
    covariance = np.diag([0.1**2, 0.3**2, 0.4**2])
    movement = Movement(np.array([-0.7, 0.0, 1.2]), covariance, 80.0)
    assert movement.size_mm == pytest.approx(1.2)
    assert movement.turn_deg == pytest.approx(-0.501, abs=0.001)
    assert movement.significance == pytest.approx(np.hypot(7, 3))
    assert str(movement) == (
        "by 1.2 mm (standard uncertainty 0.4) and 0.5 deg (0.1), together 8 standard uncertainties"
    )
    assert movement.clear
    assert not replace(movement, covariance=9 * covariance).clear
    assert not replace(movement, displacement_mm=0.1 * movement.displacement_mm, covariance=0.01 * covariance).clear
    assert replace(movement, displacement_mm=np.array([2.8, 0.0, 1.2])).size_mm == pytest.approx(2.8)
