"""Tuned values of `adjustment/priors.py` and `adjustment/tip_radius.py`: what is known beforehand."""

from __future__ import annotations

from dataclasses import dataclass

from bladeangle.tuning.value import COMMON_PRACTICE, JUDGEMENT, NOT_MEASURED, Group, tuned

#: Evidence of what is taken for tips known to be new or freshly turned.
NEW_TURNED = "assumed: turning and welding leave a few hundredths"


@dataclass(eq=False, repr=False, init=False)
class Priors(Group):
    """Values of what is known beforehand, as values and standard uncertainties (`adjustment/priors.py`)."""

    radius_mm: float = tuned(
        77.5,
        unit="mm",
        meaning="tip radius where no ring and no caliper says it",
        evidence=JUDGEMENT,
        sensitivity=NOT_MEASURED,
    )
    radius_sigma_mm: float = tuned(
        4.0,
        unit="mm",
        meaning="standard uncertainty of that tip radius",
        evidence=JUDGEMENT,
        sensitivity=NOT_MEASURED,
    )
    thickness_mm: float = tuned(
        2.4,
        unit="mm",
        meaning="thickness of the tips",
        evidence=JUDGEMENT,
        sensitivity=NOT_MEASURED,
    )
    thickness_sigma_mm: float = tuned(
        1.0,
        unit="mm",
        meaning="standard uncertainty of the thickness",
        evidence=JUDGEMENT,
        sensitivity=NOT_MEASURED,
    )
    extra_sigma_mm: float = tuned(
        0.15,
        unit="mm",
        meaning="standard deviation of one blade's thickness against the others'",
        evidence=JUDGEMENT,
        sensitivity=NOT_MEASURED,
    )
    rounding_mm: float = tuned(
        4.0,
        unit="mm",
        meaning="length over which edges are rounded at either end",
        evidence=JUDGEMENT,
        sensitivity=NOT_MEASURED,
    )
    rounding_sigma_mm: float = tuned(
        1.0,
        unit="mm",
        meaning="standard uncertainty of that length",
        evidence=JUDGEMENT,
        sensitivity=NOT_MEASURED,
    )
    tilt_sigma_deg: float = tuned(
        0.4,
        unit="deg",
        meaning="standard uncertainty of the tilt of the axis in a setup",
        evidence=JUDGEMENT,
        sensitivity=NOT_MEASURED,
    )
    focus_sigma: float = tuned(
        0.001,
        unit="1",
        meaning="standard deviation of the focal length from photograph to photograph, over it",
        evidence=JUDGEMENT,
        sensitivity=NOT_MEASURED,
    )
    principal_sigma_px: float = tuned(
        1.5,
        unit="px",
        meaning="standard deviation of the principal point from photograph to photograph, of 4,032 px a side",
        evidence=JUDGEMENT,
        sensitivity=NOT_MEASURED,
    )
    stretch_sigma: float = tuned(
        0.0003,
        unit="1",
        meaning="standard uncertainty of a print's scale along either side",
        evidence=JUDGEMENT,
        sensitivity=NOT_MEASURED,
    )
    saddle_sigma_mm: float = tuned(
        0.3,
        unit="mm",
        meaning="standard uncertainty of how far the sheet is bent",
        evidence=JUDGEMENT,
        sensitivity=NOT_MEASURED,
    )
    growth_sigma_mm: float = tuned(
        0.1,
        unit="mm",
        meaning="standard uncertainty of how much fatter or thinner than defined ink is",
        evidence=JUDGEMENT,
        sensitivity=NOT_MEASURED,
    )
    piece_sigma_mm: float = tuned(
        1.0,
        unit="mm",
        meaning=(
            "standard uncertainty of where pieces of a ring are taped, and in a hundredth of a radian of their turn"
        ),
        evidence=JUDGEMENT,
        sensitivity=NOT_MEASURED,
    )
    circle_height_sigma_mm: float = tuned(
        25.0,
        unit="mm",
        meaning="standard uncertainty of how high hub circles lie (`HUB.plane_mm`)",
        evidence=JUDGEMENT,
        sensitivity=NOT_MEASURED,
    )
    circle_beyond_sigma_mm: float = tuned(
        15.0,
        unit="mm",
        meaning="standard uncertainty of how far hub circles lie beyond the blades' ends (`HUB.beyond_mm`)",
        evidence=(
            "hub faces of two path-traced rotors and of rendered ones lie 4 to 6 mm beyond the trailing ends and 8 to "
            "23 beyond the leading ones, a flare of the hub 15 to 30 below"
        ),
        sensitivity=NOT_MEASURED,
    )
    rim_height_mm: float = tuned(
        1.0,
        unit="mm",
        meaning="height, from the outlet end, of the largest circle seen of a rotor turned over",
        evidence="judgement: it stands on its outlet hub face, or nearly, and that face's rim is the circle",
        sensitivity=NOT_MEASURED,
    )
    rim_height_sigma_mm: float = tuned(
        4.0,
        unit="mm",
        meaning="standard uncertainty of that height",
        evidence=JUDGEMENT,
        sensitivity=NOT_MEASURED,
    )
    turned_height_sigma_mm: float = tuned(
        30.0,
        unit="mm",
        meaning="standard uncertainty of the height of the rotor turned over",
        evidence=JUDGEMENT,
        sensitivity=NOT_MEASURED,
    )
    bend_sigma_deg: float = tuned(
        1.5,
        unit="deg",
        meaning="standard deviation of the blades' bend, a knot, to start from; then it is estimated",
        evidence=JUDGEMENT,
        sensitivity=NOT_MEASURED,
    )
    groove_sigma_mm: float = tuned(
        0.018,
        unit="mm",
        meaning="standard deviation of what grooves of the tip land do to either of its edges",
        evidence="path-traced photographs",
        sensitivity=NOT_MEASURED,
    )
    groove_length_mm: float = tuned(
        13.0,
        unit="mm",
        meaning="correlation length along the tip of what grooves do to an edge",
        evidence="path-traced photographs",
        sensitivity=NOT_MEASURED,
    )
    alike_sigma_deg: float = tuned(
        0.5,
        unit="deg",
        meaning="standard deviation of the slopes of blades of one rotor about their mean",
        evidence=COMMON_PRACTICE,
        sensitivity=NOT_MEASURED,
    )
    alike_height_sigma_mm: float = tuned(
        0.7,
        unit="mm",
        meaning="standard deviation of the heights of blades of one rotor about their mean",
        evidence=JUDGEMENT,
        sensitivity=NOT_MEASURED,
    )
    alike_end_sigma_mm: float = tuned(
        1.5,
        unit="mm",
        meaning="standard deviation of the ends of blades of one rotor about even pitch",
        evidence=JUDGEMENT,
        sensitivity=NOT_MEASURED,
    )
    move_sigma_mm: float = tuned(
        0.1,
        unit="mm",
        meaning="standard deviation of how far a rotor is moved unnoticed between the two photographs of a setup",
        evidence="assumed, no source",
        sensitivity=NOT_MEASURED,
    )
    move_sigma_deg: float = tuned(
        0.05,
        unit="deg",
        meaning="standard deviation of how far a rotor is turned unnoticed between the two photographs of a setup",
        evidence="assumed, no source",
        sensitivity=NOT_MEASURED,
    )
    unconfirmed_focal: float = tuned(
        0.01,
        unit="1",
        meaning=(
            "standard uncertainty added to the focal length, over it, of a camera file that the photographs' own data "
            "do not confirm: another phone of the model, another focus, a trimmed frame; a zoom is more, and flagged"
        ),
        evidence=JUDGEMENT,
        sensitivity=NOT_MEASURED,
    )
    unobserved_focal: float = tuned(
        0.012,
        unit="1",
        meaning="standard uncertainty of the focal length, over it, where no photograph observes it, as from above",
        evidence=(
            "judgement, no source: units of a model and focus settings differ by some tenths of a percent to a few "
            "percent; 3 % too much turns a blade of 12 deg by 0.3 deg"
        ),
        sensitivity=NOT_MEASURED,
    )


@dataclass(frozen=True)
class TipCondition:
    """Prior of the tips as rotors come in, new ones among them (`adjustment/tip_radius.py`)."""

    run_out_mm: float = tuned(
        0.08,
        unit="mm",
        meaning="standard deviation of the radius of a blade's whole tip against the others'",
        evidence=COMMON_PRACTICE,
        sensitivity=NOT_MEASURED,
    )
    taper_mm: float = tuned(
        0.12,
        unit="mm",
        meaning="standard deviation of the growth of the radius from leading to trailing end, on all blades alike",
        evidence=COMMON_PRACTICE,
        sensitivity=NOT_MEASURED,
    )
    leading_wear_mm: tuple[float, float] = tuned(
        (0.15, 0.16),
        unit="mm",
        meaning="mean and standard deviation of the wear at the leading end, on all blades alike",
        evidence="wear of up to 0.4 mm; common practice, no source",
        sensitivity=NOT_MEASURED,
    )
    trailing_wear_mm: tuple[float, float] = tuned(
        (0.02, 0.06),
        unit="mm",
        meaning="mean and standard deviation of the wear at the trailing end, on all blades alike",
        evidence=COMMON_PRACTICE,
        sensitivity=NOT_MEASURED,
    )
    unequal: float = tuned(
        0.3,
        unit="1",
        meaning="standard deviation of one blade's wear against the others', as a share of that of all",
        evidence=JUDGEMENT,
        sensitivity=NOT_MEASURED,
    )
    wear_length_mm: tuple[float, float] = tuned(
        (4.0, 20.0),
        unit="mm",
        meaning="bounds of the length along the tip over which wear dies out (exponential; all lengths as likely)",
        evidence=JUDGEMENT,
        sensitivity=NOT_MEASURED,
    )
    uneven_mm: float = tuned(
        0.04,
        unit="mm",
        meaning="standard deviation of what else there is along a tip",
        evidence=JUDGEMENT,
        sensitivity=NOT_MEASURED,
    )
    uneven_length_mm: float = tuned(
        40.0,
        unit="mm",
        meaning="correlation length of what else there is (squared exponential)",
        evidence=JUDGEMENT,
        sensitivity=NOT_MEASURED,
    )
    waviness_mm: float = tuned(
        0.012,
        unit="mm",
        meaning="standard deviation of waves finer than the unknowns of the radius, which count as uncertainty only",
        evidence=(
            "judgement; simulated tips with waves of 25 to 90 mm, 0.018 mm in all, are what it has to cover: without "
            "it 90.9 % of exits lay within their 95 % intervals, with it 93.4 %; of tips without waves 98.3 %. Of "
            "rendered eights 98.1 % of all angles did with 0.015. As "
            "unknowns such waves made path-traced rotors worse (rms 0.098 -> 0.131 deg), as they absorb what images "
            "of edges err"
        ),
        sensitivity="0.015: median u of path-traced rotors 3 % more; none: 7 % less, and exits too sure",
    )
    waviness_length_mm: float = tuned(
        12.0,
        unit="mm",
        meaning="correlation length of these waves (squared exponential; from overhead exponential)",
        evidence=JUDGEMENT,
        sensitivity=NOT_MEASURED,
    )


@dataclass(frozen=True)
class NewTips(TipCondition):
    """Prior of tips known to be new or freshly turned; what is not named here is as of others."""

    run_out_mm: float = tuned(
        0.03,
        unit="mm",
        meaning="standard deviation of the radius of a blade's whole tip against the others'",
        evidence=NEW_TURNED,
        sensitivity=NOT_MEASURED,
    )
    taper_mm: float = tuned(
        0.03,
        unit="mm",
        meaning="standard deviation of the growth of the radius from leading to trailing end, on all blades alike",
        evidence=NEW_TURNED,
        sensitivity=NOT_MEASURED,
    )
    leading_wear_mm: tuple[float, float] = tuned(
        (0.0, 0.03),
        unit="mm",
        meaning="mean and standard deviation of the wear at the leading end, on all blades alike",
        evidence=NEW_TURNED,
        sensitivity=NOT_MEASURED,
    )
    trailing_wear_mm: tuple[float, float] = tuned(
        (0.0, 0.02),
        unit="mm",
        meaning="mean and standard deviation of the wear at the trailing end, on all blades alike",
        evidence=NEW_TURNED,
        sensitivity=NOT_MEASURED,
    )
    uneven_mm: float = tuned(
        0.015,
        unit="mm",
        meaning="standard deviation of what else there is along a tip",
        evidence=NEW_TURNED,
        sensitivity=NOT_MEASURED,
    )
    waviness_mm: float = tuned(
        0.005,
        unit="mm",
        meaning="standard deviation of waves finer than the unknowns of the radius, which count as uncertainty only",
        evidence=NEW_TURNED,
        sensitivity=NOT_MEASURED,
    )


PRIORS = Priors()
ANY_TIPS = TipCondition()
NEW_TIPS = NewTips()
