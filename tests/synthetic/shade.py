"""Shading: what a sample of the picture shows, and the mean over each pixel's samples. Compiled by numba.

`World` bundles the arrays; all lengths are mm in the ring frame, colours and light are linear. A pixel is shaded once
for every smooth piece of surface in it, weighed by its samples, which places edges as well as shading every sample.
"""

from __future__ import annotations

import math
from typing import NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from tests.synthetic.ground import cell, ground_colour, ground_ink, hit_ground
from tests.synthetic.metal import mesh_colour
from tests.synthetic.raster import JITTER_X, JITTER_Y, SAMPLES, TILE, njit, undistort

F64: TypeAlias = NDArray[np.float64]
F32: TypeAlias = NDArray[np.float32]
I32: TypeAlias = NDArray[np.int32]
I16: TypeAlias = NDArray[np.int16]
U8: TypeAlias = NDArray[np.uint8]

#: Pieces of surface in a pixel that are told apart; what more there is, is shaded sample by sample.
PIECES = 6
#: Shape of the room that `resolve` works in.
SCRATCH = (4 + PIECES, 5)


class World(NamedTuple):
    """Everything the shading reads. M: markers and arrows; S: sheets; V, T: vertices, triangles.

    The compiled functions take the arrays one by one: handing them the tuple costs ten times the work itself, since
    every access counts a reference.
    """

    camera: F64  # f, cx, cy, vignetting, corner radius px
    dist: F64  # k1, k2, p1, p2, k3
    rotation: F64  # (3, 3) ring -> camera
    eye: F64  # (3,)
    px: F64  # (V, 2) in samples
    nearness: F64  # (V,) 1 / depth
    vertices: F64  # (V, 3)
    normals: F64  # (V, 3)
    vertex_light: F32  # (V,) ambient and soft key light
    triangles: I32  # (T, 3)
    patch: I32  # (T,)
    material: I32  # (T,)
    to_rotor: F64  # (3, 4) ring -> rotor frame
    colours: F64  # (materials, 4) BGR, gloss: 0 matt to 1 metal
    stains: F64  # (N, 5) x y z radius factor, rotor frame
    sheets: F64  # (S, 8) uppermost first: x, y, cos, sin, half side, bend at 150 mm, its direction cos, sin
    cells: I16  # (S, 2, G, G) marker (layer 0) and arrow (layer 1) that may lie here, or -1
    markers: F64  # (M, 6) origin x y, inverse affine (2, 2)
    bits: U8  # (M, 16, 16) 1 white; [m, 15, 15] is the cell count, 0 for an arrow
    sheet_light: F32  # (n, n) ambient and soft key light on the table
    shadow: F32  # (n, n) depth map of the hard key lamp
    shadow_axes: F64  # (3, 3)
    lamps: F64  # (16,) see the indices in `metal`
    emitters: F64  # (E, 13) mirrored rectangles: centre, axis u, half u, axis v, half v, strength, blur (tan)
    bench: F64  # (10,) see `ground.BENCHES`
    spills: F64  # (N, 5) x, y, radius, width of the rim, depth
    sizes: F64  # half widths of `cells`, `sheet_light`, `shadow`; texture


@njit
def direction(r: F64, xn: float, yn: float) -> tuple[float, float, float]:
    """Ring-frame direction of a normalised undistorted image point, of length 1."""
    x, y, z = (
        r[0, 0] * xn + r[1, 0] * yn + r[2, 0],
        r[0, 1] * xn + r[1, 1] * yn + r[2, 1],
        r[0, 2] * xn + r[1, 2] * yn + r[2, 2],
    )
    k = 1.0 / math.sqrt(x * x + y * y + z * z)
    return x * k, y * k, z * k


@njit
def of_one_piece(zbuffer: F32, ids: I32, patch: I32, r: int, c: int) -> bool:
    """Whether all samples of a pixel show one smooth piece of surface."""
    first = ids[r * SAMPLES, c * SAMPLES]
    if first < 0:
        return False
    low, high = 1e9, 0.0
    for j in range(r * SAMPLES, (r + 1) * SAMPLES):
        for i in range(c * SAMPLES, (c + 1) * SAMPLES):
            t = ids[j, i]
            if t < 0 or patch[t] != patch[first]:
                return False
            low, high = min(low, zbuffer[j, i]), max(high, zbuffer[j, i])
    return high <= 1.02 * low


@njit
def ray(rotation: F64, xn: float, yn: float, jac: F64, u: float, v: float) -> tuple[float, float, float]:
    """Direction through a place (u, v), in focal lengths, beside a pixel whose undistorted centre is (xn, yn)."""
    return direction(rotation, xn + jac[0, 0] * u + jac[0, 1] * v, yn + jac[1, 0] * u + jac[1, 1] * v)


@njit
def bench_pixel(
    rotation: F64,
    eye: F64,
    sheets: F64,
    sheet_light: F32,
    lamps: F64,
    shadow: F32,
    axes: F64,
    sizes: F64,
    bench: F64,
    spills: F64,
    f: float,
    xn: float,
    yn: float,
    jac: F64,
    colour: F64,
    total: F64,
) -> None:
    """Bench or wall all over a pixel: four samples where the pattern may be finer than that, else one."""
    side = 1 if bench[0] == 0.0 else 2
    for q in range(side * side):
        u, v = ((q % side) - 0.5 * (side - 1)) / (side * f), ((q // side) - 0.5 * (side - 1)) / (side * f)
        dx, dy, dz = ray(rotation, xn, yn, jac, u, v)
        x, y, s, _ = hit_ground(eye, sheets, dx, dy, dz)
        ground_colour(sheet_light, lamps, shadow, axes, sizes, bench, spills, x, y, s, dz, colour)
        for k in range(3):
            total[k] += colour[k] / (side * side)


@njit
def mesh_samples(
    zbuffer: F32,
    ids: I32,
    patch: I32,
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
    row0: int,
    r: int,
    c: int,
    known: F64,
    total: F64,
) -> None:
    """Add the samples of a pixel that show the mesh: every smooth piece is shaded once, where it is met first."""
    count = 0
    for n in range(SAMPLES * SAMPLES):
        j, i = n // SAMPLES, n % SAMPLES
        t, near = ids[r * SAMPLES + j, c * SAMPLES + i], zbuffer[r * SAMPLES + j, c * SAMPLES + i]
        if t < 0:
            continue
        at = -1
        for k in range(count):
            if known[k, 3] == patch[t] and abs(near - known[k, 4]) < 0.02 * near:
                at = k
        if at < 0:
            at = min(count, PIECES - 1)
            count = at + 1
            known[at, 3], known[at, 4] = patch[t], near
            row, column = ((r + row0) * SAMPLES + j) % TILE, (c * SAMPLES + i) % TILE
            mesh_colour(
                eye,
                px,
                nearness,
                vertices,
                normals,
                vertex_light,
                triangles,
                material,
                to_rotor,
                colours,
                stains,
                lamps,
                emitters,
                shadow,
                axes,
                sizes,
                t,
                c * SAMPLES + i + JITTER_X[row, column],
                (r + row0) * SAMPLES + j + JITTER_Y[row, column],
                known[at],
            )
        for k in range(3):
            total[k] += known[at, k] / (SAMPLES * SAMPLES)


@njit
def ground_samples(
    ids: I32,
    drawn: bool,
    rotation: F64,
    eye: F64,
    sheets: F64,
    cells: I16,
    markers: F64,
    bits: U8,
    sheet_light: F32,
    lamps: F64,
    shadow: F32,
    axes: F64,
    sizes: F64,
    bench: F64,
    spills: F64,
    f: float,
    xn: float,
    yn: float,
    jac: F64,
    row0: int,
    r: int,
    c: int,
    alike: bool,
    inked: bool,
    colour: F64,
    total: F64,
) -> None:
    """Add the samples of a pixel that show the ground: of one `colour` if `alike`, with print where `inked`."""
    half = 0.5 * (SAMPLES - 1)
    for n in range(SAMPLES * SAMPLES):
        j, i = n // SAMPLES, n % SAMPLES
        if drawn and ids[r * SAMPLES + j, c * SAMPLES + i] >= 0:
            continue
        ink = 1.0
        if inked or not alike:
            row, column = ((r + row0) * SAMPLES + j) % TILE, (c * SAMPLES + i) % TILE
            u, v = i + JITTER_X[row, column] - half, j + JITTER_Y[row, column] - half
            dx, dy, dz = ray(rotation, xn, yn, jac, u / (SAMPLES * f), v / (SAMPLES * f))
            x, y, s, _ = hit_ground(eye, sheets, dx, dy, dz)
            if s >= 0:
                ink = ground_ink(cells, sizes[0], markers, bits, x, y, s)
            if not alike:
                ground_colour(sheet_light, lamps, shadow, axes, sizes, bench, spills, x, y, s, dz, colour)
        for k in range(3):
            total[k] += ink * colour[k] / (SAMPLES * SAMPLES)


@njit
def resolve(w: World, row0: int, zbuffer: F32, ids: I32, touched: U8, scratch: F64, image: F32) -> None:
    """Shade the pixels of a band: image (rows, columns, 1 or 3) from the visibility of its samples."""
    dist, rotation, eye, px, nearness, vertices, normals = (
        w.dist,
        w.rotation,
        w.eye,
        w.px,
        w.nearness,
        w.vertices,
        w.normals,
    )
    vertex_light, triangles, patch, material, to_rotor = w.vertex_light, w.triangles, w.patch, w.material, w.to_rotor
    colours, stains, sheets, cells, markers, bits = w.colours, w.stains, w.sheets, w.cells, w.markers, w.bits
    sheet_light, shadow, axes, lamps, sizes = w.sheet_light, w.shadow, w.shadow_axes, w.lamps, w.sizes
    emitters, bench, spills = w.emitters, w.bench, w.spills
    f, cx, cy, vignetting, corner = w.camera[0], w.camera[1], w.camera[2], w.camera[3], w.camera[4]
    rows, columns, channels = image.shape
    scratch[:] = 0.0
    jac, colour, total, known = scratch[:2, :2], scratch[2], scratch[3], scratch[4:]
    middle = 0.5 * (SAMPLES - 1)
    for r in range(rows):
        xn, yn = (0.0 - cx) / f, (r + row0 - cy) / f
        for c in range(columns):
            # Newton starts from the last pixel, moved on by one.
            xn, yn = undistort((c - cx) / f, (r + row0 - cy) / f, xn + jac[0, 0] / f, yn + jac[1, 0] / f, dist, jac)
            total[0] = total[1] = total[2] = 0.0
            drawn = touched[r, c] != 0
            if drawn and of_one_piece(zbuffer, ids, patch, r, c):
                t = ids[r * SAMPLES + SAMPLES // 2, c * SAMPLES + SAMPLES // 2]
                mesh_colour(
                    eye,
                    px,
                    nearness,
                    vertices,
                    normals,
                    vertex_light,
                    triangles,
                    material,
                    to_rotor,
                    colours,
                    stains,
                    lamps,
                    emitters,
                    shadow,
                    axes,
                    sizes,
                    t,
                    c * SAMPLES + middle,
                    (r + row0) * SAMPLES + middle,
                    total,
                )
            else:
                if drawn:
                    mesh_samples(
                        zbuffer,
                        ids,
                        patch,
                        eye,
                        px,
                        nearness,
                        vertices,
                        normals,
                        vertex_light,
                        triangles,
                        material,
                        to_rotor,
                        colours,
                        stains,
                        lamps,
                        emitters,
                        shadow,
                        axes,
                        sizes,
                        row0,
                        r,
                        c,
                        known,
                        total,
                    )
                dx, dy, dz = direction(rotation, xn, yn)
                x, y, s, distance = hit_ground(eye, sheets, dx, dy, dz)
                # One colour for all of the ground's samples, if it is sheet all over; ink is told sample by sample.
                alike, inked = s >= 0 and distance > 1.0, False
                if alike:
                    ground_colour(sheet_light, lamps, shadow, axes, sizes, bench, spills, x, y, s, dz, colour)
                    j, i = cell(cells, sizes[0], x, y)
                    inked = j >= 0 and (cells[s, 0, j, i] >= 0 or cells[s, 1, j, i] >= 0)
                if not drawn and alike and not inked:
                    for k in range(3):
                        total[k] = colour[k]
                elif not drawn and s < 0 and distance > 1.0:
                    bench_pixel(
                        rotation,
                        eye,
                        sheets,
                        sheet_light,
                        lamps,
                        shadow,
                        axes,
                        sizes,
                        bench,
                        spills,
                        f,
                        xn,
                        yn,
                        jac,
                        colour,
                        total,
                    )
                else:
                    ground_samples(
                        ids,
                        drawn,
                        rotation,
                        eye,
                        sheets,
                        cells,
                        markers,
                        bits,
                        sheet_light,
                        lamps,
                        shadow,
                        axes,
                        sizes,
                        bench,
                        spills,
                        f,
                        xn,
                        yn,
                        jac,
                        row0,
                        r,
                        c,
                        alike,
                        inked,
                        colour,
                        total,
                    )
            fall = 1.0 - vignetting * ((c - cx) ** 2 + (r + row0 - cy) ** 2) / (corner * corner)
            if channels == 1:
                image[r, c, 0] = fall * (0.0722 * total[0] + 0.7152 * total[1] + 0.2126 * total[2])
            else:
                for k in range(3):
                    image[r, c, k] = fall * total[k]
