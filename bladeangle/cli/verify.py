"""`bladeangle verify`: a record against its order -> verdict."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from bladeangle.cli.options import (
    Number,
    colour,
    despite_option,
    json_option,
    note,
    quiet_option,
    verbose_option,
    warn,
)

#: Longest reason, letters, that stands in a row of the table; longer ones stand below it.
SHORT_REASON = 40


@click.command()
@click.argument("record_path", type=click.Path(path_type=Path), metavar="RECORD")
@click.option(
    "--order", "order_path", type=click.Path(path_type=Path), required=True, metavar="FILE", help="Order file."
)
@click.option(
    "--before", type=click.Path(path_type=Path), metavar="RECORD", help="Record from before: judge the change."
)
@click.option("--rule", type=click.Choice(["iso14253", "guard"]), help="Decision rule, instead of the order's.")
@click.option(
    "--false-accept",
    type=Number(0, 0.5, open_=True),
    metavar="P",
    help="Largest chance of accepting a bad blade with the rule guard, instead of the order's.",
)
@click.option(
    "--error",
    "error_deg",
    type=Number(0, 45),
    default=1.0,
    show_default=True,
    metavar="DEG",
    help="Say how likely a blade that is so far off would pass.",
)
@click.option("--iso484", is_flag=True, help="Print the classes of ISO 484-2 as a yardstick as well.")
@click.option(
    "--seed",
    type=click.IntRange(0),
    default=1,
    show_default=True,
    metavar="N",
    help="Seed of the random draws behind the joint probability.",
)
@despite_option
@json_option
@quiet_option
@verbose_option
def verify(
    record_path: Path,
    order_path: Path,
    before: Path | None,
    rule: str | None,
    false_accept: float | None,
    error_deg: float,
    iso484: bool,
    seed: int,
    despite: tuple[str, ...],
    as_json: bool,
) -> None:
    """Judge a measured rotor against its order: per blade, per station, for the mean and for the spread.

    Exit 0 means conforming; 10 means not conforming or undecided. Nothing is accepted on numbers that the record doubts
    unless you name the doubt with --despite. With --before it is also told what the work did to the tips: their
    diameter, wear, run-out and clearance.

    \b
    Examples:
      bladeangle verify after.json --order order.toml
      bladeangle verify after.json --order order.toml --before rotor-a.json
      bladeangle verify after.json --order order.toml --despite station-cut-short
    """
    import json
    import sys
    from dataclasses import asdict

    import numpy as np

    from bladeangle.base.errors import EXIT_NOT_CONFORMING
    from bladeangle.records.record import read_record
    from bladeangle.shop import verify as room
    from bladeangle.shop.decision import CONFORMING, UNDECIDED
    from bladeangle.shop.orders import read_order
    from bladeangle.shop.tip_changes import change_lines, tip_changes

    record, order = read_record(record_path), read_order(order_path)
    old = None if before is None else read_record(before)
    found = room.verify(
        record,
        order,
        old,
        rule=rule,
        false_accept_probability=false_accept,
        error_deg=error_deg,
        rng=np.random.default_rng(seed),
        despite=despite,
    )
    changes = () if old is None else tip_changes(record, old)
    classes = room.yardstick(record, order) if iso484 else ()
    if as_json:
        data = found.to_dict() | {"tips": [asdict(c) for c in changes]}
        if iso484:
            data["iso_484_2"] = {"scope": room.ISO_484_2_SCOPE, "rows": [asdict(y) for y in classes]}
        click.echo(json.dumps(data, indent=1, allow_nan=False))
    else:
        first, *rest = table(found)
        shade = {CONFORMING: "green", UNDECIDED: "yellow"}.get(found.verdict, "red")
        first = click.style(first, fg=shade, bold=True)
        click.echo("\n".join([first, *rest, *change_lines(changes)]), color=colour())
        if iso484:
            click.echo("\n".join(yardstick_table(classes, room.ISO_484_2_SCOPE)))
    for line in found.cautions:
        warn(line)
    for line in found.advice:
        note(line)
    if found.verdict != CONFORMING:
        sys.exit(EXIT_NOT_CONFORMING)


def table(found: Any) -> list[str]:
    """The verdict as lines of text."""
    from bladeangle.base.files import safe_name
    from bladeangle.shop.verify import Verdict

    assert isinstance(found, Verdict)
    what = "change" if found.change else "angle"
    reasons: list[str] = []
    head = [f"{safe_name(found.rotor)}: {found.verdict}" + _why(found), ""]
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
    rule = (
        "ISO 14253-1"
        if found.rule == "iso14253"
        else f"guard band, a bad blade accepted in at most {found.false_accept_probability:g} of cases"
    )
    chance = (
        "" if found.probability is None else f"; probability that all of it conforms {chance_text(found.probability)}"
    )
    lines += ["", f"Rule: {rule}{chance}."]
    for station, p in found.false_pass.items():
        told = "cannot pass, as it is not seen" if p is None else f"would pass with probability {chance_text(p)}"
        lines.append(f"A blade {found.error_deg:g} deg off at the {station} {told}.")
    return head + lines


def _why(found: Any) -> str:
    """What the verdict rests on, in a few words: the worst of what is judged."""
    deciding = [j.label for j in found.judgements if j.verdict == found.verdict and found.verdict != "conforming"]
    shown = ", ".join(deciding[:4]) + (f" and {len(deciding) - 4} more" if len(deciding) > 4 else "")
    return f" ({shown})" if shown else ""


def chance_text(probability: float) -> str:
    """A probability to four places, without claiming certainty."""
    return "< 0.0001" if probability < 1e-4 else "> 0.9999" if probability > 1 - 1e-4 else f"{probability:.4f}"


def yardstick_table(classes: Any, scope: str) -> list[str]:
    """The ISO 484-2 classes as lines of text."""
    lines = ["", f"{'pitch':28}  {'off %':>7}  {'± 95 %':>7}  class"]
    for y in classes:
        place = " ".join(str(p) for p in (f"blade {y.blade}" if y.blade else "", y.station or "") if p)
        label = f"{y.kind} {place}".strip() if y.kind == "local" else place or y.kind
        lines.append(f"{label:28}  {y.deviation_percent:+7.2f}  {y.expanded_uncertainty_percent:7.2f}  {y.best_class}")
    return [*lines, scope]
