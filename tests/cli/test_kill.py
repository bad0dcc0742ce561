"""Every writer, killed: whatever the moment, the file is the old one or the new one, whole.

Each writer runs in a program of its own (this file, as a script), which forks a child for every round. The child writes
versions A and B in turn until it is killed: from outside after a random time, or by itself just before it opens or
renames a file. The reader that belongs to the format then has to find one whole version.
"""

from __future__ import annotations

import itertools
import json
import os
import random
import signal
import subprocess
import sys
import time
import tomllib
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from invented_record import content_of, invented_record, write_photos

from bladeangle.base.files import TEMPORARY_PREFIX

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork and SIGKILL")

ROOT = Path(__file__).resolve().parents[2]
VERSIONS = ("heron-A", "egret-B")
#: Kills from outside for each writer, and for those that draw for long: of these nearly all fall amid the drawing.
KILLS, KILLS_SLOW = 6, 2
#: Writers that draw for a second or so.
SLOW = ("picture", "plan", "plot", "ring")


# --- writers: version name -> file -----------------------------------------------------------------------------------


def _data(name: str, folder: Path | None = None) -> dict[str, Any]:
    data = invented_record(name=name)
    if folder is not None:
        (folder / "photos").mkdir(exist_ok=True)
        write_photos(data, folder / "photos")
    return data


def _record(name: str) -> Any:
    from bladeangle.records.record import record_from_dict

    return record_from_dict(_data(name))


def record(folder: Path) -> Callable[[str], None]:
    from bladeangle.records.record import write_record

    records = {name: _record(name) for name in VERSIONS}
    return lambda name: write_record(records[name], folder / "record.json")


def camera(folder: Path) -> Callable[[str], None]:
    from bladeangle.imaging.camera import Camera, write_camera

    parameters = np.array([1480.0, 806.0, 595.0, 0.0, 0.0, 0.0, 0.0, 0.0])
    return lambda name: write_camera(Camera(name, 1600, 1200, parameters, np.eye(8) * 1e-6), folder / "camera.json")


def ring(folder: Path) -> Callable[[str], None]:
    from bladeangle.cli.main import main
    from bladeangle.imaging import sheets

    # Drawing the sheets takes far longer than writing them and would catch all the kills.
    for draw in ("sheet_pdf", "sheet_svgs"):
        setattr(sheets, draw, _kept(getattr(sheets, draw)))
    heights = dict(zip(VERSIONS, ("50", "60"), strict=True))
    words = ["ring", "--diameter", "150", "--paper", "a3", "--out", str(folder), "--height"]
    return lambda name: main([*words, heights[name]], standalone_mode=False)


def _kept(function: Callable[..., Any]) -> Callable[..., Any]:
    """The function, computed once for each size of ring."""
    results: dict[float, Any] = {}

    def call(ring: Any, paper: str, definition: str) -> Any:
        if ring.outer_radius_mm not in results:
            results[ring.outer_radius_mm] = function(ring, paper, definition)
        return results[ring.outer_radius_mm]

    return call


def order(folder: Path) -> Callable[[str], None]:
    from bladeangle.shop.orders import Order, StationOrder, write_order

    stations = {"entry": StationOrder(12.0, 0.5), "exit": StationOrder(16.0, 0.5)}
    return lambda name: write_order(Order(name, stations), folder / "order.toml")


def picture(folder: Path) -> Callable[[str], None]:
    from bladeangle.page.picture import write_picture

    data = _data("picture", folder)
    photos = [folder / "photos" / p["name"] for p in data["photos"]]
    return lambda name: write_picture(folder / "picture.png", content_of(data | {"name": name}), photos)


def report(folder: Path) -> Callable[[str], None]:
    from bladeangle.page.report import write_report

    return lambda name: write_report(folder / "report.html", [content_of(_data(name))])


def correction(folder: Path) -> Callable[[str], None]:
    from bladeangle.page.report import write_correction_page

    data = _data("page", folder)
    return lambda name: write_correction_page(
        folder / "correct.html", content_of(data | {"name": name}), folder / "photos"
    )


def plot(folder: Path) -> Callable[[str], None]:
    from bladeangle.page.report import write_plot

    return lambda name: write_plot(folder / "plot.svg", content_of(_data(name)))


def csv(folder: Path) -> Callable[[str], None]:
    from bladeangle.records.exchange import write_csv

    records = {name: [_record(name)] for name in VERSIONS}
    return lambda name: write_csv(records[name], folder / "record.csv")


def xlsx(folder: Path) -> Callable[[str], None]:
    from bladeangle.records.exchange import write_xlsx

    records = {name: [_record(name)] for name in VERSIONS}
    return lambda name: write_xlsx(records[name], folder / "record.xlsx")


def certificate(folder: Path) -> Callable[[str], None]:
    from bladeangle.shop.certificate import read_details, write_certificate

    (folder / "details.toml").write_text(
        '[certificate]\nidentifier = "1"\ncountry = "NO"\nlanguage = "en"\nlocation = "laboratory"\n'
        '[laboratory]\nname = "Fjordside bench"\nemail = "bench@fjordside.example"\ncity = "Nordvik"\n'
        '[customer]\nname = "Heron ferries"\nemail = "shore@heron.example"\ncity = "Nordvik"\n'
        '[person]\nname = "The keeper"\nrole = "measures"\n'
        '[item]\nmanufacturer = "Invented works"\nidentification = "spare 2"\n'
    )
    details = read_details(folder / "details.toml")
    records = {name: _record(name) for name in VERSIONS}
    return lambda name: write_certificate(records[name], details, folder / "certificate.xml")


def edits(folder: Path) -> Callable[[str], None]:
    from bladeangle.records.edits import Edits, PhotoEdits, Struck, write_edits

    struck = tuple(Struck("tip", 1, "inlet", np.full((200, 2), float(i)), 3.0) for i in range(20))
    photos = (PhotoEdits("0f" * 32, "a.jpg", struck),)
    return lambda name: write_edits(Edits(name, photos=photos), folder / "edits.json")


def log(folder: Path) -> Callable[[str], None]:
    from bladeangle.shop.tuning import append_log, entry_of

    entries = {name: entry_of(_record(name), ["slow-off-idle"], "2026-11-25T10:00:00+00:00") for name in VERSIONS}
    return lambda name: append_log(folder / "log.jsonl", entries[name])


def plan(folder: Path) -> Callable[[str], None]:
    from bladeangle.imaging.camera import camera_from_exif
    from bladeangle.imaging.ring import ring_from_dict
    from bladeangle.plan import RotorSize, plan_photographs
    from bladeangle.plan.drawing import write_plan

    where = ring_from_dict(invented_record()["ring"])
    planned = plan_photographs(RotorSize(156.0, 60.0, 3, 10.0, 16.0), where, camera_from_exif(4032, 3024, 26.0), 1)
    return lambda name: write_plan(folder / "plan.svg", planned)


# --- readers: file -> which versions are in it; anything raises when it is not whole ---------------------------------


def _named(text: str) -> set[str]:
    found = {name for name in VERSIONS if name in text}
    assert found, text[:200]
    return found


def read_json(path: Path) -> set[str]:
    return {json.loads(path.read_text())["name"]} & set(VERSIONS)


def read_toml(path: Path) -> set[str]:
    return {tomllib.loads(path.read_text())["order"]["name"]} & set(VERSIONS)


def read_html(path: Path) -> set[str]:
    text = path.read_text()
    assert text.rstrip().endswith("</html>")
    return _named(text)


def read_xml(path: Path) -> set[str]:
    return _named(ET.tostring(ET.parse(path).getroot(), encoding="unicode"))


def read_csv(path: Path) -> set[str]:
    lines = path.read_text().splitlines()
    assert path.read_text().endswith("\n") and len(lines) > 9
    assert len({line.count(",") for line in lines if '"' not in line}) == 1
    return _named("\n".join(lines))


def read_xlsx(path: Path) -> set[str]:
    from openpyxl import load_workbook

    book = load_workbook(path)
    return _named(" ".join(str(cell) for sheet in book for row in sheet.iter_rows(values_only=True) for cell in row))


def read_png(path: Path) -> set[str]:
    data = path.read_bytes()
    position, kind = 8, b""
    while kind != b"IEND":
        length, kind = int.from_bytes(data[position : position + 4], "big"), data[position + 4 : position + 8]
        end = position + 8 + length
        assert zlib.crc32(data[position + 4 : end]) == int.from_bytes(data[end : end + 4], "big")
        position = end + 4
    return set(VERSIONS)  # the title is drawn, so that the two cannot be told apart here


def read_log(path: Path) -> set[str]:
    from bladeangle.shop.tuning import read_log as read

    return {entry.rotor for entry in read(path)} & set(VERSIONS)


def read_ring(path: Path) -> set[str]:
    from bladeangle.imaging.ring import read_ring as read

    read(path)
    pdf = path.with_suffix(".pdf").read_bytes()
    assert pdf.startswith(b"%PDF") and pdf.rstrip().endswith(b"%%EOF")
    ET.parse(path.with_suffix(".svg"))
    return set(VERSIONS)


def read_plan(path: Path) -> set[str]:
    ET.parse(path)
    return set(VERSIONS)


WRITERS: dict[str, tuple[Callable[[Path], Callable[[str], None]], str, Callable[[Path], set[str]]]] = {
    "record": (record, "record.json", read_json),
    "camera": (camera, "camera.json", read_json),
    "ring": (ring, "ring-150-a3.json", read_ring),
    "order": (order, "order.toml", read_toml),
    "picture": (picture, "picture.png", read_png),
    "report": (report, "report.html", read_html),
    "correction": (correction, "correct.html", read_html),
    "plot": (plot, "plot.svg", read_xml),
    "csv": (csv, "record.csv", read_csv),
    "xlsx": (xlsx, "record.xlsx", read_xlsx),
    "certificate": (certificate, "certificate.xml", read_xml),
    "edits": (edits, "edits.json", read_json),
    "log": (log, "log.jsonl", read_log),
    "plan": (plan, "plan.svg", read_plan),
}


# --- the program that is killed --------------------------------------------------------------------------------------


def serve(kind: str, folder: Path, told: int) -> None:
    """Write once; then for each line on standard input fork a writer, say its number, and say when it has ended.

    Standard output belongs to the writers; what is said goes to the file descriptor `told`. The line is 0 for a writer
    that goes on until it is killed, or n for one that kills itself before its nth opening or renaming of a file in the
    folder and otherwise ends after one write.
    """

    def tell(line: str) -> None:
        os.write(told, f"{line}\n".encode())

    write = WRITERS[kind][0](folder)
    write(VERSIONS[0])
    begun = time.perf_counter()
    write(VERSIONS[1])
    tell(f"{time.perf_counter() - begun:.4f}")
    for line in sys.stdin:
        limit = int(line)
        child = os.fork()
        if child == 0:
            if limit:
                _kill_at(limit, folder)
                write(VERSIONS[0])
                os._exit(0)
            for name in itertools.cycle(VERSIONS):
                write(name)
        tell(str(child))
        _, status = os.waitpid(child, 0)
        tell(str(os.waitstatus_to_exitcode(status)))


def _kill_at(limit: int, folder: Path) -> None:
    count = 0

    def hook(event: str, arguments: tuple[Any, ...]) -> None:
        nonlocal count
        if event in ("open", "os.rename", "os.chmod", "os.remove") and Path(str(arguments[0])).parent == folder:
            count += 1
            if count == limit:
                os.kill(os.getpid(), signal.SIGKILL)

    sys.addaudithook(hook)


@contextmanager
def program(kind: str, folder: Path) -> Iterator[tuple[Callable[[int], int], Callable[[], int], float]]:
    """Functions that start a writer (returns its number) and wait for its end, and the seconds of one write."""
    reading, writing = os.pipe()
    words = [sys.executable, __file__, kind, str(folder), str(writing)]
    environment = os.environ | {"PYTHONPATH": os.pathsep.join([str(ROOT), str(ROOT / "tests")])}
    with subprocess.Popen(
        words, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, env=environment,
        pass_fds=(writing,),
    ) as process, os.fdopen(reading) as said:  # fmt: skip
        os.close(writing)
        assert process.stdin is not None and process.stderr is not None
        first = said.readline()
        assert first, process.stderr.read()

        def begin(limit: int) -> int:
            assert process.stdin is not None
            process.stdin.write(f"{limit}\n")
            process.stdin.flush()
            return int(said.readline())

        try:
            yield begin, lambda: int(said.readline()), float(first)
        finally:
            process.stdin.close()
            process.wait(timeout=30)


@pytest.mark.parametrize("kind", [pytest.param(k, marks=pytest.mark.slow) if k in SLOW else k for k in WRITERS])
def test_killed_at_any_moment_leaves_a_whole_file(tmp_path: Path, kind: str) -> None:
    _, name, read = WRITERS[kind]
    chance = random.Random(kind)
    with program(kind, tmp_path) as (begin, ended, seconds):
        before = sorted(p.name for p in tmp_path.iterdir())
        seen: set[str] = set()
        for _ in range(KILLS_SLOW if kind in SLOW else KILLS):
            child = begin(0)
            time.sleep(chance.uniform(0.0, 2.0) * seconds)
            os.kill(child, signal.SIGKILL)
            assert ended() == -signal.SIGKILL
            seen |= read(tmp_path / name)
        limit = 0
        for limit in range(1, 100):
            begin(limit)
            code = ended()
            read(tmp_path / name)
            if code == 0:
                break
            assert code == -signal.SIGKILL
    assert 2 < limit < 99, "no opening and renaming was met, or no end of them"
    assert seen
    assert read(tmp_path / name) >= {VERSIONS[0]} & seen
    left = {p.name for p in tmp_path.iterdir()} - set(before)
    assert all(n.startswith(TEMPORARY_PREFIX) for n in left), left


if __name__ == "__main__":
    serve(sys.argv[1], Path(sys.argv[2]), int(sys.argv[3]))
