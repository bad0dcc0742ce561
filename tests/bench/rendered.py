"""Are the stated uncertainties true? Photographs of random rotors, rendered and measured, and what intervals cover.

On the command line, from the project's root::

    python -m tests.bench.rendered --cases 100 --seed 500 --workers 2 [--views eight]

prints the table of `simulate.py`. A case that is refused is named, and so is an angle that is off by more than three of
its uncertainties, with the flags of its record: it may be wrong only where it says so.
"""

# ruff: noqa: E402 - the number of threads is set before numpy is imported
from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")  # before numpy: small matrices only lose by threads

import argparse
import multiprocessing
import sys
import tempfile
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))  # what renders and simulates lies beside the tests

from rendered_rotor import EIGHT, PAIR, rendered
from simulated_run import Case

from bladeangle.base.budget import coverage_factor
from bladeangle.base.errors import BladeangleError
from bladeangle.base.flags import REGISTRY
from tests.bench.simulate import table

#: An angle off by more standard uncertainties than this is named.
NAMED = 3.0


def run(seed: int, views: tuple[str, ...]) -> tuple[Case | None, list[str]]:
    """One case, if it was measured, and what is to be said of it."""
    with tempfile.TemporaryDirectory() as folder:
        try:
            found, truth = rendered(Path(folder), seed, views)
        except BladeangleError as error:
            return None, [f"rotor {seed} is refused: {error.message}"]
    stations = found.stations
    true = np.array([truth["blades"][int(a) - 1]["mid"][s] for a, s in (x.split(".") for x in stations.labels)])
    u, factor = np.array(
        [(u, coverage_factor(dof)) for u, dof, *_ in (stations.budget.angle(k) for k in range(len(true)))]
    ).T
    doubts = sorted({f.code for f in found.flags if REGISTRY[f.code].severity == "doubt"})
    z = (stations.angle_deg - true) / u
    said = [
        f"rotor {seed}: {stations.labels[k]} is off by {z[k]:+.1f} u ({z[k] * u[k]:+.2f} deg), doubts: {doubts}"
        for k in np.flatnonzero(np.abs(z) > NAMED)
    ]
    unknown = np.full(len(true), np.nan)
    covariance = stations.budget.covariance_deg2
    return Case(stations.labels, true, stations.angle_deg, u, factor * u, unknown, covariance), said


def main() -> int:
    """The command."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--cases", type=int, default=100)
    parser.add_argument("--seed", type=int, default=500, help="of the first rotor")
    parser.add_argument("--views", choices=("pair", "eight"), default="pair")
    parser.add_argument("--workers", type=int, default=1)
    chosen = parser.parse_args()
    one = partial(run, views=EIGHT if chosen.views == "eight" else PAIR)
    done: list[Case] = []
    # spawned, not forked: OpenCV hangs in a fork
    with ProcessPoolExecutor(chosen.workers, mp_context=multiprocessing.get_context("spawn")) as pool:
        seeds = range(chosen.seed, chosen.seed + chosen.cases)
        for number, (case, said) in enumerate(pool.map(one, seeds), 1):
            done += [case] if case else []
            print("\n".join([*said, f"{number} of {chosen.cases}"]), file=sys.stderr)
    if not done:
        print("no case succeeded", file=sys.stderr)
        return 1
    refused = chosen.cases - len(done)
    print(f"{chosen.views}, rotors {chosen.seed} to {seeds[-1]}: {len(done)} measured, {refused} refused")
    print("\n".join(table(done)))
    return 0


if __name__ == "__main__":
    sys.exit(main())
