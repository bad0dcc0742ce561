"""Photographs of a flat printed ring with exact truth, for tests: analytic edges, OpenCV's projection, no project code.

Every marker cell is a product of two blurred steps, so that an edge lies exactly where it should, at any slant or blur.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr
from seeds import generator

from bladeangle.imaging.photo import WHITE_LEVEL, Exif, Photo
from bladeangle.imaging.ring import Ring, dictionary_of, read_ring

Array = NDArray[np.float64]
CALIBRATION = Path(__file__).parent.parent / "calibration"


def trial_ring() -> Ring:
    """The ring that the project ships photographs of."""
    return read_ring(CALIBRATION / "trial-ring.json")


@dataclass(frozen=True)
class Shot:
    """A camera (f, cx, cy, five distortion coefficients) and its pose over the ring."""

    camera: Array
    rotation: Array
    shift: Array
    width: int = 1600
    height: int = 1200

    @property
    def matrix(self) -> Array:
        """OpenCV's camera matrix."""
        f, cx, cy = self.camera[:3]
        return np.array([[f, 0, cx], [0, f, cy], [0, 0, 1.0]])

    def px(self, points: Array) -> Array:
        """Pixels (n, 2) of points (n, 3) in the ring frame."""
        vector = cv2.Rodrigues(self.rotation)[0]
        points = np.ascontiguousarray(points, float)
        px = cv2.projectPoints(points, vector, self.shift, self.matrix, self.camera[3:8].copy())[0]
        return np.asarray(px, np.float64).reshape(-1, 2)

    def on_sheet(self, px: Array) -> Array:
        """Points (n, 2) mm on the sheet's plane seen at pixels (n, 2)."""
        stop = (cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, 50, 1e-13)
        flat = np.ascontiguousarray(px.reshape(-1, 1, 2))
        ideal = cv2.undistortPoints(flat, self.matrix, self.camera[3:8].copy(), criteria=stop).reshape(-1, 2)
        homography = np.linalg.inv(np.column_stack([self.rotation[:, :2], self.shift]))
        h = np.column_stack([ideal, np.ones(len(ideal))]) @ homography.T
        return h[:, :2] / h[:, 2:]


def shot(
    camera: Array, tilt_deg: float = 0.0, azimuth_deg: float = 0.0, distance_mm: float = 330.0, roll_deg: float = 0.0,
    target_mm: tuple[float, float] = (0.0, 0.0), width: int = 1600, height: int = 1200,
) -> Shot:  # fmt: skip
    """A shot at a point of the sheet from `tilt_deg` off straight above, in the direction `azimuth_deg`."""
    tilt, azimuth, roll = np.radians([tilt_deg, azimuth_deg, roll_deg])
    away = np.array([np.sin(tilt) * np.cos(azimuth), np.sin(tilt) * np.sin(azimuth), np.cos(tilt)])
    side = np.array([-np.sin(azimuth), np.cos(azimuth), 0.0])
    x = np.cos(roll) * side + np.sin(roll) * np.cross(-away, side)
    rotation = np.stack([x, np.cross(-away, x), -away])
    eye = np.array([*target_mm, 0.0]) + distance_mm * away
    return Shot(np.asarray(camera, float), rotation, -rotation @ eye, width, height)


def light_of(
    ring: Ring,
    seen: Shot,
    *,
    blur_px: float = 0.9,
    paper: float = 0.65,
    ink: float = 0.03,
    hidden: tuple[int, ...] = (),
) -> NDArray[np.float64]:
    """Linear light (height, width) of the sheet; `hidden` markers are left white."""
    light = np.full((seen.height, seen.width), paper)
    # OpenCV keeps the bits behind the marker's number; drawing it at one pixel a cell is the public way to them.
    dictionary = dictionary_of(ring.dictionary)
    cells = dictionary.markerSize + 2
    for index, number in enumerate(ring.ids):
        if index in hidden:
            continue
        black = (cv2.aruco.generateImageMarker(dictionary, int(number), cells, borderBits=1) < 128).astype(float)
        corners = ring.corners_mm[index]
        outline = seen.px(np.column_stack([corners, np.zeros(4)]))
        low = np.maximum(np.floor(outline.min(0)).astype(int) - 8, 0)
        high = np.minimum(np.ceil(outline.max(0)).astype(int) + 9, [seen.width, seen.height])
        if (high - low < 3).any():
            continue
        x, y = np.meshgrid(np.arange(low[0], high[0]), np.arange(low[1], high[1]))
        mm = seen.on_sheet(np.stack([x, y], -1).reshape(-1, 2).astype(float)) - corners[0]
        axes = np.stack([corners[1] - corners[0], corners[3] - corners[0]])
        coordinates = np.linalg.solve(axes.T, mm.T).reshape(2, *x.shape) * cells
        edges = np.arange(cells + 1.0)
        weights = []
        for c in coordinates:
            blur = blur_px * np.hypot(*np.gradient(c))
            steps = ndtr((c[..., None] - edges) / blur[..., None])
            weights.append(steps[..., :-1] - steps[..., 1:])
        covered = np.einsum("yxi,yxj,ji->yx", weights[0], weights[1], black)
        light[low[1] : high[1], low[0] : high[0]] += (ink - paper) * covered
    return light


def encode(light: Array, *, noise: float = 0.0, rng: np.random.Generator | None = None) -> NDArray[np.uint8]:
    """sRGB-encoded grey values of linear light with shot-like noise (`noise` is that of full white)."""
    if noise and rng is not None:
        light = light + rng.normal(size=light.shape) * noise * np.sqrt(np.clip(light, 0.01, 1))
    light = np.clip(light, 0, 1)
    value = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return np.rint(255 * value).astype(np.uint8)


def as_photo(encoded: NDArray[np.uint8], name: str = "rendered.png", exif: Exif | None = None) -> Photo:
    """A `Photo` of encoded values, as if it had been read."""
    value = encoded / 255.0
    light = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)
    grey = np.rint(WHITE_LEVEL * light).astype(np.uint16)
    height, width = encoded.shape
    return Photo(Path(name), name, "0" * 64, grey, np.ascontiguousarray(encoded), width, height, exif or Exif())


def photograph(
    ring: Ring, seen: Shot, *, noise: float = 0.01, seed: int = 1, name: str = "rendered.png", blur_px: float = 0.9,
    paper: float = 0.65, hidden: tuple[int, ...] = (),
) -> Photo:  # fmt: skip
    """Photograph of the ring."""
    light = light_of(ring, seen, blur_px=blur_px, paper=paper, hidden=hidden)
    return as_photo(encode(light, noise=noise, rng=generator(seed)), name)


def scaled(ring: Ring, factor: float) -> Ring:
    """The ring printed larger or smaller."""
    return replace(ring, corners_mm=ring.corners_mm * factor)
