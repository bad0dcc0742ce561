"""Ring -> printable sheets at true scale, as PDF and SVG.

Inside the ring the print is sparse and pale, so that no printed line passes for a blade edge.
"""

from __future__ import annotations

import io
import math
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from bladeangle.base.outputs import FIGURE_MARKS
from bladeangle.imaging.ring import Ring, dictionary_of
from bladeangle.imaging.ring_design import (
    FLAP_MM,
    PAGE_MARGIN_MM,
    WORDS_MM,
    Page,
    arrow_span,
    cell_mm,
    pages,
    piece_outline,
    polar,
    reach_mm,
    rotation_2d,
)
from bladeangle.imaging.sheet_notes import MAP_MM, at_true_scale, draw_map, words

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Array = NDArray[np.float64]

_PALE = "0.82"
_POINTS_PER_MM = 72 / 25.4


def sheet_pdf(ring: Ring, paper: str, definition: str = "") -> bytes:
    """All pages as one PDF at true scale; UsageError when the ring does not fit the paper.

    definition : name of the ring's file, to stand on the sheets.
    """
    from matplotlib.backends.backend_pdf import PdfPages

    buffer = io.BytesIO()
    with PdfPages(buffer, metadata=FIGURE_MARKS["pdf"] | {"Title": ring.name}) as pdf:
        for page in pages(ring, paper):
            pdf.savefig(_figure(ring, page, paper, definition))
    return at_true_scale(buffer.getvalue())


def sheet_svgs(ring: Ring, paper: str, definition: str = "") -> list[str]:
    """Each page as an SVG at true scale; UsageError when the ring does not fit the paper.

    The path of the marker with number n has the identifier "marker-n".
    """
    import matplotlib

    texts = []
    for page in pages(ring, paper):
        buffer, metadata = io.StringIO(), FIGURE_MARKS["svg"] | {"Title": ring.name}
        with matplotlib.rc_context({"svg.hashsalt": "bladeangle"}):  # the same ring gives the same file
            _figure(ring, page, paper, definition).savefig(buffer, format="svg", metadata=metadata)
        texts.append(buffer.getvalue())
    return texts


def marker_outline(ring: Ring, index: int) -> list[Array]:
    """Closed outlines (k, 2), ring frame, of the black of marker `ring.ids[index]`: the square, then its white areas.

    White cells that share a side are merged, since viewers draw a dark hairline where two shapes meet. The white areas
    go the other way round than the square, so that the even-odd and the non-zero rule fill the same black.
    """
    import cv2

    dictionary = dictionary_of(ring.dictionary)
    cells = dictionary.markerSize + 2
    image = cv2.aruco.generateImageMarker(dictionary, int(ring.ids[index]), cells)
    top_left, top_right, _, bottom_left = ring.corners_mm[index]
    cell_axes = np.array([bottom_left - top_left, top_right - top_left]) / cells  # per row, per column
    outlines = [np.vstack([ring.corners_mm[index], ring.corners_mm[index, :1]])]
    return outlines + [top_left + np.array(loop, float) @ cell_axes for loop in _white_loops(image > 0)]


def _white_loops(white: NDArray[np.bool_]) -> list[list[tuple[int, int]]]:
    """Closed loops of (row, column) grid points round the white areas."""
    edges = set()
    for row, column in np.argwhere(white).tolist():
        corners = [(row, column), (row + 1, column), (row + 1, column + 1), (row, column + 1)]
        edges |= set(zip(corners, corners[1:] + corners[:1], strict=True))
    edges -= {(end, start) for start, end in edges}  # a side walked both ways lies between two white cells
    loops = []
    while edges:
        start, end = min(edges)
        edges.remove((start, end))
        loop = [start, end]
        while loop[-1] != start:
            edge = min(e for e in edges if e[0] == loop[-1])
            edges.remove(edge)
            loop.append(edge[1])
        loops.append(loop)
    return loops


def _figure(ring: Ring, page: Page, paper: str, definition: str = "") -> Figure:
    """The page drawn in mm."""
    from matplotlib.figure import Figure
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path

    figure = Figure(figsize=(page.width_mm / 25.4, page.height_mm / 25.4))
    axes = figure.add_axes((0, 0, 1, 1))
    axes.set(xlim=(0, page.width_mm), ylim=(0, page.height_mm))
    axes.axis("off")
    for index in np.flatnonzero(ring.pieces == page.piece):
        path = Path.make_compound_path(*(Path(page.place(o), closed=True) for o in marker_outline(ring, int(index))))
        axes.add_patch(
            PathPatch(path, facecolor="black", edgecolor="none", gid=f"marker-{ring.ids[index]}", snap=False)
        )
    _draw_arrow(axes, ring, page)
    _draw_centre(axes, ring, page)
    if page.pieces > 1:
        _draw_seams(axes, ring, page)
    _draw_words(axes, ring, page, paper, definition)
    return figure


def _line(axes: Axes, points: Array, width_mm: float, color: str = "black", **options: Any) -> None:
    axes.plot(
        points[:, 0],
        points[:, 1],
        color=color,
        linewidth=width_mm * _POINTS_PER_MM,
        solid_capstyle="butt",
        snap=False,
        **options,
    )


def _covers(page: Page, azimuth_deg: float) -> bool:
    return (azimuth_deg - page.start_deg) % 360 < page.span_deg - 1e-9


def _draw_arrow(axes: Axes, ring: Ring, page: Page) -> None:
    azimuth = ring.index_azimuth_deg
    if not _covers(page, azimuth):
        return
    tip, tail = arrow_span(ring)
    half = 0.08 * (tail - tip)
    head = tip + 0.45 * (tail - tip)
    shape = np.array(
        [
            [tip, 0],
            [head, 2 * half],
            [head, half],
            [tail - 3, half],
            [tail - 3, -half],
            [head, -half],
            [head, -2 * half],
        ]
    )
    axes.fill(*page.place(shape @ rotation_2d(azimuth).T).T, color="black", linewidth=0, gid="arrow", snap=False)
    _outward_text(axes, page, "blade 1", tail - 1.2, azimuth)


def _outward_text(axes: Axes, page: Page, text: str, radius_mm: float, azimuth_deg: float) -> None:
    """Small words whose upright is outward."""
    x, y = page.place(polar(radius_mm, azimuth_deg))
    axes.text(x, y, text, fontsize=5, ha="center", va="center", rotation=azimuth_deg + page.turn_deg - 90)


def _draw_centre(axes: Axes, ring: Ring, page: Page) -> None:
    """A cross and arcs every 5 mm of radius beside its arms: equal readings on all arms put the rotor in the middle.

    Whole circles would be seen through the bore and between the blades, and look like edges of the rotor.
    """
    length = 5 * math.floor(0.7 * ring.inner_radius_mm / 5)
    for arm in ring.index_azimuth_deg + np.array([0.0, 90.0, 180.0, 270.0]):
        # An arm on a seam belongs to the pieces on both sides of it.
        ends = [e for e in (page.start_deg, page.start_deg + page.span_deg) if abs((arm - e + 180) % 360 - 180) < 1e-6]
        if not (_covers(page, arm) or ends):
            continue
        _line(axes, page.place(polar(1.0, arm) * np.array([[0.0], [length]])), 0.2, _PALE)
        for radius in range(5, length + 1, 5):
            reach = math.degrees((3.0 if radius % 10 == 0 else 1.5) / radius)
            azimuths = np.linspace(arm - reach, arm + reach, 9)
            if page.pieces > 1:
                inside = (azimuths - page.start_deg + 1e-9) % 360 <= page.span_deg + 2e-9
                azimuths = azimuths[inside]
            _line(axes, page.place(polar(float(radius), azimuths)), 0.2, _PALE)


def _draw_seams(axes: Axes, ring: Ring, page: Page) -> None:
    _line(axes, page.place(piece_outline(ring, page.start_deg, page.span_deg, page.flaps)), 0.2, "0.65", gid="cut")
    inner, reach = ring.inner_radius_mm, reach_mm(ring)
    markers = int((ring.pieces == page.piece).sum())
    free = inner * math.tan(math.radians(page.span_deg / markers / 2)) - 3.5 * cell_mm(ring)  # seam to marker
    tick = float(np.clip(free - 0.7 * cell_mm(ring), 0.5, 2.5))
    for azimuth, sign in ((page.start_deg, 1), (page.start_deg + page.span_deg, -1)):
        along, aside = polar(1.0, azimuth), sign * polar(1.0, azimuth + 90)
        if page.flaps:
            seam = np.array([inner - FLAP_MM, reach])[:, None] * along
            _line(axes, page.place(seam), 0.2, "0.5", linestyle=(0, (6, 3)))
            x, y = page.place((inner - FLAP_MM + reach) / 2 * along - FLAP_MM / 2 * aside)
            axes.text(
                x,
                y,
                "flap: goes under the next piece",
                fontsize=4,
                color="0.4",
                ha="center",
                va="center",
                rotation=_readable(azimuth + page.turn_deg),
            )
        # Ticks across the seam that continue on the neighbour's, clear of the markers.
        for radius in (inner + 2, (inner + reach) / 2, reach - 3):
            low = -tick if page.flaps else 0.0
            _line(axes, page.place(radius * along + np.array([low, tick])[:, None] * aside), 0.3)
    # The piece's number between two markers, in the middle or beside the arrow; a single gap is left to the arrow.
    gap = markers // 2 + (1 if _covers(page, ring.index_azimuth_deg) else 0)
    if gap < markers:
        _outward_text(
            axes,
            page,
            f"piece {page.piece}",
            ring.outer_radius_mm - 1.2,
            page.start_deg + page.span_deg * gap / markers,
        )


def _readable(angle_deg: float) -> float:
    return (angle_deg + 90) % 180 - 90


def _draw_words(axes: Axes, ring: Ring, page: Page, paper: str, definition: str) -> None:
    left, top = PAGE_MARGIN_MM + 2, PAGE_MARGIN_MM + WORDS_MM - 6
    shape = "portrait" if page.height_mm > page.width_mm else "landscape"
    label = paper.upper() if paper.startswith("a") else paper.capitalize()
    piece = f", piece {page.piece} of {page.pieces}" if page.pieces > 1 else ""
    upright = upright_bar(ring, page)
    lines = words(ring, page.pieces, page.flaps, f"{label} {shape}", definition, upright is not None)
    for row, text in enumerate(lines):
        axes.text(left, top - 3.4 * row, text.replace("$", r"\$"), fontsize=7, va="center")
    if page.pieces > 1:
        place = page.width_mm - PAGE_MARGIN_MM - MAP_MM - 4, PAGE_MARGIN_MM + MAP_MM + 4
        draw_map(axes, ring, pages(ring, paper.lower()), page.piece, *place)
    axes.text(left, top + 4.2, f"Ring: {ring.name}{piece}".replace("$", r"\$"), fontsize=9, va="center", weight="bold")
    bar = ring.check_bar_mm
    if bar is None or bar > page.width_mm - 2 * left:
        return
    x, y = left, PAGE_MARGIN_MM + 4
    _line(axes, np.array([[x, y], [x + bar, y]]), 1.0, "0.6", gid="check-bar")
    for end in (x, x + bar):
        _line(axes, np.array([[end, y - 4], [end, y + 4]]), 0.2, gid="check-bar-end")
    axes.text(x + bar + 3, y, f"check bar {bar:g} mm", fontsize=7, va="center")
    if upright is not None:
        x, y, high = upright
        _line(axes, np.array([[x, y], [x, y + high]]), 1.0, "0.6", gid="upright-bar")
        for end in (y, y + high):
            _line(axes, np.array([[x - 4, end], [x + 4, end]]), 0.2, gid="upright-bar-end")
        side = 1 if x < page.width_mm / 2 else -1
        axes.text(x + 2.6 * side, y + high / 2, f"upright bar {high:g} mm", fontsize=6, rotation=90, ha="center",
                  va="center")  # fmt: skip


def upright_bar(ring: Ring, page: Page) -> tuple[float, float, float] | None:
    """A bar along the page's height, clear of the piece: its x, lower end and length, mm; None where none fits.

    As long as the check bar, or half as long. A printer that feeds paper unevenly shows in it.
    """
    from matplotlib.path import Path

    outline = page.place(piece_outline(ring, page.start_deg, page.span_deg, page.flaps))
    inside = Path(outline, closed=True)
    low, top = PAGE_MARGIN_MM + WORDS_MM + 2, page.height_mm - PAGE_MARGIN_MM - 2
    for length in (ring.check_bar_mm or 0.0, (ring.check_bar_mm or 0.0) / 2):
        for x in (PAGE_MARGIN_MM + 5, page.width_mm - PAGE_MARGIN_MM - 5):
            for y in np.linspace(top - length, low, 12) if low + length <= top else ():
                across, along = np.meshgrid(np.linspace(x - 5, x + 5, 7), np.linspace(y - 2, y + length + 2, 60))
                if not inside.contains_points(np.column_stack([across.ravel(), along.ravel()])).any():
                    return x, float(y), length
    return None
