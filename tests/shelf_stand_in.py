"""A stand-in for measuring, for tests of the shelf: it reads a small JSON text in place of each photograph."""

from __future__ import annotations

import functools
import json
import os
import signal
import sqlite3
import time
from pathlib import Path
from typing import Any

import pytest
from invented_record import agreeing, invented_record, ring_definition

from bladeangle import batch
from bladeangle.base.errors import PhotoError, RingNotFoundError
from bladeangle.batch import Job, Settings, jobs_in_folder, run_batch, work
from bladeangle.imaging.camera import Camera
from bladeangle.imaging.ring import Ring, ring_from_dict
from bladeangle.pipeline.measure import Options
from bladeangle.records.record import Record, record_from_dict

STAND_IN = "shelf_stand_in:stand_in"
RING = ring_from_dict(ring_definition())


def stand_in(job: Job, ring: Ring, camera: Camera | None, options: Options) -> Record:
    """A record from JSON texts: `angle_deg` shifts the entry, `do` says what goes wrong, `wait_s` how long it takes."""
    inlet_up = job.inlet_up
    try:
        told = json.loads(inlet_up[0].read_text())
    except ValueError as error:
        raise PhotoError(f"{inlet_up[0].name} is damaged.", "Copy it again.") from error
    # One line for each measurement, to count them.
    with open(inlet_up[0].parent / "measured.log", "a") as log:
        log.write(f"{os.getpid()}\n")
    time.sleep(told.get("wait_s", 0.0))
    match told.get("do"):
        case "no ring":
            raise RingNotFoundError(f"No ring is seen in {inlet_up[0].name}.", "Show the whole ring.")
        case "die":
            os._exit(3)
        case "die once" if len((inlet_up[0].parent / "measured.log").read_text().split()) == 1:
            os.kill(os.getpid(), getattr(signal, "SIGKILL", signal.SIGTERM))
        case "lose machine" if len((inlet_up[0].parent / "measured.log").read_text().split()) == 1:
            assert os.getppid() != told["spare"]
            os.kill(os.getppid(), signal.SIGKILL)
        case "fault":
            raise ZeroDivisionError("a number")
        case "memory":
            raise MemoryError
    data = invented_record(name=job.rotor, oblique=0, turned=bool(job.turned))
    for blade in data["blades"]:
        blade["stations"]["entry"]["angle_deg"] += told.get("angle_deg", 0.0)
    data["options"] |= {"diameter_mm": options.diameter_mm, "tips": options.tips}
    return record_from_dict(agreeing(data))


def put(folder: Path, *, turned: bool = True, **told: Any) -> Path:
    """A rotor's folder with its "photographs"."""
    folder.mkdir(parents=True)
    (folder / "inlet.jpg").write_text(json.dumps({"of": folder.name} | told))
    if turned:
        (folder / "outlet.JPG").write_text("{}")
    return folder


def settings(**more: Any) -> Settings:
    """Settings with the stand-in."""
    return Settings(**({"ring": RING, "camera": None, "options": Options(), "measurer": STAND_IN} | more))


def run(folder: Path, out: Path, workers: int = 1, **more: Any) -> batch.Summary:
    """The batch over a folder."""
    engine = functools.partial(batch.run_processes, workers=workers)
    return run_batch(jobs_in_folder(folder), settings(**more), out, engine)


def measured(folder: Path) -> int:
    """How often a rotor of the folder was measured."""
    return sum(len(log.read_text().split()) for log in folder.glob("*/measured.log"))


def contents(out: Path) -> tuple[dict[str, Any], dict[str, str]]:
    """Rotor -> record and rotor -> message of an inventory whose file is found whole."""
    db = sqlite3.connect(out / batch.INVENTORY)
    try:
        assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        rows = db.execute("SELECT rotor, json, key FROM records JOIN bodies USING (id)").fetchall()
        angles = db.execute("SELECT count(*) FROM angles").fetchone()[0]
        assert angles == sum(len(json.loads(text)["covariance"]["labels"]) for _, text, _ in rows)
        assert len({key for *_, key in rows}) == len(rows)
        return {r: json.loads(t) for r, t, _ in rows}, dict(db.execute("SELECT rotor, message FROM failures"))
    finally:
        db.close()


def words_of_the_command(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> list[str]:
    """Words of the command, with the stand-in in force."""
    monkeypatch.setattr(work, "MEASURER", STAND_IN)
    (tmp_path / "ring.json").write_text(json.dumps(ring_definition()))
    return ["--ring", str(tmp_path / "ring.json"), "--out", str(tmp_path / "out")]
