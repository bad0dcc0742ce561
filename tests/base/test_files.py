"""Atomic writes, also under SIGKILL; hashes; names; the guarded import."""

from __future__ import annotations

import builtins
import errno
import os
import random
import re
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from bladeangle.base.errors import BladeangleError, OutputError
from bladeangle.base.files import (
    TEMPORARY_PREFIX,
    atomic_path,
    import_cv2,
    safe_name,
    sha256_of,
    write_bytes_atomic,
    write_text_atomic,
)


def names(folder: Path) -> list[str]:
    return sorted(p.name for p in folder.iterdir())


def test_writes_and_replaces(tmp_path: Path) -> None:
    path = tmp_path / "record.json"
    write_text_atomic(path, "ä\n")
    assert path.read_bytes() == b"\xc3\xa4\n"
    write_bytes_atomic(path, b"new")
    assert path.read_bytes() == b"new"
    assert names(tmp_path) == ["record.json"]


def test_permissions_are_those_of_any_new_file_and_kept_on_replacement(tmp_path: Path) -> None:
    plain, ours = tmp_path / "plain", tmp_path / "ours"
    plain.write_bytes(b"")
    write_bytes_atomic(ours, b"")
    assert ours.stat().st_mode == plain.stat().st_mode
    ours.chmod(0o640)
    write_bytes_atomic(ours, b"again")
    assert ours.stat().st_mode & 0o777 == 0o640


def test_a_link_stays_a_link(tmp_path: Path) -> None:
    target, link = tmp_path / "target", tmp_path / "link"
    target.write_bytes(b"old")
    link.symlink_to(target)
    write_bytes_atomic(link, b"new")
    assert link.is_symlink() and target.read_bytes() == b"new"


@pytest.mark.parametrize("error", [RuntimeError, KeyboardInterrupt, SystemExit])
def test_an_exception_leaves_the_old_file_and_no_temporary(tmp_path: Path, error: type[BaseException]) -> None:
    path = tmp_path / "picture.png"
    path.write_bytes(b"old")

    def spoil() -> None:
        with atomic_path(path) as temporary:
            assert temporary.suffix == ".png" and temporary.parent == tmp_path
            temporary.write_bytes(b"half")
            raise error

    with pytest.raises(error):
        spoil()
    assert path.read_bytes() == b"old" and names(tmp_path) == ["picture.png"]


def test_value_errors_of_the_block_pass_through(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match=r"^mine$"), atomic_path(tmp_path / "x"):
        raise ValueError("mine")
    assert names(tmp_path) == []


def test_refusals(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"")
    os.mkfifo(tmp_path / "pipe")
    cases = [
        (tmp_path / "missing" / "x", "folder does not exist"),
        (tmp_path, "it is a folder"),
        (tmp_path / "file" / "x", "a file, not a folder"),
        (tmp_path / ("x" * 300), "too long"),
        (tmp_path / "pipe", "not a regular file"),
        (tmp_path / "a\0b", "null character"),
    ]
    before = names(tmp_path)
    for path, reason in cases:
        with pytest.raises(OutputError, match=reason) as caught:
            write_bytes_atomic(path, b"x")
        assert caught.value.exit_code == 9 and caught.value.hint and "\n" not in caught.value.message
    assert names(tmp_path) == before


@pytest.mark.parametrize(
    ("number", "reason"),
    [
        (errno.ENOSPC, "disk is full"),
        (errno.EROFS, "read-only"),
        (errno.EACCES, "not permitted"),
        (errno.EIO, "error"),
    ],
)
@pytest.mark.parametrize("step", ["open", "fsync", "replace"])
def test_failing_disks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: str, number: int, reason: str) -> None:
    path = tmp_path / "record.json"
    path.write_bytes(b"old")

    def fail(*arguments: Any, **options: Any) -> None:
        raise OSError(number, os.strerror(number))

    with monkeypatch.context() as patch:
        patch.setattr(os, step, fail)
        with pytest.raises(OutputError, match=reason):
            write_bytes_atomic(path, b"new")
    assert path.read_bytes() == b"old" and names(tmp_path) == ["record.json"]


def test_a_file_marked_read_only_is_not_replaced(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "record.json"
    path.write_bytes(b"old")
    monkeypatch.setattr(os, "access", lambda *_: False)  # an administrator may write anything, so the answer is given
    with pytest.raises(OutputError, match="not permitted"):
        write_bytes_atomic(path, b"new")
    assert path.read_bytes() == b"old"


WRITER = """
import sys
from bladeangle.base.files import write_bytes_atomic
path, size = sys.argv[1], 4_000_000
print("ready", flush=True)
while True:
    for letter in (b"A", b"B"):
        write_bytes_atomic(path, letter * size)
"""


def test_killed_at_random_moments_leaves_old_or_new(tmp_path: Path) -> None:
    chance = random.Random(5)
    path = tmp_path / "record.json"
    write_bytes_atomic(path, b"A" * 4_000_000)
    seen = set()
    for _ in range(12):
        process = subprocess.Popen([sys.executable, "-c", WRITER, str(path)], stdout=subprocess.PIPE)
        assert process.stdout is not None
        process.stdout.readline()
        time.sleep(chance.uniform(0, 0.05))
        process.send_signal(signal.SIGKILL)
        process.wait()
        process.stdout.close()
        data = path.read_bytes()
        assert len(data) == 4_000_000 and len(set(data)) == 1
        seen.add(data[:1])
    assert seen <= {b"A", b"B"}
    assert all(n == "record.json" or n.startswith(TEMPORARY_PREFIX) for n in names(tmp_path))


def test_sha256(tmp_path: Path) -> None:
    path = tmp_path / "abc"
    path.write_bytes(b"abc")
    # FIPS 180-4 example, one-block message.
    assert sha256_of(path) == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


@pytest.mark.parametrize(
    ("name", "shown"),
    [
        ("rotor 1.jpg", "rotor 1.jpg"),
        ("ротор.jpg", "ротор.jpg"),
        ("a\nb\tc", r"a\nb\tc"),
        ("\x1b[31m", r"\x1b[31m"),
        ("\u202egpj", r"\u202egpj"),
        ("\udcff", r"\udcff"),
        ("a\u2028b", r"a\u2028b"),
    ],
)
def test_safe_name(name: str, shown: str) -> None:
    assert safe_name(name) == shown
    assert safe_name(Path(name)) == shown
    shown.encode("utf-8")


@pytest.mark.parametrize(
    ("reason", "fix"),
    [
        ("libGL.so.1: cannot open shared object file", "opencv-python-headless.*libgl1"),
        ("No module named 'cv2'", "^Install the package opencv-python-headless"),
    ],
)
def test_opencv_that_does_not_load_names_the_fix(monkeypatch: pytest.MonkeyPatch, reason: str, fix: str) -> None:
    true_import = builtins.__import__

    def refuse(name: str, *arguments: Any, **options: Any) -> Any:
        if name == "cv2":
            raise ImportError(reason)
        return true_import(name, *arguments, **options)

    monkeypatch.setattr(builtins, "__import__", refuse)
    with pytest.raises(BladeangleError, match="OpenCV cannot be loaded") as caught:
        import_cv2()
    monkeypatch.undo()
    assert re.search(fix, caught.value.hint)
    assert import_cv2().__name__ == "cv2"
