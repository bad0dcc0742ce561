"""The picture: marks lie where the record says, in the stated colours; wrong photographs are refused."""

from __future__ import annotations

import time
from pathlib import Path

import cv2
import numpy as np
import pytest
from invented_record import content_of, draw_photo, invented_record, write_photos

from bladeangle.base.errors import PhotoError
from bladeangle.page.picture import draw_overlay, read_for_display, write_picture
from bladeangle.page.scene import INK, OKABE_ITO, DisplayFrame, angle_text, project_ring, shown_centre, thinned


def count(picture: np.ndarray, colour: tuple[int, int, int], px: np.ndarray, reach: float) -> int:
    """How many of the places `px` (n, 2) have the colour within `reach` pixels."""
    hits = 0
    for x, y in px:
        x0, y0 = int(max(x - reach, 0)), int(max(y - reach, 0))
        window = picture[y0 : int(y + reach) + 1, x0 : int(x + reach) + 1].astype(int)
        hits += bool((np.abs(window - colour).sum(2) < 60).any())
    return hits


def test_palette_is_okabe_and_ito() -> None:
    # Okabe and Ito, "Color Universal Design (CUD)", 2008: vermillion (213, 94, 0), bluish green (0, 158, 115).
    assert OKABE_ITO["vermillion"] == (213, 94, 0)
    assert OKABE_ITO["bluish green"] == (0, 158, 115)
    assert len(set(INK.values())) == len(INK)


def test_overlay_draws_every_mark_where_the_record_has_it() -> None:
    record = invented_record()
    plain = np.full((1200, 1600, 3), 120, np.uint8)
    drawn = draw_overlay(plain, content_of(record), 0)
    assert drawn.shape == plain.shape and (plain == 120).all()
    for trace in record["photos"][0]["traces"]:
        px, kept = np.array(trace["px"]), np.array(trace["kept"], bool)
        colour = INK["hub"] if trace["kind"] == "hub" else INK[trace["face"]]
        middle = px[kept][thinned(px[kept], 15.0)][3:-3]
        assert count(drawn, colour, middle, 12) >= 0.7 * len(middle)
        if not kept.all():
            assert count(drawn, INK["struck"], px[~kept], 4) == (~kept).sum()
        else:
            assert count(drawn, INK["struck"], px, 4) == 0
    corner = np.array([[*record["ring"]["markers"][3]["corners_mm"][0], 0.0]])
    assert count(drawn, INK["ring"], project_ring(content_of(record), content_of(record).photos[0], corner), 3) == 1


def test_overlay_at_half_size_moves_the_marks_along() -> None:
    record = invented_record(oblique=0)
    drawn = draw_overlay(np.full((600, 800), 120, np.uint8), content_of(record), 0)
    trace = next(t for t in record["photos"][0]["traces"] if t["blade"] == 1)
    first = np.array(trace["px"])[:1] * 0.5
    assert count(drawn, INK[trace["face"]], first, 3) == 1
    assert count(drawn, INK[trace["face"]], first + np.array([0, 60]), 3) == 0


def test_kept_and_struck_points_differ_in_shape() -> None:
    record = invented_record(oblique=0)
    record["photos"][0]["stations_px"], record["blades"] = [], []
    trace = next(t for t in record["photos"][0]["traces"] if t["kind"] == "hub")
    record["photos"][0]["traces"] = [trace]
    shapes = []
    for kept in (1, 0):
        trace["kept"] = [kept] * len(trace["px"])
        plain = np.full((1200, 1600, 3), 120, np.uint8)
        difference = draw_overlay(plain, content_of(record), 0) != plain
        x, y = np.round(trace["px"][0]).astype(int)
        shapes.append(difference[y - 6 : y + 7, x - 6 : x + 7].any(2))
    assert (shapes[0] != shapes[1]).mean() > 0.1


def test_thinned_points_keep_their_distance() -> None:
    px = np.column_stack([np.arange(0, 10, 0.5), np.zeros(20)])
    assert thinned(px, 2.0).tolist() == [0, 4, 8, 12, 16]
    assert thinned(px, 0.1).tolist() == list(range(20))
    assert thinned(px[:0], 2.0).tolist() == []


def test_a_record_that_puts_the_ring_behind_the_camera_is_still_drawn() -> None:
    record = invented_record(oblique=0)
    record["photos"][0]["t_camera_ring_mm"] = [0.0, 0.0, -300.0]
    drawn = draw_overlay(np.full((600, 800), 120, np.uint8), content_of(record), 0)
    assert (drawn != 120).any()
    assert np.isfinite(shown_centre(content_of(record), content_of(record).photos[0], DisplayFrame(1600, 1200))).all()


def test_points_behind_the_camera_are_nan() -> None:
    record = invented_record(oblique=0)
    px = project_ring(content_of(record), content_of(record).photos[0], np.array([[0.0, 0.0, 0.0], [0.0, 0.0, 900.0]]))
    assert np.isfinite(px[0]).all() and np.isnan(px[1]).all()
    assert np.hypot(*(px[0] - [799.5, 599.5])) < 100


def test_written_picture_has_all_photographs_and_is_fast(tmp_path: Path) -> None:
    record = invented_record(turned=True, oblique=2)
    paths = write_photos(record, tmp_path)
    start = time.process_time()
    write_picture(tmp_path / "out.png", content_of(record), paths)
    assert time.process_time() - start < 0.5 * len(paths) + 1.0
    picture = cv2.imread(str(tmp_path / "out.png"))
    assert picture is not None
    # Two overhead photographs of 1500 px side by side, two oblique ones below, captions and legend around.
    assert picture.shape[1] == 3000
    assert 2 * 1125 < picture.shape[0] < 2 * 1125 + 600
    for row in (0.25, 0.7):
        for column in (0.25, 0.75):
            y, x = int(picture.shape[0] * row), int(3000 * column)
            assert picture[y - 200 : y + 200, x - 200 : x + 200].std() > 10


def test_turned_view_moves_pixels_as_the_picture_moves() -> None:
    stored = np.zeros((30, 40), np.uint8)
    stored[4, 7] = 1
    for turns in range(4):
        shown = np.rot90(stored, -turns)
        view = DisplayFrame(40, 30, 1.0, turns)
        assert view.size == tuple(reversed(shown.shape))
        x, y = view.place([[7.0, 4.0]])[0]
        assert shown[round(y), round(x)] == 1


def test_turned_overlay_is_the_overlay_turned() -> None:
    record = invented_record(oblique=0)
    record["blades"] = []  # labels stay upright, all else turns along
    plain = np.full((1200, 1600), 120, np.uint8)
    straight, turned = (draw_overlay(plain, content_of(record), 0, turns) for turns in (0, 1))
    assert turned.shape == (1600, 1200, 3)
    # Line widths follow the picture's width, so the marks agree in place and not in every pixel.
    differ = (np.rot90(straight, -1) != 120).any(2) != (turned != 120).any(2)
    marked = (turned != 120).any(2).mean()
    assert 0.005 < marked < 0.2
    assert differ.mean() < 0.5 * marked


def test_stations_not_seen_are_said() -> None:
    record = invented_record(turned=False, oblique=0)
    blade = content_of(record).blades[0]
    assert angle_text(blade.stations.exit) == "not seen"
    assert angle_text(blade.stations.entry) == "9.30 ± 0.22°"
    draw_overlay(draw_photo(record, 0), content_of(record), 0)


def test_other_photographs_are_refused(tmp_path: Path) -> None:
    record = invented_record(oblique=0)
    paths = write_photos(record, tmp_path)
    with pytest.raises(PhotoError, match="not the photograph that was measured"):
        write_picture(tmp_path / "out.png", content_of(record), paths[::-1])
    (tmp_path / "text.png").write_text("not a picture")
    for path in (tmp_path / "text.png", tmp_path / "missing.png", tmp_path):
        with pytest.raises(PhotoError):
            read_for_display(path, content_of(record).photos[0], 800)
    assert not (tmp_path / "out.png").exists()
