"""Rotor size -> `Ring`, and Ring -> which piece of it goes where on which page.

A page shows one piece of the ring: the whole ring where it fits the paper, else a sector of it with whole markers.
Pieces with odd numbers have flaps that go under their neighbours; flaps stop short of the rotor, which would stand
tilted on doubled paper.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bladeangle.base.errors import UsageError
from bladeangle.imaging.ring import Ring

Array = NDArray[np.float64]

#: Short and long side, mm (ISO 216; Letter is 8.5 by 11 inches).
PAPERS_MM = {"a4": (210.0, 297.0), "letter": (215.9, 279.4), "a3": (297.0, 420.0)}
#: Strip around the page that printers may leave blank (common practice, no source).
PAGE_MARGIN_MM = 8.0
#: Height kept free at the bottom of a page for the words and the check bar.
WORDS_MM = 34.0
CHECK_BAR_MM = 100.0
#: Half the short side of a picture over the focal length, for a 26 mm-equivalent lens and a 4:3 sensor:
#: 43.27 mm diagonal * 3/5 / 2 / 26 mm.
HALF_VIEW = 0.499
#: How far the rotor may stand off the ring's centre, and the camera off the rotor's axis, before it hides markers.
OFF_CENTRE_MM, OFF_AXIS_MM = 3.0, 15.0
FLAP_MM = 10.0
#: White kept around the markers at the edge of the print, at least; a cell of a marker where that is more.
QUIET_MM = 4.0
#: Size sought when the number of markers is left open: smaller ones are read less surely (common practice).
GOOD_MARKER_MM = 8.0


@dataclass(frozen=True)
class Page:
    """One page with one piece of a ring.

    width_mm, height_mm : of the paper as it lies.
    centre_mm : (2,) where the ring's centre falls on the page, from its lower left corner (may be off the page).
    turn_deg : rotation from the ring frame to the page's axes, counter-clockwise.
    piece, pieces : number of the piece in the ring's definition, and how many there are.
    start_deg, span_deg : the azimuths that the piece covers.
    flaps : whether it has the flaps, or is cut along the seams.
    """

    width_mm: float
    height_mm: float
    centre_mm: Array
    turn_deg: float
    piece: int
    pieces: int
    start_deg: float
    span_deg: float
    flaps: bool

    def place(self, points_mm: Array) -> Array:
        """Points (..., 2) of the ring frame on the page, mm."""
        return points_mm @ rotation_2d(self.turn_deg).T + self.centre_mm


def design_ring(
    diameter_mm: float,
    height_mm: float,
    *,
    paper: str = "a4",
    camera_height_mm: float | None = None,
    markers: int | None = None,
    name: str | None = None,
) -> Ring:
    """A ring that a rotor does not hide from a camera above it.

    A tip at radius R and height z hides paper out to R H / (H - z) from a camera at height H on the axis; off-centre
    placing and a camera off the axis by d add (H / (H - z)) times the first and z / (H - z) times the second.

    Parameters
    ----------
    diameter_mm, height_mm : of the rotor, over the tips and as it stands.
    paper : "a4", "letter" or "a3"; the ring is split into pieces that fit it.
    camera_height_mm : of the lens above the sheet; None takes 300 mm or what shows the whole ring, if more.
    markers : how many, a multiple of 4; None takes 24, or fewer for a small rotor.

    Raises
    ------
    UsageError : sizes out of range, a camera too low, or a ring that does not fit the paper in 12 pieces.
    """
    if not (math.isfinite(diameter_mm) and 30 <= diameter_mm <= 400):
        raise UsageError(
            f"A rotor diameter of {diameter_mm:g} mm is outside 30 to 400 mm.", "Give the diameter over the tips in mm."
        )
    if not (math.isfinite(height_mm) and 2 <= height_mm <= 300):
        raise UsageError(
            f"A rotor height of {height_mm:g} mm is outside 2 to 300 mm.", "Give the height as the rotor stands, in mm."
        )
    if markers is not None and (markers % 4 or not 12 <= markers <= 100):
        raise UsageError(f"{markers} markers do not make a ring.", "Give a multiple of 4 from 12 to 100.")
    if paper not in PAPERS_MM:
        raise UsageError(f"The paper {paper!r} is not known.", f"Choose one of {', '.join(PAPERS_MM)}.")
    camera = camera_height_mm
    if camera is None:
        # Where the view is what counts, the outer radius is at most 7/6 of the inner.
        camera = next(
            h
            for h in range(300, 5000, 10)
            if h > 2 * height_mm and _inner_radius(diameter_mm, height_mm, h) * 7 / 6 + QUIET_MM <= HALF_VIEW * 0.96 * h
        )
    if not (math.isfinite(camera) and 1.5 * height_mm <= camera <= 5000):
        raise UsageError(
            f"A camera {camera:g} mm above the sheet is too near a rotor {height_mm:g} mm tall, or too far.",
            f"Give a camera height from {1.5 * height_mm:.0f} mm on; 300 to 500 mm suits most phones.",
        )
    inner = _inner_radius(diameter_mm, height_mm, camera)
    if markers is None:
        markers = next((n for n in (24, 16) if _marker_side(inner, n) >= GOOD_MARKER_MM), 12)
    side = _marker_side(inner, markers)
    if side < 5:
        raise UsageError(f"{markers} markers leave only {side:g} mm for each.", "Take fewer markers.")
    azimuth = (np.arange(markers) + 0.5) * 360 / markers  # the arrow at azimuth 0 and all seams fall between markers
    half = side / 2
    square = np.array([[inner + side, half], [inner + side, -half], [inner, -half], [inner, half]])
    # Rounded so that the file shows what is printed; 0.1 micrometre is far below any printer.
    corners = np.array([np.round(square @ rotation_2d(a).T, 4) for a in azimuth])
    shown = name or f"{diameter_mm:g} x {height_mm:g} mm rotor, camera {camera:g} mm above"
    dictionary = "DICT_5X5_50" if markers <= 50 else "DICT_5X5_100"
    for count in (1, 2, 4, 6, 12):
        if count > 1 and markers % (2 * count):
            continue
        piece = (
            np.floor((azimuth + 180 / count) % 360 / (360 / count)).astype(int) + 1
            if count > 1
            else np.zeros(markers, int)
        )
        ring = Ring(shown, dictionary, 0.0, inner, inner + side, np.arange(markers), corners, piece, CHECK_BAR_MM)
        try:
            pages(ring, paper)
        except UsageError:
            continue
        return ring
    raise UsageError(
        f"A ring of {2 * (inner + side):.0f} mm does not fit the paper {paper} in 12 pieces.", "Take larger paper."
    )


def lowest_camera_mm(ring: Ring) -> float:
    """Height from which a 26 mm-equivalent phone camera sees the whole ring."""
    return _rim(ring) / HALF_VIEW


def pages(ring: Ring, paper: str) -> list[Page]:
    """The pages that hold the ring's pieces, in the order of their numbers.

    Raises
    ------
    UsageError : a piece does not fit the paper, or is not one unbroken sector.
    """
    azimuth = np.degrees(np.arctan2(*ring.corners_mm.mean(axis=1).T[::-1])) % 360
    order = np.argsort(azimuth)
    azimuth, piece = azimuth[order], ring.pieces[order]
    numbers = sorted(set(piece.tolist()))
    result = []
    for place, number in enumerate(numbers):
        if len(numbers) == 1:
            start, span = -180.0, 360.0
        else:
            first = np.flatnonzero((piece == number) & (np.roll(piece, 1) != number))
            last = np.flatnonzero((piece == number) & (np.roll(piece, -1) != number))
            if len(first) != 1:
                raise UsageError(
                    f"Piece {number} of the ring is not one unbroken sector.", "Make the ring with `bladeangle ring`."
                )
            start = _between(azimuth[first[0] - 1], azimuth[first[0]])
            end = _between(azimuth[last[0]], azimuth[(last[0] + 1) % len(azimuth)])
            span = (end - start) % 360
        flaps = len(numbers) > 1 and place % 2 == 0
        result.append(_fitted(ring, paper, number, len(numbers), start, span, flaps))
    return result


def rotation_2d(angle_deg: float) -> Array:
    """Matrix (2, 2) that turns counter-clockwise."""
    c, s = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    return np.array([[c, -s], [s, c]])


def polar(radius_mm: float, azimuth_deg: float | Array) -> Array:
    """Places (..., 2) in the ring frame, mm."""
    angle = np.radians(azimuth_deg)
    return radius_mm * np.stack([np.cos(angle), np.sin(angle)], axis=-1)


def _inner_radius(diameter: float, height: float, camera: float) -> float:
    return math.ceil(((diameter / 2 + OFF_CENTRE_MM) * camera + OFF_AXIS_MM * height) / (camera - height))


def _marker_side(inner: float, markers: int) -> float:
    """A sixth of the inner radius but 10 mm at least; less where markers would come nearer than two cells of seven."""
    return math.floor(2 * min(max(inner / 6, 10.0), 2 * inner * math.tan(math.pi / markers) * 7 / 9)) / 2


def _farthest(ring: Ring) -> float:
    return float(np.linalg.norm(ring.corners_mm, axis=2).max())


def cell_mm(ring: Ring) -> float:
    """Side of a marker's cell: seven of them, with its border, fill the band."""
    return (ring.outer_radius_mm - ring.inner_radius_mm) / 7


def _rim(ring: Ring) -> float:
    """Radius up to which the paper is kept white beyond the markers."""
    return _farthest(ring) + max(QUIET_MM, cell_mm(ring))


def _between(before_deg: float, after_deg: float) -> float:
    return float(before_deg + (after_deg - before_deg) % 360 / 2)


def arrow_span(ring: Ring) -> tuple[float, float]:
    """Radii of the arrow's tip and tail: in the gap between two markers where one is at its azimuth, else outside."""
    local = ring.corners_mm @ rotation_2d(ring.index_azimuth_deg)  # row vectors: turns the arrow's azimuth to 0
    across = local[..., 1][local[..., 0].mean(axis=1) > 0]
    same_side = (across > 0).all(axis=1) | (across < 0).all(axis=1)
    cell = cell_mm(ring)
    if same_side.all() and np.abs(across).min() > cell + 2:
        return ring.inner_radius_mm + 2 * cell, ring.outer_radius_mm
    return _rim(ring) + 2 * cell, _rim(ring) + 2 * cell + 12


def reach_mm(ring: Ring) -> float:
    """Radius up to which anything is printed, the arrow included."""
    return max(_rim(ring), arrow_span(ring)[1] + 2)


def piece_outline(ring: Ring, start: float, span: float, flaps: bool) -> Array:
    """(n, 2) closed outline of a piece in the ring frame, along which it is cut."""
    reach = reach_mm(ring)
    if span >= 360:
        # Nothing is cut, so an arrow outside the markers needs room only where it stands.
        return np.vstack([polar(_rim(ring), np.linspace(0, 360, 361)), polar(reach, ring.index_azimuth_deg)])
    arc = polar(reach, np.linspace(start, start + span, 181))
    low, high = [np.zeros(2)], [np.zeros(2)]
    if flaps:
        # From the centre along the seam to just inside the markers, then out sideways by the flap's width.
        bend = ring.inner_radius_mm - FLAP_MM
        for side, azimuth, sign in ((low, start, -1), (high, start + span, 1)):
            aside = sign * FLAP_MM * polar(1.0, azimuth + 90)
            side += [
                polar(bend, azimuth),
                polar(bend, azimuth) + aside,
                polar(math.sqrt(reach**2 - FLAP_MM**2), azimuth) + aside,
            ]
    return np.vstack([*low, arc, *high[::-1]])


def _fitted(ring: Ring, paper: str, number: int, count: int, start: float, span: float, flaps: bool) -> Page:
    outline = piece_outline(ring, start, span, flaps)
    short, long = PAPERS_MM[paper]
    for turn in (90 - start - span / 2, -start):
        turned = outline @ rotation_2d(turn).T
        low, size = turned.min(axis=0), np.ptp(turned, axis=0)
        for width, height in ((short, long), (long, short)):
            room = np.array([width, height - WORDS_MM]) - 2 * PAGE_MARGIN_MM
            if (size <= room).all():
                corner = np.array([PAGE_MARGIN_MM, PAGE_MARGIN_MM + WORDS_MM]) + (room - size) / 2
                return Page(width, height, corner - low, turn, number, count, start, span, flaps)
    raise UsageError(f"The ring does not fit the paper {paper}.", "Take larger paper, or make the ring for this paper.")
