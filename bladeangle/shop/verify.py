"""Record + order -> verdict: does a rotor conform to its order, given the uncertainty of the measurement?

How one angle or spread is judged is in `judging.py`, the rules that decide in `decision.py`. A conforming verdict does
not stand on doubted numbers: unless they are accepted by name, it is undecided.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bladeangle.base.budget import STATIONS, blade_and_station, correlated, coverage_factor
from bladeangle.base.errors import DefinitionError, UsageError
from bladeangle.base.files import safe_name
from bladeangle.base.flags import doubts_about, open_doubts
from bladeangle.base.lengths import length_text
from bladeangle.base.structure import Plain
from bladeangle.records.record import Record
from bladeangle.shop.decision import CONFORMING, NOT_CONFORMING, UNDECIDED, false_pass_probability
from bladeangle.shop.judging import Angles, Judgement, judge_angle, judge_spread
from bladeangle.shop.orders import Order

Array = NDArray[np.float64]
#: How a caution begins that repeats a doubt of the record.
DOUBT = "Doubt in the record"

# --- judging a record ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Verdict:
    """The judgements and what follows from them.

    verdict : not conforming when anything is, else undecided when anything is, else conforming.
    doubts : codes of open doubts about the judged angles, in spite of which nothing is conforming.
    probability : that all judged angles and spreads conform together; None when something was not seen.
    false_pass : per station, the probability that a single blade off by `error_deg` would have passed; None: not seen.
    advice : which photographs would decide what is undecided. cautions : what looks odd but does not decide.
    """

    rotor: str
    order: str
    verdict: str
    probability: float | None
    rule: str
    false_accept_probability: float
    change: bool
    judgements: tuple[Judgement, ...]
    error_deg: float
    false_pass: dict[str, float | None]
    advice: tuple[str, ...]
    cautions: tuple[str, ...]
    doubts: tuple[str, ...] = ()

    def to_dict(self) -> Plain:
        """Plain data for JSON."""
        return asdict(self)


def verify(
    record: Record,
    order: Order,
    before: Record | None = None,
    *,
    rule: str | None = None,
    false_accept_probability: float | None = None,
    error_deg: float = 1.0,
    rng: np.random.Generator | None = None,
    trials: int = 20_000,
    despite: Sequence[str] = (),
    inches: bool = False,
) -> Verdict:
    """Judge a record against an order.

    Parameters
    ----------
    before : record of the same rotor before the work; the change is judged then.
    rule, false_accept_probability : instead of the order's.
    error_deg : the error whose probability of passing is told.
    despite : codes of doubts that somebody has looked at and accepts; those about the record from before that the
        order names as accepted are accepted as well.
    inches : lengths in cautions are in inches.
    rng : draws `trials` joint samples for the probabilities of spread and whole; without one these are None.

    Raises
    ------
    UsageError : the record from before is of another rotor (blade count or hand).
    DefinitionError : the order says that the angles were others before the work than the record from before.
    """
    rule = order.rule if rule is None else rule
    risk = order.false_accept_probability if false_accept_probability is None else false_accept_probability
    if before is not None:
        _same_rotor(record, before)
        _same_before(order, before)
    angles = Angles(record, before)
    samples = None
    if rng is not None and len(angles.values):
        samples = _samples(angles, rng, trials)
    judged = _judge_rotor(record, order)
    all_pass: Any = True
    complete = True
    for station in order.stations:
        items, passes, all_seen = _judge_station(angles, order, station, rule, risk, samples)
        judged += items
        all_pass = all_pass & passes
        complete = complete and all_seen
    doubts = _open_doubts(record, order, before, despite)
    if doubts:
        judged.append(Judgement("doubts", None, None, UNDECIDED, ", ".join(doubts)))
    verdicts = [j.verdict for j in judged]
    overall = next((v for v in (NOT_CONFORMING, UNDECIDED) if v in verdicts), CONFORMING)
    return Verdict(
        rotor=record.name,
        order=order.name,
        verdict=overall,
        probability=float(np.mean(all_pass)) if complete and samples is not None else None,
        rule=rule,
        false_accept_probability=risk,
        change=before is not None,
        judgements=tuple(judged),
        error_deg=error_deg,
        false_pass=_false_pass(angles, order, error_deg, rule, risk),
        advice=_advice(record, judged, doubts),
        cautions=_cautions(record, order, before, inches),
        doubts=doubts,
    )


def _same_rotor(record: Record, before: Record) -> None:
    """UsageError when two records cannot be of one rotor."""
    for key in ("blade_count", "hand"):
        if getattr(before.rotor, key) != getattr(record.rotor, key):
            raise UsageError(
                f"The records before and after differ in {key}, so that they are not of one rotor.",
                "Name the record that was measured before the work.",
            )


def _judge_station(
    angles: Angles, order: Order, station: str, rule: str, risk: float, samples: Array | None
) -> tuple[list[Judgement], Any, bool]:
    """Every blade, the mean and the spread of a station; for every sample whether all conform; whether all are seen."""
    record, before, wanted = angles.record, angles.before, order.stations[station]
    blades = range(1, record.blade_count + 1)
    judged: list[Judgement] = []
    all_pass: Any = True
    complete = True
    goal = wanted.angle_deg
    if before is not None and (old := before.mean(station)) is not None:
        goal = wanted.angle_deg - old.angle_deg if wanted.change_deg is None else wanted.change_deg
    for blade in [*blades, None]:
        w = angles.weights([blade] if blade else list(blades), station)
        if w is None:
            reason = _why_not(record, before, blade, station)
            judged.append(Judgement("blade" if blade else "mean", station, blade, UNDECIDED, reason))
            complete = False
            continue
        judged.append(judge_angle(angles, w, blade, station, goal, wanted.tolerance_deg, rule, risk))
        if samples is not None:
            all_pass = all_pass & (np.abs(samples @ w - goal) <= wanted.tolerance_deg)
    if order.spread_tolerance_deg is not None and record.blade_count > 1:
        item, passes = judge_spread(angles, station, order.spread_tolerance_deg, rule, risk, samples)
        judged.append(item)
        all_pass = all_pass & passes
    return judged, all_pass, complete


def _same_before(order: Order, before: Record) -> None:
    """DefinitionError when an order was written from other angles than the record from before has."""
    for station, wanted in order.stations.items():
        old = before.mean(station)
        if old is None or wanted.measured_deg is None:
            continue
        if abs(old.angle_deg - wanted.measured_deg) > 2 * old.expanded_uncertainty_deg + 0.05:
            raise DefinitionError(
                f"The order {safe_name(order.name)!r} is for a rotor with {wanted.measured_deg:.2f} deg at the "
                f"{station}, the record from before has {old.angle_deg:.2f} deg.",
                "Name the record that the order was made from; if the order was edited, angle_deg and measured_deg "
                "must fit each other.",
            )


def _open_doubts(record: Record, order: Order, before: Record | None, despite: Sequence[str]) -> tuple[str, ...]:
    """Codes of the doubts about the judged angles that nobody has accepted."""
    found: list[str] = []
    for each, accepted in ((record, ()), (before, order.accepted_doubts)):
        if each is not None:
            codes = [code for s in order.stations for code in doubts_about(each.content.flags, None, s)]
            found += [code for code in codes if code not in (*accepted, *despite)]
    return tuple(dict.fromkeys(found))


def _samples(angles: Angles, rng: np.random.Generator, trials: int) -> Array:
    """Joint samples (trials, n) of the true angles: Gaussian, widened to Student's t with any angle's fewest dof."""
    errors = correlated(np.zeros(len(angles.values)), angles.covariance)(rng, trials)
    dofs = [angles.dof(*blade_and_station(label)) for label in angles.labels]
    fewest = min(dofs, default=math.inf)
    if not math.isinf(fewest):
        errors *= np.sqrt(fewest / rng.chisquare(fewest, trials))[:, None]
    samples: Array = angles.values + errors
    return samples


def _judge_rotor(record: Record, order: Order) -> list[Judgement]:
    """Whether it is the ordered rotor at all."""
    out = []
    for key, words in (("blade_count", "blades"), ("hand", "hand")):
        wanted, found = getattr(order, key), getattr(record.rotor, key)
        if wanted is not None:
            same = wanted == found
            reason = f"{words}: {found}" + ("" if same else f", ordered for {wanted}")
            out.append(Judgement("rotor", None, None, CONFORMING if same else NOT_CONFORMING, reason))
    return out


# --- words -----------------------------------------------------------------------------------------------------------


def _why_not(record: Record, before: Record | None, blade: int | None, station: str) -> str:
    if before is not None and before.mean(station) is None:
        return "not seen in the record from before"
    if blade is None:
        return "not all blades are seen"
    return f"not seen: {record.why_not_seen(blade, station)}"


def _advice(record: Record, judged: Sequence[Judgement], doubts: Sequence[str] = ()) -> tuple[str, ...]:
    """Which photographs would decide what is undecided, and what to do about doubts."""
    open_ = [j for j in judged if j.verdict == UNDECIDED and j.what != "doubts"]
    out = []
    if doubts:
        options = " ".join(f"--despite {code}" for code in doubts)
        out.append(f"Nothing is accepted on doubted numbers: measure again or, having looked at them, add {options}.")
    unseen = [j for j in open_ if j.blade and j.station and record.station(j.blade, j.station) is None]
    for station in STATIONS:
        blades = [str(j.blade) for j in unseen if j.station == station]
        if blades:
            how = {"entry": "with the inlet end up", "exit": "turned over, with the outlet end up"}
            standing = how.get(station, "from the side, standing either way")
            many = "s" if len(blades) > 1 else ""
            out.append(f"To see the {station} of blade{many} {', '.join(blades)}: photograph the rotor {standing}.")
    wide = [j for j in open_ if j.measured_deg is not None]
    if wide:
        oblique = sum(p.view == "oblique" for p in record.content.photos)
        stations = sorted({str(j.station) for j in wide}, key=STATIONS.index)
        standings = {"entry": "inlet end up", "middle": "either way", "exit": "outlet end up"}
        where = " and ".join(f"{s}: {standings[s]}" for s in stations)
        count = "four to six" if oblique < 4 else "more"
        out.append(f"To decide what is undecided: add {count} photographs from the side, round the rotor ({where}).")
        if record.content.suggestion:
            out.append(record.content.suggestion)
        hopeless = [
            j.label
            for j in wide
            if abs(float(j.tolerance_deg or 0) - abs(float(j.measured_deg or 0) - float(j.wanted_deg or 0)))
            < 0.1 * float(j.expanded_uncertainty_deg or 0)
        ]
        if hopeless:
            out.append(f"On the limit, photographs cannot decide: {', '.join(hopeless)}.")
    return tuple(out)


def _cautions(record: Record, order: Order, before: Record | None, inches: bool) -> tuple[str, ...]:
    """Dimensions that do not look like the ordered rotor or the one before; and doubts flagged in the record."""
    out = []
    for key, words, wanted in (
        ("tip_diameter_mm", "tip diameter", order.tip_diameter_mm),
        ("hub_diameter_mm", "hub diameter", order.hub_diameter_mm),
        ("tip_thickness_mm", "blade thickness", order.thickness_mm),
    ):
        found = record.quantity(key)
        # One millimetre, or a fifth: orders give rounded sizes, and this asks only whether it is another rotor.
        if found and wanted and abs(found[0] - wanted) > 2 * found[1] + max(min(1.0, 0.2 * wanted), 0.2):
            sizes = (length_text(mm, inches, 1) for mm in (found[0], wanted))
            out.append("The {} is {}, ordered {}: is it the ordered rotor?".format(words, *sizes))
        old = None if before is None else before.quantity(key)
        if found and old and abs(found[0] - old[0]) > 3 * math.hypot(found[1], old[1]) + 0.3:
            sizes = (length_text(mm, inches, 1) for mm in (found[0], old[0]))
            out.append("The {} is {}, before {}: is it the same rotor?".format(words, *sizes))
    for doubt in open_doubts(record.content.flags):
        where = f" ({'; '.join(doubt.places)})" if doubt.places else ""
        out.append(f"{DOUBT}: {safe_name(doubt.text.rstrip('.'))}{where}.")
    return tuple(out)


def _false_pass(angles: Angles, order: Order, error_deg: float, rule: str, risk: float) -> dict[str, float | None]:
    out: dict[str, float | None] = {}
    for station, wanted in order.stations.items():
        worst = None
        for blade in range(1, angles.record.blade_count + 1):
            w = angles.weights([blade], station)
            if w is not None:
                u, dof = angles.of(w)[1], angles.dof(blade, station)
                p = false_pass_probability(error_deg, wanted.tolerance_deg, u, dof, rule, risk)
                worst = p if worst is None else max(worst, p)
        out[station] = worst
    return out


# --- a yardstick -----------------------------------------------------------------------------------------------------

#: ISO 484-2:1981, pitch tolerances in percent by class.
ISO_484_2 = {
    "local": {"S": 1.5, "I": 2.0, "II": 3.0},
    "blade at one radius": {"S": 1.0, "I": 1.5, "II": 2.0, "III": 5.0},
    "whole": {"S": 0.5, "I": 0.75, "II": 1.0, "III": 3.0},
}
ISO_484_2_SCOPE = (
    "ISO 484-2:1981 is written for screw propellers of 0.80 m to 2.50 m diameter; for a small rotor, and at its tip "
    "only, its classes are a yardstick and not a verdict."
)


@dataclass(frozen=True)
class Yardstick:
    """Deviation of a pitch from the ordered one in percent, and the narrowest class of ISO 484-2 that holds it."""

    kind: str
    blade: int | None
    station: str | None
    deviation_percent: float
    expanded_uncertainty_percent: float
    best_class: str


def yardstick(record: Record, order: Order) -> tuple[Yardstick, ...]:
    """Pitch deviations by ISO 484-2: local (blade and station), each blade at the tip radius, and the whole rotor.

    With beta the angle, dP / P = d beta / (sin beta cos beta); the deviations themselves are taken from the tangents.
    Blade and whole are means over the ordered stations that every blade shows. See `ISO_484_2_SCOPE`.
    """
    angles = Angles(record, None)
    blades = range(1, record.blade_count + 1)
    rows: list[tuple[str, int | None, str | None, list[tuple[Array, float]]]] = []
    whole = []
    for station, wanted in order.stations.items():
        for blade in blades:
            w = angles.weights([blade], station)
            if w is not None:
                rows.append(("local", blade, station, [(w, wanted.angle_deg)]))
        if angles.weights(list(blades), station) is not None:
            whole.append((station, wanted.angle_deg))
    for blade in blades if whole else ():
        terms = [(angles.weights([blade], s), a) for s, a in whole]
        rows.append(("blade at one radius", blade, None, [(w, a) for w, a in terms if w is not None]))
    if whole:
        terms = [(angles.weights([b], s), a) for b in blades for s, a in whole]
        rows.append(("whole", None, None, [(w, a) for w, a in terms if w is not None]))
    out = []
    for kind, number, place, terms_ in rows:
        deviation, gradient = 0.0, np.zeros(len(angles.values))
        for w, goal in terms_:
            angle = math.radians(float(w @ angles.values))
            deviation += 100 * (math.tan(angle) / math.tan(math.radians(goal)) - 1) / len(terms_)
            slope = 100 * math.radians(1) / math.cos(angle) ** 2 / math.tan(math.radians(goal))
            gradient += w * slope / len(terms_)
        expanded = coverage_factor() * math.sqrt(max(float(gradient @ angles.covariance @ gradient), 0.0))
        best = next((c for c, limit in ISO_484_2[kind].items() if abs(deviation) <= limit), "outside")
        out.append(Yardstick(kind, number, place, deviation, expanded, best))
    return tuple(out)
