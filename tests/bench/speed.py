"""How long a measurement takes, as a ratio to reading the same photographs.

On the command line, from the project's root::

    python -m tests.bench.speed                 the shipped pair
    python -m tests.bench.speed FOLDER [--camera FILE] [--ring FILE] [--times 5]

FOLDER has `inlet.jpg` and `outlet.jpg` from above, the rotor turned over between them, and any `around-*.jpg` from the
sides, standing as in `inlet.jpg`. Printed are the stages, each as a ratio to `cv2.imread` of the same files in the same
run (the least processor time of several runs, all on one thread), and what that comes to on the clock as people wait
for it, with photographs read side by side; start-up and the whole command in fresh processes with their peak memory;
and how the adjustment grows with the photographs (simulated). Processor time hardly counts what else the machine does,
but shared caches make every stage slower; on the clock the machine must have nothing else to do.

Reading is timed between the measurements, in a process of its own: in one whose measurement of eight photographs has
left memory behind, OpenCV has it already and reads in two thirds of the time, now and then.
"""

# ruff: noqa: E402 - the number of threads is set before numpy is imported
from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import argparse
import contextlib
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tests"))  # the simulation lies beside the tests

from simulated import observe
from simulated_run import start_state
from simulated_truth import random_truth

from bladeangle.adjustment import adjust as adjustment
from bladeangle.base.files import import_cv2
from bladeangle.detection import blade_ends, edges, hub, oblique, outline
from bladeangle.imaging.camera import read_camera
from bladeangle.imaging.ring import read_ring
from bladeangle.pipeline import adjusted, assemble, judged, measure, register, sight
from bladeangle.records import record

#: Stage -> the functions that it is made of, by the module in which the measurement looks them up.
STAGES: dict[str, list[tuple[Any, str]]] = {
    "read": [(sight, "read_photo")],
    "detect ring": [(sight, "sight_ring"), (sight, "start_pose"), (sight, "judge")],
    "hub": [(hub, "find_hub")],
    "outline": [(outline, "find_outlines")],
    "radius from the sides": [(oblique, "find_radius"), (oblique, "find_thickness")],
    "edges": [(edges, "measure_tips"), (blade_ends, "measure_ends")],
    "adjust, on the way": [],
    "adjust, last": [],
    "stations, diagnostics": [(judged, "measure_stations"), (judged, "diagnose")],
    "advice": [(judged, "next_photograph")],
    "record, write": [(assemble, "record_of"), (record, "write_record")],
}
#: What is asked for: the whole over reading, for a pair and for eight photographs; start-up, s; peak memory, MB.
MOST_RATIO = {2: 4.0, 8: 5.0}
MOST_START_S, MOST_MEMORY_MB = 0.6, 600
#: The last adjustment of a pair and of eight photographs, s.
MOST_ADJUST_S = {2: 0.3, 8: 1.0}


def photos_of(folder: Path) -> tuple[list[Path], list[Path]]:
    """Photographs standing inlet up, and turned over."""
    return [folder / "inlet.jpg", *sorted(folder.glob("around-*.jpg"))], [folder / "outlet.jpg"]


@contextlib.contextmanager
def stopwatches() -> Iterator[dict[str, float]]:
    """Stage -> seconds spent in it while the block runs."""
    spent = dict.fromkeys(STAGES, 0.0)

    def timed(name: str, call: Callable[..., Any]) -> Callable[..., Any]:
        def run(*arguments: Any, **named: Any) -> Any:
            begun = time.process_time()
            result = call(*arguments, **named)
            spent[name] += time.process_time() - begun
            return result

        return run

    def timed_adjust(*arguments: Any, **named: Any) -> Any:
        name = "adjust, last" if named.get("must_settle", True) else "adjust, on the way"
        return timed(name, adjustment.adjust)(*arguments, **named)

    with contextlib.ExitStack() as stack:
        for stage, functions in STAGES.items():
            for module, name in functions:
                stack.enter_context(mock.patch.object(module, name, timed(stage, getattr(module, name))))
        for module in (register, adjusted):
            stack.enter_context(mock.patch.object(module, "adjust", timed_adjust))
        yield spent


def once(folder: Path, camera: Path, ring: Path, out: Path, at_once: int) -> None:
    """Measure and write, as the command does."""
    standing, turned = photos_of(folder)
    found = measure.measure(standing, turned, read_ring(ring), read_camera(camera), at_once=at_once)
    record.write_record(assemble.record_of(found, folder.name), out)


def stages(folder: Path, camera: Path, ring: Path, times: int) -> None:
    """Print the table of stages."""
    import_cv2().setNumThreads(1)
    files = [str(p) for group in photos_of(folder) for p in group]
    reading, whole = np.inf, np.inf  # processor time
    waiting, waited = np.inf, np.inf  # on the clock, for the same
    best: dict[str, float] = {}
    with tempfile.TemporaryDirectory() as out:
        for _ in range(times):
            spent_reading, waited_reading = reading_alone(files)
            reading, waiting = min(reading, spent_reading), min(waiting, waited_reading)
            with stopwatches() as spent:
                begun = time.process_time()
                once(folder, camera, ring, Path(out) / "record.json", 1)
                whole = min(whole, time.process_time() - begun)
            begun_at = time.perf_counter()
            once(folder, camera, ring, Path(out) / "record.json", sight.AT_ONCE)
            waited = min(waited, time.perf_counter() - begun_at)
            best = {k: min(v, best.get(k, np.inf)) for k, v in spent.items()}
    print(f"{len(files)} photographs of {folder.name}, ratios to reading them with OpenCV ({1000 * reading:.0f} ms)")
    for name, seconds in best.items():
        if seconds:
            most = MOST_ADJUST_S.get(len(files)) if name == "adjust, last" else None
            print(f"  {name:24}{seconds / reading:7.2f}{1000 * seconds:9.0f} ms{_limit(seconds, most)}")
    print(f"  {'the rest':24}{(whole - sum(best.values())) / reading:7.2f}")
    print(f"  {'all, on one thread':24}{whole / reading:7.2f}{1000 * whole:9.0f} ms")
    ratio = _limit(waited / waiting, MOST_RATIO.get(len(files)))
    print(f"  {'all, on the clock':24}{waited / waiting:7.2f}{1000 * waited:9.0f} ms{ratio}")


def reading_alone(files: Sequence[str]) -> tuple[float, float]:
    """The least processor time, s, and time on the clock of reading the files with OpenCV, in a new interpreter."""
    code = (
        f"import time, cv2; cv2.setNumThreads(1); files = {list(files)!r}; spent = []\n"
        "for _ in range(3):\n"
        "    begun = time.process_time(), time.perf_counter()\n"
        "    for file in files: cv2.imread(file)\n"
        "    spent.append((time.process_time() - begun[0], time.perf_counter() - begun[1]))\n"
        "print(*(min(column) for column in zip(*spent)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    processor, clock = map(float, done.stdout.split())
    return processor, clock


def _limit(value: float, most: float | None) -> str:
    """In words what is asked for, and whether it is missed."""
    return "" if most is None else f" (asked for: {most:g}{'' if value <= most else ', missed'})"


def fresh(folder: Path, camera: Path, ring: Path) -> None:
    """Print start-up and the whole command in fresh processes: processor time and peak memory."""
    standing, turned = photos_of(folder)
    with tempfile.TemporaryDirectory() as out:
        over = [word for path in turned for word in ("--turned", str(path))]
        words = ["measure", *map(str, standing), *over, "--camera", str(camera)]
        words += ["--ring", str(ring), "--quiet", "--out", str(Path(out) / "record.json")]
        modules = "bladeangle.cli.measure, bladeangle.pipeline.assemble, bladeangle.base.files as files"
        imports = f"import {modules}; files.import_cv2()"
        runs = {
            "start-up, all imports": imports,
            "whole command": f"from bladeangle.cli.main import main; main({words!r}, standalone_mode=False)",
        }
        for name, code in runs.items():
            spent = [_fresh_process(code) for _ in range(3)]
            seconds, memory = min(s for s, _ in spent), max(m for _, m in spent)
            start = _limit(seconds, MOST_START_S) if code is imports else ""
            print(f"  {name:26}{seconds:7.2f} s{start}; peak memory {memory:.0f} MB{_limit(memory, MOST_MEMORY_MB)}")


def _fresh_process(code: str) -> tuple[float, float]:
    """Processor time, s, and peak memory, MB, of a new interpreter that runs `code`."""
    # the kernel's own count of peak memory would begin with this process's, from which the new one is forked
    used = (
        "; import resource as r; u = r.getrusage(r.RUSAGE_SELF); print(u.ru_utime + u.ru_stime, end=' ')"
        "; print(next(x for x in open('/proc/self/status') if x.startswith('VmHWM')).split()[1])"
    )
    done = subprocess.run([sys.executable, "-c", code + used], cwd=ROOT, capture_output=True, text=True, check=True)
    seconds, kilobytes = map(float, done.stdout.split()[-2:])
    return seconds, kilobytes / 1024


def growth() -> None:
    """Print how long the last adjustment takes for more and more simulated photographs."""
    print("adjustment of simulated photographs (the same places again, with other errors):")
    truth = random_truth(np.random.default_rng(7), "eight")
    for count in (8, 15, 30, 60):
        pick = [0, 1, *(2 + k % 6 for k in range(count - 2))]
        more = replace(
            truth,
            cameras=tuple(truth.cameras[k] for k in pick),
            views=tuple(truth.views[k] for k in pick),
            standing_of=tuple(truth.standing_of[k] for k in pick),
        )
        rng = np.random.default_rng(count)
        views = observe(more, rng)
        state = start_state(more, views, rng)
        begun = time.process_time()
        result = adjustment.adjust(more.ring, views, state, more.priors)
        spent = time.process_time() - begun
        each = 1000 * spent / result.iterations
        print(f"  {count:3} photographs:{spent:7.2f} s, {result.iterations} iterations of {each:.0f} ms", end="")
        print(f", {each / count:.1f} ms a photograph")


def main() -> int:
    """The command."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("folder", nargs="?", type=Path, default=ROOT / "fixtures" / "rotor-a")
    parser.add_argument("--camera", type=Path, default=ROOT / "calibration" / "camera-pocket7.json")
    parser.add_argument("--ring", type=Path, default=ROOT / "calibration" / "trial-ring.json")
    parser.add_argument("--times", type=int, default=5)
    parser.add_argument("--only", choices=("stages", "fresh", "growth"))
    chosen = parser.parse_args()
    folder, camera, ring = (p.resolve() for p in (chosen.folder, chosen.camera, chosen.ring))
    if chosen.only in (None, "stages"):
        stages(folder, camera, ring, chosen.times)
    if chosen.only in (None, "fresh"):
        fresh(folder, camera, ring)
    if chosen.only in (None, "growth"):
        growth()
    return 0


if __name__ == "__main__":
    sys.exit(main())
