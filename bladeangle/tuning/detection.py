"""Tuned values of `detection/`: what each is, what says so, and what a change of half does.

Pixels are those of a photograph of the usual size (`photo.USUAL_SIDE_PX`), where 10 px are about a millimetre; in
smaller and larger ones they are as many millimetres, as metal and light are the same, but for `second_edge.py`.
"""

from __future__ import annotations

from dataclasses import dataclass

from bladeangle.tuning.value import COMMON_PRACTICE, JUDGEMENT, NOT_READ, Group, tuned


@dataclass(eq=False, repr=False, init=False)
class Hub(Group):
    """Values of finding the hub (`detection/hub.py`)."""

    plane_mm: float = tuned(
        55.0,
        unit="mm",
        meaning=(
            "height over the sheet of the plane on which the hub is looked at; a wrong one moves and scales a circle "
            "but does not bend it"
        ),
        evidence=JUDGEMENT,
        sensitivity="half: 0.21 u at most, 0.067 rms, z2 -28 %; half more: 15 angles lost (pair)",
    )
    beyond_mm: float = tuned(
        8.0,
        unit="mm",
        meaning="how far hub faces usually stand out beyond the blades at either end",
        evidence=COMMON_PRACTICE,
        sensitivity="half: 0.11 u at most, 0.048 rms, z2 -12 %; half more: 0.095 u at most, 0.046 rms, z2 +15 % (pair)",
    )
    beyond_sigma_mm: float = tuned(
        10.0,
        unit="mm",
        meaning="standard uncertainty of how far they stand out",
        evidence=COMMON_PRACTICE,
        sensitivity="half and half more: nothing (pair)",
    )
    radii_mm: tuple[float, float] = tuned(
        (6.0, 50.0),
        unit="mm",
        meaning="least and largest radius on that plane among which circles are looked for",
        evidence=JUDGEMENT,
        sensitivity="half: 0.42 u at most, 0.18 rms, z2 +45 %; half more: 15 angles lost (pair)",
    )
    needed_share: float = tuned(
        0.55,
        unit="1",
        meaning="share of the azimuths that must show a circle",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair)",
    )
    full_circle_share: float = tuned(
        0.9,
        unit="1",
        meaning="share of the azimuths from which a circle is seen all round",
        evidence=JUDGEMENT,
        sensitivity="half: nothing; half more: 0.25 u at most, 0.098 rms, z2 -32 % (pair)",
    )


@dataclass(eq=False, repr=False, init=False)
class Oblique(Group):
    """Values of the tip radius and thickness to start from (`detection/oblique.py`)."""

    radius_range_mm: float = tuned(
        10.0,
        unit="mm",
        meaning="half the range of the trial radii about the present one",
        evidence=JUDGEMENT,
        sensitivity=(
            "half: 0.39 u at most, 0.12 rms, z2 +7 %; half more: 0.55 u at most, 0.19 rms, z2 +20 % (five, eight)"
        ),
    )
    distinct_radii_mm: float = tuned(
        0.8,
        unit="mm",
        meaning="how far apart radii are that count as different answers",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (five, eight)",
    )
    thickness_classes_mm: tuple[float, float, float, float] = tuned(
        (0.0, 1.6, 2.8, 9.0),
        unit="mm",
        meaning="bounds of thin, usual and thick blades",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (five, eight)",
    )


@dataclass(eq=False, repr=False, init=False)
class Outline(Group):
    """Values of the saw-tooth outline of the blade tips (`detection/outline.py`)."""

    ordinary_deg: float = tuned(
        13.0,
        unit="deg",
        meaning="fall of an ordinary blade, along which pixels are averaged",
        evidence=JUDGEMENT,
        sensitivity="half: 0.088 u at most, 0.044 rms, z2 +3 %; half more: 0.21 u at most, 0.092 rms, z2 -24 % (pair)",
    )
    most_fall_mm: float = tuned(
        2.0,
        unit="mm",
        meaning="steepest fall a column; at 78 mm radius a column is 2.7 mm of arc, this about 36 degrees",
        evidence=JUDGEMENT,
        sensitivity="half: 0.048 u at most, 0.027 rms, z2 -21 %; half more: nothing (pair)",
    )
    least_jump_mm: float = tuned(
        5.0,
        unit="mm",
        meaning="least jump upwards at a leading end",
        evidence=JUDGEMENT,
        sensitivity="half: 0.1 u at most, 0.052 rms, z2 -9 %; half more: nothing (pair)",
    )
    jump_cost: float = tuned(
        12.0,
        unit="1",
        meaning="what a jump costs, in units of the normalised step strength",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair)",
    )
    bend_cost: float = tuned(
        1.0,
        unit="1",
        meaning="what a change of the fall by a row costs, in units of the normalised step strength",
        evidence=JUDGEMENT,
        sensitivity="half: 0.22 u at most, 0.094 rms, z2 -27 %; half more: nothing (pair)",
    )
    gap_strength: float = tuned(
        0.35,
        unit="1",
        meaning="strength of the path in a gap between blades, as a share of that along them",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair)",
    )
    tooth_margin_mm: float = tuned(
        25.0,
        unit="mm",
        meaning="how much lower and higher than the folded tooth one of a photograph may reach: off-centre and tilt",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair)",
    )
    phase_columns: int = tuned(
        4,
        unit="count",
        meaning="how many columns a tooth may start from where even spacing puts it",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair)",
    )
    least_score: float = tuned(
        0.8,
        unit="1",
        meaning="least score of an outline",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair)",
    )
    multiple_share: float = tuned(
        0.85,
        unit="1",
        meaning=(
            "a multiple of a number of blades that reaches this share of its strength is the number, if all of its "
            "teeth are there"
        ),
        evidence=(
            "teeth folded to half their number may look as strong as folded to it; to twice their number they reach "
            "0.4 to 0.94"
        ),
        sensitivity=NOT_READ,
    )
    absent_tooth_share: float = tuned(
        0.25,
        unit="1",
        meaning=(
            "strength, over that of the other teeth, below which every second or third tooth is only the shadow where "
            "bare paper is"
        ),
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair)",
    )
    own_count_share: float = tuned(
        0.9,
        unit="1",
        meaning="a photograph that shows this share of another number's strength shows that number too",
        evidence=JUDGEMENT,
        sensitivity="half: nothing; half more: 15 angles lost (pair)",
    )
    ambiguous_share: float = tuned(
        0.97,
        unit="1",
        meaning="two numbers of blades closer to each other than this over all photographs cannot be told apart",
        evidence=JUDGEMENT,
        sensitivity="half: 15 angles lost; half more: nothing (pair)",
    )
    followed_share: float = tuned(
        0.7,
        unit="1",
        meaning="numbers of blades below this share of the best are not followed",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair)",
    )
    usual_rim_mm: float = tuned(
        64.0,
        unit="mm",
        meaning="height of the hub's rim about which the picture is unrolled first",
        evidence=COMMON_PRACTICE,
        sensitivity="half: 0.13 u at most, 0.056 rms, z2 -30 %; half more: 0.12 u at most, 0.045 rms, z2 +5 % (pair)",
    )
    rim_slack_mm: float = tuned(
        12.0,
        unit="mm",
        meaning="how far off the rim's height is still known well enough",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair)",
    )


@dataclass(eq=False, repr=False, init=False)
class SecondEdge(Group):
    """Values of other edges beside a tip's (`detection/second_edge.py`)."""

    along_px: int = tuned(
        6,
        unit="px",
        meaning="half the length of edge over which a profile is averaged; not scaled with the photograph",
        evidence=JUDGEMENT,
        sensitivity="half: angles same, z2 -2 %; half more: nothing (pair)",
    )
    reach_px: int = tuned(
        13,
        unit="px",
        meaning="how far a profile reaches to either side; not scaled with the photograph",
        evidence=JUDGEMENT,
        sensitivity="half: angles same, z2 +486 %; half more: angles same, z2 -46 % (pair)",
    )
    apart_blurs: float = tuned(
        2.0,
        unit="1",
        meaning="nearer than this, in widths of the blur, steps are one",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair)",
    )
    apart_px: float = tuned(
        2.5,
        unit="px",
        meaning="nearer than this, steps are one; not scaled with the photograph",
        evidence=JUDGEMENT,
        sensitivity="half: nothing; half more: angles same, z2 +127 % (pair)",
    )
    strong_share: float = tuned(
        0.5,
        unit="1",
        meaning="how strong a second step must be, as a share of the tip's own",
        evidence=JUDGEMENT,
        sensitivity="half: nothing; half more: angles same, z2 +1 % (pair)",
    )
    fewest_points: int = tuned(
        6,
        unit="count",
        meaning="points that a run must have to be judged",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair)",
    )


@dataclass(eq=False, repr=False, init=False)
class Start(Group):
    """Values of the rotor to start from (`detection/start.py`)."""

    hidden_wrap_rad: float = tuned(
        0.35,
        unit="rad",
        meaning="assumed wrap beyond what is seen when the far end is hidden and no other photograph shows it",
        evidence=JUDGEMENT,
        sensitivity=(
            "half: 0.37 u at most, 0.12 rms, z2 +1 %; half more: 0.42 u at most, 0.12 rms, z2 +13 % (pair, five, eight)"
        ),
    )
    whole_tooth_evidence: float = tuned(
        4.0,
        unit="1",
        meaning="twice the log-likelihood that a tooth seen from end to end adds to wraps of its own length",
        evidence=JUDGEMENT,
        sensitivity="half: 0.27 u at most, 0.062 rms, z2 +3 %; half more: nothing (pair, five, eight)",
    )
    faded_tooth_share: float = tuned(
        0.8,
        unit="1",
        meaning=(
            "teeth that seem whole but are shorter than this share of the median one have faded, and are not whole"
        ),
        evidence=JUDGEMENT,
        sensitivity="half: nothing; half more: 0.24 u at most, 0.09 rms, z2 +7 % (eight)",
    )
    matched_deg: float = tuned(
        0.5,
        unit="deg",
        meaning="how well slopes of outlines agree where both setups show the same place of a blade",
        evidence=JUDGEMENT,
        sensitivity=(
            "half: 1.4 u at most, 0.28 rms, z2 -6 %; half more: 0.28 u at most, 0.07 rms, z2 +6 % (pair, five, eight)"
        ),
    )
    unmatched_deg: float = tuned(
        2.0,
        unit="deg",
        meaning="how well slopes of outlines agree where the setups show different places",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair, five, eight)",
    )


HUB = Hub()
OBLIQUE = Oblique()
OUTLINE = Outline()
SECOND_EDGE = SecondEdge()
START = Start()
