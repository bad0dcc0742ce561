"""The exception family: every way a command can end, with its exit code and what to try next.

An exception says what was seen, what was needed and what to try, in one clear sentence each; the command line
prints `message` and `hint` and leaves with `exit_code`. Doubt is not an exception but a flag in the record.
"""

from __future__ import annotations


class BladeangleError(Exception):
    """Base of all errors meant for the user.

    Parameters
    ----------
    message : what was seen and what was needed, one sentence.
    hint : what to try next, one sentence; may be empty.
    """

    exit_code = 1

    def __init__(self, message: str, hint: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.hint = hint


class UsageError(BladeangleError):
    """The words of the command do not fit together."""

    exit_code = 2


class PhotoError(BladeangleError):
    """A photograph cannot be read, or is not one that can be measured."""

    exit_code = 3


class DefinitionError(BladeangleError):
    """A camera, ring or order file is missing, malformed or does not fit."""

    exit_code = 4


class RingNotFoundError(BladeangleError):
    """Too little of the printed ring is seen."""

    exit_code = 5


class EdgesError(BladeangleError):
    """Hub or blade edges are not found well enough to measure."""

    exit_code = 6


class AdjustmentError(BladeangleError):
    """The adjustment did not converge or the photographs contradict each other."""

    exit_code = 7


class RecordError(BladeangleError):
    """A record is not valid."""

    exit_code = 8


class OutputError(BladeangleError):
    """An output cannot be written."""

    exit_code = 9


#: Exit codes that are outcomes rather than errors.
EXIT_NOT_CONFORMING = 10
EXIT_BATCH_PARTLY_FAILED = 11
EXIT_INTERRUPTED = 130
