"""Photo + pose -> the outline of the blade tips in an overhead photograph, before anything of the rotor is known.

The picture is unrolled on a cylinder of a guessed tip radius: azimuth across, height up (a wrong radius shifts and stretches
the height, but does not break the outline). There every blade is a falling stretch that the next blade's leading end cuts off with a jump
upwards: a saw-tooth. The path of strongest brightness steps that falls at blade-like slopes and may jump up is found as a
whole (dynamic programming), for either hand, so that a scratch or glare cannot pull single points away.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from bladeangle import profiles
from bladeangle.errors import EdgesError
from bladeangle.geometry import Array
from bladeangle.photo import Photo

#: Azimuth step of the path and height pitch of the unrolled picture.
COLUMNS = 180
PITCH_MM = 0.25
#: Steepest fall, rows a column (at 78 mm radius a column is 2.7 mm of arc: 8 rows are about 36 degrees).
MOST_FALL = 8
#: Least jump upwards at a leading end, mm, and what a jump costs in units of the normalised step strength.
LEAST_JUMP_MM = 5.0
JUMP_COST = 12.0
#: Numbers of blades that are looked for.
BLADE_COUNTS = range(2, 8)


@dataclass(frozen=True)
class Outline:
    """Saw-tooth outline: for each tooth its start azimuth, its run of azimuths and heights on the guessed cylinder.

    turn : +1 when teeth fall counter-clockwise seen from above; teeth are sorted by start azimuth, counter-clockwise.
    start_rad : (n,) azimuth of each tooth's jump; azimuth_rad, height_mm, strength : per tooth (m_i,), in falling order.
    margin : how much better this hand explains the picture than the other, 0..1.
    """

    turn: int
    start_rad: Array
    azimuth_rad: tuple[Array, ...]
    height_mm: tuple[Array, ...]
    strength: tuple[Array, ...]
    margin: float


def unrolled_strength(photo: Photo, to_pixels: Callable[[Array], Array], radius_mm: float, centre_mm: Array, heights: Array, turn: int, limit_px: Callable[[Array], Array]) -> Array:
    """Normalised strength (columns, rows) of brightness steps across the tip, falling in direction `turn`.

    to_pixels : ring-frame points (n, 3) -> px (n, 2); limit_px : (n, 2) pixels -> bool, outside the area that may be used.
    """
    from scipy.ndimage import gaussian_filter1d

    sub = 5
    fine = (np.arange(COLUMNS * sub) - (sub - 1) / 2) / (COLUMNS * sub) * 2 * np.pi * turn
    arc = radius_mm * 2 * np.pi / (COLUMNS * sub)
    shear = -np.tan(np.radians(13.0)) * arc * (np.arange(sub) - (sub - 1) / 2)  # an ordinary blade's fall within a column
    z = heights[None, :] + np.tile(shear, COLUMNS)[:, None]
    phi = np.repeat(fine[:, None], len(heights), 1)
    points = np.stack([centre_mm[0] + radius_mm * np.cos(phi), centre_mm[1] + radius_mm * np.sin(phi), z], -1).reshape(-1, 3)
    px = to_pixels(points)
    image = np.sqrt(np.maximum(profiles.sample(photo.grey, px), 0)).reshape(COLUMNS, sub, len(heights))
    outside = limit_px(px).reshape(COLUMNS, sub, len(heights)).any(1) | np.isnan(image).any(1)
    step = gaussian_filter1d(np.nan_to_num(image).mean(1), 0.5 / PITCH_MM, axis=1, order=1, mode="nearest")
    noise = 1.4826 * np.median(np.abs(step[~outside])) + 1e-6
    strength = np.clip(np.abs(step) / noise, 0, 10)
    # within a millimetre of forbidden ground the filter sees across the border
    near = gaussian_filter1d(outside.astype(float), 0.6 / PITCH_MM, axis=1) > 0.02
    return np.where(near, 0.0, strength)


def best_path(strength: Array) -> tuple[Array, Array, float]:
    """Falling path with upward jumps through (columns, rows) of strength, heights rising with the row.

    Returns rows (columns,), jumped (columns,) bool (the column starts a tooth), and the mean strength along the path.
    The circle is walked twice and the middle of the walk kept, so that start and end do not matter.
    """
    columns, rows = strength.shape
    falls = MOST_FALL + 1
    least_jump = int(LEAST_JUMP_MM / PITCH_MM)
    value = np.zeros((rows, falls))
    steps = 2 * columns
    came = np.zeros((steps, rows, falls), np.int8)  # change of the fall: -1, 0, 1; 2 for a jump
    jump_from = np.zeros((steps, rows), np.int32)
    jump_fall = np.zeros((steps, rows), np.int8)
    bend_cost = np.array([1.0, 0.0, 1.0])
    for c in range(steps):
        # arriving at row r with fall f: from row r + f, with fall f - 1, f or f + 1
        options = np.full((4, rows, falls), -np.inf)
        for f in range(falls):
            for k, change in enumerate((-1, 0, 1)):
                if 0 <= f + change < falls:
                    options[k, : rows - f, f] = value[f:, f + change] - bend_cost[k]
        best_fall = value.argmax(1)
        best_value = value.max(1)
        # best start of a jump from at least `least_jump` rows below
        running = np.maximum.accumulate(best_value)
        where = np.maximum.accumulate(np.where(best_value >= running, np.arange(rows), 0))
        jump = np.full(rows, -np.inf)
        jump[least_jump:] = running[:-least_jump] - JUMP_COST
        jump_from[c, least_jump:] = where[:-least_jump]
        jump_fall[c] = best_fall[jump_from[c]]
        options[3] = jump[:, None]
        pick = options.argmax(0)
        value = np.take_along_axis(options, pick[None], 0)[0] + strength[c % columns][:, None]
        came[c] = np.array([-1, 0, 1, 2])[pick]
    row, fall = np.unravel_index(int(value.argmax()), value.shape)
    path, jumped = np.zeros(steps, int), np.zeros(steps, bool)
    for c in range(steps - 1, -1, -1):
        path[c] = row
        change = came[c, row, fall]
        if change == 2:
            jumped[c] = True
            row, fall = jump_from[c, row], jump_fall[c, row]
        else:
            row, fall = row + fall, fall + change
    half = columns // 2
    middle = np.arange(half, half + columns)
    order = np.argsort(middle % columns)
    rows_out, jumped_out = path[middle][order], jumped[middle][order]
    return rows_out, jumped_out, float(strength[np.arange(columns), rows_out].mean())


def find_outline(photo: Photo, to_pixels: Callable[[Array], Array], radius_mm: float, centre_mm: Array, heights: tuple[float, float], limit_px: Callable[[Array], Array]) -> Outline:
    """The saw-tooth outline of the blade tips.

    Raises
    ------
    EdgesError : no such outline, or no number of equally spaced blades that explains it.
    """
    z = np.arange(heights[0], heights[1], PITCH_MM)
    tries = []
    for turn in (1, -1):
        strength = unrolled_strength(photo, to_pixels, radius_mm, centre_mm, z, turn, limit_px)
        rows, jumped, mean = best_path(strength)
        tries.append((mean, turn, rows, jumped, strength))
    tries.sort(key=lambda t: -t[0])
    mean, turn, rows, jumped, strength = tries[0]
    hint = "Photograph the rotor from straight above with the whole of it inside the ring, evenly lit, on the bare sheet."
    starts = np.flatnonzero(jumped)
    if mean < 1.2 or len(starts) < 2:
        raise EdgesError(f"{photo.name}: no outline of blade tips is seen.", hint)
    starts = _regular(starts, np.array([strength[s : s + 6].max() for s in starts]))
    if len(starts) not in BLADE_COUNTS:
        raise EdgesError(f"{photo.name}: the outline does not show equally spaced blades.", hint)
    azimuth, height, strong = [], [], []
    for a, b in zip(starts, np.roll(starts, -1), strict=True):
        run = np.arange(a, a + (b - a) % COLUMNS)
        azimuth.append(run * 2 * np.pi / COLUMNS * turn)
        height.append(z[rows[run % COLUMNS]])
        strong.append(strength[run % COLUMNS, rows[run % COLUMNS]])
    start_rad = np.array([a[0] for a in azimuth])
    order = np.argsort(np.mod(start_rad, 2 * np.pi))
    return Outline(
        turn, start_rad[order], tuple(azimuth[i] for i in order), tuple(height[i] for i in order), tuple(strong[i] for i in order),
        1 - tries[1][0] / mean,
    )  # fmt: skip


def _regular(starts: Array, weight: Array) -> Array:
    """The largest subset of jump columns that is spaced evenly to 15 %."""
    best = np.zeros(0, int)
    for n in BLADE_COUNTS:
        pitch = COLUMNS / n
        for s in starts:
            wanted = s + np.arange(n) * pitch
            gap = (starts[None, :] - wanted[:, None] + COLUMNS / 2) % COLUMNS - COLUMNS / 2
            nearest = np.abs(gap).argmin(1)
            if (np.abs(gap[np.arange(n), nearest]) < 0.15 * pitch).all() and len(set(nearest.tolist())) == n and n > len(best):
                best = np.sort(starts[nearest])
    return best
