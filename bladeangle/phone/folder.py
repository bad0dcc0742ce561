"""The folder on the bench computer <-> jobs, their photographs and what is known of each.

All state is here and is read anew whenever it is asked for, so that nothing is lost with the process:

    rotors/rotor-3/    inlet.jpg, outlet.jpg, around-1.jpg ...; record.json, report.html, page.pdf, order.toml
    cameras/camera-1/  sheet-1.jpg ...; camera.json
    .phone/            the key of the address, and uploads that are not whole yet

In a job's folder `job.json` has its kind and title, `checks/` what was seen in each photograph, `set-aside/` the
photographs that are to be taken again or were replaced. Other commands take the folders as they are. Every name is made
here; what a phone sends is never part of a path.
"""

from __future__ import annotations

import contextlib
import functools
import json
import os
import re
import secrets
import shutil
import time
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from bladeangle.base import inputs
from bladeangle.base.errors import DefinitionError, OutputError, PhotoError, UsageError
from bladeangle.base.files import safe_name, sha256_of, write_text_atomic
from bladeangle.imaging.camera import Camera, read_camera
from bladeangle.pipeline.sorting import photos_by_name

#: Kinds of jobs: measure a rotor, the next rotor of a shelf, a re-pitch against its order, calibrate a phone.
KINDS = ("measure", "shelf", "verify", "calibrate")
#: What a photograph can be of: the rotor turned over, inlet end up, from the side; the bare ring.
ROLES = ("outlet", "inlet", "around", "sheet")
#: Most photographs of a job, most that are set aside, most jobs.
MOST_PHOTOS, MOST_ASIDE, MOST_JOBS = 40, 60, 5000
#: Longest title, letters.
LONGEST_TITLE = 60
#: Bytes that must stay free on the disk.
SPARE_BYTES = 300_000_000

_ID = re.compile(r"(rotor|camera)-[1-9][0-9]{0,4}")
_HIDDEN = ".phone"


@dataclass(frozen=True)
class Job:
    """One job: the rotor or the phone that it is about; `diameter_mm` over the tips, if it was told."""

    id: str
    path: Path
    kind: str
    title: str
    diameter_mm: float | None = None


@dataclass(frozen=True)
class Picture:
    """A photograph that counts: its name without ending, its file, SHA-256, and what was seen in it (may be empty)."""

    name: str
    path: Path
    sha256: str
    check: Mapping[str, Any]

    @property
    def role(self) -> str:
        """What it is of, by its name; see `ROLES`. A name that says nothing is one from the side."""
        return next((role for role in ROLES if self.name == role or self.name.startswith(f"{role}-")), "around")


class Folder:
    """The folder given to the command; made when it is not there."""

    def __init__(self, root: Path) -> None:
        """OutputError: the folder cannot be made or written to."""
        self.root = root.absolute()
        self.uploads = self.root / _HIDDEN / "uploads"
        try:
            for path in (self.root / "rotors", self.root / "cameras", self.uploads):
                path.mkdir(parents=True, exist_ok=True)
            (self.root / _HIDDEN).chmod(0o700)
        except OSError as error:
            raise OutputError(
                f"The folder {safe_name(root)} cannot be used: {error.strerror}.", "Name a folder that can be written."
            ) from error

    def key(self, renew: bool = False) -> str:
        """The secret part of the address; kept, so that phones go on after the command was started again."""
        path = self.root / _HIDDEN / "key"
        with contextlib.suppress(DefinitionError):
            kept = inputs.read_text(path, inputs.NOTES).strip()
            if re.fullmatch(r"[A-Za-z0-9_-]{32}", kept) and not renew:
                return kept
        made = secrets.token_urlsafe(24)
        write_text_atomic(path, made + "\n")
        path.chmod(0o600)
        return made

    # --- jobs ---------------------------------------------------------------------------------------------------------

    def _place(self, name: str) -> Path:
        return self.root / ("rotors" if name.startswith("rotor") else "cameras") / name

    def jobs(self) -> list[Job]:
        """All jobs, the newest of each place first."""
        found = []
        for place in ("rotors", "cameras"):
            with contextlib.suppress(OSError):
                ids = [p.name for p in (self.root / place).iterdir() if _ID.fullmatch(p.name) and p.is_dir()]
                found += sorted(ids, key=lambda name: -int(name.split("-")[1]))
        return [job for name in found if (job := self.job(name)) is not None]

    def job(self, name: str) -> Job | None:
        """The job of that name, None when there is none; a folder without `job.json` is a rotor to be measured."""
        if not _ID.fullmatch(name) or not (path := self._place(name)).is_dir():
            return None
        data = read_json(path / "job.json")
        usual = "measure" if name.startswith("rotor") else "calibrate"
        kind, title, diameter = data.get("kind"), data.get("title"), data.get("diameter_mm")
        return Job(
            name,
            path,
            kind if kind in KINDS else usual,
            clean_title(title) if isinstance(title, str) and clean_title(title) else _usual_title(name),
            float(diameter) if isinstance(diameter, int | float) and 0 < diameter < 10_000 else None,
        )

    def new_job(
        self, kind: str, title: str = "", diameter_mm: float | None = None, files: Mapping[str, bytes] | None = None
    ) -> Job:
        """A new job with the files that it starts with; its folder appears whole or not at all.

        Raises
        ------
        OutputError : there are too many, or the disk is nearly full.
        """
        sort = "camera" if kind == "calibrate" else "rotor"
        numbers = [int(job.id.split("-")[1]) for job in self.jobs() if job.id.startswith(sort)]
        if len(numbers) >= MOST_JOBS:
            raise OutputError("The folder is full of jobs.", "Start the command with another folder.")
        self.refuse_full()
        name = f"{sort}-{max(numbers, default=0) + 1}"
        new = self.root / _HIDDEN / f"new-{secrets.token_hex(8)}"
        new.mkdir()
        for file, content in (files or {}).items():
            (new / file).write_bytes(content)
        data = {"kind": kind, "title": clean_title(title) or _usual_title(name), "diameter_mm": diameter_mm}
        write_text_atomic(new / "job.json", json.dumps(data, indent=1) + "\n")
        os.rename(new, self._place(name))
        job = self.job(name)
        assert job is not None
        return job

    def refuse_full(self) -> None:
        """OutputError when the disk is nearly full."""
        if shutil.disk_usage(self.root).free < SPARE_BYTES:
            raise OutputError("The bench computer's disk is nearly full.", "Free some space there.")

    # --- photographs --------------------------------------------------------------------------------------------------

    def pictures(self, job: Job) -> list[Picture]:
        """The photographs that count, in the order of their names."""
        named = photos_by_name(job.path)
        return [_picture(path) for path in sorted((*named.inlet_up, *named.turned), key=_order)]

    def settled(self, job: Job) -> bool:
        """Whether a result is newer than every photograph, so that nothing waits to be measured."""
        results = [_time(job.path / name) for name in ("record.json", "camera.json", "failure.json")]
        named = photos_by_name(job.path)
        return max(results) > max((_time(p) for p in (*named.inlet_up, *named.turned)), default=0)

    def notice(self, job: Job) -> Picture | None:
        """The photograph that was set aside last, to be taken again; None when others came after it."""
        latest = max((p for p in _aside(job) if not _check_of(p).get("replaced")), key=_time, default=None)
        if latest is None or any(_time(p.path) >= _time(latest) for p in self.pictures(job)):
            return None
        return _picture(latest)

    def keep(self, job: Job, file: Path, suffix: str, role: str, replaced: str, check: Mapping[str, Any]) -> str:
        """Move a whole, checked file in among the photographs that count; its new name.

        replaced : name of the photograph in whose place it comes; there can only be one `inlet` and one `outlet`.
        """
        names = {p.name: p for p in self.pictures(job)}
        name = replaced if replaced in names and names[replaced].role == role else ""
        if not name:
            name = role if role in ("inlet", "outlet") else next(
                n for k in range(1, len(names) + 2) if (n := f"{role}-{k}") not in names
            )  # fmt: skip
        if name not in names and len(names) >= MOST_PHOTOS:
            raise OutputError(f"A job has at most {MOST_PHOTOS} photographs.", "Start another one.")
        if name in names:
            self.set_aside(job, name, replaced=True)
        (job.path / "checks").mkdir(exist_ok=True)
        now = time.time_ns()
        write_json(job.path / "checks" / f"{name}.json", dict(check) | {"time_ns": str(now)})
        target = job.path / f"{name}{suffix}"
        os.replace(file, target)
        os.utime(target, ns=(now, now))
        return name

    def keep_aside(self, job: Job, file: Path, suffix: str, role: str, check: Mapping[str, Any]) -> str:
        """Move a whole file among those that were set aside; the oldest of too many is deleted."""
        folder = job.path / "set-aside"
        folder.mkdir(exist_ok=True)
        for old in sorted(_aside(job), key=_time)[: -MOST_ASIDE + 1]:
            old.unlink(missing_ok=True)
            old.with_suffix(".json").unlink(missing_ok=True)
        taken = {p.stem for p in folder.iterdir()}
        name = next(n for k in range(1, 10 * MOST_ASIDE) if (n := f"{role}-{k}") not in taken)
        write_json(folder / f"{name}.json", check)
        os.replace(file, folder / f"{name}{suffix}")
        os.utime(folder / f"{name}{suffix}")
        return name

    def set_aside(self, job: Job, name: str, *, replaced: bool = True) -> None:
        """Take a photograph out of those that count; nothing when there is none of that name."""
        for picture in self.pictures(job):
            if picture.name == name:
                check = dict(picture.check) | {"replaced": replaced}
                self.keep_aside(job, picture.path, picture.path.suffix, picture.role, check)

    def use_anyway(self, job: Job) -> None:
        """Let the photograph that was set aside last count after all."""
        picture = self.notice(job)
        if picture is not None and picture.check.get("usable_anyway"):
            check = dict(picture.check) | {"verdict": "usable", "sha256": picture.sha256}
            role = str(check.get("role", picture.role))
            self.keep(job, picture.path, picture.path.suffix, role, "", check)

    # --- cameras ------------------------------------------------------------------------------------------------------

    def cameras(self) -> list[Camera]:
        """The cameras that were calibrated here, the newest first."""
        found = []
        for job in self.jobs():
            with contextlib.suppress(DefinitionError):
                if job.kind == "calibrate" and (job.path / "camera.json").is_file():
                    found.append(read_camera(job.path / "camera.json"))
        return found


def clean_title(text: str) -> str:
    """A title as one short printable line."""
    return safe_name(" ".join(text.split()))[:LONGEST_TITLE].strip()


def length_mm(text: str) -> float | None:
    """A length in mm as people type it, with a point or a comma; None for nothing. UsageError when it is none."""
    if not (text := text.strip().replace(",", ".")):
        return None
    with contextlib.suppress(ValueError):
        if re.fullmatch(r"[0-9]{1,4}(\.[0-9]{1,4})?", text) and 10 < (value := float(text)) < 1000:
            return value
    raise UsageError("The diameter is not a number of millimetres.", "Write it as 159.4, or leave it out.")


def _usual_title(name: str) -> str:
    return name.replace("camera-", "Phone ")


def read_json(path: Path) -> dict[str, Any]:
    """A small JSON object; empty when it is missing or broken, as everything in it can be found again."""
    try:
        data = inputs.read_json(path, inputs.NOTES)
    except DefinitionError:
        return {}
    return data if isinstance(data, dict) else {}


def write_json(path: Path, data: Mapping[str, Any]) -> None:
    """Write a small JSON object atomically."""
    write_text_atomic(path, json.dumps(dict(data), indent=1, allow_nan=False) + "\n")


def hash_of(path: Path) -> str:
    """SHA-256 of a file, remembered as long as its size and time stay; empty when it cannot be read."""
    try:
        size = inputs.size_of(path, inputs.PHOTOGRAPH)
        return _hash_of(path, size, path.stat().st_mtime_ns)
    except (OSError, PhotoError):
        return ""


@functools.lru_cache(maxsize=4096)
def _hash_of(path: Path, _size: int, _time_ns: int) -> str:
    return sha256_of(path)


def _picture(path: Path) -> Picture:
    check = _check_of(path)
    # a file that is as it was kept need not be read again, of which a shelf has gigabytes
    kept = check.get("time_ns") == str(_time(path)) and isinstance(check.get("sha256"), str)
    sha256 = check["sha256"] if kept else hash_of(path)
    # what was seen in another file of that name does not count
    return Picture(path.stem, path, sha256, check if check.get("sha256") == sha256 else {})


def _check_of(path: Path) -> dict[str, Any]:
    """What was seen in a photograph, by where it lies."""
    folder = path.parent if path.parent.name == "set-aside" else path.parent / "checks"
    return read_json(folder / f"{path.stem}.json")


def _aside(job: Job) -> list[Path]:
    with contextlib.suppress(OSError):
        return [p for p in (job.path / "set-aside").iterdir() if p.suffix != ".json" and not p.name.startswith(".")]
    return []


def _time(path: Path) -> int:
    with contextlib.suppress(OSError):
        return path.stat().st_mtime_ns
    return 0


def _order(path: Path) -> tuple[int, int, str]:
    """Turned over, inlet end up, from the side by number."""
    name = path.stem
    role = next((i for i, r in enumerate(ROLES) if name == r or name.startswith(f"{r}-")), len(ROLES))
    number = re.search(r"([0-9]{1,6})$", name)
    return role, int(number[1]) if number else 0, name
