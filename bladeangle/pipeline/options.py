"""Options of a measurement -> refusals, and priors of the adjustment."""

from __future__ import annotations

from dataclasses import dataclass, replace

from bladeangle.adjustment.priors import Caliper, Priors
from bladeangle.adjustment.tip_radius import CONDITIONS
from bladeangle.base.errors import UsageError
from bladeangle.imaging.camera import Camera
from bladeangle.imaging.photo import scale_of
from bladeangle.imaging.ring import Ring
from bladeangle.records.station import StationOptions
from bladeangle.tuning.pipeline import OPTIONS

#: Smallest tip diameter that is accepted, mm.
LEAST_DIAMETER_MM = 60.0
#: How far from an end of the tips a caliper measures there, mm: at the very end it rests on the rounding of the edge.
CALIPER_FROM_END_MM = 3.0
#: Widest gap between tips and bore that is accepted, mm.
MOST_CLEARANCE_MM = 5.0


@dataclass(frozen=True)
class Options:
    """What may be said of a rotor and its measurement; stored whole in the record. Lengths mm.

    diameter_mm, diameter_leading_mm, diameter_trailing_mm : measured over the tips in the middle of their length, and
    `CALIPER_FROM_END_MM` from their leading and from their trailing ends; each to `diameter_sigma_mm`.
    tips : "any" as rotors come in, or "new" where they are known to be new. bore_mm : of the housing.
    """

    diameter_mm: float | None = None
    diameter_leading_mm: float | None = None
    diameter_trailing_mm: float | None = None
    diameter_sigma_mm: float = 0.05
    tips: str = "any"
    bore_mm: float | None = None
    bore_sigma_mm: float = 0.05
    check_bar_mm: float | None = None
    station_length_mm: float = 32.0
    station_skip_mm: float = 2.0

    @property
    def stations(self) -> StationOptions:
        """Where the stations lie."""
        return StationOptions(self.station_length_mm, self.station_skip_mm)


def refuse_options(options: Options, ring: Ring) -> None:
    """UsageError for diameters that no rotor on this ring has, tips of an unknown kind, or too small a bore."""
    most = 2 * ring.inner_radius_mm
    for diameter in _diameters(options).values():
        if not LEAST_DIAMETER_MM < diameter < most:
            raise UsageError(
                f"A tip diameter of {diameter:g} mm does not fit inside this ring.",
                f"Give the diameter over the tips in mm, from {LEAST_DIAMETER_MM:g} to {most:.0f}.",
            )
        if options.bore_mm is not None and not diameter < options.bore_mm < diameter + 2 * MOST_CLEARANCE_MM:
            raise UsageError(
                f"Tips of {diameter:g} mm do not belong into a bore of {options.bore_mm:g} mm.",
                "Give the diameters over the tips and of the housing's bore in mm.",
            )
    if options.bore_mm is not None and not LEAST_DIAMETER_MM < options.bore_mm < most + 2 * MOST_CLEARANCE_MM:
        raise UsageError(
            f"A bore of {options.bore_mm:g} mm does not go with this ring.", "Give the housing's bore in mm."
        )
    if options.tips not in CONDITIONS:
        raise UsageError(f"Tips are not {options.tips!r}.", f"Say one of: {', '.join(CONDITIONS)}.")


def _diameters(options: Options) -> dict[str, float]:
    """The diameters over the tips that were measured: "middle", "leading" and "trailing" -> mm."""
    found = {
        "middle": options.diameter_mm, "leading": options.diameter_leading_mm, "trailing": options.diameter_trailing_mm
    }  # fmt: skip
    return {where: mm for where, mm in found.items() if mm is not None}


def calipers_of(options: Options, length_mm: float) -> tuple[Caliper, ...]:
    """The diameters that were measured, as observations of tips of a length, mm."""
    end = CALIPER_FROM_END_MM / length_mm
    share = {"middle": 0.5, "leading": end, "trailing": 1 - end}
    return tuple(Caliper(share[k], mm, options.diameter_sigma_mm) for k, mm in _diameters(options).items())


def priors_of(camera: Camera, options: Options, ring: Ring) -> Priors:
    """Priors by camera, options and ring, which is printed for rotors of a size: the tip radius to millimetres."""
    guess, sigma = OPTIONS.radius_of_ring * ring.inner_radius_mm, OPTIONS.radius_sigma_mm
    if measured := _diameters(options):
        guess, sigma = max(measured.values()) / 2, OPTIONS.caliper_radius_sigma_mm
    priors = Priors(
        camera.parameters, camera.covariance, radius_mm=guess, radius_sigma_mm=sigma,
        tips=CONDITIONS[options.tips], calipers=calipers_of(options, OPTIONS.usual_tip_mm),
    )  # fmt: skip
    return replace(priors, principal_sigma_px=priors.principal_sigma_px * scale_of(camera.width, camera.height))
