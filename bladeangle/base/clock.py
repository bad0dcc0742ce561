"""The machine's clock -> dates for results; a clock that is off by centuries is told and stops nothing."""

from __future__ import annotations

import time
from datetime import UTC, datetime

#: Years that a clock which is right may show.
YEARS = range(2024, 2100)


def mend() -> None:
    """Let Python's libraries start where the clock shows a time that Python cannot hold (before 1677, after 2262).

    `logging` asks for the time when it is imported, and so ends every program that uses it. From here on the clock
    stands still at the last day that there is. To be called by a program, not by a library.
    """
    try:
        time.time()
    except (OverflowError, ValueError):
        last = datetime.now(UTC).timestamp()  # this one is cut off at the limit
        time.time = lambda: last


def now() -> datetime:
    """The time in UTC, to the second."""
    return datetime.now(UTC).replace(microsecond=0)


def stamp(moment: datetime | None = None) -> str:
    """A time, now by default, as records have it: "2026-11-25T10:00:00Z"."""
    # not strftime, which writes years before 1000 with fewer digits
    return (moment or now()).replace(tzinfo=None).isoformat(timespec="seconds") + "Z"


def doubt() -> str | None:
    """What to tell of a clock that cannot be right, else None."""
    year = now().year
    if year in YEARS:
        return None
    return f"note: This computer's clock shows the year {year}; dates in results will be wrong until it is set."
