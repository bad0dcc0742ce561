"""Adjustment and stations -> the flags that only the whole measurement can raise: a measurement checks itself.

What cannot be right at all is refused; what may be wrong is named, with the place and the figure.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence

import numpy as np

from bladeangle.adjustment.adjust import Adjustment
from bladeangle.adjustment.model import TIP_KINDS
from bladeangle.adjustment.rotor import Rotor
from bladeangle.base.budget import STATIONS, blade_and_station, coverage_factor
from bladeangle.base.errors import AdjustmentError
from bladeangle.base.flags import Flag
from bladeangle.imaging.ring import Ring
from bladeangle.records.station import StationOptions
from bladeangle.results.angles import change_with_scale
from bladeangle.results.edge_shifts import changed_angles
from bladeangle.results.moved import Movement, movements
from bladeangle.results.stations import Stations, growth_of
from bladeangle.tuning.results import DIAGNOSTICS

#: Line of the budget for wear.
WEAR_LINE = "wear and run-out of the tips"
#: What it is that departs from the priors of `Adjustment.implausibility`, for people.
UNLIKE = {
    "tilt": "how much it leans",
    "hub circles": "how high its hub is",
    "blade edges": "how thick its blades are",
    "blades alike": "how its blades differ from each other",
    "overlap": "how far its blades reach over each other",
    "tip wear": "how its tips are worn",
}


def diagnose(
    result: Adjustment,
    stations: Stations,
    options: StationOptions,
    ring: Ring,
    diameter_known: bool,
    scale_checked: bool,
    loose: Sequence[str] = (),
) -> list[Flag]:
    """All flags of the final adjustment.

    diameter_known, scale_checked : the tip diameter, or the check bar's length, was measured and given.

    loose : names of the photographs whose own data do not tie them to the camera file; see `quality.tied_to`.

    Raises
    ------
    AdjustmentError : the ring's markers contradict the definition, or the camera file, beyond any use.
    """
    flags = [*_photographs(result, stations, ring, options), *_known(result, not result.from_above, diameter_known)]
    flags += [*_blades(result, stations), *_unseen(result, stations), *_ends(result, stations)]
    tip_mm = stations.sizes["tip_diameter"][0]
    if not DIAGNOSTICS.ordinary_mm[0] < tip_mm < DIAGNOSTICS.ordinary_mm[1]:
        flags.append(Flag("diameter-unusual", f"The tip diameter is {tip_mm:.0f} mm."))
    if result.from_above:
        flags += _from_above(result, stations, diameter_known, loose)
    if not diameter_known and not scale_checked:
        flags.append(_scale(result, stations, ring, options))
    return flags


def _harmful(moved: dict[int, Movement], result: Adjustment, stations: Stations, options: StationOptions) -> set[int]:
    """Photographs whose movement is sure, or, taken into account, changes an angle by more than its interval allows.

    Where no angle is measured, all.
    """
    u_deg = np.sqrt(np.diag(stations.budget.covariance_deg2))
    out = set()
    for p, movement in moved.items():
        sure = movement.significance > DIAGNOSTICS.sure_move_sigmas
        if movement.change is not None and len(u_deg) and not sure:
            change_deg = changed_angles(result, stations, options, movement.change)
            if (np.abs(change_deg) < DIAGNOSTICS.harmless_move_sigmas * u_deg).all():
                continue
        out.add(p)
    return out


def _photographs(result: Adjustment, stations: Stations, ring: Ring, options: StationOptions) -> Iterator[Flag]:
    moved = movements(result)
    harmful = _harmful(moved, result, stations, options)
    for p, view in enumerate(result.views):
        ring_px = result.rms_px(p, "ring")
        if ring_px > DIAGNOSTICS.refused_ring_px:
            raise AdjustmentError(
                f"{view.name} does not fit the ring definition and the camera file.",
                "Name the ring that was printed and the camera file of this phone; keep the sheet flat and whole. "
                f"(The ring's markers lie {ring_px:.1f} px off.)",
            )
        if ring_px > DIAGNOSTICS.doubted_ring_px:
            yield Flag(
                "residuals-high",
                f"The ring is not seen where it should be. Its markers lie {ring_px:.2f} px off.",
                view.name,
            )
        if view.tips is not None and not len(view.tips.px):
            text = "No blade tip is seen where the other photographs show one."
            yield Flag("photos-disagree", text, view.name)
        for kind in TIP_KINDS:
            tip_px = result.rms_px(p, kind)
            if tip_px > DIAGNOSTICS.refused_tip_px:
                why = ", as if the rotor was moved" if p in moved else ""
                raise AdjustmentError(
                    f"{view.name} contradicts the other photographs{why}.",
                    "Was the rotor moved in between, or is one of another rotor? Leave that one out or take it again. "
                    f"(Its blade tips lie {tip_px:.1f} px off.)",
                )
            yield from _nicks(result, p, kind)
        if p in harmful:
            yield Flag(
                "rotor-moved",
                "The rotor does not stand where the other photographs have it, or it is another rotor. "
                f"Seen by itself it is off {moved[p]}.",
                view.name,
            )
    yield from _disagreeing(result, harmful)


def _disagreeing(result: Adjustment, moved: Collection[int]) -> Iterator[Flag]:
    """Photographs whose tips lie off: each by name, or, where most show it, that none is to blame."""
    for kind in TIP_KINDS:
        seen = {p: px for p in range(len(result.views)) if np.isfinite(px := result.rms_px(p, kind))}
        off = {p: px for p, px in seen.items() if px > DIAGNOSTICS.doubted_rms_px and p not in moved}
        if len(off) > max(len(seen) / 2, 1) and not result.from_above:
            text = "In most photographs the blades' edges are not where one rotor could have them, so none is to blame."
            text += f" The {kind} are up to {max(off.values()):.1f} px off."
            yield Flag("residuals-high", text)
            continue
        for p, px in off.items():
            text = f"Its blades do not lie where the other photographs have them. The {kind} are {px:.1f} px off."
            yield Flag("photos-disagree", text, result.views[p].name)


def _nicks(result: Adjustment, p: int, kind: str) -> Iterator[Flag]:
    view = result.views[p]
    tips = view.tips_of(TIP_KINDS[kind])
    if tips is None:
        return
    weight = result.weight[p][kind]
    for b in np.unique(tips.blade):
        mine = np.flatnonzero(tips.blade == b)
        bad = weight[mine] < DIAGNOSTICS.nick_weight
        run = np.convolve(bad, np.ones(DIAGNOSTICS.nick_points), "valid") == DIAGNOSTICS.nick_points
        if run.any() and bad.mean() < 0.3:
            x, y = tips.px[mine[int(np.flatnonzero(run)[0])]]
            yield Flag(
                "edge-nick",
                f"A piece of the edge lies off the curve and was left out. In the picture it is at ({x:.0f}, {y:.0f}).",
                view.name,
                int(b) + 1,
            )


def unlike_blades(rotor: Rotor) -> list[int]:
    """The blades (0...) whose thickness at the tip is far from that of the others, the farthest first."""
    off_mm = np.abs(rotor.thicker_mm)
    return [int(b) for b in np.argsort(-off_mm, kind="stable") if off_mm[b] > DIAGNOSTICS.unlike_thickness_mm]


def _unlike_others(result: Adjustment) -> tuple[str, str]:
    """How the rotor that fits best is unlike others, and by how much."""
    most = max(UNLIKE, key=result.unlike)
    text = f"The rotor that fits best is unlike others, most of all by {UNLIKE[most]}."
    return text, f"(In all by {result.implausibility():.1f} standard deviations.)"


def refuse_unlikely(result: Adjustment) -> None:
    """Refuse what fits no rotor that is likely: shadows or lines were followed for tips, or it was found elsewhere.

    Raises
    ------
    AdjustmentError : the rotor is more than `refused_implausible_sigmas` unlike others.
    """
    if result.implausibility() > DIAGNOSTICS.refused_implausible_sigmas:
        text, by_how_much = _unlike_others(result)
        hint = "Give the tip diameter if it was not given. Otherwise take the photographs again, in even light without "
        raise AdjustmentError(text, f"{hint}shadows or lines beside the tips, all of one rotor. {by_how_much}")


def _known(result: Adjustment, oblique: bool, diameter_known: bool) -> Iterator[Flag]:
    """Where the adjustment departs from its priors."""
    state = result.state
    photos = len(state.focus)
    for source, dof in {"camera calibration": 8.0, "focus and stabiliser": 3.0 * photos}.items():
        square = result.prior_cost.get(source, 0.0) / dof
        if square > DIAGNOSTICS.doubted_chi_squared:
            text = "These photographs do not fit the camera file"
            text += f". ({source.capitalize()}: {np.sqrt(square):.1f} standard uncertainties away.)"
            yield Flag("focal-length-differs", text)
    off = float(np.sqrt(result.prior_cost.get("tip radius", 0.0)))
    if diameter_known and off > DIAGNOSTICS.difference_sigmas:
        text = f"The photographs suggest a tip diameter of {2 * state.rotor.radius_mm:.1f} mm or beyond, "
        text += f"{off:.0f} uncertainties from the one given."
        yield Flag("diameter-differs", text)
    if result.implausibility() > DIAGNOSTICS.implausible_sigmas:
        yield Flag("rotor-unlikely", " ".join(_unlike_others(result)))
    elif unlike := unlike_blades(state.rotor):
        blade, thicker_mm = unlike[0], state.rotor.thicker_mm[unlike[0]]
        what = f"{abs(thicker_mm):.1f} mm {'thicker' if thicker_mm > 0 else 'thinner'}"
        text = f"Blade {blade + 1} comes out {what} at the tip than the others"
        yield Flag("rotor-unlikely", f"{text}, as if one edge of it was taken for the other.", blade=blade + 1)
    bend = float(np.hypot(*state.sheet[2:4]))
    if bend > DIAGNOSTICS.noted_bend_mm:
        yield Flag("sheet-bent", f"The sheet is bent by {bend:.1f} mm at the ring's edge.")
    for s, setup in enumerate(state.setups):
        axis = state.r_ring_rotor[s][:, 2]
        tilt = float(np.degrees(np.arctan2(np.hypot(axis[0], axis[1]), abs(axis[2]))))
        if tilt > DIAGNOSTICS.doubted_tilt_deg and not oblique:
            text = f"Standing {setup.replace('_', ' ')}, the axis seems tilted by {tilt:.1f} deg."
            yield Flag("axis-doubtful", text)
        elif tilt > DIAGNOSTICS.noted_tilt_deg:
            yield Flag("rotor-tilted", f"Standing {setup.replace('_', ' ')}, the axis is tilted by {tilt:.1f} deg.")
        offset = float(np.hypot(*state.t_ring_rotor[s][:2]))
        if offset > DIAGNOSTICS.noted_offset_mm:
            yield Flag(
                "off-centre",
                f"Standing {setup.replace('_', ' ')}, the rotor is {offset:.0f} mm off the ring's centre.",
            )


def _scale(result: Adjustment, stations: Stations, ring: Ring, options: StationOptions) -> Flag:
    """That the scale rests on the print alone: a doubt where a usual blunder would change an angle or a mean."""
    rotor, labels = result.state.rotor, stations.labels
    why = f"{'The ring has no check bar' if ring.check_bar_mm is None else 'The check bar was not measured'} and no "
    why += "diameter was given; lengths, and so the stations, rely on the printer"
    if not labels:
        return Flag("scale-unchecked", f"{why}.")
    means = {f"mean {s}": weights for s in STATIONS if (weights := stations.budget.mean_weights(s)) is not None}
    names = [f"blade {label.replace('.', ' ')}" for label in labels] + list(means)
    share = np.array([*np.eye(len(labels)), *means.values()])
    scales = (1 + DIAGNOSTICS.scale_blunder, 1 - DIAGNOSTICS.scale_blunder, 1.01)
    changes = np.nan_to_num([change_with_scale(rotor, labels, options, scale) for scale in scales])
    *either, little = np.abs(share @ changes.T).T
    change = np.maximum(*either)
    u = np.sqrt(np.diag(share @ stations.budget.covariance_deg2 @ share.T))
    allowed = DIAGNOSTICS.difference_sigmas * u + DIAGNOSTICS.harmless_deg
    worst = int((change / allowed).argmax())
    text = f"{why}: {names[worst]} changes by {little[worst]:.3f} deg per 1 % of scale"
    if change[worst] <= allowed[worst]:
        return Flag("scale-unchecked", f"{text}.")
    off = f"if the print is {100 * DIAGNOSTICS.scale_blunder:.0f} % off"
    text += f", and by {change[worst]:.2f} deg (of an uncertainty of {u[worst]:.2f}) {off}."
    return Flag("scale-matters", text, station=names[worst].split()[-1])


def _blades(result: Adjustment, stations: Stations) -> Iterator[Flag]:
    """Blades against each other."""
    covariance = stations.budget.covariance_deg2
    for station in STATIONS:
        here = [k for k, label in enumerate(stations.labels) if label.endswith(station)]
        if not here:
            continue
        middle = np.median(stations.angle_deg[here])
        if not DIAGNOSTICS.ordinary_deg[0] < middle < DIAGNOSTICS.ordinary_deg[1]:
            yield Flag("angle-unusual", f"The median {station} is {middle:.1f} deg.", station=station)
        for k in here:
            others = np.array([(1.0 if j == k else 0.0) - 1 / len(here) for j in here])
            u = float(np.sqrt(max(others @ covariance[np.ix_(here, here)] @ others, 1e-12)))
            away = float(stations.angle_deg[k] - middle)
            if len(here) > 1 and abs(away) > max(DIAGNOSTICS.difference_sigmas * u, 0.1):
                text = f"{abs(away):.2f} deg {'steeper' if away > 0 else 'shallower'} than the blades' median."
                yield Flag("blades-differ", text, blade=blade_and_station(stations.labels[k])[0], station=station)
        for k in here:
            seen = stations.seen_share[stations.labels[k]]
            if seen < DIAGNOSTICS.whole_station_share:
                text = f"Only {100 * seen:.0f} % of the station is seen."
                yield Flag("station-cut-short", text, blade=blade_and_station(stations.labels[k])[0], station=station)


def _unseen(result: Adjustment, stations: Stations) -> Iterator[Flag]:
    """Stations that a setup is photographed for and shows on no blade: the outline may not have been the blades'."""
    for setup, station in (("inlet_up", "entry"), ("outlet_up", "exit")):
        if setup in result.state.setups and not any(x.endswith(station) for x in stations.labels):
            text = f"The {station} is seen on no blade, though the rotor was photographed {setup.replace('_', ' ')}."
            yield Flag("station-unseen", text, station=station)


def _from_above(result: Adjustment, stations: Stations, diameter_known: bool, loose: Sequence[str]) -> Iterator[Flag]:
    """What overhead photographs alone leave open."""
    if not diameter_known:
        text = "The tip diameter was not given, and from above it hardly shows; heights and hub size depend on it."
        yield Flag("tip-radius-assumed", text)
    wraps = stations.wrap_deg[np.isfinite(stations.wrap_deg).all(1)]
    if len(wraps) and np.median(wraps[:, 1]) > DIAGNOSTICS.unsure_wrap * 360 / len(stations.wrap_deg):
        wrap_deg, u_deg = np.median(wraps, axis=0)
        text = f"Nothing shows where the lower ends of the blades are: they wrap {wrap_deg:.0f} ± {2 * u_deg:.0f} deg."
        yield Flag("wrap-uncertain", text)
    for name in loose:
        text = "Its own data do not confirm the camera file; from above, a wrong focal length does not show."
        yield Flag("camera-unconfirmed", text, name)
    text = "Assumes evenly thick blades; a photograph from the side checks it."
    yield Flag("edge-one-face-only", text)


def wear_unseen(stations: Stations, remedy: str) -> list[Flag]:
    """The flag that wear is not seen from above and what it makes of the entries' intervals, where it counts at all.

    remedy : a sentence on what would bring how much.
    """
    weights = stations.budget.mean_weights("entry")
    worn = [line for line in stations.budget.lines if line.name == WEAR_LINE]
    if weights is None or not worn:
        return []
    factor = np.array([coverage_factor(max(stations.budget.angle(k)[1], 1.0)) for k in range(len(weights))])
    part, whole = (
        float(np.sqrt(max(float(weights @ (factor**2 * np.diag(c))), 0.0)))
        for c in (worn[0].covariance_deg2, stations.budget.covariance_deg2)
    )
    if part < DIAGNOSTICS.wear_share * whole:
        return []
    text = "From above wear of the tips is hardly seen; that makes "
    text += f"±{part:.2f} of a single entry's ±{whole:.2f} degrees. {remedy}"
    return [Flag("wear-unseen", text.strip())]


def _ends(result: Adjustment, stations: Stations) -> Iterator[Flag]:
    """Whether inlet and outlet end may have been exchanged: by the angles.

    Turning a rotor over keeps its hand and the shape of its blades' tips as they are seen, so that nothing in the tips
    says which end is up. What is left is common practice (no source): blades of even pitch or steeper at the exit. That
    hubs narrow to a nose at the inlet end does not tell: now and then a bore is the widest circle that is followed, and
    of 22 rotors that were photographed rightly the widest circles of 8 were the other way round. Not covered: a rotor
    of even pitch (a screw turned over about any radius is itself), or one photograph alone.
    """
    growth = growth_of(stations.angle_deg, stations.budget)
    if growth is not None and -growth[0] > max(DIAGNOSTICS.exchanged_deg, 2 * growth[1]):
        text = f"The exit is {-growth[0]:.1f} deg shallower than the entry on the mean"
        yield Flag("ends-exchanged", f"{text}; are the photographs named the wrong way round?")
