"""`bladeangle export`: records -> CSV and XLSX."""

from __future__ import annotations

from pathlib import Path

import click

from bladeangle.cli.options import quiet_option, verbose_option, wrote


@click.command()
@click.argument("record_paths", nargs=-1, type=click.Path(path_type=Path), metavar="RECORD...")
@click.option("--csv", "csv_path", type=click.Path(path_type=Path), metavar="FILE.csv", help="CSV file to write.")
@click.option("--tips", is_flag=True, help="In CSV, the tip radius along every blade instead of the angles.")
@click.option("--xlsx", "xlsx_path", type=click.Path(path_type=Path), metavar="FILE.xlsx", help="Workbook to write.")
@click.option(
    "--certificate", "dcc_path", type=click.Path(path_type=Path), metavar="FILE.xml", help="Certificate to write."
)
@click.option("--details", type=click.Path(path_type=Path), metavar="FILE.toml", help="Who issues the certificate.")
@click.option("--details-example", is_flag=True, help="Print a details file to start from.")
@quiet_option
@verbose_option
def export(
    record_paths: tuple[Path, ...],
    csv_path: Path | None,
    tips: bool,
    xlsx_path: Path | None,
    dcc_path: Path | None,
    details: Path | None,
    details_example: bool,
) -> None:
    """Write records as a table, one row a blade and station; CSV to standard output when no file is named.

    Columns carry their UCUM unit in brackets; pitch, mean pitch, progression, overlap and swept area are derived with
    their uncertainties, and so do wear, taper, run-out and clearance of the tips where they are seen. A workbook has a
    second sheet with the tip radius along every blade.

    --certificate writes one record as a digital calibration certificate (XML, DCC 3.0.0); its issuer, customer and item
    come from a TOML file.

    \b
    Examples:
      bladeangle export rotor-a.json rotor-b.json --csv rotors.csv --xlsx rotors.xlsx
      bladeangle export --details-example > issuer.toml
      bladeangle export rotor-a.json --certificate rotor-a.xml --details issuer.toml
    """
    from bladeangle.base.errors import UsageError
    from bladeangle.base.outputs import check_outputs
    from bladeangle.records.exchange import to_csv, write_csv, write_xlsx
    from bladeangle.records.record import read_record

    if details_example:
        from bladeangle.shop.certificate import EXAMPLE

        click.echo(EXAMPLE, nl=False)
        return
    if not record_paths:
        raise click.UsageError("Missing argument 'RECORD...'.", click.get_current_context())
    if (dcc_path is None) != (details is None) or (dcc_path is not None and len(record_paths) != 1):
        raise UsageError(
            "A certificate is of one record and needs --certificate and --details.",
            "Give both; --details-example prints a details file to start from.",
        )
    outputs = [(csv_path, "csv of tips" if tips else "csv"), (xlsx_path, "xlsx"), (dcc_path, "xml")]
    check_outputs(outputs, (*record_paths, details))
    records = [read_record(path) for path in record_paths]
    replaced = {path: path.exists() for path in (dcc_path, csv_path, xlsx_path) if path is not None}
    if dcc_path is not None and details is not None:
        from bladeangle.shop.certificate import read_details, write_certificate

        write_certificate(records[0], read_details(details), dcc_path)
        wrote(dcc_path, replaced[dcc_path])
    elif csv_path is None and xlsx_path is None:
        click.echo(to_csv(records, tips=tips), nl=False)
    if csv_path is not None:
        write_csv(records, csv_path, tips=tips)
        wrote(csv_path, replaced[csv_path])
    if xlsx_path is not None:
        write_xlsx(records, xlsx_path)
        wrote(xlsx_path, replaced[xlsx_path])
