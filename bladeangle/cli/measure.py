"""`bladeangle measure`: photographs in, measurement record out."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from bladeangle.cli.options import (
    bore_option,
    camera_option,
    check_bar_option,
    colour,
    detail,
    diameter_leading_option,
    diameter_option,
    diameter_trailing_option,
    doubts_coloured,
    inches_option,
    json_option,
    keep_old,
    note,
    quiet_option,
    ring_option,
    say_flags,
    session,
    short_name,
    spread_option,
    station_length_option,
    station_skip_option,
    tips_option,
    verbose_option,
    wrote,
)

if TYPE_CHECKING:
    from bladeangle.pipeline.sorting import Sorted
    from bladeangle.records.record import Record


def _photographs(ctx: click.Context, param: click.Parameter, value: tuple[Path, ...]) -> tuple[Path, ...]:
    """Refuse an option's name where a photograph belongs, as when nothing was written after --turned."""
    for path in value:
        if str(path).startswith("--"):
            words = f"--turned needs a photograph after it, and found {str(path)!r}."
            raise click.UsageError(words, ctx)
    return value


@click.command()
@click.argument("photos", nargs=-1, type=click.Path(path_type=Path))
@click.option(
    "--turned",
    multiple=True,
    type=click.Path(path_type=Path),
    callback=_photographs,
    metavar="PHOTO|FOLDER",
    help="One photograph of the rotor turned over, outlet end up, or a folder of them. Repeat it for each photograph.",
)
@click.option(
    "--sort",
    "mixed",
    is_flag=True,
    help="Tell from the pictures which photographs show the rotor turned over. A folder is sorted without it.",
)
@camera_option
@ring_option
@diameter_option
@diameter_leading_option
@diameter_trailing_option
@tips_option
@bore_option
@check_bar_option
@station_length_option
@station_skip_option
@click.option("--name", callback=short_name, help="Name of the rotor in the record. [default: the record's file name]")
@click.option("--out", type=click.Path(path_type=Path), metavar="RECORD.json", help="Where to save the record.")
@click.option(
    "--picture", type=click.Path(path_type=Path), metavar="FILE.png", help="Draw what was found into the photographs."
)
@click.option(
    "--edits",
    type=click.Path(path_type=Path),
    metavar="FILE.json",
    help="Corrections saved from the page that `bladeangle correct` makes.",
)
@spread_option
@click.option(
    "--again",
    type=click.Path(path_type=Path),
    is_eager=True,
    metavar="RECORD",
    help="Measure once more what a record was measured from, with its camera, ring and options; name only the folder "
    "with its photographs.",
)
@inches_option
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
    tips: str,
    diameter_leading_mm: float | None,
    diameter_trailing_mm: float | None,
    bore_mm: float | None,
    check_bar_mm: float | None,
    length_mm: float,
    skip_mm: float,
    name: str | None,
    out: Path | None,
    picture: Path | None,
    edits: Path | None,
    spread: float | None,
    again: Path | None,
    inches: bool,
    as_json: bool,
) -> None:
    """Measure the blade angles of one rotor.

    PHOTOS show the rotor inlet end up on the printed ring. Put --turned before each photograph that shows it turned
    over; one whose name begins with turned or outlet counts as turned over without it. One of each, taken from straight
    above, is the least for all stations; six more from around the rotor make single blades certain to a tenth.

    A folder in place of PHOTOS is sorted by names that begin with turned or outlet, else by what the pictures show,
    with the blades taken to be steeper at the exit; where that is not clear you are asked to name them. So you are
    where photographs given for one end show both.

    Doubts stand above the table, and a ? after each number that they concern.

    \b
    Examples:
      bladeangle measure inlet.jpg --turned outlet.jpg --camera phone.json --ring ring.json --out rotor.json
      bladeangle measure rotor-7/ --camera phone.json --ring ring.json --out rotor-7.json
      bladeangle measure --again rotor.json photographs --edits rotor.edits.json --out rotor.json
      bladeangle measure *.jpg --turned over-1.jpg --turned over-2.jpg --ring ring.json --out rotor.json
    """
    from bladeangle.base.outputs import check_outputs
    from bladeangle.imaging.camera import read_camera
    from bladeangle.imaging.ring import read_ring
    from bladeangle.pipeline.assemble import record_of
    from bladeangle.pipeline.measure import Options
    from bladeangle.pipeline.sorting import measure_sorted
    from bladeangle.records.edits import read_edits
    from bladeangle.records.record import read_record, record_to_json

    read = (*photos, *turned, *((ring, camera) if again is None else ()), edits)
    check_outputs([(out, "record"), (picture, "png")], read)
    changed = None if edits is None else read_edits(edits)
    if again is not None:
        from bladeangle.pipeline.again import as_measured

        _refuse_more(photos, turned, mixed)
        name, given, definition, known, options = as_measured(read_record(again), photos[0])
    else:
        given, definition = _given(photos, turned, mixed), read_ring(ring, check_bar_mm)
        known = None if camera is None else read_camera(camera)
        options = Options(
            diameter_mm=diameter_mm, check_bar_mm=check_bar_mm, station_length_mm=length_mm, station_skip_mm=skip_mm,
            tips=tips, diameter_leading_mm=diameter_leading_mm, diameter_trailing_mm=diameter_trailing_mm,
            bore_mm=bore_mm,
        )  # fmt: skip
    found = measure_sorted(given, definition, known, options, detail, changed)
    record = record_of(found, name or (out.stem if out else "rotor"))
    _write(record, [shot.path for shot in found.shots], out, picture)
    if as_json:
        click.echo(record_to_json(record), color=colour())
        say_flags(record.content.flags, "note", "doubt")
    else:
        _tell(record, spread, inches)
    if found.suggestion:
        note(found.suggestion)
    if out is None:
        note("Not saved: give --out RECORD.json to keep this measurement for reports, orders and verdicts.")


def _refuse_more(photos: tuple[Path, ...], turned: tuple[Path, ...], mixed: bool) -> None:
    """UsageError when more than a folder is named for what is measured again."""
    from bladeangle.base.errors import UsageError

    if len(photos) != 1 or turned or mixed:
        raise UsageError("--again takes one folder, that with the photographs.", "Leave out everything else.")


def _write(record: Record, photos: list[Path], out: Path | None, picture: Path | None) -> None:
    """Save the record, and draw its picture, where they were asked for."""
    from bladeangle.records.record import write_record

    if out is not None:
        before = keep_old(out)
        write_record(record, out)
        wrote(out, before)
    if picture is not None:
        from bladeangle.page.picture import write_picture

        replaced = picture.exists()
        write_picture(picture, record.content, photos)
        wrote(picture, replaced)


def _tell(record: Record, spread: float | None, inches: bool) -> None:
    """The table, and the notes that are no part of it."""
    from bladeangle.records.summary import IN_TABLE, table
    from bladeangle.shop.judging import ALIKE_DEG, balance_words

    balance = balance_words(record, spread or session().config.tolerance_deg or ALIKE_DEG)
    text = table(record, inches, [("balance", balance)] if balance else [])
    click.echo(doubts_coloured(text), color=colour())
    say_flags([flag for flag in record.content.flags if flag.code != IN_TABLE], "note")


def _given(photos: tuple[Path, ...], turned: tuple[Path, ...], mixed: bool) -> Sorted:
    """The photographs as they were named on the command line; mixed where they are to be sorted by what they show."""
    from bladeangle.base.errors import UsageError
    from bladeangle.base.files import safe_name
    from bladeangle.pipeline.sorting import Sorted, as_given, photos_by_name

    folder = any(p.is_dir() for p in photos)
    if (folder and len(photos) > 1) or ((folder or mixed) and turned):
        raise UsageError(
            "A folder, or --sort, does not go with other photographs.",
            "Name one folder alone, or the photographs one by one, with --turned before each of the turned rotor.",
        )
    if folder:
        given = photos_by_name(photos[0])
        if not given.inlet_up + given.turned:
            raise UsageError(f"The folder {safe_name(photos[0])} has no photographs.", "Name another folder.")
        return given
    if mixed and photos:
        return Sorted(photos, (), mixed=True)
    given = as_given(photos, turned)
    if by_name := [safe_name(p.name) for p in given.turned if p in photos]:
        note(f"Taken as photographs of the rotor turned over, by their names: {', '.join(by_name)}.")
    return given
