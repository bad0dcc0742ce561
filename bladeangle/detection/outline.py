"""Photo + pose -> the outline of the blade tips in an overhead photograph, before anything of the rotor is known.

The picture is unrolled on a cylinder of a guessed tip radius: azimuth across, height up (a wrong radius shifts and
stretches the height, but does not break the outline). There every blade is a falling stretch that the next blade's
leading end cuts off with a jump upwards: a saw-tooth. How many teeth there are is asked of all of them together, in
all photographs of the rotor: the unrolled picture is folded to one tooth for every number of blades and either hand,
and the number whose folded pictures have the strongest teeth is taken. Then the path of strongest brightness steps that
falls at blade-like slopes and jumps up only there is found as a whole (dynamic programming), so that a scratch or glare
cannot pull single points away.

The cylinder's axis is where the hub's rim is seen, which depends on the height of the rim: a camera 15 mm beside the
axis sees it a millimetre away for 20 mm of height, and that makes a wave of 5 mm in the heights of the teeth, enough to
turn a blade's fall into a rise. So the rim is taken to stand as far above the teeth as it does on rotors.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bladeangle.base.errors import EdgesError
from bladeangle.base.geometry import Array, stretched
from bladeangle.imaging import profiles
from bladeangle.imaging.photo import Photo
from bladeangle.tuning.detection import HUB, OUTLINE

#: Azimuth steps of the path, places read in each, height pitch of the unrolled picture, and rows of it that are one
#: when it is folded.
COLUMNS = 180
SUBCOLUMNS = 5
PITCH_MM = 0.3
COARSE = 2
#: Numbers of blades that are looked for.
BLADE_COUNTS = range(2, 8)


@dataclass(frozen=True)
class Outline:
    """Saw-tooth outline: for each tooth its start azimuth, its run of azimuths and heights on the guessed cylinder.

    rim_mm : height of the hub's rim that was assumed; the cylinder's axis is where the rim's centre is seen then.
    turn : +1 when teeth fall counter-clockwise seen from above; teeth are sorted by start azimuth, counter-clockwise.
    start_rad : (n,) azimuth of each tooth's jump; azimuth_rad, height_mm, strength : per tooth (m_i,), in falling
    order.
    """

    rim_mm: float
    turn: int
    start_rad: Array
    azimuth_rad: tuple[Array, ...]
    height_mm: tuple[Array, ...]
    strength: tuple[Array, ...]


@dataclass(frozen=True)
class Look:
    """One overhead photograph and how it is looked at.

    to_pixels : ring-frame points (n, 3) mm -> px (n, 2).
    radius_mm : of the guessed tip cylinder, upright.
    axis_mm : height of the hub's rim, mm -> (2,) where the axis stands in the ring frame, as the rim is seen.
    heights : from where to where, mm, tips are looked for.
    beyond_mm : ring-frame points (n, 3) mm -> (n,), positive where the line of sight meets ground that is not to be
        looked at.
    """

    photo: Photo
    to_pixels: Callable[[Array], Array]
    radius_mm: float
    axis_mm: Callable[[float], Array]
    heights: tuple[float, float]
    beyond_mm: Callable[[Array], Array]


@dataclass(frozen=True)
class _Unrolled:
    """The picture on a cylinder, square root of linear light: image, bad (COLUMNS * SUBCOLUMNS, rows); arc_mm apart."""

    image: Array
    bad: NDArray[np.bool_]
    arc_mm: float


def _unroll(look: Look, rim_mm: float) -> _Unrolled:
    """Unroll the picture; azimuth 0 is in the middle of the first column's subcolumns.

    The lens is asked for every fifth place; bilinear between them is right to a tenth of a pixel.
    """
    radius_mm, centre_mm, heights = look.radius_mm, look.axis_mm(rim_mm), look.heights
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
    beyond = look.beyond_mm(flat).reshape(1, len(phi), len(z))
    usable = np.flatnonzero((beyond <= 0).any((0, 1)))
    top = min(int(usable[-1]) + 3, len(z)) if len(usable) else 2  # a little more, since the filter sees beyond a place
    seen = min(rows, every * (top - 1))
    coarse = look.to_pixels(points[:, :top].reshape(-1, 3)).T.reshape(2, len(phi), top)
    place = stretched(coarse, every, every)[..., :seen]
    image: NDArray[Any] = np.zeros((fine, rows), np.float32)
    bad = np.ones((fine, rows), bool)
    light = profiles.sample(look.photo.grey, place)
    image[:, :seen] = np.sqrt(np.fmax(light, 0))  # dark where it is outside the picture
    bad[:, :seen] = (stretched(beyond[..., :top], every, every)[0, :, :seen] > 0) | np.isnan(light)
    return _Unrolled(image, bad, radius_mm * 2 * np.pi / fine)


def _strengths(unrolled: _Unrolled) -> dict[int, Array]:
    """Normalised strength (COLUMNS, rows) of brightness steps across the tip, by the direction in which they fall.

    Columns run that way round; their subcolumns are averaged along an ordinary blade's fall.
    """
    from scipy.ndimage import gaussian_filter1d

    rows = unrolled.image.shape[1]
    apart = np.tan(np.radians(OUTLINE.ordinary_deg)) * unrolled.arc_mm / PITCH_MM  # rows from one subcolumn to the next
    margin = int(np.ceil(apart * SUBCOLUMNS / 2)) + 1
    image = np.pad(unrolled.image, ((0, 0), (margin, margin)), mode="edge").reshape(COLUMNS, SUBCOLUMNS, -1)
    outside = np.asarray(unrolled.bad.reshape(COLUMNS, SUBCOLUMNS, rows).any(1))
    # within a millimetre of forbidden ground the filter sees across the border
    near = gaussian_filter1d(outside.astype(np.float32), 0.6 / PITCH_MM, axis=1) > 0.02
    out = {}
    for turn in (1, -1):
        mean = np.zeros((COLUMNS, rows), np.float32)
        for sub in range(SUBCOLUMNS):
            shear = -turn * apart * (sub - (SUBCOLUMNS - 1) / 2)
            below = int(np.floor(shear))
            share = np.float32(shear - below)
            one = image[:, sub, margin + below :]
            mean += (1 - share) * one[:, :rows]
            mean += share * one[:, 1 : rows + 1]
        step = np.abs(gaussian_filter1d(mean / SUBCOLUMNS, 0.5 / PITCH_MM, axis=1, order=1, mode="nearest"))
        noise = 1.4826 * np.median(step[::2][~outside[::2]]) + 1e-6
        strength = np.clip(step / noise, 0, 10)
        strength[near] = 0.0
        out[turn] = strength[turn * np.arange(COLUMNS) % COLUMNS]
    return out


def best_path(strength: Array, pitch_mm: float, jump_cost: Array) -> tuple[NDArray[np.int64], NDArray[np.bool_], float]:
    """Falling path with upward jumps through (columns, rows) of strength, heights rising with the row.

    jump_cost : (columns,) of jumping up at the start of each column, in units of strength.

    Returns rows (columns,), jumped (columns,) bool (the column starts a tooth), and the mean strength along the path.
    The circle is walked twice and the middle of the walk kept, so that start and end do not matter.
    """
    columns, rows = strength.shape
    falls = round(OUTLINE.most_fall_mm / pitch_mm) + 1
    least_jump = int(OUTLINE.least_jump_mm / pitch_mm)
    steps = 2 * columns
    # values[c, f, r]: best sum up to column c at row r, arrived at by falling f rows; -inf beyond the rows
    values = np.empty((steps + 1, falls, rows + falls), np.float32)
    values[0], values[:, :, rows:] = 0.0, -np.inf
    highest = np.empty((steps, rows + falls), np.float32)  # the best of any fall, at this row or below
    bent, best = np.empty_like(values[0]), np.empty_like(values[0])
    # row r + f of fall f, as one view: a row of it begins one sample later than the one before
    arrived = np.lib.stride_tricks.as_strided(best, (falls, rows), (best.strides[0] + best.strides[1], best.strides[1]))
    jump = np.full(rows, -np.inf, np.float32)
    strength = strength.astype(np.float32)
    costs = jump_cost.tolist()
    for c in range(steps):
        before, now = values[c], values[c + 1, :, :rows]
        np.subtract(before, OUTLINE.bend_cost, out=bent)
        np.maximum(before[:-1], bent[1:], out=best[:-1])
        best[-1] = before[-1]
        np.maximum(best[1:], bent[:-1], out=best[1:])
        if costs[c % columns] < np.inf:
            np.maximum.accumulate(np.maximum.reduce(before), out=highest[c])
            np.subtract(highest[c, : rows - least_jump], costs[c % columns], out=jump[least_jump:])
            np.maximum(arrived, jump, out=now)
            now += strength[c % columns]
        else:
            np.add(arrived, strength[c % columns], out=now)
    fall, row = (int(k) for k in np.unravel_index(int(values[-1, :, :rows].argmax()), (falls, rows)))
    path, jumped = np.zeros(steps, int), np.zeros(steps, bool)
    half = columns // 2
    for c in range(steps - 1, half - 1, -1):
        path[c] = row
        most, change = -np.inf, 0
        for k in (-1, 0, 1):
            if not 0 <= fall + k < falls:
                continue
            value = values.item(c, fall + k, row + fall) - OUTLINE.bend_cost * abs(k)
            if value > most:
                most, change = value, k
        cost = costs[c % columns]
        if cost < np.inf and row >= least_jump and highest.item(c, row - least_jump) - cost > most:
            jumped[c] = True
            row = int(values[c, :, : row - least_jump + 1].max(0).argmax())
            fall = int(values[c, :, row].argmax())
            continue
        row, fall = row + fall, fall + change
    middle = np.arange(half, half + columns)
    order = np.argsort(middle % columns)
    rows_out, jumped_out = path[middle][order], jumped[middle][order]
    return rows_out, jumped_out, float(strength[np.arange(columns), rows_out].mean())


def find_outlines(looks: Sequence[Look]) -> list[Outline]:
    """The saw-tooth outlines of the blade tips in photographs of one rotor, of the same number of blades and hand.

    Raises
    ------
    EdgesError : no such outline, no number of equally spaced blades that explains it better than others do, or
        photographs that show different numbers or hands.
    """
    seen = [_look_at(look) for look in looks]
    own = [_chosen([one]) for one in seen]
    for one, key in zip(seen, own, strict=True):
        if one.score(key) < OUTLINE.least_score:
            raise EdgesError(
                f"{one.look.photo.name}: no outline of blade tips is seen.",
                "Photograph the rotor from straight above, all of it inside the ring, evenly lit, on the bare sheet.",
            )
    turn, count = chosen = _chosen(seen)
    if any(one.score(chosen) < OUTLINE.own_count_share * one.score(key) for one, key in zip(seen, own, strict=True)):
        raise _unlike(own)
    total = _totals(seen)
    rivals = [k for k in total if k != chosen and not (k[0] == turn and count % k[1] == 0) and _all_there(seen, k)]
    rival = max(rivals, key=lambda k: total[k], default=chosen)
    if rival != chosen and total[rival] > OUTLINE.ambiguous_share * total[chosen]:
        names = " and ".join(look.photo.name for look in looks)
        what = f"{count} or {rival[1]} blades" if rival[1] != count else "blades of the left hand or of the right"
        raise EdgesError(
            f"{names}: it is not clear whether the rotor has {what}.",
            "Photograph it again, evenly lit, without glare and hard shadows on the blades' rims.",
        )
    return [_followed(one, turn, count) for one in seen]


def _followed(seen: _Seen, turn: int, count: int) -> Outline:
    """The outline of so many blades in one photograph."""
    tooth = seen.teeth[turn, count]
    (lowest, highest), margin = tooth.rows, round(OUTLINE.tooth_margin_mm / PITCH_MM)
    near = slice(max(COARSE * lowest - margin, 0), COARSE * highest + margin)
    strength, start = seen.strength[turn][:, near], tooth.start
    z = seen.look.heights[0] + PITCH_MM * (near.start + np.arange(strength.shape[1]))
    wanted = (start + np.arange(count) * COLUMNS / count) % COLUMNS
    away = np.abs((np.arange(COLUMNS)[:, None] - wanted[None] + COLUMNS / 2) % COLUMNS - COLUMNS / 2).min(1)
    cost = np.where(away <= OUTLINE.phase_columns, 0.5 * away, np.inf)
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
        seen.rim_mm,
        turn,
        start_rad[order],
        tuple(azimuth[i] for i in order),
        tuple(height[i] for i in order),
        tuple(strong[i] for i in order),
    )


def _start_near(wanted: float, jumped: NDArray[np.bool_], rise: NDArray[np.int64]) -> int:
    """The column near `wanted` where the path jumps up most; `wanted` itself where it does not (a gap before it)."""
    near = np.round(wanted + np.arange(-OUTLINE.phase_columns, OUTLINE.phase_columns + 1)).astype(int) % COLUMNS
    near = near[jumped[near]]
    return int(near[rise[near].argmax()]) if len(near) else round(wanted) % COLUMNS


def _thickened(strength: Array) -> Array:
    """Strength (columns, rows) on half as many rows, each the strongest of some around it.

    Off-centre, tilt and differences between blades shift teeth by a millimetre or so: the strongest within that counts.
    """
    from scipy.ndimage import maximum_filter1d

    rows = strength.shape[1] // COARSE
    halved = np.maximum(*(strength[:, k : rows * COARSE : COARSE] for k in range(COARSE)))
    out: Array = maximum_filter1d(halved, 5, axis=1)
    return out


@dataclass(frozen=True)
class _Tooth:
    """Tooth of a folded picture.

    score : mean strength along it over what is usual; each : (count,) the same of every tooth by itself.
    start, row : column and row (of the halved rows) at which it starts; rows : the lowest and the highest of its rows.
    """

    score: float
    start: float
    row: int
    rows: tuple[int, int]
    each: Array

    def evenness(self, apart: int) -> float:
        """Of `apart` teeth in turn, that which is there least against that which is there most."""
        turns = [max(float(self.each[k::apart].mean()), 0.0) for k in range(apart)]
        return min(turns) / max(*turns, 1e-9)


@dataclass(frozen=True)
class _Folded:
    """Thickened strength of every tooth (count, period, rows), their mean (period, rows), its median over the rows."""

    teeth: Array
    strength: Array
    median: Array

    @classmethod
    def of(cls, thick: Array, count: int) -> _Folded:
        """Fold (columns, rows) to `count` teeth."""
        period = round(COLUMNS / count)
        place = np.round(np.arange(period)[None, :] + np.arange(count)[:, None] * COLUMNS / count).astype(int) % COLUMNS
        teeth = thick[place]
        folded = teeth.mean(0)
        middle = folded.shape[1] // 2
        return cls(teeth, folded, np.partition(folded, middle, axis=1)[:, middle])

    @property
    def most(self) -> float:
        """What no tooth's score can exceed."""
        return float((self.strength.max(1) - self.median).mean())

    def tooth(self) -> _Tooth | None:
        """The best single tooth; None where there is none."""
        count, period = self.teeth.shape[:2]
        path, jumped, _ = best_path(self.strength, PITCH_MM * COARSE, np.full(period, OUTLINE.jump_cost / count))
        # the more a jump costs, the fewer there are
        for cost in (0.0,) if not jumped.any() else (3 * OUTLINE.jump_cost, 10 * OUTLINE.jump_cost):
            if jumped.sum() == 1:
                break
            path, jumped, _ = best_path(self.strength, PITCH_MM * COARSE, np.full(period, cost))
        if jumped.sum() != 1:
            return None
        # every height has some strength after the filter: what counts is how much more the path has
        along = self.strength[np.arange(period), path] - self.median
        each = self.teeth[:, np.arange(period), path].mean(1) - self.median.mean()
        start = _start_of(along, int(np.flatnonzero(jumped)[0]))
        rows = int(path.min()), int(path.max())
        return _Tooth(float(along.mean()), float(start), int(path[start]), rows, each)


@dataclass(frozen=True)
class _Unwound:
    """One photograph unrolled about the hub's rim at a height: strength by turn, folded by turn and number."""

    rim_mm: float
    strength: dict[int, Array]
    folded: dict[tuple[int, int], _Folded]

    @classmethod
    def at(cls, look: Look, rim_mm: float) -> _Unwound:
        """Unroll and fold."""
        strength = _strengths(_unroll(look, rim_mm))
        thick = {turn: _thickened(s) for turn, s in strength.items()}
        folded = {(turn, count): _Folded.of(thick[turn], count) for turn in thick for count in BLADE_COUNTS}
        return cls(rim_mm, strength, folded)

    def teeth(self, share: float, known: dict[tuple[int, int], _Tooth]) -> dict[tuple[int, int], _Tooth]:
        """The strongest tooth, and those of turns and numbers of blades that may come to this share of its score.

        known : what a higher share gave, which need not be looked for again.
        """
        teeth: dict[tuple[int, int], _Tooth] = {}
        best = 0.0
        # the most promising first: most of the others cannot come near its score, and need no path
        for key, one in sorted(self.folded.items(), key=lambda f: -f[1].most):
            if one.most > share * best and (tooth := known.get(key) or one.tooth()) is not None:
                teeth[key] = tooth
                best = max(best, tooth.score)
        return teeth


@dataclass(frozen=True)
class _Seen:
    """What one photograph shows about the hub's rim at a height: strength by turn, teeth by turn and number."""

    look: Look
    rim_mm: float
    strength: dict[int, Array]
    teeth: dict[tuple[int, int], _Tooth]

    def score(self, key: tuple[int, int]) -> float:
        """Of a turn and number of blades; 0 where no tooth was followed, or every second or third is not there."""
        return self.teeth[key].score if key in self.teeth and _all_there([self], key) else 0.0


def _look_at(look: Look) -> _Seen:
    """One photograph, unrolled about the hub's rim where its teeth let it be expected."""
    turned = _Unwound.at(look, OUTLINE.usual_rim_mm)
    if teeth := turned.teeth(1.0, {}):
        row = max(teeth.values(), key=lambda tooth: tooth.score).row
        rim_mm = look.heights[0] + PITCH_MM * COARSE * row + HUB.beyond_mm
        if abs(rim_mm - OUTLINE.usual_rim_mm) >= OUTLINE.rim_slack_mm:
            turned, teeth = _Unwound.at(look, rim_mm), {}
    return _Seen(look, turned.rim_mm, turned.strength, turned.teeth(OUTLINE.followed_share, teeth))


def _totals(seen: Sequence[_Seen]) -> dict[tuple[int, int], float]:
    """Turns and numbers of blades of which any photograph shows a tooth, and their scores in all of them together."""
    return {key: sum(one.score(key) for one in seen) for key in {key for one in seen for key in one.teeth}}


def _all_there(seen: Sequence[_Seen], key: tuple[int, int]) -> bool:
    """Whether teeth of a number of blades are not only those of half or a third of it, in all photographs together."""
    teeth, count = [one.teeth[key] for one in seen if key in one.teeth], key[1]
    apart = [k for k in range(2, count) if count % k == 0 and count // k in BLADE_COUNTS]
    return all(np.mean([tooth.evenness(k) for tooth in teeth]) > OUTLINE.absent_tooth_share for k in apart)


def _chosen(seen: Sequence[_Seen]) -> tuple[int, int]:
    """Turn and number of blades that photographs of one rotor show best together."""
    total = _totals(seen)
    if not total:
        return 1, BLADE_COUNTS[0]
    turn, count = best = max(total, key=lambda k: total[k])
    multiples = [k for k in sorted(total) if k[0] == turn and k[1] > count and k[1] % count == 0]
    return next((k for k in multiples if total[k] > OUTLINE.multiple_share * total[best]), best)


def _unlike(own: Sequence[tuple[int, int]]) -> EdgesError:
    """What to say of photographs that do not show the same rotor, by the turn and number of blades of each."""
    what = "opposite hands"
    if len(counts := {count for _, count in own}) > 1:
        what = f"{' and '.join(map(str, sorted(counts)))} blades"
    return EdgesError(
        f"The photographs of the two standing positions show {what}.",
        "Make sure that both show the same rotor, and that no blade's rim is lost in glare or shadow.",
    )


def _start_of(along: Array, jump: int) -> int:
    """Where a folded tooth starts: at its jump, or after the gap round it, if strength (period,) along it has one.

    Where blades do not overlap there is bare paper between them, and the path may jump anywhere in it. An edge that
    fades elsewhere is no gap.
    """
    period = len(along)
    sums = np.concatenate([[0.0], np.cumsum(np.tile(along, 2))])
    before = (jump - np.arange(period) + 1) % period
    best = (0.0, jump)
    for length in range(max(3, period // 15), int(0.7 * period)):
        low = (sums[length : length + period] - sums[:period]) / length
        high = (sums[period] - low * length) / (period - length)
        gain = length * (period - length) * (high - low) ** 2
        gain[(low > OUTLINE.gap_strength * high) | (before > length + 2)] = 0.0
        k = int(gain.argmax())
        if gain[k] > best[0]:
            best = (float(gain[k]), (k + length) % period)
    return best[1]
