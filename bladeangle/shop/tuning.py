"""What to change: record + what the driver noticed + log of earlier changes -> `Advice`; the log itself.

Everything here about engines and pumps is common practice with no source, so advice is a direction and a range, one
degree at most, never a number to trust. What was tried on the very rotor outranks it: each logged step that made things
better or worse bounds where the best angle can lie, and the next step stays inside.
"""

from __future__ import annotations

import json
import math
import os
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from os import PathLike
from pathlib import Path
from typing import Annotated, Literal

import msgspec

from bladeangle.base import inputs
from bladeangle.base.budget import STATIONS
from bladeangle.base.errors import RecordError, UsageError
from bladeangle.base.files import safe_name, write_bytes_atomic
from bladeangle.base.structure import File, read_as
from bladeangle.records.record import Record

BASIS = "common practice, no source"
RESULTS = ("better", "worse", "same")
#: One step is at most this; a degree is a sizeable change (common practice, no source).
LARGEST_STEP_DEG = 1.0
FIRST_STEP_DEG = 0.5
#: Smaller steps are neither made nor measured reliably.
SMALLEST_STEP_DEG = 0.1
#: Share of a step beside which another one, though uncertain, may be what the driver noticed.
NOT_SMALL = 0.33
#: Blades further apart than this want to be made alike before anything else is judged.
UNEVEN_BLADES_DEG = 0.5
#: A millimetre of shim is like about this much over the whole blade (common practice, no source).
DEG_PER_SHIM_MM = 1.0
LOG_SCHEMA = "bladeangle-tuning-log/1"
#: Letters of a name or time, and of a note.
MOST_LETTERS, MOST_NOTE = 300, 5000


@dataclass(frozen=True)
class Symptom:
    """What a driver notices: its meaning, the station it points to, which way, and what to rule out before.

    direction : -1 shallower, +1 steeper, 0 towards the middle of entry and exit.
    """

    meaning: str
    station: str
    direction: int
    rule_out: tuple[str, ...]


_WATER = "Weeds, rope or stones: in the intake, around the shaft, behind the blades."
_AIR = "Air drawn in: intake seal, shaft seal, a hull that leaves the water in a turn."
_INTAKE = "A blocked or bent intake grate."
_ENGINE = "An engine that does not give its power: fuel, ignition, air filter, exhaust, a limp-home mode."
_GAP = "Tips worn, or the bore around them scored: water slips past the blades."

#: All symptoms (common practice, no source; the way of `flat-in-the-middle` is our own reading of an even progression).
SYMPTOMS: dict[str, Symptom] = {
    "slow-off-idle": Symptom("slow to rev up from idle", "entry", -1, (_ENGINE, _WATER)),
    "revs-without-thrust": Symptom("revs freely without thrust", "entry", +1, (_AIR, _INTAKE, _WATER, _GAP)),
    "short-of-peak": Symptom("stays below its peak rpm", "exit", -1, (_ENGINE, _WATER, _INTAKE)),
    "on-the-limiter": Symptom("runs into the rev limiter", "exit", +1, (_AIR, _INTAKE, _GAP)),
    "flat-in-the-middle": Symptom("pulls at both ends but is flat in between", "middle", 0, (_ENGINE, _AIR)),
}

CAUTIONS = (
    "The maker's manual comes first: its limits for rpm, gaps, shims and nozzles, and what may be changed at all.",
    "Stop the engine, pull the lanyard and disconnect the battery before a hand goes near intake, shaft or pump.",
    "Blade edges are sharp and get sharper by use: wear gloves, and dress burrs only as the manual allows.",
    "Shallower angles let the engine rev higher: watch the rev counter, and do not hold it on the limiter.",
    "Bending works the metal: look for cracks after every change; leave bending and welding to a shop that does it.",
    "Change one thing at a time, try it where trying is allowed, and write down what happened.",
)


@dataclass(frozen=True)
class StationChange:
    """A proposed change of one station on every blade.

    now_deg, expanded_uncertainty_deg : mean over blades now, None when the station was not measured.
    direction : "shallower" or "steeper"; least_deg, most_deg : size of the change, at most `LARGEST_STEP_DEG`.
    wanted_deg : (lowest, highest) angle after it, None when the station was not measured.
    why : the reason in words.
    """

    station: str
    now_deg: float | None
    expanded_uncertainty_deg: float | None
    direction: str
    least_deg: float
    most_deg: float
    wanted_deg: tuple[float, float] | None
    why: str


@dataclass(frozen=True)
class Lever:
    """Another way to change the pump, in the same currency where practice has one."""

    name: str
    worth: str
    range: str


@dataclass(frozen=True)
class Advice:
    """What to rule out, what to change, what else could be changed, and what to be careful about."""

    rotor: str
    noticed: tuple[str, ...]
    rule_out: tuple[str, ...]
    changes: tuple[StationChange, ...]
    remarks: tuple[str, ...]
    levers: tuple[Lever, ...]
    cautions: tuple[str, ...] = CAUTIONS
    basis: str = BASIS


@dataclass(frozen=True)
class LogEntry:
    """One visit of a rotor: its angles then, what was noticed with them, and how the change before turned out.

    angles_deg, standard_uncertainty_deg : mean over blades for each station, None when not measured.
    result : "better", "worse" or "same" against the entry before, None when not told.
    """

    rotor: str
    time: str
    noticed: tuple[str, ...]
    angles_deg: Mapping[str, float | None]
    standard_uncertainty_deg: Mapping[str, float | None]
    result: str | None = None
    note: str = ""


def entry_of(
    record: Record,
    noticed: Sequence[str],
    time: str,
    *,
    rotor: str | None = None,
    result: str | None = None,
    note: str = "",
) -> LogEntry:
    """Log entry from a record; `rotor` overrides the record's name, `time` is ISO 8601.

    Raises
    ------
    UsageError : an unknown symptom or result, or no symptom.
    """
    if not noticed:
        raise UsageError("Nothing was noticed, so there is nothing to change.", f"Choose from: {', '.join(SYMPTOMS)}.")
    for symptom in noticed:
        if symptom not in SYMPTOMS:
            raise UsageError(f"{safe_name(symptom)!r} is not a known symptom.", f"Choose from: {', '.join(SYMPTOMS)}.")
    if result not in (None, *RESULTS):
        raise UsageError(f"{safe_name(str(result))!r} is not a known result.", f"Choose from: {', '.join(RESULTS)}.")
    means = [(s, record.mean(s)) for s in STATIONS]
    return LogEntry(
        rotor=rotor or record.name,
        time=time,
        noticed=tuple(dict.fromkeys(noticed)),
        angles_deg={s: None if mean is None else mean.angle_deg for s, mean in means},
        standard_uncertainty_deg={s: None if mean is None else mean.standard_uncertainty_deg for s, mean in means},
        result=result,
        note=note,
    )


# --- advice ----------------------------------------------------------------------------------------------------------


def advise(record: Record, entry: LogEntry, earlier: Sequence[LogEntry] = ()) -> Advice:
    """Advice for a rotor.

    Parameters
    ----------
    entry : of this record, from `entry_of`.
    earlier : the same rotor's log, oldest first.

    Raises
    ------
    UsageError : a result is told although nothing was logged before.
    """
    if entry.result is not None and not earlier:
        raise UsageError(
            f"The log has no earlier change of {safe_name(entry.rotor)!r} that this could be the result of.",
            "Leave out the result, or name the rotor as it is in the log.",
        )
    log = [*earlier, entry]
    remarks = []
    if entry.result is not None and not any(_step(log[-2], entry, station) for station in STATIONS):
        remarks.append(
            f"No change of angle shows since the last visit, so the result ({entry.result}) belongs to something else."
        )
    changes = []
    for station in STATIONS:
        named = [symptom for symptom in entry.noticed if _acts_on(symptom, station)]
        wishes = {_wish(symptom, entry) for symptom in named} - {0}
        if len(wishes) > 1:
            remarks.append(f"{' and '.join(named)} contradict each other at the {station}: it is not the angle alone.")
        elif wishes:
            change, remark = _change(record, station, wishes.pop(), named, log)
            changes += [change] if change else []
            remarks += [remark] if remark else []
        elif named:
            remarks.append(_even_progression(entry))
    rule_out = dict.fromkeys(line for symptom in entry.noticed for line in SYMPTOMS[symptom].rule_out)
    return Advice(
        rotor=entry.rotor,
        noticed=entry.noticed,
        rule_out=(*rule_out, *_uneven_blades(record)),
        changes=tuple(changes),
        remarks=tuple(remarks),
        levers=_levers(changes),
    )


def _acts_on(symptom: str, station: str) -> bool:
    return SYMPTOMS[symptom].station == station


def _wish(symptom: str, entry: LogEntry) -> int:
    """The way a symptom points at the entry's angles: -1, +1, or 0 for no change."""
    direction = SYMPTOMS[symptom].direction
    if direction:
        return direction
    gap = _gap_to_even(entry)
    if gap is None:
        return 0
    gap_deg, u_deg = gap
    return int(math.copysign(1, gap_deg)) if abs(gap_deg) > max(SMALLEST_STEP_DEG, 2 * u_deg) else 0


def _gap_to_even(entry: LogEntry) -> tuple[float, float] | None:
    """How far the middle lies from halfway between entry and exit, and its standard uncertainty (taken as
    uncorrelated); None when a station is missing."""
    angles, u = entry.angles_deg, entry.standard_uncertainty_deg
    a, m, b = (angles[s] for s in STATIONS)
    if a is None or m is None or b is None:
        return None
    ua, um, ub = (u[s] or 0.0 for s in STATIONS)
    return (a + b) / 2 - m, math.hypot(um, ua / 2, ub / 2)


def _even_progression(entry: LogEntry) -> str:
    if _gap_to_even(entry) is None:
        return "Whether the middle fits between entry and exit cannot be told: not all three are measured."
    return "The middle lies halfway between entry and exit as well as can be measured: leave its angle alone."


def _step(before: LogEntry, after: LogEntry, station: str) -> float | None:
    """The change of a station between two visits in degrees; None when not measured or lost in its uncertainty."""
    a, b = before.angles_deg[station], after.angles_deg[station]
    if a is None or b is None:
        return None
    u = math.hypot(before.standard_uncertainty_deg[station] or 0.0, after.standard_uncertainty_deg[station] or 0.0)
    return b - a if abs(b - a) > max(SMALLEST_STEP_DEG, 2 * u) else None


def _apparent(before: LogEntry, after: LogEntry, station: str) -> float:
    """The change of a station between two visits in degrees, whether or not it is certain; 0 when not measured."""
    a, b = before.angles_deg[station], after.angles_deg[station]
    return 0.0 if a is None or b is None else b - a


def _other_changes(before: LogEntry, after: LogEntry, station: str) -> list[str]:
    """The other stations that were changed between two visits, to which a result may be due just as well.

    The middle moves with the ends between which it lies, so that it counts for one only when neither end changed. A
    change that is lost in its uncertainty counts too, where it is not small beside the station's own: nobody can say
    that it was not made.
    """
    own = abs(_apparent(before, after, station))
    changed = [
        s
        for s in STATIONS
        if s != station
        and (_step(before, after, s) or abs(_apparent(before, after, s)) > max(SMALLEST_STEP_DEG, own * NOT_SMALL))
    ]
    ends = [s for s in changed if s != "middle"]
    return ends if ends or station != "middle" else changed


def _bounds(log: Sequence[LogEntry], station: str) -> tuple[float, float]:
    """The open interval in which the log lets the best angle lie, taking it that there is one best angle.

    A step up that made things better: above where it began. One that made them worse: below where it ended. A symptom
    that points one way at an angle: on that side of it. The latest word wins where they contradict each other.
    """
    low, high = -math.inf, math.inf

    def bound(angle_deg: float, above: bool) -> None:
        nonlocal low, high
        if above:
            low, high = max(low, angle_deg), high if high > angle_deg else math.inf
        else:
            low, high = low if low < angle_deg else -math.inf, min(high, angle_deg)

    for before, now in zip([None, *log], log, strict=False):
        angle = now.angles_deg[station]
        if angle is None:
            continue
        for symptom in now.noticed:
            if _acts_on(symptom, station) and (wish := _wish(symptom, now)):
                bound(angle, above=wish > 0)
        step = _step(before, now, station) if before and not _other_changes(before, now, station) else None
        if step and now.result == "better":
            bound(angle - step, above=step > 0)
        elif step and now.result == "worse":
            bound(angle, above=step < 0)
    return low, high


def _change(
    record: Record, station: str, wish: int, named: Sequence[str], log: Sequence[LogEntry]
) -> tuple[StationChange | None, str | None]:
    """The change of a station for symptoms that point the same way, or a remark why there is none."""
    entry = log[-1]
    now = entry.angles_deg[station]
    why = f"{', '.join(SYMPTOMS[symptom].meaning for symptom in named)}: {_way(wish)} {station} ({BASIS})"
    least, most = FIRST_STEP_DEG, LARGEST_STEP_DEG
    step = _step(log[-2], entry, station) if len(log) > 1 else None
    if step and entry.result and (others := _other_changes(log[-2], entry, station)):
        word = "changed" if all(_step(log[-2], entry, s) for s in others) else "may have changed"
        why += f"; the {' and '.join(others)} {word} as well since the last visit, so that what came of it cannot be"
        why += f" put down to the {station}"
        step = None
    if step and entry.result == "same":
        why += f"; the last step of {step:+.1f} deg was not felt, so look again at what else it could be"
    if step and entry.result == "worse" and step * wish > 0:
        wish = -wish
        least, most = abs(step) / 2, abs(step)
        why = f"the last step of {step:+.1f} deg made it worse: half of it to all of it back"
    elif now is not None:
        if step and entry.result == "better" and step * wish > 0:
            most = max(abs(step), FIRST_STEP_DEG)
            why += f"; the last step of {step:+.1f} deg made it better, so further the same way"
        if not any(SYMPTOMS[symptom].direction for symptom in named) and (gap := _gap_to_even(entry)):
            least, most = min(least, abs(gap[0])), min(most, abs(gap[0]))
            why += f"; halfway between entry and exit would be {now + gap[0]:.1f} deg"
        low, high = _bounds(log, station)
        room = high - now if wish > 0 else now - low
        if room < 2 * SMALLEST_STEP_DEG:
            return None, f"The log has the best {station} angle within {room:.1f} deg of the present one: leave it."
        if math.isfinite(room):
            least, most = min(least, room / 4), min(most, room * 3 / 4)
            why += f"; what was tried before says: not beyond {now + wish * room:.1f} deg"
    most = min(most, LARGEST_STEP_DEG)
    least = max(min(least, most / 2), SMALLEST_STEP_DEG)
    mean = record.mean(station)
    wanted = None if now is None else (now + min(wish * least, wish * most), now + max(wish * least, wish * most))
    u = entry.standard_uncertainty_deg[station]
    if u is not None and 2 * math.sqrt(2) * u > least:
        why += f"; photographs like these tell changes above {2 * math.sqrt(2) * u:.1f} deg only, oblique ones less"
    expanded = None if mean is None else mean.expanded_uncertainty_deg
    return StationChange(station, now, expanded, _way(wish), least, most, wanted, why), None


def _way(direction: int) -> str:
    return "steeper" if direction > 0 else "shallower"


def _uneven_blades(record: Record) -> list[str]:
    """Stations at which the blades differ by more than their uncertainty and more than is usual."""
    found = []
    for station in STATIONS:
        spread = record.rotor.spread_deg.at(station)
        if not spread:
            continue
        apart, u = spread.value, spread.expanded_uncertainty
        words = f"{apart:.2f} ± {u:.2f} deg apart at the {station}"
        if apart - u > UNEVEN_BLADES_DEG:
            found.append(f"Uneven blades, {words}: make them alike first.")
        elif apart > max(UNEVEN_BLADES_DEG, u):
            found.append(f"Perhaps uneven blades, {words}: photographs from the side would tell.")
    return found


def _levers(changes: Sequence[StationChange]) -> tuple[Lever, ...]:
    """The other levers; the shim is offered in millimetres when all changes go the same way."""
    shim = "0.5 to 1 mm at a time; 7 to 8 mm from blade to stator is usual."
    ways = {change.direction for change in changes}
    if len(ways) == 1:
        least = min(change.least_deg for change in changes) / DEG_PER_SHIM_MM
        most = max(change.most_deg for change in changes) / DEG_PER_SHIM_MM
        shim += f" About {least:.1f} to {most:.1f} mm would stand for this, over the whole blade."
    elif ways:
        shim += " It moves the whole blade one way, so it cannot stand for changes that go both ways."
    return (
        Lever(
            "distance to the stator (shim)",
            "1 mm is like about one degree over the whole blade; which way, the maker's manual or a small trial says.",
            shim,
        ),
        Lever("cone", "Acts on the whole blade; no figure in degrees is agreed.", "One size at a time."),
        Lever(
            "nozzles",
            "Act on the load of the whole blade; no figure in degrees is agreed.",
            "Steering nozzle 3 to 5 mm larger than the reduction nozzle.",
        ),
    )


# --- log -------------------------------------------------------------------------------------------------------------


def read_log(path: str | PathLike[str], rotor: str | None = None) -> tuple[LogEntry, ...]:
    """Entries of a log, oldest first, of one rotor or of all; none when there is no file yet.

    Raises
    ------
    RecordError : the log cannot be read, or a line of it is not an entry (named by its number).
    """
    entries = tuple(_entry(line, number, Path(path)) for number, line in enumerate(_lines(Path(path)), start=1))
    return tuple(entry for entry in entries if rotor is None or entry.rotor == rotor)


def append_log(path: str | PathLike[str], entry: LogEntry) -> None:
    """Add an entry to a log, made if missing; the file is replaced as a whole, so it has the entry or has it not.

    Not covered: two programs that append to the same log at the same moment; one of the entries is lost.

    Raises
    ------
    RecordError : the log there is cannot be read; it is left as it is.
    OutputError : it cannot be written.
    """
    read_log(path)
    line = json.dumps({"schema": LOG_SCHEMA, **asdict(entry)}, ensure_ascii=False, allow_nan=False)
    text = "".join(f"{each}\n" for each in (*_lines(Path(path)), line))
    write_bytes_atomic(path, text.encode("utf-8", "backslashreplace"))  # lone surrogates, as JSON escapes them


def _lines(path: Path) -> list[str]:
    if not os.path.lexists(path):
        return []
    return [line for line in inputs.read_text(path, inputs.LOG).split("\n") if line.strip()]


_Angle = Annotated[float, msgspec.Meta(ge=-90.0, le=90.0)] | None
_Line = Annotated[str, msgspec.Meta(max_length=MOST_LETTERS)]


class AnglesFile(File, frozen=True):
    """A number of each station as the log has them; None: not measured."""

    entry: _Angle
    middle: _Angle
    exit: _Angle


class EntryFile(File, frozen=True):
    """One line of a log."""

    schema: Literal["bladeangle-tuning-log/1"]
    rotor: _Line
    time: _Line
    noticed: list[str]
    angles_deg: AnglesFile
    standard_uncertainty_deg: AnglesFile
    result: str | None
    note: Annotated[str, msgspec.Meta(max_length=MOST_NOTE)]


def _entry(line: str, number: int, path: Path) -> LogEntry:
    """One line of a log."""
    source = f"Line {number} of the log {safe_name(path.name)!r}"
    data = inputs.parse_json(line, inputs.LOG, source)
    try:
        found = read_as(data, EntryFile)
        if not set(found.noticed) <= set(SYMPTOMS):
            raise ValueError("has an unknown symptom")
        if found.result not in (None, *RESULTS):
            raise ValueError("has an unknown result")
    except ValueError as error:
        raise RecordError(f"{source} is not an entry: it {safe_name(str(error))}.", inputs.LOG.hint) from error
    angles, uncertainties = (msgspec.structs.asdict(a) for a in (found.angles_deg, found.standard_uncertainty_deg))
    noticed = tuple(found.noticed)
    return LogEntry(found.rotor, found.time, noticed, angles, uncertainties, found.result, found.note)
