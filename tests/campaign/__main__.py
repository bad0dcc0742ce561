"""python -m tests.campaign: run the fault campaign and print its table; exit code 1 when anything bad happened.

A long campaign goes in pieces: with --log every outcome is kept as a line of JSON, and cases in it are not run again;
--shard 1/2 and --shard 2/2 share the cases between two runs with a log each; --table prints the table of logs.
"""

from __future__ import annotations

import argparse
import json
import shlex
import shutil
import sys
import tempfile
from collections import Counter, defaultdict
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from bladeangle.base.flags import REGISTRY

from .bases import Base, default_cache, make_base
from .cases import NAMES, lay_out
from .running import BAD, Outcome, outcome_of, with_usual_flags

#: Doubts that sound photographs may raise: random blades hide much of each other's ends, and no print was measured.
ORDINARY = {"station-cut-short", "scale-matters"}
COLUMNS = ("within", "flagged", "refused", *BAD)


@dataclass(frozen=True)
class Line:
    """One case as the log keeps it."""

    number: int
    fault: str
    rotor: int
    kind: str
    code: int
    seconds: float
    memory_mb: float
    worst_deg: float | None
    flags: tuple[str, ...]
    text: str


def find_bases(count: int, seed: int, size: tuple[int, int], cache: Path, work: Path) -> list[Base]:
    """Rotors whose sound photographs are measured; others would say nothing about faults, and are named."""
    bases: list[Base] = []
    for number in range(seed * 1000, seed * 1000 + 4 * count + 8):
        if len(bases) == count:
            break
        base, outcome = with_usual_flags(make_base(number, size, cache), work / f"base-{number}")
        doubts = {code for code in outcome.flags if REGISTRY[code].severity == "doubt"}
        if outcome.kind in ("within", "flagged") and doubts <= ORDINARY:
            bases.append(base)
        say(f"rotor {number}: {outcome.kind} ({outcome.code}) {outcome.text.splitlines()[0] if outcome.text else ''}")
    return bases


def say(text: str) -> None:
    """One line, at once."""
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def table(results: Sequence[Line]) -> str:
    """Outcomes by fault, refusals with their exit codes."""
    by_fault: dict[str, Counter[str]] = defaultdict(Counter)
    codes: dict[str, set[int]] = defaultdict(set)
    for line in results:
        by_fault[line.fault][line.kind] += 1
        if line.kind == "refused":
            codes[line.fault].add(line.code)
    lines = [f"{'fault':26}" + "".join(f"{c:>12}" for c in COLUMNS) + "  refused with"]
    for name in (n for n in NAMES if n in by_fault):
        cells = "".join(f"{by_fault[name][c] or '':>12}" for c in COLUMNS)
        lines.append(f"{name:26}{cells}  {', '.join(map(str, sorted(codes[name])))}")
    total: Counter[str] = sum(by_fault.values(), Counter())
    lines.append(f"{'all ' + str(len(results)):26}" + "".join(f"{total[c] or '':>12}" for c in COLUMNS))
    slowest, largest = max(line.seconds for line in results), max(line.memory_mb for line in results)
    mean = sum(line.seconds for line in results) / len(results)
    lines.append(f"mean {mean:.1f} s, longest {slowest:.0f} s, largest {largest:.0f} MB")
    return "\n".join(lines)


def read_log(path: Path) -> list[Line]:
    """What a log holds; a last line that an interruption cut off is left out."""
    lines = []
    for text in path.read_text(encoding="utf-8").splitlines() if path.exists() else []:
        try:
            values = json.loads(text)
        except ValueError:
            continue
        lines.append(Line(**values | {"flags": tuple(values["flags"])}))
    return lines


def as_json(line: Line) -> str:
    """One line of the log; an infinite error (another blade count) becomes 999."""
    worst = None if line.worst_deg is None else max(min(line.worst_deg, 999.0), -999.0)
    return json.dumps(vars(line) | {"worst_deg": worst})


def shard_of(text: str) -> tuple[int, int]:
    """ "2/3" -> (1, 3)."""
    part, whole = map(int, text.split("/"))
    if not 1 <= part <= whole:
        raise ValueError(text)
    return part - 1, whole


def main(argv: list[str] | None = None) -> int:
    """Run the campaign; 1 when anything of `BAD` happened."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.campaign", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--cases", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--size", default="2016x1512", metavar="WxH")
    parser.add_argument("--rotors", type=int, default=6)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--only", nargs="+", choices=NAMES, metavar="FAULT", help=", ".join(NAMES))
    parser.add_argument("--cache", type=Path, default=default_cache(), help="renders are kept here")
    parser.add_argument("--keep", type=Path, metavar="FOLDER", help="keep the files of bad cases here")
    parser.add_argument("--log", type=Path, metavar="FILE", help="keep outcomes here; cases in it are not run again")
    parser.add_argument("--shard", type=shard_of, default=(0, 1), metavar="K/N", help="every N-th case from the K-th")
    parser.add_argument("--table", nargs="+", type=Path, metavar="LOG", help="run nothing, print the table of logs")
    args = parser.parse_args(argv)
    if args.table:
        results = [line for path in args.table for line in read_log(path)]
        say(table(results) if results else "The logs are empty.")
        return int(any(line.kind in BAD for line in results))
    width, height = map(int, args.size.split("x"))
    names = args.only or NAMES
    results = read_log(args.log) if args.log else []
    part, whole = args.shard
    wanted = sorted(set(range(part, args.cases, whole)) - {line.number for line in results})
    with tempfile.TemporaryDirectory(prefix="campaign-") as temporary:
        work = Path(temporary)
        bases = find_bases(args.rotors, args.seed, (width, height), args.cache, work) if wanted else []
        if wanted and len(bases) < 2:
            say("Fewer than two rotors can be measured even without a fault.")
            return 1

        def one(number: int) -> Line:
            rng = np.random.default_rng([args.seed, number])
            base, other = (bases[i] for i in rng.permutation(len(bases))[:2])
            case = lay_out(names[number % len(names)], base, other, rng, work / f"case-{number}")
            outcome = outcome_of(case)
            if outcome.kind in BAD and args.keep:
                shutil.copytree(
                    case.folder,
                    args.keep / case.folder.name,
                    symlinks=True,
                    dirs_exist_ok=True,
                    ignore=lambda at, found: [n for n in found if (Path(at) / n).is_fifo()],
                )
            shutil.rmtree(case.folder)
            line = _line(number, case.fault, base.seed, outcome)
            if args.log:
                with args.log.open("a", encoding="utf-8") as log:
                    log.write(as_json(line) + "\n")
            shown = f"{number:4} {case.fault:24} rotor {base.seed}: {outcome.kind} ({outcome.code})"
            shown += f" {outcome.seconds:.1f} s {outcome.memory_mb:.0f} MB"
            if outcome.kind in BAD:
                shown += f"\n     {outcome.text[:600]}\n     {shlex.join(case.words)}"
            say(shown)
            return line

        with ThreadPoolExecutor(args.workers) as pool:
            results += pool.map(one, wanted)
    say(table(results) if results else "There was nothing to run.")
    return int(any(line.kind in BAD for line in results))


def _line(number: int, fault: str, rotor: int, outcome: Outcome) -> Line:
    return Line(
        number, fault, rotor, outcome.kind, outcome.code, round(outcome.seconds, 2), round(outcome.memory_mb),
        outcome.worst_deg, outcome.flags, outcome.text[:600],
    )  # fmt: skip


if __name__ == "__main__":
    sys.exit(main())
