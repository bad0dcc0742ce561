"""Rotors of a make, alike but for a degree or so, photographed with one phone on one ring, rendered into folders.

What mixes up whole rotors needs sets that could be mixed up. Beside the usual photographs every set has `arrow.jpg`:
the rotor turned over and put down with another blade at the arrow.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from bladeangle.imaging.camera import Camera
from bladeangle.pipeline.measure import nothing
from tests.campaign.pictures import Rng
from tests.rendered_sets import calibrated, write_set
from tests.synthetic import Scene
from tests.synthetic.random_scenes import overhead_view, ring_for
from tests.synthetic.scene import CameraModel
from tests.synthetic.workshop import random_camera, random_wear, repitched, workshop_photos, workshop_rotor


def _put_down_otherwise(rng: Rng, outlet: Scene, ring: dict[str, Any]) -> Scene:
    """The outlet end once more, with the next blade or the one before at the arrow."""
    assert outlet.rotor is not None
    turn = float(rng.choice([-1, 1])) * 360 / outlet.rotor.blades + float(rng.uniform(-4, 4))
    standing = replace(outlet.standing, spin_deg=outlet.standing.spin_deg + turn)
    view = overhead_view(rng, outlet.camera, float(ring["outer_radius_mm"]))
    exposure = replace(outlet.exposure, seed=int(rng.integers(1 << 31)))
    return replace(outlet, standing=standing, view=view, exposure=exposure, name="arrow.jpg")


def make(seed: int, rotors: int, sides: int, width: int | None) -> Iterator[tuple[list[Scene], CameraModel, Camera]]:
    """The scenes of every rotor of a make, the phone, and its camera file, wrong by as much as it says."""
    rng = np.random.default_rng(seed)
    model, first = random_camera(rng, width), workshop_rotor(rng, bool(rng.uniform() < 0.7))
    shapes = [first]
    for _ in range(rotors - 1):
        used = bool(rng.uniform() < 0.7)
        shapes.append(replace(repitched(rng, first), wear=random_wear(rng, first.blades, used), damage=(), stains=()))
    ring = max((ring_for(shape) for shape in shapes), key=lambda r: float(r["outer_radius_mm"]))
    camera = calibrated(rng, model)
    for shape in shapes:
        scenes = workshop_photos(rng, shape, sides, model, ring)
        yield [*scenes, _put_down_otherwise(rng, scenes[-1], ring)], model, camera


def render(folder: Path, seed: int, rotors: int = 2, sides: int = 3, width: int | None = 3000) -> list[Path]:
    """Render a make's rotors into `folder/make-SEED-K`, those that are not there; the folders."""
    out = []
    for k, (scenes, model, camera) in enumerate(make(seed, rotors, sides, width)):
        out.append(folder / f"make-{seed}-{k}")
        if not (out[-1] / "truth.json").exists():
            write_set(out[-1], out[-1].name, model, camera, scenes, nothing)
    return out


def main(argv: list[str] | None = None) -> int:
    """Render makes of rotors for `tests.campaign.mistakes`."""
    parser = argparse.ArgumentParser(prog="python -m tests.campaign.makes", description=main.__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--seed", type=int, required=True, help="of the first make; those after have the next ones")
    parser.add_argument("--makes", type=int, default=4)
    parser.add_argument("--rotors", type=int, default=2)
    parser.add_argument("--sides", type=int, default=3)
    parser.add_argument("--width", type=int, default=3000, help="of a photograph, px")
    args = parser.parse_args(argv)
    for seed in range(args.seed, args.seed + args.makes):
        for folder in render(args.folder, seed, args.rotors, args.sides, args.width):
            sys.stdout.write(f"{folder}\n")
            sys.stdout.flush()
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
