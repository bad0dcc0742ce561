"""The correction page: photographs with points to be struck out, moved or added to, saved as an edits file."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from bladeangle.page.overlay import bare_svg, jpeg_uri
from bladeangle.page.picture import DisplayFrame, read_for_display
from bladeangle.page.templates import page_script, page_template, page_text
from bladeangle.records.edits import Edits, edits_to_dict

#: Finer than the report's pictures: a hand has to see single pixels of the edge.
IMAGE_WIDTH = 2600


def edits_name(record: Mapping[str, Any]) -> str:
    """The name under which the page saves the edits of a record."""
    return (re.sub(r"[^A-Za-z0-9._-]+", "-", str(record["name"])).strip("-.")[:60] or "rotor") + ".edits.json"


def correction_html(
    record: Mapping[str, Any],
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
    known = {p["sha256"]: p for p in edits_to_dict(edits)["photos"]} if edits else {}
    photos: list[dict[str, Any]] = []
    data: list[dict[str, Any]] = []
    for photo, path in zip(record["photos"], paths, strict=True):
        picture, turns = read_for_display(path, photo, IMAGE_WIDTH)
        width, height = DisplayFrame(photo["width"], photo["height"], 1.0, turns).size
        svg = bare_svg(photo, jpeg_uri(picture, turns, 85), turns)
        photos.append({"name": photo["name"], "svg": svg, "ratio": f"{width / height:.4f}"})
        old = known.get(photo["sha256"], {"struck": [], "added": []})
        data.append(
            {key: photo[key] for key in ("sha256", "name", "width", "height", "traces")}
            | {"turns": turns, "pixel": photo["width"] / picture.shape[1], "struck": old["struck"]}
            | {"added": [a | {"px": p} for a in old["added"] for p in a["px"]]}
        )
        done()
    # No "<" in the data, so that nothing in it can end the script element.
    text = json.dumps({"name": str(record["name"]), "file": file_name, "photos": data}, separators=(",", ":"))
    text = text.replace("<", "\\u003c")
    script, script_hash = page_script("viewer.js", "correct.js", data=f"const DATA={text};\n")
    return str(
        page_template("correct.html").render(
            record=record,
            photos=photos,
            targets=_targets(record["rotor"]["blade_count"]),
            file_name=file_name,
            command=command or f"bladeangle measure … --edits {file_name}",
            css=page_text("base.css", "correct.css"),
            script=script,
            script_hash=script_hash,
        )
    )


def _targets(blade_count: int) -> list[dict[str, Any]]:
    """The edges that points can be added to."""
    tips = [{"kind": "tip", "blade": b, "face": f} for b in range(1, blade_count + 1) for f in ("inlet", "outlet")]
    words = [f"blade {t['blade']}, {t['face']} face" for t in tips]
    hub = {"kind": "hub", "blade": None, "face": None}
    return [{"value": json.dumps(t), "words": w} for t, w in zip([*tips, hub], [*words, "hub"], strict=True)]
