"""Checks of the wiring: who uses which GPIO, and what every relay does while the computer boots."""

from collections.abc import Iterable
from dataclasses import dataclass

from controller.config.boot_lines import BootLine, PinSetting, read_boot_line
from controller.config.diagnostics import Found, Notes
from controller.errors import BadQuantity
from controller.model.header import HEADER

_BUS_SWITCH = {
    "I2C1": "leave I2C switched off in the boot configuration",
    "SPI0": "leave SPI switched off in the boot configuration",
    "UART": "switch the serial console and the serial port off in the boot configuration",
}

_CONTACTS = {
    "the stop contact": "stop",
    "the glass sensor": "glass",
    "the drip tray": "drip_tray",
    "the current contact": "current",
}  # how messages call them -> field


@dataclass(frozen=True, kw_only=True)
class PinUse:
    """A GPIO and who has it: "line 4" or "the stop contact"."""

    gpio: int
    user: str
    place: Found
    active_level: str | None = None  # of a relay; None for an input, and where the file does not say
    is_relay: bool = False
    board: str = "the relay board"  # whose active level it is
    runs: str = "the pump {} run"  # what a relay does that pulls in at boot; {}: would, may


def check_pins(profile: Found, notes: Notes) -> None:
    """Note pins used twice, reserved, unsafe while the computer boots, or shared with a bus."""
    uses = list(_uses(profile))
    boot = _boot_lines(profile, notes)
    _check_owners(uses, notes)
    for use in uses:
        if HEADER[use.gpio].bus == "ID EEPROM":
            text = f"GPIO {use.gpio} is probed for the ID EEPROM of an add-on board at boot. Use another pin."
            notes.add(use.place, use.user, text)
        elif use.is_relay and use.active_level:
            _check_relay(use, use.active_level, boot, {one.gpio for one in uses}, notes)
        elif not use.is_relay:
            _check_input(use, boot, notes)
    _warn_buses(uses, notes)


def _uses(profile: Found) -> Iterable[PinUse]:
    active_level = profile.at("relay_board").get("active_level", str)
    for line in profile.under("lines"):
        gpio, number = line.get("gpio", int), line.get("line", int)
        if gpio is not None:
            user = f"line {number}" if number is not None else "a line"
            yield PinUse(gpio=gpio, user=user, place=line.fields["gpio"], is_relay=True, active_level=active_level)
    main = profile.fields.get("main_relay")
    if main and (gpio := main.get("gpio", int)) is not None:
        yield PinUse(
            gpio=gpio,
            user="the main relay",
            place=main.fields["gpio"],
            is_relay=True,
            active_level=main.get("active_level", str),
            board="the main relay",
            runs="it {} feed the pumps",
        )
    yield from _inputs(profile.at("inputs"))


def _inputs(inputs: Found) -> Iterable[PinUse]:
    for name, field in _CONTACTS.items():
        contact = inputs.fields.get(field)
        if contact and (gpio := contact.get("gpio", int)) is not None:
            yield PinUse(gpio=gpio, user=name, place=contact.fields["gpio"])
    for level in inputs.under("levels"):
        if (gpio := level.get("gpio", int)) is not None:
            user = f"the level switch of line {level.get('line', int) or '?'}"
            yield PinUse(gpio=gpio, user=user, place=level.fields["gpio"])


def _boot_lines(profile: Found, notes: Notes) -> list[BootLine]:
    found = []
    for number, item in enumerate(profile.at("board").under("boot_lines"), start=1):
        text = item.sound(str)
        try:
            if text is not None:
                found.append(read_boot_line(text))
        except BadQuantity as error:
            notes.add(item, f"board boot line {number}", str(error))
    return found


def _check_owners(uses: list[PinUse], notes: Notes) -> None:
    first: dict[int, PinUse] = {}
    for use in uses:
        owner = first.setdefault(use.gpio, use)
        if owner is not use:
            text = f"GPIO {use.gpio} already serves {owner.user} (line {owner.place.line} of the file). Use a free pin."
            notes.add(use.place, use.user, text)


def _check_relay(use: PinUse, active_level: str, boot: list[BootLine], used: set[int], notes: Notes) -> None:
    """The relay must be held off from power-on until the service claims the pin."""
    off = "high" if active_level == "low" else "low"
    pulled = "high" if HEADER[use.gpio].reset_pull == "up" else "low"
    settings = _after_boot(use.gpio, pulled, boot)
    if not settings:
        if pulled != off:
            notes.add(use.place, use.user, _pulls_in_during_boot(use, pulled, active_level, used))
        return
    level, may = settings[-1].level, use.runs.format("may")
    if level != off:
        state = f"leave it at a {level} level" if level != "none" else "let it float"
        text = f"the boot lines for GPIO {use.gpio} {state} and {use.board} is active-{active_level}: {may} "
        cure = f"gpio={use.gpio}=op,{'dh' if off == 'high' else 'dl'}"
        notes.add(use.place, use.user, f"{text}during boot. Write {cure} last among the boot lines.")
    elif pulled != off:
        to = "3.3 V" if off == "high" else "ground"
        text = f"GPIO {use.gpio} is pulled {pulled} for the first seconds after power-on, until its boot line takes "
        text += f"effect, and {use.board} is active-{active_level}: {may} that long. Hold the pin with "
        notes.warn(use.place, use.user, f"{text}10 kohm to {to}, or switch the pumps' supply on after the boot.")


def _after_boot(gpio: int, pulled: str, boot: list[BootLine]) -> list[PinSetting]:
    setting, settings = PinSetting(function="ip", drive="none", pull=pulled), []
    for line in boot:
        if gpio in line.gpios:
            setting = line.apply(setting)
            settings.append(setting)
    return settings


def _pulls_in_during_boot(use: PinUse, pulled: str, active_level: str, used: set[int]) -> str:
    wanted, word = ("up", "dh") if active_level == "low" else ("down", "dl")
    free = [pin.gpio for pin in HEADER.values() if pin.reset_pull == wanted and pin.gpio not in used | {0, 1}]
    group = "GPIO 2-8" if active_level == "low" else "GPIO 9-27"
    move = f"Use one of {group} (free: {', '.join(map(str, free))})" if free else f"All of {group} are in use"
    return (
        f"GPIO {use.gpio} is pulled {pulled} until the service starts and {use.board} is active-{active_level}: "
        f"{use.runs.format('would')} during boot. {move}{', or add' if free else ': add'} this line to the boot "
        f"configuration and to boot_lines: gpio={use.gpio}=op,{word}"
    )


def _check_input(use: PinUse, boot: list[BootLine], notes: Notes) -> None:
    settings = _after_boot(use.gpio, "none", boot)
    if settings and settings[-1].function != "ip":
        text = f"a boot line makes GPIO {use.gpio} an output or gives it away: a contact to ground would short it. "
        notes.add(use.place, use.user, f"{text}Take it out of boot_lines and of the boot configuration.")


def _warn_buses(uses: list[PinUse], notes: Notes) -> None:
    for bus, cure in _BUS_SWITCH.items():
        on_bus = [use for use in uses if HEADER[use.gpio].bus == bus]
        if on_bus:
            pins = " and ".join(f"GPIO {use.gpio} ({use.user})" for use in on_bus)
            verb, them = ("belongs", "it") if len(on_bus) == 1 else ("belong", "them")
            notes.warn(on_bus[0].place, "", f"{pins} {verb} to {bus}: {cure}, or the bus drives {them}.")
