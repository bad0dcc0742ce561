"""Sets of photographs of random rotors in random rooms, rendered into folders, and what measuring them gives.

A set of a kind and a seed is a folder `KIND-SEED` with `truth.json`, `ring.json`, `camera.json` (as a calibration would
have found the phone) and the photographs; of kind `change` it holds two such folders, `before` and `after`: the same
rotor, bent by a degree or so in between and photographed on another day. A set with its last truth is whole.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bladeangle.base.errors import BladeangleError
from bladeangle.base.files import import_cv2, write_text_atomic
from bladeangle.base.flags import REGISTRY
from bladeangle.batch.jobs import Job
from bladeangle.batch.work import measure_rotor
from bladeangle.imaging.camera import Camera, read_camera, write_camera
from bladeangle.imaging.ring import read_ring
from bladeangle.pipeline.measure import Options, nothing
from bladeangle.records.record import Record
from bladeangle.shop.judging import shared_covariance
from tests.synthetic import Scene, truth, write_json, write_photo
from tests.synthetic.scene import CameraModel
from tests.synthetic.workshop import random_camera, repitched, workshop_photos, workshop_rotor

Array = NDArray[np.float64]
#: Photographs from the side beside the overhead pair.
KINDS = {"pair": 0, "five": 3, "eight": 6, "change": 0}
#: Standard uncertainties that calibrations of phones of 4,000 px come out with: f, cx, cy in px, then k1 k2 p1 p2 k3.
CALIBRATED = np.array([2.2, 1.4, 1.4, 0.0012, 0.007, 6e-5, 6e-5, 0.018])


@dataclass(frozen=True)
class SetName:
    """One set: kind, seed and whether the rotor is used (else new)."""

    kind: str
    seed: int
    used: bool

    @property
    def folder(self) -> str:
        """The folder's name."""
        return f"{self.kind}-{'used' if self.used else 'new'}-{self.seed}"

    def folders(self, root: Path) -> list[Path]:
        """Where the photographs are: one folder a measurement."""
        base = root / self.folder
        return [base / "before", base / "after"] if self.kind == "change" else [base]


def set_named(folder: str) -> SetName:
    """The set that a folder's name stands for; ValueError when it stands for none."""
    kind, age, seed = folder.split("-")
    if kind not in KINDS or age not in ("used", "new"):
        raise ValueError(f"{folder!r} is not a set's name")
    return SetName(kind, int(seed), age == "used")


def render_set(name: SetName, root: Path, width: int | None = 3000, say: Callable[[str], None] = nothing) -> None:
    """Render a set under `root` unless it is there already; `width` None draws 8 to 12 megapixels."""
    rng = np.random.default_rng([name.seed, list(KINDS).index(name.kind), int(name.used)])
    model, shape = random_camera(rng, width), workshop_rotor(rng, name.used)
    camera = calibrated(rng, model)
    shapes = [shape, repitched(rng, shape)] if name.kind == "change" else [shape]
    for folder, one in zip(name.folders(root), shapes, strict=True):
        scenes = workshop_photos(rng, one, KINDS[name.kind], model)
        if not (folder / "truth.json").exists():
            write_set(folder, name.folder, model, camera, scenes, say)


def write_set(
    folder: Path, name: str, model: CameraModel, camera: Camera, scenes: list[Scene], say: Callable[[str], None]
) -> None:
    """Render scenes into a folder with their ring, the camera file and, last, the truth."""
    folder.mkdir(parents=True, exist_ok=True)
    for scene in scenes:
        write_photo(folder / scene.name, scene)
        say(f"{name}: {scene.name}")
    write_json(folder / "ring.json", scenes[0].sheets[0].definition)
    write_camera(camera, folder / "camera.json")
    answers = truth([replace(scene, camera=model) for scene in scenes], name)
    for photo, scene in zip(answers["photos"], scenes, strict=True):
        photo["f"] = scene.camera.f_px  # every photograph has its own focus
    write_json(folder / "truth.json", answers)


def calibrated(rng: np.random.Generator, model: CameraModel) -> Camera:
    """The camera file of a phone, wrong by as much as it says."""
    sigma = CALIBRATED * np.array([model.width / 4000.0] * 3 + [1.0] * 5)
    values = np.array([model.f_px, model.cx_px, model.cy_px, *model.dist])
    known = {"phone": f"Workshop {model.name}", "focal_35mm": model.focal_35mm}
    return Camera(
        "rendered", model.width, model.height, values + sigma * rng.normal(size=8), np.diag(sigma**2), True, known
    )


# --- measuring -------------------------------------------------------------------------------------------------------


def measured(folder: Path, calibrated: bool, options: Options) -> Record:
    """The record of a folder of photographs, measured as the command does it; errors are passed on."""
    paths = sorted(folder.glob("*.jpg"), key=lambda p: (not p.name.startswith("inlet"), p.name))
    camera = read_camera(folder / "camera.json") if calibrated else None
    standing, turned = ([p for p in paths if (p.name == "outlet.jpg") is over] for over in (False, True))
    job = Job(folder.name, tuple(standing), tuple(turned))
    return measure_rotor(job, read_ring(folder / "ring.json"), camera, options)


def outcome(name: SetName, root: Path, calibrated: bool = True, options: Options | None = None) -> dict[str, Any]:
    """What a set's measurement gave, ready for JSON.

    Keys `set`, `kind`, `used`, and either `refused` (the message) or: labels, true_deg, angle_deg, u_deg, half_deg
    (95 %), covariance_deg2, missing, doubts (codes), notes (codes), radius (see `radius_errors`). Of a change the
    angles are differences, after less before, with the covariance that the records share.
    """
    import_cv2().setNumThreads(1)
    out: dict[str, Any] = {"set": name.folder, "kind": name.kind, "used": name.used, "calibrated": calibrated}
    answers, records = [], []
    try:
        for folder in name.folders(root):
            answers.append(json.loads((folder / "truth.json").read_text()))
            records.append(measured(folder, calibrated, options or Options()))
            write_text_atomic(folder / "record.json", json.dumps(records[-1].data))
    except BladeangleError as error:
        return out | {"refused": error.message, "exit_code": error.exit_code}
    flags = {f.code for record in records for f in record.content.flags}
    doubts = {code for code in flags if REGISTRY[code].severity == "doubt"}
    errors = [radius_errors(r.data, t) for r, t in zip(records, answers, strict=True)]
    out |= _angles(records[0], answers[0]) if len(records) == 1 else _changes(records, answers)
    return out | {
        "doubts": sorted(doubts),
        "notes": sorted(flags - doubts),
        "missing": sum(3 * len(t["blades"]) for t in answers[:1]) - len(out["labels"]),
        "radius": next((e for e in errors if e), None),
    }


def _true(answers: dict[str, Any], label: str) -> float:
    blade, station = label.split(".")
    return float(answers["blades"][int(blade) - 1]["mid"][station])


def _angles(record: Record, answers: dict[str, Any]) -> dict[str, Any]:
    labels, values, covariance = record.angles()
    found = [record.station(int(x.split(".")[0]), x.split(".")[1]) for x in labels]
    stations = [s for s in found if s is not None]
    return {
        "labels": list(labels),
        "true_deg": [_true(answers, x) for x in labels],
        "angle_deg": values.tolist(),
        "u_deg": [s.standard_uncertainty_deg for s in stations],
        "half_deg": [s.expanded_uncertainty_deg for s in stations],
        "covariance_deg2": covariance.tolist(),
    }


def _changes(records: list[Record], answers: list[dict[str, Any]]) -> dict[str, Any]:
    (labels0, before, c0), (labels1, after, c1) = (record.angles() for record in records)
    common = [x for x in labels1 if x in labels0]
    i, j = ([labels.index(x) for x in common] for labels in (labels0, labels1))
    shared = shared_covariance(records[1], records[0])[np.ix_(j, i)]
    covariance = c1[np.ix_(j, j)] + c0[np.ix_(i, i)] - shared - shared.T
    u = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    true = [_true(answers[1], x) - _true(answers[0], x) for x in common]
    return {
        "labels": common,
        "true_deg": true,
        "angle_deg": (after[j] - before[i]).tolist(),
        "u_deg": u.tolist(),
        "half_deg": (1.96 * u).tolist(),
        "covariance_deg2": covariance.tolist(),
    }


def found_radii(blade: dict[str, Any]) -> tuple[Array, Array, Array] | None:
    """Arc from the leading edge, tip radius and standard uncertainty (n,) mm of a record's blade, if it has them."""
    for place in (blade.get("tip_radius"), blade.get("curve")):
        if isinstance(place, dict) and place.get("radius_mm"):
            radius = np.array(place["radius_mm"], float)
            u = place.get("radius_uncertainty_mm", place.get("standard_uncertainty_mm", [math.nan] * len(radius)))
            return np.array(place["arc_mm"], float), radius, np.array(u, float)
    return None


def radius_errors(record: dict[str, Any], answers: dict[str, Any]) -> dict[str, Any] | None:
    """Errors of the tip radius along the blades of a record, mm: `error_mm` and `u_mm` at every 5 mm, all blades, and
    `wear_mm` (found less true) of the radius lost over the first 25 mm. None when the record has no radii."""
    errors, us, wear = [], [], []
    for blade, true in zip(record["blades"], answers["blades"], strict=True):
        found = found_radii(blade)
        if found is None:
            continue
        arc, radius, u = found
        at = np.arange(3.0, min(arc[-1], true["arc_mm"][-1]) - 3.0, 5.0)
        here = np.interp(at, true["arc_mm"], true["radius_mm"])
        off = np.interp(at, arc, radius) - here
        errors.append(off)
        us.append(np.interp(at, arc, u))
        wear.append(float(np.interp(25.0, at, off) - off[0]))
    if not errors:
        return None
    return {
        "error_mm": np.concatenate(errors).round(4).tolist(),
        "u_mm": [None if np.isnan(x) else round(float(x), 4) for x in np.concatenate(us)],
        "wear_mm": np.round(wear, 4).tolist(),
    }
