"""Simulated points -> adjustment and stations, and how they compare with the truth."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from unittest import mock

import numpy as np
from numpy.typing import NDArray
from simulated import observe
from simulated_noise import Noise
from simulated_truth import Changes, Truth, another_day, random_truth, spline

from bladeangle.adjustment import adjust as adjustment
from bladeangle.adjustment import normals
from bladeangle.adjustment.adjust import Adjustment, adjust
from bladeangle.adjustment.model import ObservedView, RingState, State, unmoved
from bladeangle.adjustment.rotor import Basis, Rotor
from bladeangle.base.budget import coverage_factor
from bladeangle.imaging.pose import start_pose
from bladeangle.records.station import StationOptions
from bladeangle.results.diagnostics import diagnose
from bladeangle.results.stations import Stations, measure_stations
from bladeangle.tuning.adjustment import ADJUST, NORMALS
from bladeangle.tuning.value import changed

Array = NDArray[np.float64]

#: Doubts that the whole fit is a wrong one, with which no angle is to be trusted.
MISFITS = ("photos-disagree", "residuals-high", "rotor-moved", "rotor-unlikely")


def start_state(truth: Truth, views: tuple[ObservedView, ...], rng: np.random.Generator) -> State:
    """Where the adjustment begins: poses as `pose` finds them, and the rotor as the first outlines leave it.

    With two overhead photographs the tip radius is the priors' one and heights are what the rays then say; with oblique
    ones it has been found to a few tenths of a millimetre.
    """
    priors = truth.priors
    poses = [start_pose(v.sighting, truth.ring, priors.camera, v.name) for v in views]
    radius = priors.radius_mm if len(views) == 2 else truth.radius_mm + float(rng.normal(0, 0.2))
    n = len(truth.blades)
    high = [float(truth.eye(0)[2]), float(truth.views[1].eye_mm[2])]
    ratio = radius / truth.radius_mm
    wrap = float(np.median([b.tau[-1] for b in truth.blades])) + float(rng.normal(0, 0.7 / radius))
    basis = Basis.over(0.0, wrap, radius)
    design = spline(basis.count, basis.start, basis.stop)
    azimuth, heights = [], []
    for blade in truth.blades:
        late = float(rng.normal(0, 0.7 / radius))
        azimuth.append(blade.lead_rad + truth.turn * late)
        tau = np.clip(blade.tau - late, basis.start, basis.stop)
        off = rng.normal(0, [0.5, 0.3]) @ np.stack([np.ones_like(tau), (tau - tau.mean()) * radius / 40])
        z = high[0] - (high[0] - blade.height_mm) * ratio + off
        bend = 0.02 * np.diff(np.eye(basis.count), 3, axis=0)
        wanted = np.concatenate([z, np.zeros(len(bend))])
        heights.append(np.linalg.lstsq(np.vstack([design(tau), bend]), wanted, rcond=None)[0])
    rise = sum(high) - (sum(high) - truth.t_ring_rotor[1, 2]) * ratio + float(rng.normal(0, 1.0))
    shifts = np.column_stack([truth.t_ring_rotor[:, :2] + rng.normal(0, 0.4, (2, 2)), [0.0, rise]])
    psi = math.atan2(truth.r_ring_rotor[1][1, 0], truth.r_ring_rotor[1][0, 0]) + float(rng.normal(0, math.radians(0.4)))
    over = np.array([[math.cos(psi), math.sin(psi), 0], [math.sin(psi), -math.cos(psi), 0], [0, 0, -1.0]])
    circles, owner = [], []
    for s in (0, 1):
        eye = float(truth.views[s].eye_mm[2])
        for r, z in truth.circles[s]:
            above = z if s == 0 else truth.t_ring_rotor[1, 2] - z
            circles.append([r * (eye - 55.0) / (eye - above), 55.0 if s == 0 else rise - 55.0])
            owner.append(s)
    thickness = priors.thickness_mm if len(views) == 2 else float(np.mean([b.thickness_mm for b in truth.blades])) + 0.1
    rotor = Rotor(
        radius, thickness, np.full(2, priors.rounding_mm), truth.turn, np.array(azimuth), basis, np.array(heights),
        np.tile([0.0, wrap], (n, 1)), np.zeros(n),
    )  # fmt: skip
    photos = len(views)
    state = RingState(
        priors.camera.copy(), np.array([p.r_camera_ring for p in poses]), np.array([p.t_camera_ring_mm for p in poses]),
        np.zeros(photos), np.zeros((photos, 2)), np.zeros(5), np.zeros((len(truth.pieces) - 1, 3)),
    )  # fmt: skip
    if photos > 2:  # the ring alone places the photographs first, as in the measurement
        alone = tuple(ObservedView(v.name, v.setup, v.sighting) for v in views)
        state = adjust(truth.ring, alone, state, priors, most_iterations=15, must_settle=False).state
    return State(
        **vars(state), setups=("inlet_up", "outlet_up"), r_ring_rotor=np.array([np.eye(3), over]), t_ring_rotor=shifts,
        rotor=rotor, circles=np.array(circles), circle_setup=tuple(owner),
    )  # fmt: skip


@dataclass(frozen=True)
class Case:
    """One simulated measurement: the truth's angles, what was found, and the ideal adjustment's uncertainty.

    labels (n,); true_deg, angle_deg, u_deg, half_width_deg (95 %), ideal_u_deg (n,); covariance_deg2 (n, n); lines :
    budget line -> (n,) deg; misfits : such doubts as the record would carry.
    """

    labels: tuple[str, ...]
    true_deg: Array
    angle_deg: Array
    u_deg: Array
    half_width_deg: Array
    ideal_u_deg: Array
    covariance_deg2: Array
    lines: dict[str, Array] = field(default_factory=dict)
    iterations: int = 0
    misfits: tuple[str, ...] = ()


def ideal(truth: Truth, views: tuple[ObservedView, ...], start: State, noise: Noise) -> Adjustment:
    """The adjustment that knows how good the points are: no robust loss, no rescaling, the true sigmas and sway.

    `start` is a solution already: it is the uncertainty there that is wanted.
    """
    guessed = changed(ADJUST, correlated_sigmas=noise.correlated_sigma)
    alike, known = (
        mock.patch.object(normals, "NORMALS", changed(NORMALS, robust_sigmas=1e4)),
        mock.patch.multiple(adjustment, MOST_RESCALINGS=0, ADJUST=guessed),
    )
    with alike, known:
        return adjust(truth.ring, views, start, truth.priors)


def measured(truth: Truth, views: tuple[ObservedView, ...], rng: np.random.Generator) -> tuple[Adjustment, Stations]:
    """Adjustment and stations in the steps of the measurement: twice roughly, and once to the end."""
    state = start_state(truth, views, rng)
    for _ in range(2):
        state = adjust(truth.ring, views, state, truth.priors, most_iterations=12, must_settle=False).state
    state.moves = unmoved([v.setup for v in views])
    result = adjust(truth.ring, views, state, truth.priors)
    return result, measure_stations(result, StationOptions())


def simulate(rng: np.random.Generator, kind: str, changes: Changes, noise: Noise, with_ideal: bool = True) -> Case:
    """One random case; errors of the adjustment, and refusals, are passed on.

    The ideal adjustment is only known where edges sway as the measurement assumes. Of kind `change` the angles are
    differences, after less before.
    """
    truth = random_truth(rng, kind, changes, noise)
    before = _case(truth, rng, noise, with_ideal and noise.measured_law)
    if kind != "change":
        return before[0]
    return _change(before, _case(another_day(truth, rng, noise), rng, noise, False))


def _case(truth: Truth, rng: np.random.Generator, noise: Noise, with_ideal: bool) -> tuple[Case, Stations]:
    views = observe(truth, rng, noise)
    result, found = measured(truth, views, rng)
    flags = diagnose(result, found, StationOptions(), truth.ring, diameter_known=False, scale_checked=False)
    pairs = [found.budget.angle(k)[:2] for k in range(len(found.labels))]
    u = np.array([p[0] for p in pairs])
    ideal_u = np.full(len(u), np.nan)
    if with_ideal:
        best = measure_stations(ideal(truth, views, result.state, noise), StationOptions())
        index = {label: k for k, label in enumerate(best.labels)}
        ideal_u = np.array([best.budget.angle(index[x])[0] if x in index else np.nan for x in found.labels])
    case = Case(
        found.labels, np.array([truth.angle_deg(x) for x in found.labels]), found.angle_deg, u,
        np.array([coverage_factor(p[1]) * p[0] for p in pairs]), ideal_u, found.budget.covariance_deg2,
        {line.name: np.sqrt(np.maximum(np.diag(line.covariance_deg2), 0)) for line in found.budget.lines},
        result.iterations, tuple(sorted({f.code for f in flags} & set(MISFITS))),
    )  # fmt: skip
    return case, found


def _change(before: tuple[Case, Stations], after: tuple[Case, Stations]) -> Case:
    """Differences of the angles of two cases; lines of the budget that both share are the same error in both."""
    (old, old_found), (new, new_found) = before, after
    common = [x for x in new.labels if x in old.labels]
    i, j = ([labels.index(x) for x in common] for labels in (old.labels, new.labels))
    covariance = old.covariance_deg2[np.ix_(i, i)] + new.covariance_deg2[np.ix_(j, j)]
    others = {line.name: line for line in old_found.budget.lines if line.shared}
    for line in new_found.budget.lines:
        other = others.get(line.name)
        if other is not None and line.shared and line.effects_deg is not None and other.effects_deg is not None:
            shared = (line.effects_deg.T @ other.effects_deg)[np.ix_(j, i)]
            covariance = covariance - shared - shared.T
    u = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    return Case(
        tuple(common), new.true_deg[j] - old.true_deg[i], new.angle_deg[j] - old.angle_deg[i], u, 1.96 * u,
        np.full(len(u), np.nan), covariance, {}, new.iterations, tuple(sorted({*old.misfits, *new.misfits})),
    )  # fmt: skip
