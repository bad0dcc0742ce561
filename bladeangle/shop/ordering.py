"""Record + wanted angles or changes -> order; and what speaks against it: doubts, and tolerances that are too fine."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence

from bladeangle.base.budget import STATIONS
from bladeangle.base.errors import UsageError
from bladeangle.base.files import safe_name
from bladeangle.base.flags import doubts_about
from bladeangle.records.record import Record
from bladeangle.shop.decision import decision_limits
from bladeangle.shop.orders import DEFAULT_FALSE_ACCEPT, LARGEST_CHANGE_DEG, MOST_DEG, Order, StationOrder


def order_from_record(
    record: Record,
    changes: Mapping[str, float],
    *,
    angles: Mapping[str, float] | None = None,
    tolerance_deg: float = 0.5,
    spread_tolerance_deg: float | None = None,
    name: str | None = None,
    date: str | None = None,
    notes: str = "",
    rule: str = "iso14253",
    false_accept_probability: float = DEFAULT_FALSE_ACCEPT,
    despite: Sequence[str] = (),
) -> Order:
    """An order for a measured rotor with some stations changed.

    Entry and exit are ordered to stay as measured unless they are changed; the middle, which follows its ends, is
    ordered only when it is named. Every blade is ordered to the same angle.

    Parameters
    ----------
    changes : what to add to the mean over blades at a station, deg; angles : the wanted angle itself, deg.
    despite : codes of the doubts in the record that were looked at; an order is not made from others.

    Raises
    ------
    UsageError : a change at a station that the record has not seen, one too large to be a change, nothing to order, or
        a doubt about a station that is ordered.
    DefinitionError : an angle or tolerance out of range.
    """
    angles = angles or {}
    named = [*changes, *angles]
    if not all(math.isfinite(v) for v in (*changes.values(), *angles.values())):
        raise UsageError("An angle or change must be a number of degrees.", "Give for example -1 or 0.5.")
    if unknown := set(named) - set(STATIONS):
        raise UsageError(f"{safe_name(min(unknown))!r} is not a station.", f"Stations are {', '.join(STATIONS)}.")
    if twice := set(changes) & set(angles):
        raise UsageError(f"The {min(twice)} is ordered twice, as an angle and as a change.", "Give one of them.")
    stations = {}
    for station in STATIONS:
        mean = record.mean(station)
        if mean is None:
            if station in named:
                raise UsageError(
                    f"The record has no {station} angle, so a change of it cannot be ordered.",
                    "Measure again with photographs that show it.",
                )
        elif station in named or station != "middle":
            measured = round(mean.angle_deg, 2)
            wanted = round(angles[station] if station in angles else measured + changes.get(station, 0.0), 2)
            _believe(station, measured, wanted, station in angles)
            stations[station] = StationOrder(wanted, float(tolerance_deg), measured)
    if not stations:
        raise UsageError("The record has neither entry nor exit, so nothing can be ordered.", "Measure again.")
    accepted = _accept_doubts(record, stations, despite)

    def rounded(key: str) -> float | None:
        found = record.quantity(key)
        return None if found is None else round(found[0], 1)

    return Order(
        name=record.name if name is None else name,
        stations=stations,
        spread_tolerance_deg=float(tolerance_deg if spread_tolerance_deg is None else spread_tolerance_deg),
        hub_diameter_mm=rounded("hub_diameter_mm"),
        tip_diameter_mm=rounded("tip_diameter_mm"),
        hand=record.rotor.hand,
        blade_count=record.blade_count,
        thickness_mm=rounded("tip_thickness_mm"),
        date=date,
        notes=notes,
        rule=rule,
        false_accept_probability=false_accept_probability,
        accepted_doubts=accepted,
    )


def _believe(station: str, measured: float, wanted: float, absolute: bool) -> None:
    """UsageError for a change that is most likely an angle, or an angle that is most likely a change."""
    change = wanted - measured
    if abs(change) > LARGEST_CHANGE_DEG:
        if absolute:
            raise UsageError(
                f"{wanted:g} degrees at the {station} is {abs(change):.1f} from the {measured:.2f} measured, more than "
                "any re-pitch changes.",
                f"If it is meant as a change, give --{station} {wanted:g}.",
            )
        raise UsageError(
            f"A change of {change:+g} degrees at the {station} is more than any re-pitch; it looks like the wanted "
            "angle itself.",
            f"Give --{station}-to {abs(change):g} for an angle of {abs(change):g} degrees.",
        )
    if not 0 < wanted <= MOST_DEG:
        raise UsageError(
            f"A change of {change:+g} degrees would make the {station} {wanted:g} degrees.",
            "A change is added to the measured angle; negative is shallower.",
        )


def _accept_doubts(record: Record, stations: Mapping[str, StationOrder], despite: Sequence[str]) -> tuple[str, ...]:
    """The doubts about the ordered stations, which must all be named in `despite`; UsageError otherwise."""
    open_ = open_doubts(record, stations)
    if unnamed := [code for code in open_ if code not in despite]:
        options = " ".join(f"--despite {code}" for code in unnamed)
        raise UsageError(
            f"The measurement of {safe_name(record.name)} has open doubts: {', '.join(unnamed)}.",
            f"Clear them up by measuring again; or, having looked at the picture, order all the same with {options}.",
        )
    return tuple(open_)


def open_doubts(record: Record, stations: Iterable[str]) -> list[str]:
    """Codes of a record's doubts that concern the angles at some stations, or which blade is which."""
    found = [code for s in stations for code in doubts_about(record.content.flags, None, s)]
    return list(dict.fromkeys([*found, *doubts_about(record.content.flags, concerns="numbering")]))


def too_fine(record: Record, order: Order) -> list[str]:
    """Where an order's tolerances cannot be decided by a measurement as certain as the record's, in words.

    That is where even an angle that is exactly right could not be accepted by the order's rule.
    """
    out = []
    for station, wanted in order.stations.items():
        seen = [found for b in range(1, record.blade_count + 1) if (found := record.station(b, station)) is not None]
        worst = max(seen, key=lambda found: float(found.expanded_uncertainty_deg), default=None)
        if worst is None:
            continue
        u, dof = worst.standard_uncertainty_deg, math.inf if worst.dof is None else worst.dof
        limits = decision_limits(wanted.tolerance_deg, u, dof, order.rule, order.false_accept_probability)
        if limits[0] <= 0:
            out.append(
                f"The tolerance of {wanted.tolerance_deg:g} deg at the {station} is finer than this measurement (a "
                f"single blade to ± {worst.expanded_uncertainty_deg:.2f} deg). Measured like this, a blade that is "
                "exactly right could not be accepted. Add photographs from the side, or widen the tolerance."
            )
    return out
