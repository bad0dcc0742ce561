"""`bladeangle order`: a record and the wished changes -> order file and a sheet for the shop."""

from __future__ import annotations

from pathlib import Path

import click

from bladeangle.cli.options import (
    Number,
    note,
    quiet_option,
    short_name,
    spread_option,
    tolerance_option,
    verbose_option,
)


@click.command()
@click.argument("record_path", type=click.Path(path_type=Path), metavar="RECORD")
@click.option("--entry", type=Number(-20, 20), metavar="DEG", help="Change of the entry angle; negative is shallower.")
@click.option(
    "--middle", type=Number(-20, 20), metavar="DEG", help="Change of the middle angle; not ordered when left out."
)
@click.option(
    "--exit", "exit_", type=Number(-20, 20), metavar="DEG", help="Change of the exit angle; negative is shallower."
)
@tolerance_option
@spread_option
@click.option(
    "--rule", type=click.Choice(["iso14253", "guard"]), default="iso14253", show_default=True, help="Decision rule."
)
@click.option(
    "--false-accept",
    type=Number(0, 0.5, open_=True),
    default=0.02,
    show_default=True,
    metavar="P",
    help="Probability allowed by the guard.",
)
@click.option("--name", metavar="NAME", callback=short_name, help="Name of the order.  [default: the record's name]")
@click.option("--date", metavar="DATE", help="Date of the order.  [default: today]")
@click.option("--notes", default="", metavar="TEXT", help="Anything the shop must know.")
@click.option(
    "--out", type=click.Path(path_type=Path), required=True, metavar="ORDER.toml", help="Order file to write."
)
@click.option(
    "--sheet", type=click.Path(path_type=Path), metavar="ORDER.html", help="Printable sheet to write as well."
)
@click.option("--picture", type=click.Path(path_type=Path), metavar="FILE.png", help="Picture for the sheet.")
@quiet_option
@verbose_option
def order(
    record_path: Path,
    entry: float | None,
    middle: float | None,
    exit_: float | None,
    tolerance: float,
    spread: float | None,
    rule: str,
    false_accept: float,
    name: str | None,
    date: str | None,
    notes: str,
    out: Path,
    sheet: Path | None,
    picture: Path | None,
) -> None:
    """Write an order for a re-pitch from a measured rotor and the wished changes in degrees.

    Entry and exit stay as measured unless changed; every blade is ordered to the mean over blades plus the change.

    \b
    Example:
      bladeangle order rotor-a.json --entry -1 --exit +0.5 --tolerance 0.3 --out order.toml --sheet order.html
    """
    from bladeangle.base import clock
    from bladeangle.base.errors import UsageError
    from bladeangle.base.files import safe_name, write_text_atomic
    from bladeangle.base.inputs import PICTURE, read_bytes
    from bladeangle.base.outputs import check_outputs
    from bladeangle.records.record import read_record
    from bladeangle.shop.orders import order_from_record, order_sheet, write_order

    check_outputs([(out, "order"), (sheet, "html")], (record_path, picture))
    record = read_record(record_path)
    changes = {k: v for k, v in (("entry", entry), ("middle", middle), ("exit", exit_)) if v is not None}
    wanted = order_from_record(
        record,
        changes,
        tolerance_deg=tolerance,
        spread_tolerance_deg=spread,
        name=name,
        date=date or clock.now().date().isoformat(),
        notes=notes,
        rule=rule,
        false_accept_probability=false_accept,
    )
    page = None
    if sheet is not None:
        page = order_sheet(record, wanted, read_bytes(picture, PICTURE) if picture is not None else None)
    elif picture is not None:
        raise UsageError("A picture was given without a sheet to put it on.", "Add --sheet ORDER.html.")
    write_order(wanted, out)
    note(f"Wrote {safe_name(out)}.")
    if sheet is not None and page is not None:
        write_text_atomic(sheet, page)
        note(f"Wrote {safe_name(sheet)}.")
    for station, s in wanted.stations.items():
        click.echo(f"{station:6}  {s.angle_deg:6.2f} ± {s.tolerance_deg:.2f} deg  (change {s.change_deg or 0.0:+.2f})")
