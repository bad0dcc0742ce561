"""Rotor, ring and phone -> where to photograph from, what will be hidden, and the uncertainty to expect.

The plan adjusts photographs that were never taken: a nominal rotor on the ring, cameras in the places proposed, the
edges that the model says they will see (`expected.py`), and from there on the same adjustment, stations and budget as a
measurement. `words.py` writes the steps, `drawing.py` draws the places.

Not covered: how a real rotor differs from the nominal one (overlap, wrap), dirt and glare.

Modules in import order: __init__, drawing, words.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from bladeangle.adjustment.adjust import seen_from_above
from bladeangle.adjustment.model import State, unmoved
from bladeangle.adjustment.priors import Priors, unobserved
from bladeangle.adjustment.rotor import Basis, Rotor
from bladeangle.base.budget import STATIONS
from bladeangle.base.errors import UsageError
from bladeangle.detection import edges
from bladeangle.imaging.camera import Camera
from bladeangle.imaging.ring import FEWEST_MARKERS, Ring
from bladeangle.records.station import StationOptions, station_span
from bladeangle.results.angles import arc_of
from bladeangle.results.expected import (
    Place,
    distance_for,
    expected_view,
    from_above,
    from_side,
    ideal_adjustment,
    looking,
    markers_seen,
    runs_of,
    turned_over,
)
from bladeangle.results.stations import measure_stations
from bladeangle.tuning.adjustment import ADJUST
from bladeangle.tuning.detection import HUB
from bladeangle.tuning.expected import EXPECTED, TYPICAL, Typical
from bladeangle.tuning.priors import ANY_TIPS, NEW_TIPS, TipCondition

#: Margin of the picture around the ring in a photograph from above, mm: room for a hand that is not quite steady.
ABOVE_MARGIN_MM = 25.0
#: How far from the axis a hand holds the camera that is to be straight above it, mm, and on which side of the arrow in
#: the first and the second setup, rad. Within a millimetre of the axis a pair would be worth twice as much, as the
#: height of the hub then does not count; no hand finds that, and beyond 5 mm the distance makes no difference.
HAND_OFF_MM = 8.0
HAND_OFF_RAD = (1.0, 2.6)
#: Most that the blades of a rotor wrap together when the tip's length is not given, turns (common practice, no source).
MOST_WRAP_TURNS = 1.5
#: Photographs from the side in the standard set: with three the entries of used rotors are known several times better
#: than from a pair, with three more by a quarter again.
STANDARD_AROUND = 3
#: Share of a station that has to be seen for it to count.
SEEN_SHARE = 0.6


@dataclass(frozen=True)
class RotorSize:
    """What is known of the rotor before it is photographed.

    diameter_mm over the tips; height_mm as it stands; angles as expected; hand "left" or "right" (of the screw).
    tip_length_mm : length of a blade along its tip; None takes what fills the height, hub faces left free.
    """

    diameter_mm: float
    height_mm: float
    blades: int
    entry_deg: float
    exit_deg: float
    hand: str = "left"
    tip_length_mm: float | None = None
    thickness_mm: float = 2.4


@dataclass(frozen=True)
class PlannedPhoto:
    """One photograph to take.

    standing : the setup, "inlet_up" or "outlet_up"; view : "overhead" or "oblique"; place : the camera.
    hidden_markers : numbers of the ring's markers that it will not show.
    down_deg : how far down it looks.
    seen_mm : blade number -> stretches (from, to) along the tip that it will show, mm from the leading edge.
    shows : (blade number, station) pairs of which enough is seen.
    """

    number: int
    standing: str
    view: str
    place: Place
    down_deg: float
    hidden_markers: tuple[int, ...]
    seen_mm: dict[int, list[tuple[float, float]]]
    shows: tuple[tuple[int, str], ...]


@dataclass(frozen=True)
class Expectation:
    """Standard uncertainties to expect of a number of photographs, deg; None where not seen.

    single_deg : station -> root mean square over the blades seen; mean_deg : of their mean; seen : how many are.
    """

    photos: int
    words: str
    single_deg: dict[str, float | None]
    mean_deg: dict[str, float | None]
    seen: dict[str, int]


@dataclass(frozen=True)
class Plan:
    """Where to photograph from, in the order of shooting: from above, round it, and from above turned over.

    expectations : of tips as rotors come in, used ones among them; new_tips : of tips known to be new.
    tip_length_mm : of a blade along its tip, as given or assumed.
    """

    rotor: RotorSize
    tip_length_mm: float
    ring: Ring
    camera: Camera
    photos: tuple[PlannedPhoto, ...]
    expectations: tuple[Expectation, ...]
    new_tips: tuple[Expectation, ...]


def plan_photographs(
    size: RotorSize,
    ring: Ring,
    camera: Camera,
    around: int = STANDARD_AROUND,
    options: StationOptions | None = None,
    typical: Typical = TYPICAL,
) -> Plan:
    """Plan an overhead pair and `around` photographs from the side.

    Raises
    ------
    UsageError : sizes out of range, a rotor that does not fit the ring, or one that hides too many markers.
    """
    options = options or StationOptions()
    rotor, length = nominal_rotor(size, ring, options)
    named, camera = camera, camera.worked()  # what is expected is in the pixels that photographs are worked on in
    places = _places(size, ring, camera, around)
    state = nominal_state(rotor, ring, camera, size.height_mm, places)
    state.moves = unmoved([s for _, s in places])
    picture = (camera.width, camera.height)
    photos = [_photo(ring, state, p, s, place, picture, options) for p, (place, s) in enumerate(places)]
    above, turned, *side = photos
    side.sort(key=lambda p: p.place.azimuth_deg)
    photos = [replace(p, number=k + 1) for k, p in enumerate([above, *side, turned])]
    if lost := max(len(above.hidden_markers), len(turned.hidden_markers)):
        raise UsageError(
            f"From above, {lost} of the ring's {len(ring.ids)} markers would be hidden or outside the picture.",
            "Make a ring for this rotor with `bladeangle ring`, or check diameter and height.",
        )
    if few := [p for p in side if len(ring.ids) - len(p.hidden_markers) < FEWEST_MARKERS]:
        raise UsageError(
            f"From the side only {len(ring.ids) - len(few[0].hidden_markers)} markers would be seen.",
            "Make a larger ring for this rotor with `bladeangle ring`.",
        )
    counts = [1, 2, *(2 + k for k in range(1, around + 1) if k in (1, 2, 3, 4, 6, 8, 12, around))]
    by_hand = [(_as_held(place, s) if p < 2 else place, s) for p, (place, s) in enumerate(places)]
    expected, new = (
        tuple(_expectation(size, rotor, ring, camera, by_hand, n, options, typical, tips) for n in counts)
        for tips in (ANY_TIPS, NEW_TIPS)
    )
    return Plan(size, length, ring, named, tuple(photos), expected, new)


# --- The nominal rotor and the places --------------------------------------------------------------------------------


def nominal_rotor(size: RotorSize, ring: Ring, options: StationOptions) -> tuple[Rotor, float]:
    """The rotor with blades as expected, blade 1's leading tip at the arrow, and a blade's length along its tip, mm.

    The angle grows evenly along the tip and has the expected values in the middle of the entry and exit stations.
    """
    _refuse(size, ring)
    radius, least = size.diameter_mm / 2, 2 * (options.skip_mm + options.length_mm) + 6.0
    length = size.tip_length_mm
    mean = math.radians((size.entry_deg + size.exit_deg) / 2)
    if length is None:
        fall = max(size.height_mm - 2 * HUB.beyond_mm, 10.0)
        length = min(fall / math.sin(mean), MOST_WRAP_TURNS * 2 * math.pi * radius / size.blades / math.cos(mean))
        length = max(length, least)
    if length < least:
        raise UsageError(
            f"A tip of {length:g} mm has no room for two stations of {options.length_mm:g} mm.", "Check the length."
        )
    along = np.linspace(0.0, length, 800)
    middle = options.skip_mm + options.length_mm / 2
    share = (along - middle) / (length - 2 * middle)
    angle = np.radians(size.entry_deg + (size.exit_deg - size.entry_deg) * share)
    step = along[1] - along[0]
    arc = np.concatenate([[0.0], np.cumsum((np.cos(angle[1:]) + np.cos(angle[:-1])) / 2 * step)])
    drop = np.concatenate([[0.0], np.cumsum((np.sin(angle[1:]) + np.sin(angle[:-1])) / 2 * step)])
    tau, wrap = arc / radius, float(arc[-1] / radius)
    basis = Basis.over(0.0, wrap, radius)
    base = max((size.height_mm - drop[-1]) / 2, 1.0)
    flat = np.diff(np.eye(basis.count), 2, axis=0) * 1e-3  # carries the curve straight on past the ends
    heights = np.linalg.lstsq(
        np.vstack([basis.matrix(tau), flat]), np.concatenate([base + drop[-1] - drop, np.zeros(len(flat))]), rcond=None
    )[0]
    n = size.blades
    azimuth = np.radians(ring.index_azimuth_deg) + 2 * np.pi / n * np.arange(n)
    turn = 1 if size.hand == "left" else -1
    rounding = np.full(2, 1.2 * size.thickness_mm)
    rotor = Rotor(
        radius,
        size.thickness_mm,
        rounding,
        turn,
        azimuth,
        basis,
        np.tile(heights, (n, 1)),
        np.tile([0.0, wrap], (n, 1)),
        np.zeros(n),
    )
    return rotor, float(length)


def _refuse(size: RotorSize, ring: Ring) -> None:
    for name, value, low, high in (
        ("diameter", size.diameter_mm, 30.0, 400.0),
        ("height", size.height_mm, 10.0, 300.0),
        ("entry angle", size.entry_deg, 1.0, 60.0),
        ("exit angle", size.exit_deg, 1.0, 60.0),
        ("blade count", size.blades, 1, 12),
        ("thickness", size.thickness_mm, 0.3, 12.0),
        ("tip length", 100.0 if size.tip_length_mm is None else size.tip_length_mm, 20.0, 1000.0),
    ):
        if not low <= value <= high:
            raise UsageError(
                f"The {name} of {value:g} is outside {low:g} to {high:g}.", "Lengths are in mm, angles in degrees."
            )
    if size.diameter_mm / 2 > ring.inner_radius_mm:
        raise UsageError(
            f"A rotor of {size.diameter_mm:g} mm does not fit inside the ring, {2 * ring.inner_radius_mm:g} mm wide.",
            "Make a ring for this rotor with `bladeangle ring`.",
        )


def _places(size: RotorSize, ring: Ring, camera: Camera, around: int) -> list[tuple[Place, int]]:
    """Cameras, each with its setup (0 inlet end up, 1 turned over): from above in both, then from the sides in 0."""
    picture, f_px = (camera.width, camera.height), float(camera.parameters[0])
    if not 0 <= around <= 36:
        raise UsageError(f"{around} photographs from the side cannot be planned.", "Ask for 0 to 36.")
    height = distance_for(ring, f_px, picture, ABOVE_MARGIN_MM)
    # lower cameras look past the tips at paper that the tips hide from higher ones the less
    radius, tall = size.diameter_mm / 2, size.height_mm
    inner = ring.inner_radius_mm - 1.0
    if inner > radius:
        height = max(height, tall * inner / (inner - radius) if inner - radius > 0 else height)
    if height > 2500:
        raise UsageError("The ring is too narrow for this rotor.", "Make a ring for this rotor with `bladeangle ring`.")
    above = from_above(math.ceil(height / 5) * 5.0)
    distance = math.ceil(distance_for(ring, f_px, picture, EXPECTED.around_margin_mm) / 5) * 5.0
    start, down_deg = math.radians(ring.index_azimuth_deg), EXPECTED.down_in_turn_deg
    side = [
        from_side(start + 2 * math.pi * k / around, distance, down_deg[i % len(down_deg)])
        for i, k in enumerate(_spread(around))
    ]
    return [(above, 0), (above, 1), *((p, 0) for p in side)]


def _as_held(above: Place, setup: int) -> Place:
    """A camera that is to be straight above the ring's middle, as a hand holds it."""
    angle = HAND_OFF_RAD[setup]
    off = HAND_OFF_MM * np.array([math.cos(angle), math.sin(angle), 0.0])
    return looking(above.eye_mm + off, np.zeros(3))


def _spread(count: int) -> list[int]:
    """0 ... count - 1 in an order whose first few lie far apart round the circle."""
    order: list[int] = []
    while len(order) < count:
        left = [k for k in range(count) if k not in order]
        order.append(max(left, key=lambda k: (min((_apart(k, o, count) for o in order), default=0), -k)))
    return order


def _apart(a: int, b: int, count: int) -> int:
    return min((a - b) % count, (b - a) % count)


def nominal_state(
    rotor: Rotor, ring: Ring, camera: Camera, height_mm: float, places: Sequence[tuple[Place, int]]
) -> State:
    """The state of photographs from `places`; with the second setup only where one of them is of it."""
    n = len(places)
    state = State(
        camera.parameters.copy(),
        np.array([p.r_camera_ring for p, _ in places]),
        np.array([p.t_camera_ring for p, _ in places]),
        np.zeros(n),
        np.zeros((n, 2)),
        np.zeros(5),
        np.zeros((len(np.unique(ring.pieces)) - 1, 3)),
        ("inlet_up",),
        np.eye(3)[None],
        np.zeros((1, 3)),
        rotor,
        np.array([[0.32 * rotor.radius_mm, height_mm], [0.16 * rotor.radius_mm, height_mm]]),  # nose and bore
        (0, 0),
    )
    return turned_over(state, ring) if any(s for _, s in places) else state


# --- What to expect --------------------------------------------------------------------------------------------------


def _expectation(
    size: RotorSize,
    rotor: Rotor,
    ring: Ring,
    camera: Camera,
    places: Sequence[tuple[Place, int]],
    count: int,
    options: StationOptions,
    typical: Typical,
    tips: TipCondition,
) -> Expectation:
    """Adjustment, stations and budget of the first `count` photographs, as a measurement would have them."""
    places, rotor = places[:count], rotor.with_tips(tips)
    state = nominal_state(rotor, ring, camera, size.height_mm, places)
    picture = (camera.width, camera.height)
    views = tuple(
        expected_view(ring, state, p, s, picture, typical, circles=p == s and p < 2) for p, (_, s) in enumerate(places)
    )
    priors = Priors(
        camera.parameters, camera.covariance, radius_mm=rotor.radius_mm, thickness_mm=rotor.thickness_mm,
        rounding_mm=float(rotor.rounding_mm[0]), bend_sigma_deg=typical.bend_deg,
        tips=tips,
    )  # fmt: skip
    if seen_from_above(views):
        priors = replace(unobserved(priors), bend_sigma_deg=ADJUST.bend_from_above_deg)
    result = ideal_adjustment(ring, views, state, priors, typical.correlated_sigmas)
    stations = measure_stations(result, options)
    variance = np.diag(stations.budget.covariance_deg2)
    single: dict[str, float | None] = {}
    mean: dict[str, float | None] = {}
    seen = {}
    for station in STATIONS:
        weights = stations.budget.mean_weights(station)
        seen[station] = sum(label.endswith(station) for label in stations.labels)
        single[station] = None if weights is None else math.sqrt(float(weights @ variance))
        mean[station] = None if weights is None else stations.budget.of(weights)[0]
    words = (
        ("one from above", "a pair from above")[count - 1] if count < 3 else f"the pair and {count - 2} from the side"
    )
    return Expectation(count, words, single, mean, seen)


def _photo(
    ring: Ring, state: State, p: int, setup: int, place: Place, picture: tuple[int, int], options: StationOptions
) -> PlannedPhoto:
    rotor = state.rotor
    stretches = list(edges.predicted(state, p, setup, picture, far_side=True))
    runs: dict[int, list[tuple[float, float]]] = {b + 1: [] for b in range(rotor.blades)}
    tau_along, along = arc_of(rotor, 0, rotor.ends[0])
    for b, tau in runs_of(state, p, setup, stretches, edges.upper_face(state.setups[setup])):
        at = np.interp(tau, tau_along, along)
        runs[b + 1].append((round(float(at.min()), 1), round(float(at.max()), 1)))
    shows = []
    for station in STATIONS:
        low, high = station_span(float(along[-1]), station, options)
        for b, spans in runs.items():
            if sum(max(0.0, min(high, z) - max(low, a)) for a, z in spans) >= SEEN_SHARE * (high - low):
                shows.append((b, station))
    hidden = ring.ids[~markers_seen(ring, state, p, setup, picture)]
    view = "overhead" if p < 2 else "oblique"
    down = 90.0 if p < 2 else EXPECTED.down_in_turn_deg[(p - 2) % len(EXPECTED.down_in_turn_deg)]
    return PlannedPhoto(
        p + 1, state.setups[setup], view, place, down, tuple(int(i) for i in hidden), runs, tuple(shows)
    )
