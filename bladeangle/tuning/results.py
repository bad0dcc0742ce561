"""Tuned values of `results/`: what each is, what says so, and what a change of half does."""

from __future__ import annotations

from dataclasses import dataclass

from bladeangle.tuning.value import COMMON_PRACTICE, JUDGEMENT, NOT_READ, Group, tuned


@dataclass(eq=False, repr=False, init=False)
class Angles(Group):
    """Values of angles along the tips (`results/angles.py`)."""

    shortest_mm: float = tuned(
        5.0,
        unit="mm",
        meaning="a station that is shorter than this is none",
        evidence=JUDGEMENT,
        sensitivity="half: nothing; half more: 1 angle lost (pair)",
    )


@dataclass(eq=False, repr=False, init=False)
class Contradicted(Group):
    """Values of runs of edge that all else contradicts (`results/contradicted.py`)."""

    mean_square: float = tuned(
        3.0,
        unit="1",
        meaning="mean square of how far a run lies off, in standard deviations, above which it is contradicted",
        evidence=(
            "108 rendered sets with photographs from the side: 10 of 2,656 runs within 0.4 px of the true edge (root "
            "mean square), 7 of 413 others; of seven runs that had turned an angle by 0.3 to 3.5 deg five, 3.9 to 12"
        ),
        sensitivity=(
            "half: 2.1 u at most, 0.43 rms, coverage +2.2 %, z2 -10 %; half more: 0.14 u at most, 0.039 rms "
            "(pair, two with three, eight)"
        ),
    )
    excess_sigmas: float = tuned(
        3.0,
        unit="sigma",
        meaning="how much larger than usual the sum of those squares must be as well",
        evidence="the same; of runs of few points some have a larger mean square by chance",
        sensitivity="half and half more: nothing (pair, two with three, eight)",
    )
    turned_sigmas: float = tuned(
        4.0,
        unit="sigma",
        meaning="change of an angle without a run, in standard deviations, above which the run is contradicted",
        evidence="the same sets: 3 of 2,656 and 0 of 413; 4.5 to 7.3 of three of those seven",
        sensitivity=(
            "half: 1.3 u at most, 0.41 rms, coverage +2.3 %, z2 -19 %, 1 angle lost; half more: 2.3 u at "
            "most, 0.40 rms, z2 -29 % (pair, two with three, eight)"
        ),
    )
    fewest: int = tuned(
        2,
        unit="count",
        meaning="fewest points of a run that is judged",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair, two with three, eight)",
    )


@dataclass(eq=False, repr=False, init=False)
class Diagnostics(Group):
    """Values of what is doubted and what is refused (`results/diagnostics.py`)."""

    unsure_wrap: float = tuned(
        0.12,
        unit="1",
        meaning="standard uncertainty of the wrap, as a share of the pitch between blades, above which it is told",
        evidence=JUDGEMENT,
        sensitivity=NOT_READ,
    )
    whole_station_share: float = tuned(
        0.45,
        unit="1",
        meaning="share of a station that must show an edge for it not to be doubted",
        evidence=(
            "of stations seen to 0.7 or 0.8 all 14 of 48 rendered and 7 path-traced rotors lie within 2.6 of their "
            "uncertainties, which are wider for it (rms 1.1); of those seen to 0.4 to 0.6 all 11 of 100 rendered pairs "
            "within 1.4 (rms 0.8)"
        ),
        sensitivity="half and half more: nothing (pair)",
    )
    doubted_rms_px: float = tuned(
        0.9,
        unit="px",
        meaning="root mean square of tip residuals from which a photograph is doubted",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair)",
    )
    doubted_ring_px: float = tuned(
        0.6,
        unit="px",
        meaning="root mean square of ring residuals from which a photograph is doubted",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair)",
    )
    refused_ring_px: float = tuned(
        3.0,
        unit="px",
        meaning="root mean square of ring residuals from which a photograph is refused",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair)",
    )
    refused_tip_px: float = tuned(
        2.5,
        unit="px",
        meaning="root mean square of tip residuals from which a photograph is refused",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair)",
    )
    doubted_chi_squared: float = tuned(
        6.0,
        unit="1",
        meaning="squared distance from what was known, over its degrees of freedom, from which it is doubted",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair)",
    )
    unlike_thickness_mm: float = tuned(
        0.4,
        unit="mm",
        meaning="a blade that is thicker or thinner than the others by more than this has an edge taken for another",
        evidence=(
            "176 rendered sets with photographs from the side: two with a blade on another edge 1.1 and 2.5 mm, all "
            "others at most 0.19; 0.2 to 1.8 mm where lower edges of 3 mm were taken for upper ones on purpose, and "
            "angles up to 2.4 u off below 0.4 mm"
        ),
        sensitivity=NOT_READ,
    )
    implausible_sigmas: float = tuned(
        3.5,
        unit="sigma",
        meaning="standard deviations from which a rotor is implausible (`Adjustment.implausibility`)",
        evidence="stays under 2.2 where the right place was found, in simulation and in renders",
        sensitivity="half and half more: nothing (pair)",
    )
    refused_implausible_sigmas: float = tuned(
        7.0,
        unit="sigma",
        meaning="standard deviations from which nothing is said of a rotor, unless photographs of two explain it",
        evidence=(
            "path-traced photographs with shadows painted beside the tips: at 6 angles were 5 u off, from 8 on 5 to 86 "
            "u; the sound ones stay under 2.2"
        ),
        sensitivity="half and half more: nothing (pair)",
    )
    noted_tilt_deg: float = tuned(
        0.5,
        unit="deg",
        meaning="tilt of the rotor that is worth a note",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair)",
    )
    doubted_tilt_deg: float = tuned(
        0.75,
        unit="deg",
        meaning="tilt of the rotor that is doubted",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair)",
    )
    noted_offset_mm: float = tuned(
        5.0,
        unit="mm",
        meaning="offset of the rotor from the ring's centre that is worth a note",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair)",
    )
    noted_bend_mm: float = tuned(
        0.3,
        unit="mm",
        meaning="bend of the sheet that is worth a note",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair)",
    )
    nick_weight: float = tuned(
        0.1,
        unit="1",
        meaning="robust weight under which neighbouring points are taken for a nick or stain",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair)",
    )
    nick_points: int = tuned(
        2,
        unit="count",
        meaning="points in a row that make a nick or stain",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair)",
    )
    difference_sigmas: float = tuned(
        3.0,
        unit="sigma",
        meaning="differences from which blades, or a given and a measured diameter, count as different",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair)",
    )
    ordinary_deg: tuple[float, float] = tuned(
        (3.0, 55.0),
        unit="deg",
        meaning="angles between which blades of such rotors lie, with ample margin",
        evidence=COMMON_PRACTICE,
        sensitivity="half and half more: nothing (pair)",
    )
    harmless_move_sigmas: float = tuned(
        2.0,
        unit="sigma",
        meaning="a rotor may have moved where that changes no angle by so many of its standard uncertainties",
        evidence="judgement: the interval covers it",
        sensitivity="half and half more: nothing (pair)",
    )
    sure_move_sigmas: float = tuned(
        6.0,
        unit="sigma",
        meaning="a movement is a doubt from this many of its standard uncertainties, whatever it does to the angles",
        evidence="rotors left alone reach 5.5 in 48 rendered sets; first order tells too little of large movements",
        sensitivity="half and half more: nothing (pair)",
    )
    scale_blunder: float = tuned(
        0.1,
        unit="1",
        meaning="a blunder of scale that happens, as when a sheet was fitted to the page",
        evidence=COMMON_PRACTICE,
        sensitivity="half and half more: nothing (pair)",
    )
    harmless_deg: float = tuned(
        0.1,
        unit="deg",
        meaning=(
            "what a blunder of scale may do to an angle without a doubt, beside `difference_sigmas` of its standard "
            "uncertainties"
        ),
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair)",
    )
    ordinary_mm: tuple[float, float] = tuned(
        (100.0, 200.0),
        unit="mm",
        meaning="tip diameters of such rotors",
        evidence=COMMON_PRACTICE,
        sensitivity="half and half more: nothing (pair)",
    )
    exchanged_deg: float = tuned(
        0.4,
        unit="deg",
        meaning="exits shallower than entries by more than this are unusual",
        evidence="judgement: two of 120 rendered rotors of even pitch, cupped or bulged, were 0.2 shallower",
        sensitivity="half and half more: nothing (pair)",
    )
    wear_share: float = tuned(
        0.3,
        unit="1",
        meaning="share of an entry's interval from which wear is worth a word",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair)",
    )


@dataclass(eq=False, repr=False, init=False)
class EdgeShifts(Group):
    """Values of shifts of parts of a picture (`results/edge_shifts.py`)."""

    alike_px: float = tuned(
        600.0,
        unit="px",
        meaning="over how far a drop on the lens, a shutter or an editor shifts a picture alike, of 4,032 px a side",
        evidence=JUDGEMENT,
        sensitivity=NOT_READ,
    )


@dataclass(eq=False, repr=False, init=False)
class Moved(Group):
    """Values of rotors that were moved between photographs (`results/moved.py`)."""

    moved_sigmas: float = tuned(
        4.0,
        unit="sigma",
        meaning="a movement counts from this many of its standard uncertainties, and from `least_move_mm`",
        evidence="renders in which the rotor was left alone reach 3.2",
        sensitivity="half and half more: nothing (eight)",
    )
    least_move_mm: float = tuned(
        0.12,
        unit="mm",
        meaning="a movement counts from this size on the sheet or at the tip, and from `moved_sigmas`",
        evidence=JUDGEMENT,
        sensitivity=NOT_READ,
    )
    expected_mm: float = tuned(
        3.0,
        unit="mm",
        meaning=(
            "standard deviation of what is expected of a rotor that was moved, on the sheet and at the tip: keeps "
            "directions that nothing measures from running away"
        ),
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (eight)",
    )
    turn_from_above_mm: float = tuned(
        0.8,
        unit="mm",
        meaning=(
            "how far, at the tip, one from above may see the rotor turned against those from the side, though it was "
            "not"
        ),
        evidence=(
            "0.05 mm of radius there look like 0.2 mm of height, as rays are steep, and these like 0.8 mm of turn of "
            "blades of 14 deg; seen on glossy tips, of one rotor in seven"
        ),
        sensitivity="half and half more: nothing (eight)",
    )


@dataclass(eq=False, repr=False, init=False)
class PictureShear(Group):
    """Values of pictures sheared by a phone that moves while they are read out (`results/picture_shear.py`)."""

    usual: float = tuned(
        0.0005,
        unit="1",
        meaning="standard deviation of shear and stretch, in px a px across the lines, of pictures that are sheared",
        evidence=(
            "judgement: a hand that moves by 5 mm a second, lines read out in a thirtieth of a second, 300 mm of sheet "
            "in view"
        ),
        sensitivity="half and half more: nothing (pair, five, eight); decides on a doubt alone",
    )
    likelihood_ratio: float = tuned(
        100.0,
        unit="1",
        meaning="likelihood ratio from which a picture counts as sheared",
        evidence=(
            "a sound picture exceeds it at most once in 100 cases (Markov's inequality); chi-squared, then 16 or so, "
            "stays under 5 in 300 sound photographs; a shear of 0.1 % from above gives 60 and more"
        ),
        sensitivity="half and half more: nothing (pair, five, eight); decides on a doubt alone",
    )


@dataclass(eq=False, repr=False, init=False)
class StationAngles(Group):
    """Values of station angles and their budget (`results/stations.py`)."""

    needed_bins: int = tuned(
        4,
        unit="count",
        meaning="how many of a station's ten bins (`stations.BINS`) must be seen",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair, eight)",
    )
    kept_weight: float = tuned(
        0.3,
        unit="1",
        meaning="robust weight from which a point counts as seen; below it the adjustment has put it aside",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair, eight)",
    )
    edge_bias_px: float = tuned(
        0.08,
        unit="px",
        meaning=(
            "standard uncertainty of where blurred edges seem to stand in a photograph whose tone curve is not known"
        ),
        evidence="assumed, no source",
        sensitivity="half and half more: nothing (pair, eight)",
    )
    broken_rim_mm: float = tuned(
        1.5,
        unit="mm",
        meaning=(
            "most that a circle's radius falls short of the hub's where a chamfer or a round breaks the rim, anything "
            "from nothing to this being as likely"
        ),
        evidence="rims are broken by half a millimetre to one and a half; common practice, no source",
        sensitivity="half and half more: nothing (pair, eight)",
    )
    entry_wear_form_deg: float = tuned(
        0.2,
        unit="deg",
        meaning="what the form of wear, which from above nobody sees, does to an entry",
        evidence=(
            "rendered used rotors with ramps, steps and exponentials of the same depth; the model knows exponentials "
            "of several lengths"
        ),
        sensitivity="half: angles same, z2 +4 %; half more: angles same, z2 -5 % (pair)",
    )
    exit_wear_form_deg: float = tuned(
        0.1,
        unit="deg",
        meaning="what the form of wear does to an exit",
        evidence="as `entry_wear_form_deg`",
        sensitivity="half: angles same, z2 +1 %; half more: angles same, z2 -1 % (pair)",
    )


@dataclass(eq=False, repr=False, init=False)
class Tips(Group):
    """Values of radius, wear and clearance of the tips (`results/tips.py`)."""

    seen_share: float = tuned(
        0.7,
        unit="1",
        meaning=(
            "share of its prior standard deviation below which the uncertainty of a quantity has to be for it to "
            "count as seen"
        ),
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair)",
    )
    fewest_points: int = tuned(
        6,
        unit="count",
        meaning="points of a blade's edges from which on its curve is given",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair)",
    )


@dataclass(eq=False, repr=False, init=False)
class Trailing(Group):
    """Values of the distance of the trailing edges (`results/trailing.py`)."""

    seat_mm: float = tuned(
        0.1,
        unit="mm",
        meaning="standard uncertainty of how flat and clean the rotor's end and the paper under it lie on each other",
        evidence="assumed, no source",
        sensitivity=NOT_READ,
    )
    largest_u_mm: float = tuned(
        1.5,
        unit="mm",
        meaning=(
            "what is known no better than to this standard uncertainty, as from overhead alone, is no distance to "
            "work by"
        ),
        evidence=JUDGEMENT,
        sensitivity=NOT_READ,
    )


@dataclass(eq=False, repr=False, init=False)
class TwoRotors(Group):
    """Values of how the blades of two rotors of a make differ, as standard deviations (`results/two_rotors.py`)."""

    common_deg: float = tuned(
        1.5,
        unit="deg",
        meaning="in common, of their slope at the ends and of their bend",
        evidence="assumed, no source",
        sensitivity="half and half more: nothing (five, eight); decides on a doubt alone",
    )
    own_deg: float = tuned(
        0.5,
        unit="deg",
        meaning="each by itself, of its slope at the ends and of its bend",
        evidence="assumed, no source",
        sensitivity="half and half more: nothing (five, eight); decides on a doubt alone",
    )
    own_mm: float = tuned(
        0.5,
        unit="mm",
        meaning="each by itself, of its height",
        evidence="assumed, no source",
        sensitivity="half and half more: nothing (five, eight); decides on a doubt alone",
    )


@dataclass(eq=False, repr=False, init=False)
class Unevenness(Group):
    """Values of parts of a picture that are shifted against each other (`results/unevenness.py`)."""

    neighbours: int = tuned(
        3,
        unit="count",
        meaning="markers that are neighbours, whose shifts are taken together",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair)",
    )


ANGLES = Angles()
CONTRADICTED = Contradicted()
DIAGNOSTICS = Diagnostics()
EDGE_SHIFTS = EdgeShifts()
MOVED = Moved()
PICTURE_SHEAR = PictureShear()
STATION_ANGLES = StationAngles()
TIPS = Tips()
TRAILING = Trailing()
TWO_ROTORS = TwoRotors()
UNEVENNESS = Unevenness()
