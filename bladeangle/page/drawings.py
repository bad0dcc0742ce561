"""Record -> drawings for pages on paper: the rotor from above with its blades numbered, a tip unrolled.

Sizes, wraps and stations are the record's; the blades are drawn evenly spaced. Where a wrap was not seen the others'
mean is drawn, or the usual one.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bladeangle.base.budget import STATIONS
from bladeangle.page.paper import FAINT, FOOT, PALE, SMALL, Sheet, width_mm
from bladeangle.records.record import Record
from bladeangle.records.station import station_span

Array = NDArray[np.float64]

#: Wrap as a share of the pitch between blades where none was seen, hub as a share of the diameter (common practice).
USUAL_WRAP, USUAL_HUB = 1.2, 0.5
#: How far the edges of a blade are swept from hub to tip, degrees; for the look alone.
SWEEP_DEG = 16.0


def _mean(values: Sequence[float], usual: float) -> float:
    return sum(values) / len(values) if values else usual


def tip_length_mm(record: Record) -> float:
    """Mean length of the tips along their edge; that of the usual wrap where none was seen."""
    seen = [b.tip_length_mm.value for b in record.content.blades if b.tip_length_mm]
    tip = record.quantity("tip_diameter_mm")
    usual = math.pi * (160.0 if tip is None else tip[0]) * USUAL_WRAP / record.blade_count
    return _mean(seen, usual)


def draw_rotor(sheet: Sheet, record: Record, x: float, y: float, width: float) -> float:
    """The rotor seen from its inlet end, blade 1 upwards, in a square `width` wide from (x, y); its lower edge, mm.

    The tip of every blade is drawn from its leading to its trailing edge, dashed where the next blade hides it, with
    the entry heavy and the exit double.
    """
    count, hand = record.blade_count, record.rotor.hand
    turn = 1 if hand == "left" else -1  # counter-clockwise from the leading to the trailing edge
    tip, hub = record.quantity("tip_diameter_mm"), record.quantity("hub_diameter_mm")
    outer = width / 2 - 7.5
    inner = outer * (USUAL_HUB if tip is None or hub is None else min(hub[0] / tip[0], 0.85))
    centre = np.array([x + width / 2, y + width / 2 + 1.5])
    seen = [b.wrap_deg.value for b in record.content.blades if b.wrap_deg]
    usual = _mean(seen, 360 * USUAL_WRAP / count)
    options, length = record.content.options.stations, tip_length_mm(record)

    def at(radius: float, azimuth_deg: Any) -> Array:
        a = np.radians(azimuth_deg)
        return np.stack([centre[0] + radius * np.cos(a), centre[1] - radius * np.sin(a)], -1)

    def draw(points: Array, width_mm: float, ink: str = "black", dash: Any = "-") -> None:
        sheet.line(points[..., 0].tolist(), points[..., 1].tolist(), width_mm, ink, dash)

    def edge(azimuth: float) -> Array:
        share = np.linspace(0, 1, 15)
        a = np.radians(azimuth - turn * SWEEP_DEG * (1 - share) ** 1.5)
        r = inner + (outer - inner) * share
        return np.stack([centre[0] + r * np.cos(a), centre[1] - r * np.sin(a)], -1)

    for number, blade in enumerate(record.content.blades):
        start = 90 + 360 / count * number
        wrap = blade.wrap_deg.value if blade.wrap_deg else usual
        shown = min(wrap, 360 / count)
        arc = start + turn * np.linspace(0, shown, 60)
        hub_arc = arc[::-1] - turn * SWEEP_DEG
        outline = np.vstack([edge(start), at(outer, arc), edge(start + turn * shown)[::-1], at(inner, hub_arc)])
        sheet.axes.fill(outline[:, 0], outline[:, 1], color=FAINT if number % 2 else "0.87", linewidth=0)
        draw(edge(start), 0.5)
        draw(at(outer, arc), 0.3)
        if wrap > shown:
            draw(at(outer - 1.5, start + turn * np.linspace(shown, wrap, 40)), 0.25, PALE, (0, (3, 2)))
            draw(at(outer - 1.5, start + turn * wrap) + np.array([[-0.9, 0], [0.9, 0]]), 0.25, PALE)
        else:
            draw(edge(start + turn * wrap), 0.3, PALE)
        for station in ("entry", "exit"):
            low, high = (v / length * wrap for v in station_span(length, station, options))
            if not 0 <= low < high <= wrap + 1e-6:
                continue  # a tip too short for its stations
            for radius in (outer + 0.9,) if station == "entry" else (outer - 2.5, outer - 3.3):
                draw(at(radius, start + turn * np.linspace(low, high, 30)), 0.9 if station == "entry" else 0.25)
        place = at(outer + 4.6, start)
        sheet.say(place[0], place[1] + 1.3, str(blade.number), 9.5, bold=True, align="center", share=False)
    for radius, ink in ((inner, "white"), (inner * 0.3, FAINT)):
        ring = at(radius, np.linspace(0, 360, 181))
        sheet.axes.fill(ring[:, 0], ring[:, 1], color=ink, linewidth=0)
        draw(ring, 0.3)
    _turning(sheet, at, inner, turn)
    return y + width + 0.5


def _turning(sheet: Sheet, at: Any, inner: float, turn: int) -> None:
    """An arrow in the hub that says which way the rotor turns in use: its leading edges go ahead."""
    radius, middle = inner * 0.62, 270.0
    arc = at(radius, middle - turn * np.linspace(-55, 55, 40))
    sheet.line(arc[:, 0].tolist(), arc[:, 1].tolist(), 0.5)
    tip, before = arc[-1], arc[-4]
    along = (tip - before) / np.linalg.norm(tip - before)
    aside = np.array([-along[1], along[0]])
    head = np.array([tip + 1.6 * along, tip - 0.6 * along + aside, tip - 0.6 * along - aside])
    sheet.axes.fill(head[:, 0], head[:, 1], color="black", linewidth=0)


def draw_stations(
    sheet: Sheet, record: Record, x: float, y: float, width: float, words: Mapping[str, str], lengths: Mapping[str, str]
) -> float:
    """A blade's tip unrolled, true to scale, with its stations and angles; its lower edge, mm.

    words : the angle of a station, written beside its name. lengths : at its length, at "skip" that of the rounding.
    """
    length, options = tip_length_mm(record), record.content.options.stations
    means = {s: found.angle_deg if (found := record.mean(s)) else None for s in STATIONS}
    entry = means["entry"] or means["middle"] or 10.0
    exit_ = means["exit"] or means["middle"] or entry + 4.0
    share = np.linspace(0, 1, 200)
    slope = np.radians(entry + (exit_ - entry) * share)
    along = np.stack([np.cumsum(np.cos(slope)), np.cumsum(np.sin(slope))], 1)
    along = (along - along[0]) / np.linalg.norm(np.diff(along, axis=0), axis=1).sum()  # (n, 2) of a tip of length one
    k = (width - 16.0) / along[-1, 0]
    flip = 1 if record.rotor.hand == "left" else -1
    thickness = record.quantity("tip_thickness_mm")
    half = max((2.5 if thickness is None else thickness[0]) / length * k / 2, 0.5)
    left = x + 1.0 if flip > 0 else x + width - 1.0
    top = y + 13.0

    def at(part: Any, off: Any = 0.0) -> Array:
        """Points at shares of the tip's length, `off` mm to the inlet side of the mid-line."""
        part = np.asarray(part, float)
        a = np.radians(entry + (exit_ - entry) * part)
        px = np.interp(part, share, along[:, 0]) * k + 2.0 + off * np.sin(a)
        py = np.interp(part, share, along[:, 1]) * k - off * np.cos(a)
        return np.stack([left + flip * px, top + py], -1)

    def draw(points: Array, width_mm: float, ink: str = "black", dash: Any = "-") -> None:
        sheet.line(points[..., 0].tolist(), points[..., 1].tolist(), width_mm, ink, dash)

    blade = np.vstack([at(share, half), at(share, -half)[::-1]])
    sheet.axes.fill(blade[:, 0], blade[:, 1], facecolor="0.8", edgecolor="black", linewidth=0.6)
    for station in STATIONS:
        low, high = (v / length for v in station_span(length, station, options))
        if not 0 <= low < high <= 1:
            continue
        part = np.linspace(low, high, 40)
        draw(at(part, 3.0), 0.9 if station == "entry" else 0.35)
        if station == "exit":
            draw(at(part, 3.8), 0.35)
        for end in (low, high):
            draw(np.stack([at(end, half), at(end, 5.0)]), 0.15)
        middle = at((low + high) / 2, 6.2)
        caption = f"{station} {words[station]}" if station in words else station
        sheet.say(middle[0], middle[1] - 3.0, caption, SMALL, bold=True, align="center", share=False)
        sheet.say(middle[0], middle[1], lengths[station], SMALL, align="center", share=False)
        if station in words:
            _angle(sheet, at, low, high, flip)
    for where, name, side in ((0.0, "leading edge", 1), (1.0, "trailing edge", -1)):
        place = at(where, -half)
        if side > 0:  # clear of the blade, which falls below the words
            drop = width_mm(lengths["skip"], SMALL) * math.tan(math.radians(entry)) - 1.0
            sheet.line([place[0] + 0.3 * flip] * 2, [place[1] + 0.5, place[1] + drop + 1.6], 0.12)
            place = place + np.array([0.0, drop])
        across = "left" if side * flip > 0 else "right"
        sheet.say(place[0], place[1] + 4.6, name, SMALL, align=across, share=False)
        sheet.say(place[0], place[1] + 7.6, lengths["skip"], FOOT, align=across, ink=PALE, share=False)
    bottom = float(at(1.0, -half)[1]) + 9.5
    far, across = (x + width, "right") if flip > 0 else (x, "left")
    sheet.say(far, y + 3.0, "towards the inlet end", SMALL, align=across, ink=PALE, share=False)
    near, across = (x, "left") if flip > 0 else (x + width, "right")
    sheet.say(near, bottom - 1.0, "towards the outlet end", SMALL, align=across, ink=PALE, share=False)
    return bottom + 1.0


def _angle(sheet: Sheet, at: Any, low: float, high: float, flip: int) -> None:
    """The angle of a station's line from the plane of rotation, drawn from where the station begins."""
    start, end = at(low), at(high)
    reach = float(np.linalg.norm(end - start))
    level = np.array([start, start + np.array([flip * reach, 0.0])])
    for points, dash in ((level, (0, (4, 2))), (np.array([start, end]), "-")):
        sheet.line(points[:, 0].tolist(), points[:, 1].tolist(), 0.2, "black", dash)
    angle = np.linspace(0, math.atan2(float(end[1] - start[1]), float(abs(end[0] - start[0]))), 20)
    arc = start + 0.85 * reach * np.stack([flip * np.cos(angle), np.sin(angle)], 1)
    sheet.line(arc[:, 0].tolist(), arc[:, 1].tolist(), 0.25)
