"""Photographs, camera, ring and options -> `Measurement`: the order of the stages.

Each stage is a frozen result of its own module, made from the one before by one function: photographs are sighted,
outlined, registered, adjusted and judged; `assemble.py` makes the record of what was judged.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from bladeangle.imaging.camera import Camera
from bladeangle.imaging.ring import Ring
from bladeangle.pipeline.adjusted import adjusted
from bladeangle.pipeline.judged import Measurement, judged
from bladeangle.pipeline.options import Options, refuse_options
from bladeangle.pipeline.outlines import outlined
from bladeangle.pipeline.register import registered
from bladeangle.pipeline.sight import AT_ONCE, sighted
from bladeangle.records.edits import Edits

__all__ = ["Measurement", "Options", "measure", "nothing"]


def nothing(message: str) -> None:
    """Progress that is not shown."""


def measure(
    inlet_up_photos: Sequence[Path],
    outlet_up_photos: Sequence[Path],
    ring: Ring,
    camera: Camera | None,
    options: Options = Options(),  # noqa: B008 (frozen)
    progress: Callable[[str], None] = nothing,
    edits: Edits | None = None,
    at_once: int = AT_ONCE,
) -> Measurement:
    """Measure one rotor.

    Parameters
    ----------
    inlet_up_photos : photographs with the inlet end up; outlet_up_photos : with the outlet end up.
    edits : what a person has struck out or added, by photograph.
    camera : None takes the focal length from the first photograph's own data, with its wide uncertainty.
    at_once : photographs that are read side by side, in threads.

    Raises
    ------
    PhotoError, RingNotFoundError, EdgesError, AdjustmentError, UsageError : see `errors`.
    """
    refuse_options(options, ring)
    named = [(p, "inlet_up") for p in inlet_up_photos] + [(p, "outlet_up") for p in outlet_up_photos]
    seen = sighted(named, ring, camera, edits, at_once, progress)
    found = registered(outlined(seen, options, progress), progress)
    progress("last adjustment")
    return judged(adjusted(found, options), seen.camera, options, edits)
