"""Record + folder with its photographs -> what it takes to measure once more what the record was measured from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from pathlib import Path
from typing import Any, cast

from bladeangle.base.errors import RecordError
from bladeangle.imaging.camera import Camera, camera_of
from bladeangle.imaging.ring import Ring, ring_of
from bladeangle.page.report import find_photos
from bladeangle.pipeline.measure import Options
from bladeangle.pipeline.sorting import Sorted
from bladeangle.records.record import Record


def as_measured(record: Record, folder: Path) -> tuple[str, Sorted, Ring, Camera | None, Options]:
    """Name, photographs by setup, ring, camera (None: it was assumed) and options of a record.

    Raises
    ------
    PhotoError : a photograph is not in the folder, or is not the one that was measured.
    RecordError : the options are of a version of the program that this one does not know.
    """
    content = record.content
    paths = find_photos(content, folder)
    setups = [photo.standing for photo in content.photos]
    inlet_up, turned = (
        tuple(p for p, s in zip(paths, setups, strict=True) if s == which) for which in ("inlet_up", "outlet_up")
    )
    # not those of `content`: what this version does not know must not be left out
    kept = dict(cast(Mapping[str, Any], record.data["options"]))
    stations = kept.pop("stations", {})
    kept |= {f"station_{key}": value for key, value in stations.items()}
    if unknown := set(kept) - {f.name for f in fields(Options)}:
        raise RecordError(
            f"The record was measured with the option {min(unknown)!r}, which this version does not know.",
            "Measure it again with its photographs, camera and ring named.",
        )
    camera = camera_of(content.camera, "The record's camera")
    ring = ring_of(content.ring, "The record's ring")
    return record.name, Sorted(inlet_up, turned), ring, camera if camera.calibrated else None, Options(**kept)
