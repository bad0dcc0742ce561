"""The time of day, also where it is centuries off."""

from __future__ import annotations

import time
from datetime import UTC, datetime

import pytest

from bladeangle.base import clock


def test_stamps() -> None:
    assert clock.stamp(datetime(2026, 11, 25, 10, 0, 7, 900, tzinfo=UTC)) == "2026-11-25T10:00:07Z"
    assert clock.stamp(datetime(326, 1, 2, tzinfo=UTC)) == "0326-01-02T00:00:00Z"
    assert abs((clock.now() - datetime.now(UTC)).total_seconds()) < 60
    assert clock.now().microsecond == 0


@pytest.mark.parametrize(("year", "doubted"), [(1677, True), (2023, True), (2024, False), (2099, False), (2262, True)])
def test_a_clock_far_off_is_doubted(monkeypatch: pytest.MonkeyPatch, year: int, doubted: bool) -> None:
    monkeypatch.setattr(clock, "now", lambda: datetime(year, 5, 1, tzinfo=UTC))
    told = clock.doubt()
    assert (told is not None) == doubted
    assert told is None or f"the year {year};" in told


def test_a_time_that_python_cannot_hold_stands_still(monkeypatch: pytest.MonkeyPatch) -> None:
    right = time.time
    clock.mend()
    assert time.time is right

    def beyond() -> float:
        raise OverflowError("timestamp too large to convert to C _PyTime_t")

    monkeypatch.setattr(time, "time", beyond)
    clock.mend()
    assert time.time() == time.time() == pytest.approx(right(), abs=60)
