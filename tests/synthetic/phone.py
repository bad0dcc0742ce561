"""What a phone does to a picture before it is a file, in numbers; `sensor.py` does it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Phone:
    """A phone's sensor and processing, in the order in which they act.

    lateral : by how much red and blue are larger than green; mosaic : one colour a pixel (RGGB), the others filled in
    from its neighbours (`edge_aware` or by averages); read_noise : electrons; tint : white balance (red, green, blue);
    gamma, tone : the encoded value v, sRGB's, is raised to gamma and then drawn by `tone` towards 3 v^2 - 2 v^3;
    denoise : encoded values within this of each other are averaged over some 2 px, and colour over more; local :
    contrast added against the mean over `local_px`; sharpen : contrast added against the mean over `sharpen_px`, which
    leaves bright and dark lines beside edges.
    """

    lateral: tuple[float, float] = (0.0, 0.0)
    mosaic: bool = True
    edge_aware: bool = True
    read_noise: float = 4.0
    tint: tuple[float, float, float] = (1.0, 1.0, 1.0)
    gamma: float = 1.0
    tone: float = 0.5
    denoise: float = 0.03
    local: float = 0.2
    local_px: float = 60.0
    sharpen: float = 0.8
    sharpen_px: float = 1.2
