"""Record -> what its tips are like, in words; what photographs do not tell is said not to be seen."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from bladeangle.base.lengths import number_text, unit

#: Quantities of `rotor.tips` and how they are named.
NAMES = {
    "leading_wear_mm": "wear at the leading ends",
    "trailing_wear_mm": "wear at the trailing ends",
    "taper_mm": "taper",
    "run_out_mm": "run-out between blades",
}


def with_interval(quantity: Mapping[str, Any], digits: int = 2, inches: bool = False) -> str:
    """A quantity with its expanded uncertainty, without a unit; "not seen" where photographs do not tell it."""
    if not quantity.get("seen", True):
        return "not seen"
    value, expanded = (number_text(quantity[key], inches, digits) for key in ("value", "expanded_uncertainty"))
    return f"{value} ±{expanded}"


def tip_lines(record: Mapping[str, Any]) -> list[str]:
    """`tip_rows` as sentences."""
    return [f"{label.capitalize()}: {text}." for label, text in tip_rows(record)]


def tip_rows(record: Mapping[str, Any], inches: bool = False) -> list[tuple[str, str]]:
    """What tips are like, with a label: wear and run-out and, with a bore given, clearance; none without them.

    record : a record's data.
    """
    tips = record["rotor"].get("tips")
    if tips is None:
        return []
    seen = [f"{name} {with_interval(tips[key], inches=inches)}" for key, name in NAMES.items() if tips[key]["seen"]]
    unseen = [name for key, name in NAMES.items() if not tips[key]["seen"]]
    parts = [f"{'; '.join(seen)} {unit(inches)}"] if seen else []
    parts += [f"not seen: {', '.join(unseen)}"] if unseen else []
    rows = [("tips", "; ".join(parts))]
    if gap := tips["clearance_mm"]:
        smallest, mean = (with_interval(gap[key], inches=inches) for key in ("smallest", "mean"))
        rows.append(("clearance", f"in the bore smallest {smallest}, mean {mean} {unit(inches)}"))
    return rows
