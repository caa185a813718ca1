"""`tundish bench`: the simulated machine; run it, and do what an operator's hands would do at a real one."""

import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import click

from controller.cli.completion import LINE, LIQUID
from controller.cli.examples import book_option, profile_option
from controller.cli.options import (
    Decimal,
    condition_option,
    facts_options,
    quantity,
    run_dir_option,
    show,
    table,
)
from controller.cli.places import BENCH, run_dir_to_fill, run_dir_to_use

if TYPE_CHECKING:
    from controller.bench.client import BenchClient
    from controller.bench.report import BenchReport

EXCHANGE_S = 1.3  # a shorter absence is no other glass to the guard
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
@profile_option
@book_option
@click.option("--seed", type=int, default=1, show_default=True, help="Which machine: its true figures follow from it.")
@condition_option
@click.option("--glass", default=None, help="Put this glass of the book under the outlet at once.")
@click.option("--trace", "trace_path", type=click.Path(path_type=Path, dir_okay=False), help="Write every level here.")
@click.option(
    "--memory",
    "memory_path",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Tubes, bottles and glass outlast the process in this file.",
)
@click.option(
    "--release-pins",
    is_flag=True,
    help="Pins become inputs when their process dies; without, they stay driven, as on common vendor kernels.",
)
@run_dir_option
def run(
    *,
    profile_path: Path,
    book_path: Path,
    seed: int,
    condition: str,
    glass: str | None,
    trace_path: Path | None,
    memory_path: Path | None,
    release_pins: bool,
    run_dir: Path | None,
) -> None:
    """Run the simulated machine until SIGTERM or Ctrl-C."""
    from controller.bench.process import run as serve
    from controller.config import load

    profile, book, _ = load(profile_path, book_path)
    serve(
        profile,
        book,
        run_dir_to_fill(run_dir) / BENCH,
        seed=seed,
        condition=condition,
        glass=glass,
        persist=not release_pins,
        trace_path=trace_path,
        memory_path=memory_path,
    )


@bench.command(name="show")
@facts_options
def show_(run_dir: Path | None, as_json: bool) -> None:
    """Show what the simulated machine holds and does; no real one could tell all of this."""
    with _client(run_dir) as client:
        report = client.report()
    show(report, lambda: _draw(report), as_json=as_json)


@bench.command()
@click.argument("action", type=click.Choice(["on", "off", "empty", "exchange"]))
@click.argument("name", required=False)
@facts_options
def glass(
    run_dir: Path | None, action: Literal["on", "off", "empty", "exchange"], name: str | None, as_json: bool
) -> None:
    """Put a glass under the outlet (on NAME: a fresh one of the book; on: the one lifted before), lift it, empty it.

    exchange NAME: take what stands there and set a fresh one down, as the next drink wants it.
    """
    with _client(run_dir) as client:
        held_ml: dict[str, float] = {}
        if action == "on":
            client.place_glass(name)
        elif action == "off":
            held_ml = client.lift_glass()
        elif action == "exchange":
            name = name or client.report().glass
            held_ml = client.lift_glass()
            time.sleep(EXCHANGE_S)
            client.place_glass(name)
            time.sleep(SEEN_S)
        else:
            held_ml = client.empty_glass()
    show({"glass": action, "held_ml": held_ml}, lambda: f"glass {action}{_contents(held_ml)}", as_json=as_json)


@bench.command()
@click.argument("action", type=click.Choice(["press", "release"]))
@facts_options
def stop(run_dir: Path | None, action: Literal["press", "release"], as_json: bool) -> None:
    """Press the stop button, or turn it out again."""
    _act(run_dir, lambda client: client.press_stop() if action == "press" else client.release_stop())
    show({"stop": action}, lambda: f"stop {action}ed" if action == "press" else "stop released", as_json=as_json)


@bench.command()
@click.argument("state", type=click.Choice(["full", "empty"]))
@facts_options
def tray(run_dir: Path | None, state: Literal["full", "empty"], as_json: bool) -> None:
    """Fill the drip tray, or empty it."""
    _act(run_dir, lambda client: client.set_tray(full=state == "full"))
    show({"tray": state}, lambda: f"drip tray {state}", as_json=as_json)


@bench.command(name="input")
@click.argument("name")
@click.argument("state", type=click.Choice(["active", "rest"]))
@facts_options
def set_input(run_dir: Path | None, name: str, state: Literal["active", "rest"], as_json: bool) -> None:
    """Hold the input NAME active, such as a start button pressed, or let go of it."""
    _act(run_dir, lambda client: client.set_input(name, active=state == "active"))
    show({"input": name, "state": state}, lambda: f"{name}: {state}", as_json=as_json)


@bench.command()
@click.option("--tare", is_flag=True, help="Set it to zero first.")
@facts_options
def scale(run_dir: Path | None, tare: bool, as_json: bool) -> None:
    """Read a person's scale under the glass; the machine's own is read by tundish scale."""
    with _client(run_dir) as client:
        if tare:
            client.tare()
        grams = client.scale_g()
    show({"grams": grams}, lambda: f"{grams:.2f} g", as_json=as_json)


@bench.command()
@click.argument("grams", metavar="MASS", callback=quantity("g"))
@facts_options
def ice(run_dir: Path | None, grams: float, as_json: bool) -> None:
    """Put so much ice or garnish into the glass, as in: tundish bench ice "40 g"."""
    _act(run_dir, lambda client: client.add_ice(grams))
    show({"ice_g": grams}, lambda: f"{grams:g} g put into the glass", as_json=as_json)


@bench.command()
@click.argument("grams", metavar="MASS", callback=quantity("g"))
@facts_options
def mass(run_dir: Path | None, grams: float, as_json: bool) -> None:
    """Have a known mass on the platform, as in: tundish bench mass "500 g"; "0 g" takes it away."""
    _act(run_dir, lambda client: client.place_mass(grams))
    show({"mass_g": grams}, lambda: f"{grams:g} g on the platform", as_json=as_json)


@bench.command()
@click.argument("grams", metavar="FORCE", callback=quantity("g"))
@facts_options
def knock(run_dir: Path | None, grams: float, as_json: bool) -> None:
    """Knock against the platform, as in: tundish bench knock "50 g", its peak."""
    _act(run_dir, lambda client: client.knock(grams))
    show({"knock_g": grams}, lambda: f"a knock of {grams:g} g", as_json=as_json)


@bench.command()
@click.argument("grams", metavar="FORCE", callback=quantity("g"))
@click.option("--for", "for_s", type=Decimal(0.1, 600.0), default=2.0, show_default=True, help="Seconds.")
@facts_options
def hand(run_dir: Path | None, grams: float, for_s: float, as_json: bool) -> None:
    """Rest a hand on the platform, as in: tundish bench hand "300 g" --for 2."""
    _act(run_dir, lambda client: client.lean(grams, for_s))
    show({"hand_g": grams, "for_s": for_s}, lambda: f"a hand of {grams:g} g for {for_s:g} s", as_json=as_json)


@bench.command()
@click.argument("line", type=LINE)
@click.argument("liquid", type=LIQUID)
@click.argument("volume_ml", metavar="VOLUME", callback=quantity("mL"))
@facts_options
def hang(run_dir: Path | None, line: int, liquid: str, volume_ml: float, as_json: bool) -> None:
    """Hang a container with VOLUME of LIQUID on LINE. The machine learns of it by tundish assign."""
    _act(run_dir, lambda client: client.hang(line, liquid, volume_ml))
    facts = {"line": line, "liquid": liquid, "volume_ml": volume_ml}
    show(facts, lambda: f"line {line} draws from {volume_ml:g} mL of {liquid}", as_json=as_json)


@bench.command()
@click.argument("line", type=LINE)
@facts_options
def unhang(run_dir: Path | None, line: int, as_json: bool) -> None:
    """Take the container of LINE away: its tube draws air."""
    _act(run_dir, lambda client: client.unhang(line))
    show({"line": line, "liquid": None}, lambda: f"line {line} draws air", as_json=as_json)


def _fault_command(name: str, text: str) -> click.Command:
    @bench.command(name=name, help=text)
    @click.argument("kind", type=click.Choice(FAULTS))
    @click.option("--line", type=LINE, help="Of which line; for all but an input, the main relay and the scale.")
    @click.option("--contact", help='Which input is stuck, by its name: "stop", "drip tray", "level 3".')
    @click.option("--closed", is_flag=True, help="The input is stuck closed rather than open.")
    @click.option("--amount", type=Decimal(), default=0.0, help=AMOUNTS)
    @facts_options
    def command(
        *,
        kind: Any,
        line: int | None,
        contact: str | None,
        closed: bool,
        amount: float,
        run_dir: Path | None,
        as_json: bool,
    ) -> None:
        from controller.bench.faults import Fault

        fault = Fault(kind=kind, line=line, contact=contact, closed=closed, amount=amount)
        _act(run_dir, lambda client: client.inject(fault) if name == "inject" else client.clear(fault))
        said = f"{name}: {kind} {contact or ''}" if line is None else f"{name}: {kind}, line {line}"
        show({name: fault}, lambda: said, as_json=as_json)

    return command


inject = _fault_command("inject", "Bring in a fault of this KIND.")
clear = _fault_command("clear", "Take a fault of this KIND away again.")


def _client(run_dir: Path | None) -> "BenchClient":
    from controller.bench.client import BenchClient

    return BenchClient(run_dir_to_use(run_dir) / BENCH)


def _act(run_dir: Path | None, action: "Callable[[BenchClient], None]") -> None:
    with _client(run_dir) as client:
        action(client)


def _contents(held_ml: dict[str, float]) -> str:
    told = ", ".join(f"{volume:.1f} mL {liquid}" for liquid, volume in held_ml.items() if volume >= 0.05)
    return f": {told}" if told else ""


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
