"""An invented record that follows the layout of records/FORMATS.md, and pictures to go with it.

Everything is computed from an invented helix, ring and camera with the pinhole formula, so that the overlays lie where
a person would expect them; nothing here is measured and no file is needed. Used by the tests of picture, report, edits.
"""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
from numpy.typing import NDArray

from bladeangle.records.content import Content

Array = NDArray[np.float64]

STATIONS = ("entry", "middle", "exit")
WIDTH, HEIGHT, FOCAL_PX = 1600, 1200, 1180.0
TIP_RADIUS_MM, HUB_RADIUS_MM, TIP_LENGTH_MM = 78.0, 37.0, 190.0


def quantity(value: float | None, u: float = 0.1) -> dict[str, Any] | None:
    """A quantity of the record."""
    if value is None:
        return None
    return {
        "value": value,
        "standard_uncertainty": u,
        "expanded_uncertainty": 2 * u,
        "coverage_factor": 2.0,
        "dof": 40.0,
    }


def station(angle_deg: float, u: float, sees: list[str]) -> dict[str, Any]:
    """A station of the record."""
    return {
        "angle_deg": angle_deg,
        "standard_uncertainty_deg": u,
        "expanded_uncertainty_deg": 2 * u,
        "coverage_factor": 2.0,
        "dof": 40.0,
        "sees": sees,
    }


def looking_at(eye: Array, target: Array, up: Array) -> tuple[Array, Array]:
    """R_camera_ring and t_camera_ring_mm of a camera at `eye` looking at `target`."""
    z = (target - eye) / np.linalg.norm(target - eye)
    x = np.cross(z, up)
    x /= np.linalg.norm(x)
    r = np.stack([x, np.cross(z, x), z])
    return r, -r @ eye


def tip_curve(arc_mm: Array) -> Array:
    """Height in mm over arc length from the leading edge: about 9.5 deg at the entry, 14.5 deg at the exit."""
    return (
        60.0
        - np.tan(np.radians(9.5)) * arc_mm
        - 0.5 * (np.tan(np.radians(14.5)) - np.tan(np.radians(9.5))) / TIP_LENGTH_MM * arc_mm**2
    )


def tip_points(arc_mm: Array, blade: int, blade_count: int, sign: float, lift_mm: float) -> Array:
    """Points (n, 3) of a tip edge in the rotor frame."""
    azimuth = 2 * np.pi * (blade - 1) / blade_count + sign * arc_mm / TIP_RADIUS_MM
    return np.stack([TIP_RADIUS_MM * np.cos(azimuth), TIP_RADIUS_MM * np.sin(azimuth), tip_curve(arc_mm) + lift_mm], 1)


def pixels(points: Array, r: Array, t: Array, focal_px: float, width: int, height: int) -> Array:
    """Pinhole projection (n, 2)."""
    p = points @ r.T + t
    return p[:, :2] / p[:, 2:] * focal_px + [(width - 1) / 2, (height - 1) / 2]


def ring_definition() -> dict[str, Any]:
    """An invented ring of 24 square markers."""
    markers = []
    for i in range(24):
        a = 2 * np.pi * i / 24
        out, left = np.array([np.cos(a), np.sin(a)]), np.array([-np.sin(a), np.cos(a)])
        corners = [r * out + s * left for r, s in ((125.0, 9.0), (125.0, -9.0), (107.0, -9.0), (107.0, 9.0))]
        markers.append({"id": i, "corners_mm": [[float(x), float(y)] for x, y in corners]})
    return {
        "name": "invented ring",
        "units": "mm",
        "index_azimuth_deg": 0.0,
        "dictionary": "DICT_5X5_50",
        "inner_radius_mm": 107.0,
        "outer_radius_mm": 125.0,
        "markers": markers,
    }


def _photo(
    name: str, standing: str, view: str, eye: Array, blade_count: int, sign: float, hidden: list[str]
) -> dict[str, Any]:
    r, t = looking_at(
        eye, np.array([0.0, 0.0, 20.0]), np.array([0.1, 1.0, 0.0]) if view == "overhead" else np.array([0.0, 0.0, 1.0])
    )
    flip = np.diag([1.0, -1.0, -1.0]) if standing == "outlet_up" else np.eye(3)
    lift = np.array([0.0, 0.0, 62.0 if standing == "outlet_up" else 0.0])

    def to_ring(points: Array) -> Array:
        return points @ flip.T + lift

    def to_px(points: Array) -> Array:
        return pixels(to_ring(points), r, t, FOCAL_PX, WIDTH, HEIGHT)

    traces: list[dict[str, Any]] = []
    stations_px: list[dict[str, Any]] = []
    seen_arc = 0.85 * 2 * np.pi * TIP_RADIUS_MM / blade_count
    for blade in range(1, blade_count + 1):
        arc = np.arange(1.0, TIP_LENGTH_MM, 1.5)
        faces = {"inlet_up": "inlet", "outlet_up": "outlet"}
        for face in ("inlet", "outlet") if view == "oblique" else (faces[standing],):
            points = tip_points(arc, blade, blade_count, sign, 1.2 if face == "inlet" else -1.2)
            if view == "oblique":
                outward = points * [1.0, 1.0, 0.0] @ flip.T
                seen = (outward * (eye - to_ring(points))).sum(1) > 2000.0
            else:
                seen = arc < seen_arc if standing == "inlet_up" else arc > TIP_LENGTH_MM - seen_arc
            if not seen.any():
                continue
            px = to_px(points[seen])
            kept = np.ones(len(px), int)
            if blade == 2:
                kept[5:9] = 0
                px[5:9] += 9.0
            traces.append(
                {"kind": "tip", "blade": blade, "face": face, "px": px.round(2).tolist(), "kept": kept.tolist()}
            )
            if face == faces[standing]:
                ranges = {
                    "entry": (2, 34),
                    "middle": (34, TIP_LENGTH_MM - 34),
                    "exit": (TIP_LENGTH_MM - 34, TIP_LENGTH_MM - 2),
                }
                for name_, (low, high) in ranges.items():
                    inside = (arc[seen] >= low) & (arc[seen] <= high)
                    if inside.sum() > 3 and name_ not in hidden:
                        stations_px.append({"blade": blade, "station": name_, "px": px[inside].round(2).tolist()})
    azimuth = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    hub = np.stack(
        [
            HUB_RADIUS_MM * np.cos(azimuth),
            HUB_RADIUS_MM * np.sin(azimuth),
            np.full(90, 58.0 if standing == "inlet_up" else 4.0),
        ],
        1,
    )
    kept = np.ones(90, int)
    kept[10:14] = 0
    traces.append(
        {"kind": "hub", "blade": None, "face": None, "px": to_px(hub).round(2).tolist(), "kept": kept.tolist()}
    )
    return {
        "name": name,
        "sha256": hashlib.sha256(name.encode()).hexdigest(),
        "width": WIDTH,
        "height": HEIGHT,
        "standing": standing,
        "view": view,
        "R_camera_ring": r.tolist(),
        "t_camera_ring_mm": t.tolist(),
        "focal_px": FOCAL_PX,
        "ring_rms_px": 0.12,
        "edge_rms_px": 0.31,
        "markers_seen": 24,
        "traces": traces,
        "stations_px": stations_px,
    }


def invented_record(
    *, blade_count: int = 3, oblique: int = 2, turned: bool = True, name: str = "Heron, spare rotor"
) -> dict[str, Any]:
    """A record with one or two overhead and `oblique` oblique photographs; without `turned` the exit is not seen."""
    hidden = [] if turned else ["exit"]
    angles = {"entry": 9.5, "middle": 12.0, "exit": 14.5}
    uncertainties = {"entry": 0.11, "middle": 0.08, "exit": 0.14}
    photos = [_photo("inlet.png", "inlet_up", "overhead", np.array([3.0, -4.0, 300.0]), blade_count, 1.0, hidden)]
    if turned:
        photos.append(_photo("outlet.png", "outlet_up", "overhead", np.array([-2.0, 5.0, 305.0]), blade_count, 1.0, []))
    for i in range(oblique):
        a = 2 * np.pi * i / max(oblique, 1) + 0.4
        eye = np.array([260 * np.cos(a), 260 * np.sin(a), 230.0])
        photos.append(_photo(f"around-{i + 1}.png", "inlet_up", "oblique", eye, blade_count, 1.0, hidden))
    blades = []
    labels = []
    arc = np.linspace(2.0, TIP_LENGTH_MM - 2.0, 48)
    slope = np.degrees(np.arctan(-np.gradient(tip_curve(arc), arc)))
    for blade in range(1, blade_count + 1):
        found: dict[str, Any] = {}
        for s in STATIONS:
            found[s] = None if s in hidden else station(angles[s] + 0.2 * (blade - 2), uncertainties[s], ["inlet"])
            if found[s]:
                labels.append(f"{blade}.{s}")
        seen = arc < (TIP_LENGTH_MM - 36 if hidden else TIP_LENGTH_MM)
        blades.append(
            {
                "number": blade,
                "stations": found,
                "not_seen": dict.fromkeys(hidden, "hidden under the next blade"),
                "wrap_deg": quantity(139.5, 0.2),
                "tip_length_mm": quantity(TIP_LENGTH_MM, 0.3),
                "curve": {
                    "arc_mm": arc[seen].tolist(),
                    "height_mm": (tip_curve(arc) + 0.3 * (blade - 2))[seen].tolist(),
                    "angle_deg": (slope + 0.2 * (blade - 2))[seen].tolist(),
                    "standard_uncertainty_deg": np.full(int(seen.sum()), 0.25).tolist(),
                },
            }
        )
    # blades are independent of each other: the covariance below is diagonal
    middle = 0.2 * ((blade_count + 1) / 2 - 2)
    alone = {s: u / blade_count**0.5 for s, u in uncertainties.items()}
    mean = {s: None if s in hidden else station(angles[s] + middle, alone[s], ["inlet"]) for s in STATIONS}
    apart = 0.2 * (blade_count - 1)
    spread = {
        s: None if s in hidden or blade_count < 2 else quantity(apart, 2**0.5 * uncertainties[s]) for s in STATIONS
    }
    variances = [uncertainties[label.split(".")[1]] ** 2 for label in labels]
    lines = [
        ("edge points", "A", 0.07),
        ("focal length", "B", 0.03),
        ("rotor axis", "A", 0.06),
        ("print scale", "B", 0.01),
        ("tone curve", "B", 0.02),
    ]
    budget = [
        {
            "line": line,
            "kind": kind,
            "stations": {s: None if s in hidden else u for s in STATIONS},
            "mean": {s: None if s in hidden else u / 2 for s in STATIONS},
        }
        for line, kind, u in lines
    ]
    flags = [
        {
            "code": "glare-gap",
            "text": "Glare hid 6 mm of the tip edge; the gap was bridged.",
            "photo": "inlet.png",
            "blade": 2,
            "station": "middle",
        },
        {
            "code": "uncalibrated-camera",
            "text": "The camera was not calibrated.",
            "photo": None,
            "blade": None,
            "station": None,
        },
    ]
    return {
        "schema": "bladeangle-record/1",
        "created": "2026-11-25T10:00:00Z",
        "name": name,
        "software": {"bladeangle": "0.1.0", "numpy": "2", "opencv": "5"},
        "rotor": {
            "blade_count": blade_count,
            "hand": "left",
            "tip_diameter_mm": quantity(2 * TIP_RADIUS_MM, 0.05),
            "hub_diameter_mm": quantity(2 * HUB_RADIUS_MM, 0.1),
            "tip_thickness_mm": quantity(2.4, 0.2) if oblique else None,
            "axial_length_mm": quantity(60.0, 0.2),
            "stations": mean,
            "spread_deg": spread,
            "pitch_mm": {s: None if s in hidden else quantity(82.0, 1.0) for s in STATIONS},
        },
        "blades": blades,
        "covariance": {"labels": labels, "matrix_deg2": np.diag(variances).tolist()},
        "budget": budget,
        "flags": flags,
        "photos": photos,
        "suggestion": "A photograph from the side, 40 degrees above the paper, from the direction of blade 3.",
        "camera": {
            "schema": "bladeangle-camera/1",
            "name": "invented phone",
            "width": WIDTH,
            "height": HEIGHT,
            "parameters": {
                "f_px": FOCAL_PX,
                "cx_px": (WIDTH - 1) / 2,
                "cy_px": (HEIGHT - 1) / 2,
                "k1": 0.0,
                "k2": 0.0,
                "p1": 0.0,
                "p2": 0.0,
                "k3": 0.0,
            },
            "covariance": np.diag([25.0, 4, 4, 1e-4, 1e-4, 1e-8, 1e-8, 1e-4]).tolist(),
            "provenance": {"from": "invention"},
        },
        "ring": ring_definition(),
        "options": {"stations": {"length_mm": 32.0, "skip_mm": 2.0}, "check_bar_mm": None},
    }


def content_of(data: dict[str, Any]) -> Content:
    """What a record holds as structures, unchecked, so that tests can have one that contradicts itself."""
    return msgspec.convert(data, Content)


def with_tips(data: dict[str, Any], wear_mm: float = 0.25, bore_mm: float | None = None) -> dict[str, Any]:
    """The record with tips worn at their leading ends, dying out over 15 mm; trailing ends were not seen."""

    def told(value: float, u: float, *, seen: bool = True) -> dict[str, Any]:
        return {**(quantity(value, u) or {}), "seen": seen}

    gap = None
    if bore_mm is not None:
        smallest, mean = (quantity(bore_mm / 2 - TIP_RADIUS_MM + more, 0.04) for more in (0.0, 0.05))
        gap = {"smallest": smallest, "mean": mean}
        data["options"] |= {"bore_mm": bore_mm, "bore_sigma_mm": 0.05}
    data["rotor"]["tips"] = {
        "seen": True, "leading_wear_mm": told(wear_mm, 0.04), "trailing_wear_mm": told(0.02, 0.05, seen=False),
        "taper_mm": told(0.03, 0.02), "run_out_mm": told(0.1, 0.03), "clearance_mm": gap,
        "camera_effects_mm": {"leading_wear": [0.02] + [0.0] * 7, "tip_diameter": [0.03] + [0.0] * 7},
    }  # fmt: skip
    arc = np.arange(2.0, TIP_LENGTH_MM, 4.0)
    for blade in data["blades"]:
        blade["tip"] = {
            "arc_mm": arc.tolist(), "radius_mm": (TIP_RADIUS_MM - wear_mm * np.exp(-arc / 15)).tolist(),
            "standard_uncertainty_mm": [0.05] * len(arc), "shape_uncertainty_mm": [0.03] * len(arc),
            "leading_wear_mm": told(wear_mm, 0.05), "trailing_wear_mm": told(0.02, 0.05, seen=False),
            "run_out_mm": told(0.02 * (blade["number"] - 2), 0.03), "clearance_mm": gap,
        }  # fmt: skip
    return data


def agreeing(data: dict[str, Any]) -> dict[str, Any]:
    """The record with means, spreads and uncertainties made to follow from its angles and covariance; in place."""
    labels, matrix = data["covariance"]["labels"], np.array(data["covariance"]["matrix_deg2"], float)
    stations = [data["blades"][int(b) - 1]["stations"][s] for b, s in (label.split(".") for label in labels)]

    def settle(found: dict[str, Any], variance: float, unit: str) -> None:
        u, k = float(np.sqrt(max(variance, 0.0))), found["coverage_factor"]
        found |= {f"standard_uncertainty{unit}": u, f"expanded_uncertainty{unit}": k * u}

    for i, found in enumerate(stations):
        settle(found, matrix[i, i], "_deg")
    for s in STATIONS:
        here = [i for i, label in enumerate(labels) if label.endswith(s)]
        if not here:
            data["rotor"]["stations"][s] = data["rotor"]["spread_deg"][s] = None
            continue
        angles = [stations[i]["angle_deg"] for i in here]
        mean = data["rotor"]["stations"][s] or station(0.0, 0.0, ["inlet"])
        data["rotor"]["stations"][s] = mean | {"angle_deg": float(np.mean(angles))}
        settle(data["rotor"]["stations"][s], float(matrix[np.ix_(here, here)].mean()), "_deg")
        high, low = here[int(np.argmax(angles))], here[int(np.argmin(angles))]
        spread = quantity(max(angles) - min(angles))
        if spread is not None and len(here) > 1:
            settle(spread, float(matrix[high, high] + matrix[low, low] - 2 * matrix[high, low]), "")
        data["rotor"]["spread_deg"][s] = spread if len(here) > 1 else None
    return data


def draw_photo(record: dict[str, Any], index: int) -> NDArray[np.uint8]:
    """A crude picture (height, width, 3) of photo `index`: paper, markers, hub and blade tips, no overlay."""
    import cv2

    photo = record["photos"][index]
    r, t = np.array(photo["R_camera_ring"]), np.array(photo["t_camera_ring_mm"])

    def flat(xy: Any) -> Array:
        xyz = np.column_stack([np.asarray(xy, float), np.zeros(len(xy))])
        return pixels(xyz, r, t, photo["focal_px"], photo["width"], photo["height"]).round().astype(np.int32)

    picture = np.full((photo["height"], photo["width"], 3), (60, 78, 100), np.uint8)
    cv2.fillPoly(picture, [flat([[-150, -150], [150, -150], [150, 150], [-150, 150]])], (225, 225, 225))
    for marker in record["ring"]["markers"]:
        cv2.fillPoly(picture, [flat(marker["corners_mm"])], (40, 40, 40))
    hub = next(x for x in photo["traces"] if x["kind"] == "hub")
    centre = np.mean(hub["px"], axis=0)
    for trace in photo["traces"]:
        if trace["kind"] == "tip":
            px = np.array(trace["px"])[np.array(trace["kept"]) == 1]
            fan = np.vstack([centre, px]).round().astype(np.int32)
            cv2.fillPoly(picture, [fan], (150 + 10 * trace["blade"],) * 3)
    cv2.fillPoly(picture, [np.array(hub["px"]).round().astype(np.int32)], (110, 110, 115))
    return picture


def write_photos(record: dict[str, Any], folder: Path) -> list[Path]:
    """Draw every photo into `folder` and put its true SHA-256 into the record; paths in the record's order."""
    import cv2

    paths = []
    for i, photo in enumerate(record["photos"]):
        path = folder / photo["name"]
        cv2.imwrite(str(path), draw_photo(record, i), [cv2.IMWRITE_PNG_COMPRESSION, 1])
        photo["sha256"] = hashlib.sha256(path.read_bytes()).hexdigest()
        paths.append(path)
    return paths
