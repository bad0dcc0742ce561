"""`bladeangle verify`: a record against its order -> verdict."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from bladeangle.cli.options import (
    Number,
    colour,
    despite_option,
    inches_option,
    json_option,
    note,
    paper_option,
    quiet_option,
    verbose_option,
    warn,
    wrote,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from bladeangle.shop.tip_changes import TipChange
    from bladeangle.shop.verify import Verdict, Yardstick


@click.command()
@click.argument("record_path", type=click.Path(path_type=Path), metavar="RECORD")
@click.option(
    "--order", "order_path", type=click.Path(path_type=Path), required=True, metavar="FILE", help="Order file."
)
@click.option(
    "--before", type=click.Path(path_type=Path), metavar="RECORD", help="Record from before: judge the change."
)
@click.option("--rule", type=click.Choice(["iso14253", "guard"]), help="Decision rule, instead of the order's.")
@click.option(
    "--false-accept",
    type=Number(0, 0.5, open_=True),
    metavar="P",
    help="Largest chance of accepting a bad blade with the rule guard, instead of the order's.",
)
@click.option(
    "--error",
    "error_deg",
    type=Number(0, 45),
    default=1.0,
    show_default=True,
    metavar="DEG",
    help="Say how likely a blade that is so far off would pass.",
)
@click.option("--iso484", is_flag=True, help="Print the classes of ISO 484-2 as a yardstick as well.")
@click.option(
    "--seed",
    type=click.IntRange(0),
    default=1,
    show_default=True,
    metavar="N",
    help="Seed of the random draws behind the joint probability.",
)
@despite_option
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    metavar="FILE.pdf|png",
    help="Write the verdict and what it rests on as one page.",
)
@paper_option
@inches_option
@json_option
@quiet_option
@verbose_option
def verify(
    record_path: Path,
    order_path: Path,
    before: Path | None,
    rule: str | None,
    false_accept: float | None,
    error_deg: float,
    iso484: bool,
    seed: int,
    despite: tuple[str, ...],
    out: Path | None,
    paper: str,
    inches: bool,
    as_json: bool,
) -> None:
    """Judge a measured rotor against its order: per blade, per station, for the mean and for the spread.

    Exit 0 means conforming; 10 means not conforming or undecided. Nothing is accepted on numbers that the record doubts
    unless you name the doubt with --despite. With --before it is also told what the work did to the tips: their
    diameter, wear, run-out and clearance.

    \b
    Examples:
      bladeangle verify after.json --order order.toml
      bladeangle verify after.json --order order.toml --before rotor-a.json --out verdict.pdf
      bladeangle verify after.json --order order.toml --despite station-cut-short
    """
    import sys

    import numpy as np

    from bladeangle.base.errors import EXIT_NOT_CONFORMING
    from bladeangle.base.outputs import check_outputs, kind_by_name
    from bladeangle.records.record import read_record
    from bladeangle.shop import verify as judge
    from bladeangle.shop.decision import CONFORMING
    from bladeangle.shop.orders import read_order
    from bladeangle.shop.tip_changes import tip_changes

    if out is not None:
        from bladeangle.page.paper import form_of

        form_of(out)
        check_outputs([(out, kind_by_name(out))], (record_path, order_path, before))
    record, order = read_record(record_path), read_order(order_path)
    old = None if before is None else read_record(before)
    found = judge.verify(
        record,
        order,
        old,
        rule=rule,
        false_accept_probability=false_accept,
        error_deg=error_deg,
        rng=np.random.default_rng(seed),
        despite=despite,
        inches=inches,
    )
    changes = () if old is None else tip_changes(record, old)
    classes = judge.yardstick(record, order) if iso484 else None
    if as_json:
        _tell_as_json(found, changes, classes)
    else:
        _tell(found, changes, classes, inches)
    for line in found.cautions:
        warn(line)
    for line in found.advice:
        note(line)
    if out is not None:
        from bladeangle.page.paper import write_pages
        from bladeangle.page.verdict_page import verdict_page

        replaced = out.exists()
        page = verdict_page(record, order, found, old, changes, inches)
        write_pages(out, [page], paper.lower(), f"Verdict: {record.name}")
        wrote(out, replaced)
    if found.verdict != CONFORMING:
        sys.exit(EXIT_NOT_CONFORMING)


def _tell(found: Verdict, changes: tuple[TipChange, ...], classes: Sequence[Yardstick] | None, inches: bool) -> None:
    """The verdict in its colour with the table of what was judged, and what was asked for besides."""
    from bladeangle.shop.decision import CONFORMING, UNDECIDED
    from bladeangle.shop.tip_changes import change_lines
    from bladeangle.shop.verdict_words import verdict_table, yardstick_table

    first, *rest = verdict_table(found)
    shade = {CONFORMING: "green", UNDECIDED: "yellow"}.get(found.verdict, "red")
    first = click.style(first, fg=shade, bold=True)
    click.echo("\n".join([first, *rest, *change_lines(changes, inches)]), color=colour())
    if classes is not None:
        click.echo("\n".join(yardstick_table(classes)))


def _tell_as_json(found: Verdict, changes: Sequence[TipChange], classes: Sequence[Yardstick] | None) -> None:
    import json
    from dataclasses import asdict

    from bladeangle.shop.verify import ISO_484_2_SCOPE

    data = found.to_dict() | {"tips": [asdict(c) for c in changes]}
    if classes is not None:
        data["iso_484_2"] = {"scope": ISO_484_2_SCOPE, "rows": [asdict(y) for y in classes]}
    click.echo(json.dumps(data, indent=1, allow_nan=False))
