"""Tuned values of `adjustment/priors.py` and `adjustment/tip_radius.py`: what is known beforehand."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

from bladeangle.tuning.value import COMMON_PRACTICE, JUDGEMENT, NOT_READ, Group, known, tuned

_T = TypeVar("_T")
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
        sensitivity="half and half more: nothing (five)",
    )
    radius_sigma_mm: float = tuned(
        4.0,
        unit="mm",
        meaning="standard uncertainty of that tip radius",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (five)",
    )
    thickness_mm: float = tuned(
        2.4,
        unit="mm",
        meaning="thickness of the tips",
        evidence=JUDGEMENT,
        sensitivity=(
            "half: 1.6 u at most, 0.34 rms, z2 -12 %; half more: 0.45 u at most, 0.15 rms, z2 -2 % (pair, five)"
        ),
    )
    thickness_sigma_mm: float = tuned(
        1.0,
        unit="mm",
        meaning="standard uncertainty of the thickness",
        evidence=JUDGEMENT,
        sensitivity=(
            "half: 0.49 u at most, 0.11 rms, z2 -11 %; half more: 0.33 u at most, 0.11 rms, z2 -3 % (pair, five)"
        ),
    )
    extra_sigma_mm: float = tuned(
        0.15,
        unit="mm",
        meaning="standard deviation of one blade's thickness against the others'",
        evidence=JUDGEMENT,
        sensitivity=(
            "half: 0.35 u at most, 0.11 rms, z2 +4 %; half more: 0.38 u at most, 0.13 rms, z2 +13 % (pair, five)"
        ),
    )
    rounding_mm: float = tuned(
        4.0,
        unit="mm",
        meaning="length over which edges are rounded at either end",
        evidence=JUDGEMENT,
        sensitivity=(
            "half: 0.22 u at most, 0.1 rms, z2 +9 %; half more: 0.51 u at most, 0.15 rms, z2 -18 % (pair, five)"
        ),
    )
    rounding_sigma_mm: float = tuned(
        1.0,
        unit="mm",
        meaning="standard uncertainty of that length",
        evidence=JUDGEMENT,
        sensitivity=(
            "half: 0.11 u at most, 0.046 rms, z2 -2 %; half more: 0.21 u at most, 0.09 rms, z2 +5 % (pair, five)"
        ),
    )
    tilt_sigma_deg: float = tuned(
        0.4,
        unit="deg",
        meaning="standard uncertainty of the tilt of the axis in a setup",
        evidence=JUDGEMENT,
        sensitivity=(
            "half: 0.72 u at most, 0.29 rms, coverage -4.2 %, z2 +75 %; half more: 0.32 u at most, 0.1 rms, z2 -8 % "
            "(pair, five)"
        ),
    )
    focus_sigma: float = tuned(
        0.001,
        unit="1",
        meaning="standard deviation of the focal length from photograph to photograph, over it",
        evidence=JUDGEMENT,
        sensitivity=(
            "half: 0.23 u at most, 0.063 rms, z2 -13 %; half more: 0.38 u at most, 0.11 rms, z2 -11 % (pair, five)"
        ),
    )
    principal_sigma_px: float = tuned(
        1.5,
        unit="px",
        meaning="standard deviation of the principal point from photograph to photograph, of 4,032 px a side",
        evidence=JUDGEMENT,
        sensitivity=(
            "half: 1.5 u at most, 0.34 rms, z2 +12 %; half more: 0.38 u at most, 0.11 rms, z2 +22 % (pair, five)"
        ),
    )
    stretch_sigma: float = tuned(
        0.0003,
        unit="1",
        meaning="standard uncertainty of a print's scale along either side",
        evidence=JUDGEMENT,
        sensitivity=(
            "half: 0.058 u at most, 0.016 rms, z2 -3 %; half more: 0.093 u at most, 0.033 rms, z2 -9 % (pair, five)"
        ),
    )
    saddle_sigma_mm: float = tuned(
        0.3,
        unit="mm",
        meaning="standard uncertainty of how far the sheet is bent",
        evidence=JUDGEMENT,
        sensitivity=(
            "half: 0.055 u at most, 0.015 rms, z2 -2 %; half more: 0.043 u at most, 0.011 rms, z2 -3 % (pair, five)"
        ),
    )
    growth_sigma_mm: float = tuned(
        0.1,
        unit="mm",
        meaning="standard uncertainty of how much fatter or thinner than defined ink is",
        evidence=JUDGEMENT,
        sensitivity=(
            "half: 0.33 u at most, 0.11 rms, z2 +4 %; half more: 0.25 u at most, 0.072 rms, z2 -8 % (pair, five)"
        ),
    )
    piece_sigma_mm: float = tuned(
        1.0,
        unit="mm",
        meaning=(
            "standard uncertainty of where pieces of a ring are taped, and in a hundredth of a radian of their turn"
        ),
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair)",
    )
    circle_height_sigma_mm: float = tuned(
        25.0,
        unit="mm",
        meaning="standard uncertainty of how high hub circles lie (`HUB.plane_mm`)",
        evidence=JUDGEMENT,
        sensitivity="half: 0.15 u at most, 0.073 rms, z2 +28 %; half more: 0.13 u at most, 0.059 rms, z2 -14 % (pair)",
    )
    circle_beyond_sigma_mm: float = tuned(
        15.0,
        unit="mm",
        meaning="standard uncertainty of how far hub circles lie beyond the blades' ends (`HUB.beyond_mm`)",
        evidence=(
            "hub faces of two path-traced rotors and of rendered ones lie 4 to 6 mm beyond the trailing ends and 8 to "
            "23 beyond the leading ones, a flare of the hub 15 to 30 below"
        ),
        sensitivity="half: 0.13 u at most, 0.072 rms, z2 -27 %; half more: 0.095 u at most, 0.047 rms, z2 -14 % (pair)",
    )
    rim_height_mm: float = tuned(
        1.0,
        unit="mm",
        meaning="height, from the outlet end, of the largest circle seen of a rotor turned over",
        evidence="judgement: it stands on its outlet hub face, or nearly, and that face's rim is the circle",
        sensitivity="half: 0.078 u at most, 0.039 rms, z2 -3 %; half more: 0.087 u at most, 0.045 rms, z2 -13 % (pair)",
    )
    rim_height_sigma_mm: float = tuned(
        4.0,
        unit="mm",
        meaning="standard uncertainty of that height",
        evidence=JUDGEMENT,
        sensitivity="half: 0.15 u at most, 0.072 rms, z2 -9 %; half more: 0.089 u at most, 0.031 rms, z2 -15 % (pair)",
    )
    turned_height_sigma_mm: float = tuned(
        30.0,
        unit="mm",
        meaning="standard uncertainty of the height of the rotor turned over",
        evidence=JUDGEMENT,
        sensitivity="half: 0.33 u at most, 0.11 rms, z2 +47 %; half more: 0.54 u at most, 0.18 rms, z2 -4 % (pair)",
    )
    bend_sigma_deg: float = tuned(
        1.5,
        unit="deg",
        meaning="standard deviation of the blades' bend, a knot, to start from; then it is estimated",
        evidence=JUDGEMENT,
        sensitivity="half: 0.25 u at most, 0.098 rms, z2 +65 %; half more: 0.045 u at most, 0.026 rms, z2 -14 % (pair)",
    )
    groove_sigma_mm: float = tuned(
        0.018,
        unit="mm",
        meaning="standard deviation of what grooves of the tip land do to either of its edges",
        evidence="path-traced photographs",
        sensitivity="half and half more: nothing (pair)",
    )
    groove_length_mm: float = tuned(
        13.0,
        unit="mm",
        meaning="correlation length along the tip of what grooves do to an edge",
        evidence="path-traced photographs",
        sensitivity="half and half more: nothing (pair)",
    )
    alike_sigma_deg: float = tuned(
        0.5,
        unit="deg",
        meaning="standard deviation of the slopes of blades of one rotor about their mean",
        evidence=COMMON_PRACTICE,
        sensitivity="half: 0.4 u at most, 0.12 rms, z2 -20 %; half more: 0.16 u at most, 0.085 rms, z2 +34 % (pair)",
    )
    alike_height_sigma_mm: float = tuned(
        0.7,
        unit="mm",
        meaning="standard deviation of the heights of blades of one rotor about their mean",
        evidence=JUDGEMENT,
        sensitivity="half: 0.06 u at most, 0.026 rms, z2 +37 %; half more: 0.25 u at most, 0.095 rms, z2 +19 % (pair)",
    )
    alike_end_sigma_mm: float = tuned(
        1.5,
        unit="mm",
        meaning="standard deviation of the ends of blades of one rotor about even pitch",
        evidence=JUDGEMENT,
        sensitivity="half: 0.049 u at most, 0.022 rms, z2 -8 %; half more: 0.05 u at most, 0.026 rms, z2 -10 % (pair)",
    )
    move_sigma_mm: float = tuned(
        0.1,
        unit="mm",
        meaning="standard deviation of how far a rotor is moved unnoticed between the two photographs of a setup",
        evidence="assumed, no source",
        sensitivity="half and half more: nothing (pair)",
    )
    move_sigma_deg: float = tuned(
        0.05,
        unit="deg",
        meaning="standard deviation of how far a rotor is turned unnoticed between the two photographs of a setup",
        evidence="assumed, no source",
        sensitivity="half and half more: nothing (pair)",
    )
    unconfirmed_focal: float = tuned(
        0.01,
        unit="1",
        meaning=(
            "standard uncertainty added to the focal length, over it, of a camera file that the photographs' own data "
            "do not confirm: another phone of the model, another focus, a trimmed frame; a zoom is more, and flagged"
        ),
        evidence=JUDGEMENT,
        sensitivity=NOT_READ,
    )
    unobserved_focal: float = tuned(
        0.012,
        unit="1",
        meaning="standard uncertainty of the focal length, over it, where no photograph observes it, as from above",
        evidence=(
            "judgement, no source: units of a model and focus settings differ by some tenths of a percent to a few "
            "percent; 3 % too much turns a blade of 12 deg by 0.3 deg"
        ),
        sensitivity="half: 0.1 u at most, 0.053 rms, z2 +31 %; half more: 0.088 u at most, 0.049 rms, z2 -24 % (pair)",
    )


@dataclass(frozen=True)
class TipCondition:
    """Prior of the tips as rotors come in, new ones among them (`adjustment/tip_radius.py`)."""

    run_out_mm: float = tuned(
        0.08,
        unit="mm",
        meaning="standard deviation of the radius of a blade's whole tip against the others'",
        evidence=COMMON_PRACTICE,
        sensitivity="half: 0.045 u at most, 0.025 rms, z2 -3 %; half more: 0.11 u at most, 0.044 rms, z2 -11 % (pair)",
    )
    taper_mm: float = tuned(
        0.12,
        unit="mm",
        meaning="standard deviation of the growth of the radius from leading to trailing end, on all blades alike",
        evidence=COMMON_PRACTICE,
        sensitivity="half: 0.041 u at most, 0.02 rms, z2 -10 %; half more: 0.28 u at most, 0.089 rms, z2 +49 % (pair)",
    )
    leading_wear_mm: tuple[float, float] = tuned(
        (0.15, 0.16),
        unit="mm",
        meaning="mean and standard deviation of the wear at the leading end, on all blades alike",
        evidence="wear of up to 0.4 mm; common practice, no source",
        sensitivity="half: 0.13 u at most, 0.06 rms, z2 -11 %; half more: 0.13 u at most, 0.046 rms, z2 +7 % (pair)",
    )
    trailing_wear_mm: tuple[float, float] = tuned(
        (0.02, 0.06),
        unit="mm",
        meaning="mean and standard deviation of the wear at the trailing end, on all blades alike",
        evidence=COMMON_PRACTICE,
        sensitivity="half: 0.58 u at most, 0.19 rms, z2 +13 %; half more: 0.22 u at most, 0.072 rms, z2 +49 % (pair)",
    )
    unequal: float = tuned(
        0.3,
        unit="1",
        meaning="standard deviation of one blade's wear against the others', as a share of that of all",
        evidence=JUDGEMENT,
        sensitivity="half: 0.086 u at most, 0.033 rms, z2 -15 %; half more: 0.1 u at most, 0.045 rms, z2 -18 % (pair)",
    )
    wear_length_mm: tuple[float, float] = tuned(
        (4.0, 20.0),
        unit="mm",
        meaning="bounds of the length along the tip over which wear dies out (exponential; all lengths as likely)",
        evidence=JUDGEMENT,
        sensitivity="half: 0.065 u at most, 0.028 rms, z2 -8 %; half more: 0.14 u at most, 0.077 rms, z2 -21 % (pair)",
    )
    uneven_mm: float = tuned(
        0.04,
        unit="mm",
        meaning="standard deviation of what else there is along a tip",
        evidence=JUDGEMENT,
        sensitivity="half: 0.1 u at most, 0.043 rms, z2 -41 %; half more: 0.067 u at most, 0.035 rms, z2 +34 % (pair)",
    )
    uneven_length_mm: float = tuned(
        40.0,
        unit="mm",
        meaning="correlation length of what else there is (squared exponential)",
        evidence=JUDGEMENT,
        sensitivity="half: 0.25 u at most, 0.11 rms, z2 +39 %; half more: 0.088 u at most, 0.043 rms, z2 -38 % (pair)",
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
        sensitivity=(
            "half: 0.17 u at most, 0.049 rms, z2 +4 %; half more: 0.13 u at most, 0.055 rms, z2 +4 % (pair, five, "
            "eight)"
        ),
    )


_OF_ANY_TIPS = dict(known(TipCondition))


def _of_new_tips(name: str, value: _T, sensitivity: str) -> _T:
    """A value of `TipCondition` as it is for tips known to be new."""
    of = _OF_ANY_TIPS[name]
    return tuned(
        value, unit=of.unit, meaning=of.meaning, evidence=NEW_TURNED, sensitivity=f"{sensitivity} (pair, five, eight)"
    )


@dataclass(frozen=True)
class NewTips(TipCondition):
    """Prior of tips known to be new or freshly turned; what is not named here is as of others.

    Its sensitivities are of sets of a new rotor (seed 65717895), measured with `--tips new`.
    """

    run_out_mm: float = _of_new_tips(
        "run_out_mm", 0.03, "half: 0.54 u at most, 0.16 rms, z2 +2 %; half more: 0.32 u at most, 0.11 rms, z2 +12 %"
    )
    taper_mm: float = _of_new_tips(
        "taper_mm", 0.03, "half: 0.28 u at most, 0.082 rms, z2 +3 %; half more: 0.32 u at most, 0.087 rms, z2 +9 %"
    )
    leading_wear_mm: tuple[float, float] = _of_new_tips(
        "leading_wear_mm",
        (0.0, 0.03),
        "half: 0.34 u at most, 0.1 rms, z2 +9 %; half more: 0.62 u at most, 0.14 rms, z2 -6 %",
    )
    trailing_wear_mm: tuple[float, float] = _of_new_tips(
        "trailing_wear_mm",
        (0.0, 0.02),
        "half: 0.44 u at most, 0.13 rms, z2 +6 %; half more: 1.2 u at most, 0.22 rms, z2 +6 %",
    )
    uneven_mm: float = _of_new_tips(
        "uneven_mm", 0.015, "half: 1.2 u at most, 0.33 rms, z2 +34 %; half more: 0.49 u at most, 0.18 rms, z2 -17 %"
    )
    waviness_mm: float = _of_new_tips(
        "waviness_mm", 0.005, "half: 0.15 u at most, 0.057 rms, z2 +18 %; half more: 0.33 u at most, 0.099 rms, z2 -4 %"
    )


PRIORS = Priors()
ANY_TIPS = TipCondition()
NEW_TIPS = NewTips()
