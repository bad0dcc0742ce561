"""Tuned values of `adjustment/`: what each is, what says so, and what a change of half does."""

from __future__ import annotations

from dataclasses import dataclass

from bladeangle.tuning.value import COMMON_PRACTICE, JUDGEMENT, NOT_MEASURED, Group, tuned


@dataclass(eq=False, repr=False, init=False)
class Adjust(Group):
    """Values of the adjustment (`adjustment/adjust.py`)."""

    correlated_sigmas: tuple[float, float] = tuned(
        (1.0, 0.3),
        unit="sigma",
        meaning=(
            "first guesses of the standard deviation of correlated errors of tip edges seen from the side and from "
            "overhead, in standard uncertainties of a point"
        ),
        evidence=(
            "path-traced photographs of turned metal: grooves cross the edges of the tip land and move them by about "
            "as much as noise does; from overhead the land is not seen, and nearly all that is left is noise"
        ),
        sensitivity=NOT_MEASURED,
    )
    correlated_range_sigmas: tuple[float, float] = tuned(
        (0.1, 3.0),
        unit="sigma",
        meaning="bounds of the same once estimated",
        evidence=JUDGEMENT,
        sensitivity=NOT_MEASURED,
    )
    correlated_dof: float = tuned(
        20.0,
        unit="count",
        meaning="degrees of freedom that the first guess counts as, beside those of the photographs",
        evidence=JUDGEMENT,
        sensitivity=NOT_MEASURED,
    )
    most_scale: float = tuned(
        4.0,
        unit="1",
        meaning=(
            "most that the tip points' uncertainty is multiplied by once the adjustment has come near; with a larger "
            "scale, prior information would hold points there that say that something is wrong"
        ),
        evidence="judgement; it keeps rare local minima visible",
        sensitivity=NOT_MEASURED,
    )
    bend_range_deg: tuple[float, float] = tuned(
        (0.15, 2.0),
        unit="deg",
        meaning="bounds of the estimated bend of the tip curves, a knot",
        evidence=JUDGEMENT,
        sensitivity=NOT_MEASURED,
    )
    bend_from_above_deg: float = tuned(
        0.8,
        unit="deg",
        meaning="bend of the tip curves, a knot, that is assumed where all photographs are taken from above",
        evidence=(
            "twelve rendered pairs of used rotors: 84 % of the 95 % intervals held with it, 81 % with 0.5, 74 % with "
            "1.2 and 68 % with 2"
        ),
        sensitivity=NOT_MEASURED,
    )


@dataclass(eq=False, repr=False, init=False)
class CorrelatedErrors(Group):
    """Values of errors that runs of edges share (`adjustment/correlated_errors.py`)."""

    length_mm: tuple[float, float] = tuned(
        (10.0, 30.0),
        unit="mm",
        meaning="distance along a tip edge over which its errors correlate, seen from the side and from overhead",
        evidence=(
            "path-traced photographs of turned metal, at the true edge: from the side products of errors fall to a "
            "half in 6 to 8 mm and to nothing in 20 on each of six rotors, as grooves cross the edges of the tip land; "
            "from overhead they are small on some rotors and on others reach over 30 mm and more"
        ),
        sensitivity=NOT_MEASURED,
    )
    knot_mm: tuple[float, float] = tuned(
        (6.0, 20.0),
        unit="mm",
        meaning="distance between the knots of that process, seen from the side and from overhead",
        evidence=JUDGEMENT,
        sensitivity=NOT_MEASURED,
    )
    shared_length_px: float = tuned(
        600.0,
        unit="px",
        meaning="correlation length of the error that points of a saturated edge share (`TipPoints.shared_px`)",
        evidence=JUDGEMENT,
        sensitivity=NOT_MEASURED,
    )
    offset_mm: float = tuned(
        0.016,
        unit="mm",
        meaning="standard deviation of the error of a whole run of edge, beside the process along it",
        evidence=(
            "true edges of 197 runs of seven path-traced sets and 268 of ten rendered ones: mean errors of runs were "
            "1.8 to 2.8 times what the process alone lets expect, 0.7 to 1.2 times with this; without it the axis came "
            "out up to 0.15 deg off at u 0.06"
        ),
        sensitivity=NOT_MEASURED,
    )
    waviness_knots: float = tuned(
        0.6,
        unit="1",
        meaning="distance between the knots of waviness seen from overhead, in its correlation lengths",
        evidence="as `knot_mm` over `length_mm` from the side",
        sensitivity=NOT_MEASURED,
    )
    circle_error_px: float = tuned(
        0.2,
        unit="px",
        meaning="standard deviation of the error of a hub circle as a whole, once and twice round the turn",
        evidence="centres of rendered hubs lie off by this much though a circle has hundreds of points",
        sensitivity=NOT_MEASURED,
    )


@dataclass(eq=False, repr=False, init=False)
class Normals(Group):
    """Values of robust weights and the points' variance components (`adjustment/normals.py`)."""

    robust_sigmas: float = tuned(
        3.0,
        unit="sigma",
        meaning="residuals at which the weight of a point has fallen to a half (Cauchy's loss)",
        evidence=JUDGEMENT,
        sensitivity=NOT_MEASURED,
    )
    outlier_sigmas: float = tuned(
        4.0,
        unit="sigma",
        meaning="points farther off than this are left out of the estimate of correlated errors",
        evidence=JUDGEMENT,
        sensitivity=NOT_MEASURED,
    )
    block_lengths: tuple[int, int] = tuned(
        (6, 16),
        unit="count",
        meaning=(
            "numbers of neighbours along an edge whose means are compared with single points; about a third of, and a "
            "whole, station"
        ),
        evidence=JUDGEMENT,
        sensitivity=NOT_MEASURED,
    )


@dataclass(eq=False, repr=False, init=False)
class Rotor(Group):
    """Values of the rotor's shape (`adjustment/rotor.py`)."""

    usual_overlap: float = tuned(
        1.25,
        unit="1",
        meaning=(
            "usual wrap of a blade, as a share of the pitch between blades; from above the hidden part of a blade of "
            "even pitch says nothing of how long it is"
        ),
        evidence=COMMON_PRACTICE,
        sensitivity=NOT_MEASURED,
    )
    overlap_sigma: float = tuned(
        0.35,
        unit="1",
        meaning="standard uncertainty of the same",
        evidence=COMMON_PRACTICE,
        sensitivity=NOT_MEASURED,
    )
    knot_mm: float = tuned(
        20.0,
        unit="mm",
        meaning="distance between the knots of the tip curves",
        evidence=JUDGEMENT,
        sensitivity=NOT_MEASURED,
    )
    past_end_mm: float = tuned(
        6.0,
        unit="mm",
        meaning="how far the tip curves are carried past the blade's ends",
        evidence=JUDGEMENT,
        sensitivity=NOT_MEASURED,
    )


ADJUST = Adjust()
CORRELATED_ERRORS = CorrelatedErrors()
NORMALS = Normals()
ROTOR = Rotor()
