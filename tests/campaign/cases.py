"""Cases: one fault, one rotor, one draw -> files in a folder, the command's words, and the outcomes it may have."""

from __future__ import annotations

import copy
import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from bladeangle.base.files import write_bytes_atomic
from tests.synthetic import IMAGE_FAULTS, SCENE_FAULTS, Scene

from .bases import Base, image_of, jpeg_of, write_json_file
from .spoil import BYTES, MEASURED, PLACES, UNREADABLE

Rng = np.random.Generator
Outcomes = frozenset[str | int]
REFUSED_OR_MEASURED: Outcomes = MEASURED | {3, 5, 6, 7}

#: Outcomes that a spoiled scene or picture may have.
SCENES: dict[str, Outcomes] = {
    "mirrored_ring": frozenset({4, 5}),
    "no_ring": frozenset({5}),
    "no_rotor": frozenset({6}),
    "on_side": frozenset({5, 6, 7}),
    "two_rings": frozenset({"flagged", 5}),
    "away_from_arrow": frozenset({"flagged", 6, 7}),
    "wrong_scale": MEASURED | {4, 6, 7},
    "rotor_over_ring": frozenset({"flagged", 5, 6, 7}),
    **dict.fromkeys(("nicked", "dented", "stained", "bent_sheet", "stretched", "loose_pieces"), MEASURED | {6, 7}),
}
IMAGES: dict[str, Outcomes] = {
    "mirrored": frozenset({5}),
    **dict.fromkeys(("cropped", "resized", "screenshot"), UNREADABLE | {"flagged", 5}),
}
#: What belongs to sheet or rotor is spoiled in all photographs alike.
EVERYWHERE = {
    "wrong_scale",
    "stretched",
    "mirrored_ring",
    "bent_sheet",
    "loose_pieces",
    "nicked",
    "dented",
    "stained",
    "no_ring",
    "rotor_over_ring",
}


@dataclass(frozen=True)
class Case:
    """A case laid out in `folder`: the command's words after `measure`, and what may become of it."""

    fault: str
    base: Base
    folder: Path
    words: tuple[str, ...]
    allowed: Outcomes


@dataclass
class _Job:
    """What a mixed-up command is made from; the functions of `MIXED` change it."""

    base: Base
    other: Base
    inlet: list[Path]
    outlet: list[Path]
    camera: dict[str, Any] | None
    ring: dict[str, Any]
    options: list[str]


def _swapped(job: _Job, rng: Rng) -> None:
    """The photographs of the two standings exchanged."""
    job.inlet, job.outlet = job.outlet, job.inlet


def _same_twice(job: _Job, rng: Rng) -> None:
    """One photograph named for both standings."""
    job.outlet = list(job.inlet)


def _turned_untold(job: _Job, rng: Rng) -> None:
    """Both photographs named as inlet end up."""
    job.inlet, job.outlet = job.inlet + job.outlet, []


def _other_rotor(job: _Job, rng: Rng) -> None:
    """The turned photograph shows another rotor (on its own ring)."""
    scene = job.other.scenes["outlet"]
    path = job.inlet[0].parent / "other.jpg"
    write_bytes_atomic(path, jpeg_of(scene, image_of(scene, job.base.cache)))
    job.outlet = [path]


def _no_camera(job: _Job, rng: Rng) -> None:
    """The phone was never calibrated."""
    job.camera = None


def _wrong_camera(job: _Job, rng: Rng) -> None:
    """Another phone's camera file, which says so or says nothing: the focal length 3 to 8 % off, thought well known.

    One that claims to be this phone's cannot be told from it by photographs from above.
    """
    assert job.camera is not None
    names = {"phone": "Workshop Another 3", "focal_35mm": 27}
    job.camera["provenance"] = names if rng.uniform() < 0.5 else {}
    job.camera["parameters"]["f_px"] *= 1 + float(rng.choice([-1, 1]) * rng.uniform(0.03, 0.08))


def _camera_nan(job: _Job, rng: Rng) -> None:
    assert job.camera is not None
    key = str(rng.choice(list(job.camera["parameters"])))
    job.camera["parameters"][key] = float(rng.choice([math.nan, math.inf, -math.inf, 1e308]))


def _camera_odd(job: _Job, rng: Rng) -> None:
    """An unknown key, another version, a covariance that is none, a value of the wrong kind."""
    camera = job.camera
    assert camera is not None
    kind = int(rng.integers(5))
    if kind == 0:
        camera["surprise"] = 1
    elif kind == 1:
        camera["schema"] = "bladeangle-camera/99"
    elif kind == 2:
        camera["covariance"][0][0] = -1.0
    elif kind == 3:
        camera["width"] = "wide"
    else:
        camera["parameters"] = [1, 2, 3]


def _ring_nan(job: _Job, rng: Rng) -> None:
    marker = job.ring["markers"][int(rng.integers(len(job.ring["markers"])))]
    marker["corners_mm"][0][0] = float(rng.choice([math.nan, math.inf, 1e300]))


def _ring_mirrored_file(job: _Job, rng: Rng) -> None:
    """The definition itself mirrored."""
    for marker in job.ring["markers"]:
        marker["corners_mm"] = [[x, -y] for x, y in marker["corners_mm"]]


def _ring_of_another_size(job: _Job, rng: Rng) -> None:
    """A definition with the same marker numbers on a larger circle."""
    k = float(rng.uniform(1.1, 1.3))
    job.ring["inner_radius_mm"] *= k
    job.ring["outer_radius_mm"] *= k
    for marker in job.ring["markers"]:
        marker["corners_mm"] = [[x * k, y * k] for x, y in marker["corners_mm"]]


def _one_marker_wrong(job: _Job, rng: Rng) -> None:
    """One marker of the definition lies 3 to 8 mm off its printed place."""
    marker = job.ring["markers"][int(rng.integers(len(job.ring["markers"])))]
    off = float(rng.uniform(3, 8))
    marker["corners_mm"] = [[x + off, y] for x, y in marker["corners_mm"]]


def _ring_odd(job: _Job, rng: Rng) -> None:
    """Numbers twice, no markers, an unknown dictionary, a marker turned inside out, a radius that is none."""
    ring, kind = job.ring, int(rng.integers(5))
    if kind == 0:
        ring["markers"][1]["id"] = ring["markers"][0]["id"]
    elif kind == 1:
        ring["markers"] = []
    elif kind == 2:
        ring["dictionary"] = "DICT_9X9_1"
    elif kind == 3:
        ring["markers"][3]["corners_mm"] = ring["markers"][3]["corners_mm"][::-1]
    else:
        ring["inner_radius_mm"] = -1


def _diameter_given(job: _Job, rng: Rng) -> None:
    job.options += ["--diameter", f"{2 * job.base.truth['rotor']['tip_radius'] + rng.normal(0, 0.05):.2f}"]


def _diameter_wrong(job: _Job, rng: Rng) -> None:
    """The hub's diameter, the radius, or inches, typed for the tip diameter."""
    tip = 2 * job.base.truth["rotor"]["tip_radius"]
    wrong = float(rng.choice([tip / 2, tip / 25.4, 2 * job.base.truth["rotor"]["hub_radius"], tip * 0.93, tip * 1.07]))
    job.options += ["--diameter", f"{wrong:.2f}"]


def _with_obliques(job: _Job, rng: Rng) -> None:
    for view in ("around-1", "around-4"):
        scene = job.base.scenes[view]
        path = job.inlet[0].parent / scene.name
        write_bytes_atomic(path, jpeg_of(scene, image_of(scene, job.base.cache)))
        job.inlet.append(path)


def _only_outlet(job: _Job, rng: Rng) -> None:
    job.inlet = []


def _only_oblique(job: _Job, rng: Rng) -> None:
    _with_obliques(job, rng)
    job.inlet, job.outlet = job.inlet[1:], []


def _out_over_photograph(job: _Job, rng: Rng) -> None:
    """The record is to be written over a photograph."""
    job.options += ["--out", str(job.inlet[0])]


def _out_is_folder(job: _Job, rng: Rng) -> None:
    job.options += ["--out", str(job.inlet[0].parent)]


def _out_in_missing_folder(job: _Job, rng: Rng) -> None:
    job.options += ["--out", str(job.inlet[0].parent / "missing" / "record.json")]


Mix = Callable[[_Job, Rng], None]
MIXED: dict[str, tuple[Mix, Outcomes]] = {
    "sound": (lambda job, rng: None, MEASURED),
    "with_obliques": (_with_obliques, MEASURED),
    "only_outlet": (_only_outlet, MEASURED | {6}),
    "only_oblique": (_only_oblique, frozenset({6})),
    "swapped": (_swapped, frozenset({"flagged", 6, 7})),
    "same_twice": (_same_twice, frozenset({"flagged", 2, 3, 6, 7})),
    "turned_untold": (_turned_untold, frozenset({"flagged", 6, 7})),
    "other_rotor": (_other_rotor, frozenset({"flagged", 5, 6, 7})),
    "no_camera": (_no_camera, MEASURED),
    "wrong_camera": (_wrong_camera, frozenset({"within", "flagged", 6, 7})),
    "camera_nan": (_camera_nan, frozenset({4})),
    "camera_odd": (_camera_odd, frozenset({4})),
    "ring_nan": (_ring_nan, frozenset({4})),
    "ring_odd": (_ring_odd, frozenset({4})),
    "ring_mirrored_file": (_ring_mirrored_file, frozenset({4, 5})),
    "ring_of_another_size": (_ring_of_another_size, MEASURED | {4, 5, 6, 7}),
    "one_marker_wrong": (_one_marker_wrong, MEASURED | {5, 7}),
    "diameter_given": (_diameter_given, MEASURED),
    "diameter_wrong": (_diameter_wrong, REFUSED_OR_MEASURED | {2}),
    "out_in_missing_folder": (_out_in_missing_folder, frozenset({9})),
    "out_over_photograph": (_out_over_photograph, frozenset({2, 9})),
    "out_is_folder": (_out_is_folder, frozenset({2, 9})),
}

#: Every fault by name, in the order of the table.
NAMES = (*MIXED, *SCENE_FAULTS, *IMAGE_FAULTS, *BYTES, *PLACES)


def lay_out(fault: str, base: Base, other: Base, rng: Rng, folder: Path) -> Case:  # noqa: C901 (one branch for each fault)
    """Make the files of one case; KeyError when there is no such fault."""
    folder.mkdir(parents=True)
    scenes = {view: base.scenes[view] for view in ("inlet", "outlet")}
    extra: dict[str, Scene] = {}
    spoiled = {str(rng.choice(["inlet", "outlet"]))} if rng.uniform() < 0.6 else {"inlet", "outlet"}
    ring = base.ring
    allowed: Outcomes
    if fault in SCENE_FAULTS:
        allowed = SCENES.get(fault, REFUSED_OR_MEASURED)
        seed = int(rng.integers(1 << 31))
        if fault == "moved":  # needs two photographs of one standing
            extra = {"around-1": SCENE_FAULTS[fault](base.scenes["around-1"], np.random.default_rng(seed))}
        else:
            for view in scenes if fault in EVERYWHERE else spoiled:
                scenes[view] = SCENE_FAULTS[fault](scenes[view], np.random.default_rng(seed))
            # Only loose pieces change the definition; blank paper has none.
            ring = next((d for s in scenes.values() if (d := s.sheets[-1].definition)["markers"]), ring)
    jpegs = {}
    for view, scene in {**scenes, **extra}.items():
        image = image_of(scene, base.cache)
        if fault in IMAGE_FAULTS and view in spoiled:
            image = IMAGE_FAULTS[fault](image, rng)
        jpegs[view] = jpeg_of(scene, image)
    if fault in IMAGE_FAULTS:
        allowed = IMAGES.get(fault, REFUSED_OR_MEASURED)
    if fault in BYTES:
        spoil, allowed = BYTES[fault]
        for view in spoiled:
            jpegs[view] = spoil(jpegs[view], rng)
    paths = {}
    for view, jpeg in jpegs.items():
        if fault in PLACES and view in spoiled:
            put, allowed = PLACES[fault]
            place = folder / view
            place.mkdir()
            paths[view] = put(jpeg, place)
        else:
            paths[view] = folder / f"{view}.jpg"
            write_bytes_atomic(paths[view], jpeg)
    inlet = [path for view, path in paths.items() if view != "outlet"]
    job = _Job(base, other, inlet, [paths["outlet"]], base.camera(), copy.deepcopy(ring), [])
    if fault in MIXED:
        mix, allowed = MIXED[fault]
        mix(job, rng)
    write_json_file(folder / "ring.json", job.ring)
    words = [
        *map(str, job.inlet),
        *(word for path in job.outlet for word in ("--turned", str(path))),
        "--ring",
        str(folder / "ring.json"),
        *job.options,
    ]
    if "--out" not in job.options:
        words += ["--out", str(folder / "record.json")]
    if job.camera is not None:
        write_json_file(folder / "camera.json", job.camera)
        words += ["--camera", str(folder / "camera.json")]
    return Case(fault, base, folder, tuple(words), allowed)
