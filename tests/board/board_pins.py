"""What the pin trace of the emulated board says about relays: when each was driven on, and whether anyone asked."""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Protocol

SHORTEST_RUN_S = 0.1  # no plan holds a shorter run; anything shorter is a glitch


class Change(Protocol):
    """One change of one pin, as the rig's trace has it: `new` is "high" or "low" when the board drives the pin."""

    @property
    def at(self) -> float: ...
    @property
    def pin(self) -> int: ...
    @property
    def new(self) -> str: ...


@dataclass(frozen=True, kw_only=True)
class Pulse:
    """One time during which the board drove a relay's GPIO to its on level; host's clock, s."""

    gpio: int
    start_s: float
    end_s: float  # infinity: still on when the trace ends

    @property
    def length_s(self) -> float:
        return self.end_s - self.start_s


@dataclass(frozen=True, kw_only=True)
class Window:
    """When these GPIOs may be on, because an operation asked for it."""

    gpios: frozenset[int]
    start_s: float
    end_s: float

    def covers(self, pulse: Pulse) -> bool:
        return pulse.gpio in self.gpios and self.start_s <= pulse.start_s and pulse.end_s <= self.end_s


def pulses(changes: Iterable[Change], gpios: frozenset[int], on_level: str) -> list[Pulse]:
    """Every time one of the GPIOs was driven on, in the order of the starts."""
    started: dict[int, float] = {}
    found = []
    for change in changes:
        if change.pin not in gpios:
            continue
        if change.new == on_level:
            started.setdefault(change.pin, change.at)
        elif change.pin in started:
            found.append(Pulse(gpio=change.pin, start_s=started.pop(change.pin), end_s=change.at))
    found += [Pulse(gpio=gpio, start_s=start_s, end_s=math.inf) for gpio, start_s in started.items()]
    return sorted(found, key=lambda pulse: pulse.start_s)


def unasked(found: Iterable[Pulse], windows: Iterable[Window]) -> list[str]:
    """One sentence for each pulse that nobody asked for, that outlasts its asking, or that is no run but a glitch."""
    windows = list(windows)
    complaints = []
    for pulse in found:
        if not any(window.covers(pulse) for window in windows):
            complaints.append(
                f"GPIO {pulse.gpio} was driven on for {pulse.length_s:.3f} s, and nobody asked for it then"
            )
        elif pulse.length_s < SHORTEST_RUN_S:
            complaints.append(f"GPIO {pulse.gpio} was driven on for {pulse.length_s * 1000:.1f} ms: no run is so short")
    return complaints


def off_after_s(found: Iterable[Pulse], marked_s: float) -> float | None:
    """How long after the mark the last relay that was on then went off; None when none was on."""
    ends = [pulse.end_s for pulse in found if pulse.start_s <= marked_s < pulse.end_s]
    return max(ends) - marked_s if ends else None


def rise_s(changes: Iterable[Change], gpio: int) -> float | None:
    """When this GPIO was last driven from low to high; None when it was not."""
    rises = [change.at for change in changes if change.pin == gpio and change.new == "high"]
    return rises[-1] if rises else None
