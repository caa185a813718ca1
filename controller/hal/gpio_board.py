"""The board as gpiozero devices over a pin factory that is given, never guessed."""

from collections.abc import Callable
from contextlib import suppress
from functools import partial
from typing import TypeVar

from gpiozero import InputDevice, OutputDevice
from gpiozero.pins import Factory

from controller.errors import BoardError
from controller.model.profile import Profile
from controller.model.wiring import CHANNEL, MainRelay, OutputRow

Device = TypeVar("Device")


class GpioBoard:
    """Outputs and inputs of a profile's tables; owns the factory and closes it with itself.

    Every output is claimed with its safe level. When anything fails on the way, what was claimed is driven off and
    released, and BoardError names the pin, the output and what the driver says.

    Drivers raise what they like, some a bare child of Exception; so Exception is what is caught at every pin, because
    no failure at one may keep the next from being tried.
    """

    def __init__(self, profile: Profile, factory: Factory) -> None:
        self._factory = factory
        self._outputs: dict[str, OutputDevice] = {}  # in the order of the table
        self._inputs: dict[str, InputDevice] = {}
        self._gpio = {row.name: row.gpio for row in profile.output_table}
        try:
            for row in profile.output_table:
                self._outputs[row.name] = _claimed(row.name, row.gpio, partial(_output, row, factory))
            for one in profile.input_table:
                name = f"{one.name} contact"
                self._inputs[one.name] = _claimed(name, one.gpio, partial(_contact, one.gpio, factory))
        except BaseException:
            with suppress(BoardError):  # the first failure is the one to tell
                self.close()
            raise
        # gpiozero's devices go through half a dozen properties for one reading; the guard reads thousands of times.
        self._pins = {name: device.pin for name, device in self._inputs.items()}

    def switch(self, line: int, *, on: bool) -> None:
        """Drive one line's relay; raises BoardError, after which the level is not known."""
        self.signal(f"{CHANNEL.name} {line}", on=on)

    def feed(self, *, on: bool) -> None:
        """Close or open the main relay; nothing to do where there is none. BoardError as for `switch`."""
        if MainRelay.role.name in self._outputs:
            self.signal(MainRelay.role.name, on=on)

    def signal(self, name: str, *, on: bool) -> None:
        """Switch an output by its name in the table. BoardError as for `switch`."""
        device = self._outputs.get(name)
        if device is None:
            raise BoardError(f"{name} has no pin on this board, or the board is closed")
        try:
            device.value = on
        except Exception as exc:
            raise BoardError(f"{name}, GPIO {self._gpio[name]}: cannot be switched: {exc}") from exc

    def all_off(self) -> list[BoardError]:
        """Drive every output off, whatever fails on the way; the failures. May be repeated."""
        failures = []
        for name in self._outputs:
            try:
                self.signal(name, on=False)
            except BoardError as exc:
                failures.append(exc)
        return failures

    def read(self) -> dict[str, bool]:
        """Contact name -> whether the contact is closed (reads low); raises BoardError when any cannot be read."""
        if not self._pins:
            raise BoardError("the board is closed")
        closed = {}
        for name, pin in self._pins.items():
            try:
                closed[name] = not pin.state
            except Exception as exc:
                raise BoardError(f"{name} contact, {pin!r}: cannot be read: {exc}") from exc
        return closed

    def close(self) -> None:
        """all_off, then release every pin without a pulse; raises BoardError after all were tried. May be repeated."""
        failures = self.all_off()
        devices = {**self._outputs, **self._inputs}
        self._outputs, self._inputs, self._pins = {}, {}, {}
        for name, device in devices.items():
            try:
                device.close()
            except Exception as exc:
                failures.append(BoardError(f"{name}: cannot be released: {exc}"))
        try:
            self._factory.close()
        except Exception as exc:
            failures.append(BoardError(f"the pin driver cannot be closed: {exc}"))
        if failures:
            raise BoardError("; ".join(map(str, failures)))


def _claimed(name: str, gpio: int, claim: Callable[[], Device]) -> Device:
    try:
        return claim()
    except Exception as exc:
        raise BoardError(f"{name}, GPIO {gpio}: cannot be claimed: {exc}") from exc


def _output(row: OutputRow, factory: Factory) -> OutputDevice:
    return OutputDevice(row.gpio, active_high=row.is_active_high, pin_factory=factory)


def _contact(gpio: int, factory: Factory) -> InputDevice:
    return InputDevice(gpio, pull_up=True, pin_factory=factory)
