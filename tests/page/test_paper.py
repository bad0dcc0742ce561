"""Pages on paper: what stands on them, that it fits, and what a PDF of ours is."""

from __future__ import annotations

import io
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from invented_record import agreeing, invented_record, with_tips
from matplotlib.backends.backend_agg import FigureCanvasAgg

from bladeangle.base.errors import OutputError
from bladeangle.base.flags import REGISTRY
from bladeangle.cli.main import main
from bladeangle.page.customer_page import customer_page, listed
from bladeangle.page.order_page import order_page
from bladeangle.page.paper import PAPERS_MM, Sheet, composed, fitted, width_mm, wrapped, write_pages
from bladeangle.page.verdict_page import verdict_page
from bladeangle.records.record import Record, record_from_dict, write_record
from bladeangle.shop.ordering import order_from_record
from bladeangle.shop.orders import write_order
from bladeangle.shop.verify import verify

LONG = "Heron's spare rotor, re-pitched twice, from the workshop in Überlingen by the lake, shelf 3, box 12 (Иван)"
#: Every doubt there is; the first few are told in full on every page.
DOUBTS: tuple[str, ...] = ("blur", "station-cut-short", "camera-unconfirmed", "exposure-high")
DOUBTS += tuple(code for code, kind in REGISTRY.items() if kind.severity == "doubt" and code not in DOUBTS)


def record_of(*, doubts: int = 0, **options: Any) -> Record:
    data = agreeing(with_tips(invented_record(**options), bore_mm=156.8))
    for code in DOUBTS[:doubts]:
        data["flags"].append(
            {
                "code": code,
                "text": f"Doubted for {code}. {REGISTRY[code].meaning}",
                "photo": None,
                "blade": None,
                "station": None,
            }
        )
    data["rotor"]["trailing_distance_mm"] = {
        "value": 4.0, "standard_uncertainty": 0.1, "expanded_uncertainty": 0.2, "coverage_factor": 2.0, "dof": None,
    }  # fmt: skip
    return record_from_dict(data)


def sheets_of(record: Record, paper: str, *, inches: bool = False, notes: str = "") -> dict[str, Sheet]:
    order = order_from_record(
        record, {"entry": -1.0}, tolerance_deg=0.4, date="2026-11-28", despite=DOUBTS, notes=notes
    )
    verdict = verify(record, order, inches=inches)
    fills = {
        "customer": customer_page(record, verdict, inches),
        "order": order_page(record, order, inches),
        "verdict": verdict_page(record, order, verdict, inches=inches),
    }
    return {name: composed(fill, paper) for name, fill in fills.items()}


def words_of(sheet: Sheet) -> str:
    return " ".join(text.get_text() for text in sheet.axes.texts)


@pytest.mark.parametrize(
    ("options", "paper", "inches"),
    [
        ({"blade_count": 2, "oblique": 0}, "a4", False),
        ({"blade_count": 5, "oblique": 0, "turned": False, "doubts": 1}, "letter", True),
        ({"blade_count": 8, "oblique": 12, "doubts": 14, "name": (LONG + ", ") * 2}, "letter", True),
        ({"blade_count": 24, "oblique": 0, "doubts": 30, "name": "x" * 200}, "a4", False),
    ],
)
def test_everything_stands_inside_the_margins(options: dict[str, Any], paper: str, inches: bool) -> None:
    notes = "The sleeve of the bore stays. " * 40 if options.get("doubts", 0) > 4 else ""
    sheets = sheets_of(
        record_of(**options | {"name": options.get("name", "r")[:200]}), paper, inches=inches, notes=notes
    )
    for name, sheet in sheets.items():
        assert not sheet.full, name
        if notes:  # all doubts, or how many are left out
            last = DOUBTS[options["doubts"] - 1]
            assert "more doubts, which the report tells" in words_of(sheet) or f"Doubted for {last}" in words_of(sheet)
        sheet.figure.set_dpi(400)  # hinting makes small letters wider on a coarse raster
        renderer = FigureCanvasAgg(sheet.figure).get_renderer()
        mm_per_px = 25.4 / sheet.figure.dpi
        for text in sheet.axes.texts:
            if not text.get_text():
                continue
            box = text.get_window_extent(renderer)
            left, right, low = box.x0 * mm_per_px, box.x1 * mm_per_px, box.y0 * mm_per_px
            assert left > 10 and right < PAPERS_MM[paper][0] - 10 and low > 10, (name, text.get_text())


def test_the_pages_say_what_they_are_for() -> None:
    pages = {k: words_of(s) for k, s in sheets_of(record_of(doubts=2), "a4").items()}
    for words in pages.values():  # open doubts stand on every page that shows the numbers
        assert "Doubted for blur" in words and "Doubted for station-cut-short" in words and "?" in words
    assert "9.50 ± 0.13?" in pages["customer"] and "4.00 ± 0.20 mm" in pages["customer"]
    assert "0.25 ± 0.08 mm" in pages["customer"] and "Long blades" in pages["customer"]
    assert "entry: 8.50° ± 0.40°" in pages["order"] and "-1.00° on the mean" in pages["order"]
    assert "Leave as it is" in pages["order"] and "leading edge" in pages["order"] and "32 mm" in pages["order"]
    assert "NOT CONFORMING" in pages["verdict"] and "SHA-256" in pages["verdict"] and "ISO 14253-1" in pages["verdict"]


def test_lengths_are_in_inches_where_asked_for() -> None:
    """156 mm are 6.14 in; an inch is 25.4 mm exactly."""
    record = record_of()
    for name, sheet in sheets_of(record, "letter", inches=True).items():
        words = words_of(sheet)
        assert " mm" not in words.replace("0.25 mm", ""), name
    assert "6.142 ± 0.004 in" in words_of(sheets_of(record, "letter", inches=True)["customer"])


def test_angles_not_seen_are_said_not_to_be() -> None:
    sheet = sheets_of(record_of(turned=False), "a4")["customer"]
    assert words_of(sheet).count("not seen") >= 4 and "exit of blade 3" in words_of(sheet)


def test_a_pdf_has_its_fonts_its_size_and_its_mark(tmp_path: Path) -> None:
    """ISO 32000-1, 9.9: an embedded TrueType font has a FontFile2 stream. A4 is 595.28 by 841.89 points."""
    fill = customer_page(record_of())
    for paper, size in (("a4", (595.28, 841.89)), ("letter", (612.0, 792.0))):
        path = tmp_path / f"{paper}.pdf"
        write_pages(path, [fill, fill], paper, "two")
        data = path.read_bytes()
        boxes = [list(map(float, box.split())) for box in re.findall(rb"/MediaBox \[([^\]]*)\]", data)]
        assert len(boxes) == 2
        np.testing.assert_allclose(boxes, [[0, 0, *size]] * 2, atol=0.1)
        assert data.count(b"/FontFile2") == data.count(b"/Type /FontDescriptor") >= 2
        assert b"/Type3" not in data and b"/Creator (bladeangle)" in data
    first = (tmp_path / "a4.pdf").read_bytes()
    write_pages(tmp_path / "again.pdf", [fill, fill], "a4", "two")
    assert (tmp_path / "again.pdf").read_bytes() == first


def test_a_picture_is_small_and_grey(tmp_path: Path) -> None:
    from PIL import Image

    write_pages(tmp_path / "page.png", [customer_page(record_of(blade_count=8, oblique=8))], "a4", "one")
    data = (tmp_path / "page.png").read_bytes()
    assert 20_000 < len(data) < 500_000 and b"Software\0bladeangle" in data
    picture = np.asarray(Image.open(io.BytesIO(data)).convert("RGB")).astype(int)
    assert picture.shape[:2] == (1753, 1240) and np.ptp(picture, axis=2).max() == 0
    assert 0.01 < (picture < 128).mean() < 0.2
    with pytest.raises(OutputError, match="one page"):
        write_pages(tmp_path / "two.png", [customer_page(record_of())] * 2, "a4", "two")
    with pytest.raises(OutputError, match="PDF or a picture"):
        write_pages(tmp_path / "page.docx", [customer_page(record_of())], "a4", "one")


def test_words_are_broken_to_the_width_they_have() -> None:
    words = "a blade's tip and " + "x" * 200
    lines = wrapped(words, 9.0, 40.0)
    assert "".join(lines).replace(" ", "") == words.replace(" ", "")
    assert max(width_mm(line, 9.0) for line in lines) <= 40.0 and len(lines) > 5
    assert fitted("short", 9.0, 40.0) == "short"
    assert fitted("x" * 200, 9.0, 40.0).endswith("...") and width_mm(fitted("x" * 200, 9.0, 40.0), 9.0) <= 40.0
    assert [listed(["a"]), listed(["a", "b"]), listed(["a", "b", "c"])] == ["a", "a and b", "a, b and c"]


def test_the_commands_write_the_pages(tmp_path: Path) -> None:
    record = record_of()
    write_record(record, tmp_path / "r.json")
    write_order(order_from_record(record, {}, tolerance_deg=2.0), tmp_path / "o.toml")
    run = CliRunner()
    here = lambda name: str(tmp_path / name)  # noqa: E731
    found = run.invoke(main, ["report", here("r.json"), "--order", here("o.toml"), "--out", here("c.pdf")])
    assert found.exit_code == 0, found.output
    found = run.invoke(
        main, ["verify", here("r.json"), "--order", here("o.toml"), "--out", here("v.pdf"), "--paper", "letter"]
    )
    assert found.exit_code == 0 and found.stdout.splitlines()[0].endswith(": conforming"), found.output
    found = run.invoke(
        main, ["order", here("r.json"), "--entry", "-1", "--out", here("n.toml"), "--sheet", here("s.pdf")]
    )
    assert found.exit_code == 0, found.output
    for name in ("c", "v", "s"):
        data = (tmp_path / f"{name}.pdf").read_bytes()
        assert data.startswith(b"%PDF") and len(re.findall(rb"/Type /Page\b", data)) == 1
    (tmp_path / "mine.pdf").write_text("not ours")
    found = run.invoke(main, ["report", here("r.json"), "--out", here("mine.pdf")])
    assert found.exit_code == 9 and (tmp_path / "mine.pdf").read_text() == "not ours"
