"""Overhead shots with their hub circles -> a refusal where two of them were mixed up, by what they show.

A rotor turned over shows its other end: hub, bore and roots of the blades, unrolled about the axis, do not look alike
however they are turned against each other. Photographs of one end do, in any light. So two photographs that are said
to show both ends and show one were mixed up, and so were two that are said to show one end and show both.
Photographs taken from one place to a fraction of a millimetre, which no hand does twice, are one photograph.

Not covered: a rotor that looks the same from both ends, where nothing but the blades' angles would tell; photographs
from the side, which the adjustment contradicts.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from bladeangle.adjustment.model import State
from bladeangle.adjustment.priors import Priors
from bladeangle.base.errors import AdjustmentError, EdgesError, UsageError
from bladeangle.base.geometry import Array
from bladeangle.detection import hub
from bladeangle.detection.outline import USUAL_RIM_MM
from bladeangle.imaging import profiles
from bladeangle.imaging.photo import import_cv2
from bladeangle.imaging.ring import Ring
from bladeangle.pipeline.shots import Shot, state_of

#: What is unrolled about the axis, mm: hub, bore and the roots of the blades. Steps in radius, mm, and of the turn.
RADII_MM = np.arange(8.0, 45.0, 0.5)
AZIMUTHS = 360
#: Azimuths repeated beyond either end, so that the filters go round.
ROUND = 40
#: Correlation from which two photographs show one end. The two ends of seven path-traced rotors and of twenty rendered
#: ones reach 0.25, one end in two lights, and even of two rotors of a make, 0.38 to 0.57, and photographed again 0.9.
SAME_END = 0.33
#: Correlation below which they show different ends, or different rotors: nothing in common but blades.
OTHER_END = 0.22
#: Cameras nearer to each other than this, mm, that see the same, took one photograph: a hand is millimetres off.
ONE_PLACE_MM = 0.7
#: Correlation of a photograph and its copy, compressed or brightened.
A_COPY = 0.8


def refuse_mixups(shots: Sequence[Shot], ring: Ring, priors: Priors) -> None:
    """Compare all overhead shots by pairs.

    Parameters
    ----------
    shots : all, those that were looked at for hub circles among them; others are looked at here.

    Raises
    ------
    UsageError : two are copies of one photograph.
    AdjustmentError : two said to show different ends show one, or the other way round.
    """
    above = [shot for shot in shots if shot.overhead]
    if len(above) < 2:
        return
    discs = [_unrolled(shot, ring, priors) for shot in above]
    for k, (one, mine) in enumerate(zip(above, discs, strict=True)):
        for other, its in zip(above[:k], discs[:k], strict=True):
            alike, turned = _alike(its, mine)
            here = float(np.linalg.norm(one.pose.eye_mm - other.pose.eye_mm)) < ONE_PLACE_MM
            if here and alike > A_COPY and turned < 1.0:
                raise UsageError(
                    f"{other.name} and {one.name} are the same photograph, saved twice.",
                    f"{_turn_over(one, other)} Name every photograph once, each a shot of its own.".strip(),
                )
            if one.standing != other.standing and alike > SAME_END:
                late = one if one.standing == "outlet_up" else other
                raise AdjustmentError(
                    f"{other.name} and {one.name} show the same end of the rotor, but {late.name} was named as turned "
                    "over.",
                    f"{_turn_over(one, other)} Give --turned only what shows the outlet end up.",
                )
            if one.standing == other.standing and alike < OTHER_END:
                way = "turned over" if one.standing == "outlet_up" else "standing inlet end up"
                raise AdjustmentError(
                    f"{other.name} and {one.name} were both named as {way}, but show different ends of the rotor, or "
                    "two rotors.",
                    "Name those that show the outlet end up after --turned; leave out another rotor's.",
                )


def _turn_over(one: Shot, other: Shot) -> str:
    return "Turn the rotor over and take the second one again." if one.standing != other.standing else ""


def _unrolled(shot: Shot, ring: Ring, priors: Priors) -> NDArray[np.float32]:
    """Brightness and strength of edges (2, radii, azimuths) about the axis, less what goes all round, of unit length.

    Edges tell in any light, brightness tells details.
    """
    cv2 = import_cv2()
    alone = state_of([shot], priors.camera, ring)
    psi = np.arange(AZIMUTHS) * 2 * np.pi / AZIMUTHS
    points = np.empty((len(RADII_MM), AZIMUTHS, 3))
    points[..., :2] = _axis_mm(shot, alone) + RADII_MM[:, None, None] * np.stack([np.cos(psi), np.sin(psi)], 1)
    points[..., 2] = USUAL_RIM_MM
    px = alone.pixels_of(points.reshape(-1, 3), 0)
    seen = profiles.sample(shot.photo.grey, px.T.reshape(2, len(RADII_MM), AZIMUTHS))
    image = np.pad(np.sqrt(np.maximum(np.nan_to_num(seen), 0)), ((0, 0), (ROUND, ROUND)), mode="wrap")
    smooth = cv2.GaussianBlur(image.astype(np.float32), (0, 0), 1.0)
    # what lamps and shade do to whole areas is left out
    bright = smooth - cv2.GaussianBlur(smooth, (0, 0), 8.0)
    edge = np.hypot(cv2.Sobel(smooth, cv2.CV_32F, 1, 0), cv2.Sobel(smooth, cv2.CV_32F, 0, 1))
    edge = np.minimum(edge, np.quantile(edge, 0.97))
    edge = edge - cv2.GaussianBlur(edge, (0, 0), 8.0)
    out = np.stack([bright, edge])[..., ROUND:-ROUND]
    out = (out - out.mean(2, keepdims=True)) * np.sqrt(RADII_MM)[:, None]
    return np.asarray(out / np.maximum(np.sqrt((out**2).sum((1, 2), keepdims=True)), 1e-9), np.float32)


def _axis_mm(shot: Shot, alone: State) -> Array:
    """Where the axis is seen (2,) on the plane of the hub's rim."""
    circles = shot.circles
    if not circles:
        plane = hub.Plane(lambda points: alone.pixels_of(points, 0))
        try:
            circles = hub.find_hub(shot.photo, plane, np.zeros(2), shot.sighting.blur_px)
        except EdgesError:
            return np.zeros(2)
    return hub.rim_of(circles).on(USUAL_RIM_MM, shot.pose.eye_mm).centre_mm


def _alike(one: NDArray[np.float32], other: NDArray[np.float32]) -> tuple[float, float]:
    """Correlation of two unrolled pictures, turned against each other to where it is largest, and how far, deg."""
    spectrum = np.fft.rfft(one, axis=2) * np.conj(np.fft.rfft(other, axis=2))
    each = np.fft.irfft(spectrum.sum((0, 1)), AZIMUTHS) / 2
    k = int(each.argmax())
    return float(each[k]), min(k, AZIMUTHS - k) * 360 / AZIMUTHS
