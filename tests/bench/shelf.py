"""Speed and memory of the shelf: `python tests/bench/shelf.py [inventory|memory|workers FOLDER CAMERA RING]`.

inventory : the queries over 100,000 records, in ms and as a ratio to one plain pass over the same table.
memory : peak memory of the batch's own process over 100 and 1,000 rotors that are measured by a stand-in.
workers : one worker against two over a folder of photographed rotors, and both against reading the photographs.
"""

from __future__ import annotations

import functools
import json
import resource
import sqlite3
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1])]

from invented_record import invented_record, ring_definition  # noqa: E402

from bladeangle import batch  # noqa: E402
from bladeangle.batch import engines  # noqa: E402
from bladeangle.imaging.ring import ring_from_dict  # noqa: E402
from bladeangle.inventory import Inventory, Wanted  # noqa: E402
from bladeangle.pipeline.measure import Options  # noqa: E402
from bladeangle.records.record import Record, record_from_dict  # noqa: E402

RECORDS = 100_000
LIMIT_MS = 50.0


def fill(path: Path, count: int) -> None:
    """An inventory of random rotors, one in five measured twice; bodies are short, since no query reads them."""
    rng = np.random.default_rng(5)
    covariance = json.dumps((0.01 * np.eye(3)).tolist())
    with Inventory(path, create=True) as db, db._transaction():
        for i in range(count):
            means = [float(rng.normal(m, 1.5)) for m in (9.5, 12.0, 14.5)]
            sizes = [float(rng.normal(76, 3)), 0.3, float(rng.normal(156, 4)), 0.1]
            twice = i % 5 == 4
            head = [i, f"key {i}", f"photos {i}", f"rotor {i - 1 if twice else i}", "2026-11-25T10:00:00Z"]
            row = [*head, "phone", int(rng.integers(3, 5)), ("left", "right")[i % 2]]
            row += [x for m in means for x in (m, 0.1)] + [
                covariance,
                *sizes,
                0,
                0 if i % 5 == 3 and i + 1 < count else 1,
            ]
            db._db.execute(f"INSERT INTO records VALUES ({', '.join('?' * len(row))})", row)
            db._db.execute("INSERT INTO bodies VALUES (?, ?, NULL)", (i, "{}"))
            for b in range(1, 4):
                for station, mean in zip(("entry", "middle", "exit"), means, strict=True):
                    out = float(rng.normal(0, 0.25))
                    line = (i, b, station, mean + out, 0.2, out, 0.25, abs(out) / 0.25)
                    db._db.execute("INSERT INTO angles VALUES (?, ?, ?, ?, ?, ?, ?, ?)", line)


def best_ms(action: Callable[[], Any], times: int = 7) -> float:
    """The least of several runs, ms."""
    took = []
    for _ in range(times):
        start = time.perf_counter()
        action()
        took.append(time.perf_counter() - start)
    return 1000 * min(took)


def inventory() -> None:
    """Print every query's time over `RECORDS` records, opening the file included."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "shelf.sqlite"
        fill(path, RECORDS)
        print(f"{RECORDS} records, {path.stat().st_size / 1e6:.0f} MB")
        raw = sqlite3.connect(path)
        names = "rotor, entry_deg, middle_deg, exit_deg, hub_mm"
        plain = best_ms(lambda: raw.execute(f"SELECT {names} FROM records").fetchall(), 3)
        raw.close()
        questions: dict[str, Callable[[Inventory], Any]] = {
            "near, entry": lambda db: db.near(Wanted(entry_deg=9.5)),
            "near, entry and exit and hub": lambda db: db.near(Wanted(9.5, None, 14.5, 75.0)),
            "near, with blades and hand": lambda db: db.near(Wanted(9.5, None, 14.5, 75.0, 3, "left")),
            "near, few are": lambda db: db.near(Wanted(9.5, None, 8.5, 86.0)),
            "near, nothing is": lambda db: db.near(Wanted(30.0, 30.0, 40.0, 10.0)),
            "near, no such rotor": lambda db: db.near(Wanted(9.5, blade_count=9)),
            "a rotor over time": lambda db: db.history("rotor 4003"),
            "its repeatability": lambda db: db.repeat_study(["rotor 3"]),
            "out of line": lambda db: db.out_of_line(),
            "out of line, by 0.9 deg": lambda db: db.out_of_line(2.0, 0.9),
            "the list": lambda db: db.shelf(100),
            "counts": lambda db: db.count(),
        }
        for name, question in questions.items():

            def asked(question: Callable[[Inventory], Any] = question) -> None:
                with Inventory(path) as db:
                    question(db)

            took = best_ms(asked)
            verdict = "" if took < LIMIT_MS else f"  over {LIMIT_MS:g} ms"
            print(f"{name:32} {took:7.2f} ms  {took / plain:6.3f} of a plain pass ({plain:.0f} ms){verdict}")


def stand_in(
    _standing: Sequence[Path], _turned: Sequence[Path], _ring: Any, _camera: Any, _options: Any, name: str
) -> Record:
    """A record without measuring."""
    return record_from_dict(invented_record(name=name, oblique=0))


def memory() -> None:
    """Print the peak memory of the batch after 100 and after 1,000 rotors."""
    for count in (100, 1000):
        with tempfile.TemporaryDirectory() as folder:
            for i in range(count):
                (Path(folder) / "shelf" / f"rotor-{i:04}").mkdir(parents=True)
                (Path(folder) / "shelf" / f"rotor-{i:04}" / "inlet.jpg").write_text(str(i))
            settings = batch.Settings(ring_from_dict(ring_definition()), None, Options(), measurer="shelf:stand_in")
            engine = functools.partial(engines.run_processes, workers=1)
            start = time.monotonic()
            done = batch.run_batch(batch.jobs_in_folder(Path(folder) / "shelf"), settings, Path(folder) / "out", engine)
            peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
            worker = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
            took = (time.monotonic() - start) / count * 1000
            print(f"{done.measured:5} rotors: peak {peak:.0f} MB, worker {worker:.0f} MB, {took:.0f} ms a rotor")


def workers(folder: Path, camera: Path, ring: Path) -> None:
    """Print how much faster two workers are than one."""
    import cv2

    from bladeangle.imaging.camera import read_camera
    from bladeangle.imaging.ring import read_ring

    jobs = batch.jobs_in_folder(folder)
    paths = [str(p) for job in jobs for p in job.inlet_up + job.turned]
    cv2.setNumThreads(1)
    reading = best_ms(lambda: [cv2.imread(p) for p in paths], 2) / 1000
    settings = batch.Settings(read_ring(ring), read_camera(camera), Options())
    took = {}
    for n in (1, 2):
        with tempfile.TemporaryDirectory() as out:
            start = time.monotonic()
            batch.run_batch(jobs, settings, Path(out), functools.partial(engines.run_processes, workers=n))
            took[n] = time.monotonic() - start
        print(
            f"{n} workers: {len(jobs)} rotors in {took[n]:.1f} s, {took[n] / reading:.1f} of reading ({reading:.1f} s)"
        )
    print(f"two workers are {took[1] / took[2]:.2f} times one")


if __name__ == "__main__":
    match sys.argv[1:]:
        case ["inventory"]:
            inventory()
        case ["memory"]:
            memory()
        case ["workers", folder, camera, ring]:
            workers(Path(folder), Path(camera), Path(ring))
        case _:
            sys.exit(__doc__)
