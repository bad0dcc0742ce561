"""Record + photographs -> the photographs with everything drawn on them that the record says was followed.

`scene.py` says what is drawn; here it is put on pixels, with a header, captions and a legend around.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from functools import lru_cache
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bladeangle.base.budget import STATIONS
from bladeangle.base.errors import OutputError, PhotoError
from bladeangle.base.files import import_cv2, safe_name, write_bytes_atomic
from bladeangle.base.flags import severity
from bladeangle.base.outputs import marked_png
from bladeangle.imaging.photo import read_photo
from bladeangle.page.scene import (
    INK,
    LABEL_SIZE,
    Array,
    Colour,
    DisplayFrame,
    Dots,
    Label,
    Lines,
    angle_text,
    scene_of,
)
from bladeangle.records.content import Content, Photo
from bladeangle.records.tip_words import tip_lines

Picture = NDArray[np.uint8]
Text = tuple[Array, str, float, Colour, bool]

BLACK, WHITE, GREY = (0, 0, 0), (255, 255, 255), (95, 95, 95)
#: Labels beside the blades are so much larger than what is drawn, to be read where a phone shows the whole picture.
LABELS = 1.5
#: Widths of lines by their role, units; a station's line without one.
WIDTH = {"ring": 1.0, "arrow": 2.0, "leader": 0.8}
STATION_WIDTH = 2.2
SHIFT = 4  # fractional bits of cv2's sub-pixel drawing


def write_picture(path: Path, record: Content, photo_paths: Sequence[Path]) -> None:
    """Write one PNG with all photographs of a record, overhead ones first.

    Parameters
    ----------
    path : the PNG to write, atomically.
    record : what the record holds.
    photo_paths : the photographs in the order of `record.photos`.

    Raises
    ------
    PhotoError : a photograph cannot be read or is not the one that was measured.
    OutputError : the file cannot be written.
    """
    photos = record.photos
    overhead = [i for i, p in enumerate(photos) if p.view == "overhead"]
    oblique = [i for i in range(len(photos)) if i not in overhead]
    # One photograph is shown at 2000 px, two side by side at 1500; a long row of them smaller, to bound the memory.
    width = 2000 if len(photos) == 1 else 3000 if len(photos) <= 12 else 1800
    rows = _rows(overhead, 2) + _rows(oblique, 3)
    strips = [_header(record, width)]
    for columns, row in rows:
        tile_width = width // columns
        tiles = []
        for i in row:
            shown, turns = read_for_display(photo_paths[i], photos[i], tile_width)
            tiles.append(_with_caption(draw_overlay(shown, record, i, turns), photos[i]))
        height = max(t.shape[0] for t in tiles)
        strip = np.full((height, width, 3), 255, np.uint8)
        for column, tile in enumerate(tiles):
            strip[: tile.shape[0], column * tile_width : column * tile_width + tile.shape[1]] = tile
        strips.append(strip)
    strips.append(_legend(width))
    cv2 = import_cv2()
    whole = np.ascontiguousarray(np.vstack(strips)[:, :, ::-1])
    done, encoded = cv2.imencode(".png", whole, [cv2.IMWRITE_PNG_COMPRESSION, 2])
    if not done:
        raise OutputError("The picture could not be encoded as PNG.", "Try fewer photographs.")
    write_bytes_atomic(path, marked_png(encoded.tobytes()))


def read_for_display(path: Path, photo: Photo, max_width: int) -> tuple[Picture, int]:
    """Grey picture (h, w) of a photograph of the record, and the quarter turns clockwise that show it upright.

    The pixels are in stored order, at most `max_width` wide after turning. Grey, because the colours drawn on it are
    then the drawing's alone. Mirrored EXIF orientations are turned and not mirrored.

    Raises
    ------
    PhotoError : unreadable, or not the file that was measured.
    """
    found = read_photo(path)
    if found.sha256 != photo.sha256:
        raise PhotoError(
            f"{safe_name(path.name)} is not the photograph that was measured: its SHA-256 is not the record's.",
            "Give the photographs that were measured, as they were.",
        )
    turns = found.display_turns
    width, height = found.file_size
    scale = min(max_width / (width if turns % 2 == 0 else height), 1.0)
    if scale == 1.0:
        return found.encoded, turns
    size = (round(width * scale), round(height * scale))
    return import_cv2().resize(found.encoded, size, interpolation=import_cv2().INTER_AREA), turns


def draw_overlay(photo_image: Picture, record: Content, photo_index: int, turns: int = 0) -> Picture:
    """Draw ring, hub, tip edges, stations and angles of one photograph.

    Parameters
    ----------
    photo_image : (h, w) grey or (h, w, 3) RGB picture of the photograph at any scale, stored pixel order.
    record : what the record holds.
    photo_index : which of `record.photos` this is.
    turns : quarter turns clockwise that show it upright.

    Returns
    -------
    (h, w, 3) RGB picture (w and h changed over by an odd number of turns); the input is left as it was.
    """
    photo = record.photos[photo_index]
    image: Picture = np.repeat(photo_image[:, :, None], 3, 2) if photo_image.ndim == 2 else photo_image.copy()
    view = DisplayFrame(photo.width, photo.height, image.shape[1] / photo.width, turns)
    canvas = _Canvas(np.ascontiguousarray(np.rot90(image, -turns)))
    for mark in scene_of(record, photo, view, canvas.unit, LABELS * canvas.unit).marks:
        canvas.draw(mark)
    canvas.write()
    return canvas.image


class _Canvas:
    """A picture, and the size of a unit that suits it; texts are written at the end, all at once."""

    def __init__(self, image: Picture, unit: float | None = None) -> None:
        self.image = image
        self.unit = max(image.shape[1] / 1000.0, 0.5) if unit is None else unit
        self.texts: list[Text] = []

    def draw(self, mark: Lines | Dots | Label) -> None:
        """Draw one primitive of a scene."""
        if isinstance(mark, Label):
            self._label(mark)
        elif isinstance(mark, Dots):
            self._dots(mark)
        else:
            ink = WHITE if mark.role == "leader" else INK["ring" if mark.role == "arrow" else mark.role]
            for line in mark.lines:
                self._line(line, ink, WIDTH.get(mark.role, STATION_WIDTH), closed=mark.closed)

    def write(self) -> None:
        """Write the texts, by their left end on the baseline."""
        from PIL import Image, ImageDraw

        if not self.texts:
            return
        sheet = Image.fromarray(self.image)
        pen = ImageDraw.Draw(sheet)
        for place, words, size, colour, bold in self.texts:
            pen.text((float(place[0]), float(place[1])), words, colour, font=font_of(round(size), bold), anchor="ls")
        self.image[:] = np.asarray(sheet)

    def _line(self, points: Array, colour: Colour, width: float, *, closed: bool = False, halo: bool = True) -> None:
        """A polyline with a halo, so that it shows on bright metal and on dark ground."""
        cv2 = import_cv2()
        fixed = [(points * 2**SHIFT).round().astype(np.int32)]
        width_px = max(1, round(width * self.unit))
        if halo:
            wide = width_px + 2 * max(1, round(0.6 * self.unit))
            cv2.polylines(self.image, fixed, closed, _halo(colour), wide, cv2.LINE_AA, SHIFT)
        cv2.polylines(self.image, fixed, closed, colour, width_px, cv2.LINE_AA, SHIFT)

    def _dots(self, dots: Dots) -> None:
        """Discs; squares on the outlet face, crosses where a point was not used."""
        cv2 = import_cv2()
        one, colour = 2**SHIFT, INK[dots.role]
        if dots.role == "struck":
            r = 3.0 * self.unit
            for x, y in dots.points:
                for sign in (1, -1):
                    self._line(np.array([[x - r, y - sign * r], [x + r, y + sign * r]]), colour, 1.3)
            return
        for x, y in dots.points:
            for grow, ink in ((0.8 * self.unit, _halo(colour)), (0.0, colour)):
                size = 1.9 * self.unit + grow
                if dots.role == "outlet":
                    corners = [(round((x + k * size) * one), round((y + k * size) * one)) for k in (-1, 1)]
                    cv2.rectangle(self.image, *corners, ink, -1, cv2.LINE_AA, SHIFT)
                else:
                    place = (round(x * one), round(y * one))
                    cv2.circle(self.image, place, round(size * one), ink, -1, cv2.LINE_AA, SHIFT)

    def _label(self, label: Label) -> None:
        """A pale plate with the blade's number and angles, and a key before each station that is seen here."""
        u, corner = label.unit, label.corner
        low, high = corner.round().astype(int), (corner + LABEL_SIZE * u).round().astype(int)
        region = self.image[max(low[1], 0) : high[1], max(low[0], 0) : high[0]]
        region[:] = (region * 0.06 + 255 * 0.94).astype(np.uint8)
        for station, y in label.keys:
            self._line(corner + u * np.array([[3.5, y - 9], [3.5, y + 1]]), INK[station], 2.4, halo=False)
        for words in label.words:
            title = words.role == "title"
            ink = GREY if words.role == "elsewhere" else BLACK
            place = corner + u * np.array([words.x, words.y])
            self.texts.append((place, words.text, (13 if title else 11.5) * u, ink, title))


def _halo(colour: Colour) -> Colour:
    """Black round light colours, white round dark ones (relative luminance by ITU-R BT.709 weights)."""
    luminance = 0.2126 * colour[0] + 0.7152 * colour[1] + 0.0722 * colour[2]
    return (0, 0, 0) if luminance > 100 else WHITE


@lru_cache(maxsize=32)
def font_of(size: int, bold: bool) -> Any:
    """DejaVu Sans as shipped with matplotlib: has the degree and plus-minus signs, and most alphabets for names."""
    from PIL import ImageFont

    name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
    # not asked of the package itself, whose import takes a tenth of a second
    package = find_spec("matplotlib")
    assert package is not None and package.origin is not None
    return ImageFont.truetype(str(Path(package.origin).parent / "mpl-data" / "fonts" / "ttf" / name), max(size, 6))


def _rows(indices: Sequence[int], columns: int) -> list[tuple[int, list[int]]]:
    """Rows of at most `columns` tiles; a group smaller than a row fills its width, but for a lone oblique one."""
    per_row = min(columns, max(len(indices), 1))
    return [(per_row, list(indices[i : i + per_row])) for i in range(0, len(indices), per_row)]


def _with_caption(tile: Picture, photo: Photo) -> Picture:
    u = tile.shape[1] / 1000.0
    strip = _Canvas(np.full((round(48 * u), tile.shape[1], 3), 255, np.uint8))
    view = {"overhead": "from above", "oblique": "from the side"}[photo.view]
    name = safe_name(photo.name)
    words = f"{name if len(name) < 25 else name[:21] + '...'}: {photo.standing.replace('_', ' end ')}, {view}"
    # large enough to be read where a phone shows the whole picture
    strip.texts.append((np.array([8 * u, 35 * u]), words, 34 * u, BLACK, False))
    strip.write()
    return np.vstack([strip.image, tile])


def _header(record: Content, width: int) -> Picture:
    u = width / 1000.0
    rotor = record.rotor
    # large enough to be read where a phone shows the picture as wide as itself
    tips = [text for line in tip_lines(rotor) for text in textwrap.wrap(line, 88)]
    strip = _Canvas(np.full((round((84 + 24 * len(tips)) * u), width, 3), 255, np.uint8))
    angles = "   ".join(f"{s} {angle_text(rotor.stations.at(s))}" for s in STATIONS)
    doubts = sum(severity(f.code) == "doubt" for f in record.flags)
    line = f"{rotor.blade_count} blades, {rotor.hand}-hand   doubts: {doubts or 'none'}"
    strip.texts.append((np.array([8 * u, 27 * u]), record.name, 24 * u, BLACK, True))
    for row, text in enumerate([f"mean {angles}", line, *tips]):
        strip.texts.append((np.array([8 * u, (53 + 24 * row) * u]), text, 20 * u, BLACK, False))
    strip.write()
    return strip.image


def _legend(width: int) -> Picture:
    u = width / 1000.0
    canvas = _Canvas(np.full((round(64 * u), width, 3), 255, np.uint8), 1.6 * u)
    entries = [
        ("ring", "markers and arrow"),
        ("hub", "hub"),
        ("inlet", "edge of the inlet face"),
        ("outlet", "edge of the outlet face"),
        ("struck", "not used"),
        *((s, s) for s in STATIONS),
    ]
    x, y = 12 * u, 16 * u
    for role, words in entries:
        wide = (52 + 11 * len(words)) * u
        if x + wide > width:
            x, y = 12 * u, y + 28 * u
        ends = [np.array([[x + k, y - 4 * u], [x + k, y + 4 * u]]) for k in (0, 16 * u)] if role in STATIONS else []
        if role == "ring" or ends:
            canvas.draw(Lines(role, (np.array([[x, y], [x + 16 * u, y]]), *ends)))
        else:
            canvas.draw(Dots(role, np.array([[x, y], [x + 8 * u, y], [x + 16 * u, y]])))
        canvas.texts.append((np.array([x + 30 * u, y + 7 * u]), words, 20 * u, BLACK, False))
        x += wide
    note = "± holds in about 95 % of cases"
    x, y = (x, y) if x + 11 * len(note) * u <= width else (12 * u, y + 28 * u)
    canvas.texts.append((np.array([x, y + 7 * u]), note, 20 * u, BLACK, False))
    canvas.write()
    return canvas.image
