"""Light on the rotor and on what lies about: lamps with their shadows, and a room mirrored in metal. For numba.

Lengths are mm in the ring frame, colours and light are linear.
"""

from __future__ import annotations

import math
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from tests.synthetic.raster import metal_texture, njit, seen_by_lamp

F64: TypeAlias = NDArray[np.float64]
F32: TypeAlias = NDArray[np.float32]
I32: TypeAlias = NDArray[np.int32]

# Indices into `shade.World.lamps`: hard key light and its direction (3); glare, place (3) and exponent; shadow line.
KEY, GLARE, EDGE = 0, 4, 9
#: The triangle's material, see `mesh.py`: what is turned, the tip land, and from where on it is something else.
TURNED, LAND, THINGS = 1, 2, 3


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
def passed(x: float) -> float:
    """Share of a blurred edge that is passed at x blur widths beyond it: 0 at -1, 1 at 1."""
    t = min(max(0.5 + 0.5 * x, 0.0), 1.0)
    return t * t * (3.0 - 2.0 * t)


@njit
def mirrored(emitters: F64, px: float, py: float, pz: float, rx: float, ry: float, rz: float) -> float:
    """Light of the bright rectangles (tubes, windows) that a ray of direction r from a point p meets, blurred."""
    total = 0.0
    for e in range(emitters.shape[0]):
        ux, uy, uz = emitters[e, 3], emitters[e, 4], emitters[e, 5]
        vx, vy, vz = emitters[e, 7], emitters[e, 8], emitters[e, 9]
        nx, ny, nz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
        towards = rx * nx + ry * ny + rz * nz
        if abs(towards) < 1e-6:
            continue
        cx, cy, cz = emitters[e, 0] - px, emitters[e, 1] - py, emitters[e, 2] - pz
        t = (cx * nx + cy * ny + cz * nz) / towards
        if t <= 0.0:
            continue
        qx, qy, qz = t * rx - cx, t * ry - cy, t * rz - cz
        a, b = qx * ux + qy * uy + qz * uz, qx * vx + qy * vy + qz * vz
        blur, hu, hv = t * emitters[e, 12], emitters[e, 6], emitters[e, 10]
        across = passed((hu - a) / blur) - passed((-hu - a) / blur)
        total += emitters[e, 11] * across * (passed((hv - b) / blur) - passed((-hv - b) / blur))
    return total


@njit
def metal_light(
    lamps: F64,
    emitters: F64,
    light: float,
    shade: float,
    px: float,
    py: float,
    pz: float,
    rx: float,
    ry: float,
    rz: float,
) -> float:
    """What metal at p sends back of the light on it and of the room along the mirrored direction r."""
    sky = min(max((rz + 0.3) / 1.2, 0.0), 1.0)
    sky = sky * sky * (3.0 - 2.0 * sky)
    sky = 0.12 + 0.78 * sky + 0.18 * (rx - 0.6 * ry)
    lobe = max(0.0, rx * lamps[KEY + 1] + ry * lamps[KEY + 2] + rz * lamps[KEY + 3]) ** 14
    open_sky = min(1.0, 0.2 + 0.8 * light)
    value = 0.24 * light + 0.38 * max(0.05, sky) * open_sky + 0.15 * lobe * open_sky * shade
    if lamps[GLARE] > 0.0:
        gx, gy, gz = lamps[GLARE + 1] - px, lamps[GLARE + 2] - py, lamps[GLARE + 3] - pz
        c = (rx * gx + ry * gy + rz * gz) / math.sqrt(gx * gx + gy * gy + gz * gz)
        value += lamps[GLARE] * max(0.0, c) ** lamps[GLARE + 4] * open_sky
    return value + mirrored(emitters, px, py, pz, rx, ry, rz) * open_sky


@njit
def mesh_colour(
    eye: F64,
    px: F64,
    nearness: F64,
    vertices: F64,
    normals: F64,
    vertex_light: F32,
    triangles: I32,
    material: I32,
    to_rotor: F64,
    colours: F64,
    stains: F64,
    lamps: F64,
    emitters: F64,
    shadow: F32,
    axes: F64,
    sizes: F64,
    t: int,
    sx: float,
    sy: float,
    out: F64,
) -> None:
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
    x = q0 * vertices[i0, 0] + q1 * vertices[i1, 0] + q2 * vertices[i2, 0]
    y = q0 * vertices[i0, 1] + q1 * vertices[i1, 1] + q2 * vertices[i2, 1]
    z = q0 * vertices[i0, 2] + q1 * vertices[i1, 2] + q2 * vertices[i2, 2]
    nx = q0 * normals[i0, 0] + q1 * normals[i1, 0] + q2 * normals[i2, 0]
    ny = q0 * normals[i0, 1] + q1 * normals[i1, 1] + q2 * normals[i2, 1]
    nz = q0 * normals[i0, 2] + q1 * normals[i1, 2] + q2 * normals[i2, 2]
    vx, vy, vz = eye[0] - x, eye[1] - y, eye[2] - z
    nn, vv = 1.0 / math.sqrt(nx * nx + ny * ny + nz * nz), 1.0 / math.sqrt(vx * vx + vy * vy + vz * vz)
    nx, ny, nz, vx, vy, vz = nx * nn, ny * nn, nz * nn, vx * vv, vy * vv, vz * vv
    nv = nx * vx + ny * vy + nz * vz
    ambient = max(0.0, q0 * vertex_light[i0] + q1 * vertex_light[i1] + q2 * vertex_light[i2])
    key_cosine = nx * lamps[KEY + 1] + ny * lamps[KEY + 2] + nz * lamps[KEY + 3]
    shade = edge_shadow(lamps, x, y, z)
    # Light thrown back by the white sheet reaches what faces down.
    bounce = 0.16 * (0.5 - 0.5 * nz)
    light = (ambient + hard_key(lamps, shadow, axes, sizes[2], x, y, z, key_cosine)) * shade + bounce
    made_of = material[t]
    gloss, value = colours[made_of, 3], 0.0
    if gloss < 1.0:
        value += (1.0 - gloss) * light
    if gloss > 0.0:
        value += gloss * metal_light(
            lamps, emitters, light, shade, x, y, z, 2.0 * nv * nx - vx, 2.0 * nv * ny - vy, 2.0 * nv * nz - vz
        )
    if made_of < THINGS:
        a = to_rotor[0, 0] * x + to_rotor[0, 1] * y + to_rotor[0, 2] * z + to_rotor[0, 3]
        b = to_rotor[1, 0] * x + to_rotor[1, 1] * y + to_rotor[1, 2] * z + to_rotor[1, 3]
        c = to_rotor[2, 0] * x + to_rotor[2, 1] * y + to_rotor[2, 2] * z + to_rotor[2, 3]
        if sizes[3] > 0.0:
            value *= 1.0 + sizes[3] * (metal_texture(a, b, c, made_of == TURNED) - 1.0)
        for s in range(stains.shape[0]):
            d = math.sqrt((a - stains[s, 0]) ** 2 + (b - stains[s, 1]) ** 2 + (c - stains[s, 2]) ** 2)
            soft = min(max((stains[s, 3] - d) / (0.15 * stains[s, 3]), 0.0), 1.0)
            value *= 1.0 + (stains[s, 4] - 1.0) * soft
    for k in range(3):
        out[k] = value * colours[made_of, k]
