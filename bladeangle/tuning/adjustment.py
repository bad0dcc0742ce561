"""Tuned values of `adjustment/`: what each is, what says so, and what a change of half does."""

from __future__ import annotations

from dataclasses import dataclass

from bladeangle.tuning.value import COMMON_PRACTICE, JUDGEMENT, Group, tuned


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
        sensitivity=(
            "half: 0.16 u at most, 0.065 rms, coverage -5.1 %, z2 +5 %; half more: 0.16 u at most, 0.059 rms, z2 -4 % "
            "(pair, five, eight)"
        ),
    )
    correlated_range_sigmas: tuple[float, float] = tuned(
        (0.1, 3.0),
        unit="sigma",
        meaning="bounds of the same once estimated",
        evidence=JUDGEMENT,
        sensitivity="half: 0.18 u at most, 0.056 rms, z2 -3 %; half more: nothing (pair, five, eight)",
    )
    correlated_dof: float = tuned(
        20.0,
        unit="count",
        meaning="degrees of freedom that the first guess counts as, beside those of the photographs",
        evidence=JUDGEMENT,
        sensitivity=(
            "half: 0.08 u at most, 0.021 rms, z2 +1 %; half more: 0.18 u at most, 0.054 rms, z2 -3 % (pair, five, "
            "eight)"
        ),
    )
    run_dof: float = tuned(
        4.0,
        unit="count",
        meaning="degrees of freedom of the t distribution of the correlated errors of a run of edge",
        evidence=(
            "of short runs seen from the side in rendered sets 7 to 10 % lie over 0.5 px off, all others 0.1 to 0.16; "
            "with it rms errors of 107 such sets fell from 0.154 to 0.150 deg, mean squares in their uncertainties "
            "from 1.57 to 1.38"
        ),
        sensitivity=(
            "half: 3.2 u at most, 0.53 rms, coverage +2.2 %, z2 -32 %; half more: 0.52 u at most, 0.13 rms, "
            "z2 +21 % (pair, two with three, eight)"
        ),
    )
    most_run_scale: float = tuned(
        10.0,
        unit="1",
        meaning="most that the standard deviation of those errors is multiplied by, of one run",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair, two with three, eight)",
    )
    most_uncovered_mm: float = tuned(
        1.0,
        unit="mm",
        meaning="blades' ends that are seen to lie farther beyond the splines than this call for longer ones",
        evidence="judgement; ends of sound measurements lie within their splines",
        sensitivity="half and half more: nothing (pair, five, eight)",
    )
    most_scale: float = tuned(
        4.0,
        unit="1",
        meaning=(
            "most that the tip points' uncertainty is multiplied by once the adjustment has come near; with a larger "
            "scale, prior information would hold points there that say that something is wrong"
        ),
        evidence="judgement; it keeps rare local minima visible",
        sensitivity=(
            "half: 0.17 u at most, 0.065 rms, z2 -2 %; half more: 0.26 u at most, 0.086 rms, z2 -3 % (pair, five, "
            "eight)"
        ),
    )
    bend_range_deg: tuple[float, float] = tuned(
        (0.15, 2.0),
        unit="deg",
        meaning="bounds of the estimated bend of the tip curves, a knot",
        evidence=JUDGEMENT,
        sensitivity=(
            "half: 0.19 u at most, 0.086 rms, coverage -4.2 %, z2 +2 %; half more: 0.041 u at most, 0.015 rms, z2 -1 "
            "% (five, eight)"
        ),
    )
    bend_from_above_deg: float = tuned(
        0.6,
        unit="deg",
        meaning="bend of the tip curves, a knot, that is assumed where all photographs are taken from above",
        evidence=(
            "100 and 80 rendered pairs, rms errors: 0.31 and 0.36 deg with 0.8, 0.30 and 0.34 with 0.6, 0.30 and "
            "0.35 with 0.5; path-traced ones 0.25 to 0.27 (0.6 and 0.8)"
        ),
        sensitivity=(
            "half: 0.46 u at most, 0.13 rms, coverage -5.1 %, z2 +15 %; half more: 0.37 u at most, 0.12 rms, coverage "
            "-2.6 %, z2 +5 % (pair, five, eight)"
        ),
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
        sensitivity=(
            "half: 0.13 u at most, 0.046 rms, coverage -2.6 %, z2 +6 %; half more: 0.06 u at most, 0.025 rms, z2 -2 % "
            "(pair, five, eight)"
        ),
    )
    knot_mm: tuple[float, float] = tuned(
        (6.0, 20.0),
        unit="mm",
        meaning="distance between the knots of that process, seen from the side and from overhead",
        evidence=JUDGEMENT,
        sensitivity=(
            "half: 0.22 u at most, 0.067 rms, coverage -2.6 %; half more: 0.22 u at most, 0.052 rms, coverage -2.6 %, "
            "z2 -3 % (pair, five, eight)"
        ),
    )
    shared_length_px: float = tuned(
        600.0,
        unit="px",
        meaning="correlation length of the error that points of a saturated edge share (`TipPoints.shared_px`)",
        evidence=JUDGEMENT,
        sensitivity="half: 0.024 u at most, 0.0087 rms; half more: 0.058 u at most, 0.016 rms, z2 +2 % (five, eight)",
    )
    marker_growth_px: float = tuned(
        0.25,
        unit="px",
        meaning="standard deviation of the offset that the sides of all markers in a photograph share, outwards",
        evidence=(
            "40 path-traced photographs from the side with three phones: -0.03 to -0.10 px with one, -0.23 to -0.41 "
            "with the two others, and 0.00 mm of print; rendered ones -0.2 to 0.3"
        ),
        sensitivity="half: 0.027 u at most, 0.0077 rms; half more: 0.012 u at most, 0.0035 rms (pair, five, eight)",
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
        sensitivity=(
            "half: 0.082 u at most, 0.039 rms, z2 +5 %; half more: 0.065 u at most, 0.023 rms, z2 -3 % (pair, five, "
            "eight)"
        ),
    )
    waviness_knots: float = tuned(
        0.6,
        unit="1",
        meaning="distance between the knots of waviness seen from overhead, in its correlation lengths",
        evidence="as `knot_mm` over `length_mm` from the side",
        sensitivity=(
            "half: 0.13 u at most, 0.027 rms, z2 +4 %; half more: 0.1 u at most, 0.046 rms, z2 -2 % (pair, five, eight)"
        ),
    )
    circle_error_px: float = tuned(
        0.2,
        unit="px",
        meaning="standard deviation of the error of a hub circle as a whole, once and twice round the turn",
        evidence="centres of rendered hubs lie off by this much though a circle has hundreds of points",
        sensitivity=(
            "half: 0.11 u at most, 0.057 rms, z2 -1 %; half more: 0.038 u at most, 0.017 rms, z2 -3 % (pair, five, "
            "eight)"
        ),
    )


@dataclass(eq=False, repr=False, init=False)
class Normals(Group):
    """Values of robust weights and the points' variance components (`adjustment/normals.py`)."""

    robust_sigmas: float = tuned(
        3.0,
        unit="sigma",
        meaning="residuals at which the weight of a point has fallen to a half (Cauchy's loss)",
        evidence=JUDGEMENT,
        sensitivity=(
            "half: 0.64 u at most, 0.23 rms, z2 +1 %; half more: 0.26 u at most, 0.11 rms, coverage -5.1 %, z2 +5 % "
            "(pair, five, eight)"
        ),
    )
    outlier_sigmas: float = tuned(
        4.0,
        unit="sigma",
        meaning="points farther off than this are left out of the estimate of correlated errors",
        evidence=JUDGEMENT,
        sensitivity=(
            "half: 0.22 u at most, 0.069 rms, coverage -2.6 %, z2 -2 %; half more: 0.038 u at most, 0.016 rms, z2 -2 "
            "% (pair, five, eight)"
        ),
    )
    least_scale: float = tuned(
        0.7,
        unit="1",
        meaning="least that the points' uncertainty is multiplied by, however small their residuals are",
        evidence=(
            "120 rendered used rotors with two or three photographs from the side, rms with 0.3, 0.5, 0.7 and 1: "
            "0.109, 0.106, 0.100 and 0.099 deg, more than 3 u off: 6, 4, 2 and 0; of 93 pairs 0.5 and 0.7 are alike"
        ),
        sensitivity=(
            "half: 1.5 u at most, 0.32 rms, z2 +35 %; half more: 0.7 u at most, 0.2 rms, z2 +9 % (pair, five, eight)"
        ),
    )
    block_lengths: tuple[int, int] = tuned(
        (6, 16),
        unit="count",
        meaning=(
            "numbers of neighbours along an edge whose means are compared with single points; about a third of, and a "
            "whole, station"
        ),
        evidence=JUDGEMENT,
        sensitivity=(
            "half: 0.44 u at most, 0.14 rms, coverage -5.1 %, z2 +2 %; half more: 0.36 u at most, 0.081 rms, z2 -1 % "
            "(pair, five, eight)"
        ),
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
        sensitivity=(
            "half: 0.37 u at most, 0.14 rms, coverage -2.6 %, z2 +4 %; half more: 13 u at most, 2.4 rms, coverage "
            "-12.8 %, z2 +682 % (pair, five, eight)"
        ),
    )
    overlap_sigma: float = tuned(
        0.35,
        unit="1",
        meaning="standard uncertainty of the same",
        evidence=COMMON_PRACTICE,
        sensitivity=(
            "half: 0.23 u at most, 0.082 rms; half more: 0.44 u at most, 0.12 rms, coverage -2.6 %, z2 +7 % (pair, "
            "five, eight)"
        ),
    )
    knot_mm: float = tuned(
        20.0,
        unit="mm",
        meaning="distance between the knots of the tip curves",
        evidence=JUDGEMENT,
        sensitivity=(
            "half: 0.68 u at most, 0.22 rms, coverage -5.1 %, z2 -13 %; half more: 0.53 u at most, 0.14 rms, coverage "
            "-2.6 %, z2 +18 % (pair, five, eight)"
        ),
    )
    past_end_mm: float = tuned(
        6.0,
        unit="mm",
        meaning="how far the tip curves are carried past the blade's ends",
        evidence=JUDGEMENT,
        sensitivity=(
            "half: 0.35 u at most, 0.12 rms, coverage -5.1 %, z2 +12 %; half more: 0.26 u at most, 0.11 rms, coverage "
            "-2.6 %, z2 +5 % (pair, five, eight)"
        ),
    )


ADJUST = Adjust()
CORRELATED_ERRORS = CorrelatedErrors()
NORMALS = Normals()
ROTOR = Rotor()
