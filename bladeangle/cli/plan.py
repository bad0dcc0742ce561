"""`bladeangle plan`: where to photograph a rotor from, and what to expect."""

from __future__ import annotations

from pathlib import Path

import click

from bladeangle.cli.options import (
    PositiveNumber,
    camera_option,
    inches_option,
    json_option,
    note,
    quiet_option,
    ring_option,
    verbose_option,
)


class PictureSize(click.ParamType):  # type: ignore[type-arg]  # not generic in older versions of click
    """Width and height in pixels, written 4032x3024."""

    name = "size"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> tuple[int, int]:
        """The two numbers; click's usage error when there are none."""
        if isinstance(value, tuple):
            return value
        parts = str(value).lower().split("x")
        if len(parts) != 2 or not all(p.isdigit() and 100 <= int(p) <= 100_000 for p in parts):
            self.fail(f"{value!r} is not a picture size; write it as 4032x3024.", param, ctx)
        return int(parts[0]), int(parts[1])


@click.command()
@click.option(
    "--diameter",
    "diameter_mm",
    type=PositiveNumber(),
    required=True,
    metavar="MM",
    help="Rotor diameter over the tips.",
)
@click.option(
    "--height", "height_mm", type=PositiveNumber(), required=True, metavar="MM", help="Rotor height as it stands."
)
@click.option("--blades", type=click.IntRange(1, 12), required=True, metavar="N", help="Number of blades.")
@click.option(
    "--entry",
    "entry_deg",
    type=PositiveNumber(),
    required=True,
    metavar="DEG",
    help="Blade angle expected at the entry.",
)
@click.option(
    "--exit", "exit_deg", type=PositiveNumber(), required=True, metavar="DEG", help="Blade angle expected at the exit."
)
@click.option(
    "--hand",
    type=click.Choice(["left", "right"]),
    default="left",
    show_default=True,
    help="Hand of the blades as a screw thread.",
)
@click.option(
    "--tip-length",
    "tip_length_mm",
    type=PositiveNumber(),
    metavar="MM",
    help="Length of a blade along its tip.  [default: what fills the height]",
)
@click.option(
    "--around", type=click.IntRange(0, 36), default=3, show_default=True, metavar="N", help="Photographs from the side."
)
@camera_option
@click.option(
    "--focal-35mm", type=PositiveNumber(), metavar="MM", help="35 mm-equivalent focal length, without --camera."
)
@click.option("--picture", type=PictureSize(), metavar="WxH", help="Size of the phone's pictures, without --camera.")
@ring_option
@click.option(
    "--out", type=click.Path(path_type=Path), metavar="FILE", help="Drawing of the places: .png, .svg or .pdf."
)
@inches_option
@json_option
@quiet_option
@verbose_option
def plan(
    diameter_mm: float,
    height_mm: float,
    blades: int,
    entry_deg: float,
    exit_deg: float,
    hand: str,
    tip_length_mm: float | None,
    around: int,
    camera: Path | None,
    focal_35mm: float | None,
    picture: tuple[int, int] | None,
    ring: Path,
    out: Path | None,
    inches: bool,
    as_json: bool,
) -> None:
    """Plan the photographs of a rotor before taking them.

    Tells the camera's height over the sheet and the places round the rotor, what will be hidden, and the uncertainty to
    expect with one photograph, with a pair from above, and with each photograph from the side added, of used tips and
    of new ones.

    \b
    Example:
      bladeangle plan --diameter 160 --height 60 --blades 3 --entry 10 --exit 16 --ring ring.json --out plan.png
    """
    import json

    from bladeangle.base.lengths import length_text
    from bladeangle.base.outputs import check_outputs, kind_by_name
    from bladeangle.imaging.camera import camera_from_exif, read_camera
    from bladeangle.imaging.ring import read_ring
    from bladeangle.plan import RotorSize, plan_photographs
    from bladeangle.plan.drawing import write_plan
    from bladeangle.plan.words import plan_text, plan_to_dict

    check_outputs([(out, kind_by_name(out))], (ring, camera))
    if focal_35mm is not None or picture is not None:
        phone = camera_from_exif(*(picture or (4032, 3024)), focal_35mm)
    elif camera is not None:
        phone = read_camera(camera)
    else:
        phone = camera_from_exif(4032, 3024, 26.0)
        note("Note: no phone was named; a 26 mm-equivalent lens and pictures of 4032 x 3024 pixels are assumed.")
    size = RotorSize(diameter_mm, height_mm, blades, entry_deg, exit_deg, hand, tip_length_mm)
    planned = plan_photographs(size, read_ring(ring), phone, around)
    if out is not None:
        write_plan(out, planned, inches)
    if as_json:
        click.echo(json.dumps(plan_to_dict(planned), indent=1))
    else:
        click.echo(plan_text(planned, lambda mm: length_text(mm, inches, 0)))
