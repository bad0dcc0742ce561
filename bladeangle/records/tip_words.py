"""Record -> what its tips are like, in words; what photographs do not tell is said not to be seen."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

#: Quantities of `rotor.tips` and how they are named.
NAMES = {
    "leading_wear_mm": "wear at the leading ends",
    "trailing_wear_mm": "wear at the trailing ends",
    "taper_mm": "taper",
    "run_out_mm": "run-out between blades",
}


def with_interval(quantity: Mapping[str, Any], digits: int = 2) -> str:
    """A quantity with its expanded uncertainty, without a unit; "not seen" where photographs do not tell it."""
    if not quantity.get("seen", True):
        return "not seen"
    return f"{quantity['value']:.{digits}f} ±{quantity['expanded_uncertainty']:.{digits}f}"


def tip_lines(record: Mapping[str, Any]) -> list[str]:
    """A line on wear and run-out and, with a bore given, one on clearance; none without them.

    record : a record's data.
    """
    tips = record["rotor"].get("tips")
    if tips is None:
        return []
    seen = [f"{name} {with_interval(tips[key])}" for key, name in NAMES.items() if tips[key]["seen"]]
    unseen = [name for key, name in NAMES.items() if not tips[key]["seen"]]
    parts = [f"{'; '.join(seen)} mm"] if seen else []
    parts += [f"not seen: {', '.join(unseen)}"] if unseen else []
    lines = [f"Tips: {'; '.join(parts)}."]
    if gap := tips["clearance_mm"]:
        smallest, mean = with_interval(gap["smallest"]), with_interval(gap["mean"])
        lines.append(f"Clearance in the bore: smallest {smallest}, mean {mean} mm.")
    return lines
