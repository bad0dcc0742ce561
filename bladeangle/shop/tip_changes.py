"""Records before and after -> what the work did to the tips: changes of wear, diameter, run-out and clearance.

What an error of the camera's calibration does to both records is the same error where both hold the same camera file,
and cancels as far as it does alike. All else is taken as independent; that is on the safe side, since the shape that
photographs leave open is to a good part the same before and after.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from bladeangle.base.budget import coverage_factor
from bladeangle.base.lengths import MM_PER_INCH, unit
from bladeangle.records.record import Record
from bladeangle.records.tip_words import NAMES
from bladeangle.shop.judging import same_calibration

#: Changes of the diameter over the tips, mm, and of wear that are worth a word, beside being outside their intervals.
NOTED_MM = 0.05


@dataclass(frozen=True)
class TipChange:
    """One quantity of the tips, mm, before and after, and its change with standard and expanded uncertainty.

    changed : whether the change lies outside its expanded uncertainty.
    """

    what: str
    before_mm: float
    after_mm: float
    change_mm: float
    standard_uncertainty_mm: float
    expanded_uncertainty_mm: float
    changed: bool


def tip_changes(record: Record, before: Record) -> tuple[TipChange, ...]:
    """What is told of the tips in both records; quantities that one of them does not see are left out."""
    same = same_calibration(record, before)
    out = []
    for name, words in (("tip_diameter_mm", "diameter over the tips"), *NAMES.items()):
        of = Record.quantity if name == "tip_diameter_mm" else Record.tip
        new, old = of(record, name), of(before, name)
        if new is None or old is None:
            continue
        shared = _shared_mm2(record, before, name.removesuffix("_mm")) if same else 0.0
        out.append(_change(words, old, new, shared))
    new, old = record.clearance("smallest"), before.clearance("smallest")
    if new is not None and old is not None and _bore(record) == _bore(before):
        # the bore is the same one, and its error stands in both
        bore_u = (record.content.options.bore_sigma_mm or 0.0) / 2
        out.append(_change("smallest clearance", old, new, bore_u**2))
    return tuple(out)


def _bore(record: Record) -> float | None:
    return record.content.options.bore_mm


def _shared_mm2(record: Record, before: Record, name: str) -> float:
    """Covariance, mm2, of a quantity in two records with the same calibration, from the effects that both state."""
    effects = [_effects(r, name) for r in (record, before)]
    if effects[0] is None or effects[1] is None or len(effects[0]) != len(effects[1]):
        return 0.0
    return float(effects[0] @ effects[1])


def _effects(record: Record, name: str) -> Any:
    found = None if record.rotor.tips is None else (record.rotor.tips.camera_effects_mm or {}).get(name)
    return None if found is None else np.array(found, float)


def _change(what: str, old: tuple[float, float], new: tuple[float, float], shared_mm2: float) -> TipChange:
    bound = old[1] * new[1]  # no two errors have more in common
    u = math.sqrt(max(old[1] ** 2 + new[1] ** 2 - 2 * min(max(shared_mm2, -bound), bound), 0.0))
    expanded, change = coverage_factor() * u, new[0] - old[0]
    return TipChange(what, old[0], new[0], change, u, expanded, abs(change) > max(expanded, NOTED_MM))


def change_lines(changes: tuple[TipChange, ...], inches: bool = False) -> list[str]:
    """The changes as lines of text."""
    if not changes:
        return []
    k, digits = (1 / MM_PER_INCH, 3) if inches else (1.0, 2)
    lines = ["", f"{'tips, ' + unit(inches):26}  {'before':>8}  {'after':>8}  {'change':>7}  {'± 95 %':>6}"]
    for c in changes:
        row = (
            f"{c.what:26}  {c.before_mm * k:8.{digits}f}  {c.after_mm * k:8.{digits}f}  {c.change_mm * k:+7.{digits}f}"
        )
        row += f"  {c.expanded_uncertainty_mm * k:6.{digits}f}"
        lines.append(row + ("  changed" if c.changed else ""))
    return lines
