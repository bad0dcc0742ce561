"""`bladeangle report`: records -> one HTML page, or a plot of the unrolled tips."""

from __future__ import annotations

from pathlib import Path

import click

from bladeangle.cli.options import note, progress, quiet_option, verbose_option


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
@quiet_option
@verbose_option
def report(
    records: tuple[Path, ...],
    photos: Path | None,
    out: Path | None,
    order_path: Path | None,
    plot: Path | None,
    title: str,
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
    from bladeangle.base.files import safe_name
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
        write_plot(plot, data[0])
        note(f"Wrote {safe_name(plot)}.")
    if out is not None:
        with progress("Drawn", sum(len(record["photos"]) for record in data)) as done:
            write_report(out, data, photos, limits, title, done)
        note(f"Wrote {safe_name(out)}.")
