"""Where light ends: spikes of invented histograms, high enough or not, and of pictures that end below white."""

from __future__ import annotations

import numpy as np
import pytest
from seeds import generator

from bladeangle.imaging.saturation import EVERY, saturation_level
from bladeangle.tuning.imaging import SATURATION


def picture(counts: dict[int, int], rng: np.random.Generator) -> np.ndarray:
    """A picture with so many looked-at pixels of each level, in any order; what is not looked at is black."""
    levels = np.repeat(list(counts), list(counts.values()))
    side = int(np.ceil(np.sqrt(len(levels))))
    seen = np.zeros(side * side, np.uint8)
    seen[: len(levels)] = rng.permutation(levels)
    out = np.zeros((EVERY * side, EVERY * side), np.uint8)
    out[::EVERY, ::EVERY] = seen.reshape(side, side)
    return out


def even(each: int, **more: int) -> dict[int, int]:
    """As many pixels of every level from 1 to 253, and more of some."""
    counts = dict.fromkeys(range(1, 254), each)
    for level, count in more.items():
        counts[int(level[1:])] += count
    return counts


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_spike_below_white_is_the_end_of_light(seed: int) -> None:
    rng = generator(seed)
    assert saturation_level(picture(even(100, _235=2000), rng)) == 235
    # of two the higher one counts, wherever it stands
    assert saturation_level(picture(even(100, _220=3000, _240=1500), rng)) == 220
    assert saturation_level(picture(even(100, _220=1500, _240=3000), rng)) == 240


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_what_does_not_stand_out_is_light_like_other_light(seed: int) -> None:
    """Six times the levels four to eight below it: 600 of 100; and a thousandth of all pixels."""
    rng = generator(seed)
    assert (SATURATION.spike_ratio, SATURATION.spike_share, SATURATION.lowest_level) == (6.0, 0.001, 205)
    assert saturation_level(picture(even(100), rng)) == 255
    assert saturation_level(picture(even(100, _235=480), rng)) == 255
    assert saturation_level(picture(even(100, _235=520), rng)) == 235
    # a level below those that are looked at is no end of light
    assert saturation_level(picture(even(100, _204=5000), rng)) == 255
    assert saturation_level(picture(even(100, _205=5000), rng)) == 205
    # nothing but a few pixels is bright
    dark = dict.fromkeys(range(1, 101), 100)
    assert saturation_level(picture(dark | {240: 8}, rng)) == 255
    assert saturation_level(picture(dark | {240: 15}, rng)) == 240


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_light_cut_off_below_white(seed: int) -> None:
    """A gradient with noise that goes on beyond white, whose file ends at 243; and the same that ends at 255."""
    rng = generator(seed)
    light = np.linspace(100, 300, 800)[None, :] + rng.normal(0, 3, (400, 800))
    assert saturation_level(np.clip(np.rint(light), 0, 243).astype(np.uint8)) == 243
    assert saturation_level(np.clip(np.rint(light), 0, 255).astype(np.uint8)) == 255


def glossy(rng: np.random.Generator, level: int, share: float, noise: float, beyond: int = -2) -> np.ndarray:
    """Paper with noise, in places `beyond` levels brighter than a patch (share of the picture) with another noise."""
    side = 800
    light = np.linspace(level - 60, level + beyond, side)[None, :] + rng.normal(0, 3, (side, side))
    patch = int(share * side)
    light[:, side - patch :] = level + noise * rng.normal(0, 1, (side, patch))
    return np.clip(np.rint(light), 0, 254).astype(np.uint8)


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("level", [218, 230])
def test_glare_among_light_as_bright_is_told_by_being_smooth(seed: int, level: int) -> None:
    rng = generator(seed)
    assert saturation_level(glossy(rng, level, 0.0, 0.3)) == 255
    # its levels, rounded, are those within one of it
    assert saturation_level(glossy(rng, level, 0.03, 0.3)) == level - 1
    # with noise of its own it is light like other light
    assert saturation_level(glossy(rng, level, 0.03, 3.0)) == 255
    # and where much of the paper is as bright, light goes on there
    assert saturation_level(glossy(rng, level, 0.02, 0.3, beyond=8)) == 255
