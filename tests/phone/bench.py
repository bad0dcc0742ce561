"""What the tests of the phone's pages share: a desk, a client that behaves as the pages do, and a running command."""

from __future__ import annotations

import contextlib
import http.client
import os
import re
import secrets
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from starlette.testclient import TestClient

from bladeangle.imaging.camera import read_camera
from bladeangle.imaging.ring import read_ring
from bladeangle.phone.app import application
from bladeangle.phone.desk import Desk, Known
from bladeangle.phone.folder import Folder
from bladeangle.phone.guard import COOKIE

ROOT = Path(__file__).resolve().parents[2]
PHOTOS = ROOT / "fixtures" / "rotor-a"
RING = ROOT / "calibration" / "trial-ring.json"
CAMERA = ROOT / "calibration" / "camera-pocket7.json"
HOST = "127.0.0.1:8337"
ORIGIN = f"http://{HOST}"
#: Longest that anything is waited for, s; nothing asserts how long it takes.
PATIENCE_S = 120.0


def known(**more: Any) -> Known:
    """What the command was told: the trial ring and the camera file."""
    return Known(read_ring(RING), more.pop("camera", read_camera(CAMERA)), **more)


@contextmanager
def client(folder: Path, told: Known | None = None, cookie: bool = True) -> Iterator[TestClient]:
    """A phone's browser before a desk that runs; requests carry the origin of the page."""
    place = Folder(folder)
    key = place.key()
    app = application(Desk(place, told or known()), key, frozenset({HOST}))
    with TestClient(app, base_url=ORIGIN, headers={"origin": ORIGIN}, follow_redirects=False) as found:
        if cookie:
            found.cookies.set(COOKIE, key)
        yield found


def start(browser: TestClient, kind: str = "measure", **fields: str) -> str:
    """A new job; its name."""
    answer = browser.post("/jobs", data={"kind": kind, **fields})
    assert answer.status_code == 303, answer.text
    return str(answer.headers["location"].removeprefix("/job/"))


def send(browser: Any, job: str, role: str, content: bytes, *, token: str = "", replaced: str = "") -> dict[str, Any]:
    """Send a photograph in pieces, and wait for what was seen in it."""
    token = token or secrets.token_hex(16)
    told = {"job": job, "role": role, "replaced": replaced, "size": len(content)}
    answer = browser.put(f"/upload/{token}", json=told)
    assert answer.status_code == 200, answer.text
    end = time.monotonic() + PATIENCE_S
    while answer.json()["answer"] is None:
        assert time.monotonic() < end, "no answer"
        at = answer.json()["received"]
        if at < len(content):
            headers = {"content-type": "application/octet-stream", "upload-offset": str(at)}
            answer = browser.patch(f"/upload/{token}", content=content[at : at + 700_000], headers=headers)
        else:
            time.sleep(0.2)
            answer = browser.get(f"/upload/{token}")
        assert answer.status_code == 200, answer.text
    found: dict[str, Any] = answer.json()["answer"]
    return found


def wait_for(browser: Any, job: str, words: str) -> str:
    """The part of a job's page that changes, once it says something."""
    end = time.monotonic() + PATIENCE_S
    while True:
        part = str(browser.get(f"/job/{job}/part").text)
        if words in part:
            return part
        assert time.monotonic() < end, part
        time.sleep(0.3)


class Running:
    """The command itself, on an address of its own."""

    def __init__(self, folder: Path, port: int = 0, *words: str) -> None:
        command = [
            sys.executable,
            "-m",
            "bladeangle",
            "phone",
            str(folder),
            "--ring",
            str(RING),
            "--camera",
            str(CAMERA),
        ]
        command += ["--address", "127.0.0.1", "--port", str(port), *words]
        environment = os.environ | {"PYTHONPATH": str(ROOT)}
        self.process = subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment, encoding="utf-8"
        )
        assert self.process.stdout is not None
        self.drawn: list[str] = []
        self.link = ""
        for line in self.process.stdout:
            if found := re.match(r"http://127\.0\.0\.1:(\d+)/open/(\S+)$", line):
                self.link, self.port, self.key = line.strip(), int(found[1]), found[2]
                break
            self.drawn.append(line)
        assert self.link, self.process.communicate()[1]

    def request(
        self, method: str, path: str, body: Any = None, headers: dict[str, str] | None = None, own: bool = True
    ) -> tuple[int, bytes]:
        """Status and body of one request on a connection of its own; `own`: with cookie and origin."""
        base = {"Cookie": f"{COOKIE}={self.key}", "Origin": f"http://127.0.0.1:{self.port}"} if own else {}
        line = http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)
        try:
            line.request(method, path, body, base | (headers or {}))
            answer = line.getresponse()
            return answer.status, answer.read()
        finally:
            line.close()

    def browser(self) -> Any:
        """A phone's browser before it."""
        import httpx2

        origin = f"http://127.0.0.1:{self.port}"
        return httpx2.Client(
            base_url=origin, headers={"origin": origin}, cookies={COOKIE: self.key}, timeout=60, trust_env=False
        )

    def kill(self) -> None:
        """End it at once, as a power cut would."""
        self.process.kill()
        self.process.communicate()


def memory_mb(pid: int) -> float:
    """Memory that a process holds, MB."""
    text = Path(f"/proc/{pid}/status").read_text()
    found = re.search(r"^VmRSS:\s+(\d+) kB", text, re.MULTILINE)
    assert found
    return int(found[1]) / 1000


def stream(running: Running, path: str, mb: int, own: bool, method: str = "PATCH") -> tuple[int, bytes]:
    """Send a body of so many MB in chunks, without saying how long; status, and what was answered."""
    piece = os.urandom(1_000_000)
    base = f"Cookie: bladeangle={running.key}\r\nOrigin: http://127.0.0.1:{running.port}\r\n" if own else ""
    head = (
        f"{method} {path} HTTP/1.1\r\nHost: 127.0.0.1:{running.port}\r\n{base}"
        "Content-Type: application/octet-stream\r\nUpload-Offset: 0\r\nTransfer-Encoding: chunked\r\n\r\n"
    )
    with socket.create_connection(("127.0.0.1", running.port), timeout=30) as line:
        with contextlib.suppress(OSError):
            line.sendall(head.encode())
            for _ in range(mb):
                line.sendall(b"%x\r\n" % len(piece) + piece + b"\r\n")
        answer = b""
        with contextlib.suppress(OSError):
            while more := line.recv(65536):
                answer += more
    return (int(answer.split()[1]) if answer else 0), answer
