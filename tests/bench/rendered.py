"""Are the stated uncertainties true? Photographs of random rotors, rendered and measured, and what intervals cover.

On the command line, from the project's root::

    python -m tests.bench.rendered --kinds pair five eight change --cases 20 --used 0.7     # render, measure, forget
    python -m tests.bench.rendered --folder SETS --kinds pair --cases 100 --render-only     # render into a folder
    python -m tests.bench.rendered --folder SETS --measure --log now.jsonl                  # measure what is there

Kinds: `pair` from above, `five` and `eight` with three and six from the side, `change` a pair before and one after
bending. Seeds are new each time unless `--seed` is given. What is done is read from the log and not done again, so that
a run can be stopped; measuring anew after a change of the code needs another log. Prints for every kind the table of
`simulate.py`, the worst angles, refusals, doubts by code (false where no angle is off by three uncertainties), and the
errors of tip radii where records state them.
"""

# ruff: noqa: E402 - the number of threads is set before numpy is imported
from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")  # before numpy: small matrices only lose by threads

import argparse
import json
import multiprocessing
import shutil
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))  # what renders and simulates lies beside the tests

from rendered_sets import KINDS, SetName, outcome, render_set, set_named
from simulated_run import Case

from tests.bench.simulate import table

#: An angle off by more standard uncertainties than this is named.
NAMED = 3.0


@dataclass(frozen=True)
class Job:
    """What is done with a set: rendered (if it is not there), measured, thrown away."""

    root: Path
    width: int | None
    render: bool
    measure: bool
    keep: bool
    calibrated: bool


def run(name: SetName, job: Job) -> dict[str, Any]:
    """One set's line of the log, in a process of its own."""
    begun = time.monotonic()
    if job.render:
        render_set(name, job.root, job.width)
    rendered = time.monotonic()
    line = outcome(name, job.root, job.calibrated) if job.measure else {"set": name.folder}
    line |= {"rendering_s": round(rendered - begun, 1), "measuring_s": round(time.monotonic() - rendered, 1)}
    if not job.keep:
        shutil.rmtree(job.root / name.folder, ignore_errors=True)
    return line


def drawn(kinds: list[str], cases: int, used: float, seed: int) -> Iterator[SetName]:
    """Sets by turns of kind; whether a rotor is used is drawn from its seed."""
    for k in range(seed, seed + cases):
        for kind in kinds:
            yield SetName(kind, k, bool(np.random.default_rng([k, 77]).uniform() < used))


def case_of(line: dict[str, Any]) -> Case:
    """A log line as the tables of simulated measurements want it."""
    values = [np.array(line[k], float) for k in ("true_deg", "angle_deg", "u_deg", "half_deg")]
    unknown = np.full(len(values[0]), np.nan)
    return Case(tuple(line["labels"]), *values, unknown, np.array(line["covariance_deg2"], float))


def summary(lines: list[dict[str, Any]]) -> list[str]:
    """The report of one kind."""
    done = [line for line in lines if "refused" not in line and line["labels"]]
    refused = [line for line in lines if "refused" in line]
    out = [f"{line['set']} is refused (exit {line['exit_code']}): {line['refused']}" for line in refused]
    if not done:
        return [*out, "no set was measured"]
    cases = [case_of(line) for line in done]
    z = [(case.angle_deg - case.true_deg) / case.u_deg for case in cases]
    for line, case, off in zip(done, cases, z, strict=True):
        doubts = ", ".join(line["doubts"]) or "none"
        out += [
            f"{line['set']}: {case.labels[k]} is off by {off[k]:+.1f} u ({off[k] * case.u_deg[k]:+.2f} deg), "
            f"doubts: {doubts}"
            for k in np.flatnonzero(np.abs(off) > NAMED)
        ]
    out += table(cases)
    worst = max(float(np.abs(off).max()) for off in z)
    within = float(np.mean(np.abs(np.concatenate(z)) <= 2.0))
    out.append(
        f"worst {worst:.1f} u; within two u {100 * within:.1f} %; stations missing "
        f"{sum(line['missing'] for line in done)}; refused {len(lines) - len(done)} of {len(lines)}"
    )
    for used, word in ((True, "used"), (False, "new")):
        some = np.concatenate([np.zeros(0), *(off for line, off in zip(done, z, strict=True) if line["used"] is used)])
        if len(some):
            out.append(f"{word}: {len(some)} angles, rms z {np.sqrt(np.mean(some**2)):.2f}")
    sound = [line for line, off in zip(done, z, strict=True) if np.abs(off).max() <= NAMED]
    false = Counter(code for line in sound for code in line["doubts"])
    right = Counter(code for line in done if line not in sound for code in line["doubts"])
    out.append(
        f"false doubts in {sum(bool(line['doubts']) for line in sound)} of {len(sound)} sound sets: "
        f"{dict(false) or 'none'}; doubts where an angle is off: {dict(right) or 'none'}"
    )
    return out + _radii([line["radius"] for line in done if line.get("radius")])


def _radii(found: list[dict[str, Any]]) -> list[str]:
    if not found:
        return []
    error, u = (np.concatenate([np.array(f[k], float) for f in found]) for k in ("error_mm", "u_mm"))
    wear = np.concatenate([np.array(f["wear_mm"], float) for f in found])
    z = error[np.isfinite(u)] / u[np.isfinite(u)]
    return [
        f"tip radius: rms error {np.sqrt(np.mean(error**2)):.3f} mm, worst {np.abs(error).max():.3f} mm"
        + (f", rms z {np.sqrt(np.mean(z**2)):.2f}" if len(z) else ""),
        f"wear in the first 25 mm: rms error {np.sqrt(np.mean(wear**2)):.3f} mm, worst {np.abs(wear).max():.3f} mm",
    ]


def read_log(path: Path) -> list[dict[str, Any]]:
    """The lines of a log; a last line that was cut off is dropped."""
    out = []
    for line in path.read_text(encoding="utf-8").splitlines() if path.exists() else []:
        try:
            out.append(json.loads(line))
        except json.JSONDecodeError:
            continue
    return out


def arguments() -> argparse.Namespace:
    """What is asked for."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--kinds", nargs="+", choices=list(KINDS), default=["pair"])
    parser.add_argument("--cases", type=int, default=20, help="sets of each kind")
    parser.add_argument("--used", type=float, default=0.7, help="share of used rotors, 0 to 1; the others are new")
    parser.add_argument("--seed", type=int, help="of the first rotor; drawn anew without it")
    parser.add_argument("--width", type=int, default=3000, help="of the photographs; 0 draws 8 to 12 megapixels")
    parser.add_argument("--folder", type=Path, help="where sets are kept; else they are thrown away once measured")
    parser.add_argument("--render-only", action="store_true", help="into the folder")
    parser.add_argument("--measure", action="store_true", help="the sets of these kinds that are in the folder")
    parser.add_argument("--uncalibrated", action="store_true", help="measure without the camera file")
    parser.add_argument("--log", type=Path, help="lines of what is done; by default measured.jsonl in the folder")
    parser.add_argument("--workers", type=int, default=1)
    chosen = parser.parse_args()
    if (chosen.render_only or chosen.measure) and chosen.folder is None:
        parser.error("--render-only and --measure need --folder")
    if chosen.render_only and chosen.measure:
        parser.error("--render-only and --measure exclude each other; without both, sets are rendered and measured")
    return chosen


def main() -> int:
    """The command."""
    chosen = arguments()
    seed = chosen.seed if chosen.seed is not None else int(np.random.SeedSequence().generate_state(1)[0]) % 10**8
    root = chosen.folder or Path(tempfile.mkdtemp(prefix="rendered-"))
    root.mkdir(parents=True, exist_ok=True)
    log = chosen.log or root / "measured.jsonl"
    job = Job(
        root,
        chosen.width or None,
        not chosen.measure,
        not chosen.render_only,
        chosen.folder is not None,
        not chosen.uncalibrated,
    )
    if chosen.measure:
        names = [set_named(p.name) for p in sorted(root.glob("*-*-*")) if p.name.split("-")[0] in chosen.kinds]
        names = [n for n in names if all((f / "truth.json").exists() for f in n.folders(root))]
    else:
        names = list(drawn(chosen.kinds, chosen.cases, chosen.used, seed))
        print(f"seeds {seed} to {seed + chosen.cases - 1}", file=sys.stderr)
    lines = [] if chosen.render_only else [x for x in read_log(log) if x["set"] in {n.folder for n in names}]
    left = [n for n in names if n.folder not in {x["set"] for x in lines}]
    # spawned, not forked: OpenCV hangs in a fork
    with ProcessPoolExecutor(chosen.workers, mp_context=multiprocessing.get_context("spawn")) as pool:
        for number, future in enumerate(as_completed([pool.submit(run, name, job) for name in left]), 1):
            line = future.result()
            print(
                f"{number} of {len(left)}: {line['set']}, rendered in {line['rendering_s']} s, measured in "
                f"{line['measuring_s']} s",
                file=sys.stderr,
            )
            if job.measure:
                lines.append(line)
                with log.open("a", encoding="utf-8") as file:
                    file.write(json.dumps(line) + "\n")
    for kind in chosen.kinds if job.measure else ():
        mine = sorted((x for x in lines if x["kind"] == kind), key=lambda x: x["set"])
        if mine:
            print(f"\n{kind}: {len(mine)} sets")
            print("\n".join(summary(mine)))
    if chosen.folder is None:
        shutil.rmtree(root, ignore_errors=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
