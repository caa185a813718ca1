"""Faults that the bench can be told to have."""

from collections.abc import Collection
from typing import Literal, get_args

from controller.errors import Refused, require_in_range
from controller.model.fields import Value

FaultKind = Literal[
    "relay stuck on", "relay stuck off", "relay slow", "pump stalled", "pump dead", "tube off", "tube blocked",
    "tube worn", "siphon", "container empty", "input stuck", "main relay stuck on", "main relay stuck off",
    "scale wrong sign", "scale saturated", "scale repeats", "scale silent", "scale overloaded", "scale creeps",
    "scale drifts", "scale span off",
]  # fmt: skip
MAIN_RELAY = ("main relay stuck on", "main relay stuck off")
OF_SCALE = tuple(kind for kind in get_args(FaultKind) if kind.startswith("scale "))
WITHOUT_PLACE = (*MAIN_RELAY, *OF_SCALE)  # there is but one
SIPHON_ML_S = 0.5  # through a tube that is not pinched shut, unless stated; common practice, no source
KINDS: tuple[str, ...] = get_args(FaultKind)


class InjectedFault(Value, frozen=True, kw_only=True):
    """One fault.

    `line` for all but the main relay's, the scale's and `input stuck`, which names a `contact` and whether it is stuck
    `closed`. `amount`: seconds that a slow relay adds to both its times; fraction of the displacement that a worn tube
    has lost, from now on (0.5: the flow falls to half); mL/s of a siphon; g on an overloaded scale; times that a scale
    creeps more; g a minute that it drifts; fraction that its span is off. 0: a usual amount of the scale or a siphon.
    """

    kind: FaultKind
    line: int | None = None
    contact: str | None = None
    closed: bool = False
    amount: float = 0.0

    def is_same(self, other: "InjectedFault") -> bool:
        """Whether both are of one kind at one place."""
        return (self.kind, self.line, self.contact) == (other.kind, other.line, other.contact)

    def words(self) -> str:
        """For the trace."""
        if self.kind in WITHOUT_PLACE:
            return self.kind
        return f"{self.kind}, " + (f"contact {self.contact}" if self.contact else f"line {self.line}")


def require_possible(
    fault: InjectedFault, lines: set[int], contacts: set[str], *, has_main_relay: bool, has_scale: bool
) -> None:
    """Refuse a fault of something that the machine does not have, or an impossible amount."""
    if fault.kind == "input stuck":
        if fault.contact not in contacts:
            raise _refused(f"there is no contact {fault.contact!r}; there are {', '.join(sorted(contacts))}")
    elif fault.kind in MAIN_RELAY:
        if not has_main_relay:
            raise _refused("this machine has no main relay")
    elif fault.kind in OF_SCALE:
        if not has_scale:
            raise _refused("this machine has no scale")
        require_in_range("amount", fault.amount, -1e5, 1e5, "")
    elif fault.line not in lines:
        raise _refused(f"there is no line {fault.line}; there are {', '.join(map(str, sorted(lines)))}")
    if fault.kind == "relay slow" and not 0 <= fault.amount <= 10:
        raise _refused(f"a relay slower by {fault.amount:g} s: from 0 to 10 s")
    if fault.kind == "siphon" and not 0 <= fault.amount <= 10:
        raise _refused(f"a siphon of {fault.amount:g} mL/s: from 0 to 10 mL/s")
    if fault.kind == "tube worn" and not 0 <= fault.amount < 1:
        raise _refused(f"a tube that has lost {fault.amount:g} of its displacement: from 0 to less than 1")


def stuck_how(relay: str, faults: Collection[str]) -> Literal["on", "off"] | None:
    """How a relay ("relay", "main relay") sticks when there are faults of these kinds."""
    return "on" if f"{relay} stuck on" in faults else "off" if f"{relay} stuck off" in faults else None


def _refused(reason: str) -> Refused:
    return Refused(rule="bench_fault", reason=reason)
