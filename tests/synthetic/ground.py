"""What the rotor stands on: the printed sheet with what was spilt on it, the bench beneath, the wall. For numba.

Lengths are mm in the ring frame, colours and light are linear, BGR.
"""

from __future__ import annotations

import math
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from tests.synthetic.metal import KEY, edge_shadow, hard_key
from tests.synthetic.raster import grid_value, hash_noise, njit, value_noise

F64: TypeAlias = NDArray[np.float64]
F32: TypeAlias = NDArray[np.float32]
I16: TypeAlias = NDArray[np.int16]
U8: TypeAlias = NDArray[np.uint8]

PAPER, INK = 0.72, 0.045
TABLE_HALF_MM, WALL = 900.0, 0.34
#: Kinds of bench; a bench is (kind, azimuth's cosine and sine, scale, first BGR colour, second).
BENCHES = ("plain", "planks", "mat", "cloth", "newsprint", "turf")


@njit
def bench_pattern(kind: int, u: float, v: float) -> float:
    """Share 0..1 of the bench's second colour at a point, mm at scale 1."""
    if kind == 0:
        return 0.5 + 0.5 * value_noise(u * 0.03, v * 0.6, 0)
    if kind == 1:  # planks of 80 mm with a grain, dark where they meet
        plank = math.floor(v / 80.0)
        if v - 80.0 * plank < 1.2:
            return 1.0
        shift = 40.0 * hash_noise(int(plank), 7)
        grain = value_noise(u * 0.012 + shift, v * 0.35, 0) + 0.5 * value_noise(u * 0.05 + shift, v * 1.9, 0)
        return min(max(0.35 + 0.3 * grain + 0.12 * hash_noise(int(plank), 3), 0.0), 1.0)
    if kind == 2:  # lines every 10 mm, bolder every 50
        du, dv = abs(u - 10.0 * math.floor(u / 10.0 + 0.5)), abs(v - 10.0 * math.floor(v / 10.0 + 0.5))
        fu, fv = abs(u - 50.0 * math.floor(u / 50.0 + 0.5)), abs(v - 50.0 * math.floor(v / 50.0 + 0.5))
        line = du < 0.2 or dv < 0.2 or fu < 0.5 or fv < 0.5
        return 1.0 if line else 0.03 + 0.03 * value_noise(u * 0.4, v * 0.4, 0)
    if kind == 3:  # checks of 12 mm, woven of threads
        check = 0.35 * (math.floor(u / 12.0) % 2) + 0.35 * (math.floor(v / 12.0) % 2)
        return check + 0.15 + 0.1 * math.sin(u * 7.0) * math.sin(v * 7.0) + 0.05 * value_noise(u * 0.2, v * 0.2, 0)
    if kind == 4:  # columns of print in rows of 4 mm, some of them pictures
        column, block = math.floor(u / 62.0), math.floor(v / 48.0)
        inside = u - 62.0 * column
        if inside > 57.0:
            return 0.0
        if hash_noise(int(column), int(block)) > 0.45:
            return 0.45 + 0.4 * value_noise(u * 0.15, v * 0.15, 0)
        row = math.floor(v / 4.0)
        if v - 4.0 * row > 2.3:
            return 0.0
        word, letter = math.floor(inside / 6.5 + hash_noise(int(row), 1)), math.floor(inside / 0.9)
        if hash_noise(int(word), int(row)) > 0.75:
            return 0.0
        return 0.85 if hash_noise(int(letter), int(row + 100 * column)) > -0.3 else 0.1
    blades = value_noise(u * 0.55, v * 0.12, 0) + value_noise(u * 0.1, v * 0.5, 0)
    return min(max(0.5 + 0.4 * blades + 0.35 * value_noise(u * 0.9, v * 0.8, 0), 0.0), 1.0)


@njit
def bench_colour(bench: F64, x: float, y: float, out: F64) -> None:
    """Colour of the bench at a point under a light of 1."""
    u, v = (bench[1] * x + bench[2] * y) / bench[3], (bench[1] * y - bench[2] * x) / bench[3]
    share = bench_pattern(int(bench[0]), u, v)
    for k in range(3):
        out[k] = (1.0 - share) * bench[4 + k] + share * bench[7 + k]


@njit
def spilt(spills: F64, k: int, x: float, y: float, out: F64) -> None:
    """Darken paper as a dried spill does: most along its rim, and blue more than red."""
    dx, dy = x - spills[k, 0], y - spills[k, 1]
    r, phi = math.sqrt(dx * dx + dy * dy), math.atan2(dy, dx)
    uneven = 0.75 + 0.5 * value_noise(1.6 * phi + 17.0 * k, 0.3 * k, 0)
    r -= spills[k, 2] * (1.0 + 0.03 * value_noise(1.1 * phi, 5.0 + k, 0))
    depth = spills[k, 4] * min(max(uneven, 0.2), 1.2) * math.exp(-((r / spills[k, 3]) ** 2))
    if r < 0.0:
        depth = max(depth, 0.25 * spills[k, 4])
    depth = min(depth, 0.95)
    out[0] *= 1.0 - depth
    out[1] *= 1.0 - 0.75 * depth
    out[2] *= 1.0 - 0.5 * depth


@njit
def cell(cells: I16, half: float, x: float, y: float) -> tuple[int, int]:
    """Row and column of the marker map at a point, (-1, -1) outside."""
    n = cells.shape[2]
    i = math.floor((x + half) / (2.0 * half) * n)
    j = math.floor((y + half) / (2.0 * half) * n)
    if i < 0 or j < 0 or i >= n or j >= n:
        return -1, -1
    return j, i


@njit
def inked(markers: F64, bits: U8, m: int, x: float, y: float) -> bool:
    """Whether marker or arrow `m` prints black at a point."""
    dx, dy = x - markers[m, 0], y - markers[m, 1]
    u = markers[m, 2] * dx + markers[m, 3] * dy
    v = markers[m, 4] * dx + markers[m, 5] * dy
    cells = bits[m, 15, 15]
    if cells == 0:
        return u >= 0.0 and v >= 0.0 and u + v <= 1.0
    if u < 0.0 or v < 0.0 or u >= 1.0 or v >= 1.0:
        return False
    return bits[m, int(v * cells), int(u * cells)] == 0


@njit
def sheet_at(sheets: F64, x: float, y: float) -> tuple[int, float]:
    """The uppermost sheet at a point (or -1) and the distance to the nearest sheet edge."""
    found, distance = -1, 1e9
    for s in range(sheets.shape[0]):
        dx, dy = x - sheets[s, 0], y - sheets[s, 1]
        a = abs(sheets[s, 2] * dx + sheets[s, 3] * dy)
        b = abs(-sheets[s, 3] * dx + sheets[s, 2] * dy)
        away = max(a, b) - sheets[s, 4]
        distance = min(distance, abs(away))
        if away <= 0.0 and found < 0:
            found = s
    return found, distance


@njit
def hit_ground(eye: F64, sheets: F64, dx: float, dy: float, dz: float) -> tuple[float, float, int, float]:
    """Where a ray from the eye meets sheet or table: x, y, sheet (or -1 table, -2 wall), distance to an edge."""
    if dz > -1e-4:
        return 0.0, 0.0, -2, 1e9
    t = -eye[2] / dz
    x, y = eye[0] + t * dx, eye[1] + t * dy
    s, distance = sheet_at(sheets, x, y)
    if s >= 0 and sheets[s, 5] != 0.0:
        for _ in range(6):
            along = ((x - sheets[s, 0]) * sheets[s, 6] + (y - sheets[s, 1]) * sheets[s, 7]) / 150.0
            t = (sheets[s, 5] * along * along - eye[2]) / dz
            x, y = eye[0] + t * dx, eye[1] + t * dy
        s, distance = sheet_at(sheets, x, y)
    reach = max(abs(x), abs(y))
    if reach > TABLE_HALF_MM:
        s = -2
    return x, y, s, min(distance, abs(reach - TABLE_HALF_MM) * 0.3)


@njit
def ground_colour(
    sheet_light: F32,
    lamps: F64,
    shadow: F32,
    axes: F64,
    sizes: F64,
    bench: F64,
    spills: F64,
    x: float,
    y: float,
    s: int,
    dz: float,
    out: F64,
) -> None:
    """Colour of sheet, table or wall at a point without ink."""
    if s == -2:
        out[0] = out[1] = out[2] = WALL * (1.0 + 0.8 * dz)
        return
    light = grid_value(sheet_light, sizes[1], x, y) + hard_key(lamps, shadow, axes, sizes[2], x, y, 0.0, lamps[KEY + 3])
    light *= edge_shadow(lamps, x, y, 0.0)
    if s >= 0:
        out[0] = out[1] = out[2] = PAPER * (1.0 + 0.006 * value_noise(x * 1.5, y * 1.5, 0))
        for k in range(spills.shape[0]):
            spilt(spills, k, x, y, out)
    else:
        bench_colour(bench, x, y, out)
    for k in range(3):
        out[k] *= light


@njit
def ground_ink(cells: I16, half: float, markers: F64, bits: U8, x: float, y: float, s: int) -> float:
    """Factor of the ink at a point of sheet `s`: 1 on bare paper."""
    j, i = cell(cells, half, x, y)
    if j >= 0:
        for layer in range(2):
            m = cells[s, layer, j, i]
            if m >= 0 and inked(markers, bits, m, x, y):
                return INK / PAPER
    return 1.0
