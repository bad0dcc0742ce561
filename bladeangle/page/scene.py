"""Record + how a photograph is shown -> what is drawn on it, as primitives that a back end only has to draw.

Places are in shown pixels, centres at integers. Sizes of marks come in units: one pixel of the screen that the picture
is made for. Nothing is measured here.
Not covered: the adjusted places of taped sheet pieces (markers are drawn where the ring definition has them).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import msgspec
import numpy as np
from numpy.typing import NDArray

from bladeangle.base.budget import STATIONS
from bladeangle.base.geometry import pixels
from bladeangle.records.content import Blade, Content, Photo, Station, StationLine, Trace

Array = NDArray[np.float64]
Colour = tuple[int, int, int]

#: The palette of Okabe and Ito, "Color Universal Design" (2008), RGB: told apart with any common colour vision.
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
#: What is drawn in which colour; faces, stations and what was not used differ in shape or words as well.
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

#: Units between marks of one edge, so that the edge itself stays visible between them.
SPACING = {"hub": 14.0, "inlet": 9.0, "outlet": 9.0, "struck": 7.0}
#: Units from a tip to the line of its station; from the side both edges of the tip are seen, so it keeps further off.
STATION_OFF = {"overhead": 9.0, "oblique": 15.0}
#: Half the length of the stop at either end of a station's line, units.
STOP = 4.5
#: Beyond this, px, nothing is drawn: back ends with fixed-point coordinates would overflow.
FARTHEST_PX = 30_000.0
#: Size of a label's box, units.
LABEL_SIZE = np.array([137.0, 64.0])


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


@dataclass(frozen=True, eq=False)
class Lines:
    """Polylines (n, 2) of one role: "ring", "arrow", "leader" or a station. title : what they are, in words."""

    role: str
    lines: tuple[Array, ...]
    closed: bool = False
    title: str = ""


@dataclass(frozen=True, eq=False)
class Dots:
    """Marks at points (n, 2) of one role: "hub", "inlet", "outlet", or "struck" where a point was not used.

    zoom : magnification from which on they are drawn.
    """

    role: str
    points: Array
    zoom: int = 1


@dataclass(frozen=True)
class Words:
    """A text of a label; x and baseline y in units from the label's corner. role : "title", "" or "elsewhere"."""

    x: float
    y: float
    text: str
    role: str = ""


@dataclass(frozen=True, eq=False)
class Label:
    """A blade's number and angles in a box.

    anchor : (2,) what it speaks of; corner : (2,) upper left of its box of `LABEL_SIZE` units.
    keys : stations that are seen in the photograph, with the baseline of their words.
    """

    number: int
    anchor: Array
    corner: Array
    unit: float
    words: tuple[Words, ...]
    keys: tuple[tuple[str, float], ...]

    @property
    def nearest(self) -> Array:
        """The point (2,) of the box nearest to the anchor."""
        return np.clip(self.anchor, self.corner, self.corner + LABEL_SIZE * self.unit)


@dataclass(frozen=True, eq=False)
class Scene:
    """All that is drawn on a photograph, the lowest first."""

    view: DisplayFrame
    unit: float
    marks: tuple[Lines | Dots | Label, ...]


def scene_of(
    record: Content,
    photo: Photo,
    view: DisplayFrame,
    unit: float,
    label_unit: float,
    zooms: Sequence[int] = (1,),
) -> Scene:
    """Ring, stations, followed edges and labels of a photograph.

    Parameters
    ----------
    record, photo : what the record holds, and which of its photographs is shown.
    view : how it is shown.
    unit, label_unit : shown pixels per unit, of marks and of labels.
    zooms : magnifications from which on more of the points are drawn, rising from 1.
    """
    centre = shown_centre(record, photo, view)
    marks: list[Lines | Dots | Label] = _ring(record, photo, view)
    distance = STATION_OFF[photo.view] * unit
    marks += [line for piece in photo.stations_px if (line := _station(piece, view, centre, distance, STOP * unit))]
    for trace in photo.traces:
        marks += _trace(trace, view, unit, zooms)
    labels = _labels(record, photo, view, centre, label_unit)
    marks += [Lines("leader", (np.stack([label.anchor, label.nearest]),)) for label in labels]
    return Scene(view, unit, (*marks, *labels))


def project_ring(record: Content, photo: Photo, points_mm: Array) -> Array:
    """Pixels (n, 2) of points (n, 3) of the ring frame; nan for points behind the camera."""
    parameters = np.array(msgspec.structs.astuple(record.camera.parameters), float)
    parameters[0] = photo.focal_px
    points = points_mm @ np.array(photo.r_camera_ring, float).T + np.array(photo.t_camera_ring_mm, float)
    behind = points[:, 2] < 1.0
    px = pixels(np.where(behind[:, None], [0.0, 0.0, 1.0], points), parameters)
    px[behind] = np.nan
    return px


def shown_centre(record: Content, photo: Photo, view: DisplayFrame) -> Array:
    """Where the ring's centre is shown (2,); the picture's own middle should the record have it behind the camera."""
    centre: Array = view.place(project_ring(record, photo, np.zeros((1, 3))))[0]
    return centre if np.isfinite(centre).all() else np.array(view.size) / 2


def angle_decimals(expanded_uncertainty_deg: float) -> int:
    """Decimals that an angle is shown with: more would pretend, fewer would hide."""
    return 1 if expanded_uncertainty_deg >= 1.0 else 2 if expanded_uncertainty_deg >= 0.015 else 3


def angle_text(station: Station | None) -> str:
    """`9.42 ± 0.31°` (expanded uncertainty), or `not seen`."""
    if station is None:
        return "not seen"
    digits = angle_decimals(station.expanded_uncertainty_deg)
    return f"{station.angle_deg:.{digits}f} ± {station.expanded_uncertainty_deg:.{digits}f}°"


def thinned(px: Array, spacing: float) -> NDArray[np.intp]:
    """Indices of points at least `spacing` apart, so that the edge itself stays visible between the marks."""
    chosen: list[int] = []
    last_x = last_y = math.inf
    for i, (x, y) in enumerate(px.tolist()):
        if math.hypot(x - last_x, y - last_y) >= spacing:
            chosen.append(i)
            last_x, last_y = x, y
    return np.array(chosen, np.intp)


def _drawable(points: Array) -> bool:
    return bool(np.isfinite(points).all() and np.abs(points).max(initial=0.0) < FARTHEST_PX)


def _ring(record: Content, photo: Photo, view: DisplayFrame) -> list[Lines | Dots | Label]:
    """The markers, and the arrow at which blade 1 stands."""

    def shown(points_mm: Any) -> Array:
        points = np.asarray(points_mm, float)
        flat = np.zeros((len(points), 1))
        return view.place(project_ring(record, photo, np.hstack([points, flat])))

    azimuth = math.radians(record.ring.index_azimuth_deg)
    along, across = np.array([math.cos(azimuth), math.sin(azimuth)]), np.array([-math.sin(azimuth), math.cos(azimuth)])
    tail = along * record.ring.outer_radius_mm
    tip = tail * 1.16
    shaft, head = [tail, tip], [tip - 6 * along + 4 * across, tip, tip - 6 * along - 4 * across]
    markers = [line for marker in record.ring.markers if _drawable(line := shown(marker.corners_mm))]
    arrow = [line for points in (shaft, head) if _drawable(line := shown(points))]
    return [Lines("ring", tuple(markers), closed=True), Lines("arrow", tuple(arrow))]


def _station(piece: StationLine, view: DisplayFrame, centre: Array, distance: float, stop: float) -> Lines | None:
    """A line beside the tip, outside of it, with a stop at either end: the edge itself stays free."""
    px = view.place(piece.px)
    if len(px) < 2 or not _drawable(px):
        return None
    outward = px - centre
    outward /= np.maximum(np.linalg.norm(outward, axis=1, keepdims=True), 1e-9)
    line = px + distance * outward
    stops = [np.stack([line[end] - stop * outward[end], line[end] + stop * outward[end]]) for end in (0, -1)]
    return Lines(piece.station, (line, *stops), title=f"blade {piece.blade}, {piece.station}")


def _trace(trace: Trace, view: DisplayFrame, unit: float, zooms: Sequence[int]) -> list[Dots]:
    """Marks of an edge: only as many as leave it to be seen between them; each nearer view brings in further ones."""
    px, kept = view.place(trace.px), np.array(trace.kept, bool)
    out = []
    for role, points in (("hub" if trace.kind == "hub" else trace.face or "inlet", px[kept]), ("struck", px[~kept])):
        points = points[np.abs(points).max(1, initial=0.0) < FARTHEST_PX]
        drawn = np.zeros(len(points), bool)
        for zoom in zooms:
            chosen = thinned(points, SPACING[role] * unit / zoom)
            new = chosen[~drawn[chosen]]
            drawn[new] = True
            out += [Dots(role, points[new], zoom)] if len(new) else []
    return out


def _labels(record: Content, photo: Photo, view: DisplayFrame, centre: Array, unit: float) -> list[Label]:
    """Labels of the blades that a photograph shows, outside of the rotor."""
    corners = np.array([m.corners_mm for m in record.ring.markers], float).reshape(-1, 2)
    markers = view.place(project_ring(record, photo, np.column_stack([corners, np.zeros(len(corners))])))
    followed = [view.place(t.px)[::5] for t in photo.traces if t.px]
    busy = np.vstack([markers[np.isfinite(markers).all(1)], *followed])
    here = {(p.blade, p.station) for p in photo.stations_px}
    labels: list[Label] = []
    for blade in record.blades:
        tips = [t.px for t in photo.traces if t.kind == "tip" and t.blade == blade.number and t.px]
        if tips:
            px = view.place(max(tips, key=len))
            anchor = px[len(px) // 2]
            corner = _free_place(anchor, centre, [x.corner for x in labels], busy, view, unit)
            labels.append(_label(blade, anchor, corner, unit, [(blade.number, s) in here for s in STATIONS]))
    return labels


def _label(blade: Blade, anchor: Array, corner: Array, unit: float, here: Sequence[bool]) -> Label:
    words, keys = [Words(7, 15, f"Blade {blade.number}", "title")], []
    for row, (station, seen) in enumerate(zip(STATIONS, here, strict=True)):
        y, role = 30.0 + 14 * row, "" if seen else "elsewhere"
        words += [Words(8, y, station, role), Words(54, y, angle_text(blade.stations.at(station)), role)]
        keys += [(station, y)] if seen else []
    return Label(blade.number, anchor, corner, unit, tuple(words), tuple(keys))


def _free_place(
    anchor: Array, centre: Array, taken: Sequence[Array], busy: Array, view: DisplayFrame, unit: float
) -> Array:
    """Upper left corner of a box outward of `anchor`, inside the picture, over no other box and few `busy` points."""
    size = LABEL_SIZE * unit
    outward = anchor - centre
    distance = max(float(np.linalg.norm(outward)), 1.0)
    farthest = np.maximum(np.array(view.size) - size - 4 * unit, 4 * unit)
    best, best_cost = np.zeros(2), np.inf
    for turn in np.radians([0, 12, -12, 24, -24, 40, -40, 60, -60, 90, -90]):
        c, s = np.cos(turn), np.sin(turn)
        direction = np.array([c * outward[0] - s * outward[1], s * outward[0] + c * outward[1]]) / distance
        for reach in (1.3, 1.5, 1.7, 1.9, 2.1, 2.4):
            # The box's own half size is added, so that its near side and not its middle is at the reach.
            wanted = centre + direction * (distance * reach + 0.5 * float(size @ np.abs(direction))) - size / 2
            box = np.clip(wanted, 4 * unit, farthest)
            overlap = sum(float(np.prod(np.maximum(size - np.abs(box - other), 0.0))) for other in taken)
            covered = int(((busy > box) & (busy < box + size)).all(1).sum())
            far = float(np.linalg.norm(box + size / 2 - anchor))
            cost = 10 * overlap + unit * (60 * covered + 60 * abs(turn)) + far
            if cost < best_cost:
                best, best_cost = box, cost
    return best
