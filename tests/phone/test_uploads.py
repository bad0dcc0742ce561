"""Pieces of a photograph: what came is kept, what is missing is asked for, nothing is put where it does not belong."""

from __future__ import annotations

import os
import time
from pathlib import Path

import pytest

from bladeangle.base.errors import OutputError, UsageError
from bladeangle.phone import uploads as room
from bladeangle.phone.folder import Folder
from bladeangle.phone.uploads import MOST_BYTES, Uploads

TOKEN = "0123456789abcdef" * 2


def test_an_upload_goes_on_after_the_process_has_ended(tmp_path: Path) -> None:
    first = Uploads(Folder(tmp_path))
    upload = first.begin(TOKEN, "rotor-1", "inlet", "", 10)
    assert first.write(upload, 0, b"0123") == 4
    second = Uploads(Folder(tmp_path))
    again = second.begin(TOKEN, "rotor-1", "inlet", "", 10)
    assert (again.received, again.whole) == (4, False)
    assert second.waiting() == []
    # a piece whose answer was lost comes twice
    assert second.write(again, 2, b"2345") == 6
    assert second.write(again, 6, b"6789") == 10
    (whole,) = Uploads(Folder(tmp_path)).waiting()
    assert whole.whole and second.close(whole).read_bytes() == b"0123456789"


@pytest.mark.parametrize(("offset", "data"), [(5, b"x"), (4, b"1234567"), (-1, b"x")])
def test_a_piece_that_does_not_fit_is_refused(tmp_path: Path, offset: int, data: bytes) -> None:
    place = Uploads(Folder(tmp_path))
    upload = place.begin(TOKEN, "rotor-1", "inlet", "", 10)
    place.write(upload, 0, b"0123")
    with pytest.raises(UsageError):
        place.write(upload, offset, data)
    found = place.find(TOKEN)
    assert found is not None and found.received == 4


def test_nothing_is_written_after_the_end(tmp_path: Path) -> None:
    """A photograph that was looked at cannot be changed behind the back of who looked."""
    place = Uploads(Folder(tmp_path))
    upload = place.begin(TOKEN, "rotor-1", "inlet", "", 4)
    place.write(upload, 0, b"good")
    assert place.write(upload, 0, b"evil") == 4  # as another tab may, whose answer then says that it is whole
    with pytest.raises(UsageError):
        place.write(upload, 2, b"evil")
    assert place.close(upload).read_bytes() == b"good"
    place.answer(upload, {"verdict": "good"})
    assert place.write(upload, 0, b"evil") == 4 and list(place.place.glob("*.part")) == []


def test_the_answer_stays_when_the_file_has_gone(tmp_path: Path) -> None:
    place = Uploads(Folder(tmp_path))
    upload = place.begin(TOKEN, "rotor-1", "inlet", "", 4)
    place.write(upload, 0, b"good")
    place.answer(upload, {"verdict": "good"})
    again = Uploads(Folder(tmp_path)).begin(TOKEN, "rotor-1", "inlet", "", 4)
    assert again.answer == {"verdict": "good"} and again.whole
    assert list(Folder(tmp_path).uploads.glob("*.part")) == []


@pytest.mark.parametrize("token", ["", "../../etc/passwd", "A" * 32, "0" * 31, "0" * 33, "0" * 31 + "\n", "٠" * 32])
def test_no_other_token_is_taken(tmp_path: Path, token: str) -> None:
    place = Uploads(Folder(tmp_path))
    with pytest.raises(UsageError):
        place.begin(token, "rotor-1", "inlet", "", 10)
    assert list(place.place.iterdir()) == []


def test_files_are_not_named_by_the_phone(tmp_path: Path) -> None:
    place = Uploads(Folder(tmp_path))
    place.begin(TOKEN, "rotor-1", "inlet", "", 10)
    assert not [p for p in tmp_path.rglob("*") if TOKEN in p.name]


@pytest.mark.parametrize(
    ("role", "replaced", "size"),
    [
        ("inlet", "", 0),
        ("inlet", "", MOST_BYTES + 1),
        ("inlet", "", -5),
        ("x", "", 9),
        ("inlet", "../a", 9),
        ("inlet", "inlet.jpg", 9),
    ],
)
def test_what_is_no_photograph_is_refused_before_it_comes(tmp_path: Path, role: str, replaced: str, size: int) -> None:
    place = Uploads(Folder(tmp_path))
    with pytest.raises(UsageError):
        place.begin(TOKEN, "rotor-1", role, replaced, size)
    assert list(place.place.iterdir()) == []


def test_there_is_an_end_to_uploads_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(room, "MOST_AT_ONCE", 3)
    place = Uploads(Folder(tmp_path))
    for k in range(3):
        place.begin(f"{k:032x}", "rotor-1", "inlet", "", 10)
    with pytest.raises(OutputError, match="at once"):
        place.begin(f"{9:032x}", "rotor-1", "inlet", "", 10)
    place.begin(f"{1:032x}", "rotor-1", "inlet", "", 10)


def test_what_nobody_comes_back_for_is_deleted(tmp_path: Path) -> None:
    place = Uploads(Folder(tmp_path))
    place.begin(TOKEN, "rotor-1", "inlet", "", 10)
    place.begin("1" * 32, "rotor-1", "inlet", "", 10)
    long_ago = time.time() - 8 * 86400
    for path in place.place.glob(f"{room._name_of(TOKEN)}*"):
        os.utime(path, (long_ago, long_ago))
    (place.place / "stray.part").touch()
    left = Uploads(Folder(tmp_path))
    assert left.find(TOKEN) is None and left.find("1" * 32) is not None
    assert len(list(place.place.iterdir())) == 2
