"""`bladeangle report`: records -> one HTML page, or a plot of the unrolled tips."""

from __future__ import annotations

from pathlib import Path

import click

from bladeangle.cli.options import inches_option, progress, quiet_option, verbose_option, wrote


@click.command()
@click.argument("records", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="RECORD...")
@click.option(
    "--photos", type=click.Path(path_type=Path), metavar="DIR", help="Folder with the photographs that were measured."
)
@click.option("--out", type=click.Path(path_type=Path), metavar="FILE.html", help="Report to write.")
@click.option(
    "--order", "order_path", type=click.Path(path_type=Path), metavar="ORDER.toml", help="Order to draw limits of."
)
@click.option(
    "--plot", type=click.Path(path_type=Path), metavar="FILE.png|svg", help="Plot of one record's unrolled blade tips."
)
@click.option("--title", default="", metavar="TEXT", help="Title of the page.")
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
    inches: bool,
) -> None:
    """Make a report of a rotor, or of a shelf of rotors, as one HTML page that needs no network.

    Photographs are found in --photos and the folders in it by their name and contents; without --photos the marks are
    drawn on plain ground.

    \b
    Examples:
      bladeangle report rotor-a.json --photos photographs --out rotor-a.html --order order.toml
      bladeangle report shelf/*.json --photos shelf --out shelf.html
      bladeangle report rotor-a.json --plot rotor-a.svg
    """
    from bladeangle.base.errors import UsageError
    from bladeangle.base.outputs import check_outputs, kind_by_name
    from bladeangle.page.report import write_plot, write_report
    from bladeangle.records.record import read_record

    if out is None and plot is None:
        raise UsageError("There is nothing to write.", "Give --out, --plot or both.")
    if plot is not None and len(records) > 1:
        raise UsageError("--plot draws one record.", "Give one record, or leave --plot out.")
    check_outputs([(out, "html"), (plot, kind_by_name(plot))], (*records, order_path))
    limits = None
    if order_path is not None:
        from bladeangle.shop.orders import read_order

        stations = read_order(order_path).stations
        limits = {s: (o.angle_deg - o.tolerance_deg, o.angle_deg + o.tolerance_deg) for s, o in stations.items()}
    data = [read_record(path).data for path in records]
    if plot is not None:
        replaced = plot.exists()
        write_plot(plot, data[0])
        wrote(plot, replaced)
    if out is not None:
        replaced = out.exists()
        with progress("Drawn", sum(len(record["photos"]) for record in data)) as done:
            write_report(out, data, photos, limits, title, inches, done)
        wrote(out, replaced)
