"""The folder: names are ours, jobs appear whole, photographs that go are set aside, other commands understand it."""

from __future__ import annotations

import json
import stat
from collections.abc import Callable
from pathlib import Path

import pytest

from bladeangle.base.errors import OutputError, UsageError
from bladeangle.batch import jobs_in_folder
from bladeangle.phone import folder as room
from bladeangle.phone.folder import Folder, clean_title, length_mm
from bladeangle.pipeline.sorting import photos_by_name


def photo(place: Folder, content: bytes) -> Path:
    path = place.uploads / "one.part"
    path.write_bytes(content)
    return path


def check(content: bytes, **more: object) -> dict[str, object]:
    import hashlib

    return {"sha256": hashlib.sha256(content).hexdigest(), "verdict": "good", "role": "inlet", "values": {}} | more


def test_a_new_job_has_a_name_of_ours_whatever_its_title(tmp_path: Path) -> None:
    place = Folder(tmp_path)
    job = place.new_job("measure", "../../etc/<script>\n\x1b[31m" + "x" * 500, 159.4)
    assert job.id == "rotor-1"
    assert job.path == tmp_path / "rotors" / "rotor-1"
    assert job.title.startswith("../../etc/<script>") and "\n" not in job.title and "\x1b" not in job.title
    assert len(job.title) == 60
    assert place.job("rotor-1") == job
    assert place.new_job("calibrate").id == "camera-1"
    assert [j.id for j in place.jobs()] == ["rotor-1", "camera-1"]
    assert {p.name for p in tmp_path.iterdir()} == {"rotors", "cameras", ".phone"}


@pytest.mark.parametrize(
    "name",
    ["", ".", "..", "rotor-0", "rotor-01", "rotor-1/..", "../rotor-1", "rotor-1\0", "ROTOR-1", "rotor-1\n", "key"],
)
def test_no_other_name_is_a_job(tmp_path: Path, name: str) -> None:
    place = Folder(tmp_path)
    place.new_job("measure")
    assert place.job(name) is None


def test_a_folder_made_by_hand_is_a_job_and_a_broken_file_is_none(tmp_path: Path) -> None:
    place = Folder(tmp_path)
    (tmp_path / "rotors" / "rotor-7").mkdir()
    job = place.job("rotor-7")
    assert job is not None and (job.kind, job.title, job.diameter_mm) == ("measure", "rotor-7", None)
    (job.path / "job.json").write_text('{"kind": ["x"], "title": 3, "diameter_mm": "a"')
    assert place.job("rotor-7") == job
    (job.path / "job.json").write_text(json.dumps({"kind": "measure", "title": 3, "diameter_mm": -1}))
    assert place.job("rotor-7") == job
    assert place.new_job("shelf").id == "rotor-8"


def test_photographs_are_kept_replaced_and_set_aside(tmp_path: Path) -> None:
    place = Folder(tmp_path)
    job = place.new_job("measure")
    assert place.keep(job, photo(place, b"1"), ".jpg", "inlet", "", check(b"1")) == "inlet"
    assert place.keep(job, photo(place, b"2"), ".jpg", "around", "", check(b"2")) == "around-1"
    assert place.keep(job, photo(place, b"3"), ".png", "around", "", check(b"3")) == "around-2"
    assert place.keep(job, photo(place, b"4"), ".png", "around", "around-1", check(b"4")) == "around-1"
    # there is only one from above, and a name of another kind is not believed
    assert place.keep(job, photo(place, b"5"), ".jpg", "inlet", "around-2", check(b"5")) == "inlet"
    found = {p.name: (p.path.name, p.path.read_bytes(), p.role) for p in place.pictures(job)}
    assert found == {
        "inlet": ("inlet.jpg", b"5", "inlet"),
        "around-1": ("around-1.png", b"4", "around"),
        "around-2": ("around-2.png", b"3", "around"),
    }
    assert sorted(p.read_bytes() for p in (job.path / "set-aside").iterdir() if p.suffix != ".json") == [b"1", b"2"]
    assert place.notice(job) is None
    # as `bladeangle measure` and `bladeangle batch` see it
    assert [p.name for p in photos_by_name(job.path).inlet_up] == ["around-1.png", "around-2.png", "inlet.jpg"]
    assert [j.rotor for j in jobs_in_folder(tmp_path / "rotors")] == ["rotor-1"]


def test_what_was_seen_in_another_file_of_that_name_does_not_count(tmp_path: Path) -> None:
    place = Folder(tmp_path)
    job = place.new_job("measure")
    place.keep(job, photo(place, b"1"), ".jpg", "inlet", "", check(b"1"))
    assert place.pictures(job)[0].check["verdict"] == "good"
    (job.path / "inlet.jpg").write_bytes(b"put there by hand")
    assert place.pictures(job)[0].check == {}


def _noting(read: list[Path]) -> Callable[[Path], str]:
    def hash_of(path: Path) -> str:
        read.append(path)
        return "another"

    return hash_of


def test_a_file_that_is_as_it_was_kept_is_not_read_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    place = Folder(tmp_path)
    job = place.new_job("measure")
    place.keep(job, photo(place, b"1"), ".jpg", "inlet", "", check(b"1"))
    read: list[Path] = []
    monkeypatch.setattr(room, "hash_of", _noting(read))
    assert place.pictures(job)[0].sha256 == check(b"1")["sha256"] and read == []
    assert not place.settled(job)
    (job.path / "record.json").touch()
    assert place.settled(job)
    (job.path / "inlet.jpg").write_bytes(b"2")
    assert place.pictures(job)[0].sha256 == "another" and read == [job.path / "inlet.jpg"]
    assert not place.settled(job)


def test_a_photograph_set_aside_is_told_until_another_comes_and_may_be_used(tmp_path: Path) -> None:
    place = Folder(tmp_path)
    job = place.new_job("measure")
    place.keep(job, photo(place, b"1"), ".jpg", "inlet", "", check(b"1"))
    place.keep_aside(job, photo(place, b"2"), ".jpg", "outlet", check(b"2", role="outlet", usable_anyway=False))
    notice = place.notice(job)
    assert notice is not None and notice.path.read_bytes() == b"2"
    place.use_anyway(job)
    assert [p.name for p in place.pictures(job)] == ["inlet"], "it was told that it cannot be used"
    place.keep_aside(job, photo(place, b"3"), ".jpg", "outlet", check(b"3", role="outlet", usable_anyway=True))
    place.use_anyway(job)
    assert [(p.name, p.check["verdict"]) for p in place.pictures(job)] == [("outlet", "usable"), ("inlet", "good")]
    assert place.notice(job) is None


def test_there_is_an_end_to_photographs_and_jobs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    place = Folder(tmp_path)
    monkeypatch.setattr(room, "MOST_PHOTOS", 3)
    monkeypatch.setattr(room, "MOST_ASIDE", 4)
    monkeypatch.setattr(room, "MOST_JOBS", 2)
    job = place.new_job("measure")
    for k in range(3):
        place.keep(job, photo(place, b"%d" % k), ".jpg", "around", "", check(b"%d" % k))
    with pytest.raises(OutputError, match="at most 3 photographs"):
        place.keep(job, photo(place, b"9"), ".jpg", "around", "", check(b"9"))
    for k in range(9):
        place.keep_aside(job, photo(place, b"%d" % k), ".jpg", "around", check(b"%d" % k))
    assert len([p for p in (job.path / "set-aside").iterdir() if p.suffix == ".jpg"]) == 4
    assert len(list((job.path / "set-aside").iterdir())) == 8
    place.new_job("measure")
    with pytest.raises(OutputError, match="full of jobs"):
        place.new_job("measure")


def test_a_full_disk_is_told_before_anything_is_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    place = Folder(tmp_path)
    monkeypatch.setattr(room, "SPARE_BYTES", 1 << 62)
    with pytest.raises(OutputError, match="nearly full"):
        place.new_job("measure")
    assert place.jobs() == []


def test_the_key_is_kept_private_and_renewed_when_asked(tmp_path: Path) -> None:
    place = Folder(tmp_path)
    key = place.key()
    assert len(key) == 32 and Folder(tmp_path).key() == key
    assert stat.S_IMODE((tmp_path / ".phone" / "key").stat().st_mode) == 0o600
    assert Folder(tmp_path / "other").key() != key
    assert place.key(renew=True) != key
    (tmp_path / ".phone" / "key").write_text("short")
    assert len(place.key()) == 32


@pytest.mark.parametrize(("text", "value"), [("", None), (" 159,4 ", 159.4), ("159.4", 159.4), ("160", 160.0)])
def test_a_diameter_is_read_as_people_type_it(text: str, value: float | None) -> None:
    assert length_mm(text) == value


@pytest.mark.parametrize("text", ["a", "1e3", "nan", "-159", "0", "5", "1.000,5", "99999", "١٥٩"])
def test_what_is_no_diameter_is_refused(text: str) -> None:
    with pytest.raises(UsageError):
        length_mm(text)


def test_a_title_is_one_line() -> None:
    assert clean_title("  a \n\t b\u202e ") == "a b\\u202e"
