"""An adjustment in which a blade is far thicker or thinner than the others -> what may make it like them.

The lower edge of a blade's tip land was taken for the upper one then, or the upper one for the lower, while the blade
is on its own land from overhead: own heights, an own thickness and a tilt fit that without a residual. Seen where the
others are, the blade may show its edges; where the land is as bright as the face above it, there is only the lower one.

Which blades are so, `results.diagnostics.unlike_blades` says.

Not covered: all blades taken so, which is another thickness of the rotor (`register.on_other_lands`); photographs from
above alone, which do not show a blade's own thickness.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from bladeangle.adjustment.adjust import Adjustment
from bladeangle.adjustment.model import ObservedView, State
from bladeangle.detection.edges import upper_face


def as_others(state: State, blade: int) -> State:
    """A state with one blade as high along its tip and as thick as the middle one of the others."""
    out = state.copy()
    others = np.arange(out.rotor.blades) != blade
    out.rotor.heights[blade] = np.median(out.rotor.heights[others], axis=0)
    out.rotor.extra_mm[blade] = np.median(out.rotor.extra_mm[others])
    return out


def without_upper(result: Adjustment, blade: int) -> tuple[ObservedView, ...]:
    """Views without the upper edges of a blade's tip land that are seen from outside, as from the side."""
    return tuple(_without_upper(view, blade) for view in result.views)


def _without_upper(view: ObservedView, blade: int) -> ObservedView:
    if view.tips is None:
        return view
    outside = (view.tips.blade == blade) & (view.tips.face == upper_face(view.setup)) & ~view.tips.far
    return replace(view, tips=view.tips.only(~outside))
