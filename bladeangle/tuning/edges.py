"""Tuned values of tip edges, in `detection/edges.py` and `visibility.py`; pixels as in `tuning/detection.py`."""

from __future__ import annotations

from dataclasses import dataclass

from bladeangle.tuning.value import JUDGEMENT, NOT_READ, Group, tuned


@dataclass(eq=False, repr=False, init=False)
class Visibility(Group):
    """Values of where tip edges are seen (`detection/visibility.py`)."""

    near_cosine: float = tuned(
        0.30,
        unit="1",
        meaning="least cosine between the tip's normal and the line to the camera for an edge on the near side",
        evidence=JUDGEMENT,
        sensitivity=(
            "half: 1.6 u at most, 0.37 rms, coverage -2.6 %, z2 +12 %; half more: 1.4 u at most, 0.3 rms, coverage "
            "-5.1 %, z2 +24 % (pair, five, eight)"
        ),
    )
    cover_margin_mm: float = tuned(
        3.0,
        unit="mm",
        meaning="what is left out beside the end of a blade that covers it",
        evidence=JUDGEMENT,
        sensitivity=(
            "half: 0.49 u at most, 0.12 rms, coverage -5.1 %, z2 -3 %; half more: 0.41 u at most, 0.11 rms, coverage "
            "-2.6 %, z2 -2 % (pair, five, eight)"
        ),
    )
    hub_clearance_mm: float = tuned(
        6.0,
        unit="mm",
        meaning="how close to the hub, as its circles show it, a sight line to the far side may pass",
        evidence=JUDGEMENT,
        sensitivity=NOT_READ,
    )
    own_surface_rad: float = tuned(
        0.35,
        unit="rad",
        meaning="how far along its blade a tip's own surface may come near the sight line without hiding it",
        evidence="judgement: it rises from there, and hides the tip where it rises past the line",
        sensitivity=NOT_READ,
    )
    blade_clearance_mm: float = tuned(
        5.0,
        unit="mm",
        meaning="how close to another blade a sight line to the far side may pass, along the axis and beside its ends",
        evidence="judgement: a blade's thickness, and what its generators depart from radial ones",
        sensitivity=NOT_READ,
    )


@dataclass(eq=False, repr=False, init=False)
class Edges(Group):
    """Values of following tip edges (`detection/edges.py`)."""

    point_px: int = tuned(
        16,
        unit="px",
        meaning="length of edge over which profiles are averaged to one point",
        evidence=JUDGEMENT,
        sensitivity=(
            "half: 1.5 u at most, 0.31 rms, coverage -2.6 %, z2 -4 %; half more: 0.63 u at most, 0.19 rms, coverage "
            "-2.6 %, z2 +9 % (pair, five, eight)"
        ),
    )
    trust_px: int = tuned(
        3,
        unit="px",
        meaning="how far the last refinement may move an edge from its prediction",
        evidence=JUDGEMENT,
        sensitivity=(
            "half: 0.041 u at most, 0.012 rms, z2 -1 %; half more: 0.33 u at most, 0.1 rms, coverage -2.6 %, z2 +1 % "
            "(pair, five, eight)"
        ),
    )
    most_leap_px: float = tuned(
        0.7,
        unit="px",
        meaning="how far a point that continues an edge may lie from where the two before it lead",
        evidence="of 100 rendered sets, of which one was 1.6 deg off without; scatter of points is 0.1 to 0.3 px",
        sensitivity=(
            "half: 0.11 u at most, 0.022 rms, z2 +1 %; half more: 0.19 u at most, 0.026 rms, z2 +2 % "
            "(pair, five, eight)"
        ),
    )
    reach_px: int = tuned(
        9,
        unit="px",
        meaning="how far profiles reach to either side of an edge",
        evidence=JUDGEMENT,
        sensitivity=(
            "half: 0.54 u at most, 0.16 rms; half more: 0.79 u at most, 0.27 rms, coverage -5.1 %, z2 +7 % (pair, "
            "five, eight)"
        ),
    )
    saturated_share: float = tuned(
        0.06,
        unit="1",
        meaning="share of white pixels at some distance from the edge from which a point counts as saturated",
        evidence=JUDGEMENT,
        sensitivity=(
            "half: 0.041 u at most, 0.012 rms, z2 -1 %; half more: 0.39 u at most, 0.12 rms, coverage -2.6 %, z2 -5 % "
            "(pair, five, eight)"
        ),
    )
    saturation_shift_px: float = tuned(
        0.5,
        unit="px",
        meaning="what is left of a saturated edge's shift",
        evidence=(
            "path-traced and rendered photographs, at the true edge: means of runs are 0.13 to 0.3 px where metal is "
            "little brighter than white, 0.5 and 1.1 px under a single lamp and under tubes, nearly the same along a "
            "blade"
        ),
        sensitivity=(
            "half: 0.28 u at most, 0.089 rms, z2 -6 %; half more: 0.15 u at most, 0.035 rms (pair, five, eight)"
        ),
    )
    texture_share: float = tuned(
        0.05,
        unit="1",
        meaning=(
            "unevenness of metal near an edge, as a share of its brightness, over the blur's width, seen from "
            "overhead: shifts an edge by this over its relative contrast, in px"
        ),
        evidence=(
            "path-traced photographs of known truth: residuals are as large as claimed at every contrast from 3 to "
            "100 %"
        ),
        sensitivity=(
            "half: 0.38 u at most, 0.13 rms, z2 -10 %; half more: 0.43 u at most, 0.14 rms, z2 -2 % (pair, five, eight)"
        ),
    )
    land_texture_share: float = tuned(
        0.10,
        unit="1",
        meaning="the same seen from a side, where the turned land has grooves",
        evidence="path-traced photographs of known truth, as `texture_share`",
        sensitivity=(
            "half: 0.33 u at most, 0.13 rms, coverage -4.2 %, z2 +6 %; half more: 0.34 u at most, 0.14 rms, z2 -6 % "
            "(five, eight)"
        ),
    )
    far_side_noise: float = tuned(
        1.4,
        unit="1",
        meaning="standard uncertainty of a point on the far side seen from a side, over that of one seen from overhead",
        evidence=(
            "108 rendered sets: 807 such runs lay off from what all else said by 1.17 of the standard deviations that "
            "this should have (root mean square), other runs by 0.81 to 0.91; with it 1.01"
        ),
        sensitivity=(
            "half: 0.40 u at most, 0.13 rms, z2 +19 %; half more: 0.79 u at most, 0.21 rms, z2 +29 % (pair, "
            "two with three, eight)"
        ),
    )
    fewest_adjacent: int = tuned(
        2,
        unit="count",
        meaning="points of an edge next to each other, without a gap, that are taken",
        evidence=(
            "120 rendered sets: rms errors 0.120 deg with 1, 0.117 with 2, 0.118 with 3; single points on the ring's "
            "markers had turned an entry by 1.6 deg, 9 u"
        ),
        sensitivity=(
            "half: 4.7 u at most, 0.72 rms, coverage +2.2 %, z2 -36 %; half more: 1.3 u at most, 0.38 rms, "
            "coverage -2.2 %, z2 +9 % (pair, two with three, eight)"
        ),
    )
    end_margin_mm: float = tuned(
        4.0,
        unit="mm",
        meaning="what is left out at the ends of a blade",
        evidence=JUDGEMENT,
        sensitivity=(
            "half: 1.5 u at most, 0.35 rms, coverage -5.1 %, z2 +7 %; half more: 1.3 u at most, 0.33 rms, coverage "
            "-2.6 %, z2 +8 % (pair, five, eight)"
        ),
    )
    land_off: tuple[float, float] = tuned(
        (0.65, 1.35),
        unit="1",
        meaning="by how much of the tip land's width both of its edges are off where one is taken for the other",
        evidence=JUDGEMENT,
        sensitivity=NOT_READ,
    )
    least_land_run_px: float = tuned(
        120.0,
        unit="px",
        meaning="along how much of an edge they must be off",
        evidence="of 60 rendered sets, in which shorter ones were wrong",
        sensitivity=NOT_READ,
    )
    land_gain: float = tuned(
        1.15,
        unit="1",
        meaning="how much stronger both edges must be together for being taken to lie there",
        evidence="as `weaker_edge_gain`: 1.31 and more",
        sensitivity=NOT_READ,
    )
    weaker_edge_gain: float = tuned(
        3.5,
        unit="1",
        meaning="the same of the weaker edge of the two",
        evidence=(
            "in the four lands of 60 rendered sets with three photographs from the side whose edges were found on each "
            "other, in part or as a whole, 3.7 and more; up to 3.0 where they were found rightly and others are as "
            "strong beside them"
        ),
        sensitivity=NOT_READ,
    )
    clear_edge_sigmas: float = tuned(
        2.0,
        unit="sigma",
        meaning="strength, over the noise, that the weaker edge must have there",
        evidence="as `weaker_edge_gain`: 2.1 and more",
        sensitivity=NOT_READ,
    )
    least_land: float = tuned(
        0.6,
        unit="1",
        meaning="width of a blade's tip land, over that of all blades, under which its lower edge is not believed",
        evidence=(
            "judgement; eight of 366 lands of rendered sets had none of their width left, and turned exits by up to 4 u"
        ),
        sensitivity=NOT_READ,
    )
    least_land_blurs: float = tuned(
        2.5,
        unit="1",
        meaning="the same over the blur of edges: from there on the two are told apart",
        evidence=JUDGEMENT,
        sensitivity=NOT_READ,
    )
    lost_end_factor: float = tuned(
        2.5,
        unit="1",
        meaning="factor on the search range for ends that were not found",
        evidence="judgement: where paper shows between blades, outlines place their ends to a centimetre only",
        sensitivity=(
            "half: 0.14 u at most, 0.039 rms, z2 -1 %; half more: 0.12 u at most, 0.037 rms, coverage -5.1 %, z2 +3 % "
            "(pair, five, eight)"
        ),
    )


VISIBILITY = Visibility()
EDGES = Edges()
