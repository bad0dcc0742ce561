"""The shelf: jobs, worker processes that die, resuming, the results, and a real Dask cluster.

Most rotors here are measured by a stand-in that reads a small JSON text in place of each photograph: what is tested is
what becomes of a result, not how it is found.
"""

from __future__ import annotations

import csv
import functools
import json
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from invented_record import invented_record, ring_definition, write_photos

from bladeangle import batch
from bladeangle.batch import Job, Settings, engines, jobs_in_folder, jobs_of_manifest, results, run_batch, work
from bladeangle.camera import Camera
from bladeangle.cli.main import main
from bladeangle.errors import DefinitionError, OutputError, PhotoError, RecordError, RingNotFoundError, UsageError
from bladeangle.inventory import Inventory
from bladeangle.measure import Options
from bladeangle.record import Record, record_from_dict
from bladeangle.ring import Ring, ring_from_dict

STAND_IN = "test_batch:stand_in"
RING = ring_from_dict(ring_definition())


def stand_in(
    standing: Sequence[Path], turned: Sequence[Path], ring: Ring, camera: Camera | None, options: Options, name: str
) -> Record:
    """A record from JSON texts: `angle_deg` shifts the entry, `do` says what goes wrong, `wait_s` how long it takes."""
    try:
        told = json.loads(standing[0].read_text())
    except ValueError as error:
        raise PhotoError(f"{standing[0].name} is damaged.", "Copy it again.") from error
    # One line for each measurement, to count them.
    with open(standing[0].parent / "measured.log", "a") as log:
        log.write(f"{os.getpid()}\n")
    time.sleep(told.get("wait_s", 0.0))
    match told.get("do"):
        case "no ring":
            raise RingNotFoundError(f"No ring is seen in {standing[0].name}.", "Show the whole ring.")
        case "die":
            os._exit(3)
        case "die once" if len((standing[0].parent / "measured.log").read_text().split()) == 1:
            os.kill(os.getpid(), getattr(signal, "SIGKILL", signal.SIGTERM))
        case "lose machine" if len((standing[0].parent / "measured.log").read_text().split()) == 1:
            assert os.getppid() != told["spare"]
            os.kill(os.getppid(), signal.SIGKILL)
        case "fault":
            raise ZeroDivisionError("a number")
        case "memory":
            raise MemoryError
    data = invented_record(name=name, oblique=0, turned=bool(turned))
    for blade in data["blades"]:
        blade["stations"]["entry"]["angle_deg"] += told.get("angle_deg", 0.0)
    data["rotor"]["stations"]["entry"]["angle_deg"] += told.get("angle_deg", 0.0)
    data["options"]["diameter_mm"] = options.diameter_mm
    return record_from_dict(data)


def put(folder: Path, *, turned: bool = True, **told: Any) -> Path:
    """A rotor's folder with its "photographs"."""
    folder.mkdir(parents=True)
    (folder / "inlet.jpg").write_text(json.dumps({"of": folder.name} | told))
    if turned:
        (folder / "outlet.JPG").write_text("{}")
    return folder


def settings(**more: Any) -> Settings:
    """Settings with the stand-in."""
    return Settings(**({"ring": RING, "camera": None, "options": Options(), "measurer": STAND_IN} | more))


def run(folder: Path, out: Path, workers: int = 1, **more: Any) -> batch.Summary:
    """The batch over a folder."""
    engine = functools.partial(batch.run_processes, workers=workers)
    return run_batch(jobs_in_folder(folder), settings(**more), out, engine)


def measured(folder: Path) -> int:
    """How often a rotor of the folder was measured."""
    return sum(len(log.read_text().split()) for log in folder.glob("*/measured.log"))


def contents(out: Path) -> tuple[dict[str, Any], dict[str, str]]:
    """Rotor -> record and rotor -> message of an inventory whose file is found whole."""
    db = sqlite3.connect(out / batch.INVENTORY)
    try:
        assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        rows = db.execute("SELECT rotor, json, key FROM records JOIN bodies USING (id)").fetchall()
        angles = db.execute("SELECT count(*) FROM angles").fetchone()[0]
        assert angles == sum(len(json.loads(text)["covariance"]["labels"]) for _, text, _ in rows)
        assert len({key for *_, key in rows}) == len(rows)
        return {r: json.loads(t) for r, t, _ in rows}, dict(db.execute("SELECT rotor, message FROM failures"))
    finally:
        db.close()


@pytest.fixture
def calls(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[list[str]]:
    """Words of the command with the stand-in in force."""
    monkeypatch.setattr(work, "MEASURER", STAND_IN)
    (tmp_path / "ring.json").write_text(json.dumps(ring_definition()))
    return ["--ring", str(tmp_path / "ring.json"), "--out", str(tmp_path / "out")]


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
    assert (a.rotor, [p.name for p in a.standing], a.turned) == ("a", ["x.jpeg", "y.tif"], ())
    assert (b.rotor, [p.name for p in b.standing]) == ("b", ["one.jpg"])
    assert [p.name for p in b.turned] == ["Turned-2.PNG", "x.heic"]
    assert (empty.rotor, empty.standing, empty.turned) == ("empty", (), ())
    assert all(p.is_absolute() for p in a.standing + b.turned)


def test_a_folder_without_rotors_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="no subfolders"):
        jobs_in_folder(tmp_path)
    with pytest.raises(UsageError, match="cannot be read"):
        jobs_in_folder(tmp_path / "missing")


@pytest.mark.parametrize("separator", [",", ";"])
def test_a_manifest(tmp_path: Path, separator: str) -> None:
    rows = [
        ["Rotor", "photo ", "standing", "diameter_mm"],
        ["heron", "a.jpg", "inlet_up", "155.4"],
        ["heron", "sub/b.jpg", "Outlet_Up", ""],
        ["tern", "/x/c.jpg", "", ""],
        ["tern", "d.jpg", "turned", ""],
    ]
    path = tmp_path / "shelf.csv"
    path.write_text("\ufeff" + "\r\n".join(separator.join(row) for row in rows), encoding="utf-8")
    heron, tern = jobs_of_manifest(path)
    assert heron == Job("heron", (tmp_path / "a.jpg",), (tmp_path / "sub" / "b.jpg",), 155.4)
    assert tern == Job("tern", (Path("/x/c.jpg").absolute(),), (tmp_path / "d.jpg",), None)


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
    with pytest.raises(DefinitionError, match="cannot be read"):
        jobs_of_manifest(tmp_path / "missing.csv")


def test_the_key_holds_what_the_result_depends_on(tmp_path: Path) -> None:
    folder = put(tmp_path / "a")
    (job,) = jobs_in_folder(tmp_path)

    def key(job: Job = job, **more: Any) -> str:
        return work.keys_of(job, work.hashes_of(job), settings(**more))[0]

    first = key()
    swapped = Job(job.rotor, job.turned, job.standing)
    changes = [
        key(options=Options(check_bar_mm=99.0)),
        key(ring=ring_from_dict(ring_definition() | {"index_azimuth_deg": 1.0})),
        key(Job("b", job.standing, job.turned)),
        key(Job(job.rotor, job.standing, job.turned, 155.0)),
        key(swapped),
        key(Job(job.rotor, job.standing)),
    ]
    assert len({first, *changes}) == 7
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
    (tmp_path / "shelf.csv").write_text("rotor,photo,standing,diameter_mm\nheron,shelf/a/inlet.jpg,,155.5\n")
    outcome = CliRunner().invoke(main, ["batch", str(tmp_path / "shelf.csv"), *calls, "--workers", "1", "--verbose"])
    assert outcome.exit_code == 0, outcome.output
    assert "heron: measured" in outcome.stderr
    records, failures = contents(tmp_path / "out")
    assert records["heron"]["options"]["diameter_mm"] == 155.5
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
    shutil.copy(shelf / "=1+2" / "inlet.jpg", os.fsencode(shelf) + b"/\xff\xfe/inlet.jpg")
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
    assert small.shape == (240, 320, 3)
    colours = small.reshape(-1, 3).astype(int)
    assert (np.ptp(colours, axis=1) > 60).mean() > 0.005  # the photograph is grey, what is drawn on it has colours
    assert work.picture_of(record_from_dict(record), {}) is None
    with Inventory(tmp_path / "i.sqlite", create=True) as db:
        db.add("k", "p", "heron", record_from_dict(record), packed)
        failure = batch.Failure("tern", None, 5, "No ring is seen.", "")
        results.write_contact_sheet(["k", failure, "k"], db, tmp_path / "sheet.png")
        import cv2

        sheet = cv2.imread(str(tmp_path / "sheet.png"))
        assert sheet.shape == (2 * 304, 2 * 320, 3)
        tiles = [sheet[:228, :320], sheet[:228, 320:], sheet[304:532, :320]]
        assert [tile.std() > 10 for tile in tiles] == [True, False, True]
        np.testing.assert_array_equal(tiles[0], tiles[2])


def test_a_long_contact_sheet_is_bounded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import cv2

    monkeypatch.setattr(results, "SHEET_PIXELS", 1_000_000)
    failures = [batch.Failure(f"rotor {i}", None, 5, "No ring is seen.", "") for i in range(500)]
    with Inventory(tmp_path / "i.sqlite", create=True) as db:
        results.write_contact_sheet(failures, db, tmp_path / "sheet.png")
    height, width, _ = cv2.imread(str(tmp_path / "sheet.png")).shape
    assert 0.8e6 < height * width < 1.1e6
    assert 0.5 < height / width < 1.5


def test_the_measurement_itself_is_what_workers_call(tmp_path: Path) -> None:
    (job,) = (put(tmp_path / "a"), jobs_in_folder(tmp_path))[1]
    outcome = work.work(job, settings(measurer=work.MEASURER))
    assert outcome.failure is not None
    assert (outcome.failure.rotor, outcome.failure.exit_code) == ("a", PhotoError.exit_code)
    assert outcome.failure.key == outcome.key is not None
    assert "inlet.jpg" in outcome.failure.message


# --- processes that die ----------------------------------------------------------------------------------------------


def test_dead_slow_and_faulty_workers_are_named_and_stop_nobody(tmp_path: Path) -> None:
    shelf = tmp_path / "shelf"
    for i in range(3):
        put(shelf / f"good-{i}", wait_s=0.05)
    put(shelf / "a-dies", do="die")
    put(shelf / "b-dies-once", do="die once")
    put(shelf / "c-hangs", wait_s=60)
    put(shelf / "d-fault", do="fault")
    put(shelf / "e-memory", do="memory")
    (shelf / "f-empty").mkdir()
    start = time.monotonic()
    summary = run(shelf, tmp_path / "out", workers=2, limit_s=4.0)
    assert time.monotonic() - start < 40
    failures = {f.rotor: f for f in summary.failures}
    assert set(failures) == {"a-dies", "c-hangs", "d-fault", "e-memory", "f-empty"}
    assert "exit code 3" in failures["a-dies"].message
    assert "longer than 4 s" in failures["c-hangs"].message
    assert "ZeroDivisionError: a number" in failures["d-fault"].message
    assert "memory" in failures["e-memory"].message
    assert "no photographs" in failures["f-empty"].message
    assert summary.measured == 4
    logs = {f.name: (f / "measured.log").read_text().split() for f in shelf.iterdir() if f.name != "f-empty"}
    assert {name: len(lines) for name, lines in logs.items()} == {
        "a-dies": 2,
        "b-dies-once": 2,
        "c-hangs": 1,
        "d-fault": 1,
        "e-memory": 1,
        "good-0": 1,
        "good-1": 1,
        "good-2": 1,
    }
    # Deaths, time limits and faults are tried again by the next batch, what the photographs lack is not.
    (shelf / "a-dies" / "inlet.jpg").write_text("{}")
    (shelf / "c-hangs").rename(tmp_path / "away")
    assert [f.rotor for f in run(shelf, tmp_path / "out").failures] == ["d-fault", "e-memory", "f-empty"]
    assert len((shelf / "d-fault" / "measured.log").read_text().split()) == 2


def test_workers_keep_to_one_thread_and_the_environment_comes_back(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("MKL_NUM_THREADS", raising=False)
    monkeypatch.setenv("OMP_NUM_THREADS", "7")
    with engines._one_thread():
        assert (os.environ["OMP_NUM_THREADS"], os.environ["MKL_NUM_THREADS"]) == ("1", "1")
    assert os.environ["OMP_NUM_THREADS"] == "7"
    assert "MKL_NUM_THREADS" not in os.environ


def batch_process(shelf: Path, out: Path, ring: Path, stderr: int = subprocess.DEVNULL) -> subprocess.Popen[str]:
    """The real command with the stand-in, in a process group of its own."""
    code = (
        f"import sys; sys.path.insert(0, {str(Path(__file__).parent)!r})\n"
        "from bladeangle.batch import work\nfrom bladeangle.cli.main import main\n"
        f"work.MEASURER = {STAND_IN!r}\n"
        f"main(['batch', {str(shelf)!r}, '--ring', {str(ring)!r}, '--out', {str(out)!r}, '--workers', '2'])\n"
    )
    return subprocess.Popen(
        [sys.executable, "-c", code], stderr=stderr, text=True, start_new_session=True, cwd=Path(__file__).parent.parent
    )


@pytest.fixture
def ring_file(tmp_path: Path) -> Path:
    path = tmp_path / "ring.json"
    path.write_text(json.dumps(ring_definition()))
    return path


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="signals as POSIX has them")
def test_killed_at_ten_moments_and_resumed_it_is_the_same(tmp_path: Path, ring_file: Path) -> None:
    shelf = tmp_path / "shelf"
    for i in range(37):
        put(shelf / f"rotor-{i:02}", angle_deg=i / 10, wait_s=0.15)
    for name in ("broken-1", "broken-2"):
        put(shelf / name)
        (shelf / name / "inlet.jpg").write_bytes(b"\xff\xd8\xff")
    put(shelf / "no-ring", do="no ring")
    assert batch_process(shelf, tmp_path / "whole", ring_file).wait(120) == 11
    assert measured(shelf) == 38
    moments = random.Random(7)
    counts = []
    for _ in range(10):
        process = batch_process(shelf, tmp_path / "out", ring_file)
        time.sleep(moments.uniform(0.5, 2.5))
        process.kill()
        process.wait(30)
        if (tmp_path / "out" / batch.INVENTORY).exists() and (tmp_path / "out" / batch.INVENTORY).stat().st_size:
            counts.append(len(contents(tmp_path / "out")[0]))
    process = batch_process(shelf, tmp_path / "out", ring_file)
    assert process.wait(120) == 11
    assert contents(tmp_path / "out") == contents(tmp_path / "whole")
    # The kills hit while it worked, and what was finished stayed.
    assert counts == sorted(counts)
    assert counts[0] < 37
    for name in (batch.CSV,):
        assert (tmp_path / "out" / name).read_bytes() == (tmp_path / "whole" / name).read_bytes()


def gone(pid: int) -> bool:
    """Whether the process ends within ten seconds; an orphan that nobody has waited for yet has ended as well."""
    for _ in range(100):
        try:
            os.kill(pid, 0)
        except ProcessLookupError:
            return True
        stat = Path("/proc") / str(pid) / "stat"
        if stat.is_file() and stat.read_text().rsplit(")", 1)[1].split()[0] == "Z":
            return True
        time.sleep(0.1)
    return False


@pytest.mark.skipif(os.name == "nt", reason="signals as POSIX has them")
def test_workers_end_with_a_killed_batch(tmp_path: Path, ring_file: Path) -> None:
    shelf = tmp_path / "shelf"
    put(shelf / "slow", wait_s=60)
    process = batch_process(shelf, tmp_path / "out", ring_file)
    while not (shelf / "slow" / "measured.log").exists():
        assert process.poll() is None
        time.sleep(0.05)
    process.kill()
    process.wait(10)
    time.sleep(0.1)
    assert gone(int((shelf / "slow" / "measured.log").read_text()))


@pytest.mark.skipif(os.name == "nt", reason="signals as POSIX has them")
def test_interrupted_it_keeps_what_is_finished(tmp_path: Path, ring_file: Path) -> None:
    shelf = tmp_path / "shelf"
    for i in range(4):
        put(shelf / f"a-{i}")
    for i in range(2):
        put(shelf / f"b-{i}", wait_s=60)
    process = batch_process(shelf, tmp_path / "out", ring_file, subprocess.PIPE)
    try:
        for _ in range(600):
            if len(list(shelf.glob("b-*/measured.log"))) == 2:
                break
            time.sleep(0.05)
        start = time.monotonic()
        os.killpg(process.pid, signal.SIGINT)  # as a terminal does it: to the workers, too
        _, told = process.communicate(timeout=30)
    finally:
        process.kill()
    assert time.monotonic() - start < 10
    assert process.returncode == 130
    assert "the same command goes on" in told
    assert "Traceback" not in told
    assert sorted(contents(tmp_path / "out")[0]) == [f"a-{i}" for i in range(4)]
    workers = {int(pid) for log in shelf.glob("b-*/measured.log") for pid in log.read_text().split()}
    assert len(workers) == 2
    assert all(gone(worker) for worker in workers)


# --- the cluster -----------------------------------------------------------------------------------------------------


def test_a_cluster_needs_its_engine(tmp_path: Path, calls: list[str]) -> None:
    put(tmp_path / "shelf" / "a")
    outcome = CliRunner().invoke(main, ["batch", str(tmp_path / "shelf"), *calls, "--cluster", "tcp://127.0.0.1:1"])
    assert outcome.exit_code == 2
    assert "--engine dask" in outcome.stderr


def test_without_dask_it_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "dask", None)
    with pytest.raises(UsageError) as refused:
        next(batch.run_dask([Job("a", ())], settings(), 1))
    assert "bladeangle[dask]" in refused.value.hint


@pytest.mark.slow
@pytest.mark.filterwarnings("default")  # the cluster's own, when a worker dies
def test_a_real_local_cluster_gives_the_same(tmp_path: Path) -> None:
    pytest.importorskip("dask.distributed", reason="the extra bladeangle[dask] is not installed")
    pytest.importorskip("joblib", reason="the extra bladeangle[dask] is not installed")
    shelf = tmp_path / "shelf"
    for i in range(6):
        put(shelf / f"rotor-{i}", angle_deg=i / 10)
    put(shelf / "dies", do="die")
    put(shelf / "no-ring", do="no ring")
    one = run(shelf, tmp_path / "processes", workers=2)
    engine = functools.partial(batch.run_dask, workers=2)
    other = run_batch(jobs_in_folder(shelf), settings(), tmp_path / "dask", engine)
    assert (one.measured, other.measured) == (6, 6)
    assert [f.rotor for f in other.failures] == [f.rotor for f in one.failures] == ["dies", "no-ring"]
    assert contents(tmp_path / "dask")[0] == contents(tmp_path / "processes")[0]
    assert [f.message for f in other.failures] == [f.message for f in one.failures]


@pytest.mark.slow
@pytest.mark.filterwarnings("default")  # the cluster's own, when a worker dies
def test_a_cluster_that_loses_a_machine_goes_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("dask.distributed", reason="the extra bladeangle[dask] is not installed")
    pytest.importorskip("joblib", reason="the extra bladeangle[dask] is not installed")
    import dask

    monkeypatch.setattr(engines, "PATIENCE_S", 2.0)
    shelf = tmp_path / "shelf"
    for i in range(4):
        put(shelf / f"rotor-{i}")
    put(shelf / "a-lost", do="lose machine", spare=os.getpid())
    engine = functools.partial(batch.run_dask, workers=2)
    with dask.config.set({"distributed.scheduler.allowed-failures": 0}):
        summary = run_batch(jobs_in_folder(shelf), settings(limit_s=5.0), tmp_path / "out", engine)
    assert (summary.measured, summary.failures) == (5, ())
    assert len((shelf / "a-lost" / "measured.log").read_text().split()) == 2


# --- the real thing --------------------------------------------------------------------------------------------------


def render_shelf(shelf: Path, count: int) -> tuple[Path, Path, dict[str, tuple[float, float]]]:
    """Photographs of `count` different rotors from above, two broken files and one rotor on blank paper.

    Returns the camera file, the ring file, and the true entry and exit angle of each good rotor.
    """
    from bladeangle.camera import write_camera
    from bladeangle.synthetic import CameraModel, Exposure, Progressive, RotorShape, rotor_photos
    from bladeangle.synthetic.faults import no_ring
    from bladeangle.synthetic.photograph import write_photo

    lens, rng = CameraModel().scaled(1344, 1008), np.random.default_rng(40)
    ring = json.loads((Path(__file__).parent.parent / "calibration" / "ring-160-a3.json").read_text(encoding="utf-8"))
    truth: dict[str, tuple[float, float]] = {}
    for i in range(count + 1):
        name = f"rotor-{i:02}" if i < count else "no-ring"
        blades, entry, exit_ = 3 + i % 2, float(rng.uniform(8, 11)), float(rng.uniform(13, 16))
        shape = RotorShape(blades=blades, hand=1 - 2 * (i // 2 % 2), laws=(Progressive(entry, exit_, 1.2),) * blades)
        (shelf / name).mkdir(parents=True)
        views = rotor_photos(rng, shape, lens, ring, ("inlet", "outlet"), exposure=Exposure(colour=False))
        for scene in views:
            write_photo(shelf / name / scene.name, no_ring(scene, rng) if i == count else scene)
        if i < count:
            truth[name] = entry, exit_
    for name in ("broken-1", "broken-2"):
        shutil.copytree(shelf / "rotor-00", shelf / name)
        whole = (shelf / name / "inlet.jpg").read_bytes()
        (shelf / name / "inlet.jpg").write_bytes(whole[: len(whole) // 3] if name == "broken-1" else whole[::-1])
    k1, k2, p1, p2, k3 = lens.dist
    parameters = np.array([lens.f_px, lens.cx_px, lens.cy_px, k1, k2, p1, p2, k3])
    known = np.diag([1.0, 1.0, 1.0, 1e-3, 1e-3, 1e-5, 1e-5, 1e-3]) ** 2
    camera = Camera(lens.name, lens.width, lens.height, parameters, known)
    write_camera(camera, shelf.parent / "camera.json")
    (shelf.parent / "ring.json").write_text(json.dumps(ring))
    return shelf.parent / "camera.json", shelf.parent / "ring.json", truth


@pytest.mark.campaign
def test_a_shelf_of_forty_rendered_rotors(tmp_path: Path) -> None:
    """Some minutes of rendering, then the whole command, measuring for real."""
    count = int(os.environ.get("BLADEANGLE_RENDERED_ROTORS", "37"))
    camera, ring, truth = render_shelf(tmp_path / "shelf", count)
    words = ["batch", str(tmp_path / "shelf"), "--camera", str(camera), "--ring", str(ring)]
    outcome = CliRunner().invoke(main, [*words, "--out", str(tmp_path / "out"), "--workers", "2"])
    assert outcome.exit_code == 11, outcome.output
    assert f"{count} of {count + 3} rotors are measured, 3 failed" in outcome.stderr
    records, failures = contents(tmp_path / "out")
    assert set(records) == set(truth)
    assert set(failures) == {"broken-1", "broken-2", "no-ring"}
    with Inventory(tmp_path / "out" / batch.INVENTORY) as db:
        assert {f.rotor: f.exit_code for f in db.failures().values()} == {"broken-1": 3, "broken-2": 3, "no-ring": 5}
        for row in db.shelf(100):
            assert row.entry_deg == pytest.approx(truth[row.rotor][0], abs=1.0)
            assert row.exit_deg == pytest.approx(truth[row.rotor][1], abs=1.0)
        assert db.picture(db._rows("SELECT key FROM records")[0][0]) is not None
