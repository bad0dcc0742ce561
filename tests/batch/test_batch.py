"""The shelf: jobs, resuming and the results.

Most rotors here are measured by a stand-in: what is tested is what becomes of a result, not how it is found.
"""

from __future__ import annotations

import csv
import functools
import os
import shutil
import zlib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from invented_record import invented_record, ring_definition, write_photos
from shelf_stand_in import contents, measured, put, run, settings, words_of_the_command

from bladeangle import batch
from bladeangle.base.errors import DefinitionError, OutputError, PhotoError, RecordError, UsageError
from bladeangle.batch import Job, jobs_in_folder, jobs_of_manifest, results, run_batch, work
from bladeangle.cli.main import main
from bladeangle.imaging.ring import ring_from_dict
from bladeangle.inventory import Failure, Inventory
from bladeangle.pipeline.measure import Options
from bladeangle.records.record import record_from_dict


@pytest.fixture
def calls(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> list[str]:
    return words_of_the_command(monkeypatch, tmp_path)


# --- jobs ------------------------------------------------------------------------------------------------------------


def test_a_folder_of_folders(tmp_path: Path) -> None:
    for name in (
        "b/one.jpg",
        "b/Turned-2.PNG",
        "b/outlet/x.heic",
        "b/notes.txt",
        "b/.hidden.jpg",
        "a/x.jpeg",
        "a/y.tif",
    ):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text("")
    (tmp_path / "b" / "other").mkdir()
    (tmp_path / "b" / "other" / "z.jpg").write_text("")
    (tmp_path / ".git").mkdir()
    (tmp_path / "loose.jpg").write_text("")
    (tmp_path / "results").mkdir()
    (tmp_path / "results" / batch.INVENTORY).write_text("")
    (tmp_path / "empty").mkdir()
    a, b, empty = jobs_in_folder(tmp_path)
    assert (a.rotor, [p.name for p in a.inlet_up], a.turned) == ("a", ["x.jpeg", "y.tif"], ())
    assert (b.rotor, [p.name for p in b.inlet_up]) == ("b", ["one.jpg"])
    assert [p.name for p in b.turned] == ["Turned-2.PNG", "x.heic"]
    assert (empty.rotor, empty.inlet_up, empty.turned) == ("empty", (), ())
    assert all(p.is_absolute() for p in a.inlet_up + b.turned)


def test_a_folder_without_rotors_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="no subfolders"):
        jobs_in_folder(tmp_path)
    with pytest.raises(UsageError, match="cannot be read"):
        jobs_in_folder(tmp_path / "missing")


@pytest.mark.parametrize("separator", [",", ";"])
def test_a_manifest(tmp_path: Path, separator: str) -> None:
    rows = [
        ["Rotor", "photo ", "standing", "diameter_mm", "Tips", "bore_mm"],
        ["heron", "a.jpg", "inlet_up", "155.4", "new", ""],
        ["heron", "sub/b.jpg", "Outlet_Up", "", "", "156.0"],
        ["tern", "/x/c.jpg", "", "", "", ""],
        ["tern", "d.jpg", "turned", "", "", ""],
    ]
    path = tmp_path / "shelf.csv"
    path.write_text("\ufeff" + "\r\n".join(separator.join(row) for row in rows), encoding="utf-8")
    heron, tern = jobs_of_manifest(path)
    told = (("bore_mm", 156.0), ("diameter_mm", 155.4), ("tips", "new"))
    assert heron == Job("heron", (tmp_path / "a.jpg",), (tmp_path / "sub" / "b.jpg",), told)
    assert tern == Job("tern", (Path("/x/c.jpg").absolute(),), (tmp_path / "d.jpg",), ())


@pytest.mark.parametrize(
    "text",
    [
        b"",
        b"rotor,photo\na,b\n",
        b"rotor,photo,standing\n",
        b"rotor,photo,standing\na,b.jpg,sideways\n",
        b"rotor,photo,standing\n,b.jpg,turned\n",
        b"rotor,photo,standing\na\n",
        b"rotor,photo,standing,diameter_mm\na,b.jpg,turned,nan\n",
        b"rotor,photo,standing,diameter_mm\na,b.jpg,turned,wide\n",
        b"rotor,photo,standing,tips\na,b.jpg,turned,worn\n",
        b"\xff\xfe\x00rotor",
        b"rotor,photo,standing\na," + b"x" * 200_000 + b",turned\n",
    ],
)
def test_a_wrong_manifest_is_refused(tmp_path: Path, text: bytes) -> None:
    path = tmp_path / "shelf.csv"
    path.write_bytes(text)
    with pytest.raises(DefinitionError, match="manifest"):
        jobs_of_manifest(path)


def test_a_missing_manifest_is_refused(tmp_path: Path) -> None:
    with pytest.raises(DefinitionError, match="no folder or manifest"):
        jobs_of_manifest(tmp_path / "missing.csv")


def test_the_key_holds_what_the_result_depends_on(tmp_path: Path) -> None:
    folder = put(tmp_path / "a")
    (job,) = jobs_in_folder(tmp_path)

    def key(job: Job = job, **more: Any) -> str:
        return work.keys_of(job, work.hashes_of(job), settings(**more))[0]

    first = key()
    swapped = Job(job.rotor, job.turned, job.inlet_up)
    changes = [
        key(options=Options(check_bar_mm=99.0)),
        key(ring=ring_from_dict(ring_definition() | {"index_azimuth_deg": 1.0})),
        key(Job("b", job.inlet_up, job.turned)),
        key(Job(job.rotor, job.inlet_up, job.turned, (("diameter_mm", 155.0),))),
        key(options=Options(tips="new")),
        key(swapped),
        key(Job(job.rotor, job.inlet_up)),
    ]
    assert len({first, *changes}) == 8
    (folder / "inlet.jpg").rename(folder / "renamed.jpg")
    (renamed,) = jobs_in_folder(tmp_path)
    assert key(renamed) == first
    (folder / "renamed.jpg").write_text("{ }")
    assert key(renamed) != first


# --- results ---------------------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_a_shelf_of_forty(tmp_path: Path, calls: list[str]) -> None:
    shelf = tmp_path / "shelf"
    for i in range(37):
        put(shelf / f"rotor-{i:02}", angle_deg=i / 10, turned=i % 2 == 0)
    for name in ("broken-1", "broken-2"):
        put(shelf / name)
        (shelf / name / "inlet.jpg").write_bytes(b"\xff\xd8\xff" + name.encode())
    put(shelf / "no-ring", do="no ring")
    outcome = CliRunner().invoke(main, ["batch", str(shelf), *calls, "--workers", "2"])
    assert outcome.exit_code == 11, outcome.output
    assert outcome.stdout == ""
    assert "37 of 40 rotors are measured, 3 failed" in outcome.stderr
    for name, what in (("broken-1", "damaged"), ("broken-2", "damaged"), ("no-ring", "No ring is seen")):
        assert [line for line in outcome.stderr.splitlines() if line.startswith(f"{name}: ") and what in line]
    records, failures = contents(tmp_path / "out")
    assert sorted(records) == [f"rotor-{i:02}" for i in range(37)]
    assert set(failures) == {"broken-1", "broken-2", "no-ring"}
    assert all(records[name]["name"] == name for name in records)
    assert records["rotor-12"]["rotor"]["stations"]["entry"]["angle_deg"] == pytest.approx(9.5 + 1.2)

    rows = list(csv.DictReader((tmp_path / "out" / batch.CSV).read_text(encoding="utf-8-sig").splitlines()))
    assert len(rows) == 37 * (3 + 1) * 3
    assert [r["name"] for r in rows[::12]] == [f"rotor-{i:02}" for i in range(37)]
    from openpyxl import load_workbook

    sheet = load_workbook(tmp_path / "out" / batch.XLSX, read_only=True).active
    cells = list(sheet.iter_rows(values_only=True))
    assert len(cells) == len(rows) + 1
    assert list(cells[0]) == list(rows[0])
    assert float(rows[5]["angle [deg]"]) == cells[6][6]
    assert (tmp_path / "out" / batch.CONTACT_SHEET).read_bytes().startswith(b"\x89PNG")

    # Again: nothing is measured, the failures stand.
    before = measured(shelf)
    again = CliRunner().invoke(main, ["batch", str(shelf), *calls])
    assert again.exit_code == 11
    assert "40 of 40 rotors are done already" in again.stderr
    assert measured(shelf) == before
    # A broken file replaced: it alone is measured.
    (shelf / "broken-1" / "inlet.jpg").write_text("{}")
    CliRunner().invoke(main, ["batch", str(shelf), *calls])
    assert measured(shelf) == before + 1
    assert set(contents(tmp_path / "out")[1]) == {"broken-2", "no-ring"}


def test_all_good_ends_with_zero_and_a_manifest_gives_diameters(tmp_path: Path, calls: list[str]) -> None:
    put(tmp_path / "shelf" / "a")
    (tmp_path / "shelf.csv").write_text("rotor,photo,standing,diameter_mm,tips\nheron,shelf/a/inlet.jpg,,155.5,new\n")
    outcome = CliRunner().invoke(main, ["batch", str(tmp_path / "shelf.csv"), *calls, "--workers", "1", "--verbose"])
    assert outcome.exit_code == 0, outcome.output
    assert "heron: measured" in outcome.stderr
    records, failures = contents(tmp_path / "out")
    assert records["heron"]["options"]["diameter_mm"] == 155.5
    assert records["heron"]["options"]["tips"] == "new"
    assert failures == {}


def test_changed_settings_measure_again_and_keep_both(tmp_path: Path) -> None:
    put(tmp_path / "shelf" / "a")
    assert run(tmp_path / "shelf", tmp_path / "out").measured == 1
    assert run(tmp_path / "shelf", tmp_path / "out", options=Options(check_bar_mm=99.5)).measured == 1
    summary = run(tmp_path / "shelf", tmp_path / "out")
    assert (summary.measured, summary.resumed) == (0, 1)
    with Inventory(tmp_path / "out" / batch.INVENTORY) as db:
        assert db.count() == (1, 2)


def test_hostile_names(tmp_path: Path, calls: list[str]) -> None:
    shelf = tmp_path / "shelf"
    names = [
        "=1+2",
        "a\nb",
        "x\u2215..",
        "x" * 255,
        "'; DROP TABLE records; --",
        "\x1b[2J",
        "ä ø 漢",
        " -o",
    ]
    for name in names:
        put(shelf / name)
    os.mkdir(os.fsencode(shelf) + b"/\xff\xfe")
    shutil.copy(os.fsencode(shelf / "=1+2" / "inlet.jpg"), os.fsencode(shelf) + b"/\xff\xfe/inlet.jpg")
    outcome = CliRunner().invoke(main, ["batch", str(shelf), *calls, "--workers", "2", "--verbose"])
    assert outcome.exit_code == 0, outcome.output
    records, _ = contents(tmp_path / "out")
    assert len(records) == len(names) + 1
    assert all(name.isprintable() and len(name) <= 200 for name in records)
    assert "\x1b" not in outcome.stderr
    rows = list(csv.reader((tmp_path / "out" / batch.CSV).read_text(encoding="utf-8-sig").splitlines()))
    assert not [row for row in rows if row[0].startswith("=")]
    listed = CliRunner().invoke(main, ["inventory", str(tmp_path / "out" / batch.INVENTORY)])
    assert listed.exit_code == 0
    assert len(listed.stdout.splitlines()) == len(names) + 2


def test_a_photograph_that_is_not_there_is_a_failure_and_tried_again(tmp_path: Path) -> None:
    manifest = tmp_path / "shelf.csv"
    manifest.write_text("rotor,photo,standing\na,a.jpg,\nb,b.jpg,\n")
    (tmp_path / "b.jpg").write_text("{}")
    engine = functools.partial(batch.run_processes, workers=1)
    summary = run_batch(jobs_of_manifest(manifest), settings(), tmp_path / "out", engine)
    assert [(f.rotor, f.exit_code) for f in summary.failures] == [("a", PhotoError.exit_code)]
    assert "a.jpg" in summary.failures[0].message
    (tmp_path / "a.jpg").write_text("{}")
    summary = run_batch(jobs_of_manifest(manifest), settings(), tmp_path / "out", engine)
    assert (summary.measured, summary.resumed, summary.failures) == (1, 1, ())


def test_an_output_that_cannot_be_is_refused(tmp_path: Path) -> None:
    put(tmp_path / "shelf" / "a")
    (tmp_path / "file").write_text("")
    with pytest.raises(OutputError, match="cannot be made"):
        run(tmp_path / "shelf", tmp_path / "file" / "out")
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / batch.INVENTORY).write_text("not a database, and longer than its header would be" * 20)
    with pytest.raises(RecordError, match="damaged"):
        run(tmp_path / "shelf", tmp_path / "out")
    assert measured(tmp_path / "shelf") == 0


def test_the_contact_sheet_shows_the_photographs(tmp_path: Path) -> None:
    record = invented_record(oblique=0)
    paths = write_photos(record, tmp_path)
    packed = work.picture_of(
        record_from_dict(record), {p["sha256"]: q for p, q in zip(record["photos"], paths, strict=True)}
    )
    assert packed is not None
    small = work.unpacked(packed)
    assert small is not None
    assert small.shape == (240, 320, 3)
    colours = small.reshape(-1, 3).astype(int)
    assert (np.ptp(colours, axis=1) > 60).mean() > 0.005  # the photograph is grey, what is drawn on it has colours
    assert work.picture_of(record_from_dict(record), {}) is None
    # what is not a picture of ours, or grows far beyond one, is none
    bomb = packed[:2] + zlib.compress(bytes(20_000_000))
    for other in (b"", packed[:2], packed[:40], b"\0\0" + packed[2:], b"\xff\xff" + packed[2:], bomb):
        assert work.unpacked(other) is None
    with Inventory(tmp_path / "i.sqlite", create=True) as db:
        db.add("k", "p", "heron", record_from_dict(record), packed)
        failure = Failure("tern", None, 5, "No ring is seen.", "")
        results.write_contact_sheet(["k", failure, "k"], db, tmp_path / "sheet.png")
        import cv2

        sheet = cv2.imread(str(tmp_path / "sheet.png"))
        assert sheet is not None
        assert sheet.shape == (2 * 304, 2 * 320, 3)
        tiles = [sheet[:228, :320], sheet[:228, 320:], sheet[304:532, :320]]
        assert [tile.std() > 10 for tile in tiles] == [True, False, True]
        np.testing.assert_array_equal(tiles[0], tiles[2])


def test_a_long_contact_sheet_is_bounded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import cv2

    monkeypatch.setattr(results, "SHEET_PIXELS", 1_000_000)
    failures = [Failure(f"rotor {i}", None, 5, "No ring is seen.", "") for i in range(500)]
    with Inventory(tmp_path / "i.sqlite", create=True) as db:
        results.write_contact_sheet(failures, db, tmp_path / "sheet.png")
    sheet = cv2.imread(str(tmp_path / "sheet.png"))
    assert sheet is not None
    height, width, _ = sheet.shape
    assert 0.8e6 < height * width < 1.1e6
    assert 0.5 < height / width < 1.5


def test_the_measurement_itself_is_what_workers_call(tmp_path: Path) -> None:
    (job,) = (put(tmp_path / "a"), jobs_in_folder(tmp_path))[1]
    outcome = work.work(job, settings(measurer=work.MEASURER))
    assert outcome.failure is not None
    assert (outcome.failure.rotor, outcome.failure.exit_code) == ("a", PhotoError.exit_code)
    assert outcome.failure.key == outcome.key is not None
    assert "inlet.jpg" in outcome.failure.message
