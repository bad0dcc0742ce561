"""Scene -> photograph, and the truth that goes with it.

Light is summed in linear values: visibility and shading (`raster`, `shade`), blur, noise, and only then the sRGB curve
and JPEG.
"""

from __future__ import annotations

import io
import json
import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bladeangle.base.files import import_cv2, write_bytes_atomic
from tests.synthetic import raster, shade
from tests.synthetic.mesh import THINGS, Mesh, joined, object_mesh, rotor_mesh
from tests.synthetic.raster import SAMPLES
from tests.synthetic.scene import Array, RingPrint, RotorShape, Scene, tip_curve
from tests.synthetic.sensor import expose

_BAND_ROWS = 48
_METAL_BGR = (0.98, 1.0, 1.01)
_LIGHT_HALF_MM, _LIGHT_CELLS, _MAP_HALF_MM = 420.0, 280, 440.0
_SKY_HALF_MM, _SKY_CELLS, _SHADOW_CELLS = 150.0, 240, 1600


def _lamp_axes(direction: Array) -> Array:
    """Right-handed axes (3, 3) with the last row along `direction`."""
    z = direction / np.linalg.norm(direction)
    x = np.cross([0.0, 1.0, 0.0] if abs(z[1]) < 0.9 else [1.0, 0.0, 0.0], z)
    x /= np.linalg.norm(x)
    return np.array([x, np.cross(z, x), z])


def _depth_map(mesh: Mesh, axes: Array, half_mm: float, cells: int) -> NDArray[np.float32]:
    """Height of the mesh towards a distant lamp (plus 1000 mm; 0 where there is none)."""
    p = mesh.vertices @ axes.T
    px = (p[:, :2] + half_mm) / (2.0 * half_mm) * cells - 0.5
    depth = np.zeros((cells, cells), np.float32)
    raster.fill(
        px,
        p[:, 2] + 1000.0,
        mesh.triangles,
        np.arange(len(mesh.triangles)),
        1,
        0,
        depth,
        np.empty((cells, cells), np.int32),
        np.empty((cells, cells), np.uint8),
    )
    return depth


def _sky(count: int) -> Array:
    """Directions spread over the upper hemisphere, uniformly in solid angle (a golden-angle spiral)."""
    k = np.arange(count)
    z = 0.12 + 0.88 * (k + 0.5) / count
    phi = k * math.pi * (3.0 - math.sqrt(5.0))
    r = np.sqrt(1.0 - z * z)
    return np.column_stack([r * np.cos(phi), r * np.sin(phi), z])


def _around(position: Array) -> Array:
    """Directions to the parts of a lamp 200 mm across."""
    axes = _lamp_axes(position)
    spread = [(0.0, 0.0)] + [(100.0 * math.cos(a), 100.0 * math.sin(a)) for a in np.arange(8) * math.pi / 4.0]
    lamps = np.array([position + axes[0] * u + axes[1] * v for u, v in spread])
    return lamps / np.linalg.norm(lamps, axis=1, keepdims=True)


@dataclass(frozen=True)
class _Lamps:
    """Distant lamps (k, 3) of equal light, with the share that they have of all, and their shadows of a coarse mesh."""

    share: float
    directions: Array
    axes: Array
    maps: NDArray[np.float32]

    @classmethod
    def over(cls, coarse: Mesh | None, share: float, directions: Array) -> _Lamps:
        """The lamps with what the mesh hides from each of them."""
        axes = np.array([_lamp_axes(d) for d in directions])
        if coarse is None:
            maps = np.zeros((len(directions), 2, 2), np.float32)
        else:
            maps = np.array([_depth_map(coarse, a, _SKY_HALF_MM, _SKY_CELLS) for a in axes])
        return cls(share, directions, axes, maps)

    def on(self, points: Array, normals: Array) -> NDArray[np.float32]:
        """Light on points (m, 3); their share on an open table."""
        out = np.empty(len(points), np.float32)
        points, normals = np.ascontiguousarray(points), np.ascontiguousarray(normals)
        raster.sky_light(points, normals, self.directions, self.maps, self.axes, _SKY_HALF_MM, out)
        return np.float32(self.share) * out


class _Stage:
    """The meshes and the light of one rotor as it stands; the same for all photographs of that standing."""

    def __init__(self, scene: Scene, step_mm: float) -> None:
        rotor, lighting = scene.rotor, scene.lighting
        parts, coarse_parts = [], []
        self.to_rotor: Array = np.eye(4)
        if rotor is not None:
            pose = scene.standing.pose(rotor)
            self.to_rotor = np.asarray(np.linalg.inv(pose), np.float64)
            parts.append(rotor_mesh(rotor, step_mm).moved(pose))
            coarse_parts.append(rotor_mesh(rotor, 3.0).moved(pose))
        for number, thing in enumerate(scene.objects):
            parts.append(object_mesh(thing, THINGS + number))
            coarse_parts.append(parts[-1])
        self.mesh = joined(parts) if parts else None
        coarse = joined(coarse_parts) if parts else None
        key = np.array(lighting.key_position_mm, dtype=np.float64)
        axis = np.linspace(-_LIGHT_HALF_MM, _LIGHT_HALF_MM, _LIGHT_CELLS + 1)
        ground = np.stack([*np.meshgrid(axis, axis), np.zeros((len(axis), len(axis)))], axis=-1).reshape(-1, 3)
        up: Array = np.tile([0.0, 0.0, 1.0], (len(ground), 1))

        all_lamps = [_Lamps.over(coarse, lighting.ambient, _sky(36))]
        if not lighting.hard_shadow:
            all_lamps.append(_Lamps.over(coarse, lighting.key, _around(key)))
        all_lamps += [_Lamps.over(coarse, p.share, _around(np.array(p.position_mm))) for p in lighting.lamps]

        def light(points: Array, normals: Array) -> NDArray[np.float32]:
            first, *others = (lamps.on(points, normals) for lamps in all_lamps)
            for more in others:
                first += more
            return first

        self.sheet_light = light(ground, up).reshape(len(axis), len(axis))
        self.vertex_light = np.zeros(0, np.float32)
        if self.mesh is not None:
            self.vertex_light = light(self.mesh.vertices, self.mesh.normals)
        self.shadow_axes = _lamp_axes(key)
        self.shadow = np.zeros((2, 2), np.float32)
        if lighting.hard_shadow and self.mesh is not None:
            self.shadow = _depth_map(self.mesh, self.shadow_axes, _SKY_HALF_MM, _SHADOW_CELLS)


_stages: dict[Any, _Stage] = {}


def _stage(scene: Scene) -> _Stage:
    """The stage of a scene; the last one is kept, since a set of photographs shares it."""
    # Chords of 0.5 mm leave a tip's arc by 0.004 px at 12 megapixels; smaller pictures may have longer ones.
    step_mm = 0.5 * math.sqrt(max(0.5, 4032.0 / scene.camera.width))
    key = (scene.rotor, scene.standing, replace(scene.lighting, mirrored=()), scene.objects, step_mm)
    if key not in _stages:
        _stages.clear()
        _stages[key] = _Stage(scene, step_mm)
    return _stages[key]


def marker_bits(dictionary: str, marker: int) -> NDArray[np.uint8]:
    """Cells (n, n) of a marker with its black border, 1 white, first row at the marker's top."""
    aruco = import_cv2().aruco
    table = aruco.getPredefinedDictionary(getattr(aruco, dictionary))
    n = table.markerSize + 2
    return (np.asarray(aruco.generateImageMarker(table, marker, n, borderBits=1)) > 127).astype(np.uint8)


def _sheet_arrays(sheets: tuple[RingPrint, ...]) -> tuple[Array, NDArray[np.int16], Array, NDArray[np.uint8]]:
    """Sheets, map of markers, markers and their bits as `shade.World` wants them."""
    table: list[tuple[float, ...]] = []
    origins: list[list[float]] = []
    bits: list[NDArray[np.uint8]] = []
    cells = int(_MAP_HALF_MM)
    where = np.full((len(sheets), 2, cells, cells), -1, np.int16)
    for index, sheet in enumerate(sheets):
        x, y, turn = sheet.place
        a, b = math.radians(turn), math.radians(sheet.bend_azimuth_deg)
        table.append((x, y, math.cos(a), math.sin(a), sheet.side_mm, sheet.bend_mm, math.cos(b), math.sin(b)))
        nearest = np.full((2, cells, cells), np.inf)
        shapes: list[tuple[Array, NDArray[np.uint8]]] = []
        for number, corners in sheet.corners_mm().items():
            pattern = np.zeros((16, 16), np.uint8)
            grid = marker_bits(sheet.definition["dictionary"], number)
            pattern[: len(grid), : len(grid)] = grid
            pattern[15, 15] = len(grid)
            shapes.append((corners[[0, 1, 3]], pattern))
        if sheet.arrow:
            shapes.append((sheet.arrow_mm(), np.zeros((16, 16), np.uint8)))
        for triangle, pattern in shapes:
            inverse = np.linalg.inv(np.column_stack([triangle[1] - triangle[0], triangle[2] - triangle[0]]))
            box = np.vstack([triangle, triangle[1] + triangle[2] - triangle[0]])
            low = np.floor((box.min(axis=0) - 2.0 + _MAP_HALF_MM) / (2.0 * _MAP_HALF_MM) * cells).astype(int)
            high = np.ceil((box.max(axis=0) + 2.0 + _MAP_HALF_MM) / (2.0 * _MAP_HALF_MM) * cells).astype(int)
            block = (slice(max(low[1], 0), max(high[1], 0)), slice(max(low[0], 0), max(high[0], 0)))
            gy, gx = np.mgrid[block]
            at = (np.stack([gx, gy], axis=-1) + 0.5) / cells * 2.0 * _MAP_HALF_MM - _MAP_HALF_MM
            away = np.abs((at - box.mean(axis=0)) @ inverse.T).max(axis=-1, initial=0.0)
            # Where neighbours come close, the cell belongs to the marker whose border is nearer.
            layer = 0 if pattern[15, 15] else 1
            mine = (away < 0.5 + 2.9 * np.abs(inverse).max()) & (away < nearest[layer][block])
            where[index, layer][block][mine] = len(origins)
            nearest[layer][block][mine] = away[mine]
            origins.append([*triangle[0], *inverse.ravel()])
            bits.append(pattern)
    return (
        np.array(table, float).reshape(-1, 8),
        where,
        np.array(origins, float).reshape(-1, 6),
        np.array(bits, np.uint8).reshape(-1, 16, 16),
    )


def _stain_points(rotor: RotorShape | None) -> Array:
    rows = []
    for stain in rotor.stains if rotor else ():
        assert rotor is not None
        _, around, drop, _ = tip_curve(rotor, stain.blade - 1).at(np.array([stain.at_mm]))
        phi = 2.0 * math.pi * (stain.blade - 1) / rotor.blades - rotor.hand * float(around[0])
        rows.append(
            [
                rotor.tip_radius_mm * math.cos(phi),
                rotor.tip_radius_mm * math.sin(phi),
                rotor.lead_height_mm - float(drop[0]),
                stain.radius_mm,
                stain.factor,
            ]
        )
    return np.array(rows, float).reshape(-1, 5)


def _colours(scene: Scene) -> Array:
    """Colour (BGR) and gloss of the materials: metal, what is turned, the tip land, and every thing that lies about."""
    metal, (land, gloss) = (scene.rotor.reflectance, scene.rotor.land) if scene.rotor else (1.0, (1.0, 1.0))
    b, g, r = _METAL_BGR
    rows = [(b * k, g * k, r * k, shine) for k, shine in ((metal, 1.0), (metal, 1.0), (metal * land, gloss))]
    return np.array(rows + [(*thing.colour[::-1], thing.gloss) for thing in scene.objects], float)


def _world(scene: Scene, stage: _Stage) -> shade.World:
    camera, view, lighting = scene.camera, scene.view, scene.lighting
    if stage.mesh is not None:
        mesh = stage.mesh
        px, depth = camera.project(view.to_camera(mesh.vertices))
        nearness = np.where(np.isfinite(depth), 1.0 / depth, 0.0)
        px = np.nan_to_num(px, nan=-1e9)
    else:
        mesh = Mesh(
            np.zeros((1, 3)), np.zeros((1, 3)), np.zeros((0, 3), np.int32), np.zeros(0, np.int32), np.zeros(0, np.int32)
        )
        px, nearness = np.zeros((1, 2)), np.zeros(1)
    sheets, where, markers, bits = _sheet_arrays(scene.sheets)
    key = np.array(lighting.key_position_mm)
    key = key / np.linalg.norm(key)
    edge = lighting.edge
    if edge:
        a = math.radians(edge.azimuth_deg)
        line = [math.cos(a), math.sin(a), edge.distance_mm, edge.softness_mm, edge.factor]
    else:
        line = [0.0, 0.0, 0.0, 1.0, 1.0]
    corner = math.hypot(max(camera.cx_px, camera.width - camera.cx_px), max(camera.cy_px, camera.height - camera.cy_px))
    return shade.World(
        camera=np.array([camera.f_px, camera.cx_px, camera.cy_px, scene.exposure.vignetting, corner]),
        dist=np.array(camera.dist),
        rotation=np.array(view.R),
        eye=view.eye_mm,
        px=(px + 0.5) * SAMPLES - 0.5,
        nearness=nearness,
        vertices=np.ascontiguousarray(mesh.vertices),
        normals=np.ascontiguousarray(mesh.normals),
        vertex_light=stage.vertex_light,
        triangles=mesh.triangles,
        patch=mesh.patch,
        material=mesh.material,
        to_rotor=np.ascontiguousarray(stage.to_rotor[:3]),
        colours=_colours(scene),
        stains=_stain_points(scene.rotor),
        sheets=sheets,
        cells=where,
        markers=markers,
        bits=bits,
        sheet_light=stage.sheet_light,
        shadow=stage.shadow,
        shadow_axes=stage.shadow_axes,
        lamps=np.array(
            [
                lighting.key if lighting.hard_shadow else 0.0,
                *key,
                lighting.glare,
                *lighting.glare_position_mm,
                lighting.glare_exponent,
                *line,
            ]
        ),
        emitters=np.array([m.row() for m in lighting.mirrored], float).reshape(-1, 13),
        bench=scene.bench.row(),
        spills=np.array([[*s.centre_mm, s.radius_mm, s.width_mm, s.depth] for s in scene.spills], float).reshape(-1, 5),
        sizes=np.array([_MAP_HALF_MM, _LIGHT_HALF_MM, _SKY_HALF_MM, scene.rotor.texture if scene.rotor else 0.0]),
    )


def radiance(scene: Scene) -> NDArray[np.float32]:
    """Linear light (height, width, channels) before blur, noise and encoding; channels BGR, or one when grey."""
    stage = _stage(scene)
    world = _world(scene, stage)
    width, height = scene.camera.width, scene.camera.height
    image = np.empty((height, width, 3 if scene.exposure.colour else 1), np.float32)
    zbuffer = np.empty((_BAND_ROWS * SAMPLES, width * SAMPLES), np.float32)
    ids = np.empty(zbuffer.shape, np.int32)
    scratch = np.zeros(shade.SCRATCH)
    corners = world.px[world.triangles]
    low, high = corners[:, :, 1].min(axis=1) - 1.0, corners[:, :, 1].max(axis=1) + 1.0
    for row0 in range(0, height, _BAND_ROWS):
        rows = min(_BAND_ROWS, height - row0)
        which = np.flatnonzero((high >= row0 * SAMPLES) & (low <= (row0 + rows) * SAMPLES))
        touched = np.zeros((rows, width), np.uint8)
        z, i = zbuffer[: rows * SAMPLES], ids[: rows * SAMPLES]
        if len(which):
            z.fill(0.0)
            i.fill(-1)
            raster.fill(world.px, world.nearness, world.triangles, which, SAMPLES, row0 * SAMPLES, z, i, touched)
        shade.resolve(world, row0, z, i, touched, scratch, image[row0 : row0 + rows])
    return image


def render(scene: Scene) -> NDArray[np.uint8]:
    """The photograph of a scene: (height, width, 3) BGR or (height, width) grey, sRGB-encoded uint8."""
    return expose(radiance(scene), scene.exposure, scene.camera.cx_px, scene.camera.cy_px)


def jpeg_bytes(
    image: NDArray[np.uint8],
    quality: int = 88,
    camera_name: str = "Bench 1",
    focal_35mm: int | None = 26,
    orientation: int | None = 1,
) -> bytes:
    """A JPEG file of a rendered image with the EXIF data a phone writes; no EXIF at all when focal_35mm is None."""
    from PIL import Image

    picture = Image.fromarray(image[:, :, ::-1] if image.ndim == 3 else image)
    exif = Image.Exif()
    if focal_35mm is not None:
        exif[0x010F], exif[0x0110] = "Workshop", camera_name
        if orientation is not None:
            exif[0x0112] = orientation
        details = exif.get_ifd(0x8769)
        details[0x9003], details[0xA405], details[0x920A] = "2026:11:20 10:00:00", focal_35mm, focal_35mm * 0.22
    buffer = io.BytesIO()
    extra = {"exif": exif.tobytes()} if focal_35mm is not None else {}
    picture.save(buffer, "JPEG", quality=quality, **extra)
    return buffer.getvalue()


def write_photo(path: str | Path, scene: Scene, image: NDArray[np.uint8] | None = None) -> None:
    """Render a scene (unless its image is given) and write it as a JPEG with EXIF data."""
    image = render(scene) if image is None else image
    camera = scene.camera
    write_bytes_atomic(path, jpeg_bytes(image, scene.exposure.quality, camera.name, camera.focal_35mm))


def write_json(path: str | Path, data: Any) -> None:
    """Write a truth or a ring definition as readable JSON."""
    write_bytes_atomic(path, (json.dumps(data, indent=1) + "\n").encode())
