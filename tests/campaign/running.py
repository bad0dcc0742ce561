"""Run the command on one case under limits, and judge what became of it against the truth."""

from __future__ import annotations

import json
import os
import resource
import signal
import subprocess
import sys
import time
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from bladeangle.base.files import THREAD_VARIABLES
from bladeangle.base.flags import REGISTRY

from .bases import Base
from .cases import Case, lay_out

ROOT = Path(__file__).resolve().parent.parent.parent
#: Seconds of processor time, and of waiting (a busy machine takes its time), after which a command hangs.
LIMIT_S, PATIENCE_S = 60, 300.0
MEMORY_MB = 1500
#: A result is wrong when its error exceeds this many standard uncertainties plus so much.
SIGMAS, SPARE_DEG = 3.0, 0.1
#: Flags that name a fault though sound photographs raise them, too: ring and rotor so many times as large make the very
#: same picture, so that all that can be said of either is that nothing tells the scale, and what an angle owes to it.
NAMING = dict.fromkeys(("ring_of_another_size", "wrong_scale"), frozenset({"scale-unchecked", "scale-matters"}))
#: Outcomes that must not happen.
BAD = ("WRONG", "CRASH", "HANG", "MEMORY", "LEFT-BEHIND", "UNEXPECTED")


@dataclass(frozen=True)
class Outcome:
    """`kind`: within, flagged, refused or one of `BAD`; `code` the exit code; `text` what to read about it."""

    kind: str
    code: int
    text: str
    seconds: float
    memory_mb: float
    worst_deg: float | None = None
    flags: tuple[str, ...] = ()


def run(words: tuple[str, ...], folder: Path) -> tuple[int | None, str, float, float]:
    """Exit code (None: it hung), standard error, processor seconds and peak megabytes of `bladeangle measure`."""
    environment = os.environ | {"BLADEANGLE_CONFIG": "", "PYTHONPATH": str(ROOT)}
    environment |= dict.fromkeys(THREAD_VARIABLES, "1")
    start = time.monotonic()
    with open(folder / "stdout", "wb") as out, open(folder / "stderr", "wb") as err:
        process = subprocess.Popen(
            [sys.executable, "-m", "bladeangle", "measure", *words],
            cwd=folder,
            stdin=subprocess.DEVNULL,
            stdout=out,
            stderr=err,
            env=environment,
            preexec_fn=_guard,
        )
        while time.monotonic() - start < PATIENCE_S:
            pid, status, usage = os.wait4(process.pid, os.WNOHANG)
            if pid:
                break
            time.sleep(0.05)
        else:
            process.kill()
            _, _, usage = os.wait4(process.pid, 0)
            process.returncode = -signal.SIGKILL
            return None, "", time.monotonic() - start, usage.ru_maxrss / 1024
    seconds = usage.ru_utime + usage.ru_stime
    process.returncode = os.waitstatus_to_exitcode(status)
    said = (folder / "stderr").read_text(encoding="utf-8", errors="replace")
    code = None if process.returncode == -signal.SIGXCPU else process.returncode
    return code, said, seconds, usage.ru_maxrss / 1024


def _guard() -> None:
    """End a command that hangs, and keep a decompression bomb from taking the machine along."""
    resource.setrlimit(resource.RLIMIT_CPU, (LIMIT_S, LIMIT_S + 5))
    resource.setrlimit(resource.RLIMIT_AS, (8_000_000_000, 8_000_000_000))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def outcome_of(case: Case) -> Outcome:
    """Run a case and judge it."""
    before = {p.name for p in case.folder.rglob("*")} | {"stdout", "stderr"}
    code, said, seconds, memory = run(case.words, case.folder)
    left = {p.name for p in case.folder.rglob("*")} - before

    def outcome(kind: str, text: str = "", worst: float | None = None, flags: tuple[str, ...] = ()) -> Outcome:
        return Outcome(kind, -1 if code is None else code, text or said.strip(), seconds, memory, worst, flags)

    if code is None:
        return outcome("HANG")
    if code < 0 or code == 1 or "Traceback" in said or "Warning" in said:
        return outcome("CRASH")
    if memory > MEMORY_MB:
        return outcome("MEMORY", f"{memory:.0f} MB")
    if left - {"record.json"} or (code != 0 and left):
        return outcome("LEFT-BEHIND", f"{sorted(left)} after exit code {code}")
    if code != 0:
        if not said.startswith("Error: ") or len(said) > 2000:
            return outcome("CRASH", f"exit code {code} without a sentence: {said[:500]}")
        return outcome("refused" if code in case.allowed else "UNEXPECTED")
    record = json.loads((case.folder / "record.json").read_text(encoding="utf-8"))
    codes = tuple(sorted({f["code"] for f in record["flags"]}))
    worst, where = worst_error(record, case.base.truth)
    doubts = {c for c in codes if REGISTRY[c].severity == "doubt"}
    text = f"{where}; flags {', '.join(codes) or 'none'}"
    # a doubt that the sound photographs of this rotor raise as well does not tell of the fault
    telling = (doubts - case.base.usual) | (NAMING.get(case.fault, frozenset()) & set(codes))
    if worst > 0 and not telling:
        return outcome("WRONG", text, worst, codes)
    kind = "flagged" if telling else "within"
    return outcome(kind if kind in case.allowed else "UNEXPECTED", text, worst, codes)


def with_usual_flags(base: Base, folder: Path) -> tuple[Base, Outcome]:
    """A rotor with the flags that its sound photographs raise, and what became of those."""
    outcome = outcome_of(lay_out("sound", base, base, np.random.default_rng(base.seed), folder))
    return replace(base, usual=frozenset(outcome.flags)), outcome


def worst_error(record: dict[str, Any], truth: dict[str, Any]) -> tuple[float, str]:
    """By how much the worst angle of a record exceeds what it may be off (degrees, negative: none), and where.

    A wrong blade count or hand is infinitely wrong. Every station of every blade and every mean counts.
    """
    rotor, true = record["rotor"], truth["rotor"]
    if (rotor["blade_count"], rotor["hand"]) != (true["blades"], true["hand"]):
        return float("inf"), f"{rotor['blade_count']} {rotor['hand']} for {true['blades']} {true['hand']}"
    entries = []
    for station in ("entry", "middle", "exit"):
        angles = [blade["mid"][station] for blade in truth["blades"]]
        found = [blade["stations"][station] for blade in record["blades"]]
        entries += [(f"{i + 1}.{station}", f, t) for i, (f, t) in enumerate(zip(found, angles, strict=True))]
        if all(found):  # a mean over some of the blades is another quantity
            entries.append((f"mean {station}", rotor["stations"][station], sum(angles) / len(angles)))
    worst = (-float("inf"), "nothing measured")
    for name, station, angle in entries:
        if station is None:
            continue
        off, u = station["angle_deg"] - angle, station["standard_uncertainty_deg"]
        worst = max(worst, (abs(off) - SIGMAS * u - SPARE_DEG, f"{name} off by {off:+.2f} deg, u {u:.2f}"))
    return worst
