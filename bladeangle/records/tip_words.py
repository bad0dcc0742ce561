"""Record -> what its tips are like, in words; what photographs do not tell is said not to be seen."""

from __future__ import annotations

from bladeangle.base.lengths import number_text, unit
from bladeangle.records.content import Quantity, Rotor, TipQuantity

#: Quantities of `rotor.tips` and how they are named.
NAMES = {
    "leading_wear_mm": "wear at the leading ends",
    "trailing_wear_mm": "wear at the trailing ends",
    "taper_mm": "taper",
    "run_out_mm": "run-out between blades",
}


def with_interval(quantity: Quantity, digits: int = 2, inches: bool = False) -> str:
    """A quantity with its expanded uncertainty, without a unit; "not seen" where photographs do not tell it."""
    if isinstance(quantity, TipQuantity) and not quantity.seen:
        return "not seen"
    value, expanded = (number_text(v, inches, digits) for v in (quantity.value, quantity.expanded_uncertainty))
    return f"{value} ±{expanded}"


def tip_lines(rotor: Rotor) -> list[str]:
    """`tip_rows` as sentences."""
    return [f"{label.capitalize()}: {text}." for label, text in tip_rows(rotor)]


def tip_rows(rotor: Rotor, inches: bool = False) -> list[tuple[str, str]]:
    """What tips are like, with a label: wear and run-out and, with a bore given, clearance; none without them."""
    tips = rotor.tips
    if tips is None:
        return []
    named: list[tuple[str, TipQuantity]] = [(name, getattr(tips, key)) for key, name in NAMES.items()]
    seen = [f"{name} {with_interval(quantity, inches=inches)}" for name, quantity in named if quantity.seen]
    unseen = [name for name, quantity in named if not quantity.seen]
    parts = [f"{'; '.join(seen)} {unit(inches)}"] if seen else []
    parts += [f"not seen: {', '.join(unseen)}"] if unseen else []
    rows = [("tips", "; ".join(parts))]
    if gap := tips.clearance_mm:
        smallest, mean = (with_interval(quantity, inches=inches) for quantity in (gap.smallest, gap.mean))
        rows.append(("clearance", f"in the bore smallest {smallest}, mean {mean} {unit(inches)}"))
    return rows
