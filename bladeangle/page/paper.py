"""Words, tables and drawings set in mm -> a page of paper, written as PDF with its fonts in it, or as PNG.

Every page is black on white with greys, so that any printer does; nothing on it depends on colour. A page that does
not hold what it is to say is set again in a smaller size, then `brief`, where what is least needed goes, and at last
briefer still, with the most of a long list and the number of the rest.
"""

from __future__ import annotations

import io
import re
import warnings
from bisect import bisect_right
from collections.abc import Callable, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache, lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bladeangle.base.errors import OutputError
from bladeangle.base.files import safe_name, write_bytes_atomic
from bladeangle.base.outputs import FIGURE_MARKS, marked_png

if TYPE_CHECKING:
    from collections.abc import Iterator

#: Short and long side, mm (ISO 216; Letter is 8.5 by 11 inches).
PAPERS_MM = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
#: Forms that a page is written in, by the ending of its name.
FORMS = ("pdf", "png")
MARGIN_MM, FOOT_MM = 17.0, 13.0
#: The few sizes of type, points: title, heading of a part, text, small text, and that of the foot and of drawings.
TITLE, HEAD, TEXT, SMALL, FOOT = 17.0, 10.5, 8.6, 7.2, 6.4
LINE = 1.32  # of the size of type, from line to line
MM_PER_POINT = 25.4 / 72
#: Sizes, as shares of the usual one, that a page is tried in: whole, brief, and briefest.
SIZES = ((1.1, 1.0, 0.92, 0.84), (0.92, 0.84), (0.84, 0.76, 0.68, 0.6))
#: Dots per inch of the picture, which is then some 1,240 by 1,750 px, and its greys.
PICTURE_DPI, GREYS = 150, 32
INK, PALE, FAINT, RULE = "black", "0.38", "0.93", "0.6"


@lru_cache(maxsize=4)
def _font(bold: bool) -> Any:
    from matplotlib.font_manager import FontProperties, findfont, get_font

    return get_font(findfont(FontProperties(family="DejaVu Sans", weight="bold" if bold else "normal")))


@cache
def _width_px(words: str, bold: bool) -> float:
    """Width of words in one line at 100 points and 72 dots an inch."""
    font = _font(bold)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # a letter that the font lacks is drawn as a box, and is no reason to stop
        font.set_size(100.0, 72)
        font.set_text(words, 0.0)
    return float(font.get_width_height()[0]) / 64


def width_mm(words: str, size: float, bold: bool = False) -> float:
    """Width, mm, of words in one line at a size in points."""
    return _width_px(words, bold) * size / 100 * MM_PER_POINT


def wrapped(words: str, size: float, width: float, bold: bool = False) -> list[str]:
    """Words broken into lines of at most `width` mm; what is wider by itself is broken anywhere.

    A line is as wide as its words and the spaces between them, which no font draws nearer to each other.
    """
    lines, line = [], ""
    taken, space = 0.0, width_mm("x x", size, bold) - 2 * width_mm("x", size, bold)
    for word in words.split():
        if line and taken + space + width_mm(word, size, bold) <= width:
            line += f" {word}"
            taken += space + width_mm(word, size, bold)
            continue
        lines += [line] if line else []
        while width_mm(word, size, bold) > width and len(word) > 1:
            # the longest beginning that fits, one letter at least
            fits = 1 + bisect_right(range(2, len(word)), width, key=lambda n: width_mm(word[:n], size, bold))
            lines.append(word[:fits])
            word = word[fits:]
        line, taken = word, width_mm(word, size, bold)
    return [*lines, line] if line or not lines else lines


@dataclass(frozen=True)
class Column:
    """A column of a table: its heading, width in mm, and whether it is set to the right."""

    heading: str
    width_mm: float
    right: bool = True


class Sheet:
    """A page that is filled from the top: `y` is where the next thing goes, mm from the upper edge.

    brief : 0 says everything; 1 leaves out what is least needed; 2 shortens long lists as well.
    """

    def __init__(self, paper: str, share: float = 1.0, brief: int = 0) -> None:
        from matplotlib.figure import Figure

        self.width, self.height = PAPERS_MM[paper]
        self.share, self.brief = share, brief
        self.left, self.right = MARGIN_MM, self.width - MARGIN_MM
        self.bottom = self.height - MARGIN_MM - FOOT_MM
        self.y = MARGIN_MM
        self.deeper = 0.0  # how far what is set side by side has come
        self.figure = Figure(figsize=(self.width / 25.4, self.height / 25.4))
        self.axes = self.figure.add_axes((0, 0, 1, 1))
        self.axes.set(xlim=(0, self.width), ylim=(self.height, 0))
        self.axes.axis("off")

    @property
    def inner(self) -> float:
        """Width between the margins, mm."""
        return self.right - self.left

    def line_mm(self, size: float = TEXT) -> float:
        """From line to line, mm."""
        return size * self.share * MM_PER_POINT * LINE

    def say(
        self,
        x: float,
        y: float,
        words: str,
        size: float = TEXT,
        *,
        bold: bool = False,
        align: str = "left",
        ink: str = INK,
        turn: float = 0.0,
        share: bool = True,
    ) -> None:
        """Words on a baseline that begins, ends or has its middle at x."""
        self.axes.text(
            x, y, words, fontsize=size * (self.share if share else 1.0), ha=align, va="baseline", color=ink,
            weight="bold" if bold else "normal", family="DejaVu Sans", parse_math=False, rotation=turn,
            rotation_mode="anchor",
        )  # fmt: skip

    def line(
        self, xs: Sequence[float], ys: Sequence[float], width: float = 0.2, ink: str = INK, dash: Any = "-"
    ) -> None:
        """A line through points, its width in mm."""
        self.axes.plot(xs, ys, color=ink, linewidth=width / MM_PER_POINT, linestyle=dash, solid_capstyle="butt",
                       dash_capstyle="butt", solid_joinstyle="round")  # fmt: skip

    def box(self, x: float, y: float, w: float, h: float, fill: str = FAINT, edge: str | None = None) -> None:
        """A filled rectangle, perhaps with a frame."""
        from matplotlib.patches import Rectangle

        width = 0.35 / MM_PER_POINT if edge else 0.0
        # as an artist, not as a patch: those have the limits of the data worked out, which a sheet does not use
        self.axes.add_artist(Rectangle((x, y), w, h, facecolor=fill, edgecolor=edge or "none", linewidth=width))

    def title(self, words: str, below: str) -> None:
        """The page's title, and a line that says what it is of."""
        size = TITLE
        lines = wrapped(words, size * self.share, self.inner, bold=True)
        if len(lines) > 2:
            size = TITLE * 0.7
            lines = wrapped(words, size * self.share, self.inner, bold=True)
        if len(lines) > 3:
            lines = [*lines[:2], fitted(" ".join(lines[2:]), size * self.share, self.inner, bold=True)]
        for line in lines:
            self.y += self.line_mm(size)
            self.say(self.left, self.y - 1.5, line, size, bold=True)
        for line in wrapped(below, TEXT * self.share, self.inner):
            self.y += self.line_mm()
            self.say(self.left, self.y - 0.4, line, TEXT, ink=PALE)
        self.y += 2.4 * self.share
        self.line([self.left, self.right], [self.y, self.y], 0.4)
        self.y += 2.4 * self.share

    def heading(self, words: str, x: float | None = None) -> None:
        """What the next part is of."""
        self.y += self.line_mm(HEAD) + 0.9 * self.share
        self.say(self.left if x is None else x, self.y - 1.2, words, HEAD, bold=True)
        self.y += 0.8 * self.share

    def paragraph(
        self,
        words: str,
        size: float = TEXT,
        *,
        x: float | None = None,
        width: float | None = None,
        bullet: str = "",
        bold: bool = False,
        ink: str = INK,
    ) -> None:
        """Words in as many lines as they take; `bullet` stands out to their left."""
        x = self.left if x is None else x
        width = self.right - x if width is None else width
        indent = 3.2 * self.share if bullet else 0.0
        for i, line in enumerate(wrapped(words, size * self.share, width - indent, bold)):
            self.y += self.line_mm(size)
            if i == 0 and bullet:
                self.say(x, self.y - 1.0, bullet, size, ink=ink)
            self.say(x + indent, self.y - 1.0, line, size, bold=bold, ink=ink)
        self.y += 0.5 * self.share

    def table(
        self,
        columns: Sequence[Column],
        rows: Sequence[Sequence[str]],
        *,
        x: float | None = None,
        size: float = TEXT,
        strong: Sequence[int] = (),
        pad: float = 0.55,
    ) -> None:
        """A table with rules between its rows; rows numbered in `strong` are bold. Cells are one line each."""
        x = self.left if x is None else x
        total = sum(c.width_mm for c in columns)
        if any(c.heading for c in columns):
            self._row(columns, [c.heading for c in columns], x, SMALL, pad, bold=False, ink=PALE)
            self.line([x, x + total], [self.y, self.y], 0.35)
        for number, row in enumerate(rows):
            self._row(columns, row, x, size, pad, bold=number in strong, ink=INK)
            self.line([x, x + total], [self.y, self.y], 0.12, RULE)
        self.y += 1.2 * self.share

    def _row(
        self, columns: Sequence[Column], cells: Sequence[str], x: float, size: float, pad: float, bold: bool, ink: str
    ) -> None:
        lines = [
            wrapped(cell, size * self.share, c.width_mm - 1.4, bold) for c, cell in zip(columns, cells, strict=True)
        ]
        high = max(map(len, lines))
        step = self.line_mm(size)
        self.y += pad * self.share
        for column, cell in zip(columns, lines, strict=True):
            for i, words in enumerate(cell):
                # one line of words stands at the foot of a heading of two
                y = self.y + step * (high - len(cell) + i + 1) - 1.0 * self.share
                end = x + column.width_mm - 0.7 if column.right else x + 0.7
                self.say(end, y, words, size, bold=bold, align="right" if column.right else "left", ink=ink)
            x += column.width_mm
        self.y += step * high + pad * self.share

    def framed(self, lines: Sequence[tuple[str, float, bool]], heavy: bool = True) -> None:
        """Paragraphs (words, size, bold) in a frame over the page's width: what nobody is to overlook."""
        top, inset = self.y + 1.0 * self.share, 2.6
        self.y = top + 0.9 * self.share
        for words, size, bold in lines:
            self.paragraph(words, size, x=self.left + inset, width=self.inner - 2 * inset, bold=bold)
        self.y += 0.9 * self.share
        self.axes.add_artist(_frame(self.left, top, self.inner, self.y - top, 0.7 if heavy else 0.25))
        self.y += 1.4 * self.share

    @contextmanager
    def beside(self) -> Iterator[None]:
        """What is set inside begins at the present height, and the page goes on below the deeper of the two."""
        start = self.y
        yield
        self.deeper, self.y = max(self.y, self.deeper), start

    def below(self) -> None:
        """Go on below everything that was set side by side."""
        self.y, self.deeper = max(self.y, self.deeper), 0.0

    def foot(self, *lines: str) -> None:
        """The lines at the foot of the page."""
        rows = [row for words in lines for row in wrapped(words, FOOT, self.inner)[:2]]
        y = self.height - MARGIN_MM - 3.0 * (len(rows) - 1)
        self.line([self.left, self.right], [y - 3.4, y - 3.4], 0.12, RULE)
        for i, words in enumerate(rows):
            self.say(self.left, y + 3.0 * i, words, FOOT, ink=PALE, share=False)

    @property
    def full(self) -> bool:
        """Whether more stands on it than it holds."""
        return self.y > self.bottom


def _frame(x: float, y: float, w: float, h: float, width: float) -> Any:
    from matplotlib.patches import Rectangle

    return Rectangle((x, y), w, h, fill=False, edgecolor="black", linewidth=width / MM_PER_POINT)


def fitted(words: str, size: float, width: float, bold: bool = False) -> str:
    """Words cut, with dots, to what fits into one line of `width` mm."""
    if width_mm(words, size, bold) <= width:
        return words
    cut = (words[:n].rstrip() + "..." for n in range(len(words), -1, -1))
    return next(shorter for shorter in cut if shorter == "..." or width_mm(shorter, size, bold) <= width)


def composed(fill: Callable[[Sheet], None], paper: str) -> Sheet:
    """A page filled in the largest size in which it holds everything."""
    for brief, shares in enumerate(SIZES):
        for share in shares:
            sheet = Sheet(paper, share, brief)
            fill(sheet)
            if not sheet.full:
                return sheet
    return sheet


def form_of(path: Path) -> str:
    """The form that a page of this name is written in; OutputError for another ending."""
    form = path.suffix.lower().lstrip(".")
    if form not in FORMS:
        raise OutputError(
            f"A page on paper is a PDF or a picture, which {safe_name(path.name)} does not say.",
            "Let its name end in .pdf or .png.",
        )
    return form


def write_pages(path: Path, fills: Sequence[Callable[[Sheet], None]], paper: str, title: str) -> None:
    """Write pages as one PDF, or one page as a PNG small enough to be sent, atomically.

    Raises
    ------
    OutputError : another ending, several pages for a picture, or the file cannot be written.
    """
    form = form_of(path)
    if form == "png" and len(fills) > 1:
        raise OutputError("A picture holds one page.", "Name the file .pdf, or give one record.")
    sheets = [composed(fill, paper) for fill in fills]
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing")
        write_bytes_atomic(path, _pdf(sheets, title) if form == "pdf" else _png(sheets[0]))


def _pdf(sheets: Sequence[Sheet], title: str) -> bytes:
    from matplotlib import rc_context
    from matplotlib.backends.backend_pdf import PdfPages

    buffer = io.BytesIO()
    shown = re.sub(r"[^\x20-\x7e]", "?", title)[:200]
    # Type 42 puts in the fonts' outlines as they are, so that words can be searched and copied.
    with (
        rc_context({"pdf.fonttype": 42}),
        PdfPages(buffer, metadata=FIGURE_MARKS["pdf"] | {"Title": shown}) as pdf,
    ):
        for sheet in sheets:
            pdf.savefig(sheet.figure)
    return buffer.getvalue()


def _png(sheet: Sheet) -> bytes:
    import numpy as np
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from PIL import Image

    sheet.figure.set_dpi(PICTURE_DPI)
    canvas = FigureCanvasAgg(sheet.figure)
    canvas.draw()  # type: ignore[no-untyped-call]
    pixels = np.asarray(canvas.buffer_rgba())  # type: ignore[no-untyped-call]
    shown = Image.fromarray(pixels).convert("L").quantize(GREYS)
    out = io.BytesIO()
    shown.save(out, "PNG", optimize=True, dpi=(PICTURE_DPI, PICTURE_DPI))
    return marked_png(out.getvalue())
