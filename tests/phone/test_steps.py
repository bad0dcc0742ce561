"""Which photograph comes next, from where, and what is told of one that came."""

from __future__ import annotations

import inspect
import math
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from xml.etree import ElementTree as ET

import pytest

from bladeangle.phone.drawing import drawing
from bladeangle.phone.folder import Picture
from bladeangle.phone.steps import Place, judge, next_photograph, next_sheet, next_side, ring_point, suggested_place
from bladeangle.results import advice


def picture(name: str, tilt_deg: float = 2.0, azimuth_deg: float = 0.0, **more: Any) -> Picture:
    values = {"tilt_deg": tilt_deg, "azimuth_deg": azimuth_deg}
    check = {"values": values, "phone": "Workshop 7", "width": 4032, "height": 3024} | more
    return Picture(name, Path(f"{name}.jpg"), name, check)


def seen(tilt_deg: float = 2.0, lines: Any = (), **more: Any) -> dict[str, Any]:
    """What `check` saw in a good photograph, but for what is given."""
    values = {"markers": 24, "tilt_deg": tilt_deg, "azimuth_deg": 10.0, "rotor_seen": True}
    found = {"sha256": "new", "phone": "Workshop 7", "width": 4032, "height": 3024, "lines": list(lines)}
    return found | {"values": values | more.pop("values", {})} | more


def test_turned_over_comes_first_so_that_the_sides_belong_to_the_last_standing() -> None:
    first = next_photograph([], None, "measure")
    assert first is not None and (first.role, first.place.up, first.place.above) == ("outlet", "outlet", True)
    second = next_photograph([picture("outlet")], None, "measure")
    assert second is not None and (second.role, second.place.up, second.place.above) == ("inlet", "inlet", True)
    third = next_photograph([picture("outlet"), picture("inlet")], None, "measure")
    assert third is not None and (third.role, third.number, third.of, third.needed) == ("around", 1, 3, False)
    assert third.place.up == "inlet"


def test_three_from_the_side_are_120_degrees_apart_and_mixed_in_height() -> None:
    """Two look down at about 40 degrees and one at about 25, from wherever the first was taken."""
    taken: list[dict[str, float]] = []
    places = []
    for _ in range(3):
        place = next_side(taken)
        places.append(place)
        # the hand is some degrees off
        taken.append({"azimuth_deg": (place.azimuth_deg + 13) % 360, "tilt_deg": 90 - place.down_deg + 3})
    assert sorted(p.down_deg for p in places) == [25, 40, 40]
    azimuths = sorted(t["azimuth_deg"] for t in taken)
    gaps = [(b - a) % 360 for a, b in zip(azimuths, [*azimuths[1:], azimuths[0]], strict=True)]
    assert min(gaps) > 95 and max(gaps) < 145


def test_a_place_that_was_taken_by_hand_is_not_asked_for_again() -> None:
    place = next_side([{"azimuth_deg": 0.0, "tilt_deg": 65.0}, {"azimuth_deg": 118.0, "tilt_deg": 50.0}])
    assert (place.azimuth_deg, place.down_deg) == (240.0, 40.0)
    assert next_side([{}]).down_deg == 25.0, "of a photograph copied there by hand nothing is known"


class Told:
    def __init__(self, suggestion: str | None) -> None:
        self.content = SimpleNamespace(suggestion=suggestion)


def test_after_three_the_record_says_what_is_lacking() -> None:
    pictures = [picture(n) for n in ("outlet", "inlet", "around-1", "around-2", "around-3")]
    assert next_photograph(pictures, Told(None), "measure") is None  # type: ignore[arg-type]
    words = (
        "One more photograph from the side of the trailing end of blade 2 (131 degrees counter-clockwise from the "
        "arrow), about 45 degrees down, with the inlet end up, would bring the exit of blade 2 from ±0.20 to ±0.10."
    )
    wanted = next_photograph(pictures, Told(words), "measure")  # type: ignore[arg-type]
    assert wanted is not None and wanted.role == "around"
    assert wanted.place == Place(45.0, 131.0, "inlet")
    assert next_photograph(pictures, Told(words), "shelf") is None  # type: ignore[arg-type]


def test_suggestions_are_understood_as_advice_words_them() -> None:
    """The words of `advice._words` in its source: were they changed, this would fail."""
    source = inspect.getsource(advice._words)
    for words in (
        "from straight above, ", "degrees counter-clockwise from the arrow", "), {down}, ",
        "about {EXPECTED.down_deg:.0f} degrees down",
        "with the outlet end up", "with the inlet end up",
    ):  # fmt: skip
        assert words in source
    assert suggested_place("One more photograph from straight above, with the inlet end up and the light") == Place(90)
    assert suggested_place("One more photograph from straight above, with the outlet end up and the light") is None
    assert suggested_place(None) is None
    assert suggested_place("something else") is None


def test_eight_of_the_bare_ring() -> None:
    sheets = [next_sheet([picture(f"sheet-{k}") for k in range(1, n)]) for n in range(1, 9)]
    assert [s.place.above for s in sheets if s] == [True] * 2 + [False] * 6
    assert sorted(s.place.azimuth_deg for s in sheets[2:] if s) == [0, 60, 120, 180, 240, 300]
    assert all(45 <= s.place.down_deg <= 60 for s in sheets[2:] if s), "tilted by 30 to 45 degrees"
    assert next_sheet([picture(f"sheet-{k}") for k in range(1, 9)]) is None


@pytest.mark.parametrize("azimuth", [0.0, 90.0, 217.0])
def test_azimuth_runs_counter_clockwise_from_the_arrow_at_the_bottom(azimuth: float) -> None:
    """In a drawing y points down: counter-clockwise seen from above is from the bottom to the right, then up."""
    x, y = ring_point(50, azimuth)
    assert math.degrees(math.atan2(x, y)) % 360 == pytest.approx(azimuth)
    assert ring_point(1, 90.0) == pytest.approx((1, 0), abs=1e-12)


def test_drawings_are_whole_and_say_in_words_what_they_show() -> None:
    for wanted in (
        next_photograph([], None, "measure"), next_photograph([picture("outlet"), picture("inlet")], None, "measure"),
        next_sheet([]), next_sheet([picture("sheet-1"), picture("sheet-2")]),
    ):  # fmt: skip
        assert wanted is not None
        svg = ET.fromstring(str(drawing(wanted)))
        assert wanted.heading in svg.attrib["aria-label"] and wanted.words[0] in svg.attrib["aria-label"]
        phones = [e for e in svg.iter() if e.attrib.get("class") == "phone"]
        assert len(phones) == (1 if wanted.place.above else 2)
        assert not [e for e in svg.iter() if "style" in e.attrib or "href" in e.attrib], "the page's policy forbids it"


# --- what was seen ----------------------------------------------------------------------------------------------------

RETAKE = {"what": "sharpness", "verdict": "retake", "seen": "edges blurred by 9.0 px", "advice": "Wipe the lens."}
USABLE = {"what": "light", "verdict": "usable", "seen": "darkest paper at 40 %", "advice": "Avoid a hard shadow."}
#: `check` does not know what was asked for; its line about the place is not passed on.
PLACE = {"what": "place", "verdict": "usable", "seen": "oblique", "advice": "Hold the phone higher."}


@pytest.mark.parametrize(
    ("role", "tilt_deg", "verdict"),
    [
        ("inlet", 2, "good"), ("inlet", 8, "usable"), ("inlet", 12, "retake"), ("outlet", 50, "retake"),
        ("around", 50, "good"), ("around", 65, "good"), ("around", 75, "retake"), ("around", 20, "retake"),
        ("around", 3, "good"),
    ],
)  # fmt: skip
def test_the_place_is_judged_by_what_was_asked_for(role: str, tilt_deg: float, verdict: str) -> None:
    judged = judge(seen(tilt_deg, [PLACE]), role, [])
    assert judged.verdict == verdict
    assert "Hold the phone higher." not in judged.sentences
    assert bool(judged.sentences) == (verdict != "good")


def test_a_low_photograph_is_told_to_be_higher_and_a_high_one_lower() -> None:
    assert "higher" in judge(seen(75), "around", []).sentences[0]
    assert "lower" in judge(seen(20), "around", []).sentences[0]


def test_what_is_to_be_taken_again_comes_first_and_may_be_used_anyway() -> None:
    judged = judge(seen(2, [USABLE, RETAKE]), "inlet", [])
    assert judged.verdict == "retake" and judged.usable_anyway
    assert judged.sentences == (
        "Wipe the lens. Sharpness: edges blurred by 9.0 px.", "Avoid a hard shadow. Light: darkest paper at 40 %.",
    )  # fmt: skip
    judged = judge(seen(2, [USABLE]), "inlet", [])
    assert judged.verdict == "usable" and len(judged.sentences) == 1


def test_without_a_ring_nothing_else_is_told_and_it_cannot_be_used() -> None:
    line = {"what": "ring", "verdict": "retake", "seen": "no markers found", "advice": "Step back."}
    judged = judge(
        {"sha256": "new", "phone": "", "width": 1, "height": 1, "lines": [line], "values": {"markers": 0}}, "inlet", []
    )
    assert (judged.verdict, judged.usable_anyway) == ("retake", False)
    assert judged.sentences == ("Step back. Ring: no markers found.",)


def test_the_bare_ring_is_bare_and_the_rotor_is_there() -> None:
    assert judge(seen(2), "sheet", []).verdict == "retake"
    assert judge(seen(2, values={"rotor_seen": False}), "sheet", []).verdict == "good"
    assert judge(seen(2, values={"rotor_seen": False}), "inlet", []).verdict == "retake"
    assert judge(seen(60, values={"rotor_seen": False}), "sheet", []).verdict == "retake"


@pytest.mark.parametrize("change", [{"phone": "Other 3"}, {"width": 3024}])
def test_another_phone_or_size_among_the_photographs_is_told(change: dict[str, Any]) -> None:
    judged = judge(seen(50, **change), "around", [picture("inlet")])
    assert (judged.verdict, judged.usable_anyway) == ("retake", False)
    assert "another phone" in judged.sentences[0]
    assert judge(seen(50), "around", [picture("inlet")]).verdict == "good"


def test_the_same_photograph_twice_is_told() -> None:
    assert "here already" in judge(seen(2, sha256="outlet"), "inlet", [picture("outlet")]).sentences[0]
