"""Things that go wrong between rotor and file: `SCENE_FAULTS` change a scene, `IMAGE_FAULTS` a rendered picture.

Every fault takes the generator for its random part, so that a campaign can draw many cases from one name.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from bladeangle.base.files import import_cv2
from tests.synthetic.random_scenes import ring_definition
from tests.synthetic.scene import Damage, RingPrint, Scene, Stain, Standing
from tests.synthetic.surroundings import ShadowEdge, Thing

Image = NDArray[np.uint8]
Rng = np.random.Generator
SceneFault = Callable[[Scene, Rng], Scene]
ImageFault = Callable[[Image, Rng], Image]


def _signed(rng: Rng, low: float, high: float) -> float:
    return float(rng.choice([-1.0, 1.0]) * rng.uniform(low, high))


def _pixels(scene: Scene) -> float:
    """Pixels of this camera to one of a 4032-pixel-wide picture, so that blur means the same at any size."""
    return scene.camera.width / 4032.0


def blurred(scene: Scene, rng: Rng) -> Scene:
    """Out of focus: a Gaussian of 3 to 12 px at 12 megapixels."""
    return replace(scene, exposure=replace(scene.exposure, blur_px=float(rng.uniform(3.0, 12.0)) * _pixels(scene)))


def shaken(scene: Scene, rng: Rng) -> Scene:
    """A straight smear of 8 to 40 px at 12 megapixels."""
    length, a = rng.uniform(8.0, 40.0) * _pixels(scene), rng.uniform(0.0, math.pi)
    smear = (float(length * math.cos(a)), float(length * math.sin(a)))
    return replace(scene, exposure=replace(scene.exposure, motion_px=smear))


def underexposed(scene: Scene, rng: Rng) -> Scene:
    """Three to six stops too dark."""
    stops = float(rng.uniform(3.0, 6.0))
    return replace(scene, exposure=replace(scene.exposure, gain=2.0**-stops))


def overexposed(scene: Scene, rng: Rng) -> Scene:
    """One to three stops too bright: the paper is burnt out, and soon the metal."""
    return replace(scene, exposure=replace(scene.exposure, gain=2.0 ** float(rng.uniform(1.0, 3.0))))


def noisy(scene: Scene, rng: Rng) -> Scene:
    """A dark room's noise: a full well of 100 to 600 electrons."""
    return replace(scene, exposure=replace(scene.exposure, full_well=float(rng.uniform(100.0, 600.0))))


def glaring(scene: Scene, rng: Rng) -> Scene:
    """A bright lamp mirrored in the blades, saturating part of them."""
    a = float(rng.uniform(0.0, 2.0 * math.pi))
    place = (200.0 * math.cos(a), 200.0 * math.sin(a), 600.0)
    return replace(scene, lighting=replace(scene.lighting, glare=2.0, glare_position_mm=place, glare_exponent=30.0))


def hard_shadow(scene: Scene, rng: Rng) -> Scene:
    """One small strong lamp: the rotor throws hard shadows on itself and the sheet."""
    return replace(scene, lighting=replace(scene.lighting, ambient=0.25, key=0.75, hard_shadow=True))


def shadow_across_tips(scene: Scene, rng: Rng) -> Scene:
    """The sharp shadow of something outside the picture lies across the tips."""
    edge = ShadowEdge(
        float(rng.uniform(0.0, 360.0)), float(rng.uniform(-60.0, 60.0)), 1.0, float(rng.uniform(0.2, 0.5))
    )
    return replace(scene, lighting=replace(scene.lighting, edge=edge))


def wrong_scale(scene: Scene, rng: Rng) -> Scene:
    """The ring printed 3 to 8 % too small or too large ("fit to page")."""
    k = 1.0 + _signed(rng, 0.03, 0.08)
    return replace(scene, sheets=tuple(replace(s, scale=(k, k)) for s in scene.sheets))


def stretched(scene: Scene, rng: Rng) -> Scene:
    """The ring printed up to 1 % longer along one axis."""
    return replace(scene, sheets=tuple(replace(s, scale=(1.0 + _signed(rng, 0.003, 0.01), 1.0)) for s in scene.sheets))


def mirrored_ring(scene: Scene, rng: Rng) -> Scene:
    """The ring printed mirrored (a transparency the wrong way up)."""
    return replace(scene, sheets=tuple(replace(s, mirrored=True) for s in scene.sheets))


def bent_sheet(scene: Scene, rng: Rng) -> Scene:
    """The sheet risen by 0.3 to 1.5 mm at its edges."""
    bend, a = float(rng.uniform(0.3, 1.5)), float(rng.uniform(0.0, 180.0))
    return replace(scene, sheets=tuple(replace(s, bend_mm=bend, bend_azimuth_deg=a) for s in scene.sheets))


def loose_pieces(scene: Scene, rng: Rng) -> Scene:
    """The ring's pieces taped together up to 1 mm and 0.3 deg wrong, the first one right.

    A definition without pieces is cut into four, numbered from 1 in the definition that the scene then holds.
    """
    sheets = []
    for s in scene.sheets:
        definition = dict(s.definition)
        n = len(definition["markers"])
        if not any(m.get("piece") for m in definition["markers"]):
            definition["markers"] = [{**m, "piece": 4 * i // n + 1} for i, m in enumerate(definition["markers"])]
        count = max(int(m.get("piece", 0)) for m in definition["markers"])
        places = [(0.0, 0.0, 0.0)] + [
            (*rng.uniform(-0.7, 0.7, 2).tolist(), float(rng.uniform(-0.3, 0.3))) for _ in range(count - 1)
        ]
        sheets.append(replace(s, definition=definition, pieces=tuple(places)))
    return replace(scene, sheets=tuple(sheets))


def hand_over(scene: Scene, rng: Rng) -> Scene:
    """A hand lies over part of the ring: a palm and four fingers, flat, 8 mm over the sheet."""
    a = float(rng.uniform(0.0, 2.0 * math.pi))
    outer = float(scene.sheets[0].definition["outer_radius_mm"])
    outward, across = np.array([math.cos(a), math.sin(a)]), np.array([-math.sin(a), math.cos(a)])

    def blob(centre: tuple[float, float], half: tuple[float, float]) -> Thing:
        angles = np.arange(20) * math.pi / 10.0
        c, s = np.cos(angles), np.sin(angles)
        # A rounded rectangle: the fourth-power ellipse.
        u = centre[0] + half[0] * np.sign(c) * np.sqrt(np.abs(c))
        v = centre[1] + half[1] * np.sign(s) * np.sqrt(np.abs(s))
        points = u[:, None] * outward + v[:, None] * across
        return Thing(tuple((float(x), float(y)) for x, y in points))

    fingers = [blob((outer - 4.0, 20.0 * i - 30.0), (26.0, 8.0)) for i in range(4)]
    return replace(scene, objects=(blob((outer + 55.0, 0.0), (45.0, 42.0)), *fingers))


def hand_on_rotor(scene: Scene, rng: Rng) -> Scene:
    """Somebody holds the rotor: fingers reach over ring, blade tips and hub."""
    assert scene.rotor is not None
    a, top = float(rng.uniform(0.0, 2.0 * math.pi)), scene.rotor.height_mm + 12.0
    outward, across = np.array([math.cos(a), math.sin(a)]), np.array([-math.sin(a), math.cos(a)])
    fingers = []
    for i in range(int(rng.integers(1, 4))):
        corners = [(25.0, -8.0), (160.0, -9.0), (160.0, 9.0), (25.0, 8.0)]
        points = [u * outward + (v + 22.0 * i) * across for u, v in corners]
        fingers.append(Thing(tuple((float(x), float(y)) for x, y in points), top))
    return replace(scene, objects=tuple(fingers))


def half_hidden(scene: Scene, rng: Rng) -> Scene:
    """A sheet of paper lies over 40 to 60 % of the ring."""
    a, outer = float(rng.uniform(0.0, 2.0 * math.pi)), float(scene.sheets[0].definition["outer_radius_mm"])
    inner = outer * math.cos(math.pi * float(rng.uniform(0.4, 0.6)))
    rotor_mm = scene.rotor.tip_radius_mm if scene.rotor else 0.0
    # Under the rotor it would show on top of it: the paper is cut out in the middle, as two strips and an end.
    outward, across = np.array([math.cos(a), math.sin(a)]), np.array([-math.sin(a), math.cos(a)])
    clear = rotor_mm + 9.0

    def strip(u0: float, u1: float, v0: float, v1: float) -> Thing:
        points = [u * outward + v * across for u, v in ((u0, v0), (u1, v0), (u1, v1), (u0, v1))]
        return Thing(tuple((float(x), float(y)) for x, y in points), 0.5, (0.7, 0.68, 0.6))

    far = outer + 20.0
    return replace(
        scene,
        objects=(
            strip(max(inner, clear), far, -far, far),
            strip(inner, far, clear, far),
            strip(inner, far, -far, -clear),
        ),
    )


def off_picture(scene: Scene, rng: Rng) -> Scene:
    """The phone was held to one side: a third of the ring lies outside of the picture."""
    a = float(rng.uniform(0.0, 2.0 * math.pi))
    shift = float(rng.uniform(0.4, 0.8)) * float(scene.sheets[0].definition["inner_radius_mm"])
    x, y, z = scene.view.t_mm
    return replace(scene, view=replace(scene.view, t_mm=(x + shift * math.cos(a), y + shift * math.sin(a), z)))


def slanted(scene: Scene, rng: Rng) -> Scene:
    """Not from straight above: the eye is 60 to 200 mm beside the axis."""
    a, off = float(rng.uniform(0.0, 2.0 * math.pi)), float(rng.uniform(60.0, 200.0))
    eye = scene.view.eye_mm + np.array([off * math.cos(a), off * math.sin(a), 0.0])
    return replace(scene, view=type(scene.view).looking(eye, np.zeros(3), float(rng.uniform(0.0, 360.0))))


def rotor_over_ring(scene: Scene, rng: Rng) -> Scene:
    """A ring made for a smaller rotor: the tips hide part of the markers."""
    assert scene.rotor is not None
    small = ring_definition(scene.rotor.tip_radius_mm * float(rng.uniform(0.85, 1.05)), 18.0, 18)
    return replace(scene, sheets=(RingPrint(small),))


def two_rings(scene: Scene, rng: Rng) -> Scene:
    """A second, smaller printed ring lies on the first sheet's edge, with the same markers."""
    a = float(rng.uniform(0.0, 2.0 * math.pi))
    r = float(scene.sheets[0].definition["outer_radius_mm"]) + 30.0
    other = ring_definition(34.0, 8.0, 16)
    place = (r * math.cos(a), r * math.sin(a), float(rng.uniform(0.0, 360.0)))
    return replace(scene, sheets=(RingPrint(other, place=place, half_side_mm=46.0), *scene.sheets))


def no_ring(scene: Scene, rng: Rng) -> Scene:
    """Blank paper under the rotor."""
    blank = {**scene.sheets[0].definition, "markers": []}
    return replace(scene, sheets=(RingPrint(blank, arrow=False),))


def no_rotor(scene: Scene, rng: Rng) -> Scene:
    """The bare sheet where a rotor should stand."""
    return replace(scene, rotor=None, standing=Standing())


def on_side(scene: Scene, rng: Rng) -> Scene:
    """The rotor lies on its side."""
    return replace(scene, standing=replace(scene.standing, on_side=True))


def away_from_arrow(scene: Scene, rng: Rng) -> Scene:
    """Blade 1 points between the places where a blade would point at the arrow."""
    step = 360.0 / (scene.rotor.blades if scene.rotor else 1)
    turn = float(rng.uniform(0.35, 0.65)) * step
    return replace(scene, standing=replace(scene.standing, spin_deg=scene.standing.spin_deg + turn))


def moved(scene: Scene, rng: Rng) -> Scene:
    """The rotor shoved by 1 to 3 mm and turned by 1 to 3 degrees since the other photographs."""
    x, y = scene.standing.offset_mm
    standing = replace(
        scene.standing,
        offset_mm=(x + _signed(rng, 0.7, 2.1), y + _signed(rng, 0.7, 2.1)),
        spin_deg=scene.standing.spin_deg + _signed(rng, 1.0, 3.0),
    )
    return replace(scene, standing=standing)


def _damaged(scene: Scene, rng: Rng, kind: str) -> Scene:
    rotor = scene.rotor
    assert rotor is not None
    damage = Damage(
        kind,
        int(rng.integers(1, rotor.blades + 1)),
        float(rng.uniform(6.0, 30.0)),
        float(rng.uniform(2.0, 7.0)),
        float(rng.uniform(0.4, 1.8)),
    )
    return replace(scene, rotor=replace(rotor, damage=(*rotor.damage, damage)))


def nicked(scene: Scene, rng: Rng) -> Scene:
    """A nick in one blade's tip within its entry station."""
    return _damaged(scene, rng, "nick")


def dented(scene: Scene, rng: Rng) -> Scene:
    """A dent in one blade's tip within its entry station."""
    return _damaged(scene, rng, "dent")


def stained(scene: Scene, rng: Rng) -> Scene:
    """Two dark spots on tips."""
    rotor = scene.rotor
    assert rotor is not None
    spots = tuple(
        Stain(
            int(rng.integers(1, rotor.blades + 1)),
            float(rng.uniform(4.0, rotor.tip_length_mm - 4.0)),
            float(rng.uniform(2.0, 9.0)),
            float(rng.uniform(0.1, 0.5)),
        )
        for _ in range(2)
    )
    return replace(scene, rotor=replace(rotor, stains=(*rotor.stains, *spots)))


def too_far(scene: Scene, rng: Rng) -> Scene:
    """Taken from 2 to 3 times as far away."""
    view = scene.view
    x, y, z = view.t_mm
    return replace(scene, view=replace(view, t_mm=(x, y, z * float(rng.uniform(2.0, 3.0)))))


def mirrored(image: Image, rng: Rng) -> Image:
    """Left and right exchanged, as front cameras do."""
    return np.ascontiguousarray(image[:, ::-1])


def cropped(image: Image, rng: Rng) -> Image:
    """5 to 20 % cut off, more on one side than on the other."""
    h, w = image.shape[:2]
    cut = rng.uniform(0.02, 0.12, 4)
    return np.ascontiguousarray(image[int(cut[0] * h) : h - int(cut[1] * h), int(cut[2] * w) : w - int(cut[3] * w)])


def zoomed(image: Image, rng: Rng) -> Image:
    """Digital zoom: the middle cut out and enlarged to the full size."""
    h, w = image.shape[:2]
    k = float(rng.uniform(1.05, 1.15))
    x, y = int(0.5 * w * (1 - 1 / k)), int(0.5 * h * (1 - 1 / k))
    return np.asarray(import_cv2().resize(image[y : h - y, x : w - x], (w, h), interpolation=2), np.uint8)


def zoomed_off_centre(image: Image, rng: Rng) -> Image:
    """Cropped to one side by an editor and enlarged to the full size."""
    h, w = image.shape[:2]
    k = float(rng.uniform(1.05, 1.15))
    x, y = (int(rng.uniform(0.0, 1.0) * side * (1 - 1 / k)) for side in (w, h))
    cut = image[y : y + int(h / k), x : x + int(w / k)]
    return np.asarray(import_cv2().resize(cut, (w, h), interpolation=2), np.uint8)


def stabilised(image: Image, rng: Rng) -> Image:
    """The stabiliser's crop window has wandered: the picture is shifted by 1 to 4 % of its width."""
    h, w = image.shape[:2]
    a, size = rng.uniform(0.0, 2.0 * math.pi), float(rng.uniform(0.01, 0.04)) * w
    move = np.array([[1.0, 0.0, size * math.cos(a)], [0.0, 1.0, size * math.sin(a)]])
    cv2 = import_cv2()
    return np.asarray(
        cv2.warpAffine(image, move, (w, h), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE), np.uint8
    )


def stretched_rows(image: Image, rng: Rng) -> Image:
    """A panorama's other half: rows are 1 to 4 % longer than they should be against the columns."""
    h, w = image.shape[:2]
    k = 1.0 + float(rng.uniform(0.01, 0.04))
    move = np.array([[k, 0.0, 0.5 * w * (1 - k)], [0.0, 1.0, 0.0]])
    cv2 = import_cv2()
    return np.asarray(
        cv2.warpAffine(image, move, (w, h), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE), np.uint8
    )


def reduced_and_enlarged(image: Image, rng: Rng) -> Image:
    """Reduced by a messenger, and enlarged again to the camera file's size."""
    h, w = image.shape[:2]
    k = float(rng.uniform(0.3, 0.7))
    cv2 = import_cv2()
    small = cv2.resize(image, (round(w * k), round(h * k)), interpolation=cv2.INTER_AREA)
    return np.asarray(cv2.resize(small, (w, h), interpolation=cv2.INTER_CUBIC), np.uint8)


def resized(image: Image, rng: Rng) -> Image:
    """Made smaller by a messenger."""
    k = float(rng.uniform(0.5, 0.8))
    h, w = image.shape[:2]
    return np.asarray(import_cv2().resize(image, (round(w * k), round(h * k)), interpolation=3), np.uint8)


def screenshot(image: Image, rng: Rng) -> Image:
    """Shown small on a tall phone screen between black bars, and the screen saved."""
    h, w = image.shape[:2]
    small = import_cv2().resize(image, (w // 2, h // 2), interpolation=3)
    canvas = np.full((int(1.1 * w), w // 2, *image.shape[2:]), 12, np.uint8)
    top = (len(canvas) - len(small)) // 2
    canvas[top : top + len(small)] = small
    canvas[:40] = 235
    return canvas


def sheared_rows(image: Image, rng: Rng) -> Image:
    """What stabilisation or a panorama does: rows shifted smoothly against each other by some pixels."""
    h, w = image.shape[:2]
    size = float(rng.uniform(0.003, 0.01)) * w
    shift = size * np.sin(2.0 * math.pi * (np.arange(h) / h * rng.uniform(0.5, 2.0) + rng.uniform()))
    x = np.arange(w, dtype=np.float32)[None, :] + shift[:, None].astype(np.float32)
    y = np.repeat(np.arange(h, dtype=np.float32)[:, None], w, axis=1)
    cv2 = import_cv2()
    return np.asarray(cv2.remap(image, x, y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE), np.uint8)


SCENE_FAULTS: dict[str, SceneFault] = {
    f.__name__: f
    for f in (
        blurred,
        shaken,
        underexposed,
        overexposed,
        noisy,
        glaring,
        hard_shadow,
        shadow_across_tips,
        wrong_scale,
        stretched,
        mirrored_ring,
        bent_sheet,
        loose_pieces,
        hand_over,
        hand_on_rotor,
        half_hidden,
        off_picture,
        slanted,
        rotor_over_ring,
        two_rings,
        no_ring,
        no_rotor,
        on_side,
        away_from_arrow,
        moved,
        nicked,
        dented,
        stained,
        too_far,
    )
}
IMAGE_FAULTS: dict[str, ImageFault] = {
    f.__name__: f
    for f in (
        mirrored,
        cropped,
        zoomed,
        zoomed_off_centre,
        stabilised,
        stretched_rows,
        reduced_and_enlarged,
        resized,
        screenshot,
        sheared_rows,
    )
}
