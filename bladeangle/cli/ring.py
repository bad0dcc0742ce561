"""`bladeangle ring`: a ring for a rotor's size, as a definition and as printable sheets."""

from __future__ import annotations

from pathlib import Path

import click

from bladeangle.cli.options import Number, note, quiet_option, verbose_option


@click.command()
@click.option(
    "--diameter", "diameter_mm", type=Number(1, 2000), required=True, metavar="MM", help="Rotor diameter over the tips."
)
@click.option(
    "--height",
    "height_mm",
    type=Number(1, 2000),
    required=True,
    metavar="MM",
    help="Rotor height as it stands on the sheet.",
)
@click.option(
    "--paper",
    type=click.Choice(["a4", "letter", "a3"], case_sensitive=False),
    default="a4",
    show_default=True,
    help="Paper to print on; a ring too large for it is printed in pieces.",
)
@click.option(
    "--camera-height",
    "camera_height_mm",
    type=Number(1, 2000),
    metavar="MM",
    help="Height of the lens above the sheet.  [default: 300, or what shows the whole ring]",
)
@click.option(
    "--markers",
    type=int,
    metavar="N",
    help="Number of markers, a multiple of 4.  [default: 24, or fewer for a small rotor]",
)
@click.option(
    "--out",
    "folder",
    type=click.Path(path_type=Path),
    required=True,
    metavar="DIR",
    help="Folder for the definition and the sheets; made if missing.",
)
@click.option("--json", "as_json", is_flag=True, help="Print the definition to standard output as well.")
@quiet_option
@verbose_option
def ring(
    diameter_mm: float,
    height_mm: float,
    paper: str,
    camera_height_mm: float | None,
    markers: int | None,
    folder: Path,
    as_json: bool,
) -> None:
    """Make a ring to print that the rotor does not hide.

    Writes the ring's definition (JSON) and its sheets at true scale (PDF, and SVG a page). Print at 100 %, measure the
    check bar with calipers, and keep the definition: calibrating and measuring need it.

    \b
    Example:
      bladeangle ring --diameter 160 --height 60 --paper a4 --out my-ring
    """
    import json

    from bladeangle.base.errors import OutputError
    from bladeangle.base.files import safe_name, write_bytes_atomic, write_text_atomic
    from bladeangle.base.outputs import check_outputs
    from bladeangle.base.structure import plain
    from bladeangle.imaging.ring import ring_to_file
    from bladeangle.imaging.ring_design import design_ring, lowest_camera_mm
    from bladeangle.imaging.sheets import sheet_pdf, sheet_svgs

    paper = paper.lower()
    definition = design_ring(diameter_mm, height_mm, paper=paper, camera_height_mm=camera_height_mm, markers=markers)
    text = json.dumps(plain(ring_to_file(definition)), indent=1) + "\n"
    stem = f"ring-{diameter_mm:g}-{paper}"
    pdf, svgs = sheet_pdf(definition, paper, f"{stem}.json"), sheet_svgs(definition, paper, f"{stem}.json")
    numbers = [f"-{number + 1}" if len(svgs) > 1 else "" for number in range(len(svgs))]
    drawings = [folder / f"{stem}{number}.svg" for number in numbers]
    written = [(folder / f"{stem}.{kind}", mark) for kind, mark in (("pdf", "pdf"), ("json", "ring"))]
    check_outputs([*written, *((path, "svg") for path in drawings)], ())
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except (OSError, ValueError) as error:
        raise OutputError(
            f"The folder {safe_name(folder)} cannot be made: {getattr(error, 'strerror', None) or error}.",
            "Choose another folder.",
        ) from error
    write_bytes_atomic(folder / f"{stem}.pdf", pdf)
    for path, svg in zip(drawings, svgs, strict=True):
        write_text_atomic(path, svg)
    write_text_atomic(folder / f"{stem}.json", text)
    if as_json:
        click.echo(text, nl=False)
    note(f"Wrote {stem}.json, .pdf and {len(svgs)} .svg to {safe_name(folder)}: {definition.name}.")
    if camera_height_mm is not None and camera_height_mm < lowest_camera_mm(definition):
        note(
            f"From {camera_height_mm:g} mm a 26 mm-equivalent phone camera does not see the whole ring; "
            f"it needs {lowest_camera_mm(definition):.0f} mm."
        )
