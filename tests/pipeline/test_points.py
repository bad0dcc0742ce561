"""Measured points of a blade unrolled: on the local radius, so that worn tips do not lift them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from bladeangle.adjustment.priors import Priors
from bladeangle.imaging.camera import camera_from_exif
from bladeangle.imaging.ring import read_ring
from bladeangle.pipeline.assemble import _points
from bladeangle.pipeline.shots import _on_far_side
from bladeangle.plan import RotorSize, nominal_rotor, nominal_state
from bladeangle.records.station import StationOptions
from bladeangle.results.expected import expected_view, from_above, ideal_adjustment
from bladeangle.tuning.expected import TYPICAL
from bladeangle.tuning.priors import ANY_TIPS

RING = read_ring(Path(__file__).parents[2] / "calibration" / "ring-160-a3.json")


def test_points_lie_on_the_curve_though_the_tip_is_worn() -> None:
    """Worn by 0.14 mm at the leading ends: on a cylinder points seen from above would lie 0.4 mm and more beside it."""
    phone = camera_from_exif(2016, 1512, 26.0)
    rotor = nominal_rotor(RotorSize(158.0, 58.0, 3, 11.0, 15.0, "left", 120.0), RING, StationOptions())[0]
    rotor = rotor.with_tips(ANY_TIPS)
    state = nominal_state(rotor, RING, phone, 58.0, [(from_above(320.0), 0), (from_above(320.0), 1)])
    views = tuple(expected_view(RING, state, p, p, (2016, 1512), TYPICAL, circles=True) for p in range(2))
    priors = Priors(phone.parameters, phone.covariance, radius_mm=rotor.radius_mm)
    result = replace(ideal_adjustment(RING, views, state, priors, TYPICAL.correlated_sigmas), state=state)
    found = _points(cast(Any, SimpleNamespace(result=result)), 0)
    arc, height = np.array(found.arc_mm), np.array(found.height_mm)
    tau = np.interp(arc, *_arc(rotor)[::-1])
    off = height - rotor.basis.values(tau, rotor.heights, 0)
    assert len(arc) > 30 and arc.min() < 15.0
    assert np.abs(off).max() < 0.02
    wear = rotor.radius_mm - rotor.radius_at(np.interp([arc.min()], *_arc(rotor)[::-1]), 0)[0]
    assert 4 * wear > 0.2  # what a cylinder would have made of it


def _arc(rotor: Any) -> tuple[np.ndarray, np.ndarray]:
    from bladeangle.results.angles import arc_of

    return arc_of(rotor, 0, rotor.ends[0])


@pytest.mark.slow
def test_a_point_put_on_by_hand_is_of_the_side_on_which_it_lies(pair_and_two: tuple[Any, Any]) -> None:
    """Each point that was followed, as if given by hand: from above all are seen from inside, from the side some."""
    result = pair_and_two[0].result
    sides = set()
    for p, view in enumerate(result.views):
        tips = view.tips
        setup = result.state.setups.index(view.setup)
        found = _on_far_side(result.state, p, setup, tips.px, tips.blade)
        sides |= set(tips.far.tolist()) if p > 1 else set()
        assert len(tips.px) > 50 and (found == tips.far).mean() > 0.98
    assert sides == {True, False}
