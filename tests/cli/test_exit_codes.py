"""Every exit code, reached through the real command: one clear sentence, no traceback, nothing half written.

Each code once by a process of its own; more ways to the same one within this process, which needs no start.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest
from campaign.bases import Base, default_cache, image_of, jpeg_of, make_base
from click.testing import CliRunner
from invented_record import invented_record
from rendered_ring import CALIBRATION, photograph, shot, trial_ring

from bladeangle.base.files import TEMPORARY_PREFIX
from bladeangle.cli.main import main
from bladeangle.imaging.camera import Camera, write_camera
from bladeangle.records.record import read_record, record_from_dict, write_record
from bladeangle.shop.orders import Order, StationOrder, write_order

ROOT = Path(__file__).resolve().parents[2]
RING = str(CALIBRATION / "trial-ring.json")
PARAMETERS = np.array([1480.0, 806.0, 595.0, 0.03, -0.05, 0.0004, -0.0003, 0.0])

Run = subprocess.CompletedProcess[str]


def start(folder: Path, *words: str | Path, **environment: str) -> subprocess.Popen[str]:
    """The real command, running in a folder."""
    more = os.environ | {"PYTHONPATH": str(ROOT)} | environment
    return subprocess.Popen(
        [sys.executable, "-m", "bladeangle", *map(str, words)], cwd=folder, env=more, text=True,
        stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip


def bladeangle(folder: Path, *words: str | Path, **environment: str) -> Run:
    """Run the real command to its end."""
    with start(folder, *words, **environment) as process:
        stdout, stderr = process.communicate(timeout=120)
    return subprocess.CompletedProcess(process.args, process.returncode, stdout, stderr)


def within(folder: Path, *words: str | Path) -> Run:
    """The command as a library has it, within this process, as if begun in the folder."""
    with contextlib.chdir(folder):
        found = CliRunner().invoke(main, list(map(str, words)))
    assert found.exception is None or isinstance(found.exception, SystemExit), found.exception
    return subprocess.CompletedProcess(words, found.exit_code, found.stdout, found.stderr)


def names(folder: Path) -> list[str]:
    return sorted(str(p.relative_to(folder)) for p in folder.rglob("*"))


def assert_refused(folder: Path, code: int, says: str, *words: str | Path, **environment: str) -> None:
    """The command ends with the code, one sentence and at most one hint, and the folder is as it was."""
    before = names(folder)
    check_refusal(folder, bladeangle(folder, *words, **environment), code, says, before)


def assert_refused_within(folder: Path, code: int, says: str, *words: str | Path) -> None:
    """The same within this process."""
    before = names(folder)
    check_refusal(folder, within(folder, *words), code, says, before)


def check_refusal(folder: Path, run: Run, code: int, says: str, before: list[str]) -> None:
    assert run.returncode == code, run.stderr
    message, *hint = run.stderr.rstrip("\n").split("\n")
    assert message.startswith("Error: ")
    assert message.endswith(".")
    assert says in message
    assert len(hint) <= 1
    assert run.stdout == ""
    assert names(folder) == before


@pytest.fixture(scope="session")
def base() -> Base:
    """A rotor of three blades with its photographs; the renders are cached outside of the test run."""
    return make_base(1002, (2016, 1512), default_cache())


@pytest.fixture
def shelf(base: Base, tmp_path: Path) -> Path:
    """A folder with both overhead photographs, ring and camera file."""
    for view in ("inlet", "outlet"):
        scene = base.scenes[view]
        (tmp_path / f"{view}.jpg").write_bytes(jpeg_of(scene, image_of(scene, base.cache)))
    (tmp_path / "ring.json").write_text(json.dumps(base.ring))
    (tmp_path / "camera.json").write_text(json.dumps(base.camera()))
    return tmp_path


@pytest.fixture
def record(tmp_path: Path) -> Path:
    """An invented record."""
    write_record(record_from_dict(invented_record()), tmp_path / "record.json")
    return tmp_path / "record.json"


MEASURE = ("measure", "inlet.jpg", "--turned", "outlet.jpg", "--ring", "ring.json", "--camera", "camera.json")


def sheet(path: Path, tilt: float = 1.0, azimuth: float = 40.0) -> Path:
    """A photograph of the bare trial ring."""
    photo = photograph(trial_ring(), shot(PARAMETERS, tilt, azimuth, 350.0))
    cv2.imwrite(str(path), photo.encoded)
    return path


def test_2_a_result_never_replaces_what_is_read(tmp_path: Path, record: Path) -> None:
    photo, other = tmp_path / "inlet.jpg", tmp_path / "link.jpg"
    photo.write_bytes(b"the only copy")
    other.symlink_to(photo)
    words = ("measure", "inlet.jpg", "--ring", "ring.json")
    for out in ("inlet.jpg", "./inlet.jpg", "link.jpg", "ring.json"):
        assert_refused_within(tmp_path, 2, "one of the files that are read", *words, "--out", out)
        assert_refused_within(tmp_path, 2, "one of the files that are read", *words, "--picture", out)
    assert_refused(tmp_path, 2, "one of the files that are read", *words, "--out", "link.jpg")
    assert photo.read_bytes() == b"the only copy"
    kept = record.read_bytes()
    for command in (
        ("calibrate", "inlet.jpg", "--ring", "ring.json", "--out", "inlet.jpg"),
        ("report", record.name, "--out", record.name),
        ("order", record.name, "--entry", "+1", "--out", record.name),
        ("correct", record.name, "--photos", ".", "--out", record.name),
    ):
        assert_refused_within(tmp_path, 2, "one of the files that are read", *command)
    assert record.read_bytes() == kept


def test_0_done(shelf: Path) -> None:
    run = bladeangle(shelf, *MEASURE, "--out", "record.json")
    assert run.returncode == 0, run.stderr
    assert "mean" in run.stdout
    assert len(read_record(shelf / "record.json").content.blades) == 3
    assert not [n for n in names(shelf) if TEMPORARY_PREFIX in n]


def test_1_a_fault_of_the_installation(tmp_path: Path) -> None:
    (tmp_path / "cv2.py").write_text("raise ImportError('libGL.so.1: cannot open shared object file')\n")
    broken = os.pathsep.join([str(tmp_path), str(ROOT)])
    # Bytecode of the broken module would be a change of the folder.
    words = ("check", sheet(tmp_path / "sheet.png"), "--ring", RING)
    assert_refused(tmp_path, 1, "OpenCV cannot be loaded", *words, PYTHONPATH=broken, PYTHONDONTWRITEBYTECODE="1")


def test_2_usage(tmp_path: Path) -> None:
    assert_refused(tmp_path, 2, "No photographs", "measure", "--ring", RING, "--out", "record.json")
    run = bladeangle(tmp_path, "measure", "a.jpg", "--no-such-option")
    assert run.returncode == 2
    assert run.stderr.startswith("Usage: ")
    assert "Error: No such option" in run.stderr.splitlines()[-1]


@pytest.mark.parametrize(
    ("name", "data", "says"),
    [("missing.jpg", None, "does not exist"), ("empty.jpg", b"", "is empty"), ("text.jpg", b"hello", "format"),
     ("cut.jpg", b"\xff\xd8\xff\xe0\0\x10JFIF\0", "damaged")],
)  # fmt: skip
def test_3_photo(tmp_path: Path, name: str, data: bytes | None, says: str) -> None:
    if data is not None:
        (tmp_path / name).write_bytes(data)
    refused = assert_refused if name == "missing.jpg" else assert_refused_within
    refused(tmp_path, 3, says, "measure", name, "--ring", RING, "--out", "record.json")
    assert_refused_within(tmp_path, 3, says, "check", name, "--ring", RING)


def test_3_photo_of_another_size_than_the_camera_file(tmp_path: Path) -> None:
    larger = PARAMETERS * [2, 2, 2, 1, 1, 1, 1, 1]
    write_camera(Camera("bench", 3200, 2400, larger, np.eye(8) * 1e-6), tmp_path / "c.json")
    words = ("measure", sheet(tmp_path / "sheet.png"), "--ring", RING, "--camera", "c.json", "--out", "record.json")
    assert_refused_within(tmp_path, 3, "1600 x 1200", *words)


def test_4_definitions(tmp_path: Path, record: Path) -> None:
    (tmp_path / "ring.json").write_text('{"markers": []}')
    (tmp_path / "camera.json").write_text('{"schema": "bladeangle-camera/99"}')
    (tmp_path / "order.toml").write_text("[stations.exit]\nangle_deg = nan\ntolerance_deg = 0.5\n")
    picture = sheet(tmp_path / "sheet.png")
    assert_refused(tmp_path, 4, "missing.json", "measure", picture, "--ring", "missing.json")
    assert_refused_within(tmp_path, 4, "ring.json", "measure", picture, "--ring", "ring.json")
    assert_refused_within(tmp_path, 4, "camera.json", "measure", picture, "--ring", RING, "--camera", "camera.json")
    assert_refused_within(tmp_path, 4, "order.toml", "verify", record, "--order", "order.toml")


def test_5_ring_not_found(tmp_path: Path) -> None:
    cv2.imwrite(str(tmp_path / "blank.png"), np.full((1200, 1600), 180, np.uint8))
    assert_refused(tmp_path, 5, "markers", "measure", "blank.png", "--ring", RING, "--out", "record.json")
    printed = cv2.imread(str(sheet(tmp_path / "sheet.png")))
    assert printed is not None
    cv2.imwrite(str(tmp_path / "mirrored.png"), printed[:, ::-1])
    assert_refused_within(tmp_path, 5, "mirrored", "measure", "mirrored.png", "--ring", RING, "--out", "record.json")


def test_6_no_rotor_on_the_sheet(tmp_path: Path) -> None:
    write_camera(Camera("bench", 1600, 1200, PARAMETERS, np.eye(8) * 1e-6), tmp_path / "camera.json")
    picture = sheet(tmp_path / "sheet.png")
    words = ("measure", picture, "--ring", RING, "--camera", "camera.json", "--out", "record.json")
    assert_refused(tmp_path, 6, "sheet.png", *words)


def test_7_adjustment_that_cannot_fix_the_focal_length(tmp_path: Path) -> None:
    pictures = [sheet(tmp_path / f"sheet-{i}.png", 0.5 * i, 90.0 * i) for i in range(4)]
    before = names(tmp_path)
    run = bladeangle(tmp_path, "calibrate", *pictures, "--ring", RING, "--out", "phone.json", "--quiet")
    assert run.returncode == 7, run.stderr
    assert run.stderr.startswith("Error: ")
    assert "Traceback" not in run.stderr
    assert names(tmp_path) == before


@pytest.mark.parametrize(
    "words", [("report", "--out", "r.html"), ("export", "--csv", "r.csv"), ("order", "--out", "o.toml")]
)
def test_8_record(tmp_path: Path, words: tuple[str, ...]) -> None:
    data = invented_record()
    data["blades"][0]["stations"]["entry"]["angle_deg"] = float("nan")
    (tmp_path / "record.json").write_text(json.dumps(data))
    refused = assert_refused if words[0] == "report" else assert_refused_within
    refused(tmp_path, 8, "record.json", words[0], "record.json", *words[1:])
    (tmp_path / "record.json").write_text("{")
    assert_refused_within(tmp_path, 8, "record.json", words[0], "record.json", *words[1:])


@pytest.mark.parametrize(
    "words",
    [("report", "--out", "missing/r.html"), ("report", "--plot", "missing/r.png"), ("export", "--csv", "missing/r.csv"),
     ("export", "--xlsx", "missing/r.xlsx"), ("order", "--out", "missing/o.toml")],
)  # fmt: skip
def test_9_output(tmp_path: Path, record: Path, words: tuple[str, ...]) -> None:
    assert_refused_within(tmp_path, 9, "folder", words[0], record, *words[1:])


def test_9_output_of_a_measurement(shelf: Path) -> None:
    assert_refused(shelf, 9, "folder", *MEASURE, "--out", "missing/record.json")


def test_10_out_of_tolerance(tmp_path: Path, record: Path) -> None:
    entry = read_record(record).mean("entry")
    assert entry is not None
    for wanted, code in ((entry.angle_deg, 0), (entry.angle_deg + 5.0, 10)):
        write_order(Order("test", {"entry": StationOrder(wanted, 3.0)}), tmp_path / "order.toml")
        run = bladeangle(tmp_path, "verify", record, "--order", "order.toml")
        assert run.returncode == code, run.stderr
        assert "Traceback" not in run.stderr


def test_11_batch_partly_failed(tmp_path: Path) -> None:
    for rotor in ("a", "b"):
        (tmp_path / "shelf" / rotor).mkdir(parents=True)
        (tmp_path / "shelf" / rotor / "inlet.jpg").write_bytes(b"not a photograph")
    run = bladeangle(tmp_path, "batch", "shelf", "--ring", RING, "--out", "results", "--workers", "1")
    assert run.returncode == 11, run.stderr
    assert "Traceback" not in run.stderr + run.stdout
    assert not [n for n in names(tmp_path) if TEMPORARY_PREFIX in n]


@pytest.mark.skipif(os.name == "nt", reason="signals of POSIX")
def test_130_interrupted_measurement_leaves_nothing(shelf: Path) -> None:
    old = '{"schema": "bladeangle-record/1", "name": "an older one of ours"}'
    (shelf / "record.json").write_text(old)
    before = names(shelf)
    with start(shelf, *MEASURE, "--out", "record.json", "--verbose") as process:
        assert process.stderr is not None
        while "looking" not in (said := process.stderr.readline()):
            assert said
        process.send_signal(signal.SIGINT)
        stdout, stderr = process.communicate(timeout=60)
    assert process.returncode == 130
    assert stderr.rstrip("\n").split("\n")[-1] == "Interrupted."
    assert "Traceback" not in stderr
    assert stdout == ""
    assert names(shelf) == before
    assert (shelf / "record.json").read_text() == old
