"""The phone's pages in figures: the whole way by touch, and what an attacker's client gets.

On the command line, from the project's root::

    python -m tests.bench.phone way [FOLDER] [--camera FILE] [--ring FILE] [--rate KB_PER_S]
    python -m tests.bench.phone attack [--requests 10000] [--megabytes 2000]

`way` opens the pages in Chromium as a phone has it (touch, 390 px) and photographs a rotor by FOLDER's `outlet.jpg`,
`inlet.jpg` and `around-*.jpg`, or by the shipped pair. The connection is cut amid two of the uploads, and the command
killed amid a third and started again. Printed are the seconds and taps of every step on the page; the camera's own
shutter and its "use it" come on top. `attack` tries secrets, hosts, origins, paths, types, sizes and names, asks often
and sends much; printed is what was answered and the server's resident memory (VmRSS) before and after. Both fail when
anything was lost or got in.
"""

from __future__ import annotations

import argparse
import hashlib
import secrets
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "phone"))
from bench import CAMERA, PHOTOS, RING, Running, memory_mb, send, start, stream

from tests.chromium import PHONE, network, program

#: Everything on a page that is waited for, ms.
PATIENCE_MS = 300_000
#: Of the network, ms.
LATENCY_MS = 20
#: Kilobytes a second while an upload waits to be cut: slow enough that it is not over before.
SLOW_KB = 400
#: How long the phone is without connection, s.
CUT_S = 4.0
#: Bytes that one request may add to an upload.
MOST_PIECE = 1_000_000
SCRIPT = "<script>alert(1)</script>\"'><img src=x onerror=alert(1)>"


# --- the whole way ----------------------------------------------------------------------------------------------------


class Finger:
    """A phone's page, with the taps on it and the seconds since the last step."""

    def __init__(self, page: Any) -> None:
        self.page, self.taps, self.since = page, 0, time.monotonic()
        self.rows: list[tuple[str, float, int]] = []

    def tap(self, role: str, name: str, *, exact: bool = True) -> None:
        """Tap on what is there under a name."""
        self.taps += 1
        self.page.get_by_role(role, name=name, exact=exact).first.tap()

    def step(self, words: str) -> None:
        """A step is done: print what it took."""
        now = time.monotonic()
        self.rows.append((words, now - self.since, self.taps))
        print(f"{words:44}{now - self.since:8.1f}{self.taps:6}", flush=True)
        self.since, self.taps = now, 0

    def choose(self, path: Path) -> None:
        """Hand over a photograph, by whichever button the page offers for it."""
        names = ("Take the photograph", "Take it again", "Add one from the side")
        found = self.page.locator(", ".join(f"button:visible:has-text('{n}')" for n in names))
        if not found.count():
            self.taps += 1
            self.page.locator("summary").first.tap()
        with self.page.expect_file_chooser() as chooser:
            self.taps += 1
            found.first.tap()
        chooser.value.set_files(str(path))


@contextmanager
def phone() -> Any:
    """A browser's context as a phone has it."""
    from playwright.sync_api import sync_playwright

    found = program()
    if found is None:
        raise SystemExit("no Chromium on this machine")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=found, args=["--no-sandbox", "--disable-gpu"])
        context = browser.new_context(**PHONE)
        context.set_default_timeout(PATIENCE_MS)
        yield context
        browser.close()


def way(folder: Path, camera: Path, ring: Path, rate_kb: int) -> bool:
    """Photograph, measure and show a rotor; whether every photograph arrived as it was and all were measured."""
    photos = [folder / "outlet.jpg", folder / "inlet.jpg", *sorted(folder.glob("around-*.jpg"))]
    words = ("--ring", str(ring), "--camera", str(camera))
    cuts, kill = {1, min(4, len(photos) - 1)}, len(photos) - 2
    begun = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="phone-") as scratch, phone() as context:
        place = Path(scratch)
        command = Running(place, 0, *words)
        try:
            finger = Finger(context.new_page())
            print(f"{'step':44}{'seconds':>8}{'taps':>6}")
            finger.page.goto(command.link)
            finger.step("scan the code, page open")
            finger.tap("link", "Measure a rotor", exact=False)
            finger.tap("button", "Start")
            finger.page.wait_for_selector(".wanted")
            finger.step("job begun")
            becomes = network(finger.page, LATENCY_MS)
            for number, photo in enumerate(photos):
                spoilt = number in cuts or number == kill
                becomes(min(SLOW_KB, rate_kb) if spoilt else rate_kb)
                finger.choose(photo)
                said = f"{photo.name}, {photo.stat().st_size / 1e6:.1f} MB"
                if spoilt:
                    halfway(finger.page)
                if number in cuts:
                    becomes(0)
                    time.sleep(CUT_S)
                    becomes(rate_kb)
                    said += f", cut for {CUT_S:.0f} s"
                if number == kill:
                    command.kill()
                    command = Running(place, command.port, *words)
                    becomes(rate_kb)
                    said += ", command killed"
                finger.page.wait_for_selector(f".rows > li:nth-child({number + 1})", state="attached")
                finger.page.wait_for_selector("#sending", state="hidden")
                finger.step(said)
            becomes(-1)
            finger.page.get_by_role("link", name="Open the report").wait_for()
            finger.page.wait_for_selector(".said.looking", state="detached")
            finger.step(f"measured, from {len(photos)} photographs")
            finger.tap("link", "Open the report")
            finger.page.get_by_role("heading", name="Blade angles", exact=False).wait_for()
            finger.step("report open")
            finger.page.go_back()
            with finger.page.expect_download() as download:
                finger.tap("link", "One page as PDF", exact=False)
            pdf = Path(download.value.path()).read_bytes()
            finger.step(f"page as PDF, {len(pdf) / 1000:.0f} kB")
            seconds, taps = time.monotonic() - begun, sum(row[2] for row in finger.rows)
            print(f"{'all of it':44}{seconds:8.1f}{taps:6}")
            return pdf.startswith(b"%PDF") and arrived(place / "rotors" / "rotor-1", photos)
        finally:
            command.kill()


def halfway(page: Any) -> None:
    """Wait until some of a photograph has been sent."""
    page.wait_for_selector(", ".join(f"#sending-bar[value^='0.{tenths}']" for tenths in range(2, 10)))


def arrived(job: Path, photos: Sequence[Path]) -> bool:
    """Whether a job holds these photographs, each once and as it was, and a record of all of them."""
    from bladeangle.records.record import read_record

    wanted = sorted(hashlib.sha256(p.read_bytes()).hexdigest() for p in photos)
    here = sorted(hashlib.sha256(p.read_bytes()).hexdigest() for p in job.glob("*.jpg"))
    measured = sorted(p.sha256 for p in read_record(job / "record.json").content.photos)
    print(f"photographs sent {len(wanted)}, in the folder {len(here)}, in the record {len(measured)}")
    return wanted == here == measured


# --- an attacker ------------------------------------------------------------------------------------------------------


def attack(requests: int, megabytes: int) -> bool:
    """Everything that is not to get in; whether nothing did, and memory stayed within 30 MB of where it was."""
    with tempfile.TemporaryDirectory(prefix="phone-") as scratch:
        place = Path(scratch)
        command = Running(place)
        try:
            with command.browser() as browser:
                job = start(browser)
                assert send(browser, job, "outlet", (PHOTOS / "outlet.jpg").read_bytes())["name"] == "outlet"
                upload = {"job": job, "role": "inlet", "replaced": "", "size": 50_000_000}
                token = secrets.token_hex(16)
                assert browser.put(f"/upload/{token}", json=upload).status_code == 200
            before, memory = files(place), [memory_mb(command.process.pid)]
            print(f"{'tried':44}{'answers':32}{'server, MB':>10}\n{'(before)':76}{memory[0]:10.1f}")

            def told(words: str, answers: Sequence[int]) -> None:
                counted = ", ".join(f"{n} x {code or 'cut off'}" for code, n in sorted(Counter(answers).items()))
                memory.append(memory_mb(command.process.pid))
                print(f"{words:44}{counted:32}{memory[-1]:10.1f}", flush=True)

            sound = probes(command, job, told)
            for own in (True, False):
                status, answer = stream(command, f"/upload/{token}", megabytes, own)
                told(f"{megabytes:,} MB sent {'with' if own else 'without'} the secret", [status])
                sound &= status != 200 and command.key.encode() not in answer
            begun = time.monotonic()
            codes = [command.request("GET", f"/open/{k:032d}", own=False)[0] for k in range(requests)]
            told(f"{requests:,} guesses, {time.monotonic() - begun:.0f} s", codes)
            sound &= set(codes) <= {403, 429} and codes.count(403) < requests // 50 + 40
            after = files(place)
            part = next(p for p in place.rglob("*.part"))  # holds one piece of what was sent at most
            sound &= part.stat().st_size <= MOST_PIECE
            changed = {name for name in before | after if before.get(name) != after.get(name)}
            changed -= {str(part.relative_to(place))}
            print(f"files changed: {', '.join(sorted(changed)) or 'none'}")
            return sound and not changed and max(memory) - memory[0] < 30
        finally:
            command.kill()


def probes(command: Running, job: str, told: Callable[[str, Sequence[int]], None]) -> bool:
    """One or two requests of every kind of attack; whether each was refused."""
    json_, octets = {"Content-Type": "application/json"}, {"Content-Type": "application/octet-stream"}
    upload = f"/upload/{secrets.token_hex(16)}"
    form = {"Content-Type": "application/x-www-form-urlencoded"}
    elsewhere = {"Origin": "http://evil.example"}
    large = '{"job": "%s", "role": "inlet", "replaced": "", "size": 2000000000}' % job  # noqa: UP031
    climbing = large.replace("2000000000", "9").replace(job, "../../etc")
    tried: dict[str, list[tuple[str, str, Any, dict[str, str], bool]]] = {
        "wrong secret": [("GET", f"/open/{'A' * 32}", None, {}, False), ("GET", "/", None, {}, False)],
        "wrong host": [("GET", "/", None, {"Host": "evil.example"}, True)],
        "wrong origin": [
            ("POST", "/jobs", "kind=shelf", form | elsewhere, True),
            ("PUT", upload, large, json_ | elsewhere, True),
        ],
        "paths out of the folder": [
            ("GET", path, None, {}, True)
            for path in ("/job/..%2f..%2fetc/report", "/job/rotor-1/../../../etc/passwd", "/.phone/key")
        ],
        "wrong type": [
            ("PUT", upload, large, {"Content-Type": "text/plain"}, True),
            ("PATCH", upload, b"x", {"Content-Type": "image/jpeg", "Upload-Offset": "0"}, True),
        ],
        "2 GB announced, a path as a job": [("PUT", upload, text, json_, True) for text in (large, climbing)],
        "a piece of nothing announced": [("PATCH", upload, b"x", octets | {"Upload-Offset": "0"}, True)],
    }
    sound = True
    for words, calls in tried.items():
        answers = [command.request(*call[:4], own=call[4]) for call in calls]
        told(words, [status for status, _ in answers])
        sound &= all(status >= 400 and command.key.encode() not in body for status, body in answers)
    with command.browser() as browser:
        answer = browser.post("/jobs", data={"kind": "measure", "title": SCRIPT, "diameter": SCRIPT})
        told("script in names", [answer.status_code])
        sound &= answer.status_code == 422 and "<script>alert" not in answer.text and "<img" not in answer.text
    return sound


def files(folder: Path) -> dict[str, str]:
    """Every file with the hash of its contents."""
    found = (p for p in folder.rglob("*") if p.is_file())
    return {str(p.relative_to(folder)): hashlib.sha256(p.read_bytes()).hexdigest() for p in found}


def main() -> int:
    """Run one of the two; 1 when something was lost or got in."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.bench.phone", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    kinds = parser.add_subparsers(dest="kind", required=True)
    one = kinds.add_parser("way")
    one.add_argument("folder", type=Path, nargs="?", default=PHOTOS)
    one.add_argument("--camera", type=Path, default=CAMERA)
    one.add_argument("--ring", type=Path, default=RING)
    one.add_argument("--rate", type=int, default=3000, help="kilobytes a second of the phone's network")
    two = kinds.add_parser("attack")
    two.add_argument("--requests", type=int, default=10_000)
    two.add_argument("--megabytes", type=int, default=2_000)
    told = parser.parse_args()
    if told.kind == "way":
        sound = way(told.folder, told.camera, told.ring, told.rate)
    else:
        sound = attack(told.requests, told.megabytes)
    print("nothing was lost" if sound and told.kind == "way" else "nothing got in" if sound else "NOT as it should be")
    return 0 if sound else 1


if __name__ == "__main__":
    sys.exit(main())
