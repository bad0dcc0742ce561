"""`bladeangle measure`: photographs in, measurement record out."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bladeangle.cli.options import (
    camera_option,
    check_bar_option,
    detail,
    diameter_option,
    json_option,
    note,
    quiet_option,
    ring_option,
    short_name,
    station_length_option,
    station_skip_option,
    verbose_option,
)

if TYPE_CHECKING:
    from bladeangle.imaging.camera import Camera
    from bladeangle.imaging.ring import Ring
    from bladeangle.pipeline.measure import Options
    from bladeangle.pipeline.sorting import Sorted


class Turned(click.Command):
    """A command whose `--turned` takes every word up to the next option, as the shell expands a pattern."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Repeat `--turned` before each of its further words."""
        out: list[str] = []
        turned = False
        for word in args:
            if word == "--turned":
                turned = True
            elif word.startswith("-") and word != "-":
                turned = False
                out.append(word)
            elif turned:
                out += ["--turned", word]
            else:
                out.append(word)
        if turned and (not out or "--turned" not in out):
            raise click.UsageError("--turned needs at least one photograph after it.", ctx)
        return super().parse_args(ctx, out)


@click.command(cls=Turned)
@click.argument("photos", nargs=-1, type=click.Path(path_type=Path))
@click.option(
    "--turned",
    multiple=True,
    type=click.Path(path_type=Path),
    metavar="PHOTO ...",
    help="Photographs of the rotor turned over, outlet end up. Takes all words up to the next option.",
)
@click.option(
    "--sort",
    "mixed",
    is_flag=True,
    help="Tell from the pictures which photographs show the rotor turned over. A folder is sorted unasked.",
)
@camera_option
@ring_option
@diameter_option
@check_bar_option
@station_length_option
@station_skip_option
@click.option("--name", callback=short_name, help="Name of the rotor in the record. [default: the record's file name]")
@click.option("--out", type=click.Path(path_type=Path), metavar="RECORD.json", help="Where the record goes.")
@click.option(
    "--picture", type=click.Path(path_type=Path), metavar="FILE.png", help="Draw what was found into the photographs."
)
@click.option(
    "--edits",
    type=click.Path(path_type=Path),
    metavar="FILE.json",
    help="What was struck out or added on the page of `bladeangle correct`.",
)
@json_option
@quiet_option
@verbose_option
def measure(
    photos: tuple[Path, ...],
    turned: tuple[Path, ...],
    mixed: bool,
    camera: Path | None,
    ring: Path,
    diameter_mm: float | None,
    check_bar_mm: float | None,
    length_mm: float,
    skip_mm: float,
    name: str | None,
    out: Path | None,
    picture: Path | None,
    edits: Path | None,
    as_json: bool,
) -> None:
    """Measure the blade angles of one rotor.

    PHOTOS show the rotor standing inlet end up on the printed ring, those after --turned outlet end up. One of each
    taken from straight above is the least for all stations; six more from around make single blades certain to a tenth.

    A folder in place of PHOTOS is sorted by names that begin with turned or outlet, else by what the pictures show,
    with the blades taken to be steeper at the exit; where that is not clear you are asked to name them.

    \b
    Examples:
      bladeangle measure inlet.jpg --turned outlet.jpg --camera phone.json --ring ring.json --out rotor.json
      bladeangle measure rotor-7/ --camera phone.json --ring ring.json --out rotor-7.json
    """
    from bladeangle.base.flags import together
    from bladeangle.base.outputs import check_outputs
    from bladeangle.imaging.camera import read_camera
    from bladeangle.imaging.ring import read_ring
    from bladeangle.pipeline.assemble import record_of, table
    from bladeangle.pipeline.measure import Options
    from bladeangle.pipeline.measure import measure as measure_rotor
    from bladeangle.records.edits import read_edits
    from bladeangle.records.record import record_to_json, write_record

    check_outputs([(out, "record"), (picture, "png")], (*photos, *turned, ring, camera, edits))
    definition = read_ring(ring, check_bar_mm)
    known = None if camera is None else read_camera(camera)
    changed = None if edits is None else read_edits(edits)
    options = Options(
        diameter_mm=diameter_mm, check_bar_mm=check_bar_mm, station_length_mm=length_mm, station_skip_mm=skip_mm
    )
    told = _sorted(photos, turned, mixed, definition, known, options)
    found = measure_rotor(told.standing, told.turned, definition, known, options, detail, changed)
    if told.flag is not None:
        found = replace(found, flags=(told.flag, *found.flags))
    record = record_of(found, name or (out.stem if out else "rotor"))
    if out is not None:
        write_record(record, out)
    if picture is not None:
        from bladeangle.page.picture import write_picture

        write_picture(picture, record, [s.path for s in found.shots])
    click.echo(record_to_json(record) if as_json else table(record))
    for flag in together(record.data["flags"]):
        where = f" ({'; '.join(flag['places'])})" if flag["places"] else ""
        note(f"{flag['severity']}: {flag['text'].rstrip('.')}{where}.")
    if found.suggestion:
        note(found.suggestion)


def _sorted(
    photos: tuple[Path, ...], turned: tuple[Path, ...], mixed: bool, ring: Ring, camera: Camera | None, options: Options
) -> Sorted:
    """The photographs as they were named, or sorted."""
    from bladeangle.base.errors import UsageError
    from bladeangle.pipeline.sorting import Sorted, sort_folder, sort_photos

    folder = any(p.is_dir() for p in photos)
    if (folder or mixed) and (turned or (folder and len(photos) > 1)):
        raise UsageError("A folder, or --sort, does not go with other names.", "Name a folder, or photographs.")
    if folder:
        return sort_folder(photos[0], ring, camera, options, detail)
    if mixed and photos:
        return sort_photos(photos, ring, camera, options, detail)
    return Sorted(photos, turned)
