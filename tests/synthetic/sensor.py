"""Linear light -> encoded picture: lens blur, a moving hand, sensor noise, and a phone's processing (`phone.py`)."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from bladeangle.base.files import import_cv2
from tests.synthetic import raster
from tests.synthetic.phone import Phone
from tests.synthetic.scene import Exposure

Light = NDArray[np.float32]
Picture = NDArray[np.uint8]
#: Steps of the sensor's digital values, and the rows that are worked on at a time.
_FULL_SCALE, _BAND_ROWS = 65535, 256


def path_kernel(path: tuple[tuple[float, float], ...]) -> Light:
    """Where a point's light goes while the hand moves along a path of points (x, y), px, at an even pace.

    The path's mean stays where the point is; every place on it is spread bilinearly.
    """
    points = np.array(path, float)
    sides = np.linalg.norm(np.diff(points, axis=0), axis=1)
    at = np.concatenate([[0.0], np.cumsum(sides)])
    count = max(2, int(8 * at[-1]))
    t = (np.arange(count) + 0.5) / count * at[-1]
    x, y = (np.interp(t, at, points[:, k]) for k in (0, 1))
    x, y = x - x.mean(), y - y.mean()
    n = 2 * math.ceil(max(np.abs(x).max(), np.abs(y).max())) + 3
    kernel = np.zeros((n, n), np.float32)
    u, v = n // 2 + x, n // 2 + y
    i, j = np.floor(u).astype(int), np.floor(v).astype(int)
    for di, wi in ((0, 1 - (u - i)), (1, u - i)):
        for dj, wj in ((0, 1 - (v - j)), (1, v - j)):
            np.add.at(kernel, (j + dj, i + di), wi * wj)
    out: Light = kernel / kernel.sum()
    return out


def _blurred(light: Light, exposure: Exposure) -> Light:
    cv2 = import_cv2()
    if exposure.blur_px > 0:
        light = cv2.GaussianBlur(light, (0, 0), exposure.blur_px, borderType=cv2.BORDER_REPLICATE)
    path = exposure.path_px
    if exposure.motion_px != (0.0, 0.0):
        path = ((0.0, 0.0), exposure.motion_px)
    if path:
        # OpenCV correlates: the kernel is turned round, so that light goes along the path
        light = cv2.filter2D(light, -1, path_kernel(path)[::-1, ::-1], borderType=cv2.BORDER_REPLICATE)
    return light


def expose(light: Light, exposure: Exposure, cx_px: float | None = None, cy_px: float | None = None) -> Picture:
    """Blur, noise, clipping and encoding of linear light; (height, width[, 3]) uint8.

    `cx_px`, `cy_px` is the point about which lateral colour grows, the picture's middle by default.
    """
    height, width = light.shape[:2]
    if exposure.phone is not None:
        centre = (0.5 * (width - 1) if cx_px is None else cx_px, 0.5 * (height - 1) if cy_px is None else cy_px)
        return _by_phone(light, exposure, exposure.phone, centre)
    light = _blurred(light, exposure).reshape(height, width, -1)  # OpenCV drops the last axis of a grey picture
    rng = np.random.default_rng(exposure.seed)
    encoded = np.empty(light.shape, np.uint8)
    for row in range(0, len(light), _BAND_ROWS):
        band = light[row : row + _BAND_ROWS]
        # One noise for all channels: a phone's colour noise is smoothed away before the file is written.
        noise = rng.standard_normal(band.shape[:2], np.float32)
        raster.develop(band, noise, float(exposure.full_well), float(exposure.gain), encoded[row : row + _BAND_ROWS])
    return encoded if exposure.colour else encoded.reshape(height, width)


def _by_phone(light: Light, exposure: Exposure, phone: Phone, centre: tuple[float, float]) -> Picture:
    cv2 = import_cv2()
    if light.ndim == 2 or light.shape[2] == 1:
        light = cv2.cvtColor(light.reshape(light.shape[:2]), cv2.COLOR_GRAY2BGR)
    light = _blurred(_lateral(light, phone.lateral, centre), exposure)
    y, red, blue = cv2.split(cv2.cvtColor(_encoded(_sensed(light, exposure, phone), phone), cv2.COLOR_BGR2YCrCb))
    if phone.denoise > 0:
        y = cv2.bilateralFilter(y, 5, phone.denoise, 1.5)
        red, blue = (cv2.GaussianBlur(plane, (0, 0), 2.0) for plane in (red, blue))
    if phone.local > 0:
        small = cv2.resize(y, None, fx=0.125, fy=0.125, interpolation=cv2.INTER_AREA)
        mean = cv2.GaussianBlur(small, (0, 0), max(0.125 * phone.local_px, 0.5))
        y = y + np.float32(phone.local) * (y - cv2.resize(mean, y.shape[::-1], interpolation=cv2.INTER_LINEAR))
    if phone.sharpen > 0:
        y = y + np.float32(phone.sharpen) * (y - cv2.GaussianBlur(y, (0, 0), phone.sharpen_px))
    if exposure.colour:
        y = cv2.cvtColor(cv2.merge([y, red, blue]), cv2.COLOR_YCrCb2BGR)
    return np.asarray(cv2.convertScaleAbs(np.clip(y, 0.0, 1.0), alpha=255.0), np.uint8)


def _lateral(light: Light, larger: tuple[float, float], centre: tuple[float, float]) -> Light:
    """Red and blue enlarged about a point; green as it is."""
    cv2 = import_cv2()
    planes = list(cv2.split(light))
    for channel, more in ((2, larger[0]), (0, larger[1])):
        if more:
            k = 1.0 + more
            move = np.array([[k, 0.0, centre[0] * (1 - k)], [0.0, k, centre[1] * (1 - k)]])
            planes[channel] = cv2.warpAffine(
                planes[channel], move, light.shape[1::-1], flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
            )
    return np.asarray(cv2.merge(planes), np.float32)


def _sensed(light: Light, exposure: Exposure, phone: Phone) -> NDArray[np.uint16]:
    """Digital values (height, width, 3) BGR with shot and reading noise, from a mosaic if the sensor has one."""
    cv2 = import_cv2()
    rng = np.random.default_rng(exposure.seed)
    if phone.mosaic:
        raw = light[:, :, 1].copy()
        raw[0::2, 0::2], raw[1::2, 1::2] = light[0::2, 0::2, 2], light[1::2, 1::2, 0]
    else:
        raw = light
    raw = np.float32(exposure.gain) * np.maximum(raw, 0.0)
    if exposure.full_well > 0:
        for row in range(0, len(raw), _BAND_ROWS):
            band = raw[row : row + _BAND_ROWS]
            sigma = np.sqrt(band * np.float32(exposure.full_well) + np.float32(phone.read_noise**2))
            band += sigma * rng.standard_normal(band.shape, np.float32) / np.float32(exposure.full_well)
    digits = np.asarray(np.clip(raw, 0.0, 1.0) * _FULL_SCALE + 0.5, np.uint16)
    if not phone.mosaic:
        return digits
    # OpenCV names a mosaic by the second pixel of its second row: RGGB is its "BG"
    way = cv2.COLOR_BayerBG2BGR_EA if phone.edge_aware else cv2.COLOR_BayerBG2BGR
    return np.asarray(cv2.cvtColor(digits, way), np.uint16)


def _encoded(digits: NDArray[np.uint16], phone: Phone) -> Light:
    """White balance, sRGB (IEC 61966-2-1) and the phone's own curve, 0 to 1."""
    value = np.linspace(0.0, 1.0, _FULL_SCALE + 1)
    out = np.empty(digits.shape, np.float32)
    for channel, gain in enumerate(phone.tint[::-1]):
        v = np.minimum(gain * value, 1.0)
        v = np.where(v <= 0.0031308, 12.92 * v, 1.055 * v ** (1.0 / 2.4) - 0.055) ** phone.gamma
        v += phone.tone * (v * v * (3.0 - 2.0 * v) - v)
        out[:, :, channel] = v.astype(np.float32)[digits[:, :, channel]]
    return out
