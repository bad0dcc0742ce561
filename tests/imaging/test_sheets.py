"""Rings by design, and their sheets at true scale: the SVG parsed, the PDF rasterised and its markers found."""

from __future__ import annotations

import json
import math
import re
import shutil
import subprocess
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from bladeangle.base.errors import OutputError, UsageError
from bladeangle.base.files import import_cv2
from bladeangle.base.structure import plain
from bladeangle.cli.ring import ring as ring_command
from bladeangle.imaging.ring import Ring, dictionary_of, ring_from_dict, ring_to_file
from bladeangle.imaging.ring_design import (
    CHECK_BAR_MM,
    PAGE_MARGIN_MM,
    PAPERS_MM,
    design_ring,
    lowest_camera_mm,
    pages,
    piece_outline,
)
from bladeangle.imaging.sheet_notes import at_true_scale, words
from bladeangle.imaging.sheets import marker_outline, sheet_pdf, sheet_svgs, upright_bar

CALIBRATION = Path(__file__).parents[2] / "calibration"
MM_PER_POINT = 25.4 / 72
SIZES = [(40, 20, "a4"), (100, 50, "letter"), (160, 60, "a3"), (160, 60, "a4"), (215, 90, "a4"), (300, 120, "letter")]


def azimuths(ring: Ring) -> np.ndarray:
    centres = ring.corners_mm.mean(axis=1)
    return np.degrees(np.arctan2(centres[:, 1], centres[:, 0]))


@pytest.mark.parametrize(("diameter", "height", "paper"), SIZES)
def test_the_rotor_does_not_hide_the_markers(diameter: float, height: float, paper: str) -> None:
    camera = 600.0
    ring = design_ring(diameter, height, paper="a3" if paper == "a4" else paper, camera_height_mm=camera)
    hidden = diameter / 2 * camera / (camera - height)
    assert hidden + 3 < ring.inner_radius_mm < hidden + 10
    # Every black point lies beyond the inner radius, and the markers end at the outer one in their middle.
    assert np.linalg.norm(ring.corners_mm, axis=2).min() > ring.inner_radius_mm
    middles = ring.corners_mm[:, [0, 2]] + ring.corners_mm[:, [1, 3]]
    radii = np.linalg.norm(middles / 2, axis=2)
    np.testing.assert_allclose(radii, [[ring.outer_radius_mm, ring.inner_radius_mm]] * len(ring.ids), atol=1e-3)


@pytest.mark.parametrize(("diameter", "height", "paper"), SIZES)
def test_the_camera_above_sees_the_ring(diameter: float, height: float, paper: str) -> None:
    ring = design_ring(diameter, height, paper=paper)
    match = re.search(r"camera (\d+) mm", ring.name)
    assert match and 300 <= int(match[1]) < 1000
    assert lowest_camera_mm(ring) <= int(match[1])


def test_marker_corners_go_clockwise_from_the_outer_left() -> None:
    ring = design_ring(160, 60)
    for corners, azimuth in zip(ring.corners_mm, np.radians(azimuths(ring)), strict=True):
        outward = np.array([math.cos(azimuth), math.sin(azimuth)])
        left = np.array([-outward[1], outward[0]])
        side = ring.outer_radius_mm - ring.inner_radius_mm
        local = np.stack([corners @ outward, corners @ left], axis=1)
        outer, inner, half = ring.outer_radius_mm, ring.inner_radius_mm, side / 2
        np.testing.assert_allclose(local, [[outer, half], [outer, -half], [inner, -half], [inner, half]], atol=2e-4)


def test_definition_survives_its_file() -> None:
    for paper in PAPERS_MM:
        ring = design_ring(160, 60, paper=paper)
        data = json.loads(json.dumps(plain(ring_to_file(ring))))
        again = ring_from_dict(data)
        assert plain(ring_to_file(again)) == data
        np.testing.assert_array_equal(again.corners_mm, ring.corners_mm)
        np.testing.assert_array_equal(again.pieces, ring.pieces)
        assert data["check_bar_mm"] == CHECK_BAR_MM and len(data["markers"]) == 24
        assert data["dictionary"] == "DICT_5X5_50" and data["index_azimuth_deg"] == 0


def test_more_markers_take_the_larger_dictionary() -> None:
    assert design_ring(160, 60, markers=48).dictionary == "DICT_5X5_50"
    ring = design_ring(160, 60, markers=52)
    assert ring.dictionary == "DICT_5X5_100" and ring.ids.max() == 51


@pytest.mark.parametrize(("diameter", "height", "paper"), SIZES)
def test_pieces_hold_whole_markers_and_cover_the_circle(diameter: float, height: float, paper: str) -> None:
    ring = design_ring(diameter, height, paper=paper)
    drawn = pages(ring, paper)
    assert sum(page.span_deg for page in drawn) == pytest.approx(360)
    assert [page.piece for page in drawn] == sorted(set(ring.pieces.tolist()))
    for page in drawn:
        assert sorted((page.width_mm, page.height_mm)) == sorted(PAPERS_MM[paper])
        here = ring.pieces == page.piece
        placed = page.place(ring.corners_mm[here])
        assert placed.min() > PAGE_MARGIN_MM
        assert (placed.max(axis=(0, 1)) < np.array([page.width_mm, page.height_mm]) - PAGE_MARGIN_MM).all()
        if len(drawn) > 1:
            corner = np.degrees(np.arctan2(ring.corners_mm[here][..., 1], ring.corners_mm[here][..., 0]))
            inside = (corner - page.start_deg) % 360
            assert inside.min() > 0.5 and inside.max() < page.span_deg - 0.5
    # Flaps on one side of every seam, never on both.
    assert all(a.flaps != b.flaps for a, b in zip(drawn, drawn[1:] + drawn[:1], strict=True) if len(drawn) > 1)


def test_number_of_pieces() -> None:
    def count(diameter: float, height: float, paper: str) -> int:
        return len(pages(design_ring(diameter, height, paper=paper), paper))

    assert [count(160, 60, p) for p in ("a3", "a4", "letter")] == [1, 2, 2]
    assert count(80, 40, "a4") == 1 and count(215, 90, "a4") == 4 and count(300, 120, "letter") == 12


@pytest.mark.parametrize("dictionary", ["DICT_5X5_50", "DICT_4X4_50"])
def test_outlines_fill_to_the_dictionary_s_picture(dictionary: str) -> None:
    cv2 = import_cv2()
    size, scale = (7 if dictionary == "DICT_5X5_50" else 6), 10
    square = np.array([[0, size], [size, size], [size, 0], [0, 0]], float)
    for number in range(0, 50, 7):
        ring = Ring("x", dictionary, 0, 1, 1.0 + size, np.array([number]), square[None], np.zeros(1, int))
        outlines = [np.round(o * scale).astype(np.int32) for o in marker_outline(ring, 0)]
        grid_y, grid_x = np.mgrid[0:size, 0:size] * scale + scale / 2
        inside = np.zeros((size, size), int)
        for outline in outlines:
            inside += [
                [cv2.pointPolygonTest(outline.reshape(-1, 1, 2), (x, y), False) > 0 for x, y in zip(*row, strict=True)]
                for row in zip(grid_x, grid_y, strict=True)
            ]
        expected = cv2.aruco.generateImageMarker(dictionary_of(dictionary), number, size)[::-1] == 0
        np.testing.assert_array_equal(inside % 2 == 1, expected)


def path_points(element: ElementTree.Element) -> np.ndarray:
    """(n, 2) points of the paths below an SVG element, points from the page's upper left corner."""
    text = " ".join(p.get("d", "") for p in element.iter("{http://www.w3.org/2000/svg}path"))
    return np.array(re.findall(r"[ML] (\S+) (\S+)", text), float)


@pytest.mark.parametrize("paper", PAPERS_MM)
def test_svg_is_true_to_scale(paper: str) -> None:
    ring = design_ring(160, 60, paper=paper)
    seen = set()
    for page, text in zip(pages(ring, paper), sheet_svgs(ring, paper), strict=True):
        root = ElementTree.fromstring(text)
        size = np.array([float(root.get(k, "").removesuffix("pt")) for k in ("width", "height")])
        np.testing.assert_allclose(size * MM_PER_POINT, [page.width_mm, page.height_mm], atol=0.001)
        box = np.array((root.get("viewBox") or "").split(), float)
        np.testing.assert_allclose(box, [0, 0, *size], atol=1e-6)
        ends = []
        for group in root.iter("{http://www.w3.org/2000/svg}g"):
            name = group.get("id", "")
            mm = path_points(group) * MM_PER_POINT if name.startswith(("marker-", "check-bar-end")) else None
            if mm is not None:
                mm[:, 1] = page.height_mm - mm[:, 1]
            if mm is not None and name.startswith("marker-"):
                index = ring.ids.tolist().index(int(name.removeprefix("marker-")))
                np.testing.assert_allclose(mm[:4], page.place(ring.corners_mm[index]), atol=0.001)
                seen.add(index)
            elif mm is not None:
                ends.append(mm[0, 0])
        assert len(ends) == 2 and abs(ends[1] - ends[0]) == pytest.approx(CHECK_BAR_MM, abs=0.001)
        assert 'id="arrow"' in text if page.piece == min(ring.pieces) else 'id="arrow"' not in text
    assert seen == set(range(24))


@pytest.mark.skipif(shutil.which("pdftoppm") is None, reason="needs pdftoppm (poppler-utils)")
@pytest.mark.parametrize(("diameter", "height", "paper"), [(160, 60, p) for p in PAPERS_MM] + [(215, 90, "a4")])
def test_pdf_rasterised_shows_the_definition(tmp_path: Path, diameter: float, height: float, paper: str) -> None:
    cv2 = import_cv2()
    dots = 400
    ring = design_ring(diameter, height, paper=paper)
    (tmp_path / "ring.pdf").write_bytes(sheet_pdf(ring, paper))
    command = ["pdftoppm", "-r", str(dots), "-gray", str(tmp_path / "ring.pdf"), str(tmp_path / "page")]
    subprocess.run(command, check=True, timeout=120)
    detector = cv2.aruco.ArucoDetector(dictionary_of(ring.dictionary))
    errors, seen = [], []
    pictures = sorted(tmp_path.glob("page*.pgm"))
    for page, picture in zip(pages(ring, paper), pictures, strict=True):
        image = cv2.imread(str(picture), cv2.IMREAD_GRAYSCALE)
        quads, numbers, _ = detector.detectMarkers(
            cv2.resize(image, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
        )
        for quad, number in zip(quads, np.ravel(numbers), strict=True):
            corners = quad.reshape(4, 1, 2) * 2 + 0.5
            stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 50, 1e-3)
            px = cv2.cornerSubPix(image, corners.astype(np.float32), (5, 5), (-1, -1), stop).reshape(4, 2) + 0.5
            mm = px * 25.4 / dots * [1, -1] + [0, page.height_mm]
            index = ring.ids.tolist().index(int(number))
            assert ring.pieces[index] == page.piece
            errors.append(mm - page.place(ring.corners_mm[index]))
            seen.append(int(number))
    assert sorted(seen) == ring.ids.tolist()
    assert np.abs(errors).max() < 0.05
    assert np.abs(np.mean(errors, axis=(0, 1))).max() < 0.01


def test_sheets_are_reproducible() -> None:
    ring = design_ring(160, 60, paper="a4")
    assert sheet_pdf(ring, "a4") == sheet_pdf(ring, "a4")
    assert sheet_svgs(ring, "a4") == sheet_svgs(ring, "a4")


def foreign(offset_deg: float = 0.0) -> Ring:
    """A ring with a marker at the arrow's azimuth, without check bar."""
    square = np.array([[118.0, 7.0], [118.0, -7.0], [104.0, -7.0], [104.0, 7.0]])
    turns = np.radians(np.arange(0, 360, 20) + offset_deg)
    corners = np.array([square @ np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]]) for a in turns])
    return Ring("from elsewhere", "DICT_4X4_50", 0.0, 104, 118, np.arange(18), corners, np.zeros(18, int))


def test_arrow_keeps_clear_of_the_markers() -> None:
    for ring in (foreign(), foreign(10), foreign(4), design_ring(160, 60, paper="a3"), design_ring(40, 20, paper="a3")):
        (page,) = pages(ring, "a3")
        root = ElementTree.fromstring(sheet_svgs(ring, "a3")[0])
        (group,) = [g for g in root.iter("{http://www.w3.org/2000/svg}g") if g.get("id") == "arrow"]
        mm = path_points(group) * MM_PER_POINT
        mm[:, 1] = page.height_mm - mm[:, 1]
        centre = page.centre_mm
        radii = np.linalg.norm(mm - centre, axis=1)
        assert radii.argmin() == 0  # the tip points inwards
        assert np.degrees(np.arctan2(*(mm[0] - centre)[::-1])) - page.turn_deg == pytest.approx(0, abs=0.01)
        cv2 = import_cv2()
        cell = (ring.outer_radius_mm - ring.inner_radius_mm) / 7
        for corners in page.place(ring.corners_mm):
            gaps = [-cv2.pointPolygonTest(corners.astype(np.float32), (float(x), float(y)), True) for x, y in mm]
            assert min(gaps) > 0.75 * cell
        assert mm.min() > PAGE_MARGIN_MM and (mm.max(axis=0) < [page.width_mm, page.height_mm]).all()


def test_a_ring_from_elsewhere_without_bar_has_no_words_about_it() -> None:
    text = sheet_svgs(foreign(), "a3")[0]
    assert "check-bar" not in text
    assert "check-bar" in sheet_svgs(design_ring(160, 60, paper="a3"), "a3")[0]


def test_names_with_markup_print() -> None:
    ring = design_ring(160, 60, paper="a3", name=r"50 $\frac{ & <b> %")
    assert ElementTree.fromstring(sheet_svgs(ring, "a3")[0]) is not None
    assert sheet_pdf(ring, "a3").startswith(b"%PDF")


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"diameter_mm": 29.0}, "outside 30 to 400"),
        ({"diameter_mm": 401.0}, "outside 30 to 400"),
        ({"diameter_mm": math.nan}, "outside"),
        ({"height_mm": math.inf}, "outside"),
        ({"height_mm": -1.0}, "outside"),
        ({"camera_height_mm": 80.0}, "too near"),
        ({"camera_height_mm": math.nan}, "too near"),
        ({"camera_height_mm": 1e9}, "too far"),
        ({"markers": 25}, "do not make a ring"),
        ({"markers": 8}, "do not make a ring"),
        ({"diameter_mm": 40.0, "markers": 48}, "Take fewer|leave only"),
        ({"paper": "a9"}, "not known"),
        ({"diameter_mm": 400.0, "height_mm": 160.0, "paper": "a4"}, "does not fit"),
    ],
)
def test_refusals(options: dict[str, object], words: str) -> None:
    with pytest.raises(UsageError, match=words) as caught:
        design_ring(**{"diameter_mm": 160.0, "height_mm": 60.0, **options})  # type: ignore[arg-type]
    assert caught.value.exit_code == 2 and caught.value.hint


def test_a_ring_for_larger_paper_is_refused() -> None:
    with pytest.raises(UsageError, match="does not fit"):
        sheet_pdf(design_ring(160, 60, paper="a3"), "a4")


def test_scattered_pieces_are_refused() -> None:
    ring = design_ring(160, 60, paper="a3")
    scattered = Ring(**{**vars(ring), "pieces": np.arange(24) % 2})
    with pytest.raises(UsageError, match="unbroken"):
        pages(scattered, "a4")


def test_command_writes_definition_and_sheets(tmp_path: Path) -> None:
    folder = tmp_path / "new" / "rings"
    arguments = ["--diameter", "160", "--height", "60", "--paper", "A4", "--out", str(folder), "--json"]
    run = CliRunner().invoke(ring_command, arguments, catch_exceptions=False)
    assert run.exit_code == 0
    names = ["ring-160-a4-1.svg", "ring-160-a4-2.svg", "ring-160-a4.json", "ring-160-a4.pdf"]
    assert sorted(p.name for p in folder.iterdir()) == names
    assert json.loads(run.stdout) == json.loads((folder / "ring-160-a4.json").read_text())
    assert "Wrote" in run.stderr
    low = CliRunner().invoke(ring_command, [*arguments[:-1], "--camera-height", "240"], catch_exceptions=False)
    assert low.exit_code == 0 and "does not see the whole ring" in low.stderr and low.stdout == ""


def test_command_into_a_file_is_refused(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    arguments = ["--diameter", "160", "--height", "60", "--out", str(tmp_path / "file")]
    run = CliRunner().invoke(ring_command, arguments)
    assert isinstance(run.exception, OutputError) and run.exception.exit_code == 9


@pytest.mark.parametrize("paper", PAPERS_MM)
def test_shipped_rings_are_what_the_command_makes(paper: str) -> None:
    ring = design_ring(160, 60, paper=paper)
    stem = CALIBRATION / f"ring-160-{paper}"
    assert json.loads(stem.with_suffix(".json").read_text()) == plain(ring_to_file(ring))
    svgs = sorted(CALIBRATION.glob(f"ring-160-{paper}*.svg"))
    assert len(svgs) == len(pages(ring, paper))
    for path, page in zip(svgs, pages(ring, paper), strict=True):
        root = ElementTree.parse(path).getroot()
        marked = {
            g.get("id") for g in root.iter("{http://www.w3.org/2000/svg}g") if (g.get("id") or "").startswith("marker")
        }
        assert marked == {f"marker-{n}" for n in ring.ids[ring.pieces == page.piece]}
    assert stem.with_suffix(".pdf").read_bytes().startswith(b"%PDF")


def test_printing_is_asked_for_at_true_scale_and_the_file_stays_whole() -> None:
    """ISO 32000-1, 12.2 and 7.5.6: the last catalogue counts, where the last cross-reference table says it lies."""
    pdf = sheet_pdf(design_ring(160, 60, paper="a4"), "a4", "ring-160-a4.json")
    table = int(re.findall(rb"startxref\s+(\d+)", pdf)[-1])
    found = re.match(rb"xref\n1 1\n(\d{10}) 00000 n \n", pdf[table:])
    assert found
    catalogue = pdf[int(found[1]) : table]
    assert catalogue.startswith(b"1 0 obj") and b"/PrintScaling /None" in catalogue and b"/Pages 2 0 R" in catalogue
    with pytest.raises(ValueError, match="plain cross-reference"):
        at_true_scale(b"%PDF-1.7 nothing else")


def test_a_sheet_names_its_definition_its_option_and_how_its_pieces_join() -> None:
    ring = design_ring(160, 60, paper="a4")
    lines = list(words(ring, 2, True, "A4 portrait", "ring-160-a4.json"))
    assert any("ring-160-a4.json" in line and "--ring" in line for line in lines)
    assert any("--check-bar" in line for line in lines)
    assert len(lines) == len(list(words(ring, 2, True, "A4 portrait", ""))) + 1
    first, second = sheet_svgs(ring, "a4", "ring-160-a4.json")
    assert first != sheet_svgs(ring, "a4")[0] and first != second


@pytest.mark.parametrize(("diameter", "height", "paper"), SIZES)
def test_the_upright_bar_is_clear_of_what_is_cut_out_and_true_to_scale(
    diameter: float, height: float, paper: str
) -> None:
    ring = design_ring(diameter, height, paper=paper)
    found = [upright_bar(ring, page) for page in pages(ring, paper)]
    assert any(found)
    for page, text, bar in zip(pages(ring, paper), sheet_svgs(ring, paper), found, strict=True):
        root = ElementTree.fromstring(text)
        groups = [g for g in root.iter("{http://www.w3.org/2000/svg}g") if g.get("id") == "upright-bar-end"]
        assert len(groups) == (2 if bar else 0)
        if bar is None:
            continue
        x, low, length = bar
        assert length in (CHECK_BAR_MM, CHECK_BAR_MM / 2) and low >= PAGE_MARGIN_MM
        assert low + length <= page.height_mm - PAGE_MARGIN_MM
        ends = [page.height_mm - path_points(g)[0, 1] * MM_PER_POINT for g in groups]
        assert sorted(ends) == pytest.approx([low, low + length], abs=0.001)
        outline = page.place(piece_outline(ring, page.start_deg, page.span_deg, page.flaps))
        beside = (outline[:, 1] > low) & (outline[:, 1] < low + length)
        assert np.abs(outline[beside, 0] - x).min(initial=99.0) > 4.5
