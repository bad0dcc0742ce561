"""Verdicts: does a measured rotor conform to its order, given the uncertainty of the measurement?

The rules that decide are in `decision.py`. With a record from before the work the change is judged: the angle against
the mean over blades before. Errors that both records share (budget lines marked "camera" when both hold the same camera
file, "ring" for the same ring) are taken as the same error in both, with the effects that each record states; all
others as independent, which is on the safe side as long as an unstated common error moves both records the same way.

The spread over blades is within its tolerance when every pair's difference is, so that it is judged pair by pair: a
rotor is accepted only if every pair passes, which keeps the probability of a false accept at that of one pair.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from itertools import combinations
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bladeangle.base.budget import correlated, coverage_factor, welch_satterthwaite
from bladeangle.base.errors import UsageError
from bladeangle.base.files import safe_name
from bladeangle.records.record import STATIONS, Record
from bladeangle.shop.decision import (
    CONFORMING,
    NOT_CONFORMING,
    UNDECIDED,
    conformance_probability,
    decide,
    decision_limits,
    false_pass_probability,
)
from bladeangle.shop.orders import Order

Array = NDArray[np.float64]

# --- judging a record ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Judgement:
    """One judged quantity.

    what : "blade", "mean", "spread" or "rotor" (blade count and hand, which have no uncertainty).
    measured, wanted : deg; with a record from before they are changes. For a spread wanted is 0.
    probability : that the true value conforms; None when nothing was measured.
    """

    what: str
    station: str | None
    blade: int | None
    verdict: str
    reason: str
    measured_deg: float | None = None
    wanted_deg: float | None = None
    tolerance_deg: float | None = None
    standard_uncertainty_deg: float | None = None
    expanded_uncertainty_deg: float | None = None
    probability: float | None = None

    @property
    def label(self) -> str:
        """What is judged, in words."""
        parts = [f"blade {self.blade}" if self.what == "blade" else self.what, self.station]
        return " ".join(p for p in parts if p)


@dataclass(frozen=True)
class Verdict:
    """The judgements and what follows from them.

    verdict : not conforming when anything is, else undecided when anything is, else conforming.
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

    def to_dict(self) -> dict[str, Any]:
        """Plain data for JSON."""
        return asdict(self)


class _Angles:
    """The angles of a record, and if given those before it, as one vector with one covariance."""

    def __init__(self, record: Record, before: Record | None) -> None:
        self.labels, values, covariance = record.angles()
        self.record, self.before = record, before
        self.n = len(self.labels)
        self.values, self.covariance = values, covariance
        self.labels_before: tuple[str, ...] = ()
        if before is not None:
            self.labels_before, values_before, covariance_before = before.angles()
            cross = shared_covariance(record, before)
            self.values = np.concatenate([values, values_before])
            self.covariance = np.block([[covariance, cross], [cross.T, covariance_before]])

    def weights(self, blades: Sequence[int], station: str) -> Array | None:
        """Weights of the mean over `blades` at a station, less the mean before; None when one was not seen."""
        w = np.zeros(len(self.values))
        for blade in blades:
            if f"{blade}.{station}" not in self.labels:
                return None
            w[self.labels.index(f"{blade}.{station}")] = 1 / len(blades)
        if self.before is not None:
            old = [i for i, label in enumerate(self.labels_before) if label.endswith("." + station)]
            if not old:
                return None
            w[self.n + np.array(old)] = -1 / len(old)
        return w

    def of(self, w: Array) -> tuple[float, float]:
        """Value and standard uncertainty of the combination w."""
        return float(w @ self.values), math.sqrt(max(float(w @ self.covariance @ w), 0.0))

    def dof(self, blade: int | None, station: str) -> float:
        """Degrees of freedom of a blade's station or of the mean, with the mean before's counted in."""
        now = self.record.mean(station) if blade is None else self.record.station(blade, station)
        parts = [now] + ([self.before.mean(station)] if self.before is not None else [])
        found = [p for p in parts if p is not None]
        dofs = [math.inf if p["dof"] is None else p["dof"] for p in found]
        u = [p["standard_uncertainty_deg"] for p in found]
        return welch_satterthwaite(u, dofs) if sum(u) > 0 else math.inf


def shared_covariance(record: Record, before: Record) -> Array:
    """Covariance (n, m) between the angles of two records, from the budget lines that they share.

    A line counts when both records have it under one name, marked as shared through "camera" or "ring", and the
    camera's numbers or the ring's markers are equal in both. Zero where nothing is shared, and where the stated
    effects do not fit the records' covariances.
    """
    n, m = len(record.data["covariance"]["labels"]), len(before.data["covariance"]["labels"])
    cross = np.zeros((n, m))
    same = {
        "camera": all(record.data["camera"][k] == before.data["camera"][k] for k in ("parameters", "covariance")),
        "ring": record.data["ring"]["markers"] == before.data["ring"]["markers"],
    }
    others = {line["line"]: line for line in before.data["budget"] if "effects_deg" in line}
    for line in record.data["budget"]:
        other = others.get(line["line"])
        if other is None or "effects_deg" not in line or line.get("shared") != other.get("shared"):
            continue
        a, b = np.array(line["effects_deg"], float), np.array(other["effects_deg"], float)
        if same.get(line.get("shared", ""), False) and a.shape[0] == b.shape[0] and a.size and b.size:
            cross += a.T @ b
    joint = np.block([[record.angles()[2], cross], [cross.T, before.angles()[2]]])
    fits = not joint.size or np.linalg.eigvalsh(joint)[0] >= -1e-6 * np.abs(joint).max()
    return cross if fits else np.zeros((n, m))


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
) -> Verdict:
    """Judge a record against an order.

    Parameters
    ----------
    before : record of the same rotor before the work; the change is judged then.
    rule, false_accept_probability : instead of the order's.
    error_deg : the error whose probability of passing is told.
    rng : draws `trials` joint samples for the probabilities of spread and whole; without one these are None.

    Raises
    ------
    UsageError : the record from before is of another rotor (blade count or hand).
    """
    rule = order.rule if rule is None else rule
    risk = order.false_accept_probability if false_accept_probability is None else false_accept_probability
    if before is not None:
        for key in ("blade_count", "hand"):
            if before.data["rotor"][key] != record.data["rotor"][key]:
                raise UsageError(
                    f"The records before and after differ in {key}, so that they are not of one rotor.",
                    "Name the record that was measured before the work.",
                )
    angles = _Angles(record, before)
    blades = range(1, record.blade_count + 1)
    samples = None
    if rng is not None and len(angles.values):
        samples = _samples(angles, rng, trials)
    judged = _judge_rotor(record, order)
    all_pass: Any = True
    complete = True
    for station, wanted in order.stations.items():
        goal = wanted.angle_deg
        if before is not None and (old := before.mean(station)) is not None:
            goal = wanted.angle_deg - old["angle_deg"] if wanted.change_deg is None else wanted.change_deg
        for blade in [*blades, None]:
            w = angles.weights([blade] if blade else list(blades), station)
            if w is None:
                reason = _why_not(record, before, blade, station)
                judged.append(Judgement("blade" if blade else "mean", station, blade, UNDECIDED, reason))
                complete = False
                continue
            judged.append(_judge_angle(angles, w, blade, station, goal, wanted.tolerance_deg, rule, risk))
            if samples is not None:
                all_pass = all_pass & (np.abs(samples @ w - goal) <= wanted.tolerance_deg)
        if order.spread_tolerance_deg is not None and record.blade_count > 1:
            item, passes = _judge_spread(angles, station, order.spread_tolerance_deg, rule, risk, samples)
            judged.append(item)
            all_pass = all_pass & passes
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
        advice=_advice(record, judged),
        cautions=_cautions(record, order, before),
    )


def _samples(angles: _Angles, rng: np.random.Generator, trials: int) -> Array:
    """Joint samples (trials, n) of the true angles: Gaussian, widened to Student's t with any angle's fewest dof."""
    errors = correlated(np.zeros(len(angles.values)), angles.covariance)(rng, trials)
    dofs = [angles.dof(int(b), s) for b, s in (label.split(".") for label in angles.labels)]
    fewest = min(dofs, default=math.inf)
    if not math.isinf(fewest):
        errors *= np.sqrt(fewest / rng.chisquare(fewest, trials))[:, None]
    samples: Array = angles.values + errors
    return samples


def _judge_rotor(record: Record, order: Order) -> list[Judgement]:
    """Whether it is the ordered rotor at all."""
    out = []
    for key, words in (("blade_count", "blades"), ("hand", "hand")):
        wanted, found = getattr(order, key), record.data["rotor"][key]
        if wanted is not None:
            same = wanted == found
            reason = f"{words}: {found}" + ("" if same else f", ordered for {wanted}")
            out.append(Judgement("rotor", None, None, CONFORMING if same else NOT_CONFORMING, reason))
    return out


def _judge_angle(
    angles: _Angles, w: Array, blade: int | None, station: str, goal: float, tolerance: float, rule: str, risk: float
) -> Judgement:
    value, u = angles.of(w)
    dof = angles.dof(blade, station)
    limits = decision_limits(tolerance, u, dof, rule, risk)
    verdict = decide(value - goal, limits)
    expanded = coverage_factor(dof) * u
    return Judgement(
        what="mean" if blade is None else "blade",
        station=station,
        blade=blade,
        verdict=verdict,
        reason=_reason(verdict, abs(value - goal), tolerance, expanded, angles.record, station, blade is None),
        measured_deg=value,
        wanted_deg=goal,
        tolerance_deg=tolerance,
        standard_uncertainty_deg=u,
        expanded_uncertainty_deg=expanded,
        probability=conformance_probability(value, u, goal - tolerance, goal + tolerance, dof),
    )


def _judge_spread(
    angles: _Angles, station: str, tolerance: float, rule: str, risk: float, samples: Array | None
) -> tuple[Judgement, Any]:
    """The spread of a station, pair by pair; and for every sample whether the spread is within its tolerance."""
    numbers = range(1, angles.record.blade_count + 1)
    seen = [b for b in numbers if f"{b}.{station}" in angles.labels]
    verdicts, widest = [], (-1.0, 0.0, 0.0)
    for one, other in combinations(seen, 2):
        w = np.zeros(len(angles.values))
        w[angles.labels.index(f"{one}.{station}")], w[angles.labels.index(f"{other}.{station}")] = 1.0, -1.0
        difference, u = angles.of(w)
        dof = min(angles.dof(one, station), angles.dof(other, station))
        verdicts.append(decide(difference, decision_limits(tolerance, u, dof, rule, risk)))
        widest = max(widest, (abs(difference), u, coverage_factor(dof) * u))
    if len(seen) < angles.record.blade_count:
        verdicts.append(UNDECIDED)
    verdict = next((v for v in (NOT_CONFORMING, UNDECIDED) if v in verdicts), CONFORMING)
    if not seen or widest[0] < 0:
        reason = "fewer than two blades are seen" if angles.record.blade_count > 1 else "there is one blade"
        return Judgement("spread", station, None, UNDECIDED, reason, tolerance_deg=tolerance), True
    passes: Any = True
    probability = None
    if samples is not None:
        columns = samples[:, [angles.labels.index(f"{b}.{station}") for b in seen]]
        passes = np.ptp(columns, axis=1) <= tolerance
        probability = float(passes.mean()) if len(seen) == angles.record.blade_count else None
    reason = _reason(verdict, widest[0], tolerance, widest[2], angles.record, station, False)
    if verdict == NOT_CONFORMING:
        reason = f"blades differ by {widest[0]:.2f} deg"
    if len(seen) < angles.record.blade_count and verdict == UNDECIDED:
        reason = "not all blades are seen"
    item = Judgement("spread", station, None, verdict, reason, widest[0], 0.0, tolerance, *widest[1:], probability)
    return item, passes


# --- words -----------------------------------------------------------------------------------------------------------


def _why_not(record: Record, before: Record | None, blade: int | None, station: str) -> str:
    if before is not None and before.mean(station) is None:
        return "not seen in the record from before"
    if blade is None:
        return "not all blades are seen"
    return f"not seen: {record.why_not_seen(blade, station)}"


def _reason(
    verdict: str, size: float, tolerance: float, expanded: float, record: Record, station: str, mean: bool
) -> str:
    """Why a verdict is what it is; for an undecided one, what uncertainty would decide and what dominates it."""
    if verdict == CONFORMING:
        return ""
    if verdict == NOT_CONFORMING:
        return f"off by {size:.2f} deg"
    needed = abs(tolerance - size)
    reason = f"an expanded uncertainty under {needed:.2f} deg would decide, it is {expanded:.2f} deg"
    lines = [(line["mean" if mean else "stations"][station], line["line"]) for line in record.data["budget"]]
    known = [line for line in lines if line[0] is not None]
    return reason + (f"; most of it: {max(known)[1]}" if known else "")


def _advice(record: Record, judged: Sequence[Judgement]) -> tuple[str, ...]:
    """Which photographs would decide what is undecided."""
    open_ = [j for j in judged if j.verdict == UNDECIDED]
    out = []
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
        oblique = sum(p["view"] == "oblique" for p in record.data["photos"])
        stations = sorted({str(j.station) for j in wide}, key=STATIONS.index)
        standings = {"entry": "inlet end up", "middle": "either way", "exit": "outlet end up"}
        where = " and ".join(f"{s}: {standings[s]}" for s in stations)
        count = "four to six" if oblique < 4 else "more"
        out.append(f"To narrow what is undecided: add {count} oblique photographs round the rotor ({where}).")
        if record.data["suggestion"]:
            out.append(str(record.data["suggestion"]))
        hopeless = [
            j.label
            for j in wide
            if abs(float(j.tolerance_deg or 0) - abs(float(j.measured_deg or 0) - float(j.wanted_deg or 0)))
            < 0.1 * float(j.expanded_uncertainty_deg or 0)
        ]
        if hopeless:
            out.append(f"Hardly any photographs decide {', '.join(hopeless)}: it lies on the limit itself.")
    return tuple(out)


def _cautions(record: Record, order: Order, before: Record | None) -> tuple[str, ...]:
    """Dimensions that do not look like the ordered rotor or the one before; and doubts flagged in the record."""
    out = []
    for key, wanted in (
        ("tip_diameter_mm", order.tip_diameter_mm),
        ("hub_diameter_mm", order.hub_diameter_mm),
        ("tip_thickness_mm", order.thickness_mm),
    ):
        found = record.quantity(key)
        # One millimetre, or a fifth: orders give rounded sizes, and this asks only whether it is another rotor.
        if found and wanted and abs(found[0] - wanted) > 2 * found[1] + max(min(1.0, 0.2 * wanted), 0.2):
            out.append(f"{key} is {found[0]:.1f}, ordered {wanted:.1f}: is it the ordered rotor?")
        old = None if before is None else before.quantity(key)
        if found and old and abs(found[0] - old[0]) > 3 * math.hypot(found[1], old[1]) + 0.3:
            out.append(f"{key} is {found[0]:.1f}, before {old[0]:.1f}: is it the same rotor?")
    from bladeangle.base.flags import together

    for flag in together(record.data["flags"]):
        if flag["severity"] == "doubt":
            where = f" ({'; '.join(flag['places'])})" if flag["places"] else ""
            out.append(f"The record carries a doubt: {safe_name(flag['text'].rstrip('.'))}{where}.")
    return tuple(out)


def _false_pass(angles: _Angles, order: Order, error_deg: float, rule: str, risk: float) -> dict[str, float | None]:
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
    angles = _Angles(record, None)
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
