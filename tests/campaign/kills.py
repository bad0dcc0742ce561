"""SIGKILL at random moments over commands that write: whatever was there stays, and what is new is whole and once.

    python -m tests.campaign.kills [--kills 60] [--only measure] [--seed 1]

Half of the kills come at any moment of a run, half a few milliseconds after the command has begun to write. Some hit
the command alone and leave its workers behind, the others all of its processes. Photographs are the fixtures' at half
size, so that a run takes seconds.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import secrets
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from random import Random
from typing import Any

from PIL import Image

from bladeangle.base.files import TEMPORARY_PREFIX
from bladeangle.imaging.camera import read_camera, write_camera
from bladeangle.records.record import read_record
from tests.invented_record import invented_record

ROOT = Path(__file__).resolve().parents[2]
#: Longest that the processes of a killed command may live on, s.
LINGER_S = 20.0
MEASURE = ("measure", "inlet.jpg", "--turned", "outlet.jpg", "--ring", "ring.json", "--camera", "camera.json")


def lay_sound(folder: Path) -> None:
    """Photographs at half size, with their ring and camera."""
    folder.mkdir(parents=True)
    for name in ("inlet.jpg", "outlet.jpg"):
        with Image.open(ROOT / "fixtures" / "rotor-a" / name) as file:
            exif = file.getexif()
            half = file.resize((file.width // 2, file.height // 2), Image.Resampling.BOX)
        half.save(folder / name, quality=90, exif=exif)
    shutil.copy(ROOT / "calibration" / "trial-ring.json", folder / "ring.json")
    write_camera(read_camera(ROOT / "calibration" / "camera-pocket7.json").reduced(2), folder / "camera.json")


def plain(data: Any) -> Any:
    """A record without the time at which it was made."""
    return {key: value for key, value in data.items() if key != "created"}


def hashes(folder: Path) -> dict[str, str]:
    """Name -> hash of the files of a folder but what an interruption may leave."""
    return {
        path.name: sha256(path.read_bytes()).hexdigest()
        for path in folder.iterdir()
        if path.is_file() and not path.name.startswith(TEMPORARY_PREFIX)
    }


# --- killing ---------------------------------------------------------------------------------------------------------


def begin(words: tuple[str, ...], folder: Path) -> subprocess.Popen[bytes]:
    """The command in a session of its own."""
    environment = os.environ | {"BLADEANGLE_CONFIG": "", "PYTHONPATH": str(ROOT), "OPENBLAS_NUM_THREADS": "1"}
    return subprocess.Popen(
        [sys.executable, *words], cwd=folder, env=environment, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL, start_new_session=True,
    )  # fmt: skip


def finished(words: tuple[str, ...], folder: Path) -> tuple[int, float]:
    """Exit code and seconds of a run that nobody kills."""
    start = time.monotonic()
    process = begin(words, folder)
    process.communicate()
    return process.returncode, time.monotonic() - start


def kill(words: tuple[str, ...], folder: Path, seconds: float, chance: Random) -> tuple[int, bytes]:
    """Exit code of a run that was killed, unless it ended before, and what it had said."""

    def written() -> set[tuple[str, int]]:
        return {(str(p), p.stat().st_mtime_ns) for p in folder.rglob("*") if p.exists()}

    before = written()
    process = begin(words, folder)
    end = time.monotonic() + chance.uniform(0.0, 1.05) * seconds
    if chance.random() < 0.5:
        with contextlib.suppress(OSError):
            while written() == before and process.poll() is None:
                time.sleep(0.001)
        time.sleep(chance.expovariate(1 / 0.01))
    else:
        while time.monotonic() < end and process.poll() is None:
            time.sleep(0.002)
    with contextlib.suppress(ProcessLookupError):
        if chance.random() < 0.5:
            os.killpg(process.pid, signal.SIGKILL)
        else:
            process.kill()
    said = process.communicate()[0]
    wait_for_group(process.pid)
    return process.returncode, said


def wait_for_group(pid: int) -> None:
    """Until no process of a session is left; AssertionError when one stays."""
    end = time.monotonic() + LINGER_S
    while time.monotonic() < end:
        try:
            os.killpg(pid, 0)
        except ProcessLookupError:
            return
        time.sleep(0.02)
    os.killpg(pid, signal.SIGKILL)
    raise AssertionError("processes of a killed command live on")


# --- what must hold --------------------------------------------------------------------------------------------------


@dataclass
class Tally:
    """Kills that hit, and what was not as it should be."""

    kills: int = 0
    faults: int = 0

    def insist(self, holds: bool, what: str) -> None:
        """Count and tell a fault."""
        if not holds:
            self.faults += 1
            sys.stdout.write(f"  {what}\n")
            sys.stdout.flush()


def over_files(
    words: tuple[str, ...], outputs: tuple[str, ...], folder: Path, wanted: int, chance: Random, tally: Tally,
    same: Callable[[Path, Path], bool],
) -> None:  # fmt: skip
    """Kill a command that replaces files: each is the old or the new one, whole, and nothing else has changed."""
    inputs = hashes(folder)
    code, _ = finished(words, folder)
    assert code == 0, f"exit code {code}"
    old, new = folder.parent / "old", folder.parent / "new"
    for place in (old, new):
        if place is new:
            code, seconds = finished((*words, "--title" if "report" in words else "--name", "another"), folder)
            assert code == 0, f"exit code {code}"
        place.mkdir()
        for name in outputs:
            shutil.copy(folder / name, place / name)
    words = (*words, "--title" if "report" in words else "--name", "another")
    while tally.kills < wanted:
        for path in folder.iterdir():
            if path.name not in inputs:
                path.unlink()
        for name in outputs:
            shutil.copy(old / name, folder / name)
        code, _ = kill(words, folder, seconds, chance)
        tally.kills += code == -signal.SIGKILL
        now = hashes(folder)
        tally.insist({n: h for n, h in now.items() if n in inputs} == inputs, "an input has changed")
        for name in outputs:
            whole = name in now and (same(folder / name, old / name) or same(folder / name, new / name))
            tally.insist(whole, f"{name} is neither the old nor the new one")
            kept = folder / f"{name}~"
            tally.insist(not kept.exists() or same(kept, old / name), f"{name}~ is not the old one")
        extra = set(now) - set(inputs) - set(outputs) - {f"{n}~" for n in outputs}
        tally.insist(not extra, f"left behind: {sorted(extra)}")


def same_file(one: Path, other: Path) -> bool:
    """Whether two outputs say the same; records were made at another time."""
    if one.name.startswith("record.json"):
        return bool(plain(read_record(one).data) == plain(read_record(other).data))
    return one.read_bytes() == other.read_bytes()


def measure(folder: Path, wanted: int, chance: Random, tally: Tally) -> None:
    """Record and picture of a rotor."""
    lay_sound(folder)
    words = ("-m", "bladeangle", *MEASURE, "--out", "record.json", "--picture", "picture.png")
    over_files(words, ("record.json", "picture.png"), folder, wanted, chance, tally, same_file)


def report(folder: Path, wanted: int, chance: Random, tally: Tally) -> None:
    """Page and plot of a record."""
    lay_sound(folder)
    code, _ = finished(("-m", "bladeangle", *MEASURE, "--out", "record.json"), folder)
    assert code == 0, f"exit code {code}"
    words = ("-m", "bladeangle", "report", "record.json", "--photos", ".", "--out", "page.html", "--plot", "plot.svg")
    over_files(words, ("page.html", "plot.svg"), folder, wanted, chance, tally, same_file)


def rows_of(path: Path) -> dict[str, list[Any]]:
    """Rotor -> its records in an inventory that must be whole; failed rotors with their message."""
    with contextlib.closing(sqlite3.connect(path)) as db:
        assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        found: dict[str, list[Any]] = {}
        for rotor, text in db.execute("SELECT rotor, json FROM records JOIN bodies USING (id)"):
            found.setdefault(rotor, []).append(plain(json.loads(text)))
        for rotor, message in db.execute("SELECT rotor, message FROM failures"):
            found.setdefault(rotor, []).append(message)
        return found


def batch(folder: Path, wanted: int, chance: Random, tally: Tally) -> None:
    """A shelf of four rotors of which one cannot be read; killed, resumed, until it is done; then afresh."""
    lay_sound(folder)
    for name in ("avocet", "bittern", "curlew", "dunlin"):
        (folder / "shelf" / name).mkdir(parents=True)
        for photo in ("inlet.jpg", "outlet.jpg"):
            content = (folder / photo).read_bytes()
            (folder / "shelf" / name / photo).write_bytes(content if name != "curlew" else content[: len(content) // 2])
    words = ("-m", "bladeangle", "batch", "shelf", "--ring", "ring.json", "--camera", "camera.json", "--out")
    code, seconds = finished((*words, "sound"), folder)
    expected = rows_of(folder / "sound" / "inventory.sqlite")
    assert len(expected) == 4, f"exit code {code}, {sorted(expected)}"
    names = {p.name for p in (folder / "sound").iterdir()}
    shelf = {p: sha256(p.read_bytes()).hexdigest() for p in (folder / "shelf").rglob("*.jpg")}
    before: set[str] = set()
    while tally.kills < wanted:
        code, _ = kill((*words, "out"), folder, seconds, chance)
        tally.kills += code == -signal.SIGKILL
        place = folder / "out" / "inventory.sqlite"
        found = rows_of(place) if place.exists() and place.stat().st_size else {}
        tally.insist(all(len(rows) == 1 for rows in found.values()), "a rotor stands twice in the inventory")
        tally.insist(all(expected.get(r) == rows for r, rows in found.items()), "a rotor's record is another")
        tally.insist(before <= set(found), "a rotor that was done is lost")
        tally.insist({p: sha256(p.read_bytes()).hexdigest() for p in shelf} == shelf, "a photograph has changed")
        before = set(found)
        if code != -signal.SIGKILL:
            tally.insist(found == expected, f"after the last run (exit code {code}) the inventory is another")
            left = {p.name for p in (folder / "out").iterdir() if not p.name.startswith(TEMPORARY_PREFIX)}
            tally.insist(left == names, f"files of the results: {sorted(left ^ names)}")
            shutil.rmtree(folder / "out")
            before = set()


ADDING = """
import json, sys
from pathlib import Path
from bladeangle.inventory import Inventory
from bladeangle.records.record import record_from_dict
data = json.loads(Path("record.json").read_text())
with Inventory(Path("inventory.sqlite"), create=True) as shelf:
    for number in range(int(sys.argv[1]), 10**6):
        name = f"rotor {number}"
        shelf.add(f"key {number}", f"place {number}", name, record_from_dict(data | {"name": name}))
        print(number, flush=True)
"""


def inventory(folder: Path, wanted: int, chance: Random, tally: Tally) -> None:
    """Records put into an inventory one after the other: each that was acknowledged is there, once."""
    folder.mkdir()
    (folder / "record.json").write_text(json.dumps(invented_record(oblique=0)))
    acknowledged = -1
    while tally.kills < wanted:
        code, said = kill(("-c", ADDING, str(acknowledged + 1)), folder, 3.0, chance)
        tally.kills += code == -signal.SIGKILL
        lines = said.decode().split("\n")[:-1]
        acknowledged = int(lines[-1]) if lines else acknowledged
        path = folder / "inventory.sqlite"
        if not path.exists() or (not path.stat().st_size and acknowledged < 0):
            continue
        found = rows_of(path) if acknowledged >= 0 else {}
        tally.insist(all(len(rows) == 1 for rows in found.values()), "a rotor stands twice in the inventory")
        tally.insist({f"rotor {n}" for n in range(acknowledged + 1)} <= set(found), "an acknowledged record is lost")
        # one more may have been written when its acknowledgement was lost; it is added again under the same key
        tally.insist(len(found) <= acknowledged + 2, "there are more records than were added")
        code, _ = finished(("-m", "bladeangle", "inventory", "inventory.sqlite", "--rotor", "rotor 0"), folder)
        tally.insist(code == 0 or acknowledged < 0, f"the inventory cannot be asked: exit code {code}")


# --- the phone's page ------------------------------------------------------------------------------------------------


def phone(folder: Path, wanted: int, chance: Random, tally: Tally) -> None:
    """Two photographs sent to the page and measured; killed meanwhile, started again, until the report is there."""
    from tests.phone.bench import Running, start

    lay_sound(folder)
    photos = {role: (folder / f"{role}.jpg").read_bytes() for role in ("outlet", "inlet")}
    rotors = folder / "bench" / "rotors"
    job, tokens, jobs = "", {}, 0
    while tally.kills < wanted:
        running = Running(
            folder / "bench", 0, "--ring", str(folder / "ring.json"), "--camera", str(folder / "camera.json")
        )
        try:
            with running.browser() as browser:
                if not job:
                    job, tokens, jobs = start(browser, title=f"rotor {jobs + 1}"), _tokens(), jobs + 1
                client = threading.Thread(target=_send_all, args=(browser, job, tokens, photos))
                client.start()
                end = time.monotonic() + chance.uniform(0.0, 5.0)
                while time.monotonic() < end and not (rotors / job / "report.html").exists():
                    time.sleep(0.005)
                running.kill()
                tally.kills += 1
                client.join()
        finally:
            running.kill()
        seen = [path for path in (rotors / job).iterdir() if path.suffix == ".jpg"]
        tally.insist(all(p.read_bytes() == photos.get(p.stem) for p in seen), "a photograph is not what was sent")
        for path in (rotors / job).rglob("*.json"):
            tally.insist(_reads(path), f"{path.name} is half written")
        tally.insist(len(list(rotors.iterdir())) == jobs, "there are more or fewer jobs than were begun")
        if (rotors / job / "report.html").exists():
            tally.insist({p.stem for p in seen} == set(photos), "a measured rotor lacks a photograph")
            tally.insist(len(read_record(rotors / job / "record.json").content.photos) == 2, "not two photographs")
            page = (rotors / job / "report.html").read_text()
            tally.insist(page.rstrip().endswith("</html>"), "the report is cut off")
            job = ""


def _tokens() -> dict[str, str]:
    return {role: secrets.token_hex(16) for role in ("outlet", "inlet")}


def _send_all(browser: Any, job: str, tokens: dict[str, str], photos: dict[str, bytes]) -> None:
    """What a phone does until it is cut off."""
    import httpx2

    with contextlib.suppress(httpx2.HTTPError, ValueError):
        for role, content in photos.items():
            told = {"job": job, "role": role, "replaced": "", "size": len(content)}
            answer = browser.put(f"/upload/{tokens[role]}", json=told)
            while answer.status_code == 200 and answer.json()["answer"] is None:
                at = answer.json()["received"]
                if at < len(content):
                    headers = {"content-type": "application/octet-stream", "upload-offset": str(at)}
                    piece = content[at : at + 50_000]
                    answer = browser.patch(f"/upload/{tokens[role]}", content=piece, headers=headers)
                else:
                    time.sleep(0.1)
                    answer = browser.get(f"/upload/{tokens[role]}")


def _reads(path: Path) -> bool:
    try:
        json.loads(path.read_text())
    except ValueError:
        return False
    return True


PLACES: dict[str, Callable[[Path, int, Random, Tally], None]] = {
    "measure": measure, "report": report, "batch": batch, "inventory": inventory, "phone": phone,
}  # fmt: skip


def campaign(name: str, wanted: int, seed: int) -> Tally:
    """So many kills of one command."""
    tally = Tally()
    with scratch() as folder:
        PLACES[name](folder / "case", wanted, Random(f"{name} {seed}"), tally)
    return tally


@contextlib.contextmanager
def scratch() -> Iterator[Path]:
    """A folder that goes afterwards."""
    with tempfile.TemporaryDirectory(prefix="kills-", ignore_cleanup_errors=True) as folder:
        yield Path(folder)


def main() -> int:
    """Run the campaign and print a line for each command; 1 when anything was lost, half written or doubled."""
    parser = argparse.ArgumentParser(prog="python -m tests.campaign.kills", description=__doc__,
                                     formatter_class=argparse.RawDescriptionHelpFormatter)  # fmt: skip
    parser.add_argument("--kills", type=int, default=60, metavar="N", help="of each command")
    parser.add_argument("--only", choices=PLACES)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    faults = 0
    for name in [args.only] if args.only else PLACES:
        tally = campaign(name, args.kills, args.seed)
        faults += tally.faults
        sys.stdout.write(f"{name}: {tally.kills} kills, {tally.faults} faults\n")
        sys.stdout.flush()
    return int(faults > 0)


if __name__ == "__main__":
    sys.exit(main())
