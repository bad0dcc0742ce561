"""Random rotors from use, rooms and phones: sets of photographs as people take them, from the generator passed in.

Sizes are common practice as far as there is any, with no source: used tips have lost some tenths of a millimetre at the
leading edge and run out by a tenth; new ones are turned to a few hundredths.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from tests.synthetic.ground import BENCHES
from tests.synthetic.phone import Phone
from tests.synthetic.random_scenes import (
    around_view,
    overhead_view,
    random_rotor,
    random_standing,
    ring_for,
)
from tests.synthetic.scene import CameraModel, Damage, Exposure, RingPrint, RotorShape, Scene, Stain
from tests.synthetic.surroundings import Bench, Colour, Lamp, Lighting, Mirrored, Spill, Thing
from tests.synthetic.wear import WEAR_FORMS, AngleLaw, Bent, EdgeWear, TipWear

Rng = np.random.Generator
#: Photographs from the side stand this far from the axis, deg: 20 to 50 deg over the sheet.
FROM_AXIS_DEG = (40.0, 70.0)


def random_wear(rng: Rng, blades: int, used: bool) -> TipWear:
    """Tips of a rotor from use, or of a new one."""
    deep, long = ((0.1, 0.4), (8.0, 22.0)) if used else ((0.0, 0.03), (8.0, 22.0))
    end = (0.0, 0.15) if used else (0.0, 0.03)
    taper = 0.2 if used else 0.03
    runout = rng.uniform(0.05, 0.12) if used else rng.uniform(0.0, 0.03)
    rough = 0.015 if used else 0.005

    def share() -> tuple[float, ...]:
        return tuple(np.clip(rng.normal(1.0, 0.15, blades), 0.5, 1.5).tolist())

    def form() -> str:
        return str(rng.choice(list(WEAR_FORMS)))

    waves = tuple(
        tuple(
            (
                float(rough * rng.standard_normal()),
                float(rng.uniform(25.0, 90.0)),
                float(rng.uniform(0.0, 2.0 * math.pi)),
            )
            for _ in range(3)
        )
        for _ in range(blades)
    )
    return TipWear(
        EdgeWear(float(rng.uniform(*deep)), float(rng.uniform(*long)), form(), share()),
        EdgeWear(float(rng.uniform(*end)), float(rng.uniform(5.0, 15.0)), form(), share()),
        float(rng.uniform(-taper, taper)),
        tuple(rng.normal(0.0, runout, blades).tolist()),
        waves,
    )


def with_laws(shape: RotorShape, laws: Sequence[AngleLaw]) -> RotorShape:
    """The rotor with other angle laws; the hub stands as far over the blades as before."""
    other = replace(shape, laws=tuple(laws))
    return replace(other, height_mm=shape.height_mm + other.lead_height_mm - shape.lead_height_mm)


def workshop_rotor(rng: Rng, used: bool) -> RotorShape:
    """A random rotor with tips from use or new, some with cupped trailing edges, bulged middles, nicks and dirt."""
    shape = random_rotor(rng)
    n = shape.blades
    # cup and bulge belong to the rotor; hammered blades differ in both
    kick = float(rng.uniform(-0.8, 2.0)) if rng.uniform() < 0.4 else 0.0
    bulge = float(rng.uniform(-1.0, 1.0)) if rng.uniform() < 0.4 else 0.0
    kick_mm = float(rng.uniform(10.0, 18.0))
    uneven = 0.15 if used else 0.03
    shape = with_laws(
        shape,
        [
            Bent(
                shape.law(b),
                shape.tip_length_mm,
                bulge + (float(rng.normal(0.0, uneven)) if bulge else 0.0),
                kick + (float(rng.normal(0.0, uneven)) if kick else 0.0),
                kick_mm,
            )
            for b in range(n)
        ],
    )
    nicks, spots = (int(rng.integers(0, 3)) if used and rng.uniform() < 0.5 else 0), int(rng.integers(0, 4)) * used
    damage = [
        Damage(
            "nick",
            int(rng.integers(1, n + 1)),
            float(rng.uniform(4.0, 0.5 * shape.tip_length_mm)),
            float(rng.uniform(0.8, 3.0)),
            float(rng.uniform(0.2, 0.8)),
        )
        for _ in range(nicks)
    ]
    stains = [
        Stain(
            int(rng.integers(1, n + 1)),
            float(rng.uniform(8.0, shape.tip_length_mm - 8.0)),
            float(rng.uniform(2.0, 9.0)),
            float(rng.uniform(0.5, 0.9)),
        )
        for _ in range(spots)
    ]
    # the land: as the blades are, burnished by the housing, or chalked to show up
    land = ((1.0, 1.0), (1.25, 1.0), (1.1, 0.1))[int(rng.choice(3, p=[0.5, 0.35, 0.15]))]
    return replace(
        shape,
        wear=random_wear(rng, n, used),
        damage=tuple(damage),
        stains=tuple(stains),
        land=land,
        texture=float(rng.uniform(0.8, 2.2 if used else 1.4)),
    )


def repitched(rng: Rng, shape: RotorShape) -> RotorShape:
    """The same rotor with its blades bent by a degree or so at entry, exit or both, and evened out a little."""
    entry, exit_ = float(rng.uniform(-1.5, 1.5)), float(rng.uniform(-1.5, 1.5))
    where = int(rng.integers(3))
    entry, exit_ = (0.0 if where == 1 else entry), (0.0 if where == 0 else exit_)

    def bent(law: AngleLaw, more: tuple[float, float]) -> AngleLaw:
        return _Shifted(law, *more)

    return with_laws(
        shape,
        [
            bent(shape.law(b), (entry + float(rng.normal(0.0, 0.15)), exit_ + float(rng.normal(0.0, 0.15))))
            for b in range(shape.blades)
        ],
    )


class _Shifted:
    """A law with so much more at the entry and at the exit, evenly in between; equal where it is alike."""

    def __init__(self, law: AngleLaw, entry_deg: float, exit_deg: float) -> None:
        self.key = (law, entry_deg, exit_deg)

    def __call__(self, fraction: np.ndarray) -> np.ndarray:
        law, entry, exit_ = self.key
        t = np.asarray(fraction, float)
        return np.asarray(law(t), float) + entry + (exit_ - entry) * t

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Shifted) and self.key == other.key

    def __hash__(self) -> int:
        return hash(self.key)


def _grey(rng: Rng, low: float, high: float) -> Colour:
    level = rng.uniform(low, high)
    r, g, b = level * (1.0 + rng.normal(0.0, 0.12, 3))
    return float(r), float(g), float(b)


def random_bench(rng: Rng) -> Bench:
    """What the sheet lies on, from dark to fairly light."""
    kind = str(rng.choice(BENCHES))
    first, second = _grey(rng, 0.06, 0.3), _grey(rng, 0.02, 0.35)
    if kind == "mat":
        first, second = (0.03, 0.13, 0.09), (0.35, 0.4, 0.33)
    elif kind == "newsprint":
        first, second = (0.52, 0.5, 0.45), (0.06, 0.06, 0.06)
    elif kind == "turf":
        first, second = (0.05, 0.09, 0.03), (0.22, 0.3, 0.14)
    return Bench(kind, float(rng.uniform(0.0, 180.0)), float(rng.uniform(0.7, 1.6)), first, second)


def random_things(rng: Rng, clear_mm: float, most: int = 7) -> tuple[Thing, ...]:
    """Pens, nuts, washers, boxes and slips of paper lying about, outside a circle of `clear_mm`."""
    out = []
    for _ in range(int(rng.integers(0, most + 1))):
        kind = int(rng.integers(5))
        corners = 6 if kind == 1 else 32 if kind == 2 else 4
        half = (
            (70.0, 4.5),
            (8.0, 8.0),
            (11.0, 11.0),
            (rng.uniform(12, 40), rng.uniform(10, 30)),
            (rng.uniform(20, 60), rng.uniform(15, 40)),
        )[kind]
        thickness = (9.0, 7.0, 2.0, float(rng.uniform(8.0, 28.0)), 0.0)[kind]
        step = 2.0 * math.pi / corners
        angles = np.arange(corners) * step + (0.25 * math.pi if corners == 4 else 0.0)
        scale = math.sqrt(2.0) if corners == 4 else 1.0
        x, y = half[0] * scale * np.cos(angles), half[1] * scale * np.sin(angles)
        turn, azimuth = rng.uniform(0.0, 2.0 * math.pi, 2)
        far = clear_mm + math.hypot(*half) + thickness + rng.uniform(0.0, 90.0)
        u = far * math.cos(azimuth) + x * math.cos(turn) - y * math.sin(turn)
        v = far * math.sin(azimuth) + x * math.sin(turn) + y * math.cos(turn)
        gloss = 1.0 if kind in (1, 2) or rng.uniform() < 0.2 else 0.0
        colour = _grey(rng, 0.55, 0.9) if gloss or kind == 4 else _grey(rng, 0.03, 0.6)
        outline = tuple(zip(u.tolist(), v.tolist(), strict=True))
        out.append(Thing(outline, max(thickness, 0.4), colour, thickness, gloss))
    return tuple(out)


def random_spills(rng: Rng, inner_mm: float) -> tuple[Spill, ...]:
    """Now and then a cup has stood on the sheet, or drops have fallen on it."""
    out = []
    if rng.uniform() < 0.3:
        a, r = rng.uniform(0.0, 2.0 * math.pi), inner_mm * rng.uniform(0.6, 1.3)
        out.append(
            Spill(
                (float(r * math.cos(a)), float(r * math.sin(a))),
                float(rng.uniform(32.0, 42.0)),
                float(rng.uniform(1.5, 3.5)),
                float(rng.uniform(0.15, 0.5)),
            )
        )
    for _ in range(int(rng.integers(0, 5)) if rng.uniform() < 0.3 else 0):
        a, r = rng.uniform(0.0, 2.0 * math.pi), inner_mm * rng.uniform(0.8, 1.4)
        out.append(
            Spill(
                (float(r * math.cos(a)), float(r * math.sin(a))),
                float(rng.uniform(2.0, 9.0)),
                0.8,
                float(rng.uniform(0.2, 0.6)),
            )
        )
    return tuple(out)


def _on_ceiling(rng: Rng, half: tuple[float, float], strength: float, blur: float) -> Mirrored:
    a = float(rng.uniform(0.0, math.pi))
    x, y = rng.uniform(-900.0, 900.0, 2)
    return Mirrored(
        (float(x), float(y), float(rng.uniform(1300.0, 2000.0))),
        (math.cos(a), math.sin(a), 0.0),
        (-math.sin(a), math.cos(a), 0.0),
        half,
        strength,
        blur,
    )


def _window(rng: Rng, blur: float) -> Mirrored:
    a = float(rng.uniform(0.0, 2.0 * math.pi))
    centre = (1500.0 * math.cos(a), 1500.0 * math.sin(a), float(rng.uniform(500.0, 1100.0)))
    half = (float(rng.uniform(300.0, 700.0)), float(rng.uniform(300.0, 500.0)))
    return Mirrored(centre, (-math.sin(a), math.cos(a), 0.0), (0.0, 0.0, 1.0), half, float(rng.uniform(0.6, 1.8)), blur)


def _place(rng: Rng) -> tuple[float, float, float]:
    a, b = rng.uniform(0.0, 2.0 * math.pi), math.radians(rng.uniform(15.0, 50.0))
    return (
        float(950.0 * math.sin(b) * math.cos(a)),
        float(950.0 * math.sin(b) * math.sin(a)),
        float(950.0 * math.cos(b)),
    )


def random_room(rng: Rng) -> tuple[Lighting, Colour]:
    """Light, and its colour as the phone leaves it: a plain room, tubes, a window, two lamps, or one in the dark."""
    kind, blur = int(rng.integers(5)), float(rng.uniform(0.02, 0.15))
    warm = float(rng.normal(0.0, 0.04))
    key = float(rng.uniform(0.3, 0.6))
    plain = Lighting(1.0 - key, key, _place(rng), glare=float(rng.choice([0.0, 0.4])))
    if kind == 1:
        tubes = tuple(
            _on_ceiling(rng, (600.0, 25.0), float(rng.uniform(4.0, 12.0)), blur) for _ in range(int(rng.integers(1, 4)))
        )
        plain = replace(plain, ambient=0.75, key=0.25, glare=0.0, mirrored=tubes)
    elif kind == 2:
        plain = replace(plain, glare=0.0, mirrored=(_window(rng, blur),))
    elif kind == 3:
        share = float(rng.uniform(0.2, 0.4))
        plain = replace(plain, ambient=0.9 - share - 0.3, key=0.4, lamps=(Lamp(_place(rng), share),))
    elif kind == 4:
        dark = float(rng.uniform(0.15, 0.3))
        plain = replace(plain, ambient=dark, key=0.95 - dark, hard_shadow=bool(rng.integers(2)))
        warm = float(rng.uniform(0.1, 0.3))
    return plain, (1.0 + warm, 1.0, 1.0 - 1.5 * warm)


def random_camera(rng: Rng, width: int | None) -> CameraModel:
    """A phone's main camera, of 4:3; `width` in pixels, drawn from 8 to 12 megapixels where it is None."""
    size = int(rng.choice([3264, 3648, 4000, 4032])) if width is None else width
    f35 = int(rng.integers(23, 29))
    # the 35 mm equivalent by the diagonal, which phones round, and sensors are not what they are called
    f = f35 / 43.27 * 1.25 * size * float(rng.normal(1.0, 0.015))
    k1 = float(rng.normal(0.04, 0.05))
    dist = (
        k1,
        float(-1.7 * k1 + rng.normal(0.0, 0.02)),
        float(rng.normal(0.0, 4e-4)),
        float(rng.normal(0.0, 4e-4)),
        float(0.5 * k1 + rng.normal(0.0, 0.02)),
    )
    height = size * 3 // 4
    cx, cy = 0.5 * (size - 1) + 0.004 * size * rng.standard_normal(), 0.5 * (height - 1) + 0.004 * size * rng.normal()
    return CameraModel(f, float(cx), float(cy), dist, size, height, f"Bench {int(rng.integers(2, 99))}", f35)


def random_phone(rng: Rng, width: int, tint: Colour) -> Phone | None:
    """A phone's processing, from hardly any to strong; some pictures come from a plain sensor."""
    if rng.uniform() < 0.15:
        return None
    k = width / 4032.0
    ca = rng.normal(0.0, 2.5e-4, 2)
    return Phone(
        (float(ca[0]), float(ca[1])),
        bool(rng.uniform() < 0.85),
        bool(rng.integers(2)),
        float(rng.uniform(2.0, 6.0)),
        tint,
        float(rng.uniform(0.85, 1.12)),
        float(rng.uniform(0.0, 0.8)),
        float(rng.choice([0.0, rng.uniform(0.01, 0.06)])),
        float(rng.uniform(0.0, 0.35)),
        float(rng.uniform(25.0, 90.0)) * k,
        float(rng.uniform(0.0, 1.2)),
        float(rng.uniform(0.8, 1.6)),
    )


def hand_path(rng: Rng, length_px: float, steps: int = 8) -> tuple[tuple[float, float], ...]:
    """A path of about a length, straight on the whole: what a hand does during an exposure."""
    a = rng.uniform(0.0, 2.0 * math.pi)
    steady = np.array([math.cos(a), math.sin(a)]) + rng.normal(0.0, 0.5, (steps, 2))
    points = np.concatenate([np.zeros((1, 2)), np.cumsum(steady, axis=0)])
    points *= length_px / np.linalg.norm(np.diff(points, axis=0), axis=1).sum()
    return tuple((float(x), float(y)) for x, y in points)


def workshop_photos(
    rng: Rng, shape: RotorShape, around: int, camera: CameraModel, ring: dict[str, Any] | None = None
) -> list[Scene]:
    """A pair from above and `around` photographs from the side of one rotor, by one hand in one room.

    ring : definition of the ring that is printed; default one that fits the rotor.

    Elevations of those from the side are mixed from 20 to 50 deg. Every day has its own focus, every photograph a
    little of its own, its own blur and, one in three, a shake of 1 to 2 px.
    """
    ring = ring or ring_for(shape)
    outer = float(ring["outer_radius_mm"])
    lighting, tint = random_room(rng)
    bench, things = random_bench(rng), random_things(rng, outer + 12.0)
    spills = random_spills(rng, float(ring["inner_radius_mm"]))
    phone = random_phone(rng, camera.width, tint)
    common = Exposure(
        float(rng.uniform(0.7, 1.05)),
        full_well=float(rng.uniform(1000.0, 9000.0)),
        vignetting=float(rng.uniform(0.1, 0.4)),
        quality=int(rng.integers(82, 96)),
        phone=phone,
    )
    sharp, day = float(rng.uniform(0.5, 0.9)), 1.0 + float(rng.uniform(-5e-4, 5e-4))
    up, down = random_standing(rng, shape, False), random_standing(rng, shape, True)
    start = float(rng.uniform(0.0, 360.0))
    scenes = []
    for i, name in enumerate(("inlet", *(f"around-{k}" for k in range(1, around + 1)), "outlet")):
        focus = day * (1.0 + float(rng.uniform(-2e-4, 2e-4)))
        mine = replace(camera, f_px=camera.f_px * focus)
        aside = name.startswith("around")
        view = (
            around_view(rng, mine, outer, start + 360.0 * i / max(around, 1), FROM_AXIS_DEG)
            if aside
            else overhead_view(rng, mine, outer)
        )
        path = hand_path(rng, float(rng.uniform(1.0, 2.0))) if rng.uniform() < 1 / 3 else ()
        exposure = replace(
            common, blur_px=sharp * float(rng.uniform(0.9, 1.5)), path_px=path, seed=int(rng.integers(1 << 31))
        )
        scenes.append(
            Scene(
                mine,
                view,
                (RingPrint(ring),),
                shape,
                down if name == "outlet" else up,
                lighting,
                exposure,
                things,
                bench,
                spills,
                f"{name}.jpg",
            )
        )
    return scenes
