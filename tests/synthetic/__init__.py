"""Synthetic photographs: known rotor -> photograph and truth, for tests and demonstrations.

Independent of the measuring rooms: its own projection, its own geometry, so that a sign error cannot cancel itself.
From the project it uses only the errors and the atomic writing of files. Needs numba (extra `test`).

A set of photographs of a random rotor, on the command line::

    python -m tests.synthetic OUTDIR --seed 3 --size 2016x1512 --views inlet outlet around-1
    python -m tests.synthetic OUTDIR --seed 3 --views sheet        # the bare sheet, for calibrating

and in Python::

    rng = np.random.default_rng(3)
    shape = random_rotor(rng, blades=4)                         # or RotorShape(...) for a chosen one
    camera = CameraModel().scaled(2016, 1512)
    scenes = rotor_photos(rng, shape, camera, views=("inlet", "outlet"))
    image = render(scenes[0])                                   # uint8, BGR (grey: Exposure(colour=False))
    write_photo("inlet.jpg", scenes[0], image)                  # JPEG with EXIF data
    answers = truth(scenes, "rotor-3")                          # truth.json: camera, photos, blades
    ring = scenes[0].sheets[0].definition                       # ring.json
    bad = SCENE_FAULTS["nicked"](scenes[0], rng)                # see faults.py

Everything in a `Scene` is a frozen dataclass: change it with `dataclasses.replace`. The first call compiles for about
half a minute and is cached.
"""

from __future__ import annotations

from tests.synthetic.answers import station_angles, truth, wrap_deg
from tests.synthetic.faults import IMAGE_FAULTS, SCENE_FAULTS
from tests.synthetic.phone import Phone
from tests.synthetic.photograph import jpeg_bytes, radiance, render, write_json, write_photo
from tests.synthetic.random_scenes import (
    ROTOR_VIEWS,
    random_rotor,
    random_scene,
    ring_definition,
    ring_for,
    rotor_photos,
    sheet_photos,
)
from tests.synthetic.scene import (
    CameraModel,
    CameraPose,
    Damage,
    Exposure,
    Progressive,
    RingPrint,
    RotorShape,
    Scene,
    Stain,
    Standing,
)
from tests.synthetic.surroundings import Bench, Lamp, Lighting, Mirrored, ShadowEdge, Spill, Thing
from tests.synthetic.wear import Bent, EdgeWear, TipWear

__all__ = [
    "IMAGE_FAULTS",
    "ROTOR_VIEWS",
    "SCENE_FAULTS",
    "Bench",
    "Bent",
    "CameraModel",
    "CameraPose",
    "Damage",
    "EdgeWear",
    "Exposure",
    "Lamp",
    "Lighting",
    "Mirrored",
    "Phone",
    "Progressive",
    "RingPrint",
    "RotorShape",
    "Scene",
    "ShadowEdge",
    "Spill",
    "Stain",
    "Standing",
    "Thing",
    "TipWear",
    "jpeg_bytes",
    "radiance",
    "random_rotor",
    "random_scene",
    "render",
    "ring_definition",
    "ring_for",
    "rotor_photos",
    "sheet_photos",
    "station_angles",
    "truth",
    "wrap_deg",
    "write_json",
    "write_photo",
]
