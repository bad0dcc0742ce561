"""python -m tests.campaign: run the fault campaign and print its table; exit code 1 when anything bad happened."""

from __future__ import annotations

import argparse
import shlex
import shutil
import sys
import tempfile
from collections import Counter, defaultdict
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np

from .bases import Base, default_cache, make_base
from .cases import NAMES, Case, lay_out
from .running import BAD, Outcome, outcome_of

COLUMNS = ("within", "flagged", "refused", *BAD)


def find_bases(count: int, seed: int, size: tuple[int, int], cache: Path, work: Path) -> list[Base]:
    """Rotors whose sound photographs are measured; others would say nothing about faults, and are named."""
    bases: list[Base] = []
    for number in range(seed * 1000, seed * 1000 + 4 * count + 8):
        if len(bases) == count:
            break
        base = make_base(number, size, cache)
        case = lay_out("sound", base, base, np.random.default_rng(number), work / f"base-{number}")
        outcome = outcome_of(case)
        if outcome.kind in ("within", "flagged"):
            bases.append(base)
        say(f"rotor {number}: {outcome.kind} ({outcome.code}) {outcome.text.splitlines()[0] if outcome.text else ''}")
    return bases


def say(text: str) -> None:
    """One line, at once."""
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def table(results: Sequence[tuple[Case, Outcome]]) -> str:
    """Outcomes by fault, refusals with their exit codes."""
    by_fault: dict[str, Counter[str]] = defaultdict(Counter)
    codes: dict[str, set[int]] = defaultdict(set)
    for case, outcome in results:
        by_fault[case.fault][outcome.kind] += 1
        if outcome.kind == "refused":
            codes[case.fault].add(outcome.code)
    lines = [f"{'fault':26}" + "".join(f"{c:>12}" for c in COLUMNS) + "  refused with"]
    for name in (n for n in NAMES if n in by_fault):
        cells = "".join(f"{by_fault[name][c] or '':>12}" for c in COLUMNS)
        lines.append(f"{name:26}{cells}  {', '.join(map(str, sorted(codes[name])))}")
    total: Counter[str] = sum(by_fault.values(), Counter())
    lines.append(f"{'all ' + str(len(results)):26}" + "".join(f"{total[c] or '':>12}" for c in COLUMNS))
    slowest, largest = max(o.seconds for _, o in results), max(o.memory_mb for _, o in results)
    lines.append(f"longest {slowest:.0f} s, largest {largest:.0f} MB")
    return "\n".join(lines)


def main(argv: list[str] | None = None) -> int:
    """Run the campaign; 1 when anything of `BAD` happened."""
    parser = argparse.ArgumentParser(prog="python -m tests.campaign", description=__doc__)
    parser.add_argument("--cases", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--size", default="2016x1512", metavar="WxH")
    parser.add_argument("--rotors", type=int, default=6)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--only", nargs="+", choices=NAMES, metavar="FAULT", help=", ".join(NAMES))
    parser.add_argument("--cache", type=Path, default=default_cache(), help="renders are kept here")
    parser.add_argument("--keep", type=Path, metavar="FOLDER", help="keep the files of bad cases here")
    args = parser.parse_args(argv)
    width, height = map(int, args.size.split("x"))
    names = args.only or NAMES
    results: list[tuple[Case, Outcome]] = []
    with tempfile.TemporaryDirectory(prefix="campaign-") as temporary:
        work = Path(temporary)
        bases = find_bases(args.rotors, args.seed, (width, height), args.cache, work)
        if len(bases) < 2:
            say("Fewer than two rotors can be measured even without a fault.")
            return 1

        def one(number: int) -> tuple[Case, Outcome]:
            rng = np.random.default_rng([args.seed, number])
            base, other = (bases[i] for i in rng.permutation(len(bases))[:2])
            case = lay_out(names[number % len(names)], base, other, rng, work / f"case-{number}")
            outcome = outcome_of(case)
            if outcome.kind in BAD and args.keep:
                shutil.copytree(case.folder, args.keep / case.folder.name, symlinks=True, dirs_exist_ok=True,
                                ignore=lambda at, found: [n for n in found if (Path(at) / n).is_fifo()])
            shutil.rmtree(case.folder)
            line = f"{number:4} {case.fault:24} rotor {base.seed}: {outcome.kind} ({outcome.code})"
            line += f" {outcome.seconds:.1f} s {outcome.memory_mb:.0f} MB"
            if outcome.kind in BAD:
                line += f"\n     {outcome.text[:600]}\n     {shlex.join(case.words)}"
            say(line)
            return case, outcome

        with ThreadPoolExecutor(args.workers) as pool:
            results = list(pool.map(one, range(args.cases)))
    say(table(results))
    return int(any(outcome.kind in BAD for _, outcome in results))


if __name__ == "__main__":
    sys.exit(main())
