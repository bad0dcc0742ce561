"""Edits: the user's corrections of edges that were followed wrongly, as a small JSON file.

```
{"schema": "bladeangle-edits/1", "name": "rotor-a", "created": "2026-11-25T10:00:00Z",
 "photos": [{"sha256": "...", "name": "inlet.jpg",
   "struck": [{"kind": "tip"|"hub"|null, "blade": 2|null, "face": "inlet"|"outlet"|null,
               "along_px": [[x, y], ...], "reach_px": 6.0}],
   "added":  [{"kind": "tip"|"hub", "blade": 1|null, "face": "inlet"|"outlet"|null, "px": [[x, y], ...],
               "sigma_px": 1.0}]}]}
```

A struck stretch takes out every found point within `reach_px` of the line through `along_px`, of the kind, blade and
face that it names (null: of any). It is a place in the photograph rather than a number in a list, so that it still
holds when the points are found anew. A moved point is a struck one and an added one. Pixels are those of the stored
photograph at full size, centres at integers. A photograph is known by its SHA-256; the name is for people.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bladeangle.base import inputs
from bladeangle.base.errors import DefinitionError
from bladeangle.base.files import write_text_atomic
from bladeangle.imaging.photo import reduced_px

Array = NDArray[np.float64]

SCHEMA = "bladeangle-edits/1"
#: Most stretches a photograph, and most points in all of them: far above any hand's work, and still quick.
MOST_STRETCHES = 500
MOST_POINTS = 10_000
#: Letters of the file name of a photograph, escapes counted.
PHOTO_LETTERS = 2000
_HINT = "Make the file with the page that `bladeangle correct` writes."


@dataclass(frozen=True, eq=False)
class Struck:
    """A stretch not to be used: points within `reach_px` of the line through `along_px` (n, 2); n = 1 is one place."""

    kind: str | None
    blade: int | None
    face: str | None
    along_px: Array
    reach_px: float


@dataclass(frozen=True, eq=False)
class Added:
    """Points put by hand: `px` (n, 2) on the hub's circle (`kind` "hub") or on a blade's tip edge of one face.

    sigma_px : standard uncertainty of each point across the edge.
    """

    kind: str
    blade: int | None
    face: str | None
    px: Array
    sigma_px: float


@dataclass(frozen=True)
class PhotoEdits:
    """The corrections of one photograph."""

    sha256: str
    name: str = ""
    struck: tuple[Struck, ...] = ()
    added: tuple[Added, ...] = ()

    def reduced(self, factor: int) -> PhotoEdits:
        """The corrections in the pixels of the photograph reduced by a factor."""
        struck = (
            replace(s, along_px=reduced_px(s.along_px, factor), reach_px=s.reach_px / factor) for s in self.struck
        )
        added = (replace(a, px=reduced_px(a.px, factor), sigma_px=a.sigma_px / factor) for a in self.added)
        return replace(self, struck=tuple(struck), added=tuple(added))


@dataclass(frozen=True)
class Edits:
    """The corrections of a record's photographs."""

    name: str = ""
    created: str = ""
    photos: tuple[PhotoEdits, ...] = ()

    def for_photo(self, sha256: str) -> PhotoEdits:
        """The corrections of the photograph with this hash; without any, empty ones."""
        return next((p for p in self.photos if p.sha256 == sha256), PhotoEdits(sha256))


def apply_to_points(edits: PhotoEdits, px: Array, blade: int | None, face: str | None) -> NDArray[np.bool_]:
    """Which found points the corrections leave in use.

    Parameters
    ----------
    edits : of the photograph that the points are found in.
    px : (n, 2) points of one trace.
    blade : the trace's blade; None for the hub.
    face : the trace's face; None for the hub.

    Returns
    -------
    (n,) True where a point may be used.
    """
    kind = "hub" if blade is None else "tip"
    keep = np.ones(len(px), bool)
    for s in edits.struck:
        if s.kind in (None, kind) and s.blade in (None, blade) and s.face in (None, face):
            keep &= distance_to_line(px, s.along_px) > s.reach_px
    return keep


def distance_to_line(px: Array, line: Array) -> Array:
    """Distance (n,) of points (n, 2) to the polyline through `line` (m, 2), m >= 1."""
    px = np.asarray(px, float).reshape(-1, 2)
    nearest: Array = np.hypot(*(px - line[0]).T)
    for a, b in pairwise(line):
        along = b - a
        length2 = float(along @ along)
        t = np.clip((px - a) @ along / length2, 0.0, 1.0) if length2 > 0 else np.zeros(len(px))
        nearest = np.minimum(nearest, np.hypot(*(px - a - t[:, None] * along).T))
    return nearest


# --- reading and writing ---------------------------------------------------------------------------------------------


def read_edits(path: Path) -> Edits:
    """Read an edits file.

    Raises
    ------
    DefinitionError : missing, not JSON, another layout, unknown keys, numbers that are not finite or far out, a tip
        point without blade and face, or the same photograph twice.
    """
    return edits_from_dict(inputs.read_json(path, inputs.EDITS), inputs.shown_as(path, inputs.EDITS))


def write_edits(edits: Edits, path: Path) -> None:
    """Write an edits file atomically; OutputError when it cannot be written."""
    write_text_atomic(path, json.dumps(edits_to_dict(edits), indent=1, allow_nan=False) + "\n")


def edits_to_dict(edits: Edits) -> dict[str, Any]:
    """The edits file's contents."""
    return {
        "schema": SCHEMA,
        "name": edits.name,
        "created": edits.created,
        "photos": [
            {
                "sha256": p.sha256,
                "name": p.name,
                "struck": [asdict(s) | {"along_px": s.along_px.tolist()} for s in p.struck],
                "added": [asdict(a) | {"px": a.px.tolist()} for a in p.added],
            }
            for p in edits.photos
        ],
    }


def edits_from_dict(data: Any, source: str = "The edits file") -> Edits:
    """Edits from the file's contents; the errors of `read_edits`."""
    if not isinstance(data, dict) or data.get("schema") != SCHEMA:
        raise DefinitionError(f"{source} is not a {SCHEMA} file.", _HINT)
    try:
        inputs.keys(data, {"schema", "photos"}, {"name", "created"})
        photos = tuple(_photo(p) for p in inputs.items(data["photos"], 1000, "photographs"))
        if len({p.sha256 for p in photos}) != len(photos):
            raise ValueError("names the same photograph twice")
        name, created = (inputs.short_text(data.get(key, ""), key, 300) for key in ("name", "created"))
        return Edits(name, created, photos)
    except ValueError as error:
        raise DefinitionError(f"{source} {error}.", _HINT) from error


def _photo(data: Any) -> PhotoEdits:
    inputs.keys(data, {"sha256"}, {"name", "struck", "added"})
    sha256 = data["sha256"]
    if not isinstance(sha256, str) or len(sha256) != 64 or set(sha256) - set("0123456789abcdef"):
        raise ValueError("has a photograph without a SHA-256 of 64 hexadecimal digits")
    name = inputs.short_text(data.get("name", ""), "photograph's name", PHOTO_LETTERS)
    struck = tuple(_struck(s) for s in inputs.items(data.get("struck", []), MOST_STRETCHES, "stretches"))
    added = tuple(_added(a) for a in inputs.items(data.get("added", []), MOST_POINTS, "added points"))
    if sum(len(s.along_px) for s in struck) + sum(len(a.px) for a in added) > MOST_POINTS:
        raise ValueError(f"has more than {MOST_POINTS} points for one photograph")
    return PhotoEdits(sha256, name, struck, added)


def _struck(data: Any) -> Struck:
    inputs.keys(data, {"along_px", "reach_px"}, {"kind", "blade", "face"})
    kind, blade, face = _trace(data)
    return Struck(kind, blade, face, _points(data["along_px"]), inputs.number(data["reach_px"], "reach_px", 0.0, 1e4))


def _added(data: Any) -> Added:
    inputs.keys(data, {"kind", "px"}, {"blade", "face", "sigma_px"})
    kind, blade, face = _trace(data)
    if kind == "tip" and (blade is None or face is None):
        raise ValueError("has added tip points without their blade and face")
    if kind is None or (kind == "hub" and (blade is not None or face is not None)):
        raise ValueError("has added points that are neither a blade's tip nor the hub's")
    sigma_px = inputs.number(data.get("sigma_px", 1.0), "sigma_px", 0.05, 100.0)
    return Added(kind, blade, face, _points(data["px"]), sigma_px)


def _trace(data: Mapping[str, Any]) -> tuple[str | None, int | None, str | None]:
    kind, blade, face = data.get("kind"), data.get("blade"), data.get("face")
    if kind not in (None, "tip", "hub") or face not in (None, "inlet", "outlet"):
        raise ValueError("has a kind that is not tip or hub, or a face that is not inlet or outlet")
    return kind, None if blade is None else inputs.whole(blade, "blade", 1, 24), face


def _points(value: Any) -> Array:
    points = inputs.items(value, MOST_POINTS, "points")
    if not points:
        raise ValueError("has a stretch without points")
    return inputs.numbers(points, "pixel coordinates", -1e5, 1e5, len(points), 2)
