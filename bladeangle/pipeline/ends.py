"""Photographs from straight above -> whether two of them show the same end of a rotor, or are one photograph.

In polar coordinates about the axis, pictures of hub and blade roots of one end correlate in any light, however the
rotor or the sheet is turned; those of the other end, or of another rotor, do not, and its hub and bore have other
radii.

Not covered: a rotor that looks the same from both ends, where nothing but the blades' angles would tell.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bladeangle.base.errors import EdgesError
from bladeangle.base.files import import_cv2
from bladeangle.base.geometry import Array, pixels
from bladeangle.detection import hub
from bladeangle.imaging import profiles
from bladeangle.imaging.photo import Photo
from bladeangle.imaging.pose import Pose
from bladeangle.tuning.detection import OUTLINE
from bladeangle.tuning.pipeline import ENDS

#: What is unrolled about the axis, mm: hub, bore and the roots of the blades. Steps in radius, mm, and of the turn.
RADII_MM = np.arange(6.0, 48.0, 0.5)
AZIMUTHS = 240
#: Azimuths repeated beyond either end, so that the filters go round.
ROUND = 30
#: Radii are compared on scales of so much more or less, as the rim stands higher or lower.
SCALES = np.arange(0.97, 1.0301, 0.005)


@dataclass(frozen=True)
class End:
    """The upper end of a rotor in one photograph, in polar coordinates about the axis.

    pictures : (2, radii, azimuths) brightness and gradient magnitude, less their means over azimuth, of unit norm: the
        gradient depends little on the light, brightness resolves more.
    steps : (radii,) radial derivative of the brightness, median over azimuth.
    eye_mm : (3,) the camera's centre in the ring frame.
    """

    pictures: NDArray[np.float32]
    steps: Array
    eye_mm: Array

    @classmethod
    def of(cls, photo: Photo, pose: Pose, camera: Array, blur_px: float, circles: Sequence[hub.HubCircle] = ()) -> End:
        """Of a photograph from above whose ring is found; camera (8,) in the pixels that it is worked on in.

        circles : of the hub, where they have been looked for already.
        """
        from scipy.ndimage import gaussian_filter1d

        def to_pixels(points: Array) -> Array:
            return pixels(points @ pose.r_camera_ring.T + pose.t_camera_ring_mm, camera)

        psi = np.arange(AZIMUTHS) * 2 * np.pi / AZIMUTHS
        points = np.full((len(RADII_MM), AZIMUTHS, 3), OUTLINE.usual_rim_mm)
        centre = circles or _circles(photo, hub.Plane(to_pixels), blur_px)
        axis_mm = hub.rim_of(centre).on(OUTLINE.usual_rim_mm, pose.eye_mm).centre_mm if centre else np.zeros(2)
        points[..., :2] = axis_mm + RADII_MM[:, None, None] * np.stack([np.cos(psi), np.sin(psi)], 1)
        px = to_pixels(points.reshape(-1, 3))
        seen = profiles.sample(photo.grey, px.T.reshape(2, len(RADII_MM), AZIMUTHS))
        image = np.sqrt(np.maximum(np.nan_to_num(seen), 0)).astype(np.float32)
        steps = np.median(gaussian_filter1d(image, 1.0, axis=0, order=1), axis=1)
        both = local_contrast(np.pad(image, ((0, 0), (ROUND, ROUND)), mode="wrap"), 1.0, 8.0)[..., ROUND:-ROUND]
        both = (both - both.mean(2, keepdims=True)) * np.sqrt(RADII_MM)[:, None]
        both /= np.maximum(np.sqrt((both**2).sum((1, 2), keepdims=True)), 1e-9)
        return cls(np.asarray(both, np.float32), np.asarray(steps, np.float64), pose.eye_mm)

    def same_as(self, other: End) -> bool | None:
        """Whether both are of one end of one rotor; None where that is not clear."""
        of_steps = self._step_correlation(other)
        if of_steps < ENDS.surely_other_hub:
            return False
        correlation = self._correlation(other)[0]
        alike = correlation > ENDS.same_end
        # an axis that one hub circle puts a little off smears the steps of its picture
        if alike and of_steps > (ENDS.other_hub if correlation > ENDS.surely_same_end else ENDS.same_hub):
            return True
        # glare on a hub, or a circle that is missed, spoils the steps of one end too
        return False if not alike and of_steps < ENDS.other_hub else None

    def copy_of(self, other: End) -> bool:
        """Whether both are one photograph, saved twice."""
        if float(np.linalg.norm(self.eye_mm - other.eye_mm)) > ENDS.one_place_mm:
            return False
        correlation, turned_deg = self._correlation(other)
        return correlation > ENDS.copy and turned_deg < ENDS.copy_turn_deg

    def _correlation(self, other: End) -> tuple[float, float]:
        """Largest circular cross-correlation of the pictures over azimuth, and at which turn, deg."""
        spectrum = np.fft.rfft(self.pictures, axis=2) * np.conj(np.fft.rfft(other.pictures, axis=2))
        each = np.fft.irfft(spectrum.sum((0, 1)), AZIMUTHS) / 2
        k = int(each.argmax())
        return float(each[k]), min(k, AZIMUTHS - k) * 360 / AZIMUTHS

    def _step_correlation(self, other: End) -> float:
        """Correlation of the radial steps, at the scale of radii at which it is largest."""
        scaled = [np.interp(RADII_MM * scale, RADII_MM, other.steps) for scale in SCALES]
        norms = [max(float(np.linalg.norm(v) * np.linalg.norm(self.steps)), 1e-12) for v in scaled]
        return max(float(self.steps @ v) / norm for v, norm in zip(scaled, norms, strict=True))


def local_contrast(image: NDArray[np.float32], fine: float, coarse: float) -> NDArray[np.float32]:
    """Brightness and gradient magnitude (2, h, w) of a picture (h, w), each high-pass filtered against uneven light.

    fine, coarse : standard deviations, px, of the Gaussians that smooth noise and that the light is estimated with.
    """
    cv2 = import_cv2()
    smooth = cv2.GaussianBlur(image, (0, 0), fine)
    bright = smooth - cv2.GaussianBlur(smooth, (0, 0), coarse)
    edge = np.hypot(cv2.Sobel(smooth, cv2.CV_32F, 1, 0), cv2.Sobel(smooth, cv2.CV_32F, 0, 1))
    edge = np.minimum(edge, np.quantile(edge, 0.97))
    return np.stack([bright, edge - cv2.GaussianBlur(edge, (0, 0), 8.0)])


def _circles(photo: Photo, plane: hub.Plane, blur_px: float) -> list[hub.HubCircle]:
    try:
        return hub.find_hub(photo, plane, np.zeros(2), blur_px)
    except EdgesError:
        return []
