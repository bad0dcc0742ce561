"""What is about the rotor: lamps, what metal mirrors, the bench, and what lies or was spilt on the sheet."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bladeangle.base.errors import DefinitionError
from tests.synthetic.ground import BENCHES

Array = NDArray[np.float64]
Colour = tuple[float, float, float]


@dataclass(frozen=True)
class Thing:
    """Something lying over the sheet or the bench: a convex outline (N, 2) in the ring frame; a hand is several.

    `height_mm` is that of its flat top, `thickness_mm` how far down its sides reach (0: a sheet without sides);
    `colour` is RGB, `gloss` 0 for matt and 1 for metal.
    """

    outline_mm: tuple[tuple[float, float], ...]
    height_mm: float = 8.0
    colour: Colour = (0.42, 0.27, 0.20)
    thickness_mm: float = 0.0
    gloss: float = 0.0


@dataclass(frozen=True)
class Spill:
    """A dried spill on the sheet: a round rim of a width, and how dark it is (0 to 1)."""

    centre_mm: tuple[float, float]
    radius_mm: float = 38.0
    width_mm: float = 2.5
    depth: float = 0.4


@dataclass(frozen=True)
class Bench:
    """What the sheet lies on: a pattern of `BENCHES`, turned and scaled, in two colours (RGB)."""

    kind: str = "plain"
    azimuth_deg: float = 0.0
    scale: float = 1.0
    colour: Colour = (0.157, 0.108, 0.072)
    second: Colour = (0.173, 0.120, 0.080)

    def __post_init__(self) -> None:
        if self.kind not in BENCHES:
            raise DefinitionError(f"there is no bench {self.kind!r}.", f"Choose from {', '.join(BENCHES)}.")

    def row(self) -> Array:
        """As `ground.bench_colour` reads it."""
        a = math.radians(self.azimuth_deg)
        return np.array(
            [BENCHES.index(self.kind), math.cos(a), math.sin(a), self.scale, *self.colour[::-1], *self.second[::-1]]
        )


@dataclass(frozen=True)
class ShadowEdge:
    """Shadow of something outside the picture: light is multiplied by `factor` on the far side of a line on the sheet.

    The line passes `distance_mm` from the centre with normal azimuth `azimuth_deg`; `softness_mm` is the penumbra.
    """

    azimuth_deg: float = 0.0
    distance_mm: float = 0.0
    softness_mm: float = 1.0
    factor: float = 0.35


@dataclass(frozen=True)
class Lamp:
    """One more lamp with a soft shadow: `share` is its light on an open sheet."""

    position_mm: tuple[float, float, float]
    share: float


@dataclass(frozen=True)
class Mirrored:
    """A bright rectangle that metal mirrors: a tube or a window.

    `along` and `across` are unit vectors square to each other; `half_mm` its half sides along them; `strength` its
    brightness (white paper: about 0.7); `blur` is the tangent of the angle over which the metal blurs it.
    """

    centre_mm: tuple[float, float, float]
    along: tuple[float, float, float]
    across: tuple[float, float, float]
    half_mm: tuple[float, float] = (600.0, 20.0)
    strength: float = 2.0
    blur: float = 0.06

    def row(self) -> list[float]:
        """As `metal.mirrored` reads it."""
        return [*self.centre_mm, *self.along, self.half_mm[0], *self.across, self.half_mm[1], self.strength, self.blur]


@dataclass(frozen=True)
class Lighting:
    """Ambient sky, one key lamp (with soft or hard shadow) and more lamps, one lamp that glares off the metal, and
    tubes and windows that it mirrors."""

    ambient: float = 0.55
    key: float = 0.45
    key_position_mm: tuple[float, float, float] = (350.0, -300.0, 900.0)
    hard_shadow: bool = False
    glare: float = 0.0
    glare_position_mm: tuple[float, float, float] = (120.0, 160.0, 700.0)
    glare_exponent: float = 60.0
    edge: ShadowEdge | None = None
    lamps: tuple[Lamp, ...] = ()
    mirrored: tuple[Mirrored, ...] = ()
