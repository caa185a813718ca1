"""The board as gpiozero devices over a pin factory that is given, never guessed."""

from collections.abc import Callable
from contextlib import suppress
from typing import TypeVar

from gpiozero import InputDevice, OutputDevice
from gpiozero.pins import Factory

from controller.errors import BoardError
from controller.model.profile import MainRelay, Profile

Device = TypeVar("Device")

MAIN_RELAY = "main relay"


class GpioBoard:
    """Relay channels, main relay and contacts of a profile; owns the factory and closes it with itself.

    Every output is claimed with its safe level. When anything fails on the way, what was claimed is driven off and
    released, and BoardError names the pin, the line and what the driver says.

    Drivers raise what they like, some a bare child of Exception; so Exception is what is caught at every pin, because
    no failure at one may keep the next from being tried.
    """

    def __init__(self, profile: Profile, factory: Factory) -> None:
        self._factory = factory
        self._outputs: dict[int, OutputDevice] = {}
        self._inputs: dict[str, InputDevice] = {}
        self._gpio = {line.line: line.gpio for line in profile.lines}
        self._main: OutputDevice | None = None
        active_high = profile.relay_board.active_level == "high"
        try:
            if profile.main_relay is not None:
                self._main = self._claim_main(profile.main_relay)
            for line in profile.lines:
                self._outputs[line.line] = _claimed(
                    f"line {line.line}",
                    line.gpio,
                    lambda gpio: OutputDevice(gpio, active_high=active_high, pin_factory=factory),
                )
            for name, gpio in _contacts(profile).items():
                self._inputs[name] = _claimed(
                    f"{name} contact", gpio, lambda gpio: InputDevice(gpio, pull_up=True, pin_factory=factory)
                )
        except BaseException:
            with suppress(BoardError):  # the first failure is the one to tell
                self.close()
            raise
        # gpiozero's devices go through half a dozen properties for one reading; the guard reads thousands of times.
        self._pins = {name: device.pin for name, device in self._inputs.items()}

    def switch(self, line: int, *, on: bool) -> None:
        """Drive one line's relay; raises BoardError, after which the level is not known."""
        device = self._outputs.get(line)
        if device is None:
            raise BoardError(f"line {line} has no pin on this board, or the board is closed")
        try:
            device.value = on
        except Exception as exc:
            raise BoardError(f"line {line}, GPIO {self._gpio[line]}: cannot be switched: {exc}") from exc

    def _claim_main(self, main: MainRelay) -> OutputDevice:
        active_high = main.active_level == "high"
        return _claimed(
            MAIN_RELAY,
            main.gpio,
            lambda gpio: OutputDevice(gpio, active_high=active_high, pin_factory=self._factory),
        )

    def feed(self, *, on: bool) -> None:
        """Close or open the main relay; nothing to do where there is none. BoardError as for `switch`."""
        if self._main is None:
            return
        try:
            self._main.value = on
        except Exception as exc:
            raise BoardError(f"{MAIN_RELAY}, {self._main.pin!r}: cannot be switched: {exc}") from exc

    def all_off(self) -> list[BoardError]:
        """Drive the main relay and every line off, whatever fails on the way; the failures. May be repeated."""
        failures = []
        try:
            self.feed(on=False)  # first: it alone takes every pump's voltage
        except BoardError as exc:
            failures.append(exc)
        for line in self._outputs:
            try:
                self.switch(line, on=False)
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
        main = {} if self._main is None else {MAIN_RELAY: self._main}
        lines = {f"line {line}": device for line, device in self._outputs.items()}
        devices = {**main, **lines, **self._inputs}
        self._main, self._outputs, self._inputs, self._pins = None, {}, {}, {}
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


def _claimed(name: str, gpio: int, claim: Callable[[int], Device]) -> Device:
    try:
        return claim(gpio)
    except Exception as exc:
        raise BoardError(f"{name}, GPIO {gpio}: cannot be claimed: {exc}") from exc


def _contacts(profile: Profile) -> dict[str, int]:
    """Contact name -> GPIO."""
    inputs = profile.inputs
    single = {"stop": inputs.stop, "glass": inputs.glass, "drip tray": inputs.drip_tray, "current": inputs.current}
    wired = {name: contact.gpio for name, contact in single.items() if contact is not None}
    return wired | {f"level {one.line}": one.gpio for one in inputs.levels}
