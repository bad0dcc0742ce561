"""Rendered surroundings and phones against closed forms: mirrored lamps, things, spills, mosaics, halos, shake."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

pytest.importorskip("numba")
import cv2

from bladeangle.base.errors import DefinitionError
from tests import synthetic as syn
from tests.synthetic import ground
from tests.synthetic.sensor import expose, path_kernel
from tests.synthetic.workshop import hand_path, random_bench, random_phone, random_room, random_things

Array = NDArray[np.float64]
PLAIN = syn.Exposure(colour=False, blur_px=0.0, full_well=0.0, vignetting=0.0)
#: A phone that only has a mosaic, and one that does nothing.
MOSAIC = syn.Phone(tone=0.0, denoise=0.0, local=0.0, sharpen=0.0)
NOTHING = replace(MOSAIC, mosaic=False)
CAMERA = syn.CameraModel(f_px=900.0, cx_px=395.3, cy_px=302.6, dist=(0.0, 0.0, 0.0, 0.0, 0.0), width=800, height=600)
BLANK = syn.RingPrint({**syn.ring_definition(), "markers": []}, arrow=False, half_side_mm=90.0)


def px_of(points: Array, scene: syn.Scene) -> Array:
    """Pixels (n, 2) of ring-frame points by cv2.projectPoints."""
    c = scene.camera
    matrix = np.array([[c.f_px, 0, c.cx_px], [0, c.f_px, c.cy_px], [0, 0, 1.0]])
    rotation = cv2.Rodrigues(np.array(scene.view.R))[0]
    return np.asarray(cv2.projectPoints(points, rotation, np.array(scene.view.t_mm), matrix, np.array(c.dist))[0][:, 0])


def scene_of(**more: Any) -> syn.Scene:
    view = syn.CameraPose.looking(np.array([-60.0, 40.0, 320.0]), np.zeros(3), 15.0)
    return replace(syn.Scene(CAMERA, view, (BLANK,), exposure=PLAIN), **more)


def step(at_px: float, slant: float = 0.12, low: float = 0.1, high: float = 0.5) -> NDArray[np.float32]:
    """A slanted edge 1 px soft, at column `at_px` in the middle row, (200, 300, 3)."""
    y, x = np.mgrid[:200, :300]
    light = low + (high - low) * np.clip(x - at_px - slant * (y - 99.5) + 0.5, 0.0, 1.0)
    return np.repeat(light[:, :, None], 3, axis=2).astype(np.float32)


def edge_px(picture: NDArray[np.uint8], slant: float = 0.12) -> float:
    """Where the edge lies in the middle row, by the light beyond it (sRGB decoded)."""
    v = picture.astype(float) / 255
    light = np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)
    rows = np.arange(20, 180)
    low, high = light[:, :60].mean(), light[:, -60:].mean()
    share = ((light[rows] - low) / (high - low)).sum(axis=1)
    return float((light.shape[1] - 0.5 - share - slant * (rows - 99.5)).mean())


def test_a_tube_is_mirrored_where_plane_geometry_puts_it() -> None:
    """A flat mirror at 5 mm: the tube's image stands as far below it, and is seen through it."""
    plate = syn.Thing(((-80.0, -80.0), (80.0, -80.0), (80.0, 80.0), (-80.0, 80.0)), 5.0, (0.8, 0.8, 0.8), 0.0, 1.0)
    tube = syn.Mirrored((70.0, -30.0, 1500.0), (1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (40.0, 40.0), 3.0, 0.01)
    dark = scene_of(objects=(plate,))
    lit = replace(dark, lighting=syn.Lighting(mirrored=(tube,)))
    more = (syn.radiance(lit) - syn.radiance(dark))[:, :, 0].astype(float)
    image = px_of(np.array([[70.0, -30.0, 2 * 5.0 - 1500.0]]), lit)[0]
    y, x = np.mgrid[:600, :800]
    assert more.max() > 0.5
    assert ((more * x).sum() / more.sum(), (more * y).sum() / more.sum()) == pytest.approx(tuple(image), abs=0.6)
    # its half side of 40 mm at 1490 mm below the mirror: the light is spread over so many pixels
    height = 320.0 - 5.0
    size = 80.0 * 900.0 / (1495.0 + height)
    assert np.sqrt((more > 0.5 * more.max()).sum()) == pytest.approx(size, rel=0.1)


def test_a_thing_with_sides_hides_what_is_behind_it_and_no_more() -> None:
    block = syn.Thing(((-20.0, -10.0), (-20.0, 10.0), (20.0, 10.0), (20.0, -10.0)), 30.0, (0.02, 0.02, 0.02), 30.0)
    dark = syn.radiance(scene_of(objects=(block,), lighting=syn.Lighting(1.0, 0.0)))[:, :, 0] < 0.1
    corners = np.array([[x, y, z] for x in (-20.0, 20.0) for y in (-10.0, 10.0) for z in (0.0, 30.0)])
    outline = cv2.convexHull(px_of(corners, scene_of()).astype(np.float32))
    hull = np.zeros(dark.shape, np.uint8)
    cv2.fillConvexPoly(hull, np.rint(outline).astype(np.int32), 1)
    different = dark[100:500, 150:650] != hull.astype(bool)[100:500, 150:650]
    assert hull.sum() > 5000
    assert different.sum() < 0.04 * hull.sum()  # a pixel along its outline


@pytest.mark.parametrize("kind", ground.BENCHES)
def test_benches_show_beside_the_sheet_only(kind: str) -> None:
    white = syn.radiance(scene_of())
    bench = syn.Bench(kind, 20.0, 1.0, (0.5, 0.45, 0.4), (0.05, 0.06, 0.07))
    light = syn.radiance(scene_of(bench=bench))
    middle = px_of(np.array([[0.0, 0.0, 0.0], [150.0, 0.0, 0.0]]), scene_of()).astype(int)
    (u, v), (a, b) = middle
    assert np.array_equal(light[v - 50 : v + 50, u - 50 : u + 50], white[v - 50 : v + 50, u - 50 : u + 50])
    patch = light[b - 60 : b + 60, a - 60 : a + 60]
    assert np.ptp(patch) > 0.03
    with pytest.raises(DefinitionError, match="bench"):
        syn.Bench("marble")


def test_a_spill_darkens_its_rim_and_blue_most() -> None:
    spill = syn.Spill((10.0, -20.0), 30.0, 2.5, 0.5)
    colour = replace(PLAIN, colour=True)
    clean, light = (syn.radiance(scene_of(exposure=colour, spills=s)).astype(float) for s in ((), (spill,)))
    places = np.array([[10.0 + 30.0, -20.0, 0.0], [10.0, -20.0, 0.0], [10.0 - 45.0, -20.0, 0.0]])
    left = []
    for u, v in np.rint(px_of(places, scene_of())).astype(int):
        left.append((light[v - 2 : v + 3, u - 2 : u + 3] / clean[v - 2 : v + 3, u - 2 : u + 3]).mean(axis=(0, 1)))
    rim, inside, outside = left
    assert rim[0] < rim[1] < rim[2] < 0.96 and rim[0] < inside[0] < 0.98
    assert outside == pytest.approx(1.0, abs=1e-6)


@pytest.mark.parametrize("edge_aware", [True, False])
def test_a_mosaic_gives_back_plain_colours_and_leaves_edges_in_place(edge_aware: bool) -> None:
    phone = replace(MOSAIC, edge_aware=edge_aware)
    exposure = syn.Exposure(blur_px=0.0, full_well=0.0, phone=phone)
    light = np.empty((40, 60, 3), np.float32)
    light[:] = (0.05, 0.2, 0.7)
    value = expose(light, exposure)[20, 30] / 255.0
    srgb = 1.055 * np.array([0.05, 0.2, 0.7]) ** (1 / 2.4) - 0.055
    assert value == pytest.approx(srgb, abs=0.01)
    plain = replace(exposure, phone=NOTHING)
    for at in (140.0, 140.37):
        grey = [expose(step(at), replace(e, colour=False)) for e in (exposure, plain)]
        assert edge_px(grey[1]) == pytest.approx(at, abs=0.03)
        assert edge_px(grey[0]) == pytest.approx(at, abs=0.06)


def test_sharpening_leaves_halos_of_the_size_of_an_unsharp_mask() -> None:
    phone = replace(NOTHING, sharpen=1.0, sharpen_px=1.5)
    exposure = syn.Exposure(blur_px=1.0, full_well=0.0, colour=False, phone=phone)
    sharp = expose(step(150.0, 0.0), exposure)[100].astype(float)
    soft = expose(step(150.0, 0.0), replace(exposure, phone=NOTHING))[100].astype(float)
    v = soft / 255.0
    mask = cv2.GaussianBlur(v[None].astype(np.float32), (0, 0), 1.5)[0]
    assert sharp.max() - soft.max() == pytest.approx(255.0 * (2 * v - mask).max() - soft.max(), abs=2.5)
    assert sharp.max() > soft.max() + 4 and sharp.min() < soft.min() - 4
    assert sharp[:100] == pytest.approx(soft[:100], abs=1.0)


def test_lateral_colour_moves_red_and_blue_about_the_principal_point() -> None:
    exposure = syn.Exposure(blur_px=0.0, full_well=0.0, phone=replace(NOTHING, lateral=(0.02, -0.01)))
    picture = expose(step(200.0, 0.0), exposure, 100.0, 99.5)
    blue, green, red = (edge_px(picture[:, :, k], 0.0) for k in range(3))
    # YCrCb in between rounds little; edges lie 100 px from the centre
    assert (green, red, blue) == pytest.approx((200.0, 202.0, 199.0), abs=0.1)


def test_tone_curve_local_contrast_and_noise_are_as_stated() -> None:
    ramp = np.repeat(np.linspace(0.01, 0.9, 256, dtype=np.float32)[None, :, None], 64, axis=0).repeat(3, axis=2)
    exposure = syn.Exposure(blur_px=0.0, full_well=0.0, colour=False, phone=NOTHING)
    v = expose(ramp, exposure)[32].astype(float) / 255
    curved = expose(ramp, replace(exposure, phone=replace(NOTHING, tone=0.6, gamma=0.9)))[32] / 255.0
    w = v**0.9
    assert curved == pytest.approx(w + 0.6 * (3 * w**2 - 2 * w**3 - w), abs=0.012)
    flat = np.full((200, 200, 3), 0.4, np.float32)
    dim = replace(exposure, full_well=1000.0, phone=replace(NOTHING, read_noise=5.0))
    noisy = expose(flat, dim).astype(float) / 255
    light = ((noisy + 0.055) / 1.055) ** 2.4
    # the luminance of three independent channels, Rec. 601 weights as OpenCV's YCrCb has them
    sigma = np.sqrt(0.4 * 1000.0 + 25.0) / 1000.0 * np.sqrt(0.299**2 + 0.587**2 + 0.114**2)
    assert light.std() == pytest.approx(sigma, rel=0.05)
    denoised = expose(flat, replace(dim, phone=replace(NOTHING, denoise=0.1))).astype(float) / 255
    assert denoised.std() < 0.5 * noisy.std()


def test_a_moving_hand_smears_along_its_path_and_shifts_nothing() -> None:
    kernel = path_kernel(((0.0, 0.0), (6.0, 3.0)))
    y, x = np.mgrid[: kernel.shape[0], : kernel.shape[1]] - kernel.shape[0] // 2
    assert kernel.sum() == pytest.approx(1.0, abs=1e-6)
    assert ((kernel * x).sum(), (kernel * y).sum()) == pytest.approx((0.0, 0.0), abs=1e-5)
    # a straight line of length l has variance l^2 / 12 along each axis; spreading adds 1/6 at most
    assert (kernel * x * x).sum() == pytest.approx(36.0 / 12, abs=0.25)
    assert (kernel * x * y).sum() == pytest.approx(18.0 / 12, abs=0.1)
    path = hand_path(np.random.default_rng(2), 1.7)
    assert np.linalg.norm(np.diff(np.array(path), axis=0), axis=1).sum() == pytest.approx(1.7)
    exposure = syn.Exposure(blur_px=0.0, full_well=0.0, colour=False, phone=NOTHING)
    shaken = expose(step(150.2, 0.0), replace(exposure, path_px=((0.0, 0.0), (4.0, 0.5), (5.0, 2.0))))
    assert edge_px(shaken, 0.0) == pytest.approx(150.2, abs=0.03)


def test_random_surroundings_come_in_all_kinds() -> None:
    rng = np.random.default_rng(1)
    benches, mirrors, lamps, phones, count = set(), 0, 0, 0, []
    for _ in range(80):
        benches.add(random_bench(rng).kind)
        room, tint = random_room(rng)
        mirrors += bool(room.mirrored)
        lamps += bool(room.lamps)
        assert 0.6 < room.ambient + room.key + sum(lamp.share for lamp in room.lamps) < 1.1 and max(tint) < 1.35
        phones += random_phone(rng, 4032, tint) is not None
        things = random_things(rng, 140.0)
        count.append(len(things))
        assert all(np.hypot(*np.array(thing.outline_mm).T).min() > 140.0 for thing in things)
    assert benches == set(ground.BENCHES)
    assert 15 < mirrors < 60 and 5 < lamps < 40 and 50 < phones < 80 and max(count) >= 5 and min(count) == 0
