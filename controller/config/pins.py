"""Checks of the wiring: who uses which GPIO, and what every relay does while the computer boots."""

from collections.abc import Iterable
from dataclasses import dataclass

from controller.config.boot_lines import BootLine, PinSetting, read_boot_line
from controller.config.diagnostics import Found, Notes
from controller.errors import BadQuantity
from controller.model.header import HEADER
from controller.model.scale import Scale
from controller.model.wiring import CHANNEL, Input, Output, OutputRole

_BUS_SWITCH = {
    "I2C1": "leave I2C switched off in the boot configuration",
    "SPI0": "leave SPI switched off in the boot configuration",
    "UART": "switch the serial console and the serial port off in the boot configuration",
}


@dataclass(frozen=True, kw_only=True)
class PinUse:
    """A GPIO and who has it: "line 4" or "the stop contact"."""

    gpio: int
    user: str
    place: Found
    active_level: str | None = None  # of an output; None for an input, and where the file does not say
    role: OutputRole | None = None  # None for an input
    board: str = ""  # whose active level it is
    is_scale: bool = False  # the scale's converter has it: neither an input nor an output of ours


def check_pins(profile: Found, notes: Notes) -> None:
    """Note pins used twice, reserved, unsafe while the computer boots, or shared with a bus."""
    uses = [*scale_pins(profile.at("scale")), *_uses(profile)]
    boot = _boot_lines(profile, notes)
    _check_owners(uses, notes)
    for use in uses:
        if use.is_scale:
            continue
        if HEADER[use.gpio].bus == "ID EEPROM":
            text = f"GPIO {use.gpio} is probed for the ID EEPROM of an add-on board at boot. Use another pin."
            notes.add(use.place, use.user, text)
        elif use.role and use.active_level:
            _check_output(use, use.role, use.active_level, boot=boot, used={one.gpio for one in uses}, notes=notes)
        elif use.role is None:
            _check_input(use, boot, notes)
    _warn_buses(uses, notes)


def _uses(profile: Found) -> Iterable[PinUse]:
    active_level = profile.at("relay_board").get("active_level", str)
    for line in profile.under("lines"):
        gpio, number = line.get("gpio", int), line.get("line", int)
        if gpio is not None:
            user, place = f"line {number}" if number is not None else "a line", line.fields["gpio"]
            yield PinUse(
                gpio=gpio, user=user, place=place, active_level=active_level, role=CHANNEL, board="the relay board"
            )
    for part in (profile, profile.fields.get("outputs"), profile.fields.get("inputs")):
        for one in part.fields.values() if part else ():
            yield from _wired([one, *one.items])


def scale_pins(scale: Found) -> Iterable[PinUse]:
    """What the scale's converter has: the pins of its bus, whose pull-ups are fixed, or the two of an HX711."""
    value = scale.valid(Scale)
    if value is None:
        return
    for gpio, pin in HEADER.items():
        if pin.bus == f"I2C{value.i2c_bus}":
            yield PinUse(gpio=gpio, user="the I2C bus of the scale", place=scale, is_scale=True)
    for field, own in (("clock_gpio", value.clock_gpio), ("data_gpio", value.data_gpio)):
        if own is not None:
            yield PinUse(gpio=own, user="the scale's converter", place=scale.fields[field], is_scale=True)


def _wired(parts: Iterable[Found]) -> Iterable[PinUse]:
    """Those parts that are inputs or outputs with a pin, be they valid otherwise or not."""
    for part in parts:
        gpio, kind = part.get("gpio", int), part.cls
        if gpio is None or kind is None:
            continue
        if issubclass(kind, Output):
            yield PinUse(
                gpio=gpio,
                user=kind.role.user,
                place=part.fields["gpio"],
                active_level=part.get("active_level", str),
                role=kind.role,
                board=kind.role.user,
            )
        elif issubclass(kind, Input):
            of_line = f" of line {part.get('line', int) or '?'}" if "line" in kind.__struct_fields__ else ""
            yield PinUse(gpio=gpio, user=f"{kind.role.user}{of_line}", place=part.fields["gpio"])


def _boot_lines(profile: Found, notes: Notes) -> list[BootLine]:
    found = []
    for number, item in enumerate(profile.at("board").under("boot_lines"), start=1):
        text = item.valid(str)
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


def _check_output(
    use: PinUse, role: OutputRole, active_level: str, *, boot: list[BootLine], used: set[int], notes: Notes
) -> None:
    """A relay must be held off from power-on until the service claims the pin; a lamp should be."""
    note = notes.warn if role.is_on_while else notes.add
    off = "high" if active_level == "low" else "low"
    pulled = "high" if HEADER[use.gpio].reset_pull == "up" else "low"
    settings = _after_boot(use.gpio, pulled, boot)
    if not settings:
        if pulled != off:
            note(use.place, use.user, _active_during_boot(use, role, pulled, active_level, used))
        return
    level, may = settings[-1].level, role.at_boot.format("may")
    if level != off:
        state = f"leave it at a {level} level" if level != "none" else "let it float"
        text = f"the boot lines for GPIO {use.gpio} {state} and {use.board} is active-{active_level}: {may} "
        cure = f"gpio={use.gpio}=op,{'dh' if off == 'high' else 'dl'}"
        note(use.place, use.user, f"{text}during boot. Write {cure} last among the boot lines.")
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


def _active_during_boot(use: PinUse, role: OutputRole, pulled: str, active_level: str, used: set[int]) -> str:
    wanted, word = ("up", "dh") if active_level == "low" else ("down", "dl")
    free = [pin.gpio for pin in HEADER.values() if pin.reset_pull == wanted and pin.gpio not in used | {0, 1}]
    group = "GPIO 2-8" if active_level == "low" else "GPIO 9-27"
    move = f"Use one of {group} (free: {', '.join(map(str, free))})" if free else f"All of {group} are in use"
    return (
        f"GPIO {use.gpio} is pulled {pulled} until the service starts and {use.board} is active-{active_level}: "
        f"{role.at_boot.format('would')} during boot. {move}{', or add' if free else ': add'} this line to the boot "
        f"configuration and to boot_lines: gpio={use.gpio}=op,{word}"
    )


def _check_input(use: PinUse, boot: list[BootLine], notes: Notes) -> None:
    settings = _after_boot(use.gpio, "none", boot)
    if settings and settings[-1].function != "ip":
        text = f"a boot line makes GPIO {use.gpio} an output or gives it away: a contact to ground would short it. "
        notes.add(use.place, use.user, f"{text}Take it out of boot_lines and of the boot configuration.")


def _warn_buses(uses: list[PinUse], notes: Notes) -> None:
    for bus, cure in _BUS_SWITCH.items():
        on_bus = [use for use in uses if HEADER[use.gpio].bus == bus and not use.is_scale]
        if on_bus:
            pins = " and ".join(f"GPIO {use.gpio} ({use.user})" for use in on_bus)
            verb, them = ("belongs", "it") if len(on_bus) == 1 else ("belong", "them")
            notes.warn(on_bus[0].place, "", f"{pins} {verb} to {bus}: {cure}, or the bus drives {them}.")
