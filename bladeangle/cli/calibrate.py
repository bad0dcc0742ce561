"""`bladeangle calibrate`: photographs of the bare ring -> camera file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from bladeangle.cli.options import (
    check_bar_option,
    json_option,
    keep_old,
    note,
    quiet_option,
    ring_option,
    short_name,
    verbose_option,
    wrote,
)

if TYPE_CHECKING:
    from bladeangle.pipeline.calibrate import Calibration


@click.command()
@click.argument("photos", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="PHOTO...")
@ring_option
@click.option("--out", type=click.Path(path_type=Path), required=True, metavar="FILE", help="Camera file to write.")
@click.option("--name", metavar="NAME", callback=short_name, help="Name of the camera.  [default: the phone's model]")
@check_bar_option
@json_option
@quiet_option
@verbose_option
def calibrate(
    photos: tuple[Path, ...], ring: Path, out: Path, name: str | None, check_bar_mm: float | None, as_json: bool
) -> None:
    """Calibrate a phone's camera from photographs of the flat, bare ring.

    Take eight photographs without zoom, filling the picture with the ring: one or two from straight above, the others
    tilted by 30 to 45 degrees from different sides. Once a phone is enough.

    \b
    Example:
      bladeangle calibrate sheet-*.jpg --ring ring.json --out phone.json
    """
    import json

    from bladeangle.base.outputs import check_outputs
    from bladeangle.base.structure import plain
    from bladeangle.imaging.camera import camera_to_file, write_camera
    from bladeangle.imaging.ring import read_ring
    from bladeangle.pipeline.calibrate import calibrate as run

    check_outputs([(out, "camera")], (*photos, ring))
    definition = read_ring(ring, check_bar_mm)
    result = run(photos, definition, name=name, progress=note)
    before = keep_old(out)
    write_camera(result.camera, out)
    if as_json:
        click.echo(json.dumps(plain(camera_to_file(result.camera)), indent=1))
    else:
        click.echo(table(result))
    used = sum(p.used for p in result.photos)
    wrote(out, before)
    note(f"Used {used} of {len(photos)} photographs.")


def table(result: Calibration) -> str:
    """What the calibration is good for, then each photograph and the camera's numbers, as text."""
    import numpy as np

    from bladeangle.base.files import safe_name
    from bladeangle.base.geometry import CAMERA_PARAMETERS

    width = max(10, *(len(safe_name(p.name)) for p in result.photos))
    lines = [verdict(result), "", f"{'photograph':{width}}  markers  rms px  tilt deg  distance mm  focus %"]
    for p in result.photos:
        row = f"{safe_name(p.name):{width}}"
        if p.markers is not None:
            row += f"  {p.markers:7d}"
        if p.rms_px is not None:
            row += f"  {p.rms_px:6.3f}"
        if p.obliquity_deg is not None and p.distance_mm is not None and p.focus is not None:
            row += f"  {p.obliquity_deg:8.1f}  {p.distance_mm:11.1f}  {100 * p.focus:+7.3f}"
        lines.append(row if p.used else f"{row}  not used: {safe_name(p.reason or '')}")
    camera = result.camera
    lines += ["", f"{camera.name}, {camera.width} x {camera.height} px (value, standard uncertainty)"]
    for key, value, sigma in zip(
        CAMERA_PARAMETERS, camera.parameters, np.sqrt(np.diag(camera.covariance)), strict=True
    ):
        digits = 2 if key.endswith("_px") else 5
        lines.append(f"  {key:6} {value:10.{digits}f}  {sigma:.{digits}f}")
    return "\n".join(lines)


#: Expanded uncertainty of the focal length, percent, up to which a calibration is good, and up to which it is usable
#: (judgement: what photographs from above make of 0.3 % stays under a tenth of a degree).
GOOD_PERCENT, USABLE_PERCENT = 0.3, 1.0
#: Photographs tilted by more than this, deg, tell the focal length; so many are enough.
TILTED_DEG, ENOUGH_TILTED = 20.0, 5


def verdict(result: Calibration) -> str:
    """Whether to go on with this calibration, in a sentence, and what would better it."""
    percent = 200 * result.focal_sigma
    known = f"focal length known to {percent:.2f} %"
    tilted = sum(p.used and (p.obliquity_deg or 0.0) > TILTED_DEG for p in result.photos)
    if percent <= GOOD_PERCENT:
        return f"Good: {known}."
    more = max(ENOUGH_TILTED - tilted, 2)
    remedy = f"take {more} more photographs, tilted by 30 to 45 degrees from different sides, and calibrate again"
    return f"{'Usable' if percent <= USABLE_PERCENT else 'Not good enough'}: {known}; {remedy}."
