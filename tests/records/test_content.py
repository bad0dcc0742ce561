"""The structures of a record are those of its JSON Schema."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import msgspec
import pytest
from invented_record import invented_record, with_tips
from msgspec.inspect import StructType, type_info

from bladeangle.base.errors import RecordError
from bladeangle.base.structure import plain
from bladeangle.records import content
from bladeangle.records.record import record_from_dict, schema

WHOLE = schema()
PLACES: list[tuple[type[msgspec.Struct], list[str | int]]] = [
    (content.Content, []),
    (content.Rotor, ["properties", "rotor"]),
    (content.Tips, ["properties", "rotor", "properties", "tips"]),
    (content.Blade, ["properties", "blades", "items"]),
    (content.BladeTip, ["properties", "blades", "items", "properties", "tip"]),
    (content.Curve, ["properties", "blades", "items", "properties", "curve", "anyOf", 0]),
    (content.Points, ["properties", "blades", "items", "properties", "points", "anyOf", 0]),
    (content.Flag, ["properties", "flags", "items"]),
    (content.Trace, ["properties", "photos", "items", "properties", "traces", "items"]),
    (content.StationLine, ["properties", "photos", "items", "properties", "stations_px", "items"]),
    (content.Checks, ["properties", "checks", "anyOf", 0]),
    (content.Residuals, ["properties", "checks", "anyOf", 0, "properties", "residuals", "additionalProperties"]),
    (content.Covariance, ["properties", "covariance"]),
    (content.BudgetLine, ["properties", "budget", "items"]),
    (content.Photo, ["properties", "photos", "items"]),
    (content.Quantity, ["$defs", "quantity"]),
    (content.TipQuantity, ["$defs", "tip_quantity"]),
    (content.Station, ["$defs", "station"]),
    (content.Clearance, ["$defs", "clearance"]),
]


@pytest.mark.parametrize(("kind", "path"), PLACES, ids=[kind.__name__ for kind, _ in PLACES])
def test_fields_are_those_of_the_schema(kind: type[msgspec.Struct], path: list[str | int]) -> None:
    part: Any = WHOLE
    for step in path:
        part = part[step]
    described = type_info(kind)
    assert isinstance(described, StructType)
    assert {f.encode_name for f in described.fields} == set(part["properties"])
    # what a record may lack has a default, and only that
    assert {f.encode_name for f in described.fields if f.required} == set(part["required"])


def test_what_is_read_is_what_stands_there() -> None:
    data = invented_record()
    record = record_from_dict(data)
    for number, blade in enumerate(data["blades"], start=1):
        for name, station in blade["stations"].items():
            found = record.station(number, name)
            assert (None if found is None else msgspec.to_builtins(found)) == station
    assert record.quantity("tip_diameter_mm") == (
        data["rotor"]["tip_diameter_mm"]["value"],
        data["rotor"]["tip_diameter_mm"]["standard_uncertainty"],
    )
    assert [line.line for line in record.content.budget] == [line["line"] for line in data["budget"]]
    with pytest.raises(AttributeError):
        record.rotor.hand = "left"  # type: ignore[misc]


@pytest.mark.parametrize("data", [invented_record(), with_tips(invented_record(blade_count=4), bore_mm=157.0)])
def test_nothing_that_stands_there_is_left_out(data: dict[str, Any]) -> None:
    again: Any = plain(record_from_dict(data).content)
    assert {**again, "options": data["options"], "camera": data["camera"]} == data
    # what the record does not say is written as what it stands for
    assert {**again["options"], **data["options"]} == again["options"]
    assert again["camera"] == {"calibrated": True, **data["camera"]}


def test_options_of_another_kind_are_refused(tmp_path: Path) -> None:
    data = invented_record()
    data["options"] = json.loads(json.dumps(data["options"])) | {"bore_mm": "wide"}
    with pytest.raises(RecordError, match="bore_mm"):
        record_from_dict(data)
