"""Are the stated uncertainties true? Simulated measurements in numbers, and what their intervals cover.

On the command line, from the project's root::

    python -m tests.bench.simulate --kind pair --tips used --cases 1000 --workers 2

prints one table: for every station, the means over blades and the differences between blades the number of angles, the
share of the 95 % intervals that cover with its sampling error (cases are independent, angles of one case are not), the
root mean square error over the standard uncertainty, the sampled over the predicted variance, the median uncertainty,
and its ratio to that of the ideal adjustment. Cases whose record would doubt the whole fit are named apart. Case `k` of
seed `n` is the same whatever the number of cases or workers; without `--seed` it is another one every time. Edges sway
by laws that the measurement does not assume, unless `--law markov` asks for its own; only then is the ideal known.
"""

# ruff: noqa: E402 - the number of threads is set before numpy is imported
from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")  # before numpy: small matrices only lose by threads

import argparse
import math
import multiprocessing
import sys
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))  # the simulation lies beside the tests

from simulated_noise import LAWS, MARKOV, Noise
from simulated_run import Case, simulate
from simulated_truth import KINDS, STATIONS, TIPS, Changes

from bladeangle.base.errors import BladeangleError

Array = NDArray[np.float64]


def run(index: int, seed: int, kind: str, changes: Changes, noise: Noise) -> Case | str:
    """One case, or in words why it failed."""
    try:
        rng = np.random.default_rng([seed, index])
        if changes.tips == "mixed":
            changes = replace(changes, tips=str(rng.choice(["new", "used"], p=[0.3, 0.7])))
        return simulate(rng, kind, changes, noise)
    except BladeangleError as error:
        return f"case {index}: {error}"


def cases(count: int, seed: int, kind: str, changes: Changes, noise: Noise, workers: int) -> Iterator[Case | str]:
    """All cases in order."""
    one = partial(run, seed=seed, kind=kind, changes=changes, noise=noise)
    if workers == 1:
        yield from map(one, range(count))
        return
    # spawned, not forked: OpenCV hangs in a fork
    with ProcessPoolExecutor(workers, mp_context=multiprocessing.get_context("spawn")) as pool:
        yield from pool.map(one, range(count))


def combinations(case: Case) -> Iterator[tuple[str, Array, Array | None]]:
    """Name, weights (m, n) and half-widths (m,) if known: angles, means over blades, blades less the mean."""
    station = [label.split(".")[1] for label in case.labels]
    for name in STATIONS:
        here = np.flatnonzero([s == name for s in station])
        if not len(here):
            continue
        rows = np.eye(len(station))[here]
        yield name, rows, case.half_width_deg[here]
        yield f"mean {name}", rows.mean(0, keepdims=True), None
        if len(here) > 1:
            yield f"blade - mean {name}", rows - rows.mean(0), None


def table(done: list[Case]) -> list[str]:
    """The table's lines."""
    columns: dict[str, list[tuple[Array, Array, Array, Array]]] = {}
    squares = []
    for case in done:
        error = case.angle_deg - case.true_deg
        squares.append(float(error @ np.linalg.solve(case.covariance_deg2, error)) / len(error))
        for name, weights, half in combinations(case):
            e = weights @ error
            u = np.sqrt(np.einsum("mi,ij,mj->m", weights, case.covariance_deg2, weights))
            ratio = weights @ (case.u_deg / case.ideal_u_deg) if half is not None else np.full(len(e), np.nan)
            row = (e, u, 1.96 * u if half is None else half, ratio)
            columns.setdefault(name, []).append(row)
            if half is not None:
                columns.setdefault("all angles", []).append(row)
    out = [f"{'':22}{'angles':>7}{'coverage %':>14}{'rms z':>8}{'mean z':>8}{'s2/u2':>7}{'median u':>10}{'u/ideal':>9}"]
    order = ["all angles", *STATIONS, *(f"mean {s}" for s in STATIONS), *(f"blade - mean {s}" for s in STATIONS)]
    for name in order:
        rows = columns.get(name)
        if not rows:
            continue
        covers = [np.abs(e) <= half for e, _, half, _ in rows]
        share = float(np.concatenate(covers).mean())
        # clusters: the deviation of each case from the common share, summed over its angles
        off = np.array([float((c - share).sum()) for c in covers])
        sampling = float(np.sqrt((off**2).sum())) / sum(map(len, covers))
        e, u = (np.concatenate([row[k] for row in rows]) for k in (0, 1))
        ratio = np.concatenate([row[3] for row in rows])
        between = f"{np.nanmedian(ratio):9.2f}" if np.isfinite(ratio).any() else f"{'':9}"
        out.append(
            f"{name:22}{len(e):7}{100 * share:8.1f} ±{100 * sampling:4.1f}{math.sqrt(((e / u) ** 2).mean()):8.2f}"
            f"{(e / u).mean():8.2f}{(e**2).sum() / (u**2).sum():7.2f}{np.median(u):10.4f}{between}"
        )
    spread = np.std(squares) / math.sqrt(len(squares))
    out.append(f"e' C^-1 e / angles, 1 if the whole covariance is true: {np.mean(squares):.2f} ± {spread:.2f}")
    return out


def budget(done: list[Case]) -> list[str]:
    """Root mean square contribution of every budget line at every station, degrees."""
    out = [f"{'budget line, rms deg':34}" + "".join(f"{s:>9}" for s in STATIONS)]
    if not any(case.lines for case in done):
        return []
    for line in sorted({name for case in done for name in case.lines}):
        cells = []
        for station in STATIONS:
            values = [c.lines[line][[label.endswith(station) for label in c.labels]] for c in done if line in c.lines]
            cells.append(float(np.sqrt((np.concatenate(values) ** 2).mean())))
        out.append(f"{line:34}" + "".join(f"{c:9.4f}" for c in cells))
    return out


def main() -> int:
    """The command."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--kind", choices=KINDS, required=True)
    parser.add_argument("--cases", type=int, default=1000)
    parser.add_argument("--seed", type=int, help="drawn anew without it")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--rotors", action="store_true", help="smooth blades and small tilts, as rotors are")
    parser.add_argument("--tips", choices=(*TIPS, "mixed"), default="mixed", help="mixed: seven of ten rotors used")
    parser.add_argument("--law", choices=(*LAWS, MARKOV), help="of what moves edges along their length; else drawn")
    parser.add_argument(
        "--from-axis",
        type=float,
        nargs=2,
        default=(40.0, 70.0),
        metavar=("LOW", "HIGH"),
        help="where photographs from the side are taken from, deg from the axis",
    )
    parser.add_argument("--correlated", type=float, default=0.0, help="correlation of neighbouring tip points")
    parser.add_argument("--sway", type=float, default=1.0, help="sway of tip edges, in multiples of what is usual")
    parser.add_argument("--outliers", type=float, default=0.0, help="share of the tip points that are outliers")
    parser.add_argument("--seconds", type=float, default=math.inf, help="stop after this long, with what is done")
    chosen = parser.parse_args()
    noise = Noise(
        correlated=chosen.correlated,
        outliers=chosen.outliers,
        correlated_sigma=(1.0 * chosen.sway, 0.3 * chosen.sway),
        law=chosen.law,
    )
    seed = chosen.seed if chosen.seed is not None else int(np.random.SeedSequence().generate_state(1)[0])
    changes = Changes(rotors=chosen.rotors, tips=chosen.tips, from_axis_deg=tuple(chosen.from_axis))
    done: list[Case] = []
    failed: list[str] = []
    begun = time.monotonic()
    for result in cases(chosen.cases, seed, chosen.kind, changes, noise, chosen.workers):
        if isinstance(result, str):
            failed.append(result)
            print(result, file=sys.stderr)
        else:
            done.append(result)
        spent = time.monotonic() - begun
        total = len(done) + len(failed)
        if total % 10 == 0 or total == chosen.cases:
            print(f"{total} of {chosen.cases} cases, {len(failed)} failed, {spent:.0f} s", file=sys.stderr)
        if spent > chosen.seconds:
            break
    sound = [case for case in done if not case.misfits]
    if not sound:
        print("no case succeeded", file=sys.stderr)
        return 1
    others = f"{len(done) - len(sound)} doubted, {len(failed)} failed"
    print(f"{chosen.kind}, {chosen.tips} tips, seed {seed}: {len(sound)} cases, {others}")
    for case in done:
        if case.misfits:
            error = case.angle_deg - case.true_deg
            print(f"doubted ({', '.join(case.misfits)}): worst error {np.abs(error / case.u_deg).max():.1f} u")
    print("\n".join(table(sound)))
    print("\n".join(budget(sound)))
    return 0


if __name__ == "__main__":
    sys.exit(main())
