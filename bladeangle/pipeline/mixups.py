"""Overhead shots with their hub circles -> a refusal where two of them were mixed up, by what they show.

A rotor turned over shows its other end: hub and bore have other radii there, and unrolled about the axis hub and roots
of the blades do not look alike however they are turned against each other. Photographs of one end do, in any light. So
two photographs that are said to show both ends and show one were mixed up, and so were two that are said to show one
end and show both.
Photographs taken from one place to a fraction of a millimetre, which no hand does twice, are one photograph.

Not covered: a rotor that looks the same from both ends, where nothing but the blades' angles would tell; photographs
from the side, which the adjustment contradicts.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bladeangle.adjustment.adjust import Adjustment
from bladeangle.adjustment.model import State
from bladeangle.adjustment.priors import Priors
from bladeangle.base.errors import AdjustmentError, EdgesError, UsageError
from bladeangle.base.flags import Flag
from bladeangle.base.geometry import Array
from bladeangle.detection import hub
from bladeangle.detection.outline import USUAL_RIM_MM
from bladeangle.detection.second_edge import second_edges
from bladeangle.imaging import profiles
from bladeangle.imaging.photo import import_cv2
from bladeangle.imaging.ring import Ring
from bladeangle.pipeline.shots import Shot, state_of
from bladeangle.results.two_rotors import differences
from bladeangle.results.unevenness import unevenness_px

#: What is unrolled about the axis, mm: hub, bore and the roots of the blades. Steps in radius, mm, and of the turn.
RADII_MM = np.arange(6.0, 48.0, 0.5)
AZIMUTHS = 240
#: Azimuths repeated beyond either end, so that the filters go round.
ROUND = 30
#: What steps all round at which radius (hub, bore) correlates from here on in photographs of one end, and below this in
#: those of two: one end in other light 0.97 and more (24 rendered rotors), two ends 0.69 and less (31 rotors).
ONE_HUB, OTHER_HUB = 0.9, 0.8
#: Correlation of the unrolled pictures beside: of one end in other light 0.39 and more, of two mostly 0.2, of regular
#: rotors up to 0.47. Radii are compared on scales of so much more or less, as the rim stands higher or lower.
SAME_END = 0.33
SCALES = np.arange(0.97, 1.0301, 0.005)
#: Cameras nearer to each other than this, mm, that see the same, took one photograph: a hand is millimetres off.
ONE_PLACE_MM = 0.7
#: Correlation of a photograph and its copy, compressed or brightened.
A_COPY = 0.8
#: From how many standard deviations photographs show two rotors; of sound ones, pairs reach 2.3 and eights 1.6, and
#: eights of two rotors that are a third of a degree apart 10.
DIFFERENT = 4.0
#: How far neighbouring markers may lie off together, px: sound photographs reach 0.03 from above, 0.08 from the side.
UNEVEN_PX = 0.25
#: Share of a blade's tip beside which a second edge is a doubt: sound tips reach 0.04 in path-traced photographs and
#: 0.08 in rendered ones, those with a line or a narrow shadow mostly 0.2 to 1.
SIDE_BY_SIDE = 0.15


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
    discs = [_End.of(shot, ring, priors) for shot in above]
    for k, (one, mine) in enumerate(zip(above, discs, strict=True)):
        for other, its in zip(above[:k], discs[:k], strict=True):
            hub_alike, (alike, turned) = its.hub_like(mine), its.like(mine)
            here = float(np.linalg.norm(one.pose.eye_mm - other.pose.eye_mm)) < ONE_PLACE_MM
            if here and alike > A_COPY and turned < 1.0:
                raise UsageError(
                    f"{other.name} and {one.name} are the same photograph, saved twice.",
                    f"{_turn_over(one, other)} Name every photograph once, each a shot of its own.".strip(),
                )
            if one.setup != other.setup and alike > SAME_END and hub_alike > ONE_HUB:
                late = one if one.setup == "outlet_up" else other
                raise AdjustmentError(
                    f"{other.name} and {one.name} show the same end of the rotor, but {late.name} was named as turned "
                    "over.",
                    f"{_turn_over(one, other)} Give --turned only what shows the outlet end up.",
                )
            if one.setup == other.setup and hub_alike < OTHER_HUB:
                way = "turned over" if one.setup == "outlet_up" else "standing inlet end up"
                raise AdjustmentError(
                    f"{other.name} and {one.name} were both named as {way}, but show different ends of the rotor, or "
                    "two rotors.",
                    "Name those that show the outlet end up after --turned; leave out another rotor's.",
                )


def contradictions(shots: Sequence[Shot], result: Adjustment, ring: Ring) -> Iterator[Flag]:
    """What a finished adjustment says of photographs that do not belong together, and of edges that may not be tips'.

    An uneven picture or a second edge also makes blades seem another rotor's, which is only said where neither is seen.

    shots : in the order of the adjustment's views.
    """
    if result.from_above and len(result.state.setups) == 2:
        text = "Seen from above only: that both ends are of one rotor, and which is the inlet, is taken as given."
        yield Flag("taken-as-given", text)
    spoiled = [flag for p, shot in enumerate(shots) for flag in _spoiled(shot, result, ring, p)]
    yield from spoiled
    for found in () if spoiled else differences(result, ring):
        if found.significance > DIFFERENT:
            names = ", ".join(result.views[p].name for p in found.photos)
            most = found.steeper_deg[np.abs(found.steeper_deg).argmax()]
            text = f"{names} and the other photographs seem to show two rotors: blades up to {abs(most):.1f} deg apart."
            yield Flag("rotors-differ", text)


def _spoiled(shot: Shot, result: Adjustment, ring: Ring, photo: int) -> Iterator[Flag]:
    """Whether a picture is shifted unevenly, or has second edges beside the tips."""
    if (off_px := unevenness_px(result, ring, photo)) > UNEVEN_PX:
        text = f"Parts of the picture are shifted against each other: markers side by side by {off_px:.1f} px."
        yield Flag("picture-uneven", text, shot.name)
    tips = result.views[photo].tips
    for edge in second_edges(shot.photo, tips, shot.sighting.blur_px) if tips is not None else ():
        if edge.share > SIDE_BY_SIDE:
            text = f"A second edge runs beside the tip, {edge.away_px:.0f} px away along {100 * edge.share:.0f} %."
            yield Flag("two-edges", text, shot.name, edge.blade + 1)


def _turn_over(one: Shot, other: Shot) -> str:
    return "Turn the rotor over and take the second one again." if one.setup != other.setup else ""


@dataclass(frozen=True)
class _End:
    """The end of a rotor, unrolled about the axis.

    pictures : (2, radii, azimuths) brightness and strength of edges, less what goes all round, each of unit length:
        edges tell in any light, brightness tells details. steps : (radii,) of the brightness all round.
    """

    pictures: NDArray[np.float32]
    steps: Array

    @classmethod
    def of(cls, shot: Shot, ring: Ring, priors: Priors) -> _End:
        """Of an overhead shot."""
        from scipy.ndimage import gaussian_filter1d

        cv2 = import_cv2()
        alone = state_of([shot], priors.camera, ring)
        psi = np.arange(AZIMUTHS) * 2 * np.pi / AZIMUTHS
        points = np.full((len(RADII_MM), AZIMUTHS, 3), USUAL_RIM_MM)
        points[..., :2] = _axis_mm(shot, alone) + RADII_MM[:, None, None] * np.stack([np.cos(psi), np.sin(psi)], 1)
        px = alone.pixels_of(points.reshape(-1, 3), 0)
        seen = profiles.sample(shot.photo.grey, px.T.reshape(2, len(RADII_MM), AZIMUTHS))
        image = np.sqrt(np.maximum(np.nan_to_num(seen), 0)).astype(np.float32)
        steps = np.median(gaussian_filter1d(image, 1.0, axis=0, order=1), axis=1)
        smooth = cv2.GaussianBlur(np.pad(image, ((0, 0), (ROUND, ROUND)), mode="wrap"), (0, 0), 1.0)
        # what lamps and shade do to whole areas is left out
        bright = smooth - cv2.GaussianBlur(smooth, (0, 0), 8.0)
        edge = np.hypot(cv2.Sobel(smooth, cv2.CV_32F, 1, 0), cv2.Sobel(smooth, cv2.CV_32F, 0, 1))
        edge = np.minimum(edge, np.quantile(edge, 0.97))
        edge = edge - cv2.GaussianBlur(edge, (0, 0), 8.0)
        both = np.stack([bright, edge])[..., ROUND:-ROUND]
        both = (both - both.mean(2, keepdims=True)) * np.sqrt(RADII_MM)[:, None]
        both /= np.maximum(np.sqrt((both**2).sum((1, 2), keepdims=True)), 1e-9)
        return cls(np.asarray(both, np.float32), np.asarray(steps, np.float64))

    def like(self, other: _End) -> tuple[float, float]:
        """Correlation of the pictures, turned against each other to where it is largest, and how far, deg."""
        spectrum = np.fft.rfft(self.pictures, axis=2) * np.conj(np.fft.rfft(other.pictures, axis=2))
        each = np.fft.irfft(spectrum.sum((0, 1)), AZIMUTHS) / 2
        k = int(each.argmax())
        return float(each[k]), min(k, AZIMUTHS - k) * 360 / AZIMUTHS

    def hub_like(self, other: _End) -> float:
        """Correlation of the steps all round, on the scale on which it is largest."""
        scaled = [np.interp(RADII_MM * scale, RADII_MM, other.steps) for scale in SCALES]
        norms = [max(float(np.linalg.norm(v) * np.linalg.norm(self.steps)), 1e-12) for v in scaled]
        return max(float(self.steps @ v) / norm for v, norm in zip(scaled, norms, strict=True))


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
