"""`tundish wiring`: what goes where, and what holds the relays off until the service runs."""

from pathlib import Path

import click

from controller.cli.examples import profile_option
from controller.cli.options import json_option, show, table
from controller.errors import Problem
from controller.model.fields import Value
from controller.model.header import HEADER
from controller.model.profile import Line, Profile


class Row(Value, frozen=True, kw_only=True):
    """One GPIO in use."""

    what: str
    header_pin: int
    gpio: int
    reset_pull: str  # from power-on until something sets the pin
    bus: str  # that boot or the kernel may switch on here, "" for none
    channel: int | None = None
    rotation: str | None = None
    wire: str | None = None


class Wiring(Value, frozen=True, kw_only=True):
    """The whole wiring, with the lines that belong into the boot configuration."""

    machine: str
    relays_on_at: str  # "low" or "high"
    rows: tuple[Row, ...]
    boot_lines: tuple[str, ...]
    missing_boot_lines: tuple[str, ...]  # that the profile does not list as present
    warnings: tuple[str, ...]


@click.command()
@profile_option
@json_option
def wiring(profile_path: Path, as_json: bool) -> None:
    """Show which pin, relay channel, pump and wire belong together, and what to write into the boot configuration."""
    from controller.config import load_profile

    profile, warnings = load_profile(profile_path)
    found = wiring_of(profile, warnings)
    show(found, lambda: _draw(found), as_json=as_json)


def wiring_of(profile: Profile, warnings: list[Problem]) -> Wiring:
    """The wiring as values."""
    # An output with the level that keeps the relay released: high on an active-low board.
    word = "dh" if profile.relay_board.active_level == "low" else "dl"
    boot_lines = tuple(f"gpio={line.gpio}=op,{word}" for line in profile.lines)
    if profile.main_relay is not None:
        word = "dh" if profile.main_relay.active_level == "low" else "dl"
        boot_lines += (f"gpio={profile.main_relay.gpio}=op,{word}",)
    return Wiring(
        machine=profile.machine,
        relays_on_at=profile.relay_board.active_level,
        rows=(*map(_line_row, profile.lines), *_other_rows(profile)),
        boot_lines=boot_lines,
        missing_boot_lines=tuple(one for one in boot_lines if one not in profile.board.boot_lines),
        warnings=tuple(one.text for one in warnings),
    )


def _line_row(line: Line) -> Row:
    pin = HEADER[line.gpio]
    return Row(
        what=f"line {line.line}",
        header_pin=pin.header_pin,
        gpio=line.gpio,
        reset_pull=pin.reset_pull,
        bus=pin.bus,
        channel=line.channel,
        rotation=line.pump.rotation,
        wire=f"{line.wire.section_mm2:.2g} mm2, {line.wire.length_m:g} m",
    )


def _other_rows(profile: Profile) -> list[Row]:
    inputs = profile.inputs
    named = [
        ("stop", inputs.stop),
        ("glass", inputs.glass),
        ("drip tray", inputs.drip_tray),
        ("current", inputs.current),
    ]
    gpios = [(f"{name}, {one.contact.replace('_', ' ')}", one.gpio) for name, one in named if one is not None]
    gpios += [(f"level of line {one.line}, {one.contact.replace('_', ' ')}", one.gpio) for one in inputs.levels]
    main = profile.main_relay
    gpios += [] if main is None else [(f"main relay, pulls in at a {main.active_level} level", main.gpio)]
    return [
        Row(
            what=what,
            header_pin=HEADER[gpio].header_pin,
            gpio=gpio,
            reset_pull=HEADER[gpio].reset_pull,
            bus=HEADER[gpio].bus,
        )
        for what, gpio in gpios
    ]


def _draw(found: Wiring) -> str:
    rows = [
        (
            one.what,
            str(one.header_pin),
            str(one.gpio),
            one.reset_pull,
            one.bus,
            "" if one.channel is None else str(one.channel),
            one.rotation or "",
            one.wire or "",
        )
        for one in found.rows
    ]
    header = ("what", "header pin", "GPIO", "pulled at power-on", "bus", "channel", "pump turns", "pump wire")
    parts = [
        click.style(f"{found.machine}; a relay pulls in at a {found.relays_on_at} level", bold=True),
        table(header, rows),
        "\nContacts go from their pin to ground.",
        "Lines for the boot configuration, which hold every relay off until the guard runs:",
        *(
            f"  {one}{'   (not in the profile yet)' if one in found.missing_boot_lines else ''}"
            for one in found.boot_lines
        ),
    ]
    return "\n".join(parts + [click.style(f"warning: {one}", fg="yellow") for one in found.warnings])
