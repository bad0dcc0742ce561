"""A sound set of photographs with known truth -> what it is measured as, and what became of a spoiled one."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bladeangle.base.files import import_cv2
from bladeangle.base.flags import REGISTRY

Image = NDArray[np.uint8]


@dataclass(frozen=True)
class Sound:
    """A sound set: its photographs, their truth, camera and ring definitions.

    edges : photograph -> tip edges as they were followed in it, (n, 2) px each, for what is drawn along them.
    usual : doubts that it raises as it is.
    """

    name: str
    folder: Path
    truth: dict[str, Any]
    camera: dict[str, Any]
    ring: dict[str, Any]
    sides: int = 0
    edges: dict[str, list[NDArray[np.float64]]] = field(default_factory=dict)
    usual: frozenset[str] = frozenset()

    @classmethod
    def in_folder(cls, folder: Path, camera: Path, ring: Path, sides: int) -> Sound:
        """A folder's set, not measured yet."""
        truth, phone, definition = (json.loads(p.read_text()) for p in (folder / "truth.json", camera, ring))
        return cls(folder.name, folder, truth, phone, definition, sides)

    @property
    def around(self) -> list[Path]:
        """Photographs from the side, as many as belong to the case."""
        return sorted(self.folder.glob("around-*.jpg"))[: self.sides]

    def alike(self, other: Sound) -> bool:
        """Whether another set could be mixed up with this one: same phone, ring, blades and hand."""
        mine, its = (
            (s.camera["parameters"], s.ring, s.truth["rotor"]["blades"], s.truth["rotor"].get("hand") or 1)
            for s in (self, other)
        )
        return self.name != other.name and mine == its


@dataclass(frozen=True)
class Job:
    """What the person asks for; `named` are words or flag codes, one of which a refusal or doubt must have."""

    standing: list[Path]
    turned: list[Path]
    camera: dict[str, Any]
    ring: dict[str, Any]
    named: tuple[str, ...]


@dataclass(frozen=True)
class Verdict:
    """What became of a case: kind, worst error in standard uncertainties and in degrees, and what was said."""

    kind: str
    z: float
    error_deg: float
    said: str


def read(path: Path) -> Image:
    """The stored pixels, grey."""
    cv2 = import_cv2()
    return np.asarray(cv2.imread(str(path), cv2.IMREAD_GRAYSCALE | cv2.IMREAD_IGNORE_ORIENTATION), np.uint8)


def write(image: Image, like: Path, path: Path, quality: int = 92, *, exif: bool = True) -> Path:
    """A JPEG with the data of another photograph."""
    from PIL import Image as Pictures

    with Pictures.open(like) as source:
        block = source.info.get("exif", b"") if exif else b""
    Pictures.fromarray(image).save(path, "JPEG", quality=quality, **({"exif": block} if block else {}))
    return path


def job_of(sound: Sound, named: tuple[str, ...], **changed: Path) -> Job:
    """The set as it should be measured, with some photographs replaced."""
    files = {p.stem: p for p in (sound.folder / "inlet.jpg", *sound.around, sound.folder / "outlet.jpg")}
    files |= {name.replace("_", "-"): path for name, path in changed.items()}
    turned = files.pop("outlet")
    return Job(list(files.values()), [turned], sound.camera, sound.ring, named)


def worst(record: dict[str, Any], truth: dict[str, Any]) -> tuple[float, float]:
    """Worst error of single angles and of means over all blades: in standard uncertainties, and in degrees."""
    stations, count = ("entry", "middle", "exit"), len(truth["blades"])
    if len(record["blades"]) != count:
        return math.inf, math.inf
    z = error = 0.0
    for station in stations:
        true = [blade["mid"][station] for blade in truth["blades"]]
        found = [blade["stations"][station] for blade in record["blades"]]
        pairs = list(zip(found, true, strict=True))
        if all(found):
            pairs.append((record["rotor"]["stations"][station], sum(true) / count))
        for one, angle in pairs:
            if one is not None:
                off = abs(one["angle_deg"] - angle)
                z, error = max(z, off / max(one["standard_uncertainty_deg"], 1e-9)), max(error, off)
    return z, error


def _measured(job: Job, name: str) -> tuple[dict[str, Any], list[tuple[str, str]]]:
    """A job's record, and its doubts as code and text."""
    from bladeangle.imaging.camera import camera_from_dict
    from bladeangle.imaging.ring import ring_from_dict
    from bladeangle.pipeline.assemble import record_of
    from bladeangle.pipeline.measure import measure

    found = measure(job.standing, job.turned, ring_from_dict(job.ring), camera_from_dict(job.camera))
    doubts = [(f.code, f.text) for f in found.flags if REGISTRY[f.code].severity == "doubt"]
    return record_of(found, name).data, doubts


def judged(job: Job, sound: Sound) -> Verdict:
    """Measure a job and say what became of it.

    "within" 3 standard uncertainties ("within doubted" with the cause named), "doubted" or "refused" with the cause
    named, "misnamed" or "refused unnamed" with another, "silent" over 3 with no doubt that the set does not raise as
    it is.
    """
    from bladeangle.base.errors import BladeangleError

    try:
        record, doubts = _measured(job, sound.name)
    except BladeangleError as e:
        told = any(word in e.message + e.hint for word in job.named)
        return Verdict("refused" if told else "refused unnamed", 0.0, 0.0, f"({e.exit_code}) {e.message}")
    z, error = worst(record, sound.truth)
    doubts = [(code, text) for code, text in doubts if code not in sound.usual]
    said = "; ".join(f"{code}: {text}" for code, text in doubts)
    told = any(word in said for word in job.named)
    kind = "within" if z <= 3 else "doubted" if told else "misnamed" if doubts else "silent"
    return Verdict(f"{kind} doubted" if kind == "within" and told else kind, z, error, said)


def sound_set(sound: Sound, keep: Path | None = None) -> tuple[Sound, Verdict]:
    """The set with the edges that are followed in it and its usual doubts, and what its measurement says.

    keep : a folder in which what was found is kept for the next call.
    """
    kept = None if keep is None else keep / f"{sound.name}-{sound.sides}.json"
    if kept is not None and kept.exists():
        told = json.loads(kept.read_text())
    else:
        record, doubts = _measured(job_of(sound, ()), sound.name)
        z, error = worst(record, sound.truth)
        edges = {
            Path(photo["name"]).stem: [t["px"] for t in photo["traces"] if t["kind"] == "tip"]
            for photo in record["photos"]
        }
        told = {"z": z, "error": error, "doubts": sorted({code for code, _ in doubts}), "edges": edges}
        if kept is not None:
            kept.parent.mkdir(parents=True, exist_ok=True)
            kept.write_text(json.dumps(told))
    edges = {name: [np.array(edge, float) for edge in each] for name, each in told["edges"].items()}
    verdict = Verdict("sound", told["z"], told["error"], ", ".join(told["doubts"]))
    return replace(sound, edges=edges, usual=frozenset(told["doubts"])), verdict
