"""Lengths in mm -> words in mm, or in inches where somebody asked for them. Files and records are always in mm."""

from __future__ import annotations

MM_PER_INCH = 25.4


def length_text(length_mm: float, inches: bool = False, decimals: int = 2) -> str:
    """A length with its unit; inches get one decimal more than `decimals` millimetres have."""
    return f"{number_text(length_mm, inches, decimals)} {unit(inches)}"


def number_text(length_mm: float, inches: bool = False, decimals: int = 2) -> str:
    """A length without its unit."""
    value, places = (length_mm / MM_PER_INCH, decimals + 1) if inches else (length_mm, decimals)
    return f"{round(value, places) + 0.0:.{places}f}"  # never "-0.00"


def interval_text(length_mm: float, expanded_mm: float, inches: bool = False, decimals: int = 2) -> str:
    """A length with its expanded uncertainty; one that would round to nothing gets up to two decimals more."""
    more = next((n for n in (0, 1) if float(number_text(expanded_mm, inches, decimals + n)) > 0), 2)
    decimals += more if expanded_mm > 0 else 0
    return f"{number_text(length_mm, inches, decimals)} ± {length_text(expanded_mm, inches, decimals)}"


def unit(inches: bool = False) -> str:
    """The unit that lengths are shown in."""
    return "in" if inches else "mm"
