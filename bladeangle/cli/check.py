"""`bladeangle check`: a look at photographs just taken."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from bladeangle.cli.options import (
    camera_option,
    colour,
    diameter_option,
    inches_option,
    json_option,
    note,
    quiet_option,
    ring_option,
    verbose_option,
)

if TYPE_CHECKING:
    from bladeangle.pipeline.check import Check

#: Tilt, deg, up to which a photograph counts as taken from above.
ABOVE_DEG = 10.0


@click.command()
@click.argument("photos", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="PHOTO...")
@ring_option
@camera_option
@diameter_option
@inches_option
@json_option
@quiet_option
@verbose_option
@click.pass_context
def check(
    ctx: click.Context,
    photos: tuple[Path, ...],
    ring: Path,
    camera: Path | None,
    diameter_mm: float | None,
    inches: bool,
    as_json: bool,
) -> None:
    """Look at a photograph just taken: take it again or go on.

    Says whether the ring is seen, how sharp, bright and even the picture is, whether the blade tips glare, and from
    where it was taken. Each is good, usable (can be measured, with a wider interval) or retake. Ends with exit code 10
    when a photograph should be taken again, 5 when its ring is not found.

    \b
    Example:
      bladeangle check inlet.jpg --ring ring.json --camera phone.json
    """
    import json

    from bladeangle.base.errors import EXIT_NOT_CONFORMING, RingNotFoundError
    from bladeangle.imaging.camera import read_camera
    from bladeangle.imaging.photo import read_photo
    from bladeangle.imaging.ring import read_ring
    from bladeangle.pipeline.check import check_photo

    definition = read_ring(ring)
    phone = read_camera(camera) if camera is not None else None
    checks = [check_photo(read_photo(path), definition, phone, diameter_mm, inches) for path in photos]
    if as_json:
        click.echo(json.dumps([as_dict(c) for c in checks], indent=1))
    else:
        click.echo("\n\n".join(as_text(c) for c in checks), color=colour())
    seen = [c.values for c in checks if c.values["markers"]]
    if seen and all(v["rotor_seen"] and (v["tilt_deg"] or 0.0) <= ABOVE_DEG for v in seen):
        note(
            "From above wear of the tips is hardly seen, and a used rotor's entries have ±0.5 to ±0.8 degrees; three "
            "photographs from the side, two looking about 40 degrees down and one about 25, bring about ±0.2."
        )
    if any(not c.values["markers"] for c in checks):
        ctx.exit(RingNotFoundError.exit_code)
    if any(c.verdict == "retake" for c in checks):
        ctx.exit(EXIT_NOT_CONFORMING)


def as_dict(check: Check) -> dict[str, object]:
    """A check for JSON."""
    from dataclasses import asdict

    return {
        "photo": check.photo,
        "verdict": check.verdict,
        "lines": [asdict(line) for line in check.lines],
        "values": check.values,
    }


def as_text(check: Check) -> str:
    """A check for people: one line each, advice below what needs it."""
    from bladeangle.base.files import safe_name

    summary = {"good": "good, go on", "usable": "usable", "retake": "take it again"}[check.verdict]
    shade = {"good": "green", "usable": "yellow", "retake": "red"}[check.verdict]
    out = [f"{safe_name(check.photo)}: {click.style(summary, fg=shade, bold=True)}"]
    for line in check.lines:
        out.append(f"  {line.what:9}  {line.verdict:6}  {safe_name(line.seen)}")
        if line.advice:
            out.append(f"  {'':9}  {'':6}  {safe_name(line.advice)}")
    return "\n".join(out)
