"""One angle, or the spread over blades, against its tolerance -> `Judgement`, with the covariance of what is compared.

With a record from before the work the change is judged: the angle against the mean over blades before. Errors that both
records share (budget lines marked "camera" when both hold the same camera file, "ring" for the same ring, "rotor" as
both are of one) are taken as the same error in both, with the effects that each record states; all others as
independent, which is on the safe side as long as an unstated common error moves both records the same way.

The spread over blades is within its tolerance when every pair's difference is, so that it is judged pair by pair: a
rotor is accepted only if every pair passes, which keeps the probability of a false accept at that of one pair.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bladeangle.base.budget import STATIONS, coverage_factor, welch_satterthwaite
from bladeangle.base.flags import doubts_about
from bladeangle.records.record import Record
from bladeangle.shop.decision import (
    CONFORMING,
    NOT_CONFORMING,
    UNDECIDED,
    conformance_probability,
    decide,
    decision_limits,
)

Array = NDArray[np.float64]

#: Largest difference between blades, deg, within which they are called alike where nobody says.
ALIKE_DEG = 0.5


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


class Angles:
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
        dofs = [math.inf if p.dof is None else p.dof for p in found]
        u = [p.standard_uncertainty_deg for p in found]
        return welch_satterthwaite(u, dofs) if sum(u) > 0 else math.inf


def shared_covariance(record: Record, before: Record) -> Array:
    """Covariance (n, m) between the angles of two records, from the budget lines that they share.

    A line counts when both records have it under one name, marked as shared through "camera" or "ring", and the
    camera's numbers or the ring's markers are equal in both; one marked "rotor" always does. Zero where nothing is
    shared, and where the stated effects do not fit the records' covariances.
    """
    n, m = len(record.content.covariance.labels), len(before.content.covariance.labels)
    cross = np.zeros((n, m))
    same = {
        "rotor": True,
        "camera": same_calibration(record, before),
        "ring": record.content.ring.markers == before.content.ring.markers,
    }
    others = {line.line: line for line in before.content.budget}
    for line in record.content.budget:
        other = others.get(line.line)
        if other is None or line.shared is None or line.shared != other.shared:
            continue
        if line.effects_deg is None or other.effects_deg is None:
            continue
        a, b = np.array(line.effects_deg, float), np.array(other.effects_deg, float)
        if same[line.shared] and a.shape[0] == b.shape[0] and a.size and b.size:
            cross += a.T @ b
    joint = np.block([[record.angles()[2], cross], [cross.T, before.angles()[2]]])
    fits = not joint.size or np.linalg.eigvalsh(joint)[0] >= -1e-6 * np.abs(joint).max()
    return cross if fits else np.zeros((n, m))


def same_calibration(record: Record, before: Record) -> bool:
    """Whether two records were measured with the same numbers of a camera."""
    new, old = record.content.camera, before.content.camera
    return new.parameters == old.parameters and new.covariance == old.covariance


def judge_angle(
    angles: Angles, w: Array, blade: int | None, station: str, goal: float, tolerance: float, rule: str, risk: float
) -> Judgement:
    """An angle, the combination `w` of `angles`, against its goal and tolerance, deg."""
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
        reason=reason_for(verdict, abs(value - goal), tolerance, expanded, angles.record, station, blade is None),
        measured_deg=value,
        wanted_deg=goal,
        tolerance_deg=tolerance,
        standard_uncertainty_deg=u,
        expanded_uncertainty_deg=expanded,
        probability=conformance_probability(value, u, goal - tolerance, goal + tolerance, dof),
    )


def judge_spread(
    angles: Angles, station: str, tolerance: float, rule: str, risk: float, samples: Array | None
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
    reason = reason_for(verdict, widest[0], tolerance, widest[2], angles.record, station, False)
    if verdict == NOT_CONFORMING:
        reason = f"blades differ by {widest[0]:.2f} deg"
    if len(seen) < angles.record.blade_count and verdict == UNDECIDED:
        reason = "not all blades are seen"
    item = Judgement("spread", station, None, verdict, reason, widest[0], 0.0, tolerance, *widest[1:], probability)
    return item, passes


def reason_for(
    verdict: str, size: float, tolerance: float, expanded: float, record: Record, station: str, mean: bool
) -> str:
    """Why a verdict is what it is; for an undecided one, what uncertainty would decide and what dominates it."""
    if verdict == CONFORMING:
        return ""
    if verdict == NOT_CONFORMING:
        return f"off by {size:.2f} deg"
    needed = abs(tolerance - size)
    if needed < 0.1 * expanded:
        return "on the limit: photographs cannot decide"
    reason = f"± {expanded:.2f} deg is too wide, under ± {needed:.2f} would decide"
    lines = [((line.mean if mean else line.stations).at(station), line.line) for line in record.content.budget]
    known = [(u, name) for u, name in lines if u is not None]
    return reason + (f"; mostly from: {max(known)[1]}" if known else "")


def balance(record: Record, tolerance_deg: float, rule: str = "iso14253", risk: float = 0.02) -> tuple[Judgement, ...]:
    """Whether the blades are alike to a tolerance, deg, at each station of which at least two blades were seen."""
    angles = Angles(record, None)
    seen = {s: sum(label.endswith("." + s) for label in angles.labels) for s in STATIONS}
    return tuple(judge_spread(angles, s, tolerance_deg, rule, risk, None)[0] for s in STATIONS if seen[s] > 1)


def balance_words(record: Record, tolerance_deg: float) -> str | None:
    """Whether the blades are alike to a tolerance, deg, in a line for people; None where too few were seen."""
    judged = balance(record, tolerance_deg)
    if not judged:
        return None
    words = {CONFORMING: "alike", NOT_CONFORMING: "unlike", UNDECIDED: "undecided"}
    doubted = any(doubts_about(record.content.flags, None, j.station) for j in judged)
    each = ", ".join(f"{j.station} {words[j.verdict]}" for j in judged)
    return f"{each} (blades within {tolerance_deg:g} deg of each other){'?' if doubted else ''}"
