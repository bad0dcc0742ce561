"""A photograph with its marks as one SVG that can be zoomed; marks keep their size on the screen, the edge grows."""

from __future__ import annotations

import base64
from collections.abc import Mapping
from typing import Any

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from bladeangle.base.budget import STATIONS
from bladeangle.base.files import import_cv2
from bladeangle.page.picture import (
    DisplayFrame,
    Label,
    Picture,
    angle_text,
    label_places,
    project_ring,
    shown_centre,
    thinned,
)
from bladeangle.page.svg import el, path, text

Array = NDArray[np.float64]

#: Width on the screen, in CSS pixels, that labels are placed for.
SHOWN_WIDTH = 530
#: Magnifications from which on more of the points are drawn; the page's script and style know the same ones.
ZOOMS = (1, 3, 9, 27)


def jpeg_uri(picture: Picture, turns: int, quality: int = 80) -> str:
    """A data URI of the picture (h, w) turned upright."""
    done, data = import_cv2().imencode(".jpg", np.ascontiguousarray(np.rot90(picture, -turns)), [1, quality])
    assert done, "encoding a grey picture as JPEG cannot fail"
    return "data:image/jpeg;base64," + base64.b64encode(data.tobytes()).decode("ascii")


def photo_svg(record: Mapping[str, Any], index: int, image_uri: str | None, turns: int) -> Markup:
    """Photograph `index` with its marks; the user unit is one pixel of the full-size photograph turned upright.

    image_uri : the picture as a data URI; None leaves the ground plain.
    """
    photo = record["photos"][index]
    view = DisplayFrame(photo["width"], photo["height"], 1.0, turns)
    w, h = view.size
    unit = w / SHOWN_WIDTH
    centre = shown_centre(record, photo, view)
    parts = [el("rect", width=w, height=h, class_="ground")]
    if image_uri:
        parts.append(_image(image_uri, view))
    marks = [_ring(record, photo, view)]
    distance = unit * (9 if photo["view"] == "overhead" else 15)
    marks += [_station(p, view, centre, distance) for p in photo["stations_px"]]
    marks += [_trace(t, view, unit) for t in photo["traces"] if t["px"]]
    here = {(p["blade"], p["station"]) for p in photo["stations_px"]}
    marks += [_label(label, here, unit) for label in label_places(record, photo, view, unit)]
    name = f"Photograph {photo['name']} with the followed edges"
    return el(
        "svg",
        el("title", name),
        *parts,
        el("g", *marks, class_="marks"),
        viewBox=f"0 0 {w:g} {h:g}",
        role="img",
        aria_label=name,
        class_="photo",
        style=f"--s:{unit:.3f};aspect-ratio:{w:g}/{h:g}",
        data_w=w,
        data_h=h,
    )


def bare_svg(photo: Mapping[str, Any], image_uri: str, turns: int) -> Markup:
    """The photograph alone with an empty group for the points that a script draws."""
    view = DisplayFrame(photo["width"], photo["height"], 1.0, turns)
    w, h = view.size
    style = f"--s:{w / SHOWN_WIDTH:.3f};aspect-ratio:{w:g}/{h:g}"
    image, points = _image(image_uri, view), el("g", class_="points")
    return el("svg", image, points, viewBox=f"0 0 {w:g} {h:g}", class_="photo", style=style, data_w=w, data_h=h)


def _image(uri: str, view: DisplayFrame) -> Markup:
    """The picture; pixel centres are at integers, so it begins half a pixel before zero."""
    w, h = view.size
    return el("image", href=uri, x=-0.5, y=-0.5, width=w, height=h, preserveAspectRatio="none")


def _dots(points: Array, class_: str) -> Markup:
    """Points as zero-length strokes: their caps are discs or squares whose size does not zoom."""
    data = "".join(f"M{x:.1f} {y:.1f}h0" for x, y in points)
    return Markup("") if not data else el("path", d=data, class_=f"halo {class_}") + el("path", d=data, class_=class_)


def _trace(trace: Mapping[str, Any], view: DisplayFrame, unit: float) -> Markup:
    px, kept = view.place(trace["px"]), np.array(trace["kept"], bool)
    what = "hub" if trace["kind"] == "hub" else trace["face"] or "inlet"
    good = px[kept]
    parts = []
    drawn = np.zeros(len(good), bool)
    # Only as many marks as leave the edge to be seen between them: each nearer view brings in further ones.
    for zoom in ZOOMS:
        chosen = thinned(good, (14 if what == "hub" else 9) * unit / zoom)
        new = chosen[~drawn[chosen]]
        drawn[new] = True
        parts.append(_dots(good[new], f"dot {what}" + (f" from-{zoom}" if zoom > 1 else "")))
    return el("g", *parts, *[_cross(x, y) for x, y in px[~kept]])


def _cross(x: float, y: float) -> Markup:
    at = f"transform:translate({x:.1f}px,{y:.1f}px) scale(var(--s))"
    return el("path", d="M-4-4L4 4M-4 4L4-4", class_="cross", style=at)


def _ring(record: Mapping[str, Any], photo: Mapping[str, Any], view: DisplayFrame) -> Markup:
    data = []
    for marker in record["ring"]["markers"]:
        corners = np.column_stack([np.array(marker["corners_mm"], float), np.zeros(4)])
        px = view.place(project_ring(record, photo, corners))
        if np.isfinite(px).all() and np.abs(px).max() < 1e5:
            data.append(path([(x, y) for x, y in px], closed=True))
    return el("path", d="".join(data), class_="halo ring") + el("path", d="".join(data), class_="ring")


def _station(piece: Mapping[str, Any], view: DisplayFrame, centre: Array, distance: float) -> Markup:
    px = view.place(piece["px"])
    if len(px) < 2:
        return Markup("")
    outward = px - centre
    outward /= np.maximum(np.linalg.norm(outward, axis=1, keepdims=True), 1e-9)
    along = px + distance * outward
    stops = [(along[i] - 0.4 * distance * outward[i], along[i] + 0.4 * distance * outward[i]) for i in (0, -1)]
    data = path([(x, y) for x, y in along]) + "".join(path([(a[0], a[1]), (b[0], b[1])]) for a, b in stops)
    what = piece["station"]
    name = el("title", f"blade {piece['blade']}, {what}")
    return el("path", d=data, class_=f"halo station {what}") + el("path", name, d=data, class_=f"station {what}")


def _label(label: Label, here: set[tuple[int, str]], unit: float) -> Markup:
    """The blade's number and angles, and a brief form with the number alone for narrow screens."""
    number = label.blade["number"]
    rows = [el("rect", width=137.0, height=64.0, class_="plate"), text(7, 15, f"Blade {number}", "title")]
    for row, s in enumerate(STATIONS):
        y = 30.0 + 14 * row
        state = "" if (number, s) in here else "elsewhere"
        if not state:
            rows.append(el("path", d=f"M3.5 {y - 9}v10", class_=f"key {s}"))
        rows += [text(8, y, s, state), text(54, y, angle_text(label.blade["stations"][s]), state)]
    x, y = label.nearest
    shift = (label.corner - label.nearest) / unit
    at = f"transform:translate({x:.1f}px,{y:.1f}px) scale(var(--s))"
    full = el("g", el("g", *rows, transform=f"translate({shift[0]:.1f} {shift[1]:.1f})"), style=at, class_="label full")
    disc = el("circle", r=10.0, class_="plate")
    brief = el("g", disc, text(0, 5, str(number), "title", "middle"), style=at, class_="label brief")
    leader = path([(label.anchor[0], label.anchor[1]), (x, y)])
    return el("path", d=leader, class_="halo leader") + el("path", d=leader, class_="leader") + full + brief
