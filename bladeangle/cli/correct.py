"""`bladeangle correct`: record and photographs -> a local page on which followed edges are corrected."""

from __future__ import annotations

from pathlib import Path

import click

from bladeangle.cli.options import note, progress, quiet_option, verbose_option


@click.command()
@click.argument("record_path", type=click.Path(path_type=Path), metavar="RECORD")
@click.option(
    "--photos",
    type=click.Path(path_type=Path),
    required=True,
    metavar="DIR",
    help="Folder with the photographs that were measured.",
)
@click.option("--out", type=click.Path(path_type=Path), required=True, metavar="FILE.html", help="Page to write.")
@click.option(
    "--edits", "edits_path", type=click.Path(path_type=Path), metavar="FILE", help="Edits file to go on from."
)
@quiet_option
@verbose_option
def correct(record_path: Path, photos: Path, out: Path, edits_path: Path | None) -> None:
    """Write a page for correcting edges that were followed wrongly.

    Open the page in a browser, strike out or move points with mouse or keys, and save the edits file from it. Then
    measure again with --edits; the record names the file.

    \b
    Example:
      bladeangle correct rotor-a.json --photos photographs --out correct-a.html
      bladeangle measure inlet.jpg ... --edits rotor-a.edits.json --out rotor-a.json
    """
    from bladeangle.base.files import safe_name
    from bladeangle.base.outputs import check_outputs
    from bladeangle.page.report import write_correction_page
    from bladeangle.records.edits import read_edits
    from bladeangle.records.record import read_record

    check_outputs([(out, "html")], (record_path, edits_path))
    edits = read_edits(edits_path) if edits_path is not None else None
    record = read_record(record_path).data
    with progress("Drawn", len(record["photos"])) as done:
        write_correction_page(out, record, photos, edits, done)
    note(f"Wrote {safe_name(out)}; open it in a browser.")
