"""Tip radius and thickness from the side, on a rendered rotor whose truth is known."""

from __future__ import annotations

from functools import cache
from itertools import combinations
from typing import Any

import numpy as np
import pytest
from painted import ABOVE, SIDES, Painted, photographs, state_of

from bladeangle.adjustment.model import State
from bladeangle.detection import oblique
from bladeangle.detection.edges import measure_tips
from bladeangle.pipeline.measure import Measurement
from bladeangle.tuning.detection import OBLIQUE
from bladeangle.tuning.register import REGISTER

OBLIQUES = [2, 3]
STANDING = [0, 1, 0, 0]
Found = tuple[Measurement, dict[str, Any]]


@pytest.fixture(scope="module")
def found(pair_and_two: Found) -> Found:
    return pair_and_two


def photos_of(measurement: Measurement) -> tuple[list[Any], float]:
    """The photographs, those from above first, and their blur."""
    assert [s.overhead for s in measurement.shots] == [True, True, False, False]
    return [s.photo for s in measurement.shots], float(np.median([s.sighting.blur_px for s in measurement.shots]))


def changed(measurement: Measurement, radius_mm: float = 0.0, thickness_mm: float = 0.0) -> State:
    """The state with the rotor larger, and thicker downwards: its edges seen from above stay."""
    state = measurement.result.state.copy()
    state.rotor.radius_mm += radius_mm
    state.rotor.thickness_mm += thickness_mm
    state.rotor.heights -= thickness_mm / 2
    return state


@pytest.mark.slow
@pytest.mark.parametrize("off_mm", [-4.0, 3.0])
def test_the_tip_radius_is_where_edges_from_above_lie_on_edges_from_the_side(found: Found, off_mm: float) -> None:
    measurement, true = found
    photos, blur_px = photos_of(measurement)
    views = measurement.result.views
    above = [(p, tips) for p in (0, 1) if (tips := views[p].tips) is not None]
    (radius, clear), *others = oblique.find_radius(
        photos, changed(measurement, radius_mm=off_mm), above, OBLIQUES, STANDING, blur_px, 10.0, 100
    )
    assert radius == pytest.approx(true["rotor"]["tip_radius"], abs=0.4)
    assert clear > REGISTER.clear_radius_sigmas
    assert all(c <= clear and abs(r - radius) > OBLIQUE.distinct_radii_mm for r, c in others)


@pytest.mark.slow
@pytest.mark.parametrize("off_mm", [-1.2, 0.0, 1.5])
def test_the_thickness_puts_both_edges_of_the_tip_land_on_edges(found: Found, off_mm: float) -> None:
    measurement, true = found
    photos, blur_px = photos_of(measurement)
    state = changed(measurement, thickness_mm=off_mm)
    answers = oblique.find_thickness(photos, state, OBLIQUES, STANDING, blur_px)
    bounds = OBLIQUE.thickness_classes_mm
    of_class = list(np.searchsorted(bounds, [t for t, _ in answers], "right"))
    assert all(1 <= of_class.count(k) <= 2 * oblique.ANSWERS_OF_CLASS for k in (1, 2, 3))
    apart = [max(abs(s - t) for s, t in zip(a, b, strict=True)) for a, b in combinations(answers, 2)]
    assert min(apart) > 0.1  # neither is the flank of another
    thickness, shift = min(answers, key=lambda a: abs(a[0] - true["rotor"]["thickness"]))
    assert thickness == pytest.approx(answers[0][0], abs=0.15)  # the likeliest first, or its neighbour
    # of a start, which adjustments refine; of another rotor it was 0.45 mm too thin
    assert thickness == pytest.approx(true["rotor"]["thickness"], abs=0.5)
    # the mid-line comes back to where it is
    assert shift == pytest.approx(off_mm / 2, abs=0.4)


@pytest.mark.slow
def test_where_nothing_is_seen_from_the_side_there_is_an_answer_of_each_class_all_the_same(found: Found) -> None:
    measurement, _ = found
    photos, blur_px = photos_of(measurement)
    for away_mm in (300.0, 360.0, 400.0, 500.0):  # in front of a lens, in its plane, and behind it
        state = changed(measurement)
        state.rotor.heights += away_mm
        assert len(oblique.find_thickness(photos, state, OBLIQUES, STANDING, blur_px)) == 3


# --- on painted pictures ---------------------------------------------------------------------------------------------

BLUR_PX = 0.85


@cache
def painted(rotor: Painted, seed: int) -> tuple[Any, ...]:
    """Photographs of a rotor from above and the sides, which several tests only read."""
    return photographs(rotor, seed)


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("off_mm", [-5.0, 0.0, 4.0])
def test_the_radius_of_a_painted_rotor(seed: int, off_mm: float) -> None:
    rotor = Painted()
    photos, state = painted(rotor, seed), state_of(rotor, (ABOVE, *SIDES))
    tips = measure_tips(photos[0], state, 0, 0, BLUR_PX, 0)
    state.rotor.radius_mm += off_mm
    (radius, clear), *others = oblique.find_radius(photos, state, [(0, tips)], [1, 2], [0, 0, 0], BLUR_PX, 10.0, 100)
    assert radius == pytest.approx(75.0, abs=0.25)
    assert clear > 3.0 and len(others) == 2
    for r, c in others:
        assert c <= clear and abs(r - radius) > OBLIQUE.distinct_radii_mm
    # a narrow range lies about the rotor's radius
    state.rotor.radius_mm = 75.6
    assert oblique.find_radius(photos, state, [(0, tips)], [1, 2], [0, 0, 0], BLUR_PX, 0.9, 18)[0][0] == pytest.approx(
        75.0, abs=0.25
    )
    # what another standing shows says nothing
    empty = oblique.find_radius(photos, state, [(0, tips)], [1, 2], [1, 0, 0], BLUR_PX, 10.0, 100)
    assert all(c == 0 for _, c in empty)


@pytest.mark.parametrize(("seed", "thickness_mm"), [(1, 1.6), (2, 2.4), (3, 3.2)])
def test_both_edges_of_the_tip_land_answer(seed: int, thickness_mm: float) -> None:
    """The lower one where rays from above come to lie lower by the thickness; the flank of neither does."""
    rotor = Painted(thickness_mm=thickness_mm)
    photos, state = painted(rotor, seed), state_of(rotor, (ABOVE, *SIDES))
    tips = measure_tips(photos[0], state, 0, 0, BLUR_PX, 0)
    state.rotor.radius_mm = 75.3
    (upper, clear), (lower, second), (_, none) = oblique.find_radius(
        photos, state, [(0, tips)], [1, 2], [0, 0, 0], BLUR_PX, 1.5, 30, 0.3
    )
    # a mm farther out a ray from straight above is lower by its steepness, and what is nearer to a camera at the side
    # that looks down seems lower by the tangent of that too
    drop = (300.0 - 37.0) / 75.0 + (190.0 - 37.0) / 215.0
    assert upper == pytest.approx(75.0, abs=0.1)
    assert lower - upper == pytest.approx(thickness_mm / np.cos(np.radians(13.0)) / drop, abs=0.1)
    assert none < 2.0 < REGISTER.clear_radius_sigmas < second < clear


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize(("thickness_mm", "taken_mm"), [(2.4, 2.4), (2.4, 1.4), (2.4, 3.8), (4.0, 2.4), (1.2, 2.4)])
def test_the_thickness_of_painted_blades(seed: int, thickness_mm: float, taken_mm: float) -> None:
    """Upper edges as seen from above, the mid-line half of what is taken for the thickness below them."""
    rotor = Painted(thickness_mm=thickness_mm)
    photos, state = painted(rotor, seed), state_of(rotor, (ABOVE, *SIDES))
    state.rotor.thickness_mm = taken_mm
    state.rotor.heights += (thickness_mm - taken_mm) / 2 / np.cos(np.radians(13.0))
    answers = oblique.find_thickness(photos, state, [1, 2], [0, 0, 0], BLUR_PX)
    assert answers[0][0] == pytest.approx(thickness_mm, abs=0.2)
    assert answers[0][1] == pytest.approx((taken_mm - thickness_mm) / 2, abs=0.25)


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("off_mm", [-0.5, 0.0, 0.5])
def test_a_thin_land_over_the_edge_of_a_shadow_is_among_the_answers(seed: int, off_mm: float) -> None:
    """Wherever the edge of the upper face is looked for first; the shadow's edge is the stronger one."""
    rotor = Painted(thickness_mm=1.0, shadow_mm=0.9)
    photos, state = painted(rotor, seed), state_of(rotor, (ABOVE, *SIDES))
    state.rotor.heights += off_mm
    answers = oblique.find_thickness(photos, state, [1, 2], [0, 0, 0], BLUR_PX)
    off = [max(abs(thickness - 1.0), abs(shift + off_mm)) for thickness, shift in answers]
    assert min(off) < 0.25
    # else nothing would be put to the test
    assert max(off) > 0.5


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("thickness_mm", [1.6, 3.0])
def test_a_lower_edge_that_was_taken_for_the_upper_one_is_among_the_answers(seed: int, thickness_mm: float) -> None:
    """As it is the stronger one of bright metal over shade; then the upper one is a thickness higher."""
    rotor = Painted(thickness_mm=thickness_mm)
    photos, state = painted(rotor, seed), state_of(rotor, (ABOVE, *SIDES))
    too_low_mm = thickness_mm / np.cos(np.radians(13.0))
    state.rotor.heights -= too_low_mm
    answers = oblique.find_thickness(photos, state, [1, 2], [0, 0, 0], BLUR_PX)
    off = [max(abs(thickness - thickness_mm), abs(shift - too_low_mm)) for thickness, shift in answers]
    assert min(off) < 0.25 and len(answers) == len(set(answers))
