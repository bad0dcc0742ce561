"""Record, and if wanted a verdict -> the one page for a customer: what was measured, and what it means."""

from __future__ import annotations

from collections.abc import Callable

from bladeangle.base.budget import STATIONS
from bladeangle.base.flags import doubts_about
from bladeangle.base.lengths import interval_text, length_text, number_text, unit
from bladeangle.page.drawings import draw_rotor
from bladeangle.page.paper import FOOT, PALE, SMALL, Sheet
from bladeangle.page.parts import (
    angle_table,
    doubts,
    evidence,
    explained,
    pairs,
    signed,
    size_rows,
    tip_rows,
    verdict_bar,
    what_it_is,
)
from bladeangle.records.exchange import overlap
from bladeangle.records.record import Record, quantity
from bladeangle.records.summary import shorthand
from bladeangle.shop.decision import CONFORMING, NOT_CONFORMING, UNDECIDED
from bladeangle.shop.judging import ALIKE_DEG, balance
from bladeangle.shop.verdict_words import why
from bladeangle.shop.verify import Verdict

#: What a verdict means, for whoever pays for the work.
MEANING = {
    CONFORMING: "Every ordered angle lies inside its tolerance, even with the uncertainty of the measurement held "
    "against it.",
    NOT_CONFORMING: "At least one ordered angle lies outside its tolerance, by more than the measurement can be wrong.",
    UNDECIDED: "The measurement cannot say yet whether all ordered angles lie inside their tolerances; it is neither "
    "accepted nor refused.",
}


def customer_page(
    record: Record, verdict: Verdict | None = None, inches: bool = False, title: str = "", spread_deg: float = ALIKE_DEG
) -> Callable[[Sheet], None]:
    """What fills the page; `spread_deg` is what blades may differ by to be called alike."""

    def fill(sheet: Sheet) -> None:
        sheet.title(title or f"Blade angles: {record.name}", what_it_is(record))
        if verdict is not None:
            verdict_bar(sheet, verdict.verdict, f"against the order {verdict.order!r}")
        doubts(sheet, record)
        drawing = 66.0 if sheet.share > 0.9 else 60.0
        gap = 5.0
        with sheet.beside():
            sheet.y = draw_rotor(sheet, record, sheet.right - drawing, sheet.y + 1.5, drawing)
            for line in (
                "seen from the inlet end, blade 1 at the ring's arrow",
                "heavy: entry, double: exit, dashed: hidden",
            ):
                sheet.y += 2.9
                sheet.say(sheet.right - drawing / 2, sheet.y, line, FOOT, align="center", ink=PALE, share=False)
        with sheet.beside():
            width = sheet.inner - drawing - gap
            sheet.heading("Angles")
            angle_table(sheet, record, width)
            if (short := shorthand(record, inches)) is not None:
                sheet.paragraph(f"In short: {short} (mean entry - mean exit).", width=width, bold=True)
        sheet.below()
        half = (sheet.inner - gap) / 2
        with sheet.beside():
            sheet.heading("Sizes")
            pairs(sheet, size_rows(record, inches), sheet.left, half)
        with sheet.beside():
            tips = tip_rows(record, inches)
            sheet.heading("Tips" if tips else "", sheet.left + half + gap)
            if tips:
                pairs(sheet, tips, sheet.left + half + gap, half)
        sheet.below()
        sheet.heading("What it means")
        for words in meaning(record, verdict, inches, spread_deg):
            sheet.paragraph(words, bullet="–")
        sheet.y += 0.8
        if not sheet.brief:
            sheet.paragraph(explained(record, inches), SMALL, ink=PALE)
        sheet.foot(
            "This page tells what was measured. It does not say that a rotor is safe to run: whoever fits it looks for "
            "cracks, and checks balance and free turning.",
            evidence(record),
        )

    return fill


def meaning(record: Record, verdict: Verdict | None, inches: bool, spread_deg: float) -> list[str]:
    """What a record and a verdict say, in sentences for somebody who does not measure."""
    out = []
    if verdict is not None:
        rest = why(verdict).strip(" ()")
        out.append(MEANING[verdict.verdict] + (f" It rests on: {rest}." if rest else ""))
        if verdict.change:
            changes = [j for j in verdict.judgements if j.what == "mean" and j.measured_deg is not None]
            told = [f"{j.station} {signed(j.measured_deg)} ± {j.expanded_uncertainty_deg:.2f}°" for j in changes]
            out += [f"The work changed the mean over the blades: {', '.join(told)}."] if told else []
    out.append(
        "A larger angle moves more water at each turn and loads the engine more; a smaller one lets it turn faster. "
        "Half a degree is felt (common practice)."
    )
    out += _alike(record, spread_deg)
    if (reach := overlap(record)) is not None:
        expanded = quantity(*reach).expanded_uncertainty
        if abs(reach[0]) > expanded:
            out.append(
                "Long blades: each reaches over the next one."
                if reach[0] > 0
                else "Short blades: none reaches over the next one."
            )
    out += _tips(record, inches)
    missing = [
        f"{s} of blade {b}" for s in STATIONS for b in range(1, record.blade_count + 1) if record.station(b, s) is None
    ]
    if missing:
        shown = ", ".join(missing[:6]) + (f" and {len(missing) - 6} more" if len(missing) > 6 else "")
        out.append(f"Not seen in the photographs, so nothing is said of it: {shown}.")
    return out


def _alike(record: Record, spread_deg: float) -> list[str]:
    judged = balance(record, spread_deg)
    doubted = " (doubted)" if any(doubts_about(record.content.flags, None, j.station) for j in judged) else ""
    words = {
        CONFORMING: f"the blades are alike to {spread_deg:g}°",
        NOT_CONFORMING: f"the blades differ by more than {spread_deg:g}°",
        UNDECIDED: f"this measurement cannot decide whether the blades are alike to {spread_deg:g}°",
    }
    groups = [(verdict, [str(j.station) for j in judged if j.verdict == verdict]) for verdict in words]
    return [f"At the {listed(stations)} {words[verdict]}{doubted}." for verdict, stations in groups if stations]


def listed(words: list[str]) -> str:
    """Words with commas, and "and" before the last."""
    return " and ".join([*[", ".join(words[:-1])][: len(words) > 1], *words[-1:]])


def _tips(record: Record, inches: bool) -> list[str]:
    tips = record.rotor.tips
    if tips is None:
        return []
    out = []
    for end, wear in (("leading", tips.leading_wear_mm), ("trailing", tips.trailing_wear_mm)):
        if not wear.seen:
            continue
        if wear.value > wear.expanded_uncertainty:
            size = interval_text(wear.value, wear.expanded_uncertainty, inches)
            out.append(f"The tips have lost {size} of their radius at the {end} ends by wear.")
        else:
            most = length_text(max(wear.value, 0.0) + wear.expanded_uncertainty, inches)
            out.append(f"No wear is seen at the {end} ends; it is less than about {most}.")
    if not (tips.leading_wear_mm.seen or tips.trailing_wear_mm.seen):
        out.append("Wear of the tips is not seen in these photographs; some from the side would tell it.")
    if tips.clearance_mm:
        usual = " to ".join(number_text(mm, inches, 2 if inches else 1) for mm in (0.2, 0.4))
        out.append(
            f"The less clearance between tips and housing, the more thrust; {usual} {unit(inches)} are usual (common "
            "practice)."
        )
    return out
