"""Order files, orders from records, and the shop's sheet."""

from __future__ import annotations

import html.parser
import math
import re
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st
from invented_record import agreeing, invented_record

from bladeangle.base.errors import DefinitionError, PhotoError, UsageError
from bladeangle.cli.main import main
from bladeangle.cli.order import order as order_command
from bladeangle.records.record import Record, record_from_dict, write_record
from bladeangle.shop import ordering, orders

RECORD = record_from_dict({**invented_record(), "flags": []})
WRITTEN_BY_HAND = """
[order]
name = "Heron"
date = 2026-11-25
[rotor]
hand = "left"
blade_count = 3
hub_diameter_mm = 74
[stations.exit]
angle_deg = 14
tolerance_deg = 0.4
[spread]
tolerance_deg = 0.5
[decision]
rule = "guard"
false_accept_probability = 0.05
"""


def test_an_order_written_by_hand() -> None:
    order = orders.order_from_toml(WRITTEN_BY_HAND)
    assert order.stations == {"exit": orders.StationOrder(14, 0.4)}
    assert (order.name, order.date, order.hand, order.hub_diameter_mm) == ("Heron", "2026-11-25", "left", 74)
    assert (order.rule, order.false_accept_probability, order.spread_tolerance_deg) == ("guard", 0.05, 0.5)
    assert orders.order_from_toml(orders.order_to_toml(order)) == order


@pytest.mark.parametrize(
    ("old", "new", "message", "hint"),
    [
        ("angle_deg", "angel_deg", "unknown key 'angel_deg'", "'angle_deg'"),
        ("[stations.exit]", "[stations.outlet]", "unknown key 'outlet'", "exit"),
        ("[spread]", "[spreads]", "unknown key 'spreads'", "'spread'"),
        ("hub_diameter_mm", "hub_mm", "unknown key 'hub_mm'", "'hub_diameter_mm'"),
        ("angle_deg = 14\n", "", "stations.exit.angle_deg is missing", ""),
        ("angle_deg = 14", "angle_deg = nan", "angle_deg must be a number", ""),
        ("angle_deg = 14", "angle_deg = inf", "angle_deg must be a number", ""),
        ("angle_deg = 14", "angle_deg = true", "angle_deg must be a number", ""),
        ("angle_deg = 14", 'angle_deg = "14"', "angle_deg must be a number", ""),
        ("angle_deg = 14", "angle_deg = 1e300", "angle_deg must be a number", ""),
        ("angle_deg = 14", "angle_deg = -3", "angle_deg must be a number", ""),
        ("tolerance_deg = 0.4", "tolerance_deg = 0", "tolerance_deg must be a number", ""),
        ("blade_count = 3", "blade_count = 3.0", "blade_count must be a whole number", ""),
        ("blade_count = 3", "blade_count = 900", "blade_count must be a whole number", ""),
        ('"left"', '"sinister"', "rotor.hand must be one of", ""),
        ('"guard"', '"guess"', "decision.rule must be one of", ""),
        ("0.05", "0.9", "false_accept_probability must be", ""),
        ("[stations.exit]\nangle_deg = 14\ntolerance_deg = 0.4\n", "", "has no station", ""),
        ('[order]\nname = "Heron"\ndate = 2026-11-25', "order = 3", "must be a section", ""),
        ("date = 2026-11-25", "date = 17", "order.date must be", ""),
        ('name = "Heron"', "name = 3", "order.name must be", ""),
        ("[order]", "[order", "not valid TOML", ""),
    ],
)
def test_wrong_orders_are_refused_by_name(old: str, new: str, message: str, hint: str) -> None:
    assert old in WRITTEN_BY_HAND
    with pytest.raises(DefinitionError, match=message) as caught:
        orders.order_from_toml(WRITTEN_BY_HAND.replace(old, new))
    assert caught.value.exit_code == 4 and hint in caught.value.hint and "\n" not in caught.value.message


def test_wrong_files_are_refused(tmp_path: Path) -> None:
    with pytest.raises(DefinitionError, match="does not exist"):
        orders.read_order(tmp_path / "none.toml")
    with pytest.raises(DefinitionError, match="not a regular file"):
        orders.read_order(tmp_path)
    path = tmp_path / "o.toml"
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(DefinitionError, match="UTF-8"):
        orders.read_order(path)
    path.write_bytes(b"#" * 100_001)
    with pytest.raises(DefinitionError, match="larger than 100 kB"):
        orders.read_order(path)
    path.write_bytes(b"a = " + b"[" * 50_000)
    with pytest.raises(DefinitionError, match="not valid TOML"):
        orders.read_order(path)
    path.write_text(WRITTEN_BY_HAND)
    assert orders.read_order(path).name == "Heron"


def test_order_from_a_record() -> None:
    order = ordering.order_from_record(RECORD, {"entry": -1.0}, tolerance_deg=0.3)
    assert order.stations == {
        "entry": orders.StationOrder(8.5, 0.3, 9.5),
        "exit": orders.StationOrder(14.5, 0.3, 14.5),
    }
    assert (order.blade_count, order.hand, order.tip_diameter_mm, order.hub_diameter_mm) == (3, "left", 156.0, 74.0)
    assert order.spread_tolerance_deg == 0.3 and order.thickness_mm == 2.4
    with_middle = ordering.order_from_record(RECORD, {"middle": 0.5}, spread_tolerance_deg=0.2)
    assert list(with_middle.stations) == ["entry", "middle", "exit"] and with_middle.spread_tolerance_deg == 0.2


def test_a_change_of_what_was_not_seen_is_refused() -> None:
    unseen = record_from_dict({**invented_record(turned=False), "flags": []})
    assert list(ordering.order_from_record(unseen, {"entry": -1}).stations) == ["entry"]
    with pytest.raises(UsageError, match="no exit angle"):
        ordering.order_from_record(unseen, {"exit": 1})
    with pytest.raises(UsageError, match="not a station"):
        ordering.order_from_record(RECORD, {"tip": 1})
    with pytest.raises(UsageError, match="number of degrees"):
        ordering.order_from_record(RECORD, {"entry": math.nan})


def test_a_change_that_looks_like_an_angle_is_refused_and_angles_can_be_given() -> None:
    with pytest.raises(UsageError, match="looks like the wanted angle") as caught:
        ordering.order_from_record(RECORD, {"exit": 16.0})
    assert "--exit-to 16" in caught.value.hint
    order = ordering.order_from_record(RECORD, {}, angles={"exit": 16.0})
    assert order.stations["exit"] == orders.StationOrder(16.0, 0.5, 14.5)
    with pytest.raises(UsageError, match="more than any re-pitch changes") as caught:
        ordering.order_from_record(RECORD, {}, angles={"exit": 1.0})
    assert "--exit 1" in caught.value.hint
    with pytest.raises(UsageError, match="ordered twice"):
        ordering.order_from_record(RECORD, {"exit": 1.0}, angles={"exit": 15.0})


def doubted(**place: Any) -> Record:
    data = invented_record()
    data["flags"] = [{"code": "blur", "text": "Soft.", "photo": None, "blade": None, "station": None} | place]
    return record_from_dict(data)


def test_an_order_is_not_made_from_a_doubted_record_without_saying_so() -> None:
    for place in ({"photo": "inlet.jpg"}, {"blade": 2, "station": "exit"}):
        with pytest.raises(UsageError, match="open doubts: blur") as caught:
            ordering.order_from_record(doubted(**place), {"exit": 1.0})
        assert "--despite blur" in caught.value.hint
    order = ordering.order_from_record(doubted(), {"exit": 1.0}, despite=["blur"])
    assert order.accepted_doubts == ("blur",)
    assert orders.order_from_toml(orders.order_to_toml(order)) == order
    # a doubt about what is not ordered does not matter
    assert ordering.order_from_record(doubted(station="middle"), {"exit": 1.0}).accepted_doubts == ()


def test_a_tolerance_that_the_measurement_cannot_decide_is_warned_about() -> None:
    """ISO 14253-1 accepts within the tolerance less the expanded uncertainty: nothing where that is the larger."""
    exits = [RECORD.station(b, "exit") for b in (1, 2, 3)]
    worst = max(station.expanded_uncertainty_deg for station in exits if station is not None)
    fine, coarse = (
        ordering.order_from_record(RECORD, {}, angles={"exit": 15.0}, tolerance_deg=t) for t in (worst - 0.01, 5.0)
    )
    assert any("at the exit" in line for line in ordering.too_fine(RECORD, fine))
    assert ordering.too_fine(RECORD, coarse) == []


def exits(u_deg: tuple[float, float, float], dof: float | None = None, k: float = 1.96, mean: float = 14.5) -> Record:
    """A record whose exits have these standard uncertainties on the three blades, all with the same mean."""
    data = invented_record() | {"flags": []}
    labels = data["covariance"]["labels"]
    variances = [u_deg[int(label[0]) - 1] ** 2 if label.endswith("exit") else 0.01 for label in labels]
    data["covariance"]["matrix_deg2"] = np.diag(variances).tolist()
    for blade in data["blades"]:
        blade["stations"]["exit"] |= {"angle_deg": mean, "coverage_factor": k, "dof": dof}
    return record_from_dict(agreeing(data))


def test_the_least_certain_blade_says_which_tolerance_is_too_fine() -> None:
    """1.96 x 0.1 deg = 0.196 deg of the third blade; with four degrees of freedom 2.776 x 0.03 deg = 0.083 deg."""
    for record, coarse, fine in (
        (exits((0.02, 0.05, 0.1)), 0.2, 0.19),
        (exits((0.1, 0.02, 0.05)), 0.2, 0.19),
        (exits((0.03, 0.03, 0.03), dof=4.0, k=2.776), 0.085, 0.08),
    ):
        made = [ordering.order_from_record(record, {}, tolerance_deg=t) for t in (coarse, fine)]
        told = [[line for line in ordering.too_fine(record, order) if "at the exit" in line] for order in made]
        assert [len(lines) for lines in told] == [0, 1]


def test_no_angle_below_nothing_is_ordered() -> None:
    with pytest.raises(UsageError, match="would make the exit -2 degrees"):
        ordering.order_from_record(exits((0.1, 0.1, 0.1), mean=3.0), {"exit": -5.0})
    assert ordering.order_from_record(exits((0.1, 0.1, 0.1), mean=3.0), {"exit": -2.0}).stations["exit"].angle_deg == 1


def test_an_order_of_blades_that_may_be_misnumbered_needs_its_doubt_named() -> None:
    """Which blade is which concerns every station of the order, also where the doubt names another."""
    for place in ({}, {"station": "middle"}):
        data = invented_record()
        flag = {"code": "blade-1-far-from-arrow", "text": "Far.", "photo": None, "blade": None, "station": None} | place
        record = record_from_dict(data | {"flags": [flag]})
        with pytest.raises(UsageError, match="open doubts: blade-1-far-from-arrow"):
            ordering.order_from_record(record, {"exit": 1.0})
        order = ordering.order_from_record(record, {"exit": 1.0}, despite=["blade-1-far-from-arrow"])
        assert order.accepted_doubts == ("blade-1-far-from-arrow",)


FIRST_VERSION = """
[stations.exit]
angle_deg = 14.0
tolerance_deg = 0.4
change_deg = -1.0
"""


def test_the_first_version_is_read_and_its_contradictions_are_named() -> None:
    order = orders.order_from_toml(FIRST_VERSION)
    assert order.stations["exit"] == orders.StationOrder(14.0, 0.4, 15.0)
    assert order.stations["exit"].change_deg == -1.0
    written = orders.order_to_toml(order)
    assert "change_deg" not in written and orders.order_from_toml(written) == order
    for text, says in (
        (FIRST_VERSION + "measured_deg = 15.5\n", "contradicts itself at the exit"),
        (FIRST_VERSION.replace("-1.0", "true"), "change_deg must be a number above -20"),
        (FIRST_VERSION.replace("-1.0", "14.0"), "measured_deg must be a number above 0"),
        (FIRST_VERSION.replace("-1.0", "-12.0"), "no re-pitch changes an angle by so much"),
        ('schema = "bladeangle-order/2"\n' + FIRST_VERSION, "states the exit twice"),
        ('schema = "bladeangle-order/9"\n' + FIRST_VERSION, "'bladeangle-order/9', which is not one of"),
        (FIRST_VERSION + "[rotor]\nhub_diameter_mm = 160\ntip_diameter_mm = 155\n", "hub is as wide"),
    ):
        with pytest.raises(DefinitionError, match=says) as caught:
            orders.order_from_toml(text, "The order file 'x.toml'")
        assert "x.toml" in caught.value.message


@settings(max_examples=60, deadline=None)
@given(
    name=st.text(max_size=30),
    notes=st.text(max_size=60),
    angle=st.floats(8.1, 77),
    tolerance=st.floats(1e-6, 20),
    change=st.none() | st.floats(-7.9, 7.9),
)
def test_every_order_survives_the_round_trip(
    name: str, notes: str, angle: float, tolerance: float, change: float | None
) -> None:
    measured = None if change is None else angle - change
    order = orders.Order(name, {"entry": orders.StationOrder(angle, tolerance, measured)}, notes=notes, hand="right")
    assert orders.order_from_toml(orders.order_to_toml(order)) == order


def one_sentence(error: DefinitionError) -> None:
    assert error.message and "\n" not in error.message


@settings(max_examples=60, deadline=None)
@given(text=st.text(max_size=60) | st.tuples(st.integers(0, 300), st.text(max_size=3)))
def test_junk_is_an_order_or_a_definition_error(text: str | tuple[int, str]) -> None:
    if isinstance(text, tuple):
        at, junk = text
        text = WRITTEN_BY_HAND[:at] + junk + WRITTEN_BY_HAND[at:]
    try:
        orders.order_from_toml(text)
    except DefinitionError as error:
        one_sentence(error)


def test_lone_surrogates_in_a_name_can_be_written() -> None:
    order = orders.Order("a\udcffb", {"exit": orders.StationOrder(14.0, 0.4)})
    assert tomllib.loads(orders.order_to_toml(order))["order"]["name"] == "a\\udcffb"


def test_pitch_of_threads_by_their_lead_angle() -> None:
    """Machinery's Handbook 27, Acme table 3: lead angle at the pitch diameter d - P/2, to whole minutes."""
    for diameter_in, per_inch, degrees, minutes in [(0.25, 16, 5, 12), (0.5, 10, 4, 3), (0.75, 6, 4, 33)]:
        pitch = 25.4 / per_inch
        found = orders.pitch_mm(degrees + minutes / 60, diameter_in * 25.4 - pitch / 2)
        assert found == pytest.approx(pitch, rel=0.5 / 60 / math.sin(math.radians(2 * degrees)) * 2 * math.pi / 180)


class Page(html.parser.HTMLParser):
    """Collects tags and text, and insists that the tags are closed in order."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.seen: list[str] = []
        self.words: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append(tag)
        if tag not in ("meta", "img"):
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words.append(data)


def test_the_sheet_has_measured_and_wanted_in_degrees_and_mm() -> None:
    order = ordering.order_from_record(RECORD, {"entry": -1.0}, tolerance_deg=0.3)
    page = Page()
    text = orders.order_sheet(RECORD, order, b"\x89PNG\r\n\x1a\n....")
    page.feed(text)
    assert page.open == []
    words = " ".join(page.words)
    assert "Entry: wanted 8.50° ± 0.30°" in words and "9.30" in words and "-0.80" in words
    # Blade 1's entry: pi x 156 mm x tan(9.3 deg) = 80.3 mm, wanted pi x 156 mm x tan(8.5 deg) = 73.2 mm.
    assert "80.3" in words and "73.2" in words
    assert "pitch 73.2 mm, 70.6 to 75.9 mm" in words  # of 8.2 and 8.8 deg
    assert page.seen.count("img") == 1 and "http" not in text
    assert len(re.findall("<table>", text)) == 3 and "Never run the engine" in words


def test_the_sheet_has_no_minus_before_nothing() -> None:
    measured = RECORD.station(1, "entry")
    assert measured is not None
    order = orders.Order("x", {"entry": orders.StationOrder(measured.angle_deg - 0.004, 0.3)})
    page = Page()
    page.feed(orders.order_sheet(RECORD, order))
    assert "+0.00" in page.words
    assert "-0.00" not in page.words


def test_the_sheet_escapes_everything_and_says_what_was_not_seen() -> None:
    data: dict[str, Any] = invented_record(turned=False, name="<script>alert(1)</script>") | {"flags": []}
    record = record_from_dict(data)
    order = ordering.order_from_record(record, {}, notes="<b>\"&'</b>")
    order = orders.Order(order.name, {"exit": orders.StationOrder(14.5, 0.4)}, notes=order.notes, date="<i>")
    text = orders.order_sheet(record, order)
    page = Page()
    page.feed(text)
    assert "script" not in page.seen and "b" not in page.seen and "i" not in page.seen
    assert "&lt;script&gt;" in text and "not seen" in text
    with pytest.raises(UsageError, match="neither PNG nor JPEG"):
        orders.order_sheet(record, order, b"<svg>")


def test_the_command(tmp_path: Path) -> None:
    write_record(RECORD, tmp_path / "r.json")
    (tmp_path / "p.png").write_bytes(b"\x89PNG\r\n\x1a\nxyz")
    arguments = [
        tmp_path / "r.json",
        "--entry",
        "-1",
        "--exit",
        "+0.5",
        "--tolerance",
        "0.3",
        "--out",
        tmp_path / "o.toml",
    ]
    arguments += ["--sheet", tmp_path / "o.html", "--picture", tmp_path / "p.png", "--date", "2026-11-25"]
    result = CliRunner().invoke(order_command, [str(a) for a in arguments], catch_exceptions=False)
    assert result.exit_code == 0
    order = orders.read_order(tmp_path / "o.toml")
    assert order.stations["exit"] == orders.StationOrder(15.0, 0.3, 14.5) and order.date == "2026-11-25"
    assert "data:image/png;base64," in (tmp_path / "o.html").read_text(encoding="utf-8")
    assert "entry " in result.stdout and "Wrote" in result.stderr
    with pytest.raises(PhotoError, match="does not exist"):
        CliRunner().invoke(
            order_command, [str(a) for a in arguments[:-3]] + [str(tmp_path / "none.png")], catch_exceptions=False
        )
    with pytest.raises(UsageError, match="without a web page"):
        CliRunner().invoke(
            order_command,
            [str(tmp_path / "r.json"), "--out", str(tmp_path / "x.toml"), "--picture", str(tmp_path / "p.png")],
            catch_exceptions=False,
        )
    assert not (tmp_path / "x.toml").exists()


def test_the_command_takes_angles_decimal_commas_and_says_what_is_too_fine(tmp_path: Path) -> None:
    write_record(RECORD, tmp_path / "r.json")
    write_record(doubted(), tmp_path / "d.json")

    def run(*words: str) -> Any:
        return CliRunner().invoke(main, ["order", *words, "--out", str(tmp_path / "o.toml")])

    ordered = run(str(tmp_path / "r.json"), "--exit", "0,5", "--entry-to", "9,25", "--tolerance", "0,01")
    assert ordered.exit_code == 0, ordered.stderr
    order = orders.read_order(tmp_path / "o.toml")
    assert (order.stations["exit"].angle_deg, order.stations["entry"].angle_deg) == (15.0, 9.25)
    assert order.stations["entry"].tolerance_deg == 0.01
    assert ordered.stderr.count("Warning: The tolerance of 0.01 deg") == 2
    # the order before is kept when it is replaced, and a refused one leaves it alone
    before = (tmp_path / "o.toml").read_bytes()
    replaced = run(str(tmp_path / "r.json"), "--exit", "1")
    assert "Replaced" in replaced.stderr and (tmp_path / "o.toml~").read_bytes() == before
    now = (tmp_path / "o.toml").read_bytes()
    refusals = [
        ([str(tmp_path / "d.json")], "open doubts"),
        ([str(tmp_path / "r.json"), "--exit", "16"], "looks like"),
    ]
    for words, says in refusals:
        refused = run(*words)
        assert refused.exit_code == 2 and says in refused.stderr
    assert (tmp_path / "o.toml").read_bytes() == now
    assert run(str(tmp_path / "d.json"), "--despite", "blur").exit_code == 0
    for number in ("1,2,3", "1.000,5", "nan", "half"):
        assert run(str(tmp_path / "r.json"), "--exit", number).exit_code == 2
