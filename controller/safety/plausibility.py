"""The current contact held against what was commanded: a channel that disobeys is found, and a pump without current.

Without a current contact nothing here ever finds anything; without a main relay the feed counts as closed.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

from controller.model.profile import Profile

# How long after the last edge the current may still be what it was, relay times aside: the rotor coasts (60 ms on the
# bench) and a current switch takes its time. Common practice, no source.
SENSE_S = 0.1
RELAY_FACTOR = 2.0  # a relay may take this many times its data sheet's time; common practice, no source
READ_S = 0.03  # on top, for the contact's debounce to be over and read before the first channel closes

CURRENT_UNFED, CURRENT_OFF, NO_CURRENT = (
    "current with the main relay open",
    "current with all channels off",
    "no current",
)  # causes of faults


class Commanded(StrEnum):
    """What the guard has switched; exactly one of these at any time."""

    UNFED = "main relay open"
    OFF = "feed closed, all channels off"
    ON = "feed closed, some channel on"


@dataclass(frozen=True, kw_only=True)
class Rule:
    """With this commanded for longer than it takes to settle, current must flow or must not."""

    commanded: Commanded
    must_flow: bool
    cause: str
    text: Callable[["Feedback"], str]


class Feedback:
    """Follows what is switched and judges the current contact by it. Times are the guard's monotonic seconds."""

    def __init__(self, profile: Profile, now_s: float) -> None:
        self.profile = profile
        self.has_main = profile.main_relay is not None
        self.on: frozenset[int] = frozenset()
        self.last_off: frozenset[int] = frozenset()  # the lines that were switched off last, since the guard woke
        self.is_fed = not self.has_main
        self.is_proven = (
            self.is_fed
        )  # whether channels may close: the feed has been seen without current since it closed
        self._since_s = now_s
        self._sees = profile.inputs.current is not None
        self._flows: bool | None = None
        self._read_s = -math.inf

    @property
    def commanded(self) -> Commanded:
        """What is switched now."""
        if not self.is_fed:
            return Commanded.UNFED
        return Commanded.ON if self.on else Commanded.OFF

    def switched(self, now_s: float, on: frozenset[int], *, is_fed: bool) -> None:
        """From now_s on these lines are on, and the main relay, if there is one, is closed or not."""
        is_fed = is_fed or not self.has_main
        if (on, is_fed) != (self.on, self.is_fed):
            self.last_off = (self.on - on) or self.last_off
            if is_fed != self.is_fed:
                self.is_proven = is_fed and not self._sees
            self.on, self.is_fed, self._since_s = on, is_fed, now_s

    def read(self, now_s: float, flows: bool | None) -> None:
        """The contacts were read; flows: None while the current contact is not settled, or could not be read."""
        self._read_s, self._flows = now_s, flows
        if flows is False and self.commanded is Commanded.OFF and now_s >= self.settled_s:
            self.is_proven = True

    @property
    def settled_s(self) -> float:
        """From when on the current must be what is commanded."""
        relays, main = self.profile.relay_board, self.profile.main_relay
        slowest_s = max(
            relays.operate_s, relays.release_s, *((main.operate_s, main.release_s) if main is not None else ())
        )
        return self._since_s + RELAY_FACTOR * slowest_s + SENSE_S

    @property
    def look_s(self) -> float:
        """When a reading is wanted so that nothing is found late; infinity when none is."""
        return self.settled_s if self._sees and self._read_s < self.settled_s else math.inf

    @property
    def lead_s(self) -> float:
        """How long after closing the main relay the first channel may close: no time where that is closed already.

        With a current contact that is as long as it takes to see that no channel draws current by itself.
        """
        main, current = self.profile.main_relay, self.profile.inputs.current
        if self.is_fed or main is None:
            return 0.0
        if current is None:
            return RELAY_FACTOR * main.operate_s
        return self.settled_s - self._since_s + current.debounce_s + READ_S

    @property
    def is_open_question(self) -> bool:
        """Whether the main relay must stay closed to show that no channel draws current by itself."""
        return self._sees and self.has_main and self.is_fed and (self._flows is not False or self.look_s < math.inf)

    def broken(self) -> dict[str, str]:
        """Causes of faults that show at the last reading, with what to do; {} when all is as commanded."""
        if not self._sees or self._flows is None or self._read_s < self.settled_s:
            return {}
        rule = RULES[self.commanded]
        return {} if self._flows == rule.must_flow else {rule.cause: rule.text(self)}


def _current_unfed(_: Feedback) -> str:
    return (
        "current flows although the main relay is open: the current contact or its wire is stuck closed, or the main "
        "relay is welded and a channel with it. Switch the pumps' supply off; if the contact still reads closed then, "
        "pull its wire and replace it, otherwise the main relay"
    )


def _current_off(found: Feedback) -> str:
    now = "The main relay has been opened" if found.has_main else "Switch the pumps' supply off at once"
    pull = "pull the pump wires one by one"
    if found.last_off:
        pull += f", beginning with {_named(found, found.last_off)}, switched off last"
    return (
        f"current flows although every channel is off: a relay is stuck on, or a wire has touched the supply. {now}; "
        f"{pull}. If current flows with all of them pulled, the current contact is stuck closed"
    )


def _no_current(found: Feedback) -> str:
    if len(found.on) == 1:
        check = "check its fuse and wires, its relay, and the current contact's wire"
    else:
        check = "none of these pumps runs; check the fuse and wires of the pumps' feed and the current contact's wire"
    return f"{_named(found, found.on)}: no current: {check}" + (", then the main relay" if found.has_main else "")


def _named(found: Feedback, lines: frozenset[int]) -> str:
    numbers = sorted(lines)
    if len(numbers) == 1:
        return f"line {numbers[0]} (relay channel {found.profile.line(numbers[0]).channel})"
    return f"lines {', '.join(map(str, numbers))}"


RULES: dict[Commanded, Rule] = {
    rule.commanded: rule
    for rule in (
        Rule(commanded=Commanded.UNFED, must_flow=False, cause=CURRENT_UNFED, text=_current_unfed),
        Rule(commanded=Commanded.OFF, must_flow=False, cause=CURRENT_OFF, text=_current_off),
        # With several on, one that draws is as good as all: only when none draws is it known.
        Rule(commanded=Commanded.ON, must_flow=True, cause=NO_CURRENT, text=_no_current),
    )
}
