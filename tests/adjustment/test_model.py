"""Where cameras and rays are in the rotor's frame, with the rotor standing and moved in any way."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from seeds import generator
from simulated import observe
from simulated_run import start_state
from simulated_truth import Changes, Noise, random_truth

from bladeangle.adjustment.model import State, TipPoints


@pytest.fixture(scope="module", params=[2, 9])
def state(request: pytest.FixtureRequest) -> State:
    """The rotor turned by some degrees about any axis, so that no rotation is its own inverse."""
    rng = generator(request.param)
    noise = Noise(ring_every=8)
    truth = random_truth(rng, "five", Changes(blades=3), noise)
    begun = start_state(truth, observe(truth, rng, noise), rng)
    tilted = Rotation.from_rotvec(rng.normal(0, 0.15, (2, 3))).as_matrix()
    return replace(begun, r_ring_rotor=tilted @ begun.r_ring_rotor, moves={1: np.array([0.05, 2.0, -1.0])})


@pytest.mark.parametrize(("photo", "setup"), [(0, 0), (1, 1), (3, 0)])
def test_the_eye_is_where_all_its_rays_meet(state: State, photo: int, setup: int) -> None:
    eye = state.eye_in(photo, setup)
    r, t = state.placed(photo, setup)
    centre = -state.r_camera_ring[photo].T @ state.t_camera_ring[photo]
    assert r @ eye + t == pytest.approx(centre, abs=1e-9)
    some = np.array([[30.0, 5.0, 20.0], [-10.0, 40.0, 50.0]])
    rays = state.rays(state.pixels_of(some, photo, setup), photo, setup)
    there = (some - eye) / np.linalg.norm(some - eye, axis=1, keepdims=True)
    assert rays / np.linalg.norm(rays, axis=1, keepdims=True) == pytest.approx(there, abs=1e-6)


def test_rays_that_miss_the_cylinder_have_no_place_on_it(state: State) -> None:
    """From the side: the near tip of a blade is met where it is, a point far beside the rotor is not met."""
    rotor, photo, setup = state.rotor, 3, 0
    toward = np.arctan2(*state.eye_in(photo, setup)[1::-1])
    blade = int(np.abs(np.angle(np.exp(1j * (rotor.azimuth + rotor.turn * rotor.ends.mean(1) - toward)))).argmin())
    tau = rotor.turn * (toward - rotor.azimuth[blade])
    near = np.array([rotor.radius_mm * np.cos(toward), rotor.radius_mm * np.sin(toward), 30.0])
    side = np.array([-np.sin(toward), np.cos(toward), 0.0]) * 2.5 * rotor.radius_mm
    px = state.pixels_of(np.array([near, side]), photo, setup)
    many = np.full(2, blade)
    tips = TipPoints(many, np.ones(2, int), np.zeros(2, bool), px, np.zeros((2, 2)), np.ones(2), np.zeros(2))
    found = state.tau_of_tips(tips, photo, setup)
    assert np.angle(np.exp(1j * (found[0] - tau))) == pytest.approx(0.0, abs=1e-6)
    assert np.isnan(found[1])
