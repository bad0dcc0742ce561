"""Tuned values of where outlines begin and end blades, and of an overlap that is not seen (`pipeline/`)."""

from __future__ import annotations

from dataclasses import dataclass

from bladeangle.tuning.value import JUDGEMENT, NOT_READ, Group, tuned


@dataclass(eq=False, repr=False, init=False)
class Outlines(Group):
    """Values of looking for outlines (`pipeline/outlines.py`)."""

    heights_mm: tuple[float, float] = tuned(
        (-60.0, 105.0),
        unit="mm",
        meaning="heights searched for the tips on the guessed cylinder; wide, since a wrong radius shifts heights",
        evidence=JUDGEMENT,
        sensitivity=(
            "half: 2.5 u at most, 1.3 rms, coverage -20.0 %, z2 +112 %, 34 angles lost; half more: 0.46 u at most, "
            "0.15 rms, z2 +21 % (pair, five, eight)"
        ),
    )
    ring_margin_mm: float = tuned(
        1.5,
        unit="mm",
        meaning="margin kept from the ring's inner radius",
        evidence=JUDGEMENT,
        sensitivity=(
            "half: 0.35 u at most, 0.071 rms, z2 +4 %; half more: 0.47 u at most, 0.17 rms, coverage -2.6 %, z2 +33 "
            "% (pair, five, eight)"
        ),
    )
    end_search_mm: tuple[float, float] = tuned(
        (5.0, 12.0),
        unit="mm",
        meaning=(
            "how far from where an outline begins its blades their ends are looked for; and where most are not seen "
            "there; 2.5 times as far in the end"
        ),
        evidence="an outline began 22 mm late where the ring's markers lay behind the tips",
        sensitivity=NOT_READ,
    )
    alike_late_rad: float = tuned(
        0.1,
        unit="rad",
        meaning="ends that are seen before the outline begins must be so by the same on all blades, but for this",
        evidence="judgement: blades are placed evenly, and rotors are seen to the side by a few degrees at most",
        sensitivity=NOT_READ,
    )
    most_early_rad: float = tuned(
        0.1,
        unit="rad",
        meaning="how far before ends that are seen alike an outline may begin its blades",
        evidence="220 rendered pairs: 9 of 440 outlines began 0.11 to 0.15 rad early, in shadows beside the ends",
        sensitivity=NOT_READ,
    )
    least_wrap: float = tuned(
        0.35,
        unit="1",
        meaning="least wrap of a blade, as a share of the pitch between blades, at which its lower end is looked for",
        evidence=JUDGEMENT,
        sensitivity=NOT_READ,
    )
    least_gap_rad: float = tuned(
        0.05,
        unit="rad",
        meaning="how far before the next blade's upper end a lower end is looked for",
        evidence="judgement: seen from above the next blade's end is not quite where it is on the guessed cylinder",
        sensitivity=NOT_READ,
    )
    alike_wraps_rad: float = tuned(
        0.1,
        unit="rad",
        meaning="how far the lower ends of blades that are alike may lie apart",
        evidence="judgement: off-centre and leaning rotors, and shadows just below an end, move them by so much",
        sensitivity=NOT_READ,
    )
    ended_share: float = tuned(
        0.61,
        unit="1",
        meaning="share of all blades, in all setups, whose lower ends must be seen alike",
        evidence=(
            "100 rendered pairs: 0.62 to 1 of 27 of 30 rotors whose blades do not overlap, 0.58 at most of the others"
        ),
        sensitivity=NOT_READ,
    )
    far_from_arrow: float = tuned(
        0.3,
        unit="1",
        meaning=(
            "offset of the nearest blade from the arrow from which it is a doubt, as a share of the pitch between "
            "blades"
        ),
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair, five, eight); decides on a doubt alone",
    )


@dataclass(eq=False, repr=False, init=False)
class Overlap(Group):
    """Values of the overlap where lower ends of blades are not seen (`pipeline/overlap.py`)."""

    few_share: float = tuned(
        0.35,
        unit="1",
        meaning="share of the blades' lower ends, in all photographs, up to which what is seen of them is chance",
        evidence=(
            "280 rendered pairs, of 213 whose outlines saw no lower ends: 0 of 207 and 0.2 of one that overlaps, 0.5 "
            "to 1 of five that do not"
        ),
        sensitivity=NOT_READ,
    )
    hopeless: float = tuned(
        9.0,
        unit="1",
        meaning="how much larger than the least a cost, as -2 log likelihood, may be for the next overlap to be tried",
        evidence="judgement: the weight of such an overlap is 0.01, but there may be likely ones beyond it",
        sensitivity=NOT_READ,
    )
    held_sigma: float = tuned(
        0.01,
        unit="1",
        meaning="standard uncertainty with which an overlap is held where an adjustment is to have it",
        evidence="judgement: less than what photographs seem to say of it, which is wrong there",
        sensitivity=NOT_READ,
    )


@dataclass(eq=False, repr=False, init=False)
class LowerEnds(Group):
    """Values of matching setups where lower ends are seen from the side (`pipeline/lower_ends.py`)."""

    search_mm: float = tuned(
        3.0,
        unit="mm",
        meaning="how far from where they are expected lower ends are looked for",
        evidence="judgement: enough for ends at the middle between two steps",
        sensitivity="half and half more: nothing (five, eight)",
    )
    step_mm: float = tuned(
        4.0,
        unit="mm",
        meaning="steps along the blades at which setups are matched",
        evidence="judgement: less than twice as far as ends are looked for",
        sensitivity=NOT_READ,
    )
    found_share: float = tuned(
        0.85,
        unit="1",
        meaning="share of the lower ends in sight that are found where setups are matched right",
        evidence="250 rendered sets with one to six photographs from the side, half of them used: 489 of 572",
        sensitivity="half: nothing; half more is no share (pair, two with three, eight)",
    )
    chance_share: float = tuned(
        0.04,
        unit="1",
        meaning="share of the lower ends in sight that something else is taken for, where setups are matched elsewhere",
        evidence="the same sets, matched 7 mm and farther off: 730 of 19,968",
        sensitivity="half and half more: nothing (pair, two with three, eight)",
    )
    least_gain: float = tuned(
        3.0,
        unit="1",
        meaning="log likelihood ratio of the place where setups are matched anew, to where they were",
        evidence=(
            "the same sets: of 36 with a place that is likelier by so much 31 lay there, of which 23 had been 3 to "
            "29 mm beside it; the other five had been right, and came back or fitted worse"
        ),
        sensitivity="half and half more: nothing (pair, two with three, eight)",
    )
    fewest: int = tuned(
        2,
        unit="count",
        meaning="fewest lower ends that must be found there, or are enough where the setups are matched already",
        evidence="judgement: single ones are found by chance somewhere along the blades",
        sensitivity="half and half more: nothing (pair, two with three, eight)",
    )
    clear_share: float = tuned(
        0.6,
        unit="1",
        meaning="least share of the lower ends in sight that must be found there",
        evidence="the same: 2 of 3 at least of those that were matched anew",
        sensitivity="half and half more: nothing (pair, two with three, eight)",
    )
    enough_share: float = tuned(
        0.75,
        unit="1",
        meaning="share of the lower ends in sight from which the setups are taken to be matched right already",
        evidence="the same: 2 of 3 at most of those that were not",
        sensitivity="half and half more: nothing (pair, two with three, eight)",
    )
    most_shorter: float = tuned(
        0.4,
        unit="1",
        meaning="how much shorter the blades may be, as a share of the pitch",
        evidence=JUDGEMENT,
        sensitivity=NOT_READ,
    )
    most_longer: float = tuned(
        0.6,
        unit="1",
        meaning="how much longer the blades may be, as a share of the pitch",
        evidence=JUDGEMENT,
        sensitivity=NOT_READ,
    )
    least_wrap: float = tuned(
        0.4,
        unit="1",
        meaning="least wrap of a blade that is tried, as a share of the pitch",
        evidence=JUDGEMENT,
        sensitivity=NOT_READ,
    )


OUTLINES = Outlines()
OVERLAP = Overlap()
LOWER_ENDS = LowerEnds()
