"""What is to be measured: a folder of folders, or a manifest -> jobs."""

from __future__ import annotations

import csv
import hashlib
import os
from dataclasses import dataclass, field
from pathlib import Path

from bladeangle.base import inputs
from bladeangle.base.errors import DefinitionError, UsageError
from bladeangle.base.files import safe_name
from bladeangle.pipeline.sorting import photos_by_name

#: The inventory's name; a folder that has one holds results and not a rotor's photographs.
INVENTORY = "inventory.sqlite"
SETUPS = {"inlet_up": "inlet_up", "outlet_up": "turned", "turned": "turned", "": "inlet_up"}
#: Columns of a manifest that tell something of a rotor; all but the tips' condition are diameters.
OPTION_COLUMNS = ("diameter_mm", "diameter_leading_mm", "diameter_trailing_mm", "bore_mm", "tips")
#: Most rotors of a batch and most photographs on its manifest.
MOST_ROTORS, MOST_LINES = 20_000, 100_000


@dataclass(frozen=True)
class Job:
    """One rotor: its name and its photographs with the inlet end up and with the outlet end up.

    given : options of its measurement, by their names: diameters, bore, tips (`OPTION_COLUMNS`).
    mixed : the setups are not known, and `inlet_up` holds all photographs, to be sorted by what they show.
    """

    rotor: str
    inlet_up: tuple[Path, ...]
    turned: tuple[Path, ...] = ()
    given: tuple[tuple[str, float | str], ...] = ()
    mixed: bool = False


@dataclass
class _Listed:
    """A rotor's lines of a manifest while it is read, as `Job`."""

    inlet_up: list[Path] = field(default_factory=list)
    turned: list[Path] = field(default_factory=list)
    given: dict[str, float | str] = field(default_factory=dict)
    mixed: bool = True


def rotor_name(raw: str) -> str:
    """The name under which a rotor is kept: one printable line that fits a record."""
    name = safe_name(raw)
    return name if len(name) <= 200 else f"{name[:180]}-{hashlib.sha256(os.fsencode(raw)).hexdigest()[:12]}"


def jobs_in_folder(folder: Path) -> list[Job]:
    """One job for each subfolder, by name; hidden ones and the batch's own results are left out.

    Photographs of the turned rotor have names that begin with "turned" or "outlet", or lie in a subfolder whose name
    does; all others directly in the rotor's folder have its inlet end up. Where no name says which, they are sorted by
    what they show when they are measured. Files without a photograph's suffix are ignored.

    Raises
    ------
    UsageError : there is no such folder or no subfolder in it.
    """
    try:
        rotors = sorted(p for p in folder.iterdir() if p.is_dir() and not p.name.startswith("."))
    except (OSError, ValueError) as error:
        what = f"The folder {safe_name(folder)} cannot be read: {reason(error)}."
        raise UsageError(what, "Check the name.") from error
    jobs = [_job_in(p) for p in rotors if not (p / INVENTORY).exists()]
    if not jobs:
        raise UsageError(
            f"The folder {safe_name(folder)} has no subfolders.", "Put the photographs of each rotor in its own."
        )
    return jobs


def _job_in(folder: Path) -> Job:
    """The job of one rotor's folder; without photographs it fails by name when it is measured."""
    found = photos_by_name(folder)
    return Job(rotor_name(folder.name), found.inlet_up, found.turned, mixed=found.mixed)


def jobs_of_manifest(path: Path) -> list[Job]:
    """Jobs from a CSV file, a line a photograph: the columns rotor, photo, standing, and any of `OPTION_COLUMNS`.

    Photographs are relative to the file. `standing` is inlet_up (also when empty), outlet_up or turned; a rotor for
    which it is always empty is sorted by what its photographs show. Separated by commas or semicolons, UTF-8.

    Raises
    ------
    DefinitionError : unreadable, too large, or a line that is not understood.
    """
    shown, hint = inputs.shown_as(path, inputs.MANIFEST), inputs.MANIFEST.hint
    try:
        if not path.exists():
            raise DefinitionError(
                f"There is no folder or manifest {safe_name(path.name)!r}.",
                "Name a folder that holds a subfolder for each rotor, or a CSV file.",
            )
    except (OSError, ValueError) as error:
        raise DefinitionError(f"{shown} cannot be read: {reason(error)}.", hint) from error
    lines = inputs.read_text(path, inputs.MANIFEST).splitlines()
    if len(lines) > MOST_LINES:
        raise DefinitionError(f"{shown} has more than {MOST_LINES} lines.", "Measure the shelf in parts.")
    head = lines[0] if lines else ""
    rows = csv.DictReader(lines, delimiter=";" if ";" in head and "," not in head else ",")
    found: dict[str, _Listed] = {}
    folder = path.parent.absolute()
    try:
        columns = [(name or "").strip().lower() for name in rows.fieldnames or ()]
        rows.fieldnames = columns
        if not {"rotor", "photo", "standing"} <= set(columns):
            raise DefinitionError(f"{shown} lacks the columns rotor, photo and standing.", hint)
        for row in rows:
            rotor, photo, standing = ((row[c] or "").strip() for c in ("rotor", "photo", "standing"))
            if not (rotor and photo and standing.lower() in SETUPS):
                raise DefinitionError(f"{shown}, line {rows.line_num}: not a rotor, a photograph and a standing.", hint)
            job = found.setdefault(rotor, _Listed())
            job.mixed &= not standing
            (job.turned if SETUPS[standing.lower()] == "turned" else job.inlet_up).append(folder / photo)
            for column in OPTION_COLUMNS:
                if text := (row.get(column) or "").strip():
                    job.given[column] = _option_value(column, text)
    except (csv.Error, ValueError) as error:
        raise DefinitionError(f"{shown}, line {rows.line_num}: {safe_name(str(error))}.", hint) from error
    if not found:
        raise DefinitionError(f"{shown} names no photographs.", hint)
    if len(found) > MOST_ROTORS:
        raise DefinitionError(f"{shown} names more than {MOST_ROTORS} rotors.", "Measure the shelf in parts.")
    return [
        Job(
            rotor_name(rotor),
            tuple(job.inlet_up),
            tuple(job.turned),
            tuple(sorted(job.given.items())),
            job.mixed,
        )
        for rotor, job in found.items()
    ]


def _option_value(column: str, text: str) -> float | str:
    """The value of a column with an option; ValueError when it is none."""
    if column == "tips":
        if text not in ("any", "new"):
            raise ValueError("tips are any or new")
        return text
    diameter = float(text.replace(",", "."))
    if not 1 <= diameter <= 10_000:
        raise ValueError("a diameter is out of range")
    return diameter


def reason(error: Exception) -> str:
    """What went wrong, in the system's words where it has some."""
    return (error.strerror if isinstance(error, OSError) else None) or safe_name(str(error))
