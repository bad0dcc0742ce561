"""python -m tests.synthetic OUTDIR --seed N: a random rotor's photographs, truth.json and ring.json."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np

from bladeangle.base.errors import BladeangleError, UsageError
from bladeangle.base.files import safe_name
from tests.synthetic.answers import truth
from tests.synthetic.photograph import write_json, write_photo
from tests.synthetic.random_scenes import ROTOR_VIEWS, random_rotor, rotor_photos, sheet_photos
from tests.synthetic.scene import CameraModel, Exposure, Scene


def write_set(folder: Path, scenes: list[Scene], name: str) -> None:
    """Write the photographs of `scenes`, their truth.json and the ring.json of their first sheet."""
    folder.mkdir(parents=True, exist_ok=True)
    write_json(folder / "truth.json", truth(scenes, name))
    write_json(folder / "ring.json", scenes[0].sheets[0].definition)
    for scene in scenes:
        write_photo(folder / scene.name, scene)
        sys.stderr.write(f"{safe_name(folder / scene.name)}\n")


def _size(text: str) -> tuple[int, int]:
    try:
        width, height = (int(part) for part in text.lower().split("x"))
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is not a size; write it as 2016x1512") from None
    return width, height


def main(argv: list[str] | None = None) -> int:
    """Run the command; returns the exit code."""
    parser = argparse.ArgumentParser(prog="python -m tests.synthetic", description=__doc__)
    parser.add_argument("folder", type=Path, metavar="OUTDIR")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--size", type=_size, default=(4032, 3024), metavar="WxH")
    parser.add_argument(
        "--views",
        nargs="+",
        default=list(ROTOR_VIEWS),
        metavar="VIEW",
        help=f"from {', '.join(ROTOR_VIEWS)}; or sheet for the calibration set alone",
    )
    parser.add_argument("--blades", type=int, choices=range(2, 7))
    parser.add_argument("--hand", choices=("left", "right"))
    parser.add_argument("--grey", action="store_true", help="grey instead of colour photographs (faster)")
    args = parser.parse_args(argv)
    try:
        camera = CameraModel().scaled(*args.size)
        exposure = Exposure(colour=not args.grey, blur_px=0.6)
        rng = np.random.default_rng(args.seed)
        hand = {None: None, "left": -1, "right": 1}[args.hand]
        shape = random_rotor(rng, args.blades, hand)
        if "sheet" in args.views and len(args.views) > 1:
            raise UsageError("sheet cannot be mixed with views of the rotor.", "Run the command twice.")
        scenes = rotor_photos(rng, shape, camera, views=() if "sheet" in args.views else args.views, exposure=exposure)
        if "sheet" in args.views:
            ring = rotor_photos(np.random.default_rng(args.seed), shape, camera)[0].sheets[0].definition
            scenes = sheet_photos(rng, ring, camera, exposure)
        write_set(args.folder, scenes, args.folder.resolve().name)
    except BladeangleError as error:
        sys.stderr.write(f"{error.message} {error.hint}\n")
        return error.exit_code
    return 0


if __name__ == "__main__":
    sys.exit(main())
