"""Tuned values of `pipeline/register.py` and of what is observed on the way there.

Pixels are those of a photograph of the usual size (`photo.USUAL_SIDE_PX`), as edges lie off by so many millimetres.
"""

from __future__ import annotations

from dataclasses import dataclass

from bladeangle.tuning.value import JUDGEMENT, NOT_READ, Group, tuned


@dataclass(eq=False, repr=False, init=False)
class Register(Group):
    """Values of bringing all photographs together (`pipeline/register.py`)."""

    missing_edge_px: float = tuned(
        1.0,
        unit="px",
        meaning="what an edge that should be seen and is not found counts as lying off, and the most that any counts",
        evidence=JUDGEMENT,
        sensitivity=(
            "half: 0.24 u at most, 0.063 rms, z2 +3 %; half more: 0.27 u at most, 0.091 rms, z2 +8 % (five, eight)"
        ),
    )
    nudge_rad: float = tuned(
        0.05,
        unit="rad",
        meaning="by how much wraps are nudged to see whether they come back",
        evidence=JUDGEMENT,
        sensitivity=(
            "half: 0.31 u at most, 0.1 rms, z2 +9 %; half more: 0.3 u at most, 0.15 rms, coverage -6.7 %, z2 +25 % "
            "(eight)"
        ),
    )
    worse_fit_ratio: float = tuned(
        1.03,
        unit="1",
        meaning="a look for edges after which they fit worse than this many times is not kept",
        evidence=JUDGEMENT,
        sensitivity=(
            "half: 0.31 u at most, 0.12 rms, z2 +13 %; half more: 1.7 u at most, 0.37 rms, z2 -8 % (five, eight)"
        ),
    )
    implausible_px: float = tuned(
        0.02,
        unit="px",
        meaning="what each standard deviation counts by which the rotor found is more unlike rotors than usual",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (five, eight)",
    )
    usual_implausibility_sigmas: float = tuned(
        2.0,
        unit="sigma",
        meaning="standard deviations by which a rotor may be unlike rotors (`Adjustment.implausibility`) at no cost",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (five, eight)",
    )
    good_misfit_px: float = tuned(
        0.4,
        unit="px",
        meaning=(
            "tip edges that lie no farther off than this on the mean are the right ones, else other thicknesses are "
            "tried"
        ),
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (five, eight)",
    )
    rough_misfit_px: float = tuned(
        0.5,
        unit="px",
        meaning="the same after a rough adjustment, very likely",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (five, eight)",
    )
    fitting_misfit_px: float = tuned(
        0.52,
        unit="px",
        meaning="if they still lie farther off than this, other radii and wraps are tried",
        evidence=JUDGEMENT,
        sensitivity="half: 0.3 u at most, 0.091 rms, z2 +7 %; half more: nothing (five, eight)",
    )
    refused_misfit_px: float = tuned(
        0.8,
        unit="px",
        meaning="if they still lie farther off than this, the photographs are refused",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (five, eight); decides on a refusal alone",
    )
    odd_length_mm: float = tuned(
        4.0,
        unit="mm",
        meaning="a blade that is so much shorter or longer than the middling one may have an end at a wrong place",
        evidence="an end of a path-traced rotor was found 8 mm off; lengths differ by 2.4 mm at most in 55 sound sets",
        sensitivity="half and half more: nothing (five, eight)",
    )
    least_seen_share: float = tuned(
        0.65,
        unit="1",
        meaning="share of the blades' upper edges that is found from the side at the right place",
        evidence="0.75 and more of 7 path-traced rotors and 32 rendered ones; half and less a thickness too high",
        sensitivity="half: nothing; half more: 2.2 u at most, 0.4 rms, z2 -8 % (five, eight)",
    )
    even_misfit_px: float = tuned(
        0.6,
        unit="px",
        meaning=(
            "edges that scatter by no more than this are the right ones too where no run of them is off as a whole"
        ),
        evidence="judgement: in a noisy or smoothed file edges scatter; at a wrong place whole runs lie off",
        sensitivity="half and half more: nothing (five, eight)",
    )
    even_run_px: float = tuned(
        0.6,
        unit="px",
        meaning="median from which a third of a run of edge is off",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (five, eight)",
    )
    missed_run_px: float = tuned(
        1.5,
        unit="px",
        meaning="the same from which it was found on something else, so that other starts are tried",
        evidence="judgement: a rendered rotor came to 23 u at an end where a third of a run lay 2 px off",
        sensitivity=NOT_READ,
    )
    even_run_points: int = tuned(
        6,
        unit="count",
        meaning="points from which on a run is judged",
        evidence=JUDGEMENT,
        sensitivity="half: nothing; half more: 0.24 u at most, 0.063 rms, z2 +3 % (five, eight)",
    )
    thinnest_blade_mm: float = tuned(
        0.5,
        unit="mm",
        meaning="thinner blades than this are not believed",
        evidence="judgement; at a wrong place a rendered tip of 1.0 mm came to 0.36 mm",
        sensitivity="half and half more: nothing (five, eight)",
    )
    enough_alike: int = tuned(
        3,
        unit="count",
        meaning=(
            "where the best place was reached from so many other wraps, others are not tried: it fits as badly from "
            "everywhere"
        ),
        evidence=JUDGEMENT,
        sensitivity=NOT_READ,
    )
    same_radius_mm: float = tuned(
        0.1,
        unit="mm",
        meaning="radii closer than this are one place",
        evidence=JUDGEMENT,
        sensitivity=NOT_READ,
    )
    same_wrap_rad: float = tuned(
        0.05,
        unit="rad",
        meaning="wraps closer than this are one place",
        evidence=JUDGEMENT,
        sensitivity=NOT_READ,
    )
    least_cost_gain: float = tuned(
        2.0,
        unit="1",
        meaning="by how much lower the cost of the rotor with ends elsewhere must be",
        evidence="judgement: nearly three times as likely",
        sensitivity=NOT_READ,
    )
    wrap_step_rad: float = tuned(
        0.2,
        unit="rad",
        meaning="steps of the wraps that are tried",
        evidence=JUDGEMENT,
        sensitivity=NOT_READ,
    )
    begun_radius_mm: float = tuned(
        0.05,
        unit="mm",
        meaning="a radius closer than this to one that was started from is not started from again",
        evidence="0.1 mm of radius are 0.4 mm of height: so near to a start that failed another found a thin tip land",
        sensitivity=NOT_READ,
    )
    edges_apart_mm: float = tuned(
        0.3,
        unit="mm",
        meaning="how far apart radii are there at which different edges of the tip lands may answer",
        evidence="a quarter of the thickness or so: 0.4 mm on a rendered rotor 2.0 mm thick that came to 3.3 mm",
        sensitivity=NOT_READ,
    )
    narrow_radius_mm: float = tuned(
        1.5,
        unit="mm",
        meaning="half the range in which a radius is looked for again",
        evidence=JUDGEMENT,
        sensitivity=(
            "half: 0.31 u at most, 0.094 rms, z2 +2 %; half more: 0.32 u at most, 0.13 rms, z2 +4 % (five, eight)"
        ),
    )
    clear_radius_sigmas: float = tuned(
        5.0,
        unit="sigma",
        meaning="how clear the radius seen by oblique photographs must be, in robust standard deviations",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (five, eight)",
    )


@dataclass(eq=False, repr=False, init=False)
class Shots(Group):
    """Values of what is observed on the way (`pipeline/shots.py`)."""

    ring_every: int = tuned(
        4,
        unit="count",
        meaning="on the way, one of so many points on the markers' sides is used",
        evidence=JUDGEMENT,
        sensitivity=(
            "half: 0.071 u at most, 0.033 rms, z2 -23 %; half more: 0.065 u at most, 0.032 rms, z2 -11 % (pair)"
        ),
    )
    circle_every: int = tuned(
        4,
        unit="count",
        meaning="on the way, one of so many points on hub circles is used",
        evidence=JUDGEMENT,
        sensitivity="half: 0.25 u at most, 0.096 rms, z2 -25 %; half more: 0.035 u at most, 0.017 rms, z2 +2 % (pair)",
    )


REGISTER = Register()
SHOTS = Shots()
