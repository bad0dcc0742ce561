"""What the tuned values do, and better ones: photographs with truth measured again and again with one of them changed.

On the command line, from the project's root::

    python -m tests.bench.tuning SETS/pair-used-1 SETS/eight-used-1 --log tuning.jsonl    # what a change of half does
    python -m tests.bench.tuning SETS --values edges.texture_share hub.needed_share       # of some values
    python -m tests.bench.tuning SETS/pair-new-1 --tips new --values new_tips.            # of rotors known to be new
    python -m tests.bench.tuning SETS --fit --values priors.tilt_sigma_deg                # the best value

FOLDERS are folders of photographs with `truth.json`, or hold such folders: what `tests.bench.rendered` renders, and
`fixtures/rotor-a`. `ring.json` and `camera.json` beside the photographs count before `--ring` and `--camera`.
Photographs named `turned*` or `outlet*` show the rotor turned over.

Each value is made half and half more (counts by one at least); what is printed is the largest and the root mean square
change of an angle in its standard uncertainty u, by how much more of them lie within two u of the truth, and by how
much larger z2 is, the sum of the squares of error over u. A value that no measurement reads does nothing and is said
to. What is done is read from the log and not done again; after a change of the code another log is needed.

With `--fit` the named values are searched for one after the other, until none gets better, for the least
`bladeangle.tuning.tree.OBJECTIVE`. All photographs are kept in memory.
"""

# ruff: noqa: E402 - the number of threads is set before numpy is imported
from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")  # before numpy: small matrices only lose by threads

import argparse
import contextlib
import json
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bladeangle.adjustment.tip_radius import CONDITIONS
from bladeangle.base.errors import BladeangleError
from bladeangle.base.files import import_cv2
from bladeangle.imaging.camera import Camera, read_camera
from bladeangle.imaging.ring import Ring, read_ring
from bladeangle.pipeline.adjusted import adjusted
from bladeangle.pipeline.judged import judged
from bladeangle.pipeline.measure import nothing
from bladeangle.pipeline.options import Options
from bladeangle.pipeline.outlines import outlined
from bladeangle.pipeline.register import registered
from bladeangle.pipeline.sight import sighted
from bladeangle.pipeline.sorting import PHOTO_SUFFIXES, TURNED_PREFIXES
from bladeangle.tuning.tree import OBJECTIVE, TUNING
from bladeangle.tuning.value import NOT_READ

Array = NDArray[np.float64]
#: What values are multiplied by.
HALF, HALF_MORE = 0.5, 1.5
#: Steps of the search for the best value, as factors, wide ones first.
STEPS = (2.0, 1.4, 1.15)
#: What an angle that is not measured counts as in the objective: known to ten degrees.
UNKNOWN = float(np.log(10.0)) + 0.5
#: Stages of a measurement, in order.
STAGES = ("sighted", "outlined", "registered", "adjusted", "judged")


# --- values ----------------------------------------------------------------------------------------------------------


def value_of(name: str) -> Any:
    """The value called `group.value`."""
    group, field = name.split(".")
    return getattr(getattr(TUNING, group), field)


@contextlib.contextmanager
def varied(name: str, value: Any) -> Iterator[None]:
    """The tuned value is another one, in this process, for a while."""
    group, field = name.split(".")
    before = value_of(name)
    object.__setattr__(getattr(TUNING, group), field, value)  # frozen for everybody else
    forget()
    try:
        yield
    finally:
        object.__setattr__(getattr(TUNING, group), field, before)
        forget()


def forget() -> None:
    """Empty what functions of the measurement keep, as it may follow from tuned values."""
    for name, module in list(sys.modules.items()):
        if name.startswith("bladeangle.") and name.split(".")[1] in ("imaging", "detection", "adjustment", "results"):
            for one in vars(module).values():
                if callable(clear := getattr(one, "cache_clear", None)):
                    clear()


def scaled(value: Any, factor: float) -> Any:
    """The value times a factor; counts are whole, at least one, and change."""
    if isinstance(value, tuple):
        return tuple(scaled(one, factor) for one in value)
    if isinstance(value, int):
        other = max(round(value * factor), 1)
        return other if other != value else max(value + (1 if factor > 1 else -1), 1)
    return value * factor


@contextlib.contextmanager
def noting(read: set[str]) -> Iterator[None]:
    """Add the names of the tuned values that are read meanwhile, of their groups or of changed copies of these."""
    kinds: dict[type, str] = {type(group): name for name, group in TUNING.groups()}
    values = {name for name, _, _ in TUNING.values()}

    def watch(group: str) -> Callable[[Any, str], Any]:
        def get(self: Any, attribute: str) -> Any:
            if f"{group}.{attribute}" in values:
                read.add(f"{group}.{attribute}")
            return object.__getattribute__(self, attribute)

        return get

    for kind, group in kinds.items():
        kind.__getattribute__ = watch(group)  # type: ignore[method-assign, assignment]
    try:
        yield
    finally:
        for kind in kinds:
            del kind.__getattribute__


# --- measuring -------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Found:
    """What a measurement gave for each true angle (n,), deg; nan where it gave none. refused : why, if it was."""

    angle_deg: Array
    u_deg: Array
    refused: str = ""


class PhotoSet:
    """Photographs with truth, and the stages of their measurement with the values as they are."""

    def __init__(self, folder: Path, ring: Ring, camera: Camera, tips: str = Options.tips) -> None:
        self.name, self.ring, self.camera, self.options = folder.name, ring, camera, Options(tips=tips)
        photos = sorted(
            (p for p in folder.iterdir() if p.suffix.lower() in PHOTO_SUFFIXES),
            key=lambda p: (not p.name.startswith("inlet"), p.name),
        )
        over = [p.name.lower().startswith(TURNED_PREFIXES) for p in photos]
        self.named = [(p, "inlet_up") for p, turned in zip(photos, over, strict=True) if not turned]
        self.named += [(p, "outlet_up") for p, turned in zip(photos, over, strict=True) if turned]
        blades = json.loads((folder / "truth.json").read_text(encoding="utf-8"))["blades"]
        self.true = {f"{b}.{name}": float(x) for b, one in enumerate(blades, 1) for name, x in one["mid"].items()}
        self.true_deg = np.array(list(self.true.values()))
        self.stages: dict[str, Any] = {}
        self.read: dict[str, str] = {}
        self.before = self.measure("sighted", first=True)
        if self.before.refused:
            raise ValueError(f"{folder} is refused as it is: {self.before.refused}")

    def measure(self, begin: str, *, first: bool = False) -> Found:
        """Measured from one of `STAGES` on; first : keep the stages, and which values each is the first to read."""
        done = dict(self.stages)
        for stage in STAGES[STAGES.index(begin) :]:
            read: set[str] = set()
            if first:
                forget()
            try:
                with noting(read) if first else contextlib.nullcontext():
                    done[stage] = self._stage(stage, done)
            except (BladeangleError, ArithmeticError, ValueError, IndexError, np.linalg.LinAlgError) as error:
                none = np.full(len(self.true), np.nan)
                return Found(none, none, f"{type(error).__name__}: {error}")
            for name in sorted(read):
                self.read.setdefault(name, stage)
        if first:
            self.stages = done
        stations = done["judged"].stations
        at = {label: k for k, label in enumerate(stations.labels)}
        u = np.sqrt(np.diag(stations.budget.covariance_deg2))
        angle_deg, u_deg = (
            np.array([values[at[label]] if label in at else np.nan for label in self.true], float)
            for values in (stations.angle_deg, u)
        )
        return Found(angle_deg, u_deg)

    def _stage(self, stage: str, done: dict[str, Any]) -> Any:
        if stage == "sighted":
            return sighted(self.named, self.ring, self.camera, None, 1, nothing)
        if stage == "outlined":
            return outlined(done["sighted"], self.options, nothing)
        if stage == "registered":
            return registered(done["outlined"], nothing)
        if stage == "adjusted":
            return adjusted(done["registered"], self.options)
        return judged(done["adjusted"], done["sighted"].camera, self.options, None)

    def changed(self, name: str, value: Any) -> Found:
        """Measured with another value, from the first stage on that reads it."""
        with varied(name, value):
            return self.measure(self.read[name]) if name in self.read else self.before


# --- what a change does ----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Effect:
    """What a change of a value does.

    largest, rms : change of an angle in u. coverage : change of the share of angles within two u of the truth.
    squares : change of the sum of squared errors over u, as a share. lost : angles that are no longer measured.
    """

    largest: float
    rms: float
    coverage: float
    squares: float
    lost: int

    def words(self) -> str:
        """In short."""
        out = []
        if self.largest >= 5e-4:
            out.append(f"{self.largest:.2g} u at most, {self.rms:.2g} rms")
        if abs(self.coverage) >= 5e-4:
            out.append(f"coverage {100 * self.coverage:+.1f} %")
        if abs(self.squares) >= 5e-3:
            out.append(f"z2 {100 * self.squares:+.0f} %")
        if out and self.largest < 5e-4:
            out.insert(0, "angles same")
        if self.lost:
            out.append(f"{self.lost} angle{'s' if self.lost > 1 else ''} lost")
        return ", ".join(out) or "nothing"


def effect(before: Found, after: Found, true_deg: Array) -> Effect:
    """Of a change, from what was found before and after; angles lost count only as lost."""
    both = np.isfinite(before.angle_deg) & np.isfinite(after.angle_deg)
    lost = int((np.isfinite(before.angle_deg) & ~np.isfinite(after.angle_deg)).sum())
    if not both.any():
        return Effect(0.0, 0.0, 0.0, 0.0, lost)
    moved = (after.angle_deg - before.angle_deg)[both] / before.u_deg[both]
    z0, z1 = ((found.angle_deg - true_deg)[both] / found.u_deg[both] for found in (before, after))
    coverage = float((np.abs(z1) <= 2).mean() - (np.abs(z0) <= 2).mean())
    squares = float((z1**2).sum() / max((z0**2).sum(), 1e-12) - 1)
    return Effect(float(np.abs(moved).max()), float(np.sqrt(np.mean(moved**2))), coverage, squares, lost)


def joined(found: Sequence[Found]) -> Found:
    """What several sets gave, as of one."""
    return Found(np.concatenate([f.angle_deg for f in found]), np.concatenate([f.u_deg for f in found]))


def sentence(half: Effect, half_more: Effect) -> str:
    """What both changes do, as the tree has it."""
    if half.words() == half_more.words() == "nothing":
        return "half and half more: nothing"
    return f"half: {half.words()}; half more: {half_more.words()}"


def sensitivity(sets: Sequence[PhotoSet], names: Sequence[str], log: Path | None) -> Iterator[tuple[str, str]]:
    """Name and sensitivity of each value; the log is read and written."""
    done = {(x["value"], x["factor"], x["set"]): x for x in _read(log)}
    for number, name in enumerate(names, 1):
        if not any(name in one.read for one in sets):
            yield name, NOT_READ
            continue
        begun, effects = time.monotonic(), []
        for factor in (HALF, HALF_MORE):
            found = []
            for one in sets:
                if (name, factor, one.name) not in done:
                    now = one.changed(name, scaled(value_of(name), factor))
                    line = {
                        "value": name, "factor": factor, "set": one.name, "refused": now.refused,
                        "angle_deg": now.angle_deg.tolist(), "u_deg": now.u_deg.tolist(),
                    }  # fmt: skip
                    done[name, factor, one.name] = line
                    if log is not None:
                        with log.open("a", encoding="utf-8") as file:
                            file.write(json.dumps(line) + "\n")
                line = done[name, factor, one.name]
                found.append(Found(np.array(line["angle_deg"], float), np.array(line["u_deg"], float)))
            true = np.concatenate([one.true_deg for one in sets])
            effects.append(effect(joined([one.before for one in sets]), joined(found), true))
        _say(f"{number} of {len(names)}: {name}, {time.monotonic() - begun:.0f} s")
        yield name, sentence(effects[0], effects[1])


def _read(log: Path | None) -> list[dict[str, Any]]:
    if log is None or not log.exists():
        return []
    out = []
    for line in log.read_text(encoding="utf-8").splitlines():
        with contextlib.suppress(json.JSONDecodeError):  # the last line may be cut off
            out.append(json.loads(line))
    return out


def _say(message: str) -> None:
    print(message, file=sys.stderr, flush=True)


# --- the best value --------------------------------------------------------------------------------------------------


def objective(found: Found, true_deg: Array) -> float:
    """Mean over all true angles of ln u + (error / u)^2 / 2; an angle that is not measured counts as `UNKNOWN`."""
    seen = np.isfinite(found.angle_deg)
    z = (found.angle_deg - true_deg)[seen] / found.u_deg[seen]
    cost = np.full(len(true_deg), UNKNOWN)
    cost[seen] = np.log(found.u_deg[seen]) + z**2 / 2
    return float(cost.mean())


def fitted(sets: Sequence[PhotoSet], names: Sequence[str], passes: int) -> Iterator[tuple[str, Any, float, float]]:
    """Coordinate search: name, best value, the objective with it and before, of each value that was searched."""
    true = np.concatenate([one.true_deg for one in sets])
    start = min(
        (one.read[name] for one in sets for name in names if name in one.read), key=STAGES.index, default="judged"
    )

    def cost(values: dict[str, Any]) -> float:
        with contextlib.ExitStack() as stack:
            for name, value in values.items():
                stack.enter_context(varied(name, value))
            return objective(joined([one.measure(start) for one in sets]), true)

    best = {name: value_of(name) for name in names}
    lowest = before = objective(joined([one.before for one in sets]), true)
    for number in range(passes):
        improved = False
        for name in names:
            for step in STEPS:
                for factor in (step, 1 / step):
                    trial = best | {name: scaled(best[name], factor)}
                    if (now := cost(trial)) < lowest - 1e-6:
                        best, lowest, improved = trial, now, True
                    _say(f"pass {number + 1}: {name} = {_shown(trial[name])}: {now:.4f}, least {lowest:.4f}")
        if not improved:
            break
    for name in names:
        yield name, best[name], lowest, before


def _shown(value: Any) -> str:
    return ", ".join(f"{x:.4g}" for x in (value if isinstance(value, tuple) else (value,)))


# --- command ---------------------------------------------------------------------------------------------------------


def folders_of(given: Sequence[Path]) -> list[Path]:
    """The folders with truth among those given and in them."""
    found = [path.parent for folder in given for path in sorted(folder.rglob("truth.json"))]
    return list(dict.fromkeys(found))


def arguments() -> argparse.Namespace:
    """What is asked for."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("folders", nargs="+", type=Path, metavar="FOLDER")
    parser.add_argument(
        "--values", nargs="+", metavar="GROUP.VALUE", help="all without it; `outline.` is a whole group"
    )
    parser.add_argument("--ring", type=Path, help="for folders without ring.json")
    parser.add_argument("--camera", type=Path, help="for folders without camera.json")
    parser.add_argument("--tips", choices=sorted(CONDITIONS), default=Options.tips, help="what is known of the tips")
    parser.add_argument("--log", type=Path, help="lines of what is done")
    parser.add_argument("--fit", action="store_true", help="search for the best of the named values")
    parser.add_argument("--passes", type=int, default=3, help="of the search over all values, at most")
    chosen = parser.parse_args()
    every = [name for name, value, _ in TUNING.values() if not isinstance(value, str)]
    named = chosen.values or every
    unknown = [x for x in named if x not in every and not (x.endswith(".") and any(y.startswith(x) for y in every))]
    if unknown:
        parser.error(f"no tuned value is called {', '.join(unknown)}")
    if chosen.fit and not chosen.values:
        parser.error("--fit needs --values")
    chosen.names = [y for y in every if any(y == x or (x.endswith(".") and y.startswith(x)) for x in named)]
    return chosen


def main() -> int:
    """The command."""
    chosen = arguments()
    import_cv2().setNumThreads(1)
    sets = []
    for folder in folders_of(chosen.folders):
        ring, camera = (
            folder / name if (folder / name).exists() else given
            for name, given in (("ring.json", chosen.ring), ("camera.json", chosen.camera))
        )
        if ring is None or camera is None:
            _say(f"{folder}: ring.json or camera.json is missing; name them by --ring and --camera")
            return 2
        _say(f"measuring {folder}")
        sets.append(PhotoSet(folder, read_ring(ring), read_camera(camera), chosen.tips))
    if not sets:
        _say("no folder holds truth.json")
        return 2
    if chosen.fit:
        kinds = ", ".join(one.name for one in sets)
        for name, value, now, before in fitted(sets, chosen.names, chosen.passes):
            print(
                f"{name} = {value}: {OBJECTIVE} {now:.4f}, before {before:.4f}, by tests.bench.tuning --fit on {kinds}"
            )
        return 0
    for name, words in sensitivity(sets, chosen.names, chosen.log):
        print(f"{name}: {words}", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
