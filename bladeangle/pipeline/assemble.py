"""Measurement -> the record: names and units; the numbers come from the modules before."""

from __future__ import annotations

import platform
from dataclasses import asdict
from typing import Any, Literal

import msgspec
import numpy as np
import scipy

from bladeangle import __version__
from bladeangle.adjustment.adjust import Adjustment
from bladeangle.adjustment.model import TIP_KINDS
from bladeangle.base import clock
from bladeangle.base.budget import STATIONS
from bladeangle.base.files import import_cv2
from bladeangle.base.geometry import Array
from bladeangle.detection import edges
from bladeangle.imaging.camera import camera_to_file
from bladeangle.imaging.ring import ring_to_file
from bladeangle.pipeline.measure import Measurement, Options
from bladeangle.pipeline.shots import predicted
from bladeangle.records import content
from bladeangle.records.content import AtStations, Content, Quantity, Station, TipQuantity
from bladeangle.records.edits import edits_to_file
from bladeangle.records.record import Record, budget_lines, quantity, record_of_content, station_result
from bladeangle.records.station import StationOptions, station_span
from bladeangle.records.summary import IN_TABLE, table
from bladeangle.results import tips
from bladeangle.results.angles import arc_of
from bladeangle.results.stations import ends_seen
from bladeangle.results.trailing import TrailingEdges, trailing_edges
from bladeangle.tuning.results import STATION_ANGLES

__all__ = ["IN_TABLE", "record_of", "table"]

FACE_NAMES: dict[int, content.Face] = {1: "inlet", -1: "outlet"}


def record_of(measurement: Measurement, name: str) -> Record:
    """The measurement record; RecordError if it were not valid, which is a fault of ours."""
    found = measurement.stations
    result = measurement.result
    covariance = found.budget.covariance_deg2
    trailing = trailing_edges(result, ends_seen(result)[:, 1])
    edits = measurement.edits
    return record_of_content(
        Content(
            schema="bladeangle-record/1",
            created=clock.stamp(),
            name=name,
            software={
                "bladeangle": __version__,
                "python": platform.python_version(),
                "numpy": np.__version__,
                "scipy": scipy.__version__,
                "opencv-python": import_cv2().__version__,
            },
            rotor=_rotor(measurement, covariance, trailing),
            blades=[_blade(measurement, b, trailing) for b in range(result.state.rotor.blades)],
            covariance=content.Covariance(list(found.labels), covariance.tolist()),
            budget=budget_lines(found.budget),
            flags=[content.Flag(f.code, f.text, f.photo, f.blade, f.station) for f in measurement.flags],
            photos=[_photo(measurement, p) for p in range(len(measurement.shots))],
            suggestion=measurement.suggestion,
            camera=camera_to_file(measurement.camera),
            ring=ring_to_file(measurement.ring),
            options=_options(measurement.options),
            edits=None if edits is None else edits_to_file(edits),
            checks=_checks(result, measurement.camera.reduction),
        )
    )


def _options(options: Options) -> content.Options:
    said = asdict(options)
    stations = StationOptions(said.pop("station_length_mm"), said.pop("station_skip_mm"))
    return content.Options(stations=stations, **said)


def _checks(result: Adjustment, of_file: int) -> content.Checks:
    """How well all photographs fit the model, by kind of observation, and how far it had to leave what was known.

    of_file : pixels of the files in a line for each that was worked on.
    """
    residuals = {}
    for kind in sorted({kind for kinds in result.residual_px for kind in kinds}):
        photos = [p for p, kinds in enumerate(result.residual_px) if kind in kinds]
        r = np.concatenate([result.residual_px[p][kind] for p in photos])
        w = np.concatenate([result.weight[p][kind] for p in photos])
        scales = [result.scale[p][kind] for p in photos if kind in result.scale[p]]
        residuals[kind] = content.Residuals(
            count=len(r),
            kept=int((w > STATION_ANGLES.kept_weight).sum()),
            rms_px=float(np.sqrt((w * r**2).sum() / w.sum())) * of_file if w.sum() > 0 else None,
            scale=float(np.sqrt(np.mean(np.square(scales)))) if scales else None,
        )
    return content.Checks(
        iterations=result.iterations,
        sway=list(result.correlated_sigma),
        residuals=residuals,
        known_before={source: max(float(cost), 0.0) for source, cost in result.prior_cost.items()},
    )


def _known(pair: Any) -> Quantity | None:
    value, u = (float(v) for v in pair)
    return quantity(value, u) if np.isfinite((value, u)).all() else None


def _blade(measurement: Measurement, blade: int, trailing: TrailingEdges | None) -> content.Blade:
    found = measurement.stations
    index = {label: k for k, label in enumerate(found.labels)}
    here = [index.get(f"{blade + 1}.{station}") for station in STATIONS]
    return content.Blade(
        number=blade + 1,
        stations=AtStations(*(None if k is None else _station(measurement, k) for k in here)),
        not_seen=found.not_seen.get(blade + 1, {}),
        wrap_deg=_known(found.wrap_deg[blade]),
        tip_length_mm=_known(found.tip_length_mm[blade]),
        curve=_curve(measurement, blade),
        trailing_distance=msgspec.UNSET if trailing is None else _known(trailing.blades[blade]),
        points=_points(measurement, blade),
        tip=None if measurement.tips is None else _blade_tip(measurement.tips.blades[blade]),
    )


def _station(measurement: Measurement, k: int) -> Station:
    found = measurement.stations
    u, dof, _ = found.budget.angle(k)
    return station_result(float(found.angle_deg[k]), u, found.sees[found.labels[k]], dof)


def _rotor(measurement: Measurement, covariance: Array, trailing: TrailingEdges | None) -> content.Rotor:
    found = measurement.stations
    rotor = measurement.result.state.rotor
    radius_mm, radius_u = (x / 2 for x in found.sizes["tip_diameter"])
    means: list[Station | None] = []
    spreads: list[Quantity | None] = []
    pitches: list[Quantity | None] = []
    for station in STATIONS:
        weights = found.budget.mean_weights(station)
        here = [k for k, label in enumerate(found.labels) if label.endswith(station)]
        if weights is None or not here:
            for column in (means, spreads, pitches):
                column.append(None)
            continue
        u, dof, _ = found.budget.of(weights)
        mean = float(weights @ found.angle_deg)
        means.append(station_result(mean, u, sorted({s for k in here for s in found.sees[found.labels[k]]}), dof))
        tangent, per_rad = np.tan(np.radians(mean)), 1 / np.cos(np.radians(mean)) ** 2
        pitch_u = 2 * np.pi * np.hypot(tangent * radius_u, radius_mm * per_rad * np.radians(u))
        pitches.append(quantity(float(2 * np.pi * radius_mm * tangent), float(pitch_u)))
        high, low = max(here, key=lambda k: found.angle_deg[k]), min(here, key=lambda k: found.angle_deg[k])
        variance = covariance[high, high] + covariance[low, low] - 2 * covariance[high, low]
        spread = float(found.angle_deg[high] - found.angle_deg[low])
        spreads.append(quantity(spread, float(np.sqrt(max(variance, 0.0)))) if high != low else None)
    sizes = {k: quantity(*v) for k, v in found.sizes.items()}
    return content.Rotor(
        blade_count=rotor.blades,
        # Falling counter-clockwise seen from the inlet: a left-hand screw.
        hand="left" if rotor.turn > 0 else "right",
        tip_diameter_mm=sizes["tip_diameter"],
        hub_diameter_mm=sizes.get("hub_diameter"),
        tip_thickness_mm=sizes.get("thickness"),
        axial_length_mm=sizes.get("axial_length"),
        stations=AtStations(*means),
        spread_deg=AtStations(*spreads),
        pitch_mm=AtStations(*pitches),
        trailing_distance=msgspec.UNSET if trailing is None else _known(trailing.mean),
        tips=None if measurement.tips is None else _tips(measurement.tips),
    )


def _tips(found: tips.Tips) -> content.Tips:
    """What the rotor's tips are like."""
    return content.Tips(
        seen=found.seen,
        leading_wear_mm=_estimate(found.leading_wear),
        trailing_wear_mm=_estimate(found.trailing_wear),
        taper_mm=_estimate(found.taper),
        run_out_mm=_estimate(found.run_out),
        clearance_mm=_clearance(found.clearance),
        camera_effects_mm={name: effects.tolist() for name, effects in found.effects_mm.items()},
    )


def _blade_tip(tip: tips.BladeTip) -> content.BladeTip:
    """The same of one blade."""
    return content.BladeTip(
        arc_mm=np.round(tip.arc_mm, 3).tolist(),
        radius_mm=np.round(tip.radius_mm, 5).tolist(),
        standard_uncertainty_mm=np.round(tip.u_mm, 5).tolist(),
        shape_uncertainty_mm=np.round(tip.shape_u_mm, 5).tolist(),
        leading_wear_mm=_estimate(tip.leading_wear),
        trailing_wear_mm=_estimate(tip.trailing_wear),
        run_out_mm=_estimate(tip.run_out),
        clearance_mm=_clearance(tip.clearance),
    )


def _estimate(found: tips.Estimate) -> TipQuantity:
    """A quantity, and whether it rests on photographs."""
    return TipQuantity(**msgspec.structs.asdict(quantity(found.value_mm, found.u_mm)), seen=found.seen)


def _clearance(found: tips.Clearance | None) -> content.Clearance | None:
    if found is None:
        return None
    return content.Clearance(*(quantity(e.value_mm, e.u_mm) for e in (found.smallest, found.mean)))


def _curve(measurement: Measurement, blade: int) -> content.Curve:
    arrays = measurement.stations.curves.get(blade + 1)
    if arrays is None:
        return content.Curve([], [], [], [])
    arc, height, angle, u = (np.round(a, 5).tolist() for a in arrays)
    return content.Curve(arc, height, angle, u)


def _points(measurement: Measurement, blade: int) -> content.Points:
    """Measured points of one blade unrolled: arc from the leading edge, and height of the mid-line that each says."""
    result = measurement.result
    state, rotor = result.state, result.state.rotor
    tau_along, length = arc_of(rotor, blade, rotor.ends[blade])
    arc: list[float] = []
    height: list[float] = []
    kept: list[int] = []
    for p, view in enumerate(result.views):
        for kind, sign in TIP_KINDS.items():
            tips = view.tips_of(sign)
            if tips is None:
                continue
            mine = tips.blade == blade
            setup = state.setups.index(view.setup)
            px, far = tips.px[mine], tips.far[mine]
            foot = state.on_cylinder(px, p, setup, rotor.radius_mm, far)
            for _ in range(2):  # the radius changes little along the tip, so that its place is soon found
                ok = np.isfinite(foot).all(1)
                tau = rotor.tau_of(foot[ok], tips.blade[mine][ok])
                radius = np.full(len(px), rotor.radius_mm)
                radius[ok] = rotor.radius_at(tau, blade)
                foot = state.on_cylinder(px, p, setup, radius, far)
            ok &= np.isfinite(foot).all(1)
            tau = rotor.tau_of(foot[ok], tips.blade[mine][ok])
            on = rotor.half(tau, tips.blade[mine][ok])[0] * (rotor.thickness_mm + rotor.extra_mm[blade]) * sign
            arc += np.round(np.interp(tau, tau_along, length), 3).tolist()
            height += np.round(foot[ok][:, 2] - on, 4).tolist()
            kept += (result.weight[p][kind][mine][ok] > STATION_ANGLES.kept_weight).astype(int).tolist()
    return content.Points(arc, height, kept)


def _photo(measurement: Measurement, p: int) -> content.Photo:
    result, shot = measurement.result, measurement.shots[p]
    state, view = result.state, result.views[p]
    in_file, of_file = shot.photo.in_file, shot.photo.reduction
    traces = []
    for kind, sign in TIP_KINDS.items():
        tips = view.tips_of(sign)
        if tips is None:
            continue
        weight = result.weight[p][kind]
        for b, far in np.unique(np.column_stack([tips.blade, tips.far]), axis=0):
            mine = (tips.blade == b) & (tips.far == far)
            traces.append(_trace("tip", int(b) + 1, FACE_NAMES[sign], in_file(tips.px[mine]), weight[mine]))
    if view.circles is not None:
        for c in np.unique(view.circles.circle):
            mine = view.circles.circle == c
            px, weight = in_file(view.circles.px[mine]), result.weight[p]["circle"][mine]
            traces.append(_trace("hub", None, None, px, weight))
    edge = [result.rms_px(p, kind) for kind in TIP_KINDS if kind in result.residual_px[p]]
    return content.Photo(
        name=shot.name,
        sha256=shot.photo.sha256,
        width=shot.photo.file_size[0],
        height=shot.photo.file_size[1],
        standing="inlet_up" if shot.setup == "inlet_up" else "outlet_up",
        view="overhead" if shot.overhead else "oblique",
        r_camera_ring=state.r_camera_ring[p].tolist(),
        t_camera_ring_mm=state.t_camera_ring[p].tolist(),
        focal_px=float(state.camera_of(p)[0]) * of_file,
        ring_rms_px=result.rms_px(p, "ring") * of_file,
        edge_rms_px=float(np.sqrt(np.mean(np.square(edge)))) * of_file if edge else None,
        markers_seen=len(view.sighting.seen),
        traces=traces,
        stations_px=_stations_px(measurement, p),
    )


def _trace(
    kind: Literal["tip", "hub"], blade: int | None, face: content.Face | None, px: Array, weight: Array
) -> content.Trace:
    return content.Trace(
        kind, blade, face, np.round(px, 3).tolist(), (weight > STATION_ANGLES.kept_weight).astype(int).tolist()
    )


def _stations_px(measurement: Measurement, p: int) -> list[content.StationLine]:
    """Where the stations lie in a photograph, along the upper edges predicted to be seen."""
    state, shot = measurement.result.state, measurement.shots[p]
    rotor = state.rotor
    options = StationOptions(measurement.options.station_length_mm, measurement.options.station_skip_mm)
    setup = state.setups.index(shot.setup)
    up = edges.upper_face(shot.setup)
    out = []
    for stretch in predicted(state, p, shot, edges.ROUGH_STEP_MM, far_side=True):
        if stretch.face != up:
            continue
        some = np.append(np.arange(0, len(stretch.px) - 1, 8), len(stretch.px) - 1)  # between them the arc is even
        foot = state.on_cylinder(stretch.px[some], p, setup, rotor.radius_mm, np.full(len(some), stretch.far))
        tau = rotor.tau_of(foot, np.full(len(foot), stretch.blade))
        along, length = arc_of(rotor, stretch.blade, rotor.ends[stretch.blade])
        arc = np.interp(np.arange(len(stretch.px)), some, np.interp(tau, along, length))
        for station in STATIONS:
            low, high = station_span(float(length[-1]), station, options)
            inside = (arc >= low) & (arc <= high)
            if inside.sum() > 8:
                px = shot.photo.in_file(stretch.px[inside])
                pick = np.linspace(0, len(px) - 1, 13).astype(int)
                out.append(content.StationLine(stretch.blade + 1, station, np.round(px[pick], 2).tolist()))
    return out
