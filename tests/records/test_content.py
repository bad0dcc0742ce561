"""The structures of a record are those of its JSON Schema."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import msgspec
import pytest
from invented_record import invented_record
from msgspec.inspect import StructType, type_info

from bladeangle.base.errors import RecordError
from bladeangle.records import content
from bladeangle.records.record import record_from_dict, schema

WHOLE = schema()
PLACES: list[tuple[type[msgspec.Struct], list[str]]] = [
    (content.Content, []),
    (content.Rotor, ["properties", "rotor"]),
    (content.Tips, ["properties", "rotor", "properties", "tips"]),
    (content.Blade, ["properties", "blades", "items"]),
    (content.BladeTip, ["properties", "blades", "items", "properties", "tip"]),
    (content.Covariance, ["properties", "covariance"]),
    (content.BudgetLine, ["properties", "budget", "items"]),
    (content.Photo, ["properties", "photos", "items"]),
    (content.Quantity, ["$defs", "quantity"]),
    (content.TipQuantity, ["$defs", "tip_quantity"]),
    (content.Station, ["$defs", "station"]),
    (content.Clearance, ["$defs", "clearance"]),
]


@pytest.mark.parametrize(("kind", "path"), PLACES, ids=[kind.__name__ for kind, _ in PLACES])
def test_fields_are_those_of_the_schema(kind: type[msgspec.Struct], path: list[str]) -> None:
    part: Any = WHOLE
    for step in path:
        part = part[step]
    described = type_info(kind)
    assert isinstance(described, StructType)
    assert {f.name for f in described.fields} <= set(part["properties"])
    # what a record may lack has a default
    assert {f.name for f in described.fields if f.required} <= set(part["required"])


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


def test_options_of_another_kind_are_refused(tmp_path: Path) -> None:
    data = invented_record()
    data["options"] = json.loads(json.dumps(data["options"])) | {"bore_mm": "wide"}
    with pytest.raises(RecordError, match="bore_mm"):
        record_from_dict(data)
