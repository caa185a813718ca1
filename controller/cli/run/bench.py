"""`tundish bench`: the simulated machine; run it, and do what an operator's hands would do at a real one."""

import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from controller.cli.completion import LINE, LIQUID
from controller.cli.examples import machine_options
from controller.cli.options import (
    Decimal,
    Session,
    condition_option,
    file_option,
    quantity,
    quantity_option,
    run_dir_option,
    session_options,
    table,
)
from controller.cli.places import BENCH, run_dir_to_fill, run_dir_to_use

if TYPE_CHECKING:
    from controller.bench.client import BenchClient
    from controller.bench.report import BenchReport

EXCHANGE_S = 2.0  # a shorter absence is no other glass to the guard, which may see it by a scale at rest
SEEN_S = 0.8  # until the guard counts the glass as set down

# The kinds of controller.bench.faults, here so that the help needs no bench; a test holds the two equal.
FAULTS = (
    "relay stuck on", "relay stuck off", "relay slow", "pump stalled", "pump dead", "tube off", "tube blocked",
    "tube worn", "siphon", "container empty", "input stuck", "main relay stuck on", "main relay stuck off",
    "scale wrong sign", "scale saturated", "scale repeats", "scale silent", "scale overloaded", "scale creeps",
    "scale drifts", "scale span off",
)  # fmt: skip


AMOUNTS = (
    "Seconds (relay slow), fraction lost (tube worn: 0.5 halves the flow), mL/s (siphon), g (scale overloaded), times "
    "(scale creeps), g a minute (scale drifts), fraction (scale span off)."
)


@click.group()
def bench() -> None:
    """Run the simulated machine, or act on the one that runs."""


@bench.command()
@machine_options
@click.option("--seed", type=int, default=1, show_default=True, help="Which machine: its true figures follow from it.")
@condition_option
@click.option("--glass", default=None, help="Put this glass of the book under the outlet at once.")
@file_option("--trace", "trace_path", "Write every level here.")
@file_option("--memory", "memory_path", "Tubes, bottles and glass outlast the process in this file.")
@click.option(
    "--release-pins",
    is_flag=True,
    help="Pins become inputs when their process dies; without, they stay driven, as on common vendor kernels.",
)
@run_dir_option
def run(*, profile_path: Path, book_path: Path, run_dir: Path | None, release_pins: bool, **words: Any) -> None:
    """Run the simulated machine until SIGTERM or Ctrl-C."""
    from controller.bench.process import run as serve
    from controller.config import load

    profile, book, _ = load(profile_path, book_path)
    serve(profile, book, run_dir_to_fill(run_dir) / BENCH, persist=not release_pins, **words)


@bench.command(name="show")
@session_options
def show_(session: Session) -> None:
    """Show what the simulated machine holds and does; no real one could show all of this."""
    with _client(session) as client:
        session.show(client.report(), _draw)


@bench.command()
@click.argument("action", type=click.Choice(["on", "off", "empty", "exchange"]))
@click.argument("name", required=False)
@quantity_option("--brim", "brim_ml", "mL", 'A vessel of another size: "2 L".')
@quantity_option("--weight", "empty_g", "g", 'What it weighs empty: "650 g".')
@session_options
def glass(session: Session, *, action: str, name: str | None, brim_ml: float | None, empty_g: float | None) -> None:
    """Put a glass under the outlet (on NAME: a fresh one of the book; on: the one lifted before), lift it, empty it.

    exchange NAME: take what stands there and set a fresh one down, as the next drink needs it. With --brim it is a jar.
    """
    held_ml: dict[str, float] = {}
    with _client(session) as client:
        if action == "exchange":
            name = name or client.report().glass
        if action in ("off", "exchange"):
            held_ml = client.lift_glass()
        if action == "empty":
            held_ml = client.empty_glass()
        if action == "exchange":
            time.sleep(EXCHANGE_S)
        if action in ("on", "exchange"):
            client.place_glass(name, brim_ml=brim_ml, empty_g=empty_g)
        if action == "exchange":
            time.sleep(SEEN_S)
    session.show({"glass": action, "held_ml": held_ml}, f"glass {action}{_contents(held_ml)}")


@bench.command()
@click.argument("action", type=click.Choice(["press", "release"]))
@session_options
def stop(session: Session, *, action: str) -> None:
    """Press the stop button, or turn it out again."""
    with _client(session) as client:
        client.press_stop() if action == "press" else client.release_stop()
    session.show({"stop": action}, "stop pressed" if action == "press" else "stop released")


@bench.command()
@click.argument("state", type=click.Choice(["full", "empty"]))
@session_options
def tray(session: Session, *, state: str) -> None:
    """Fill the drip tray, or empty it."""
    with _client(session) as client:
        client.set_tray(full=state == "full")
    session.show({"tray": state}, f"drip tray {state}")


@bench.command(name="input")
@click.argument("name")
@click.argument("state", type=click.Choice(["active", "rest"]))
@session_options
def set_input(session: Session, *, name: str, state: str) -> None:
    """Hold the input NAME active, such as a start button pressed, or let go of it."""
    with _client(session) as client:
        client.set_input(name, active=state == "active")
    session.show({"input": name, "state": state}, f"{name}: {state}")


@bench.command()
@click.option("--tare", is_flag=True, help="Set it to zero first.")
@session_options
def scale(session: Session, *, tare: bool) -> None:
    """Read a person's scale under the glass; the machine's own is read by tundish scale."""
    with _client(session) as client:
        if tare:
            client.tare()
        grams = client.scale_g()
    session.show({"grams": grams}, f"{grams:.2f} g")


@bench.command()
@click.argument("grams", metavar="MASS", callback=quantity("g"))
@session_options
def ice(session: Session, *, grams: float) -> None:
    """Put so much ice or garnish into the glass, as in: tundish bench ice "40 g"."""
    with _client(session) as client:
        client.add_ice(grams)
    session.show({"ice_g": grams}, f"{grams:g} g put into the glass")


@bench.command()
@click.argument("grams", metavar="MASS", callback=quantity("g"))
@session_options
def mass(session: Session, *, grams: float) -> None:
    """Have a known mass on the platform, as in: tundish bench mass "500 g"; "0 g" takes it away."""
    with _client(session) as client:
        client.place_mass(grams)
    session.show({"mass_g": grams}, f"{grams:g} g on the platform")


@bench.command()
@click.argument("grams", metavar="FORCE", callback=quantity("g"))
@session_options
def knock(session: Session, *, grams: float) -> None:
    """Knock against the platform, as in: tundish bench knock "50 g", its peak."""
    with _client(session) as client:
        client.knock(grams)
    session.show({"knock_g": grams}, f"a knock of {grams:g} g")


@bench.command()
@click.argument("grams", metavar="FORCE", callback=quantity("g"))
@click.option("--for", "for_s", type=Decimal(0.1, 600.0), default=2.0, show_default=True, help="Seconds.")
@session_options
def hand(session: Session, *, grams: float, for_s: float) -> None:
    """Rest a hand on the platform, as in: tundish bench hand "300 g" --for 2."""
    with _client(session) as client:
        client.lean(grams, for_s)
    session.show({"hand_g": grams, "for_s": for_s}, f"a hand of {grams:g} g for {for_s:g} s")


@bench.command()
@click.argument("line", type=LINE)
@click.argument("liquid", type=LIQUID)
@click.argument("volume_ml", metavar="VOLUME", callback=quantity("mL"))
@session_options
def hang(session: Session, *, line: int, liquid: str, volume_ml: float) -> None:
    """Hang a container with VOLUME of LIQUID on LINE. The machine learns of it by tundish assign."""
    with _client(session) as client:
        client.hang(line, liquid, volume_ml)
    facts = {"line": line, "liquid": liquid, "volume_ml": volume_ml}
    session.show(facts, f"line {line} draws from {volume_ml:g} mL of {liquid}")


@bench.command()
@click.argument("line", type=LINE)
@session_options
def unhang(session: Session, *, line: int) -> None:
    """Take the container of LINE away: its tube draws air."""
    with _client(session) as client:
        client.unhang(line)
    session.show({"line": line, "liquid": None}, f"line {line} draws air")


def _fault_command(name: str, text: str) -> click.Command:
    @bench.command(name=name, help=text)
    @click.argument("kind", type=click.Choice(FAULTS))
    @click.option("--line", type=LINE, help="Of which line; for all but an input, the main relay and the scale.")
    @click.option("--contact", help='Which input is stuck, by its name: "stop", "drip tray", "level 3".')
    @click.option("--closed", is_flag=True, help="The input is stuck closed rather than open.")
    @click.option("--amount", type=Decimal(), default=0.0, help=AMOUNTS)
    @session_options
    def command(session: Session, **words: Any) -> None:
        from controller.bench.faults import InjectedFault

        fault = InjectedFault(**words)
        with _client(session) as client:
            client.inject(fault) if name == "inject" else client.clear(fault)
        where = fault.contact or "" if fault.line is None else f", line {fault.line}"
        session.show({name: fault}, f"{name}: {fault.kind} {where}".replace(" ,", ",").rstrip())

    return command


inject = _fault_command("inject", "Bring in a fault of this KIND.")
clear = _fault_command("clear", "Take a fault of this KIND away again.")


def _client(session: Session) -> "BenchClient":
    from controller.bench.client import BenchClient

    return BenchClient(run_dir_to_use(session.run_dir) / BENCH)


def _contents(held_ml: dict[str, float]) -> str:
    text = ", ".join(f"{volume:.1f} mL {liquid}" for liquid, volume in held_ml.items() if volume >= 0.05)
    return f": {text}" if text else ""


def _draw(report: "BenchReport") -> str:
    rows = [
        (
            str(one.line),
            one.liquid or "air",
            f"{one.remaining_ml:.0f} mL",
            " + ".join(f"{volume:.1f} mL {what}" for what, volume in one.tube),
            "pulled in" if one.relay_pulled_in else "released",
            f"{one.flow_ml_s:.2f} mL/s",
        )
        for one in report.lines
    ]
    return "\n".join(
        [
            f"{report.glass or 'no glass; the one that was lifted'}{_contents(report.glass_ml) or ': empty'}",
            f"drip tray{_contents(report.tray_ml) or ': empty'}",
            f"scale {report.scale_g:.2f} g, pumps {report.pumps_a:.2f} A, board {report.board_v:.2f} V",
            "closed contacts: " + (", ".join(name for name, closed in report.contacts.items() if closed) or "none"),
            *(f"fault: {one.kind} {one.line or one.contact or ''}".rstrip() for one in report.faults),
            table(("line", "draws", "left", "tube, outlet first", "relay", "flow"), rows),
        ]
    )
