"""Rotations, projection through a distorting lens, and their derivatives; arrays only.

Camera parameters are one vector `[f_px, cx_px, cy_px, k1, k2, p1, p2, k3]`: square pixels and the five-coefficient
radial and tangential (Brown-Conrady) distortion as the OpenCV documentation writes it. Pixel centres are at integers.
Not covered: fish-eye lenses, skewed pixels, rolling shutter.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

#: Order of the camera parameter vector.
CAMERA_PARAMETERS = ("f_px", "cx_px", "cy_px", "k1", "k2", "p1", "p2", "k3")


def cross_matrix(v: Array) -> Array:
    """Matrix of the cross product: `cross_matrix(v) @ w == cross(v, w)`; (..., 3) -> (..., 3, 3)."""
    out = np.zeros((*v.shape, 3))
    out[..., 0, 1], out[..., 0, 2] = -v[..., 2], v[..., 1]
    out[..., 1, 0], out[..., 1, 2] = v[..., 2], -v[..., 0]
    out[..., 2, 0], out[..., 2, 1] = -v[..., 1], v[..., 0]
    return out


def cross(v: Array, w: Array) -> Array:
    """Cross products (3, n) of vectors (3, n)."""
    out = np.empty((3, v.shape[1]))
    out[0] = v[1] * w[2] - v[2] * w[1]
    out[1] = v[2] * w[0] - v[0] * w[2]
    out[2] = v[0] * w[1] - v[1] * w[0]
    return out


def rotation(vector: Array) -> Array:
    """Rotation matrix (3, 3) of a rotation vector (3,) in radians (Rodrigues' formula)."""
    angle = float(np.linalg.norm(vector))
    k = cross_matrix(np.asarray(vector, float))
    if angle < 1e-8:
        return np.eye(3) + k + 0.5 * k @ k
    turned: Array = np.eye(3) + np.sin(angle) / angle * k + (1 - np.cos(angle)) / angle**2 * k @ k
    return turned


def project(points: Array, camera: Array) -> tuple[Array, Array, Array]:
    """Project points in the camera frame, with derivatives; coordinates come first, with which many points are quick.

    Parameters
    ----------
    points : (3, n) mm, z forward (points with z <= 0 give meaningless pixels; the caller keeps them out).
    camera : (8,) camera parameters, or (8, n) of each point's own camera.

    Returns
    -------
    px : (2, n)
    by_points : (2, 3, n) px per mm
    by_camera : (2, 8, n) px per unit of each camera parameter
    """
    f, cx, cy, k1, k2, p1, p2, k3 = camera
    inverse_z = 1.0 / points[2]
    x, y = points[:2] * inverse_z
    xx, yy, xy = x * x, y * y, x * y
    r2 = xx + yy
    radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
    slope = 2 * (k1 + r2 * (2 * k2 + 3 * r2 * k3))  # d radial / d(r2) * 2, so that d/dx = slope * x
    tangential_x, tangential_y, twice_xy = r2 + 2 * xx, r2 + 2 * yy, 2 * xy
    distorted_x = x * radial + p1 * twice_xy + p2 * tangential_x
    distorted_y = y * radial + p1 * tangential_y + p2 * twice_xy
    px = np.stack([f * distorted_x + cx, f * distorted_y + cy])
    by_xx = radial + slope * xx + 2 * p1 * y + 6 * p2 * x
    by_xy = slope * xy + 2 * p1 * x + 2 * p2 * y
    by_yy = radial + slope * yy + 6 * p1 * y + 2 * p2 * x
    scale = f * inverse_z
    by_points = np.empty((2, 3, len(x)))
    by_points[0, 0], by_points[1, 1] = by_xx * scale, by_yy * scale
    by_points[0, 1] = by_points[1, 0] = by_xy * scale
    by_points[0, 2] = -(by_xx * x + by_xy * y) * scale
    by_points[1, 2] = -(by_xy * x + by_yy * y) * scale
    by_camera = np.zeros((2, 8, len(x)))
    by_camera[0, 0], by_camera[1, 0] = distorted_x, distorted_y
    by_camera[0, 1] = by_camera[1, 2] = 1.0
    power = f * r2
    for k in (3, 4, 7):
        by_camera[0, k], by_camera[1, k] = x * power, y * power
        power = power * r2
    by_camera[0, 5] = by_camera[1, 6] = f * twice_xy
    by_camera[1, 5], by_camera[0, 6] = f * tangential_y, f * tangential_x
    return px, by_points, by_camera


def pixels(points: Array, camera: Array) -> Array:
    """Pixels (n, 2) of points (n, 3) in the camera frame (8,); `project` without the derivatives."""
    k1, k2, p1, p2, k3 = camera[3:]
    x, y = points[:, 0] / points[:, 2], points[:, 1] / points[:, 2]
    r2 = x * x + y * y
    radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
    xd = x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x)
    yd = y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y
    return np.stack([camera[0] * xd + camera[1], camera[0] * yd + camera[2]], 1)


def undistort(px: Array, camera: Array, near: Array | None = None) -> Array:
    """Ideal normalised coordinates (n, 2) of pixels (n, 2), by Newton's method; camera (8,), or (8, n) of each pixel.

    near : (n, 2) those of nearly the same camera, from which it is sooner there.

    Converges wherever the distortion is monotonic, as it is inside the picture of any lens that is not a fish-eye;
    elsewhere the result may be nan.
    """
    k1, k2, p1, p2, k3 = camera[3:]
    to_x, to_y = (px.T - camera[1:3].reshape(2, -1)) / camera[0]
    x, y = to_x.copy(), to_y.copy()
    if near is not None:
        np.copyto(x, near[:, 0], where=np.isfinite(near[:, 0]))
        np.copyto(y, near[:, 1], where=np.isfinite(near[:, 1]))
    for _ in range(8):
        xx, yy, xy = x * x, y * y, x * y
        r2 = xx + yy
        radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
        slope = 2 * (k1 + r2 * (2 * k2 + 3 * r2 * k3))
        off_x = to_x - x * radial - 2 * p1 * xy - p2 * (r2 + 2 * xx)
        off_y = to_y - y * radial - p1 * (r2 + 2 * yy) - 2 * p2 * xy
        by_xx = radial + slope * xx + 2 * p1 * y + 6 * p2 * x
        by_xy = slope * xy + 2 * p1 * x + 2 * p2 * y
        by_yy = radial + slope * yy + 6 * p1 * y + 2 * p2 * x
        with np.errstate(all="ignore"):
            determinant = by_xx * by_yy - by_xy * by_xy
            step_x = (by_yy * off_x - by_xy * off_y) / determinant
            step_y = (by_xx * off_y - by_xy * off_x) / determinant
            x += step_x
            y += step_y
            # the error left is of the order of the step's square, a millionth of a pixel
            if max(np.abs(step_x).max(initial=0.0), np.abs(step_y).max(initial=0.0)) < 2e-5:
                break
    out: Array = np.stack([x, y]).T
    return out


def rays_in(px: Array, camera: Array, r_camera_from: Array) -> Array:
    """Directions (n, 3) of rays through pixels (n, 2), in the frame which `r_camera_from` (3, 3) turns to the camera's.

    Not normalised: the component along the camera's z is 1.
    """
    xy = undistort(px, camera)
    return np.column_stack([xy, np.ones(len(xy))]) @ r_camera_from


def stretched(coarse: Array, rows: int, columns: int) -> NDArray[Any]:
    """Values on a fine grid (c, n * rows, m * columns), bilinear between those of a coarse one (c, n + 1, m + 1).

    float32. Places project smoothly: every few of them by the lens, the rest between, is right to a tenth of a pixel.
    """
    channels, n, m = coarse.shape[0], coarse.shape[1] - 1, coarse.shape[2] - 1
    values: NDArray[Any] = coarse.astype(np.float32)
    share = np.arange(columns, dtype=np.float32) / columns
    values = np.diff(values)[..., None] * share + values[..., :-1, None]
    values = values.reshape(channels, n + 1, 1, m * columns)
    share = (np.arange(rows, dtype=np.float32) / rows)[:, None]
    out = np.diff(values, axis=1) * share
    out += values[:, :-1]
    return out.reshape(channels, n * rows, m * columns)


def ray_cylinder(origin: Array, directions: Array, radius_mm: float | Array, *, far: bool | NDArray[np.bool_]) -> Array:
    """Where rays meet the cylinder of `radius_mm`, or each its own (n,), about the z axis.

    Parameters
    ----------
    origin : (3,) mm, the camera in the cylinder's frame, or (n, 3) of each ray's own.
    directions : (n, 3)
    far : take the second crossing (an edge seen from inside, as from overhead) rather than the first; one for all
        or (n,).

    Returns
    -------
    points : (n, 3) mm; nan where a ray misses.
    """
    a = (directions[:, :2] ** 2).sum(1)
    b = (directions[:, :2] * origin[..., :2]).sum(1)
    c = (origin[..., :2] ** 2).sum(-1) - radius_mm**2
    with np.errstate(invalid="ignore", divide="ignore"):
        root = np.sqrt(b * b - a * c)
        length = (-b + np.where(far, root, -root)) / a
    points: Array = origin + length[:, None] * directions
    return points


def hats(at: Array, knots: Array) -> Array:
    """Shares (n, k) of evenly spaced knots (k,) at places (n,), linear between knots and constant beyond them."""
    off = np.abs(np.clip(at, knots[0], knots[-1])[:, None] - knots)
    out: Array = np.maximum(1 - off / (knots[1] - knots[0]), 0.0)
    return out


def exponential_precision(at: Array, length: float) -> Array:
    """Information (n, n) of unit-variance values at rising places (n,) that correlate by exp(-distance / length).

    Each such value depends on its neighbours alone (a Markov process), so that the inverse has three diagonals.
    """
    kept = np.exp(-np.diff(at) / length)
    new = 1 - kept**2
    out: Array = np.diag(1 + np.append(kept**2 / new, 0.0) + np.append(0.0, kept**2 / new))
    each = np.arange(len(kept))
    out[each, each + 1] = out[each + 1, each] = -kept / new
    return out


def block_diagonal(blocks: Sequence[Array]) -> Array:
    """Square blocks along the diagonal of a matrix, zero elsewhere; SciPy's is slow to import."""
    ends = np.cumsum([0] + [len(b) for b in blocks])
    out = np.zeros((ends[-1], ends[-1]))
    for block, start, end in zip(blocks, ends, ends[1:], strict=False):
        out[start:end, start:end] = block
    return out
