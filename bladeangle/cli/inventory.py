"""`bladeangle inventory`: questions to the shelf's inventory."""

from __future__ import annotations

import functools
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from bladeangle.cli.options import PositiveNumber, inches_option, json_option, note, quiet_option, verbose_option

if TYPE_CHECKING:
    from bladeangle.base.gauge import GaugeStudy
    from bladeangle.inventory import Bounded, CouldTell, Failure, Inventory, OutOfLine, ShelfRow

#: Two standard uncertainties are shown, about 95 %; JSON and CSV have the standard uncertainties.
COVERAGE = 2.0


@click.command()
@click.argument("path", type=click.Path(path_type=Path), metavar="INVENTORY")
@click.option("--entry", "entry_deg", type=PositiveNumber(), metavar="DEG", help="Wanted entry angle.")
@click.option("--middle", "middle_deg", type=PositiveNumber(), metavar="DEG", help="Wanted middle angle.")
@click.option("--exit", "exit_deg", type=PositiveNumber(), metavar="DEG", help="Wanted exit angle.")
@click.option("--hub", "hub_mm", type=PositiveNumber(), metavar="MM", help="Wanted hub diameter.")
@click.option("--blades", "blade_count", type=click.IntRange(1), metavar="N", help="Only rotors with so many blades.")
@click.option("--hand", type=click.Choice(["left", "right"]), help="Only rotors of this hand.")
@click.option(
    "--scale-deg",
    type=PositiveNumber(),
    default=0.5,
    show_default=True,
    metavar="DEG",
    help="Difference in an angle that counts as much as --scale-mm in the hub.",
)
@click.option(
    "--scale-mm",
    type=PositiveNumber(),
    default=1.0,
    show_default=True,
    metavar="MM",
    help="Difference in the hub that counts as much as --scale-deg in an angle.",
)
@click.option("--wear-below", type=PositiveNumber(), metavar="MM", help="Rotors whose leading ends are worn by less.")
@click.option("--wear-above", type=PositiveNumber(), metavar="MM", help="Rotors whose leading ends are worn by more.")
@click.option("--clearance-below", type=PositiveNumber(), metavar="MM", help="Rotors whose smallest clearance is less.")
@click.option("--clearance-above", type=PositiveNumber(), metavar="MM", help="Rotors whose smallest clearance is more.")
@click.option("--rotor", "rotors", multiple=True, metavar="NAME", help="All records of a rotor; may be repeated.")
@click.option("--out-of-line", is_flag=True, help="Blades that differ from the median of their rotor.")
@click.option(
    "--sigmas",
    type=PositiveNumber(),
    default=3.0,
    show_default=True,
    metavar="N",
    help="With --out-of-line: by at least so many standard uncertainties.",
)
@click.option(
    "--least", "least_deg", type=PositiveNumber(), metavar="DEG", help="With --out-of-line: and by at least so much."
)
@click.option("--failed", is_flag=True, help="Rotors that could not be measured, and why.")
@click.option("--record", "record_of", metavar="NAME", help="Print a rotor's newest record, for the other commands.")
@click.option(
    "--limit", type=click.IntRange(1, 1_000_000), metavar="N", help="Most rows.  [default: 10 near, else 100]"
)
@inches_option
@json_option
@click.option("--csv", "as_csv", is_flag=True, help="Print CSV to standard output instead of text.")
@quiet_option
@verbose_option
def inventory(
    path: Path,
    entry_deg: float | None,
    middle_deg: float | None,
    exit_deg: float | None,
    hub_mm: float | None,
    blade_count: int | None,
    hand: str | None,
    scale_deg: float,
    scale_mm: float,
    wear_below: float | None,
    wear_above: float | None,
    clearance_below: float | None,
    clearance_above: float | None,
    rotors: tuple[str, ...],
    out_of_line: bool,
    sigmas: float,
    least_deg: float | None,
    failed: bool,
    record_of: str | None,
    limit: int | None,
    inches: bool,
    as_json: bool,
    as_csv: bool,
) -> None:
    """Search the shelf's inventory, with one question at a time; without one it lists the rotors.

    It finds the rotors nearest to a wanted one; shows a rotor over time, with how well its measurements repeat and
    agree between cameras; finds blades out of line with the others of their rotor, by more than their uncertainty; and
    finds rotors whose wear or smallest clearance lies beyond a bound, or perhaps, by its uncertainty. ± in the text
    holds in about 95 % of cases (k = 2); JSON and CSV have standard uncertainties.

    \b
    Examples:
      bladeangle inventory shelf-results/inventory.sqlite --entry 9.5 --exit 14.5 --hub 75
      bladeangle inventory shelf-results/inventory.sqlite --rotor heron-1
      bladeangle inventory shelf-results/inventory.sqlite --out-of-line --least 0.3 --csv
      bladeangle inventory shelf-results/inventory.sqlite --wear-above 0.3
    """
    from bladeangle.base.errors import UsageError
    from bladeangle.inventory import Inventory, Wanted

    wanted = Wanted(entry_deg, middle_deg, exit_deg, hub_mm, blade_count, hand, scale_deg, scale_mm)
    bounds = [
        (quantity, bound, below)
        for quantity, bound, below in (
            ("wear", wear_below, True), ("wear", wear_above, False),
            ("clearance", clearance_below, True), ("clearance", clearance_above, False),
        ) if bound is not None
    ]  # fmt: skip
    asked = [bool(wanted.terms()), bool(rotors), out_of_line, failed, record_of is not None, *(True for _ in bounds)]
    if sum(asked) > 1 or (as_json and as_csv):
        raise UsageError("These options ask for different things.", "Ask one question at a time, in one format.")
    if (blade_count or hand) and not wanted.terms():
        raise UsageError("--blades and --hand narrow a search.", "Say what is wanted: --entry, --exit or --hub.")
    shelf_row = functools.partial(shelf_text, inches=inches)
    with Inventory(path) as db:
        if record_of is not None:
            from bladeangle.records.record import record_to_json

            click.echo(record_to_json(db.newest(record_of)), nl=False)
        elif failed:
            answer(list(db.failures().values())[: limit or 100], failure_text, as_json, as_csv)
        elif bounds:
            quantity, bound, below = bounds[0]
            near = db.beyond(quantity, bound, below=below, limit=limit or 100)
            answer(near, functools.partial(bounded_text, inches=inches), as_json, as_csv)
        elif out_of_line:
            _out_of_line(db, sigmas, least_deg, limit or 100, as_json, as_csv)
        elif rotors:
            over_time(db, rotors, shelf_row, as_json, as_csv)
        elif wanted.terms():
            answer(db.near(wanted, limit or 10), shelf_row, as_json, as_csv)
        else:
            answer(db.shelf(limit or 100), shelf_row, as_json, as_csv)
            here, records = db.count()
            note(f"Rotors: {here}; records: {records}; rotors that failed: {len(db.failures())} (--failed).")


def answer(rows: Sequence[Any], text: Any, as_json: bool, as_csv: bool) -> None:
    """Print rows of one dataclass as JSON, CSV, or text by `text(row)`, a mapping of column heads to words."""
    import json
    from dataclasses import asdict

    if as_json:
        click.echo(json.dumps([asdict(row) for row in rows], indent=1))
    elif as_csv:
        click.echo(csv_text(rows), nl=False)
    elif rows:
        click.echo(aligned([text(row) for row in rows]))
    else:
        note("None.")


def over_time(db: Any, rotors: tuple[str, ...], text: Any, as_json: bool, as_csv: bool) -> None:
    """Print the records of rotors and the study of how well they repeat."""
    import json
    from dataclasses import asdict

    from bladeangle.base.errors import UsageError

    rows = [row for rotor in dict.fromkeys(rotors) for row in db.history(rotor)]
    try:
        study = db.repeat_study(rotors)
    except UsageError as error:
        study = None
        note(f"No study of repeatability: {error.message} {error.hint}")
    if as_json:
        found = {"records": [asdict(row) for row in rows], "study": study and asdict(study)}
        click.echo(json.dumps(found, indent=1))
        return
    answer(rows, text, False, as_csv)
    if study is not None and not as_csv:
        click.echo(f"\nStandard deviations in deg, from {study.records} records of each rotor and camera:")
        click.echo(aligned([study_text(name, found) for name, found in study.studies.items()]))


def csv_text(rows: Sequence[Any]) -> str:
    """Rows of one dataclass as CSV (RFC 4180), harmless to spreadsheets; no rows give nothing."""
    import csv
    import io
    from dataclasses import astuple, fields

    from bladeangle.records.exchange import harmless

    if not rows:
        return ""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow([f.name for f in fields(rows[0])])
    writer.writerows(["" if c is None else harmless(c) if isinstance(c, str) else c for c in astuple(r)] for r in rows)
    return out.getvalue()


def aligned(rows: list[dict[str, str]]) -> str:
    """A table for people; columns that are empty everywhere are left out, the first stands left, the others right."""
    heads = [head for head in rows[0] if any(row[head] for row in rows)]
    width = {head: max(len(head), *(len(row[head]) for row in rows)) for head in heads}
    lines = []
    for row in [{head: head for head in heads}, *rows]:
        cells = [row[head].ljust(width[head]) if head == heads[0] else row[head].rjust(width[head]) for head in heads]
        lines.append("  ".join(cells).rstrip())
    return "\n".join(lines)


def _with_u(value: float | None, u: float | None, digits: int = 2) -> str:
    return "-" if value is None or u is None else f"{value:.{digits}f} ± {COVERAGE * u:.{digits}f}"


def _length(value_mm: float | None, u_mm: float | None, inches: bool) -> str:
    from bladeangle.base.lengths import interval_text, unit

    if value_mm is None or u_mm is None:
        return "-"
    return interval_text(value_mm, COVERAGE * u_mm, inches).removesuffix(f" {unit(inches)}")


def shelf_text(row: ShelfRow, inches: bool = False) -> dict[str, str]:
    """A record in a list."""
    from bladeangle.base.lengths import unit

    clearance = "" if row.clearance_mm is None else _length(row.clearance_mm, row.clearance_u, inches)
    return {
        "rotor": row.rotor,
        "distance": "" if row.distance is None else _with_u(row.distance, row.distance_u),
        "entry deg": _with_u(row.entry_deg, row.entry_u),
        "middle deg": _with_u(row.middle_deg, row.middle_u),
        "exit deg": _with_u(row.exit_deg, row.exit_u),
        f"hub {unit(inches)}": _length(row.hub_mm, row.hub_u, inches),
        f"wear {unit(inches)}": "" if row.wear_mm is None else _length(row.wear_mm, row.wear_u, inches),
        f"clearance {unit(inches)}": clearance,
        "blades": str(row.blade_count),
        "hand": row.hand,
        "flags": str(row.flags),
        "measured": row.created,
        "camera": _short(row.appraiser),
    }


def _out_of_line(
    db: Inventory, sigmas: float, least_deg: float | None, limit: int, as_json: bool, as_csv: bool
) -> None:
    """Blades out of line; without any, what that means."""
    rows = db.out_of_line(sigmas, least_deg or 0.0, limit)
    if rows or as_json or as_csv:
        answer(rows, out_text, as_json, as_csv)
    else:
        note(nothing_out(db.could_tell(sigmas, least_deg or 0.0), least_deg))


def nothing_out(told: CouldTell, least_deg: float | None) -> str:
    """What it means that no blade is out of line: that none is, or that the photographs cannot tell."""
    by = f" by {least_deg:g} deg" if least_deg else ""
    if not told.angles:
        return "There are no angles to compare."
    text = f"No blade is out of line{by} for certain, of {told.angles} angles looked at."
    if told.unclear:
        text += (
            f" {told.unclear} of them are known too little to tell: a blade shows when it differs by"
            f" {told.typical_deg:.2f} deg (median). Pairs from above seldom tell more; photographs from the side do."
        )
    return text


def bounded_text(row: Bounded, inches: bool = False) -> dict[str, str]:
    """A rotor beyond a bound, or perhaps."""
    from bladeangle.base.lengths import unit

    return {
        "rotor": row.rotor,
        f"{row.quantity} {unit(inches)}": _length(row.value_mm, row.u_mm, inches),
        "sure": row.sure,
        "probability": f"{row.probability:.3f}",
        "measured": row.created,
    }


def out_text(row: OutOfLine) -> dict[str, str]:
    """A blade out of line."""
    return {
        "rotor": row.rotor,
        "blade": str(row.blade),
        "station": row.station,
        "angle deg": _with_u(row.angle_deg, row.u_deg),
        "from the median": ("+" if row.out_deg > 0 else "") + _with_u(row.out_deg, row.out_u_deg),
        "times its u": f"{row.ratio:.1f}",
        "measured": row.created,
    }


def failure_text(row: Failure) -> dict[str, str]:
    """A rotor that failed."""
    return {"rotor": row.rotor, "code": str(row.exit_code), "why": f"{row.message} {row.hint}".strip()}


def study_text(name: str, study: GaugeStudy) -> dict[str, str]:
    """One study: what repeats badly, what differs between cameras, both, and what the blades differ by."""
    low, high = study.ev_interval
    return {
        "station": name,
        "repeatability": f"{study.ev:.3f}",
        "95 %": f"{low:.3f} to {high:.3f}",
        "between cameras": "-" if study.av is None else f"{study.av:.3f}",
        "together": f"{study.grr:.3f}",
        "blades": f"{study.pv:.3f}",
        "together %": f"{study.grr_percent:.0f}",
    }


def _short(text: str) -> str:
    from bladeangle.base.files import safe_name

    line = safe_name(text)
    return line if len(line) <= 24 else line[:23] + "…"
