"""From photographs to a measured rotor: the only place that knows the order of the rooms."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, fields, replace
from pathlib import Path

import numpy as np

from bladeangle import edges, hub, oblique, outline, start
from bladeangle.adjust import Adjustment, adjust
from bladeangle.advice import next_photograph
from bladeangle.camera import Camera, camera_from_exif
from bladeangle.doubts import doubts
from bladeangle.edits import Edits, PhotoEdits, apply_to_points
from bladeangle.errors import AdjustmentError, EdgesError, UsageError
from bladeangle.flags import Flag
from bladeangle.geometry import Array
from bladeangle.model import TIP_KINDS, CirclePoints, State, TipPoints, View
from bladeangle.photo import Photo, read_photo
from bladeangle.pose import Pose, start_pose
from bladeangle.priors import Priors, unconfirmed
from bladeangle.quality import judge, tied_to
from bladeangle.ring import Ring, RingSighting, sight_ring
from bladeangle.rotor import FACES
from bladeangle.stations import StationOptions, Stations, measure_stations

#: A camera whose foot on the sheet is nearer to the ring's centre than this, mm, looks from overhead.
OVERHEAD_MM = 55.0
#: Smallest tip diameter that is believed.
LEAST_DIAMETER_MM = 60.0
#: Heights searched for the tips on the guessed cylinder, mm; wide, since a wrong radius shifts heights.
HEIGHTS_MM = (-60.0, 105.0)
#: Tip radius of the rotor that a ring is made for, as a share of the ring's inner radius, and how far it may be off,
#: mm.
RADIUS_OF_RING = 0.735
RADIUS_SIGMA_MM = 5.0
#: Margin kept from the ring's inner radius, mm.
RING_MARGIN_MM = 1.5
#: Tip edges of oblique photographs that lie no farther off than this, px, are the right ones, else other thicknesses
#: are tried; if then they still lie farther off than this, other radii; thinner blades than this, mm, are not believed.
GOOD_PX = 0.4
FITTING_PX = 0.9
THINNEST_MM = 0.3
#: Farther off than this, px, the oblique photographs are refused; steps of the wraps that are tried, rad.
REFUSED_PX = 1.0
WRAP_STEP_RAD = 0.2
#: Half the range, mm, in which a radius is looked for again.
NARROW_MM = 1.5
#: On the way, one of so many points on the markers' sides is used.
RING_EVERY = 4
#: How clear the radius seen by oblique photographs must be, robust standard deviations.
CLEAR_RADIUS = 5.0


@dataclass(frozen=True)
class Options:
    """What a measurement can be told; stored whole in the record. Lengths mm."""

    diameter_mm: float | None = None
    diameter_sigma_mm: float = 0.05
    check_bar_mm: float | None = None
    station_length_mm: float = 32.0
    station_skip_mm: float = 2.0


@dataclass
class Shot:
    """One photograph on its way through the measurement."""

    path: Path
    name: str
    standing: str
    photo: Photo
    sighting: RingSighting
    pose: Pose
    overhead: bool
    circles: list[hub.HubCircle] = field(default_factory=list)
    teeth: list[start.Tooth] = field(default_factory=list)
    turn: int = 0
    tips: TipPoints | None = None
    edits: PhotoEdits = field(default_factory=lambda: PhotoEdits(""))

    @property
    def axis_mm(self) -> Array:
        """Where the axis crosses the hub's plane, as the largest circle has it."""
        return self.circles[0].centre_mm


@dataclass(frozen=True)
class Measurement:
    """All that one measurement found; `assemble.py` turns it into the record."""

    shots: tuple[Shot, ...]
    ring: Ring
    camera: Camera
    options: Options
    result: Adjustment
    stations: Stations
    flags: tuple[Flag, ...]
    suggestion: str | None = None
    edits: Edits | None = None


def nothing(message: str) -> None:
    """Progress that is not shown."""


def measure(
    standing_photos: Sequence[Path],
    turned_photos: Sequence[Path],
    ring: Ring,
    camera: Camera | None,
    options: Options = Options(),
    progress: Callable[[str], None] = nothing,
    edits: Edits | None = None,
) -> Measurement:
    """Measure one rotor.

    Parameters
    ----------
    standing_photos : photographs with the inlet end up; turned_photos : with the outlet end up.
    edits : what a person has struck out or added, by photograph.
    camera : None takes the focal length from the photographs' own data, with its wide uncertainty.

    Raises
    ------
    PhotoError, RingNotFoundError, EdgesError, AdjustmentError, UsageError : see `errors`.
    """
    named = [(p, "inlet_up") for p in standing_photos] + [(p, "outlet_up") for p in turned_photos]
    if not named:
        raise UsageError("No photographs were named.", "Name at least one photograph taken from straight above.")
    if options.diameter_mm is not None and not LEAST_DIAMETER_MM < options.diameter_mm < 2 * ring.inner_radius_mm:
        raise UsageError(
            f"A tip diameter of {options.diameter_mm:g} mm does not fit inside this ring.",
            f"Give the diameter over the tips in mm, from {LEAST_DIAMETER_MM:g} to {2 * ring.inner_radius_mm:.0f}.",
        )
    flags: list[Flag] = []
    shots: list[Shot] = []
    for path, standing in named:
        progress(f"reading {path.name}")
        photo = read_photo(path)
        for other in shots:
            if other.photo.sha256 == photo.sha256:
                raise UsageError(
                    f"{photo.name} and {other.name} are the same photograph.",
                    "Name every photograph once, each a shot of its own.",
                )
        camera = camera_for(photo, camera, flags)
        sighting = sight_ring(photo, ring)
        pose = start_pose(sighting, ring, camera.parameters, photo.name)
        flags += judge(photo, sighting, ring, camera, pose)
        eye = pose.eye_mm
        overhead = bool(np.hypot(eye[0], eye[1]) < OVERHEAD_MM)
        shots.append(Shot(path, photo.name, standing, photo, sighting, pose, overhead))
        if edits is not None:
            shots[-1].edits = edits.for_photo(photo.sha256)
            if shots[-1].edits.struck or shots[-1].edits.added:
                flags.append(Flag("edited-by-hand", "Edges were struck out or added by hand.", photo.name))
    assert camera is not None
    standings = tuple(s for s in ("inlet_up", "outlet_up") if any(x.standing == s and x.overhead for x in shots))
    for shot in shots:
        if shot.standing not in standings:
            raise EdgesError(
                f"{shot.name}: no photograph of this standing position is taken from straight above.",
                "Add one from above; the oblique ones are matched to it.",
            )
    priors = _priors(camera, options, ring)
    loose = [s.name for s in shots if not tied_to(s.photo, camera)]
    if loose:
        priors = unconfirmed(priors)
    first = [
        min((s for s in shots if s.standing == standing and s.overhead), key=lambda s: s.pose.obliquity_deg)
        for standing in standings
    ]
    for shot in first:
        progress(f"looking for hub and blade tips in {shot.name}")
        _find_outline(shot, ring, camera, priors, flags)
    result = _refine(shots, first, ring, camera, priors, progress)
    station_options = StationOptions(options.station_length_mm, options.station_skip_mm)
    stations = measure_stations(result, station_options)
    flags += doubts(result, stations, ring, options.diameter_mm is not None, options.check_bar_mm is not None, loose)
    size = (shots[0].photo.width, shots[0].photo.height)
    suggestion = next_photograph(result, stations, ring, size, station_options, priors)
    return Measurement(tuple(shots), ring, camera, options, result, stations, tuple(flags), suggestion, edits)


def camera_for(photo: Photo, camera: Camera | None, flags: list[Flag]) -> Camera:
    """The camera of a photograph: the calibrated one, or one assumed from EXIF."""
    if camera is None:
        text = "The camera was not calibrated; its focal length comes from the photograph's own data."
        flags.append(Flag("uncalibrated-camera", text))
        return camera_from_exif(photo.width, photo.height, photo.exif.focal_35mm)
    return camera


def _priors(camera: Camera, options: Options, ring: Ring) -> Priors:
    """What is known beforehand; a ring is printed for a size of rotor, which tells the tip radius to millimetres."""
    guess = RADIUS_OF_RING * ring.inner_radius_mm
    priors = Priors(camera.parameters, camera.covariance, radius_mm=guess, radius_sigma_mm=RADIUS_SIGMA_MM)
    if options.diameter_mm is not None:
        priors = replace(priors, radius_mm=options.diameter_mm / 2, radius_sigma_mm=options.diameter_sigma_mm / 2)
    return priors


def _state(shots: Sequence[Shot], camera: Array, ring: Ring, begun: start.Start | None = None) -> State:
    n = len(shots)
    return State(
        camera.copy(),
        np.array([s.pose.r_camera_ring for s in shots]),
        np.array([s.pose.t_camera_ring_mm for s in shots]),
        np.zeros(n),
        np.zeros((n, 2)),
        np.zeros(5),
        np.zeros((len(np.unique(ring.pieces)) - 1, 3)),
        () if begun is None else begun.standings,
        np.zeros((0, 3, 3)) if begun is None else begun.r_ring_rotor,
        np.zeros((0, 3)) if begun is None else begun.t_ring_rotor,
        None if begun is None else begun.rotor,
    )


def _begin(
    first: Sequence[Shot], ring: Ring, camera: Camera, priors: Priors, wrap_rad: float | None = None
) -> State:
    """First rotor from the outlines of one overhead photograph of each standing position, on the priors' tip radius."""
    teeth, axis = {}, {}
    for shot in first:
        teeth[shot.standing], axis[shot.standing] = _teeth(shot, ring, camera, priors), shot.axis_mm
    if len({s.turn for s in first}) > 1:
        raise EdgesError(
            "The photographs of the two standing positions show opposite hands.",
            "Make sure that both show the same rotor.",
        )
    away_mm = float(np.mean([s.pose.eye_mm[2] for s in first]))
    begun = start.first_rotor(
        teeth,
        first[0].turn,
        axis,
        priors.radius_mm,
        priors.thickness_mm,
        priors.rounding_mm,
        priors.radius_sigma_mm / priors.radius_mm * away_mm,
        wrap_rad,
    )
    state = _state(first, camera.parameters, ring, begun)
    rise = begun.t_ring_rotor[:, 2]
    circles, owner = [], []
    for k, shot in enumerate(first):
        for circle in shot.circles:
            height = hub.PLANE_MM if shot.standing == "inlet_up" else rise[k] - hub.PLANE_MM
            circles.append((circle.radius_mm, height))
            owner.append(k)
    state.circles, state.circle_standing = np.array(circles), tuple(owner)
    return state


def _find_outline(shot: Shot, ring: Ring, camera: Camera, priors: Priors, flags: list[Flag]) -> None:
    """Hub circles, blades in the order of their numbers and sub-pixel tip points of one overhead photograph."""
    alone = _state([shot], camera.parameters, ring)
    eye = shot.pose.eye_mm

    def to_pixels(points: Array) -> Array:
        return alone.pixels_of(points, 0)

    def beyond_mm(points: Array) -> Array:
        foot = eye[:2] + (points[:, :2] - eye[:2]) * (eye[2] / (eye[2] - points[:, 2]))[:, None]
        out: Array = np.hypot(foot[:, 0], foot[:, 1]) - (ring.inner_radius_mm - RING_MARGIN_MM)
        return out

    shot.circles = hub.find_hub(shot.photo, hub.Plane(to_pixels), np.zeros(2), shot.sighting.blur_px)
    found = outline.find_outline(shot.photo, to_pixels, priors.radius_mm, shot.axis_mm, HEIGHTS_MM, beyond_mm)
    shot.teeth, off_deg = start.teeth_of(found, shot.standing, ring.index_azimuth_deg)
    shot.turn = found.turn
    if off_deg > 0.3 * 360 / len(shot.teeth):
        text = f"The nearest blade is {off_deg:.0f} deg from the arrow."
        flags.append(Flag("blade-1-far-from-arrow", text, shot.name))
    state = _begin_alone(shot, ring, camera, priors)
    shot.tips = edges.measure_tips(shot.photo, state, 0, 0, shot.sighting.blur_px, 8)


def _begin_alone(shot: Shot, ring: Ring, camera: Camera, priors: Priors) -> State:
    """The state of one overhead photograph, with the rotor as its outline alone shows it."""
    begun = start.first_rotor(
        {shot.standing: shot.teeth},
        shot.turn,
        {shot.standing: shot.axis_mm},
        priors.radius_mm,
        priors.thickness_mm,
        priors.rounding_mm,
    )
    return _state([shot], camera.parameters, ring, begun)


def _teeth(shot: Shot, ring: Ring, camera: Camera, priors: Priors) -> list[start.Tooth]:
    """The blades of an overhead photograph with heights from its sub-pixel points on the priors' tip radius."""
    assert shot.tips is not None
    state = _begin_alone(shot, ring, camera, priors)
    foot = state.on_cylinder(shot.tips.px, 0, 0, priors.radius_mm, shot.tips.far)
    foot = foot @ state.r_ring_rotor[0].T + [0.0, 0.0, state.t_ring_rotor[0, 2]]
    azimuth = np.arctan2(foot[:, 1], foot[:, 0])
    return start.refined_teeth(shot.teeth, shot.turn, shot.tips.blade, azimuth, foot[:, 2])


def _circle_points(shots: Sequence[Shot]) -> list[CirclePoints | None]:
    """Hub circles of each shot as observations, numbered over all shots."""
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
        out.append(CirclePoints(index[keep], px[keep], normal[keep], sigma[keep]))
    return out


def _views(
    shots: Sequence[Shot], state: State, search_px: int, end_mm: float, *, known: bool = False, last: bool = False
) -> tuple[View, ...]:
    """Observations in all shots, with edges looked for where the state predicts them.

    On the way to the `last` adjustment a part of the ring's many points is enough.
    """
    circles = _circle_points(shots)
    views = []
    for i, shot in enumerate(shots):
        standing = state.standings.index(shot.standing)
        blur = shot.sighting.blur_px
        tips = shot.tips if known else None
        if tips is None:
            tips = edges.measure_tips(shot.photo, state, i, standing, blur, search_px)
        tips = _edited(shot, tips, state, i, standing)
        ends = edges.measure_ends(shot.photo, state, i, standing, blur, end_mm)
        sighting = shot.sighting if last else shot.sighting.thinned(RING_EVERY)
        views.append(View(shot.name, shot.standing, sighting, tips, ends, circles[i]))
    return tuple(views)


def _edited(shot: Shot, tips: TipPoints, state: State, index: int, standing: int) -> TipPoints:
    """Tip points with what a person struck out left out, and what they added beside them."""
    keep = np.ones(len(tips.px), bool)
    for b in np.unique(tips.blade):
        for face, sign in FACES.items():
            mine = (tips.blade == b) & (tips.face == sign)
            keep[mine] = apply_to_points(shot.edits, tips.px[mine], int(b) + 1, face)
    tips = tips.only(keep)
    rotor = state.rotor
    assert rotor is not None
    added = [a for a in shot.edits.added if a.kind == "tip" and a.blade is not None and a.face is not None]
    added = [a for a in added if 1 <= (a.blade or 0) <= rotor.blades]
    if not added:
        return tips
    px = np.array([a.px for a in added], float)
    far = np.full(len(added), state.inside(index, standing))
    foot = state.on_cylinder(px, index, standing, rotor.radius_mm, far)
    raised = state.pixels_of(foot + np.array([0.0, 0.0, 0.05]), index, standing) - px
    good = np.isfinite(raised).all(1)
    normal = np.nan_to_num(raised) / np.maximum(np.linalg.norm(np.nan_to_num(raised), axis=1, keepdims=True), 1e-9)
    own = TipPoints(
        np.array([(a.blade or 1) - 1 for a in added]),
        np.array([FACES[str(a.face)] for a in added]),
        far,
        px,
        normal,
        np.array([a.sigma_px for a in added], float),
        np.zeros(len(added)),
    ).only(good)
    parts = [(getattr(tips, f.name), getattr(own, f.name)) for f in fields(TipPoints)]
    return TipPoints(*(np.concatenate(pair) for pair in parts))


def _overhead(
    first: Sequence[Shot], ring: Ring, camera: Camera, priors: Priors, wrap_rad: float | None = None
) -> Adjustment:
    """First adjustment, of one overhead photograph of each standing position."""
    state = _begin(first, ring, camera, priors, wrap_rad)
    views = _views(first, state, 0, 5.0, known=True)
    state = adjust(ring, views, state, priors, most_iterations=40, must_settle=False).state
    views = _views(first, state, 3, 3.0)
    return adjust(ring, views, state, priors, most_iterations=40, must_settle=False)


def _refine(
    shots: list[Shot], first: list[Shot], ring: Ring, camera: Camera, priors: Priors, progress: Callable[[str], None]
) -> Adjustment:
    """Adjust, look again where the rotor is now known to be, bring in the other photographs, and adjust again."""
    progress("adjusting the overhead photographs")
    result = _overhead(first, ring, camera, priors)
    others = [s for s in shots if not any(s is f for f in first)]
    if others:
        shots[:] = first + others
        result = _all_photographs(shots, result, ring, camera, priors, progress)
    progress("last adjustment")
    views = _views(shots, result.state, 0, 2.5, last=True)
    return adjust(ring, views, result.state, priors)


def _all_photographs(
    shots: list[Shot], overhead: Adjustment, ring: Ring, camera: Camera, priors: Priors, progress: Callable[[str], None]
) -> Adjustment:
    """Bring in the other photographs: place them by the ring, then take the tip radius that fits all of them best."""
    state = _placed(shots, overhead, ring)
    standing_of = [state.standings.index(s.standing) for s in shots]
    slanted = [i for i, s in enumerate(shots) if not s.overhead]
    if not slanted:
        return adjust(ring, _views(shots, state, 6, 3.0), state, priors, most_iterations=25, must_settle=False)

    photos = [s.photo for s in shots]
    blur = float(np.median([s.sighting.blur_px for s in shots]))
    seen = [(i, v.tips) for i, v in enumerate(overhead.views) if v.tips is not None]
    progress("finding tip radius and thickness from the oblique photographs")
    best, misfit_px = overhead, np.inf
    radii = oblique.find_radius(photos, state, seen, slanted, standing_of, blur)
    for radius, wrap_rad, sure in _starts(radii, shots[: len(overhead.views)]):
        begun = state.copy()
        # twice: a wrong radius puts the axis a little off too, and that shifts the answer
        for again in (True, False) if not sure else (False,):
            near = replace(priors, radius_mm=radius, radius_sigma_mm=0.1)
            _adopt_rotor(begun, _overhead(shots[: len(overhead.views)], ring, camera, near, wrap_rad).state)
            if again:
                radius = oblique.find_radius(photos, begun, seen, slanted, standing_of, blur, NARROW_MM)[0][0]
        for thickness, offset in oblique.find_thickness(photos, begun, slanted, standing_of, blur):
            tried = begun.copy()
            assert tried.rotor is not None
            tried.rotor.thickness_mm = thickness
            tried.rotor.extra_mm[:] = 0.0
            tried.rotor.heights += offset
            for search in (6, 2):
                progress(f"adjusting all photographs on a tip radius of {radius:.1f} mm")
                views = _views(shots, tried, search, 3.0)
                result = adjust(ring, views, tried, priors, most_iterations=25, must_settle=False)
                tried = result.state
            if (tried_px := _misfit_px(result, slanted)) < misfit_px:
                best, misfit_px = result, tried_px
            if misfit_px < GOOD_PX:
                return best
        if misfit_px < FITTING_PX:
            return best
    if misfit_px > REFUSED_PX:
        raise AdjustmentError(
            "The oblique photographs do not fit the overhead ones.",
            "Was the rotor moved or another one photographed? Take the oblique ones again without touching the rotor.",
        )
    return best


def _starts(
    radii: Sequence[tuple[float, float]], first: Sequence[Shot]
) -> Iterator[tuple[float, float | None, bool]]:
    """Tip radii, mm, wraps, rad, to start from, and whether the radius is to be taken as it is.

    The likeliest first, then radii beside it, then other wraps. Blades of even pitch look alike wherever both standings
    are matched along them, so that the wrap may be far off; only the blade's other end, seen from the side, tells.
    """
    for radius, clear in radii:
        if clear > CLEAR_RADIUS or radius == radii[0][0]:
            yield radius, None, False
    for beside in (-0.5, 0.5):
        yield radii[0][0] + beside, None, True
    if len(first) > 1:
        seen = [max(t.angle[-1] for t in shot.teeth) for shot in first]
        for wrap in np.arange(max(seen) + 0.1, sum(seen), WRAP_STEP_RAD):
            yield radii[0][0], float(wrap), False


def _placed(shots: Sequence[Shot], overhead: Adjustment, ring: Ring) -> State:
    """The state of the overhead photographs with the others placed by their sight of the ring."""
    old, count = overhead.state, len(overhead.views)
    state = _state(shots, old.camera, ring)
    state.r_camera_ring[:count], state.t_camera_ring[:count] = old.r_camera_ring, old.t_camera_ring
    sighted = tuple(View(s.name, s.standing, s.sighting.thinned(RING_EVERY)) for s in shots)
    priors = Priors(old.camera, overhead.covariance[overhead.layout["camera"], overhead.layout["camera"]])
    state = adjust(ring, sighted, state, priors, most_iterations=25, must_settle=False).state
    _adopt_rotor(state, old)
    return state


def _misfit_px(result: Adjustment, photos: Sequence[int]) -> float:
    """How far, px, the tip edges lie off in the middling one of some photographs, each by its worse face."""
    worse = [
        max((result.rms_px(p, kind) for kind in TIP_KINDS if kind in result.residual_px[p]), default=9.0)
        for p in photos
    ]
    rotor = result.state.rotor
    assert rotor is not None
    if rotor.thickness_mm < THINNEST_MM:  # both edges were taken for one
        return 9.0
    return float(np.median(worse))


def _adopt_rotor(state: State, source: State) -> None:
    """Take rotor, standings and hub circles from another state."""
    state.standings, state.r_ring_rotor, state.t_ring_rotor = source.standings, source.r_ring_rotor, source.t_ring_rotor
    state.rotor, state.circles, state.circle_standing = source.rotor, source.circles, source.circle_standing
