"""The inventory: what it keeps, what its queries answer, and that they use its indexes."""

from __future__ import annotations

import csv
import json
import math
import os
import shutil
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from invented_record import STATIONS, agreeing, invented_record, quantity, with_tips
from published_readings import PUBLISHED_READINGS

from bladeangle import inventory as room
from bladeangle.base.errors import OutputError, RecordError, UsageError
from bladeangle.cli.inventory import nothing_out
from bladeangle.cli.main import main
from bladeangle.inventory import Failure, Inventory, Wanted
from bladeangle.inventory.rows import LONGEST_TEXT, blade_lines, check_row, distance_sql
from bladeangle.records.record import Record, record_from_dict


def rotor(
    name: str = "heron",
    *,
    entry: float = 9.5,
    exit_: float | None = 14.5,
    hub: float | None = 74.0,
    blades: int = 3,
    hand: str = "left",
    camera: str = "invented phone",
    created: str = "2026-11-25T10:00:00Z",
    offsets: dict[str, float] | None = None,
    covariance: np.ndarray | None = None,
) -> Record:
    """A record with the given means over blades; `offsets` ("2.exit": 0.5) move single blades."""
    data = invented_record(name=name, blade_count=blades, oblique=0, turned=exit_ is not None)
    data["created"], data["camera"]["name"], data["rotor"]["hand"] = created, camera, hand
    data["rotor"]["hub_diameter_mm"] = quantity(hub, 0.1)
    means = {"entry": entry, "middle": 12.0, "exit": exit_}
    for station in STATIONS:
        mean = means[station]
        if mean is None:
            continue
        angles = [mean + (offsets or {}).get(f"{b}.{station}", 0.0) for b in range(1, blades + 1)]
        for blade, angle in zip(data["blades"], angles, strict=True):
            blade["stations"][station]["angle_deg"] = angle
        data["rotor"]["stations"][station]["angle_deg"] = float(np.mean(angles))
    if covariance is not None:
        data["covariance"]["matrix_deg2"] = covariance.tolist()
    return record_from_dict(agreeing(data))


@pytest.fixture
def db(tmp_path: Path) -> Iterator[Inventory]:
    with Inventory(tmp_path / "shelf.sqlite", create=True) as opened:
        yield opened


def put(db: Inventory, record: Record, photos: str = "", picture: bytes | None = None) -> str:
    """Add a record under a key of its own."""
    key = f"key {db.count()[1]}"
    db.add(key, photos or key, record.name, record, picture)
    return key


# --- keeping ---------------------------------------------------------------------------------------------------------


def test_a_record_comes_back_whole(db: Inventory) -> None:
    record = rotor("ä \U0001f6e5 'x'")
    key = put(db, record, picture=b"\x00\x01")
    assert db.record(key).data == record.data
    assert db.picture(key) == b"\x00\x01"
    assert db.newest(record.name).data == record.data
    assert db.has(key)
    assert not db.has("another")
    with pytest.raises(KeyError):
        db.record("another")


def test_a_key_is_kept_once(db: Inventory) -> None:
    db.add("k", "p", "heron", rotor(entry=9.0))
    db.add("k", "p", "heron", rotor(entry=10.0))
    assert db.count() == (1, 1)
    assert db.shelf(10)[0].entry_deg == 9.0


def test_the_newest_record_stands_on_the_shelf(db: Inventory) -> None:
    put(db, rotor(entry=10.0, created="2026-11-26T10:00:00Z"))
    put(db, rotor(entry=9.0, created="2026-11-25T10:00:00Z"))
    put(db, rotor("tern", entry=8.0))
    assert [(r.rotor, r.entry_deg) for r in db.shelf(10)] == [("heron", 10.0), ("tern", 8.0)]
    assert [r.entry_deg for r in db.history("heron")] == [9.0, 10.0]
    assert db.count() == (2, 3)
    assert [r.entry_deg for r in db.near(Wanted(entry_deg=9.0))] == [10.0, 8.0]
    with pytest.raises(UsageError, match="no rotor 'gull'"):
        db.history("gull")
    with pytest.raises(UsageError, match="no rotor 'gull'"):
        db.newest("gull")


def test_a_failure_stands_until_the_rotor_is_measured(db: Inventory) -> None:
    db.add_failure(Failure("heron", None, 5, "No ring.", "Try."))
    db.add_failure(Failure("heron", "k", 6, "No edges.", "Try."))
    assert db.failures() == {"heron": Failure("heron", "k", 6, "No edges.", "Try.")}
    assert db.known() == {"heron"}
    put(db, rotor("heron"))
    assert db.failures() == {}
    assert db.known() == {"heron"}


def test_a_failed_write_leaves_nothing_behind(db: Inventory, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(_: Record) -> Any:
        raise MemoryError

    with monkeypatch.context() as patch:
        patch.setattr(room, "blade_lines", broken)
        with pytest.raises(MemoryError):
            put(db, rotor())
    assert db.count() == (0, 0)
    put(db, rotor())
    assert db.count() == (1, 1)


# --- the file --------------------------------------------------------------------------------------------------------


def test_a_file_that_is_none_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match="does not exist"):
        Inventory(tmp_path / "missing.sqlite")
    (tmp_path / "text.sqlite").write_text("no database at all, but long enough to be looked at" * 30)
    with pytest.raises(RecordError, match="damaged or not an inventory"):
        Inventory(tmp_path / "text.sqlite")
    other = sqlite3.connect(tmp_path / "other.sqlite")
    other.execute("CREATE TABLE x (y)")
    other.close()
    for create in (False, True):
        with pytest.raises(RecordError, match="is not an inventory"):
            Inventory(tmp_path / "other.sqlite", create=create)


SQUARE = "[[1, 0, 0], [0, 1, 0], [0, 0, 1]]"


@pytest.mark.parametrize(
    ("kinds", "row", "words"),
    [
        ("tiF", ("heron", 3, None), ""),
        ("tTbFfjc", ("heron", None, None, -1e6, 3, "{}", SQUARE), ""),
        ("t", (None,), "of another kind"),
        ("t", (b"heron",), "of another kind"),
        ("i", (3.0,), "of another kind"),
        ("i", (True,), "of another kind"),
        ("f", ("12.0",), "of another kind"),
        ("F", (True,), "of another kind"),
        ("b", ("picture",), "of another kind"),
        ("f", (math.inf,), "not finite"),
        ("f", (-math.inf,), "not finite"),
        ("F", (math.nan,), "not finite"),
        ("i", (-(10**30),), "far too large"),
        ("t", ("n" * (LONGEST_TEXT + 1),), "far too long"),
        ("T", ("n" * (LONGEST_TEXT + 1),), "far too long"),
        ("t", ("n" * LONGEST_TEXT,), ""),
        ("j", ("n" * (LONGEST_TEXT + 1),), ""),
        ("c", ("[[1, 0], [0, 1]]",), "covariance"),
        ("c", ("[[1, 0, 0], [0, NaN, 0], [0, 0, 1]]",), "covariance"),
        ("c", ("[[1, 0, 0], [0, 1, 0], [0, 0, Infinity]]",), "covariance"),
        ("c", ("[" * 5000,), "covariance"),
        ("c", ("null",), "covariance"),
    ],
)
def test_a_column_holds_what_it_is_meant_for(kinds: str, row: tuple[Any, ...], words: str) -> None:
    if not words:
        check_row(kinds, row)
        return
    with pytest.raises(ValueError, match=words):
        check_row(kinds, row)


def test_a_newer_version_is_refused(tmp_path: Path) -> None:
    Inventory(tmp_path / "a.sqlite", create=True).__exit__()
    raw = sqlite3.connect(tmp_path / "a.sqlite")
    raw.execute("PRAGMA user_version = 3")
    raw.close()
    with pytest.raises(RecordError, match="another version"):
        Inventory(tmp_path / "a.sqlite")


def test_an_older_version_is_widened(tmp_path: Path) -> None:
    with Inventory(tmp_path / "a.sqlite", create=True) as db:
        put(db, rotor())
    raw = sqlite3.connect(tmp_path / "a.sqlite")
    for column in room.SINCE_1:
        raw.execute(f"ALTER TABLE records DROP COLUMN {column}")
    raw.execute("PRAGMA user_version = 1")
    raw.close()
    with Inventory(tmp_path / "a.sqlite") as db:
        assert (db.shelf(1)[0].rotor, db.shelf(1)[0].wear_mm) == ("heron", None)
        put(db, record_from_dict(with_tips(invented_record(name="tern"), 0.3)))
        assert db.shelf(2)[1].wear_mm == 0.3


def test_wear_and_clearance_beyond_a_bound_by_their_uncertainty(db: Inventory) -> None:
    """Wear 0.1, 0.25 and 0.5 mm with u 0.04: above 0.3, P = Phi((w - 0.3) / 0.04) = 2.9e-7, 0.1056 and 1."""
    for name, wear, bore in (("a", 0.1, 156.6), ("b", 0.25, 157.0), ("c", 0.5, None)):
        put(db, record_from_dict(with_tips(invented_record(name=name), wear, bore)))
    put(db, rotor("without"))
    found = db.beyond("wear", 0.3, below=False)
    assert [(r.rotor, r.sure) for r in found] == [("c", "yes"), ("b", "perhaps")]
    assert found[1].probability == pytest.approx(0.10565, abs=1e-4)
    assert [(r.rotor, r.sure) for r in db.beyond("wear", 0.3, below=True)] == [("a", "yes"), ("b", "perhaps")]
    close = db.beyond("clearance", 0.32, below=True)  # 0.3 and 0.5 mm
    assert [(r.rotor, r.value_mm) for r in close] == [("a", pytest.approx(0.3))]
    assert close[0].probability == pytest.approx(0.69146, abs=1e-4)  # Phi(0.5)


@pytest.mark.parametrize("name", ["a?mode=memory", "a#b.sqlite", "100%41", "ä 'x'\n", "file:x"])
def test_hostile_file_names(tmp_path: Path, name: str) -> None:
    with Inventory(tmp_path / name, create=True) as db:
        put(db, rotor())
    with Inventory(tmp_path / name) as db:
        assert db.count() == (1, 1)
    assert os.listdir(tmp_path) == [name]


def test_a_folder_that_cannot_be_is_refused(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="cannot be used"):
        Inventory(tmp_path / "missing" / "a.sqlite", create=True)


@pytest.mark.skipif(os.name == "nt", reason="permissions as POSIX has them")
def test_it_is_read_where_it_cannot_be_written(tmp_path: Path) -> None:
    with Inventory(tmp_path / "a.sqlite", create=True) as db:
        put(db, rotor())
    os.chmod(tmp_path / "a.sqlite", 0o444)
    with Inventory(tmp_path / "a.sqlite") as db:
        assert db.shelf(1)[0].rotor == "heron"


def test_the_journal_of_a_dead_writer_is_rolled_back(tmp_path: Path) -> None:
    path = tmp_path / "a.sqlite"
    with Inventory(path, create=True) as db:
        put(db, rotor("heron"))
        # A writer in the middle of its transaction, pages spilled to the file; then its files as a crash leaves them.
        db._db.execute("PRAGMA cache_size = 1")
        db._db.execute("BEGIN IMMEDIATE")
        db._db.execute("UPDATE records SET rotor = 'half done'")
        for i in range(200):
            db._db.execute("INSERT INTO bodies VALUES (?, ?, NULL)", (100 + i, "x" * 5000))
        crashed = tmp_path / "crashed"
        crashed.mkdir()
        for file in (path, Path(f"{path}-journal")):
            shutil.copy(file, crashed / file.name)
        db._db.execute("ROLLBACK")
    assert (crashed / path.name).stat().st_size > path.stat().st_size
    with Inventory(crashed / path.name) as db:
        assert [r.rotor for r in db.shelf(10)] == ["heron"]
        assert db._rows("i", "SELECT count(*) FROM bodies") == [(1,)]
        assert db._rows("t", "PRAGMA integrity_check") == [("ok",)]


# --- near ------------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def many(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Inventory]:
    """3,000 random rotors, some without exit or hub, some measured twice; only their columns are filled."""
    rng = np.random.default_rng(3)
    with Inventory(tmp_path_factory.mktemp("many") / "many.sqlite", create=True) as db:
        with db._transaction():
            for i in range(3000):
                exit_deg = None if i % 7 == 0 else float(rng.normal(14.5, 2))
                hub = None if i % 11 == 0 else float(rng.normal(76, 3))
                row = [f"k{i}", "p", f"r{i // 2}", "2026-11-25T10:00:00Z", "phone", int(rng.integers(3, 5)), "left"]
                row += [float(rng.normal(9.5, 1.5)), 0.05, 12.0, 0.05, exit_deg, 0.06, json.dumps(np.eye(3).tolist())]
                db._db.execute(
                    "INSERT INTO records (key, photos, rotor, created, appraiser, blade_count, hand, entry_deg,"
                    " entry_u, middle_deg, middle_u, exit_deg, exit_u, means_covariance, hub_mm, hub_u, flags, newest)"
                    f" VALUES ({', '.join('?' * 18)})",
                    (*row, hub, 0.1, 0, i % 2),
                )
        yield db


@pytest.mark.parametrize(
    "wanted",
    [
        Wanted(entry_deg=9.5),
        Wanted(entry_deg=9.5, exit_deg=14.5, hub_mm=75.0),
        Wanted(entry_deg=9.5, exit_deg=14.5, hub_mm=75.0, blade_count=4, hand="left", scale_deg=0.2, scale_mm=3.0),
        Wanted(exit_deg=40.0, hub_mm=20.0),
        Wanted(entry_deg=0.5, exit_deg=30.0),
        Wanted(hub_mm=76.0),
        Wanted(entry_deg=9.5, hand="right"),
        Wanted(middle_deg=12.0, entry_deg=10.0),
        Wanted(60.0, None, 1.0, 500.0),  # far from all: the bound takes in every rotor
    ],
)
@pytest.mark.parametrize(("limit", "first_look"), [(1, 1000), (10, 1000), (10, 6), (50, 6), (5000, 1000)])
def test_the_nearest_are_those_of_a_plain_search(
    many: Inventory, monkeypatch: pytest.MonkeyPatch, wanted: Wanted, limit: int, first_look: int
) -> None:
    monkeypatch.setattr(room, "FIRST_LOOK", first_look)
    plain = []
    for row in many._rows(
        "tFFFFit",
        "SELECT rotor, entry_deg, middle_deg, exit_deg, hub_mm, blade_count, hand FROM records WHERE newest = 1",
    ):
        values = dict(zip(("entry_deg", "middle_deg", "exit_deg", "hub_mm"), row[1:5], strict=True))
        parts = [(values[m], v, s) for m, (v, s) in wanted.terms().items()]
        if (
            wanted.blade_count in (None, row[5])
            and wanted.hand in (None, row[6])
            and all(p[0] is not None for p in parts)
        ):
            plain.append((math.sqrt(sum(((x - v) / s) ** 2 for x, v, s in parts)), row[0]))
    found = many.near(wanted, limit)
    if wanted.middle_deg is None:  # alike in all of these rotors, so that there are ties
        assert [r.rotor for r in found] == [name for _, name in sorted(plain)[:limit]]
    assert [r.distance for r in found] == pytest.approx([d for d, _ in sorted(plain)[:limit]])
    assert (len(plain) == 0) == (wanted.hand == "right")


def test_the_distance_has_the_uncertainty_of_the_means(db: Inventory) -> None:
    n = 9
    shared = np.zeros((n, n))
    for i in range(n):
        for j in range(n):
            # Blades independent with 0.3 deg; entry and exit share 0.2 deg with opposite signs, over all blades.
            signs = [(1, 0, -1)[k % 3] for k in (i, j)]
            shared[i, j] = 0.09 * (i == j) + 0.04 * signs[0] * signs[1]
    put(db, rotor(entry=10.5, exit_=14.5, hub=76.0, covariance=shared))
    variance = 0.09 / 3 + 0.04
    (one,) = db.near(Wanted(entry_deg=9.5, scale_deg=0.5))
    assert (one.distance, one.distance_u) == (pytest.approx(2.0), pytest.approx(math.sqrt(variance) / 0.5))
    (both,) = db.near(Wanted(entry_deg=9.5, exit_deg=15.5, scale_deg=0.5))
    # The direction is (1, -1) / sqrt 2, along which the shared errors add.
    assert both.distance == pytest.approx(2 * math.sqrt(2))
    assert both.distance_u == pytest.approx(math.sqrt(variance + 0.04) / 0.5)
    (other,) = db.near(Wanted(entry_deg=9.5, exit_deg=13.5, scale_deg=0.5))
    assert other.distance_u == pytest.approx(math.sqrt(variance - 0.04) / 0.5)
    (hub,) = db.near(Wanted(hub_mm=75.0, scale_mm=2.0))
    assert (hub.distance, hub.distance_u) == (pytest.approx(0.5), pytest.approx(0.05))
    (same,) = db.near(Wanted(entry_deg=10.5, exit_deg=14.5, scale_deg=1.0))
    assert (same.distance, same.distance_u) == (pytest.approx(0.0), pytest.approx(math.sqrt(variance + 0.04)))


def test_a_rotor_without_the_wanted_value_is_left_out(db: Inventory) -> None:
    put(db, rotor("no exit", exit_=None))
    put(db, rotor("no hub", hub=None))
    assert [r.rotor for r in db.near(Wanted(exit_deg=14.5))] == ["no hub"]
    assert [r.rotor for r in db.near(Wanted(hub_mm=74.0))] == ["no exit"]
    assert db.near(Wanted(exit_deg=14.5, hub_mm=74.0)) == []
    with pytest.raises(UsageError, match="is wanted"):
        db.near(Wanted(blade_count=3))


def test_the_queries_use_the_indexes(many: Inventory) -> None:
    def plan(query: str, values: Any = ()) -> str:
        return " ".join(row[3] for row in many._db.execute(f"EXPLAIN QUERY PLAN {query}", values))

    for wanted in (Wanted(9.0), Wanted(exit_deg=9.0, hub_mm=1.0, blade_count=3), Wanted(hub_mm=1.0), Wanted(None, 9.0)):
        square, where, values = distance_sql(wanted)
        lead = next(iter(wanted.terms()))
        query = f"SELECT id, {square} AS far FROM records WHERE {where} AND {lead} BETWEEN 1 AND 2 ORDER BY far LIMIT 3"
        assert f"USING COVERING INDEX records_{lead}" in plan(query, values)
    out = "SELECT rotor FROM angles JOIN records ON records.id = angles.record WHERE ratio >= 3 AND newest = 1"
    assert "INDEX angles_out (ratio>?)" in plan(f"{out} ORDER BY ratio DESC LIMIT 3")
    assert "TEMP B-TREE" not in plan(f"{out} ORDER BY ratio DESC LIMIT 3")
    assert "INDEX records_history (rotor=?)" in plan("SELECT id FROM records WHERE rotor = 'x' ORDER BY created, id")
    assert "INDEX records_shelf" in plan("SELECT rotor, hub_mm FROM records WHERE newest = 1 ORDER BY rotor LIMIT 3")


# --- over time -------------------------------------------------------------------------------------------------------


def test_the_published_gauge_study_comes_out_of_records(db: Inventory) -> None:
    """The AIAG study of test_gauge.py as records: a rotor of ten blades for its ten parts, a camera an appraiser."""
    for a in range(3):
        for t in range(3):
            offsets = {f"{p + 1}.entry": float(PUBLISHED_READINGS[p, a, t]) for p in range(10)}
            put(
                db,
                rotor(entry=10.0, blades=10, offsets=offsets, camera=f"phone {a}", created=f"2026-11-2{t}T1{a}:00:00Z"),
            )
    found = db.repeat_study(["heron"])
    assert (found.records, found.appraisers) == (3, ("phone 0", "phone 1", "phone 2"))
    study = found.studies["entry"]
    # AIAG MSA 4, chapter III.
    assert study.ev == pytest.approx(0.19993, abs=5e-6)
    assert study.av == pytest.approx(0.22684, abs=5e-6)
    assert study.grr == pytest.approx(0.30237, abs=5e-6)
    assert study.pv == pytest.approx(1.04233, abs=5e-6)
    assert found.studies["exit"].grr == 0.0
    assert set(found.studies) == {"all", *STATIONS}
    assert found.studies["all"].parts == 30


def test_a_study_takes_what_is_balanced(db: Inventory) -> None:
    rng = np.random.default_rng(1)

    def measured(camera: str, minute: int, photos: str = "", exit_: float | None = 14.5) -> None:
        offsets = {f"{b}.{s}": float(rng.normal(0, 0.1)) for b in (1, 2, 3) for s in STATIONS}
        record = rotor(exit_=exit_, offsets=offsets, camera=camera, created=f"2026-11-25T10:{minute:02}:00Z")
        put(db, record, photos)

    measured("a", 0)
    with pytest.raises(UsageError, match="twice"):
        db.repeat_study(["heron"])
    measured("a", 1, "same photographs")
    measured("a", 2, "same photographs")
    measured("b", 3)
    assert (db.repeat_study(["heron"]).records, db.repeat_study(["heron"]).appraisers) == (2, ("a",))
    measured("b", 4)
    measured("b", 5, exit_=None)
    found = db.repeat_study(["heron"])
    assert (found.records, found.appraisers) == (2, ("a", "b"))
    assert set(found.studies) == {"all", "entry", "middle"}  # the newest of b do not see the exit
    assert 0.03 < found.studies["entry"].ev < 0.3
    with pytest.raises(UsageError, match="twice"):
        db.repeat_study(["heron", "gull"])


# --- out of line -----------------------------------------------------------------------------------------------------


def test_blades_out_of_line_are_judged_by_the_covariance(db: Inventory) -> None:
    # Blades of one station share 0.5 deg, which cancels, and have 0.1 deg of their own.
    labels = rotor().angles()[0]
    same = np.array([[a.split(".")[1] == b.split(".")[1] for a in labels] for b in labels], float)
    covariance = 0.25 * same + 0.01 * np.eye(len(labels))
    put(db, rotor("good", covariance=covariance))
    put(db, rotor("bad", offsets={"2.exit": 0.6}, covariance=covariance))
    u = math.sqrt(0.01 * 2)
    found = db.out_of_line(3.0)
    assert [(f.rotor, f.blade, f.station) for f in found] == [("bad", 2, "exit")]
    assert found[0].out_deg == pytest.approx(0.6)
    assert found[0].out_u_deg == pytest.approx(u)
    assert found[0].ratio == pytest.approx(0.6 / u)
    assert found[0].u_deg == pytest.approx(math.sqrt(0.26))
    assert db.out_of_line(4.3) == []
    assert db.out_of_line(3.0, 0.7) == []
    put(db, rotor("four", blades=4, offsets={"1.entry": -0.5, "2.entry": 0.2}, covariance=0.01 * np.eye(12)))
    four = db.out_of_line(0.5)[1:]
    # The median lies half way between blades 3 and 4 (equal) and is known as well as their mean.
    assert [(f.rotor, f.blade) for f in four] == [("four", 1), ("four", 2)]
    assert [f.out_deg for f in four] == pytest.approx([-0.5, 0.2])
    assert [f.out_u_deg for f in four] == pytest.approx([math.sqrt(0.01 * 1.5)] * 2)
    assert [f.blade for f in db.out_of_line(0.5, 0.3)] == [2, 1]
    assert len(db.out_of_line(0.5, limit=2)) == 2
    # Three times the uncertainty is 0.42 deg for blades of three, 0.37 of four: it hides 0.3 and not 0.5; but for the
    # blades in the middle, from which the median is taken, it is 0 and 0.21: six stations of one blade, three of two.
    told = db.could_tell(3.0, 0.5)
    assert (told.angles, told.unclear) == (30, 0)
    assert told.typical_deg == pytest.approx(3 * math.sqrt(0.01 * 1.5))
    assert db.could_tell(3.0, 0.3).unclear == 30 - 6 * 1 - 3 * 2
    assert "known too little to tell" in nothing_out(db.could_tell(3.0, 0.3), 0.3)
    assert "too little" not in nothing_out(told, 0.5)
    # Straightened and measured again, it is gone.
    put(db, rotor("bad", covariance=covariance, created="2026-11-26T10:00:00Z"))
    assert {f.rotor for f in db.out_of_line(0.5)} == {"four"}


def test_a_single_blade_seen_has_nothing_to_be_out_of_line_with() -> None:
    data: Any = rotor().data
    for blade in data["blades"][1:]:
        blade["stations"]["exit"], blade["not_seen"]["exit"] = None, "hidden"
    keep = [label for label in data["covariance"]["labels"] if label not in ("2.exit", "3.exit")]
    data["covariance"] = {"labels": keep, "matrix_deg2": np.zeros((7, 7)).tolist()}
    for line in data["budget"]:
        line.pop("deg", None)
        line.pop("effects_deg", None)
    lines = {(line[0], line[1]): line for line in blade_lines(record_from_dict(agreeing(data)))}
    assert lines[1, "exit"][4:] == (None, None, None)
    assert lines[2, "entry"][4:] == (0.0, 0.0, None)  # known without any uncertainty, which no measurement is
    assert len(lines) == 7


# --- the command -----------------------------------------------------------------------------------------------------


@pytest.fixture
def shelf(tmp_path: Path) -> str:
    """A small inventory's path."""
    with Inventory(tmp_path / "i.sqlite", create=True) as db:
        put(db, rotor("=heron", entry=9.0))
        put(db, rotor("=heron", entry=9.2, created="2026-11-26T10:00:00Z"))
        put(db, rotor("tern", entry=11.0, exit_=None, offsets={"3.entry": 0.9}))
        db.add_failure(Failure("gull", "k", 5, "No ring is seen.", "Show it."))
    return str(tmp_path / "i.sqlite")


def ask(*words: str) -> Any:
    return CliRunner().invoke(main, ["inventory", *words])


def test_the_list(shelf: str) -> None:
    outcome = ask(shelf)
    assert outcome.exit_code == 0
    lines = outcome.stdout.splitlines()
    assert [line.split()[0] for line in lines] == ["rotor", "=heron", "tern"]
    assert "9.20 ± 0.13" in lines[1]
    assert "14.50 ± 0.16" in lines[1]
    assert "Rotors: 2; records: 3; rotors that failed: 1" in outcome.stderr


def test_questions_in_every_format(shelf: str) -> None:
    near = json.loads(ask(shelf, "--entry", "9.2", "--hub", "75", "--json").stdout)
    assert [(r["rotor"], r["distance"]) for r in near] == [
        ("=heron", pytest.approx(1.0)),
        ("tern", pytest.approx(math.hypot(4.2, 1))),
    ]
    assert [r["rotor"] for r in json.loads(ask(shelf, "--exit", "14", "--json").stdout)] == ["=heron"]
    text = ask(shelf, "--entry", "9.2").stdout
    assert text.splitlines()[1].split()[:3] == ["=heron", "0.00", "±"]
    rows = list(csv.DictReader(ask(shelf, "--entry", "9.2", "--csv").stdout.splitlines()))
    assert [r["rotor"] for r in rows] == ["'=heron", "tern"]
    assert rows[1]["exit_deg"] == ""
    out = json.loads(ask(shelf, "--out-of-line", "--json").stdout)
    assert [(r["rotor"], r["blade"], r["station"]) for r in out] == [("tern", 3, "entry")]
    assert "+0.90 ± 0.31" in ask(shelf, "--out-of-line").stdout
    assert ask(shelf, "--out-of-line", "--least", "2").stdout == ""
    assert "No ring is seen. Show it." in ask(shelf, "--failed").stdout
    assert json.loads(ask(shelf, "--record", "tern").stdout)["name"] == "tern"


def test_questions_by_wear(shelf: str) -> None:
    with Inventory(Path(shelf)) as db:
        put(db, record_from_dict(with_tips(invented_record(name="gull"), 0.35)))
    assert "0.35 ± 0.08" in ask(shelf).stdout
    rows = json.loads(ask(shelf, "--wear-above", "0.2", "--json").stdout)
    assert [(r["rotor"], r["sure"]) for r in rows] == [("gull", "yes")]
    assert ask(shelf, "--wear-below", "0.2").stdout == "" and ask(shelf, "--clearance-above", "0.2").stdout == ""
    assert "0.35 ± 0.08" in ask(shelf, "--wear-above", "0.2").stdout
    assert ask(shelf, "--wear-above", "0.2", "--clearance-below", "1").exit_code == 2


def test_a_rotor_over_time(shelf: str) -> None:
    outcome = ask(shelf, "--rotor", "=heron")
    assert outcome.exit_code == 0
    lines = outcome.stdout.splitlines()
    assert ["9.00" in lines[1], "9.20" in lines[2]] == [True, True]
    assert lines[4] == "Standard deviations in deg, from 2 records of each rotor and camera:"
    found = json.loads(ask(shelf, "--rotor", "=heron", "--json").stdout)
    assert len(found["records"]) == 2
    assert found["study"]["studies"]["entry"]["ev"] == pytest.approx(0.2 / math.sqrt(2))
    once = ask(shelf, "--rotor", "tern")
    assert once.exit_code == 0
    assert len(once.stdout.splitlines()) == 2
    assert "No study" in once.stderr


@pytest.mark.parametrize(
    ("words", "code"),
    [
        (["--entry", "9", "--failed"], 2),
        (["--json", "--csv"], 2),
        (["--blades", "3"], 2),
        (["--entry", "nan"], 2),
        (["--rotor", "gone"], 2),
        (["--record", "gone"], 2),
    ],
)
def test_questions_that_cannot_be_answered(shelf: str, words: list[str], code: int) -> None:
    outcome = ask(shelf, *words)
    assert outcome.exit_code == code
    assert outcome.stdout == ""
    assert outcome.stderr


def test_no_inventory_at_all(tmp_path: Path) -> None:
    outcome = ask(str(tmp_path / "none.sqlite"))
    assert outcome.exit_code == 8
    assert "does not exist" in outcome.stderr
