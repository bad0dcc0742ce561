"""`bladeangle batch`: a shelf of rotors -> inventory, tables and contact sheet."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bladeangle.cli.options import (
    PositiveNumber,
    bore_option,
    camera_option,
    check_bar_option,
    detail,
    note,
    progress,
    quiet_option,
    ring_option,
    station_length_option,
    station_skip_option,
    tips_option,
    verbose_option,
)

if TYPE_CHECKING:
    from bladeangle.batch import Outcome, Summary


@click.command()
@click.argument("source", type=click.Path(path_type=Path), metavar="FOLDER|MANIFEST.csv")
@ring_option
@camera_option
@check_bar_option
@tips_option
@bore_option
@station_length_option
@station_skip_option
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    required=True,
    metavar="DIR",
    help="Folder for results; made if missing.",
)
@click.option(
    "--workers", type=click.IntRange(1, 1000), metavar="N", help="Rotors measured at once.  [default: the processors]"
)
@click.option(
    "--engine",
    type=click.Choice(["processes", "dask"]),
    default="processes",
    show_default=True,
    help="What runs the workers; dask needs bladeangle[dask].",
)
@click.option("--cluster", metavar="ADDRESS", help="Dask scheduler to use instead of a local cluster.")
@click.option(
    "--time-limit",
    "limit_s",
    type=PositiveNumber(),
    metavar="S",
    default=600.0,
    show_default=True,
    help="Seconds after which a rotor is given up on.",
)
@quiet_option
@verbose_option
@click.pass_context
def batch(
    ctx: click.Context,
    source: Path,
    ring: Path,
    camera: Path | None,
    check_bar_mm: float | None,
    tips: str,
    bore_mm: float | None,
    length_mm: float,
    skip_mm: float,
    out: Path,
    workers: int | None,
    engine: str,
    cluster: str | None,
    limit_s: float,
) -> None:
    """Measure a shelf of rotors.

    FOLDER holds a subfolder for each rotor. Photographs whose names begin with "turned" or "outlet", or that lie in a
    subfolder named so, show the rotor turned over; all others lie directly in the rotor's folder. Where no name says
    so, they are sorted by what they show, as `bladeangle measure FOLDER` does; where that is not clear, the rotor is
    named with what to do. Or give a CSV file with the columns rotor, photo, standing (inlet_up or outlet_up) and, if
    you like, diameter_mm, diameter_leading_mm, diameter_trailing_mm, bore_mm and tips (any or new), as the options of
    `bladeangle measure`.

    Writes inventory.sqlite, rotors.csv, rotors.xlsx and contact-sheet.png. Stopped in any way, the same command goes on
    where it was. Ends with exit code 11 when some rotors could not be measured.

    \b
    Examples:
      bladeangle batch shelf --camera phone.json --ring ring.json --out shelf-results
      bladeangle batch shelf.csv --camera phone.json --ring ring.json --out shelf-results --workers 4
    """
    import functools
    import os

    from bladeangle import batch as batches
    from bladeangle.base.errors import EXIT_BATCH_PARTLY_FAILED, UsageError
    from bladeangle.base.files import safe_name
    from bladeangle.base.outputs import check_outputs
    from bladeangle.batch import work
    from bladeangle.imaging.camera import read_camera
    from bladeangle.imaging.ring import read_ring
    from bladeangle.pipeline.measure import Options

    if cluster is not None and engine != "dask":
        raise UsageError("--cluster is for the engine dask.", "Add --engine dask.")
    tables = [(out / batches.CSV, "csv"), (out / batches.XLSX, "xlsx"), (out / batches.CONTACT_SHEET, "png")]
    check_outputs([*tables, (out / batches.INVENTORY, "inventory")], (ring, camera, source))
    here = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    workers = workers or here
    definition = read_ring(ring, check_bar_mm)
    settings = batches.Settings(
        ring=definition,
        camera=None if camera is None else read_camera(camera),
        options=Options(
            check_bar_mm=check_bar_mm, station_length_mm=length_mm, station_skip_mm=skip_mm, tips=tips, bore_mm=bore_mm
        ),
        limit_s=limit_s,
        measurer=work.MEASURER,
    )
    jobs = batches.jobs_in_folder(source) if source.is_dir() else batches.jobs_of_manifest(source)
    run = (
        functools.partial(batches.run_dask, workers=workers, address=cluster)
        if engine == "dask"
        else functools.partial(batches.run_processes, workers=workers)
    )
    summary = _run(functools.partial(batches.run_batch, jobs, settings, out, run), len(jobs), safe_name(out))
    for failure in summary.failures:
        click.echo(f"{failure.rotor}: {failure.message}" + (f" {failure.hint}" if failure.hint else ""), err=True)
    good = summary.measured + summary.resumed
    note(f"{good} of {len(jobs)} rotors are measured, {len(summary.failures)} failed; see {safe_name(out)}.")
    if summary.failures:
        ctx.exit(EXIT_BATCH_PARTLY_FAILED)


def _run(
    run: Callable[[Callable[[int], None], Callable[[Outcome], None]], Summary], count: int, kept_in: str
) -> Summary:
    """Run a batch of `count` rotors, telling how far it has come."""
    import contextlib

    with contextlib.ExitStack() as stack:
        step: list[Callable[[], None]] = []

        def started(left: int) -> None:
            if left < count:
                note(f"{count - left} of {count} rotors are done already.")
            step.append(stack.enter_context(progress("Measured", left)))

        def ended(outcome: Outcome) -> None:
            if outcome.failure is not None:
                detail(f"{outcome.job.rotor}: {outcome.failure.message}")
            else:
                detail(f"{outcome.job.rotor}: measured")
            step[0]()

        try:
            return run(started, ended)
        except KeyboardInterrupt:
            note(f"What is finished is kept in {kept_in}; the same command goes on from there.")
            raise
