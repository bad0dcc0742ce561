"""Output files of a call -> which of them may be written, or a refusal; asked before any work begins.

One rule: nothing that is written may be a file that is read, or another that is written; and an existing file is
replaced only when it is empty or evidently the same kind of file, written by bladeangle. Whatever else is there stays,
and the sentence says so. Every kind of output carries the mark by which `MARKS` knows it.
"""

from __future__ import annotations

import os
import re
import stat
import struct
import zlib
from collections.abc import Iterable, Sequence
from pathlib import Path

from bladeangle.base.errors import OutputError, UsageError
from bladeangle.base.files import safe_name

#: Bytes looked at, at either end of a file.
LOOK_BYTES = 8192
#: The word in files that carry the name of the program that wrote them.
SOFTWARE = "bladeangle"
#: What Matplotlib is told to write into a figure's file: no time, so that equal figures give equal files.
FIGURE_MARKS: dict[str, dict[str, str | None]] = {
    "png": {"Software": SOFTWARE},
    "svg": {"Creator": SOFTWARE, "Date": None},
    "pdf": {"Creator": SOFTWARE, "CreationDate": None},
}

#: Kind of output -> pattern of the first or (True) the last bytes of a file that is one of ours, and what it is called.
MARKS: dict[str, tuple[bytes, bool, str]] = {
    "record": (rb'\A\s*\{\s*"schema": ?"bladeangle-record/', False, "a record"),
    "camera": (rb'\A\s*\{\s*"schema": ?"bladeangle-camera/', False, "a camera file"),
    "ring": (rb'\A\s*\{\s*"name": ?"[^"]*",\s*"units": ?"mm",\s*"index_azimuth_deg"', False, "a ring definition"),
    "order": (rb"\A# Order for a re-pitch\. Angles in degrees", False, "an order"),
    "html": (rb'<meta name="generator" content="bladeangle">', False, "a page of bladeangle"),
    "png": (rb"\A\x89PNG\r\n\x1a\n.*?Software\0bladeangle", False, "a picture of bladeangle"),
    "svg": (rb"\A.*?<svg.*?<dc:title>bladeangle</dc:title>", False, "a drawing of bladeangle"),
    "pdf": (rb"/Creator \(bladeangle\)", True, "a document of bladeangle"),
    "csv": (rb"\A(?:\xef\xbb\xbf)?name,created,blade_count \[1\],hand,blade,station,", False, "a table of bladeangle"),
    "csv of tips": (rb"\A(?:\xef\xbb\xbf)?name,created,blade,arc \[mm\],", False, "a table of tips of bladeangle"),
    "xlsx": (rb"PK\x05\x06.{16}\x0a\x00bladeangle\Z", True, "a workbook of bladeangle"),
    "xml": (rb"digitalCalibrationCertificate .*?<dcc:content lang=\"en\">bladeangle<", False, "a certificate"),
    "inventory": (rb"\ASQLite format 3\0.{52}blad", False, "an inventory"),
}


def is_ours(path: str | os.PathLike[str], kind: str) -> bool:
    """Whether an existing file is empty or of one kind of our outputs; OSError when it cannot be read."""
    pattern, at_end, _ = MARKS[kind]
    with open(path, "rb") as file:
        if at_end:
            file.seek(max(os.fstat(file.fileno()).st_size - LOOK_BYTES, 0))
        head = file.read(LOOK_BYTES)
    return not head or re.search(pattern, head, re.DOTALL) is not None


def check_outputs(outputs: Sequence[tuple[Path | None, str]], inputs: Iterable[Path | None]) -> None:
    """Refuse outputs that would destroy something; None stands for what is not asked for.

    Parameters
    ----------
    outputs : each with its kind, a key of `MARKS`; one of another kind is refused where it is written.
    inputs : what is read.

    Raises
    ------
    UsageError : an output is one of the files that are read, or another output; links and other spellings are followed.
    OutputError : an output is a file that is not ours, or cannot be looked at.
    """
    read = {key for path in inputs if path is not None for key in _keys(path)}
    written: set[object] = set()
    for path, kind in outputs:
        if path is None:
            continue
        keys = _keys(path)
        if read & keys:
            raise UsageError(
                f"{safe_name(path)} is one of the files that are read; writing the result there would destroy it.",
                "Give the result a name of its own.",
            )
        if written & keys:
            raise UsageError(
                f"{safe_name(path)} is to be written twice, with different contents.",
                "Give each result a name of its own.",
            )
        written |= keys
        _check_replaceable(path, kind)


def _keys(path: Path) -> set[object]:
    """By what a file is known: its real path, and its place on the disk where it exists (hard links have the same)."""
    try:
        keys: set[object] = {os.path.realpath(path)}
        status = os.stat(path)
    except (OSError, ValueError):  # not there, or no path at all, which writing will say
        return {os.fspath(path)} if "\0" in os.fspath(path) else {os.path.realpath(path)}
    return keys | {(status.st_dev, status.st_ino)}


def _check_replaceable(path: Path, kind: str) -> None:
    if kind not in MARKS:
        return
    try:
        if not stat.S_ISREG(os.stat(path).st_mode) or is_ours(path, kind):
            return  # what is no regular file is refused where it is written
    except (FileNotFoundError, NotADirectoryError, ValueError):
        return
    except OSError as error:
        raise OutputError(
            f"{safe_name(path)} is there and cannot be looked at: {error.strerror}.", "Give another name."
        ) from error
    raise OutputError(
        f"{safe_name(path)} is there already and is not {MARKS[kind][2]}; it is not replaced.",
        "Give another name, or move that file away.",
    )


def kind_by_name(path: Path | None) -> str:
    """The kind of a drawing, by its file's ending."""
    return "" if path is None else path.suffix.lower().lstrip(".")


def marked_png(data: bytes) -> bytes:
    """The PNG with a text chunk that names the program (PNG, ISO/IEC 15948, keyword Software) after its header."""
    return data[:33] + png_mark() + data[33:]


def png_mark() -> bytes:
    """The text chunk that names the program."""
    text = b"tEXtSoftware\0" + SOFTWARE.encode()
    return struct.pack(">I", len(text) - 4) + text + struct.pack(">I", zlib.crc32(text))
