"""The scene: marks lie where the record has them, once for every back end, which then draws all of them."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest
from invented_record import HEIGHT, WIDTH, content_of, invented_record, pixels

from bladeangle.page.overlay import ZOOMS, photo_svg
from bladeangle.page.scene import LABEL_SIZE, SPACING, DisplayFrame, Dots, Label, Lines, Scene, scene_of
from bladeangle.records.content import Content

VIEW = DisplayFrame(WIDTH, HEIGHT)


def scene(record: Content, photo: int = 0, unit: float = 2.0) -> Scene:
    return scene_of(record, record.photos[photo], VIEW, unit, unit, ZOOMS)


@pytest.mark.parametrize("photo", [0, 2])  # from above, and from the side
def test_every_point_is_marked_as_kept_or_struck_by_the_nearest_view(photo: int) -> None:
    record, unit = content_of(invented_record(oblique=1)), 2.0
    dots = [mark for mark in scene(record, photo, unit).marks if isinstance(mark, Dots)]
    for role in ("hub", "inlet", "outlet", "struck"):
        points = [
            xy
            for trace in record.photos[photo].traces
            for xy, kept in zip(trace.px, trace.kept, strict=True)
            if role == ("struck" if not kept else trace.face or "hub")
        ]
        drawn = [(round(x, 6), round(y, 6)) for mark in dots if mark.role == role for x, y in mark.points.tolist()]
        assert set(drawn) <= set(points) and len(drawn) == len(set(drawn))  # where the record has them, and once
        reach = SPACING[role] * unit / ZOOMS[-1]
        for x, y in points:
            assert min(np.hypot(x - a, y - b) for a, b in drawn) <= reach
    struck = sum(len(mark.points) for mark in dots if mark.role == "struck")
    assert struck == sum(kept == 0 for trace in record.photos[photo].traces for kept in trace.kept) > 0


def test_the_whole_view_leaves_the_edge_between_its_marks() -> None:
    record = content_of(invented_record(oblique=0))
    for mark in scene(record).marks:
        if isinstance(mark, Dots) and mark.zoom == 1 and len(mark.points) > 1:
            steps = np.linalg.norm(np.diff(mark.points, axis=0), axis=1)
            assert steps.min() >= 2.0 * SPACING[mark.role]


def test_the_arrow_points_from_the_ring_at_its_azimuth() -> None:
    data = invented_record(oblique=0)
    data["ring"]["index_azimuth_deg"] = 90.0
    arrow = next(m for m in scene(content_of(data)).marks if isinstance(m, Lines) and m.role == "arrow")
    photo = data["photos"][0]
    # 1.16 of the ring's outer radius of 125 mm, by the pinhole formula of the invented record
    ends = np.array([[0.0, 125.0, 0.0], [0.0, 1.16 * 125.0, 0.0]])
    r, t = np.array(photo["R_camera_ring"]), np.array(photo["t_camera_ring_mm"])
    expected = pixels(ends, r, t, photo["focal_px"], WIDTH, HEIGHT)
    np.testing.assert_allclose(arrow.lines[0], expected, atol=1e-6)
    np.testing.assert_allclose(arrow.lines[1][1], expected[1], atol=1e-6)


@pytest.mark.parametrize("blades", [1, 3, 6])
def test_labels_lie_in_the_picture_and_over_no_other(blades: int) -> None:
    record = content_of(invented_record(blade_count=blades, oblique=0))
    labels = [mark for mark in scene(record).marks if isinstance(mark, Label)]
    assert [label.number for label in labels] == list(range(1, blades + 1))
    size = LABEL_SIZE * 2.0
    for label in labels:
        assert (label.corner >= 0).all() and (label.corner + size <= [WIDTH, HEIGHT]).all()
        assert label.words[0].text == f"Blade {label.number}"
        for other in labels:
            assert other is label or (np.abs(label.corner - other.corner) >= size).any()


def test_a_station_lies_outside_its_tip_by_what_is_asked() -> None:
    record = content_of(invented_record(oblique=0))
    piece = record.photos[0].stations_px[0]
    line = next(m for m in scene(record).marks if isinstance(m, Lines) and m.title == f"blade 1, {piece.station}")
    px = np.array(piece.px)
    np.testing.assert_allclose(np.linalg.norm(line.lines[0] - px, axis=1), 2.0 * 9.0)
    middle = np.array([WIDTH, HEIGHT]) / 2
    assert (np.linalg.norm(line.lines[0] - middle, axis=1) > np.linalg.norm(px - middle, axis=1)).all()
    assert all(np.linalg.norm(stop[1] - stop[0]) == pytest.approx(2 * 4.5 * 2.0) for stop in line.lines[1:])


def test_what_lies_behind_the_camera_is_left_out() -> None:
    data = invented_record(oblique=0)
    data["photos"][0]["t_camera_ring_mm"] = [0.0, 0.0, -300.0]
    lines = [m for m in scene(content_of(data)).marks if isinstance(m, Lines) and m.role in ("ring", "arrow")]
    assert len(lines) == 2 and not any(m.lines for m in lines)


def test_the_svg_draws_every_primitive() -> None:
    record = content_of(invented_record(oblique=0))
    marks = scene_of(record, record.photos[0], VIEW, WIDTH / 530, WIDTH / 530, ZOOMS).marks
    svg = ET.fromstring(str(photo_svg(record, 0, None, 0)))
    classes = [str(e.get("class") or "") for e in svg.iter()]
    for mark in marks:
        if isinstance(mark, Dots) and mark.role != "struck":
            later = f" from-{mark.zoom}" if mark.zoom > 1 else ""
            drawn = [e for e in svg.iter() if e.get("class") == f"dot {mark.role}{later}"]
            places = {p for e in drawn for p in re.findall(r"M([-\d.]+ [-\d.]+)h0", str(e.get("d")))}
            assert {f"{x:.1f} {y:.1f}" for x, y in mark.points} <= places
    assert classes.count("cross") == sum(len(m.points) for m in marks if isinstance(m, Dots) and m.role == "struck")
    assert classes.count("label full") == classes.count("label brief") == sum(isinstance(m, Label) for m in marks)
    titles = [e.text for e in svg.iter() if e.tag == "title"][1:]
    assert titles == [m.title for m in marks if isinstance(m, Lines) and m.title]
    assert classes.count("arrow") == classes.count("ring") == 1
