"""Task -> what came of it in a process of its own: a photograph looked at, a rotor measured, a phone calibrated."""

from __future__ import annotations

import asyncio
import contextlib
import faulthandler
import multiprocessing
import multiprocessing.connection
import os
import signal
import threading
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bladeangle.base.errors import BladeangleError
from bladeangle.base.files import safe_name
from bladeangle.batch.engines import uninterrupted
from bladeangle.imaging.camera import Camera
from bladeangle.imaging.ring import Ring
from bladeangle.phone.folder import write_json
from bladeangle.phone.steps import ABOVE_DEG
from bladeangle.pipeline.measure import Options

if TYPE_CHECKING:
    from bladeangle.shop.verify import Verdict

#: Tasks after which a process is replaced, so that what libraries keep does not add up.
TASKS_A_PROCESS = 40
#: Seconds after which a task is given up.
LIMIT_S = 300.0
_SUFFIXES = ((b"\xff\xd8\xff", ".jpg"), (b"\x89PNG", ".png"), (b"II*\0", ".tif"), (b"MM\0*", ".tif"))

Progress = Callable[[str], None]


@dataclass(frozen=True)
class Failed:
    """Why a task came to nothing, for people; `hint` may be empty."""

    message: str
    hint: str = ""


@dataclass(frozen=True)
class Look:
    """Look at one photograph. `fellow` is another one from above, of the other end of the rotor, if there is one."""

    path: Path
    ring: Ring
    cameras: tuple[Camera, ...]
    diameter_mm: float | None
    fellow: Path | None = None
    inches: bool = False

    def run(self, progress: Progress) -> dict[str, object]:
        """What `check` saw, with hash, ending, size, phone, and whether the fellow shows the same end of the rotor."""
        from bladeangle.imaging.photo import read_photo
        from bladeangle.pipeline.check import check_photo
        from bladeangle.pipeline.sorting import same_end_up

        photo = read_photo(self.path)
        phone = " ".join(t for t in (photo.exif.make, photo.exif.model) if t)
        camera = camera_for_phone(phone, photo.width, photo.height, self.cameras)
        check = check_photo(photo, self.ring, camera, self.diameter_mm, self.inches)
        values = {k: v if v is None else float(v) if not isinstance(v, bool) else v for k, v in check.values.items()}
        same = False
        if self.fellow is not None and float(check.values.get("tilt_deg", 90) or 0) < ABOVE_DEG:
            with contextlib.suppress(BladeangleError):  # the fellow may have been taken away meanwhile
                same = same_end_up(self.path, self.fellow, self.ring, camera)
        with open(self.path, "rb") as file:
            head = file.read(4)
        return {
            "sha256": photo.sha256,
            "suffix": next((suffix for begin, suffix in _SUFFIXES if head.startswith(begin)), ".heic"),
            "phone": phone,
            "calibrated": camera is not None,
            "width": photo.width,
            "height": photo.height,
            "verdict": check.verdict,
            "lines": [asdict(line) for line in check.lines],
            "values": values,
            "same_end": same,
        }


@dataclass(frozen=True)
class Measure:
    """Measure the rotor in a folder and write its record and report, and the verdict if it has an order."""

    folder: Path
    name: str
    digest: str
    phone: tuple[str, int, int]
    ring: Ring
    cameras: tuple[Camera, ...]
    options: Options
    inches: bool = False
    paper: str = "a4"

    def run(self, progress: Progress) -> None:
        """Files in the folder; raises what measuring raises."""
        import numpy as np

        from bladeangle.page.customer_page import customer_page
        from bladeangle.page.paper import write_pages
        from bladeangle.page.report import write_report
        from bladeangle.pipeline.assemble import record_of
        from bladeangle.pipeline.measure import measure
        from bladeangle.pipeline.sorting import photos_by_name
        from bladeangle.records.record import read_record, write_record
        from bladeangle.shop.orders import read_order
        from bladeangle.shop.verify import verify

        photos = photos_by_name(self.folder)
        camera = camera_for_phone(*self.phone, self.cameras)
        record = record_of(
            measure(photos.inlet_up, photos.turned, self.ring, camera, self.options, progress), self.name
        )
        progress("writing the report")
        limits = verdict = None
        if (self.folder / "order.toml").is_file():
            order = read_order(self.folder / "order.toml")
            wanted = order.stations.items()
            limits = {s: (o.angle_deg - o.tolerance_deg, o.angle_deg + o.tolerance_deg) for s, o in wanted}
            before = self.folder / "before.json"
            old = read_record(before) if before.is_file() else None
            verdict = verify(record, order, old, rng=np.random.default_rng(1), inches=self.inches)
            write_json(self.folder / "verdict.json", _told(verdict) | {"digest": self.digest})
        write_pages(self.folder / "page.pdf", [customer_page(record, verdict, self.inches)], self.paper, self.name)
        write_report(self.folder / "report.html", [record.content], self.folder, limits, inches=self.inches)
        write_record(record, self.folder / "record.json")  # last: where it is, all of it is


@dataclass(frozen=True)
class Calibrate:
    """Calibrate the phone whose photographs of the bare ring are in a folder, and write its camera file."""

    folder: Path
    ring: Ring

    def run(self, progress: Progress) -> None:
        """A file in the folder; raises what calibrating raises."""
        from bladeangle.imaging.camera import write_camera
        from bladeangle.pipeline.calibrate import calibrate
        from bladeangle.pipeline.sorting import photos_by_name

        found = calibrate(photos_by_name(self.folder).inlet_up, self.ring, progress=progress)
        write_camera(found.camera, self.folder / "camera.json")


Task = Look | Measure | Calibrate


def _told(verdict: Verdict) -> dict[str, object]:
    """The verdict with its judgements, for the page."""
    found = verdict.to_dict()
    return {key: found[key] for key in ("verdict", "order", "change", "judgements", "advice", "cautions")}


def camera_for_phone(phone: str, width: int, height: int, cameras: Sequence[Camera]) -> Camera | None:
    """The calibration for photographs of a phone, by its name and picture size; one that names none fits any."""
    fits = [c for c in cameras if (c.width, c.height) == (width, height)]
    named = [c for c in fits if c.provenance.get("phone") == phone]
    return next(iter(named or [c for c in fits if not (c.provenance.get("phone") and phone)]), None)


def perform(task: Task, progress: Progress) -> Any:
    """The task's result; every error becomes `Failed`, with our own names of files left out."""
    with open(os.devnull, "w") as nowhere:
        faulthandler.dump_traceback_later(LIMIT_S, exit=True, file=nowhere)
        try:
            return task.run(progress)
        except BladeangleError as error:
            if isinstance(task, Look):
                message = error.message.replace(safe_name(task.path.name), "The photograph")
                return Failed(message, error.hint)
            return Failed(error.message, error.hint)
        except MemoryError:
            return Failed("The bench computer has not enough memory for this.", "Close other programs there.")
        except Exception as error:  # noqa: BLE001 - whatever it is, it is this task's alone
            return Failed(f"Internal error: {type(error).__name__}.", "Take the photograph again.")
        finally:
            faulthandler.cancel_dump_traceback_later()


# --- the processes ----------------------------------------------------------------------------------------------------


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    assert parent is not None
    multiprocessing.connection.wait([parent.sentinel])
    os._exit(1)


def _serve(link: multiprocessing.connection.Connection) -> None:
    """A process's life: tasks in; progress and then the result out; until the other end closes."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    from bladeangle.base.files import import_cv2

    import_cv2().setNumThreads(1)
    with contextlib.suppress(EOFError, BrokenPipeError, ConnectionResetError):
        while True:
            task = link.recv()
            link.send(("result", perform(task, lambda text: link.send(("progress", text)))))


class Worker:
    """One process, started when it is first needed; tasks wait for each other."""

    def __init__(self) -> None:
        self._turn = asyncio.Lock()
        self._link: multiprocessing.connection.Connection | None = None
        self._process: Any = None
        self._done = 0

    async def run(self, task: Task, progress: Progress = lambda _: None) -> Any:
        """The task's result or `Failed`; `progress` is called in the caller's thread."""
        async with self._turn:
            return await asyncio.to_thread(self._run, task, asyncio.get_running_loop(), progress)

    def _run(self, task: Task, loop: asyncio.AbstractEventLoop, progress: Progress) -> Any:
        if self._process is None or self._done >= TASKS_A_PROCESS or not self._process.is_alive():
            self.stop()
            self._start()
        link = self._link
        assert link is not None
        self._done += 1
        try:
            link.send(task)
            while True:
                kind, content = link.recv()
                if kind == "result":
                    return content
                loop.call_soon_threadsafe(progress, content)
        except (EOFError, OSError):
            self.stop()
            return Failed("It took too long or too much memory, and was given up.", "Try again, or take it again.")

    def _start(self) -> None:
        # not forked: a fork of a process that has used OpenCV hangs
        context = multiprocessing.get_context("spawn")
        self._link, theirs = context.Pipe()
        process = context.Process(target=_serve, args=(theirs,), daemon=True)
        with uninterrupted():
            process.start()
        self._process = process  # only now can it be killed; should `stop` come before, it ends with its link
        theirs.close()
        self._done = 0

    def stop(self) -> None:
        """End the process, whatever it does."""
        if self._link is not None:
            self._link.close()
        if self._process is not None:
            self._process.kill()
            self._process.join()
        self._link = self._process = None


def phone_of(checks: Sequence[Any]) -> tuple[str, int, int]:
    """Phone and picture size that the first photograph with a check names; nothing known gives ("", 0, 0)."""
    known = next((c for c in checks if c), None)
    return ("", 0, 0) if known is None else (str(known["phone"]), int(known["width"]), int(known["height"]))
