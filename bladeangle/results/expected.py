"""State -> what a photograph not yet taken would show, with the uncertainty that measuring typically attains.

The observations lie exactly where the state predicts them: zero residuals, which contribute Fisher information only.
The plan of a shot and the advice on a further photograph rest on them, as information hardly depends on the errors.

Not covered: glare, dirt and hands in the way; edges on which nothing is found although they should be seen, beyond the
share that measuring typically loses.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from bladeangle.adjustment.adjust import Adjustment, adjust
from bladeangle.adjustment.correlated_errors import correlated_errors_in_px
from bladeangle.adjustment.equations import Equations, Rows
from bladeangle.adjustment.model import TIP_KINDS, CirclePoints, EndPoints, ObservedView, State, TipPoints
from bladeangle.adjustment.normals import SOURCES, WeightedRows
from bladeangle.adjustment.priors import Priors
from bladeangle.base.geometry import Array
from bladeangle.detection import blade_ends, edges
from bladeangle.imaging.ring import POINTS_A_SIDE, Ring, RingSighting
from bladeangle.tuning.expected import EXPECTED, TYPICAL, Typical
from bladeangle.tuning.priors import TipCondition
from bladeangle.tuning.value import changed


@dataclass(frozen=True)
class Place:
    """Where a camera stands: eye (3,) mm in the ring frame, and the pose that looks from there."""

    eye_mm: Array
    r_camera_ring: Array
    t_camera_ring: Array

    @property
    def azimuth_deg(self) -> float:
        """Azimuth of the camera from the printed arrow, counter-clockwise seen from above, 0 to 360."""
        return float(np.degrees(np.arctan2(self.eye_mm[1], self.eye_mm[0])) % 360)


def looking(eye_mm: Array, target_mm: Array) -> Place:
    """A camera at one point of the ring frame that looks at another, the picture upright."""
    forward = (target_mm - eye_mm) / np.linalg.norm(target_mm - eye_mm)
    up = np.array([0.0, 1.0, 0.0]) if abs(forward[2]) > 0.95 else np.array([0.0, 0.0, 1.0])
    right = np.cross(forward, up)
    right /= np.linalg.norm(right)
    r = np.array([right, np.cross(forward, right), forward])
    return Place(eye_mm, r, -r @ eye_mm)


def from_above(height_mm: float) -> Place:
    """A camera straight above the ring's centre."""
    return looking(np.array([0.0, 0.0, height_mm]), np.zeros(3))


def from_side(azimuth_rad: float, distance_mm: float, down_deg: float | None = None) -> Place:
    """A camera beside the rotor that looks down on the ring's middle by `down_deg` from the horizontal, or as usual."""
    a, b = azimuth_rad, np.radians(EXPECTED.down_deg if down_deg is None else down_deg)
    target = np.array([0.0, 0.0, EXPECTED.aim_mm])
    return looking(target + distance_mm * np.array([np.cos(b) * np.cos(a), np.cos(b) * np.sin(a), np.sin(b)]), target)


def distance_for(ring: Ring, f_px: float, size: tuple[int, int], margin_mm: float) -> float:
    """Distance, mm, at which the ring and a margin fill the picture's short side."""
    return (ring.outer_radius_mm + margin_mm) * 2 * f_px / min(size)


def turned_over(state: State, ring: Ring) -> State:
    """The state with its rotor set up the other way as well: on the sheet, blade 1's upper end at the arrow.

    Two circles of the hub are assumed to be seen there, at a half and at a fifth of the tip radius.
    """
    rotor = state.rotor
    other = "outlet_up" if state.setups[0] == "inlet_up" else "inlet_up"
    end = 1 if other == "outlet_up" else 0
    r = state.r_ring_rotor[0] @ np.diag([1.0, -1.0, -1.0])
    upper = r @ rotor.tip(np.array([0]), np.array([0]), rotor.ends[:1, end])[0]
    turn = np.radians(ring.index_azimuth_deg) - np.arctan2(upper[1], upper[0])
    c, s = np.cos(turn), np.sin(turn)
    r = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]]) @ r
    ends = (rotor.basis.matrix(rotor.ends.reshape(-1)) @ rotor.heights.T).reshape(-1)
    # hub faces usually stand out beyond the blades by some millimetres (common practice, no source)
    heights = np.concatenate([state.circles[:, 1], [ends.min() - 8.0, ends.max() + 8.0]])
    along = r[2, 2] * heights
    t = np.array([0.0, 0.0, -along.min()])
    top = heights[int(along.argmax())]
    return replace(
        state,
        setups=(*state.setups, other),
        r_ring_rotor=np.concatenate([state.r_ring_rotor, r[None]]),
        t_ring_rotor=np.vstack([state.t_ring_rotor, t]),
        circles=np.vstack([state.circles, [[0.5 * rotor.radius_mm, top], [0.2 * rotor.radius_mm, top]]]),
        circle_setup=(*state.circle_setup, 1, 1),
    )


def markers_seen(ring: Ring, state: State, photo: int, setup: int, size: tuple[int, int]) -> NDArray[np.bool_]:
    """Which markers (n,) a photograph of `size` would show whole: inside the picture, not behind the rotor.

    The rotor hides as the full cylinder over its blades would: a marker seen through the gap between two blades counts
    as hidden, since too little of it is seen to read it.
    """
    rotor = state.rotor
    n = len(ring.ids)
    corners = np.concatenate([ring.corners_mm.reshape(-1, 2), np.zeros((4 * n, 1)).reshape(-1, 1)], 1)
    px = state.pixels_of(corners, photo)
    seen = ((px > 3) & (px < np.array(size) - 4)).all(1)
    to_rotor, origin = state.r_ring_rotor[setup], state.t_ring_rotor[setup]
    foot = (corners - origin) @ to_rotor
    eye = state.eye_in(photo, setup)
    z = rotor.basis.matrix(rotor.ends.reshape(-1)) @ rotor.heights.T
    low, high = float(z.min()), float(z.max())
    d = foot - eye
    # the part of each line of sight that lies between the heights of the blades' ends
    t = np.sort(np.stack([(low - eye[2]) / d[:, 2], (high - eye[2]) / d[:, 2]], 1), 1).clip(0.0, 1.0)
    nearest = np.clip(-(eye[:2] * d[:, :2]).sum(1) / (d[:, :2] ** 2).sum(1), t[:, 0], t[:, 1])
    off = np.linalg.norm(eye[:2] + nearest[:, None] * d[:, :2], axis=1)
    seen &= (off > rotor.radius_mm) | (t[:, 0] >= t[:, 1])
    out: NDArray[np.bool_] = seen.reshape(n, 4).all(1)
    return out


def expected_view(
    ring: Ring,
    state: State,
    photo: int,
    setup: int,
    size: tuple[int, int],
    typical: Typical,
    *,
    circles: bool = False,
    points_a_side: int = POINTS_A_SIDE,
    step_mm: float = edges.STEP_MM,
) -> ObservedView:
    """The observations that one photograph of the state should show, exactly where the state predicts them.

    Parameters
    ----------
    size : width and height of the picture, px.
    circles : whether hub circles are looked for (in one photograph from above of each setup).
    points_a_side : on every side of a marker; fewer stand for as many as are measured, each with its share of them.
    step_mm : to which runs of tip edge are sure to begin and to end.
    """
    stretches = list(edges.predicted(state, photo, setup, size, step_mm, far_side=True))
    seen = np.flatnonzero(markers_seen(ring, state, photo, setup, size))
    return ObservedView(
        f"expected {photo + 1}", state.setups[setup], _sighting(ring, state, photo, seen, typical, points_a_side),
        _tips(state, setup, stretches, typical), _ends(state, photo, setup, size, typical),
        _circles(state, photo, setup, typical) if circles else None, state.px_per_mm(photo),
    )  # fmt: skip


def _sighting(
    ring: Ring, state: State, photo: int, seen: NDArray[np.int64], typical: Typical, points_a_side: int
) -> RingSighting:
    fraction = np.linspace(0.09, 0.91, points_a_side)
    start = ring.corners_mm[seen]
    along = np.roll(start, -1, 1) - start
    places = start[:, :, None] + fraction[:, None] * along[:, :, None]
    px = state.pixels_of(np.column_stack([places.reshape(-1, 2), np.zeros(places.size // 2)]), photo)
    corners = state.pixels_of(np.column_stack([start.reshape(-1, 2), np.zeros(4 * len(seen))]), photo).reshape(-1, 4, 2)
    tangent = np.roll(corners, -1, 1) - corners
    normal = np.stack([tangent[..., 1], -tangent[..., 0]], -1) / np.linalg.norm(tangent, axis=2, keepdims=True)
    return RingSighting(
        np.repeat(seen, 4 * points_a_side),
        np.tile(np.repeat(np.arange(4), points_a_side), len(seen)),
        np.tile(fraction, 4 * len(seen)),
        px,
        np.repeat(normal.reshape(-1, 2), points_a_side, 0),
        np.full(len(px), typical.ring_px * np.sqrt(points_a_side / POINTS_A_SIDE)),
        seen,
        corners,
        blur_px=1.0,
        contrast=1.0,
        paper=1.0,
    )


def _tips(state: State, setup: int, stretches: Sequence[edges.Stretch], typical: Typical) -> TipPoints:
    up = edges.upper_face(state.setups[setup])
    rows = []
    for s in stretches:
        middle = np.arange(s.points) * s.point_px + s.point_px // 2
        sigma = typical.overhead_px if s.far else typical.upper_px if s.face == up else typical.lower_px
        n = len(middle)
        rows.append(
            (
                np.full(n, s.blade),
                np.full(n, s.face),
                np.full(n, s.far),
                s.px[middle],
                s.normal[middle],
                np.full(n, sigma),
                np.zeros(n),
            )
        )
    if not rows:
        return TipPoints.none()
    return TipPoints(*(np.concatenate(column) for column in zip(*rows, strict=True)))


def _ends(state: State, photo: int, setup: int, size: tuple[int, int], typical: Typical) -> EndPoints:
    """The ends that are looked for, where they lie in the picture."""
    rotor = state.rotor
    rows = []
    for b, e in blade_ends.ends_in_sight(state, photo, setup):
        tau = rotor.ends[b, e] + np.array([-0.5, 0.0, 0.5]) / rotor.radius_mm
        points = rotor.tip(np.full(3, b), np.zeros(3, int), tau)
        px = state.pixels_of(points, photo, setup)
        along = px[2] - px[0]
        if ((px > 12) & (px < np.array(size) - 13)).all():
            rows.append((b, e, px[1], along / np.linalg.norm(along), typical.end_mm * float(np.linalg.norm(along))))
    if not rows:
        return EndPoints(np.zeros(0, int), np.zeros(0, int), np.zeros((0, 2)), np.zeros((0, 2)), np.zeros(0))
    return EndPoints(*(np.array(column) for column in zip(*rows, strict=True)))


def runs_of(
    state: State, photo: int, setup: int, stretches: Sequence[edges.Stretch], face: int | None
) -> Iterator[tuple[int, Array]]:
    """Blade and tau (m,) of the runs of one face's edge (None: either face)."""
    rotor = state.rotor
    for s in stretches:
        if face is None or s.face == face:
            px = s.px[:: s.point_px // 2]
            foot = state.on_cylinder(px, photo, setup, rotor.radius_mm, np.full(len(px), s.far))
            foot = foot[np.isfinite(foot).all(1)]
            if len(foot):
                yield s.blade, rotor.tau_of(foot, np.full(len(foot), s.blade))


def _circles(state: State, photo: int, setup: int, typical: Typical) -> CirclePoints:
    psi = np.arange(0, 2 * np.pi, np.radians(2.0))
    unit = np.column_stack([np.cos(psi), np.sin(psi), np.zeros(len(psi))])
    index, px, normal = [], [], []
    for k, owner in enumerate(state.circle_setup):
        if owner == setup:
            radius, height = state.circles[k]
            inner, outer = (state.pixels_of(r * unit + [0, 0, height], photo, setup) for r in (radius, radius + 0.05))
            index.append(np.full(len(psi), k))
            px.append(inner)
            normal.append((outer - inner) / np.linalg.norm(outer - inner, axis=1, keepdims=True))
    if not px:
        return CirclePoints(np.zeros(0, int), np.zeros((0, 2)), np.zeros((0, 2)), np.zeros(0))
    return CirclePoints(
        np.concatenate(index), np.concatenate(px), np.concatenate(normal), np.full(sum(map(len, px)), typical.circle_px)
    )


# --- What ideal observations are worth --------------------------------------------------------------------------------


def worth_of(
    rows: Rows, view: ObservedView, tips: TipCondition | None, correlated_sigma: tuple[float, float]
) -> tuple[Array, Array]:
    """What ideal observations of one kind bring, by their columns: information (k, k), and the right-hand side (k,) of
    moving all their edges by a pixel; correlated errors are marginalised as in the adjustment.
    """
    moved_px = np.ones(len(rows.sigma))
    errors = correlated_errors_in_px(rows.kind, view, tips, rows.sigma, correlated_sigma)
    one = WeightedRows(rows, moved_px, 1 / rows.sigma**2, errors)
    return one.normal, one.right_side(moved_px)


def ideal_adjustment(
    ring: Ring, views: tuple[ObservedView, ...], state: State, priors: Priors, correlated_sigma: tuple[float, float]
) -> Adjustment:
    """The adjustment of ideal photographs of the state, with a given size of correlated errors instead of an estimate.

    Its unknowns may differ from the state by a small step towards the prior values.
    """
    result = adjust(ring, views, state, priors, rescale=False, must_settle=False, most_iterations=1)
    information = dict(result.information)
    shifts: dict[str, Array] = {}
    for source in SOURCES.values():
        information[source] = np.zeros_like(result.covariance)
    setups = [state.setups.index(view.setup) for view in views]
    equations = Equations(ring, result.layout, views, range(len(views)), setups)
    for rows in equations.rows(result.state):
        normal, shift = worth_of(rows, views[rows.view], priors.tips, correlated_sigma)
        information[SOURCES[rows.kind]][rows.columns[:, None], rows.columns] += normal
        shifts.setdefault(rows.kind, np.zeros(result.layout.size))[rows.columns] += shift
    covariance = inverse(np.asarray(sum(information.values())))
    shifts = {k: covariance @ v for k, v in shifts.items()}
    return replace(
        result, covariance=covariance, information=information, shifts=shifts, correlated_sigma=correlated_sigma
    )


def inverse(information: Array) -> Array:
    """Covariance of an information matrix whose unknowns have very different units."""
    scale = 1 / np.sqrt(np.diag(information))
    out: Array = np.linalg.inv(information * scale[:, None] * scale) * scale[:, None] * scale
    return out


def attained(result: Adjustment, ring: Ring, size: tuple[int, int]) -> Typical:
    """What an adjustment's photographs attained for each point that they should show; typical where they show none."""
    found: dict[str, list[float]] = {}
    state = result.state
    for p in range(0, len(result.views), 1 + len(result.views) // 5):  # some five photographs are enough, and quick
        view = result.views[p]
        setup = state.setups.index(view.setup)
        circles = view.circles is not None
        rough = edges.ROUGH_STEP_MM
        expected = expected_view(ring, state, p, setup, size, TYPICAL, circles=circles, step_mm=rough)
        for name, value in attained_in(result, p, expected).items():
            found.setdefault(name, []).append(value)
    medians = {name: float(np.median(values)) for name, values in found.items()}
    if any(result.correlated_sigma):
        return changed(TYPICAL, correlated_sigmas=result.correlated_sigma, **medians)
    return changed(TYPICAL, **medians)


def attained_in(result: Adjustment, photo: int, expected: ObservedView) -> dict[str, float]:
    """Value of `Typical` -> what one photograph attained, from the information that each kind of its points brought."""
    state, view = result.state, result.views[photo]
    up = edges.upper_face(view.setup)
    rotor = state.rotor
    overhead = np.hypot(*state.eye_in(photo, state.setups.index(view.setup))[:2]) < rotor.radius_mm

    def weight(kind: str, sigma: Array) -> float:
        w = result.weight[photo].get(kind, np.zeros(0))
        return float((w / (sigma * result.scale[photo].get(kind, 1.0)) ** 2).sum()) if len(w) else 0.0

    out = {}

    def put(name: str, should: int, information: float) -> None:
        if should and information > 0:
            out[name] = float(np.sqrt(should / information))

    put("ring_px", len(expected.sighting.px), weight("ring", view.sighting.sigma_px))
    for kind, sign in TIP_KINDS.items():
        tips, should = view.tips_of(sign), expected.tips_of(sign)
        if tips is not None and should is not None:
            put(
                "overhead_px" if overhead else "upper_px" if sign == up else "lower_px",
                len(should.px),
                weight(kind, tips.sigma_px),
            )
    if view.ends is not None and expected.ends is not None and len(view.ends.px) and len(expected.ends.px):
        # px along the tip to mm, as the expected points know
        per_mm = float(np.median(expected.ends.sigma_px)) / TYPICAL.end_mm
        put("end_mm", len(expected.ends.px), weight("end", view.ends.sigma_px) * per_mm**2)
    if view.circles is not None and expected.circles is not None:
        put("circle_px", len(expected.circles.px), weight("circle", view.circles.sigma_px))
    return out
