"""Ring -> what stands beside it on its sheets: words, which piece goes where, the wish to print at true scale."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np

from bladeangle.imaging.ring import Ring
from bladeangle.imaging.ring_design import Page, polar

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: Outer radius of the small drawing of all pieces, mm.
MAP_MM = 12.0


def words(ring: Ring, pieces: int, flaps: bool, paper: str, definition: str, upright: bool = False) -> Iterator[str]:
    """The lines at the foot of a sheet; `definition` is the name of the ring's file, empty when it is not known.

    upright : whether the sheet has an upright bar as well.
    """
    yield f'Paper {paper}. Print at 100 % ("actual size"), never fitted to the page.'
    if ring.check_bar_mm is not None:
        yield "Before cutting, measure the check bar between its end lines with calipers; give it: --check-bar MM"
        if upright:
            yield "The upright bar must be off by the same share: else the printer stretches; try another."
    if pieces > 1 and flaps:
        yield "Cut along the grey line. Lay the pieces without flaps on these flaps, edge on the dashed line, and tape."
    elif pieces > 1:
        yield "Then cut along the grey line. Goes on the flaps of its neighbours: edges on dashed lines, ticks in line."
    yield "Fix flat on a stiff board. Rotor on the middle of the cross, blade 1 to the arrow. Blade edges are sharp!"
    if definition:
        yield f"Definition file of this ring: {definition} (for --ring; keep it with the board)"


def draw_map(axes: Axes, ring: Ring, pages: Sequence[Page], piece: int, x_mm: float, y_mm: float) -> None:
    """A small drawing of how the pieces join, arrow upwards, this piece dark; flaps, hatched, lie under neighbours."""
    from matplotlib.patches import Polygon, Wedge

    inner, flap = 0.5 * MAP_MM, 0.13 * MAP_MM
    middle = np.array([x_mm, y_mm])
    turn = 90 - ring.index_azimuth_deg
    for page in pages:
        start, end = page.start_deg + turn, page.start_deg + page.span_deg + turn
        mine = page.piece == piece
        face = {"facecolor": "0.35" if mine else "0.88", "edgecolor": "0.2", "linewidth": 0.5}
        axes.add_patch(Wedge((x_mm, y_mm), MAP_MM, start, end, width=MAP_MM - inner, zorder=2, **face))
        for azimuth, sign in ((start, -1), (end, 1)) if page.flaps else ():
            aside = sign * flap * polar(1.0, azimuth + 90)
            ends = [inner * polar(1.0, azimuth), MAP_MM * 0.98 * polar(1.0, azimuth)]
            corners = np.array([ends[0], ends[1], ends[1] + aside, ends[0] + aside]) + middle
            axes.add_patch(Polygon(corners, fill=False, hatch="////////", edgecolor="0.2", linewidth=0.4, zorder=3))
        place = middle + (inner + MAP_MM) / 2 * polar(1.0, (start + end) / 2 + (14 if page.piece == 1 else 0))
        shade = "white" if mine else "0.2"
        axes.text(
            float(place[0]),
            float(place[1]),
            str(page.piece),
            fontsize=6,
            ha="center",
            va="center",
            color=shade,
            zorder=4,
        )
    head = np.array([[0.0, MAP_MM + 0.4], [-1.1, MAP_MM + 2.4], [1.1, MAP_MM + 2.4]]) + middle
    axes.add_patch(Polygon(head, color="black", linewidth=0))
    axes.text(x_mm, y_mm, "flaps go\nunder", fontsize=4, ha="center", va="center", color="0.3")


def at_true_scale(pdf: bytes) -> bytes:
    """A PDF whose viewer is asked to offer no scaling when it prints (ISO 32000-1, 12.2, PrintScaling).

    The catalogue is written once more at the end, as an incremental update (ISO 32000-1, 7.5.6). ValueError when the
    file is not one with a plain cross-reference table, as ours are.
    """
    root = re.search(rb"/Root (\d+) 0 R", pdf)
    size = re.search(rb"/Size (\d+)", pdf)
    before = re.findall(rb"startxref\s+(\d+)", pdf)
    catalogue = root and re.search(rb"(?m)^%b 0 obj\s*<<(.*?)>>\s*endobj" % root[1], pdf, re.DOTALL)
    if not (root and size and before and catalogue):
        raise ValueError("not a PDF with a plain cross-reference table")
    out = pdf if pdf.endswith(b"\n") else pdf + b"\n"
    at = len(out)
    out += b"%b 0 obj\n<<%b /ViewerPreferences << /PrintScaling /None >> >>\nendobj\n" % (root[1], catalogue[1])
    table = len(out)
    out += b"xref\n%b 1\n%010d 00000 n \n" % (root[1], at)
    out += b"trailer\n<< /Size %b /Root %b 0 R /Prev %b >>\n" % (size[1], root[1], before[-1])
    return out + b"startxref\n%d\n%%%%EOF\n" % table
