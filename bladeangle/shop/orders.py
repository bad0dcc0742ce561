"""Orders: what a re-pitch was ordered to be. TOML <-> Order, an order from a record, and a sheet for the shop.

An order names the wanted angle at each station with its tolerance (each blade, and the mean over blades), the tolerance
of the spread over blades, what rotor it is for, and the rule that decides conformity; its keys are the fields of
`OrderFile`. A wanted angle stands in the file once; the change is what it differs from `measured_deg`, the mean over
blades when the order was written. Version 1 of the file, which stated angle and change, is read as well.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field
from os import PathLike
from typing import Annotated, Any, Literal, TypeGuard

import msgspec

from bladeangle.base import inputs
from bladeangle.base.budget import STATIONS
from bladeangle.base.errors import DefinitionError, UsageError
from bladeangle.base.files import safe_name, write_text_atomic
from bladeangle.base.flags import flag_line, open_doubts
from bladeangle.base.lengths import number_text, unit
from bladeangle.base.outputs import SOFTWARE
from bladeangle.base.structure import File, Misfit, Plain, read_as
from bladeangle.records.content import Station
from bladeangle.records.record import Record

#: "iso14253": conforming only inside the limits less the expanded uncertainty (ISO 14253-1).
#: "guard": conforming only when the probability of a false accept is at most the chosen one (JCGM 106:2012).
RULES = ("iso14253", "guard")
#: The largest false-accept probability of ANSI/NCSL Z540.3, 5.3.
DEFAULT_FALSE_ACCEPT = 0.02
#: Largest angle that can be ordered, degrees.
MOST_DEG = 85.0
#: Largest change that is believed, degrees (judgement; a degree is a sizeable change): a larger number is most likely
#: the wanted angle itself, given for a change, or the other way round.
LARGEST_CHANGE_DEG = 8.0
#: A change and two angles that differ by more than this, degrees, contradict each other; files are rounded to 0.01.
CONTRADICTION_DEG = 0.015
SCHEMA = "bladeangle-order/2"

_Angle = Annotated[float, msgspec.Meta(gt=0, le=MOST_DEG)]
_Tolerance = Annotated[float, msgspec.Meta(gt=0, le=20)]
_Diameter = Annotated[float, msgspec.Meta(gt=1, le=2000)]
_HINT = inputs.ORDER.hint


class OrderPart(File, frozen=True):
    """What the order is called."""

    name: Annotated[str, msgspec.Meta(max_length=300)] = ""
    date: Any = None
    notes: Annotated[str, msgspec.Meta(max_length=5000)] = ""
    accepted_doubts: list[Annotated[str, msgspec.Meta(max_length=100)]] = msgspec.field(default_factory=list)


class RotorPart(File, frozen=True):
    """The rotor that the order is for."""

    hub_diameter_mm: _Diameter | None = None
    tip_diameter_mm: _Diameter | None = None
    hand: Literal["left", "right"] | None = None
    blade_count: Annotated[int, msgspec.Meta(gt=0, le=24)] | None = None
    thickness_mm: Annotated[float, msgspec.Meta(gt=0, le=100)] | None = None


class StationPart(File, frozen=True):
    """The wanted angle at a station."""

    angle_deg: _Angle
    tolerance_deg: _Tolerance
    measured_deg: _Angle | None = None


class StationsPart(File, frozen=True):
    """The stations ordered."""

    entry: StationPart | None = None
    middle: StationPart | None = None
    exit: StationPart | None = None


class SpreadPart(File, frozen=True):
    """Largest minus smallest angle over the blades."""

    tolerance_deg: _Tolerance | None = None


class DecisionPart(File, frozen=True):
    """What decides conformity."""

    rule: Literal["iso14253", "guard"] = "iso14253"
    false_accept_probability: Annotated[float, msgspec.Meta(gt=0, le=0.5)] = DEFAULT_FALSE_ACCEPT


class OrderFile(File, frozen=True):
    """The content of an order file of the present version."""

    order: OrderPart = OrderPart()
    rotor: RotorPart = RotorPart()
    stations: StationsPart = StationsPart()
    spread: SpreadPart = SpreadPart()
    decision: DecisionPart = DecisionPart()


@dataclass(frozen=True)
class StationOrder:
    """The wanted angle at a station; `measured_deg` is the mean over blades when it was ordered, None: not known."""

    angle_deg: float
    tolerance_deg: float
    measured_deg: float | None = None

    @property
    def change_deg(self) -> float | None:
        """The wanted change against the mean over blades before the work."""
        return None if self.measured_deg is None else self.angle_deg - self.measured_deg


@dataclass(frozen=True)
class Order:
    """What was ordered. Lengths in mm, angles in degrees from the plane of rotation; None: not ordered.

    accepted_doubts : codes of the flags in spite of which it was ordered.
    """

    name: str
    stations: Mapping[str, StationOrder]
    spread_tolerance_deg: float | None = None
    hub_diameter_mm: float | None = None
    tip_diameter_mm: float | None = None
    hand: str | None = None
    blade_count: int | None = None
    thickness_mm: float | None = None
    date: str | None = None
    notes: str = ""
    rule: str = "iso14253"
    false_accept_probability: float = DEFAULT_FALSE_ACCEPT
    accepted_doubts: tuple[str, ...] = ()
    _source: str = field(default="The order", repr=False, compare=False)

    def __post_init__(self) -> None:
        if not self.stations:
            raise DefinitionError(f"{self._source} has no station.", "Add a section such as [stations.exit].")
        _read_as_order(self._content(), self._source)
        for name, s in self.stations.items():
            if s.change_deg is not None and abs(s.change_deg) > LARGEST_CHANGE_DEG:
                raise DefinitionError(
                    f"{self._source}: the {name} is to be {s.angle_deg:g} degrees and was measured as "
                    f"{s.measured_deg:g}: no re-pitch changes an angle by so much.",
                    "angle_deg is the wanted angle itself, not the change.",
                )
        if self.hub_diameter_mm and self.tip_diameter_mm and self.hub_diameter_mm >= self.tip_diameter_mm:
            raise DefinitionError(
                f"{self._source} contradicts itself: the hub is as wide as the rotor ({self.hub_diameter_mm:g} and "
                f"{self.tip_diameter_mm:g} mm).",
                "Correct hub_diameter_mm or tip_diameter_mm.",
            )

    def _content(self) -> Plain:
        """The content of the order's file."""
        return {
            "order": {
                "name": self.name,
                "date": self.date,
                "notes": self.notes,
                "accepted_doubts": list(self.accepted_doubts),
            },
            "rotor": {key: getattr(self, key) for key in RotorPart.__struct_fields__},
            "stations": {name: asdict(station) for name, station in self.stations.items()},
            "spread": {"tolerance_deg": self.spread_tolerance_deg},
            "decision": {"rule": self.rule, "false_accept_probability": self.false_accept_probability},
        }


def _read_as_order(data: Plain, source: str) -> OrderFile:
    try:
        return read_as(data, OrderFile)
    except Misfit as misfit:
        raise misfit.in_toml(source, _HINT) from misfit


# --- TOML ------------------------------------------------------------------------------------------------------------


def order_from_toml(text: str, source: str = "The order") -> Order:
    """Order from the text of an order file.

    Raises
    ------
    DefinitionError : not TOML, an unknown key (named, with the nearest known one), a value missing or out of range.
    """
    return _order_of(inputs.parse_toml(text, inputs.ORDER, source), source)


def _order_of(data: Plain, source: str) -> Order:
    """The order that an order file's content says; the errors of `order_from_toml`."""
    version = data.pop("schema", "bladeangle-order/1")
    if not isinstance(version, str) or version not in READERS:
        raise DefinitionError(
            f"{source} has the version {safe_name(str(version)[:60])!r}, which is not one of: {', '.join(READERS)}.",
            "A newer bladeangle may have written it: update, or write it again with `bladeangle order`.",
        )
    file = _read_as_order(READERS[version](data, source), source)
    head, date = file.order, file.order.date
    if date is not None and not isinstance(date, datetime.date | str):
        raise DefinitionError(f"{source}: order.date must be a date such as 2026-11-25.", _HINT)
    found = {name: getattr(file.stations, name) for name in STATIONS}
    return Order(
        name=head.name,
        date=None if date is None else str(date)[:40],
        notes=head.notes,
        stations={k: StationOrder(s.angle_deg, s.tolerance_deg, s.measured_deg) for k, s in found.items() if s},
        spread_tolerance_deg=file.spread.tolerance_deg,
        **msgspec.structs.asdict(file.rotor),
        **msgspec.structs.asdict(file.decision),
        accepted_doubts=tuple(head.accepted_doubts),
        _source=source,
    )


def _stations_of(data: Plain) -> list[tuple[str, Plain]]:
    """The station sections of a file's content that are sections."""
    found = data.get("stations")
    return [(k, v) for k, v in found.items() if isinstance(v, dict)] if isinstance(found, dict) else []


def _is_number(value: object) -> TypeGuard[float]:
    # whole numbers have no limit of their own
    return isinstance(value, int | float) and not isinstance(value, bool) and -1e9 < value < 1e9


def _read_1(data: Plain, source: str) -> Plain:
    """Version 1 stated the change beside the angle; the angle before the work is what is left of the two."""
    for name, station in _stations_of(data):
        change = station.pop("change_deg", None)
        if change is not None and not (_is_number(change) and -20 < change <= 20):
            key = safe_name(name[:60])
            words = f"stations.{key}.change_deg must be a number above -20 and at most 20"
            raise DefinitionError(f"{source}: {words}.", _HINT)
        angle, measured = station.get("angle_deg"), station.get("measured_deg")
        if change is None or not _is_number(angle):
            continue
        before = angle - change
        if _is_number(measured) and abs(measured - before) > CONTRADICTION_DEG:
            raise DefinitionError(
                f"{source} contradicts itself at the {safe_name(name[:60])}: from {measured:g} degrees a change of "
                f"{change:+g} leads to {measured + change:g} and not to {angle:g}.",
                "Correct angle_deg and leave change_deg out.",
            )
        station["measured_deg"] = before
    return data


def _read_2(data: Plain, source: str) -> Plain:
    """Version 2 is the present one; in it a wanted angle stands once."""
    for name, station in _stations_of(data):
        if "change_deg" in station:
            raise DefinitionError(
                f"{source} states the {safe_name(name[:60])} twice, as angle_deg and as change_deg.",
                "Leave change_deg out: angle_deg says what is wanted.",
            )
    return data


#: Every version of order files, with the function that brings its content to the present one.
READERS: dict[str, Callable[[Plain, str], Plain]] = {"bladeangle-order/1": _read_1, SCHEMA: _read_2}


def read_order(path: str | PathLike[str]) -> Order:
    """Read an order file; DefinitionError (exit 4) when it is missing or wrong."""
    return _order_of(inputs.read_toml(path, inputs.ORDER), inputs.shown_as(path, inputs.ORDER))


def _toml_string(text: str) -> str:
    """A TOML basic string; lone surrogates, which TOML cannot hold, become backslash escapes."""
    text = text.encode("utf-8", "backslashreplace").decode("utf-8").replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if ord(c) >= 32 and c != "\x7f" else f"\\u{ord(c):04x}" for c in text) + '"'


def order_to_toml(order: Order) -> str:
    """The order file's text, with a comment that tells what the numbers are."""
    lines = ["# Order for a re-pitch. Angles in degrees from the plane of rotation, lengths in mm."]
    lines += ["# angle_deg is what is wanted; measured_deg is what it was when this was ordered."]
    lines += [f"schema = {_toml_string(SCHEMA)}", "", "[order]"]
    lines += [f"name = {_toml_string(order.name)}"]
    lines += [f"date = {_toml_string(order.date)}"] if order.date is not None else []
    lines += [f"notes = {_toml_string(order.notes)}"]
    if order.accepted_doubts:
        lines += [f"accepted_doubts = [{', '.join(map(_toml_string, order.accepted_doubts))}]"]
    rotor = [(k, getattr(order, k)) for k in RotorPart.__struct_fields__ if getattr(order, k) is not None]
    if rotor:
        lines += ["", "[rotor]"]
        lines += [f"{k} = {_toml_string(v) if isinstance(v, str) else repr(v)}" for k, v in rotor]
    for name, s in order.stations.items():
        lines += ["", f"[stations.{name}]", f"angle_deg = {s.angle_deg!r}", f"tolerance_deg = {s.tolerance_deg!r}"]
        if s.measured_deg is not None:
            lines += [f"measured_deg = {s.measured_deg!r}  # mean over blades before the work"]
    if order.spread_tolerance_deg is not None:
        lines += ["", "[spread]  # largest minus smallest over the blades, at each station"]
        lines += [f"tolerance_deg = {order.spread_tolerance_deg!r}"]
    lines += ["", "[decision]  # rule: " + " or ".join(RULES), f"rule = {_toml_string(order.rule)}"]
    lines += [f"false_accept_probability = {order.false_accept_probability!r}"]
    return "\n".join(lines) + "\n"


def write_order(order: Order, path: str | PathLike[str]) -> None:
    """Write an order file atomically; OutputError when it cannot be written."""
    write_text_atomic(path, order_to_toml(order))


def pitch_mm(angle_deg: float, tip_diameter_mm: float) -> float:
    """Pitch of the helix with this angle on the tip cylinder: pi D tan(angle)."""
    return math.pi * tip_diameter_mm * math.tan(math.radians(angle_deg))


# --- the shop's sheet ------------------------------------------------------------------------------------------------

#: What the shop is told beside the numbers.
CAUTIONS = (
    "Blade edges are sharp: wear gloves, and hold the rotor in padded jaws.",
    (
        "Bend or dress blades only as the maker's manual allows. Look for cracks before and after: a cracked or "
        "thinned blade ends a rotor's life."
    ),
    (
        "After the work the rotor must be checked for balance, tip clearance and free turning by hand before it is "
        "run, by whoever is licensed to do so. Never run the engine faster than its maker allows."
    ),
    "Angles are those of the blade tip on the tip circle. Pitch is the advance a turn of that helix.",
)

_STYLE = (
    "body{font:11pt/1.4 sans-serif;max-width:180mm;margin:8mm auto;padding:0 4mm;color:#000;background:#fff}"
    "table{border-collapse:collapse;width:100%;margin:2mm 0 5mm}caption{text-align:left;font-weight:bold}"
    "th,td{border:1px solid #555;padding:1mm 2mm;text-align:right}th:first-child{text-align:left}"
    "td.empty{min-width:22mm}tr.mean{font-weight:bold}img{max-width:100%;max-height:110mm}"
    "@media screen and (max-width:640px){body{font-size:8pt;margin:2mm;padding:0}"
    "th,td{padding:1mm .3mm}td.empty{min-width:0}}"
    "@media screen and (max-width:400px){table{font-size:7pt}}"
    "@page{margin:12mm}@media print{body{margin:0;max-width:none}table,img{break-inside:avoid}}"
)


def _image_uri(picture: bytes) -> str:
    import base64

    for magic, kind in ((b"\x89PNG\r\n\x1a\n", "png"), (b"\xff\xd8\xff", "jpeg")):
        if picture.startswith(magic):
            return f"data:image/{kind};base64,{base64.b64encode(picture).decode('ascii')}"
    raise UsageError("The picture for the sheet is neither PNG nor JPEG.", "Give the picture that `measure` wrote.")


def _doubt_lines(record: Record) -> list[str]:
    return [flag_line(flag) for flag in open_doubts(record.content.flags)]


def order_sheet(record: Record, order: Order, picture: bytes | None = None, inches: bool = False) -> str:
    """The order as one self-contained HTML page for the shop: measured and wanted per blade and station.

    `picture` is a PNG or JPEG file's content. Everything that comes from a file is escaped. UsageError for another
    kind of picture. Lengths are in inches where `inches` says so.
    """
    from html import escape

    tip = record.quantity("tip_diameter_mm")
    diameter = order.tip_diameter_mm if tip is None else tip[0]

    def pitch(angle_deg: float) -> str:
        return "" if diameter is None else number_text(pitch_mm(angle_deg, diameter), inches, 1)

    def length(size_mm: float | None) -> str | None:
        return None if size_mm is None else number_text(size_mm, inches, 1)

    of = unit(inches)

    out = ["<!doctype html>", '<html lang="en"><head><meta charset="utf-8">']
    out += [f'<meta name="generator" content="{SOFTWARE}">']
    out += ['<meta name="viewport" content="width=device-width, initial-scale=1">']
    out += [f"<title>Order: {escape(order.name)}</title><style>{_STYLE}</style></head><body>"]
    out += [f"<h1>Re-pitch order: {escape(order.name)}</h1>"]
    out += [f"<p><b>{escape(line)}</b></p>" for line in _doubt_lines(record)]
    facts: list[tuple[str, str | float | None]] = [
        ("Date", order.date),
        ("Measured", record.content.created[:10]),
        ("Blades", order.blade_count),
    ]
    facts += [("Hand (blade as a screw thread)", order.hand), (f"Tip diameter, {of}", length(order.tip_diameter_mm))]
    facts += [(f"Hub diameter, {of}", length(order.hub_diameter_mm))]
    facts += [(f"Blade thickness at the tip, {of}", length(order.thickness_mm))]
    facts += [("Largest difference allowed between blades, °", order.spread_tolerance_deg)]
    known = [(k, v) for k, v in facts if v is not None]
    out += ["<table><caption>Rotor</caption>"]
    out += [f'<tr><th scope="row">{escape(k)}</th><td>{escape(str(v))}</td></tr>' for k, v in known]
    out += ["</table>"]
    out += [f"<p>{escape(order.notes)}</p>"] if order.notes else []
    for name, s in order.stations.items():
        out += [f"<table><caption>{name.capitalize()}: wanted {s.angle_deg:.2f}° ± {s.tolerance_deg:.2f}°"]
        low, high = pitch(s.angle_deg - s.tolerance_deg), pitch(s.angle_deg + s.tolerance_deg)
        out += [f" (pitch {pitch(s.angle_deg)} {of}, {low} to {high} {of})" if low else "", "</caption><tr>"]
        heads = (
            "Blade",
            "Measured,\u00a0°",
            "±\u00a0(95\u00a0%),\u00a0°",
            "Change by,\u00a0°",
            f"Pitch measured, {of}",
            f"Pitch wanted, {of}",
            "Done, °",
        )
        out += [f'<th scope="col">{h}</th>' for h in heads] + ["</tr>"]
        rows: list[tuple[str, Station | None]] = [
            (str(b), record.station(b, name)) for b in range(1, record.blade_count + 1)
        ]
        for label, found in [*rows, ("mean", record.mean(name))]:
            out += [f'<tr{" class=mean" if label == "mean" else ""}><th scope="row">{label}</th>']
            if found is None:
                cells = ["not seen", "", "", "", pitch(s.angle_deg)]
            else:
                a = found.angle_deg
                change = round(s.angle_deg - a, 2) + 0.0  # no minus before nothing
                cells = [f"{a:.2f}", f"{found.expanded_uncertainty_deg:.2f}", f"{change:+.2f}"]
                cells += [pitch(a), pitch(s.angle_deg)]
            out += [f"<td>{c}</td>" for c in cells] + ['<td class="empty"></td></tr>']
        out += ["</table>"]
    if picture is not None:
        out += [f'<p><img alt="The measured rotor with its stations drawn" src="{_image_uri(picture)}"></p>']
    out += ["<h2>Cautions</h2><ul>"] + [f"<li>{escape(c)}</li>" for c in CAUTIONS] + ["</ul></body></html>"]
    return "\n".join(out) + "\n"
