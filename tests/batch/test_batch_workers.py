"""The shelf's workers: processes that die, batches that are killed, a real Dask cluster, and a shelf of renders."""

from __future__ import annotations

import functools
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from invented_record import ring_definition
from shelf_stand_in import STAND_IN, contents, measured, put, run, settings, words_of_the_command

from bladeangle import batch
from bladeangle.base.errors import UsageError
from bladeangle.batch import Job, engines, jobs_in_folder, run_batch
from bladeangle.cli.main import main
from bladeangle.imaging.camera import Camera
from bladeangle.inventory import Inventory


@pytest.fixture
def calls(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> list[str]:
    return words_of_the_command(monkeypatch, tmp_path)


# --- processes that die ----------------------------------------------------------------------------------------------


def test_dead_and_faulty_workers_are_named_and_stop_nobody(tmp_path: Path) -> None:
    shelf = tmp_path / "shelf"
    for i in range(3):
        put(shelf / f"good-{i}", wait_s=0.05)
    put(shelf / "a-dies", do="die")
    put(shelf / "b-dies-once", do="die once")
    put(shelf / "d-fault", do="fault")
    put(shelf / "e-memory", do="memory")
    (shelf / "f-empty").mkdir()
    summary = run(shelf, tmp_path / "out", workers=2)
    failures = {f.rotor: f for f in summary.failures}
    assert set(failures) == {"a-dies", "d-fault", "e-memory", "f-empty"}
    assert "exit code 3" in failures["a-dies"].message
    assert "ZeroDivisionError: a number" in failures["d-fault"].message
    assert "memory" in failures["e-memory"].message
    assert "no photographs" in failures["f-empty"].message
    assert summary.measured == 4
    logs = {f.name: (f / "measured.log").read_text().split() for f in shelf.iterdir() if f.name != "f-empty"}
    assert {name: len(lines) for name, lines in logs.items()} == {
        "a-dies": 2,
        "b-dies-once": 2,
        "d-fault": 1,
        "e-memory": 1,
        "good-0": 1,
        "good-1": 1,
        "good-2": 1,
    }
    # Deaths and faults are tried again by the next batch, what the photographs lack is not.
    (shelf / "a-dies" / "inlet.jpg").write_text("{}")
    assert [f.rotor for f in run(shelf, tmp_path / "out").failures] == ["d-fault", "e-memory", "f-empty"]
    assert len((shelf / "d-fault" / "measured.log").read_text().split()) == 2


def test_a_rotor_that_hangs_is_ended_and_tried_again_by_the_next_batch(tmp_path: Path) -> None:
    """Alone on its shelf: on a busy machine a sound rotor might need the short limit as well."""
    put(tmp_path / "shelf" / "hangs", wait_s=3600)
    failures = run(tmp_path / "shelf", tmp_path / "out", limit_s=2.0).failures
    assert [f.rotor for f in failures] == ["hangs"] and "longer than 2 s" in failures[0].message
    assert measured(tmp_path / "shelf") <= 1  # not once more in the same batch
    (tmp_path / "shelf" / "hangs" / "inlet.jpg").write_text("{}")
    assert run(tmp_path / "shelf", tmp_path / "out").measured == 1


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
        f"import sys; sys.path.insert(0, {str(Path(__file__).parents[1])!r})\n"
        "from bladeangle.batch import work\nfrom bladeangle.cli.main import main\n"
        f"work.MEASURER = {STAND_IN!r}\n"
        f"main(['batch', {str(shelf)!r}, '--ring', {str(ring)!r}, '--out', {str(out)!r}, '--workers', '2'])\n"
    )
    return subprocess.Popen(
        [sys.executable, "-c", code], stderr=stderr, text=True, start_new_session=True, cwd=Path(__file__).parents[2]
    )


@pytest.fixture
def ring_file(tmp_path: Path) -> Path:
    path = tmp_path / "ring.json"
    path.write_text(json.dumps(ring_definition()))
    return path


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="signals as POSIX has them")
def test_killed_at_five_moments_and_resumed_it_is_the_same(tmp_path: Path, ring_file: Path) -> None:
    shelf = tmp_path / "shelf"
    for i in range(27):
        put(shelf / f"rotor-{i:02}", angle_deg=i / 10, wait_s=0.15)
    for name in ("broken-1", "broken-2"):
        put(shelf / name)
        (shelf / name / "inlet.jpg").write_bytes(b"\xff\xd8\xff")
    put(shelf / "no-ring", do="no ring")
    assert batch_process(shelf, tmp_path / "whole", ring_file).wait(120) == 11
    assert measured(shelf) == 28
    moments = random.Random(7)
    counts = []
    for _ in range(5):
        process = batch_process(shelf, tmp_path / "out", ring_file)
        time.sleep(moments.uniform(0.5, 2.0))
        process.kill()
        process.wait(30)
        if (tmp_path / "out" / batch.INVENTORY).exists() and (tmp_path / "out" / batch.INVENTORY).stat().st_size:
            counts.append(len(contents(tmp_path / "out")[0]))
    process = batch_process(shelf, tmp_path / "out", ring_file)
    assert process.wait(120) == 11
    assert contents(tmp_path / "out") == contents(tmp_path / "whole")
    # The kills hit while it worked, and what was finished stayed.
    assert counts == sorted(counts)
    assert counts[0] < 27
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
        os.killpg(process.pid, signal.SIGINT)  # as a terminal does it: to the workers, too
        _, told = process.communicate(timeout=30)
    finally:
        process.kill()
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
    from bladeangle.imaging.camera import write_camera
    from tests.synthetic import CameraModel, Exposure, Progressive, RotorShape, rotor_photos
    from tests.synthetic.faults import no_ring
    from tests.synthetic.photograph import write_photo

    lens, rng = CameraModel().scaled(1344, 1008), np.random.default_rng(40)
    ring = json.loads((Path(__file__).parents[2] / "calibration" / "ring-160-a3.json").read_text(encoding="utf-8"))
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
        assert db.picture(db._rows("t", "SELECT key FROM records")[0][0]) is not None
