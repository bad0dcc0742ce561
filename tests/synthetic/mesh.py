"""Triangle meshes of a rotor, in patches: smooth normals inside a patch, sharp creases between patches.

All in the rotor frame, mm. The tip edges lie exactly on the tip cylinder; chords along the tip are so short that they
leave the arc by under 0.02 px at 10 px/mm (`step_mm` 0.5: 0.0004 mm).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.synthetic.scene import Array, RotorShape, TipCurve, tip_curve
from tests.synthetic.surroundings import Thing

#: Materials; things that lie about come after them, one each.
METAL, TURNED, LAND, THINGS = 0, 1, 2, 3


@dataclass(frozen=True)
class Mesh:
    """Vertices (V, 3), unit normals (V, 3), triangles (T, 3), and each triangle's patch number and material (T,)."""

    vertices: Array
    normals: Array
    triangles: NDArray[np.int32]
    patch: NDArray[np.int32]
    material: NDArray[np.int32]

    def moved(self, pose: Array) -> Mesh:
        """The mesh under a 4x4 rigid transform."""
        return Mesh(
            self.vertices @ pose[:3, :3].T + pose[:3, 3],
            self.normals @ pose[:3, :3].T,
            self.triangles,
            self.patch,
            self.material,
        )


def joined(meshes: list[Mesh]) -> Mesh:
    """One mesh of several, patches renumbered."""
    triangles, patches, v0, p0 = [], [], 0, 0
    for m in meshes:
        triangles.append(m.triangles + np.int32(v0))
        patches.append(m.patch + np.int32(p0))
        v0 += len(m.vertices)
        p0 += int(m.patch.max()) + 1
    return Mesh(
        np.concatenate([m.vertices for m in meshes]),
        np.concatenate([m.normals for m in meshes]),
        np.concatenate(triangles),
        np.concatenate(patches),
        np.concatenate([m.material for m in meshes]),
    )


def _grid(points: Array, normals: Array, material: int) -> Mesh:
    """A patch from grids (I, J, 3) of points and normals."""
    i, j = points.shape[:2]
    index = np.arange(i * j, dtype=np.int32).reshape(i, j)
    a, b, c, d = index[:-1, :-1].ravel(), index[1:, :-1].ravel(), index[1:, 1:].ravel(), index[:-1, 1:].ravel()
    triangles = np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])])
    n = len(triangles)
    return Mesh(
        points.reshape(-1, 3), normals.reshape(-1, 3), triangles, np.zeros(n, np.int32), np.full(n, material, np.int32)
    )


def hub_radius_at(shape: RotorShape, height_mm: Array) -> Array:
    """Outer radius of the hub at heights over the outlet face: cylinder below, rounded cone to the nose above."""
    start = 0.25 * shape.height_mm
    t = np.clip((np.asarray(height_mm, float) - start) / (shape.height_mm - start), 0.0, 1.0)
    return shape.nose_radius_mm + (shape.hub_radius_mm - shape.nose_radius_mm) * (1.0 - t**2)


def _revolved(profile: Array, material: int, count: int) -> Mesh:
    """Surface of revolution of a smooth profile (N, 2) of (radius, height); normals to the left of its direction."""
    d = np.gradient(profile, axis=0)
    n = np.column_stack([-d[:, 1], d[:, 0]])
    n /= np.linalg.norm(n, axis=1, keepdims=True)
    phi = np.linspace(0.0, 2.0 * math.pi, count + 1)
    c, s = np.cos(phi)[:, None], np.sin(phi)[:, None]

    def turn(rz: Array) -> Array:
        return np.stack([c * rz[:, 0], s * rz[:, 0], np.broadcast_to(rz[:, 1], (count + 1, len(rz)))], axis=-1)

    return _grid(turn(profile), turn(n), material)


def _line(a: tuple[float, float], b: tuple[float, float], n: int) -> Array:
    return np.linspace(a, b, n)


def hub_mesh(shape: RotorShape, step_mm: float) -> list[Mesh]:
    """The hub: bores with floors, both end faces, chamfers, and the outer surface."""
    h, nose, hub, chamfer = shape.height_mm, shape.nose_radius_mm, shape.hub_radius_mm, 1.0
    bore, bore2, depth = shape.bore_radius_mm, shape.outlet_bore_radius_mm, shape.bore_depth_mm
    count = max(90, round(2.0 * math.pi * hub / (0.7 * step_mm)))
    z = np.linspace(h - chamfer, chamfer, 60)
    # Listed from the inlet bore's floor over the outside to the outlet bore's floor; normals to the left of travel
    # point out of the metal when travelling outward on top, downward outside and inward below.
    pieces = [
        (_line((0.0, h - depth), (bore, h - depth), 6), TURNED),
        (_line((bore, h - depth), (bore, h), 6), METAL),
        (_line((bore, h), (nose - chamfer, h), 8), TURNED),
        (_line((nose - chamfer, h), (float(hub_radius_at(shape, np.array(h - chamfer))), h - chamfer), 3), METAL),
        (np.column_stack([hub_radius_at(shape, z), z]), METAL),
        (_line((hub, chamfer), (hub - chamfer, 0.0), 3), METAL),
        (_line((hub - chamfer, 0.0), (bore2, 0.0), 8), TURNED),
        (_line((bore2, 0.0), (bore2, depth), 6), METAL),
        (_line((bore2, depth), (0.0, depth), 6), TURNED),
    ]
    return [_revolved(profile, material, count) for profile, material in pieces]


def _radii(shape: RotorShape, curve: TipCurve, s: Array, blade: int, rows: int) -> tuple[Array, Array]:
    """Radii (len(s), rows) from inside the hub to the tip, finer towards the tip, and their depths.

    A depth is 0 at the tip as it is worn and 1 at the hub; nicks shorten the blade, and so begin below it.
    """
    _, _, drop, whole = curve.at(s)
    root = hub_radius_at(shape, shape.lead_height_mm - drop) - 2.0
    tip = whole
    for damage in shape.damage:
        if damage.kind == "nick" and damage.blade == blade + 1:
            tip = tip - damage.depth(s)
    t = np.sin(0.5 * math.pi * np.linspace(0.0, 1.0, rows))
    r = root[:, None] + (tip - root)[:, None] * t
    return r, np.clip((whole[:, None] - r) / (whole[:, None] - shape.hub_radius_mm), 0.0, None)


@dataclass(frozen=True)
class _Section:
    """The loop round a blade section, as arrays (W,): upper face from trailing to leading edge, round that, back below.

    `zone` is -1 in the leading rounding, 0 on the faces, +1 in the trailing rounding; `reach` is the distance from the
    blade's end in a rounding (in units of its length) or the fraction of the face; `side` is +1 on the upper face, -1
    on the lower. `patches` slices the closed loop into four; `upper` and `lower` index it in pairs from nose to nose.
    """

    zone: Array
    reach: Array
    side: Array
    patches: tuple[slice, ...]
    upper: NDArray[np.intp]
    lower: NDArray[np.intp]


def _section(shape: RotorShape, step_mm: float, arc: int) -> _Section:
    """A section with chords of `step_mm` on the faces and 2 `arc` chords round each edge."""
    n = max(8, math.ceil((shape.tip_length_mm - 2.0 * shape.edge_round_mm) / step_mm))
    face = np.linspace(0.0, 1.0, n + 1)
    theta = np.linspace(0.5 * math.pi, -0.5 * math.pi, 2 * arc + 1)[1:-1]
    zone = np.concatenate([np.zeros(n + 1), np.full(len(theta), -1.0), np.zeros(n + 1), np.ones(len(theta))])
    reach = np.concatenate([face[::-1], 1.0 - np.cos(theta), face, 1.0 - np.cos(theta)])
    side = np.concatenate([np.ones(n + 1), np.sin(theta), -np.ones(n + 1), -np.sin(theta)])
    count = len(side)
    below = n + 2 * arc
    patches = (slice(0, n + 1), slice(n, below + 1), slice(below, below + n + 1), slice(below + n, count + 1))
    upper = np.arange(n + arc, -arc - 1, -1) % count
    return _Section(zone, reach, side, patches, upper, (2 * (n + arc) - upper) % count)


def _along(section: _Section, shape: RotorShape, first: Array, last: Array) -> Array:
    """Distance along the tip's arc of every point when the blade reaches from `first` to `last` (W, rows)."""
    zone, reach, e = section.zone[:, None], section.reach[:, None], shape.edge_round_mm
    plain = first + e + reach * (last - first - 2.0 * e)
    return np.where(zone < 0, first + reach * e, np.where(zone > 0, last - reach * e, plain))


def _blade_points(shape: RotorShape, blade: int, section: _Section, rows: int) -> Array:
    """Points (W, rows, 3) of the section's loop at every radius, root to tip."""
    curve, lead = tip_curve(shape, blade), shape.lead_height_mm
    end = np.array([[shape.tip_length_mm]])
    nominal = _along(section, shape, np.zeros((1, 1)), end)[:, 0]
    r, depth = _radii(shape, curve, nominal, blade, rows)
    s = _along(section, shape, shape.sweep_mm * depth**1.5, end - shape.trailing_sweep_mm * depth**1.5)
    beta, around, drop, at_tip = curve.at(s)
    # Radial generators: the height is that of the tip, so the local angle steepens inwards as the radius falls.
    local = np.arctan(np.tan(beta) * at_tip / r)
    thickness = shape.thickness_mm + (shape.root_thickness_mm - shape.thickness_mm) * depth
    half = 0.5 * thickness * section.side[:, None]
    phi = around + np.sin(local) * half / r
    z = lead - drop + np.cos(local) * half
    for damage in shape.damage:
        if damage.kind == "dent" and damage.blade == blade + 1:
            z = z + damage.depth(nominal)[:, None] * np.clip(1.0 - 2.0 * depth, 0.0, 1.0) ** 2
    azimuth = 2.0 * math.pi * blade / shape.blades - shape.hand * phi
    return np.stack([r * np.cos(azimuth), r * np.sin(azimuth), z], axis=-1)


def _land(tip: Array, section: _Section) -> Mesh:
    """The tip land between upper and lower tip edge (W, 3), interpolated in cylinder coordinates."""
    upper, lower = tip[section.upper], tip[section.lower]
    start = np.arctan2(upper[:, 1], upper[:, 0])[:, None]
    turn = np.arctan2(lower[:, 1], lower[:, 0])[:, None] - start
    turn = np.arctan2(np.sin(turn), np.cos(turn))
    t = np.linspace(0.0, 1.0, 4)
    phi = start + turn * t
    height = upper[:, 2:] + (lower[:, 2:] - upper[:, 2:]) * t
    r = np.broadcast_to(np.linalg.norm(upper[:, :2], axis=1)[:, None], phi.shape)
    points = np.stack([r * np.cos(phi), r * np.sin(phi), height], axis=-1)
    return _grid(points, np.stack([np.cos(phi), np.sin(phi), np.zeros_like(phi)], axis=-1), LAND)


def blade_mesh(shape: RotorShape, blade: int, step_mm: float) -> list[Mesh]:
    """One blade: upper face, leading edge, lower face, trailing edge and the tip land."""
    section = _section(shape, step_mm, round(11.0 / math.sqrt(step_mm)))
    points = _blade_points(shape, blade, section, round(28.0 / math.sqrt(step_mm)))
    closed = np.concatenate([points, points[:1]])
    loop = np.concatenate([points[-1:], points, points[:2]])
    normals = np.cross(np.gradient(closed, axis=1), loop[2:] - loop[:-2]) * shape.hand
    normals /= np.linalg.norm(normals, axis=2, keepdims=True)
    meshes = [_grid(closed[p], normals[p], METAL) for p in section.patches]
    return [*meshes, _land(points[:, -1], section)]


def rotor_mesh(shape: RotorShape, step_mm: float = 0.5) -> Mesh:
    """The whole rotor in its own frame."""
    parts = hub_mesh(shape, step_mm)
    for blade in range(shape.blades):
        parts += blade_mesh(shape, blade, step_mm)
    return joined(parts)


def object_mesh(thing: Thing, material: int) -> Mesh:
    """A thing's flat top as a fan of triangles, subdivided so that lens distortion bends its outline, and its sides."""
    outline = np.array(thing.outline_mm, float)
    turning = float((outline[:, 0] * np.roll(outline[:, 1], -1) - np.roll(outline[:, 0], -1) * outline[:, 1]).sum())
    outline = outline[::-1] if turning < 0 else outline
    dense = np.concatenate(
        [
            np.linspace(a, b, math.ceil(np.hypot(*(b - a)) / 2.0), endpoint=False)
            for a, b in zip(outline, np.roll(outline, -1, axis=0), strict=True)
        ]
    )
    dense = np.concatenate([dense, dense[:1]])
    t = np.linspace(0.0, 1.0, 24)[:, None]
    centre = outline.mean(axis=0)
    xy = centre + (dense - centre)[:, None, :] * t
    points = np.concatenate([xy, np.full((*xy.shape[:2], 1), thing.height_mm)], axis=-1)
    normals = np.zeros_like(points)
    normals[..., 2] = 1.0
    top = _grid(points, normals, material)
    if thing.thickness_mm <= 0.0:
        return top
    z = thing.height_mm - np.linspace(0.0, thing.thickness_mm, 4)
    sides = np.concatenate(
        [np.repeat(dense[:, None], 4, axis=1), np.broadcast_to(z[:, None], (len(dense), 4, 1))], axis=-1
    )
    along = np.roll(dense[:-1], -1, axis=0) - np.roll(dense[:-1], 1, axis=0)
    along = np.concatenate([along, along[:1]])
    out = np.column_stack([along[:, 1], -along[:, 0], np.zeros(len(along))])
    out /= np.maximum(np.linalg.norm(out, axis=1, keepdims=True), 1e-9)
    return joined([top, _grid(sides, np.repeat(out[:, None], 4, axis=1), material)])
