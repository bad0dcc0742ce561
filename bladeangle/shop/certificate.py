"""Record + details -> digital calibration certificate (DCC): XML by the schema of PTB, DCC 3.0.0 with D-SI 2.0.0.

The certificate carries the angles, sizes and their expanded uncertainties. Who issues it, for whom and for what item is
no part of a record and comes from a small TOML file, the fields of `Details`. The form alone makes no accredited
calibration: whoever issues it answers for its traceability, and the certificate says so. Not covered: signatures, the
covariance of the angles (the record has it), and several items in one certificate.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from os import PathLike
from typing import Annotated, Literal
from xml.etree import ElementTree as ET

import msgspec

from bladeangle.base import inputs
from bladeangle.base.budget import STATIONS
from bladeangle.base.errors import DefinitionError
from bladeangle.base.files import safe_name, write_bytes_atomic
from bladeangle.base.structure import File, Misfit, read_as
from bladeangle.records.content import Quantity, Station, TipQuantity
from bladeangle.records.record import Record
from bladeangle.records.tip_words import NAMES

DCC, SI = "https://ptb.de/dcc", "https://ptb.de/si"
VERSION = "3.0.0"
_HINT = "`bladeangle export --details-example` prints a file to start from, with every section and key."
#: A details file to start from.
EXAMPLE = """\
# Who issues a certificate, for whom and for which rotor. All of it is needed; each value is a text of one line.

[certificate]
identifier = "2026-0001"          # your own number for this certificate
country = "DE"                    # two capital letters (ISO 3166-1)
language = "en"                   # two small letters (ISO 639-1)
location = "laboratory"           # where it was measured: laboratory, customer, laboratoryBranch, customerBranch, other

[laboratory]
name = "Workshop"
email = "office@workshop.example"
city = "Harbour Town"

[customer]
name = "Customer"
email = "customer@mail.example"
city = "Harbour Town"

[person]                          # who answers for the measurement
name = "Technician"
role = "technician"

[item]
manufacturer = "not known"
identification = "shelf 3, rotor 1"
"""

#: One line that can be printed and says something.
_Line = Annotated[str, msgspec.Meta(max_length=300, description="must be a text of one line")]


class CertificateDetails(File, frozen=True):
    """Of the certificate itself."""

    identifier: _Line
    country: Annotated[
        str, msgspec.Meta(pattern=r"^[A-Z]{2}\Z", description="must be two capital letters (ISO 3166-1)")
    ]
    language: Annotated[str, msgspec.Meta(pattern=r"^[a-z]{2}\Z", description="must be two small letters (ISO 639-1)")]
    location: Literal["laboratory", "customer", "laboratoryBranch", "customerBranch", "other"]


class Contact(File, frozen=True):
    """A workshop or a customer."""

    name: _Line
    email: _Line
    city: _Line


class Person(File, frozen=True):
    """Who answers for the measurement."""

    name: _Line
    role: _Line


class Item(File, frozen=True):
    """The rotor, as it is known to those who order."""

    manufacturer: _Line
    identification: _Line


class Details(File, frozen=True):
    """The content of a details file."""

    certificate: CertificateDetails
    laboratory: Contact
    customer: Contact
    person: Person
    item: Item


def read_details(path: str | PathLike[str]) -> Details:
    """The issuer's details from a TOML file.

    Raises
    ------
    DefinitionError : missing or unreadable, an unknown or missing key, a value that is not a short text or not a code.
    """
    source = inputs.shown_as(path, inputs.DETAILS)
    data = inputs.read_toml(path, replace(inputs.DETAILS, hint=_HINT))
    try:
        details = read_as(data, Details)
    except Misfit as misfit:
        raise misfit.in_toml(source, _HINT) from misfit
    for section, part in msgspec.structs.asdict(details).items():
        for key, value in msgspec.structs.asdict(part).items():
            if not value.strip() or not value.isprintable():
                raise DefinitionError(f"{source}: {section}.{key} must be a text of one line.", _HINT)
    return details


def _add(parent: ET.Element, name: str, text: str | None = None, space: str = DCC) -> ET.Element:
    made = ET.SubElement(parent, f"{{{space}}}{name}")
    if text is not None:
        # XML 1.0 cannot hold control characters; `safe_name` turns them into escapes.
        made.text = safe_name(text)
    return made


def _words(parent: ET.Element, name: str, text: str, language: str = "en") -> ET.Element:
    """A localised text, or a rich one with nothing but text."""
    made = _add(parent, name)
    _add(made, "content", text).set("lang", language)
    return made


def _contact(parent: ET.Element, name: str, who: Contact) -> None:
    contact = _add(parent, name)
    _words(contact, "name", who.name)
    _add(contact, "eMail", who.email)
    _add(_add(contact, "location"), "city", who.city)


def _administrative(root: ET.Element, record: Record, details: Details) -> None:
    content = record.content
    part, core_data = _add(root, "administrativeData"), details.certificate
    software = _add(part, "dccSoftware")
    for name, release in sorted(content.software.items(), key=lambda pair: (pair[0] != "bladeangle", pair)):
        one = _add(software, "software")
        _words(one, "name", name)
        _add(one, "release", release)
    core = _add(part, "coreData")
    _add(core, "countryCodeISO3166_1", core_data.country)
    for kind in ("used", "mandatory"):
        _add(core, f"{kind}LangCodeISO639_1", core_data.language)
    _add(core, "uniqueIdentifier", core_data.identifier)
    for kind in ("begin", "end"):
        _add(core, f"{kind}PerformanceDate", content.created[:10])
    _add(core, "performanceLocation", core_data.location)
    item = _add(_add(part, "items"), "item")
    _words(item, "name", f"Jet-pump impeller: {record.name}")
    _words(_add(item, "manufacturer"), "name", details.item.manufacturer)
    mark = _add(_add(item, "identifications"), "identification")
    _add(mark, "issuer", "owner")
    _add(mark, "value", details.item.identification)
    _contact(_add(part, "calibrationLaboratory"), "contact", details.laboratory)
    responsible = _add(_add(part, "respPersons"), "respPerson")
    _words(_add(responsible, "person"), "name", details.person.name)
    _add(responsible, "role", details.person.role)
    _contact(part, "customer", details.customer)
    statement = _add(_add(part, "statements"), "statement")
    _words(
        statement,
        "declaration",
        "Angles from photographs, by least-squares adjustment, with uncertainties by JCGM 100:2008. The form of this "
        "document makes no accredited calibration; whoever issues it answers for its traceability.",
    )


def _quantity(data: ET.Element, name: str, value: float, unit: str, expanded: float, k: float) -> None:
    quantity = _add(data, "quantity")
    _words(quantity, "name", name)
    real = _add(quantity, "real", space=SI)
    _add(real, "value", f"{value:.10g}", SI)
    _add(real, "unit", unit, SI)
    uncertainty = _add(real, "expandedUnc", space=SI)
    _add(uncertainty, "uncertainty", f"{expanded:.6g}", SI)
    _add(uncertainty, "coverageFactor", f"{max(k, 1.0):.4f}", SI)
    _add(uncertainty, "coverageProbability", "0.95", SI)


def _results(root: ET.Element, record: Record) -> None:
    measured = _add(_add(root, "measurementResults"), "measurementResult")
    _words(measured, "name", "Blade angles")
    method = _add(_add(measured, "usedMethods"), "usedMethod")
    _words(method, "name", "Photogrammetry of the blade tips on a printed ring")
    _words(
        method,
        "description",
        "Angle from the plane of rotation of the least-squares line through the tip's mid-line, height against arc "
        "length round the axis at the local tip radius, over each station.",
    )
    results = _add(measured, "results")
    groups: list[tuple[str, Sequence[tuple[str, Station | None]]]] = [
        (f"Blade {b}", [(s, record.station(b, s)) for s in STATIONS]) for b in range(1, record.blade_count + 1)
    ]
    groups.append(("Mean over blades", [(s, record.mean(s)) for s in STATIONS]))
    for title, stations in groups:
        found = [(name, s) for name, s in stations if s is not None]
        if found:
            result = _add(results, "result")
            _words(result, "name", title)
            data = _add(result, "data")
            for name, s in found:
                _quantity(data, f"{name} angle", s.angle_deg, "\\degree", s.expanded_uncertainty_deg, s.coverage_factor)
    result = _add(results, "result")
    _words(result, "name", "Sizes")
    data = _add(result, "data")
    rotor, tips = record.rotor, record.rotor.tips
    sizes: dict[str, Quantity | None] = {
        "tip diameter": rotor.tip_diameter_mm,
        "hub diameter": rotor.hub_diameter_mm,
        "tip thickness": rotor.tip_thickness_mm,
        "axial length": rotor.axial_length_mm,
    }
    if tips is not None:
        told: list[tuple[str, TipQuantity]] = [(words, getattr(tips, key)) for key, words in NAMES.items()]
        sizes |= {words: q for words, q in told if q.seen}
        if tips.clearance_mm is not None:
            sizes["smallest clearance in the bore"] = tips.clearance_mm.smallest
            sizes["mean clearance in the bore"] = tips.clearance_mm.mean
    for name, q in sizes.items():
        if q is not None:
            _quantity(data, name, q.value, "\\milli\\metre", q.expanded_uncertainty, q.coverage_factor)


def certificate(record: Record, details: Details) -> bytes:
    """The certificate as XML; equal input gives equal bytes. Stations that were not seen are left out."""
    ET.register_namespace("dcc", DCC)
    ET.register_namespace("si", SI)
    root = ET.Element(f"{{{DCC}}}digitalCalibrationCertificate", {"schemaVersion": VERSION})
    _administrative(root, record, details)
    _results(root, record)
    ET.indent(root, " ")
    text: bytes = ET.tostring(root, encoding="utf-8", xml_declaration=True)
    return text + b"\n"


def write_certificate(record: Record, details: Details, path: str | PathLike[str]) -> None:
    """Write the certificate atomically; OutputError when it cannot be written."""
    write_bytes_atomic(path, certificate(record, details))
