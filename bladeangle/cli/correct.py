"""`bladeangle correct`: record and photographs -> a local page on which followed edges are corrected."""

from __future__ import annotations

import contextlib
from pathlib import Path

import click

from bladeangle.cli.options import note, progress, quiet_option, verbose_option, wrote


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
    measure again with the command that the page shows; the record keeps the edits.

    \b
    Example:
      bladeangle correct rotor-a.json --photos photographs --out correct-a.html
      bladeangle measure --again rotor-a.json photographs --edits rotor-a.edits.json --out rotor-a.json
    """
    import os
    import shlex
    import subprocess

    from bladeangle.base.files import safe_name
    from bladeangle.base.outputs import check_outputs
    from bladeangle.page.correction import edits_name
    from bladeangle.page.report import write_correction_page
    from bladeangle.records.edits import read_edits
    from bladeangle.records.record import read_record

    check_outputs([(out, "html")], (record_path, edits_path))
    edits = read_edits(edits_path) if edits_path is not None else None
    record = read_record(record_path).content
    saved = saved_in(out) / edits_name(record)
    words = ["bladeangle", "measure", "--again", record_path, photos, "--edits", saved, "--out", record_path]
    join = subprocess.list2cmdline if os.name == "nt" else shlex.join
    command = safe_name(join(map(str, words)))
    replaced = out.exists()
    with progress("Drawn", len(record.photos)) as done:
        write_correction_page(out, record, photos, edits, command, done)
    wrote(out, replaced)
    note("Open it in a browser, save the edits file from it, and measure again with:")
    note(f"  {command}")


def saved_in(page: Path) -> Path:
    """The folder in which browsers save files unless told otherwise; that of the page where there is none."""
    with contextlib.suppress(RuntimeError):  # no home is known
        if (downloads := Path.home() / "Downloads").is_dir():
            return downloads
    return page.parent
