"""Photograph + its scene -> one SVG that can be zoomed; marks keep their size on the screen, the edge grows.

`scene.py` says what is drawn; the page's style has the colours and widths of its roles.
"""

from __future__ import annotations

import base64

import numpy as np
from markupsafe import Markup

from bladeangle.base.files import import_cv2
from bladeangle.page.picture import Picture
from bladeangle.page.scene import LABEL_SIZE, DisplayFrame, Dots, Label, Lines, scene_of
from bladeangle.page.svg import el, path, text
from bladeangle.records.content import Content, Photo

#: Width on the screen, in CSS pixels, that labels are placed for.
SHOWN_WIDTH = 530
#: Magnifications from which on more of the points are drawn; the page's script and style know the same ones.
ZOOMS = (1, 3, 9, 27)


def jpeg_uri(picture: Picture, turns: int, quality: int = 80) -> str:
    """A data URI of the picture (h, w) turned upright."""
    done, data = import_cv2().imencode(".jpg", np.ascontiguousarray(np.rot90(picture, -turns)), [1, quality])
    assert done, "encoding a grey picture as JPEG cannot fail"
    return "data:image/jpeg;base64," + base64.b64encode(data.tobytes()).decode("ascii")


def photo_svg(record: Content, index: int, image_uri: str | None, turns: int) -> Markup:
    """Photograph `index` with its marks; the user unit is one pixel of the full-size photograph turned upright.

    image_uri : the picture as a data URI; None leaves the ground plain.
    """
    photo = record.photos[index]
    view = DisplayFrame(photo.width, photo.height, 1.0, turns)
    w, h = view.size
    unit = w / SHOWN_WIDTH
    parts = [el("rect", width=w, height=h, class_="ground")]
    if image_uri:
        parts.append(_image(image_uri, view))
    marks = [_drawn(mark) for mark in scene_of(record, photo, view, unit, unit, ZOOMS).marks]
    name = f"Photograph {photo.name} with the followed edges"
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


def bare_svg(photo: Photo, image_uri: str, turns: int) -> Markup:
    """The photograph alone with an empty group for the points that a script draws."""
    view = DisplayFrame(photo.width, photo.height, 1.0, turns)
    w, h = view.size
    style = f"--s:{w / SHOWN_WIDTH:.3f};aspect-ratio:{w:g}/{h:g}"
    image, points = _image(image_uri, view), el("g", class_="points")
    return el("svg", image, points, viewBox=f"0 0 {w:g} {h:g}", class_="photo", style=style, data_w=w, data_h=h)


def _image(uri: str, view: DisplayFrame) -> Markup:
    """The picture; pixel centres are at integers, so it begins half a pixel before zero."""
    w, h = view.size
    return el("image", href=uri, x=-0.5, y=-0.5, width=w, height=h, preserveAspectRatio="none")


def _drawn(mark: Lines | Dots | Label) -> Markup:
    """One primitive of a scene."""
    return _label(mark) if isinstance(mark, Label) else _dots(mark) if isinstance(mark, Dots) else _lines(mark)


def _lines(lines: Lines) -> Markup:
    data = "".join(path([(x, y) for x, y in line], closed=lines.closed) for line in lines.lines)
    class_ = f"station {lines.role}" if lines.title else lines.role
    title = [el("title", lines.title)] if lines.title else []
    return el("path", d=data, class_=f"halo {class_}") + el("path", *title, d=data, class_=class_)


def _dots(dots: Dots) -> Markup:
    """Points as zero-length strokes: their caps are discs or squares whose size does not zoom."""
    later = f" from-{dots.zoom}" if dots.zoom > 1 else ""
    if dots.role == "struck":
        return el("g", *(_cross(x, y) for x, y in dots.points), class_=later.strip() or None)
    data, class_ = "".join(f"M{x:.1f} {y:.1f}h0" for x, y in dots.points), f"dot {dots.role}{later}"
    return el("path", d=data, class_=f"halo {class_}") + el("path", d=data, class_=class_)


def _cross(x: float, y: float) -> Markup:
    return el("path", d="M-4-4L4 4M-4 4L4-4", class_="cross", style=_fixed(x, y))


def _fixed(x: float, y: float) -> str:
    """The style of what keeps its size on the screen, drawn from a place."""
    return f"transform:translate({x:.1f}px,{y:.1f}px) scale(var(--s))"


def _label(label: Label) -> Markup:
    """The blade's number and angles, and a brief form with the number alone for narrow screens."""
    x, y = label.nearest
    shift = (label.corner - label.nearest) / label.unit
    w, h = LABEL_SIZE
    rows = [el("rect", width=float(w), height=float(h), class_="plate")]
    rows += [el("path", d=f"M3.5 {at - 9}v10", class_=f"key {station}") for station, at in label.keys]
    rows += [text(words.x, words.y, words.text, words.role) for words in label.words]
    inner = el("g", *rows, transform=f"translate({shift[0]:.1f} {shift[1]:.1f})")
    number = text(0, 5, str(label.number), "title", "middle")
    brief = el("g", el("circle", r=10.0, class_="plate"), number, style=_fixed(x, y), class_="label brief")
    return el("g", inner, style=_fixed(x, y), class_="label full") + brief
