"""What stands beside the ring on its sheets: words, which piece goes where, and the wish to print at true scale."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from bladeangle.imaging.ring import Ring

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: Outer radius of the small drawing of all pieces, mm.
MAP_MM = 9.0


def words(ring: Ring, pieces: int, flaps: bool, paper: str, definition: str) -> Iterator[str]:
    """The lines at the foot of a sheet; `definition` is the name of the ring's file, empty when it is not known."""
    yield f'Paper {paper}. Print at 100 % ("actual size"), never fitted to the page.'
    if ring.check_bar_mm is not None:
        yield "Measure the check bar from end line to end line with calipers and give what you read: --check-bar MM"
    if pieces > 1 and flaps:
        yield "Cut along the grey line. Lay the pieces without flaps on these flaps, edge on the dashed line, and tape."
    elif pieces > 1:
        yield "Then cut along the grey line. Goes on the flaps of its neighbours: edges on dashed lines, ticks in line."
    yield "Fix flat on a stiff board. Rotor on the middle of the cross, blade 1 to the arrow. Blade edges are sharp!"
    if definition:
        yield f"Definition file of this ring: {definition} (for --ring; keep it with the board)"


def draw_map(axes: Axes, ring: Ring, piece: int, x_mm: float, y_mm: float) -> None:
    """A small drawing of how the pieces join, arrow upwards, with this piece dark; for rings of several pieces."""
    centres = ring.corners_mm.mean(axis=1)
    turn = np.radians(90 - ring.index_azimuth_deg)
    c, s = np.cos(turn), np.sin(turn)
    placed = centres @ np.array([[c, s], [-s, c]]) * (MAP_MM / np.linalg.norm(centres, axis=1).max()) + [x_mm, y_mm]
    for number in sorted(set(ring.pieces.tolist())):
        mine = placed[ring.pieces == number]
        shade = "0.25" if number == piece else "0.75"
        axes.plot(mine[:, 0], mine[:, 1], "s", color=shade, markersize=3.2, markeredgewidth=0)
        x, y = (mine.mean(axis=0) - [x_mm, y_mm]) * 0.75 + [x_mm, y_mm]
        axes.text(x, y, str(number), fontsize=6, ha="center", va="center", color=shade)


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
