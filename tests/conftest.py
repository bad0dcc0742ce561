"""What all tests share: no settings of the user who runs them, and one thread a process."""

from __future__ import annotations

import gc
import os
import signal
from pathlib import Path

# A run in the background of a shell ignores interrupts, and so would the commands that it starts and interrupts.
signal.signal(signal.SIGINT, signal.default_int_handler)

# Before NumPy or OpenCV is imported: tests run side by side, and threads of one would only slow the others.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

# An empty name means no settings file; see config.py.
os.environ["BLADEANGLE_CONFIG"] = ""
# Colour would get into captured output where a test pretends to be a terminal.
os.environ.pop("FORCE_COLOR", None)

from typing import Any  # noqa: E402 - after the environment is set

import pytest  # noqa: E402
from hypothesis import settings  # noqa: E402
from made_once import made_once, shared_folder  # noqa: E402

# Deadlines would fail tests for a busy machine; the same examples every time keep runs comparable.
settings.register_profile("bladeangle", deadline=None, derandomize=True)
settings.load_profile("bladeangle")

ROOT = Path(__file__).resolve().parent.parent


def pytest_collection_finish() -> None:
    """Thousands of tests stay to the end: not to be looked through at every collection of garbage, nor that often."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(20_000, 20, 20)


@pytest.fixture(scope="session")
def ring() -> Any:
    """The ring of the shipped photographs."""
    from rendered_ring import trial_ring

    return trial_ring()


@pytest.fixture(scope="session")
def camera() -> Any:
    """The camera file of the shipped photographs."""
    from bladeangle.imaging.camera import read_camera

    return read_camera(ROOT / "calibration" / "camera-pocket7.json")


@pytest.fixture(scope="session")
def sound(ring: Any, camera: Any) -> Any:
    """The shipped pair, measured: only to be read."""
    from bladeangle.pipeline.measure import measure

    folder = ROOT / "fixtures" / "rotor-a"
    return measure([folder / "inlet.jpg"], [folder / "outlet.jpg"], ring, camera)


@pytest.fixture(scope="session")
def pair_and_two(tmp_path_factory: pytest.TempPathFactory, pytestconfig: pytest.Config) -> Any:
    """A rendered pair with two photographs from the side, measured, and its truth: only to be read."""
    from rendered_rotor import pair_and_two as make

    return made_once(shared_folder(tmp_path_factory, pytestconfig) / "pair-and-two.pickle", make)
