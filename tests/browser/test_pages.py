"""The pages in a real browser: they draw, zoom, print, save, fit a phone, fetch nothing, and everybody can use them."""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from invented_record import content_of, draw_photo, invented_record, write_photos

from bladeangle.page.report import write_correction_page, write_report
from bladeangle.records.edits import apply_to_points, read_edits
from bladeangle.records.record import record_from_dict
from bladeangle.shop.ordering import order_from_record
from bladeangle.shop.orders import order_sheet

Open = Callable[..., Any]
LONG_NAME = "Heron_" + "spare" * 14


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One record's report and correction page, and a shelf's report."""
    place = tmp_path_factory.mktemp("pages")
    record = invented_record(oblique=1)
    write_photos(record, place)
    limits = {"entry": (9.0, 10.0), "exit": (14.2, 14.8)}
    write_report(place / "one.html", [content_of(record)], place, limits)
    write_report(
        place / "shelf.html",
        [content_of(record), content_of(invented_record(blade_count=5, turned=False, name=LONG_NAME))],
    )
    write_correction_page(place / "correct.html", content_of(record), place)
    known = record_from_dict(record)
    sheet = order_sheet(known, order_from_record(known, {"exit": -1.0}, tolerance_deg=0.3))
    (place / "order.html").write_text(sheet, encoding="utf-8")
    return place


@pytest.fixture(scope="module")
def record(folder: Path) -> dict[str, Any]:
    data = invented_record(oblique=1)
    write_photos(data, folder)
    return data


def picture_of(element: Any) -> np.ndarray:
    """What is on the screen, (h, w, 3) RGB."""
    element.scroll_into_view_if_needed()
    shot = cv2.imdecode(np.frombuffer(element.screenshot(), np.uint8), cv2.IMREAD_COLOR)
    assert shot is not None
    return shot[:, :, ::-1]


def has_colour(picture: np.ndarray, colour: tuple[int, int, int]) -> int:
    return int((np.abs(picture.astype(int) - colour).sum(2) < 40).sum())


def view_box(viewer: Any) -> list[float]:
    return [float(v) for v in viewer.locator("svg").get_attribute("viewBox").split()]


def test_report_draws_photograph_and_marks(folder: Path, open_page: Open) -> None:
    page = open_page(folder / "one.html")
    viewer = page.locator(".viewer").first
    shown = picture_of(viewer)
    marks = {"inlet": (86, 180, 233), "struck": (213, 94, 0), "entry": (0, 158, 115), "hub": (230, 159, 0)}
    for colour in marks.values():
        assert 5 < has_colour(shown, colour) < shown.shape[0] * shown.shape[1] / 20
    # Without the marks the photograph is left: grey, with the markers' dark squares on light paper.
    page.get_by_role("button", name="Marks").first.click()
    bare = picture_of(viewer)
    assert (np.ptp(bare[4:-4, 4:-4].astype(int), axis=2) > 12).mean() < 0.01
    assert (bare.max(2) < 80).mean() > 0.02 < (bare.min(2) > 200).mean()
    for colour in marks.values():
        assert has_colour(bare, colour) == 0
    for chart in page.locator("svg.chart").all():
        assert min(chart.bounding_box()["width"], chart.bounding_box()["height"]) > 100


def test_photograph_zooms_by_buttons_wheel_and_keys(folder: Path, open_page: Open) -> None:
    page = open_page(folder / "one.html")
    figure = page.locator("figure.photograph").first
    viewer = figure.locator(".viewer")
    assert view_box(viewer) == [0, 0, 1600, 1200]
    figure.get_by_role("button", name="Zoom in").click()
    x, y, w, h = view_box(viewer)
    assert (w, h) == pytest.approx((1600 / 1.5, 1200 / 1.5), abs=0.02)
    assert (x + w / 2, y + h / 2) == pytest.approx((800, 600), abs=0.02)
    figure.get_by_role("button", name="Move right").click()
    assert view_box(viewer)[0] == pytest.approx(x + 0.15 * w, abs=0.02)
    figure.get_by_role("button", name="Whole").click()
    assert view_box(viewer) == [0, 0, 1600, 1200]
    # The wheel scrolls the page until the photograph is in use; then the place under the pointer stays put.
    viewer.scroll_into_view_if_needed()
    box = viewer.bounding_box()
    page.mouse.move(box["x"] + box["width"] * 0.25, box["y"] + box["height"] * 0.5)
    page.mouse.wheel(0, -100)
    page.wait_for_timeout(50)
    assert view_box(viewer) == [0, 0, 1600, 1200]
    viewer.focus()
    viewer.scroll_into_view_if_needed()
    box = viewer.bounding_box()
    page.mouse.move(box["x"] + box["width"] * 0.25, box["y"] + box["height"] * 0.5)
    page.mouse.wheel(0, -300)
    page.wait_for_function("document.querySelector('.viewer svg').viewBox.baseVal.width < 1200")
    x, y, w, h = view_box(viewer)
    assert x + 0.25 * w == pytest.approx(400, abs=8) and y + 0.5 * h == pytest.approx(600, abs=8)
    page.keyboard.press("0")
    for key in "+++":
        page.keyboard.press(key)
    assert view_box(viewer)[2] == pytest.approx(1600 / 1.5**3, abs=0.05)
    # Nearer, more of the points are drawn.
    assert viewer.locator(".from-3").first.is_visible()
    assert not viewer.locator(".from-9").first.is_visible()
    before = view_box(viewer)[0]
    page.keyboard.press("ArrowLeft")
    assert view_box(viewer)[0] == pytest.approx(before - 0.15 * 1600 / 1.5**3, abs=0.05)
    # Drag by a fifth of the width.
    x = view_box(viewer)[0]
    centre = (box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    page.mouse.move(*centre)
    page.mouse.down()
    page.mouse.move(centre[0] - box["width"] / 5, centre[1], steps=4)
    page.mouse.up()
    assert view_box(viewer)[0] == pytest.approx(x + 1600 / 1.5**3 / 5, abs=2)


def test_marks_keep_their_size_while_the_photograph_grows(folder: Path, open_page: Open) -> None:
    page = open_page(folder / "one.html")
    figure = page.locator("figure.photograph").first
    label = figure.locator(".label.full rect").first
    before = label.bounding_box()["width"]
    for _ in range(3):
        figure.get_by_role("button", name="Zoom in").click()
    assert label.bounding_box()["width"] == pytest.approx(before, rel=0.02)


@pytest.mark.parametrize("name", ["one", "shelf", "correct", "order"])
@pytest.mark.parametrize("width", [360, 800])
def test_no_sideways_scrolling(folder: Path, open_page: Open, name: str, width: int) -> None:
    page = open_page(folder / f"{name}.html", width)
    assert page.evaluate("document.documentElement.scrollWidth") == width
    smallest = page.evaluate("Math.min(...[...document.querySelectorAll('button')].map(b => b.clientHeight || 99))")
    assert smallest >= 24  # WCAG 2.2, 2.5.8 target size (minimum), 24 CSS pixels


def test_dark_scheme_is_dark(folder: Path, open_page: Open) -> None:
    for scheme, low, high in (("light", 200, 255), ("dark", 0, 60)):
        page = open_page(folder / "one.html", scheme=scheme)
        ground = page.evaluate("getComputedStyle(document.documentElement).backgroundColor")
        ink = page.evaluate("getComputedStyle(document.body).color")
        values = [int(v) for v in re.findall(r"\d+", ground)[:3]]
        assert low <= min(values) and max(values) <= high
        assert abs(int(re.findall(r"\d+", ink)[0]) - values[0]) > 180


@pytest.mark.parametrize(("form", "size"), [("A4", (595, 842)), ("Letter", (612, 792))])
def test_report_prints(folder: Path, open_page: Open, form: str, size: tuple[int, int]) -> None:
    # A4 is 210 x 297 mm (ISO 216), Letter 8.5 x 11 in: in points of 1/72 in as below.
    page = open_page(folder / "one.html", scheme="dark")
    pdf = page.pdf(format=form)
    boxes = re.findall(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", pdf)
    assert pdf.startswith(b"%PDF") and 4 <= len(boxes) <= 9
    assert all((float(w), float(h)) == pytest.approx(size, abs=1) for w, h in boxes)
    page.emulate_media(media="print")
    assert page.evaluate("getComputedStyle(document.documentElement).backgroundColor") == "rgb(255, 255, 255)"
    assert not page.locator(".tools").first.is_visible()


def test_focus_is_seen(folder: Path, open_page: Open) -> None:
    page = open_page(folder / "one.html")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    for selector in (".viewer", ".tools button"):
        page.locator(selector).first.focus()
        page.keyboard.press("Shift+Tab")
        page.keyboard.press("Tab")
        style = page.evaluate("(e => [e.outlineStyle, e.outlineWidth])(getComputedStyle(document.activeElement))")
        assert style == ["solid", "3px"]


@pytest.mark.parametrize(
    ("name", "scheme"),
    [
        ("one", "light"),
        ("one", "dark"),
        ("correct", "light"),
        ("correct", "dark"),
        ("shelf", "light"),
        ("order", "light"),
    ],
)
def test_accessibility_checker_finds_nothing_serious(
    folder: Path, open_page: Open, axe_source: str, name: str, scheme: str
) -> None:
    page = open_page(folder / f"{name}.html", scheme=scheme)
    page.evaluate(axe_source)
    result = page.evaluate("axe.run(document, {resultTypes: ['violations', 'passes']})")
    found = [(v["id"], v["impact"], v["nodes"][0]["html"][:120]) for v in result["violations"]]
    assert [f for f in found if f[1] in ("serious", "critical")] == []
    assert len(result["passes"]) > 15


def test_hostile_names_stay_words(folder: Path, open_page: Open) -> None:
    name = "</script></title><script>alert(1)</script><img src=x onerror=alert(2)>"
    record = invented_record(oblique=0, name=name)
    place = folder / "hostile"
    place.mkdir()
    write_photos(record, place)
    record["photos"][0]["name"] = "<b onclick=alert(3)>.png"
    write_report(place / "r.html", [content_of(record)] * 2)
    record["photos"][0]["name"] = "inlet.png"
    write_correction_page(place / "c.html", content_of(record), place)
    for file in ("r.html", "c.html"):
        page = open_page(place / file)
        assert name in page.inner_text("main" if file == "c.html" else "#name-1")
        assert page.locator("img, b").count() == 0


def at(viewer: Any, px: Any) -> tuple[float, float]:
    """Where a pixel of an unturned photograph is on the screen."""
    x, y, w, h = view_box(viewer)
    box = viewer.locator("svg").bounding_box()
    return box["x"] + (px[0] - x) / w * box["width"], box["y"] + (px[1] - y) / h * box["height"]


def drag(page: Any, start: tuple[float, float], end: tuple[float, float]) -> None:
    page.mouse.move(*start)
    page.mouse.down()
    page.mouse.move(*end, steps=6)
    page.mouse.up()


def save(page: Any, path: Path) -> Path:
    with page.expect_download() as caught:
        page.get_by_role("button", name="Save the edits file").click()
    caught.value.save_as(path)
    return path


def test_corrections_by_mouse_end_in_an_edits_file(
    folder: Path, record: dict[str, Any], open_page: Open, tmp_path: Path
) -> None:
    page = open_page(folder / "correct.html")
    viewer = page.locator(".viewer").first
    viewer.scroll_into_view_if_needed()
    tips = {t["blade"]: t for t in record["photos"][0]["traces"] if t["kind"] == "tip"}
    one, three = np.array(tips[1]["px"]), np.array(tips[3]["px"])

    page.get_by_role("radio", name="Strike out").check()
    drag(page, at(viewer, one[10]), at(viewer, one[16]))
    assert page.inner_text("#status") == "Struck out."
    page.get_by_role("radio", name="Move").check()
    target = three[20] + [25, -18]
    drag(page, at(viewer, three[20]), at(viewer, target))
    page.get_by_role("radio", name="Add to").check()
    page.select_option("#target", label="hub")
    page.mouse.click(*at(viewer, (700, 640)))
    # One too many, taken back; taken back once more and done again.
    page.mouse.click(*at(viewer, (400, 300)))
    for name in ("Undo", "Undo", "Redo"):
        page.get_by_role("button", name=name, exact=True).click()
    assert page.locator("#list li").count() == 4

    edits = read_edits(save(page, tmp_path / "e.json"))
    assert edits.name == record["name"] and len(edits.photos) == 1
    photo = edits.for_photo(record["photos"][0]["sha256"])
    keep = apply_to_points(photo, one, 1, "inlet")
    assert not keep[10:17].any()
    assert keep.sum() >= len(keep) - 16  # the brush is a few points wide beyond its ends
    keep = apply_to_points(photo, three, 3, "inlet")
    assert np.flatnonzero(~keep).tolist() == [20]
    moved, hub = photo.added
    assert (moved.kind, moved.blade, moved.face) == ("tip", 3, "inlet")
    np.testing.assert_allclose(moved.px, [target], atol=1.5)
    assert (hub.kind, hub.blade, hub.face) == ("hub", None, None)
    np.testing.assert_allclose(hub.px, [[700, 640]], atol=1.5)
    assert moved.sigma_px >= 1.0


def test_corrections_by_keys_end_in_an_edits_file(
    folder: Path, record: dict[str, Any], open_page: Open, tmp_path: Path
) -> None:
    page = open_page(folder / "correct.html")
    page.select_option("#choose", "1")
    viewer = page.locator(".viewer:visible")
    viewer.focus()
    px = np.array(record["photos"][1]["traces"][0]["px"])
    for key in ("ArrowRight", "ArrowRight", *["Shift+ArrowRight"] * 3, "x"):
        page.keyboard.press(key)
    page.keyboard.press("ArrowDown")
    assert page.inner_text("#status").startswith("blade 2, outlet face: point 1 of")
    for key in ("d", "d", "Shift+D", "s"):
        page.keyboard.press(key)
    assert "put by hand" in page.inner_text("#status")
    photo = read_edits(save(page, tmp_path / "e.json")).for_photo(record["photos"][1]["sha256"])
    assert np.flatnonzero(~apply_to_points(photo, px, 1, "outlet")).tolist() == [2, 3, 4, 5]
    first = np.array(record["photos"][1]["traces"][1]["px"])
    assert np.flatnonzero(~apply_to_points(photo, first, 2, "outlet")).tolist() == [0]
    assert len(photo.added) == 1
    np.testing.assert_allclose(photo.added[0].px, [first[0] + [12, 1]], atol=0.02)
    # Restored and taken back until nothing is left: then there is nothing to save.
    for _ in range(5):
        page.keyboard.press("Control+z")
    assert page.locator("#list li").count() == 0
    assert not any(p.struck or p.added for p in read_edits(save(page, tmp_path / "e.json")).photos)


def test_struck_points_are_restored_and_earlier_edits_go_on(
    folder: Path, record: dict[str, Any], open_page: Open, tmp_path: Path
) -> None:
    page = open_page(folder / "correct.html")
    page.locator(".viewer").first.focus()
    for key in ("Shift+ArrowRight", "x", "ArrowLeft", "r", "ArrowDown", "x"):
        page.keyboard.press(key)
    edits = read_edits(save(page, tmp_path / "e.json"))
    assert len(edits.photos[0].struck) == 1 and edits.photos[0].struck[0].blade == 2
    write_correction_page(tmp_path / "again.html", content_of(record), folder, edits)
    page = open_page(tmp_path / "again.html")
    assert page.locator("#list li").count() == 1
    again = read_edits(save(page, tmp_path / "e2.json"))
    np.testing.assert_array_equal(again.photos[0].struck[0].along_px, edits.photos[0].struck[0].along_px)


@pytest.mark.parametrize(("orientation", "turns"), [(6, 1), (3, 2), (8, 3)])
def test_points_on_a_turned_photograph_are_in_stored_pixels(
    open_page: Open, tmp_path: Path, orientation: int, turns: int
) -> None:
    import hashlib

    from PIL import Image

    record = invented_record(oblique=0, turned=False)
    exif = Image.Exif()
    exif[274] = orientation
    data = io.BytesIO()
    Image.fromarray(draw_photo(record, 0)[:, :, ::-1]).save(data, "JPEG", exif=exif)
    (tmp_path / "inlet.png").write_bytes(data.getvalue())
    record["photos"][0]["sha256"] = hashlib.sha256(data.getvalue()).hexdigest()
    write_correction_page(tmp_path / "c.html", content_of(record), tmp_path)
    page = open_page(tmp_path / "c.html")
    viewer = page.locator(".viewer").first
    viewer.scroll_into_view_if_needed()
    assert view_box(viewer)[2:] == ([1200, 1600] if turns % 2 else [1600, 1200])
    # Pixel (300, 100) of the stored picture, turned clockwise by hand.
    shown = {1: (1199 - 100, 300), 2: (1599 - 300, 1199 - 100), 3: (100, 1599 - 300)}[turns]
    page.get_by_role("radio", name="Add to").check()
    page.mouse.click(*at(viewer, shown))
    photo = read_edits(save(page, tmp_path / "e.json")).photos[0]
    np.testing.assert_allclose(photo.added[0].px, [[300, 100]], atol=2.0)
