"""Record -> charts of the tip radius along each blade, with its band, and wear in words."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from bladeangle.base.lengths import unit
from bladeangle.page.charts import length_ticks
from bladeangle.page.svg import el, figure, line, path, scale, text
from bladeangle.records.content import BladeTip, Content, Quantity, Tips
from bladeangle.records.tip_words import with_interval as words_of

#: The vertical scale shows this much at least, mm, so that a true tip looks like one.
LEAST_SPAN_MM = 0.5
#: A bore is drawn only where the diameter over the tips is known to this standard uncertainty, mm.
KNOWN_MM = 0.1


def with_interval(quantity: Quantity, inches: bool = False) -> str:
    """A quantity with its expanded uncertainty that does not break over lines."""
    return words_of(quantity, inches=inches).replace(" ", "\u00a0")


def tip_charts(record: Content, inches: bool = False) -> list[Markup]:
    """Radius of each blade's tip less that over the middle of the tips, all to the same scales.

    The axes are labelled in mm, or in inches. The band is two standard uncertainties of the shape either way. Blades
    of which nothing is seen are left out; none without tips in the record.
    """
    drawn = [(b, b.tip) for b in record.blades if b.tip and len(b.tip.arc_mm) > 1]
    diameter = record.rotor.tip_diameter_mm
    if not drawn:
        return []
    middle = diameter.value / 2
    curves = []
    for _, tip in drawn:
        u = np.array(tip.shape_uncertainty_mm or tip.standard_uncertainty_mm, float)
        curves.append((np.array(tip.arc_mm, float), np.array(tip.radius_mm, float) - middle, u))
    ends = np.concatenate([off + k * u for _, off, u in curves for k in (-2, 2)])
    low, high = float(ends.min()), float(ends.max())
    bore = record.options.bore_mm
    bore_off = None
    if bore and diameter.standard_uncertainty < KNOWN_MM:
        bore_off = bore / 2 - middle
        high = max(high, bore_off)
    room = max(LEAST_SPAN_MM - (high - low), 0.0) / 2 + 0.05
    low, high = low - room, high + room
    longest = max(float(arc.max()) for arc, _, _ in curves)
    longest = max([longest] + [b.tip_length_mm.value for b, _ in drawn if b.tip_length_mm])
    return [
        _tip_chart(blade.number, tip, curve, (low, high), longest, bore_off, inches)
        for (blade, tip), curve in zip(drawn, curves, strict=True)
    ]


def _tip_chart(
    number: int,
    tip: BladeTip,
    curve: tuple[np.ndarray, np.ndarray, np.ndarray],
    ends: tuple[float, float],
    longest: float,
    bore: float | None,
    inches: bool,
) -> Markup:
    x, y = scale(0.0, longest, 46, 404), scale(*ends, 162, 32)
    arc, off, u = curve
    parts = [text(46, 14, f"Blade {number}", "strong"), text(412, 14, f"radius, {unit(inches)}", "small", "end")]
    for v, words in length_ticks(*ends, inches):
        shown = f"+{words}" if v > 0 else words if v < 0 else "0"
        parts += [line(46, y(v), 412, y(v), "grid"), text(40, y(v) + 4, shown, "small", "end")]
    for v, words in length_ticks(0.0, longest, inches, 6):
        parts += [line(x(v), 181, x(v), 185, "axis"), text(x(v), 197, words, "small", "middle")]
    parts.append(text(229, 211, f"arc length from the leading edge, {unit(inches)}", "small", "middle"))
    parts.append(line(46, y(0), 412, y(0), "zero"))
    band = [*zip(arc, off + 2 * u, strict=True), *zip(arc[::-1], (off - 2 * u)[::-1], strict=True)]
    parts.append(el("path", d=path([(x(a), y(v)) for a, v in band], closed=True), class_="band"))
    parts.append(el("path", d=path([(x(a), y(v)) for a, v in zip(arc, off, strict=True)]), class_="curve"))
    if bore is not None:
        parts += [line(46, y(bore), 412, y(bore), "limit"), text(410, y(bore) - 4, "bore", "small", "end")]
    for words, place, anchor in (
        (f"wear {with_interval(tip.leading_wear_mm, inches)}", 50.0, "start"),
        (f"wear {with_interval(tip.trailing_wear_mm, inches)}", 410.0, "end"),
    ):
        parts.append(text(place, 176, words, "small", anchor))
    return figure(420, 216, f"Blade {number}: radius of the tip over its length", *parts)


@dataclass(frozen=True)
class TipRow:
    """Wear, run-out and clearance of a blade or of the rotor, in words."""

    name: str
    leading: str
    trailing: str
    run_out: str
    smallest: str
    mean: str


def tip_rows(record: Content, inches: bool = False) -> list[TipRow]:
    """For the table: wear, run-out and clearance of each blade, and of the rotor, in words; none without tips."""
    tips = record.rotor.tips
    if tips is None:
        return []

    def told(quantity: Quantity) -> str:
        return with_interval(quantity, inches)

    rows: list[tuple[str, BladeTip | Tips]] = [(str(b.number), b.tip) for b in record.blades if b.tip]
    rows.append(("Mean, run-out largest minus smallest", tips))
    return [
        TipRow(
            name=name,
            leading=told(of.leading_wear_mm),
            trailing=told(of.trailing_wear_mm),
            run_out=told(of.run_out_mm) if of.run_out_mm else "",
            smallest=told(of.clearance_mm.smallest) if of.clearance_mm else "",
            mean=told(of.clearance_mm.mean) if of.clearance_mm else "",
        )
        for name, of in rows
    ]
