"""The registry of flags: every doubt that a record can carry, what it means and what to do about it.

A flag never stops a measurement; what makes one impossible is an exception. "note" tells, "doubt" says that the stated
uncertainty may be too small or that a result is missing until somebody has looked.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from bladeangle.base.budget import STATIONS


@dataclass(frozen=True)
class FlagKind:
    """What a flag code means, its severity ("note" or "doubt") and what to do.

    concerns : the numbers that a doubt is about: "angles", "all" (angles and sizes) or "numbering" (which blade is
        which).
    """

    meaning: str
    severity: str
    remedy: str
    concerns: str = "angles"


#: All codes. A code once published keeps its meaning.
REGISTRY: dict[str, FlagKind] = {
    "glare-gap": FlagKind(
        "Glare hides part of a blade's tip edge; the smooth curve bridges the gap and the interval is wider.",
        "note",
        "Move the lamp or take one more photograph with the light from another side; dull the tip with chalk.",
    ),
    "edge-nick": FlagKind(
        "Points of a tip edge lie off the smooth curve, as at a nick, a burr or a stain; they were left out.",
        "note",
        "Look at that place on the blade. Clean it, and dress the edge only as the maker's manual allows.",
    ),
    "blur": FlagKind(
        "The photograph is not sharp, so edges are located less well.",
        "doubt",
        "Take it again with the phone held still, more light, and a tap on the tip to focus.",
    ),
    "exposure-low": FlagKind(
        "The photograph is dark, so edges are seen less well.", "note", "Take it again with more light."
    ),
    "exposure-high": FlagKind(
        "Paper or blade tips are overexposed; bright edges then look wider than they are.",
        "doubt",
        "Take it again with less exposure or softer light.",
    ),
    "uncalibrated-camera": FlagKind(
        "The camera was not calibrated; its focal length comes from the photograph's own data and is very uncertain.",
        "note",
        "Calibrate the phone once with `bladeangle calibrate`, or add four or more photographs from the side.",
    ),
    "camera-unconfirmed": FlagKind(
        "Nothing in the photographs shows that the camera file belongs to them, and photographs from straight above "
        "cannot reveal a wrong focal length. The interval allows for small differences, not for zoom or for a crop "
        "that was enlarged.",
        "doubt",
        "Use the phone's original files, which state their focal length, or add photographs from the side.",
        "all",
    ),
    "focal-length-differs": FlagKind(
        "The photographs do not fit the camera file.",
        "doubt",
        "Were they zoomed, turned or edited, taken with another phone or lens, or by a moving hand? If not, calibrate "
        "again.",
        "all",
    ),
    "size-differs": FlagKind(
        "The photograph is smaller or larger than those of the calibration; the camera file was scaled to it.",
        "doubt",
        "Use the original file: messengers and editors reduce or crop photographs.",
        "all",
    ),
    "digital-zoom": FlagKind(
        "The photograph was taken with digital zoom; the focal length was scaled with it.",
        "doubt",
        "Take it again with the zoom that the camera was calibrated with, that is, none.",
        "all",
    ),
    "enlarged": FlagKind(
        "The picture looks enlarged, as by digital zoom or an editor; the focal length is then longer than stated.",
        "doubt",
        "Use the phone's original file, taken without zoom.",
        "all",
    ),
    "compressed": FlagKind(
        "The photograph was compressed strongly, as messengers and editors do; edges may have moved with it.",
        "doubt",
        "Copy the phone's original file by cable or as a document, without a messenger.",
        "all",
    ),
    "sharpness-uneven": FlagKind(
        "Part of the picture is less sharp than the rest, as by a drop, grease or a fingerprint on the lens; edges "
        "seen through it may lie elsewhere.",
        "doubt",
        "Wipe the lens and take the photograph again.",
    ),
    "contrast-raised": FlagKind(
        "An effect has raised the contrast from place to place (HDR, clarity, a filter), which moves edges.",
        "doubt",
        "Switch the effect off, use the phone's original file, or take the photograph again.",
    ),
    "ring-partly-hidden": FlagKind(
        "Part of the printed ring is hidden or outside the picture.",
        "note",
        "Take it again with the whole ring in view.",
    ),
    "few-markers": FlagKind(
        "Only a few markers of the ring were read, so the camera's position is less certain.",
        "doubt",
        "Take it again with the whole ring in view, evenly lit and sharp.",
    ),
    "two-rings": FlagKind(
        "Markers were seen more than once, as when two rings lie in view; the duplicates were left out.",
        "doubt",
        "Leave one ring in view and take the photograph again.",
    ),
    "sheet-bent": FlagKind(
        "The printed sheet is not flat; its bend is allowed for and the interval is wider.",
        "note",
        "Tape or glue the sheet to a flat board.",
    ),
    "scale-unchecked": FlagKind(
        "Nothing confirms the scale of the print, so lengths rely on the printer. Angles depend on it only in that "
        "stations are so many millimetres of the tip.",
        "note",
        "Measure the check bar with calipers and give its length, or give the diameter over the tips.",
    ),
    "scale-matters": FlagKind(
        "Nothing confirms the scale of the print, and the blades' angles change so fast along the tip that on a print "
        "scaled to fit the page the stations would lie elsewhere, with angles that differ by far more than the "
        "interval.",
        "doubt",
        "Measure the check bar with calipers and give its length, or give the diameter over the tips.",
        "all",
    ),
    "rotor-moved": FlagKind(
        "In one photograph the rotor is not where it is in the others that show it the same way up, or it is another "
        "rotor.",
        "doubt",
        "Take the photographs of that end again, of one rotor, without touching it or the sheet.",
    ),
    "rotors-differ": FlagKind(
        "Some photographs show other blades than the rest, as those of another rotor do.",
        "doubt",
        "Make sure that all photographs are of one rotor, with blade 1 at the arrow, and none from before it was bent; "
        "measure again.",
    ),
    "blades-misnumbered": FlagKind(
        "In some photographs another blade seems to be at the arrow, so that angles are given to the wrong blades.",
        "doubt",
        "Turn blade 1 to the arrow, and take the photographs of that end again; means over all blades hold.",
    ),
    "two-edges": FlagKind(
        "A second edge runs close beside a blade's tip, as a thread, a line, a bright chamfer or a shadow makes it; it "
        "is not clear which of them is the tip's.",
        "doubt",
        "Clean the tip, dull it with chalk, light it from all sides, and take the photograph again.",
    ),
    "edge-beside": FlagKind(
        "A second edge runs beside a short part of a blade's tip, as a shadow that ends there makes it; the interval "
        "covers either edge.",
        "note",
        "Light it from all sides and take the photograph again if the interval is too wide.",
    ),
    "picture-uneven": FlagKind(
        "Parts of a picture are shifted smoothly against each other, as by a drop or smear on the lens, or an editor.",
        "doubt",
        "Wipe the lens, hold the phone still, use the original file, and take the photograph again.",
    ),
    "picture-sheared": FlagKind(
        "A picture is sheared or stretched as a whole, as by a phone that moved while it was read out line by line; "
        "single blades may then be wrong by more than the interval.",
        "doubt",
        "Hold the phone still, brace it on something, and take the photograph again.",
    ),
    "taken-as-given": FlagKind(
        "What photographs from above cannot show: whether both are of one rotor, and which end is the inlet.",
        "note",
        "Add photographs from the side, which show the blades from end to end.",
    ),
    "rotor-tilted": FlagKind(
        "The rotor's axis is not square to the sheet; the tilt is allowed for.",
        "note",
        "Check that the rotor stands flat on its face, without burrs or grit under it.",
    ),
    "axis-doubtful": FlagKind(
        "The rotor seems to lean more than one that stands on its face does. From above, a picture shifted by image "
        "stabilisation, or cropped, looks the same, and then single blades are wrong by as much as the rotor seems to "
        "lean.",
        "doubt",
        "Switch off stabilisation, use the original file, put the rotor down flat; or add photographs from the side.",
    ),
    "rotor-unlikely": FlagKind(
        "The photographs fit, but only with a lean, hub heights, thicknesses, wear, differences between blades or an "
        "overlap that rotors hardly ever have. The rotor may stand otherwise, with other angles.",
        "doubt",
        "Give the tip diameter; add photographs from the side, or take those from above again.",
    ),
    "off-centre": FlagKind(
        "The rotor stands away from the ring's centre; the offset is allowed for.",
        "note",
        "Centre the rotor on the printed circle.",
    ),
    "blade-1-far-from-arrow": FlagKind(
        "No blade points at the printed arrow; the nearest one counts as blade 1.",
        "doubt",
        "Turn blade 1 to the arrow in every photograph, if blades are to be compared later.",
        "numbering",
    ),
    "blades-differ": FlagKind(
        "Blades differ by more than their uncertainty; the mean does not describe each of them.",
        "note",
        "Read the blades one by one, and look at the one that stands out.",
    ),
    "tip-radius-assumed": FlagKind(
        "The tip diameter was not given; it is estimated from the photographs alone.",
        "note",
        "Measure it with calipers and give it with `--diameter`.",
    ),
    "wear-unseen": FlagKind(
        "From above, a worn tip looks like a blade of another angle; the intervals cover new and used tips alike, and "
        "entries and exits are so wide because of it.",
        "note",
        "Add photographs from the side, two looking about 40 degrees down and one about 25; or say what is known: "
        "`--tips new`, or the diameters over leading ends, middle and trailing ends.",
    ),
    "wrap-uncertain": FlagKind(
        "Blades hide each other's lower ends, and the views from both ends cannot be matched lengthwise for sure: wrap "
        "and lengths have wide intervals. What the angles owe to it is in their intervals.",
        "note",
        "Add photographs from the side that show the blades from end to end.",
    ),
    "diameter-differs": FlagKind(
        "The photographs suggest another tip diameter than was given.",
        "doubt",
        "Measure the diameter over the tips again, in mm, and give it or leave it out.",
        "all",
    ),
    "diameter-unusual": FlagKind(
        "Such rotors do not come with this tip diameter: the print's scale, the ring's definition or the diameter "
        "given may be wrong.",
        "doubt",
        "Measure the diameter over the tips, and check the printed ring against its definition file.",
        "all",
    ),
    "ends-exchanged": FlagKind(
        "The exit is shallower than the entry; rotors are usually the other way.",
        "doubt",
        "Check which photographs show the inlet end up, and which were taken with the rotor turned over.",
    ),
    "station-cut-short": FlagKind(
        "Less than half of a station is seen; the angle is that of the part seen and its interval is wider.",
        "doubt",
        "Add a photograph that shows the rest, from the side or with the rotor turned over.",
    ),
    "station-unseen": FlagKind(
        "A station was measured on no blade although the rotor was photographed for it; something other than the "
        "blades may have been followed.",
        "doubt",
        "Look at the picture; take the photograph again from straight above the axis, evenly lit.",
    ),
    "angle-unusual": FlagKind(
        "Blades of such rotors do not have this angle; something other than the blades may have been followed.",
        "doubt",
        "Look at the picture, and count the blades that it shows.",
    ),
    "edge-one-face-only": FlagKind(
        "Only one edge of each blade tip is seen; the angles assume evenly thick blades.",
        "note",
        "A photograph from the side that shows both edges of the tip checks it.",
    ),
    "residuals-high": FlagKind(
        "The photographs fit together less well than their sharpness promises; the intervals are wider for it.",
        "doubt",
        "Look at the picture for an edge followed wrongly: clean or chalk the tips, keep the sheet flat, soften the "
        "light, and take the photographs again.",
    ),
    "photos-disagree": FlagKind(
        "A photograph disagrees with the others by more than the uncertainty.",
        "doubt",
        "Look at the picture for an edge followed wrongly; leave that photograph out or take it again.",
    ),
    "photo-left-out": FlagKind(
        "A photograph was not used, for the reason given.", "doubt", "Take it again as the reason says."
    ),
    "standing-told": FlagKind(
        "Which photographs show the rotor turned over was told from what they show, not by whoever took them.",
        "note",
        "If this rotor is shallower at the exit than at the entry, name the turned ones with `--turned`.",
    ),
    "quarter-turned": FlagKind(
        "An app turned the photographs by a quarter; the camera file was turned with them.",
        "note",
        "Use the phone's original files, which say by themselves how the phone was held.",
    ),
    "edited-by-hand": FlagKind("Edge points were moved or struck out by hand.", "note", "The record holds the edits."),
}


def severity(code: str) -> str:
    """ "doubt" or "note"; what a newer version wrote and this one does not know is a note."""
    return REGISTRY[code].severity if code in REGISTRY else "note"


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


class Flagged(Protocol):
    """A flag as a measurement raises it or as a record has it, whose code a newer version may have registered."""

    @property
    def code(self) -> str:
        """The registered code."""

    @property
    def text(self) -> str:
        """A sentence."""

    @property
    def photo(self) -> str | None:
        """The photograph that it concerns."""

    @property
    def blade(self) -> int | None:
        """The blade that it concerns."""

    @property
    def station(self) -> str | None:
        """The station that it concerns."""


@dataclass(frozen=True)
class Remark:
    """Flags that say the same, for people: with what to do about it, and the places that it is of, in words."""

    code: str
    text: str
    severity: str
    remedy: str
    places: tuple[str, ...]


def doubts_about(
    flags: Sequence[Flagged], blade: int | None = None, station: str | None = None, concerns: str = "angles"
) -> list[str]:
    """Codes of the doubts in a record's flags that concern a number: a blade's station, or with None the mean over
    blades or over stations, or all that is of this kind. A doubt about a photograph concerns every number.

    concerns : "angles", "sizes" or "numbering".
    """

    wide = {"angles": ("angles", "all"), "sizes": ("all",)}.get(concerns, (concerns,))

    def touches(flag: Flagged) -> bool:
        places = ((flag.blade, blade), (flag.station, station))
        return all(of is None or number is None or of == number for of, number in places)

    return list(
        dict.fromkeys(
            flag.code
            for flag in flags
            if severity(flag.code) == "doubt" and REGISTRY[flag.code].concerns in wide and touches(flag)
        )
    )


def flag_line(remark: Remark) -> str:
    """A remark as a line for people; a doubt with what to do about it."""
    return f"{remark.severity.capitalize()}: {flag_words(remark)}"


def flag_words(remark: Remark, *, remedy: bool = True) -> str:
    """A remark for people where it stands under its severity; a doubt, if wanted, with what to do about it."""
    where = f" ({'; '.join(remark.places)})" if remark.places else ""
    text = remark.text.rstrip(".")
    stop = "" if text.endswith(("?", "!")) and not where else "."
    what = f"{text}{where}{stop}"
    return f"{what} {remark.remedy}" if remedy and remark.severity == "doubt" and remark.remedy else what


def open_doubts(flags: Sequence[Flagged]) -> list[Remark]:
    """Those of `together`'s remarks that are doubts."""
    return [remark for remark in together(flags) if remark.severity == "doubt"]


def together(flags: Sequence[Flagged]) -> list[Remark]:
    """Flags of a record for people, doubts first and those that say the same put together."""
    found: dict[tuple[str, str], list[str]] = {}
    for flag in flags:
        words = [
            f"photograph {flag.photo}" if flag.photo else "",
            f"blade {flag.blade}" if flag.blade else "",
            flag.station or "",
        ]
        place = ", ".join(w for w in words if w)
        found.setdefault((flag.code, flag.text), []).extend([place] if place else [])
    remarks = [
        Remark(code, text, severity(code), REGISTRY[code].remedy if code in REGISTRY else "", tuple(places))
        for (code, text), places in found.items()
    ]
    return sorted(remarks, key=lambda remark: remark.severity != "doubt")
