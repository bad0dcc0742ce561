"""Shots + finished adjustment -> image faults that the model does not include: doubts, and lines of the budget.

Water on the lens, compression and image editors shift parts of a picture smoothly, and a rolling shutter shears it as a
whole, as the residuals of the ring's markers show; a second edge beside a tip may be the true one instead of the one
that was followed; and where few edges are seen, another rotor may be.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from bladeangle.adjustment.adjust import Adjustment
from bladeangle.adjustment.priors import Priors
from bladeangle.base.budget import Budget, BudgetLine
from bladeangle.base.flags import Flag
from bladeangle.detection.second_edge import SecondEdge, second_edges
from bladeangle.imaging.ring import Ring
from bladeangle.pipeline.shots import Shot, upper_edges
from bladeangle.records.station import StationOptions
from bladeangle.results.edge_shifts import angle_shifts, shift_cost, uneven_line
from bladeangle.results.picture_shear import PictureShear, picture_shears, shear_line
from bladeangle.results.stations import Stations
from bladeangle.results.unevenness import unevenness_px
from bladeangle.tuning.pipeline import DISTURBANCES
from bladeangle.tuning.results import DIAGNOSTICS


@dataclass(frozen=True)
class Disturbances:
    """Image faults found in the photographs of an adjustment.

    uneven_px : photograph -> common residual of neighbouring markers, px, where it is significant.
    shears : photograph -> how far it is sheared and stretched, clear or not.
    edges : photograph -> second edges long enough to widen intervals; flags : doubts, and notes of short edges.
    """

    uneven_px: dict[int, float]
    shears: dict[int, PictureShear]
    edges: dict[int, list[SecondEdge]]
    flags: tuple[Flag, ...]


def disturbances(shots: Sequence[Shot], result: Adjustment, ring: Ring, priors: Priors) -> Disturbances:
    """Image faults of photographs; shots : in the order of the adjustment's views."""
    uneven_px, edges, flags = {}, {}, []
    shears = picture_shears(result, ring, priors)
    other: dict[int, int | None] = {p: shear.or_photo for p, shear in shears.items() if shear.clear}
    other |= {q: p for p, q in other.items() if q is not None and q not in other}
    # a rotor unlike others may be one of edges that are no tips', and little of the tips then lies close beside them
    unlikely = result.implausibility() > DIAGNOSTICS.implausible_sigmas
    doubted_share = DISTURBANCES.beside_share if unlikely else DISTURBANCES.doubted_share
    for p, shot in enumerate(shots):
        which = 0 if shot.overhead else 1
        if (off_px := unevenness_px(result, ring, p)) > DISTURBANCES.widened_px[which]:
            uneven_px[p] = off_px
        if off_px > DISTURBANCES.uneven_px[which]:
            text = f"Parts of the picture are shifted against each other. Markers side by side lie {off_px:.2f} px off."
            flags.append(Flag("picture-uneven", text, shot.name))
        elif p in other:
            either = f"this picture or {shots[q].name}" if (q := other[p]) is not None else "the picture"
            size = max(shears[p].size, shears[q].size if q is not None else 0.0)
            text = f"The phone moved while {either} was taken, which sheared or stretched it by {100 * size:.2f} %."
            flags.append(Flag("picture-sheared", text, shot.name))
        if flag := _hardly_seen(result, p, shot):
            flags.append(flag)
        tips = result.views[p].tips
        # beside the far side, seen from a side, lie the ring's markers and the edge of the sheet
        found = [] if tips is None or not shot.overhead else second_edges(shot.photo, tips, shot.sighting.blur_px)
        edges[p] = [edge for edge in found if edge.share > DISTURBANCES.beside_share]
        for edge in edges[p]:
            text = f"A second edge runs beside {100 * edge.share:.0f} % of the tip. It is {edge.away_px:.0f} px away."
            code = "two-edges" if edge.share > doubted_share else "edge-beside"
            flags.append(Flag(code, text, shot.name, edge.blade + 1))
    return Disturbances(uneven_px, shears, edges, tuple(flags))


def without_excluded(found: Disturbances, result: Adjustment) -> Disturbances:
    """Less the second edges of which photographs from the side exclude that they are the tips'.

    For rotors that all photographs show alike: else the edge that was followed may be the wrong one. One alone may be
    excluded by the other blades where a thread runs along all of them; so all of a photograph together must be, too.
    """
    if result.from_above:
        return found
    edges = {p: [edge for edge in some if not _excluded(result, p, some, edge)] for p, some in found.edges.items()}
    left = {(result.views[p].name, edge.blade + 1) for p, some in edges.items() for edge in some}
    codes = ("two-edges", "edge-beside")
    flags = [flag for flag in found.flags if flag.code not in codes or (flag.photo, flag.blade) in left]
    return replace(found, edges=edges, flags=tuple(flags))


def _excluded(result: Adjustment, p: int, edges: Sequence[SecondEdge], one: SecondEdge) -> bool:
    """Whether a second edge in a photograph is excluded, alone and with all that are seen there."""
    tips = result.views[p].tips
    if tips is None:
        return False
    for some in (edges, [one]):
        off_px = np.zeros(len(tips.px))
        for edge in some:
            off_px[edge.points] = edge.off_px
        if shift_cost(result, p, off_px) < DISTURBANCES.contradicted_sigmas**2:
            return False
    return True


def _hardly_seen(result: Adjustment, p: int, shot: Shot) -> Flag | None:
    """The doubt of a photograph from the side that shows few edges where the other photographs have them."""
    tips = result.views[p].tips
    if shot.overhead or tips is None or not len(tips.px):  # that no tip at all is seen is told with the residuals
        return None
    found, wanted = upper_edges(result, p, shot)
    if found >= DISTURBANCES.seen_share * wanted:
        return None
    seen = f"Only {100 * found / wanted:.0f} % of their upper edges are seen there."
    text = f"Its blades do not lie where the other photographs have them. {seen}"
    return Flag("photos-disagree", text, shot.name)


def widened(
    stations: Stations, found: Disturbances, result: Adjustment, ring: Ring, options: StationOptions, side_px: int
) -> Stations:
    """The stations with budget lines for second edges and for shifted parts of pictures, and for sheared ones.

    side_px : longer side of the pictures worked on.
    """
    lines: list[BudgetLine] = []
    if not stations.labels:
        return stations
    if found.uneven_px:
        rng = np.random.default_rng(0)
        lines.append(uneven_line(result, stations, options, found.uneven_px, side_px, rng))
    sheared = shear_line(result, ring, stations, options, found.shears)
    lines += [sheared] if sheared.covariance_deg2.any() else []
    covariance = np.zeros((len(stations.labels), len(stations.labels)))
    for p, edges in found.edges.items():
        tips = result.views[p].tips
        if not edges or tips is None:
            continue
        off_px = np.zeros((len(tips.px), len(edges)))
        for k, edge in enumerate(edges):
            off_px[edge.points, k] = edge.off_px
        # half the distance as the standard uncertainty, so that the expanded one (k = 2) covers either edge
        effect_deg = angle_shifts(result, stations, options, p, off_px) / 2
        covariance += effect_deg @ effect_deg.T
    if covariance.any():
        lines.append(BudgetLine("second edge beside the tip", "A", covariance, 50.0))
    budget = stations.budget
    return replace(stations, budget=Budget(budget.labels, (*budget.lines, *lines)))
