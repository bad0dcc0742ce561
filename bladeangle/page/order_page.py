"""Record + order -> the one page for the shop: what is wanted, how it is defined, and what not to touch."""

from __future__ import annotations

from collections.abc import Callable

from bladeangle.base.budget import STATIONS
from bladeangle.base.lengths import length_text
from bladeangle.page.drawings import draw_rotor, draw_stations, tip_length_mm
from bladeangle.page.paper import FOOT, PALE, RULE, SMALL, TEXT, Column, Sheet
from bladeangle.page.parts import angle_cell, doubts, evidence, exact_text, pairs, signed, what_it_is
from bladeangle.records.record import Record
from bladeangle.records.station import station_span
from bladeangle.shop.orders import CAUTIONS, Order, pitch_mm

#: Letters of the notes that the page shows; the order has all.
MOST_NOTES = 600


def order_page(record: Record, order: Order, inches: bool = False) -> Callable[[Sheet], None]:
    """What fills the page."""

    def fill(sheet: Sheet) -> None:
        dated = f"Ordered {order.date}. " if order.date else ""
        sheet.title(f"Re-pitch order: {order.name}", dated + what_it_is(record))
        doubts(sheet, record, _accepted(order))
        sheet.heading("Wanted")
        _wanted(sheet, record, order, inches)
        sheet.heading("How the stations and angles are defined")
        _defined(sheet, record, order, inches)
        gap, drawing = 5.0, (54.0, 42.0, 36.0)[sheet.brief]
        with sheet.beside():
            sheet.y = draw_rotor(sheet, record, sheet.right - drawing, sheet.y + 2.0, drawing)
            sheet.y += 2.6
            words = "seen from the inlet end"
            sheet.say(sheet.right - drawing / 2, sheet.y, words, FOOT, align="center", ink=PALE, share=False)
        with sheet.beside():
            width = sheet.inner - drawing - gap
            sheet.heading("Rotor")
            pairs(sheet, _rotor(record, order, inches), sheet.left, width)
            if order.notes:
                notes = order.notes if len(order.notes) <= MOST_NOTES else order.notes[:MOST_NOTES].rstrip() + "..."
                sheet.paragraph(f"Notes: {notes}", width=width, bold=True)
        sheet.below()
        half = (sheet.inner - gap) / 2
        for words, lines, x in (
            ("Leave as it is", untouched(order), sheet.left),
            ("Cautions", CAUTIONS, sheet.left + half + gap),
        ):
            with sheet.beside():
                sheet.heading(words, x)
                for line in lines:
                    sheet.paragraph(line, SMALL if sheet.share < 1 else TEXT - 0.6, x=x, width=half, bullet="–")
        sheet.below()
        sheet.foot(
            "± of a wanted angle is its tolerance; ± of a measured one holds in about 95 of 100 cases. The work is "
            "judged by " + _rule(order) + ".",
            evidence(record),
        )

    return fill


def _accepted(order: Order) -> str:
    return ", ordered all the same" if order.accepted_doubts else ""


def _rule(order: Order) -> str:
    if order.rule == "iso14253":
        return "ISO 14253-1: accepted only inside the tolerance less the uncertainty"
    return f"JCGM 106: a bad blade accepted in at most {order.false_accept_probability:g} of cases"


def _wanted(sheet: Sheet, record: Record, order: Order, inches: bool) -> None:
    """A block of columns for each ordered station: measured, change, and room for what was done."""
    ordered = [(s, order.stations[s]) for s in STATIONS if s in order.stations]
    first = 14.0
    block = (sheet.inner - first) / len(ordered)
    tip = record.quantity("tip_diameter_mm")
    diameter = order.tip_diameter_mm if tip is None else tip[0]
    top = sheet.y
    sheet.y += 1.0
    for i, (name, wanted) in enumerate(ordered):
        x = sheet.left + first + i * block
        with sheet.beside():
            sheet.paragraph(f"{name}: {wanted.angle_deg:.2f}° ± {wanted.tolerance_deg:.2f}°", TEXT + 2.4,
                            x=x + 1.6, width=block - 1.6, bold=True)  # fmt: skip
            words = "unchanged" if not wanted.change_deg else f"{wanted.change_deg:+.2f}° on the mean"
            words = words if wanted.measured_deg is not None else "every blade"
            if diameter is not None:
                pitch = length_text(pitch_mm(wanted.angle_deg, diameter), inches, 1)
                words += f"; pitch {pitch} at the tip"
            sheet.paragraph(words, SMALL, x=x + 1.6, width=block - 1.6, ink=PALE)
    sheet.below()
    shares = (0.4, 0.28, 0.32)
    columns = [Column("blade", first, right=False)]
    for _ in ordered:
        columns += [
            Column(h, block * share) for h, share in zip(("measured, °", "change, °", "done, °"), shares, strict=True)
        ]
    rows = []
    for blade in [*range(1, record.blade_count + 1), None]:
        row = ["mean" if blade is None else str(blade)]
        for name, wanted in ordered:
            found = record.mean(name) if blade is None else record.station(blade, name)
            change = "" if found is None else signed(wanted.angle_deg - found.angle_deg)
            row += [angle_cell(record, blade, name), change, ""]
        rows.append(row)
    heads = sheet.y
    size = TEXT if len(ordered) < 3 else TEXT - 0.8
    sheet.table(columns, rows, size=size, strong=[record.blade_count], pad=0.45 if sheet.brief else 0.9)
    for i in range(len(ordered)):
        x = sheet.left + first + i * block
        sheet.line([x, x], [top + 1.0, sheet.y - 1.2 * sheet.share], 0.12, RULE)
        done = x + block * (shares[0] + shares[1]) + 2.0
        sheet.line([done, done], [heads, sheet.y - 1.2 * sheet.share], 0.12, RULE)
    if order.spread_tolerance_deg is not None:
        sheet.paragraph(
            f"Every blade is wanted at the same angle; blades may differ by {order.spread_tolerance_deg:.2f}° at most.",
            bold=True,
        )


def _defined(sheet: Sheet, record: Record, order: Order, inches: bool) -> None:
    options, length = record.content.options.stations, tip_length_mm(record)
    low, high = station_span(length, "middle", options)
    long = exact_text(options.length_mm, inches)
    middle = length_text(high - low, inches, 0)
    lengths = {"entry": long, "exit": long, "middle": f"about {middle}"}
    lengths["skip"] = f"{exact_text(options.skip_mm, inches)} of rounding left out"
    words = {s: f"{o.angle_deg:.2f}°" for s, o in order.stations.items() if s != "middle"}
    width = sheet.inner * (1.0, 0.66, 0.6)[sheet.brief]
    left = sheet.left + (sheet.inner - width) / 2
    sheet.y = draw_stations(sheet, record, left, sheet.y, width, words, lengths)
    sheet.paragraph(
        "A blade's tip unrolled, seen from outside, true to scale. Lengths run along the tip. A station's angle is "
        "that of the straight line that fits the middle of the tip's thickness over the station, from the plane of "
        "rotation (dashed); pitch is the advance of such a helix in a turn. Gauges that take other lengths read other "
        "angles.",
        SMALL,
    )


def _rotor(record: Record, order: Order, inches: bool) -> list[tuple[str, str]]:
    rows = [
        ("blades, counted counter-clockwise from the inlet", str(order.blade_count)),
        ("hand, as a screw thread", str(order.hand)),
    ]
    rows = [row for row in rows if row[1] != "None"]
    for words, value, digits in (
        ("diameter over the tips", order.tip_diameter_mm, 1),
        ("hub diameter", order.hub_diameter_mm, 1),
        ("blade thickness at the tip", order.thickness_mm, 2 if inches else 1),
    ):
        if value is not None:
            rows.append((words, length_text(value, inches, digits)))
    turns = "counter-clockwise" if record.rotor.hand == "right" else "clockwise"
    return [*rows, ("turns, seen from the inlet", turns)]


def untouched(order: Order) -> list[str]:
    """What the shop is not to change."""
    same = [s for s, o in order.stations.items() if o.measured_deg is not None and not o.change_deg]
    kept = f"The {' and the '.join(same)}: ordered as measured; only a blade off by more than the tolerance is bent."
    out = [kept] if same else []
    if "middle" not in order.stations:
        out.append("The middle is not ordered: it follows its ends in a smooth curve, without a kink.")
    return [
        *out,
        "Hub, bore and spline or thread, and both end faces of the hub.",
        "Diameter over the tips: nothing is ground off the tips, nor welded on, unless the notes ask for it.",
        "The rounding of leading and trailing edges, and the blades' length.",
        "The number that marks blade 1, if there is one.",
    ]
