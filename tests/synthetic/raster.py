"""The renderer's inner loops, compiled by numba: visibility by a z-buffer, then shading.

Every pixel has 4 x 4 samples, multi-jittered: no two share a row or a column of the pixel's 16 x 16 grid, so that an
edge along the pixel rows is placed to 1/32 px, and the pattern differs from pixel to pixel, so that at no slope of an
edge do the errors of neighbours add up. The samples' mean is the integral over the square pixel in linear light.
Meshes are projected vertex by vertex with the lens distortion; the sheet, the table and the walls are met by rays
through the exactly undistorted sample.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bladeangle.base.errors import BladeangleError

try:
    import numba
except ImportError as error:
    raise BladeangleError(
        f"the renderer of synthetic photographs needs numba: {error}.",
        "Install the package numba; measuring does not need it.",
    ) from error

#: Samples along each side of a pixel.
SAMPLES = 4
#: The pattern repeats after this many samples (8 pixels).
TILE = 8 * SAMPLES


def _jitter() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Offsets x and y (TILE, TILE) of the samples from a regular grid, in samples."""
    rng = np.random.default_rng(20)
    blocks = (TILE // SAMPLES, TILE // SAMPLES, SAMPLES, SAMPLES)
    place = (np.arange(SAMPLES) + 0.5) / SAMPLES - 0.5
    # In every column of a pixel's samples the x offsets are a permutation of `place`, in every row the y offsets.
    x = rng.permuted(np.broadcast_to(place, blocks), axis=3).swapaxes(2, 3)
    y = rng.permuted(np.broadcast_to(place, blocks), axis=3)
    return x.swapaxes(1, 2).reshape(TILE, TILE).copy(), y.swapaxes(1, 2).reshape(TILE, TILE).copy()


JITTER_X, JITTER_Y = _jitter()

#: No loop makes an array, so that references to those handed on need not be counted, which took half of the time.
_OPTIONS: Any = {"cache": True, "error_model": "numpy", "_nrt": False}
njit: Any = numba.njit(**_OPTIONS)


@njit
def fill(
    px: NDArray[np.float64],
    nearness: NDArray[np.float64],
    triangles: NDArray[np.int32],
    which: NDArray[np.int64],
    samples: int,
    row0: int,
    zbuffer: NDArray[np.float32],
    ids: NDArray[np.int32],
    touched: NDArray[np.uint8],
) -> None:
    """Draw triangles into a band of sample rows.

    px (V, 2): vertices in sample units, where sample (i, j) of an unshifted grid sits at (i, j); nearness (V,):
    greater is nearer and positive; which: the triangles to draw; row0: sample row of the band's first row; zbuffer and
    ids (rows, columns) hold nearness and triangle; touched (rows/samples, columns/samples) marks pixels drawn to.
    """
    rows, columns = zbuffer.shape
    for w in range(which.size):
        t = which[w]
        i0, i1, i2 = triangles[t, 0], triangles[t, 1], triangles[t, 2]
        x0, y0, x1, y1, x2, y2 = px[i0, 0], px[i0, 1], px[i1, 0], px[i1, 1], px[i2, 0], px[i2, 1]
        area = (x1 - x0) * (y2 - y0) - (x2 - x0) * (y1 - y0)
        if not abs(area) > 1e-12:
            continue
        inv = 1.0 / area
        left = max(0, math.floor(min(x0, x1, x2) - 0.5))
        right = min(columns - 1, math.ceil(max(x0, x1, x2) + 0.5))
        top = max(0, math.floor(min(y0, y1, y2) - 0.5) - row0)
        bottom = min(rows - 1, math.ceil(max(y0, y1, y2) + 0.5) - row0)
        n0, n1, n2 = nearness[i0], nearness[i1], nearness[i2]
        ax1, ay1 = (y2 - y0) * inv, -(x2 - x0) * inv
        ax2, ay2 = -(y1 - y0) * inv, (x1 - x0) * inv
        for r in range(top, bottom + 1):
            i = (r + row0) % TILE
            for c in range(left, right + 1):
                dx, dy = c - x0, r + row0 - y0
                if samples > 1:
                    dx += JITTER_X[i, c % TILE]
                    dy += JITTER_Y[i, c % TILE]
                b1 = ax1 * dx + ay1 * dy
                b2 = ax2 * dx + ay2 * dy
                # The tiny slack lets neighbours overlap instead of leaving pinholes between them.
                if b1 >= -1e-9 and b2 >= -1e-9 and b1 + b2 <= 1.0 + 1e-9:
                    near = n0 + b1 * (n1 - n0) + b2 * (n2 - n0)
                    if near > zbuffer[r, c]:
                        zbuffer[r, c] = near
                        ids[r, c] = t
                        touched[r // samples, c // samples] = 1


@njit
def undistort(
    u: float, v: float, x: float, y: float, dist: NDArray[np.float64], inverse: NDArray[np.float64]
) -> tuple[float, float]:
    """Normalised point whose distorted image is (u, v), by Newton from (x, y); `inverse` gets d(x, y)/d(u, v)."""
    k1, k2, p1, p2, k3 = dist[0], dist[1], dist[2], dist[3], dist[4]
    for _ in range(20):
        r2 = x * x + y * y
        radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
        slope = k1 + r2 * (2.0 * k2 + 3.0 * r2 * k3)
        fx = x * radial + 2.0 * p1 * x * y + p2 * (r2 + 2.0 * x * x) - u
        fy = y * radial + p1 * (r2 + 2.0 * y * y) + 2.0 * p2 * x * y - v
        a = radial + 2.0 * x * x * slope + 2.0 * p1 * y + 6.0 * p2 * x
        b = 2.0 * x * y * slope + 2.0 * p1 * x + 2.0 * p2 * y
        d = radial + 2.0 * y * y * slope + 6.0 * p1 * y + 2.0 * p2 * x
        det = a * d - b * b
        inverse[0, 0], inverse[0, 1], inverse[1, 0], inverse[1, 1] = d / det, -b / det, -b / det, a / det
        sx, sy = (d * fx - b * fy) / det, (a * fy - b * fx) / det
        x, y = x - sx, y - sy
        if sx * sx + sy * sy < 1e-20:
            break
    return x, y


@njit
def hash_noise(i: int, j: int) -> float:
    """A repeatable pseudo-random number in -1..1 of two integers."""
    h = (i * 374761393 + j * 668265263) & 0xFFFFFFFF
    h = ((h ^ (h >> 13)) * 1274126177) & 0xFFFFFFFF
    return ((h ^ (h >> 16)) & 0xFFFFFF) / 8388607.5 - 1.0


@njit
def value_noise(x: float, y: float, wrap: int) -> float:
    """Smooth noise in -1..1 with unit grid; with `wrap` > 0 periodic in x."""
    xf, yf = math.floor(x), math.floor(y)
    i, j = int(xf), int(yf)
    fx, fy = x - xf, y - yf
    fx, fy = fx * fx * (3.0 - 2.0 * fx), fy * fy * (3.0 - 2.0 * fy)
    i0, i1 = i, i + 1
    if wrap > 0:
        i0, i1 = i0 % wrap, i1 % wrap
    top = hash_noise(i0, j) * (1.0 - fx) + hash_noise(i1, j) * fx
    bottom = hash_noise(i0, j + 1) * (1.0 - fx) + hash_noise(i1, j + 1) * fx
    return top * (1.0 - fy) + bottom * fy


@njit
def metal_texture(x: float, y: float, z: float, turned: bool) -> float:
    """Relative reflectance about 1 at a point of the rotor frame: grinding arcs and blotches, or a lathe's rings."""
    r = math.sqrt(x * x + y * y)
    phi = (math.atan2(y, x) / (2.0 * math.pi)) % 1.0
    if turned:
        return 1.0 + 0.06 * value_noise(phi * 9, r * 0.45, 9) + 0.03 * value_noise(phi * 24, r * 1.7, 24)
    blotch = value_noise(phi * 40, 0.09 * r + 0.05 * z, 40)
    arcs = value_noise(phi * 90, r * 0.8 + z * 0.3, 90)
    fine = value_noise(phi * 260, r * 2.5 + z, 260)
    return 1.0 + 0.08 * blotch + 0.035 * arcs + 0.02 * fine


@njit
def grid_value(grid: NDArray[np.float32], half: float, x: float, y: float) -> float:
    """Bilinear value of a square grid over -half..half, its border outside."""
    n = grid.shape[0] - 1
    gx = min(max((x + half) / (2.0 * half) * n, 0.0), n - 1e-6)
    gy = min(max((y + half) / (2.0 * half) * n, 0.0), n - 1e-6)
    i, j = int(gx), int(gy)
    fx, fy = gx - i, gy - j
    return (grid[j, i] * (1 - fx) + grid[j, i + 1] * fx) * (1 - fy) + (
        grid[j + 1, i] * (1 - fx) + grid[j + 1, i + 1] * fx
    ) * fy


@njit
def seen_by_lamp(
    depth: NDArray[np.float32], axes: NDArray[np.float64], half: float, x: float, y: float, z: float, bias: float
) -> float:
    """Share 0..1 of light passing a depth map along `axes` (3, 3; last row to the lamp), smoothed over one cell."""
    n = depth.shape[0]
    u = (axes[0, 0] * x + axes[0, 1] * y + axes[0, 2] * z + half) / (2.0 * half) * n - 0.5
    v = (axes[1, 0] * x + axes[1, 1] * y + axes[1, 2] * z + half) / (2.0 * half) * n - 0.5
    near = axes[2, 0] * x + axes[2, 1] * y + axes[2, 2] * z + 1000.0 + bias
    i, j = math.floor(u), math.floor(v)
    if i < 0 or j < 0 or i >= n - 1 or j >= n - 1:
        return 1.0
    fx, fy = u - i, v - j
    a = 1.0 if near >= depth[j, i] else 0.0
    b = 1.0 if near >= depth[j, i + 1] else 0.0
    c = 1.0 if near >= depth[j + 1, i] else 0.0
    d = 1.0 if near >= depth[j + 1, i + 1] else 0.0
    return (a * (1 - fx) + b * fx) * (1 - fy) + (c * (1 - fx) + d * fx) * fy


@njit
def sky_light(
    points: NDArray[np.float64],
    normals: NDArray[np.float64],
    lamps: NDArray[np.float64],
    maps: NDArray[np.float32],
    axes: NDArray[np.float64],
    half: float,
    out: NDArray[np.float32],
) -> None:
    """Light on points (N, 3) with normals from directions (K, 3), each dimmed by its depth map; 1 for an open plane."""
    total = 0.0
    for k in range(lamps.shape[0]):
        total += max(0.0, lamps[k, 2])
    for i in range(points.shape[0]):
        light = 0.0
        for k in range(lamps.shape[0]):
            c = normals[i, 0] * lamps[k, 0] + normals[i, 1] * lamps[k, 1] + normals[i, 2] * lamps[k, 2]
            if c > 0.0:
                light += c * seen_by_lamp(
                    maps[k],
                    axes[k],
                    half,
                    points[i, 0] + 0.4 * normals[i, 0],
                    points[i, 1] + 0.4 * normals[i, 1],
                    points[i, 2] + 0.4 * normals[i, 2],
                    0.6,
                )
        out[i] = light / total


@njit
def develop(
    light: NDArray[np.float32], noise: NDArray[np.float32], full_well: float, gain: float, encoded: NDArray[np.uint8]
) -> None:
    """Linear light (rows, columns, channels) and normal noise (rows, columns) -> sRGB-encoded (IEC 61966-2-1)."""
    rows, columns, channels = light.shape
    for r in range(rows):
        for c in range(columns):
            for k in range(channels):
                v = light[r, c, k] * gain
                if full_well > 0.0:
                    # Shot noise plus 3 electrons of reading noise; what saturates clips after it.
                    v += noise[r, c] * math.sqrt(max(v, 0.0) * full_well + 9.0) / full_well
                v = min(max(v, 0.0), 1.0)
                v = 12.92 * v if v <= 0.0031308 else 1.055 * v ** (1.0 / 2.4) - 0.055
                encoded[r, c, k] = int(v * 255.0 + 0.5)
