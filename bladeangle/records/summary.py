"""Record -> the table that `measure` prints: doubts, angles, sizes, and the shorthand in which rotors are ordered."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from bladeangle.base.budget import STATIONS
from bladeangle.base.flags import doubts_about, flag_line, open_doubts
from bladeangle.base.lengths import interval_text, length_text, number_text
from bladeangle.records.content import Station
from bladeangle.records.exchange import overlap
from bladeangle.records.record import Record, quantity
from bladeangle.records.tip_words import tip_rows

#: Stands after a number that a doubt concerns.
MARK = "?"
WIDTH = 110
#: The flag that is part of the table, since it is what the intervals say.
IN_TABLE = "wear-unseen"


def table(record: Record, inches: bool = False, more: Sequence[tuple[str, str]] = ()) -> str:
    """A record for people: doubts first, then one line a blade, the mean and the spread, then the rotor in numbers.

    more : further lines for the end, each with what it is of and its text.

    A number that a doubt concerns has `MARK` after it.
    """
    content = record.content
    doubts = [flag_line(f) for f in open_doubts(content.flags)]
    lines = [textwrap.fill(line, WIDTH, subsequent_indent="  ") for line in doubts]
    lines += [""] if doubts else []
    lines.append(f"{'':8}" + "".join(f"{s:>18}" for s in STATIONS))

    def cell(station: Station | None, blade: int | None, name: str) -> str:
        mark = MARK if doubts_about(content.flags, blade, name) else " "
        if station is None:
            return f"{'not seen':>17}{mark}"
        return f"{station.angle_deg:10.2f} ±{station.expanded_uncertainty_deg:5.2f}{mark}"

    numbering = MARK if doubts_about(content.flags, concerns="numbering") else ""
    for blade in content.blades:
        cells = "".join(cell(blade.stations.at(s), blade.number, s) for s in STATIONS)
        label = f"blade {blade.number}{numbering}"
        lines.append(f"{label:8}{cells}".rstrip())
    means = "".join(cell(record.mean(s), None, s) for s in STATIONS)
    lines.append(f"mean    {means}".rstrip())
    spread = "".join(_spread_cell(record, s) for s in STATIONS)
    if spread.strip():
        lines.append(f"spread  {spread}".rstrip())
    explained = "Degrees from the plane of rotation; ± holds in 95 % of cases. Spread: largest minus smallest blade."
    lines.append(explained + (f" {MARK} doubted, see above." if doubts else ""))
    lines += [textwrap.fill(f.text, WIDTH) for f in content.flags if f.code == IN_TABLE]
    return "\n".join([*lines, "", *_facts(record, inches, more)])


def _spread_cell(record: Record, station: str) -> str:
    found = record.rotor.spread_deg.at(station)
    if found is None:
        return f"{'':18}"
    mark = MARK if doubts_about(record.content.flags, None, station) else " "
    return f"{found.value:10.2f} ±{found.expanded_uncertainty:5.2f}{mark}"


def _facts(record: Record, inches: bool, more: Sequence[tuple[str, str]]) -> list[str]:
    """The rotor in numbers, a line each. What else is measured of it, such as wear, gets a line here."""
    rotor = record.rotor
    mark = MARK if doubts_about(record.content.flags, concerns="sizes") else ""
    plural = "s" if rotor.blade_count > 1 else ""
    rows = [("rotor", f"{rotor.blade_count} blade{plural}, {rotor.hand}-hand screw")]
    for words, found in (
        ("tip diameter", rotor.tip_diameter_mm),
        ("hub diameter", rotor.hub_diameter_mm),
        ("thickness", rotor.tip_thickness_mm),
    ):
        if found is not None:
            rows.append((words, interval_text(found.value, found.expanded_uncertainty, inches, 1) + mark))
    if (trailing := rotor.trailing_distance_mm) is not None:
        text = interval_text(trailing.value, trailing.expanded_uncertainty, inches)
        rows.append(("trailing edges", f"{text} from the outlet end that it stands on{_each(record, inches)}{mark}"))
    rows += tip_rows(rotor, inches)
    if (reach := overlap(record)) is not None:
        expanded = quantity(*reach).expanded_uncertainty
        rows.append(("overlap", f"{_overlap_words(reach[0], expanded)} ({reach[0]:+.0f} ± {expanded:.0f} deg)"))
    if (short := shorthand(record, inches)) is not None:
        rows.append(("in short", short))
    return [f"{words:16}{text}" for words, text in [*rows, *more]]


def _each(record: Record, inches: bool) -> str:
    """The distances of all trailing edges, in brackets; nothing where there is one blade."""
    each = [found for b in record.content.blades if (found := b.trailing_distance_mm) is not None]
    values = ", ".join(number_text(found.value, inches) for found in each)
    return f" (blades {values})" if len(each) > 1 else ""


def _overlap_words(reach_deg: float, expanded_deg: float) -> str:
    """Whether blades reach over the next one, as far as the interval decides it."""
    if abs(reach_deg) <= expanded_deg:
        return "blades may or may not reach over the next"
    return "long blades, each reaches over the next" if reach_deg > 0 else "short blades, none reaches over the next"


def shorthand(record: Record, inches: bool = False) -> str | None:
    """A rotor as it is called in the trade: mean entry - mean exit, hub; None when an end was not seen."""
    entry, exit_ = record.mean("entry"), record.mean("exit")
    if entry is None or exit_ is None:
        return None
    doubted = any(doubts_about(record.content.flags, None, s) for s in ("entry", "exit"))
    angles = f"{entry.angle_deg:.1f} - {exit_.angle_deg:.1f}{MARK if doubted else ''}"
    hub = record.quantity("hub_diameter_mm")
    return angles if hub is None else f"{angles}, hub {length_text(hub[0], inches, 1)}"
