"""A folder and an address of this machine -> pages that are served until the command is stopped."""

from __future__ import annotations

import errno
import ipaddress
import logging
import socket
import time
import weakref
from collections.abc import Callable
from io import StringIO
from typing import Any

from bladeangle.base.errors import OutputError, UsageError
from bladeangle.phone.app import application
from bladeangle.phone.desk import Desk
from bladeangle.phone.guard import ENTRANCE

#: Most requests that are answered at once, longest head of one, bytes, and how long an idle connection stays open, s.
AT_ONCE, HEAD_BYTES, IDLE_S = 60, 16_384, 10


def own_address() -> str:
    """The address of this machine on its local network; that of the machine for itself when it has none.

    Nothing is sent: a datagram socket that is given a far address (one of documentation, RFC 5737) only chooses a way.
    """
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))
            return str(probe.getsockname()[0])
        except OSError:
            return "127.0.0.1"


def listening(address: str, port: int) -> socket.socket:
    """A socket that listens on one address of this machine and no other; port 0 takes a free one.

    Raises
    ------
    UsageError : it is no single address of this machine. OutputError : the port is taken or not permitted.
    """
    try:
        ip = ipaddress.ip_address(address)
    except ValueError as error:
        raise UsageError(f"{address!r} is not an address.", "Write it as 192.168.1.20.") from error
    if ip.is_unspecified or ip.is_multicast:
        raise UsageError(f"{address} is not the address of one network.", "Name the one that the phones are in.")
    family = socket.AF_INET6 if ip.version == 6 else socket.AF_INET
    found = socket.socket(family, socket.SOCK_STREAM)
    try:
        found.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        found.bind((address, port))
        found.listen(128)
    except OSError as error:
        found.close()
        if error.errno == errno.EADDRNOTAVAIL:
            raise UsageError(f"{address} is not an address of this machine.", "Leave --address out.") from error
        what = "is taken by another program" if error.errno == errno.EADDRINUSE else "cannot be used"
        raise OutputError(f"The port {port} {what}.", "Choose another one with --port.") from error
    return found


def host_of(listens: socket.socket) -> str:
    """Address and port as they stand in an address of a page."""
    address, port = listens.getsockname()[:2]
    return f"[{address}]:{port}" if listens.family == socket.AF_INET6 else f"{address}:{port}"


def link_of(listens: socket.socket, key: str) -> str:
    """What a phone opens."""
    return f"http://{host_of(listens)}{ENTRANCE}{key}"


def code_of(link: str, colour: bool) -> str:
    """The QR code (ISO/IEC 18004) of an address for a terminal, dark on light whatever the terminal's colours are."""
    import segno

    drawn = StringIO()
    segno.make(link, error="l", micro=False).terminal(out=drawn, compact=True, border=2)
    lines = drawn.getvalue().splitlines()
    return "\n".join(f"\x1b[97;40m{line}\x1b[0m" if colour else line for line in lines)


def serve(desk: Desk, key: str, listens: socket.socket, started: Callable[[], None]) -> None:
    """Serve until interrupted; `started` is called when phones can come."""
    import uvicorn

    host = host_of(listens)
    names = {host}
    if listens.getsockname()[0] == "127.0.0.1":
        names.add(f"localhost:{listens.getsockname()[1]}")

    class Server(uvicorn.Server):
        """Ends connections that never ask anything, of which an attacker could open all there may be."""

        def __init__(self, config: uvicorn.Config) -> None:
            super().__init__(config)
            self.silent: weakref.WeakKeyDictionary[Any, float] = weakref.WeakKeyDictionary()

        async def on_tick(self, counter: int) -> bool:
            now = time.monotonic()
            for line in [c for c in self.server_state.connections if getattr(c, "cycle", None) is None]:
                if now - self.silent.setdefault(line, now) > IDLE_S:
                    line.transport.close()
            return await super().on_tick(counter)

        async def startup(self, sockets: list[socket.socket] | None = None) -> None:
            await super().startup(sockets)
            if self.started:
                started()

    logging.getLogger("uvicorn.error").setLevel(logging.ERROR)
    config = uvicorn.Config(
        application(desk, key, frozenset(names)), access_log=False, log_config=None, server_header=False,
        proxy_headers=False, ws="none", http="h11", lifespan="on", limit_concurrency=AT_ONCE,
        timeout_keep_alive=IDLE_S, h11_max_incomplete_event_size=HEAD_BYTES, timeout_graceful_shutdown=2,
    )  # fmt: skip
    Server(config).run(sockets=[listens])
