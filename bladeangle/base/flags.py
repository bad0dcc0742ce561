"""The registry of flags: every doubt that a record can carry, what it means and what to do about it.

A flag never stops a measurement; what makes one impossible is an exception. "note" tells, "doubt" says that the stated
uncertainty may be too small or that a result is missing until somebody has looked.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from bladeangle.base.budget import STATIONS


@dataclass(frozen=True)
class FlagKind:
    """What a flag code means, its severity ("note" or "doubt") and what to do."""

    meaning: str
    severity: str
    remedy: str


#: All codes. A code once published keeps its meaning.
REGISTRY: dict[str, FlagKind] = {
    "glare-gap": FlagKind(
        "Glare hides part of a blade's tip edge; the gap is bridged by the smooth curve and the interval is wider.",
        "note",
        "Turn the lamp or take one more photograph with the light from another side; dull the tip with chalk.",
    ),
    "edge-nick": FlagKind(
        "Points of a tip edge lie off the smooth curve, as a nick, burr or stain does; they are left out.",
        "note",
        "Look at the place on the blade. Clean it, and dress the edge only as the maker's manual allows.",
    ),
    "blur": FlagKind(
        "The photograph is not sharp; edges are placed less well.",
        "doubt",
        "Take it again with the phone held still, more light, and a tap on the tip to focus.",
    ),
    "exposure-low": FlagKind("The photograph is dark; edges are noisy.", "note", "Take it again with more light."),
    "exposure-high": FlagKind(
        "Paper or blade tips are burnt out; bright edges shift outwards.",
        "doubt",
        "Take it again with less exposure or softer light.",
    ),
    "uncalibrated-camera": FlagKind(
        "The camera was not calibrated; its focal length is taken from the photograph's data with a wide uncertainty.",
        "note",
        "Calibrate the phone once with `bladeangle calibrate`, or add four or more oblique photographs.",
    ),
    "camera-unconfirmed": FlagKind(
        "Nothing in the photographs shows that the camera file belongs to them, and overhead ones alone cannot tell a "
        "wrong focal length; the interval allows for small differences, not for zoom or a crop that was enlarged.",
        "doubt",
        "Use the phone's original files, which name their focal length, or add oblique photographs.",
    ),
    "focal-length-differs": FlagKind(
        "The photographs want another focal length than the camera file has.",
        "doubt",
        "Check that camera file, phone, lens and zoom are the ones used; calibrate again.",
    ),
    "size-differs": FlagKind(
        "The photograph has another size than the calibration; the camera was scaled to it.",
        "doubt",
        "Send the original file: messengers and editors reduce or crop photographs.",
    ),
    "digital-zoom": FlagKind(
        "The photograph was taken with digital zoom; the focal length was scaled with it.",
        "doubt",
        "Take it again at the zoom of the calibration.",
    ),
    "enlarged": FlagKind(
        "The pixels look enlarged, as by digital zoom or an editor; the focal length is then longer than stated.",
        "doubt",
        "Use the phone's original file, taken without zoom.",
    ),
    "ring-partly-hidden": FlagKind(
        "Part of the printed ring is hidden or outside of the picture.",
        "note",
        "Take it again with the whole ring in view.",
    ),
    "few-markers": FlagKind(
        "Only few markers of the ring were read; the camera's place is less certain.",
        "doubt",
        "Take it again with the whole ring in view, evenly lit and sharp.",
    ),
    "two-rings": FlagKind(
        "Markers were seen more than once, as when two rings lie in view; the doubles are left out.",
        "doubt",
        "Leave one ring in view and take the photograph again.",
    ),
    "sheet-bent": FlagKind(
        "The printed sheet is not flat; its bend is modelled and the interval is wider.",
        "note",
        "Tape or glue the sheet to a flat board.",
    ),
    "scale-unchecked": FlagKind(
        "Nothing tells the scale of the print; lengths rest on the printer. Angles depend on it only in that stations "
        "are so many millimetres of the tip.",
        "note",
        "Measure the check bar with calipers and give its length, or the diameter over the tips.",
    ),
    "scale-matters": FlagKind(
        "Nothing tells the scale of the print, and the blades' angles change so much along the tip that on a print "
        "fitted to another page the stations would lie where they are others, by far more than the interval.",
        "doubt",
        "Measure the check bar with calipers and give its length, or the diameter over the tips.",
    ),
    "rotor-moved": FlagKind(
        "The rotor lies otherwise in one photograph than in the others of the same standing.",
        "doubt",
        "Take the photographs of one standing again without touching rotor or sheet.",
    ),
    "rotors-differ": FlagKind(
        "Some photographs show other blades than the rest, as those of another rotor do.",
        "doubt",
        "Make sure that all photographs are of one rotor, and none from before it was bent; measure again.",
    ),
    "two-edges": FlagKind(
        "A second edge runs close beside a blade's tip, as a thread, a line, a bright chamfer or a shadow makes it; it "
        "is not clear which of them is the tip's.",
        "doubt",
        "Clean the tip, dull it with chalk, light it from all sides, and take the photograph again.",
    ),
    "picture-uneven": FlagKind(
        "Parts of a picture are shifted smoothly against each other, as by a drop or smear on the lens, a rolling "
        "shutter or an editor.",
        "doubt",
        "Wipe the lens, hold the phone still, use the original file, and take the photograph again.",
    ),
    "taken-as-given": FlagKind(
        "What photographs from above cannot show: whether both are of one rotor, and which end is the inlet.",
        "note",
        "Add photographs from the side, which show the blades from end to end.",
    ),
    "rotor-tilted": FlagKind(
        "The rotor's axis is not square to the sheet; the tilt is part of the model.",
        "note",
        "Check that the rotor stands on its face, without burrs or grit.",
    ),
    "axis-doubtful": FlagKind(
        "The rotor seems to lean more than one that stands on its face does. From above a picture that a stabiliser "
        "shifted, or that was cropped, looks the same, and then single blades are wrong by as much as it leans.",
        "doubt",
        "Switch off stabilisation, use the original file, put the rotor flat; or add oblique photographs.",
    ),
    "rotor-unlikely": FlagKind(
        "The photographs fit, but only with a lean, hub heights, thicknesses or differences between blades that rotors "
        "hardly have: another place of the rotor may fit as well, with other angles.",
        "doubt",
        "Give the tip diameter; add oblique photographs, or take the overhead ones again.",
    ),
    "off-centre": FlagKind(
        "The rotor stands away from the ring's centre; the offset is part of the model.",
        "note",
        "Centre the rotor on the printed circle.",
    ),
    "blade-1-far-from-arrow": FlagKind(
        "No blade points at the printed arrow; the one nearest counts as blade 1.",
        "doubt",
        "Turn blade 1 to the arrow, in every photograph, if blades are to be compared later.",
    ),
    "blades-differ": FlagKind(
        "Blades differ by more than their uncertainty; the mean does not describe each of them.",
        "note",
        "Read the single blades, and look at the one that stands out.",
    ),
    "tip-radius-assumed": FlagKind(
        "The tip diameter was not given and is found from the photographs alone.",
        "note",
        "Measure it with calipers and give it with `--diameter`.",
    ),
    "wrap-uncertain": FlagKind(
        "Blades of nearly even pitch look alike wherever the views of both standings are matched along them: wrap and "
        "lengths have wide intervals for it. The angles seldom depend on it.",
        "note",
        "Add oblique photographs that show the blades from end to end.",
    ),
    "diameter-differs": FlagKind(
        "The photographs want another tip diameter than was given; from above alone they cannot tell.",
        "doubt",
        "Measure the diameter over the tips again, in mm, and give it or leave it out.",
    ),
    "diameter-unusual": FlagKind(
        "A tip diameter that such rotors do not have: the print's scale, the ring's definition or the diameter given "
        "may be wrong.",
        "doubt",
        "Measure the diameter over the tips, and the printed ring against its definition.",
    ),
    "ends-exchanged": FlagKind(
        "The exit is shallower than the entry; rotors are usually the other way.",
        "doubt",
        "Check which photographs show the inlet end up, and which were taken with the rotor turned over.",
    ),
    "station-cut-short": FlagKind(
        "Only part of a station's length is seen; the angle is the seen part's and its interval is wider.",
        "doubt",
        "Add a photograph that shows the rest, from the side or with the rotor turned over.",
    ),
    "station-unseen": FlagKind(
        "A station is measured on no blade although the rotor was photographed for it; perhaps something else than the "
        "blades was followed.",
        "doubt",
        "Look at the picture; take the photograph again from straight above the axis, evenly lit.",
    ),
    "angle-unusual": FlagKind(
        "An angle that blades of such rotors do not have; perhaps something else than the blades was followed.",
        "doubt",
        "Look at the picture, and count the blades that it shows.",
    ),
    "edge-one-face-only": FlagKind(
        "Only one face's edge of the tip is seen; the blade's mid-line rests on an assumed, even thickness.",
        "note",
        "Add an oblique photograph that shows both edges of the tip.",
    ),
    "residuals-high": FlagKind(
        "The photographs fit the model less well than their sharpness promises; uncertainties are scaled up.",
        "doubt",
        "Look at the picture for an edge followed wrongly; leave out or retake that photograph.",
    ),
    "photos-disagree": FlagKind(
        "A photograph left out of the adjustment is not predicted by the others within the uncertainty.",
        "doubt",
        "Leave that photograph out or take it again.",
    ),
    "photo-left-out": FlagKind(
        "A photograph was not used; the text says why.", "doubt", "Take it again as the text says."
    ),
    "standing-told": FlagKind(
        "Which photographs show the rotor turned over was told from what they show, not by whoever took them.",
        "note",
        "If this rotor is shallower at the exit than at the entry, name the turned ones with `--turned`.",
    ),
    "quarter-turned": FlagKind(
        "An app turned the photographs' pixels by a quarter; the camera file was turned with them.",
        "note",
        "Use the phone's original files, which say by themselves how the phone was held.",
    ),
    "edited-by-hand": FlagKind(
        "Edge points were moved or struck out by hand.", "note", "The edits file is named in the record."
    ),
}


def together(flags: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Flags of a record for people, doubts first and those that say the same put together.

    Returns
    -------
    One dict for each with code, text, severity, and the places that it is of, in words.
    """
    found: dict[tuple[str, str], list[str]] = {}
    for flag in flags:
        photo, blade, station = (flag.get(k) for k in ("photo", "blade", "station"))
        words = [f"photograph {photo}" if photo else "", f"blade {blade}" if blade else "", station or ""]
        place = ", ".join(w for w in words if w)
        found.setdefault((flag["code"], flag["text"]), []).extend([place] if place else [])
    known = {code: kind.severity for code, kind in REGISTRY.items()}
    out = [
        {"code": code, "text": text, "severity": known.get(code, "note"), "places": places}
        for (code, text), places in found.items()
    ]
    return sorted(out, key=lambda flag: flag["severity"] != "doubt")


@dataclass(frozen=True)
class Flag:
    """One doubt: a registered code, a sentence, and the place it concerns (None: the whole record).

    ValueError for a code that is not registered or a station that is none.
    """

    code: str
    text: str
    photo: str | None = None
    blade: int | None = None
    station: str | None = None

    def __post_init__(self) -> None:
        if self.code not in REGISTRY:
            raise ValueError(f"{self.code!r} is not a registered flag")
        if self.station is not None and self.station not in STATIONS:
            raise ValueError(f"{self.station!r} is not a station")

    @property
    def kind(self) -> FlagKind:
        """What the code means."""
        return REGISTRY[self.code]


def flag_to_dict(flag: Flag) -> dict[str, Any]:
    """The flag as the record keeps it."""
    return asdict(flag)


def flag_from_dict(data: dict[str, Any]) -> Flag:
    """The flag from the record's form; ValueError or TypeError when it is not one."""
    return Flag(**data)
