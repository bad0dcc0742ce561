"""`bladeangle order`: a record and the wanted angles or changes -> order file and a sheet for the shop."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from bladeangle.cli.options import (
    Number,
    PositiveNumber,
    despite_option,
    inches_option,
    keep_old,
    paper_option,
    quiet_option,
    short_name,
    spread_option,
    tolerance_option,
    verbose_option,
    warn,
    wrote,
)

if TYPE_CHECKING:
    from bladeangle.records.record import Record
    from bladeangle.shop.orders import Order


@click.command()
@click.argument("record_path", type=click.Path(path_type=Path), metavar="RECORD")
@click.option("--entry", type=Number(), metavar="DEG", help="Change of the entry angle; negative is shallower.")
@click.option("--middle", type=Number(), metavar="DEG", help="Change of the middle angle; not ordered when left out.")
@click.option("--exit", "exit_", type=Number(), metavar="DEG", help="Change of the exit angle; negative is shallower.")
@click.option("--entry-to", type=PositiveNumber(), metavar="DEG", help="Wanted entry angle itself, not the change.")
@click.option("--middle-to", type=PositiveNumber(), metavar="DEG", help="Wanted middle angle itself.")
@click.option("--exit-to", type=PositiveNumber(), metavar="DEG", help="Wanted exit angle itself.")
@tolerance_option
@spread_option
@click.option(
    "--rule",
    type=click.Choice(["iso14253", "guard"]),
    default="iso14253",
    show_default=True,
    help="What counts as good: inside the tolerance with the whole interval (ISO 14253-1), or with a chance of error.",
)
@click.option(
    "--false-accept",
    type=Number(0, 0.5, open_=True),
    default=0.02,
    show_default=True,
    metavar="P",
    help="Largest chance of accepting a bad blade with the rule guard.",
)
@despite_option
@click.option("--name", metavar="NAME", callback=short_name, help="Name of the order.  [default: the record's name]")
@click.option("--date", metavar="DATE", help="Date of the order.  [default: today]")
@click.option("--notes", default="", metavar="TEXT", help="Anything the shop must know.")
@click.option(
    "--out", type=click.Path(path_type=Path), required=True, metavar="ORDER.toml", help="Order file to write."
)
@click.option(
    "--sheet",
    type=click.Path(path_type=Path),
    metavar="ORDER.pdf|png|html",
    help="Sheet for the shop to write as well: one page as .pdf or .png, or a web page.",
)
@click.option(
    "--picture", type=click.Path(path_type=Path), metavar="FILE.png", help="Picture for a sheet that is a web page."
)
@paper_option
@inches_option
@quiet_option
@verbose_option
def order(
    record_path: Path,
    entry: float | None,
    middle: float | None,
    exit_: float | None,
    entry_to: float | None,
    middle_to: float | None,
    exit_to: float | None,
    tolerance: float,
    spread: float | None,
    rule: str,
    false_accept: float,
    despite: tuple[str, ...],
    name: str | None,
    date: str | None,
    notes: str,
    out: Path,
    sheet: Path | None,
    picture: Path | None,
    paper: str,
    inches: bool,
) -> None:
    """Write an order for a re-pitch: a measured rotor and what is wanted of it, in degrees.

    Give changes (--entry -1) or the wanted angles themselves (--entry-to 9.5). Entry and exit stay as measured unless
    changed; every blade is ordered to the same angle, the mean over blades plus the change.

    A record with open doubts about these angles is not ordered from unless you name each doubt with --despite.

    \b
    Examples:
      bladeangle order rotor-a.json --entry -1 --exit +0.5 --tolerance 0.3 --out order.toml --sheet order.pdf
      bladeangle order rotor-a.json --entry-to 9.5 --exit-to 14.5 --out order.toml
    """
    from bladeangle.base import clock
    from bladeangle.base.errors import UsageError
    from bladeangle.base.inputs import PICTURE, read_bytes
    from bladeangle.base.outputs import check_outputs, kind_by_name
    from bladeangle.page.paper import FORMS
    from bladeangle.records.record import read_record
    from bladeangle.shop.ordering import order_from_record, too_fine
    from bladeangle.shop.orders import order_sheet, write_order

    on_paper = kind_by_name(sheet) in FORMS
    check_outputs([(out, "order"), (sheet, kind_by_name(sheet) if on_paper else "html")], (record_path, picture))
    record = read_record(record_path)
    changes = {k: v for k, v in (("entry", entry), ("middle", middle), ("exit", exit_)) if v is not None}
    angles = {k: v for k, v in (("entry", entry_to), ("middle", middle_to), ("exit", exit_to)) if v is not None}
    wanted = order_from_record(
        record,
        changes,
        angles=angles,
        tolerance_deg=tolerance,
        spread_tolerance_deg=spread,
        name=name,
        date=date or clock.now().date().isoformat(),
        notes=notes,
        rule=rule,
        false_accept_probability=false_accept,
        despite=despite,
    )
    if picture is not None and (sheet is None or on_paper):
        raise UsageError("A picture was given without a web page to put it on.", "Add --sheet ORDER.html.")
    page = None
    if sheet is not None and not on_paper:
        page = order_sheet(record, wanted, read_bytes(picture, PICTURE) if picture is not None else None, inches)
    before = keep_old(out)
    write_order(wanted, out)
    wrote(out, before)
    if sheet is not None:
        _write_sheet(sheet, page, record, wanted, paper, inches)
    for station, s in wanted.stations.items():
        change = f"from {s.measured_deg:.2f}, {s.change_deg or 0.0:+.2f}"
        click.echo(f"{station:6}  {s.angle_deg:6.2f} ± {s.tolerance_deg:.2f} deg  ({change})")
    for line in too_fine(record, wanted):
        warn(f"Warning: {line}")


def _write_sheet(sheet: Path, page: str | None, record: Record, wanted: Order, paper: str, inches: bool) -> None:
    """The sheet for the shop: the web page where there is one, else one page on paper."""
    replaced = sheet.exists()
    if page is None:
        from bladeangle.page.order_page import order_page
        from bladeangle.page.paper import write_pages

        write_pages(sheet, [order_page(record, wanted, inches)], paper.lower(), f"Re-pitch order: {wanted.name}")
    else:
        from bladeangle.base.files import write_text_atomic

        write_text_atomic(sheet, page)
    wrote(sheet, replaced)
