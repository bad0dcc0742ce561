"""Jobs in their folders -> what is due of them, done while the pages are served: photographs looked at, jobs measured.

Nothing is decided from memory: after the process was killed, `resume` finds what was under way in the folder.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Coroutine, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from bladeangle.base.errors import BladeangleError, UsageError
from bladeangle.base.inputs import RECORD, read_bytes
from bladeangle.imaging.camera import Camera
from bladeangle.imaging.ring import Ring
from bladeangle.phone.folder import Folder, Job, write_json
from bladeangle.phone.steps import judge, status_of
from bladeangle.phone.uploads import Upload, Uploads
from bladeangle.phone.work import Calibrate, Failed, Look, Measure, Task, Worker, phone_of
from bladeangle.pipeline.measure import Options
from bladeangle.shop.orders import Order


@dataclass(frozen=True)
class Known:
    """What the command was told: the ring, a camera file, orders with their files' contents, the check bar's length,
    whether lengths are shown in inches, and the paper of the one page."""

    ring: Ring
    camera: Camera | None = None
    orders: tuple[tuple[Order, bytes], ...] = ()
    check_bar_mm: float | None = None
    inches: bool = False
    paper: str = "a4"


class Desk:
    """The folder with all that goes on in it."""

    def __init__(self, folder: Folder, known: Known) -> None:
        self.folder, self.known = folder, known
        self.uploads = Uploads(folder)
        # a photograph is looked at while another rotor is measured
        self._looks, self._measures = Worker(), Worker()
        self._tasks: set[asyncio.Task[None]] = set()
        self._looking: dict[str, str] = {}
        self.progress: dict[str, str] = {}

    def resume(self) -> None:
        """Go on with what was under way when the process ended."""
        for upload in self.uploads.waiting():
            self.arrived(upload)
        for job in self.folder.jobs():
            if not self.folder.settled(job):
                self.advance(job)

    async def close(self) -> None:
        """End everything; what is not finished is found again by `resume`."""
        for task in self._tasks:
            task.cancel()
        self._looks.stop()
        self._measures.stop()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    def looking(self, job: Job) -> bool:
        """Whether a photograph of the job is being looked at."""
        return job.id in self._looking.values()

    def cameras(self) -> tuple[Camera, ...]:
        """The calibrations made here, the newest first, and the one that the command was given."""
        given = [] if self.known.camera is None else [self.known.camera]
        return (*self.folder.cameras(), *given)

    # --- photographs --------------------------------------------------------------------------------------------------

    def arrived(self, upload: Upload) -> None:
        """Look at a photograph all of which has arrived, once."""
        if upload.name not in self._looking and upload.answer is None:
            self._looking[upload.name] = upload.job
            self._spawn(self._look(upload))

    async def _look(self, upload: Upload) -> None:
        try:
            job = self.folder.job(upload.job)
            if job is None:
                self.uploads.answer(upload, _answer("retake", ("This job is no longer there.",)))
                return
            path = self.uploads.close(upload)
            others = self.folder.pictures(job)
            opposite = {"inlet": "outlet", "outlet": "inlet"}.get(upload.role)
            fellow = next((p.path for p in others if p.role == opposite), None)
            look = Look(path, self.known.ring, self.cameras(), job.diameter_mm, fellow, self.known.inches)
            found = await self._looks.run(look)
            if isinstance(found, Failed):
                self.uploads.answer(upload, _answer("retake", (found.message, found.hint)))
                return
            self.uploads.answer(upload, self._keep(job, upload, path, found))
            self.advance(job)
        except BladeangleError as error:
            self.uploads.answer(upload, _answer("retake", (error.message, error.hint)))
        finally:
            self._looking.pop(upload.name, None)

    def _keep(self, job: Job, upload: Upload, path: Path, found: Mapping[str, Any]) -> dict[str, object]:
        """Put a photograph where its verdict sends it; what to tell of it."""
        others = self.folder.pictures(job)
        twin = next((p for p in others if p.sha256 == found["sha256"] and p.role == upload.role), None)
        if twin is not None:  # sent twice, as when the answer to the first was lost
            return _answer(twin.check.get("verdict", "usable"), ("This photograph is here already.",), twin.name)
        judged = judge(found, upload.role, [p for p in others if p.name != upload.replaced])
        if found["same_end"] and judged.verdict != "retake":
            sentence = "It shows the same end of the rotor as the one before. Turn the rotor over."
            judged = type(judged)("retake", (sentence, *judged.sentences), usable_anyway=True)
        kept = {key: value for key, value in found.items() if key != "suffix"} | {
            "verdict": judged.verdict,
            "sentences": list(judged.sentences),
            "usable_anyway": judged.usable_anyway,
            "role": upload.role,
        }
        if judged.verdict == "retake":
            self.folder.keep_aside(job, path, found["suffix"], upload.role, kept)
            return _answer("retake", judged.sentences)
        name = self.folder.keep(job, path, found["suffix"], upload.role, upload.replaced, kept)
        return _answer(judged.verdict, judged.sentences, name)

    # --- measuring ----------------------------------------------------------------------------------------------------

    def advance(self, job: Job, asked: bool = False) -> None:
        """Measure the job if it is due, or `asked` for and possible."""
        if job.id in self.progress:
            return
        now = status_of(self.folder, job)
        if now.due or (asked and now.possible and now.record is None and now.camera is None):
            self.progress[job.id] = "waiting for its turn"
            self._spawn(self._measure(job))

    async def _measure(self, job: Job) -> None:
        try:
            now = status_of(self.folder, job)
            task: Task
            if job.kind == "calibrate":
                task = Calibrate(job.path, self.known.ring)
            else:
                options = Options(diameter_mm=job.diameter_mm, check_bar_mm=self.known.check_bar_mm)
                phone = phone_of([p.check for p in now.pictures])
                task = Measure(
                    job.path, job.title, now.digest, phone, self.known.ring, self.cameras(), options,
                    self.known.inches, self.known.paper,
                )  # fmt: skip
            found = await self._measures.run(task, lambda text: self._tell(job, text))
            if isinstance(found, Failed):
                failure = {"digest": now.digest, "message": found.message, "hint": found.hint}
                write_json(job.path / "failure.json", failure)
            elif (after := status_of(self.folder, job)).due and after.digest == now.digest:
                failure = {"digest": now.digest, "message": "The result is not of these photographs.", "hint": ""}
                write_json(job.path / "failure.json", failure)
        finally:
            self.progress.pop(job.id, None)
        self.advance(job)  # photographs may have come meanwhile

    def _tell(self, job: Job, text: str) -> None:
        if job.id in self.progress:
            self.progress[job.id] = text

    def _spawn(self, work: Coroutine[Any, Any, None]) -> None:
        task = asyncio.get_running_loop().create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._ended)

    def _ended(self, task: asyncio.Task[None]) -> None:
        self._tasks.discard(task)
        if not task.cancelled() and (error := task.exception()) is not None:
            asyncio.get_running_loop().call_exception_handler({"message": "a job failed", "exception": error})

    # --- new jobs -----------------------------------------------------------------------------------------------------

    def new_job(self, kind: str, title: str, diameter_mm: float | None, order: str, before: str) -> Job:
        """A new job; `order` counts the command's orders from 1, `before` names a measured rotor or is empty.

        Raises
        ------
        UsageError : no such order or rotor. OutputError : as `Folder.new_job`.
        """
        files: dict[str, bytes] = {}
        if kind == "verify":
            chosen = [text for number, (_, text) in enumerate(self.known.orders, 1) if str(number) == order]
            if not chosen:
                raise UsageError("There is no such order.", "Start the command with --order and the order's file.")
            files["order.toml"] = chosen[0]
            if before:
                measured = next((j for j in self.measured() if j.id == before), None)
                if measured is None:
                    raise UsageError("There is no such rotor.", "Choose one from the list.")
                files["before.json"] = read_bytes(measured.path / "record.json", RECORD)
        return self.folder.new_job(kind, title, diameter_mm, files)

    def measured(self) -> Sequence[Job]:
        """The rotors that have a record."""
        found = []
        for job in self.folder.jobs():
            with contextlib.suppress(OSError):
                if job.kind != "calibrate" and (job.path / "record.json").is_file():
                    found.append(job)
        return found


def _answer(verdict: str, sentences: Sequence[str], name: str = "") -> dict[str, object]:
    return {"verdict": verdict, "sentences": [s for s in sentences if s], "name": name}
