"""Measurements simulated at edge-point level: a random rotor, and the points that ideal edge finding would give.

The truth (`simulated_truth.py`) is built with the camera and the tip curves of `tests.synthetic` and with code of
its own for the rest (splines by scipy, visibility, print, frames). Whatever `Priors` holds to be uncertain is drawn
from it, but for the tips' radii and what moves edges along their length (`simulated_noise.py`), which follow laws of
their own: where the intervals do not cover, the adjustment is wrong and not the draw.

Not covered: errors of edge finding itself (points on a wrong edge, tone curves); renders show those.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from simulated_noise import USUAL, Noise, correlated_error, offset_px
from simulated_truth import POINT_PX, Array, Bools, Truth

from bladeangle.adjustment.model import CirclePoints, EndPoints, ObservedView, TipPoints
from bladeangle.imaging.ring import RingSighting

# --- The observations ------------------------------------------------------------------------------------------------


def observe(truth: Truth, rng: np.random.Generator, noise: Noise = USUAL) -> tuple[ObservedView, ...]:
    """What ideal edge finding would give in every photograph."""
    return tuple(
        ObservedView(
            f"photo-{p}", ("inlet_up", "outlet_up")[truth.standing_of[p]], _sight(truth, p, rng, noise),
            _tips(truth, p, rng, noise), _ends(truth, p, rng, noise), _circles(truth, p, rng, noise),
        )
        for p in range(len(truth.views))
    )  # fmt: skip


def _within(truth: Truth, photo: int, px: Array) -> Bools:
    camera = truth.cameras[photo]
    out: Bools = np.all((px > 12) & (px < np.array([camera.width, camera.height]) - 13), axis=1)
    return out


def _hidden(truth: Truth, photo: int, points: Array) -> Bools:
    """Whether the rotor stands between the camera and points (n, 3) of the sheet: a cylinder as tall as the blades."""
    s = truth.standing_of[photo]
    tops = [truth.to_ring(truth.face(b, 1), s)[:, 2].max() for b in range(len(truth.blades))]
    eye = truth.views[photo].eye_mm
    hidden: Bools = np.zeros(len(points), bool)
    for height in np.linspace(0, max(tops), 15):
        place = points + (eye - points) * (height / eye[2])
        far = np.hypot(*(place - truth.t_ring_rotor[s])[:, :2].T)
        hidden[far < truth.radius_mm + 1.5] = True
    return hidden


def _sight(truth: Truth, photo: int, rng: np.random.Generator, noise: Noise) -> RingSighting:
    ring, sides = truth.ring, 12
    n = len(ring.ids)
    marker = np.repeat(np.arange(n), 4 * sides)
    side = np.tile(np.repeat(np.arange(4), sides), n)
    fraction = np.tile(np.linspace(0.09, 0.91, sides), 4 * n)
    first, second = ring.corners_mm[marker, side], ring.corners_mm[marker, (side + 1) % 4]
    outward = np.column_stack([first[:, 1] - second[:, 1], second[:, 0] - first[:, 0]])
    outward /= np.linalg.norm(outward, axis=1, keepdims=True)
    piece = ring.pieces[marker]

    def at(share: Array, out_mm: float = 0.0) -> Array:
        flat = first + share[:, None] * (second - first) + out_mm * outward
        return truth.printed(flat, piece, outward)

    points = at(fraction)
    px = truth.px(points, photo)
    along = truth.px(at(fraction + 0.02), photo) - truth.px(at(fraction - 0.02), photo)
    normal = _across(along, truth.px(at(fraction, 0.1), photo) - px)
    covered = _hidden(truth, photo, points) | ~_within(truth, photo, px)
    whole: Bools = ~np.any(covered.reshape(n, -1), axis=1)
    keep = whole[marker] & (np.arange(len(marker)) % noise.ring_every == 0)
    px = px + (truth.bias_px["ring"] + rng.normal(0, noise.ring_px, len(px)))[:, None] * normal
    seen = np.flatnonzero(whole)
    corners = ring.corners_mm[seen]
    shape = corners.shape[:2]
    corner = truth.printed(corners.reshape(-1, 2), np.repeat(ring.pieces[seen], 4), np.zeros((shape[0] * 4, 2)))
    corner_px = truth.px(corner, photo).reshape(*shape, 2)
    sigma = np.full(int(keep.sum()), noise.ring_px)
    points_seen = (marker[keep], side[keep], fraction[keep], px[keep], normal[keep])
    return RingSighting(*points_seen, sigma, seen, corner_px, blur_px=0.8, contrast=0.5, paper=0.7)


def _across(along: Array, towards: Array) -> Array:
    """Unit vectors (n, 2) square to `along`, on the side of `towards`."""
    normal = np.column_stack([-along[:, 1], along[:, 0]])
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    out: Array = normal * np.sign((normal * towards).sum(1))[:, None]
    return out


def _overhead(truth: Truth, photo: int) -> bool:
    return bool(np.hypot(*truth.eye(photo)[:2]) < truth.radius_mm)


def _uncovered(truth: Truth, blade: int, standing: int, margin_mm: float = 3.0) -> Bools:
    """Where no other blade stands over or under this one, as seen from above, with a margin beside their ends."""
    me = truth.blades[blade]
    up = 1 if standing == 0 else -1
    free: Bools = np.ones(len(me.tau), bool)
    margin = margin_mm / truth.radius_mm
    for b, other in enumerate(truth.blades):
        for lap in (-1, 0, 1):
            if b == blade and lap == 0:
                continue
            tau = me.tau + truth.turn * (me.lead_rad - other.lead_rad) + 2 * np.pi * lap
            there = (tau > -margin) & (tau < other.tau[-1] + margin)
            free[there & (up * (np.interp(tau, other.tau, other.height_mm) - me.height_mm) > 0)] = False
    return free


def _visible(truth: Truth, photo: int) -> Iterator[tuple[int, int, Bools]]:
    """Blade, face and where (n,) its tip edge is seen and far enough from the blade's ends."""
    eye, standing = truth.eye(photo), truth.standing_of[photo]
    for b, blade in enumerate(truth.blades):
        arc = blade.arc_mm
        inner = (arc > 4) & (arc < arc[-1] - 4)
        if _overhead(truth, photo):
            yield b, 1 if standing == 0 else -1, inner & _uncovered(truth, b, standing)
            continue
        middle = truth.face(b, 0)
        to_eye = eye - middle
        cosine = (middle[:, :2] * to_eye[:, :2]).sum(1) / truth.radius_mm / np.linalg.norm(to_eye, axis=1)
        for face in (1, -1):
            yield b, face, inner & (cosine > 0.3)


def _tips(truth: Truth, photo: int, rng: np.random.Generator, noise: Noise) -> TipPoints:
    standing = truth.standing_of[photo]
    far, rise = _overhead(truth, photo), np.array([0, 0, 0.05])
    parts: list[Part] = []
    for b, face, seen in _visible(truth, photo):
        points = truth.face(b, face)
        if not far:
            arc, *grooves = truth.grooves_mm
            points[:, 2] += np.interp(truth.blades[b].arc_mm, arc, grooves[0 if face > 0 else 1])
        px = truth.px(truth.to_ring(points, standing), photo)
        normal = _across(np.gradient(px, axis=0), truth.px(truth.to_ring(points + rise, standing), photo) - px)
        seen = seen & _within(truth, photo, px)
        edges = np.flatnonzero(np.diff(np.concatenate([[0], seen.astype(int), [0]])))
        for begin, end in zip(edges[::2], edges[1::2], strict=True):
            run = slice(begin, end)
            along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(px[run], axis=0), axis=1))])
            number = int(along[-1] // POINT_PX)
            if number < 2:
                continue
            at = (np.arange(number) + 0.5) * POINT_PX
            on, across = (np.column_stack([np.interp(at, along, a[run, k]) for k in (0, 1)]) for a in (px, normal))
            across /= np.linalg.norm(across, axis=1, keepdims=True)
            error = truth.bias_px["inlet" if face > 0 else "outlet"] + noise.tip_px * _errors(rng, number, noise)
            parts.append((b, face, on + error[:, None] * across, across))
    if not parts:
        return TipPoints.none()
    parts = _with_correlated_errors(parts, rng, noise.correlated_sigma[far] * noise.tip_px, noise)
    sizes = [len(p[2]) for p in parts]
    return TipPoints(
        np.repeat([p[0] for p in parts], sizes), np.repeat([p[1] for p in parts], sizes), np.full(sum(sizes), far),
        np.concatenate([p[2] for p in parts]), np.concatenate([p[3] for p in parts]), np.full(sum(sizes), noise.tip_px),
        np.zeros(sum(sizes)),
    )  # fmt: skip


Part = tuple[int, int, Array, Array]


def _with_correlated_errors(parts: list[Part], rng: np.random.Generator, sigma_px: float, noise: Noise) -> list[Part]:
    """Runs (blade, face, px, normal) with every edge off by an error along its length, and off as a whole."""
    out = list(parts)
    for key in sorted({(b, face) for b, face, _, _ in parts}):
        mine = [i for i, part in enumerate(parts) if part[:2] == key]
        px, normal = (np.concatenate([parts[i][k] for i in mine]) for k in (2, 3))
        along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(px, axis=0), axis=1))])
        off = sigma_px * correlated_error(rng, along, noise) + offset_px(rng, noise)
        moved = np.split(px + off[:, None] * normal, np.cumsum([len(parts[i][2]) for i in mine])[:-1])
        for i, place in zip(mine, moved, strict=True):
            out[i] = (*key, place, parts[i][3])
    return out


def _errors(rng: np.random.Generator, n: int, noise: Noise) -> Array:
    """Errors (n,) along a run in standard deviations: correlated with their neighbours, and runs of outliers."""
    error = rng.standard_normal(n)
    for i in range(1, n):
        error[i] = noise.correlated * error[i - 1] + math.sqrt(1 - noise.correlated**2) * error[i]
    for begin in range(0, n, 10):
        if rng.uniform() < noise.outliers:
            error[begin : begin + 10] += rng.choice([-1, 1]) * noise.outlier_px / noise.tip_px
    return error


def _ends(truth: Truth, photo: int, rng: np.random.Generator, noise: Noise) -> EndPoints:
    standing, eye = truth.standing_of[photo], truth.eye(photo)
    rows: list[tuple[int, int, Array, Array, float]] = []
    for b, blade in enumerate(truth.blades):
        middle = truth.face(b, 0)
        for end in (0, 1):
            near = slice(0, 120) if end == 0 else slice(-120, None)
            at = middle[0 if end == 0 else -1]
            if _overhead(truth, photo):
                seen = bool(_uncovered(truth, b, standing)[near].all())
            else:
                flat = eye[:2] - at[:2]
                seen = bool(flat @ at[:2] / np.linalg.norm(flat) / truth.radius_mm > 0.5)
            px = truth.px(truth.to_ring(middle[near], standing), photo)
            if end:
                px = px[::-1]
            if not seen or not _within(truth, photo, px).all():
                continue
            # derivatives along tau: from the leading end into the blade, from the trailing end out of it
            along = (px[20] - px[0]) * (1 if end == 0 else -1)
            px_per_mm = float(np.linalg.norm(along)) / (20 * (blade.tau[1] - blade.tau[0]) * truth.radius_mm)
            direction = along / np.linalg.norm(along)
            sigma = noise.end_mm * px_per_mm
            rows.append((b, end, px[0] + rng.normal(0, sigma) * direction, direction, sigma))
    blade_of, which, place, normal, sigmas = zip(*rows, strict=True) if rows else ((), (), (), (), ())
    return EndPoints(
        np.array(blade_of, int), np.array(which, int), np.reshape(place, (-1, 2)), np.reshape(normal, (-1, 2)),
        np.array(sigmas),
    )  # fmt: skip


def _circles(truth: Truth, photo: int, rng: np.random.Generator, noise: Noise) -> CirclePoints | None:
    if photo > 1:  # looked for in the overhead photographs only
        return None
    standing = truth.standing_of[photo]
    psi = np.linspace(0, 2 * np.pi, 180, endpoint=False)
    index, place, across = [], [], []
    for k, (radius, height) in enumerate(truth.circles[standing]):

        def ring(r: float, turn: float = 0.0, z: float = height) -> Array:
            points = np.column_stack([r * np.cos(psi + turn), r * np.sin(psi + turn), np.full(len(psi), z)])
            return truth.px(truth.to_ring(points, standing), photo)

        px = ring(radius)
        wave = np.column_stack([np.cos(psi), np.sin(psi), np.cos(2 * psi), np.sin(2 * psi)])
        sway = noise.circle_error_px * wave @ rng.standard_normal(4)
        normal = _across(ring(radius, 0.01) - ring(radius, -0.01), ring(radius + 0.05) - px)
        index.append(np.full(len(psi), 2 * standing + k))
        place.append(px + (sway + rng.normal(0, noise.circle_px, len(psi)))[:, None] * normal)
        across.append(normal)
    many = np.concatenate(index)
    return CirclePoints(many, np.concatenate(place), np.concatenate(across), np.full(len(many), noise.circle_px))
