"""`tundish wiring`: what goes where, and what holds the relays off until the service runs."""

from collections.abc import Iterator
from pathlib import Path

import click

from controller.cli.examples import profile_option
from controller.cli.options import Session, json_option, table
from controller.errors import Problem
from controller.model.fields import Value, like
from controller.model.header import HEADER
from controller.model.profile import Line, Profile
from controller.model.wiring import CHANNEL


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
def wiring(profile_path: Path, session: Session) -> None:
    """Show which pin, relay channel, pump and wire belong together, and what to write into the boot configuration."""
    from controller.config import load_profile

    profile, warnings = load_profile(profile_path)
    found = wiring_of(profile, warnings)
    session.show(found, _draw)


def wiring_of(profile: Profile, warnings: list[Problem]) -> Wiring:
    """The wiring as values."""
    # An output with the level that keeps it off: high on an active-low board.
    boot_lines = tuple(f"gpio={row.gpio}=op,{'dh' if row.safe_level else 'dl'}" for row in profile.output_table)
    return Wiring(
        machine=profile.machine,
        relays_on_at=profile.relay_board.active_level,
        rows=(*map(_line_row, profile.lines), *_other_rows(profile)),
        boot_lines=boot_lines,
        missing_boot_lines=tuple(one for one in boot_lines if one not in profile.board.boot_lines),
        warnings=tuple(one.text for one in warnings),
    )


def _line_row(line: Line) -> Row:
    return _row(
        f"line {line.line}",
        line.gpio,
        channel=line.channel,
        rotation=line.pump.rotation,
        wire=f"{line.wire.section_mm2:.2g} mm2, {line.wire.length_m:g} m",
    )


def _other_rows(profile: Profile) -> Iterator[Row]:
    for one in profile.input_table:
        yield _row(f"{one.name}, normally {'closed' if one.closed_at_rest else 'open'}", one.gpio)
    for output in profile.output_table:
        if output.role is not CHANNEL:
            yield _row(f"{output.name}, on at a {output.active_level} level", output.gpio)


def _row(what: str, gpio: int, **of_line: object) -> Row:
    return like(Row, HEADER[gpio], what=what, **of_line)


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
        "Lines for the boot configuration, which hold every output off until the guard runs:",
        *(
            f"  {one}{'   (not in the profile yet)' if one in found.missing_boot_lines else ''}"
            for one in found.boot_lines
        ),
    ]
    return "\n".join(parts + [click.style(f"warning: {one}", fg="yellow") for one in found.warnings])
