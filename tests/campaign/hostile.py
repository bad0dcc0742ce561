"""Hostile files, numbers and machines through the real commands: every one refused in a sentence, nothing lost.

    python -m tests.campaign.hostile [--only WORD] [--part 1/8] [--root FOLDER]

Cases are laid out by class: any path that a command takes (`PATHS`), any file nested or filled beyond its kind
(`SWOLLEN`), any number in any file (`NUMBERS`), any two files of a call (`OUTPUTS`), and machines (`MACHINES`).
`--root` names another copy of the project, so that a table can be made before and after a change.
"""

from __future__ import annotations

import argparse
import copy
import hashlib
import json
import os
import re
import resource
import shutil
import signal
import sqlite3
import struct
import subprocess
import sys
import tempfile
import time
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from tests.invented_record import invented_record

from .zeros import deflated_zeros

ROOT = Path(__file__).resolve().parents[2]
#: What a refusal may take: processor seconds, and megabytes.
MOST_S, MOST_MB = 10.0, 700.0
PATIENCE_S = 60.0
MEASURE = (
    "measure",
    "inlet.jpg",
    "--turned",
    "outlet.jpg",
    "--ring",
    "ring.json",
    "--camera",
    "camera.json",
    "--out",
    "new.json",
)
ORDER = 'name = "heron"\n[stations.exit]\nangle_deg = 14.5\ntolerance_deg = 0.4\n'

Lay = Callable[[Path], tuple[str, ...]]


@dataclass(frozen=True)
class Hostile:
    """One case: `lay` changes the folder of sound files and gives the command's words; `codes` may end it.

    sound : a case that must be done, as its neighbours must not be refused; memory_mb : of address space.
    """

    name: str
    lay: Lay
    codes: frozenset[int]
    memory_mb: int | None = None
    setup: str = ""


@dataclass(frozen=True)
class Result:
    """What became of a case: "ok", or what was bad; with seconds, megabytes and what was said."""

    kind: str
    code: int | None
    seconds: float
    memory_mb: float
    text: str


# --- sound files -----------------------------------------------------------------------------------------------------


def lay_sound(folder: Path) -> None:
    """A folder with one sound file of every kind."""
    folder.mkdir(parents=True)
    for name in ("inlet.jpg", "outlet.jpg"):
        shutil.copy(ROOT / "fixtures" / "rotor-a" / name, folder / name)
    shutil.copy(ROOT / "calibration" / "trial-ring.json", folder / "ring.json")
    shutil.copy(ROOT / "calibration" / "camera-pocket7.json", folder / "camera.json")
    record = invented_record(oblique=0)
    for photo, name in zip(record["photos"], ("inlet.jpg", "outlet.jpg"), strict=True):
        digest = hashlib.sha256((folder / name).read_bytes()).hexdigest()
        photo |= {"name": name, "sha256": digest, "width": 4032, "height": 3024}
    put(folder / "record.json", record)
    put(folder / "before.json", record | {"name": "before"})
    put(folder / "edits.json", {"schema": "bladeangle-edits/1", "photos": []})
    (folder / "order.toml").write_text("[order]\n" + ORDER)
    (folder / "settings.toml").write_text('camera = "camera.json"\ntolerance_deg = 0.5\n')
    issuer = (
        "[certificate]\nidentifier = 'A'\ncountry = 'DE'\nlanguage = 'en'\nlocation = 'other'\n"
        "[laboratory]\nname = 'A'\nemail = 'a@b'\ncity = 'C'\n[customer]\nname = 'A'\nemail = 'a@b'\ncity = 'C'\n"
        "[person]\nname = 'A'\nrole = 'B'\n[item]\nmanufacturer = 'A'\nidentification = 'B'\n"
    )
    (folder / "details.toml").write_text(issuer)
    (folder / "shelf.csv").write_text("rotor,photo,standing\nheron,missing.jpg,\n")
    entry = {
        "schema": "bladeangle-tuning-log/1",
        "rotor": "heron",
        "time": "t",
        "noticed": ["slow-off-idle"],
        "angles_deg": dict.fromkeys(("entry", "middle", "exit"), 12.0),
        "standard_uncertainty_deg": dict.fromkeys(("entry", "middle", "exit"), 0.1),
        "result": None,
        "note": "",
    }
    (folder / "log.jsonl").write_text(json.dumps(entry) + "\n")
    (folder / "sheet.png").write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(100))
    (folder / "notes.txt").write_text("bladeangle measure inlet.jpg --out record.json\n")
    (folder / "photos").mkdir()


def put(path: Path, data: Any) -> None:
    """JSON, NaN and all, and lists in lists where `_nested` stands."""
    path.write_text(re.sub(r'"nested (\d+)"', lambda m: "[" * int(m[1]) + "1" + "]" * int(m[1]), json.dumps(data)))


# --- any path --------------------------------------------------------------------------------------------------------

#: What a path is an argument of: the words, with {} where it stands, and the exit codes of a refusal.
PATHS: dict[str, tuple[tuple[str, ...], int]] = {
    "photograph": (("measure", "{}", "--ring", "ring.json", "--camera", "camera.json"), 3),
    "turned": (("measure", "inlet.jpg", "--turned", "{}", "--ring", "ring.json", "--camera", "camera.json"), 3),
    "checked": (("check", "{}", "--ring", "ring.json"), 3),
    "calibrated": (("calibrate", "{}", "inlet.jpg", "--ring", "ring.json", "--out", "new.json"), 7),
    "ring": (("measure", "inlet.jpg", "--ring", "{}"), 4),
    "ring of a plan": (
        (
            "plan",
            "--diameter",
            "160",
            "--height",
            "60",
            "--blades",
            "3",
            "--entry",
            "10",
            "--exit",
            "16",
            "--ring",
            "{}",
        ),
        4,
    ),
    "camera": (("check", "inlet.jpg", "--ring", "ring.json", "--camera", "{}"), 4),
    "edits": ((*MEASURE, "--edits", "{}"), 4),
    "edits of a page": (("correct", "record.json", "--photos", ".", "--out", "new.html", "--edits", "{}"), 4),
    "settings": (("--config", "{}", "config"), 4),
    "manifest": (("batch", "{}", "--ring", "ring.json", "--out", "results"), 4),
    "order": (("verify", "record.json", "--order", "{}"), 4),
    "order of a report": (("report", "record.json", "--out", "new.html", "--order", "{}"), 4),
    "details": (("export", "record.json", "--certificate", "new.xml", "--details", "{}"), 4),
    "picture": (("order", "record.json", "--out", "new.toml", "--sheet", "new.html", "--picture", "{}"), 3),
    "record of a report": (("report", "{}", "--out", "new.html"), 8),
    "record of an order": (("order", "{}", "--out", "new.toml"), 8),
    "record of an export": (("export", "{}"), 8),
    "record of a page": (("correct", "{}", "--photos", ".", "--out", "new.html"), 8),
    "record before": (("verify", "record.json", "--order", "order.toml", "--before", "{}"), 8),
    "record to tune": (("tune", "{}", "--noticed", "slow-off-idle"), 8),
    "log": (("tune", "record.json", "--noticed", "slow-off-idle", "--log", "{}"), 8),
    "inventory": (("inventory", "{}"), 8),
}


def _fifo(path: Path) -> None:
    os.mkfifo(path)


def _device(path: Path) -> None:
    path.symlink_to("/dev/zero")


def _sparse(path: Path) -> None:
    with path.open("wb") as file:
        file.truncate(500_000_000_000)


def _noise(path: Path) -> None:
    path.write_bytes(bytes(range(256)) * 50)


def _loop(path: Path) -> None:
    path.symlink_to(path.name)


PLACES: dict[str, Callable[[Path], None]] = {
    "pipe": _fifo, "device": _device, "folder": Path.mkdir, "500 GB": _sparse, "noise": _noise, "loop": _loop,
    "empty": Path.touch, "missing": lambda path: None,
}  # fmt: skip


def _path_case(slot: str, place: str) -> Hostile:
    words, code = PATHS[slot]

    def lay(folder: Path) -> tuple[str, ...]:
        PLACES[place](folder / "given")
        return tuple("given" if word == "{}" else word for word in words)

    codes = {code}
    if place == "folder" and slot in ("photograph", "turned", "manifest"):
        codes = {2}  # a folder is another way to name photographs, and is empty here
    if slot in ("settings", "log") and place in ("empty", "missing"):
        codes |= {0}  # no settings, a new log
    if slot == "edits" and place == "empty":
        codes = {4}
    if slot == "picture" and place in ("empty", "noise"):
        codes = {2}  # read, and no picture
    if slot == "inventory":
        codes |= {9}
    return Hostile(f"path: {slot}, {place}", lay, frozenset(codes))


# --- any file beyond its kind ----------------------------------------------------------------------------------------


def _nested(depth: int) -> str:
    """What `put` writes as lists in lists; the library that writes JSON would not."""
    return f"nested {depth}"


def _text(name: str, text: str | bytes, slot: str) -> Hostile:
    words, code = PATHS[slot]

    def lay(folder: Path) -> tuple[str, ...]:
        (folder / "given").write_bytes(text.encode() if isinstance(text, str) else text)
        return tuple("given" if word == "{}" else word for word in words)

    return Hostile(f"swollen: {name}", lay, frozenset({code}))


def _changed(name: str, base: str, slot: str, change: Callable[[Any], None], group: str = "swollen") -> Hostile:
    """A sound JSON file with something changed."""
    words, code = PATHS[slot]

    def lay(folder: Path) -> tuple[str, ...]:
        data = json.loads((folder / base).read_text())
        change(data)
        put(folder / "given", data)
        return tuple("given" if word == "{}" else word for word in words)

    return Hostile(f"{group}: {name}", lay, frozenset({code}))


def _setter(*way: Any) -> Callable[[Any], None]:
    *path, last, value = way

    def change(data: Any) -> None:
        for key in path:
            data = data[key]
        data[last] = value

    return change


def segments(count: int, size: int, start: bytes = b"Exif\0\0II*\0\x08\0\0\0\0\0") -> bytes:
    """APP1 segments of a JPEG."""
    body = start + bytes(max(size - len(start), 0))
    return (b"\xff\xe1" + struct.pack(">H", len(body) + 2) + body) * count


XMP = b"http://ns.adobe.com/xap/1.0/\0"


def _jpeg(name: str, extra: Callable[[], bytes], codes: set[int]) -> Hostile:
    def lay(folder: Path) -> tuple[str, ...]:
        jpeg = (folder / "inlet.jpg").read_bytes()
        (folder / "inlet.jpg").write_bytes(jpeg[:2] + extra() + jpeg[2:])
        return ("check", "inlet.jpg", "--ring", "ring.json")

    return Hostile(f"swollen: {name}", lay, frozenset(codes))


def _chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


def _png_of_chunks() -> bytes:
    head = b"\x89PNG\r\n\x1a\n" + _chunk(b"IHDR", struct.pack(">IIBBBBB", 2000, 1500, 8, 0, 0, 0, 0))
    return head + _chunk(b"tEXt", b"a\0b") * 1_000_000


def _tiff_of_tags() -> bytes:
    """Four thousand tags that each claim the same ten megabytes."""
    tags = b"".join(struct.pack("<HHII", 33000 + k, 1, 10_000_000, 100) for k in range(4000))
    return b"II*\0\x08\0\0\0" + struct.pack("<H", 4000) + tags + bytes(10_000_100)


def _many_photographs(data: Any) -> None:
    data["photos"] = [copy.copy(data["photos"][0]) for _ in range(400)]


def _covariance(data: Any) -> None:
    data["covariance"]["matrix_deg2"] = [[0] * 2600] * 2500


SWOLLEN = [
    *(_changed(f"{slot} nested {depth} deep", base, slot, _setter(key, _nested(depth)))
      for depth in (100, 600, 5000)
      for slot, base, key in (("camera", "camera.json", "provenance"), ("ring", "ring.json", "more"),
                              ("edits of a page", "edits.json", "name"),
                              ("record of an order", "record.json", "options"), ("log", "log.jsonl", "note"))),
    *(_text(f"{slot} with {name}", text, slot) for slot in ("order", "details", "settings") for name, text in (
        ("lists nested 600 deep", "a = " + "[" * 600 + "]" * 600),
        ("a key of 40,000 parts", "a" + ".a" * 40_000 + " = 1"),
        ("a table of 40,000 parts", "[a" + '."a"' * 20_000 + "]"), ("lists nested 50,000 deep", "a = " + "[" * 50_000),
        ("a dotted key after a text", 'x = """\n"""\n' + "a" + " . a" * 20_000 + " = 1"))),
    _text("record of 45 MB of empty lists", "[" + "[]," * 15_000_000 + "[]]", "record of an order"),
    _text("record of 19 MB of empty lists", "[" + "[]," * 6_300_000 + "[]]", "record of an order"),
    _text("record of 19 MB of objects", "[" + '{"a":1},' * 2_300_000 + "{}]", "record of an order"),
    _text("record of a million numbers", '{"schema":"bladeangle-record/1","a":[' + "1," * 900_000 + "1]}",
          "record of an order"),
    _text("record of one text", '{"schema":"' + "a" * 19_000_000 + '"}', "record of an order"),
    _text("record of escapes", '{"schema":"' + "\\n" * 9_000_000 + '"}', "record of an order"),
    _text("camera of numbers", "[" + "1," * 490_000 + "1]", "camera"),
    _changed("covariance of 2500 x 2600", "record.json", "record of an order", _covariance),
    _changed("page of 400 photographs of one file", "record.json", "record of a page", _many_photographs),
    _text("manifest of 300,000 rows", "rotor,photo,standing\n" + "heron,inlet.jpg,\n" * 300_000, "manifest"),
    _text("manifest of 90,000 rotors", "rotor,photo,standing\n" + "".join(f"r{i},x.jpg,\n" for i in range(90_000)),
          "manifest"),
    _text("log of ten thousand nested lines", ("[" * 5000 + "\n") * 1000, "log"),
    _jpeg("JPEG with 1,500 large segments", lambda: segments(1500, 65000), {0, 3, 10}),
    _jpeg("JPEG with 400,000 small segments", lambda: segments(400_000, 20), {3}),
    _jpeg("JPEG with 1,500 blocks of XMP", lambda: segments(1500, 60000, XMP), {0, 3, 10}),
    _text("PNG of a million chunks", _png_of_chunks(), "checked"),
    _text("TIFF of 4,000 overlapping tags", _tiff_of_tags(), "checked"),
]  # fmt: skip


# --- any number ------------------------------------------------------------------------------------------------------

ODD: tuple[Any, ...] = (float("nan"), float("inf"), 1e300, -1e300, 1e8, -1.0, 0, "12", True, None, [], {})


def _mean_off(data: Any) -> None:
    data["rotor"]["stations"]["exit"]["angle_deg"] += 0.05


def _u_less(data: Any) -> None:
    data["blades"][0]["stations"]["exit"]["standard_uncertainty_deg"] /= 2


def _both_u_less(data: Any) -> None:
    for key in ("standard_uncertainty_deg", "expanded_uncertainty_deg"):
        data["rotor"]["stations"]["exit"][key] /= 2


def _expanded_less(data: Any) -> None:
    data["rotor"]["tip_diameter_mm"]["expanded_uncertainty"] /= 2


def _spread_less(data: Any) -> None:
    data["rotor"]["spread_deg"]["exit"]["value"] = 0.0


NUMBERS = [
    *(_changed(f"{'.'.join(map(str, way))} = {str(odd)[:9]}", f"{slot}.json", slot, _setter(*way, odd), "number")
      for slot, way in (("camera", ("parameters", "cx_px")), ("camera", ("parameters", "f_px")), ("camera", ("width",)),
                        ("ring", ("inner_radius_mm",)), ("ring", ("markers", 0, "id")),
                        ("ring", ("markers", 3, "corners_mm", 0, 1)))
      for odd in ODD if not (odd == 0 and way[-1] == "id") and not (odd is None and way[-1] == "x")),
    _changed("camera with covariance zero", "camera.json", "camera", _setter("covariance", [[0] * 8] * 8), "number"),
    _changed("camera with k1 1e8", "camera.json", "camera", _setter("parameters", "k1", 1e8), "number"),
    _changed("camera with a name of 100 kB", "camera.json", "camera", _setter("name", "n" * 100_000), "number"),
    _changed("ring with a name of 100 kB", "ring.json", "ring", _setter("name", "n" * 100_000), "number"),
    _changed("camera with provenance NaN", "camera.json", "camera", _setter("provenance", {"a": ODD[0]}), "number"),
    *(_changed(name, "record.json", "record of an order", change, "number") for name, change in (
        ("record with a mean that is not the blades'", _mean_off), ("record with a smaller u", _u_less),
        ("record with a smaller u of a mean", _both_u_less), ("record with a smaller U", _expanded_less),
        ("record with no spread", _spread_less))),
    *(Hostile(f"number: {option} {value}", lambda folder, o=option, v=value: (*MEASURE, o, v), frozenset({2}))  # type: ignore[misc]
      for option in ("--station-length", "--station-skip", "--diameter", "--check-bar")
      for value in ("nan", "inf", "-1", "1e300", "x")),
    *(Hostile(f"number: verify {option} nan", lambda folder, o=option: ("verify", "record.json", "--order",  # type: ignore[misc]
              "order.toml", o, "nan"), frozenset({2})) for option in ("--error", "--false-accept")),
    Hostile("number: --name of 100 kB", lambda folder: (*MEASURE, "--name", "n" * 100_000), frozenset({2})),
    Hostile("number: batch --time-limit 1e300", lambda folder: ("batch", "shelf.csv", "--ring", "ring.json", "--out",
            "results", "--time-limit", "1e300"), frozenset({2})),
]  # fmt: skip


# --- any two files ---------------------------------------------------------------------------------------------------


def _out(name: str, *words: str, codes: tuple[int, ...] = (2, 9), link: str = "") -> Hostile:
    def lay(folder: Path) -> tuple[str, ...]:
        if link:
            os.link(folder / link, folder / "linked")
        return words

    return Hostile(f"output: {name}", lay, frozenset(codes))


OUTPUTS = [
    _out("correct over a photograph", "correct", "record.json", "--photos", ".", "--out", "inlet.jpg"),
    _out("export over its own record", "export", "record.json", "--csv", "record.json"),
    _out("export over its record by a hard link", "export", "record.json", "--csv", "linked", link="record.json"),
    _out("workbook over the details", "export", "record.json", "--xlsx", "details.toml"),
    _out("table and workbook in one", "export", "record.json", "--csv", "new", "--xlsx", "./new"),
    _out("record and picture in one", *MEASURE, "--picture", "new.json"),
    _out("picture over notes", *MEASURE, "--picture", "notes.txt"),
    _out("record over a camera file", *MEASURE[:-1], "camera.json"),
    _out("record over an order", *MEASURE[:-1], "order.toml"),
    _out("record over another photograph", "measure", "inlet.jpg", "--ring", "ring.json", "--out", "outlet.jpg"),
    _out("sheet over the record", "order", "record.json", "--out", "new.toml", "--sheet", "record.json"),
    _out("order and sheet in one", "order", "record.json", "--out", "new", "--sheet", "new"),
    _out("order over the settings", "order", "record.json", "--out", "settings.toml"),
    _out("report over the order", "report", "record.json", "--out", "order.toml", "--order", "order.toml"),
    _out("report over a photograph", "report", "record.json", "--photos", ".", "--out", "inlet.jpg"),
    _out("report and plot in one", "report", "record.json", "--out", "new.svg", "--plot", "new.svg"),
    _out("calibration over a photograph", "calibrate", "inlet.jpg", "--ring", "ring.json", "--out", "inlet.jpg"),
    _out("calibration over the ring", "calibrate", "inlet.jpg", "--ring", "ring.json", "--out", "ring.json"),
    _out("plan over the ring", *PATHS["ring of a plan"][0][:-1], "ring.json", "--out", "ring.json"),
    _out("certificate over the details", "export", "record.json", "--certificate", "details.toml", "--details",
         "details.toml"),
    _out("log over the record", "tune", "record.json", "--noticed", "slow-off-idle", "--log", "record.json",
         codes=(2, 8, 9)),
    _out("log over a photograph", "tune", "record.json", "--noticed", "slow-off-idle", "--log", "inlet.jpg",
         codes=(2, 8, 9)),
]  # fmt: skip


# --- inventories -----------------------------------------------------------------------------------------------------


def _inventory(name: str, *changes: str, words: tuple[str, ...] = ("--record", "heron"), codes: tuple[int, ...] = (8,),
               bomb: bool = False) -> Hostile:  # fmt: skip
    def lay(folder: Path) -> tuple[str, ...]:
        from bladeangle.inventory import Inventory
        from bladeangle.records.record import record_from_dict

        with Inventory(folder / "i.sqlite", create=True) as db:
            db.add("k", "p", "heron", record_from_dict(invented_record(name="heron", oblique=0)))
        raw = sqlite3.connect(folder / "i.sqlite")
        for change in changes:
            raw.execute(change)
        if bomb:
            raw.execute("UPDATE bodies SET picture = ?", (b"\x01\x40" + deflated_zeros(3_000_000_000),))
        raw.commit()
        raw.close()
        return ("inventory", "i.sqlite", *words)

    return Hostile(f"inventory: {name}", lay, frozenset(codes))


DEEP = "[" * 600 + "]" * 600
INVENTORIES = [
    *(_inventory(f"record {name}", f"UPDATE bodies SET json = {value}") for name, value in (
        ("null", "'null'"), ("an empty object", "'{}'"), ("nested", f"'{DEEP}'"), ("a number", "7"),
        ("a blob", "x'00ff'"), ("half", "substr(json, 1, 500)"))),
    *(_inventory(f"{column} = {value} in {' '.join(words) or 'the list'}", f"UPDATE {table} SET {column} = {value}",
                 words=words)
      for table, column, words in (("records", "entry_deg", ()), ("records", "exit_u", ("--exit", "14")),
                                   ("records", "created", ("--rotor", "heron")),
                                   ("angles", "out_deg", ("--out-of-line", "--sigmas", "0.001")),
                                   ("records", "means_covariance", ("--entry", "9")))
      for value in ("'steep'", "x'00'", "9e999")
      if not (column == "created" and value != "x'00'")),
    _inventory("a view in place of a table", "DROP TABLE angles", "CREATE VIEW angles AS WITH RECURSIVE n(x) AS "
               "(SELECT 1 UNION ALL SELECT x FROM n) SELECT x AS ratio FROM n", words=("--out-of-line",), codes=(8, 9)),
    _inventory("a picture of 3 GB", words=("--record", "heron"), bomb=True, codes=(0,)),
]  # fmt: skip


# --- machines --------------------------------------------------------------------------------------------------------


MACHINES = [
    *(Hostile(f"machine: {mb} MB of address space, {words[0]}", lambda folder, w=words: w, frozenset({1}), mb)  # type: ignore[misc]
      for mb in (300, 500, 700, 900) for words in (MEASURE, ("order", "record.json", "--out", "new.toml"))),
]  # fmt: skip

CASES = [*(_path_case(slot, place) for slot in PATHS for place in PLACES), *SWOLLEN, *NUMBERS, *OUTPUTS, *INVENTORIES,
         *MACHINES]  # fmt: skip


# --- running ---------------------------------------------------------------------------------------------------------


def _contents(folder: Path) -> dict[str, Any]:
    """What every file holds; the ends of large ones."""
    found: dict[str, Any] = {}
    for path in sorted(folder.rglob("*")):
        if path.is_symlink() or not path.is_file():
            found[str(path.relative_to(folder))] = None
        elif path.stat().st_size > 100_000_000:
            found[str(path.relative_to(folder))] = path.stat().st_size
        else:
            found[str(path.relative_to(folder))] = hashlib.sha256(path.read_bytes()).hexdigest()
    return found


def _limits(memory_mb: int | None) -> None:
    most = (memory_mb or 8000) * 1_000_000
    resource.setrlimit(resource.RLIMIT_AS, (most, most))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def run(case: Hostile, folder: Path, root: Path = ROOT, patience_s: float = PATIENCE_S) -> Result:
    """Lay out and run one case."""
    lay_sound(folder)
    words = case.lay(folder)
    before = _contents(folder)
    environment = os.environ | {"BLADEANGLE_CONFIG": "", "PYTHONPATH": str(root), "OPENBLAS_NUM_THREADS": "1"}
    start = time.monotonic()
    with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
        process = subprocess.Popen(
            [sys.executable, "-m", "bladeangle", *words], cwd=folder, stdin=subprocess.DEVNULL, stdout=out, stderr=err,
            env=environment, preexec_fn=partial(_limits, case.memory_mb), start_new_session=True,
        )  # fmt: skip
        usage = None
        while time.monotonic() - start < patience_s:
            pid, status, usage = os.wait4(process.pid, os.WNOHANG)
            if pid:
                process.returncode = os.waitstatus_to_exitcode(status)
                break
            time.sleep(0.02)
        else:
            os.killpg(process.pid, signal.SIGKILL)
            _, _, usage = os.wait4(process.pid, 0)
            process.returncode = -signal.SIGKILL
        err.seek(0)
        said = err.read(5000).decode("utf-8", "replace")
    hung = process.returncode == -signal.SIGKILL
    seconds = patience_s if hung else usage.ru_utime + usage.ru_stime
    memory = usage.ru_maxrss / 1024
    code = None if hung else process.returncode
    return Result(_judged(case, code, said, seconds, memory, before, folder), code, seconds, memory, said.strip())


def _judged(case: Hostile, code: int | None, said: str, seconds: float, memory: float, before: dict[str, Any],
            folder: Path) -> str:  # fmt: skip
    after = _contents(folder)
    # a log is added to, and the inventory's pages may be written when it is opened
    if [n for n, content in before.items() if after.get(n) != content and n not in ("given", "log.jsonl")]:
        return "DESTROYED"
    if code is None:
        return "HANG"
    if code < 0 or "Traceback" in said or "fault of ours" in said or (code == 1 and 1 not in case.codes):
        return "CRASH"
    if memory > MOST_MB:
        return "MEMORY"
    if seconds > MOST_S:
        return "SLOW"
    if code not in case.codes:
        return "UNEXPECTED"
    if code and code != 10 and code != 2 and not any(line.startswith("Error: ") for line in said.splitlines()):
        return "NO SENTENCE"
    if code and [n for n in after if n not in before and not n.startswith("results")]:
        return "LEFT-BEHIND"
    return "ok"


def main() -> int:
    """Run cases and print a line each; 1 when one is bad."""
    parser = argparse.ArgumentParser(prog="python -m tests.campaign.hostile", description=__doc__,
                                     formatter_class=argparse.RawDescriptionHelpFormatter)  # fmt: skip
    parser.add_argument("--only", default="", metavar="WORD", help="cases whose name has it")
    parser.add_argument("--part", default="1/1", metavar="K/N", help="every Nth case, from the Kth on")
    parser.add_argument("--root", type=Path, default=ROOT, metavar="FOLDER")
    parser.add_argument("--patience", type=float, default=PATIENCE_S, metavar="S", help="longer hangs")
    parser.add_argument("--all", action="store_true", help="print good cases, too")
    args = parser.parse_args()
    counts: dict[str, int] = {}
    slowest = largest = 0.0
    first, step = (int(number) for number in args.part.split("/"))
    for number, case in list(enumerate(c for c in CASES if args.only in c.name))[first - 1 :: step]:
        with tempfile.TemporaryDirectory(prefix="hostile-") as folder:
            result = run(case, Path(folder) / "case", args.root.resolve(), args.patience)
        counts[result.kind] = counts.get(result.kind, 0) + 1
        slowest, largest = max(slowest, result.seconds), max(largest, result.memory_mb)
        if args.all or result.kind != "ok":
            text = result.text.splitlines()[-1][:160] if result.text else ""
            sys.stdout.write(f"{number:4} {case.name:60} {result.kind} ({result.code}) {result.seconds:.1f} s "
                             f"{result.memory_mb:.0f} MB {text}\n")  # fmt: skip
            sys.stdout.flush()
    sys.stdout.write(f"{sum(counts.values())} cases: {counts}; slowest {slowest:.1f} s, largest {largest:.0f} MB\n")
    return int(bool(set(counts) - {"ok"}))


if __name__ == "__main__":
    sys.exit(main())
