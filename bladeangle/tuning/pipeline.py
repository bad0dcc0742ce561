"""Tuned values of `pipeline/`: what each is, what says so, and what a change of half does."""

from __future__ import annotations

from dataclasses import dataclass

from bladeangle.tuning.value import COMMON_PRACTICE, JUDGEMENT, NOT_READ, Group, tuned

#: Sensitivity of values that no photograph of a rotor can show the effect of.
IN_CALIBRATIONS = "none on measured sets: read when a phone is calibrated; angles follow through its camera file"
IN_CHECKS = "none on angles: read by `bladeangle check`, which only says whether to take a photograph again"
IN_SORTING = "none on measured sets: read where photographs are sorted, which decides what is up and not an angle"


@dataclass(eq=False, repr=False, init=False)
class Adjusted(Group):
    """Values of the final adjustment (`pipeline/adjusted.py`)."""

    end_search_mm: float = tuned(
        2.5,
        unit="mm",
        meaning="how far from its prediction the end of a blade is looked for",
        evidence=JUDGEMENT,
        sensitivity="half: 0.13 u at most, 0.056 rms, z2 +24 %; half more: 0.18 u at most, 0.07 rms, z2 +15 % (pair)",
    )
    alike_run_scale: float = tuned(
        1.3,
        unit="1",
        meaning="largest scale of a run of edge with which all runs are believed alike",
        evidence="judgement: nine of ten runs have less",
        sensitivity=NOT_READ,
    )
    settled_mm: float = tuned(
        0.3,
        unit="mm",
        meaning="tips that move up or down by less than this are where their edges were looked for",
        evidence=(
            "in 100 rendered sets with photographs from the side nine of ten move by up to 0.25 mm; by 1.4 mm and more "
            "those of which a part was found a land's width off"
        ),
        sensitivity=NOT_READ,
    )


@dataclass(eq=False, repr=False, init=False)
class Calibrate(Group):
    """Values of a calibration (`pipeline/calibrate.py`)."""

    focus_sigma: float = tuned(
        0.0015,
        unit="1",
        meaning="standard uncertainty of the focal length of one photograph about the phone's mean, over it",
        evidence=(
            "a lens that is moved as a whole has the image distance f (1 + f/u): 6 mm lenses focused at 280 to 360 mm "
            "give +-0.24 %, a standard deviation of 0.14 % over that range"
        ),
        sensitivity=IN_CALIBRATIONS,
    )
    principal_sigma_px: float = tuned(
        3.0,
        unit="px",
        meaning=(
            "standard uncertainty of the principal point of one photograph about the phone's mean, which stabilisers "
            "move"
        ),
        evidence=COMMON_PRACTICE,
        sensitivity=IN_CALIBRATIONS,
    )
    edge_bias_px: float = tuned(
        0.15,
        unit="px",
        meaning=(
            "standard uncertainty beforehand of a shift of all marker sides, outwards in the picture, by blur and "
            "tone curve"
        ),
        evidence=JUDGEMENT,
        sensitivity=IN_CALIBRATIONS,
    )
    radial_bias_px: float = tuned(
        0.03,
        unit="px",
        meaning=(
            "the same of the sides that face the ring's centre or away from it against the other two; it looks like "
            "distortion"
        ),
        evidence=JUDGEMENT,
        sensitivity=IN_CALIBRATIONS,
    )
    fewest: int = tuned(
        4,
        unit="count",
        meaning="photographs that must be usable",
        evidence=JUDGEMENT,
        sensitivity=IN_CALIBRATIONS,
    )
    largest_focal_sigma: float = tuned(
        0.005,
        unit="1",
        meaning="a calibration is refused when the standard uncertainty of the focal length over it is larger",
        evidence=JUDGEMENT,
        sensitivity=IN_CALIBRATIONS,
    )
    largest_rms_px: float = tuned(
        1.0,
        unit="px",
        meaning="a calibration is refused when the median photograph's residuals are larger",
        evidence=JUDGEMENT,
        sensitivity=IN_CALIBRATIONS,
    )
    outlier_ratio: float = tuned(
        3.0,
        unit="1",
        meaning=(
            "a photograph is dropped whose residuals, in units of their own uncertainty, are so many times the median "
            "of all"
        ),
        evidence=JUDGEMENT,
        sensitivity=IN_CALIBRATIONS,
    )


@dataclass(eq=False, repr=False, init=False)
class Check(Group):
    """Values of looking at a photograph just taken (`pipeline/check.py`)."""

    clipped_level: int = tuned(
        252,
        unit="grey levels",
        meaning="encoded grey value from which a pixel counts as clipped",
        evidence="judgement: compression rounds a few levels off",
        sensitivity=IN_CHECKS,
    )
    tallest_mm: float = tuned(
        70.0,
        unit="mm",
        meaning="height over the sheet up to which blade tips are looked for",
        evidence=JUDGEMENT,
        sensitivity=IN_CHECKS,
    )


@dataclass(eq=False, repr=False, init=False)
class Disturbances(Group):
    """Values of what spoils pictures (`pipeline/disturbances.py`)."""

    widened_px: tuple[float, float] = tuned(
        (0.1, 0.16),
        unit="px",
        meaning=(
            "how far neighbouring markers may lie off together, from above and from the side, before intervals are "
            "widened"
        ),
        evidence="sound photographs reach 0.03 from above and 0.08 from the side",
        sensitivity="half and half more: nothing (pair)",
    )
    uneven_px: tuple[float, float] = tuned(
        (0.14, 0.25),
        unit="px",
        meaning="the same before it is a doubt",
        evidence="as `widened_px`",
        sensitivity="half and half more: nothing (pair)",
    )
    doubted_share: float = tuned(
        0.2,
        unit="1",
        meaning="share of a blade's tip beside which a second edge is a doubt, not a note",
        evidence=(
            "lines along the tip reach 0.5 to 1 in path-traced photographs and shadows 0.2 to 1; shorter ones that led "
            "astray showed in other doubts too; without any mistake 2 of 48 rendered sets reach it, in deep shade"
        ),
        sensitivity="half: none of the angles; half more: none; decides on a doubt alone",
    )
    seen_share: float = tuned(
        0.45,
        unit="1",
        meaning="share of the upper edges that a photograph from the side must show for it not to be doubted",
        evidence="another rotor's 0.38; the least of 176 sound ones, rendered and path-traced, 0.56 and 0.65",
        sensitivity="half and half more: nothing (five, eight); decides on a doubt alone",
    )
    contradicted_sigmas: float = tuned(
        6.0,
        unit="sigma",
        meaning="how far photographs from the side must speak against a second edge for it not to be the tip's",
        evidence=JUDGEMENT,
        sensitivity=NOT_READ,
    )
    beside_share: float = tuned(
        0.12,
        unit="1",
        meaning="share of a blade's tip beside which a second edge widens intervals",
        evidence=(
            "sound tips reach 0.04 in path-traced photographs and mostly 0.08 in rendered ones, where of 8 more in 48 "
            "sets 7 have a shadow beside them; those with a line or a narrow shadow mostly 0.2 to 1"
        ),
        sensitivity="half: angles same, z2 -16 %; half more: angles same, z2 +226 % (pair)",
    )


@dataclass(eq=False, repr=False, init=False)
class Ends(Group):
    """Values of whether photographs show the same end of a rotor (`pipeline/ends.py`)."""

    same_hub: float = tuned(
        0.9,
        unit="1",
        meaning="correlation of steps all round by radius (hub, bore) from which photographs may be of one end",
        evidence="one end in other light 0.97 and more (24 rendered rotors)",
        sensitivity="half and half more: nothing (pair, five, eight); decides on a refusal alone",
    )
    other_hub: float = tuned(
        0.8,
        unit="1",
        meaning="the same correlation below which photographs are of two ends",
        evidence="two ends 0.69 and less (31 rendered rotors)",
        sensitivity="half and half more: nothing (pair, five, eight); decides on a refusal alone",
    )
    surely_other_hub: float = tuned(
        0.5,
        unit="1",
        meaning="the same where the unrolled pictures correlate as those of one end do",
        evidence="one end once 0.66, two ends that look alike 0.26 and less in 7 rendered rotors, 0.53 in one",
        sensitivity="half and half more: nothing (five, eight); decides on a refusal alone",
    )
    same_end: float = tuned(
        0.33,
        unit="1",
        meaning="correlation of the unrolled pictures from which they show one end",
        evidence="one end in other light 0.39 and more, two ends mostly 0.2, of regular rotors up to 0.47",
        sensitivity=NOT_READ,
    )
    surely_same_end: float = tuned(
        0.5,
        unit="1",
        meaning="the same from which they show one end though the steps by radius correlate by less than `same_hub`",
        evidence="31 rendered rotors: two ends correlate by 0.47 at most, and their steps by 0.69",
        sensitivity=NOT_READ,
    )
    one_place_mm: float = tuned(
        0.7,
        unit="mm",
        meaning="cameras nearer to each other than this, that see the same, took one photograph",
        evidence="judgement: a hand is millimetres off",
        sensitivity="half and half more: nothing (pair, five, eight); decides on a refusal alone",
    )
    copy: float = tuned(
        0.8,
        unit="1",
        meaning="correlation of a photograph and its copy, compressed or brightened",
        evidence=JUDGEMENT,
        sensitivity=NOT_READ,
    )
    copy_turn_deg: float = tuned(
        1.0,
        unit="deg",
        meaning="how far a copy may seem turned",
        evidence=JUDGEMENT,
        sensitivity=NOT_READ,
    )


@dataclass(eq=False, repr=False, init=False)
class Mixups(Group):
    """Values of photographs of two rotors (`pipeline/mixups.py`)."""

    likelihood_ratio: float = tuned(
        30.0,
        unit="1",
        meaning="likelihood ratio from which photographs from above show two rotors",
        evidence="one rotor reaches 23 in 38 simulated pairs and 1.4 in 31 of renders and path-traced ones",
        sensitivity="half and half more: nothing (pair, five, eight); decides on a doubt alone",
    )
    excess_sigmas: float = tuned(
        1.0,
        unit="sigma",
        meaning="how far above one rotor's mean log ratio, in its standard deviations, two begin, some from the side",
        evidence=(
            "260 of rendered and path-traced rotors with one, two or three from the side: -2.5 to 0.9 where the right "
            "place was found; of 18 mixtures of path-traced rotors 1.05 at least, 21 u off, the others 1.17 to 33; of "
            "150 measurements of 50 rendered sets that it was not chosen with, 3 are doubted"
        ),
        sensitivity=(
            "half: 0.39 u at most, 0.1 rms, z2 -3 %; half more: 0.26 u at most, 0.047 rms, z2 -2 % (pair, five, eight)"
        ),
    )
    sure_ratio: float = tuned(
        100.0,
        unit="1",
        meaning="likelihood ratio by which another blade at the arrow must explain photographs better than two rotors",
        evidence="judgement: a wrong cause is named at most once in 100 cases",
        sensitivity="half and half more: nothing (pair, five, eight); decides on a doubt alone",
    )


@dataclass(eq=False, repr=False, init=False)
class Options(Group):
    """Values of what is said of a rotor (`pipeline/options.py`)."""

    radius_of_ring: float = tuned(
        0.735,
        unit="1",
        meaning="tip radius of the rotor that a ring is made for, over the ring's inner radius",
        evidence=JUDGEMENT,
        sensitivity="half: 15 angles lost; half more: 15 angles lost (pair)",
    )
    radius_sigma_mm: float = tuned(
        5.0,
        unit="mm",
        meaning="standard uncertainty of that tip radius",
        evidence=JUDGEMENT,
        sensitivity="half: 0.26 u at most, 0.082 rms, z2 +64 %; half more: 0.082 u at most, 0.044 rms, z2 -12 % (pair)",
    )
    caliper_radius_sigma_mm: float = tuned(
        1.0,
        unit="mm",
        meaning="standard uncertainty of the common radius by a caliper over the tips, which vary along their length",
        evidence=JUDGEMENT,
        sensitivity=NOT_READ,
    )
    usual_tip_mm: float = tuned(
        110.0,
        unit="mm",
        meaning="length of a tip that is assumed before the first adjustment",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair)",
    )


@dataclass(eq=False, repr=False, init=False)
class Sight(Group):
    """Values of sighting the ring (`pipeline/sight.py`)."""

    overhead_mm: float = tuned(
        55.0,
        unit="mm",
        meaning="a camera whose foot on the sheet is nearer to the ring's centre than this looks from overhead",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair, five, eight)",
    )


@dataclass(eq=False, repr=False, init=False)
class Sorting(Group):
    """Values of which photographs show which end (`pipeline/sorting.py`)."""

    disc_mm: float = tuned(
        45.0,
        unit="mm",
        meaning="radius of the disc that is compared: hub, bore and the roots of the blades",
        evidence=JUDGEMENT,
        sensitivity=IN_SORTING,
    )
    better_correlation: float = tuned(
        0.08,
        unit="1",
        meaning="how much better, in correlation, an oblique photograph must fit one setup than the other",
        evidence="of 120 sound ones none fits the other setup better by more than 0.07",
        sensitivity=IN_SORTING,
    )
    surely_better: float = tuned(
        0.2,
        unit="1",
        meaning="the same where nothing else speaks against the setup that it was given for",
        evidence="as `better_correlation`; three that show the other end fit it better by 0.3 to 0.5",
        sensitivity=IN_SORTING,
    )
    sure_sigmas: float = tuned(
        3.0,
        unit="sigma",
        meaning="how many standard uncertainties the difference of exit and entry must have",
        evidence=JUDGEMENT,
        sensitivity=IN_SORTING,
    )
    least_deg: float = tuned(
        0.3,
        unit="deg",
        meaning="least difference of exit and entry that tells which end is up",
        evidence=JUDGEMENT,
        sensitivity=IN_SORTING,
    )


@dataclass(eq=False, repr=False, init=False)
class Turning(Group):
    """Values of cameras turned by quarters (`pipeline/turning.py`)."""

    better_fit_ratio: float = tuned(
        1.2,
        unit="1",
        meaning=(
            "how many times better the ring must fit the one way round to say that an app turned the pixels that way"
        ),
        evidence=JUDGEMENT,
        sensitivity=NOT_READ,
    )


ADJUSTED = Adjusted()
CALIBRATE = Calibrate()
CHECK = Check()
DISTURBANCES = Disturbances()
ENDS = Ends()
MIXUPS = Mixups()
OPTIONS = Options()
SIGHT = Sight()
SORTING = Sorting()
TURNING = Turning()
