"""Record -> the report's charts as SVG: angles with intervals, unrolled tips, budget, places of the camera, shelf."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import msgspec
import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from bladeangle.base.budget import STATIONS
from bladeangle.base.lengths import MM_PER_INCH, unit
from bladeangle.page.svg import el, figure, line, path, scale, text, ticks
from bladeangle.records.content import Blade, BudgetLine, Content, Photo
from bladeangle.records.station import station_span

#: Lines of the budget with less than this share of the largest are not drawn: squared, they add nothing.
DRAWN_SHARE = 0.05

Array = NDArray[np.float64]
Limits = Mapping[str, tuple[float, float]]
Axes = tuple[Callable[[float], float], Callable[[float], float], Callable[[float], float]]


def labelled(values: Sequence[float]) -> list[tuple[float, str]]:
    """Values of an axis with their labels, all to as many decimals as the one that needs most."""
    texts = [f"{v:.6g}" for v in values]
    places = max((len(t.partition(".")[2]) for t in texts if "e" not in t), default=0)
    return [(v, f"{v:.{places}f}") for v in values]


def length_ticks(low_mm: float, high_mm: float, inches: bool = False, most: int = 5) -> list[tuple[float, str]]:
    """Places of an axis of lengths, mm, with labels that are round in mm or in inches."""
    per_unit = MM_PER_INCH if inches else 1.0
    return [(v * per_unit, words) for v, words in labelled(ticks(low_mm / per_unit, high_mm / per_unit, most))]


def _mark(x: float, y: float, station: str, shape: str = "disc") -> Markup:
    """A mark; the mean has another shape than a blade."""
    if shape == "disc":
        return el("circle", cx=x, cy=y, r=4.5, class_=f"mark {station}")
    corners = [(x, y - 6.5), (x + 6.5, y), (x, y + 6.5), (x - 6.5, y)]
    return el("path", d=path(corners, closed=True), class_=f"mark {station}")


def _whisker(x: float, low: float, high: float, station: str) -> Markup:
    caps = [line(x - 5, y, x + 5, y, f"bar {station}") for y in (low, high)]
    return Markup("").join([line(x, low, x, high, f"bar {station}"), *caps])


def angle_charts(record: Content, limits: Limits | None = None) -> list[Markup]:
    """One chart a station: every blade and the mean with expanded uncertainty; all with the same degrees a millimetre.

    limits : lowest and highest angle ordered, degrees, for the stations that were ordered.
    """
    limits = limits or {}
    extents = {}
    for s in STATIONS:
        found = [at for b in record.blades if (at := b.stations.at(s))]
        if found:
            ends = [f.angle_deg + k * f.expanded_uncertainty_deg for f in found for k in (-1, 1)]
            ends += list(limits.get(s, ()))
            extents[s] = (min(ends), max(ends))
    span = max([high - low for low, high in extents.values()] + [0.8]) * 1.1
    return [_angle_chart(record, s, sum(extents[s]) / 2, span, limits.get(s)) for s in extents]


def _angle_chart(
    record: Content, station: str, middle: float, span: float, limit: tuple[float, float] | None
) -> Markup:
    w, h, left, right, top, bottom = 300, 230, 44, 292, 26, 200
    y = scale(middle - span / 2, middle + span / 2, bottom, top)
    blades = record.blades
    step = (right - left) / (len(blades) + 1)
    parts = [text(8, 16, f"{station}, degrees", "strong")]
    if limit:
        low, high = (min(max(y(v), top), bottom) for v in limit)
        parts.append(el("rect", x=float(left), y=high, width=float(right - left), height=low - high, class_="limits"))
        parts += [line(left, v, right, v, "limit") for v in (low, high)]
    for value, words in labelled(ticks(middle - span / 2, middle + span / 2)):
        parts.append(line(left, y(value), right, y(value), "grid"))
        parts.append(text(left - 6, y(value) + 4, words, "small", "end"))
    if limit:  # beside the title: in the chart it would lie over marks
        parts.append(text(right, 16, f"ordered {limit[0]:.2f} to {limit[1]:.2f}", "small", "end"))
    entries = [(f"{b.number}", b.stations.at(station), "disc") for b in blades]
    entries.append(("mean", record.rotor.stations.at(station), "diamond"))
    for i, (name, found, shape) in enumerate(entries):
        x = left + (i + 0.5) * step
        parts.append(text(x, bottom + 16, name, "small", "middle"))
        if found:
            angle, u = found.angle_deg, found.expanded_uncertainty_deg
            parts += [_whisker(x, y(angle + u), y(angle - u), station), _mark(x, y(angle), station, shape)]
        else:
            parts.append(text(x, (top + bottom) / 2, "not seen", "small", "middle"))
    parts.append(text((left + right - step) / 2, h - 1, "blade", "small", "middle"))
    return figure(w, h, f"Angle at the {station} of each blade with expanded uncertainty", *parts)


def station_ranges(record: Content, length_mm: float) -> dict[str, tuple[float, float]]:
    """Where the stations lie on a tip of `length_mm`, mm of arc from the leading edge."""
    return {s: station_span(length_mm, s, record.options.stations) for s in STATIONS}


def unrolled_charts(record: Content, inches: bool = False) -> list[Markup]:
    """Height and angle of each blade tip over the length of arc, all to the same scales; blades without curve left out.

    The axes of lengths are labelled in mm, or in inches.

    Measured points are drawn where a blade has them (`points`: `arc_mm`, `height_mm` and, if wanted, `kept`).
    """
    drawn = [(b, b.curve) for b in record.blades if b.curve and len(b.curve.arc_mm) > 1]
    if not drawn:
        return []
    blades = [b for b, _ in drawn]
    curves = [{k: np.array(v, float) for k, v in msgspec.structs.asdict(curve).items()} for _, curve in drawn]
    heights = np.concatenate([c["height_mm"] for c in curves])
    bands = [c["angle_deg"] + k * c["standard_uncertainty_deg"] for c in curves for k in (-2, 2)]
    levels = [s.angle_deg for b in blades for k in STATIONS if (s := b.stations.at(k))]
    longest = max(float(c["arc_mm"].max()) for c in curves)
    longest = max([longest] + [b.tip_length_mm.value for b in blades if b.tip_length_mm])
    angles = np.concatenate([*bands, levels])
    # The ends of a curve can be uncertain beyond any use of the picture; they may leave the frame.
    low = max(float(angles.min()), min(levels, default=-np.inf) - 6)
    high = min(float(angles.max()), max(levels, default=np.inf) + 6)
    axes = (
        scale(0.0, longest, 46, 412),
        scale(float(heights.min()) - 2, float(heights.max()) + 2, 180, 32),
        scale(low - 0.3, high + 0.3, 340, 214),
    )
    ends = (float(heights.min()) - 2, float(heights.max()) + 2)
    grid = _unrolled_grid(axes, longest, ends, (low - 0.3, high + 0.3), inches)
    return [_unrolled_chart(record, b, c, axes, grid, longest) for b, c in zip(blades, curves, strict=True)]


def _unrolled_grid(
    axes: Axes, longest: float, heights: tuple[float, float], angles: tuple[float, float], inches: bool
) -> Markup:
    x, y, z = axes
    parts = []
    for axis, places in ((y, length_ticks(*heights, inches)), (z, labelled(ticks(*angles)))):
        for v, words in places:
            parts += [line(46, axis(v), 412, axis(v), "grid"), text(40, axis(v) + 4, words, "small", "end")]
    for v, words in length_ticks(0.0, longest, inches, 6):
        parts += [line(x(v), 340, x(v), 344, "axis"), text(x(v), 357, words, "small", "middle")]
    parts += [text(412, 14, f"height, {unit(inches)}", "small", "end"), text(46, 206, "angle, degrees", "small")]
    parts.append(text(229, 371, f"arc length from the leading edge, {unit(inches)}", "small", "middle"))
    return Markup("").join(parts)


def _unrolled_chart(
    record: Content,
    blade: Blade,
    curve: Mapping[str, Array],
    axes: Axes,
    grid: Markup,
    longest: float,
) -> Markup:
    x, y, z = axes
    arc, angle, u = curve["arc_mm"], curve["angle_deg"], curve["standard_uncertainty_deg"]
    parts = [grid, text(46, 14, f"Blade {blade.number}", "strong")]
    length = blade.tip_length_mm.value if blade.tip_length_mm else longest
    for s, (start, end) in station_ranges(record, length).items():
        x0, x1 = x(start), x(end)
        if x1 <= x0:  # a tip too short for its stations
            continue
        for top, height in ((32.0, 148.0), (214.0, 126.0)):
            parts.append(el("rect", x=x0, y=top, width=x1 - x0, height=height, class_=f"zone {s}"))
        parts.append(text((x0 + x1) / 2, 28, s, "small", "middle"))
        if found := blade.stations.at(s):
            a, ua = found.angle_deg, found.expanded_uncertainty_deg
            box = {"x": x0, "y": z(a + ua), "width": x1 - x0, "height": z(a - ua) - z(a + ua)}
            parts += [el("rect", **box, class_=f"interval {s}"), line(x0, z(a), x1, z(a), f"level {s}")]
    points = blade.points
    if points:
        kept = points.kept or [1] * len(points.arc_mm)
        for a, height, keep in zip(points.arc_mm, points.height_mm, kept, strict=True):
            parts.append(el("circle", cx=x(a), cy=y(height), r=1.4, class_="point" if keep else "point struck"))
    band = [*zip(arc, angle + 2 * u, strict=True), *zip(arc[::-1], (angle - 2 * u)[::-1], strict=True)]
    inside = [(x(a), min(max(z(v), 210.0), 340.0)) for a, v in band]
    parts.append(el("path", d=path(inside, closed=True), class_="band"))
    for axis, values in ((z, angle), (y, curve["height_mm"])):
        points_px = [(x(a), axis(v)) for a, v in zip(arc, values, strict=True)]
        parts.append(el("path", d=path(points_px), class_="curve"))
    return figure(430, 376, f"Blade {blade.number}: height and angle of the tip over its length", *parts)


def sources_by_size(record: Content) -> list[BudgetLine]:
    """The lines of the budget, the one with the largest contribution to a blade's angle first."""
    return sorted(record.budget, key=lambda row: -_largest(row))


def _largest(row: BudgetLine) -> float:
    return max((float(row.stations.at(s) or 0.0) for s in STATIONS), default=0.0)


def budget_chart(sources: Sequence[BudgetLine]) -> Markup | None:
    """Standard uncertainty of one blade's angle by source, a bar for every station; None without a budget.

    sources : lines of the budget; those that have less than `DRAWN_SHARE` of the largest are left out.
    """
    if not sources:
        return None
    least = DRAWN_SHARE * max(map(_largest, sources))
    rows = [row for row in sources if _largest(row) >= least]
    seen = [s for s in STATIONS if any(r.stations.at(s) is not None for r in rows)]
    largest = max((r.stations.at(s) or 0.0 for r in rows for s in seen), default=0.0) or 1.0
    x = scale(0.0, largest, 0, 285)
    parts, y = [], 4.0
    for row in rows:
        parts.append(text(4, y + 12, f"{row.line} ({row.kind})", "small strong"))
        y += 18
        for s in seen:
            value = row.stations.at(s)
            if value is not None:
                parts.append(el("rect", x=58.0, y=y, width=max(x(value), 0.5), height=10.0, class_=f"fill {s}"))
                parts.append(text(63 + x(value), y + 9, f"{value:.3f}", "small"))
            parts += [text(52, y + 9, s, "small", "end")]
            y += 13
        y += 8
    return figure(400, y, "Standard uncertainty of one blade's angle by source, degrees", *parts)


@dataclass(frozen=True)
class CameraPlace:
    """Where a photograph was taken from in the ring frame: x, y, z, and by azimuth, elevation and distance.

    out_mm : distance from the ring's axis.
    """

    number: int
    photo: Photo
    x_mm: float
    y_mm: float
    z_mm: float
    out_mm: float
    azimuth_deg: float
    distance_mm: float
    elevation_deg: float


def camera_places(record: Content) -> list[CameraPlace]:
    """Where each photograph was taken from."""
    places = []
    for number, photo in enumerate(record.photos, 1):
        x, y, z = (float(v) for v in -np.array(photo.r_camera_ring).T @ np.array(photo.t_camera_ring_mm))
        out = float(np.hypot(x, y))
        places.append(
            CameraPlace(
                number=number,
                photo=photo,
                x_mm=x,
                y_mm=y,
                z_mm=z,
                out_mm=out,
                azimuth_deg=float(np.degrees(np.arctan2(y, x))) % 360,
                distance_mm=float(np.hypot(out, z)),
                elevation_deg=float(np.degrees(np.arctan2(z, out))),
            )
        )
    return places


def layout_charts(record: Content) -> list[Markup]:
    """Plan and side view of ring, rotor and camera places; a square is the rotor standing outlet end up."""
    places = camera_places(record)
    outer, inner = record.ring.outer_radius_mm, record.ring.inner_radius_mm
    rotor = float(record.rotor.tip_diameter_mm.value) / 2
    k = 172 / max([p.out_mm for p in places] + [1.5 * outer])
    high = max([k * abs(p.y_mm) + 12 for p in places] + [k * outer * 1.2 + 18])  # the arrow may point up
    cx, cy = 190.0, 24.0 + high
    a = np.radians(record.ring.index_azimuth_deg)
    tip = (cx + k * outer * 1.2 * float(np.cos(a)), cy - k * outer * 1.2 * float(np.sin(a)))
    plan = [
        text(6, 16, "From above", "strong"),
        el("circle", cx=cx, cy=cy, r=k * (outer + inner) / 2, class_="paper", stroke_width=k * (outer - inner)),
        el("circle", cx=cx, cy=cy, r=k * rotor, class_="rotor"),
        line(cx, cy, *tip, "arrow"),
        text(tip[0], tip[1] - 7, "blade 1", "small", "middle"),
    ]
    marks = _apart([(cx + k * p.x_mm, cy - k * p.y_mm) for p in places])
    plan += [line(x, y, cx, cy, "ray") for x, y in marks]
    plan += [_camera(p, x, y) for p, (x, y) in zip(places, marks, strict=True)]
    ground = 40.0 + k * max([p.z_mm for p in places] + [outer])
    axial = record.rotor.axial_length_mm
    tall = k * (axial.value if axial else 60.0)
    side = [
        text(6, 16, "From the side", "strong"),
        line(10, ground, 370, ground, "axis"),
        line(cx - k * outer, ground, cx + k * outer, ground, "sheet"),
        el("rect", x=cx - k * rotor, y=ground - tall, width=2 * k * rotor, height=tall, class_="rotor"),
    ]
    outs = [p.out_mm if p.x_mm >= 0 else -p.out_mm for p in places]
    marks = _apart([(cx + k * out, ground - k * p.z_mm) for out, p in zip(outs, places, strict=True)])
    side += [line(x, y, cx, ground, "ray") for x, y in marks]
    side += [_camera(p, x, y) for p, (x, y) in zip(places, marks, strict=True)]
    return [
        figure(380, cy + high + 4, "Where the camera was, seen from above", *plan),
        figure(380, ground + 12, "Where the camera was, seen from the side", *side),
    ]


def _apart(marks: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """Marks moved sideways, inside the chart, where they would hide an earlier one; the table has the true places."""
    out: list[tuple[float, float]] = []
    for x, y in marks:
        shifts = [sign * 3.0 * k for k in range(121) for sign in (1, -1)]
        places = [x + shift for shift in shifts if shift == 0 or 11 <= x + shift <= 369]
        free = (place for place in places if all(np.hypot(place - a, y - b) >= 21 for a, b in out))
        out.append((next(free, x), y))
    return out


def _camera(place: CameraPlace, x: float, y: float) -> Markup:
    if place.photo.standing == "outlet_up":
        shape = el("rect", x=x - 9, y=y - 9, width=18.0, height=18.0, class_="camera")
    else:
        shape = el("circle", cx=x, cy=y, r=10.0, class_="camera")
    return shape + text(x, y + 4, str(place.number), "small", "middle")


def shelf_chart(records: Sequence[Content]) -> Markup:
    """Mean angles of several rotors with expanded uncertainty, a row a rotor, a column a station."""
    h = 46 + 34 * len(records)
    parts = []
    for column, s in enumerate(STATIONS):
        found = [(i, at) for i, r in enumerate(records) if (at := r.rotor.stations.at(s))]
        left = 16.0 + column * 142
        parts.append(text(left + 56, 12, f"{s}, degrees", "strong", "middle"))
        if not found:
            continue
        ends = [f.angle_deg + k * max(f.expanded_uncertainty_deg, 0.2) for _, f in found for k in (-1, 1)]
        x = scale(min(ends), max(ends), left, left + 112)
        for v, words in labelled(ticks(min(ends), max(ends), 3)):
            parts += [line(x(v), 18, x(v), h - 18, "grid"), text(x(v), h - 5, words, "small", "middle")]
        for i, f in found:
            y, a, u = 46.0 + 34 * i, f.angle_deg, f.expanded_uncertainty_deg
            parts += [line(x(a - u), y, x(a + u), y, f"bar {s}"), _mark(x(a), y, s, "diamond")]
    for i, record in enumerate(records):
        name = record.name
        parts.append(text(4, 32 + 34 * i, name if len(name) <= 60 else name[:59] + "…", "small halo"))
    return figure(430, h, "Mean angles of the rotors with expanded uncertainty", *parts)
