"""Photo + pose -> the circles of hub and bore in an overhead photograph.

Circles in planes parallel to the sheet stay circles when they are carried along the lens rays to another such plane, so
the hub is looked at on one plane at a guessed height: votes along the brightness gradient give the common centre, rings
of strong radial gradient the circles, and each is then followed to a fraction of a pixel in the photograph itself.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from bladeangle.base.errors import EdgesError
from bladeangle.base.files import import_cv2
from bladeangle.base.geometry import Array, stretched
from bladeangle.imaging import profiles
from bladeangle.imaging.photo import Photo
from bladeangle.tuning.detection import HUB

#: Pitch of the picture of the plane in which the common centre is looked for, mm.
PITCH_MM = 0.5
#: Azimuths at which a circle is followed.
AZIMUTHS = 180


@dataclass(frozen=True)
class HubCircle:
    """One circle about the axis: centre (2,) and radius mm on the plane at `height_mm`, and its points in the picture.

    px, normal : (n, 2) with the normal pointing away from the axis; sigma_px : (n,)
    share : part of the turn that shows it.
    """

    centre_mm: Array
    radius_mm: float
    px: Array
    normal: Array
    sigma_px: Array
    share: float
    height_mm: float = field(default_factory=lambda: HUB.plane_mm)

    def on(self, height_mm: float, eye_mm: Array) -> HubCircle:
        """The circle that is seen the same on a plane at another height, from a camera at `eye_mm` (3,)."""
        k = (eye_mm[2] - height_mm) / (eye_mm[2] - self.height_mm)
        centre = eye_mm[:2] + k * (self.centre_mm - eye_mm[:2])
        return replace(self, centre_mm=centre, radius_mm=k * self.radius_mm, height_mm=height_mm)


class Plane:
    """Ring-frame places on the plane at `height_mm` -> pixels, for one pose and camera."""

    def __init__(self, to_pixels: Callable[[Array], Array]) -> None:
        self._to_pixels, self.height_mm = to_pixels, HUB.plane_mm

    def pixels(self, xy: Array) -> Array:
        """Pixels (..., 2) of places (..., 2) mm."""
        flat = xy.reshape(-1, 2)
        points = np.column_stack([flat, np.full(len(flat), self.height_mm)])
        return self._to_pixels(points).reshape(xy.shape)


def find_hub(photo: Photo, plane: Plane, centre_mm: Array, blur_px: float, reach_mm: float = 12.0) -> list[HubCircle]:
    """Circles of hub and bore, largest first.

    Parameters
    ----------
    plane : the plane on which the hub is looked at.
    centre_mm : (2,) where the axis is expected on it, to within `reach_mm`.

    Raises
    ------
    EdgesError : no circle that most of the turn shows.
    """
    centre = _vote(photo, plane, centre_mm, reach_mm)
    circles: list[HubCircle] = []
    waiting = _radii(photo, plane, centre)
    failed: list[float] = []
    while waiting:
        radius = waiting.pop(0)
        if any(abs(c.radius_mm - radius) < 0.3 for c in circles):
            continue  # one that is followed already
        circle = _follow(photo, plane, centre, radius, blur_px)
        if circle is None:
            failed.append(radius)
            continue
        if circle.share > HUB.full_circle_share and not any(c.share > HUB.full_circle_share for c in circles):
            # a full circle fixes the centre better than votes: follow the others from there, failed ones again
            centre, waiting = circle.centre_mm, waiting + failed
        if not any(
            abs(c.radius_mm - circle.radius_mm) < 0.6 and np.linalg.norm(c.centre_mm - circle.centre_mm) < 0.8
            for c in circles
        ):
            circles.append(circle)
    if not circles:
        raise EdgesError(
            f"{photo.name}: no circle of hub or bore is seen.",
            "Photograph the rotor from straight above, in focus, with the hub free of glare.",
        )
    return sorted(circles, key=lambda c: -c.radius_mm)


def rim_of(circles: Sequence[HubCircle]) -> HubCircle:
    """The rim of the hub's upper face: the largest circle that is seen all round, or else the largest.

    Blades hide parts of larger ones farther down, where the hub flares.
    """
    return next((c for c in circles if c.share > HUB.full_circle_share), circles[0])


def _vote(photo: Photo, plane: Plane, centre_mm: Array, reach_mm: float) -> Array:
    """Common centre (2,) of the strongest circular edges: where most lines along the gradient cross."""
    cv2 = import_cv2()
    half = HUB.radii_mm[1] + reach_mm
    image, axis = _seen_on(photo, plane, centre_mm, half)
    image = cv2.GaussianBlur(np.nan_to_num(np.sqrt(np.maximum(image, 0))), (0, 0), 0.5 / PITCH_MM)
    gx, gy = cv2.Sobel(image, cv2.CV_32F, 1, 0), cv2.Sobel(image, cv2.CV_32F, 0, 1)
    size = np.hypot(gx, gy)
    # the quantile is estimated from a quarter of the pixels; every other strong one votes, as neighbours are redundant
    rows, columns = (v[::2] for v in np.nonzero(size > np.quantile(size[::2, ::2], 0.88)))
    direction = np.stack([gx[rows, columns], gy[rows, columns]], 1) / size[rows, columns, None]
    place = np.stack([axis[columns], axis[rows]], 1).astype(np.float32)
    # every radius is equally likely, so a vote does not fade with the distance
    cell_mm = 0.5
    count = int(2 * reach_mm / cell_mm) + 1
    nearest = -(place * direction).sum(1)
    crossing = np.abs(place[:, 0] * direction[:, 1] - place[:, 1] * direction[:, 0]) < np.sqrt(2) * reach_mm
    nearest, at, along = nearest[crossing, None], place[crossing], direction[crossing]
    far = nearest + np.arange(-np.sqrt(2) * reach_mm, np.sqrt(2) * reach_mm, cell_mm, dtype=np.float32)
    x, y = ((at[:, k, None] + far * along[:, k, None] + reach_mm) / cell_mm + 0.5 for k in (0, 1))
    inside = (x >= 0) & (x < count) & (y >= 0) & (y < count)
    inside &= (np.abs(far) > HUB.radii_mm[0]) & (np.abs(far) < HUB.radii_mm[1])
    cell = y[inside].astype(np.int32) * count + x[inside].astype(np.int32)
    votes = cv2.GaussianBlur(np.bincount(cell, minlength=count**2).reshape(count, count).astype(float), (0, 0), 1.5)
    row, column = np.unravel_index(votes.argmax(), votes.shape)
    centre = np.array([column, row]) * cell_mm - reach_mm
    for width in (1.5, 0.8, 0.5):
        off = (place - centre) @ np.array([[0.0, 1.0], [-1.0, 0.0]])
        across = (off * direction).sum(1)  # distance of the gradient's line from the centre
        distance = np.hypot(off[:, 0], off[:, 1])
        w = ((np.abs(across) < width) & (distance > HUB.radii_mm[0]) & (distance < HUB.radii_mm[1])).astype(float)
        if w.sum() < 50:
            break
        n = np.stack([-direction[:, 1], direction[:, 0]], 1)
        centre = np.linalg.solve((w[:, None] * n).T @ n + 1e-9 * np.eye(2), (w * (n * place).sum(1)) @ n)
    out: Array = centre + centre_mm
    return out


def _seen_on(photo: Photo, plane: Plane, centre_mm: Array, half_mm: float) -> tuple[NDArray[np.float32], Array]:
    """The picture carried to a square of the plane (n, n) linear light, nan outside, and its x and y (n,) less centre.

    Read from a picture reduced to about the pitch, so that every pixel counts.
    """
    cv2 = import_cv2()
    every = 4
    axis = np.arange(-half_mm, half_mm + every * PITCH_MM, every * PITCH_MM)
    px = plane.pixels(np.stack(np.meshgrid(axis, axis), -1) + centre_mm)
    place = stretched(np.moveaxis(px, -1, 0), every, every)
    low = np.maximum(np.floor(px.min((0, 1))).astype(int) - 8, 0)
    high = np.minimum(np.ceil(px.max((0, 1))).astype(int) + 9, [photo.width, photo.height])
    factor = max(1, int(np.linalg.norm(px[0, -1] - px[0, 0]) / (axis[-1] - axis[0]) * PITCH_MM))
    width, height = np.maximum((high - low) // factor, 1)
    part = photo.grey[low[1] : low[1] + height * factor, low[0] : low[0] + width * factor]
    part = cv2.resize(part, (int(width), int(height)), interpolation=cv2.INTER_AREA)
    fine = axis[0] + PITCH_MM * np.arange(place.shape[1])
    corner = (low + (factor - 1) / 2).astype(np.float32)[:, None, None]
    return profiles.sample(part, (place - corner) / np.float32(factor)), fine


def _radii(photo: Photo, plane: Plane, centre: Array) -> list[float]:
    """Radii at which the whole turn agrees on a radial step, strongest first."""
    from scipy.ndimage import gaussian_filter1d

    psi = np.arange(AZIMUTHS) * 2 * np.pi / AZIMUTHS
    psi = np.append(psi, 0.0)
    every = 8
    rho = np.arange(HUB.radii_mm[0] - 2, HUB.radii_mm[1] + 2, every * 0.1)
    px = plane.pixels(centre + rho[None, :, None] * np.stack([np.cos(psi), np.sin(psi)], 1)[:, None])
    rho = rho[0] + 0.1 * np.arange(every * (len(rho) - 1))
    polar = profiles.sample(photo.grey, stretched(np.moveaxis(px, -1, 0), 1, every))
    polar = np.sqrt(np.maximum(np.nan_to_num(polar), 0))
    slope = gaussian_filter1d(polar, 3.0, axis=1, order=1)
    some = slope[::4]  # enough to estimate its spread
    noise = 1.4826 * np.median(np.abs(some - np.median(some))) + 1e-6
    found: list[tuple[float, float]] = []
    for sign in (-1, 1):
        strength = gaussian_filter1d(np.clip(sign * slope / noise, 0, 6).mean(0), 5.0)
        found += [(float(strength[i]), float(rho[i])) for i in _peaks(strength, 0.15)]
    return [r for _, r in sorted(found, reverse=True)[:10] if HUB.radii_mm[0] < r < HUB.radii_mm[1]]


def _peaks(values: Array, prominence: float) -> list[int]:
    """Places of the maxima of values (n,) that stand out by `prominence` over the higher of the lows on either side.

    A side ends where values are higher than the maximum.
    """
    rising = np.flatnonzero((values[1:-1] > values[:-2]) & (values[1:-1] >= values[2:])) + 1
    out = []
    for i in rising:
        higher = np.flatnonzero(values > values[i])
        before, after = higher[higher < i], higher[higher > i]
        left = values[before[-1] if len(before) else 0 : i].min()
        right = values[i : after[0] + 1 if len(after) else None].min()
        if values[i] - max(left, right) >= prominence:
            out.append(int(i))
    return out


def _follow(photo: Photo, plane: Plane, centre: Array, radius: float, blur_px: float) -> HubCircle | None:
    """Follow one circle, first widely on the plane, then in the picture; None when too little of the turn shows it."""
    polarity, scale = 0, max(photo.scale, 1.0)
    # as many millimetres in larger photographs; in smaller ones the fit needs as many pixels
    wide, near = round(16 * scale), round(6 * scale)
    for azimuths, reach, needed in ((AZIMUTHS // 2, wide, 0.4), (AZIMUTHS, near, HUB.needed_share)):
        psi = np.arange(azimuths) * 2 * np.pi / azimuths
        radial = np.stack([np.cos(psi), np.sin(psi)], 1)
        px, outer = plane.pixels(centre + np.array([radius, radius + 0.05])[:, None, None] * radial)
        normal = outer - px
        px_per_mm = np.linalg.norm(normal, axis=1) / 0.05
        normal = normal / np.linalg.norm(normal, axis=1, keepdims=True)
        along = int(np.clip(np.sqrt(0.16 * radius * float(np.median(px_per_mm))), 1, 5))  # sagitta under 0.02 px
        read = profiles.read_profiles(photo.grey, px, normal, (reach, reach), along)
        steps = profiles.fit_steps(read, (reach, reach), blur_px, polarity=polarity)
        if polarity == 0 and steps.found.any():
            polarity = 1 if np.median(steps.contrast[steps.found]) > 0 else -1
        good = right = steps.found & (np.sign(steps.contrast) == polarity)
        if good.sum() < needed * azimuths:
            return None
        offset = steps.offset_px / px_per_mm
        design = np.column_stack([np.ones(azimuths), radial])
        for _ in range(6):
            kept = design[good]
            fit = np.linalg.solve(kept.T @ kept + 1e-9 * np.eye(3), kept.T @ offset[good])
            error = offset - design @ fit
            spread = 1.4826 * np.median(np.abs(error[good]))
            before, good = good, right & (np.abs(error) < max(3 * spread, 0.02))
            if good.sum() < needed * azimuths:
                return None
            if (good == before).all():
                break
        radius += float(fit[0])
        centre = centre + fit[1:]
        if not HUB.radii_mm[0] < radius < HUB.radii_mm[1]:
            return None
    if spread * float(np.median(px_per_mm)) > 0.6 * scale:
        return None
    on = (px + steps.offset_px[:, None] * normal)[good]
    sigma_px = np.hypot(steps.sigma_px, 0.03)[good]
    return HubCircle(centre, radius, on, normal[good], sigma_px, float(good.mean()))
