"""What a checked record holds, as frozen structures; units stand in the names.

That is what readers of records use most: traces of photographs, the camera, ring and edits files, curves, points and
most options stay plain in `Record.data`.
"""

from __future__ import annotations

from typing import Generic, Literal, TypeVar

import msgspec

from bladeangle.records.station import StationOptions

T = TypeVar("T")


class Quantity(msgspec.Struct, frozen=True):
    """A quantity; the unit stands in the name of what it is of. dof None: without limit."""

    value: float
    standard_uncertainty: float
    expanded_uncertainty: float
    coverage_factor: float
    dof: float | None

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
    sees: list[Literal["inlet", "outlet"]]


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


class Tips(msgspec.Struct, frozen=True):
    """What the rotor's tips are like; camera_effects_mm : change by one u of each source of the calibration."""

    seen: bool
    leading_wear_mm: TipQuantity
    trailing_wear_mm: TipQuantity
    taper_mm: TipQuantity
    run_out_mm: TipQuantity
    clearance_mm: Clearance | None
    camera_effects_mm: dict[str, list[float]] = msgspec.field(default_factory=dict)


class Rotor(msgspec.Struct, frozen=True):
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
    trailing_distance_mm: Quantity | None = None
    tips: Tips | None = None


class BladeTip(msgspec.Struct, frozen=True):
    """The radius along a blade's tip and what it says; columns of one length."""

    arc_mm: list[float]
    radius_mm: list[float]
    standard_uncertainty_mm: list[float]
    leading_wear_mm: TipQuantity
    trailing_wear_mm: TipQuantity
    clearance_mm: Clearance | None
    run_out_mm: TipQuantity | None = None
    shape_uncertainty_mm: list[float] | None = None


class Blade(msgspec.Struct, frozen=True):
    """One blade; not_seen : why a station is None."""

    number: int
    stations: AtStations[Station]
    not_seen: dict[str, str]
    wrap_deg: Quantity | None
    tip_length_mm: Quantity | None
    trailing_distance_mm: Quantity | None = None
    tip: BladeTip | None = None


class Covariance(msgspec.Struct, frozen=True):
    """Covariance of the angles of the stations seen."""

    labels: list[str]
    matrix_deg2: list[list[float]]


class BudgetLine(msgspec.Struct, frozen=True):
    """One contribution to the uncertainty of all angles; deg and effects_deg are in the order of the labels."""

    line: str
    kind: Literal["A", "B"]
    stations: AtStations[float]
    mean: AtStations[float]
    dof: float | None = None
    deg: list[float] | None = None
    shared: Literal["camera", "ring"] | None = None
    effects_deg: list[list[float]] | None = None


class Photo(msgspec.Struct, frozen=True):
    """A photograph that was measured."""

    name: str
    sha256: str
    width: int
    height: int
    standing: Literal["inlet_up", "outlet_up"]
    view: Literal["overhead", "oblique"]


class Options(msgspec.Struct, frozen=True):
    """Of the options of a measurement those that its numbers cannot be read without."""

    stations: StationOptions = StationOptions()
    bore_mm: float | None = None
    bore_sigma_mm: float | None = None


class Content(msgspec.Struct, frozen=True):
    """A record of the present version."""

    schema: Literal["bladeangle-record/1"]
    created: str
    name: str
    software: dict[str, str]
    rotor: Rotor
    blades: list[Blade]
    covariance: Covariance
    budget: list[BudgetLine]
    photos: list[Photo]
    options: Options
    suggestion: str | None
