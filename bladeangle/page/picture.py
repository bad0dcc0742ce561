"""The picture of a measurement: the photographs with everything drawn on them that the record says was followed.

Colours are those of Okabe and Ito, "Color Universal Design" (2008), told apart with any common colour vision; kept and
struck-out points, the two faces and the three stations differ in shape or words as well. Nothing is measured here.
Not covered: the adjusted places of taped sheet pieces (markers are drawn where the ring definition has them).
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
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
from bladeangle.base.geometry import CAMERA_PARAMETERS, pixels
from bladeangle.base.outputs import marked_png
from bladeangle.imaging.photo import read_photo
from bladeangle.records.record import Record
from bladeangle.records.tip_words import tip_lines

Array = NDArray[np.float64]
Picture = NDArray[np.uint8]
Colour = tuple[int, int, int]

#: Okabe and Ito's palette, RGB.
OKABE_ITO: dict[str, Colour] = {
    "black": (0, 0, 0),
    "orange": (230, 159, 0),
    "sky blue": (86, 180, 233),
    "bluish green": (0, 158, 115),
    "yellow": (240, 228, 66),
    "blue": (0, 114, 178),
    "vermillion": (213, 94, 0),
    "reddish purple": (204, 121, 167),
}
#: What is drawn in which colour.
INK: dict[str, Colour] = {
    "ring": OKABE_ITO["blue"],
    "hub": OKABE_ITO["orange"],
    "inlet": OKABE_ITO["sky blue"],
    "outlet": OKABE_ITO["yellow"],
    "struck": OKABE_ITO["vermillion"],
    "entry": OKABE_ITO["bluish green"],
    "middle": OKABE_ITO["black"],
    "exit": OKABE_ITO["reddish purple"],
}
WHITE: Colour = (255, 255, 255)
#: Labels beside the blades are so much larger than what is drawn, to be read where a phone shows the whole picture.
LABELS = 1.5
SHIFT = 4  # fractional bits of cv2's sub-pixel drawing


@dataclass(frozen=True)
class DisplayFrame:
    """How a photograph is shown: scaled, and turned upright by quarter turns clockwise.

    width, height : of the photograph as stored, px.
    scale : shown pixels per stored pixel.
    """

    width: int
    height: int
    scale: float = 1.0
    turns: int = 0

    @property
    def size(self) -> tuple[float, float]:
        """Width and height shown."""
        w, h = (self.width, self.height) if self.turns % 2 == 0 else (self.height, self.width)
        return w * self.scale, h * self.scale

    def place(self, px: Any) -> Array:
        """Stored pixels (n, 2) to shown ones (n, 2); pixel centres are at integers in both."""
        points = np.asarray(px, float).reshape(-1, 2)
        w, h = self.width, self.height
        for _ in range(self.turns % 4):
            points = np.stack([h - 1 - points[:, 1], points[:, 0]], 1)
            w, h = h, w
        placed: Array = (points + 0.5) * self.scale - 0.5
        return placed


def write_picture(path: Path, record: Record | Mapping[str, Any], photo_paths: Sequence[Path]) -> None:
    """Write one PNG with all photographs of a record, overhead ones first.

    Parameters
    ----------
    path : the PNG to write, atomically.
    record : the record, or its dict.
    photo_paths : the photographs in the order of `record["photos"]`.

    Raises
    ------
    PhotoError : a photograph cannot be read or is not the one that was measured.
    OutputError : the file cannot be written.
    """
    record = record.data if isinstance(record, Record) else record
    photos = record["photos"]
    overhead = [i for i, p in enumerate(photos) if p["view"] == "overhead"]
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


def read_for_display(path: Path, photo: Mapping[str, Any], max_width: int) -> tuple[Picture, int]:
    """Grey picture (h, w) of a photograph of the record, and the quarter turns clockwise that show it upright.

    The pixels are in stored order, at most `max_width` wide after turning. Grey, because the colours drawn on it are
    then the drawing's alone. Mirrored EXIF orientations are turned and not mirrored.

    Raises
    ------
    PhotoError : unreadable, or not the file that was measured.
    """
    found = read_photo(path)
    if found.sha256 != photo["sha256"]:
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


def draw_overlay(photo_image: Picture, record: Mapping[str, Any], photo_index: int, turns: int = 0) -> Picture:
    """Draw ring, hub, tip edges, stations and angles of one photograph.

    Parameters
    ----------
    photo_image : (h, w) grey or (h, w, 3) RGB picture of the photograph at any scale, stored pixel order.
    record : the record's dict.
    photo_index : which of `record["photos"]` this is.
    turns : quarter turns clockwise that show it upright.

    Returns
    -------
    (h, w, 3) RGB picture (w and h changed over by an odd number of turns); the input is left as it was.
    """
    photo = record["photos"][photo_index]
    image: Picture = np.repeat(photo_image[:, :, None], 3, 2) if photo_image.ndim == 2 else photo_image.copy()
    view = DisplayFrame(photo["width"], photo["height"], image.shape[1] / photo["width"], turns)
    canvas = _Canvas(np.ascontiguousarray(np.rot90(image, -turns)), view)
    centre = shown_centre(record, photo, view)
    _draw_ring(canvas, record, photo)
    for trace in photo["traces"]:
        _draw_trace(canvas, trace)
    for piece in photo["stations_px"]:
        # From the side both edges of the tip land are seen, so the line keeps further off.
        _draw_station(canvas, piece, centre, 9.0 if photo["view"] == "overhead" else 15.0)
    _draw_labels(canvas, record, photo)
    return canvas.image


def project_ring(record: Mapping[str, Any], photo: Mapping[str, Any], points_mm: Array) -> Array:
    """Pixels (n, 2) of points (n, 3) of the ring frame; nan for points behind the camera."""
    parameters = np.array([record["camera"]["parameters"][k] for k in CAMERA_PARAMETERS], float)
    parameters[0] = photo["focal_px"]
    points = points_mm @ np.array(photo["R_camera_ring"], float).T + np.array(photo["t_camera_ring_mm"], float)
    behind = points[:, 2] < 1.0
    px = pixels(np.where(behind[:, None], [0.0, 0.0, 1.0], points), parameters)
    px[behind] = np.nan
    return px


def angle_decimals(expanded_uncertainty_deg: float) -> int:
    """Decimals that an angle is shown with: more would pretend, fewer would hide."""
    return 1 if expanded_uncertainty_deg >= 1.0 else 2 if expanded_uncertainty_deg >= 0.015 else 3


def angle_text(station: Mapping[str, Any] | None) -> str:
    """`9.42 ± 0.31°` (expanded uncertainty), or `not seen`."""
    if station is None:
        return "not seen"
    digits = angle_decimals(station["expanded_uncertainty_deg"])
    return f"{station['angle_deg']:.{digits}f} ± {station['expanded_uncertainty_deg']:.{digits}f}°"


class _Canvas:
    """A picture, the view that it shows, and a line width that suits its size."""

    def __init__(self, image: Picture, view: DisplayFrame) -> None:
        self.image = image
        self.place = view.place
        self.view = view
        self.unit = max(image.shape[1] / 1000.0, 0.5)

    def inside(self, points: Array) -> bool:
        return bool(np.isfinite(points).all() and np.abs(points).max() < 30000)

    def lines(self, points: Array, colour: Colour, width: float, *, closed: bool = False, halo: bool = True) -> None:
        """A polyline with a halo, so that it shows on bright metal and on dark ground."""
        cv2 = import_cv2()
        if len(points) < 2 or not self.inside(points):
            return
        fixed = [(points * 2**SHIFT).round().astype(np.int32)]
        width_px = max(1, round(width * self.unit))
        if halo:
            wide = width_px + 2 * max(1, round(0.6 * self.unit))
            cv2.polylines(self.image, fixed, closed, _halo(colour), wide, cv2.LINE_AA, SHIFT)
        cv2.polylines(self.image, fixed, closed, colour, width_px, cv2.LINE_AA, SHIFT)

    def dots(self, points: Array, colour: Colour, shape: str) -> None:
        """Small marks: "disc", "square" or "cross"."""
        cv2 = import_cv2()
        one = 2**SHIFT
        r = 1.9 * self.unit * (1.6 if shape == "cross" else 1.0)
        for x, y in points:
            if not (np.isfinite(x) and np.isfinite(y) and abs(x) < 30000 and abs(y) < 30000):
                continue
            if shape == "cross":
                for sign in (1, -1):
                    self.lines(np.array([[x - r, y - sign * r], [x + r, y + sign * r]]), colour, 1.3)
                continue
            for grow, ink in ((0.8 * self.unit, _halo(colour)), (0.0, colour)):
                size = r + grow
                if shape == "disc":
                    place = (round(x * one), round(y * one))
                    cv2.circle(self.image, place, round(size * one), ink, -1, cv2.LINE_AA, SHIFT)
                else:
                    corners = [(round((x + k * size) * one), round((y + k * size) * one)) for k in (-1, 1)]
                    cv2.rectangle(self.image, *corners, ink, -1, cv2.LINE_AA, SHIFT)


def _halo(colour: Colour) -> Colour:
    """Black round light colours, white round dark ones (relative luminance by ITU-R BT.709 weights)."""
    luminance = 0.2126 * colour[0] + 0.7152 * colour[1] + 0.0722 * colour[2]
    return (0, 0, 0) if luminance > 100 else WHITE


def thinned(px: Array, spacing: float) -> NDArray[np.intp]:
    """Indices of points at least `spacing` apart, so that the edge itself stays visible between the marks."""
    chosen: list[int] = []
    last_x = last_y = math.inf
    for i, (x, y) in enumerate(px.tolist()):
        if math.hypot(x - last_x, y - last_y) >= spacing:
            chosen.append(i)
            last_x, last_y = x, y
    return np.array(chosen, np.intp)


def shown_centre(record: Mapping[str, Any], photo: Mapping[str, Any], view: DisplayFrame) -> Array:
    """Where the ring's centre is shown (2,); the picture's own middle should the record have it behind the camera."""
    centre: Array = view.place(project_ring(record, photo, np.zeros((1, 3))))[0]
    return centre if np.isfinite(centre).all() else np.array(view.size) / 2


def _draw_ring(canvas: _Canvas, record: Mapping[str, Any], photo: Mapping[str, Any]) -> None:
    for marker in record["ring"]["markers"]:
        corners = np.column_stack([np.array(marker["corners_mm"], float), np.zeros(4)])
        canvas.lines(canvas.place(project_ring(record, photo, corners)), INK["ring"], 1.0, closed=True)
    azimuth = np.radians(record["ring"].get("index_azimuth_deg", 0.0))
    direction = np.array([np.cos(azimuth), np.sin(azimuth), 0.0])
    across = np.array([-np.sin(azimuth), np.cos(azimuth), 0.0])
    outer = record["ring"]["outer_radius_mm"]
    tip = direction * outer * 1.16
    for ends in ([direction * outer, tip], [tip - 6 * direction + 4 * across, tip, tip - 6 * direction - 4 * across]):
        canvas.lines(canvas.place(project_ring(record, photo, np.array(ends))), INK["ring"], 2.0)


def _draw_trace(canvas: _Canvas, trace: Mapping[str, Any]) -> None:
    if not trace["px"]:
        return
    px, kept = canvas.place(trace["px"]), np.array(trace["kept"], bool)
    hub = trace["kind"] == "hub"
    colour = INK["hub"] if hub else INK[trace["face"] or "inlet"]
    good, bad = px[kept], px[~kept]
    shape = "square" if trace["face"] == "outlet" else "disc"
    canvas.dots(good[thinned(good, (14.0 if hub else 9.0) * canvas.unit)], colour, shape)
    canvas.dots(bad[thinned(bad, 7.0 * canvas.unit)], INK["struck"], "cross")


def _draw_station(canvas: _Canvas, piece: Mapping[str, Any], centre: Array, distance: float) -> None:
    """A line beside the tip, outside of it, with a stop at either end: the edge itself stays free."""
    px = canvas.place(piece["px"])
    if len(px) < 2:
        return
    outward = px - centre
    outward /= np.maximum(np.linalg.norm(outward, axis=1, keepdims=True), 1e-9)
    line = px + distance * canvas.unit * outward
    colour = INK[piece["station"]]
    canvas.lines(line, colour, 2.2)
    for end in (0, -1):
        stop = 4.5 * canvas.unit * outward[end]
        canvas.lines(np.stack([line[end] - stop, line[end] + stop]), colour, 2.2)


def _draw_labels(canvas: _Canvas, record: Mapping[str, Any], photo: Mapping[str, Any]) -> None:
    """A box a blade with its number and angles, outside of the rotor, joined to the tip that it speaks of."""
    u = LABELS * canvas.unit
    labels = label_places(record, photo, canvas.view, u)
    for label in labels:
        canvas.lines(np.stack([label.anchor, label.nearest]), WHITE, 0.8)
    here = {(p["blade"], p["station"]) for p in photo["stations_px"]}
    texts = []
    for label in labels:
        box, number = label.corner, label.blade["number"]
        low, high = box.round().astype(int), (box + label.size).round().astype(int)
        region = canvas.image[max(low[1], 0) : high[1], max(low[0], 0) : high[0]]
        region[:] = (region * 0.06 + 255 * 0.94).astype(np.uint8)
        texts.append((box + np.array([7 * u, 3 * u]), f"Blade {number}", 13 * u, OKABE_ITO["black"], True))
        for row, station in enumerate(STATIONS):
            y = box[1] + (19 + 14 * row) * u
            if (number, station) in here:
                key = np.array([[box[0] + 3.5 * u, y + 3 * u], [box[0] + 3.5 * u, y + 13 * u]])
                canvas.lines(key, INK[station], 2.4, halo=False)
            ink = OKABE_ITO["black"] if (number, station) in here else (95, 95, 95)
            words = angle_text(label.blade["stations"][station])
            texts.append((np.array([box[0] + 8 * u, y]), station, 11.5 * u, ink, False))
            texts.append((np.array([box[0] + 54 * u, y]), words, 11.5 * u, ink, False))
    _write(canvas.image, texts)


@dataclass(frozen=True)
class Label:
    """Where a blade's label stands: upper left `corner` (2,) and `size` (2,), and the point (2,) it speaks of."""

    blade: Mapping[str, Any]
    anchor: Array
    corner: Array
    size: Array

    @property
    def nearest(self) -> Array:
        """The point of the box nearest to the anchor."""
        return np.clip(self.anchor, self.corner, self.corner + self.size)


def label_places(record: Mapping[str, Any], photo: Mapping[str, Any], view: DisplayFrame, unit: float) -> list[Label]:
    """Places for the labels of the blades that a photograph shows, in shown pixels; `unit` is their pixel of text."""
    corners = np.array([c for m in record["ring"]["markers"] for c in m["corners_mm"]], float).reshape(-1, 2)
    markers = view.place(project_ring(record, photo, np.column_stack([corners, np.zeros(len(corners))])))
    followed = [view.place(t["px"])[::5] for t in photo["traces"] if t["px"]]
    busy = np.vstack([markers[np.isfinite(markers).all(1)], *followed])
    centre = shown_centre(record, photo, view)
    size = np.array([137.0, 64.0]) * unit
    labels: list[Label] = []
    for blade in record["blades"]:
        tips = [t for t in photo["traces"] if t["kind"] == "tip" and t["blade"] == blade["number"] and t["px"]]
        if tips:
            px = view.place(max(tips, key=lambda t: len(t["px"]))["px"])
            anchor = px[len(px) // 2]
            corner = _free_place(anchor, centre, size, [x.corner for x in labels], busy, view, unit)
            labels.append(Label(blade, anchor, corner, size))
    return labels


def _free_place(
    anchor: Array, centre: Array, size: Array, taken: Sequence[Array], busy: Array, view: DisplayFrame, unit: float
) -> Array:
    """Upper left corner of a box outward of `anchor`, inside the picture, over no other box and few `busy` points."""
    outward = anchor - centre
    distance = max(float(np.linalg.norm(outward)), 1.0)
    room = np.maximum(np.array(view.size) - size - 4 * unit, 4 * unit)
    best, best_cost = np.zeros(2), np.inf
    for turn in np.radians([0, 12, -12, 24, -24, 40, -40, 60, -60, 90, -90]):
        c, s = np.cos(turn), np.sin(turn)
        direction = np.array([c * outward[0] - s * outward[1], s * outward[0] + c * outward[1]]) / distance
        for reach in (1.3, 1.5, 1.7, 1.9, 2.1, 2.4):
            # The box's own half size is added, so that its near side and not its middle is at the reach.
            wanted = centre + direction * (distance * reach + 0.5 * float(size @ np.abs(direction))) - size / 2
            box = np.clip(wanted, 4 * unit, room)
            overlap = sum(float(np.prod(np.maximum(size - np.abs(box - other), 0.0))) for other in taken)
            covered = int(((busy > box) & (busy < box + size)).all(1).sum())
            far = float(np.linalg.norm(box + size / 2 - anchor))
            cost = 10 * overlap + unit * (60 * covered + 60 * abs(turn)) + far
            if cost < best_cost:
                best, best_cost = box, cost
    return best


def _write(image: Picture, texts: Sequence[tuple[Array, str, float, Colour, bool]]) -> None:
    """Write texts (upper left corner, words, size in pixels, colour, bold) onto a picture in place."""
    from PIL import Image, ImageDraw

    if not texts:
        return
    sheet = Image.fromarray(image)
    pen = ImageDraw.Draw(sheet)
    for place, words, size, colour, bold in texts:
        pen.text((float(place[0]), float(place[1])), words, colour, font=font_of(round(size), bold))
    image[:] = np.asarray(sheet)


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


def _with_caption(tile: Picture, photo: Mapping[str, Any]) -> Picture:
    u = tile.shape[1] / 1000.0
    strip = np.full((round(48 * u), tile.shape[1], 3), 255, np.uint8)
    view = {"overhead": "from above", "oblique": "from the side"}.get(photo["view"], photo["view"])
    name = safe_name(photo["name"])
    words = f"{name if len(name) < 25 else name[:21] + '...'}: {photo['standing'].replace('_', ' end ')}, {view}"
    # large enough to be read where a phone shows the whole picture
    _write(strip, [(np.array([8 * u, 3 * u]), words, 34 * u, OKABE_ITO["black"], False)])
    return np.vstack([strip, tile])


def _header(record: Mapping[str, Any], width: int) -> Picture:
    u = width / 1000.0
    rotor = record["rotor"]
    # large enough to be read where a phone shows the picture as wide as itself
    tips = [text for line in tip_lines(record) for text in textwrap.wrap(line, 88)]
    strip = np.full((round((84 + 24 * len(tips)) * u), width, 3), 255, np.uint8)
    angles = "   ".join(f"{s} {angle_text(rotor['stations'][s])}" for s in STATIONS)
    doubts = sum(severity(f["code"]) == "doubt" for f in record["flags"])
    line = f"{rotor['blade_count']} blades, {rotor['hand']}-hand   doubts: {doubts or 'none'}"
    texts = [
        (np.array([8 * u, 4 * u]), str(record["name"]), 24 * u, OKABE_ITO["black"], True),
        (np.array([8 * u, 34 * u]), f"mean {angles}", 20 * u, OKABE_ITO["black"], False),
        (np.array([8 * u, 58 * u]), line, 20 * u, OKABE_ITO["black"], False),
        *((np.array([8 * u, (82 + 24 * i) * u]), t, 20 * u, OKABE_ITO["black"], False) for i, t in enumerate(tips)),
    ]
    _write(strip, texts)
    return strip


def _legend(width: int) -> Picture:
    u = width / 1000.0
    canvas = _Canvas(np.full((round(64 * u), width, 3), 255, np.uint8), DisplayFrame(width, round(64 * u)))
    canvas.unit = 1.6 * u
    entries = [
        ("ring", "line", "markers and arrow"),
        ("hub", "disc", "hub"),
        ("inlet", "disc", "edge of the inlet face"),
        ("outlet", "square", "edge of the outlet face"),
        ("struck", "cross", "not used"),
        *((s, "stops", s) for s in STATIONS),
    ]
    texts = []
    x, y = 12 * u, 16 * u
    for what, shape, words in entries:
        wide = (52 + 11 * len(words)) * u
        if x + wide > width:
            x, y = 12 * u, y + 28 * u
        if shape in ("line", "stops"):
            canvas.lines(np.array([[x, y], [x + 16 * u, y]]), INK[what], 1.5)
            for end in (0, 16 * u) if shape == "stops" else ():
                canvas.lines(np.array([[x + end, y - 4 * u], [x + end, y + 4 * u]]), INK[what], 1.5)
        else:
            canvas.dots(np.array([[x, y], [x + 8 * u, y], [x + 16 * u, y]]), INK[what], shape)
        texts.append((np.array([x + 30 * u, y - 12 * u]), words, 20 * u, OKABE_ITO["black"], False))
        x += wide
    note = "± holds in about 95 % of cases"
    x, y = (x, y) if x + 11 * len(note) * u <= width else (12 * u, y + 28 * u)
    texts.append((np.array([x, y - 12 * u]), note, 20 * u, OKABE_ITO["black"], False))
    _write(canvas.image, texts)
    return canvas.image
