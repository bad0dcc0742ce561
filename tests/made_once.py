"""What several tests only read, made by one of the processes that share the run."""

from __future__ import annotations

import pickle
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import pytest

from bladeangle.base.files import atomic_path

T = TypeVar("T")
#: Seconds that one process waits for another, which may have died, before it makes the thing for itself.
PATIENCE_S = 600.0


def shared_folder(factory: pytest.TempPathFactory, config: pytest.Config) -> Path:
    """A folder of this run that all its processes see: pytest-xdist gives each worker one inside of it."""
    base = factory.getbasetemp()
    return base.parent if hasattr(config, "workerinput") else base


def made_once(path: Path, make: Callable[[], T]) -> T:
    """What `make` gives, kept at `path`: by the first that asks, while others wait; by the next if that one fails."""
    lock, until = path.with_suffix(".lock"), time.monotonic() + PATIENCE_S
    while not path.exists():
        try:
            lock.mkdir()
        except FileExistsError:
            if time.monotonic() > until:
                return make()
            time.sleep(0.1)
            continue
        try:
            if not path.exists():
                made = make()
                with atomic_path(path) as temporary:
                    Path(temporary).write_bytes(pickle.dumps(made))
                return made
        finally:
            lock.rmdir()
    found: Any = pickle.loads(path.read_bytes())
    return found
