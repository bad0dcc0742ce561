"""What all tests share: no settings of the user who runs them, and one thread a process."""

from __future__ import annotations

import os

# Before NumPy or OpenCV is imported: tests run side by side, and threads of one would only slow the others.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

# An empty name means no settings file; see config.py.
os.environ["BLADEANGLE_CONFIG"] = ""
# Colour would get into captured output where a test pretends to be a terminal.
os.environ.pop("FORCE_COLOR", None)

from hypothesis import settings  # noqa: E402 - after the environment is set

# Deadlines would fail tests for a busy machine; the same examples every time keep runs comparable.
settings.register_profile("bladeangle", deadline=None, derandomize=True)
settings.load_profile("bladeangle")
