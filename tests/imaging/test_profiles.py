"""Steps with blur, noise and slopes, rendered from the exact formula: found without bias, with an honest sigma."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import ndtr
from seeds import generator

from bladeangle.imaging import profiles
from bladeangle.imaging.photo import WHITE_LEVEL

REACH = (8, 8)
T = np.arange(-REACH[0], REACH[1] + 1.0)


def steps(place, blur=1.0, low=0.1, high=0.6, before=0.0, after=0.0, noise=0.0, seed=0):
    """Profiles (n, k) with a step at `place` (n,)."""
    d = T[None] - np.asarray(place, float)[:, None]
    rise = ndtr(d / blur)
    clean = (1 - rise) * (low + before * d) + rise * (high + after * d)
    return clean + noise * generator(seed).normal(size=clean.shape)


@pytest.mark.parametrize("slopes", [True, False])
@pytest.mark.parametrize("blur", [0.7, 1.0, 2.0])
def test_a_clean_step_is_found_without_bias(blur, slopes):
    place = np.linspace(-3, 3, 241)
    found = profiles.fit_steps(steps(place, blur), REACH, blur, slopes=slopes)
    assert found.found.all()
    error = found.offset_px - place
    assert abs(error.mean()) < 0.002
    assert np.abs(error).max() < 0.01
    np.testing.assert_allclose(found.contrast, 0.5, atol=0.03)


def test_slopes_of_either_side_do_not_move_it():
    place = np.linspace(-2, 2, 161)
    profile = steps(place, before=0.012, after=-0.02)
    error = profiles.fit_steps(profile, REACH, 1.0, slopes=True).offset_px - place
    assert np.abs(error).max() < 0.01
    naive = profiles.fit_steps(profile, REACH, 1.0, slopes=False).offset_px - place
    assert np.abs(naive.mean()) > 3 * np.abs(error.mean())  # so the option is worth having


@pytest.mark.parametrize("slopes", [True, False])
@pytest.mark.parametrize(("blur", "noise"), [(0.8, 0.01), (1.0, 0.03), (2.0, 0.02)])
def test_sigma_is_honest(blur, noise, slopes):
    place = generator(3).uniform(-2, 2, 1500)
    found = profiles.fit_steps(steps(place, blur, noise=noise, seed=4), REACH, blur, slopes=slopes)
    assert found.found.mean() > 0.99
    z = (found.offset_px - place)[found.found] / found.sigma_px[found.found]
    error = (found.offset_px - place)[found.found]
    assert abs(error.mean()) < 4 * error.std() / np.sqrt(len(error)) + 0.002
    assert 0.85 < 1.4826 * np.median(np.abs(z)) < 1.2
    assert 0.92 < (np.abs(z) < 2.2).mean() < 0.99  # Student's t of the few samples that give sigma: 0.955


def test_polarity_chooses_the_step():
    """A dark bar has a falling and a rising side; each is found by its sign."""
    bar = 0.6 - 0.5 * (ndtr((T + 3.3) / 0.8) - ndtr((T - 2.6) / 0.8))[None]
    falling = profiles.fit_steps(bar, REACH, 0.8, polarity=-1)
    rising = profiles.fit_steps(bar, REACH, 0.8, polarity=1)
    assert falling.contrast[0] < 0 < rising.contrast[0]
    assert -4.5 < falling.offset_px[0] < -2.0
    assert 1.5 < rising.offset_px[0] < 4.0


def test_a_wrong_sign_is_not_found():
    rising = steps(np.array([0.3]))
    found = profiles.fit_steps(rising, REACH, 1.0, slopes=False, polarity=-1)
    assert not found.found[0] or found.contrast[0] < 0


def test_nothing_is_found_in_noise_or_beyond_the_reach():
    noise = 0.3 + 0.02 * generator(5).normal(size=(400, len(T)))
    found = profiles.fit_steps(noise, REACH, 1.0)
    strong = profiles.fit_steps(steps(np.zeros(400), noise=0.02, seed=6), REACH, 1.0)
    assert np.median(found.snr) < 4 < 10 < np.median(strong.snr)
    assert found.found.mean() < 0.2  # without the demand of significance it is more than a third
    assert profiles.fit_steps(noise, REACH, 1.0, least_snr=0.0).found.mean() > found.found.mean() + 0.1
    outside = profiles.fit_steps(steps(np.array([-30.0, 30.0]), noise=1e-4), REACH, 1.0, slopes=False)
    assert not (outside.found & (outside.snr > 50)).any()


def test_a_profile_with_nan_is_not_found():
    profile = steps(np.zeros(3))
    profile[1, 4] = np.nan
    found = profiles.fit_steps(profile, REACH, 1.0)
    assert found.found.tolist() == [True, False, True]
    assert found.offset_px[1] == 0
    assert np.isinf(found.sigma_px[1])


@pytest.mark.parametrize("blur", [0.7, 0.9, 1.3, 1.8, 2.4])
def test_blur_is_estimated(blur):
    place = generator(7).uniform(-1, 1, 300)
    found = profiles.estimate_blur(steps(place, blur, noise=0.005), REACH)
    assert found == pytest.approx(blur, rel=0.12)


def test_blur_of_nothing_is_a_default():
    assert profiles.estimate_blur(np.full((3, len(T)), np.nan), REACH) == 1.0


def test_samples_are_bilinear_and_nan_outside():
    rng = generator(8)
    image = rng.integers(0, WHITE_LEVEL + 1, (40, 50)).astype(np.uint16)
    grey = image / WHITE_LEVEL
    xy = rng.uniform([0, 0], [48.9, 38.9], (5000, 2))
    x, y = np.floor(xy).astype(int).T
    u, v = (xy - np.floor(xy)).T
    expected = (1 - v) * ((1 - u) * grey[y, x] + u * grey[y, x + 1]) + v * (
        (1 - u) * grey[y + 1, x] + u * grey[y + 1, x + 1]
    )
    # OpenCV's remap works with fractions of 1/32 px.
    assert np.abs(profiles.sample(image, xy.T) - expected).max() < 0.04
    outside = np.array([[-5.0, 3.0], [3.0, 60.0], [-0.01, 3.0], [49.01, 3.0], [3.0, 39.01], [np.nan, 3.0]])
    assert np.isnan(profiles.sample(image, outside.T)).all()
    corners = np.array([[0.0, 0.0], [49.0, 0.0], [0.0, 39.0], [49.0, 39.0]])
    assert profiles.sample(image, corners.T) == pytest.approx(grey[[0, 0, -1, -1], [0, -1, 0, -1]], abs=1e-6)


def test_profiles_are_read_across_the_edge():
    """A rendered slanted step is read along its normal and found at its true distance."""
    angle, offset = np.radians(28.0), 0.37
    normal = np.array([np.cos(angle), np.sin(angle)])
    y, x = np.mgrid[0:200, 0:200].astype(float)
    distance = (x - 100) * normal[0] + (y - 100) * normal[1]
    grey = np.rint(WHITE_LEVEL * (0.1 + 0.5 * ndtr((distance - offset) / 1.1))).astype(np.uint16)
    along = np.linspace(-60, 60, 41)[:, None] * np.array([-normal[1], normal[0]])
    read = profiles.read_profiles(grey, np.array([100.0, 100.0]) + along, np.tile(normal, (41, 1)), REACH, 2)
    found = profiles.fit_steps(read, REACH, 1.2)
    assert found.found.all()
    assert abs(found.offset_px.mean() - offset) < 0.01
    assert found.offset_px.std() < 0.02


@pytest.mark.parametrize("darker_first", [True, False])
@pytest.mark.parametrize("glare", [1.1, 1.4, 1.9])
def test_a_saturated_side_does_not_draw_the_edge_outwards(glare, darker_first):
    """Pixels that end at white, as a file has them: a plain step would be found well out on the darker side."""
    rng = generator(7)
    place = rng.uniform(-0.5, 0.5, 120)
    clean = steps(place, 0.95, low=0.6, high=glare) if darker_first else steps(place, 0.95, low=glare, high=0.6)
    samples = np.minimum(clean[:, None] + 0.02 * rng.normal(size=(len(place), 16, len(T))), 1.0)
    found = profiles.fit_saturated_steps(samples, REACH, 0.95, 3.0)
    assert found.found.mean() > 0.95
    out = 1.0 if not darker_first else -1.0
    ours = out * (found.offset_px - place)[found.found]
    plain = out * (profiles.fit_steps(samples.mean(1), REACH, 0.95, trust_px=3.0).offset_px - place)
    assert plain.mean() > 0.05 + 0.25 * (glare > 1.3)  # so the fit is worth having
    assert abs(ours.mean()) < 0.6 * plain.mean()
    z = (found.offset_px - place)[found.found] / found.sigma_px[found.found]
    assert 0.3 < np.sqrt((z**2).mean()) < 2.0
    assert (np.sign(found.contrast[found.found]) == -out).all()


def test_steps_take_rows_from_others():
    place = np.linspace(-1, 1, 9)
    plain, other = (profiles.fit_steps(steps(place + d), REACH, 1.0) for d in (0.0, 0.5))
    mixed = plain.with_rows(np.array([2, 5]), profiles.fit_steps(steps(place[[2, 5]] + 0.5), REACH, 1.0))
    np.testing.assert_allclose(mixed.offset_px[[2, 5]], other.offset_px[[2, 5]])
    np.testing.assert_allclose(np.delete(mixed.offset_px, [2, 5]), np.delete(plain.offset_px, [2, 5]))


@pytest.mark.parametrize("low", [0.0, 0.2])
@pytest.mark.parametrize("blur", [1.0, 1.5, 3.0])
def test_a_rise_is_as_wide_as_its_blur(blur, low):
    """Whatever the brightness of the darker side."""
    profiles_of = steps(generator(9).uniform(-0.2, 0.2, 60), blur, low=low, high=low + 0.5, noise=0.005)
    assert profiles.rise_width(profiles_of, REACH[0]) == pytest.approx(blur, rel=0.08)
