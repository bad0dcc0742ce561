"""What nobody models, done to a picture: water, compression, local contrast, a shutter, lines and shadows at the tips.

Every spoiler takes the stored pixels (h, w), a generator, and the set and photograph that they are of, whose followed
edges it may draw along; it gives the pixels back.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray

from bladeangle.base.files import import_cv2
from tests.campaign.sound import Image, Sound

Rng = np.random.Generator
#: OpenCV draws a smoothed polygon wider than it is, on every side (measured).
DRAWN_WIDER_PX = 0.68
Spoil = Callable[[Image, Rng, Sound, str], Image]


def _warped(image: Image, dx: NDArray[np.float64], dy: NDArray[np.float64]) -> Image:
    """Every pixel read so far off its place."""
    cv2 = import_cv2()
    h, w = image.shape
    x, y = np.meshgrid(np.arange(w, dtype=np.float32), np.arange(h, dtype=np.float32))
    moved = cv2.remap(
        image, x + dx.astype(np.float32), y + dy.astype(np.float32), cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
    )
    return np.asarray(moved, np.uint8)


def drop(image: Image, rng: Rng, sound: Sound, name: str) -> Image:
    """A drop or smear on the lens: a smooth shift of 4 to 8 px of 4032 over a part of the picture, slightly soft."""
    h, w = image.shape
    unit = w / 4032
    tips = np.concatenate(sound.edges[name])
    at = tips[int(rng.integers(len(tips)))] + rng.normal(0, 150 * unit, 2)
    size, most, way = rng.uniform(250, 700) * unit, rng.uniform(4, 8) * unit, rng.uniform(0, 2 * math.pi)
    x, y = (np.arange(n, dtype=float) - c for n, c in ((w, at[0]), (h, at[1])))
    bell = np.exp(-0.5 * (x[None] ** 2 + y[:, None] ** 2) / size**2)
    out = _warped(image, most * bell * math.cos(way), most * bell * math.sin(way))
    soft = import_cv2().GaussianBlur(out, (0, 0), float(rng.uniform(0.5, 2.0)) * unit + 0.3)
    return np.asarray(np.rint(out + (soft.astype(float) - out) * bell), np.uint8)


def messenger(image: Image, rng: Rng, sound: Sound, name: str) -> Image:
    """Sent through messengers three times, which compressed it strongly and kept its size."""
    cv2 = import_cv2()
    for quality in rng.integers(30, 60, 3):
        shift = rng.integers(0, 2)
        code = cv2.imencode(".jpg", np.roll(image, shift, 1), [cv2.IMWRITE_JPEG_QUALITY, int(quality)])[1]
        image = np.roll(cv2.imdecode(code, cv2.IMREAD_GRAYSCALE), -shift, 1)
    return np.asarray(image, np.uint8)


def local_contrast(image: Image, rng: Rng, sound: Sound, name: str) -> Image:
    """Strong local contrast, as pictures of high dynamic range have it."""
    cv2 = import_cv2()
    unit = image.shape[1] / 4032
    if rng.uniform() < 0.5:
        tiles = int(rng.integers(8, 25))
        return np.asarray(cv2.createCLAHE(float(rng.uniform(2, 4)), (tiles, tiles)).apply(image), np.uint8)
    wide = cv2.GaussianBlur(image.astype(np.float32), (0, 0), float(rng.uniform(4, 40)) * unit)
    return np.clip(image + rng.uniform(0.5, 1.2) * (image - wide), 0, 255).astype(np.uint8)


def rolling_shutter(image: Image, rng: Rng, sound: Sound, name: str) -> Image:
    """A shear of 0.05 to 0.1 %."""
    h, w = image.shape
    rows = np.repeat((np.arange(h) - h / 2)[:, None], w, 1) * float(rng.choice([-1, 1]) * rng.uniform(0.0005, 0.001))
    return _warped(image, rows, np.zeros_like(rows))


def _tips(sound: Sound, name: str) -> Iterator[tuple[NDArray[np.float64], NDArray[np.float64]]]:
    """Every followed edge (n, 2) px of a photograph and its normals, away from the picture's middle.

    A smooth curve through the points, every 2 px: chords between them would cut a pixel off the blades.
    """
    from scipy.interpolate import make_smoothing_spline

    middle = np.concatenate(sound.edges[name]).mean(0)
    for points in sound.edges[name]:
        if len(points) >= 8:
            along = np.concatenate([[0.0], np.cumsum(np.maximum(np.hypot(*np.diff(points, axis=0).T), 1e-3))])
            fine = np.arange(0.0, along[-1], 2.0)
            edge = np.stack([make_smoothing_spline(along, at)(fine) for at in points.T], 1)
            way = np.gradient(edge, axis=0)
            normal = np.stack([way[:, 1], -way[:, 0]], 1) / np.maximum(np.hypot(*way.T), 1e-9)[:, None]
            yield edge, normal * np.sign(((edge - middle) * normal).sum())


def line_along_tip(image: Image, rng: Rng, sound: Sound, name: str) -> Image:
    """A thread, a pen line, a dark rim or a bright chamfer beside the edge of every tip."""
    cv2 = import_cv2()
    unit = max(image.shape[1] / 4032, 0.5)
    off, width = float(rng.uniform(-9, 9)) * unit, max(1, round(float(rng.uniform(2, 5)) * unit))
    value = int(rng.choice([15, 40, 235]))
    slope, out = float(rng.uniform(-5, 5)) * unit, image.copy()
    for edge, normal in _tips(sound, name):
        line = edge + normal * (off + slope * np.linspace(-0.5, 0.5, len(edge)))[:, None]
        cv2.polylines(out, [np.rint(line * 16).astype(np.int32)], False, value, width, cv2.LINE_AA, 4)
    return np.asarray(cv2.GaussianBlur(out, (0, 0), 0.7) if unit > 0.7 else out, np.uint8)


def shadow_beside_tip(image: Image, rng: Rng, sound: Sound, name: str) -> Image:
    """The blades' shadow on the paper: its edge runs away from every tip by some pixels, or a flash's wide one.

    Its own edge is soft; where the blade begins it ends as sharply as the blade.
    """
    cv2 = import_cv2()
    unit = image.shape[1] / 4032
    wide = float(rng.choice([rng.uniform(2, 7), rng.uniform(60, 110)])) * unit
    dark, soft = float(rng.uniform(0.25, 0.6)), float(rng.uniform(0.8, 3.0)) * unit
    mask, paper = np.zeros(image.shape, np.uint8), np.zeros(image.shape, np.uint8)
    for edge, normal in _tips(sound, name):
        slant = np.linspace(0.0, wide, len(edge))[:, None]
        for area, inner, outer in ((mask, -10.0 * unit, slant), (paper, DRAWN_WIDER_PX, wide + 10.0 * unit)):
            border = np.concatenate([edge + normal * inner, (edge + normal * outer)[::-1]])
            cv2.fillPoly(area, [np.rint(border * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
    shade, lit = (layer.astype(np.float32) / 255 for layer in (mask, paper))
    fallen = cv2.GaussianBlur(shade, (0, 0), max(soft, 0.5)) * cv2.GaussianBlur(lit, (0, 0), 0.6)
    return np.asarray(np.rint(image * (1 - (1 - dark) * fallen)), np.uint8)
