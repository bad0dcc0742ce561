"""Synthetic photographs against closed forms and against OpenCV's projection, which the renderer does not use."""

from __future__ import annotations

import io
import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

pytest.importorskip("numba")
import cv2

from bladeangle.base.errors import DefinitionError, UsageError
from tests import synthetic as syn
from tests.synthetic import __main__ as command
from tests.synthetic import ground, raster
from tests.synthetic.answers import station_angles, wrap_deg
from tests.synthetic.mesh import rotor_mesh
from tests.synthetic.photograph import marker_bits
from tests.synthetic.scene import tip_curve
from tests.synthetic.sensor import expose

Array = NDArray[np.float64]
CAMERA = syn.CameraModel(
    f_px=900.0, cx_px=395.3, cy_px=302.6, dist=(0.12, -0.2, 0.004, -0.003, 0.05), width=800, height=600
)
#: No texture, shadow, noise, blur or vignetting: only geometry is left.
FLAT = syn.Exposure(colour=False, blur_px=0.0, full_well=0.0, vignetting=0.0)


def opencv_px(points_mm: Array, scene: syn.Scene) -> Array:
    """Pixels (N, 2) of ring-frame points by cv2.projectPoints."""
    c = scene.camera
    matrix = np.array([[c.f_px, 0, c.cx_px], [0, c.f_px, c.cy_px], [0, 0, 1.0]])
    rotation = cv2.Rodrigues(np.array(scene.view.R))[0]
    px = cv2.projectPoints(points_mm, rotation, np.array(scene.view.t_mm), matrix, np.array(c.dist))[0]
    return np.asarray(px[:, 0], np.float64)


def polygon_moments(xy: Array) -> Array:
    """Area and first moments (3,) of a closed polygon (N, 2)."""
    x, y = xy.T
    u, v = np.roll(xy, -1, axis=0).T
    cross = x * v - u * y
    out = np.array([cross.sum() / 2, ((x + u) * cross).sum() / 6, ((y + v) * cross).sum() / 6])
    return out * np.sign(out[0])


def outline(corners: Array, n: int = 40) -> Array:
    """Points along a polygon's sides, so that its distorted image is followed."""
    return np.concatenate(
        [np.linspace(a, b, n, endpoint=False) for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True)]
    )


def view_from(x: float, y: float, z: float, roll_deg: float = 0.0) -> syn.CameraPose:
    return syn.CameraPose.looking(np.array([x, y, z]), np.array([3.0, -5.0, 0.0]), roll_deg)


def test_projection_agrees_with_opencv() -> None:
    rng = np.random.default_rng(1)
    points = np.column_stack([rng.uniform(-120, 120, 500), rng.uniform(-120, 120, 500), rng.uniform(0, 70, 500)])
    scene = syn.Scene(CAMERA, view_from(-150, 90, 330, 25.0), ())
    px, depth = CAMERA.project(scene.view.to_camera(points))
    assert np.abs(px - opencv_px(points, scene)).max() < 1e-7
    assert depth.min() > 200


def test_points_behind_the_camera_have_no_image() -> None:
    px, _ = CAMERA.project(np.array([[1.0, 2.0, -3.0], [1.0, 2.0, 3.0]]))
    assert np.isnan(px[0]).all() and np.isfinite(px[1]).all()


def test_undistortion_inverts_the_projection_with_its_jacobian() -> None:
    dist, jac = np.array(CAMERA.dist), np.empty((2, 2))
    for x, y in np.random.default_rng(2).uniform(-0.42, 0.42, (50, 2)):

        def image(a: float, b: float) -> Array:
            px, _ = CAMERA.project(np.array([[a, b, 1.0]]))
            return (px[0] - (CAMERA.cx_px, CAMERA.cy_px)) / CAMERA.f_px

        back = raster.undistort(*image(x, y), 0.0, 0.0, dist, jac)
        assert np.allclose(back, (x, y), atol=1e-10)
        h = 1e-6
        forward = np.column_stack(
            [(image(x + h, y) - image(x - h, y)) / (2 * h), (image(x, y + h) - image(x, y - h)) / (2 * h)]
        )
        assert np.allclose(jac @ forward, np.eye(2), atol=1e-7)


@pytest.mark.parametrize("eye", [(5.0, -4.0, 370.0), (-190.0, 120.0, 300.0)])
def test_printed_markers_lie_where_opencv_projects_them(eye: tuple[float, float, float]) -> None:
    ring = syn.ring_definition(95.0, 16.0, 12)
    scene = syn.Scene(CAMERA, view_from(*eye, 17.0), (syn.RingPrint(ring, arrow=False),), exposure=FLAT)
    light = syn.radiance(scene)[:, :, 0].astype(float)
    paper = np.median(light[light > 0.9 * light.max()])
    black, errors = ground.INK / ground.PAPER, []
    for marker in ring["markers"]:
        corners = np.array(marker["corners_mm"])
        bits = marker_bits(ring["dictionary"], marker["id"])
        expected = np.zeros(3)
        n = len(bits)
        right, down = (corners[1] - corners[0]) / n, (corners[3] - corners[0]) / n
        for r, c in np.argwhere(bits == 0):
            square = corners[0] + np.array([(c, r), (c + 1, r), (c + 1, r + 1), (c, r + 1)]) @ np.array([right, down])
            points = outline(np.column_stack([square, np.zeros(4)]), 4)
            expected += polygon_moments(opencv_px(points, scene))
        px = opencv_px(np.column_stack([corners, np.zeros(4)]), scene)
        x0, y0 = np.floor(px.min(axis=0) - 3).astype(int)
        x1, y1 = np.ceil(px.max(axis=0) + 4).astype(int)
        y, x = np.mgrid[y0:y1, x0:x1]
        mass = (1.0 - light[y0:y1, x0:x1] / paper) / (1.0 - black)
        mass[np.abs(mass) < 0.02] = 0.0  # the paper's grain
        found = np.array([mass.sum(), (mass * x).sum(), (mass * y).sum()])
        assert found[0] == pytest.approx(expected[0], rel=0.01)
        errors.append(found[1:] / found[0] - expected[1:] / expected[0])
    assert np.abs(errors).max() < 0.04 and np.sqrt(np.mean(np.square(errors))) < 0.015
    assert np.abs(np.mean(errors, axis=0)).max() < 0.01


def test_arrow_points_outward_at_the_index_azimuth() -> None:
    ring = {**syn.ring_definition(95.0, 16.0, 12), "index_azimuth_deg": 40.0}
    base, other, tip = syn.RingPrint(ring).arrow_mm()
    assert math.degrees(math.atan2(tip[1], tip[0])) == pytest.approx(40.0)
    assert np.hypot(*tip) > np.hypot(*base) == pytest.approx(np.hypot(*other))
    scene = syn.Scene(CAMERA, view_from(0, 0, 330), (syn.RingPrint(ring),), exposure=FLAT)
    centre = np.array([[*(base + other + tip) / 3, 0.0]])
    u, v = opencv_px(centre, scene)[0].round().astype(int)
    assert syn.radiance(scene)[v, u, 0] < 0.1


def test_a_disc_and_a_straight_edge_are_placed_to_a_fiftieth_of_a_pixel() -> None:
    blank = syn.RingPrint({**syn.ring_definition(), "markers": []}, arrow=False, half_side_mm=500.0)
    angles = np.arange(720) * math.pi / 360
    disc = np.column_stack([40 * np.cos(angles) + 7.3, 40 * np.sin(angles) - 4.1])
    square = np.array([[-61.3, -30.2], [50.0, -30.2], [50.0, 44.4], [-61.3, 44.4]])
    for shape in (disc, square):
        for roll in (0.0, 33.0):
            thing = syn.Thing(tuple(map(tuple, shape.tolist())), height_mm=0.0, colour=(0.1, 0.1, 0.1))
            scene = syn.Scene(CAMERA, view_from(-60, 40, 310, roll), (blank,), exposure=FLAT, objects=(thing,))
            light = syn.radiance(scene)[:, :, 0].astype(float)
            u, v = opencv_px(np.array([[0.0, 0.0, 0.0]]), scene)[0].astype(int)
            inside, paper = np.median(light[v - 20 : v + 20, u - 20 : u + 20]), np.median(light)
            mass = (paper - light) / (paper - inside)
            mass[np.abs(mass) < 0.02] = 0.0
            expected = polygon_moments(opencv_px(outline(np.column_stack([shape, np.zeros(len(shape))]), 60), scene))
            y, x = np.mgrid[: light.shape[0], : light.shape[1]]
            found = np.array([mass.sum(), (mass * x).sum(), (mass * y).sum()])
            perimeter = 2 * math.sqrt(math.pi * expected[0])
            # A boundary shifted outward by d everywhere adds perimeter * d to the area.
            assert abs(found[0] - expected[0]) / perimeter < 0.02
            assert np.abs(found[1:] / found[0] - expected[1:] / expected[0]).max() < 0.02


def upper_edge_mm(shape: syn.RotorShape, blade: int, along_mm: Array) -> Array:
    """Upper tip edge in the rotor frame from the definition: mid-line plus half the thickness along the normal."""
    curve = tip_curve(shape, blade)
    beta, around, drop, radius = curve.at(along_mm)
    half = 0.5 * shape.thickness_mm
    phi = 2 * math.pi * blade / shape.blades - shape.hand * (around + half * np.sin(beta) / radius)
    z = shape.lead_height_mm - drop + half * np.cos(beta)
    return np.column_stack([radius * np.cos(phi), radius * np.sin(phi), z])


@pytest.mark.parametrize("hand", [1, -1])
def test_tip_edges_are_rendered_where_the_blade_ends(hand: int) -> None:
    shape = syn.RotorShape(blades=3, hand=hand, tip_length_mm=180.0, texture=0.0, reflectance=0.5)
    standing = syn.Standing((2.0, -3.0), (0.2, -0.3), 11.0)
    blank = syn.RingPrint({**syn.ring_definition(), "markers": []}, arrow=False, half_side_mm=500.0)
    scene = syn.Scene(
        syn.CameraModel().scaled(1344, 1008),
        view_from(12, -9, 320, 70.0),
        (blank,),
        shape,
        standing,
        syn.Lighting(ambient=1.0, key=0.0),
        FLAT,
    )
    light = syn.radiance(scene)[:, :, 0]
    pose = standing.pose(shape)
    offsets = []
    for blade in range(3):
        # From above, the tip shows against the paper from the entry on, before the blade beneath comes near.
        along = np.linspace(8.0, 70.0, 60)
        points = upper_edge_mm(shape, blade, along) @ pose[:3, :3].T + pose[:3, 3]
        px = opencv_px(points, scene)
        tangent = np.gradient(px, axis=0)
        normal = np.column_stack([-tangent[:, 1], tangent[:, 0]]) / np.linalg.norm(tangent, axis=1)[:, None]
        centre = opencv_px(np.array([[2.0, -3.0, 40.0]]), scene)
        normal *= np.sign(((px - centre) * normal).sum(axis=1))[:, None]
        t = np.linspace(-4, 4, 161)
        at = (px[:, None] + normal[:, None] * t[:, None]).astype(np.float32)
        profile = cv2.remap(light, at[..., 0], at[..., 1], cv2.INTER_LINEAR).astype(float)
        metal, paper = profile[:, :50].mean(axis=1), profile[:, -50:].mean(axis=1)
        clear = np.abs(paper - metal) > 0.15
        share = ((profile - metal[:, None]) / (paper - metal)[:, None])[clear]
        offsets.append(0.5 * 8.0 - share.mean(axis=1) * 8.0)
    offset = np.concatenate(offsets)
    assert len(offset) > 100
    assert abs(np.median(offset)) < 0.03
    assert np.std(offset) < 0.06


def test_tip_edges_lie_on_the_cylinder_and_normals_point_outward() -> None:
    for hand in (1, -1):
        shape = syn.RotorShape(hand=hand)
        mesh = rotor_mesh(shape, 2.0)
        radius = np.linalg.norm(mesh.vertices[:, :2], axis=1)
        assert radius.max() == pytest.approx(shape.tip_radius_mm, abs=1e-9)
        a, b, c = (mesh.vertices[mesh.triangles[:, k]] for k in range(3))
        cross = np.cross(b - a, c - a)
        good = np.linalg.norm(cross, axis=1) > 1e-6
        cosine = (cross * mesh.normals[mesh.triangles[:, 0]]).sum(axis=1)[good] / np.linalg.norm(cross, axis=1)[good]
        assert np.abs(cosine).min() > 0.5
        # The upper faces look up: the middle of the mesh seen from above is lit.
        upper = (mesh.normals[:, 2] > 0.9) & (radius > 0.9 * shape.tip_radius_mm)
        lower = (mesh.normals[:, 2] < -0.9) & (radius > 0.9 * shape.tip_radius_mm)
        assert upper.sum() > 100 and lower.sum() > 100
        assert mesh.vertices[upper, 2].mean() > mesh.vertices[lower, 2].mean() + 0.5 * shape.thickness_mm


@pytest.mark.parametrize(("pitch_mm", "radius_mm"), [(60.0, 70.0), (150.0, 79.0), (200.0, 62.0)])
def test_constant_pitch_is_a_helix(pitch_mm: float, radius_mm: float) -> None:
    angle = math.degrees(math.atan(pitch_mm / (2 * math.pi * radius_mm)))
    shape = syn.RotorShape(
        tip_radius_mm=radius_mm,
        tip_length_mm=150.0,
        hub_radius_mm=30.0,
        nose_radius_mm=20.0,
        laws=(syn.Progressive(angle, angle),),
        thickness_mm=1.0,
        edge_round_mm=1.5,
    )
    found = station_angles(shape, 0)
    for face in ("mid", "inlet_face", "outlet_face"):
        for station in ("entry", "middle", "exit"):
            assert found[face][station] == pytest.approx(angle, abs=2e-5)
    assert wrap_deg(shape, 0) == pytest.approx(math.degrees(150.0 * math.cos(math.radians(angle)) / radius_mm))
    drop = tip_curve(shape, 0).drop_mm[-1]
    assert drop == pytest.approx(pitch_mm * wrap_deg(shape, 0) / 360.0)


def test_truth_agrees_with_an_independent_renderer() -> None:
    # Truth of a 4-bladed rotor published with photographs path-traced by another program: parameters and angles.
    shape = syn.RotorShape(
        blades=4,
        hand=1,
        tip_radius_mm=77.2,
        hub_radius_mm=37.5,
        nose_radius_mm=25.0,
        tip_length_mm=205.0,
        thickness_mm=2.4,
        edge_round_mm=4.0,
        laws=tuple(syn.Progressive(9.2, e, 1.3) for e in (14.5, 14.5, 15.3, 14.5)),
    )
    for blade, mid, wrap in ((0, (9.4317, 11.3899, 13.904), 149.032), (2, (9.4667, 11.7203, 14.614), 148.827)):
        found = station_angles(shape, blade)
        assert list(found["mid"].values()) == pytest.approx(mid, abs=1e-3)
        assert wrap_deg(shape, blade) == pytest.approx(wrap, abs=6e-4)
    # The edge rounding is not published; 4 mm reproduces the faces' angles.
    assert list(found["inlet_face"].values()) == pytest.approx((9.434, 11.7204, 14.6465), abs=4e-3)
    assert list(found["outlet_face"].values()) == pytest.approx((9.4993, 11.7202, 14.5813), abs=4e-3)


def test_callable_laws_and_short_tips() -> None:
    shape = syn.RotorShape(laws=(lambda f: 12.0 + 0.0 * f,))
    assert station_angles(shape, 0)["mid"]["middle"] == pytest.approx(12.0, abs=1e-5)
    with pytest.raises(DefinitionError, match="middle"):
        station_angles(replace(shape, tip_length_mm=60.0), 0)
    with pytest.raises(DefinitionError):
        syn.RotorShape(blades=3, laws=(syn.Progressive(9, 9),) * 2)


@pytest.mark.parametrize("hand", [1, -1])
def test_blade_one_points_at_the_arrow_in_both_standings(hand: int) -> None:
    shape = syn.RotorShape(hand=hand, blades=4, tip_length_mm=130.0)
    wrap = wrap_deg(shape, 0)
    for flipped, along in ((False, 0.0), (True, shape.tip_length_mm)):
        standing = syn.Standing(spin_deg=-hand * wrap if flipped else 0.0, flipped=flipped)
        pose = standing.pose(shape)
        assert np.linalg.det(pose[:3, :3]) == pytest.approx(1.0)
        arc = np.interp(along, tip_curve(shape, 0).along_mm, tip_curve(shape, 0).round_mm)
        phi = -hand * arc / shape.tip_radius_mm
        tip = pose[:3, :3] @ np.array([math.cos(phi), math.sin(phi), 0.0])
        assert math.degrees(math.atan2(tip[1], tip[0])) == pytest.approx(0.0, abs=1e-6)
    # A right-hand thread rises counter-clockwise.
    low, high = upper_edge_mm(shape, 0, np.array([60.0, 50.0]))
    turn = low[0] * high[1] - low[1] * high[0]
    assert high[2] > low[2] and math.copysign(1, turn) == hand


def test_a_rotor_on_its_side_touches_the_table() -> None:
    shape = syn.RotorShape()
    pose = syn.Standing(on_side=True, spin_deg=30.0).pose(shape)
    points = rotor_mesh(shape, 3.0).moved(pose).vertices
    assert -0.5 < points[:, 2].min() < 15.0 and points[:, 2].max() == pytest.approx(2 * shape.tip_radius_mm, abs=15.0)


def test_printing_errors_move_the_markers_as_named() -> None:
    ring = syn.ring_definition(95.0, 16.0, 12)
    true = syn.RingPrint(ring).corners_mm()[2]
    assert np.allclose(syn.RingPrint(ring, scale=(1.02, 0.99)).corners_mm()[2], true * (1.02, 0.99))
    assert np.allclose(syn.RingPrint(ring, mirrored=True).corners_mm()[2], true * (1, -1))
    numbered = {**ring, "markers": [{**m, "piece": 1 + int(m["id"] >= 6)} for m in ring["markers"]]}
    loose = syn.RingPrint(numbered, pieces=((0, 0, 0), (0.5, -0.2, 0.0))).corners_mm()
    assert np.allclose(loose[2], true)
    assert np.allclose(loose[7] - syn.RingPrint(ring).corners_mm()[7], (0.5, -0.2))


def test_a_bent_sheet_shifts_markers_as_its_height_says() -> None:
    ring = syn.ring_definition(95.0, 16.0, 12)
    bent = syn.RingPrint(ring, bend_mm=4.0)
    scene = syn.Scene(CAMERA, view_from(-150, 60, 300), (bent,), exposure=FLAT)
    light = syn.radiance(scene)[:, :, 0]
    corners = np.array(ring["markers"][0]["corners_mm"])
    # The border's middle, half a cell inside the marker, is black; half a cell outside is paper.
    for share, low, high in ((0.0, 0.0, 0.15), (1.0, 0.4, 1.0)):
        point = 0.5 * (corners[0] + corners[1]) + (share - 0.5) * (corners[0] - corners[3]) / 7
        u, v = opencv_px(np.array([[*point, float(bent.height_mm(point[None])[0])]]), scene)[0].round().astype(int)
        assert low < light[v, u, 0] if light.ndim == 3 else low < light[v, u] < high


def test_noise_blur_and_encoding_are_as_stated() -> None:
    exposure = syn.Exposure(blur_px=0.0, full_well=5000.0, colour=False, seed=3)
    grey = expose(np.full((400, 400, 1), 0.4, np.float32), exposure).astype(float) / 255
    linear = np.where(grey <= 0.04045, grey / 12.92, ((grey + 0.055) / 1.055) ** 2.4)
    assert linear.mean() == pytest.approx(0.4, abs=2e-4)
    assert linear.std() == pytest.approx(math.sqrt(0.4 / 5000), rel=0.03)
    step = np.zeros((40, 400, 1), np.float32)
    level = ((188 / 255 + 0.055) / 1.055) ** 2.4  # a whole code value, so that rounding does not shift the edge
    step[:, 200:] = level
    blurred = expose(step, replace(exposure, full_well=0.0, blur_px=3.0))[20].astype(float) / 255
    light = np.where(blurred <= 0.04045, blurred / 12.92, ((blurred + 0.055) / 1.055) ** 2.4)
    slope = np.gradient(light) / level
    x = np.arange(400)
    middle = (slope * x).sum() / slope.sum()
    assert middle == pytest.approx(199.5, abs=0.03)
    assert math.sqrt((slope * (x - middle) ** 2).sum() / slope.sum()) == pytest.approx(3.0, abs=0.15)
    smeared = expose(step, replace(exposure, full_well=0.0, motion_px=(20.0, 0.0)))[20].astype(float) / 255
    assert ((smeared > 0.02) & (smeared < 0.72)).sum() == pytest.approx(20, abs=3)
    assert (expose(step, replace(exposure, gain=4.0))[:, 201:] == 255).all()


def test_random_rotors_are_possible_rotors() -> None:
    rng = np.random.default_rng(5)
    hands, blades, overlaps = set(), set(), []
    for _ in range(60):
        shape = syn.random_rotor(rng)
        hands.add(shape.hand)
        blades.add(shape.blades)
        overlaps.append(shape.blades * wrap_deg(shape, 0))
        for b in range(shape.blades):
            curve = tip_curve(shape, b)
            assert shape.lead_height_mm - curve.drop_mm[-1] > 2.0
            assert shape.lead_height_mm + shape.thickness_mm < shape.height_mm + 1.0
            entry = station_angles(shape, b)["mid"]["entry"]
            assert 5.0 < entry < 23.0
    assert hands == {1, -1} and blades == {2, 3, 4, 5, 6}
    assert min(overlaps) < 340 and max(overlaps) > 420


def test_a_seed_means_the_same_picture_and_another_view_choice_the_same_rotor() -> None:
    camera = syn.CameraModel().scaled(320, 240)
    a, b = (
        syn.rotor_photos(np.random.default_rng(8), syn.RotorShape(), camera, views=views)
        for views in (("outlet",), ("inlet", "outlet"))
    )
    assert a[0] == b[1]
    assert np.array_equal(syn.render(a[0]), syn.render(b[1]))
    for scene, along in ((b[0], 0), (b[1], -1)):
        # Leading tip of blade 1 at the arrow inlet end up, trailing tip when turned over; within 4 deg of spin.
        assert scene.rotor is not None
        phi = -scene.rotor.hand * tip_curve(scene.rotor, 0).round_mm[along] / scene.rotor.tip_radius_mm
        tip = scene.standing.pose(scene.rotor)[:3, :3] @ np.array([math.cos(phi), math.sin(phi), 0.0])
        assert abs(math.degrees(math.atan2(tip[1], tip[0]))) < 4.1
    with pytest.raises(UsageError):
        syn.rotor_photos(np.random.default_rng(8), syn.RotorShape(), camera, views=("above",))


def test_rotor_hides_no_marker_from_above_and_ring_is_in_the_picture() -> None:
    rng = np.random.default_rng(11)
    for _ in range(20):
        shape = syn.random_rotor(rng)
        scene = syn.rotor_photos(rng, shape, syn.CameraModel(), views=("inlet",))[0]
        corners = np.concatenate(list(scene.sheets[0].corners_mm().values()))
        px = opencv_px(np.column_stack([corners, np.zeros(len(corners))]), scene)
        assert px.min() > 0 and px[:, 0].max() < 4031 and px[:, 1].max() < 3023


@pytest.mark.parametrize("name", sorted(syn.SCENE_FAULTS))
def test_every_scene_fault_changes_the_picture(name: str, small_scene: tuple[syn.Scene, NDArray[np.uint8]]) -> None:
    scene, good = small_scene
    bad = syn.SCENE_FAULTS[name](scene, np.random.default_rng(4))
    image = syn.render(bad)
    assert image.shape == good.shape
    assert (np.abs(image.astype(int) - good) > 3).sum() >= 3


@pytest.mark.parametrize("name", sorted(syn.IMAGE_FAULTS))
def test_every_image_fault_changes_the_picture(name: str, small_scene: tuple[syn.Scene, NDArray[np.uint8]]) -> None:
    _, good = small_scene
    bad = syn.IMAGE_FAULTS[name](good, np.random.default_rng(4))
    assert bad.dtype == np.uint8 and bad.flags.c_contiguous
    assert bad.shape != good.shape or (bad != good).mean() > 0.1


@pytest.fixture(scope="module")
def small_scene() -> tuple[syn.Scene, NDArray[np.uint8]]:
    camera = syn.CameraModel().scaled(400, 300)
    scene = syn.rotor_photos(
        np.random.default_rng(9),
        syn.RotorShape(),
        camera,
        views=("inlet",),
        exposure=syn.Exposure(colour=False, full_well=0.0),
    )[0]
    return scene, syn.render(scene)


def test_command_writes_photographs_ring_and_truth(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from PIL import Image

    folder = tmp_path / "set 1"
    assert (
        command.main(
            [
                str(folder),
                "--seed",
                "4",
                "--size",
                "640x480",
                "--views",
                "inlet",
                "outlet",
                "--blades",
                "3",
                "--hand",
                "left",
            ]
        )
        == 0
    )
    truth = json.loads((folder / "truth.json").read_text())
    assert [p["file"] for p in truth["photos"]] == ["inlet.jpg", "outlet.jpg"]
    assert truth["name"] == "set 1" and truth["rotor"]["hand"] == "left" and len(truth["blades"]) == 3
    assert set(truth["blades"][0]) == {"mid", "inlet_face", "outlet_face", "wrap_deg", "arc_mm", "radius_mm"}
    assert truth["camera"]["f"] == pytest.approx(2952.0 * 640 / 4032)
    assert json.loads((folder / "ring.json").read_text())["markers"][0]["id"] == 0
    with Image.open(folder / "inlet.jpg") as picture:
        assert picture.size == (640, 480) and picture.getexif().get_ifd(0x8769)[0xA405] == 26
    rotation = np.array(truth["photos"][0]["R"])
    assert np.allclose(rotation @ rotation.T, np.eye(3)) and np.linalg.det(rotation) == pytest.approx(1.0)
    assert command.main([str(folder), "--size", "640x480", "--views", "sheet", "inlet"]) == UsageError.exit_code
    assert command.main([str(tmp_path / "sheet"), "--size", "640x480", "--views", "sheet", "--grey"]) == 0
    assert len(list((tmp_path / "sheet").glob("sheet-*.jpg"))) == 8
    assert capsys.readouterr().out == ""


def test_aruco_detector_reads_the_rendered_markers() -> None:
    ring = syn.ring_definition(107.0, 18.0, 24)
    camera = syn.CameraModel().scaled(1008, 756)
    scene = syn.sheet_photos(np.random.default_rng(3), ring, camera, syn.Exposure(colour=False, blur_px=0.5), 2)[1]
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_50)
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary).detectMarkers(syn.render(scene))
    assert len(ids) >= 22
    where = scene.sheets[0].corners_mm()
    for found, number in zip(corners, ids.ravel(), strict=True):
        expected = opencv_px(np.column_stack([where[int(number)], np.zeros(4)]), scene)
        assert np.abs(found[0] - expected).max() < 1.5  # right marker, right way round


def test_jpeg_without_exif() -> None:
    from PIL import Image

    data = syn.jpeg_bytes(np.full((64, 64, 3), 99, np.uint8), focal_35mm=None)
    with Image.open(io.BytesIO(data)) as picture:
        assert not picture.getexif()
