"""A second edge beside a tip: painted lines of known distance, and none."""

from __future__ import annotations

import numpy as np
import pytest
from painted import ABOVE, SIDES, Painted, photograph, photographs, state_of
from seeds import generator

from bladeangle.detection.edges import measure_tips
from bladeangle.detection.second_edge import second_edges

BLUR_PX = 0.85
ROTOR = Painted()


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("line_px", [6.0, 9.0])
def test_a_line_along_the_tip_is_a_second_edge(seed: int, line_px: float) -> None:
    """It lies inside, and the normals of tips seen from above point outwards; the line is 2 px wide."""
    photo = photograph(ROTOR, ABOVE, generator(seed), line_px=line_px)
    tips = measure_tips(photo, state_of(ROTOR, (ABOVE,)), 0, 0, BLUR_PX, 0)
    found = second_edges(photo, tips, BLUR_PX)
    assert [s.blade for s in found] == [0, 1, 2]
    for s in found:
        assert s.share > 0.9
        assert np.median(s.off_px) == pytest.approx(-line_px, abs=2.0)
        assert s.away_px == pytest.approx(np.abs(s.off_px).mean())
        assert (tips.blade[s.points] == s.blade).all() and len(s.points) == (tips.blade == s.blade).sum()


@pytest.mark.parametrize("seed", [1, 2])
def test_an_edge_by_itself_has_none(seed: int) -> None:
    photo = photographs(ROTOR, seed)[0]
    tips = measure_tips(photo, state_of(ROTOR, (ABOVE,)), 0, 0, BLUR_PX, 0)
    assert all(s.share < 0.15 for s in second_edges(photo, tips, BLUR_PX))


def test_a_faint_line_is_none() -> None:
    """A fifth of the tip's own step, on the scale on which noise is even."""
    photo = photograph(ROTOR, ABOVE, generator(1), line_px=8.0, line_light=0.27, noise=0.004)
    tips = measure_tips(photo, state_of(ROTOR, (ABOVE,)), 0, 0, BLUR_PX, 0)
    assert all(s.share < 0.3 for s in second_edges(photo, tips, BLUR_PX))


def test_nearer_than_the_blur_two_edges_are_one() -> None:
    """A line 6 px inside is not told apart from the tip by a picture whose blur is 4 px."""
    photo = photograph(ROTOR, ABOVE, generator(1), line_px=6.0)
    tips = measure_tips(photo, state_of(ROTOR, (ABOVE,)), 0, 0, BLUR_PX, 0)
    assert all(s.share < 0.5 for s in second_edges(photo, tips, 4.0))


def test_tips_seen_from_the_side_and_short_runs_are_not_judged() -> None:
    photos, state = photographs(ROTOR, 1), state_of(ROTOR, (ABOVE, *SIDES))
    aside = measure_tips(photos[1], state, 1, 0, BLUR_PX, 0)
    assert len(aside.px) > 20 and second_edges(photos[1], aside, BLUR_PX) == []
    above = measure_tips(photos[0], state, 0, 0, BLUR_PX, 0)
    few = above.only(np.arange(len(above.px)) < 5)
    assert second_edges(photos[0], few, BLUR_PX) == []
