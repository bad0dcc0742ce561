"""Record -> its columns in the inventory; rows that queries bring -> structures."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from bladeangle.base.budget import STATIONS, blade_and_station, propagate
from bladeangle.base.gauge import GaugeStudy
from bladeangle.records.record import LARGEST_NUMBER, Record

#: Columns by which rotors are compared, in the order of `Wanted`.
#: Columns, or parameters of a query, and their values.
Columns = dict[str, str | float | None]
MEASURES = ("entry_deg", "middle_deg", "exit_deg", "hub_mm")


@dataclass(frozen=True)
class Wanted:
    """The rotor looked for; what is None does not matter. `scale_deg` and `scale_mm` off count alike, as one."""

    entry_deg: float | None = None
    middle_deg: float | None = None
    exit_deg: float | None = None
    hub_mm: float | None = None
    blade_count: int | None = None
    hand: str | None = None
    scale_deg: float = 0.5
    scale_mm: float = 1.0

    def terms(self) -> dict[str, tuple[float, float]]:
        """Column -> wanted value and scale."""
        scales = dict(zip(MEASURES, [self.scale_deg] * 3 + [self.scale_mm], strict=True))
        return {m: (getattr(self, m), scales[m]) for m in MEASURES if getattr(self, m) is not None}


@dataclass(frozen=True)
class ShelfRow:
    """One record as it stands in a list; angles are means over blades, `_u` are standard uncertainties.

    wear at the leading ends, the mean over blades, None where photographs do not tell it; clearance : the smallest.

    distance, distance_u : from the wanted rotor, None when none was wanted.
    """

    rotor: str
    created: str
    blade_count: int
    hand: str
    entry_deg: float | None
    entry_u: float | None
    middle_deg: float | None
    middle_u: float | None
    exit_deg: float | None
    exit_u: float | None
    hub_mm: float | None
    hub_u: float | None
    tip_mm: float | None
    tip_u: float | None
    wear_mm: float | None
    wear_u: float | None
    clearance_mm: float | None
    clearance_u: float | None
    appraiser: str
    flags: int
    distance: float | None = None
    distance_u: float | None = None


@dataclass(frozen=True)
class CouldTell:
    """How many angles were compared with the median of their rotor, and for how many a difference of the size asked
    for would not have shown; typical_deg : the difference that shows, median over the angles."""

    angles: int
    unclear: int
    typical_deg: float


@dataclass(frozen=True)
class Bounded:
    """A rotor whose wear or smallest clearance may lie beyond a bound.

    probability : that it does, of a normal distribution. sure : "yes" from 0.975, else "perhaps".
    """

    rotor: str
    created: str
    quantity: str
    value_mm: float
    u_mm: float
    probability: float
    sure: str


@dataclass(frozen=True)
class OutOfLine:
    """A blade that differs from the median of the rotor's blades at a station.

    out_deg, out_u_deg : the difference and its standard uncertainty, from the covariance of the angles.
    ratio : the difference in standard uncertainties, without sign.
    """

    rotor: str
    created: str
    blade: int
    station: str
    angle_deg: float
    u_deg: float
    out_deg: float
    out_u_deg: float
    ratio: float


@dataclass(frozen=True)
class Failure:
    """A rotor that could not be measured; `key` is None when its photographs could not even be read."""

    rotor: str
    key: str | None
    exit_code: int
    message: str
    hint: str


@dataclass(frozen=True)
class RepeatStudy:
    """Repeatability and reproducibility of repeated records: parts are stations of blades, appraisers are cameras.

    studies : "all" and each station -> its study, deg; a station with fewer than two parts is left out.
    records : how many records of each rotor and camera were used, the newest ones.
    """

    rotors: tuple[str, ...]
    appraisers: tuple[str, ...]
    records: int
    studies: dict[str, GaugeStudy]


#: Kinds of columns by letter: types, and whether null stands for what is not known.
KINDS: dict[str, tuple[tuple[type, ...], bool]] = {
    "t": ((str,), False),
    "T": ((str,), True),
    "j": ((str,), False),  # a record, which is checked by its own reader
    "c": ((str,), False),  # 3 x 3 covariance as JSON
    "i": ((int,), False),
    "f": ((int, float), False),
    "F": ((int, float), True),
    "b": ((bytes,), True),
}
LONGEST_TEXT = 10_000


def check_row(kinds: str, row: tuple[Any, ...]) -> None:
    """ValueError when a column of a row is not what its letter in `KINDS` says: SQLite keeps any type in any column."""
    for kind, value in zip(kinds, row, strict=True):
        types, null = KINDS[kind]
        if value is None and null:
            continue
        if type(value) not in types:
            raise ValueError(f"a value is of another kind than its column ({type(value).__name__})")
        if isinstance(value, int | float) and not abs(value) <= LARGEST_NUMBER:
            raise ValueError("a number is not finite or far too large")
        if kind in "tTc" and len(value) > LONGEST_TEXT:
            raise ValueError("a text is far too long")
        if kind == "c":
            try:
                matrix = np.array(json.loads(value), float)
            except (ValueError, TypeError, RecursionError):
                matrix = np.zeros(0)
            if matrix.shape != (3, 3) or not np.isfinite(matrix).all():
                raise ValueError("the covariance of the means is none")


# --- columns ---------------------------------------------------------------------------------------------------------


def blade_lines(record: Record) -> list[tuple[int, str, float, float, float | None, float | None, float | None]]:
    """Blade, station, angle, its u, the difference from the rotor's median there, its u, and their ratio.

    The median, since a mean would make the good blades differ as well. The difference's u is to first order, for the
    one or two blades that make the median, from the covariance of the angles; errors that the blades share cancel. All
    three are None where no other blade is seen, the ratio also where the u is 0, as it is of the median blade itself.
    """
    labels, values, covariance = record.angles()
    places = [blade_and_station(label) for label in labels]
    lines = []
    for i, (blade, station) in enumerate(places):
        there = sorted((j for j, place in enumerate(places) if place[1] == station), key=lambda j: values[j])
        out = out_u = ratio = None
        if len(there) > 1:
            w = np.zeros((1, len(labels)))
            w[0, i] = 1.0
            for middle in (there[(len(there) - 1) // 2], there[len(there) // 2]):
                w[0, middle] -= 0.5
            y, v = propagate(values, covariance, w)
            out, out_u = float(y[0]), math.sqrt(max(float(v[0, 0]), 0.0))
            ratio = abs(out) / out_u if out_u > 0 else None
        lines.append((blade, station, float(values[i]), math.sqrt(max(covariance[i, i], 0.0)), out, out_u, ratio))
    return lines


def columns_of(record: Record) -> Columns:
    """The columns of `records` that are the record's own."""
    content = record.content
    row: Columns = {"created": content.created, "appraiser": content.camera.name}
    row |= {"blade_count": record.blade_count, "hand": record.rotor.hand, "flags": len(content.flags)}
    for station in STATIONS:
        mean = record.mean(station)
        row[f"{station}_deg"] = None if mean is None else mean.angle_deg
        row[f"{station}_u"] = None if mean is None else mean.standard_uncertainty_deg
    for name in ("hub", "tip"):
        row[f"{name}_mm"], row[f"{name}_u"] = record.quantity(f"{name}_diameter_mm") or (None, None)
    row["wear_mm"], row["wear_u"] = record.tip("leading_wear_mm") or (None, None)
    row["clearance_mm"], row["clearance_u"] = record.clearance("smallest") or (None, None)
    labels, _, covariance = record.angles()
    w = np.array([[label.endswith(f".{s}") for label in labels] for s in STATIONS], float).reshape(3, len(labels))
    w /= np.maximum(w.sum(1, keepdims=True), 1)
    row["means_covariance"] = json.dumps((w @ covariance @ w.T).tolist())
    return row


# --- distance --------------------------------------------------------------------------------------------------------


def distance_sql(wanted: Wanted) -> tuple[str, str, Columns]:
    """SQL of the squared distance and of the condition, and the values of their parameters."""
    terms = wanted.terms()
    square = " + ".join(f"(({m} - :{m}) / :{m}_scale) * (({m} - :{m}) / :{m}_scale)" for m in terms)
    values: Columns = {}
    for m, (value, scale) in terms.items():
        values |= {m: value, f"{m}_scale": scale}
    conditions = ["newest = 1", *(f"{m} IS NOT NULL" for m in terms)]
    for column in ("blade_count", "hand"):
        if (asked := getattr(wanted, column)) is not None:
            conditions.append(f"{column} = :{column}")
            values[column] = asked
    return square, " AND ".join(conditions), values


def with_distance(row: tuple[Any, ...], wanted: Wanted) -> ShelfRow:
    """The row with its distance from the wanted rotor and the distance's standard uncertainty.

    At no distance at all the direction, and with it the uncertainty to first order, is not defined: the largest of all
    directions is given.
    """
    plain = ShelfRow(*row[:-1])
    terms = wanted.terms()
    z = np.array([(getattr(plain, m) - value) / scale for m, (value, scale) in terms.items()])
    v = np.zeros((4, 4))
    v[:3, :3] = json.loads(row[-1])
    v[3, 3] = (plain.hub_u or 0.0) ** 2
    chosen = [MEASURES.index(m) for m in terms]
    scales = np.array([scale for _, scale in terms.values()])
    v = v[np.ix_(chosen, chosen)] / np.outer(scales, scales)
    distance = float(np.linalg.norm(z))
    variance = float(z @ v @ z) / distance**2 if distance > 1e-9 else float(np.linalg.eigvalsh(v)[-1])
    return replace(plain, distance=distance, distance_u=math.sqrt(max(variance, 0.0)))
