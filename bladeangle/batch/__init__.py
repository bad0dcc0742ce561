"""A shelf of rotors: folders or a manifest of photographs -> an inventory, tables and a contact sheet.

Each rotor is measured in a worker process. Whatever happens to one rotor, be it a broken file, a dead process or a time
limit, becomes that rotor's named failure and stops no other. Each result is in the inventory before the next is waited
for, so that a batch stopped in any way goes on where it was: a rotor whose photographs, settings and program version
are those of a record is not measured again. A failure with the same photographs and settings stands, unless a process
died or a fault was ours: that is tried again.

Results are handled one at a time; memory does not grow with the shelf but for the list of its files.

Modules in import order: jobs, work, engines, results, __init__.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Generator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from bladeangle.base.errors import OutputError, PhotoError
from bladeangle.base.files import safe_name
from bladeangle.batch.engines import run_dask, run_processes, uninterrupted
from bladeangle.batch.jobs import INVENTORY, Job, jobs_in_folder, jobs_of_manifest, reason
from bladeangle.batch.results import write_contact_sheet, write_tables
from bladeangle.batch.work import Outcome, Settings, hashes_of, keys_of
from bladeangle.inventory import Failure, Inventory

__all__ = [
    "INVENTORY",
    "Job",
    "Outcome",
    "Settings",
    "Summary",
    "jobs_in_folder",
    "jobs_of_manifest",
    "run_batch",
    "run_dask",
    "run_processes",
]

CSV, XLSX, CONTACT_SHEET = "rotors.csv", "rotors.xlsx", "contact-sheet.png"
#: Rotors named in a sentence, at most.
MOST_NAMED = 10


@dataclass(frozen=True)
class Summary:
    """How many rotors were measured now and how many were in the inventory already; and those that failed."""

    measured: int
    resumed: int
    failures: tuple[Failure, ...]


def run_batch(
    jobs: Sequence[Job],
    settings: Settings,
    out: Path,
    engine: Callable[[Sequence[Job], Settings], Generator[Outcome]],
    started: Callable[[int], None] = lambda _: None,
    ended: Callable[[Outcome], None] = lambda _: None,
) -> Summary:
    """Measure what is not measured yet, keep all of it, and write the tables and the contact sheet.

    Parameters
    ----------
    out : folder for `INVENTORY`, `CSV`, `XLSX` and `CONTACT_SHEET`, made if missing.
    engine : such as `run_processes` with its number of workers.
    started : called with the number of rotors to measure; ended : with each outcome once it is kept.

    Raises
    ------
    OutputError, RecordError : the results cannot be written, or `out` has a damaged inventory.
    KeyboardInterrupt : with everything finished in the inventory.
    """
    try:
        out.mkdir(parents=True, exist_ok=True)
    except (OSError, ValueError) as error:
        raise OutputError(f"The folder {safe_name(out)} cannot be made: {reason(error)}.", "Choose another.") from error
    with Inventory(out / INVENTORY, create=True) as inventory:
        done: dict[Job, str | Failure] = {}
        known, failed = inventory.known(), inventory.failures()
        for job in jobs:
            if job.rotor in known and (before := _as_before(job, settings, inventory, failed)) is not None:
                done[job] = before
        resumed = sum(isinstance(before, str) for before in done.values())
        pending = [job for job in jobs if job not in done]
        started(len(pending))
        measured = 0
        try:
            with contextlib.closing(engine(pending, settings)) as outcomes:
                for outcome in outcomes:
                    with uninterrupted():
                        if outcome.record is not None and outcome.key is not None:
                            rotor = outcome.job.rotor
                            inventory.add(outcome.key, outcome.photos, rotor, outcome.record, outcome.picture)
                            done[outcome.job] = outcome.key
                            measured += 1
                        elif outcome.failure is not None:
                            inventory.add_failure(outcome.failure)
                            done[outcome.job] = outcome.failure
                    ended(outcome)
            results = [done[job] for job in jobs]
            write_tables((inventory.record(key) for key in results if isinstance(key, str)), out / CSV, out / XLSX)
            write_contact_sheet(results, inventory, out / CONTACT_SHEET)
        except OutputError as error:
            raise _with_kept(error, jobs, done) from error
    return Summary(measured, resumed, tuple(f for f in results if isinstance(f, Failure)))


def _as_before(
    job: Job, settings: Settings, inventory: Inventory, failed: Mapping[str, Failure]
) -> str | Failure | None:
    """The key of the job's record if it is kept, or its failure if measuring again would fail in the same way."""
    try:
        key, _ = keys_of(job, hashes_of(job), settings)
    except PhotoError:
        return None
    before = failed.get(job.rotor)
    if inventory.has(key):
        if before is not None:
            inventory.remove_failure(job.rotor)
        return key
    return before if before is not None and before.key == key else None


def _with_kept(error: OutputError, jobs: Sequence[Job], done: Mapping[Job, str | Failure]) -> OutputError:
    """The error of a result that could not be written, with the rotors whose results are in the inventory."""
    kept = [job.rotor for job in jobs if isinstance(done.get(job), str)]
    names = ", ".join(kept[:MOST_NAMED]) + (f" and {len(kept) - MOST_NAMED} more" if len(kept) > MOST_NAMED else "")
    what = f"{len(kept)} of {len(jobs)} rotors are kept" + (f" ({names})" if kept else "")
    hint = f"{error.hint} Then the same command goes on from there."
    return OutputError(f"{error.message.rstrip('.')}; {what}.", hint)
