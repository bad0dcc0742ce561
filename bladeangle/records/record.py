"""The measurement record: JSON <-> Record, checked against the published JSON Schema.

`Record.content` is what a record holds, as structures. The plain data of its file is kept beside it, since a record is
written with all that was read, also with keys of a newer version. Nothing that is not finite gets in or out.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from importlib import resources
from os import PathLike
from typing import Any

import msgspec
import numpy as np
from numpy.typing import NDArray

from bladeangle.base import inputs
from bladeangle.base.budget import STATIONS, Budget, blade_and_station, coverage_factor
from bladeangle.base.errors import RecordError
from bladeangle.base.files import safe_name, write_text_atomic
from bladeangle.base.flags import REGISTRY
from bladeangle.base.structure import Plain, plain
from bladeangle.records.content import (
    AtStations,
    Blade,
    BladeTip,
    BudgetLine,
    Content,
    Face,
    Quantity,
    Rotor,
    Station,
    TipQuantity,
    Tips,
)

Array = NDArray[np.float64]

SCHEMA = "bladeangle-record/1"
#: No quantity of ours comes near; larger ones would overflow somewhere downstream.
LARGEST_NUMBER = 1e15
#: By so much of itself may an uncertainty differ from what it follows from.
SLACK = 0.01

_HINT = inputs.RECORD.hint


@dataclass(frozen=True)
class Record:
    """A checked record; `data` is its plain JSON content, from which it is written, and is not to be changed."""

    data: Plain

    @cached_property
    def content(self) -> Content:
        """What it holds, as structures; converted when first asked for."""
        return msgspec.convert(self.data, Content)

    @property
    def name(self) -> str:
        """The rotor's name."""
        return self.content.name

    @property
    def rotor(self) -> Rotor:
        """What is said of all blades together."""
        return self.content.rotor

    @property
    def blade_count(self) -> int:
        """Number of blades."""
        return self.rotor.blade_count

    def blade(self, number: int) -> Blade:
        """One blade; KeyError when there is no such blade."""
        if not 1 <= number <= self.blade_count:
            raise KeyError(f"blade {number}")
        return self.content.blades[number - 1]

    def station(self, blade: int, station: str) -> Station | None:
        """A blade's station, None when it was not seen; KeyError when there is no such blade or station."""
        return self.blade(blade).stations.at(station)

    def mean(self, station: str) -> Station | None:
        """The mean over the blades seen at a station."""
        return self.rotor.stations.at(station)

    def quantity(self, name: str) -> tuple[float, float] | None:
        """Value and standard uncertainty of one of the rotor's quantities, such as "tip_diameter_mm"; None: not
        known."""
        found: Quantity | None = getattr(self.rotor, name)
        return None if found is None else found.pair

    def tip(self, name: str, blade: int | None = None) -> tuple[float, float] | None:
        """Value and standard uncertainty, mm, of what photographs tell of the tips, such as "leading_wear_mm".

        Of the mean over blades, or of one blade. None: not known, or not seen, so that it is only what is usual.
        """
        found: TipQuantity | None = getattr(self._tips(blade), name, None)
        return None if found is None or not found.seen else found.pair

    def clearance(self, which: str, blade: int | None = None) -> tuple[float, float] | None:
        """The "smallest" or "mean" clearance of all blades or of one and its standard uncertainty, mm; None: no bore
        was given."""
        tips = self._tips(blade)
        if tips is None or tips.clearance_mm is None:
            return None
        found: Quantity = getattr(tips.clearance_mm, which)
        return found.pair

    def _tips(self, blade: int | None) -> Tips | BladeTip | None:
        return self.rotor.tips if blade is None else self.blade(blade).tip

    def angles(self) -> tuple[tuple[str, ...], Array, Array]:
        """Labels ("1.entry", ...), angles (n,) in deg and their covariance (n, n) in deg^2, of the stations seen."""
        labels = tuple(self.content.covariance.labels)
        seen = [self.station(*blade_and_station(label)) for label in labels]
        values = [found.angle_deg for found in seen if found is not None]  # all of them, as was checked
        matrix = np.array(self.content.covariance.matrix_deg2, float).reshape(len(labels), len(labels))
        return labels, np.array(values, float), matrix

    def why_not_seen(self, blade: int, station: str) -> str:
        """Why a blade's station is null."""
        return self.blade(blade).not_seen.get(station, "not seen")


# --- making ----------------------------------------------------------------------------------------------------------


def quantity(value: float, standard_uncertainty: float, dof: float = math.inf) -> Quantity:
    """A quantity of the record with its 95 % expanded uncertainty; `dof` infinite becomes None."""
    k = coverage_factor(dof)
    u = float(standard_uncertainty)
    return Quantity(float(value), u, float(k * u), k, None if math.isinf(dof) else float(dof))


def station_result(
    angle_deg: float, standard_uncertainty_deg: float, sees: Sequence[Face], dof: float = math.inf
) -> Station:
    """A station of the record; `sees` names the faces whose edges were followed."""
    q = quantity(angle_deg, standard_uncertainty_deg, dof)
    return Station(q.value, q.standard_uncertainty, q.expanded_uncertainty, q.coverage_factor, q.dof, list(sees))


def budget_lines(budget: Budget) -> list[BudgetLine]:
    """The budget as the record keeps it.

    A line's `stations` are its contributions to a single blade's angle (root mean square over the blades), `mean` those
    to the mean over blades, `deg` those to each angle in the order of the labels; None where nothing is seen.
    """
    weights = [budget.mean_weights(s) for s in STATIONS]
    lines = []
    for line in budget.lines:
        variance = np.diag(line.covariance_deg2)
        single = [None if w is None else math.sqrt(max(float(w @ variance), 0.0)) for w in weights]
        mean = [None if w is None else math.sqrt(max(float(w @ line.covariance_deg2 @ w), 0.0)) for w in weights]
        shared = None if line.effects_deg is None else line.shared
        lines.append(
            BudgetLine(
                line=line.name,
                kind=line.kind,
                stations=AtStations(*single),
                mean=AtStations(*mean),
                dof=None if math.isinf(line.dof) else float(line.dof),
                deg=[math.sqrt(max(float(v), 0.0)) for v in variance],
                shared=shared,
                effects_deg=None if shared is None or line.effects_deg is None else line.effects_deg.tolist(),
            )
        )
    return lines


def record_of_content(content: Content) -> Record:
    """Record from what it holds; RecordError as `record_from_dict`."""
    return record_from_dict(plain(content))


def record_from_dict(data: Mapping[str, Any], source: str = "The record") -> Record:
    """Record from content of any known version; NumPy numbers and arrays and tuples become plain.

    Raises
    ------
    RecordError : unknown version, unknown top-level keys, anything missing, malformed, not finite or contradictory.
    """
    found = _plain(data, source)
    if not isinstance(found, dict) or not isinstance(found.get("schema"), str):
        raise RecordError(f"{source} is not a bladeangle record.", _HINT)
    reader = READERS.get(found["schema"])
    if reader is None:
        known = ", ".join(READERS)
        raise RecordError(
            f"{source} has the version {safe_name(found['schema'][:60])!r}, which is not one of: {known}.",
            "A newer bladeangle may have written it: update, or measure again.",
        )
    found = reader(found)
    _check_schema(found, source)
    record = Record(found)
    try:
        _ = record.content
    except msgspec.ValidationError as error:  # of options, to which the schema leaves room
        raise RecordError(f"{source} is not valid: {safe_name(str(error)[:160])}.", _HINT) from error
    _check_consistency(record.content, source)
    return record


def _read_1(data: Plain) -> Plain:
    """Version 1 is the present one."""
    return data


#: Every version that can be read, with the function that brings its content to the present version.
READERS: dict[str, Callable[[Plain], Plain]] = {"bladeangle-record/1": _read_1}


def _plain(value: Any, source: str) -> Any:
    """Plain JSON types only; lone surrogates, which no file can hold, become backslash escapes."""
    kind = type(value)
    if kind is float or kind is int:
        if not -LARGEST_NUMBER <= value <= LARGEST_NUMBER:  # also NaN
            raise RecordError(f"{source} has a number that is not finite or far too large.", _HINT)
        return value
    if kind is list:
        return [_plain(v, source) for v in value]
    if value is None or kind is bool:
        return value
    if isinstance(value, str):
        return value if value.isascii() else value.encode("utf-8", "backslashreplace").decode("utf-8")
    if isinstance(value, Mapping):
        return {str(_plain(str(k), source)): _plain(v, source) for k, v in value.items()}
    if isinstance(value, np.ndarray | np.generic):
        return _plain(value.tolist(), source)
    if isinstance(value, tuple):
        return [_plain(v, source) for v in value]
    raise RecordError(f"{source} has a value of the type {kind.__name__}, which JSON cannot hold.", _HINT)


# --- checking --------------------------------------------------------------------------------------------------------


def schema(name: str = "record") -> dict[str, Any]:
    """The published JSON Schema (2020-12) of "record", "camera" or "ring"."""
    text = (resources.files("bladeangle.records") / "schema" / f"bladeangle-{name}-1.json").read_text(encoding="utf-8")
    found: dict[str, Any] = json.loads(text)
    return found


@lru_cache(maxsize=4)
def validator(name: str = "record") -> Any:
    """A `jsonschema_rs` validator for one of our schemas; imported late since only records need it."""
    from jsonschema_rs import Draft202012Validator, Registry

    parts = [schema(n) for n in ("camera", "ring")]
    return Draft202012Validator(schema(name), registry=Registry([(p["$id"], p) for p in parts]))


def _check_schema(data: Plain, source: str) -> None:
    if not validator().is_valid(data):
        # a sentence about a value holds all of it, so that it must not be a large one
        shortened = _shortened(data)
        error = next(validator().iter_errors(shortened), None) or next(validator().iter_errors(data))
        error = _innermost(error)
        place = ".".join(str(p) for p in error.instance_path) or "the record"
        reason = error.message if len(error.message) < 160 else f"does not satisfy {error.kind.name!r}"
        raise RecordError(f"{source} is not valid: {safe_name(place[:120])}: {safe_name(reason)}.", _HINT)


def _shortened(value: Any, most: int = 1000) -> Any:
    """The value with the lists in it cut to so many entries."""
    if isinstance(value, dict):
        return {k: _shortened(v) for k, v in value.items()}
    return [_shortened(v) for v in value[:most]] if isinstance(value, list) else value


def _innermost(error: Any) -> Any:
    """Of alternatives that all fail, what is wrong with the one that comes nearest: whose fault lies deepest.

    One of another type altogether is the farthest.
    """
    while context := getattr(error.kind, "context", None):
        place = error.instance_path
        faults = [e for branch in context for e in branch if e.kind.name != "type" or e.instance_path != place]
        if not faults:
            break
        error = max(faults, key=lambda e: len(e.instance_path))
    return error


def _check_consistency(content: Content, source: str) -> None:
    """What a schema cannot say: parts that must agree with each other."""

    def insist(condition: bool, what: str) -> None:
        if not condition:
            raise RecordError(f"{source} contradicts itself: {what}.", _HINT)

    blades = content.blades
    numbered = [b.number for b in blades] == list(range(1, content.rotor.blade_count + 1))
    insist(numbered, "the blades are not numbered 1 to blade_count")
    seen = [f"{b.number}.{s}" for b in blades for s in STATIONS if b.stations.at(s) is not None]
    insist(content.covariance.labels == seen, "the covariance is not labelled by the stations seen, in order")
    rows = content.covariance.matrix_deg2
    insist(len(rows) == len(seen) and all(len(r) == len(seen) for r in rows), "the covariance does not fit its labels")
    matrix = np.array(rows, float).reshape(len(seen), len(seen))
    largest = float(np.abs(matrix).max(initial=0.0))
    insist(bool(np.allclose(matrix, matrix.T, rtol=1e-6, atol=1e-9 * largest)), "the covariance is not symmetric")
    if len(seen):
        insist(bool(np.linalg.eigvalsh(matrix)[0] >= -1e-6 * largest), "the covariance has a negative variance")
    _check_sums(content, seen, matrix, insist)
    for b in blades:
        for name, part in (("curve", b.curve), ("points", b.points), ("tip", b.tip)):
            values = () if part is None else msgspec.structs.astuple(part)
            lengths = {len(column) for column in values if isinstance(column, list)}
            insist(len(lengths) <= 1, f"blade {b.number}'s {name} has unequal columns")
    for photo in content.photos:
        whole = all(len(t.kept) == len(t.px) for t in photo.traces)
        insist(whole, f"a trace of {photo.name[:60]!r} does not have one 0 or 1 for each point")
    for line in content.budget:
        per_angle = [*([] if line.deg is None else [line.deg]), *(line.effects_deg or ())]
        fits = all(len(e) == len(seen) for e in per_angle)
        insist(fits, f"the budget line {line.line[:60]!r} does not fit the angles")
    for flag in content.flags:
        insist(flag.code in REGISTRY, f"{flag.code[:60]!r} is not a registered flag")


def _check_sums(content: Content, seen: list[str], matrix: Array, insist: Callable[[bool, str], None]) -> None:
    """Angles, means, spreads and uncertainties that follow from each other; `SLACK` is for rounding alone."""

    def uncertain(found: Station, variance: float, what: str) -> None:
        u = math.sqrt(max(variance, 0.0))
        fits = abs(found.standard_uncertainty_deg - u) <= SLACK * u + 1e-6
        insist(fits, f"the uncertainty of {what} is not that of the covariance")
        expanded(found.expanded_uncertainty_deg, found.coverage_factor * found.standard_uncertainty_deg, what)

    def expanded(stated: float, wide: float, what: str) -> None:
        fits = abs(stated - wide) <= SLACK * wide + 1e-6
        insist(fits, f"the expanded uncertainty of {what} is not its coverage factor times the standard one")

    def quantity_fits(found: Quantity, what: str) -> None:
        expanded(found.expanded_uncertainty, found.coverage_factor * found.standard_uncertainty, what)

    stations = {f"{b.number}.{s}": found for b in content.blades for s in STATIONS if (found := b.stations.at(s))}
    for k, label in enumerate(seen):
        uncertain(stations[label], float(matrix[k, k]), label)
    for station in STATIONS:
        here = [k for k, label in enumerate(seen) if label.endswith(f".{station}")]
        angles = [stations[seen[k]].angle_deg for k in here]
        mean, spread = content.rotor.stations.at(station), content.rotor.spread_deg.at(station)
        insist((mean is None) == (not here), f"the mean at the {station} does not fit the blades seen there")
        if mean is not None:
            off = abs(mean.angle_deg - sum(angles) / len(angles))
            insist(off <= 1e-4, f"the mean at the {station} is not that of the blades")
            uncertain(mean, float(matrix[np.ix_(here, here)].mean()), f"the mean at the {station}")
        if spread is not None:
            insist(len(here) > 1, f"there is a spread at the {station} of fewer than two blades")
            insist(abs(spread.value - (max(angles) - min(angles))) <= 1e-4, f"the spread at the {station} is wrong")
            quantity_fits(spread, f"the spread at the {station}")
    for key, found in zip(Rotor.__struct_encode_fields__, msgspec.structs.astuple(content.rotor), strict=True):
        if isinstance(found, Quantity):
            quantity_fits(found, key)


# --- reading and writing ---------------------------------------------------------------------------------------------


def _compact(value: Any) -> bool:
    """Whether a list is written on one line: lists of numbers, of whatever depth."""
    while isinstance(value, list) and value:
        value = value[0]
    return not isinstance(value, dict)


def _format(value: Any, indent: str) -> str:
    """JSON with sorted keys; objects and lists of objects indented, lists of numbers on one line."""
    if isinstance(value, dict) and value:
        inner = indent + " "
        parts = [f"{inner}{json.dumps(k, ensure_ascii=False)}: {_format(value[k], inner)}" for k in sorted(value)]
        return "{\n" + ",\n".join(parts) + f"\n{indent}}}"
    if isinstance(value, list) and not _compact(value):
        inner = indent + " "
        return "[\n" + ",\n".join(inner + _format(v, inner) for v in value) + f"\n{indent}]"
    return json.dumps(value, ensure_ascii=False, allow_nan=False, sort_keys=True)


def record_to_json(record: Record) -> str:
    """The record as text: equal content gives equal text. Top-level keys in the documented order, others sorted.

    Raises
    ------
    RecordError : the record holds something that is not finite or not JSON.
    """
    order = list(schema()["properties"])
    data = record.data
    keys = sorted(data, key=lambda k: (order.index(k) if k in order else len(order), k))
    try:
        parts = [f" {json.dumps(k)}: {_format(data[k], ' ')}" for k in keys]
    except (ValueError, TypeError) as e:
        raise RecordError(f"The record cannot be written as JSON: {safe_name(str(e)[:120])}.", _HINT) from e
    return "{\n" + ",\n".join(parts) + "\n}\n"


def write_record(record: Record, path: str | PathLike[str]) -> None:
    """Write the record, which was checked when it was made, atomically; OutputError when it cannot be written, errors
    of `record_to_json`."""
    write_text_atomic(path, record_to_json(record))


def read_record(path: str | PathLike[str]) -> Record:
    """Read a record of any known version; RecordError (exit 8) when it is missing or wrong in any way."""
    return record_from_dict(inputs.read_json(path, inputs.RECORD), inputs.shown_as(path, inputs.RECORD))
