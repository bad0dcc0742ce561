"""Paths of photographs -> photographs with the ring sighted in each, and the camera that took them."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from bladeangle.base.errors import EdgesError, UsageError
from bladeangle.base.flags import Flag
from bladeangle.base.inputs import MOST_PHOTOS
from bladeangle.imaging.camera import Camera, camera_from_exif
from bladeangle.imaging.photo import Photo, light_alone, read_photo
from bladeangle.imaging.pose import start_pose
from bladeangle.imaging.quality import judge
from bladeangle.imaging.ring import Ring, sight_ring
from bladeangle.pipeline.shots import Shot
from bladeangle.pipeline.turning import quarter_turned, stands_upright, turned_to_fit
from bladeangle.records.edits import Edits
from bladeangle.tuning.pipeline import SIGHT

#: Photographs that are read side by side; each needs the memory of a decoded picture.
AT_ONCE = 2
#: How a rotor can be set up on the sheet.
SETUPS = ("inlet_up", "outlet_up")


@dataclass(frozen=True)
class Sighted:
    """Photographs with the ring sighted in each; camera : of the files' pixels."""

    ring: Ring
    camera: Camera
    shots: tuple[Shot, ...]
    flags: tuple[Flag, ...]

    @property
    def setups(self) -> tuple[str, ...]:
        """Setups of which there is an overhead photograph."""
        return tuple(s for s in SETUPS if any(shot.setup == s and shot.overhead for shot in self.shots))


def sighted(
    named: Sequence[tuple[Path, str]],
    ring: Ring,
    camera: Camera | None,
    edits: Edits | None,
    at_once: int,
    progress: Callable[[str], None],
) -> Sighted:
    """Read photographs and sight the ring.

    Parameters
    ----------
    named : paths, each with its setup; camera, edits, at_once : as of `measure`.

    Raises
    ------
    PhotoError, RingNotFoundError : see `errors`.
    UsageError : none or too many photographs, or one of them twice.
    EdgesError : no overhead photograph of a setup.
    """
    if not named:
        raise UsageError("No photographs were named.", "Name at least one photograph taken from straight above.")
    if len(named) > MOST_PHOTOS:
        few = "Five are enough: one from above for either end and three from the side."
        raise UsageError(f"{len(named)} photographs were named; at most {MOST_PHOTOS} are measured together.", few)
    progress(f"reading {', '.join(path.name for path, _ in named)}")
    flags: list[Flag] = []
    shots: list[Shot] = []
    read: dict[Path, Photo] = {}
    if camera is None:
        read[named[0][0]] = read_photo(named[0][0])
        camera = camera_for(read[named[0][0]], None, flags)
    upright = stands_upright([path for path, _ in named], camera)
    sighted_with = quarter_turned(camera, 3) if upright else camera
    for shot, of_photo in _each(named, ring, sighted_with, read, at_once):
        flags += of_photo
        for other in shots:
            if other.photo.sha256 == shot.photo.sha256:
                raise UsageError(
                    f"{shot.name} and {other.name} are the same photograph.",
                    "Name every photograph once, each a shot of its own.",
                )
        if edits is not None:
            shot = replace(shot, edits=edits.for_photo(shot.photo.sha256).reduced(shot.photo.reduction))
            if shot.edits.struck or shot.edits.added:
                flags.append(Flag("edited-by-hand", "Edges were struck out or added by hand.", shot.name))
        shots.append(shot)
    if upright:
        camera, shots, turned_flag = turned_to_fit(shots, ring, camera)
        flags.append(turned_flag)
    out = Sighted(ring, camera, tuple(shots), tuple(flags))
    for shot in shots:
        if shot.setup not in out.setups:
            raise EdgesError(
                f"{shot.name}: no photograph of the rotor standing this way is taken from straight above.",
                "Add one from above; those from the side are matched to it.",
            )
    return out


def _each(
    named: Sequence[tuple[Path, str]], ring: Ring, camera: Camera, read: dict[Path, Photo], at_once: int
) -> Iterator[tuple[Shot, list[Flag]]]:
    """The photographs, each with its doubts, in their order; read : those that are read already."""

    def one(path: Path, setup: str) -> tuple[Shot, list[Flag]]:
        photo = read.pop(path, None) or read_photo(path)
        sighting = sight_ring(photo, ring)
        pose = start_pose(sighting, ring, camera.reduced(photo.reduction).parameters, photo.name)
        flags = judge(photo, sighting, ring, camera, pose)
        overhead = bool(np.hypot(*pose.eye_mm[:2]) < SIGHT.overhead_mm)
        return Shot(path, photo.name, setup, light_alone(photo), sighting, pose, overhead), flags

    with ThreadPoolExecutor(at_once) as threads:
        yield from threads.map(one, *zip(*named, strict=True))


def camera_for(photo: Photo, camera: Camera | None, flags: list[Flag]) -> Camera:
    """The camera of a photograph: the calibrated one, or one assumed from EXIF."""
    if camera is None:
        text = "The camera was not calibrated; its focal length comes from the photograph's own data."
        flags.append(Flag("uncalibrated-camera", text))
        return camera_from_exif(*photo.file_size, photo.exif.focal_35mm)
    return camera
