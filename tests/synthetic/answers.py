"""The truth about a rendered set: station angles, camera and poses, as `truth.json` holds them."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bladeangle.base.errors import DefinitionError
from tests.synthetic.scene import Array, RotorShape, Scene, half_thickness, tip_curve
from tests.synthetic.wear import Bent

#: Stations: this much of the tip after skipping this much edge rounding at either end; the middle is what lies between.
STATION_MM, SKIP_MM = 32.0, 2.0
FACES = {"mid": 0.0, "inlet_face": 1.0, "outlet_face": -1.0}


def station_angles(
    shape: RotorShape,
    blade: int,
    station_mm: float = STATION_MM,
    skip_mm: float = SKIP_MM,
) -> dict[str, dict[str, float]]:
    """Station angles in degrees of blade 0..blades-1: of the tip's mid-line and of the two tip edges.

    The angle is that of the least-squares slope of height on circumferential arc length at the local tip radius, over
    the points whose distance along the tip lies in the station. Damage is not part of it.

    Raises
    ------
    DefinitionError : the tip is too short for an entry, a middle and an exit station.
    """
    curve, length = tip_curve(shape, blade), shape.tip_length_mm
    s = curve.along_mm
    limits = {
        "entry": (skip_mm, skip_mm + station_mm),
        "middle": (skip_mm + station_mm, length - skip_mm - station_mm),
        "exit": (length - skip_mm - station_mm, length - skip_mm),
    }
    if limits["middle"][1] - limits["middle"][0] < 1.0:
        raise DefinitionError(
            f"a tip of {length:g} mm has no middle between two stations of {station_mm:g} mm.",
            "Use shorter stations or a longer blade.",
        )
    half = half_thickness(shape, s, shape.thickness_mm)
    out: dict[str, dict[str, float]] = {}
    for face, side in FACES.items():
        x = curve.round_mm + side * half * np.sin(curve.angle_rad)
        z = -curve.drop_mm + side * half * np.cos(curve.angle_rad)
        out[face] = {name: _slope_deg(x, z, (s >= a - 1e-9) & (s <= b + 1e-9)) for name, (a, b) in limits.items()}
    return out


def _slope_deg(x: Array, z: Array, inside: NDArray[np.bool_]) -> float:
    x, z = x[inside] - x[inside].mean(), z[inside] - z[inside].mean()
    return round(math.degrees(math.atan(-float(x @ z) / float(x @ x))), 5)


def wrap_deg(shape: RotorShape, blade: int) -> float:
    """Azimuth between a blade's leading and trailing tip, degrees, positive."""
    return math.degrees(tip_curve(shape, blade).phi_rad[-1])


def _rotor(shape: RotorShape) -> dict[str, Any]:
    return {
        "blades": shape.blades,
        "hand": "right" if shape.hand > 0 else "left",
        "tip_radius": shape.tip_radius_mm,
        "hub_radius": shape.hub_radius_mm,
        "nose_radius": shape.nose_radius_mm,
        "height": shape.height_mm,
        "bore_radius": shape.bore_radius_mm,
        "outlet_bore_radius": shape.outlet_bore_radius_mm,
        "tip_length": shape.tip_length_mm,
        "thickness": shape.thickness_mm,
        "lead_height": shape.lead_height_mm,
        **_wear(shape),
    }


def _wear(shape: RotorShape) -> dict[str, Any]:
    """What makes the tips no cylinder, and the blades' laws bend, by name; nothing of a sound rotor."""
    wear = shape.wear
    out: dict[str, Any] = {}
    for name, edge in (("wear", wear.leading), ("trailing_wear", wear.trailing)):
        if edge.depth_mm:
            out |= {name: edge.depth_mm, f"{name}_len": edge.length_mm, f"{name}_form": edge.form}
            out |= {f"{name}_share": list(edge.share)} if edge.share else {}
    if wear.taper_mm:
        out["taper"] = wear.taper_mm
    if wear.runout_mm:
        out["runout"] = list(wear.runout_mm)
    bent = shape.laws[0]
    if isinstance(bent, Bent):
        out |= {"kick": bent.kick_deg, "kick_len": bent.kick_mm, "bulge": bent.bulge_deg}
    if shape.damage:
        out["damage"] = [[d.kind, d.blade, d.at_mm, d.depth_mm, d.width_mm] for d in shape.damage]
    return out


def tip_radii(shape: RotorShape, blade: int, step_mm: float = 1.0) -> dict[str, list[float]]:
    """A blade's tip radius along its tip without damage: `arc_mm` from the leading edge, `radius_mm`."""
    at = np.append(np.arange(0.0, shape.tip_length_mm, step_mm), shape.tip_length_mm)
    return {"arc_mm": at.round(4).tolist(), "radius_mm": tip_curve(shape, blade).at(at)[3].round(5).tolist()}


def _photo(scene: Scene) -> dict[str, Any]:
    standing = scene.standing
    out: dict[str, Any] = {
        "file": scene.name,
        "eye": scene.view.eye_mm.tolist(),
        "R": [list(r) for r in scene.view.R],
        "t": list(scene.view.t_mm),
        "quality": scene.exposure.quality,
    }
    if scene.rotor is not None:
        out |= {
            "offset": list(standing.offset_mm),
            "tilt": [math.radians(a) for a in standing.tilt_deg],
            "spin": math.radians(standing.spin_deg),
            "flip": standing.flipped,
            "rotor_pose": standing.pose(scene.rotor).tolist(),
        }
    return out


def truth(scenes: list[Scene], name: str) -> dict[str, Any]:
    """Truth of photographs of one rotor (or of the bare sheet) with one camera, ready for JSON.

    `camera`: f, cx, cy, dist (k1 k2 p1 p2 k3), width, height; `photos`: file, R and t (ring -> camera), rotor_pose
    (rotor -> ring, 4x4); `blades`: station angles in degrees of mid, inlet_face and outlet_face, wrap_deg, and
    the tip radius (`tip_radii`).
    """
    camera, shape = scenes[0].camera, scenes[0].rotor
    out: dict[str, Any] = {
        "name": name,
        "camera": {
            "name": camera.name,
            "f": camera.f_px,
            "cx": camera.cx_px,
            "cy": camera.cy_px,
            "dist": list(camera.dist),
            "width": camera.width,
            "height": camera.height,
            "f35": camera.focal_35mm,
            "full_well": scenes[0].exposure.full_well,
        },
        "rotor": _rotor(shape) if shape else None,
        "photos": [_photo(scene) for scene in scenes],
    }
    if shape:
        out["blades"] = [
            station_angles(shape, b) | {"wrap_deg": round(wrap_deg(shape, b), 3)} | tip_radii(shape, b)
            for b in range(shape.blades)
        ]
    return out
