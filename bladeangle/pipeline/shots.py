"""Photographs read and sighted -> states to start from, and what is observed in them at a state."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, fields
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from bladeangle.adjustment.adjust import Adjustment
from bladeangle.adjustment.model import TIP_KINDS, CirclePoints, Ints, ObservedView, RingState, State, TipPoints
from bladeangle.adjustment.rotor import FACES
from bladeangle.base.geometry import Array
from bladeangle.detection import blade_ends, edges, hub, start
from bladeangle.imaging.photo import Photo
from bladeangle.imaging.pose import Pose
from bladeangle.imaging.ring import Ring, RingSighting
from bladeangle.records.edits import PhotoEdits, apply_to_points
from bladeangle.tuning.register import SHOTS


@dataclass(frozen=True)
class Shot:
    """One photograph with the ring sighted in it; setup : "inlet_up" or "outlet_up"; circles : of the hub, if found."""

    path: Path
    name: str
    setup: str
    photo: Photo
    sighting: RingSighting
    pose: Pose
    overhead: bool
    circles: tuple[hub.HubCircle, ...] = ()
    edits: PhotoEdits = field(default_factory=lambda: PhotoEdits(""))


@dataclass(frozen=True, kw_only=True)
class OutlinedShot(Shot):
    """An overhead photograph with the outline of its blade tips.

    teeth : the blades in the order of their numbers; turn : +1 where they fall counter-clockwise seen from above.
    tips : sub-pixel points on their edges.
    """

    teeth: tuple[start.Tooth, ...]
    turn: int
    tips: TipPoints

    @property
    def ended(self) -> bool:
        """Whether the outline shows the lower ends of all blades."""
        return all(tooth.whole for tooth in self.teeth)

    @property
    def axis_mm(self) -> Array:
        """Where the axis is, as the hub's rim has it."""
        return hub.rim_of(self.circles).centre_mm


def state_of(shots: Sequence[Shot], camera: Array, ring: Ring) -> RingState:
    """The shots as the ring alone places them."""
    n = len(shots)
    return RingState(
        camera.copy(),
        np.array([s.pose.r_camera_ring for s in shots]),
        np.array([s.pose.t_camera_ring_mm for s in shots]),
        np.zeros(n),
        np.zeros((n, 2)),
        np.zeros(5),
        np.zeros((len(np.unique(ring.pieces)) - 1, 3)),
    )


def begun_state(shots: Sequence[Shot], camera: Array, ring: Ring, begun: start.Start) -> State:
    """The shots as the ring alone places them, with the rotor as it is `begun`."""
    placed = state_of(shots, camera, ring)
    return State(**vars(placed), **vars(begun))


def with_rotor_of(placed: RingState, source: State) -> State:
    """Photographs as one state places them, with the rotor, its setups and hub circles of another."""
    of_ring = {f.name: getattr(placed, f.name) for f in fields(RingState)}
    return State(
        **of_ring, setups=source.setups, r_ring_rotor=source.r_ring_rotor, t_ring_rotor=source.t_ring_rotor,
        rotor=source.rotor, circles=source.circles, circle_setup=source.circle_setup,
    )  # fmt: skip


def observed(
    shots: Sequence[Shot], state: State, search_px: int, end_mm: float, *, known: bool = False, last: bool = False
) -> tuple[ObservedView, ...]:
    """Observations in all shots, with edges looked for where the state predicts them.

    On the way to the `last` adjustment a part of the many points of the ring and of hub circles is enough, and edges of
    the far side are left out in photographs from the side: a wrong start has them at wrong places.
    """
    circles = _circle_points(shots, 1 if last else SHOTS.circle_every)
    views = []
    for i, shot in enumerate(shots):
        setup = state.setups.index(shot.setup)
        blur = shot.sighting.blur_px
        if known and isinstance(shot, OutlinedShot):
            tips = shot.tips
        else:
            tips = edges.measure_tips(shot.photo, state, i, setup, blur, search_px, far_side=last)
        tips = _edited(shot, tips, state, i, setup)
        ends = blade_ends.measure_ends(shot.photo, state, i, setup, blur, end_mm)
        sighting = shot.sighting if last else shot.sighting.thinned(SHOTS.ring_every)
        views.append(ObservedView(shot.name, shot.setup, sighting, tips, ends, circles[i], state.px_per_mm(i)))
    return tuple(views)


def _circle_points(shots: Sequence[Shot], every: int) -> list[CirclePoints | None]:
    """Hub circles of each shot as observations, one of so many points, numbered over all shots."""
    out: list[CirclePoints | None] = []
    number = 0
    for shot in shots:
        if not shot.circles:
            out.append(None)
            continue
        index = np.concatenate([np.full(len(c.px), number + k) for k, c in enumerate(shot.circles)])
        number += len(shot.circles)
        px = np.concatenate([c.px for c in shot.circles])
        normal = np.concatenate([c.normal for c in shot.circles])
        sigma = np.concatenate([c.sigma_px for c in shot.circles])
        keep = apply_to_points(shot.edits, px, None, None)
        keep[np.arange(len(keep)) % every > 0] = False
        # what a person put on the hub belongs to the circle that it lies nearest to
        added = [a for a in shot.edits.added if a.kind == "hub"]
        put = np.concatenate([np.zeros((0, 2)), *(a.px for a in added)])
        near = [int(np.hypot(*(px - p).T).argmin()) for p in put]
        put_sigma = np.repeat([a.sigma_px for a in added], [len(a.px) for a in added])
        parts = (index[keep], index[near]), (px[keep], put), (normal[keep], normal[near]), (sigma[keep], put_sigma)
        out.append(CirclePoints(*(np.concatenate(pair) for pair in parts)))
    return out


def _edited(shot: Shot, tips: TipPoints, state: State, index: int, setup: int) -> TipPoints:
    """Tip points with what a person struck out left out, and what they added beside them."""
    if not (shot.edits.struck or shot.edits.added):
        return tips
    keep = np.ones(len(tips.px), bool)
    for b in np.unique(tips.blade):
        for face, sign in FACES.items():
            mine = (tips.blade == b) & (tips.face == sign)
            keep[mine] = apply_to_points(shot.edits, tips.px[mine], int(b) + 1, face)
    tips = tips.only(keep)
    rotor = state.rotor
    added = [a for a in shot.edits.added if a.kind == "tip" and a.blade is not None and a.face is not None]
    points = [(a, p) for a in added if 1 <= (a.blade or 0) <= rotor.blades for p in a.px]
    if not points:
        return tips
    px = np.array([p for _, p in points])
    far = _on_far_side(state, index, setup, px, np.array([(a.blade or 1) - 1 for a, _ in points]))
    foot = state.on_cylinder(px, index, setup, rotor.radius_mm, far)
    raised = state.pixels_of(foot + np.array([0.0, 0.0, 0.05]), index, setup) - px
    good = np.isfinite(raised).all(1)
    normal = np.nan_to_num(raised) / np.maximum(np.linalg.norm(np.nan_to_num(raised), axis=1, keepdims=True), 1e-9)
    own = TipPoints(
        np.array([(a.blade or 1) - 1 for a, _ in points]),
        np.array([FACES[a.face] for a, _ in points if a.face]),
        far,
        px,
        normal,
        np.array([a.sigma_px for a, _ in points], float),
        np.zeros(len(px)),
    ).only(good)
    parts = [(getattr(tips, f.name), getattr(own, f.name)) for f in fields(TipPoints)]
    return TipPoints(*(np.concatenate(pair) for pair in parts))


def _on_far_side(state: State, index: int, setup: int, px: Array, blade: Ints) -> NDArray[np.bool_]:
    """Which of the places (n, 2) that a person put on the tips of blades (n,) are seen from inside the tip cylinder.

    From overhead all; in a photograph from the side those whose ray passes the blade's tip nearer on the far side.
    """
    if state.inside(index, setup):
        return np.ones(len(px), bool)
    off = []
    for far in (False, True):
        foot = state.on_cylinder(px, index, setup, state.rotor.radius_mm, np.full(len(px), far))
        met = np.isfinite(foot[:, 0])
        tau = state.rotor.tau_of(np.where(met[:, None], foot, 1.0), blade)
        on = np.clip(tau, *state.rotor.ends[blade].T)
        height = state.rotor.basis.values(on, state.rotor.heights, blade)
        beside_mm = state.rotor.radius_mm * np.abs(tau - on)
        off.append(np.where(met, np.hypot(foot[:, 2] - height, beside_mm), np.inf))
    out: NDArray[np.bool_] = off[1] < off[0]
    return out


def predicted(
    state: State, photo: int, shot: Shot, step_mm: float = edges.STEP_MM, *, far_side: bool = False
) -> Iterator[edges.Stretch]:
    """Runs of tip edges that the photograph should show, a place every `step_mm`; see `edges.predicted`."""
    setup = state.setups.index(shot.setup)
    return edges.predicted(state, photo, setup, (shot.photo.width, shot.photo.height), step_mm, far_side=far_side)


def upper_edges(result: Adjustment, photo: int, shot: Shot) -> tuple[int, int]:
    """How many points are found on the blades' upper edges, and how many there should be.

    The lower edges are no sign of a right place: of thin blades they are not told from the upper ones, and they may lie
    in the dark.
    """
    up = edges.upper_face(shot.setup)
    kind = next(kind for kind, face in TIP_KINDS.items() if face == up)
    tips, off_px = result.views[photo].tips_of(up), result.residual_px[photo].get(kind)
    # the far side of a photograph from the side is not looked for everywhere
    inside = result.state.inside(photo, result.state.setups.index(shot.setup))
    found = 0 if tips is None or off_px is None else int((np.isfinite(off_px) & (tips.far == inside)).sum())
    return found, sum(s.points for s in predicted(result.state, photo, shot) if s.face == up)
