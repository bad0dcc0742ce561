"""Grey image + points + normals -> sub-pixel positions of a step of brightness along the normals, and their sigma.

A profile is read across the predicted edge in linear light, averaged along it, and fitted with a step blurred by a
Gaussian whose two sides may each have a slope of their own (a shaded blade, a shadow on the paper). The step's place is
the only non-linear unknown, so the fit is a scan: for each trial place the four linear unknowns are projected out, and
the minimum of the residual sum of squares is refined by a parabola ("variable projection", Golub and Pereyra 1973).

Where metal is saturated, the file ends at white before the light does: the step seems to lie where the rising flank
reaches white, up to half a pixel out on the darker side. There the samples at white are left out, and the fit asks only
that the bright side be no darker than white.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from bladeangle.base.files import import_cv2
from bladeangle.imaging.photo import WHITE_LEVEL
from bladeangle.tuning.imaging import PROFILES

Array = NDArray[np.float64]

#: Spacing of the scan of trial places, px.
SCAN_STEP_PX = 0.25
#: Standard deviations of the blur that the fit tries, px.
BLURS_PX = (0.6, 0.8, 1.0, 1.25, 1.6, 2.0, 2.6, 3.4, 4.5)


@dataclass(frozen=True)
class Steps:
    """Steps found along n profiles.

    offset_px : (n,) place of the step along the normal, from the predicted edge.
    sigma_px : (n,) its standard uncertainty from the profile's own noise.
    contrast : (n,) brightness after the step less before, linear light; level : (n,) mean brightness of the profile.
    snr : (n,) how many standard deviations of the noise the step explains.
    found : (n,) bool, minimum inside the scan and significant; saturated : (n,) bool, fitted below the file's white.
    """

    offset_px: Array
    sigma_px: Array
    contrast: Array
    level: Array
    snr: Array
    found: NDArray[np.bool_]
    saturated: NDArray[np.bool_]

    def with_rows(self, rows: NDArray[np.int64], other: Steps) -> Steps:
        """These steps with those at `rows` (m,) taken from another set of m."""
        taken = []
        for f in fields(self):
            values = getattr(self, f.name).copy()
            values[rows] = getattr(other, f.name)
            taken.append(values)
        return Steps(*taken)


def sample(grey: NDArray[np.uint16], xy: Array) -> NDArray[np.float32]:
    """Bilinear samples (...), linear light 0 to 1, at pixel places (2, ...), all x before all y; nan outside."""
    cv2 = import_cv2()
    last = np.array(grey.shape[::-1]) - 1

    def remapped(x: NDArray[np.float32], y: NDArray[np.float32]) -> NDArray[np.float32]:
        read: NDArray[np.uint16] = cv2.remap(grey, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        light = read * np.float32(1 / WHITE_LEVEL)
        if not (x.min() >= 0 and y.min() >= 0 and x.max() <= last[0] and y.max() <= last[1]):  # so nan is outside too
            light[~((x >= 0) & (y >= 0) & (x <= last[0]) & (y <= last[1]))] = np.nan
        return light

    most = 32767  # rows and columns that OpenCV's remap takes
    if xy.ndim == 3 and 64 < xy.shape[2] < most and 0 < xy.shape[1] < most:
        x, y = np.ascontiguousarray(xy, np.float32)
        return remapped(x, y)
    flat = xy.reshape(2, -1)
    count = flat.shape[1]
    rows = max(-(-count // 4096), 1)  # it is slow on short ones
    maps = np.zeros((2, rows * 4096), np.float32)
    maps[:, :count] = flat
    x, y = maps.reshape(2, rows, 4096)
    out = np.concatenate([remapped(x[k : k + most], y[k : k + most]) for k in range(0, rows, most)])
    return out.reshape(-1)[:count].reshape(xy.shape[1:])


def read_profiles(grey: NDArray[np.uint16], px: Array, normal: Array, reach: tuple[int, int], along_px: int) -> Array:
    """Profiles (n, reach[0] + reach[1] + 1) across edges, a sample a pixel, averaged over 2 `along_px` + 1 along them.

    px : (n, 2); normal : (n, 2) unit vectors; reach : whole pixels before and after the predicted edge.
    """
    # single precision, as the picture's reader has it: the rounding is a hundredth of its own steps
    t = np.arange(-reach[0], reach[1] + 1, dtype=np.float32)
    a = np.arange(-along_px, along_px + 1, dtype=np.float32)
    on, across = (v.T.astype(np.float32)[:, None, :, None] for v in (px, normal))
    along = np.stack([-across[1], across[0]])
    xy = on + t * across + a[:, None, None] * along  # (2, a, n, t)
    mean = np.full(len(a), 1 / len(a), np.float32)
    with np.errstate(invalid="ignore"):  # nan outside the picture is meant; now and then linear algebra warns of it
        return np.tensordot(mean, sample(grey, xy), 1).astype(np.float64)


def _normal_cdf(x: Array) -> Array:
    from scipy.special import ndtr

    out: Array = ndtr(x)
    return out


@lru_cache(maxsize=64)
def _bases(
    reach: tuple[int, int], blur_px: float, margin: int, slopes: bool, trust_px: float
) -> tuple[Array, Array, Array]:
    """Trial places (m,), orthonormal bases of levels and slopes (k, q * m), and the levels' solution (m, 2, k).

    Of each place the first vector of its basis, then of each the second, and so on.
    """
    t = np.arange(-reach[0], reach[1] + 1, dtype=float)
    places = np.arange(-reach[0] + margin, reach[1] - margin + 1e-9, SCAN_STEP_PX)
    places = places[np.abs(places) <= trust_px]
    rise = _normal_cdf((t[None] - places[:, None]) / blur_px)
    columns = [1 - rise, rise]
    if slopes:
        d = t[None] - places[:, None]
        columns += [(1 - rise) * d, rise * d]
    design = np.stack(columns, -1)
    bases = np.moveaxis(np.linalg.qr(design)[0], 0, 2).reshape(len(t), -1)
    return places, bases, np.ascontiguousarray(np.linalg.pinv(design)[:, :2])


def _left(p: Array, bases: Array, places: int) -> Array:
    """Sums of squares (n, m) that are left of profiles (n, k) by the bases (k, q * m) of so many trial places."""
    explained = (p @ bases).reshape(len(p), -1, places)
    out: Array = (p * p).sum(1)[:, None] - np.einsum("nqm,nqm->nm", explained, explained)
    return out


def fit_steps(
    profiles: Array,
    reach: tuple[int, int],
    blur_px: float,
    *,
    slopes: bool = True,
    polarity: int = 0,
    margin: int = 2,
    trust_px: float = np.inf,
    least_snr: float = 4.0,
) -> Steps:
    """Fit one blurred step to each profile.

    Parameters
    ----------
    profiles : (n, k) with k = reach[0] + reach[1] + 1; a profile with nan is not found.
    blur_px : standard deviation of the blur.
    slopes : give each side a slope of its own.
    polarity : +1 only steps to brighter, -1 only to darker, 0 either.
    margin : samples that each side keeps at least.
    least_snr : steps that explain less are not found; noise alone reaches about 3.
    trust_px : the step is looked for no farther than this from the predicted edge.
    """
    n, k = profiles.shape
    places, bases, solve = _bases(reach, blur_px, margin, slopes, trust_px)
    bad = np.logical_not(np.isfinite(profiles).all(1))
    p = np.where(bad[:, None], 0.0, profiles)
    level = p.mean(1)
    p = p - level[:, None]  # for numerical accuracy of the residuals; the basis holds the constant
    rss = _left(p, bases, len(places))
    if polarity:
        step = p @ (solve[:, 1] - solve[:, 0]).T
        rss = np.where(step * polarity > 0, rss, np.inf)
    best = rss.argmin(1)
    inside = (best > 0) & (best < len(places) - 1)
    i = np.clip(best, 1, len(places) - 2)
    rows = np.arange(n)
    below, here, above = rss[rows, i - 1], rss[rows, i], rss[rows, i + 1]
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
        bend = below - 2 * here + above
        shift = 0.5 * (below - above) / bend
        ok = inside & np.isfinite(bend) & (bend > 0) & ~bad
        shift = np.where(ok, shift, 0.0)
        freedom = max(k - bases.shape[1] // len(places) - 1, 1)
        noise2 = np.maximum(here, 0) / freedom
        sigma = np.sqrt(2 * noise2 / bend) * SCAN_STEP_PX
        ends = np.einsum("nqk,nk->nq", solve[i], p)
        contrast = ends[:, 1] - ends[:, 0]
        snr = np.abs(contrast) / np.sqrt(np.maximum(noise2, 1e-12))
    ok &= np.isfinite(sigma) & (snr > least_snr)
    offset = places[i] + shift * SCAN_STEP_PX
    sigma = np.where(ok, np.maximum(sigma, 1e-3), np.inf)
    return Steps(np.where(ok, offset, 0.0), sigma, contrast, level, snr, ok, np.zeros(n, bool))


@lru_cache(maxsize=64)
def _saturated_designs(
    reach: tuple[int, int], blur_px: float, trust_px: float
) -> tuple[Array, tuple[tuple[Array, Array], ...]]:
    """Trial places (m,), and the design of steps down and of steps up at each of them, with its products.

    A design holds dark level, slope of the dark side and bright level by sample: (k, m * 3), its products (k, m * 9).
    """
    t = np.arange(-reach[0], reach[1] + 1, dtype=float)
    places = np.arange(-trust_px - 1, trust_px + 1 + 1e-9, SCAN_STEP_PX / 2)
    away = t[:, None] - places
    rise = _normal_cdf(away / blur_px)
    designs = [np.stack([1 - bright, (1 - bright) * away, bright], -1) for bright in (rise, 1 - rise)]  # (k, m, 3)
    products = [design[..., None] * design[..., None, :] for design in designs]
    return places, tuple((d.reshape(len(t), -1), p.reshape(len(t), -1)) for d, p in zip(designs, products, strict=True))


def fit_saturated_steps(samples: Array, reach: tuple[int, int], blur_px: float, trust_px: float) -> Steps:
    """Fit steps to profiles one side of which is at the file's white over part of its samples.

    The place is the mean of its posterior over the trial places, with the brightness of the saturated side free above
    white but for a loose prior (`PROFILES.glare_log_sigma`), so that a profile that says little has a wide sigma.

    Parameters
    ----------
    samples : (n, a, k) profiles as in `fit_steps`, for `a` pixels along the edge. Their median is taken, which white
        leaves alone as long as it is less than half of them.
    """
    median = np.median(samples, 1)
    white = (samples > PROFILES.white_light).mean(1)
    before = white[:, : reach[0]].sum(1) > white[:, reach[0] + 1 :].sum(1)
    kept = np.isfinite(median) & (white < PROFILES.white_share)
    y = np.where(kept, median, 0.0)
    places, sides = _saturated_designs(reach, blur_px, trust_px)
    n, m = len(y), len(places)
    glare, rss = np.empty((n, m)), np.empty((n, m))
    freedom = np.maximum(kept.sum(1) - 4, 1)
    for side, (design, products) in enumerate(sides):
        mine = np.flatnonzero(before == side)
        w = kept[mine].astype(float)
        normal = (w @ products).reshape(-1, m, 3, 3) + 1e-9 * np.eye(3)
        right = ((w * y[mine]) @ design).reshape(-1, m, 3)
        free = np.linalg.solve(normal, right[..., None])[..., 0]
        level = np.where(
            (free[..., 2] < 1.0) & (white[mine].max(1) >= PROFILES.white_share)[:, None], 1.0, free[..., 2]
        )
        rest = np.linalg.solve(normal[..., :2, :2], (right[..., :2] - level[..., None] * normal[..., :2, 2])[..., None])
        c = np.concatenate([rest[..., 0], level[..., None]], -1)
        sum_squares = np.einsum("nk,nk->n", w, y[mine] ** 2)[:, None]
        rss[mine] = sum_squares - 2 * (c * right).sum(-1) + (c * (normal @ c[..., None])[..., 0]).sum(-1)
        glare[mine] = level
    noise2 = np.maximum(rss.min(1) / freedom, 1e-6)
    chi = rss / noise2[:, None] + (np.log(np.maximum(glare, 1.0)) / PROFILES.glare_log_sigma) ** 2
    p = np.exp(-0.5 * (chi - chi.min(1, keepdims=True)))
    p /= p.sum(1, keepdims=True)
    offset = p @ places
    sigma = np.sqrt(np.maximum((p * (places - offset[:, None]) ** 2).sum(1), (SCAN_STEP_PX / 8) ** 2))
    best = chi.argmin(1)
    dark_level = np.nanmedian(np.where(kept, median, np.where(kept.any(1, keepdims=True), np.nan, 1.0)), 1)
    contrast = ((p * glare).sum(1) - dark_level) * np.where(before, -1.0, 1.0)
    snr = np.abs(contrast) / np.sqrt(noise2)
    ok = (best > 0) & (best < m - 1) & (kept.sum(1) >= 6) & (np.abs(offset) <= trust_px) & (snr > 4.0)
    level_seen = np.where(ok, np.nanmean(median, 1), 1.0)
    sigma = np.where(ok, sigma, np.inf)
    return Steps(np.where(ok, offset, 0.0), sigma, contrast, level_seen, snr, ok, np.ones(n, bool))


def estimate_blur(profiles: Array, reach: tuple[int, int]) -> float:
    """The blur, px, of `BLURS_PX` (refined between them) that explains a set of clean profiles (n, k) best."""
    p = profiles[np.isfinite(profiles).all(1)]
    if not len(p):
        return 1.0
    p = p - p.mean(1, keepdims=True)
    total = []
    for blur in BLURS_PX:
        places, bases, _ = _bases(reach, blur, 2, True, np.inf)
        total.append(float(np.median(_left(p, bases, len(places)).min(1))))
    i = int(np.argmin(total))
    if not 0 < i < len(BLURS_PX) - 1:
        return BLURS_PX[i]
    x = np.log(np.array(BLURS_PX[i - 1 : i + 2]))
    c = np.polyfit(x, total[i - 1 : i + 2], 2)
    return float(np.exp(np.clip(-c[1] / (2 * c[0]), x[0], x[2]))) if c[0] > 0 else BLURS_PX[i]


def rise_width(profiles: Array, reach: int) -> float:
    """Standard deviation, px, of the Gaussian blur of the mean of profiles (n, 2 `reach` + 1), between 0.4 and 6.

    From how much of the rise within `reach` lies within 2 px. Unlike a fit with sloping sides this also ranks the
    straight smear of a phone that moved, whose profile is a ramp.
    """
    from scipy.special import erf

    mean = np.nanmean(profiles, axis=0)
    sigma = np.linspace(6.0, 0.4, 113)
    share = erf(2.0 / (np.sqrt(2.0) * sigma)) / erf(reach / (np.sqrt(2.0) * sigma))
    return float(np.interp((mean[reach + 2] - mean[reach - 2]) / (mean[-1] - mean[0]), share, sigma))
