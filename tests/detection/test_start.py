"""Where both standings show the same blades: the wrap found from outlines of blades whose angles are known."""

from __future__ import annotations

import numpy as np
import pytest

from bladeangle.detection.start import Tooth, first_rotor

RADIUS_MM, RISE_MM, THICKNESS_MM = 75.0, 66.0, 2.4


def teeth(
    wrap_deg: float, blades: int, rng: np.random.Generator, lift_mm: float = 0.0
) -> tuple[list[Tooth], list[Tooth]]:
    """Outlines of blades of 12 deg at the leading and 18 deg at the trailing edge, seen inlet up and outlet up."""
    wrap = np.radians(wrap_deg)
    shown = min(wrap, 2 * np.pi / blades) - 0.05
    tau = np.linspace(0, wrap, 600)
    fall = np.tan(np.radians(12 + 6 * tau / wrap))
    z = 58.0 - np.concatenate([[0.0], np.cumsum((fall[1:] + fall[:-1]) / 2 * np.diff(tau))]) * RADIUS_MM
    angle = np.linspace(0.0, shown, 40)
    inlet, outlet = [], []
    for b in range(blades):
        upper = np.interp(angle, tau, z) + THICKNESS_MM / 2 + lift_mm + rng.normal(0, 0.05, 40)
        lower = RISE_MM - np.interp(wrap - angle, tau, z) + THICKNESS_MM / 2 + lift_mm + rng.normal(0, 0.05, 40)
        start = 2 * np.pi * b / blades
        inlet.append(Tooth(start, angle, upper, False))
        outlet.append(Tooth(-start, angle, lower, False))
    return inlet, outlet


def found_wrap_deg(inlet: list[Tooth], outlet: list[Tooth], height_sigma_mm: float = 19.0) -> float:
    begun = first_rotor(
        {"inlet_up": inlet, "outlet_up": outlet}, -1, {"inlet_up": np.zeros(2), "outlet_up": np.zeros(2)},
        RADIUS_MM, THICKNESS_MM, 4.0, height_sigma_mm,
    )  # fmt: skip
    return float(np.degrees(begun.rotor.ends[0, 1]))


@pytest.mark.parametrize(("wrap_deg", "blades"), [(128.0, 3), (160.0, 3), (100.0, 4), (190.0, 2)])
def test_slopes_tell_the_wrap(wrap_deg: float, blades: int) -> None:
    inlet, outlet = teeth(wrap_deg, blades, np.random.default_rng(1))
    assert found_wrap_deg(inlet, outlet) == pytest.approx(wrap_deg, abs=6.0)


def test_a_blade_lost_in_a_shadow_and_an_unknown_radius_do_not_mislead() -> None:
    """One blade's heights in each standing are nonsense, and a radius that is too small lifts everything."""
    inlet, outlet = teeth(128.0, 3, np.random.default_rng(2), lift_mm=15.0)
    wave = 5.0 * np.sin(np.linspace(0, 9, 40))
    inlet[1] = Tooth(inlet[1].start, inlet[1].angle, inlet[1].height + wave, False)
    outlet[0] = Tooth(outlet[0].start, outlet[0].angle, outlet[0].height - wave, False)
    assert found_wrap_deg(inlet, outlet) == pytest.approx(128.0, abs=8.0)


def test_blades_whose_edges_fade_do_not_tell_the_wrap() -> None:
    """Metal as bright as the paper hides all but the first 15 deg of two of four blades in either standing."""
    inlet, outlet = teeth(100.0, 4, np.random.default_rng(4))
    for standing in (inlet, outlet):
        for b in (1, 2):
            seen = standing[b].angle < np.radians(15.0)
            standing[b] = Tooth(standing[b].start, standing[b].angle[seen], standing[b].height[seen], True)
    # the whole blades show 87 deg; half of the heights being nonsense, no more is told than that
    assert 70.0 < found_wrap_deg(inlet, outlet) < 140.0


def test_different_numbers_of_blades_are_refused() -> None:
    from bladeangle.base.errors import EdgesError

    rng = np.random.default_rng(3)
    with pytest.raises(EdgesError, match="3 and 4"):
        found_wrap_deg(teeth(120.0, 3, rng)[0], teeth(120.0, 4, rng)[1])
