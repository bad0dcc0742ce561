"""The shelf's inventory: records in one SQLite file <-> answers about rotors.

Every record is stored whole, as its JSON, with the columns that are asked for beside it. One process writes, any number
read. The file uses SQLite's rollback journal and not its write-ahead log: whenever the writer dies, the next to open it
finds the last whole record, and a shop can copy the one file without losing what still stands in a log.

A rotor is known by its name. Its newest record is the one that stands on the shelf, older ones are its history.

Not covered: a rotor measured with another blade at the arrow than before; its blades then change numbers, and
`repeat_study` takes the difference between blades for bad repeatability.

Modules in import order: rows, __init__.
"""

from __future__ import annotations

import contextlib
import json
import math
import sqlite3
from collections.abc import Iterator, Sequence
from pathlib import Path
from statistics import NormalDist
from typing import Any

from bladeangle.base.budget import STATIONS
from bladeangle.base.errors import OutputError, RecordError, UsageError
from bladeangle.base.files import safe_name
from bladeangle.base.gauge import study_of
from bladeangle.base.inputs import RECORD, parse_json
from bladeangle.inventory.rows import (
    MEASURES,
    Bounded,
    Columns,
    CouldTell,
    Failure,
    OutOfLine,
    RepeatStudy,
    ShelfRow,
    Wanted,
    blade_lines,
    check_row,
    columns_of,
    distance_sql,
    with_distance,
)
from bladeangle.records.record import Record, record_from_dict

__all__ = ["Bounded", "CouldTell", "Failure", "Inventory", "OutOfLine", "RepeatStudy", "ShelfRow", "Wanted"]

#: Marks the file as ours in its header ("blad").
APPLICATION_ID = 0x626C6164
VERSION = 2
#: Columns that an inventory of version 1 lacks; its records have nothing for them.
SINCE_1 = ("wear_mm", "wear_u", "clearance_mm", "clearance_u")
#: Probability from which a rotor counts as beyond a bound for sure, and below which it is not listed.
SURE, UNLIKELY = 0.975, 0.025
#: Rotors looked at on each side of the wanted one in each measure for a first bound on the distance.
FIRST_LOOK = 400
#: Counting the rotors within the bound stops here.
MOST_COUNTED = 20_000
#: A blade out of line by so much, deg, is worth knowing of (common practice, no source).
USUAL_LEAST_DEG = 0.5
_NAME = "Name a file that `bladeangle batch` wrote."

_SHELF_COLUMNS = (
    "rotor, created, blade_count, hand, entry_deg, entry_u, middle_deg, middle_u, exit_deg, exit_u, hub_mm, hub_u, "
    "tip_mm, tip_u, wear_mm, wear_u, clearance_mm, clearance_u, appraiser, flags, means_covariance"
)
_SHELF_KINDS = "ttit" + 14 * "F" + "tic"
_SCHEMA = """
CREATE TABLE records (
    id INTEGER PRIMARY KEY,
    key TEXT NOT NULL UNIQUE,       -- of photographs, settings and rotor: the same key is the same measurement
    photos TEXT NOT NULL,           -- of the photographs alone
    rotor TEXT NOT NULL,
    created TEXT NOT NULL,
    appraiser TEXT NOT NULL,        -- the camera that measured
    blade_count INTEGER NOT NULL,
    hand TEXT NOT NULL,
    entry_deg REAL, entry_u REAL, middle_deg REAL, middle_u REAL, exit_deg REAL, exit_u REAL,  -- means over blades
    means_covariance TEXT NOT NULL, -- 3 x 3 of these means, deg2, as JSON; zero where not seen
    hub_mm REAL, hub_u REAL, tip_mm REAL, tip_u REAL,
    wear_mm REAL, wear_u REAL,      -- at the leading ends, mean over blades; null where photographs do not tell
    clearance_mm REAL, clearance_u REAL, -- the smallest
    flags INTEGER NOT NULL,
    newest INTEGER NOT NULL         -- 1 for the rotor's newest record
);
CREATE TABLE bodies (id INTEGER PRIMARY KEY REFERENCES records, json TEXT NOT NULL, picture BLOB);
CREATE TABLE angles (
    record INTEGER NOT NULL REFERENCES records, blade INTEGER NOT NULL, station TEXT NOT NULL,
    angle_deg REAL NOT NULL, u_deg REAL NOT NULL,
    out_deg REAL, out_u_deg REAL,   -- from the median of the blades
    ratio REAL,                     -- the size of out_deg in standard uncertainties
    PRIMARY KEY (record, blade, station)
) WITHOUT ROWID;
CREATE TABLE failures (
    rotor TEXT PRIMARY KEY, key TEXT, exit_code INTEGER NOT NULL, message TEXT NOT NULL, hint TEXT NOT NULL
) WITHOUT ROWID;
CREATE INDEX records_history ON records (rotor, created, id);
CREATE INDEX angles_out ON angles (ratio, out_deg);
CREATE INDEX records_shelf ON records (rotor) WHERE newest = 1;
""" + "".join(
    f"CREATE INDEX records_{lead} ON records ({', '.join((lead, *(m for m in MEASURES if m != lead)))}"
    ", blade_count, hand, newest) WHERE newest = 1;\n"
    for lead in MEASURES
)


class Inventory:
    """An inventory file, open; use as a context manager.

    Parameters
    ----------
    path : the file.
    create : make it when it is missing; otherwise that is a RecordError.

    Raises
    ------
    RecordError : the file is missing, damaged, not an inventory, or of a newer version.
    OutputError : it cannot be written (by the methods that write, too).
    """

    def __init__(self, path: Path, *, create: bool = False) -> None:
        self.path = path
        self._shown = f"The inventory {safe_name(path)}"
        try:
            if not path.is_file() and (path.exists() or not create):
                what = "is not a regular file" if path.exists() else "does not exist"
                raise RecordError(f"{self._shown} {what}.", _NAME)
        except (OSError, ValueError) as error:
            raise RecordError(f"{self._shown} cannot be read: {error}.", _NAME) from error
        with self._told():
            self._db = self._connect("rwc" if create else "rw")
            try:
                self._prepare(create)
            except BaseException:
                self._db.close()
                raise

    def __enter__(self) -> Inventory:
        return self

    def __exit__(self, *_: object) -> None:
        self._db.close()

    # --- the file ---

    def _connect(self, mode: str) -> sqlite3.Connection:
        try:
            address = self.path.absolute().as_uri()
            db = sqlite3.connect(f"{address}?mode={mode}", uri=True, timeout=30, isolation_level=None)
            # The journal of a writer that died is rolled back now, which needs a writable folder.
            db.execute("SELECT count(*) FROM sqlite_master").fetchone()
        except sqlite3.OperationalError:
            if mode != "rw":
                raise
            db = sqlite3.connect(f"{address}?mode=ro", uri=True, timeout=30, isolation_level=None)
        db.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, RECORD.most_bytes + 1_000_000)
        return db

    def _prepare(self, create: bool) -> None:
        db = self._db
        if create:
            db.execute("PRAGMA journal_mode = DELETE")
            db.execute("PRAGMA synchronous = FULL")
            with self._transaction():
                if not db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]:
                    for statement in _SCHEMA.split(";\n"):
                        db.execute(statement)
                    db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
                    db.execute(f"PRAGMA user_version = {VERSION}")
        if db.execute("PRAGMA application_id").fetchone()[0] != APPLICATION_ID:
            raise RecordError(f"{self._shown} is not an inventory.", _NAME)
        if db.execute("PRAGMA user_version").fetchone()[0] == 1:
            self._widen()
        if db.execute("PRAGMA user_version").fetchone()[0] != VERSION:
            raise RecordError(f"{self._shown} has another version than {VERSION}.", "Update bladeangle.")
        if db.execute("SELECT count(*) FROM sqlite_master WHERE type IN ('view', 'trigger')").fetchone()[0]:
            raise RecordError(f"{self._shown} has views or triggers, which none of ours has.", _NAME)

    def _widen(self) -> None:
        """Bring a file of version 1 to the present one."""
        with self._transaction():
            if self._db.execute("PRAGMA user_version").fetchone()[0] == 1:  # no other process has done it by now
                for column in SINCE_1:
                    self._db.execute(f"ALTER TABLE records ADD COLUMN {column} REAL")
                self._db.execute(f"PRAGMA user_version = {VERSION}")

    @contextlib.contextmanager
    def _told(self) -> Iterator[None]:
        """SQLite's errors as ours."""
        try:
            yield
        except sqlite3.OperationalError as error:
            raise OutputError(
                f"{self._shown} cannot be used: {error}.", "Look at the disk and the permissions of file and folder."
            ) from error
        except sqlite3.DatabaseError as error:
            raise RecordError(
                f"{self._shown} is damaged or not an inventory: {error}.", f"{_NAME} If it is one, measure again."
            ) from error

    @contextlib.contextmanager
    def _transaction(self) -> Iterator[None]:
        self._db.execute("BEGIN IMMEDIATE")
        try:
            yield
            self._db.execute("COMMIT")
        except BaseException:
            if self._db.in_transaction:
                self._db.execute("ROLLBACK")
            raise

    def _rows(self, kinds: str, query: str, *values: Any) -> list[tuple[Any, ...]]:
        """Rows of the query, of which each column is what its letter in `rows.KINDS` says; else the file is damaged."""
        with self._told():
            found = self._db.execute(query, values).fetchall()
        try:
            for row in found:
                check_row(kinds, row)
        except ValueError as error:
            raise RecordError(f"{self._shown} is damaged: {error}.", f"{_NAME} If it is one, measure again.") from error
        return found

    def _stored(self, text: str, rotor: str) -> Record:
        """A record as it is stored; RecordError when it is none, as whenever one is read."""
        source = f"The record of {safe_name(rotor)} in {safe_name(self.path.name)}"
        return record_from_dict(parse_json(text, RECORD, source), source)

    # --- writing ---

    def add(self, key: str, photos: str, rotor: str, record: Record, picture: bytes | None = None) -> None:
        """Keep a record, whole or not at all; a key that is there already is left alone.

        Parameters
        ----------
        key, photos : see the table; `picture` is kept as it is.
        """
        text = json.dumps(record.data, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
        row = {"key": key, "photos": photos, "rotor": rotor} | columns_of(record)
        names = ", ".join(row)
        with self._told(), self._transaction():
            done = self._db.execute(
                f"INSERT INTO records ({names}, newest) VALUES ({', '.join('?' * len(row))}, 0) ON CONFLICT DO NOTHING",
                tuple(row.values()),
            )
            if not done.rowcount:
                return
            number = done.lastrowid
            self._db.execute("INSERT INTO bodies VALUES (?, ?, ?)", (number, text, picture))
            self._db.executemany(
                "INSERT INTO angles VALUES (?, ?, ?, ?, ?, ?, ?, ?)", [(number, *line) for line in blade_lines(record)]
            )
            self._db.execute("UPDATE records SET newest = 0 WHERE rotor = ? AND newest = 1", (rotor,))
            newest = "SELECT id FROM records WHERE rotor = ? ORDER BY created DESC, id DESC LIMIT 1"
            self._db.execute(f"UPDATE records SET newest = 1 WHERE id = ({newest})", (rotor,))
            self._db.execute("DELETE FROM failures WHERE rotor = ?", (rotor,))

    def add_failure(self, failure: Failure) -> None:
        """Keep the rotor's failure in place of an earlier one."""
        values = (failure.rotor, failure.key, failure.exit_code, failure.message, failure.hint)
        with self._told():
            self._db.execute("INSERT OR REPLACE INTO failures VALUES (?, ?, ?, ?, ?)", values)

    def remove_failure(self, rotor: str) -> None:
        """Take the rotor's failure out."""
        with self._told():
            self._db.execute("DELETE FROM failures WHERE rotor = ?", (rotor,))

    # --- reading ---

    def has(self, key: str) -> bool:
        """Whether a record with this key is kept."""
        return bool(self._rows("i", "SELECT 1 FROM records WHERE key = ?", key))

    def record(self, key: str) -> Record:
        """The record of a key; KeyError when there is none."""
        found = self._rows("jt", "SELECT json, rotor FROM bodies JOIN records USING (id) WHERE key = ?", key)
        if not found:
            raise KeyError(key)
        return self._stored(*found[0])

    def picture(self, key: str) -> bytes | None:
        """The picture kept with a key."""
        found = self._rows("b", "SELECT picture FROM bodies JOIN records USING (id) WHERE key = ?", key)
        return found[0][0] if found else None

    def newest(self, rotor: str) -> Record:
        """A rotor's newest record; UsageError when there is none."""
        query = "SELECT json FROM bodies JOIN records USING (id) WHERE rotor = ? AND newest = 1"
        found = self._rows("j", query, rotor)
        if not found:
            raise self._unknown(rotor)
        return self._stored(found[0][0], rotor)

    def _unknown(self, rotor: str) -> UsageError:
        return UsageError(
            f"{self._shown} has no rotor {safe_name(rotor)!r}.", "Leave the question out to list the rotors there are."
        )

    def known(self) -> set[str]:
        """Names of rotors that have a record or a failure."""
        return {row[0] for row in self._rows("t", "SELECT rotor FROM records UNION SELECT rotor FROM failures")}

    def failures(self) -> dict[str, Failure]:
        """Rotor -> its failure, of those that failed when last tried; by name."""
        rows = self._rows("tTitt", "SELECT rotor, key, exit_code, message, hint FROM failures ORDER BY rotor")
        return {row[0]: Failure(*row) for row in rows}

    def count(self) -> tuple[int, int]:
        """How many rotors and how many records there are."""
        rotors = self._rows("i", "SELECT count(*) FROM records WHERE newest = 1")[0][0]
        return rotors, self._rows("i", "SELECT count(*) FROM records")[0][0]

    def shelf(self, limit: int) -> list[ShelfRow]:
        """The newest record of each rotor, by name, at most `limit`."""
        query = f"SELECT {_SHELF_COLUMNS} FROM records WHERE newest = 1 ORDER BY rotor LIMIT ?"
        rows = self._rows(_SHELF_KINDS, query, limit)
        return [ShelfRow(*row[:-1]) for row in rows]

    def history(self, rotor: str) -> list[ShelfRow]:
        """All records of a rotor, oldest first; UsageError when there is none."""
        query = f"SELECT {_SHELF_COLUMNS} FROM records WHERE rotor = ? ORDER BY created, id"
        rows = self._rows(_SHELF_KINDS, query, rotor)
        if not rows:
            raise self._unknown(rotor)
        return [ShelfRow(*row[:-1]) for row in rows]

    def near(self, wanted: Wanted, limit: int = 10) -> list[ShelfRow]:
        """Rotors nearest to the wanted one, nearest first, by their newest records.

        The distance is the root of the sum of squared differences, each in its scale; its standard uncertainty is
        propagated to first order, with the covariance of the means. A rotor that lacks a wanted value is left out.

        Raises
        ------
        UsageError : nothing is wanted.
        """
        terms = wanted.terms()
        if not terms:
            raise UsageError("No entry, middle, exit or hub is wanted.", "Give at least one of them.")
        # The neighbours in each measure give an upper bound of the limit-th distance. Whoever is nearer lies within the
        # bound in every measure, so that looking through the measure with the fewest there is short and still exact.
        square, where, values = distance_sql(wanted)
        with self._told():
            bounds = [self._bound(lead, square, where, values, limit) for lead in terms]
            reach = min(bounds) * (1 + 1e-9) + 1e-9
            for m, (value, scale) in terms.items():
                values |= {f"{m}_low": value - reach * scale, f"{m}_high": value + reach * scale}
            # far from all rotors the bound takes in all of some measures: to ask for those costs more than it saves
            telling = [m for m in terms if not self._takes_in_all(m, values)]
            within = {m: f"newest = 1 AND {m} BETWEEN :{m}_low AND :{m}_high" for m in telling}
            lead, fewest = next(iter([*telling, *terms])), MOST_COUNTED
            for m in telling:
                some = f"SELECT 1 FROM records INDEXED BY records_{m} WHERE {within[m]} LIMIT {fewest}"
                count = self._db.execute(f"SELECT count(*) FROM ({some})", values).fetchone()[0]
                if count < fewest:
                    lead, fewest = m, count
            nearest = f"SELECT id, {square} AS far FROM records INDEXED BY records_{lead} WHERE "
            nearest += f"{' AND '.join([where, *within.values()])} ORDER BY far, id LIMIT :limit"
            ids = [row[0] for row in self._db.execute(nearest, values | {"limit": limit})]
        query = f"SELECT {_SHELF_COLUMNS} FROM records WHERE id = ?"
        return [with_distance(self._rows(_SHELF_KINDS, query, number)[0], wanted) for number in ids]

    def _takes_in_all(self, measure: str, values: Columns) -> bool:
        """Whether the bound on one measure leaves no rotor out."""
        of = f"FROM records INDEXED BY records_{measure} WHERE newest = 1 AND {measure}"
        out = f"SELECT EXISTS(SELECT 1 {of} < :{measure}_low) OR EXISTS(SELECT 1 {of} > :{measure}_high)"
        return not self._db.execute(out, values).fetchone()[0]

    def _bound(self, lead: str, square: str, where: str, values: Columns, limit: int) -> float:
        """An upper bound of the limit-th distance, from the nearest in one measure; infinite if they are fewer."""
        side = f"SELECT * FROM (SELECT {square} AS far FROM records INDEXED BY records_{lead} WHERE {where} AND {lead}"
        up = f"{side} >= :{lead} ORDER BY {lead} LIMIT {FIRST_LOOK})"
        down = f"{side} < :{lead} ORDER BY {lead} DESC LIMIT {FIRST_LOOK})"
        query = f"{up} UNION ALL {down} ORDER BY far LIMIT 1 OFFSET :skip"
        found = self._db.execute(query, values | {"skip": limit - 1}).fetchone()
        return math.inf if found is None else math.sqrt(found[0])

    def out_of_line(self, sigmas: float = 3.0, least_deg: float = 0.0, limit: int = 100) -> list[OutOfLine]:
        """Blades of the newest records that differ from their rotor's median by at least `sigmas` standard
        uncertainties and `least_deg`; the clearest first."""
        rows = self._rows(
            "ttitfffff",
            "SELECT rotor, created, blade, station, angle_deg, u_deg, out_deg, out_u_deg, ratio FROM angles "
            "JOIN records ON records.id = angles.record "
            "WHERE ratio >= ? AND abs(out_deg) >= ? AND newest = 1 ORDER BY ratio DESC LIMIT ?",
            sigmas,
            least_deg,
            limit,
        )
        return [OutOfLine(*row) for row in rows]

    def could_tell(self, sigmas: float = 3.0, least_deg: float = 0.0) -> CouldTell:
        """Whether blades out of line by `least_deg` would have shown in `out_of_line`; without a least, those out by
        half a degree."""
        u = sorted(
            row[0]
            for row in self._rows(
                "f",
                "SELECT out_u_deg FROM angles JOIN records ON records.id = angles.record "
                "WHERE newest = 1 AND out_u_deg IS NOT NULL",
            )
        )
        wanted = least_deg or USUAL_LEAST_DEG
        return CouldTell(len(u), sum(sigmas * each > wanted for each in u), sigmas * u[len(u) // 2] if u else 0.0)

    def beyond(self, quantity: str, bound_mm: float, *, below: bool, limit: int = 100) -> list[Bounded]:
        """Newest records whose "wear" or smallest "clearance" is or may be below (else above) a bound; surest first."""
        rows = self._rows(
            "ttff",
            f"SELECT rotor, created, {quantity}_mm, {quantity}_u FROM records "
            f"WHERE newest = 1 AND {quantity}_mm IS NOT NULL",
        )
        found = []
        for rotor, created, value, u in rows:
            off = (bound_mm - value) * (1 if below else -1)
            probability = NormalDist(0.0, u).cdf(off) if u > 0 else float(off > 0)
            if probability >= UNLIKELY:
                sure = "yes" if probability >= SURE else "perhaps"
                found.append(Bounded(rotor, created, quantity, value, u, probability, sure))
        return sorted(found, key=lambda row: (-row.probability, row.rotor))[:limit]

    def repeat_study(self, rotors: Sequence[str]) -> RepeatStudy:
        """Repeatability and reproducibility over all records of the rotors.

        The analysis needs as many trials from every camera, so the newest of each are used; cameras that measured one
        of the rotors only once are left out, as are stations that one of the records does not see. Of records of the
        same photographs only the newest counts, since measuring them again is no repetition.

        Raises
        ------
        UsageError : no camera measured every rotor at least twice, or too few stations are seen in all records.
        """
        asked = tuple(dict.fromkeys(rotors))
        trials: dict[str, dict[str, list[int]]] = {}
        for rotor in asked:
            query = "SELECT max(id), appraiser FROM records WHERE rotor = ? GROUP BY photos ORDER BY created, max(id)"
            for number, appraiser in self._rows("it", query, rotor):
                trials.setdefault(appraiser, {r: [] for r in asked})[rotor].append(number)
        fewest = {appraiser: min(map(len, by_rotor.values())) for appraiser, by_rotor in trials.items()}
        appraisers = tuple(sorted(a for a, n in fewest.items() if n >= 2))
        if not appraisers:
            raise UsageError(
                "No camera has measured every one of these rotors twice.",
                "Photograph them again, lifting the rotor in between, and measure them into the same inventory.",
            )
        n = min(fewest[a] for a in appraisers)
        readings: dict[tuple[str, str], list[tuple[str, str, float]]] = {}
        for appraiser in appraisers:
            for rotor in asked:
                for number in trials[appraiser][rotor][-n:]:
                    query = "SELECT blade, station, angle_deg FROM angles WHERE record = ?"
                    for blade, station, angle in self._rows("itf", query, number):
                        part = f"{rotor}, blade {blade} {station}"
                        readings.setdefault((station, part), []).append((part, appraiser, angle))
        whole = {place: rows for place, rows in readings.items() if len(rows) == n * len(appraisers)}
        studies = {}
        for name in ("all", *STATIONS):
            of_it = [rows for (station, _), rows in whole.items() if name in ("all", station)]
            if len(of_it) >= 2:
                studies[name] = study_of([row for rows in of_it for row in rows])
        if not studies:
            raise UsageError("The records have too few stations in common.", "Photograph all ends of the blades.")
        return RepeatStudy(asked, appraisers, n, studies)
