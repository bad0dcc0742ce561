"""A value + what is known of it -> a field of a frozen dataclass, which keeps both."""

from __future__ import annotations

from collections.abc import Iterator
from copy import copy
from dataclasses import FrozenInstanceError, dataclass, field, fields
from typing import Any, NoReturn, TypeVar

_T = TypeVar("_T")
_G = TypeVar("_G", bound="Group")

#: Units that values have. "sigma" counts standard uncertainties; "1" are ratios, shares and costs of no unit.
UNITS = ("1", "count", "sigma", "mm", "px", "1/px", "deg", "rad", "grey levels")
#: Evidence of values that nobody has measured, and of what the trade is said to do.
JUDGEMENT = "judgement, not measured"
COMMON_PRACTICE = "common practice, no source"
#: Sensitivity of values that `python -m tests.bench.tuning` was not run for, and of those that it finds unread.
NOT_MEASURED = "not measured"
NOT_READ = "not read when the sets were measured: no effect on their angles"


@dataclass(frozen=True)
class Knowledge:
    """What is known of a tuned value.

    unit : one of `UNITS`. meaning : what it is. evidence : what it was measured on, or that it is a judgement.
    sensitivity : what a change by half does to angles and to the coverage of their intervals.
    """

    unit: str
    meaning: str
    evidence: str
    sensitivity: str


def tuned(value: _T, *, unit: str, meaning: str, evidence: str, sensitivity: str) -> _T:
    """A field of a dataclass with this default, declared as one of the value's type."""
    known = Knowledge(unit, meaning, evidence, sensitivity)
    declared: Any = field(default=value, metadata={"known": known})
    return declared  # type: ignore[no-any-return]


class Group:
    """Base of the dataclasses of tuned values, whose values cannot be changed.

    `dataclass(frozen=True)` would do the same by writing code for each of them whenever the program starts, which takes
    20 ms in all.
    """

    def __setattr__(self, name: str, value: object) -> NoReturn:
        raise FrozenInstanceError(f"cannot assign to field {name!r}")

    def __delattr__(self, name: str) -> NoReturn:
        raise FrozenInstanceError(f"cannot delete field {name!r}")


def changed(group: _G, **values: object) -> _G:
    """A copy of a group in which some values are others; KeyError for a value that it does not have."""
    out = copy(group)
    for name, value in values.items():
        if name not in {one.name for one in fields(out)}:  # type: ignore[arg-type]
            raise KeyError(name)
        object.__setattr__(out, name, value)
    return out


def known(group: Any) -> Iterator[tuple[str, Knowledge]]:
    """Name of each tuned value of a group, with what is known of it."""
    for one in fields(group):
        yield one.name, one.metadata["known"]
