"""Adjustment -> blade angles at the stations with their covariance by source, angle curves, and sizes of the rotor.

The angle at a station is that of the least-squares line through the tip's mid-line, height against circumferential arc
length at the local tip radius, over the station (tan(angle) = fall of height a length of arc). Stations are measured
along the tip: entry and exit of a given length after skipping the rounding of the edge, middle between them. An angle
is a function of the adjusted tip radius, curve and ends alone, so one propagation gives the covariance of all of them
(JCGM 100:2008, 5.2).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike

from bladeangle.adjustment.adjust import Adjustment
from bladeangle.adjustment.model import TIP_KINDS
from bladeangle.adjustment.priors import over_tips
from bladeangle.adjustment.rotor import FACES, Rotor
from bladeangle.base.budget import STATIONS, Budget, BudgetLine, Kind, blade_and_station, line_from_jacobian
from bladeangle.base.geometry import Array
from bladeangle.records.content import Face
from bladeangle.records.station import StationOptions, station_span
from bladeangle.results.angles import BladeColumns, angle_gradient, arc_of, length_gradient, station_angle
from bladeangle.results.waviness import waviness_effects
from bladeangle.tuning.priors import ANY_TIPS
from bladeangle.tuning.results import ANGLES, STATION_ANGLES

#: Bins of a station.
BINS = 10


@dataclass(frozen=True)
class Stations:
    """Angles of all blades at all stations that are seen.

    labels : ("1.entry", ...); angle_deg : (n,); budget : covariance of them by named source.
    not_seen : blade number -> station -> why; sees : label -> faces whose edge is seen in the station.
    seen_share : label -> share of the station's length that shows an edge.
    wrap_deg, tip_length_mm : (b, 2) value and standard uncertainty, nan where an end is not seen.
    sizes : name -> (value, standard uncertainty), mm: tip_diameter, hub_diameter, thickness, axial_length.
    curves : blade number -> (arc_mm, height_mm, angle_deg, standard_uncertainty_deg) arrays over what is seen.
    """

    labels: tuple[str, ...]
    angle_deg: Array
    budget: Budget
    not_seen: dict[int, dict[str, str]]
    sees: dict[str, list[Face]]
    seen_share: dict[str, float]
    wrap_deg: Array
    tip_length_mm: Array
    sizes: dict[str, tuple[float, float]]
    curves: dict[int, tuple[Array, Array, Array, Array]] = field(default_factory=dict)


def measure_stations(result: Adjustment, options: StationOptions) -> Stations:
    """Angles, curves and sizes from an adjustment."""
    rotor = result.state.rotor
    seen_at, faces_at = _seen(result)
    ends_known = ends_seen(result)
    labels, angles, rows = [], [], []
    not_seen: dict[int, dict[str, str]] = {}
    sees: dict[str, list[Face]] = {}
    share: dict[str, float] = {}
    for b in range(rotor.blades):
        tau, length = arc_of(rotor, b, rotor.ends[b])
        columns = BladeColumns.of(result.layout, rotor, b)
        for station in STATIONS:
            why = _why_not(rotor, b, station, options, tau, length, seen_at[b], ends_known)
            if why:
                not_seen.setdefault(b + 1, {})[station] = why
                continue
            label = f"{b + 1}.{station}"
            low, high = station_span(length[-1], station, options)
            at_mm = np.interp(seen_at[b], tau, length)
            inside = (at_mm >= low) & (at_mm <= high)
            sees[label] = sorted(name for name, sign in FACES.items() if (faces_at[b][inside] == sign).sum() >= 2)
            share[label] = float((np.histogram(at_mm, BINS, (low, high))[0] > 0).mean())
            labels.append(label)
            angles.append(station_angle(rotor, b, station, options))
            rows.append(columns.rows(angle_gradient(rotor, b, station, options)))
    jacobian = np.array(rows).reshape(len(rows), result.layout.size)
    budget = _budget(result, tuple(labels), jacobian)
    wrap, tip = np.full((rotor.blades, 2), np.nan), np.full((rotor.blades, 2), np.nan)
    for b in np.flatnonzero(ends_known.all(1)).tolist():
        _, length, by = length_gradient(rotor, b)
        columns = BladeColumns.of(result.layout, rotor, b)
        row = np.zeros(result.layout.size)
        row[columns.ends] = -1.0, 1.0
        wrap[b] = np.degrees([rotor.ends[b, 1] - rotor.ends[b, 0], _deviation(result, row)])
        tip[b] = length[-1], _deviation(result, columns.rows(by[-1]))
    thickness = np.zeros(result.layout.size)
    thickness[result.layout["rotor"].start + 1] = 1.0
    sizes = {
        "tip_diameter": _tip_diameter(result),
        "thickness": (rotor.thickness_mm, _deviation(result, thickness)),
    }
    if len(result.state.circles):
        sizes["hub_diameter"] = _hub(result)
    if ends_known.all():
        sizes["axial_length"] = _fall(result)
    curves = {b + 1: _curve(result, b, seen_at[b]) for b in range(rotor.blades) if len(seen_at[b]) > 5}
    return Stations(tuple(labels), np.array(angles), budget, not_seen, sees, share, wrap, tip, sizes, curves)


def growth_of(angle_deg: ArrayLike, budget: Budget) -> tuple[float, float] | None:
    """How much steeper exits are than entries on the mean, deg, and its standard uncertainty; None if unseen.

    angle_deg : (n,) of the budget's angles.
    """
    entry, exit_ = (budget.mean_weights(station) for station in ("entry", "exit"))
    if entry is None or exit_ is None:
        return None
    over = exit_ - entry
    variance = float(over @ budget.covariance_deg2 @ over)
    return float(over @ np.asarray(angle_deg)), float(np.sqrt(max(variance, 0.0)))


def _hub(result: Adjustment) -> tuple[float, float]:
    """Diameter, mm, of the hub at the largest circle about the axis, and its standard uncertainty.

    That of the circle's height, and of how far the rim is broken (a rectangular distribution, JCGM 100, 4.3.7).
    """
    k = int(result.state.circles[:, 0].argmax())
    at = result.layout["circles"].start + 2 * k
    u_mm = np.hypot(np.sqrt(result.covariance[at, at]), STATION_ANGLES.broken_rim_mm / np.sqrt(12))
    return 2 * float(result.state.circles[k, 0]) + STATION_ANGLES.broken_rim_mm, 2 * float(u_mm)


def _fall(result: Adjustment) -> tuple[float, float]:
    """Height, mm, from the trailing to the leading end, of the mean over blades, and its standard uncertainty."""
    rotor = result.state.rotor
    over, fall_mm = np.array([1.0, -1.0]), 0.0
    row = np.zeros(result.layout.size)
    for blade, ends in enumerate(rotor.ends):
        columns = BladeColumns.of(result.layout, rotor, blade)
        row[columns.heights] += over @ rotor.basis.matrix(ends) / rotor.blades
        row[columns.ends] += over * rotor.basis.values(ends, rotor.heights, blade, 1) / rotor.blades
        fall_mm += float(over @ rotor.basis.values(ends, rotor.heights, blade)) / rotor.blades
    return fall_mm, _deviation(result, row)


def _tip_diameter(result: Adjustment) -> tuple[float, float]:
    """Diameter, mm, over the middle of the tips, of the mean over blades, and its standard uncertainty."""
    diameter_mm, row = diameter_over_tips(result)
    return diameter_mm, _deviation(result, row)


def diameter_over_tips(result: Adjustment, share: float = 0.5) -> tuple[float, Array]:
    """Diameter, mm, over the tips at a share of their length, of the mean over blades; its derivatives (n,)."""
    rotor = result.state.rotor
    by, radius_mm = over_tips(rotor, share)
    row = np.zeros(result.layout.size)
    row[result.layout["rotor"].start] = by[0]
    row[result.layout["tips"]] = by[1:]
    return 2 * radius_mm, 2 * row


def points_seen(result: Adjustment) -> list[Array]:
    """Per blade: tau (m,) of the tip points that count."""
    return _seen(result)[0]


def _deviation(result: Adjustment, row: Array) -> float:
    """Standard uncertainty of a function of the unknowns with these derivatives (n,)."""
    return float(np.sqrt(max(float(row @ result.covariance @ row), 0.0)))


def _seen(result: Adjustment) -> tuple[list[Array], list[Array]]:
    """Per blade: tau (m,) of the tip points that count, and their face signs (m,)."""
    state = result.state
    rotor = state.rotor
    taus: list[list[Array]] = [[] for _ in range(rotor.blades)]
    faces: list[list[Array]] = [[] for _ in range(rotor.blades)]
    for p, view in enumerate(result.views):
        for kind, sign in TIP_KINDS.items():
            tips = view.tips_of(sign)
            if tips is None:
                continue
            tau = state.tau_of_tips(tips, p, state.setups.index(view.setup))
            good = np.isfinite(tau) & (result.weight[p][kind] > STATION_ANGLES.kept_weight)
            for b in range(rotor.blades):
                mine = good & (tips.blade == b)
                taus[b].append(tau[mine])
                faces[b].append(tips.face[mine])
    none = np.zeros(0)
    return [np.concatenate([none, *t]) for t in taus], [np.concatenate([none, *f]) for f in faces]


def ends_seen(result: Adjustment) -> Array:
    """(b, 2) bool: whether a photograph shows the leading and the trailing end of each blade."""
    rotor = result.state.rotor
    known = np.zeros((rotor.blades, 2), bool)
    for p, view in enumerate(result.views):
        if view.ends is not None and len(view.ends.px):
            good = result.weight[p]["end"] > 0.2
            known[view.ends.blade[good], view.ends.end[good]] = True
    return known


def _why_not(
    rotor: Rotor, b: int, station: str, options: StationOptions, tau: Array, length: Array, seen: Array, known: Array
) -> str:
    """Why a station cannot be measured, or an empty string."""
    needed = {"entry": [0], "middle": [0, 1], "exit": [1]}[station]
    for end in needed:
        if not known[b, end]:
            # one end that is not clear on this blade stands where it does on the others, to the adjustment's prior
            if known[:, end].sum() * 2 > len(known):
                continue
            return f"the blade's {('leading', 'trailing')[end]} end is not seen"
    low, high = station_span(length[-1], station, options)
    if high - low < ANGLES.shortest_mm:
        return "the blade is too short for a station of this length"
    at = np.interp(seen, tau, length)
    bins = np.histogram(at, BINS, (low, high))[0]
    if (bins > 0).sum() < STATION_ANGLES.needed_bins or not len(seen):
        return f"only {(bins > 0).sum() * 100 // BINS} % of the station shows a tip edge"
    return ""


#: Sources of the adjustment -> line of the budget, kind, degrees of freedom, shared with other records.
_LINES: dict[str, tuple[str, Kind, float]] = {
    "tip edges": ("tip edge points", "A", 200.0),
    "ring corners": ("ring points", "A", 500.0),
    "blade ends": ("blade ends", "A", 20.0),
    "hub circles seen": ("axis: hub circles", "A", 100.0),
    "hub circles": ("axis: hub circles", "A", 100.0),
    "tilt": ("axis: tilt", "B", 50.0),
    "focus and stabiliser": ("focus and stabiliser", "B", 50.0),
    "print and flatness": ("print and flatness", "B", 50.0),
    "tip radius": ("tip radius", "B", 50.0),
    "tip wear": ("wear and run-out of the tips", "B", 50.0),
    "blade edges": ("blade-edge condition", "B", 50.0),
    "grooves": ("grooves of the tip land", "B", 20.0),
    "moves": ("rotor moved between photographs", "B", 50.0),
    "smoothness": ("smoothness of the tip curve", "B", 50.0),
    "overlap": ("usual overlap", "B", 50.0),
    "gauge": ("smoothness of the tip curve", "B", 50.0),
    "blades alike": ("blades alike", "B", 50.0),
}


def _budget(result: Adjustment, labels: tuple[str, ...], jacobian: Array) -> Budget:
    """The covariance of all angles, taken apart by source, and the edge bias that no photograph shows."""
    response = jacobian @ result.covariance  # (angles, n)
    parts: dict[str, list[Array]] = {}
    kinds: dict[str, tuple[Kind, float]] = {}
    for source, information in result.information.items():
        if source == "camera calibration":
            continue
        name, kind, dof = _LINES[source]
        parts.setdefault(name, []).append(response @ information @ response.T)
        kinds[name] = (kind, dof)
    lines = [
        BudgetLine(name, kinds[name][0], _symmetric(np.sum(m, axis=0)), kinds[name][1]) for name, m in parts.items()
    ]
    at = result.layout["camera"]
    calibration = result.information["camera calibration"][at, at]
    lines.insert(
        0,
        line_from_jacobian(
            "focal length and lens", "B", response[:, at] @ calibration, np.linalg.inv(calibration), 50.0, "camera"
        ),
    )
    for edge, shift in result.shifts.items():
        if edge in FACE_SHIFTS:
            effect = jacobian @ shift * STATION_ANGLES.edge_bias_px
            lines.append(BudgetLine(FACE_SHIFTS[edge], "B", np.outer(effect, effect), 20.0))
    if not result.from_above and result.state.rotor.tip_radius.condition is not None:
        effects = waviness_effects(result, jacobian)
        lines.append(BudgetLine("waviness of the tips", "B", effects @ effects.T, 20.0))
    if result.from_above and result.birge_ratio_squared > 1 and len(result.state.setups) > 1:
        # photographs that were matched at a wrong place bend the blades; what is off then is not in the covariance
        total = np.sum([line.covariance_deg2 for line in lines], axis=0)
        lines.append(BudgetLine("consistency of both ends", "A", (result.birge_ratio_squared - 1) * total, 20.0))
    if result.from_above and result.state.rotor.tip_radius.condition == ANY_TIPS:
        of = {"entry": STATION_ANGLES.entry_wear_form_deg, "exit": STATION_ANGLES.exit_wear_form_deg}
        form = np.array([of.get(blade_and_station(label)[1], 0.0) for label in labels])
        # a re-pitch leaves the tips much as they were, so that this is no part of a change
        lines.append(BudgetLine("form of the wear", "B", np.outer(form, form), 20.0, "rotor", form[None]))
    return Budget(labels, tuple(lines))


FACE_SHIFTS = {
    "inlet tips": "edge bias, inlet face",
    "outlet tips": "edge bias, outlet face",
    "ring": "edge bias, ring",
}


def _symmetric(matrix: Array) -> Array:
    out: Array = (matrix + matrix.T) / 2
    return out


def _curve(result: Adjustment, blade: int, seen: Array) -> tuple[Array, Array, Array, Array]:
    """Arc, height, angle and its uncertainty along the tip of one blade, every 2 mm over what is seen."""
    rotor = result.state.rotor
    tau, length = arc_of(rotor, blade, rotor.ends[blade])
    low, high = np.interp(np.quantile(seen, [0.005, 0.995]), tau, length)
    arc = np.arange(max(low, 1.0), min(high, length[-1] - 1.0), 2.0)
    at = np.interp(arc, length, tau)
    slope, radius = rotor.basis.matrix(at, 1), rotor.radius_at(at, blade)
    tangent = -(slope @ rotor.heights[blade]) / radius
    shared, own = rotor.tip_radius.shapes(at, blade)
    by_radius = np.column_stack([np.ones(len(at)), np.zeros((len(at), 2)), np.zeros_like(slope), shared.T, own.T])
    by = by_radius * (-tangent / radius)[:, None]
    by[:, 3 : 3 + rotor.basis.count] = -slope / radius[:, None]
    rows = BladeColumns.of(result.layout, rotor, blade).rows(by / (1 + tangent[:, None] ** 2))
    u = np.degrees(np.sqrt(np.maximum(((rows @ result.covariance) * rows).sum(1), 0)))
    return arc, rotor.basis.matrix(at) @ rotor.heights[blade], np.degrees(np.arctan(tangent)), u
