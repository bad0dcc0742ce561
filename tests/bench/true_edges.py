"""Do followed edges lie where the rotor's edges are? Points of records of rendered sets against the truth.

On the command line, from the project's root, after `tests.bench.rendered` has measured the sets of a folder::

    python -m tests.bench.true_edges SETS/five-* SETS/eight-*

prints, for near and far edges from the side and those from overhead, how many runs there are (one blade's edge of one
face in one photograph), the median and root mean square distance of their points from the true edge and the root mean
square of the runs' medians; and by name every run that lies off as a whole, as an edge does that was taken for another.
Runs that lie off are left out of the figures. The truth's own cameras and poses are used, so that nothing of the
measurement's is.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))  # what renders lies beside the tests

from rendered_sets import KINDS, SetName, set_named

from bladeangle.base.files import import_cv2
from tests.synthetic import RotorShape
from tests.synthetic.scene import half_thickness, tip_curve
from tests.synthetic.workshop import random_camera, workshop_rotor

Array = NDArray[np.float64]

#: A run whose median point lies farther off than this followed something else, px.
OTHER_EDGE_PX = 1.2
#: Fewest points of a run that is judged.
FEWEST = 3
#: Spacing of the true edge, mm.
STEP_MM = 0.1


def shape_of(name: SetName, width: int = 3000) -> RotorShape:
    """The rotor of a set as `rendered_sets.render_set` draws it; before the work where it is of kind `change`."""
    rng = np.random.default_rng([name.seed, list(KINDS).index(name.kind), int(name.used)])
    random_camera(rng, width)
    return workshop_rotor(rng, name.used)


def true_edge(shape: RotorShape, blade: int, side: int) -> Array:
    """Points (n, 3) mm, rotor frame, of the tip edge of a blade (from 0) on the inlet (+1) or outlet face (-1)."""
    curve = tip_curve(shape, blade)
    along = np.arange(0.0, shape.tip_length_mm, STEP_MM)
    angle, around, drop, radius = curve.at(along)
    half = half_thickness(shape, along, shape.thickness_mm)
    phi = around + side * np.sin(angle) * half / radius
    azimuth = 2 * np.pi * blade / shape.blades - shape.hand * phi
    height = shape.lead_height_mm - drop + side * np.cos(angle) * half
    return np.stack([radius * np.cos(azimuth), radius * np.sin(azimuth), height], 1)


def runs(folder: Path) -> Iterator[tuple[str, str, Array]]:
    """Of every run of a measured set what it is seen as, its name, and how far (n,) px above the true edge it lies."""
    cv2 = import_cv2()
    record, answers = (json.loads((folder / f"{name}.json").read_text()) for name in ("record", "truth"))
    shape, camera = shape_of(set_named(folder.name)), answers["camera"]
    truth = {photo["file"]: photo for photo in answers["photos"]}
    for photo in record["photos"]:
        true = truth[photo["name"]]
        pose = np.array(true["rotor_pose"])
        eye = pose[:3, :3].T @ (np.array(true["eye"]) - pose[:3, 3])
        matrix = np.array([[true["f"], 0, camera["cx"]], [0, true["f"], camera["cy"]], [0, 0, 1.0]])
        turn = cv2.Rodrigues(np.array(true["R"]))[0]

        def pixels(points: Array, pose: Array = pose, turn: Array = turn, true: Any = true, k: Array = matrix) -> Array:
            ring = points @ pose[:3, :3].T + pose[:3, 3]
            out: Array = cv2.projectPoints(ring, turn, np.array(true["t"]), k, np.array(camera["dist"]))[0][:, 0]
            return out

        for trace in photo["traces"]:
            kept = np.array(trace["kept"], bool)
            if trace["kind"] != "tip" or kept.sum() < FEWEST:
                continue
            edge = true_edge(shape, trace["blade"] - 1, 1 if trace["face"] == "inlet" else -1)
            on = pixels(edge)
            tangent = np.gradient(on, axis=0)
            normal = np.stack([-tangent[:, 1], tangent[:, 0]], 1) / np.hypot(*tangent.T)[:, None]
            normal *= np.sign((normal * (pixels(edge + np.array([0, 0, 0.1])) - on)).sum(1))[:, None]
            px = np.array(trace["px"])[kept]
            nearest = np.array([int(((on - p) ** 2).sum(1).argmin()) for p in px])
            off: Array = ((px - on[nearest]) * normal[nearest]).sum(1)
            outward = (edge[nearest, :2] * (eye - edge[nearest])[:, :2]).sum(1)
            side = "far side" if np.median(outward) < 0 else f"near side, {trace['face']} face"
            seen = "overhead" if photo["view"] == "overhead" else side
            yield seen, f"{folder.name}, {photo['name']}, blade {trace['blade']}, {trace['face']} face", off


def main(argv: list[str] | None = None) -> int:
    """The command; 1 when a run followed another edge."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.bench.true_edges", description=(__doc__ or "").split("\n")[0]
    )
    parser.add_argument("folders", nargs="+", type=Path, help="measured sets")
    found: dict[str, list[Array]] = {}
    others = 0
    for folder in parser.parse_args(argv).folders:
        if not (folder / "record.json").exists():
            continue
        for seen, name, off in runs(folder):
            if abs(np.median(off)) > OTHER_EDGE_PX:
                others += 1
                print(f"{name}: {len(off)} points lie {np.median(off):+.1f} px off, seen as {seen}")
            else:
                found.setdefault(seen, []).append(off)
    for seen, some in sorted(found.items()):
        points, medians = np.concatenate(some), np.array([np.median(off) for off in some])
        print(
            f"{seen:24}{len(some):5} runs{len(points):7} points: median {np.median(np.abs(points)):.3f} px, "
            f"rms {np.sqrt(np.mean(points**2)):.3f}, of medians {np.sqrt(np.mean(medians**2)):.3f}"
        )
    return int(others > 0)


if __name__ == "__main__":
    sys.exit(main())
