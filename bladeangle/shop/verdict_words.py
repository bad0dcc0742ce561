"""Verdict -> words: the table that `verify` prints, what the verdict rests on, the yardstick of ISO 484-2."""

from __future__ import annotations

from collections.abc import Sequence

from bladeangle.base.files import safe_name
from bladeangle.shop.verify import ISO_484_2_SCOPE, Verdict, Yardstick

#: Longest reason, letters, that stands in a row of the table; longer ones stand below it.
SHORT_REASON = 40


def verdict_table(found: Verdict) -> list[str]:
    """The verdict as lines of text."""
    what = "change" if found.change else "angle"
    reasons: list[str] = []
    head = [f"{safe_name(found.rotor)}: {found.verdict}" + why(found), ""]
    lines = [f"{'':16}  {what + ' deg':>10}  {'wanted deg':>14}  {'± 95 %':>6}  {'P(in tol.)':>10}  verdict"]
    for j in found.judgements:
        row = f"{j.label:16}"
        if j.measured_deg is not None and j.tolerance_deg is not None:
            goal = (
                f"at most {j.tolerance_deg:.2f}"
                if j.what == "spread"
                else f"{j.wanted_deg:.2f} ± {j.tolerance_deg:.2f}"
            )
            chance = "" if j.probability is None else chance_text(j.probability)
            row += f"  {j.measured_deg:10.2f}  {goal:>14}  {j.expanded_uncertainty_deg:6.2f}  {chance:>10}"
        else:
            row += " " * 48
        reason = safe_name(j.reason) if j.reason else ""
        lines.append(f"{row}  {j.verdict}" + (f" ({reason})" if 0 < len(reason) <= SHORT_REASON else ""))
        if len(reason) > SHORT_REASON:
            reasons.append(f"  {j.label}: {reason}")
    if reasons:
        lines += ["", "Why undecided:", *reasons]
    return [*head, *lines, "", rule_line(found), *false_pass_lines(found)]


def rule_line(found: Verdict) -> str:
    """By which rule it was decided, and how likely it is that all of it conforms."""
    rule = (
        "ISO 14253-1"
        if found.rule == "iso14253"
        else f"guard band, a bad blade accepted in at most {found.false_accept_probability:g} of cases"
    )
    chance = (
        "" if found.probability is None else f"; probability that all of it conforms {chance_text(found.probability)}"
    )
    return f"Rule: {rule}{chance}."


def false_pass_lines(found: Verdict) -> list[str]:
    """How likely a blade that is off would have passed, a line for each station."""
    lines = []
    for station, p in found.false_pass.items():
        told = "cannot pass, as it is not seen" if p is None else f"would pass with probability {chance_text(p)}"
        lines.append(f"A blade {found.error_deg:g} deg off at the {station} {told}.")
    return lines


def why(found: Verdict) -> str:
    """What the verdict rests on, in a few words: the worst of what is judged."""
    deciding = [j.label for j in found.judgements if j.verdict == found.verdict and found.verdict != "conforming"]
    shown = ", ".join(deciding[:4]) + (f" and {len(deciding) - 4} more" if len(deciding) > 4 else "")
    return f" ({shown})" if shown else ""


def chance_text(probability: float) -> str:
    """A probability to four places, without claiming certainty."""
    return "< 0.0001" if probability < 1e-4 else "> 0.9999" if probability > 1 - 1e-4 else f"{probability:.4f}"


def yardstick_table(classes: Sequence[Yardstick]) -> list[str]:
    """The ISO 484-2 classes as lines of text."""
    lines = ["", f"{'pitch':28}  {'off %':>7}  {'± 95 %':>7}  class"]
    for y in classes:
        place = " ".join(str(p) for p in (f"blade {y.blade}" if y.blade else "", y.station or "") if p)
        label = f"{y.kind} {place}".strip() if y.kind == "local" else place or y.kind
        lines.append(f"{label:28}  {y.deviation_percent:+7.2f}  {y.expanded_uncertainty_percent:7.2f}  {y.best_class}")
    return [*lines, ISO_484_2_SCOPE]
