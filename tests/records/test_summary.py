"""The table that `measure` prints: doubts above it, marks after the numbers they concern, and the trade's numbers."""

from __future__ import annotations

from typing import Any

import pytest
from invented_record import invented_record

from bladeangle.records.record import Record, record_from_dict
from bladeangle.records.summary import shorthand, table


def record(*flags: dict[str, Any]) -> Record:
    data = invented_record()
    data["flags"] = [{"photo": None, "blade": None, "station": None} | flag for flag in flags]
    return record_from_dict(data)


def marks(text: str) -> dict[str, list[bool]]:
    """For each line of angles, which of its three numbers is doubted."""
    rows = [line for line in text.splitlines() if line.startswith(("blade ", "mean"))]
    return {row[:8].strip(): [row[8 + 18 * k : 26 + 18 * k].endswith("?") for k in range(3)] for row in rows}


def test_without_doubts_nothing_is_marked_and_the_table_comes_first() -> None:
    text = table(record({"code": "edge-nick", "text": "Left out."}))
    assert text.splitlines()[0].split() == ["entry", "middle", "exit"]
    assert "?" not in text


@pytest.mark.parametrize(
    ("place", "marked"),
    [
        ({"photo": "inlet.jpg"}, {"blade 1": [True] * 3, "blade 2": [True] * 3, "mean": [True] * 3}),
        (
            {"blade": 2, "station": "exit"},
            {"blade 1": [False] * 3, "blade 2": [False, False, True], "mean": [False, False, True]},
        ),
        (
            {"station": "entry"},
            {"blade 1": [True, False, False], "blade 2": [True, False, False], "mean": [True, False, False]},
        ),
    ],
)
def test_a_doubt_stands_above_and_marks_the_numbers_it_concerns(
    place: dict[str, Any], marked: dict[str, list[bool]]
) -> None:
    text = table(record({"code": "blur", "text": "It is so."} | place))
    assert text.startswith("Doubt: It is so")
    assert text.index("Doubt:") < text.index("blade 1")
    found = marks(text)
    assert {row: found[row] for row in marked} == marked
    assert "? doubted, see above" in text


def test_a_doubt_about_numbering_marks_that_and_one_about_scale_the_sizes_too() -> None:
    numbered = table(record({"code": "blade-1-far-from-arrow", "text": "None points there."}))
    assert not any(any(row) for row in marks(numbered).values())
    assert "blade 1?" in numbered
    sized = table(record({"code": "diameter-unusual", "text": "It is 300 mm."}))
    assert all(all(row) for row in marks(sized).values())
    (line,) = [line for line in sized.splitlines() if line.startswith("hub diameter")]
    assert line.endswith("mm?")
    assert "mm?" not in numbered


def test_the_numbers_that_the_trade_talks_in() -> None:
    found = record()
    entry, exit_ = (found.mean(s) for s in ("entry", "exit"))
    hub = found.quantity("hub_diameter_mm")
    assert entry and exit_ and hub
    assert shorthand(found) == f"{entry.angle_deg:.1f} - {exit_.angle_deg:.1f}, hub {hub[0]:.1f} mm"
    lines = dict(line.split(None, 1) for line in table(found).split("\n\n")[-1].splitlines())
    assert lines["rotor"] == f"{found.blade_count} blades, {found.rotor.hand}-hand screw"
    assert lines["thickness"].endswith(" mm")
    inches = table(found, inches=True)
    assert " mm" not in inches and f"hub {hub[0] / 25.4:.2f} in" in inches


def test_a_station_not_seen_has_no_shorthand() -> None:
    data = invented_record(turned=False)
    assert shorthand(record_from_dict(data)) is None
    assert "not seen" in table(record_from_dict(data))
