"""Record + order + verdict -> the one page for the file: the verdict first, then what it rests on."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from bladeangle.base.budget import STATIONS
from bladeangle.base.flags import doubts_about
from bladeangle.base.lengths import number_text, unit
from bladeangle.page.charts import sources_by_size
from bladeangle.page.paper import FOOT, HEAD, PALE, SMALL, TEXT, Column, Sheet, fitted
from bladeangle.page.parts import doubts, evidence, explained, signed, verdict_bar, what_it_is
from bladeangle.records.content import Photo
from bladeangle.records.record import Record
from bladeangle.records.summary import MARK
from bladeangle.shop.decision import CONFORMING, NOT_CONFORMING
from bladeangle.shop.judging import Judgement
from bladeangle.shop.orders import Order
from bladeangle.shop.tip_changes import TipChange
from bladeangle.shop.verdict_words import false_pass_lines, rule_line, why
from bladeangle.shop.verify import DOUBT, Verdict

#: Photographs, sources and sentences that the page names at most; the record has all of them.
MOST_PHOTOS, MOST_SOURCES, MOST_REASONS = 12, 6, 8


def verdict_page(
    record: Record,
    order: Order,
    verdict: Verdict,
    before: Record | None = None,
    changes: Sequence[TipChange] = (),
    inches: bool = False,
) -> Callable[[Sheet], None]:
    """What fills the page."""

    def fill(sheet: Sheet) -> None:
        of = "Order" if order.name == record.name else f"Order {order.name!r}"
        of += f" of {order.date}" if order.date else ""
        sheet.title(f"Verdict: {record.name}", f"{of}. {what_it_is(record)}")
        verdict_bar(sheet, verdict.verdict, why(verdict).strip(" ()") or "every ordered angle and spread")
        doubts(sheet, record)
        if before is not None and before.content.flags != record.content.flags:
            doubts(sheet, before, " in the record from before")
        sheet.heading(("Change" if verdict.change else "Angles") + " against the order, degrees")
        _matrix(sheet, record, order, verdict)
        if not sheet.brief:
            _charts(sheet, order, verdict, record.blade_count)
        sheet.paragraph(rule_line(verdict), bold=True)
        for line in false_pass_lines(verdict):
            sheet.paragraph(line, SMALL)
        if reasons := _reasons(verdict):
            sheet.heading("Why, and what would decide")
            for line in reasons[: 4 if sheet.brief else MOST_REASONS]:
                sheet.paragraph(line, SMALL, bullet="–")
        _evidence(sheet, record, before, changes, inches)
        if not sheet.brief:
            sheet.paragraph(explained(record, inches), SMALL, ink=PALE)
        sheet.foot("Angles judged by their covariance; all of it is in the record, which goes with this page.",
                   evidence(record))  # fmt: skip

    return fill


def _word(judgement: Judgement) -> str:
    """A verdict short enough for a table."""
    return {CONFORMING: "good", NOT_CONFORMING: "NOT"}.get(judgement.verdict, "open")


def _matrix(sheet: Sheet, record: Record, order: Order, verdict: Verdict) -> None:
    blades = record.blade_count
    ordered = [s for s in STATIONS if s in order.stations]
    first = 38.0 if order.spread_tolerance_deg is not None else 18.0
    block = (sheet.inner - first) / len(ordered)
    columns = [Column("", first, right=False)]
    for station in ordered:
        goal = next((j for j in verdict.judgements if j.station == station and j.what in ("blade", "mean")), None)
        tolerance = order.stations[station].tolerance_deg
        wanted = None if goal is None else goal.wanted_deg
        sign = "+" if verdict.change else ""
        words = f"{station}: " + (f"wanted {wanted:{sign}.2f} ± {tolerance:.2f}" if wanted is not None else "not seen")
        columns += [Column(words, block * 0.74), Column("verdict", block * 0.26)]
    spread = order.spread_tolerance_deg
    labels: list[tuple[str, str, int | None]] = [(f"blade {b}", "blade", b) for b in range(1, blades + 1)]
    labels += [("mean", "mean", None)]
    if spread is not None and blades > 1:
        labels.append((f"spread, at most {spread:.2f}", "spread", None))
    rows = []
    for label, what, blade in labels:
        row = [label]
        for station in ordered:
            found = next(
                (j for j in verdict.judgements if (j.what, j.station, j.blade) == (what, station, blade)), None
            )
            if found is None:
                row += ["", ""]
            elif found.measured_deg is None:
                row += [fitted(found.reason, TEXT * sheet.share, block * 0.74 - 2), _word(found)]
            else:
                change = verdict.change and what != "spread"
                value = signed(found.measured_deg) if change else f"{found.measured_deg:.2f}"
                mark = MARK if doubts_about(record.content.flags, blade, station) else ""
                row += [f"{value} ± {found.expanded_uncertainty_deg:.2f}{mark}", _word(found)]
        rows.append(row)
    sheet.table(columns, rows, strong=[blades])
    others = [j for j in verdict.judgements if j.what == "rotor"]
    if others:
        sheet.paragraph("; ".join(f"{j.reason} ({_word(j)})" for j in others) + ".", SMALL)


def _charts(sheet: Sheet, order: Order, verdict: Verdict, blades: int) -> None:
    """Deviation of each blade and the mean from what was ordered, with intervals, in the band of the tolerance."""
    ordered = [s for s in STATIONS if s in order.stations]
    block = sheet.inner / len(ordered)
    high = 34.0
    shown = [j for j in verdict.judgements if j.what in ("blade", "mean") and j.measured_deg is not None]
    ends = [j.measured_deg - j.wanted_deg + k * j.expanded_uncertainty_deg for j in shown for k in (-1, 1)]  # type: ignore[operator]
    ends += [k * 1.3 * order.stations[s].tolerance_deg for s in ordered for k in (-1, 1)]
    most, k = max(ends), high / (max(ends) - min(ends))
    top = sheet.y + 3.5
    for i, station in enumerate(ordered):
        x, tolerance = sheet.left + i * block + 9.0, order.stations[station].tolerance_deg
        width, middle = block - 12.0, top + k * most
        sheet.box(x, middle - k * tolerance, width, 2 * k * tolerance, "0.9")
        sheet.line([x, x + width], [middle, middle], 0.15, "0.5")
        for value in (-tolerance, tolerance):
            sheet.line([x, x + width], [middle - k * value] * 2, 0.15, "0.5")
            sheet.say(x - 1.0, middle - k * value + 0.8, f"{value:+g}", 6.0, align="right", share=False)
        sheet.say(
            x,
            top - 1.0,
            f"{station}: off what was ordered, °",
            6.4,
            share=False,
        )
        for place, blade in enumerate([*range(1, blades + 1), None]):
            at = x + width * (place + 0.5) / (blades + 1)
            label = "mean" if blade is None else str(blade)
            sheet.say(at, top + high + 2.6, label, 6.4, align="center", share=False)
            for j in shown:
                if (j.station, j.blade) == (station, blade):
                    _whisker(sheet, at, middle, k, j, blade is None)
    sheet.y = top + high + 6.0
    words = "filled: good; hollow: open, the interval crosses a limit; cross: not conforming; grey: the tolerance"
    sheet.say(sheet.left + 9.0, sheet.y, words, FOOT, ink=PALE, share=False)
    sheet.y += 1.2


def _whisker(sheet: Sheet, x: float, middle: float, k: float, j: Judgement, mean: bool) -> None:
    off = float(j.measured_deg or 0.0) - float(j.wanted_deg or 0.0)
    wide = float(j.expanded_uncertainty_deg or 0.0)
    ends = [middle - k * (off + sign * wide) for sign in (-1, 1)]
    sheet.line([x, x], ends, 0.25)
    for end in ends:
        sheet.line([x - 0.8, x + 0.8], [end, end], 0.25)
    style = "D" if mean else "o"
    fill = "white" if j.verdict not in (CONFORMING, NOT_CONFORMING) else "black"
    if j.verdict == NOT_CONFORMING:
        style = "x"
    size = 5.4 if style == "x" else 4.2
    sheet.axes.plot([x], [middle - k * off], style, color="black", markerfacecolor=fill, markersize=size, mew=1.1)


def _reasons(verdict: Verdict) -> list[str]:
    open_ = [
        f"{j.label}: {j.reason}."
        for j in verdict.judgements
        if j.verdict != CONFORMING and j.reason and j.what != "doubts"
    ]
    sizes = [line for line in verdict.cautions if not line.startswith(DOUBT)]
    return [*sizes, *verdict.advice, *open_]


def _evidence(sheet: Sheet, record: Record, before: Record | None, changes: Sequence[TipChange], inches: bool) -> None:
    gap = 5.0
    half = (sheet.inner - gap) / 2
    photos = record.content.photos
    most = 6 if sheet.brief else MOST_PHOTOS
    with sheet.beside():
        sheet.heading("Photographs")
        rows = [
            [fitted(p.name, SMALL * sheet.share, half * 0.5 - 2), _standing(p), p.sha256[:12]] for p in photos[:most]
        ]
        rows += [[f"and {len(photos) - most} more", "", ""]] if len(photos) > most else []
        columns = [Column("name", half * 0.42, right=False), Column("rotor, camera", half * 0.32, right=False)]
        sheet.table([*columns, Column("SHA-256 begins", half * 0.26)], rows, size=SMALL - 0.5, pad=0.3)
    x = sheet.left + half + gap
    with sheet.beside():
        sheet.heading("Uncertainty of one blade, degrees", x)
        stations = [s for s in STATIONS if record.mean(s) is not None]
        lines = sources_by_size(record.content)
        rows = [
            [line.line, *("" if (u := line.stations.at(s)) is None else f"{u:.3f}" for s in stations)]
            for line in lines[:MOST_SOURCES]
        ]
        share = 0.55 / max(len(stations), 1)
        columns = [Column("largest sources", half * 0.45, right=False)] + [Column(s, half * share) for s in stations]
        sheet.table(columns, rows, x=x, size=SMALL - 0.5, pad=0.3)
        if changes:
            sheet.paragraph(f"Tips before and after, {unit(inches)}", HEAD - 1.5, x=x, bold=True)
            rows = [
                [
                    c.what,
                    *(number_text(mm, inches) for mm in (c.before_mm, c.after_mm)),
                    (
                        f"{'+' * (c.change_mm >= 0)}{number_text(c.change_mm, inches)} "
                        f"± {number_text(c.expanded_uncertainty_mm, inches)}"
                    ),
                ]
                for c in changes
            ]
            columns = [Column("", half * 0.4, right=False)]
            columns += [Column(h, half * 0.3 if h == "change" else half * 0.15) for h in ("before", "after", "change")]
            sheet.table(columns, rows, x=x, size=SMALL - 0.5, pad=0.3)
    sheet.below()
    if before is not None:
        sheet.paragraph(f"Before the work: {before.name}, {what_it_is(before)}", SMALL)


def _standing(photo: Photo) -> str:
    end = "inlet up" if photo.standing == "inlet_up" else "outlet up"
    return f"{end}, {'above' if photo.view == 'overhead' else 'side'}"
