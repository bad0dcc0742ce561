"""A random rotor rendered small, and measured: for the tests and for the benchmark of rendered photographs."""

from __future__ import annotations

import tempfile
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from seeds import generator

from bladeangle.imaging.camera import Camera
from bladeangle.imaging.ring import ring_from_dict
from bladeangle.pipeline.measure import Measurement, Options, measure
from tests.synthetic import random_rotor, rotor_photos, truth, write_photo
from tests.synthetic.scene import CameraModel, Exposure

#: Size of the photographs, small so that dozens fit into the time of the tests.
SIZE = (2016, 1512)
PAIR = ("inlet", "outlet")
EIGHT = (*PAIR, *(f"around-{k}" for k in range(1, 7)))


def rendered(
    folder: Path,
    seed: int,
    views: tuple[str, ...] = PAIR,
    overlap: float | None = None,
    thickness_mm: float | None = None,
) -> tuple[Measurement, dict[str, Any]]:
    """Render the views of a random rotor into a folder and measure them; with the truth. Raises what measuring does.

    overlap : how long its blades are, as a share of the pitch between them, roughly; otherwise drawn.
    thickness_mm : of its blades at the tip; otherwise drawn.
    """
    rng = generator(seed)
    model = CameraModel().scaled(*SIZE)
    shape = random_rotor(rng)
    if overlap is not None:
        shape = replace(shape, tip_length_mm=overlap * 2 * np.pi * shape.tip_radius_mm / shape.blades)
    if thickness_mm is not None:
        shape = replace(shape, thickness_mm=thickness_mm)
    scenes = rotor_photos(rng, shape, model, views=views, exposure=Exposure(colour=False, blur_px=0.6))
    for scene in scenes:
        write_photo(folder / scene.name, scene)
    true = truth(scenes, f"rotor-{seed}")
    values = np.array([true["camera"][k] for k in ("f", "cx", "cy")] + list(true["camera"]["dist"]))
    sigma = np.array([1.3, 0.4, 0.4, 0.001, 0.01, 4e-5, 4e-5, 0.02])  # as calibrations of such pictures come out
    known = {"phone": f"Workshop {model.name}", "focal_35mm": model.focal_35mm}  # as a calibration writes it
    camera = Camera("rendered", *SIZE, values + sigma * rng.normal(size=8), np.diag(sigma**2), True, known)
    ring = ring_from_dict(scenes[0].sheets[0].definition)
    paths = [folder / scene.name for scene in scenes]
    standing = [path for path in paths if path.name != "outlet.jpg"]
    turned = [path for path in paths if path.name == "outlet.jpg"]
    return measure(standing, turned, ring, camera, Options()), true


def pair_and_two() -> tuple[Measurement, dict[str, Any]]:
    """A rendered pair with two photographs from the side, measured; tests take the fixture of this name."""
    with tempfile.TemporaryDirectory() as folder:
        return rendered(Path(folder), 704, (*PAIR, "around-1", "around-4"))
