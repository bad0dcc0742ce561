"""Length of a blade's tip -> where its stations lie."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class StationOptions:
    """Lengths along the tip, mm: station and skipped rounding."""

    length_mm: float = 32.0
    skip_mm: float = 2.0


def station_span(length_mm: float, station: str, options: StationOptions) -> tuple[float, float]:
    """From where to where along a tip of `length_mm` a station reaches."""
    skip, long = options.skip_mm, options.length_mm
    return {
        "entry": (skip, skip + long),
        "middle": (skip + long, length_mm - skip - long),
        "exit": (length_mm - skip - long, length_mm - skip),
    }[station]
