"""Photo + pose -> the outline of the blade tips in an overhead photograph, before anything of the rotor is known.

The picture is unrolled on a cylinder of a guessed tip radius: azimuth across, height up (a wrong radius shifts and
stretches the height, but does not break the outline). There every blade is a falling stretch that the next blade's
leading end cuts off with a jump upwards: a saw-tooth. How many teeth there are is asked of all of them together: the
unrolled picture is folded to one tooth for every number of blades and either hand, and the number whose folded picture
has the strongest tooth is taken. Then the path of strongest brightness steps that falls at blade-like slopes and jumps
up only there is found as a whole (dynamic programming), so that a scratch or glare cannot pull single points away.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bladeangle import profiles
from bladeangle.errors import EdgesError
from bladeangle.geometry import Array
from bladeangle.photo import Photo

#: Azimuth step of the path and height pitch of the unrolled picture.
COLUMNS = 180
PITCH_MM = 0.3
#: Steepest fall a column, mm (at 78 mm radius a column is 2.7 mm of arc: this is about 36 degrees).
MOST_FALL_MM = 2.0
#: Least jump upwards at a leading end, mm, and what a jump costs in units of the normalised step strength.
LEAST_JUMP_MM = 5.0
JUMP_COST = 12.0
#: Strength of the path in a gap between blades, as a share of that along them.
GAP_STRENGTH = 0.35
#: How far, columns, a tooth may start from where even spacing puts it, and the least score of an outline.
PHASE_SLACK = 4
LEAST_SCORE = 0.8
#: Numbers of blades that are looked for.
BLADE_COUNTS = range(2, 8)


@dataclass(frozen=True)
class Outline:
    """Saw-tooth outline: for each tooth its start azimuth, its run of azimuths and heights on the guessed cylinder.

    turn : +1 when teeth fall counter-clockwise seen from above; teeth are sorted by start azimuth, counter-clockwise.
    start_rad : (n,) azimuth of each tooth's jump; azimuth_rad, height_mm, strength : per tooth (m_i,), in falling
    order.
    """

    turn: int
    start_rad: Array
    azimuth_rad: tuple[Array, ...]
    height_mm: tuple[Array, ...]
    strength: tuple[Array, ...]


def unrolled_strength(
    photo: Photo,
    to_pixels: Callable[[Array], Array],
    radius_mm: float,
    centre_mm: Array,
    heights: Array,
    turn: int,
    limit_px: Callable[[Array], Array],
) -> Array:
    """Normalised strength (columns, rows) of brightness steps across the tip, falling in direction `turn`.

    to_pixels : ring-frame points (n, 3) -> px (n, 2); limit_px : (n, 2) pixels -> bool, outside the area that may be
    used.
    """
    from scipy.ndimage import gaussian_filter1d

    sub = 5
    fine = (np.arange(COLUMNS * sub) - (sub - 1) / 2) / (COLUMNS * sub) * 2 * np.pi * turn
    arc = radius_mm * 2 * np.pi / (COLUMNS * sub)
    # an ordinary blade's fall within a column
    shear = -np.tan(np.radians(13.0)) * arc * (np.arange(sub) - (sub - 1) / 2)
    z = heights[None, :] + np.tile(shear, COLUMNS)[:, None]
    phi = np.repeat(fine[:, None], len(heights), 1)
    x, y = centre_mm[0] + radius_mm * np.cos(phi), centre_mm[1] + radius_mm * np.sin(phi)
    points = np.stack([x, y, z], -1).reshape(-1, 3)
    px = to_pixels(points)
    image = np.sqrt(np.maximum(profiles.sample(photo.grey, px), 0)).reshape(COLUMNS, sub, len(heights))
    outside = limit_px(px).reshape(COLUMNS, sub, len(heights)).any(1) | np.isnan(image).any(1)
    step = gaussian_filter1d(np.nan_to_num(image).mean(1), 0.5 / PITCH_MM, axis=1, order=1, mode="nearest")
    noise = 1.4826 * np.median(np.abs(step[~outside])) + 1e-6
    strength = np.clip(np.abs(step) / noise, 0, 10)
    # within a millimetre of forbidden ground the filter sees across the border
    near = gaussian_filter1d(outside.astype(float), 0.6 / PITCH_MM, axis=1) > 0.02
    return np.where(near, 0.0, strength)


def best_path(strength: Array, pitch_mm: float, jump_cost: Array) -> tuple[NDArray[np.int64], NDArray[np.bool_], float]:
    """Falling path with upward jumps through (columns, rows) of strength, heights rising with the row.

    jump_cost : (columns,) of jumping up at the start of each column, in units of strength.

    Returns rows (columns,), jumped (columns,) bool (the column starts a tooth), and the mean strength along the path.
    The circle is walked twice and the middle of the walk kept, so that start and end do not matter.
    """
    columns, rows = strength.shape
    falls = round(MOST_FALL_MM / pitch_mm) + 1
    least_jump = int(LEAST_JUMP_MM / pitch_mm)
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
        jump[least_jump:] = running[:-least_jump] - jump_cost[c % columns]
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


def find_outline(
    photo: Photo,
    to_pixels: Callable[[Array], Array],
    radius_mm: float,
    centre_mm: Array,
    heights: tuple[float, float],
    limit_px: Callable[[Array], Array],
) -> Outline:
    """The saw-tooth outline of the blade tips.

    Raises
    ------
    EdgesError : no such outline, or no number of equally spaced blades that explains it.
    """
    z = np.arange(heights[0], heights[1], PITCH_MM)
    hint = "Photograph the rotor from straight above, all of it inside the ring, evenly lit, on the bare sheet."
    tries = []
    for turn in (1, -1):
        strength = unrolled_strength(photo, to_pixels, radius_mm, centre_mm, z, turn, limit_px)
        for count in BLADE_COUNTS:
            score, phase = _folded(strength, count)
            tries.append((score, turn, count, phase, strength))
    tries.sort(key=lambda t: -t[0])
    score, turn, count, phase, strength = tries[0]
    if score < LEAST_SCORE:
        raise EdgesError(f"{photo.name}: no outline of blade tips is seen.", hint)
    wanted = (phase + np.arange(count) * COLUMNS / count) % COLUMNS
    away = np.abs((np.arange(COLUMNS)[:, None] - wanted[None] + COLUMNS / 2) % COLUMNS - COLUMNS / 2).min(1)
    cost = np.where(away <= PHASE_SLACK, 0.5 * away, np.inf)
    rows, jumped, _ = best_path(strength, PITCH_MM, cost)
    rise = rows - np.roll(rows, 1)
    starts = np.sort([_start_near(w, jumped, rise) for w in wanted])
    azimuth, height, strong = [], [], []
    for a, b in zip(starts, np.roll(starts, -1), strict=True):
        run = np.arange(a, a + (b - a) % COLUMNS)
        azimuth.append(run * 2 * np.pi / COLUMNS * turn)
        height.append(z[rows[run % COLUMNS]])
        strong.append(strength[run % COLUMNS, rows[run % COLUMNS]])
    start_rad = np.array([a[0] for a in azimuth])
    order = np.argsort(np.mod(start_rad, 2 * np.pi))
    return Outline(
        turn,
        start_rad[order],
        tuple(azimuth[i] for i in order),
        tuple(height[i] for i in order),
        tuple(strong[i] for i in order),
    )


def _start_near(wanted: float, jumped: NDArray[np.bool_], rise: NDArray[np.int64]) -> int:
    """The column near `wanted` where the path jumps up most; `wanted` itself where it does not (a gap before it)."""
    near = np.round(wanted + np.arange(-PHASE_SLACK, PHASE_SLACK + 1)).astype(int) % COLUMNS
    near = near[jumped[near]]
    return int(near[rise[near].argmax()]) if len(near) else round(wanted) % COLUMNS


def _folded(strength: Array, count: int) -> tuple[float, float]:
    """Mean strength of the best single tooth, (columns, rows) of strength folded to `count` teeth, and its start.

    Off-centre, tilt and differences between blades shift teeth by a millimetre or so: the strongest within that counts.
    """
    from scipy.ndimage import maximum_filter1d

    coarse = 2
    rows = strength.shape[1] // coarse
    blurred = strength[:, : rows * coarse].reshape(len(strength), rows, coarse).max(2)
    blurred = maximum_filter1d(blurred, 5, axis=1)
    period = round(COLUMNS / count)
    place = np.round(np.arange(period)[None, :] + np.arange(count)[:, None] * COLUMNS / count).astype(int) % COLUMNS
    folded = blurred[place].mean(0)
    for cost in (JUMP_COST / count, 3 * JUMP_COST, 0.0, 10 * JUMP_COST):
        path, jumped, _ = best_path(folded, PITCH_MM * coarse, np.full(period, cost))
        if jumped.sum() == 1:
            break
    else:
        return 0.0, 0.0
    # every height has some strength after the filter: what counts is how much more the path has
    along = folded[np.arange(period), path] - np.median(folded, axis=1)
    return float(along.mean()), _start_of(along, float(np.flatnonzero(jumped)[0]))


def _start_of(along: Array, jump: float) -> float:
    """Where a folded tooth starts: at its jump, or after the gap, if strength (period,) along the path shows one.

    Where blades do not overlap there is bare paper between them, and the path may jump anywhere in it.
    """
    period = len(along)
    sums = np.concatenate([[0.0], np.cumsum(np.tile(along, 2))])
    best = (0.0, jump)
    for length in range(max(3, period // 15), int(0.7 * period)):
        low = (sums[length : length + period] - sums[:period]) / length
        high = (sums[period] - low * length) / (period - length)
        gain = length * (period - length) * (high - low) ** 2
        gain[low > GAP_STRENGTH * high] = 0.0
        k = int(gain.argmax())
        if gain[k] > best[0]:
            best = (float(gain[k]), float((k + length) % period))
    return best[1]
