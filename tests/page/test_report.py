"""The report: everything of the record is in it, nothing of the record can break it, and nothing is fetched."""

from __future__ import annotations

import base64
import hashlib
import re
import shlex
import xml.etree.ElementTree as ET
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from invented_record import content_of, invented_record, with_tips, write_photos

from bladeangle.base.budget import STATIONS
from bladeangle.base.errors import OutputError, PhotoError
from bladeangle.page.charts import (
    angle_charts,
    budget_chart,
    camera_places,
    sources_by_size,
    station_ranges,
    unrolled_charts,
)
from bladeangle.page.report import find_photos, report_html, write_correction_page, write_plot, write_report
from bladeangle.page.svg import el, ticks
from bladeangle.page.templates import decimals
from bladeangle.page.tip_chart import tip_charts
from bladeangle.records.edits import edits_from_dict
from bladeangle.records.record import record_from_dict, write_record

VOID = {"meta", "br", "img", "input", "link", "hr"}


class Page(HTMLParser):
    """Checks that elements are closed in order and keeps what the tests ask for."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.feed(html)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] not in ("script", "style"):
            self.words.append(data)

    @property
    def text(self) -> str:
        return re.sub(r"\s+", " ", "".join(self.words))


def test_page_is_well_formed_with_headings_in_order_and_unique_ids() -> None:
    page = Page(report_html([content_of(invented_record()), content_of(invented_record(turned=False, name="second"))]))
    assert page.tags[0] == ("html", {"lang": "en"})
    levels = [int(tag[1]) for tag, _ in page.tags if re.fullmatch(r"h[1-6]", tag)]
    assert levels[0] == 1 and levels.count(1) == 1
    assert max(np.diff(levels)) <= 1
    ids = [a["id"] for _, a in page.tags if "id" in a]
    assert len(ids) == len(set(ids)) and len(ids) >= 5
    for _, a in page.tags:
        for key in ("aria-labelledby", "href"):
            if (a.get(key) or "").startswith("#") or key == "aria-labelledby" in a:
                assert str(a[key]).lstrip("#") in ids


def test_every_angle_and_reason_stands_in_the_page() -> None:
    record = invented_record(turned=False)
    text = Page(report_html([content_of(record)])).text
    for blade in record["blades"]:
        for s in ("entry", "middle"):
            found = blade["stations"][s]
            assert f"{found['angle_deg']:.2f} ± {found['expanded_uncertainty_deg']:.2f}°" in text
    assert text.count("not seen: hidden under the next blade") == 3
    assert record["flags"][0]["text"] in text and "photograph inlet.png, blade 2, middle" in text
    assert "Move the lamp" in text  # what to do about the flag, from the registry
    assert record["suggestion"] in text
    for row in record["budget"]:
        assert row["line"] in text
    for caution in ("Blade edges cut", "engine off", "maker's manual"):
        assert caution in text


def test_nothing_is_fetched_and_the_script_is_the_one_the_policy_allows(tmp_path: Path) -> None:
    record = invented_record(oblique=0)
    write_photos(record, tmp_path)
    html = report_html([content_of(record)], tmp_path)
    page = Page(html)
    for tag, a in page.tags:
        for key in ("src", "href", "action", "data", "poster", "srcset"):
            assert key not in a or str(a[key]).startswith(("data:image/jpeg;base64,", "#")), (tag, key)
    assert "@import" not in html and "url(" not in html
    policy = next(a["content"] for t, a in page.tags if t == "meta" and a.get("http-equiv"))
    script = re.search(r"<script>(.*?)</script>", html, re.DOTALL)
    assert script and policy
    digest = base64.b64encode(hashlib.sha256(script[1].encode()).digest()).decode()
    assert f"script-src 'sha256-{digest}'" in policy and "default-src 'none'" in policy
    assert html.count("<image ") == 2
    for uri in re.findall(r'href="data:image/jpeg;base64,([^"]+)"', html):
        assert base64.b64decode(uri)[:3] == b"\xff\xd8\xff"


HOSTILE = """"><script>alert(1)</script><img src=x onerror=alert(2)>&amp;'{{ 7*7 }}\u2028"""


def test_everything_from_the_record_is_escaped() -> None:
    record = invented_record(name=HOSTILE)
    record["flags"][0]["text"] = record["suggestion"] = record["camera"]["name"] = record["ring"]["name"] = HOSTILE
    record["photos"][0]["name"] = record["flags"][0]["photo"] = record["budget"][0]["line"] = HOSTILE
    record["blades"][0]["not_seen"] = {"exit": HOSTILE}
    record["blades"][0]["stations"]["exit"] = None
    record["options"] = {"tips": HOSTILE}
    record["software"] = {HOSTILE: HOSTILE}
    page = Page(report_html([content_of(record)] * 2))
    assert [t for t, _ in page.tags].count("script") == 1
    assert "img" not in [t for t, _ in page.tags]
    assert not any(key.startswith("on") for _, a in page.tags for key in a)
    assert page.text.count("<script>alert(1)</script>") >= 10
    assert "{{ 7*7 }}" in page.text


def test_records_with_little_in_them_are_reported() -> None:
    record = invented_record(blade_count=2, oblique=0, turned=False)
    record["budget"], record["flags"], record["suggestion"], record["photos"] = [], [], None, []
    for key in ("hub_diameter_mm", "tip_thickness_mm", "axial_length_mm"):
        record["rotor"][key] = None
    for blade in record["blades"]:
        blade["curve"], blade["tip_length_mm"], blade["wrap_deg"] = None, None, None
        blade["stations"] = dict.fromkeys(STATIONS)
    record["rotor"]["stations"] = dict.fromkeys(STATIONS)
    text = Page(report_html([content_of(record)] * 2)).text
    for words in ("The record has no budget", "The record has no curves", "not known", "None.", "not seen"):
        assert words in text


def test_limits_of_an_order_are_drawn_and_written() -> None:
    html = report_html([content_of(invented_record())], limits={"entry": (9.0, 10.0)})
    text = Page(html).text
    assert "ordered 9.00 to 10.00" in text and "not ordered" in text
    assert html.count('class="limits"') == 1
    assert 'class="limits"' not in report_html([content_of(invented_record())])


def test_marks_of_the_angle_chart_lie_in_proportion_to_the_angles() -> None:
    record = invented_record(blade_count=4)
    chart = ET.fromstring(str(angle_charts(content_of(record))[0]))
    heights = [float(e.attrib["cy"]) for e in chart.iter("circle")]
    angles = [b["stations"]["entry"]["angle_deg"] for b in record["blades"]]
    assert len(heights) == 4
    slope = np.polyfit(angles, heights, 1)
    assert slope[0] < -20  # steeper is higher up
    np.testing.assert_allclose(np.polyval(slope, angles), heights, atol=0.02)


def test_unrolled_tip_draws_curve_stations_and_measured_points() -> None:
    record = invented_record()
    record["blades"][0]["points"] = {"arc_mm": [5.0, 50.0, 90.0], "height_mm": [59.0, 50.0, 40.0], "kept": [1, 0, 1]}
    charts = unrolled_charts(content_of(record))
    assert len(charts) == 3
    first, second = (ET.fromstring(str(c)) for c in charts[:2])
    assert [e.attrib["class"] for e in first.iter("circle")] == ["point", "point struck", "point"]
    assert not list(second.iter("circle"))
    zones = [e for e in first.iter("rect") if e.attrib["class"].startswith("zone")]
    assert len(zones) == 6
    widths = [float(e.attrib["width"]) for e in zones[:2]]
    assert widths[0] == widths[1] == pytest.approx(32 * 366 / 190, abs=0.01)
    assert station_ranges(content_of(record), 190.0)["exit"] == (156.0, 188.0)
    for blade in record["blades"]:
        blade["tip_length_mm"]["value"] = 40.0
    short = ET.fromstring(str(unrolled_charts(content_of(record))[0]))
    assert min(float(e.attrib["width"]) for e in short.iter("rect")) > 0
    record["options"] = {"stations": {"length_mm": 20.0, "skip_mm": 1.0}}
    assert station_ranges(content_of(record), 190.0)["exit"] == (169.0, 189.0)


def test_the_tip_chart_draws_wear_to_scale_with_its_band() -> None:
    """0.25 mm of wear, exp(-arc / 15): the curve rises by 0.25 (exp(-2/15) - exp(-42/15)) mm from 2 to 42 mm."""
    record = record_from_dict(with_tips(invented_record(), 0.25, bore_mm=156.6)).content
    charts = [ET.fromstring(str(c)) for c in tip_charts(record)]
    assert len(charts) == 3 and tip_charts(record_from_dict(invented_record()).content) == []
    one = charts[0]
    places = {e.get("class"): e for e in one.iter() if e.get("class")}
    curve, band = (
        np.array(re.findall(r"([-\d.]+) ([-\d.]+)", str(places[k].get("d"))), float) for k in ("curve", "band")
    )
    zero, bore = float(str(places["zero"].get("y1"))), float(str(places["limit"].get("y1")))
    px_per_mm = (zero - bore) / 0.3  # the bore is 0.3 mm over the middle of the tips
    wear = 0.25 * (np.exp(-2 / 15) - np.exp(-42 / 15))
    assert curve[0, 1] - curve[10, 1] == pytest.approx(wear * px_per_mm, abs=0.3)
    assert band[-1, 1] - band[0, 1] == pytest.approx(4 * 0.03 * px_per_mm, abs=0.3)
    words = " ".join(e.text or "" for e in one.iter())
    assert "wear 0.25\xa0±0.10" in words and "wear not\xa0seen" in words


def test_every_length_of_the_page_is_in_inches_where_asked_for(tmp_path: Path) -> None:
    """An inch is 25.4 mm exactly: the curves are where they were, the ticks at round inches."""
    data = with_tips(invented_record(), 0.254, bore_mm=157.0)
    data["flags"] = []  # their words are the record's, in mm
    record = content_of(data)
    shown = Page(report_html([record], inches=True)).text
    assert not re.findall(r"[^.;]* mm\b[^.;]*", shown)
    assert "height, in" in shown and "radius, in" in shown and "expanded uncertainty, in" in shown
    assert "0.010 ±0.004" in shown
    for charts in (unrolled_charts, tip_charts):
        mm, inch = (ET.fromstring(str(charts(record, inches)[0])) for inches in (False, True))
        curves = [[e.get("d") for e in chart.iter("path")] for chart in (mm, inch)]
        assert curves[0] == curves[1] and len(curves[0]) >= 2
        places = {}
        for chart, label in ((mm, "50"), (inch, "2")):
            row = [e for e in chart.iter("text") if e.get("text-anchor") == "middle" and (e.text or "")[0].isdigit()]
            places[label] = {e.text: float(str(e.get("x"))) for e in row}
        zero = places["50"]["0"]
        assert places["2"]["0"] == zero
        assert (places["2"]["2"] - zero) / (places["50"]["50"] - zero) == pytest.approx(50.8 / 50, abs=1e-3)
    write_plot(tmp_path / "p.svg", record, inches=True)
    words = "".join(ET.parse(tmp_path / "p.svg").getroot().itertext())
    assert "height, in" in words and "leading edge, in" in words and "mm" not in words


def test_wear_and_clearance_stand_in_the_page() -> None:
    page = Page(report_html([content_of(with_tips(invented_record(), 0.25, bore_mm=157.0))]))
    assert "Smallest clearance" in page.text and "0.50\xa0±0.08" in page.text.replace(" ", "\xa0")
    assert "a few tenths of a millimetre, and more costs thrust" in page.text
    assert "Smallest clearance" not in Page(report_html([content_of(with_tips(invented_record()))])).text
    assert "Wear and clearance" not in Page(report_html([content_of(invented_record())])).text


def test_camera_places_are_where_the_invented_camera_stood() -> None:
    places = camera_places(content_of(invented_record(oblique=1)))
    # Set by the invented record: overhead at (3, -4, 300), the oblique one 260 mm out at 0.4 rad, 230 mm up.
    assert (places[0].x_mm, places[0].y_mm, places[0].z_mm) == pytest.approx((3, -4, 300))
    assert places[2].azimuth_deg == pytest.approx(np.degrees(0.4))
    assert places[2].elevation_deg == pytest.approx(np.degrees(np.arctan2(230, 260)))
    assert places[2].distance_mm == pytest.approx(np.hypot(230, 260))


def test_photographs_are_found_by_name_and_contents(tmp_path: Path) -> None:
    record = invented_record(oblique=0)
    (tmp_path / "a" / "nothing").mkdir(parents=True)
    (tmp_path / "b").mkdir()
    paths = write_photos(record, tmp_path / "b")
    (tmp_path / "a" / "inlet.png").write_bytes(b"another rotor's photograph of that name")
    assert find_photos(content_of(record), tmp_path) == paths
    paths[0].write_bytes(paths[0].read_bytes() + b"\0")
    with pytest.raises(PhotoError, match="other contents"):
        find_photos(content_of(record), tmp_path)
    with pytest.raises(PhotoError, match=r"'inlet\.png' that was measured is not in"):
        find_photos(content_of(record), tmp_path / "a" / "nothing")
    with pytest.raises(PhotoError, match="is not a folder"):
        write_report(tmp_path / "out.html", [content_of(record)], tmp_path / "none")
    assert not (tmp_path / "out.html").exists()


def test_plots_are_written_in_both_forms(tmp_path: Path) -> None:
    record = invented_record(name="price $5 of $x_2$ & <b>")
    write_plot(tmp_path / "p.png", content_of(record))
    assert (tmp_path / "p.png").read_bytes()[:4] == b"\x89PNG"
    write_plot(tmp_path / "p.svg", content_of(record))
    text = "".join(ET.parse(tmp_path / "p.svg").getroot().itertext())
    for words in ("blade 3", "height, mm", "angle, degrees", "price $5 of $x_2$ & <b>"):
        assert words in text
    for station in ("entry", "middle", "exit"):
        assert station in text
    first = (tmp_path / "p.svg").read_bytes()
    write_plot(tmp_path / "p.svg", content_of(record))
    assert (tmp_path / "p.svg").read_bytes() == first
    with pytest.raises(OutputError, match="ends neither"):
        write_plot(tmp_path / "p.jpg", content_of(record))
    for blade in record["blades"]:
        blade["curve"] = None
    with pytest.raises(OutputError, match="no curve"):
        write_plot(tmp_path / "q.png", content_of(record))


def test_the_plot_draws_the_measured_points(tmp_path: Path) -> None:
    record = invented_record()
    counts = []
    for points in (3, 40):
        for blade in record["blades"]:
            arc = [10.0 + k for k in range(points)]
            blade["points"] = {"arc_mm": arc, "height_mm": [40.0 - 0.2 * a for a in arc], "kept": [1] * points}
        write_plot(tmp_path / "p.svg", content_of(record))
        counts.append((tmp_path / "p.svg").read_text().count("<use "))
    assert counts[1] - counts[0] == 37 * len(record["blades"])


def test_places_of_the_camera_do_not_hide_each_other() -> None:
    from bladeangle.page.charts import _apart

    crowded = [(100.0, 50.0), (104.0, 50.0), (96.0, 52.0), (200.0, 50.0)]
    apart = _apart(crowded)
    assert apart[0] == crowded[0]
    assert apart[3] == crowded[3]
    assert apart[1][0] > 120
    assert apart[2][0] < 80
    edge = _apart([(362.0, 50.0), (361.0, 52.0), (360.0, 50.0)])  # not out of the chart, which is 380 wide
    assert max(a for a, _ in edge) <= 369
    for places in (apart, edge):
        assert all(np.hypot(a - c, b - d) >= 21 for i, (a, b) in enumerate(places) for c, d in places[:i])


def test_correction_page_carries_points_and_earlier_edits(tmp_path: Path) -> None:
    record = invented_record(oblique=0, name="</script><b>x")
    write_photos(record, tmp_path)
    struck = {"kind": None, "blade": None, "face": None, "along_px": [[700, 500]], "reach_px": 4}
    added = {"kind": "hub", "px": [[1, 2], [3, 4]]}
    photo = {"sha256": record["photos"][0]["sha256"], "struck": [struck], "added": [added]}
    edits = edits_from_dict({"schema": "bladeangle-edits/1", "photos": [photo]})
    write_correction_page(tmp_path / "c.html", content_of(record), tmp_path, edits)
    html = (tmp_path / "c.html").read_text()
    page = Page(html)
    assert [t for t, _ in page.tags].count("script") == 1 and "b" not in [t for t, _ in page.tags]
    assert html.count('"along_px":[[700.0,500.0]]') == 1
    assert html.count('"px":[1.0,2.0]') == html.count('"px":[3.0,4.0]') == 1
    assert [a["value"] for t, a in page.tags if t == "option"][-1] == '{"kind": "hub", "blade": null, "face": null}'
    assert "script-b-x.edits.json" in page.text


def test_commands_write_their_files_and_refuse_what_does_not_fit(tmp_path: Path) -> None:
    from bladeangle.cli.main import main

    record = invented_record(oblique=0)
    write_photos(record, tmp_path)
    path = tmp_path / "heron.json"
    write_record(record_from_dict(record), path)
    order = tmp_path / "order.toml"
    run = CliRunner()

    def call(*words: Any) -> Any:
        return run.invoke(main, [str(w) for w in words], standalone_mode=True)

    assert call("order", path, "--entry", -1, "--out", order).exit_code == 0
    page, plot = tmp_path / "r.html", tmp_path / "r.svg"
    done = call("report", path, "--photos", tmp_path, "--out", page, "--plot", plot, "--order", order)
    assert done.exit_code == 0, done.output
    assert "ordered" in page.read_text() and plot.read_bytes().startswith(b"<?xml")
    assert call("correct", path, "--photos", tmp_path, "--out", tmp_path / "c.html").exit_code == 0
    assert "bladeangle-edits/1" in (tmp_path / "c.html").read_text()
    assert call("report", path).exit_code == 2
    assert call("report", path, path, "--plot", plot).exit_code == 2
    assert call("report", order, "--out", page).exit_code == 8
    assert call("report", path, "--out", tmp_path / "no" / "r.html").exit_code == 9
    assert call("report", path, "--photos", tmp_path / "none", "--out", page).exit_code == 3
    assert call("correct", path, "--photos", tmp_path, "--out", page, "--edits", path).exit_code == 4


@pytest.mark.parametrize("downloads", [True, False])
def test_the_command_that_measures_again_can_be_pasted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, downloads: bool
) -> None:
    """It names the edits file where a browser saves it, or else beside the page, and the page shows the same."""
    from bladeangle.cli.main import main
    from bladeangle.cli.measure import measure

    place = tmp_path / "it's here"
    place.mkdir()
    home = tmp_path / "home"
    (home / "Downloads").mkdir(parents=True) if downloads else home.mkdir()
    for variable in ("HOME", "USERPROFILE"):
        monkeypatch.setenv(variable, str(home))
    data = invented_record(oblique=0, name="Heron 7")
    write_photos(data, place)
    path = place / "heron.json"
    write_record(record_from_dict(data), path)
    run = CliRunner().invoke(main, ["correct", str(path), "--photos", str(place), "--out", str(place / "c.html")])
    assert run.exit_code == 0, run.output
    command = run.stderr.splitlines()[-1].strip()
    assert command in Page((place / "c.html").read_text()).text
    words = shlex.split(command)
    assert words[:2] == ["bladeangle", "measure"]
    told = measure.make_context("measure", words[2:]).params
    saved = (home / "Downloads" if downloads else place) / "Heron-7.edits.json"
    assert (told["again"], told["photos"], told["out"], told["edits"]) == (path, (place,), path, saved)


@pytest.mark.parametrize(
    ("low", "high", "wanted"),
    [(0, 10, [0, 2, 4, 6, 8, 10]), (9.0, 9.9, [9.0, 9.2, 9.4, 9.6, 9.8]), (-1, 1, [-1, -0.5, 0, 0.5, 1])],
)
def test_ticks_are_round_numbers(low: float, high: float, wanted: list[float]) -> None:
    assert ticks(low, high) == pytest.approx(wanted)


def test_ticks_are_never_many_and_never_outside() -> None:
    rng = np.random.default_rng(3)
    for _ in range(300):
        low = rng.uniform(-100, 100)
        high = low + 10 ** rng.uniform(-3, 4)
        found = ticks(low, high)
        assert 1 <= len(found) <= 6
        assert low - 1e-6 <= min(found) and max(found) <= high + 1e-6


def test_decimals_leave_two_digits_of_the_uncertainty() -> None:
    assert [decimals(u) for u in (0.0, 0.0123, 0.1, 0.95, 1.0, 12.0, 300.0)] == [2, 3, 2, 2, 1, 0, 0]


def test_elements_escape_text_and_attributes() -> None:
    assert str(el("text", "<&\"'>", class_='a"b')) == '<text class="a&#34;b">&lt;&amp;&#34;&#39;&gt;</text>'


def test_flags_that_say_the_same_stand_once() -> None:
    record = invented_record()
    same = {"code": "edge-nick", "text": "Seen over 90 %, `--diameter` helps.", "photo": None}
    record["flags"] = [{**same, "blade": blade, "station": "exit"} for blade in (1, 3)]
    text = report_html([content_of(record)])
    assert text.count("Seen over 90 %") == 1
    assert "(blade 1, exit; blade 3, exit)" in text and "<code>--diameter</code>" in text
    record["flags"].append({"code": "blur", "text": "Not sharp.", "photo": "inlet.jpg", "blade": None, "station": None})
    text = report_html([content_of(record)])
    assert text.index("<strong>Doubt:</strong> Not sharp.") < text.index("Seen over 90 %")


def test_a_report_is_not_named_as_what_it_is_not(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="HTML") as caught:
        write_report(tmp_path / "rotor.pdf", [content_of(invented_record())])
    assert ".pdf or .png" in caught.value.hint and not list(tmp_path.iterdir())


def test_the_largest_source_of_uncertainty_comes_first_and_the_least_are_not_drawn() -> None:
    record = invented_record()
    line = {"kind": "B", "mean": dict.fromkeys(STATIONS), "dof": None}
    sizes = {"small": 0.0101, "large": 0.2, "least": 0.0099}
    record["budget"] = [{"line": k, "stations": dict.fromkeys(STATIONS, v), **line} for k, v in sizes.items()]
    sources = sources_by_size(content_of(record))
    assert [s.line for s in sources] == ["large", "small", "least"]
    drawn = str(budget_chart(sources))
    assert drawn.index("large (B)") < drawn.index("small (B)") and "least" not in drawn
