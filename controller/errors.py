"""Every error Tundish raises on purpose.

TundishError
|-- FileProblems        one or more files cannot be used; lists every problem        exit code 2
|-- BadQuantity         a text that is not the quantity asked for (also a ValueError)  exit code 2
|-- OutOfRange          an argument outside its stated range (also a ValueError)      exit code 2
|-- Refused             refused by a named rule: asked, allowed, remedy               exit code 1
|-- IllegalTransition   an event that the present machine state does not accept       exit code 1
|-- Unreachable         a process did not answer (also a ConnectionError)             exit code 3
|-- FaultLatched        the machine waits for a person                                exit code 4
|-- BoardError          a pin could not be claimed, driven or read (also an OSError)  exit code 1
`-- RecordError         the journal or the ledger could not be read or written        exit code 1
"""

import math
from dataclasses import dataclass


class TundishError(Exception):
    """Root of the tree. `exit_code` is what the command line ends with."""

    exit_code = 1


@dataclass(frozen=True, kw_only=True, order=True)
class Problem:
    """One thing wrong in a file that a person edits; line and column count from 1."""

    file: str
    line: int
    column: int
    text: str

    def __str__(self) -> str:
        return f"{self.file}:{self.line}:{self.column}: {self.text}"


class FileProblems(TundishError):
    """Files that cannot be used; `problems` holds all of them, in reading order."""

    exit_code = 2

    def __init__(self, problems: list[Problem]) -> None:
        self.problems = sorted(set(problems))
        super().__init__("\n".join(map(str, self.problems)))


class BadQuantity(TundishError, ValueError):
    """A text that cannot be read as the quantity asked for; the message quotes it and says what to write."""

    exit_code = 2


class OutOfRange(TundishError, ValueError):
    """An argument outside its range: name, value, low, high (inclusive), unit."""

    exit_code = 2

    def __init__(self, name: str, value: float, low: float, high: float, unit: str) -> None:
        self.name, self.value, self.low, self.high, self.unit = name, value, low, high, unit
        if _is_finite(value):
            super().__init__(f"{name} is {value:g} {unit}; it must lie between {low:g} and {high:g} {unit}")
        else:
            super().__init__(f"{name} must be finite, got {value!r:.40} {unit}")


class Refused(TundishError):
    """Refused by a named rule. `asked` and `allowed` are texts with units; `remedy` says what to do instead."""

    def __init__(self, *, rule: str, reason: str, asked: str = "", allowed: str = "", remedy: str = "") -> None:
        self.rule, self.reason, self.asked, self.allowed, self.remedy = rule, reason, asked, allowed, remedy
        super().__init__(f"refused by {rule}: {reason}" + (f" {remedy}" if remedy else ""))


class IllegalTransition(TundishError):
    """The present machine state does not accept this event; nothing has changed."""

    def __init__(self, state: str, event: str) -> None:
        self.state, self.event = state, event
        super().__init__(f"the machine is {state}: it does not accept {event} now")


class Unreachable(TundishError, ConnectionError):
    """A process did not answer; the message says which, where, and how to start it."""

    exit_code = 3


class FaultLatched(TundishError):
    """The machine is stopped by a fault and waits for a person."""

    exit_code = 4


class BoardError(TundishError, OSError):
    """A pin could not be claimed, driven or read."""


class RecordError(TundishError):
    """The journal or the ledger could not be read or written."""


def require_in_range(name: str, value: float, low: float, high: float, unit: str) -> None:
    """Raise OutOfRange unless value is finite and low <= value <= high."""
    if not _is_finite(value) or not low <= value <= high:
        raise OutOfRange(name, value, low, high, unit)


def require_positive(name: str, value: float, unit: str) -> None:
    """Raise OutOfRange unless value is finite and > 0."""
    if not _is_finite(value) or value <= 0:
        raise OutOfRange(name, value, math.ulp(0.0), math.inf, unit)


def _is_finite(value: float) -> bool:
    try:
        return math.isfinite(value)
    except OverflowError:  # an integer beyond every float: JSON may have it
        return False
