"""Names, attributes and texts -> SVG that is safe to put into a page: everything is escaped."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable

from markupsafe import Markup, escape


def el(name: str, /, *children: Markup | str, **attributes: object) -> Markup:
    """An element; text children are escaped, `class_` is `class`, other `_` in attribute names become `-`."""
    words = [name]
    for key, value in attributes.items():
        if value is not None:
            text = f"{value:.2f}".rstrip("0").rstrip(".") if isinstance(value, float) else value
            words.append(f'{key.rstrip("_").replace("_", "-")}="{escape(text)}"')
    inside = Markup("").join(escape(c) for c in children)
    return Markup(f"<{' '.join(words)}>{inside}</{name}>")


def figure(width: float, height: float, title: str, *children: Markup) -> Markup:
    """A chart: an image to screen readers, named by its title; the page has its numbers in a table as well."""
    return el(
        "svg",
        el("title", title),
        *children,
        viewBox=f"0 0 {width:g} {height:g}",
        role="img",
        class_="chart",
        preserveAspectRatio="xMidYMid meet",
        aria_label=title,
    )


def path(points: Iterable[tuple[float, float]], *, closed: bool = False) -> str:
    """Path data through points, one decimal."""
    data = "L".join(f"{x:.1f} {y:.1f}" for x, y in points)
    return f"M{data}{'Z' if closed else ''}" if data else ""


def line(x1: float, y1: float, x2: float, y2: float, class_: str) -> Markup:
    """A straight line."""
    return el("line", x1=float(x1), y1=float(y1), x2=float(x2), y2=float(y2), class_=class_)


def text(x: float, y: float, words: str, class_: str = "", anchor: str = "start") -> Markup:
    """Words at a baseline point."""
    return el("text", words, x=float(x), y=float(y), text_anchor=anchor, class_=class_ or None)


def ticks(low: float, high: float, most: int = 5) -> list[float]:
    """Round numbers from `low` to `high`, at most `most` of them."""
    span = max(high - low, 1e-9)
    power = 10 ** math.floor(math.log10(span / most))
    step = next(m * power for m in (1, 2, 5, 10, 20) if span / (m * power) <= most or m == 20)
    first = math.ceil(low / step - 1e-9)
    return [i * step for i in range(first, math.floor(high / step + 1e-9) + 1)]


def scale(low: float, high: float, start: float, end: float) -> Callable[[float], float]:
    """Linear map of [low, high] to [start, end]."""
    span = high - low or 1.0
    return lambda value: start + (value - low) / span * (end - start)
