"""What a checked record holds, as frozen structures; units stand in the names.

Keys that a record may lack are those with a default: None, or UNSET where null says something else than no key.
"""

from __future__ import annotations

from typing import Generic, Literal, TypeVar

import msgspec
from msgspec import UNSET, UnsetType

from bladeangle.base.budget import Kind, Shared
from bladeangle.imaging.camera import CameraFile
from bladeangle.imaging.ring import RingFile
from bladeangle.records.edits import EditsFile
from bladeangle.records.station import StationOptions

T = TypeVar("T")
Face = Literal["inlet", "outlet"]
#: Points, pixels of the stored photograph.
Pixels = list[tuple[float, float]]


class Quantity(msgspec.Struct, frozen=True):
    """A quantity; the unit stands in the name of what it is of. dof None: without limit."""

    value: float
    standard_uncertainty: float
    expanded_uncertainty: float
    coverage_factor: float
    dof: float | None

    def times(self, factor: float) -> Quantity:
        """The quantity in a unit of which its own holds so many."""
        value, u, expanded = (factor * v for v in (self.value, self.standard_uncertainty, self.expanded_uncertainty))
        return Quantity(value, u, expanded, self.coverage_factor, self.dof)

    @property
    def pair(self) -> tuple[float, float]:
        """Value and standard uncertainty."""
        return self.value, self.standard_uncertainty


class TipQuantity(Quantity, frozen=True):
    """A quantity of tips; seen : whether photographs, and not what is usual, tell it."""

    seen: bool


class Station(msgspec.Struct, frozen=True):
    """A blade's station, or the mean over blades; sees : the faces whose edges were followed."""

    angle_deg: float
    standard_uncertainty_deg: float
    expanded_uncertainty_deg: float
    coverage_factor: float
    dof: float | None
    sees: list[Face]


class AtStations(msgspec.Struct, Generic[T], frozen=True):
    """Something of each station; None where it was not seen."""

    entry: T | None
    middle: T | None
    exit: T | None

    def at(self, station: str) -> T | None:
        """That of one station; KeyError when there is no such station."""
        return {"entry": self.entry, "middle": self.middle, "exit": self.exit}[station]


class Clearance(msgspec.Struct, frozen=True):
    """The gap between tips and bore, mm."""

    smallest: Quantity
    mean: Quantity


class Tips(msgspec.Struct, frozen=True, omit_defaults=True):
    """What the rotor's tips are like; camera_effects_mm : change by one u of each source of the calibration."""

    seen: bool
    leading_wear_mm: TipQuantity
    trailing_wear_mm: TipQuantity
    taper_mm: TipQuantity
    run_out_mm: TipQuantity
    clearance_mm: Clearance | None
    camera_effects_mm: dict[str, list[float]] | None = None


class Rotor(msgspec.Struct, frozen=True, omit_defaults=True):
    """The rotor; stations : means over the blades seen, spread_deg : largest minus smallest over them."""

    blade_count: int
    hand: Literal["left", "right"]
    tip_diameter_mm: Quantity
    hub_diameter_mm: Quantity | None
    tip_thickness_mm: Quantity | None
    axial_length_mm: Quantity | None
    stations: AtStations[Station]
    spread_deg: AtStations[Quantity]
    pitch_mm: AtStations[Quantity]
    trailing_distance: Quantity | UnsetType | None = msgspec.field(default=UNSET, name="trailing_distance_mm")
    tips: Tips | None = None

    @property
    def trailing_distance_mm(self) -> Quantity | None:
        """Mean distance of the trailing edges from the outlet end; None: not known."""
        return self.trailing_distance or None


class BladeTip(msgspec.Struct, frozen=True, omit_defaults=True):
    """The radius along a blade's tip and what it says; columns of one length."""

    arc_mm: list[float]
    radius_mm: list[float]
    standard_uncertainty_mm: list[float]
    leading_wear_mm: TipQuantity
    trailing_wear_mm: TipQuantity
    clearance_mm: Clearance | None
    run_out_mm: TipQuantity | None = None
    shape_uncertainty_mm: list[float] | None = None


class Curve(msgspec.Struct, frozen=True):
    """The mid-line of a tip over its length; columns of one length."""

    arc_mm: list[float]
    height_mm: list[float]
    angle_deg: list[float]
    standard_uncertainty_deg: list[float]


class Points(msgspec.Struct, frozen=True, omit_defaults=True):
    """Measured points of a tip unrolled; kept : 0 where the adjustment left one out."""

    arc_mm: list[float]
    height_mm: list[float]
    kept: list[int] | None = None


class Blade(msgspec.Struct, frozen=True, omit_defaults=True):
    """One blade; not_seen : why a station is None."""

    number: int
    stations: AtStations[Station]
    not_seen: dict[str, str]
    wrap_deg: Quantity | None
    tip_length_mm: Quantity | None
    curve: Curve | None
    trailing_distance: Quantity | UnsetType | None = msgspec.field(default=UNSET, name="trailing_distance_mm")
    points: Points | None = None
    tip: BladeTip | None = None

    @property
    def trailing_distance_mm(self) -> Quantity | None:
        """Distance of the trailing edge from the outlet end; None: not known."""
        return self.trailing_distance or None


class Covariance(msgspec.Struct, frozen=True):
    """Covariance of the angles of the stations seen."""

    labels: list[str]
    matrix_deg2: list[list[float]]


class BudgetLine(msgspec.Struct, frozen=True, omit_defaults=True):
    """One contribution to the uncertainty of all angles; deg and effects_deg are in the order of the labels."""

    line: str
    kind: Kind
    stations: AtStations[float]
    mean: AtStations[float]
    dof: float | UnsetType | None = UNSET
    deg: list[float] | None = None
    shared: Shared | None = None
    effects_deg: list[list[float]] | None = None


class Flag(msgspec.Struct, frozen=True):
    """A doubt or note, and the place that it concerns (None: the whole record)."""

    code: str
    text: str
    photo: str | None
    blade: int | None
    station: str | None


class Trace(msgspec.Struct, frozen=True):
    """Points of an edge that were found in a photograph; kept : 0 where the adjustment left one out."""

    kind: Literal["tip", "hub"]
    blade: int | None
    face: Face | None
    px: Pixels
    kept: list[int]


class StationLine(msgspec.Struct, frozen=True):
    """Where a station lies in a photograph."""

    blade: int
    station: str
    px: Pixels


class Photo(msgspec.Struct, frozen=True):
    """A photograph that was measured: its pose, its fit, and what was followed in it."""

    name: str
    sha256: str
    width: int
    height: int
    standing: Literal["inlet_up", "outlet_up"]
    view: Literal["overhead", "oblique"]
    r_camera_ring: list[list[float]] = msgspec.field(name="R_camera_ring")
    t_camera_ring_mm: list[float]
    focal_px: float
    ring_rms_px: float | None
    edge_rms_px: float | None
    markers_seen: int
    traces: list[Trace]
    stations_px: list[StationLine]


class Options(msgspec.Struct, frozen=True):
    """What was said of the rotor and its measurement, as `pipeline.options.Options` has it; lengths mm."""

    stations: StationOptions = StationOptions()
    diameter_mm: float | None = None
    diameter_leading_mm: float | None = None
    diameter_trailing_mm: float | None = None
    diameter_sigma_mm: float | None = None
    tips: str | None = None
    bore_mm: float | None = None
    bore_sigma_mm: float | None = None
    check_bar_mm: float | None = None


class Residuals(msgspec.Struct, frozen=True):
    """Residuals of one kind of observation over all photographs."""

    count: int
    kept: int
    rms_px: float | None
    scale: float | None


class Checks(msgspec.Struct, frozen=True):
    """How the measurement checked itself; sway : size of correlated errors from the side and from overhead, in sigmas.

    known_before : by source, how far the solution is from what was known, a sum of squares in standard uncertainties.
    """

    iterations: int
    sway: list[float]
    residuals: dict[str, Residuals]
    known_before: dict[str, float]


class Content(msgspec.Struct, frozen=True, omit_defaults=True):
    """A record of the present version; edits : those that were honoured."""

    schema: Literal["bladeangle-record/1"]
    created: str
    name: str
    software: dict[str, str]
    rotor: Rotor
    blades: list[Blade]
    covariance: Covariance
    budget: list[BudgetLine]
    flags: list[Flag]
    photos: list[Photo]
    suggestion: str | None
    camera: CameraFile
    ring: RingFile
    options: Options
    edits: EditsFile | None = None
    checks: Checks | None = None
