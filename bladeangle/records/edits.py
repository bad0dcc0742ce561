"""JSON <-> `PhotoEdits`: the user's corrections of edges that were followed wrongly, by photograph.

The file's format is in FORMATS.md.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any, Literal

import msgspec
import numpy as np
from numpy.typing import NDArray

from bladeangle.base import inputs
from bladeangle.base.errors import DefinitionError
from bladeangle.base.files import write_text_atomic
from bladeangle.base.structure import File, plain, read_as
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
    face: Literal["inlet", "outlet"] | None
    along_px: Array
    reach_px: float


@dataclass(frozen=True, eq=False)
class Added:
    """Points put by hand: `px` (n, 2) on the hub's circle (`kind` "hub") or on a blade's tip edge of one face.

    sigma_px : standard uncertainty of each point across the edge.
    """

    kind: str
    blade: int | None
    face: Literal["inlet", "outlet"] | None
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
    write_text_atomic(path, json.dumps(plain(edits_to_file(edits)), indent=1, allow_nan=False) + "\n")


_Coordinate = Annotated[float, msgspec.Meta(ge=-1e5, le=1e5, title="pixel coordinates")]
_Point = tuple[_Coordinate, _Coordinate]
_Points = Annotated[list[_Point], msgspec.Meta(max_length=MOST_POINTS, title="points")]
_Blade = Annotated[int, msgspec.Meta(ge=1, le=24)] | None
_Text = Annotated[str, msgspec.Meta(max_length=300)]


class StruckFile(File, frozen=True, kw_only=True):
    """A struck stretch as the file has it."""

    kind: Literal["tip", "hub"] | None = None
    blade: _Blade = None
    face: Literal["inlet", "outlet"] | None = None
    along_px: _Points
    reach_px: Annotated[float, msgspec.Meta(ge=0.0, le=1e4)]


class AddedFile(File, frozen=True, kw_only=True):
    """Added points as the file has them."""

    kind: Literal["tip", "hub"]
    blade: _Blade = None
    face: Literal["inlet", "outlet"] | None = None
    px: _Points
    sigma_px: Annotated[float, msgspec.Meta(ge=0.05, le=100.0)] = 1.0


_Stretches = Annotated[list[StruckFile], msgspec.Meta(max_length=MOST_STRETCHES, title="stretches")]
_AllAdded = Annotated[list[AddedFile], msgspec.Meta(max_length=MOST_POINTS, title="added points")]


class PhotoEditsFile(File, frozen=True):
    """The corrections of one photograph as the file has them."""

    sha256: Annotated[str, msgspec.Meta(pattern=r"^[0-9a-f]{64}\Z", description="must be 64 hexadecimal digits")]
    name: Annotated[str, msgspec.Meta(max_length=PHOTO_LETTERS, title="photograph's name")] = ""
    struck: _Stretches = msgspec.field(default_factory=list)
    added: _AllAdded = msgspec.field(default_factory=list)


class EditsFile(File, frozen=True, kw_only=True):
    """The edits file's contents."""

    schema: Literal["bladeangle-edits/1"]
    name: _Text = ""
    created: _Text = ""
    photos: Annotated[list[PhotoEditsFile], msgspec.Meta(max_length=1000, title="photographs")]


def edits_to_file(edits: Edits) -> EditsFile:
    """The edits file's contents."""
    return EditsFile(
        schema="bladeangle-edits/1",
        name=edits.name,
        created=edits.created,
        photos=[
            PhotoEditsFile(
                sha256=p.sha256,
                name=p.name,
                struck=[StruckFile(**asdict(s) | {"along_px": s.along_px.tolist()}) for s in p.struck],
                added=[AddedFile(**asdict(a) | {"px": a.px.tolist()}) for a in p.added],
            )
            for p in edits.photos
        ],
    )


def edits_from_dict(data: Any, source: str = "The edits file") -> Edits:
    """Edits from the file's contents; the errors of `read_edits`."""
    if not isinstance(data, dict) or data.get("schema") != SCHEMA:
        raise DefinitionError(f"{source} is not a {SCHEMA} file.", _HINT)
    try:
        file = read_as(data, EditsFile)
        photos = tuple(_photo(p) for p in file.photos)
        if len({p.sha256 for p in photos}) != len(photos):
            raise ValueError("names the same photograph twice")
        return Edits(file.name, file.created, photos)
    except ValueError as error:
        raise DefinitionError(f"{source} {error}.", _HINT) from error


def _photo(file: PhotoEditsFile) -> PhotoEdits:
    lines = [*(s.along_px for s in file.struck), *(a.px for a in file.added)]
    if not all(lines):
        raise ValueError("has a stretch without points")
    if sum(map(len, lines)) > MOST_POINTS:
        raise ValueError(f"has more than {MOST_POINTS} points for one photograph")
    for a in file.added:
        if a.kind == "tip" and (a.blade is None or a.face is None):
            raise ValueError("has added tip points without their blade and face")
        if a.kind == "hub" and (a.blade is not None or a.face is not None):
            raise ValueError("has added points that are neither a blade's tip nor the hub's")
    struck = tuple(Struck(s.kind, s.blade, s.face, np.array(s.along_px, float), s.reach_px) for s in file.struck)
    added = tuple(Added(a.kind, a.blade, a.face, np.array(a.px, float), a.sigma_px) for a in file.added)
    return PhotoEdits(file.sha256, file.name, struck, added)
