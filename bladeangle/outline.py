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
from bladeangle.geometry import Array, stretched
from bladeangle.photo import Photo

#: Azimuth steps of the path, places read in each, height pitch of the unrolled picture, and rows of it that are one
#: when it is folded.
COLUMNS = 180
SUBCOLUMNS = 5
PITCH_MM = 0.3
COARSE = 2
#: Fall of an ordinary blade, deg.
ORDINARY_DEG = 13.0
#: Steepest fall a column, mm (at 78 mm radius a column is 2.7 mm of arc: this is about 36 degrees).
MOST_FALL_MM = 2.0
#: Least jump upwards at a leading end, mm, and what a jump costs in units of the normalised step strength.
LEAST_JUMP_MM = 5.0
JUMP_COST = 12.0
#: What a change of the fall by a row costs.
BEND_COST = 1.0
#: Strength of the path in a gap between blades, as a share of that along them.
GAP_STRENGTH = 0.35
#: How far, columns, a tooth may start from where even spacing puts it, and the least score of an outline.
PHASE_SLACK = 4
LEAST_SCORE = 0.8
#: Folded to half their number, teeth may look as strong as folded to it; to twice their number they reach 0.4 to 0.77.
#: A multiple that reaches this share is the number.
MULTIPLE = 0.85
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


@dataclass(frozen=True)
class _Unrolled:
    """The picture on a cylinder, square root of linear light: image, bad (COLUMNS * SUBCOLUMNS, rows); arc_mm apart."""

    image: Array
    bad: NDArray[np.bool_]
    arc_mm: float


def _unroll(
    photo: Photo,
    to_pixels: Callable[[Array], Array],
    radius_mm: float,
    centre_mm: Array,
    heights: tuple[float, float],
    beyond_mm: Callable[[Array], Array],
) -> _Unrolled:
    """Unroll the picture; azimuth 0 is in the middle of the first column's subcolumns.

    The lens is asked for every fifth place; bilinear between them is right to a tenth of a pixel.
    """
    every = 5
    fine = COLUMNS * SUBCOLUMNS
    rows = int(np.ceil((heights[1] - heights[0]) / PITCH_MM))
    phi = (every * np.arange(fine // every + 1) - (SUBCOLUMNS - 1) / 2) * 2 * np.pi / fine
    z = heights[0] + every * PITCH_MM * np.arange(-(-rows // every) + 1)
    points = np.empty((len(phi), len(z), 3))
    points[..., 0] = (centre_mm[0] + radius_mm * np.cos(phi))[:, None]
    points[..., 1] = (centre_mm[1] + radius_mm * np.sin(phi))[:, None]
    points[..., 2] = z
    flat = points.reshape(-1, 3)
    beyond = beyond_mm(flat).reshape(len(phi), len(z), 1)
    usable = np.flatnonzero((beyond <= 0).any((0, 2)))
    top = min(int(usable[-1]) + 3, len(z)) if len(usable) else 2  # a little more, since the filter sees beyond a place
    seen = min(rows, every * (top - 1))
    place = stretched(to_pixels(points[:, :top].reshape(-1, 3)).reshape(len(phi), top, 2), every, every)[:, :seen]
    image, bad = np.zeros((fine, rows), np.float32), np.ones((fine, rows), bool)
    image[:, :seen] = profiles.sample(photo.grey, place)
    missing = np.isnan(image)
    image[missing] = 0.0
    bad[:, :seen] = stretched(beyond[:, :top], every, every)[:, :seen, 0] > 0
    bad |= missing
    return _Unrolled(np.sqrt(np.maximum(image, 0)), bad, radius_mm * 2 * np.pi / fine)


def _strength(unrolled: _Unrolled, turn: int) -> Array:
    """Normalised strength (COLUMNS, rows) of brightness steps across the tip, falling in direction `turn`.

    Columns run that way round; their subcolumns are averaged along an ordinary blade's fall.
    """
    from scipy.ndimage import gaussian_filter1d

    image, bad = unrolled.image, unrolled.bad
    if turn < 0:
        back = (SUBCOLUMNS - 1 - np.arange(len(image))) % len(image)
        image, bad = image[back], bad[back]
    rows = image.shape[1]
    mean = np.zeros((COLUMNS, rows), np.float32)
    for sub in range(SUBCOLUMNS):
        shear = -np.tan(np.radians(ORDINARY_DEG)) * unrolled.arc_mm * (sub - (SUBCOLUMNS - 1) / 2) / PITCH_MM
        below = int(np.floor(shear))
        share = np.float32(shear - below)
        one = image[sub::SUBCOLUMNS]
        low, high = (np.clip(np.arange(rows) + below + k, 0, rows - 1) for k in (0, 1))
        mean += (1 - share) * one[:, low] + share * one[:, high]
    outside = bad.reshape(COLUMNS, SUBCOLUMNS, rows).any(1)
    step = gaussian_filter1d(mean / SUBCOLUMNS, 0.5 / PITCH_MM, axis=1, order=1, mode="nearest")
    noise = 1.4826 * np.median(np.abs(step[~outside])) + 1e-6
    strength = np.clip(np.abs(step) / noise, 0, 10)
    # within a millimetre of forbidden ground the filter sees across the border
    near = gaussian_filter1d(outside.astype(np.float32), 0.6 / PITCH_MM, axis=1) > 0.02
    strength[near] = 0.0
    return strength


def best_path(strength: Array, pitch_mm: float, jump_cost: Array) -> tuple[NDArray[np.int64], NDArray[np.bool_], float]:
    """Falling path with upward jumps through (columns, rows) of strength, heights rising with the row.

    jump_cost : (columns,) of jumping up at the start of each column, in units of strength.

    Returns rows (columns,), jumped (columns,) bool (the column starts a tooth), and the mean strength along the path.
    The circle is walked twice and the middle of the walk kept, so that start and end do not matter.
    """
    columns, rows = strength.shape
    falls = round(MOST_FALL_MM / pitch_mm) + 1
    least_jump = int(LEAST_JUMP_MM / pitch_mm)
    steps = 2 * columns
    # values[c, f, r]: best sum up to column c at row r, arrived at by falling f rows; -inf beyond the rows
    values = np.full((steps + 1, falls, rows + falls), -np.inf, np.float32)
    values[0, :, :rows] = 0.0
    best = np.empty((falls, rows + falls), np.float32)
    # row r + f of fall f, as one view: a row of it begins one sample later than the one before
    arrived = np.lib.stride_tricks.as_strided(best, (falls, rows), (best.strides[0] + best.strides[1], best.strides[1]))
    highest = np.empty(rows, np.float32)
    strength = strength.astype(np.float32)
    costs = jump_cost.tolist()
    for c in range(steps):
        before, now = values[c], values[c + 1, :, :rows]
        bent = before - BEND_COST
        best[:] = before
        np.maximum(best[:-1], bent[1:], out=best[:-1])
        np.maximum(best[1:], bent[:-1], out=best[1:])
        now[:] = arrived
        cost = costs[c % columns]
        if cost < np.inf:
            np.maximum.accumulate(before[:, :rows].max(0), out=highest)
            jump = highest[: rows - least_jump] - cost
            np.maximum(now[:, least_jump:], jump, out=now[:, least_jump:])
        now += strength[c % columns]
    fall, row = (int(k) for k in np.unravel_index(int(values[-1, :, :rows].argmax()), (falls, rows)))
    path, jumped = np.zeros(steps, int), np.zeros(steps, bool)
    for c in range(steps - 1, -1, -1):
        path[c] = row
        before = values[c]
        options = [
            (float(before[fall + k, row + fall]) - BEND_COST * abs(k), k) for k in (-1, 0, 1) if 0 <= fall + k < falls
        ]
        most, change = max(options, key=lambda o: o[0])
        cost = costs[c % columns]
        if row >= least_jump and cost < np.inf:
            fallen = before[:, : row - least_jump + 1].max(0)
            if float(fallen.max()) - cost > most:
                jumped[c] = True
                row = int(fallen.argmax())
                fall = int(before[:, row].argmax())
                continue
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
    beyond_mm: Callable[[Array], Array],
) -> Outline:
    """The saw-tooth outline of the blade tips.

    Parameters
    ----------
    to_pixels : ring-frame points (n, 3) mm -> px (n, 2).
    radius_mm, centre_mm, heights : of the guessed tip cylinder, its axis upright; from where to where it is looked at.
    beyond_mm : ring-frame points (n, 3) mm -> (n,), positive where the line of sight meets ground that is not to be
        looked at.

    Raises
    ------
    EdgesError : no such outline, or no number of equally spaced blades that explains it.
    """
    hint = "Photograph the rotor from straight above, all of it inside the ring, evenly lit, on the bare sheet."
    unrolled = _unroll(photo, to_pixels, radius_mm, centre_mm, heights, beyond_mm)
    tries: list[tuple[_Folded, int, int, Array]] = []
    for turn in (1, -1):
        strength = _strength(unrolled, turn)
        thick = _thickened(strength)
        tries += [(_Folded.of(thick, count), turn, count, strength) for count in BLADE_COUNTS]
    # the most promising first: most of the others cannot reach its score, and need no path
    tries.sort(key=lambda t: -t[0].most)
    score = -np.inf
    for one, one_turn, one_count, one_strength in tries:
        if one.most > score:
            one_score, one_start = one.tooth()
            if one_score > score:
                score, start, turn, count, strength = one_score, one_start, one_turn, one_count, one_strength
    for one, one_turn, one_count, one_strength in tries:
        if one_turn == turn and one_count > count and one_count % count == 0:
            one_score, one_start = one.tooth()
            if one_score > MULTIPLE * score:
                start, count, strength = one_start, one_count, one_strength
                break
    if score < LEAST_SCORE:
        raise EdgesError(f"{photo.name}: no outline of blade tips is seen.", hint)
    z = heights[0] + PITCH_MM * np.arange(strength.shape[1])
    wanted = (start + np.arange(count) * COLUMNS / count) % COLUMNS
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


def _thickened(strength: Array) -> Array:
    """Strength (columns, rows) on half as many rows, each the strongest of some around it.

    Off-centre, tilt and differences between blades shift teeth by a millimetre or so: the strongest within that counts.
    """
    from scipy.ndimage import maximum_filter1d

    rows = strength.shape[1] // COARSE
    halved = strength[:, : rows * COARSE].reshape(len(strength), rows, COARSE).max(2)
    out: Array = maximum_filter1d(halved, 5, axis=1)
    return out


@dataclass(frozen=True)
class _Folded:
    """Thickened strength folded to one tooth (period, rows), its median over each column's rows, and the number."""

    strength: Array
    median: Array
    count: int

    @classmethod
    def of(cls, thick: Array, count: int) -> _Folded:
        """Fold (columns, rows) to `count` teeth."""
        period = round(COLUMNS / count)
        place = np.round(np.arange(period)[None, :] + np.arange(count)[:, None] * COLUMNS / count).astype(int) % COLUMNS
        folded = thick[place].mean(0)
        return cls(folded, np.median(folded, axis=1), count)

    @property
    def most(self) -> float:
        """What no tooth's score can exceed."""
        return float((self.strength.max(1) - self.median).mean())

    def tooth(self) -> tuple[float, float]:
        """Mean strength of the best single tooth over what is usual, and where it starts; 0 where there is none."""
        period = len(self.median)
        for cost in (JUMP_COST / self.count, 3 * JUMP_COST, 0.0, 10 * JUMP_COST):
            path, jumped, _ = best_path(self.strength, PITCH_MM * COARSE, np.full(period, cost))
            if jumped.sum() == 1:
                break
        else:
            return 0.0, 0.0
        # every height has some strength after the filter: what counts is how much more the path has
        along = self.strength[np.arange(period), path] - self.median
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
