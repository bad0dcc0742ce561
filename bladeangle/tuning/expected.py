"""Tuned values of what `results/` expects of photographs that nobody has taken yet."""

from __future__ import annotations

from dataclasses import dataclass

from bladeangle.tuning.value import JUDGEMENT, Group, tuned

#: Evidence of what is expected of photographs; path-traced ones of turned metal, of four times the pixels, attain
#: 0.11 to 0.15 px from above, 0.12 to 0.18 px from the side, and 0.1 px at the ring.
TYPICAL_OF_RENDERS = (
    "the middle one of fifty rendered pairs and fourteen rendered eights, the blades of a rotor averaged as variances; "
    "counts what measuring loses: points not found, correlation between neighbours, and robust weights"
)


@dataclass(eq=False, repr=False, init=False)
class Advice(Group):
    """Values of the further photograph that helps most (`results/advice.py`)."""

    worthwhile_ratio: float = tuned(
        0.8,
        unit="1",
        meaning="a photograph is worth naming when it shrinks the uncertainty at least to this share",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair)",
    )


@dataclass(eq=False, repr=False, init=False)
class Expected(Group):
    """Values of what ideal photographs would show (`results/expected.py`)."""

    down_in_turn_deg: tuple[float, float, float] = tuned(
        (40.0, 40.0, 25.0),
        unit="deg",
        meaning="how far down the photographs of a set from the side look, in turn",
        evidence="judgement: from two elevations height and radius of a tip are told apart better than from one",
        sensitivity="half and half more: nothing (pair)",
    )
    down_deg: float = tuned(
        45.0,
        unit="deg",
        meaning="how far down a single photograph from the side looks",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair, eight)",
    )
    around_margin_mm: float = tuned(
        30.0,
        unit="mm",
        meaning="margin of the picture around the ring",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair, eight)",
    )
    aim_mm: float = tuned(
        15.0,
        unit="mm",
        meaning="height over the sheet at which a photograph from the side is aimed",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair, eight)",
    )


@dataclass(eq=False, repr=False, init=False)
class Typical(Group):
    """What measuring typically attains for each point that should be seen (`results/expected.py`).

    The values already count what measuring loses: points that are not found, correlation between neighbours, and the
    weight that the robust adjustment takes off. From above, eight of ten rotors lie between 0.07 and 0.19 px, as light
    and metal decide: that share of a plan's error no plan can know.
    """

    ring_px: float = tuned(
        0.04,
        unit="px",
        meaning="what measuring attains for a point of the ring",
        evidence=TYPICAL_OF_RENDERS,
        sensitivity="half and half more: nothing (pair, eight)",
    )
    overhead_px: float = tuned(
        0.12,
        unit="px",
        meaning="what measuring attains for a point of the upper face's tip edge seen from above",
        evidence=TYPICAL_OF_RENDERS,
        sensitivity="half and half more: nothing (pair, eight)",
    )
    upper_px: float = tuned(
        0.065,
        unit="px",
        meaning="what measuring attains for a point of the upper edge of the tip land seen from the side",
        evidence=TYPICAL_OF_RENDERS,
        sensitivity="half and half more: nothing (pair, eight)",
    )
    lower_px: float = tuned(
        0.18,
        unit="px",
        meaning="what measuring attains for a point of the lower edge of the tip land seen from the side",
        evidence=TYPICAL_OF_RENDERS,
        sensitivity="half and half more: nothing (pair, eight)",
    )
    end_mm: float = tuned(
        0.32,
        unit="mm",
        meaning="what measuring attains for the end of a blade, along the tip",
        evidence=TYPICAL_OF_RENDERS,
        sensitivity="half and half more: nothing (pair, eight)",
    )
    circle_px: float = tuned(
        0.12,
        unit="px",
        meaning="what measuring attains for a point of a hub circle",
        evidence=TYPICAL_OF_RENDERS,
        sensitivity="half and half more: nothing (pair, eight)",
    )
    correlated_sigmas: tuple[float, float] = tuned(
        (1.2, 0.3),
        unit="sigma",
        meaning=(
            "standard deviation of correlated errors from the side and from overhead, in standard uncertainties of a "
            "point"
        ),
        evidence=TYPICAL_OF_RENDERS,
        sensitivity="half and half more: nothing (pair, eight)",
    )
    bend_deg: float = tuned(
        0.17,
        unit="deg",
        meaning="standard deviation of the blades' bend, a knot",
        evidence=TYPICAL_OF_RENDERS,
        sensitivity="half and half more: nothing (pair, eight)",
    )


ADVICE = Advice()
EXPECTED = Expected()
TYPICAL = Typical()
