"""Pieces of a photograph as a phone sends them -> one whole file, or nothing.

What has arrived is the size of the file on the disk, so that an upload goes on after any interruption of phone, network
or this process. A file counts only when all of it has arrived, and is never named by the phone.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import time
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from bladeangle.base.errors import OutputError, UsageError
from bladeangle.phone.folder import ROLES, Folder, read_json, write_json

#: Largest photograph taken in, and the most that are on their way at once.
MOST_BYTES, MOST_AT_ONCE = 60_000_000, 24
#: Largest piece taken in at once.
PIECE_BYTES = 1_000_000
#: How long an upload that stopped can go on, and how long the answer to a finished one is kept, s.
KEPT_S, ANSWER_S = 7 * 86400.0, 86400.0

_TOKEN = re.compile(r"[0-9a-f]{32}")


@dataclass(frozen=True)
class Upload:
    """One photograph on its way: how much of it has arrived, for which job and as what; `answer` once it was seen."""

    name: str
    job: str
    role: str
    replaced: str
    size: int
    received: int
    answer: Mapping[str, Any] | None = None

    @property
    def whole(self) -> bool:
        """Whether all of it has arrived."""
        return self.received >= self.size


class Uploads:
    """The uploads in a folder."""

    def __init__(self, folder: Folder) -> None:
        self.folder = folder
        self.place = folder.uploads
        self._closed: set[str] = set()
        self.tidy()

    def begin(self, token: str, job: str, role: str, replaced: str, size: int) -> Upload:
        """The upload of that token, made now if it is new; asked for twice it is the same.

        Raises
        ------
        UsageError : the numbers or words are none that are taken. OutputError : too many at once, or the disk is full.
        """
        name = _name_of(token)
        if (known := self.find(token)) is not None:
            return known
        if role not in ROLES or not 0 < size <= MOST_BYTES or not re.fullmatch(r"[a-z]{0,6}(-[0-9]{1,5})?", replaced):
            raise UsageError(
                f"A photograph has at most {MOST_BYTES // 1_000_000} MB.", "Use the phone's ordinary photographs."
            )
        if sum(1 for _ in self.place.glob("*.part")) >= MOST_AT_ONCE:
            raise OutputError("Too many photographs are on their way at once.", "Wait until some have arrived.")
        self.folder.refuse_full()
        write_json(self.place / f"{name}.json", {"job": job, "role": role, "replaced": replaced, "size": size})
        (self.place / f"{name}.part").touch()
        found = self._read(name)
        assert found is not None
        return found

    def find(self, token: str) -> Upload | None:
        """The upload of that token; None when there is none."""
        return self._read(_name_of(token))

    def write(self, upload: Upload, offset: int, data: bytes) -> int:
        """Put a piece where it belongs; how much has arrived then.

        A piece may come twice, as when its answer was lost, or from two tabs that send the same photograph side by
        side: what comes when the other tab has brought the whole is let pass, and nothing is written. UsageError: it
        leaves a gap, or goes beyond the end.
        """
        path = self.place / f"{upload.name}.part"
        now = self._read(upload.name)
        received = -1 if now is None else now.received
        if not 0 <= offset <= received or offset + len(data) > upload.size:
            raise UsageError("This piece does not fit.")
        if upload.name in self._closed or (now is not None and now.answer is not None):
            return received
        with open(path, "r+b") as file:
            file.seek(offset)
            file.write(data)
        received = max(received, offset + len(data))
        if received >= upload.size:
            self.close(upload)
        return received

    def close(self, upload: Upload) -> Path:
        """The whole file, on the disk for good; nothing is written to it any more."""
        self._closed.add(upload.name)
        path = self.place / f"{upload.name}.part"
        handle = os.open(path, os.O_RDWR)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
        return path

    def answer(self, upload: Upload, answer: Mapping[str, Any]) -> None:
        """Keep what became of it, so that a phone whose answer was lost can ask again; its file, if left, goes."""
        data = read_json(self.place / f"{upload.name}.json")
        write_json(self.place / f"{upload.name}.json", data | {"answer": dict(answer)})
        (self.place / f"{upload.name}.part").unlink(missing_ok=True)
        self._closed.discard(upload.name)

    def waiting(self) -> list[Upload]:
        """Whole uploads that nobody has looked at yet, as after the process was killed."""
        found = [self._read(path.stem) for path in sorted(self.place.glob("*.part"))]
        return [u for u in found if u is not None and u.whole and u.answer is None]

    def tidy(self) -> None:
        """Delete what nobody comes back for."""
        now = time.time()
        for path in self.place.iterdir():
            with contextlib.suppress(OSError):
                age_s = now - path.stat().st_mtime
                answered = path.suffix == ".json" and "answer" in read_json(path)
                if age_s > (ANSWER_S if answered else KEPT_S) or (
                    path.suffix == ".part" and not path.with_suffix(".json").exists()
                ):
                    path.unlink()

    def _read(self, name: str) -> Upload | None:
        data = read_json(self.place / f"{name}.json")
        try:
            job, role, replaced, size = data["job"], data["role"], data["replaced"], int(data["size"])
        except (KeyError, TypeError, ValueError):
            return None
        answer = data.get("answer")
        try:
            received = (self.place / f"{name}.part").stat().st_size
        except OSError:
            if answer is None:
                return None
            received = size
        return Upload(name, str(job), str(role), str(replaced), size, received, answer)


def _name_of(token: str) -> str:
    """Our own name for what a phone calls by its token; UsageError when that is none."""
    if not _TOKEN.fullmatch(token):
        raise UsageError("There is no such upload.")
    return hashlib.sha256(token.encode("ascii")).hexdigest()[:32]
