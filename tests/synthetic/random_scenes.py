"""Random but realistic rotors, rings and sets of photographs; every draw comes from the generator passed in."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from bladeangle.base.errors import UsageError
from tests.synthetic.scene import (
    CameraModel,
    CameraPose,
    Exposure,
    Progressive,
    RingPrint,
    RotorShape,
    Scene,
    Standing,
    tip_curve,
)
from tests.synthetic.surroundings import Lighting
from tests.synthetic.wear import AngleLaw

#: The standard photographs of a rotor, and of the bare sheet.
ROTOR_VIEWS = ("inlet", "outlet", *(f"around-{i}" for i in range(1, 7)))
SHEET_VIEWS = tuple(f"sheet-{i}" for i in range(1, 9))
_TOO_TALL_MM, _SHORTEST_TIP_MM, _LOWEST_EYE_MM = 52.0, 84.0, 280.0


def ring_definition(
    inner_radius_mm: float = 107.0,
    side_mm: float = 18.0,
    count: int = 24,
    dictionary: str = "DICT_5X5_50",
    name: str = "synthetic ring",
) -> dict[str, Any]:
    """A ring definition of `count` square markers on a circle, upright outward, marker 0 at the arrow."""
    outer = inner_radius_mm + side_mm
    square = np.array(
        [[outer, side_mm / 2], [outer, -side_mm / 2], [inner_radius_mm, -side_mm / 2], [inner_radius_mm, side_mm / 2]]
    )
    markers = []
    for i in range(count):
        a = 2.0 * math.pi * i / count
        turn = np.array([[math.cos(a), math.sin(a)], [-math.sin(a), math.cos(a)]])
        markers.append({"id": i, "corners_mm": np.round(square @ turn, 4).tolist()})
    return {
        "name": name,
        "units": "mm",
        "index_azimuth_deg": 0.0,
        "dictionary": dictionary,
        "inner_radius_mm": round(inner_radius_mm, 4),
        "outer_radius_mm": round(outer, 4),
        "markers": markers,
    }


def ring_for(shape: RotorShape, eye_height_mm: float = _LOWEST_EYE_MM, spare_mm: float = 6.0) -> dict[str, Any]:
    """A ring that the rotor's tips do not hide from a camera at `eye_height_mm` over the sheet."""
    top = max(shape.lead_height_mm, shape.height_mm - shape.base_mm)
    inner = math.ceil(shape.tip_radius_mm * eye_height_mm / (eye_height_mm - top) + spare_mm)
    return ring_definition(float(inner), 18.0, int(2.0 * math.pi * inner / 27.5))


def random_rotor(
    rng: np.random.Generator, blades: int | None = None, hand: int | None = None, blade_sigma_deg: float = 0.3
) -> RotorShape:
    """A rotor of 2 to 6 blades, either hand, constant or progressive pitch, overlapping or not.

    Blades differ by `blade_sigma_deg` in entry and exit. The tip is long enough for both stations; where the blades
    would stand too tall for the ring they are shortened.
    """
    blades = int(rng.integers(2, 7)) if blades is None else blades
    hand = int(rng.choice([-1, 1])) if hand is None else hand
    radius = float(rng.uniform(60.0, 80.0))
    entry = float(rng.uniform(7.0, 20.0))
    exit_ = entry + float(rng.choice([0.0, rng.uniform(0.0, 10.0)], p=[0.2, 0.8]))
    form = float(rng.uniform(0.8, 1.6))
    laws: list[AngleLaw] = [
        Progressive(
            entry + float(rng.normal(0.0, blade_sigma_deg)), exit_ + float(rng.normal(0.0, blade_sigma_deg)), form
        )
        for _ in range(blades)
    ]
    mean = math.radians(0.5 * (entry + exit_))
    length = math.radians(float(rng.uniform(300.0, 560.0)) / blades) * radius / math.cos(mean)
    length = max(min(length, _TOO_TALL_MM / math.sin(mean), math.radians(200.0) * radius), _SHORTEST_TIP_MM)
    hub = radius * float(rng.uniform(0.44, 0.58))
    nose = hub * float(rng.uniform(0.6, 0.75))
    thickness = float(rng.uniform(0.8, 3.4))
    shape = RotorShape(
        blades=blades,
        hand=hand,
        tip_radius_mm=radius,
        hub_radius_mm=hub,
        nose_radius_mm=nose,
        bore_radius_mm=nose * float(rng.uniform(0.45, 0.62)),
        outlet_bore_radius_mm=hub * float(rng.uniform(0.35, 0.5)),
        tip_length_mm=length,
        thickness_mm=thickness,
        root_thickness_mm=thickness + float(rng.uniform(0.3, 1.5)),
        edge_round_mm=float(rng.uniform(1.0, 1.5)) * thickness,
        sweep_mm=float(rng.uniform(5.0, 25.0)),
        base_mm=float(rng.uniform(3.0, 7.0)),
        reflectance=float(rng.uniform(0.55, 1.0)),
        laws=tuple(laws),
    )
    drop = max(float(tip_curve(shape, b).drop_mm[-1]) for b in range(blades))
    return replace(shape, height_mm=shape.base_mm + drop + float(rng.uniform(6.0, 14.0)))


def random_standing(
    rng: np.random.Generator, shape: RotorShape, flipped: bool, offset_mm: float = 5.0, tilt_deg: float | None = None
) -> Standing:
    """The rotor put down by hand: blade 1's upper tip within a few degrees of the arrow."""
    tilt_deg = (0.5 if flipped else 0.3) if tilt_deg is None else tilt_deg

    def disc(radius: float) -> tuple[float, float]:
        r, a = radius * math.sqrt(rng.uniform()), rng.uniform(0.0, 2.0 * math.pi)
        return float(r * math.cos(a)), float(r * math.sin(a))

    spin = float(rng.uniform(-4.0, 4.0))
    if flipped:
        # Turned over about x, the trailing tip of blade 1 lies at +hand * wrap and is brought to the arrow.
        spin -= shape.hand * math.degrees(tip_curve(shape, 0).phi_rad[-1])
    return Standing(disc(offset_mm), disc(tilt_deg), spin, flipped)


def _reach(camera: CameraModel, outer_radius_mm: float, spare_mm: float) -> float:
    """Lowest distance at which a circle fits the picture's short side."""
    return (outer_radius_mm + spare_mm) * 2.0 * camera.f_px / min(camera.width, camera.height)


def overhead_view(rng: np.random.Generator, camera: CameraModel, outer_radius_mm: float) -> CameraPose:
    """A hand-held view from above: 280 to 360 mm high, up to 15 mm off the axis, turned anyhow."""
    low = max(_LOWEST_EYE_MM, _reach(camera, outer_radius_mm, 12.0))
    eye = np.array([*rng.uniform(-10.0, 10.0, 2), rng.uniform(low, max(360.0, low + 15.0))])
    return CameraPose.looking(eye, np.array([*rng.uniform(-4.0, 4.0, 2), 0.0]), float(rng.uniform(0.0, 360.0)))


def around_view(
    rng: np.random.Generator,
    camera: CameraModel,
    outer_radius_mm: float,
    azimuth_deg: float,
    from_axis_deg: tuple[float, float] = (40.0, 52.0),
) -> CameraPose:
    """An oblique view from about an azimuth, aimed a little over the sheet's middle."""
    a = math.radians(azimuth_deg + float(rng.uniform(-8.0, 8.0)))
    b = math.radians(float(rng.uniform(*from_axis_deg)))
    distance = max(float(rng.uniform(335.0, 395.0)), _reach(camera, outer_radius_mm, 30.0))
    eye = distance * np.array([math.sin(b) * math.cos(a), math.sin(b) * math.sin(a), math.cos(b)])
    target = np.array([*rng.uniform(-6.0, 6.0, 2), 15.0])
    return CameraPose.looking(eye, target, float(rng.uniform(-12.0, 12.0)))


def random_lighting(rng: np.random.Generator) -> Lighting:
    """A bright room with one main lamp; now and then a lamp that glares off the metal."""
    a, b = rng.uniform(0.0, 2.0 * math.pi), math.radians(rng.uniform(15.0, 45.0))
    key = 950.0 * np.array([math.sin(b) * math.cos(a), math.sin(b) * math.sin(a), math.cos(b)])
    share = float(rng.uniform(0.3, 0.6))
    return Lighting(
        ambient=1.0 - share,
        key=share,
        key_position_mm=(float(key[0]), float(key[1]), float(key[2])),
        glare=float(rng.choice([0.0, 0.4])),
    )


def rotor_photos(
    rng: np.random.Generator,
    shape: RotorShape,
    camera: CameraModel | None = None,
    ring: dict[str, Any] | None = None,
    views: Sequence[str] = ROTOR_VIEWS,
    lighting: Lighting | None = None,
    exposure: Exposure | None = None,
) -> list[Scene]:
    """The standard photographs of one rotor: inlet end up and turned over from above, and six walked round it.

    All views are drawn whichever are wanted, so that a seed means the same rotor and poses for any choice of views.

    Raises
    ------
    UsageError : a view is not one of `ROTOR_VIEWS`.
    """
    for name in views:
        if name not in ROTOR_VIEWS:
            raise UsageError(f"there is no view {name!r}.", f"Choose from {', '.join(ROTOR_VIEWS)}.")
    camera = camera or CameraModel()
    ring = ring or ring_for(shape)
    lighting = lighting or random_lighting(rng)
    exposure = exposure or Exposure()
    up, down = random_standing(rng, shape, False), random_standing(rng, shape, True)
    outer, start = float(ring["outer_radius_mm"]), float(rng.uniform(0.0, 360.0))
    scenes = {}
    for i, name in enumerate(ROTOR_VIEWS):
        view = overhead_view(rng, camera, outer) if i < 2 else around_view(rng, camera, outer, start + 60.0 * i)
        seed = int(rng.integers(1 << 31))
        scenes[name] = Scene(
            camera,
            view,
            (RingPrint(ring),),
            shape,
            down if name == "outlet" else up,
            lighting,
            replace(exposure, seed=seed),
            name=f"{name}.jpg",
        )
    return [scenes[name] for name in views]


def random_scene(rng: np.random.Generator, camera: CameraModel | None = None, view: str = "inlet") -> Scene:
    """One photograph of a random rotor."""
    return rotor_photos(rng, random_rotor(rng), camera, views=(view,))[0]


def sheet_photos(
    rng: np.random.Generator,
    ring: dict[str, Any],
    camera: CameraModel | None = None,
    exposure: Exposure | None = None,
    count: int = 8,
) -> list[Scene]:
    """Photographs of the bare sheet for calibrating a camera: one from above, the others tilted 20 to 45 degrees."""
    camera, exposure = camera or CameraModel(), exposure or Exposure()
    outer, lighting = float(ring["outer_radius_mm"]), random_lighting(rng)
    scenes = []
    for i in range(count):
        if i == 0:
            view = overhead_view(rng, camera, outer)
        else:
            view = around_view(rng, camera, outer, 360.0 * i / max(count - 1, 1), (20.0, 45.0))
            roll = float(rng.choice([0.0, 90.0, 180.0, 270.0]))
            view = CameraPose.looking(view.eye_mm, np.array([*rng.uniform(-12.0, 12.0, 2), 0.0]), roll)
        scenes.append(
            Scene(
                camera,
                view,
                (RingPrint(ring),),
                lighting=lighting,
                exposure=replace(exposure, seed=int(rng.integers(1 << 31))),
                name=f"sheet-{i + 1}.jpg",
            )
        )
    return scenes
