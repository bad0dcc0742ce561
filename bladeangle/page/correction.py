"""Record + photographs -> a page with points to be struck out, moved or added to, saved as an edits file."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import msgspec
from markupsafe import Markup

from bladeangle.base.structure import plain
from bladeangle.page.overlay import bare_svg, jpeg_uri
from bladeangle.page.picture import read_for_display
from bladeangle.page.scene import DisplayFrame
from bladeangle.page.templates import page_script, page_template, page_text
from bladeangle.records.content import Content, Trace
from bladeangle.records.edits import Edits, PhotoEditsFile, StruckFile, edits_to_file

#: Finer than the report's pictures: a hand has to see single pixels of the edge.
IMAGE_WIDTH = 2600


@dataclass(frozen=True)
class ShownPhoto:
    """A photograph in the page; ratio : of its width to its height."""

    name: str
    svg: Markup
    ratio: str


@dataclass(frozen=True)
class Target:
    """An edge that points can be added to, as the page's script reads it and in words."""

    value: str
    words: str


class AddedPoint(msgspec.Struct, frozen=True):
    """A point put by hand, as the page's script has it."""

    kind: str
    blade: int | None
    face: str | None
    px: tuple[float, float]
    sigma_px: float


class PhotoData(msgspec.Struct, frozen=True):
    """A photograph as the page's script reads it; pixel : of the stored photograph for each of the shown picture."""

    sha256: str
    name: str
    width: int
    height: int
    traces: list[Trace]
    turns: int
    pixel: float
    struck: list[StruckFile]
    added: list[AddedPoint]


def edits_name(record: Content) -> str:
    """The name under which the page saves the edits of a record."""
    return (re.sub(r"[^A-Za-z0-9._-]+", "-", record.name).strip("-.")[:60] or "rotor") + ".edits.json"


def correction_html(
    record: Content,
    paths: Sequence[Path],
    edits: Edits | None = None,
    command: str = "",
    done: Callable[[], None] = lambda: None,
) -> str:
    """The correction page of a record; `paths` are its photographs in order, `edits` what it starts with, `command`
    what to type to measure again with the edits file, whose name is `edits_name`.

    `done` is called after each photograph. PhotoError as `picture.read_for_display`.
    """
    file_name = edits_name(record)
    known = {p.sha256: p for p in edits_to_file(edits).photos} if edits else {}
    photos, data = [], []
    for photo, path in zip(record.photos, paths, strict=True):
        picture, turns = read_for_display(path, photo, IMAGE_WIDTH)
        width, height = DisplayFrame(photo.width, photo.height, 1.0, turns).size
        svg = bare_svg(photo, jpeg_uri(picture, turns, 85), turns)
        photos.append(ShownPhoto(photo.name, svg, f"{width / height:.4f}"))
        old = known.get(photo.sha256, PhotoEditsFile(photo.sha256))
        data.append(
            PhotoData(
                sha256=photo.sha256,
                name=photo.name,
                width=photo.width,
                height=photo.height,
                traces=photo.traces,
                turns=turns,
                pixel=photo.width / picture.shape[1],
                struck=old.struck,
                added=[AddedPoint(a.kind, a.blade, a.face, p, a.sigma_px) for a in old.added for p in a.px],
            )
        )
        done()
    # No "<" in the data, so that nothing in it can end the script element.
    text = json.dumps(
        {"name": record.name, "file": file_name, "photos": [plain(p) for p in data]}, separators=(",", ":")
    )
    text = text.replace("<", "\\u003c")
    script, script_hash = page_script("viewer.js", "correct.js", data=f"const DATA={text};\n")
    return str(
        page_template("correct.html").render(
            record=record,
            photos=photos,
            targets=_targets(record.rotor.blade_count),
            file_name=file_name,
            command=command or f"bladeangle measure … --edits {file_name}",
            css=page_text("base.css", "correct.css"),
            script=script,
            script_hash=script_hash,
        )
    )


def _targets(blade_count: int) -> list[Target]:
    """The edges that points can be added to."""
    edges = [(b, f) for b in range(1, blade_count + 1) for f in ("inlet", "outlet")]
    tips = [Target(json.dumps({"kind": "tip", "blade": b, "face": f}), f"blade {b}, {f} face") for b, f in edges]
    return [*tips, Target(json.dumps({"kind": "hub", "blade": None, "face": None}), "hub")]
