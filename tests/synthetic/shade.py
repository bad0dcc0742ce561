"""Shading: what a sample of the picture shows, and the mean over each pixel's samples. Compiled by numba.

`World` bundles the arrays; all lengths are mm in the ring frame, colours and light are linear.
"""

from __future__ import annotations

import math
from typing import NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from tests.synthetic.raster import (
    JITTER_X,
    JITTER_Y,
    SAMPLES,
    TILE,
    grid_value,
    metal_texture,
    njit,
    seen_by_lamp,
    undistort,
    value_noise,
)

F64: TypeAlias = NDArray[np.float64]
F32: TypeAlias = NDArray[np.float32]
I32: TypeAlias = NDArray[np.int32]
I16: TypeAlias = NDArray[np.int16]
U8: TypeAlias = NDArray[np.uint8]

PAPER, INK = 0.72, 0.045
TABLE_HALF_MM, WALL = 900.0, 0.34
TABLE_RGB = (0.165, 0.114, 0.076)


class World(NamedTuple):
    """Everything the shading reads. M: markers and arrows; S: sheets; V, T: vertices, triangles.

    The compiled functions take the arrays one by one: handing them the tuple costs ten times the work itself, since
    every access counts a reference.
    """

    camera: F64            # f, cx, cy, vignetting, corner radius px
    dist: F64              # k1, k2, p1, p2, k3
    rotation: F64          # (3, 3) ring -> camera
    eye: F64               # (3,)
    px: F64                # (V, 2) in samples
    nearness: F64          # (V,) 1 / depth
    vertices: F64          # (V, 3)
    normals: F64           # (V, 3)
    vertex_light: F32      # (V,) ambient and soft key light
    triangles: I32         # (T, 3)
    patch: I32             # (T,)
    material: I32          # (T,)
    to_rotor: F64          # (3, 4) ring -> rotor frame
    colours: F64           # (materials, 3) BGR
    stains: F64            # (N, 5) x y z radius factor, rotor frame
    sheets: F64            # (S, 8) uppermost first: x, y, cos, sin, half side, bend at 150 mm, its direction cos, sin
    cells: I16             # (S, 2, G, G) marker (layer 0) and arrow (layer 1) that may lie here, or -1
    markers: F64           # (M, 6) origin x y, inverse affine (2, 2)
    bits: U8               # (M, 16, 16) 1 white; [m, 15, 15] is the cell count, 0 for an arrow
    sheet_light: F32       # (n, n) ambient and soft key light on the table
    shadow: F32            # (n, n) depth map of the hard key lamp
    shadow_axes: F64       # (3, 3)
    lamps: F64             # (16,) see the indices below
    sizes: F64             # half widths of `cells`, `sheet_light`, `shadow`; texture


# Indices into `World.lamps`: hard key light and its direction (3); glare, its place (3) and exponent; shadow line.
KEY, GLARE, EDGE = 0, 4, 9


@njit
def edge_shadow(lamps: F64, x: float, y: float, z: float) -> float:
    """Factor of the shadow line at a point, followed down along the key light to the table."""
    if lamps[EDGE + 4] >= 1.0:
        return 1.0
    x -= z * lamps[KEY + 1] / lamps[KEY + 3]
    y -= z * lamps[KEY + 2] / lamps[KEY + 3]
    t = (lamps[EDGE] * x + lamps[EDGE + 1] * y - lamps[EDGE + 2]) / max(lamps[EDGE + 3], 1e-3) + 0.5
    t = min(max(t, 0.0), 1.0)
    return 1.0 + (lamps[EDGE + 4] - 1.0) * t * t * (3.0 - 2.0 * t)


@njit
def hard_key(lamps: F64, shadow: F32, axes: F64, half: float, x: float, y: float, z: float, cosine: float) -> float:
    """Hard key light on a surface of which the cosine to the lamp is given."""
    if lamps[KEY] <= 0.0 or cosine <= 0.0:
        return 0.0
    seen = seen_by_lamp(shadow, axes, half, x, y, z, 0.35)
    return lamps[KEY] * seen * cosine / lamps[KEY + 3]


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
def ground_colour(sheet_light: F32, lamps: F64, shadow: F32, axes: F64, sizes: F64, x: float, y: float, s: int,
                  dz: float, out: F64) -> None:
    """Colour of sheet, table or wall at a point without ink."""
    if s == -2:
        out[0] = out[1] = out[2] = WALL * (1.0 + 0.8 * dz)
        return
    light = grid_value(sheet_light, sizes[1], x, y) + hard_key(lamps, shadow, axes, sizes[2], x, y, 0.0, lamps[KEY + 3])
    light *= edge_shadow(lamps, x, y, 0.0)
    if s >= 0:
        out[0] = out[1] = out[2] = light * PAPER * (1.0 + 0.006 * value_noise(x * 1.5, y * 1.5, 0))
    else:
        light *= 1.0 + 0.05 * value_noise(x * 0.03, y * 0.6, 0)
        out[0], out[1], out[2] = light * TABLE_RGB[2], light * TABLE_RGB[1], light * TABLE_RGB[0]


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


@njit
def mesh_colour(eye: F64, px: F64, nearness: F64, vertices: F64, normals: F64, vertex_light: F32, triangles: I32,
                material: I32, to_rotor: F64, colours: F64, stains: F64, lamps: F64, shadow: F32, axes: F64,
                sizes: F64, t: int, sx: float, sy: float, out: F64) -> None:
    """Colour of triangle `t` at sample position (sx, sy)."""
    i0, i1, i2 = triangles[t, 0], triangles[t, 1], triangles[t, 2]
    x0, y0 = px[i0, 0], px[i0, 1]
    ex1, ey1, ex2, ey2 = px[i1, 0] - x0, px[i1, 1] - y0, px[i2, 0] - x0, px[i2, 1] - y0
    area = ex1 * ey2 - ex2 * ey1
    b1 = ((sx - x0) * ey2 - (sy - y0) * ex2) / area
    b2 = (ex1 * (sy - y0) - ey1 * (sx - x0)) / area
    # Slivers seen edge-on are not extrapolated far outside themselves.
    b1, b2 = min(max(b1, -0.5), 1.5), min(max(b2, -0.5), 1.5)
    q0, q1, q2 = (1.0 - b1 - b2) * nearness[i0], b1 * nearness[i1], b2 * nearness[i2]
    q = q0 + q1 + q2
    q0, q1, q2 = q0 / q, q1 / q, q2 / q
    p, n, v = np.empty(3), np.empty(3), np.empty(3)
    nn, vv = 0.0, 0.0
    for k in range(3):
        p[k] = q0 * vertices[i0, k] + q1 * vertices[i1, k] + q2 * vertices[i2, k]
        n[k] = q0 * normals[i0, k] + q1 * normals[i1, k] + q2 * normals[i2, k]
        v[k] = eye[k] - p[k]
        nn += n[k] * n[k]
        vv += v[k] * v[k]
    nn, vv = 1.0 / math.sqrt(nn), 1.0 / math.sqrt(vv)
    nv = 0.0
    for k in range(3):
        n[k] *= nn
        v[k] *= vv
        nv += n[k] * v[k]
    ambient = max(0.0, q0 * vertex_light[i0] + q1 * vertex_light[i1] + q2 * vertex_light[i2])
    key_cosine = n[0] * lamps[KEY + 1] + n[1] * lamps[KEY + 2] + n[2] * lamps[KEY + 3]
    shade = edge_shadow(lamps, p[0], p[1], p[2])
    # Light thrown back by the white sheet reaches what faces down.
    bounce = 0.16 * (0.5 - 0.5 * n[2])
    light = (ambient + hard_key(lamps, shadow, axes, sizes[2], p[0], p[1], p[2], key_cosine)) * shade + bounce
    made_of = material[t]
    if made_of == 2:
        for k in range(3):
            out[k] = light * colours[made_of, k]
        return
    reflected_z = 2.0 * nv * n[2] - v[2]
    reflected_x, reflected_y = 2.0 * nv * n[0] - v[0], 2.0 * nv * n[1] - v[1]
    sky = min(max((reflected_z + 0.3) / 1.2, 0.0), 1.0)
    sky = sky * sky * (3.0 - 2.0 * sky)
    sky = 0.12 + 0.78 * sky + 0.18 * (reflected_x - 0.6 * reflected_y)
    lobe = max(0.0, reflected_x * lamps[KEY + 1] + reflected_y * lamps[KEY + 2] + reflected_z * lamps[KEY + 3]) ** 14
    open_sky = min(1.0, 0.2 + 0.8 * light)
    value = 0.24 * light + 0.38 * max(0.05, sky) * open_sky + 0.15 * lobe * open_sky * shade
    if lamps[GLARE] > 0.0:
        gx, gy, gz = lamps[GLARE + 1] - p[0], lamps[GLARE + 2] - p[1], lamps[GLARE + 3] - p[2]
        c = (reflected_x * gx + reflected_y * gy + reflected_z * gz) / math.sqrt(gx * gx + gy * gy + gz * gz)
        value += lamps[GLARE] * max(0.0, c) ** lamps[GLARE + 4] * open_sky
    a = to_rotor[0, 0] * p[0] + to_rotor[0, 1] * p[1] + to_rotor[0, 2] * p[2] + to_rotor[0, 3]
    b = to_rotor[1, 0] * p[0] + to_rotor[1, 1] * p[1] + to_rotor[1, 2] * p[2] + to_rotor[1, 3]
    c = to_rotor[2, 0] * p[0] + to_rotor[2, 1] * p[1] + to_rotor[2, 2] * p[2] + to_rotor[2, 3]
    if sizes[3] > 0.0:
        value *= 1.0 + sizes[3] * (metal_texture(a, b, c, made_of == 1) - 1.0)
    for s in range(stains.shape[0]):
        d = math.sqrt((a - stains[s, 0]) ** 2 + (b - stains[s, 1]) ** 2 + (c - stains[s, 2]) ** 2)
        soft = min(max((stains[s, 3] - d) / (0.15 * stains[s, 3]), 0.0), 1.0)
        value *= 1.0 + (stains[s, 4] - 1.0) * soft
    for k in range(3):
        out[k] = value * colours[made_of, k]


@njit
def direction(r: F64, xn: float, yn: float) -> tuple[float, float, float]:
    """Ring-frame direction of a normalised undistorted image point."""
    return (r[0, 0] * xn + r[1, 0] * yn + r[2, 0], r[0, 1] * xn + r[1, 1] * yn + r[2, 1],
            r[0, 2] * xn + r[1, 2] * yn + r[2, 2])


@njit
def resolve(w: World, row0: int, zbuffer: F32, ids: I32, touched: U8, image: F32) -> None:
    """Shade the pixels of a band: image (rows, columns, 1 or 3) from the visibility of its samples."""
    dist, rotation, eye, px, nearness, vertices, normals = (w.dist, w.rotation, w.eye, w.px, w.nearness, w.vertices,
                                                            w.normals)
    vertex_light, triangles, patch, material, to_rotor = w.vertex_light, w.triangles, w.patch, w.material, w.to_rotor
    colours, stains, sheets, cells, markers, bits = w.colours, w.stains, w.sheets, w.cells, w.markers, w.bits
    sheet_light, shadow, axes, lamps, sizes = w.sheet_light, w.shadow, w.shadow_axes, w.lamps, w.sizes
    f, cx, cy, vignetting, corner = w.camera[0], w.camera[1], w.camera[2], w.camera[3], w.camera[4]
    rows, columns, channels = image.shape
    jac = np.zeros((2, 2))
    colour, total = np.empty(3), np.empty(3)
    half = 0.5 * (SAMPLES - 1)
    for r in range(rows):
        xn, yn = (0.0 - cx) / f, (r + row0 - cy) / f
        for c in range(columns):
            # Newton starts from the last pixel, moved on by one.
            xn, yn = undistort((c - cx) / f, (r + row0 - cy) / f, xn + jac[0, 0] / f, yn + jac[1, 0] / f, dist, jac)
            total[0] = total[1] = total[2] = 0.0
            mixed = False
            if touched[r, c] != 0:
                first = ids[r * SAMPLES, c * SAMPLES]
                low, high = 1e9, 0.0
                for j in range(r * SAMPLES, (r + 1) * SAMPLES):
                    for i in range(c * SAMPLES, (c + 1) * SAMPLES):
                        t = ids[j, i]
                        if t < 0 or first < 0 or patch[t] != patch[first]:
                            mixed = True
                        low, high = min(low, zbuffer[j, i]), max(high, zbuffer[j, i])
                mixed = mixed or high > 1.02 * low
                if not mixed:
                    t = ids[r * SAMPLES + SAMPLES // 2, c * SAMPLES + SAMPLES // 2]
                    mesh_colour(eye, px, nearness, vertices, normals, vertex_light, triangles, material, to_rotor,
                                colours, stains, lamps, shadow, axes, sizes, t, c * SAMPLES + half,
                                (r + row0) * SAMPLES + half, total)
            else:
                dx, dy, dz = direction(rotation, xn, yn)
                x, y, s, distance = hit_ground(eye, sheets, dx, dy, dz)
                mixed = distance < 1.0
                if s >= 0 and not mixed:
                    j, i = cell(cells, sizes[0], x, y)
                    mixed = j >= 0 and (cells[s, 0, j, i] >= 0 or cells[s, 1, j, i] >= 0)
                if not mixed:
                    dz /= math.sqrt(dx * dx + dy * dy + dz * dz)
                    ground_colour(sheet_light, lamps, shadow, axes, sizes, x, y, s, dz, total)
            if mixed:
                for j in range(SAMPLES):
                    for i in range(SAMPLES):
                        row, column = ((r + row0) * SAMPLES + j) % TILE, (c * SAMPLES + i) % TILE
                        ox, oy = i + JITTER_X[row, column], j + JITTER_Y[row, column]
                        t = ids[r * SAMPLES + j, c * SAMPLES + i] if touched[r, c] != 0 else -1
                        if t >= 0:
                            mesh_colour(eye, px, nearness, vertices, normals, vertex_light, triangles, material,
                                        to_rotor, colours, stains, lamps, shadow, axes, sizes, t, c * SAMPLES + ox,
                                        (r + row0) * SAMPLES + oy, colour)
                        else:
                            u, v = (ox - half) / (SAMPLES * f), (oy - half) / (SAMPLES * f)
                            dx, dy, dz = direction(rotation, xn + jac[0, 0] * u + jac[0, 1] * v,
                                                   yn + jac[1, 0] * u + jac[1, 1] * v)
                            x, y, s, _ = hit_ground(eye, sheets, dx, dy, dz)
                            dz /= math.sqrt(dx * dx + dy * dy + dz * dz)
                            ground_colour(sheet_light, lamps, shadow, axes, sizes, x, y, s, dz, colour)
                            if s >= 0:
                                ink = ground_ink(cells, sizes[0], markers, bits, x, y, s)
                                for k in range(3):
                                    colour[k] *= ink
                        for k in range(3):
                            total[k] += colour[k] / (SAMPLES * SAMPLES)
            fall = 1.0 - vignetting * ((c - cx) ** 2 + (r + row0 - cy) ** 2) / (corner * corner)
            if channels == 1:
                image[r, c, 0] = fall * (0.0722 * total[0] + 0.7152 * total[1] + 0.2126 * total[2])
            else:
                for k in range(3):
                    image[r, c, k] = fall * total[k]
