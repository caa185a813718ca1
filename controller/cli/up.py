"""`tundish up`: bench (if simulated), guard and engine together, for the desk."""

import contextlib
import http.client
import json
import shlex
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from types import FrameType

import click

from controller.cli.client import Engine
from controller.cli.examples import book_option, profile_option
from controller.cli.options import run_dir_option, state_dir_option
from controller.cli.places import BENCH, ENGINE, GUARD, own_state_dir, run_dir_to_fill, state_dir_to_use
from controller.errors import TundishError
from controller.model.views import MenuEntry, Status

READY_S = 20.0  # longest wait for one process, on a small board
END_S = 10.0  # longest wait for one process to end before it is killed; a guard tries 5 s on pins that do not answer
LOOK_S = 0.05
MEMORY = "bench.json"  # of a simulated machine: what its tubes and bottles hold


@dataclass(frozen=True)
class Wanted:
    """One process to be started: `tundish` with these words."""

    name: str
    words: list[str]
    is_ready: Callable[[], bool]


@dataclass(frozen=True)
class Part:
    """One process of the machine."""

    name: str
    process: subprocess.Popen[str]
    reader: threading.Thread  # prints what the process says


@click.command()
@profile_option
@book_option
@click.option("--seed", type=int, default=1, show_default=True, help="Which simulated machine (bench only).")
@click.option("--glass", default=None, help="Put this glass of the book under the outlet at once (bench only).")
@run_dir_option
@state_dir_option
def up(
    *, profile_path: Path, book_path: Path, seed: int, glass: str | None, run_dir: Path | None, state_dir: Path | None
) -> int:
    """Start bench (if the profile is of a simulated machine), guard and engine, and stop them together.

    Ctrl-C stops all; so does the end of any of them. Started again, the machine goes on where it was: a simulated one
    keeps tubes and bottles beside its records, in a folder of its own for each profile and seed.
    """
    from controller.config import load

    profile, book, warnings = load(profile_path, book_path)
    if glass is not None and glass not in {one.glass for one in book.glasses}:
        known = ", ".join(one.glass for one in book.glasses)
        raise click.BadParameter(f"the book has no glass {glass!r}; it has {known}.", param_hint="--glass")
    for warning in warnings:
        click.secho(f"warning: {warning}", err=True, fg="yellow")
    folder = run_dir_to_fill(run_dir)
    if any(_listens(folder / name) for name in (BENCH, GUARD, ENGINE)):
        raise TundishError(
            f"a machine already runs in {folder}. Stop it first, or choose another place with --run-dir."
        )
    is_simulated = profile.board.backend == "bench"
    if is_simulated and state_dir is None:
        state_dir = own_state_dir() / f"{profile_path.stem}-{seed}"
    state = state_dir_to_use(state_dir)
    state.mkdir(parents=True, exist_ok=True)
    click.echo(f"records in {state}")
    files = ["--profile", str(profile_path), "--book", str(book_path), "--run-dir", str(folder)]
    records = ["--state-dir", str(state)]
    wanted = [
        Wanted("guard", ["guard", *files, *records], lambda: _listens(folder / GUARD)),
        Wanted("engine", ["engine", *files, *records], lambda: _is_healthy(folder)),
    ]
    if is_simulated:
        vessel = [] if glass is None else ["--glass", glass]
        words = ["bench", "run", *files, "--seed", str(seed), "--memory", str(state / MEMORY), *vessel]
        wanted.insert(0, Wanted("bench", words, lambda: _listens(folder / BENCH)))
    with _interruptible() as interrupted:
        return _run(wanted, interrupted, lambda: _welcome(folder, is_simulated=is_simulated))


def _run(wanted: list[Wanted], interrupted: threading.Event, welcome: Callable[[], None]) -> int:
    """Start all in order, wait for the end of one or for the interruption, stop all in reverse order."""
    parts: list[Part] = []
    try:
        for one in wanted:
            parts.append(_start(one))
            if not _wait_until(one.is_ready, parts, interrupted):
                break
            click.echo(f"{one.name:<6} | ready")
        else:
            welcome()
        while not interrupted.is_set() and _ended(parts) is None:
            interrupted.wait(LOOK_S)
        gone = _ended(parts)
    finally:
        _stop(parts)
    if gone is not None:
        raise TundishError(f"the {gone.name} ended by itself (exit code {gone.process.returncode}): all are stopped.")
    return 0


def _start(wanted: Wanted) -> Part:
    """Start one process in a session of its own, so that Ctrl-C reaches only us and the order of stopping is ours."""
    click.echo(f"{wanted.name:<6} | starting")
    process = subprocess.Popen(
        [sys.executable, "-m", "controller.cli", *wanted.words],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        start_new_session=True,
    )
    reader = threading.Thread(target=_pass_on, args=(wanted.name, process), daemon=True)
    reader.start()
    return Part(wanted.name, process, reader)


def _pass_on(name: str, process: subprocess.Popen[str]) -> None:
    """Print what the process says, its name before every line."""
    for line in process.stdout or ():
        click.echo(f"{name:<6} | {_readable(line.rstrip())}")


def _readable(line: str) -> str:
    """A log entry in words; any other line as it is."""
    try:
        entry = json.loads(line)
    except ValueError:
        return line
    if not isinstance(entry, dict) or "event" not in entry:
        return line
    event = entry.pop("event")
    at, level = str(entry.pop("timestamp", ""))[11:19], entry.pop("level", "info")
    entry.pop("process", None)
    trace = entry.pop("exception", None)
    words = " ".join([at, *([] if level == "info" else [str(level).upper()]), event])
    facts = " ".join(f"{key}={value}" for key, value in entry.items())
    return f"{words} {facts}".strip() + (f"\n{trace}" if trace else "")


def _wait_until(is_ready: Callable[[], bool], parts: list[Part], interrupted: threading.Event) -> bool:
    """Wait for the last part; False when interrupted or when a part ended. Raises TundishError after READY_S."""
    deadline_s = time.monotonic() + READY_S
    while not is_ready():
        if interrupted.is_set() or _ended(parts) is not None:
            return False
        if time.monotonic() > deadline_s:
            raise TundishError(f"the {parts[-1].name} was not ready within {READY_S:.0f} s: all are stopped.")
        time.sleep(LOOK_S)
    return True


def _ended(parts: list[Part]) -> Part | None:
    return next((one for one in parts if one.process.poll() is not None), None)


def _stop(parts: list[Part]) -> None:
    """Stop in reverse order: the engine first, so that what runs ends and is booked; the bench last."""
    for one in reversed(parts):
        if one.process.poll() is None:
            one.process.terminate()
        try:
            one.process.wait(END_S)
        except subprocess.TimeoutExpired:
            click.echo(f"{one.name:<6} | did not end within {END_S:.0f} s: killed", err=True)
            one.process.kill()
            one.process.wait()
        one.reader.join(1.0)
        click.echo(f"{one.name:<6} | stopped")


def _welcome(folder: Path, *, is_simulated: bool) -> None:
    """What to type next, in another terminal."""
    engine = Engine(folder)
    menu, status = engine.get("menu", tuple[MenuEntry, ...]), engine.get("status", Status)
    ready = [one.recipe for one in menu if not one.missing]
    place = "" if Engine(None).path == engine.path else f" --run-dir {shlex.quote(str(folder))}"
    rows = [
        ("tundish status", "the machine at a glance, and what each line needs"),
        ("tundish menu", f"{len(ready)} of {len(menu)} drinks can be poured now"),
    ]
    stocked = [one.line for one in status.lines if one.liquid is not None]
    if ready:
        rows.append((f"tundish pour {shlex.quote(ready[0])}", "a drink"))
    elif stocked:
        rows.append((f"tundish prime {' '.join(map(str, stocked))}", "fill the lines"))
        scale = " --scale bench" if is_simulated else ""
        rows.append((f"tundish calibrate {stocked[0]}{scale}", "line by line, by weight"))
    click.secho("\nAll run. In another terminal:", bold=True)
    width = max(len(words) for words, _ in rows) + len(place)
    for words, why in rows:
        click.echo(f"  {words + place:<{width}}  {why}")
    click.echo("Ctrl-C here stops all.\n")


def _listens(path: Path) -> bool:
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as probe:
        try:
            probe.connect(str(path))
        except OSError:
            return False
    return True


def _is_healthy(folder: Path) -> bool:
    try:
        return Engine(folder).is_healthy()
    except (TundishError, http.client.HTTPException):
        return False


@contextlib.contextmanager
def _interruptible() -> Iterator[threading.Event]:
    """An event that Ctrl-C, SIGTERM and a closed terminal set."""
    event = threading.Event()

    def on_signal(_number: int, _frame: FrameType | None) -> None:
        event.set()

    before = {number: signal.signal(number, on_signal) for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)}
    try:
        yield event
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
