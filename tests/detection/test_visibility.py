"""What is said to be seen of the far side of random rotors, against rays through their triangles."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from painted import CAMERA, Eye
from seeds import generator

from bladeangle.adjustment.model import State
from bladeangle.adjustment.rotor import Basis, Rotor
from bladeangle.detection import edges, visibility
from tests.synthetic.mesh import rotor_mesh
from tests.synthetic.random_scenes import random_rotor
from tests.synthetic.scene import RotorShape, tip_curve

Array = NDArray[np.float64]


def state_of(shape: RotorShape, eyes: list[Eye]) -> State:
    """The unknowns of a known rotor, inlet up; rims of the nose and of the hub below as its circles."""
    curves = [tip_curve(shape, b, 1.0) for b in range(shape.blades)]
    wraps = [float(c.phi_rad[-1]) for c in curves]
    basis = Basis.over(0.0, max(wraps), shape.tip_radius_mm)
    heights = [
        np.linalg.lstsq(basis.matrix(c.phi_rad), shape.lead_height_mm - c.drop_mm, rcond=None)[0] for c in curves
    ]
    n = shape.blades
    rotor = Rotor(
        shape.tip_radius_mm, shape.thickness_mm, np.full(2, shape.edge_round_mm), -shape.hand,
        2 * np.pi * np.arange(n) / n, basis, np.array(heights), np.array([[0.0, w] for w in wraps]), np.zeros(n),
    )  # fmt: skip
    r, t = (np.array(part) for part in zip(*(eye.pose for eye in eyes), strict=True))
    zero = np.zeros(len(eyes))
    return State(
        CAMERA, r, t, zero, np.zeros((len(eyes), 2)), np.zeros(5), np.zeros((0, 3)), ("inlet_up",),
        np.eye(3)[None], np.zeros((1, 3)), rotor, np.array([[shape.nose_radius_mm, shape.height_mm],
        [shape.hub_radius_mm, 0.0]]), (0, 1),
    )  # fmt: skip


def free(shape: RotorShape, starts: Array, eye: Array) -> NDArray[np.bool_]:
    """Whether no triangle of the rotor stands between points (n, 3) and the eye (Moeller and Trumbore, 1997)."""
    mesh = rotor_mesh(shape, 3.0)
    a, b, c = (mesh.vertices[mesh.triangles[:, k]] for k in range(3))
    one, two = b - a, c - a
    out = []
    for start in starts:
        ray = (eye - start) / np.linalg.norm(eye - start)
        across = np.cross(ray, two)
        det = (one * across).sum(1)
        det = np.where(np.abs(det) < 1e-12, np.inf, det)  # beside the ray
        to = start - a
        u = (to * across).sum(1) / det
        turned = np.cross(to, one)
        v = turned @ ray / det
        far = (two * turned).sum(1) / det
        out.append(not ((u >= 0) & (v >= 0) & (u + v <= 1) & (far > 1.0)).any())
    return np.array(out)


@pytest.mark.parametrize("seed", range(6))
def test_what_is_said_to_be_seen_is_and_most_of_what_is_seen_is_said(seed: int) -> None:
    """From 25 to 55 degrees over the sheet; edges of which the rotor's own triangles hide none but a few."""
    rng = generator(seed)
    shape = random_rotor(rng)
    said, free_and_said, all_free = 0, 0, 0
    for _ in range(3):
        azimuth, up = rng.uniform(0, 2 * math.pi), math.radians(rng.uniform(25, 55))
        place = 350 * np.array([math.cos(azimuth) * math.cos(up), math.sin(azimuth) * math.cos(up), math.sin(up)])
        eye = Eye((float(place[0]), float(place[1]), float(place[2])))
        state = state_of(shape, [eye])
        rotor = state.rotor
        blade = np.repeat(np.arange(rotor.blades), 40)
        tau = np.concatenate([np.linspace(0.06, rotor.ends[b, 1] - 0.06, 40) for b in range(rotor.blades)])
        found = visibility.far_side(state, blade, tau, place, 1)
        points = rotor.tip(blade, np.ones(len(tau), int), tau)
        radial = points[:, :2] / np.hypot(*points[:, :2].T)[:, None]
        away = (radial * (place - points)[:, :2]).sum(1) / np.linalg.norm(place - points, axis=1) < -0.3
        assert not (found & ~away).any()
        seen = free(shape, points[away] + [0.0, 0.0, 0.3], place)
        said += int(found[away].sum())
        free_and_said += int((found[away] & seen).sum())
        all_free += int(seen.sum())
    assert said > 15
    assert free_and_said >= 0.97 * said
    assert 0.25 * all_free < free_and_said


def test_without_a_hub_nothing_is_said_to_be_seen_over_the_rotor() -> None:
    eye = Eye((0.0, -270.0, 200.0))
    state = state_of(RotorShape(), [eye])
    blade, tau = np.repeat(np.arange(3), 50), np.tile(np.linspace(0.1, 2.0, 50), 3)
    assert visibility.far_side(state, blade, tau, np.array(eye.place_mm), 1).any()
    state.circles, state.circle_setup = state.circles[:0], ()
    assert not visibility.far_side(state, blade, tau, np.array(eye.place_mm), 1).any()


def test_edges_of_the_far_side_are_upper_ones_and_come_when_asked_for() -> None:
    eye = Eye((0.0, -270.0, 200.0))
    state = state_of(RotorShape(), [eye])
    near = list(edges.predicted(state, 0, 0, (2016, 1512)))
    both = list(edges.predicted(state, 0, 0, (2016, 1512), far_side=True))
    assert near and not any(s.far for s in near) and {s.face for s in near} == {1, -1}
    more = [s for s in both if s.far]
    assert len(both) == len(near) + len(more) and more
    for stretch in more:
        assert stretch.face == 1 and np.isinf(stretch.land_px).all()
        # the far side, behind the axis, lies higher in the picture; y runs down
        assert (stretch.px[:, 1] < eye.px(np.array([[0.0, 0.0, 30.0]]))[0, 1]).all()
