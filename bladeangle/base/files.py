"""Files: atomic writes, hashes, names safe to print, and the guarded import of OpenCV.

Every file the project writes goes through `atomic_path`: a temporary in the same folder, flushed to the disk,
renamed over the target, folder flushed. Whenever the process dies, the target is the old file or the new one. A
process killed outright can leave its temporary behind; those start with `TEMPORARY_PREFIX` and may be deleted.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import secrets
import stat
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

from bladeangle.base.errors import BladeangleError, OutputError

TEMPORARY_PREFIX = ".bladeangle-"
#: What tells the libraries that do NumPy's linear algebra how many threads to take; they read it when they are loaded.
THREAD_VARIABLES = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")

_REASONS = {
    errno.ENOSPC: ("the disk is full", "Free some space or choose another folder."),
    errno.EDQUOT: ("the disk quota is used up", "Free some space or choose another folder."),
    errno.EROFS: ("the disk is read-only", "Choose a folder on a disk that can be written."),
    errno.EACCES: ("writing is not permitted", "Choose a folder that you may write to."),
    errno.EPERM: ("writing is not permitted", "Choose a folder that you may write to."),
    errno.ENOENT: ("its folder does not exist", "Create the folder first or correct the path."),
    errno.ENOTDIR: ("a part of its path is a file, not a folder", "Correct the path."),
    errno.EISDIR: ("it is a folder", "Give the name of a file."),
    errno.ENAMETOOLONG: ("its name is too long", "Choose a shorter name."),
}


def safe_name(name: str | os.PathLike[str]) -> str:
    """The name as one printable line: control, format and undecodable characters become backslash escapes."""
    text = os.fspath(name)
    return "".join(c if c.isprintable() else c.encode("unicode_escape", "surrogatepass").decode("ascii") for c in text)


def _refusal(path: Path, error: OSError) -> OutputError:
    reason, hint = _REASONS.get(
        error.errno or 0, (error.strerror or str(error), "Choose another place for the output.")
    )
    return OutputError(f"{safe_name(path)} cannot be written: {reason}.", hint)


def _flush_folder(folder: Path) -> None:
    """Make a rename in `folder` durable, where the system can (some file systems cannot flush folders)."""
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        with contextlib.suppress(OSError):
            os.fsync(handle)
    finally:
        os.close(handle)


def _target(path: Path) -> tuple[Path, int | None]:
    """The file that `path` stands for (links followed) and the permission bits it has now, None when it is new."""
    target = Path(os.path.realpath(path))
    try:
        mode = target.stat().st_mode
    except FileNotFoundError:
        return target, None
    if stat.S_ISDIR(mode):
        raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR))
    if not stat.S_ISREG(mode):
        raise OutputError(f"{safe_name(path)} cannot be written: it is not a regular file.", "Give the name of a file.")
    if not os.access(target, os.W_OK):
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))
    return target, stat.S_IMODE(mode)


@contextlib.contextmanager
def atomic_path(path: str | os.PathLike[str]) -> Iterator[Path]:
    """A temporary path beside `path`, for writers that need a path; it replaces `path` when the block ends well.

    The temporary exists (empty) on entry and keeps the suffix of `path`, since writers choose the format by it. When
    the block raises, also KeyboardInterrupt, the temporary is deleted and `path` is as it was.

    Raises
    ------
    OutputError : the disk is full or read-only, the folder is missing, the target is a folder or not permitted. An
        OSError raised by the block itself is taken as a failure to write and becomes an OutputError as well.
    """
    path = Path(path)
    temporary: Path | None = None
    try:
        target, mode = _target(path)
        suffix = target.suffix if len(target.suffix) <= 8 else ""
        temporary = target.parent / f"{TEMPORARY_PREFIX}{secrets.token_hex(8)}{suffix}"
        # Not tempfile: its files are private to the owner, ours must have the permissions any new file has.
        os.close(os.open(temporary, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o666))
        if mode is not None:
            os.chmod(temporary, mode)
        yield temporary
        # Windows flushes only handles open for writing.
        handle = os.open(temporary, os.O_RDWR)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
        os.replace(temporary, target)
        _flush_folder(target.parent)
    except OSError as error:
        raise _refusal(path, error) from error
    except ValueError as error:
        if "null" not in str(error):
            raise
        raise OutputError(
            f"{safe_name(path)} cannot be written: its name holds a null character.", "Choose another name."
        ) from error
    finally:
        # After the rename the temporary is gone and this does nothing.
        if temporary is not None:
            with contextlib.suppress(OSError):
                temporary.unlink()


def write_bytes_atomic(path: str | os.PathLike[str], data: bytes) -> None:
    """Write `data` to `path`, all of it or nothing; see `atomic_path` for the errors raised."""
    with atomic_path(path) as temporary:
        temporary.write_bytes(data)


def write_text_atomic(path: str | os.PathLike[str], text: str) -> None:
    """Write `text` to `path` as UTF-8 with the line ends it has, all of it or nothing; errors as `atomic_path`."""
    write_bytes_atomic(path, text.encode("utf-8"))


def sha256_of(path: str | os.PathLike[str]) -> str:
    """SHA-256 of a file's bytes in hexadecimal; OSError when it cannot be read."""
    with open(path, "rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def import_cv2() -> ModuleType:
    """OpenCV, imported late because it is heavy.

    Raises
    ------
    BladeangleError : OpenCV cannot be loaded, most often because a server lacks the OpenGL library that the
        package with windows wants; the hint names the fix.
    """
    try:
        import cv2
    except ImportError as error:
        reason = safe_name(str(error))
        if "lib" in reason and ".so" in reason:
            hint = (
                "Replace the package opencv-python by opencv-python-headless, or install the system's OpenGL "
                "library (libgl1 on Debian and Ubuntu)."
            )
        else:
            hint = "Install the package opencv-python-headless."
        raise BladeangleError(f"OpenCV cannot be loaded: {reason}.", hint) from error
    return cv2
