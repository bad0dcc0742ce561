"""The command itself: its address, connections that drop, a kill at a bad moment, and an attacker who wears it out."""

from __future__ import annotations

import builtins
import contextlib
import re
import secrets
import socket
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from bench import PATIENCE_S, PHOTOS, RING, Running, memory_mb, send, start, stream, wait_for
from click.testing import CliRunner

import bladeangle.phone
from bladeangle.base.errors import OutputError, UsageError
from bladeangle.cli.main import main
from bladeangle.phone.folder import Folder
from bladeangle.phone.serve import code_of, link_of, listening, own_address
from bladeangle.records.record import read_record

INLET, OUTLET = (PHOTOS / "inlet.jpg").read_bytes(), (PHOTOS / "outlet.jpg").read_bytes()


@pytest.fixture
def running(tmp_path: Path) -> Iterator[Running]:
    command = Running(tmp_path)
    yield command
    command.kill()


def pixels(drawn: str) -> np.ndarray:
    """The code as a picture: full and half blocks are light, as the terminal shows them."""
    rows = []
    for line in drawn.splitlines():
        upper = [255 if c in "█▀" else 0 for c in line]
        lower = [255 if c in "█▄" else 0 for c in line]
        rows += [upper, lower]
    return np.kron(np.array(rows, np.uint8), np.ones((8, 8), np.uint8))


def decoded(drawn: str) -> str:
    """What a reader of codes makes of it (OpenCV's, which knows nothing of the writer).

    The four ways up are tried: of one alone it misses some 1 code in 100.
    """
    code = np.pad(pixels(drawn), 40, constant_values=255)[::2, ::2]
    tries = (cv2.QRCodeDetector().detectAndDecode(np.ascontiguousarray(np.rot90(code, k)))[0] for k in range(4))
    return next((str(text) for text in tries if text), "")


def test_the_code_says_the_address_and_a_reader_can_read_it() -> None:
    link = "http://192.168.178.145:8337/open/0123456789abcdefghijklmnopqrstuv"
    drawn = code_of(link, colour=False)
    assert decoded(drawn) == link
    assert max(len(line) for line in drawn.splitlines()) < 80
    coloured = code_of(link, colour=True).splitlines()
    assert all(line.startswith("\x1b[97;40m") and line.endswith("\x1b[0m") for line in coloured)
    assert [re.sub(r"\x1b\[[0-9;]*m", "", line) for line in coloured] == drawn.splitlines()


def test_the_command_shows_code_and_address(running: Running) -> None:
    assert decoded("".join(running.drawn)) == running.link
    assert running.request("GET", running.link.split(str(running.port))[1], own=False)[0] == 303
    assert running.request("GET", "/")[0] == 200


def test_only_the_chosen_address_is_listened_on(running: Running) -> None:
    for address in ("127.0.0.2", own_address()):
        if address != "127.0.0.1":
            with pytest.raises(OSError), socket.create_connection((address, running.port), timeout=5):
                pass


def test_a_socket_listens_on_one_address_or_says_why_not() -> None:
    with listening("127.0.0.1", 0) as free:
        address, port = free.getsockname()
        assert address == "127.0.0.1" and link_of(free, "key") == f"http://127.0.0.1:{port}/open/key"
        with pytest.raises(OutputError, match="taken"):
            listening("127.0.0.1", port)
    for wrong in ("0.0.0.0", "::", "224.0.0.1", "bench", "192.0.2.7", ""):
        with pytest.raises(UsageError):
            listening(wrong, 0)


@pytest.mark.parametrize("missing", ["starlette", "uvicorn", "segno"])
def test_without_the_extra_one_sentence_names_the_command(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, missing: str
) -> None:
    import sys

    real = builtins.__import__

    def without(name: str, *more: Any, **named: Any) -> Any:
        if name.split(".")[0] == missing:
            raise ImportError(f"No module named {missing!r}", name=missing)
        return real(name, *more, **named)

    for module in [m for m in sys.modules if m.startswith("bladeangle.phone")]:
        monkeypatch.delitem(sys.modules, module)
    # imported anew it becomes the package's attribute too, and other tests would patch modules that nobody uses
    monkeypatch.setattr(bladeangle, "phone", bladeangle.phone)
    monkeypatch.setattr(builtins, "__import__", without)
    run = CliRunner().invoke(main, ["phone", str(tmp_path / "bench"), "--ring", str(RING)])
    assert run.exit_code == 2
    assert "pip install 'bladeangle[phone]'" in run.stderr and "Traceback" not in run.stderr
    assert not (tmp_path / "bench").exists()


def test_a_folder_that_is_a_file_and_a_missing_order_are_told(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    run = CliRunner().invoke(main, ["phone", str(tmp_path / "file"), "--ring", str(RING)])
    assert run.exit_code == 9 and "cannot be used" in run.stderr
    words = ["phone", str(tmp_path / "bench"), "--ring", str(RING), "--order", str(tmp_path / "none.toml")]
    assert CliRunner().invoke(main, words).exit_code == 4


# --- connections that drop, and a kill --------------------------------------------------------------------------------


def cut(running: Running, token: str, at: int, content: bytes, promised: int) -> None:
    """Send the head of a piece and a part of it, and go away as a phone does that leaves the network."""
    head = (
        f"PATCH /upload/{token} HTTP/1.1\r\nHost: 127.0.0.1:{running.port}\r\nCookie: bladeangle={running.key}\r\n"
        f"Origin: http://127.0.0.1:{running.port}\r\nContent-Type: application/octet-stream\r\n"
        f"Upload-Offset: {at}\r\nContent-Length: {promised}\r\n\r\n"
    )
    with socket.create_connection(("127.0.0.1", running.port)) as line:
        line.sendall(head.encode() + content)


def received(browser: Any, token: str) -> int:
    return int(browser.get(f"/upload/{token}").json()["received"])


def until(browser: Any, token: str, least: int) -> int:
    """How much has arrived once it is at least so much."""
    end = time.monotonic() + PATIENCE_S
    while (found := received(browser, token)) < least and time.monotonic() < end:
        time.sleep(0.05)
    return found


@pytest.mark.slow
def test_cut_twice_and_killed_once_nothing_is_lost(tmp_path: Path) -> None:
    first = Running(tmp_path)
    token = secrets.token_hex(16)
    try:
        with first.browser() as phone:
            job = start(phone, title="cut and killed")
            assert send(phone, job, "outlet", OUTLET)["verdict"] == "good"
            told = {"job": job, "role": "inlet", "replaced": "", "size": len(INLET)}
            assert phone.put(f"/upload/{token}", json=told).json()["received"] == 0
            cut(first, token, 0, INLET[:300_000], 700_000)
            assert until(phone, token, 300_000) == 300_000
            cut(first, token, 300_000, INLET[300_000:500_000], 700_000)
            assert until(phone, token, 500_000) == 500_000
            assert [p.name for p in Folder(tmp_path).pictures(Folder(tmp_path).jobs()[0])] == ["outlet"]
    finally:
        first.kill()
    assert not (tmp_path / "rotors" / job / "inlet.jpg").exists()
    second = Running(tmp_path, first.port)
    try:
        # the same address and secret open it: the phone need not scan again
        assert second.link == first.link
        with second.browser() as phone:
            assert received(phone, token) == 500_000
            assert send(phone, job, "inlet", INLET, token=token) == {
                "verdict": "good",
                "sentences": [],
                "name": "inlet",
            }
            second.kill()  # while it measures
    finally:
        second.kill()
    assert (tmp_path / "rotors" / job / "inlet.jpg").read_bytes() == INLET
    third = Running(tmp_path, first.port)
    try:
        with third.browser() as phone:
            wait_for(phone, job, "Open the report")  # unasked
    finally:
        third.kill()
    record = read_record(tmp_path / "rotors" / job / "record.json")
    assert record.name == "cut and killed" and len(record.content.photos) == 2
    assert not [p for p in (tmp_path / "rotors").rglob("*") if p.suffix == ".part"]


def test_killed_before_a_whole_photograph_was_looked_at_it_is_looked_at_then(tmp_path: Path) -> None:
    first = Running(tmp_path)
    token = secrets.token_hex(16)
    try:
        with first.browser() as phone:
            job = start(phone)
            told = {"job": job, "role": "outlet", "replaced": "", "size": len(OUTLET)}
            phone.put(f"/upload/{token}", json=told)
            headers = {"content-type": "application/octet-stream"}
            for at in range(0, len(OUTLET), 1_000_000):
                piece = OUTLET[at : at + 1_000_000]
                phone.patch(f"/upload/{token}", content=piece, headers=headers | {"upload-offset": str(at)})
    finally:
        first.kill()  # the process that looks is only just starting
    assert Folder(tmp_path).pictures(Folder(tmp_path).jobs()[0]) == []
    second = Running(tmp_path)
    try:
        with second.browser() as phone:
            assert send(phone, job, "outlet", OUTLET, token=token)["name"] == "outlet"
    finally:
        second.kill()


def test_its_processes_end_with_it(tmp_path: Path) -> None:
    if not Path("/proc").is_dir():
        pytest.skip("needs /proc")
    command = Running(tmp_path)
    try:
        with command.browser() as phone:
            send(phone, start(phone), "outlet", OUTLET)
        children = children_of(command.process.pid)
        assert children
    finally:
        command.kill()
    end = time.monotonic() + PATIENCE_S
    while any(Path(f"/proc/{child}").exists() and "Z" not in state(child) for child in children):
        assert time.monotonic() < end
        time.sleep(0.1)


def children_of(pid: int) -> list[int]:
    found = []
    for path in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError):
            if int(path.read_text().rsplit(")", 1)[1].split()[1]) == pid:
                found.append(int(path.parent.name))
    return found


def state(pid: int) -> str:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0]
    except OSError:
        return "Z"


# --- who wears it out -------------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_connections_that_ask_nothing_are_ended_and_others_get_their_turn(running: Running) -> None:
    silent = [socket.create_connection(("127.0.0.1", running.port), timeout=PATIENCE_S) for _ in range(70)]
    try:
        silent[0].sendall(b"GET / HTTP/1.1\r\nHost: ")  # and no more
        assert running.request("GET", "/")[0] == 503
        for line in silent:
            assert line.recv(100) == b"", "it is ended"
        assert running.request("GET", "/")[0] == 200
    finally:
        for line in silent:
            line.close()


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="needs /proc")
def test_an_attacker_gets_nothing_in_and_memory_stays_flat(running: Running, tmp_path: Path) -> None:
    with running.browser() as phone:
        job = start(phone)
        token = secrets.token_hex(16)
        told = {"job": job, "role": "outlet", "replaced": "", "size": 50_000_000}
        assert phone.put(f"/upload/{token}", json=told).status_code == 200
    before = {str(p): p.stat().st_size for p in tmp_path.rglob("*") if p.is_file()}
    started_mb = memory_mb(running.process.pid)
    # with the secret: more than a piece may have, which is not told beforehand
    status, _ = stream(running, f"/upload/{token}", 200, own=True)
    assert status in (0, 413), "an answer may be lost when the connection is ended while it still sends"
    assert running.request("GET", "/")[0] == 200
    # without: nothing is read
    for method, path in (("PATCH", f"/upload/{token}"), ("POST", "/jobs"), ("PUT", f"/upload/{token}")):
        status, answer = stream(running, path, 100, own=False, method=method)
        assert status in (0, 403) and running.key.encode() not in answer
    statuses = [running.request("GET", f"/open/{k:032d}", own=False)[0] for k in range(1500)]
    assert set(statuses) == {403, 429} and statuses.count(403) < 40
    after = {str(p): p.stat().st_size for p in tmp_path.rglob("*") if p.is_file()}
    part = next(name for name in after if name.endswith(".part"))
    assert after.pop(part) <= 1_000_000 and before.pop(part) == 0
    assert after == before
    assert memory_mb(running.process.pid) - started_mb < 12
