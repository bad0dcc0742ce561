"""`bladeangle report`: records -> one HTML page, or a plot of the unrolled tips."""

from __future__ import annotations

from pathlib import Path

import click

from bladeangle.cli.options import (
    inches_option,
    note,
    paper_option,
    progress,
    quiet_option,
    session,
    verbose_option,
    wrote,
)


@click.command()
@click.argument("records", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="RECORD...")
@click.option(
    "--photos", type=click.Path(path_type=Path), metavar="DIR", help="Folder with the photographs that were measured."
)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    metavar="FILE.html|pdf|png",
    help="Report to write: the full one as .html, one page for the customer as .pdf or .png.",
)
@click.option(
    "--order",
    "order_path",
    type=click.Path(path_type=Path),
    metavar="ORDER.toml",
    help="Order to draw limits of, and on a page to judge by.",
)
@click.option(
    "--plot", type=click.Path(path_type=Path), metavar="FILE.png|svg", help="Plot of one record's unrolled blade tips."
)
@click.option("--title", default="", metavar="TEXT", help="Title of the page.")
@click.option(
    "--before", type=click.Path(path_type=Path), metavar="RECORD", help="Record from before the work, for the verdict."
)
@click.option(
    "--despite", multiple=True, metavar="DOUBT", help="A doubt that is accepted in the verdict; see `verify`."
)
@paper_option
@inches_option
@quiet_option
@verbose_option
def report(
    records: tuple[Path, ...],
    photos: Path | None,
    out: Path | None,
    order_path: Path | None,
    plot: Path | None,
    title: str,
    before: Path | None,
    despite: tuple[str, ...],
    paper: str,
    inches: bool,
) -> None:
    """Make a report of a rotor, or of a shelf of rotors, as one HTML page that needs no network.

    Photographs are found in --photos and the folders in it by their name and contents; without --photos the marks are
    drawn on plain ground.

    As .pdf or .png it is one page for the customer, with the verdict where --order is given; the .png is small enough
    to be sent.

    \b
    Examples:
      bladeangle report rotor-a.json --photos photographs --out rotor-a.html --order order.toml
      bladeangle report rotor-a.json --out rotor-a.pdf --paper letter
      bladeangle report shelf/*.json --photos shelf --out shelf.html
      bladeangle report rotor-a.json --plot rotor-a.svg
    """
    from bladeangle.base.errors import UsageError
    from bladeangle.base.outputs import check_outputs, kind_by_name
    from bladeangle.page.paper import FORMS
    from bladeangle.page.report import write_plot, write_report
    from bladeangle.records.record import read_record

    if out is None and plot is None:
        raise UsageError("There is nothing to write.", "Give --out, --plot or both.")
    if plot is not None and len(records) > 1:
        raise UsageError("--plot draws one record.", "Give one record, or leave --plot out.")
    page = out is not None and kind_by_name(out) in FORMS
    check_outputs(
        [(out, kind_by_name(out) if page else "html"), (plot, kind_by_name(plot))], (*records, order_path, before)
    )
    limits = None
    if order_path is not None:
        from bladeangle.shop.orders import read_order

        stations = read_order(order_path).stations
        limits = {s: (o.angle_deg - o.tolerance_deg, o.angle_deg + o.tolerance_deg) for s, o in stations.items()}
    data = [read_record(path).content for path in records]
    if plot is not None:
        replaced = plot.exists()
        write_plot(plot, data[0], inches)
        wrote(plot, replaced)
    if out is not None and page:
        _write_pages(out, records, order_path, before, despite, title, paper, inches)
        if photos is not None:
            note("The page for the customer has no photographs; --photos is for the .html.")
    elif out is not None:
        replaced = out.exists()
        with progress("Drawn", sum(len(record.photos) for record in data)) as done:
            write_report(out, data, photos, limits, title, inches, done)
        wrote(out, replaced)


def _write_pages(
    out: Path,
    paths: tuple[Path, ...],
    order_path: Path | None,
    before: Path | None,
    despite: tuple[str, ...],
    title: str,
    paper: str,
    inches: bool,
) -> None:
    """The page for the customer, of every record."""
    import numpy as np

    from bladeangle.page.customer_page import customer_page
    from bladeangle.page.paper import write_pages
    from bladeangle.records.record import read_record
    from bladeangle.shop.judging import ALIKE_DEG
    from bladeangle.shop.orders import read_order
    from bladeangle.shop.verify import verify

    order = None if order_path is None else read_order(order_path)
    old = None if before is None else read_record(before)
    spread = session().config.spread_deg or session().config.tolerance_deg or ALIKE_DEG
    if order is not None and order.spread_tolerance_deg is not None:
        spread = order.spread_tolerance_deg
    pages = []
    for path in paths:
        record = read_record(path)
        verdict = None
        if order is not None:
            rng = np.random.default_rng(1)
            verdict = verify(record, order, old, rng=rng, despite=despite, inches=inches)
        pages.append(customer_page(record, verdict, inches, title, spread))
    replaced = out.exists()
    write_pages(out, pages, paper.lower(), title or f"Blade angles: {record.name}")
    wrote(out, replaced)
