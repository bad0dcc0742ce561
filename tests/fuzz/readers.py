"""Targets and mutations: bytes -> a reader that takes them whole or refuses them with a sentence."""

from __future__ import annotations

import io
import json
import random
import shutil
import sys
import tempfile
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))  # for the invented record, when run as a module

from invented_record import invented_record

from bladeangle.base.config import read_config
from bladeangle.base.errors import BladeangleError
from bladeangle.base.structure import plain
from bladeangle.batch.jobs import jobs_of_manifest
from bladeangle.imaging.camera import camera_from_dict, camera_to_file, read_camera
from bladeangle.imaging.photo import read_photo
from bladeangle.imaging.ring import read_ring, ring_from_dict, ring_to_file
from bladeangle.records.edits import edits_from_dict, edits_to_file, read_edits
from bladeangle.records.exchange import to_csv
from bladeangle.records.record import read_record, record_from_dict, record_to_json
from bladeangle.shop.orders import read_order, write_order
from bladeangle.shop.tuning import RESULTS, SYMPTOMS, LogEntry, append_log, read_log

#: Values put in the place of others.
JUNK: tuple[Any, ...] = (
    None, True, 0, -1, 1, 3.5, -0.0, 1e308, -1e308, 5e-324, float("nan"), float("inf"), float("-inf"), 2**63, -(2**200),
    "", "x", "=1+1", "\ud800", "\x00", "a\nb", "9" * 400, [], {}, [[]], [1, 2], {"x": {}}, [None] * 50,
    "bladeangle-record/1", "bladeangle-record/99", "entry", "DICT_5X5_50", "DICT_", "inlet",
)  # fmt: skip
TOML_JUNK = (
    b"nan", b"inf", b"-1", b"0", b"1e400", b"9" * 400, b'"x"', b"true", b"[]", b"{}", b"1979-05-27", b'"\\ud800"',
    b'"\\u0000"', b"0x10", b'"""a\nb"""', b"3", b"86.0", b"1_0",
)  # fmt: skip


@dataclass(frozen=True)
class Target:
    """A reader: `take` reads a file and does what should follow; `seeds` are sound contents."""

    suffix: str
    take: Callable[[Path], None]
    seeds: Callable[[], list[bytes]]


def _record(path: Path) -> None:
    record = read_record(path)
    text = record_to_json(record)
    assert record_from_dict(json.loads(text)) == record
    assert to_csv([record]).count("\n") > 1


def _order(path: Path) -> None:
    order = read_order(path)
    write_order(order, path)
    assert read_order(path) == order


def _ring(path: Path) -> None:
    data = plain(ring_to_file(read_ring(path)))
    assert plain(ring_to_file(ring_from_dict(json.loads(json.dumps(data, allow_nan=False))))) == data


def _camera(path: Path) -> None:
    data = plain(camera_to_file(read_camera(path)))
    assert plain(camera_to_file(camera_from_dict(json.loads(json.dumps(data))))) == data


def _edits(path: Path) -> None:
    data = plain(edits_to_file(read_edits(path)))
    assert plain(edits_to_file(edits_from_dict(json.loads(json.dumps(data, allow_nan=False))))) == data


def _config(path: Path) -> None:
    config = read_config(path)
    for file in (config.camera, config.ring):
        assert file is None or file.is_absolute()


def _log(path: Path) -> None:
    entries = read_log(path)
    for entry in entries[:1]:
        append_log(path, entry)
        assert read_log(path) == (*entries, entry)


def _manifest(path: Path) -> None:
    for job in jobs_of_manifest(path):
        assert job.rotor and (job.inlet_up or job.turned)
        json.dumps([job.rotor, *map(str, (*job.inlet_up, *job.turned)), job.given], allow_nan=False).encode()


def _photo(path: Path) -> None:
    photo = read_photo(path, 2e6)
    assert photo.grey.shape == photo.encoded.shape == (photo.height, photo.width)
    assert photo.grey.dtype == np.uint16
    assert photo.exif.orientation in (None, *range(1, 9))


def _pictures() -> list[bytes]:
    from PIL import Image

    y, x = np.mgrid[0:640, 0:640]
    picture = Image.fromarray(((x // 40 + y // 40) % 2 * 200 + 20).astype(np.uint8))
    exif = Image.Exif()
    exif[0x0112], exif[0x010F] = 6, "Workshop"
    exif.get_ifd(0x8769)[0xA405] = 26
    kinds: list[tuple[str, dict[str, Any]]] = [
        ("JPEG", {"exif": exif.tobytes()}), ("JPEG", {"progressive": True}), ("PNG", {"exif": exif.tobytes()}),
        ("TIFF", {"compression": "tiff_deflate"}),
    ]  # fmt: skip
    out = []
    for kind, more in kinds:
        buffer = io.BytesIO()
        picture.save(buffer, kind, **more)
        out.append(buffer.getvalue())
    return out


def _jsons(part: str | None) -> list[bytes]:
    data = invented_record(oblique=0)
    return [json.dumps(data if part is None else data[part]).encode()]


def _edit_seeds() -> list[bytes]:
    struck = {"kind": "tip", "blade": 2, "face": "inlet", "along_px": [[1, 2], [3, 4.5]], "reach_px": 3.0}
    added = {"kind": "hub", "blade": None, "face": None, "px": [[5, 6]], "sigma_px": 1.0}
    photo = {"sha256": "0f" * 32, "name": "a.jpg", "struck": [struck], "added": [added]}
    return [json.dumps({"schema": "bladeangle-edits/1", "name": "a", "created": "", "photos": [photo]}).encode()]


def _order_seeds() -> list[bytes]:
    text = """
[order]
name = "heron"
date = "2026-11-25"
notes = "."
[rotor]
tip_diameter_mm = 155.0
hand = "left"
blade_count = 3
[stations.entry]
angle_deg = 12.5
tolerance_deg = 0.5
change_deg = -1
[spread]
tolerance_deg = 0.4
[decision]
rule = "guard"
false_accept_probability = 0.02
"""
    return [text.encode()]


CONFIG = b'camera = "phone.json"\nring = "~/rings/a4.json"\ncheck_bar_mm = 99.8\ninches = true\nspread_deg = 1\n'
MANIFEST = b"rotor,photo,standing,diameter_mm\nheron,a/inlet.jpg,,155.5\nheron,a/outlet.jpg,turned,\nteal,b.jpg,,\n"


def _log_seeds() -> list[bytes]:
    angles = {"entry": 12.5, "middle": None, "exit": 15.0}
    entry = LogEntry("heron", "2026-11-25T10:00:00Z", tuple(SYMPTOMS)[:1], angles, angles, RESULTS[0], "a note")
    path = scratch() / "log"
    try:
        append_log(path, entry)
        return [path.read_bytes() * 2]
    finally:
        shutil.rmtree(path.parent)


TARGETS: dict[str, Target] = {
    "photo": Target(".jpg", _photo, _pictures),
    "record": Target(".json", _record, lambda: _jsons(None)),
    "order": Target(".toml", _order, _order_seeds),
    "ring": Target(".json", _ring, lambda: _jsons("ring")),
    "camera": Target(".json", _camera, lambda: _jsons("camera")),
    "edits": Target(".json", _edits, _edit_seeds),
    "config": Target(".toml", _config, lambda: [CONFIG]),
    "log": Target(".jsonl", _log, _log_seeds),
    "manifest": Target(".csv", _manifest, lambda: [MANIFEST, MANIFEST.replace(b",", b";")]),
}


def try_bytes(name: str, data: bytes, folder: Path) -> bool:
    """Give bytes to a reader; whether it took them. Any exception but a refusal with a sentence comes through."""
    target = TARGETS[name]
    path = folder / f"input{target.suffix}"
    path.write_bytes(data)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            target.take(path)
        except BladeangleError as error:
            refusal = error
        else:
            return True
    assert type(refusal) is not BladeangleError, "a fault of ours"
    assert refusal.message and "\n" not in refusal.message and len(refusal.message) < 1000, refusal.message
    refusal.message.encode("utf-8")
    return False


def scratch() -> Path:
    """A folder for the inputs, in memory where the system has one."""
    memory = Path("/dev/shm")
    return Path(tempfile.mkdtemp(prefix="fuzz-", dir=memory if memory.is_dir() else None))


def mutate(data: bytes, rng: random.Random) -> bytes:
    """A change that keeps JSON and TOML readable two times in three; bytes at random otherwise."""
    if rng.random() < 0.67:
        try:
            return _mutated_json(json.loads(data), rng)
        except (ValueError, RecursionError):
            pass
        if b"=" in data[:2000] and b"\0" not in data[:2000]:
            return _mutated_lines(data, rng)
    out = bytearray(data)
    for _ in range(rng.choice((1, 1, 2, 8))):
        place = rng.randrange(len(out) + 1) if rng.random() < 0.5 else rng.randrange(min(len(out), 400) + 1)
        kind = rng.randrange(4)
        if kind == 0:
            out[place : place + 1] = bytes([rng.randrange(256)])
        elif kind == 1:
            del out[place : place + rng.choice((1, 2, 4, 100))]
        elif kind == 2:
            out[place:place] = rng.randbytes(rng.choice((1, 2, 4)))
        else:
            source = rng.randrange(len(out) + 1)
            out[place:place] = out[source : source + rng.choice((2, 16, 200))]
    return bytes(out)


def _mutated_json(value: Any, rng: random.Random) -> bytes:
    for _ in range(rng.choice((1, 1, 2, 3))):
        holder, key = _somewhere(value, rng)
        if holder is None:
            value = rng.choice(JUNK)
            continue
        kind = rng.randrange(5)
        if kind < 3:
            holder[key] = rng.choice(JUNK)
        elif kind == 3:
            del holder[key]
        elif isinstance(holder, list):
            holder.insert(key, holder[rng.randrange(len(holder))])
        else:
            holder[rng.choice(("x", "schema", "name", key + " "))] = holder[key]
    return json.dumps(value).encode()


def _somewhere(value: Any, rng: random.Random) -> tuple[Any, Any]:
    """A random container in a value and a key in it; (None, None) when there is none."""
    holder, key = None, None
    while isinstance(value, dict | list) and value and (holder is None or rng.random() < 0.75):
        holder = value
        key = rng.choice(list(value)) if isinstance(value, dict) else rng.randrange(len(value))
        value = holder[key]
    return holder, key


def _mutated_lines(data: bytes, rng: random.Random) -> bytes:
    lines = data.split(b"\n")
    for _ in range(rng.choice((1, 1, 2))):
        place = rng.randrange(len(lines))
        left, sign, _ = lines[place].partition(b"=")
        kind = rng.randrange(4)
        if kind < 2 and sign:
            lines[place] = left + b"= " + rng.choice(TOML_JUNK)
        elif kind == 2:
            del lines[place]
            lines = lines or [b""]
        else:
            lines.insert(place, rng.choice(lines))
    return b"\n".join(lines)
