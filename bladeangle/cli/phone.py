"""`bladeangle phone`: a page on the local network with which a phone takes the photographs."""

from __future__ import annotations

from pathlib import Path

import click

from bladeangle.cli.options import (
    camera_option,
    check_bar_option,
    inches_option,
    note,
    paper_option,
    quiet_option,
    ring_option,
    verbose_option,
)


@click.command()
@click.argument("folder", type=click.Path(path_type=Path))
@ring_option
@camera_option
@check_bar_option
@click.option(
    "--order",
    "orders",
    multiple=True,
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Order against which a re-pitch can be checked; may be given more than once.",
)
@click.option(
    "--address",
    metavar="ADDRESS",
    help="Address of this machine to listen on.  [default: its address on the local network]",
)
@click.option(
    "--port", type=click.IntRange(0, 65535), default=8337, show_default=True, metavar="N", help="Port; 0 takes any."
)
@paper_option
@inches_option
@click.option("--new-code", is_flag=True, help="Make a new secret: codes shown before open nothing any more.")
@quiet_option
@verbose_option
def phone(
    folder: Path,
    ring: Path,
    camera: Path | None,
    check_bar_mm: float | None,
    orders: tuple[Path, ...],
    address: str | None,
    port: int,
    paper: str,
    inches: bool,
    new_code: bool,
) -> None:
    """Photograph with a phone, without a cable.

    Shows an address as a code to scan. The page behind it says which photograph comes next, looks at each in a few
    seconds, measures and shows the report. Everything is kept in FOLDER as ordinary files: rotors/ for the other
    commands, cameras/ for phones calibrated here. Stopped in any way, the same command goes on where it was.

    Only phones in the same network that know the code get in, but nothing is encrypted: use a network you trust.

    \b
    Example:
      bladeangle phone bench --ring ring.json
    """
    import os
    import sys

    from bladeangle.base import inputs
    from bladeangle.base.errors import UsageError
    from bladeangle.base.files import safe_name
    from bladeangle.imaging.camera import read_camera
    from bladeangle.imaging.ring import read_ring
    from bladeangle.shop.orders import order_from_toml

    try:
        import segno  # noqa: F401
        import uvicorn  # noqa: F401

        from bladeangle.phone import serve as server
        from bladeangle.phone.desk import Desk, Known
        from bladeangle.phone.folder import Folder
    except ImportError as error:
        if (error.name or "").startswith("bladeangle"):
            raise
        raise UsageError(
            "Pages for a phone need a part that is not installed.", "pip install 'bladeangle[phone]'"
        ) from error

    texts = [(inputs.read_text(path, inputs.ORDER), inputs.shown_as(path, inputs.ORDER)) for path in orders]
    known = Known(
        read_ring(ring, check_bar_mm),
        None if camera is None else read_camera(camera),
        tuple((order_from_toml(text, source), text.encode()) for text, source in texts),
        check_bar_mm,
        inches,
        paper.lower(),
    )
    place = Folder(folder)
    key = place.key(new_code)
    listens = server.listening(address or server.own_address(), port)
    link = server.link_of(listens, key)

    def started() -> None:
        colour = sys.stdout.isatty() and not os.environ.get("NO_COLOR")
        click.echo(f"{server.code_of(link, colour)}\n{link}")
        note("Scan it with a phone in the same network. Ctrl-C ends it; everything is kept.")

    server.serve(Desk(place, known), key, listens, started)
    note(f"Everything is in {safe_name(folder)}; the same command goes on from there.")
