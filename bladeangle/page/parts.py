"""Record -> what pages on paper share: doubts, angles, sizes and tips, and the lines at the foot."""

from __future__ import annotations

from collections.abc import Sequence

from bladeangle.base.budget import STATIONS
from bladeangle.base.flags import doubts_about, flag_words, open_doubts
from bladeangle.base.lengths import interval_text, length_text, unit
from bladeangle.page.paper import HEAD, SMALL, TEXT, Column, Sheet, fitted, width_mm
from bladeangle.page.scene import angle_decimals
from bladeangle.records.content import Quantity
from bladeangle.records.record import Record
from bladeangle.records.summary import MARK
from bladeangle.records.tip_words import NAMES, with_interval

#: Doubts told on a page that has no room for all, and letters of the names at its foot.
MOST_DOUBTS, MOST_LETTERS = 5, 40


def what_it_is(record: Record) -> str:
    """When it was measured and from what, in a line."""
    count = len(record.content.photos)
    plural = "s" if count != 1 else ""
    blades = f"{record.blade_count} blade{'s' if record.blade_count > 1 else ''}, {record.rotor.hand}-hand screw"
    return f"{blades}. Measured {record.content.created[:10]} from {count} photograph{plural}."


def angle_cell(record: Record, blade: int | None, station: str) -> str:
    """An angle with its expanded uncertainty and the mark of a doubt, or that it was not seen."""
    found = record.mean(station) if blade is None else record.station(blade, station)
    mark = MARK if doubts_about(record.content.flags, blade, station) else ""
    if found is None:
        return f"not seen{mark}"
    digits = angle_decimals(found.expanded_uncertainty_deg)
    return f"{found.angle_deg:.{digits}f} ± {found.expanded_uncertainty_deg:.{digits}f}{mark}"


def angle_table(sheet: Sheet, record: Record, width: float) -> None:
    """All angles of a record; means in bold; at the end the spread over blades."""
    first = 16.0
    columns = [Column("blade", first, right=False)] + [Column(f"{s}, °", (width - first) / 3) for s in STATIONS]
    numbering = MARK if doubts_about(record.content.flags, concerns="numbering") else ""
    rows = [
        [f"{b}{numbering}", *(angle_cell(record, b, s) for s in STATIONS)] for b in range(1, record.blade_count + 1)
    ]
    rows.append(["mean", *(angle_cell(record, None, s) for s in STATIONS)])
    spread = [_spread(record, s) for s in STATIONS]
    rows += [["spread", *spread]] if any(spread) else []
    sheet.table(columns, rows, strong=[record.blade_count])


def _spread(record: Record, station: str) -> str:
    found = record.rotor.spread_deg.at(station)
    mark = MARK if doubts_about(record.content.flags, None, station) else ""
    return "" if found is None else f"{found.value:.2f} ± {found.expanded_uncertainty:.2f}{mark}"


def size_rows(record: Record, inches: bool) -> list[tuple[str, str]]:
    """Sizes that are known, each with what it is of."""
    mark = MARK if doubts_about(record.content.flags, concerns="sizes") else ""
    rotor = record.rotor
    named = (
        ("diameter over the tips", rotor.tip_diameter_mm),
        ("hub diameter", rotor.hub_diameter_mm),
        ("blade length along the axis", rotor.axial_length_mm),
        ("trailing edges from the outlet end", rotor.trailing_distance_mm),
        ("blade thickness at the tip", rotor.tip_thickness_mm),
    )
    return [
        (words, interval_text(q.value, q.expanded_uncertainty, inches, 1 if q.value > 10 else 2) + mark)
        for words, q in named
        if q is not None
    ]


def tip_rows(record: Record, inches: bool) -> list[tuple[str, str]]:
    """What is told of the tips, each with its name; what photographs do not tell is said not to be seen."""
    tips = record.rotor.tips
    if tips is None:
        return []

    def told(quantity: Quantity) -> str:
        words = with_interval(quantity, inches=inches)
        return words if words == "not seen" else f"{words.replace('±', '± ')} {unit(inches)}"

    rows = [(words, told(getattr(tips, key))) for key, words in NAMES.items()]
    if (gap := tips.clearance_mm) is not None:
        rows += [
            (f"{which} clearance in the bore", told(q)) for which, q in (("smallest", gap.smallest), ("mean", gap.mean))
        ]
    return rows


def pairs(sheet: Sheet, rows: Sequence[tuple[str, str]], x: float, width: float) -> None:
    """A table of names and values."""
    sheet.table([Column("", width * 0.6, right=False), Column("", width * 0.4)], rows, x=x, pad=0.4)


def doubts(sheet: Sheet, record: Record, of: str = "") -> None:
    """Every open doubt of a record in a frame, with what to do about it; nothing where there is none."""
    found = open_doubts(record.content.flags)
    if not found:
        return
    heading = f"Not to be relied on before it is looked at{of} ({MARK} marks the numbers)"
    told = [flag_words(f, remedy=not sheet.brief) for f in found]
    if sheet.brief > 1 and len(told) > MOST_DOUBTS + 1:
        told = [*told[:MOST_DOUBTS], f"And {len(told) - MOST_DOUBTS} more doubts, which the report tells."]
    lines = [(" ".join(told), SMALL, False)] if sheet.brief else [(f"– {words}", TEXT, False) for words in told]
    sheet.framed([(heading, HEAD, True), *lines])


def verdict_bar(sheet: Sheet, verdict: str, words: str) -> None:
    """The verdict, white on black, with a few words beside it."""
    high, inset = 10.5 * sheet.share, 3.0
    size = 13.0
    sheet.box(sheet.left, sheet.y, sheet.inner, high, "0.12")
    base = sheet.y + high / 2 + size * sheet.share * 0.125
    sheet.say(sheet.left + inset, base, verdict.upper(), size, bold=True, ink="white")
    taken = width_mm(verdict.upper(), size * sheet.share, True) + 2 * inset + 3
    shown = fitted(words, TEXT * sheet.share, sheet.inner - taken)
    sheet.say(sheet.right - inset, base, shown, TEXT, align="right", ink="white")
    sheet.y += high + 1.5 * sheet.share


def evidence(record: Record) -> str:
    """What a record was measured with, in a line."""
    data = record.content
    names = [f"camera file {_short(data.camera.name)!r}", f"ring {_short(data.ring.name)!r}"]
    return f"Record of {data.created[:16].replace('T', ' ')}; " + ", ".join(names) + f"; {software(record)}"


def _short(name: str) -> str:
    return name if len(name) <= MOST_LETTERS else name[: MOST_LETTERS - 3].rstrip() + "..."


def exact_text(length_mm: float, inches: bool) -> str:
    """A length that is one by definition, as that of a station: not rounded to whole mm, nor to tenths of an inch."""
    return length_text(length_mm, True, 1) if inches else f"{length_mm:g} mm"


def software(record: Record) -> str:
    """The program's version that measured."""
    return f"bladeangle {record.content.software.get('bladeangle', '')}"


def explained(record: Record, inches: bool) -> str:
    """What an angle, a station and the uncertainty are, in words."""
    options = record.content.options.stations
    long, skip = (exact_text(mm, inches) for mm in (options.length_mm, options.skip_mm))
    return (
        f"Angles are those of the blades' tips, in degrees from the plane of rotation. Entry: {long} of tip from the "
        f"leading edge, after {skip} of rounding; exit: the same from the trailing edge; middle: what lies between. "
        "± holds in about 95 of 100 cases. Spread: largest less smallest blade."
    )


def signed(change: float | None) -> str:
    """A change, degrees, with its sign, but none before nothing."""
    return f"{round(change or 0.0, 2) + 0.0:+.2f}"
