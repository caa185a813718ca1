"""What is wired to the computer, as one table: inputs and outputs, each with what it is and what it does.

A kind of input or output is a class here: its fields are what a profile says of it, its `role` is what everybody else
has to know. A field of `Inputs` or `Outputs` brings it into profiles. Board, guard, sentinel, bench, checks, JSON
Schema, `tundish wiring` and status follow from the rows.
"""

from collections.abc import Iterator
from typing import ClassVar, Literal, TypeVar, get_args

import msgspec

from controller.model.fields import Gpio, LineNumber, Value
from controller.model.ranges import (
    ButtonDebounce,
    CurrentDebounce,
    HoldDebounce,
    LevelDebounce,
    MainRelayTime,
    StopDebounce,
    TrayDebounce,
)

Level = Literal["low", "high"]
# What an input does, beyond being reported:
#   stop    everything off, fault latched, while it is active
#   hold    nothing begins and what runs is held while it is active; it goes on by itself afterwards
#   refuse  no serving begins or goes on while it is active; what runs goes on
#   tell    each press is sent to the engine as an event; it moves nothing
#   own     a rule of its own in controller/safety
Effect = Literal["stop", "hold", "refuse", "tell", "own"]


class InputRole(Value, frozen=True, kw_only=True):
    """What a kind of input means. Active is whatever is not rest: pressed, glass there, full, low, current flows."""

    name: str  # in reports, traces, faults of the bench; a line's input carries the line's number after it
    user: str  # what messages about its pin call it
    effect: Effect
    is_active_unread: bool  # what it counts as before it has been read; one that cannot be read is a fault, always
    active: str  # how `tundish status` says that it is active,
    rest: str  # and that it is at rest
    reason: str = ""  # of a hold or a refusal, as a sentence without its full stop
    remedy: str = ""


class OutputRole(Value, frozen=True, kw_only=True):
    """What a kind of output is for."""

    name: str
    user: str  # what messages about its pin call it
    at_boot: str  # what it does when the pin carries its active level while the computer boots; {}: would, may
    is_on_while: Literal["pumps run"] | None = None  # None: switched by the plan, and a pump may run by it


# --- inputs


class Input(Value, frozen=True, kw_only=True):
    """One thing that is read."""

    role: ClassVar[InputRole]


class Contact(Input, frozen=True, kw_only=True):
    """A contact between a GPIO and ground, with a pull-up: closed reads low."""

    gpio: Gpio
    contact: Literal["normally_open", "normally_closed"]
    debounce_s: StopDebounce = 0.02


class StopContact(Contact, frozen=True, kw_only=True):
    """The stop button. At rest it is not pressed."""

    role = InputRole(
        name="stop",
        user="the stop contact",
        effect="stop",
        is_active_unread=True,
        active="STOP PRESSED",
        rest="stop not pressed",
        reason="the stop contact is open: pressed, or its wire is broken",
    )


class GlassContact(Contact, frozen=True, kw_only=True):
    """The contact under the glass. At rest there is no glass."""

    role = InputRole(
        name="glass",
        user="the glass sensor",
        effect="own",
        is_active_unread=False,
        active="glass in place",
        rest="no glass",
        reason="there is no glass under the outlet",
        remedy="Put a glass there.",
    )
    debounce_s: HoldDebounce = 0.02


class TrayContact(Contact, frozen=True, kw_only=True):
    """The contact in the drip tray. At rest it is not full."""

    role = InputRole(
        name="drip tray",
        user="the drip tray",
        effect="refuse",
        is_active_unread=True,
        active="DRIP TRAY FULL",
        rest="drip tray not full",
        reason="the drip tray is full",
        remedy="Empty the drip tray.",
    )
    debounce_s: TrayDebounce = 0.02


class CurrentContact(Contact, frozen=True, kw_only=True):
    """The contact of a current-sensing switch. At rest no current flows."""

    role = InputRole(
        name="current",
        user="the current contact",
        effect="own",
        is_active_unread=False,
        active="pump current flows",
        rest="no pump current",
    )
    debounce_s: CurrentDebounce = 0.02


class FunnelContact(Contact, frozen=True, kw_only=True):
    """A contact at the funnel's rim. At rest it is not full."""

    role = InputRole(
        name="funnel full",
        user="the funnel contact",
        effect="hold",
        is_active_unread=True,
        active="FUNNEL FULL",
        rest="funnel not full",
        reason="the funnel is full",
        remedy="It drains by itself; where it does not, clear its outlet.",
    )
    debounce_s: HoldDebounce = 0.1


class StartContact(Contact, frozen=True, kw_only=True):
    """A start button at the machine. At rest it is not pressed."""

    role = InputRole(
        name="start",
        user="the start button",
        effect="tell",
        is_active_unread=False,
        active="START PRESSED",
        rest="start not pressed",
    )
    debounce_s: ButtonDebounce = 0.03


class LevelSwitch(Input, frozen=True, kw_only=True):
    """A level contact in one line's container. At rest the container is not low."""

    role = InputRole(
        name="level",
        user="the level switch",
        effect="own",
        is_active_unread=True,
        active="low",
        rest="not low",
    )
    line: LineNumber
    gpio: Gpio
    contact: Literal["normally_open", "normally_closed"]
    debounce_s: LevelDebounce = 0.2


class Inputs(Value, frozen=True, kw_only=True):
    """What the guard reads. The stop contact must be normally closed: a broken wire then reads as pressed.

    current: the contact of a current-sensing switch in the feed that all pumps share, after the main relay. It must
    have left its rest at CURRENT_SWITCH_A, and must be at rest without current. Usually normally open: closed while any
    pump draws current. A broken wire then shows at the next run, as a pump that does not run.
    """

    stop: StopContact
    glass: GlassContact | None = None
    drip_tray: TrayContact | None = None
    levels: tuple[LevelSwitch, ...] = ()
    current: CurrentContact | None = None
    funnel_full: FunnelContact | None = None
    start: StartContact | None = None
    guests_may_consent: bool = (
        False  # to their own drinks without alcohol, by phone, just after the glass contact closed
    )


# --- outputs


class Output(Value, frozen=True, kw_only=True):
    """One GPIO that is driven. Its safe level, the one that is not active, is there from the first instant.

    Attributes:
        gpio: BCM number
        active_level: level at the GPIO that switches it on
    """

    role: ClassVar[OutputRole]
    gpio: Gpio
    active_level: Level


class MainRelay(Output, frozen=True, kw_only=True):
    """One relay in the pumps' feed, before all channels: while it is open no pump has voltage, whatever a channel does.

    The defaults are common practice for a relay of 10 A, no source.

    Attributes:
        operate_s: from level to closed contact
        release_s: from level to open contact
    """

    role = OutputRole(name="main relay", user="the main relay", at_boot="it {} feed the pumps")
    operate_s: MainRelayTime = 0.015
    release_s: MainRelayTime = 0.010


CHANNEL = OutputRole(name="line", user="line", at_boot="the pump {} run")


class Lamp(Output, frozen=True, kw_only=True):
    """A lamp, or a relay that switches one. It draws its current from the supply's `lamps`, not from the pin."""

    role = OutputRole(name="lamp", user="the lamp", at_boot="it {} be lit", is_on_while="pumps run")


class Outputs(Value, frozen=True, kw_only=True):
    """What the guard drives besides pumps and their feed.

    Attributes:
        lamp: on while any pump runs
    """

    lamp: Lamp | None = None


# --- the table


class InputRow(Value, frozen=True, kw_only=True):
    """One input of a machine."""

    name: str  # "drip tray"; "level 3"
    field: str  # in the profile
    role: InputRole
    gpio: int
    closed_at_rest: bool
    debounce_s: float
    line: int | None = None  # whose input it is

    def is_active(self, closed: bool) -> bool:
        """What a reading means."""
        return closed != self.closed_at_rest


class OutputRow(Value, frozen=True, kw_only=True):
    """One output of a machine."""

    name: str  # "main relay"; "line 3"
    role: OutputRole
    gpio: int
    active_level: Level
    line: int | None = None

    @property
    def is_active_high(self) -> bool:
        """Whether a high level switches it on."""
        return self.active_level == "high"

    @property
    def safe_level(self) -> bool:
        """The level (True: high) that switches it off."""
        return not self.is_active_high


Kind = TypeVar("Kind", bound=Value)


def _kinds(cls: type[Value], base: type[Kind]) -> dict[str, type[Kind]]:
    """Field -> the kind of input or output that it takes, for those that take one."""
    found = ((one.name, (one.type, *get_args(one.type))) for one in msgspec.structs.fields(cls))
    return {name: kind for name, types in found for kind in types if isinstance(kind, type) and issubclass(kind, base)}


def input_rows(inputs: Inputs) -> tuple[InputRow, ...]:
    """The inputs of a machine, one row each."""
    return tuple(_input_rows(inputs))


def _input_rows(inputs: Inputs) -> Iterator[InputRow]:
    for field, kind in _kinds(type(inputs), Input).items():
        value = getattr(inputs, field)
        for one in value if isinstance(value, tuple) else (value,):
            if one is not None:
                yield _input_row(field, kind.role, one)


def _input_row(field: str, role: InputRole, one: Contact | LevelSwitch) -> InputRow:
    line = one.line if isinstance(one, LevelSwitch) else None
    return InputRow(
        name=role.name if line is None else f"{role.name} {line}",
        field=field,
        role=role,
        gpio=one.gpio,
        closed_at_rest=one.contact == "normally_closed",
        debounce_s=one.debounce_s,
        line=line,
    )


def signal_rows(outputs: Outputs) -> tuple[OutputRow, ...]:
    """The outputs that are neither channel nor main relay."""
    found = ((kind.role, getattr(outputs, field)) for field, kind in _kinds(type(outputs), Output).items())
    return tuple(output_row(role, one) for role, one in found if one is not None)


def output_row(role: OutputRole, output: Output) -> OutputRow:
    """The row of an output."""
    return OutputRow(name=role.name, role=role, gpio=output.gpio, active_level=output.active_level)


def role_of(name: str) -> InputRole:
    """The role of an input by its name, without a line's number; KeyError when there is none."""
    kinds: tuple[type[Input], ...] = (*Contact.__subclasses__(), LevelSwitch)
    return {kind.role.name: kind.role for kind in kinds}[name]
