"""Adjustment and stations -> the flags that only the whole measurement can raise: a measurement checks itself.

What cannot be right at all is refused; what may be wrong is named, with the place and the figure.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from bladeangle.adjust import Adjustment
from bladeangle.budget import STATIONS
from bladeangle.errors import AdjustmentError
from bladeangle.flags import Flag
from bladeangle.model import TIP_KINDS
from bladeangle.ring import Ring
from bladeangle.stations import Stations

#: Root mean square of tip or ring residuals, px, from which a photograph is doubted, and from which it is refused.
DOUBTED_RMS_PX = 0.9
DOUBTED_RING_PX = 0.6
REFUSED_RING_PX = 3.0
REFUSED_TIP_PX = 2.5
#: Squared distance from what was known, over its degrees of freedom, from which it is doubted.
DOUBTED_SQUARE = 6.0
#: Tilt, deg, offset, mm, and bend of the sheet, mm, that are worth a note.
NOTED_TILT_DEG = 0.5
NOTED_OFFSET_MM = 5.0
NOTED_BEND_MM = 0.3
#: Weight under which neighbouring points are taken for a nick or stain, and how many in a row.
NICK_WEIGHT = 0.1
NICK_POINTS = 2
#: Differences, in standard uncertainties, from which blades are told apart.
DIFFERENT = 3.0


def doubts(result: Adjustment, stations: Stations, ring: Ring, diameter_known: bool, scale_checked: bool) -> list[Flag]:
    """All flags of a finished adjustment.

    Raises
    ------
    AdjustmentError : the ring's markers contradict the definition, or the camera file, beyond any use.
    """
    flags = [*_photographs(result), *_known(result), *_blades(result, stations)]
    oblique = any(view.tips is not None and not view.tips.far.all() for view in result.views)
    if not diameter_known and not oblique:
        text = (
            "The tip diameter was not given and overhead photographs hardly tell it; heights and hub size depend on it."
        )
        flags.append(Flag("tip-radius-assumed", text))
    if not oblique:
        flags.append(
            Flag(
                "edge-one-face-only",
                "Overhead photographs show one edge of the tip; the mid-line rests on an even thickness.",
            )
        )
    if ring.check_bar_mm is not None and not scale_checked:
        flags.append(Flag("scale-unchecked", "The check bar was not measured; lengths rest on the printer."))
    return flags


def _photographs(result: Adjustment) -> Iterator[Flag]:
    for p, view in enumerate(result.views):
        ring_px = result.rms_px(p, "ring")
        if ring_px > REFUSED_RING_PX:
            raise AdjustmentError(
                f"{view.name}: the ring's markers lie {ring_px:.1f} px from where ring and camera file put them.",
                "Name the ring that was printed and the camera file of this phone; keep the sheet flat and whole.",
            )
        if ring_px > DOUBTED_RING_PX:
            yield Flag("residuals-high", f"The ring's markers fit to {ring_px:.2f} px only.", view.name)
        for kind in TIP_KINDS:
            tip_px = result.rms_px(p, kind)
            if tip_px > REFUSED_TIP_PX:
                raise AdjustmentError(
                    f"{view.name}: the blade tips lie {tip_px:.1f} px from where the other photographs put them.",
                    "Was the rotor moved in between, or is one of another rotor? Leave that one out or take it again.",
                )
            if tip_px > DOUBTED_RMS_PX:
                yield Flag(
                    "photos-disagree",
                    f"The {kind} lie {tip_px:.1f} px from where the other photographs put them.",
                    view.name,
                )
            yield from _nicks(result, p, kind)


def _nicks(result: Adjustment, p: int, kind: str) -> Iterator[Flag]:
    view = result.views[p]
    tips = view.tips_of(TIP_KINDS[kind])
    if tips is None:
        return
    weight = result.weight[p][kind]
    for b in np.unique(tips.blade):
        mine = np.flatnonzero(tips.blade == b)
        bad = weight[mine] < NICK_WEIGHT
        run = np.convolve(bad, np.ones(NICK_POINTS), "valid") == NICK_POINTS
        if run.any() and bad.mean() < 0.3:
            x, y = tips.px[mine[int(np.flatnonzero(run)[0])]]
            yield Flag(
                "edge-nick",
                f"Points of the edge at pixel ({x:.0f}, {y:.0f}) lie off the curve and are left out.",
                view.name,
                int(b) + 1,
            )


def _known(result: Adjustment) -> Iterator[Flag]:
    """What the photographs say against what was known before."""
    state = result.state
    photos = len(state.focus)
    freedom = {"camera calibration": 8.0, "focus and stabiliser": 3.0 * photos}
    for source, dof in freedom.items():
        square = result.prior_cost.get(source, 0.0) / dof
        if square > DOUBTED_SQUARE:
            away = f"{source}: {np.sqrt(square):.1f} standard uncertainties"
            yield Flag("focal-length-differs", f"The photographs want other intrinsics than the camera has ({away}).")
    bend = float(np.hypot(*state.sheet[2:4]))
    if bend > NOTED_BEND_MM:
        yield Flag("sheet-bent", f"The sheet is bent by {bend:.1f} mm at the ring's edge.")
    for s, standing in enumerate(state.standings):
        axis = state.r_ring_rotor[s][:, 2]
        tilt = float(np.degrees(np.arctan2(np.hypot(axis[0], axis[1]), abs(axis[2]))))
        if tilt > NOTED_TILT_DEG:
            yield Flag("rotor-tilted", f"Standing {standing.replace('_', ' ')}, the axis is tilted by {tilt:.1f} deg.")
        offset = float(np.hypot(*state.t_ring_rotor[s][:2]))
        if offset > NOTED_OFFSET_MM:
            yield Flag(
                "off-centre",
                f"Standing {standing.replace('_', ' ')}, the rotor is {offset:.0f} mm off the ring's centre.",
            )


def _blades(result: Adjustment, stations: Stations) -> Iterator[Flag]:
    """Blades against each other, and the two ends against common practice."""
    covariance = stations.budget.covariance_deg2
    means = {}
    for station in STATIONS:
        here = [k for k, label in enumerate(stations.labels) if label.endswith(station)]
        if not here:
            continue
        means[station] = float(stations.angle_deg[here].mean())
        middle = np.median(stations.angle_deg[here])
        for k in here:
            others = np.array([(1.0 if j == k else 0.0) - 1 / len(here) for j in here])
            u = float(np.sqrt(max(others @ covariance[np.ix_(here, here)] @ others, 1e-12)))
            away = float(stations.angle_deg[k] - middle)
            if len(here) > 1 and abs(away) > max(DIFFERENT * u, 0.1):
                text = f"{abs(away):.2f} deg {'steeper' if away > 0 else 'shallower'} than the blades' median."
                yield Flag("blades-differ", text, blade=int(stations.labels[k].split(".")[0]), station=station)
        for k in here:
            seen = stations.seen_share[stations.labels[k]]
            if seen < 0.95:
                text = f"{seen:.0%} of the station shows an edge."
                yield Flag("station-cut-short", text, blade=int(stations.labels[k].split(".")[0]), station=station)
    if {"entry", "exit"} <= set(means) and means["exit"] < means["entry"] - 1.0:
        text = "The exit is shallower than the entry on the mean; are the photographs named the wrong way round?"
        yield Flag("ends-exchanged", text)
