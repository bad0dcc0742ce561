"""Input files: path -> bytes, text, JSON or TOML within the limits of its kind; nothing else opens them.

Only regular files are opened: a pipe or a device would hang or never end. A file's size is known before a byte of it is
read, and how deep and how much its text holds before anything is made of it. `KINDS` is the table of the limits; what
the numbers in a file may be stands in the structure that its reader asks of it (`structure.py`).
"""

from __future__ import annotations

import json
import os
import re
import stat
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from bladeangle.base.errors import BladeangleError, DefinitionError, PhotoError, RecordError
from bladeangle.base.files import safe_name

#: Longest name of a rotor, ring or camera, letters.
NAME_LETTERS = 200
#: Most photographs of one rotor; of sixty a record has some 5 MB.
MOST_PHOTOS = 60
#: A number that is written with more digits is not a measured one.
MOST_DIGITS = 16


@dataclass(frozen=True)
class Kind:
    """One kind of input file and what is accepted of it.

    name : as sentences call it; error : what a refusal raises; hint : what to try then.
    most_bytes : its size. most_depth : objects and lists in each other, or parts of a dotted key.
    most_values, most_objects : values (numbers, texts, lists, ...) in JSON, and of these the objects.
    """

    name: str
    error: type[BladeangleError]
    hint: str
    most_bytes: int
    most_depth: int = 0
    most_values: int = 0
    most_objects: int = 0


_AGAIN = "Measure again, or name a record that `bladeangle measure` wrote."
_RIGHT = "Name the right file, or make it again."
_ORDER = "Write one with `bladeangle order` and edit that."
_SETTINGS = "Correct it, or see `bladeangle config --example`."
_MANIFEST = "The first line is: rotor,photo,standing; each other one names a photograph."
_PHOTO = "Give a photograph as the camera wrote it: JPEG, PNG, TIFF or HEIC."
_LOG = "Mend or delete that line, or start a new log."

CAMERA = Kind("camera file", DefinitionError, _RIGHT, 1_000_000, 12, 20_000, 2_000)
RING = Kind("ring file", DefinitionError, _RIGHT, 1_000_000, 12, 50_000, 2_000)
EDITS = Kind("edits file", DefinitionError, _RIGHT, 4_000_000, 12, 400_000, 20_000)
ORDER = Kind("order file", DefinitionError, _ORDER, 100_000, 12)
DETAILS = Kind("details file", DefinitionError, "Correct it.", 100_000, 12)
SETTINGS = Kind("settings file", DefinitionError, _SETTINGS, 100_000, 12)
MANIFEST = Kind("manifest", DefinitionError, _MANIFEST, 10_000_000)
LOG = Kind("log", RecordError, _LOG, 10_000_000, 12, 1_000, 100)
RECORD = Kind("record", RecordError, _AGAIN, 20_000_000, 20, 1_000_000, 50_000)
NOTES = Kind("file of a phone's folder", DefinitionError, _RIGHT, 1_000_000, 12, 50_000, 5_000)
REPORT = Kind("report", DefinitionError, "Delete it; it is written again.", 500_000_000)
PICTURE = Kind("picture", PhotoError, "Give the picture that `measure` wrote.", 50_000_000)
PHOTOGRAPH = Kind("photograph", PhotoError, _PHOTO, 500_000_000)

#: The table of limits, as records/FORMATS.md has it; a test compares them.
KINDS = (CAMERA, RING, EDITS, ORDER, DETAILS, SETTINGS, MANIFEST, LOG, RECORD, NOTES, REPORT, PICTURE, PHOTOGRAPH)


# --- opening ---------------------------------------------------------------------------------------------------------


def shown_as(path: str | os.PathLike[str], kind: Kind) -> str:
    """A file as sentences begin with it: "The camera file 'phone.json'", a photograph by its name alone."""
    name = safe_name(Path(path).name or os.fspath(path))
    return name if kind is PHOTOGRAPH else f"The {kind.name} {name!r}"


def size_of(path: str | os.PathLike[str], kind: Kind) -> int:
    """Bytes of a file that may be read; links are followed. Nothing of it is opened.

    Raises
    ------
    kind.error : missing, not a regular file, larger than its kind may be.
    """
    source = shown_as(path, kind)
    try:
        return _size(os.stat(path), source, kind)
    except FileNotFoundError as error:
        raise kind.error(f"{source} cannot be read: it does not exist.", "Check the name.") from error
    except (OSError, ValueError) as error:
        raise _unreadable(error, source, kind) from error


def _size(status: os.stat_result, source: str, kind: Kind) -> int:
    if stat.S_ISDIR(status.st_mode):
        raise kind.error(f"{source} cannot be read: it is a folder, not a regular file.", "Name a file.")
    if not stat.S_ISREG(status.st_mode):
        raise kind.error(f"{source} cannot be read: it is not a regular file.", "Name a file.")
    if status.st_size > kind.most_bytes:
        raise _too_large(source, kind)
    return status.st_size


def _too_large(source: str, kind: Kind) -> BladeangleError:
    most = kind.most_bytes
    limit = f"{most // 1_000_000} MB" if most >= 1_000_000 else f"{most // 1000} kB"
    return kind.error(f"{source} is larger than {limit}, the most that a {kind.name} may have.", "Name the right file.")


def _unreadable(error: OSError | ValueError, source: str, kind: Kind) -> BladeangleError:
    reason = safe_name((error.strerror if isinstance(error, OSError) else None) or str(error))
    return kind.error(f"{source} cannot be read: {reason}.", "Check the name and its permissions.")


def read_bytes(path: str | os.PathLike[str], kind: Kind) -> bytes:
    """All of a file; the errors of `size_of`, and `kind.error` when it cannot be read."""
    size_of(path, kind)
    source = shown_as(path, kind)
    try:
        # What is there may have changed since: a pipe opened like this does not wait for its other end.
        handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
        with open(handle, "rb") as file:
            _size(os.fstat(handle), source, kind)
            data = file.read(kind.most_bytes + 1)
    except (OSError, ValueError) as error:
        raise _unreadable(error, source, kind) from error
    if len(data) > kind.most_bytes:
        raise _too_large(source, kind)
    return data


def read_text(path: str | os.PathLike[str], kind: Kind) -> str:
    """A text file in UTF-8, a byte order mark left out; the errors of `read_bytes`, and `kind.error` for another."""
    try:
        return read_bytes(path, kind).decode("utf-8-sig")
    except UnicodeDecodeError as error:
        source = shown_as(path, kind)
        raise kind.error(f"{source} cannot be read: it is not a text in UTF-8.", kind.hint) from error


# --- JSON ------------------------------------------------------------------------------------------------------------

#: A text in JSON, or one that does not end.
_JSON_TEXT = re.compile(r'"[^"\\]*+(?:\\.[^"\\]*+)*+(?:"|$)', re.DOTALL)
_NO_BRACKETS = dict.fromkeys(range(128)) | {ord(c): c for c in "[]{},"}


def read_json(path: str | os.PathLike[str], kind: Kind) -> Any:
    """Strict JSON from a file; the errors of `read_bytes` and `parse_json`."""
    return parse_json(read_text(path, kind), kind, shown_as(path, kind))


def parse_json(text: str, kind: Kind, source: str) -> Any:
    """Strict JSON: no key twice, NaN, infinity or endless number.

    Raises
    ------
    kind.error : it is not JSON, or nested deeper or larger than its kind may be.
    """
    marks = _JSON_TEXT.sub("", text).translate(_NO_BRACKETS)
    codes = np.frombuffer(marks.encode("ascii", "ignore"), np.uint8)
    opens = (codes == ord("[")) | (codes == ord("{"))
    commas, objects = codes == ord(","), codes == ord("{")
    steps = np.where(commas, np.int8(0), np.where(opens, np.int8(1), np.int8(-1)))
    if np.cumsum(steps, dtype=np.int32).max(initial=0) > kind.most_depth:
        raise kind.error(f"{source} is not valid JSON: it is nested too deeply.", kind.hint)
    if 1 + opens.sum() + commas.sum() > kind.most_values or objects.sum() > kind.most_objects:
        raise kind.error(f"{source} holds far more than a {kind.name} can.", kind.hint)
    try:
        return json.loads(text, object_pairs_hook=_pairs, parse_int=_integer, parse_constant=_constant)
    except (ValueError, RecursionError) as error:
        raise kind.error(f"{source} is not valid JSON: {safe_name(str(error)[:120])}.", kind.hint) from error


def _pairs(pairs: list[tuple[str, Any]]) -> dict[str, object]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("a key stands twice in one object")
    return found


def _integer(text: str) -> int:
    if len(text) > MOST_DIGITS:
        raise ValueError("a number is far too large")
    return int(text)


def _constant(text: str) -> float:
    raise ValueError(f"{text} is not a number that JSON allows")


# --- TOML ------------------------------------------------------------------------------------------------------------

#: Texts and comments in TOML (v1.0.0), whose dots and brackets mean nothing.
_TOML_TEXT = re.compile(
    r"""\"\"\"(?:[^\\]|\\.)*?(?:\"\"\"|$) | '{3}.*?(?:'{3}|$) | \"(?:[^\"\\\n]|\\.)*+\"? | '[^'\n]*+'? | \#[^\n]*+""",
    re.DOTALL | re.VERBOSE,
)


def read_toml(path: str | os.PathLike[str], kind: Kind) -> dict[str, object]:
    """TOML from a file; the errors of `read_text` and `parse_toml`."""
    return parse_toml(read_text(path, kind), kind, shown_as(path, kind))


def parse_toml(text: str, kind: Kind, source: str) -> dict[str, object]:
    """Content of a TOML text; `kind.error` when it is none, or nested deeper than its kind may be."""
    bare = _TOML_TEXT.sub("", text)
    depth = deepest = 0
    for line in bare.split("\n"):
        for mark in re.findall(r"[\[{\]}]", line):
            depth = max(depth + (1 if mark in "[{" else -1), 0)
            deepest = max(deepest, depth)
        deepest = max(deepest, line.count("."))
    if deepest > kind.most_depth:
        raise kind.error(f"{source} is not valid TOML: it is nested too deeply.", kind.hint)
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise kind.error(f"{source} is not valid TOML: {safe_name(str(error)[:150])}.", kind.hint) from error
