"""The digital calibration certificate: content, order of elements, refusals; and the schema where one is at hand."""

from __future__ import annotations

import os
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
from click.testing import CliRunner
from invented_record import agreeing, invented_record, with_tips

from bladeangle.base.errors import DefinitionError, UsageError
from bladeangle.cli.export import export as export_command
from bladeangle.cli.main import main
from bladeangle.records.record import record_from_dict, write_record
from bladeangle.shop import certificate
from bladeangle.shop.certificate import read_details

NS = {"dcc": certificate.DCC, "si": certificate.SI}
DETAILS = """
[certificate]
identifier = "heron-2026-001"
country = "NO"
language = "en"
location = "laboratory"
[laboratory]
name = "Fjordside bench"
email = "bench@fjordside.example"
city = "Nordvik"
[customer]
name = "Heron ferries"
email = "shore@heron.example"
city = "Nordvik"
[person]
name = "The bench's keeper"
role = "measures"
[item]
manufacturer = "Invented works"
identification = "spare 2"
"""


@pytest.fixture
def details(tmp_path: Path) -> Path:
    path = tmp_path / "details.toml"
    path.write_text(DETAILS, encoding="utf-8")
    return path


def test_every_angle_is_in_it_with_unit_and_uncertainty(details: Path) -> None:
    record = record_from_dict(invented_record(name="<Heron> & co\x07"))
    root = ET.fromstring(certificate.certificate(record, certificate.read_details(details)))
    found = {}
    for result in root.iterfind(".//dcc:result", NS):
        title = result.findtext("dcc:name/dcc:content", None, NS)
        for q in result.iterfind("dcc:data/dcc:quantity", NS):
            found[title, q.findtext("dcc:name/dcc:content", None, NS)] = q.find("si:real", NS)
    assert len(found) == 3 * 3 + 3 + 4
    real = found["Blade 1", "entry angle"]
    assert real is not None
    assert [e.tag.split("}")[1] for e in real.iter()][1:] == [
        "value", "unit", "expandedUnc", "uncertainty", "coverageFactor", "coverageProbability",
    ]  # fmt: skip
    texts = [e.text for e in real.iter() if e.text and e.text.strip()]
    assert texts == ["9.3", "\\degree", "0.22", "2.0000", "0.95"]
    values = {key: real.findtext("si:value", None, NS) for key, real in found.items() if real is not None}
    for b in (1, 2, 3):
        for s in ("entry", "middle", "exit"):
            at = record.station(b, s)
            assert at is not None and values[f"Blade {b}", f"{s} angle"] == f"{at.angle_deg:.10g}"
    assert len({values[f"Blade {b}", "entry angle"] for b in (1, 2, 3)}) == 3
    assert values["Mean over blades", "entry angle"] == "9.5"
    assert [values["Sizes", f"{w} diameter"] for w in ("tip", "hub")] == ["156", "74"]
    for kind in ("begin", "end"):
        assert root.findtext(f".//dcc:{kind}PerformanceDate", None, NS) == record.data["created"][:10]
    for place, name in (("calibrationLaboratory/dcc:contact", "Fjordside bench"), ("customer", "Heron ferries")):
        assert root.findtext(f".//dcc:{place}/dcc:name/dcc:content", None, NS) == name
    size = found["Sizes", "tip diameter"]
    assert size is not None and size.findtext("si:unit", None, NS) == "\\milli\\metre"
    item = root.findtext(".//dcc:item/dcc:name/dcc:content", None, NS)
    assert item == "Jet-pump impeller: <Heron> & co\\x07"
    assert certificate.certificate(record, certificate.read_details(details)) == certificate.certificate(
        record, certificate.read_details(details)
    )


def test_what_is_seen_of_the_tips_is_in_it(details: Path) -> None:
    record = record_from_dict(with_tips(invented_record(), 0.25, bore_mm=157.0))
    text = certificate.certificate(record, certificate.read_details(details)).decode()
    for words in ("wear at the leading ends", "run-out between blades", "smallest clearance in the bore"):
        assert text.count(words) == 1
    assert "wear at the trailing ends" not in text
    root = ET.fromstring(text.encode())
    gaps = {
        q.findtext("dcc:name/dcc:content", "", NS).split()[0]: q.findtext("si:real/si:value", None, NS)
        for q in root.iterfind(".//dcc:quantity", NS)
        if "clearance" in q.findtext("dcc:name/dcc:content", "", NS)
    }
    assert gaps == {"smallest": "0.5", "mean": "0.55"}  # 157 / 2 - 78 mm


def test_the_coverage_factor_is_the_angles_own(details: Path) -> None:
    data = invented_record()
    for blade in data["blades"]:
        for s in blade["stations"].values():
            s |= {"coverage_factor": 2.5}
    text = certificate.certificate(record_from_dict(agreeing(data)), certificate.read_details(details)).decode()
    assert text.count("<si:coverageFactor>2.5000<") == 9


def test_what_was_not_seen_is_left_out(details: Path) -> None:
    record = record_from_dict(invented_record(turned=False))
    text = certificate.certificate(record, certificate.read_details(details)).decode()
    assert "exit angle" not in text and "entry angle" in text


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("country", "county", "unknown key 'county'"),
        ('"NO"', '"Norway"', "two capital letters"),
        ('"NO"', '"NOR"', "two capital letters"),
        ('language = "en"', 'language = "eng"', "two small letters"),
        ('"spare 2"', '" "', "must be a text of one line"),
        ('"spare 2"', f'"{"n" * 301}"', "must be a text of one line"),
        ('language = "en"', 'language = "EN"', "two small letters"),
        ('location = "laboratory"', 'location = "barn"', "must be one of"),
        ('city = "Nordvik"\n[customer]', "[customer]", "laboratory.city is missing"),
        ('"spare 2"', '"spare\\n2"', "must be a text of one line"),
        ('"spare 2"', "2", "must be a text of one line"),
        ("[item]", "[item", "not valid TOML"),
    ],
)
def test_wrong_details_are_refused(details: Path, old: str, new: str, message: str) -> None:
    assert old in DETAILS
    details.write_text(DETAILS.replace(old, new), encoding="utf-8")
    with pytest.raises(DefinitionError, match=message) as caught:
        certificate.read_details(details)
    assert caught.value.exit_code == 4


def test_it_satisfies_the_published_schema(details: Path, tmp_path: Path) -> None:
    """DCC 3.0.0 and D-SI 2.0.0 of the Physikalisch-Technische Bundesanstalt.

    The schemas are under the LGPL and are not shipped: BLADEANGLE_DCC_SCHEMA names a folder with dcc.xsd and
    SI_Format.xsd as published.
    """
    folder = os.environ.get("BLADEANGLE_DCC_SCHEMA")
    if folder is None:
        pytest.skip("BLADEANGLE_DCC_SCHEMA names no folder with the schemas")
    etree = pytest.importorskip("lxml.etree")
    text = (Path(folder) / "dcc.xsd").read_text(encoding="utf-8")
    local = (Path(folder) / "SI_Format.xsd").resolve().as_uri()
    (tmp_path / "dcc.xsd").write_text(text.replace("https://ptb.de/si/v2.0.0/SI_Format.xsd", local), encoding="utf-8")
    schema = etree.XMLSchema(etree.parse(str(tmp_path / "dcc.xsd")))
    for record in (invented_record(), invented_record(turned=False, oblique=0), invented_record(name="\x00=<>&\ud800")):
        xml = certificate.certificate(record_from_dict(record), certificate.read_details(details))
        schema.assertValid(etree.fromstring(xml))
        broken = xml.replace(b"<si:unit>\\degree</si:unit>", b"", 1)
        assert not schema.validate(etree.fromstring(broken))


def test_the_command(details: Path, tmp_path: Path) -> None:
    write_record(record_from_dict(invented_record()), tmp_path / "r.json")
    one, out = str(tmp_path / "r.json"), tmp_path / "c.xml"
    arguments = [one, "--certificate", str(out), "--details", str(details)]
    result = CliRunner().invoke(export_command, arguments, catch_exceptions=False)
    assert result.exit_code == 0 and result.stdout == "" and out.read_bytes().startswith(b"<?xml")
    for wrong in ([one, one, *arguments[1:]], arguments[:3], [one, "--details", str(details)]):
        with pytest.raises(UsageError):
            CliRunner().invoke(export_command, wrong, catch_exceptions=False)


def test_the_details_example_is_whole_and_guesses_are_only_made_when_near(tmp_path: Path) -> None:
    printed = CliRunner().invoke(main, ["export", "--details-example"])
    assert printed.exit_code == 0
    (tmp_path / "issuer.toml").write_text(printed.stdout, encoding="utf-8")
    details = read_details(tmp_path / "issuer.toml")
    assert details.certificate.location == "laboratory"
    for key, guessed in (("idntifier", True), ("serial", False)):
        (tmp_path / "issuer.toml").write_text(printed.stdout.replace("identifier", key), encoding="utf-8")
        with pytest.raises(DefinitionError, match=f"unknown key '{key}'") as caught:
            read_details(tmp_path / "issuer.toml")
        assert ("Did you mean 'identifier'" in caught.value.hint) is guessed
