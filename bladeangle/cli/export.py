"""`bladeangle export`: records -> CSV and XLSX."""

from __future__ import annotations

from pathlib import Path

import click


@click.command()
@click.argument("record_paths", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="RECORD...")
@click.option("--csv", "csv_path", type=click.Path(path_type=Path), metavar="FILE.csv", help="CSV file to write.")
@click.option("--xlsx", "xlsx_path", type=click.Path(path_type=Path), metavar="FILE.xlsx", help="Workbook to write.")
def export(record_paths: tuple[Path, ...], csv_path: Path | None, xlsx_path: Path | None) -> None:
    """Write records as a table, one row a blade and station; CSV to standard output when no file is named.

    Columns carry their UCUM unit in brackets; pitch, mean pitch, progression, overlap and swept area are derived with
    their uncertainties.

    \b
    Example:
      bladeangle export rotor-a.json rotor-b.json --csv rotors.csv --xlsx rotors.xlsx
    """
    from bladeangle.exchange import to_csv, write_csv, write_xlsx
    from bladeangle.files import safe_name
    from bladeangle.record import read_record

    records = [read_record(path) for path in record_paths]
    if csv_path is None and xlsx_path is None:
        click.echo(to_csv(records), nl=False)
    if csv_path is not None:
        write_csv(records, csv_path)
        click.echo(f"Wrote {safe_name(csv_path)}.", err=True)
    if xlsx_path is not None:
        write_xlsx(records, xlsx_path)
        click.echo(f"Wrote {safe_name(xlsx_path)}.", err=True)
