"""Tips that are no cylinder: what turning, running and scraping leave of a blade's tip radius, all known exactly.

The tip radius of blade `b` at distance `s` along the tip from the leading edge, height `z` over the outlet face, is

    tip_radius + taper (z / height - 0.5) - leading wear(s) - trailing wear(L - s) + runout[b] + ripple[b](s)

and the blade's angle law holds at that local radius: along the tip the azimuth turns by cos(angle) ds / radius and the
height falls by sin(angle) ds.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bladeangle.base.errors import DefinitionError

Array = NDArray[np.float64]
#: Blade angle in degrees from the plane of rotation, of the fraction 0..1 of the tip's length from the leading edge.
AngleLaw = Callable[[Array], Array]


def _smooth_step(t: Array) -> Array:
    """0 below 0, 1 above 1, and 3 t^2 - 2 t^3 in between."""
    t = np.clip(t, 0.0, 1.0)
    return t * t * (3.0 - 2.0 * t)


#: Share of the wear that is left at a distance from the edge, in units of the wear's length.
WEAR_FORMS: dict[str, Callable[[Array], Array]] = {
    "exponential": lambda t: np.exp(-t),
    "ramp": lambda t: np.clip(1.0 - t, 0.0, 1.0) ** 2,
    "step": lambda t: 1.0 - _smooth_step(t),
}


@dataclass(frozen=True)
class EdgeWear:
    """Wear that dies out with the distance from an edge: `depth_mm` at the edge, over `length_mm`, in one of
    `WEAR_FORMS`; `share` holds one factor per blade, none for blades alike."""

    depth_mm: float = 0.0
    length_mm: float = 14.0
    form: str = "exponential"
    share: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        if self.form not in WEAR_FORMS or not self.length_mm > 0.0:
            raise DefinitionError(
                f"wear of form {self.form!r} over {self.length_mm:g} mm is not known.",
                f"Use a length above 0 and a form of {', '.join(WEAR_FORMS)}.",
            )

    def loss_mm(self, blade: int, from_edge_mm: Array) -> Array:
        """Radius lost by blade 0..blades-1 at distances from the edge."""
        share = self.share[blade] if self.share else 1.0
        return share * self.depth_mm * WEAR_FORMS[self.form](np.asarray(from_edge_mm, float) / self.length_mm)


@dataclass(frozen=True)
class TipWear:
    """How a rotor's tips deviate from the cylinder of `RotorShape.tip_radius_mm`.

    `taper_mm` is the radius at the inlet-end face less that at the outlet-end face; `runout_mm` one offset per blade;
    `ripple` per blade some (amplitude mm, wavelength mm, phase rad) of sinusoids along the tip.
    """

    leading: EdgeWear = EdgeWear()
    trailing: EdgeWear = EdgeWear()
    taper_mm: float = 0.0
    runout_mm: tuple[float, ...] = ()
    ripple: tuple[tuple[tuple[float, float, float], ...], ...] = ()

    def deviation_mm(self, blade: int, along_mm: Array, length_mm: float, height: Array) -> Array:
        """Local tip radius less the nominal one; `height` is z as a fraction of the rotor's height."""
        s = np.asarray(along_mm, float)
        runout = self.runout_mm[blade] if self.runout_mm else 0.0
        out: Array = self.taper_mm * (np.asarray(height, float) - 0.5) + runout
        out = out - self.leading.loss_mm(blade, s) - self.trailing.loss_mm(blade, length_mm - s)
        for amplitude, wavelength, phase in self.ripple[blade] if self.ripple else ():
            out = out + amplitude * np.sin(2.0 * math.pi * s / wavelength + phase)
        return out


@dataclass(frozen=True)
class Bent:
    """An angle law with a bulged middle and a cupped trailing edge.

    `bulge_deg` sin(pi s / L) is added all along, and `kick_deg` in a smooth step over the last `kick_mm`; the tip
    is `length_mm` long.
    """

    law: AngleLaw
    length_mm: float
    bulge_deg: float = 0.0
    kick_deg: float = 0.0
    kick_mm: float = 14.0

    def __call__(self, fraction: Array) -> Array:
        t = np.asarray(fraction, float)
        kick = _smooth_step((t - 1.0) * self.length_mm / self.kick_mm + 1.0)
        return np.asarray(self.law(t), float) + self.bulge_deg * np.sin(math.pi * t) + self.kick_deg * kick
