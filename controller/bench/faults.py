"""Faults that the bench can be told to have."""

from typing import Literal, get_args

from controller.errors import Refused
from controller.model.fields import Value

FaultKind = Literal[
    "relay stuck on", "relay stuck off", "relay slow", "pump stalled", "tube off", "tube worn", "container empty",
    "input stuck",
]  # fmt: skip
KINDS: tuple[str, ...] = get_args(FaultKind)


class Fault(Value, frozen=True, kw_only=True):
    """One fault.

    `line` for all but `input stuck`, which names a `contact` and whether it is stuck `closed`. `amount`: seconds that
    a slow relay adds to both its times; fraction of the displacement that a worn tube has lost.
    """

    kind: FaultKind
    line: int | None = None
    contact: str | None = None
    closed: bool = False
    amount: float = 0.0


def require_possible(fault: Fault, lines: set[int], contacts: set[str]) -> None:
    """Refuse a fault of something that the machine does not have, or an impossible amount."""
    if fault.kind == "input stuck":
        if fault.contact not in contacts:
            raise _refused(f"there is no contact {fault.contact!r}; there are {', '.join(sorted(contacts))}")
    elif fault.line not in lines:
        raise _refused(f"there is no line {fault.line}; there are {', '.join(map(str, sorted(lines)))}")
    if fault.kind == "relay slow" and not 0 <= fault.amount <= 10:
        raise _refused(f"a relay slower by {fault.amount:g} s: from 0 to 10 s")
    if fault.kind == "tube worn" and not 0 <= fault.amount < 1:
        raise _refused(f"a tube that has lost {fault.amount:g} of its displacement: from 0 to less than 1")


def _refused(reason: str) -> Refused:
    return Refused(rule="bench_fault", reason=reason)
