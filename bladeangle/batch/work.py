"""One rotor in a worker process: a job -> its outcome, whatever happens."""

from __future__ import annotations

import faulthandler
import hashlib
import importlib
import json
import os
import zlib
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np

from bladeangle import __version__
from bladeangle.base.errors import BladeangleError, PhotoError, UsageError
from bladeangle.base.files import import_cv2, safe_name, sha256_of
from bladeangle.base.inputs import PHOTOGRAPH, size_of
from bladeangle.base.structure import plain
from bladeangle.batch.jobs import Job, reason
from bladeangle.imaging.camera import Camera, camera_to_file
from bladeangle.imaging.ring import Ring, ring_to_file
from bladeangle.inventory import Failure
from bladeangle.page.picture import Picture, draw_overlay, read_for_display
from bladeangle.pipeline.measure import Options
from bladeangle.pipeline.sorting import PHOTO_SUFFIXES, Sorted, measure_sorted
from bladeangle.records.record import Record

#: The function that measures a rotor, by name, so that worker processes and other machines can find it.
MEASURER = "bladeangle.batch.work:measure_rotor"
#: Width of a rotor's picture on the contact sheet, px.
TILE_PX = 320

#: Called with a job, ring, camera and options.
Measurer = Callable[[Job, Ring, Camera | None, Options], Record]


def measure_rotor(job: Job, ring: Ring, camera: Camera | None, options: Options) -> Record:
    """The measurement as `bladeangle measure` does it, but in one thread: the workers share the processor."""
    from bladeangle.pipeline.assemble import record_of

    photos = Sorted(job.inlet_up, job.turned, mixed=job.mixed)
    return record_of(measure_sorted(photos, ring, camera, options, at_once=1), job.rotor)


@dataclass(frozen=True)
class Settings:
    """What is the same for every rotor; `measurer` is "module:function", see `Measurer`."""

    ring: Ring
    camera: Camera | None
    options: Options
    limit_s: float = 600.0
    measurer: str = MEASURER

    @cached_property
    def digest(self) -> str:
        """Hash of everything beside the photographs that a result depends on."""
        camera = None if self.camera is None else plain(camera_to_file(self.camera))
        return _digest([__version__, self.measurer, plain(ring_to_file(self.ring)), camera, asdict(self.options)])


@dataclass(frozen=True)
class Outcome:
    """What became of a job: a record and perhaps a picture (see `picture_of`), or a failure."""

    job: Job
    key: str | None = None
    photos: str = ""
    record: Record | None = None
    picture: bytes | None = None
    failure: Failure | None = None


def _digest(content: Any) -> str:
    return hashlib.sha256(json.dumps(content, sort_keys=True, default=str).encode()).hexdigest()


def hashes_of(job: Job) -> dict[str, Path]:
    """SHA-256 of each photograph -> its path; PhotoError when one cannot be read."""
    found = {}
    for path in job.inlet_up + job.turned:
        size_of(path, PHOTOGRAPH)
        try:
            found[sha256_of(path)] = path
        except (OSError, ValueError) as error:
            raise PhotoError(f"{safe_name(path.name)} cannot be read: {reason(error)}.", "Copy it again.") from error
    return found


def keys_of(job: Job, hashes: Mapping[str, Path], settings: Settings) -> tuple[str, str]:
    """Key of the measurement (rotor, photographs, settings) and key of its photographs alone."""
    turned = set(job.turned)
    photos = _digest(sorted((sha, path in turned) for sha, path in hashes.items()))
    mixed = ["mixed"] if job.mixed else []
    return _digest([job.rotor, photos, settings.digest, job.given, *mixed]), photos


def work(job: Job, settings: Settings) -> Outcome:
    """Measure one rotor; every error becomes a failure. The process ends when the time limit passes.

    The limit is a thread of `faulthandler` that ends the process, since nothing else stops a library's inner loop.
    """
    key, photos = None, ""
    with open(os.devnull, "w") as nowhere:
        faulthandler.dump_traceback_later(settings.limit_s, exit=True, file=nowhere)
        try:
            if not job.inlet_up + job.turned:
                raise UsageError(f"{job.rotor} has no photographs.", f"Their names end in {', '.join(PHOTO_SUFFIXES)}.")
            import_cv2().setNumThreads(1)
            hashes = hashes_of(job)
            key, photos = keys_of(job, hashes, settings)
            given: dict[str, Any] = dict(job.given)  # by names and kinds of options, which `jobs.py` has checked
            options = replace(settings.options, **given)
            module, _, name = settings.measurer.partition(":")
            measurer: Measurer = getattr(importlib.import_module(module), name)
            record = measurer(job, settings.ring, settings.camera, options)
            return Outcome(job, key, photos, record, picture_of(record, hashes))
        except BladeangleError as error:
            failure = Failure(job.rotor, key, error.exit_code, error.message, error.hint)
        except MemoryError:
            failure = Failure(job.rotor, None, 1, "There was not enough memory.", "Use fewer workers.")
        except Exception as error:  # noqa: BLE001 - whatever it is, it is this rotor's alone
            what = f"{type(error).__name__}: {safe_name(str(error))}"
            failure = Failure(job.rotor, None, 1, f"Internal error: {what}.", "Please report it.")
        finally:
            faulthandler.cancel_dump_traceback_later()
    return Outcome(job, key, photos, failure=failure)


def picture_of(record: Record, hashes: Mapping[str, Path]) -> bytes | None:
    """The first photograph with all that was followed drawn on it, small, for the contact sheet.

    Compressed raw pixels (see `unpacked`), with the lowest bits cut off, which compress badly and are not seen; None
    when the photograph cannot be shown.
    """
    photos = record.content.photos
    if not photos or photos[0].sha256 not in hashes:
        return None
    try:
        shown, turns = read_for_display(hashes[photos[0].sha256], photos[0], 3 * TILE_PX)
    except PhotoError:
        return None
    drawn = draw_overlay(shown, record.content, 0, turns)
    size = (TILE_PX, max(round(TILE_PX * drawn.shape[0] / drawn.shape[1]), 1))
    small = import_cv2().resize(drawn, size, interpolation=import_cv2().INTER_AREA) & 0xF8
    return size[0].to_bytes(2, "big") + zlib.compress(small.tobytes())


def unpacked(picture: bytes) -> Picture | None:
    """The pixels (h, w, 3) of what `picture_of` packed; None when it is something else."""
    width, most = int.from_bytes(picture[:2], "big"), 3 * TILE_PX * 4 * TILE_PX
    try:
        pixels = np.frombuffer(zlib.decompressobj().decompress(picture[2:], most + 1), np.uint8)
    except zlib.error:
        return None
    if not (0 < width <= TILE_PX and 0 < len(pixels) <= most and len(pixels) % (3 * width) == 0):
        return None
    return pixels.reshape(-1, width, 3)
