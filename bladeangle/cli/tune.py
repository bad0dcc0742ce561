"""`bladeangle tune`: a record and what the driver noticed -> what to rule out, change, and be careful about."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bladeangle.cli.options import json_option, note, quiet_option, verbose_option

if TYPE_CHECKING:
    from bladeangle.shop.tuning import Advice

# The names are repeated from tuning.py so that --help need not import it; a test compares them.
SYMPTOM_NAMES = ("slow-off-idle", "revs-without-thrust", "short-of-peak", "on-the-limiter", "flat-in-the-middle")
RESULT_NAMES = ("better", "worse", "same")


@click.command()
@click.argument("record_path", type=click.Path(path_type=Path), metavar="RECORD")
@click.option(
    "--noticed",
    type=click.Choice(SYMPTOM_NAMES),
    multiple=True,
    required=True,
    help="What the driver noticed with the rotor as it was measured; may be given more than once.",
)
@click.option("--log", type=click.Path(path_type=Path), metavar="FILE", help="Log of visits; made or added to.")
@click.option("--result", type=click.Choice(RESULT_NAMES), help="How the change since the last visit turned out.")
@click.option("--rotor", metavar="NAME", help="Name of the rotor in the log.  [default: the record's name]")
@click.option("--note", "remark", default="", metavar="TEXT", help="Anything to keep in the log.")
@json_option
@quiet_option
@verbose_option
def tune(
    record_path: Path,
    noticed: tuple[str, ...],
    log: Path | None,
    result: str | None,
    rotor: str | None,
    remark: str,
    as_json: bool,
) -> None:
    """What to change on a rotor, from what the driver noticed.

    Common practice, no source: a direction and a range of at most one degree. With a log kept, measure the rotor
    again after each change and tell the result: the next advice uses it.

    \b
    Examples:
      bladeangle tune rotor-a.json --noticed slow-off-idle --log tuning.jsonl
      bladeangle tune rotor-a-2.json --rotor rotor-a --noticed slow-off-idle --result better --log tuning.jsonl
    """
    import json
    from dataclasses import asdict

    from bladeangle.base import clock
    from bladeangle.base.errors import UsageError
    from bladeangle.base.files import safe_name
    from bladeangle.records.record import read_record
    from bladeangle.shop.tuning import advise, append_log, entry_of, read_log

    if log is None and (result or remark):
        raise UsageError("A result or note needs the log that it belongs to.", "Add --log FILE.")
    record = read_record(record_path)
    time = clock.now().isoformat()
    entry = entry_of(record, noticed, time, rotor=rotor, result=result, note=remark)
    advice = advise(record, entry, read_log(log, entry.rotor) if log is not None else ())
    if log is not None:
        append_log(log, entry)
    click.echo(json.dumps(asdict(advice), indent=1) if as_json else text_of(advice))
    if log is not None:
        note(f"Added to {safe_name(log)}.")


def text_of(advice: Advice) -> str:
    """The advice for people."""
    from bladeangle.base.files import safe_name
    from bladeangle.shop.tuning import SYMPTOMS

    what = "; ".join(SYMPTOMS[symptom].meaning for symptom in advice.noticed)
    parts = [f"{safe_name(advice.rotor)}: {what}\n({advice.basis}: directions and ranges, not promises)"]
    changes = []
    for change in advice.changes:
        line = f"{change.station} {change.direction} by {change.least_deg:.1f} to {change.most_deg:.1f} deg"
        if change.now_deg is not None and change.wanted_deg is not None:
            line += f", from {change.now_deg:.2f} ± {change.expanded_uncertainty_deg:.2f} deg"
            line += f" to between {change.wanted_deg[0]:.1f} and {change.wanted_deg[1]:.1f} deg"
        else:
            line += "; its present angle was not measured"
        changes.append(f"{line}. Why: {change.why}.")
    parts += [
        _section("Rule out first", advice.rule_out),
        _section("Then change, on every blade", changes or ["No angle."]),
        _section("Remarks", advice.remarks),
        _section("Other levers", (f"{lever.name}: {lever.worth} {lever.range}" for lever in advice.levers)),
        _section("Take care", advice.cautions),
    ]
    return "\n\n".join(part for part in parts if part)


def _section(title: str, lines: Iterable[str]) -> str:
    """A titled list, wrapped; empty when it has no lines."""
    items = [click.wrap_text(line, 100, initial_indent="  - ", subsequent_indent="    ") for line in lines]
    return "\n".join([title, *items]) if items else ""
