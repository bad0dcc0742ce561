"""Where both standings show the same blades: the wrap found from outlines of blades whose angles are known."""

from __future__ import annotations

import numpy as np
import pytest
from seeds import generator

from bladeangle.detection.outline import Outline
from bladeangle.detection.start import Tooth, first_rotor, refined_teeth, teeth_of

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
    inlet, outlet = teeth(wrap_deg, blades, generator(1))
    assert found_wrap_deg(inlet, outlet) == pytest.approx(wrap_deg, abs=6.0)


def test_a_blade_lost_in_a_shadow_and_an_unknown_radius_do_not_mislead() -> None:
    """One blade's heights in each standing are nonsense, and a radius that is too small lifts everything."""
    inlet, outlet = teeth(128.0, 3, generator(2), lift_mm=15.0)
    wave = 5.0 * np.sin(np.linspace(0, 9, 40))
    inlet[1] = Tooth(inlet[1].start, inlet[1].angle, inlet[1].height + wave, False)
    outlet[0] = Tooth(outlet[0].start, outlet[0].angle, outlet[0].height - wave, False)
    assert found_wrap_deg(inlet, outlet) == pytest.approx(128.0, abs=8.0)


def test_blades_whose_edges_fade_do_not_tell_the_wrap() -> None:
    """Metal as bright as the paper hides all but the first 15 deg of two of four blades in either standing."""
    inlet, outlet = teeth(100.0, 4, generator(4))
    for standing in (inlet, outlet):
        for b in (1, 2):
            seen = standing[b].angle < np.radians(15.0)
            standing[b] = Tooth(standing[b].start, standing[b].angle[seen], standing[b].height[seen], True)
    # the whole blades show 87 deg; half of the heights being nonsense, no more is told than that
    assert 70.0 < found_wrap_deg(inlet, outlet) < 140.0


def test_different_numbers_of_blades_are_refused() -> None:
    from bladeangle.base.errors import EdgesError

    rng = generator(3)
    with pytest.raises(EdgesError, match="3 and 4"):
        found_wrap_deg(teeth(120.0, 3, rng)[0], teeth(120.0, 4, rng)[1])


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_first_rotor_stands_where_the_outlines_are(seed: int) -> None:
    """Both standings' upper edges, from the poses and the shape that came of them, in the ring's frame.

    Heights to a thickness: the sum of what both show of a place is that much more than the shift between the standings,
    and is taken for it.
    """
    rng = generator(seed)
    inlet, outlet = teeth(128.0, 3, rng)
    axis = {"inlet_up": np.array([1.5, -2.0]), "outlet_up": np.array([-3.0, 0.5])}
    turned = 0.7  # rad by which the rotor was turned over and put down
    outlet = [Tooth(t.start + turned, t.angle, t.height, t.whole) for t in outlet]
    begun = first_rotor({"inlet_up": inlet, "outlet_up": outlet}, -1, axis, RADIUS_MM, THICKNESS_MM, 4.0, 1.0, 2.234)
    rotor = begun.rotor
    assert (rotor.blades, rotor.turn, begun.setups) == (3, -1, ("inlet_up", "outlet_up"))
    assert (rotor.radius_mm, rotor.thickness_mm, rotor.rounding_mm.tolist()) == (RADIUS_MM, THICKNESS_MM, [4.0, 4.0])
    assert begun.t_ring_rotor[:, :2].tolist() == [[1.5, -2.0], [-3.0, 0.5]]
    assert begun.t_ring_rotor[:, 2] == pytest.approx([0.0, RISE_MM], abs=THICKNESS_MM + 0.5)
    for s, (teeth_seen, sign) in enumerate(((inlet, 1), (outlet, -1))):
        r = begun.r_ring_rotor[s]
        assert r @ r.T == pytest.approx(np.eye(3), abs=1e-12) and np.linalg.det(r) == pytest.approx(1.0)
        assert r[2, 2] == sign
        for b, tooth in enumerate(teeth_seen):
            tau = tooth.angle[3:-3] if s == 0 else 2.234 - tooth.angle[3:-3]
            middle = rotor.tip(np.full(len(tau), b), np.zeros(len(tau), int), tau)
            middle[:, 2] += sign * THICKNESS_MM / 2
            there = middle @ r.T + begun.t_ring_rotor[s]
            azimuth = np.arctan2(*(there[:, :2] - begun.t_ring_rotor[s, :2])[:, ::-1].T)
            off = np.angle(np.exp(1j * (azimuth - tooth.start + tooth.angle[3:-3])))  # they fall clockwise
            assert np.abs(off).max() < 0.02
            assert np.abs(there[:, 2] - tooth.height[3:-3]).max() < THICKNESS_MM + 0.6


def test_one_standing_alone_hides_the_far_end() -> None:
    """0.35 rad more than is seen, unless every blade is seen to its end; turned over, blades count from there."""
    inlet, outlet = teeth(128.0, 3, generator(1))
    shown = inlet[0].angle[-1]
    for standing, seen in (("inlet_up", inlet), ("outlet_up", outlet)):
        for whole, wrap in ((False, shown + 0.35), (True, shown)):
            one = [Tooth(t.start, t.angle, t.height, whole) for t in seen]
            begun = first_rotor({standing: one}, -1, {standing: np.zeros(2)}, RADIUS_MM, THICKNESS_MM, 4.0)
            assert begun.rotor.ends == pytest.approx(np.tile([0.0, wrap], (3, 1)))
            if standing == "outlet_up":
                trailing = begun.rotor.azimuth - wrap
                at = begun.r_ring_rotor[0] @ np.stack([np.cos(trailing), np.sin(trailing), np.zeros(3)])
                starts = np.array([t.start for t in one])
                assert np.angle(np.exp(1j * (np.arctan2(at[1], at[0]) - starts))) == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(("setup", "order"), [("inlet_up", [1, 2, 0]), ("outlet_up", [1, 0, 2])])
def test_blades_are_numbered_from_the_arrow_as_seen_from_the_inlet(setup: str, order: list[int]) -> None:
    """Teeth at 10, 120 and 250 deg, the arrow at 128: blade 1 is the one at 120, eight degrees away."""
    start = np.radians([10.0, 120.0, 250.0])
    run = np.linspace(0.0, 1.8, 52)
    outline = Outline(
        64.0,
        1,
        start,
        tuple(s + run for s in start),
        tuple(60.0 - 17.0 * run + k for k in range(3)),
        (np.full(52, 6.0),) * 3,
    )
    found, away_deg = teeth_of(outline, setup, 128.0)
    assert away_deg == pytest.approx(8.0)
    assert [t.start for t in found] == pytest.approx(start[order])
    assert [t.height[0] for t in found] == pytest.approx([60.0 + k for k in order], abs=1e-6)
    assert not any(t.whole for t in found)
    assert teeth_of(outline, setup, -350.0)[1] == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_tail_without_an_edge_is_cut_off(seed: int) -> None:
    rng = generator(seed)
    run = np.linspace(0.0, 1.8, 60)
    height = 60.0 - 17.0 * run + np.where(np.arange(60) < 40, 0.0, rng.uniform(-9, 9, 60))
    height[20] += 8.0  # one place off
    strength = np.where(np.arange(60) < 40, rng.uniform(5, 8, 60), rng.uniform(0, 1.5, 60))
    outline = Outline(64.0, 1, np.zeros(1), (run,), (height,), (strength,))
    (tooth,), _ = teeth_of(outline, "inlet_up", 0.0)
    assert tooth.whole and len(tooth.angle) == pytest.approx(40, abs=1)
    assert tooth.height == pytest.approx(60.0 - 17.0 * tooth.angle, abs=0.05)


@pytest.mark.parametrize("turn", [1, -1])
def test_measured_points_take_the_place_of_outlines(turn: int) -> None:
    """Points at azimuths on either side of -pi, a few far off; of a blade with too few the outline stays."""
    rng = generator(5)
    angle = rng.uniform(0.05, 1.7, 60)
    height = 58.0 - 20.0 * angle - 2.0 * angle**2
    height[:4] += 7.0
    old = [Tooth(2.5, np.linspace(0, 1.8, 40), np.full(40, 50.0), False), Tooth(0.0, np.zeros(2), np.zeros(2), True)]
    azimuth = np.angle(np.exp(1j * (2.5 + turn * angle)))
    few = np.zeros(5)
    blade = np.repeat([0, 1], [60, 5])
    new, kept = refined_teeth(old, turn, blade, np.append(azimuth, few), np.append(height, few))
    assert kept is old[1]
    assert (new.start, new.whole) == (2.5, False)
    assert (new.angle[0], new.angle[-1]) == pytest.approx((angle.min(), angle.max()))
    assert new.height == pytest.approx(58.0 - 20.0 * new.angle - 2.0 * new.angle**2, abs=0.05)
