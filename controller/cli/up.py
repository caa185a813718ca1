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
from controller.cli.options import existing_file, run_dir_option, state_dir_option
from controller.cli.places import BENCH, ENGINE, GUARD, run_dir_to_fill, state_dir_to_use
from controller.errors import TundishError
from controller.model.views import MenuEntry

READY_S = 20.0  # longest wait for one process, on a small board
END_S = 5.0  # longest wait for one process to end before it is killed
LOOK_S = 0.05


@dataclass
class Part:
    """One process of the machine."""

    name: str
    process: subprocess.Popen[str]


@click.command()
@click.option("--profile", "profile_path", type=existing_file, required=True, help="The machine.")
@click.option("--book", "book_path", type=existing_file, required=True, help="Liquids, glasses, recipes.")
@click.option("--seed", type=int, default=1, show_default=True, help="Which simulated machine (bench only).")
@click.option("--glass", default=None, help="Put this glass of the book under the outlet at once (bench only).")
@run_dir_option
@state_dir_option
def up(
    *, profile_path: Path, book_path: Path, seed: int, glass: str | None, run_dir: Path | None, state_dir: Path | None
) -> int:
    """Start bench (if the profile is of a simulated machine), guard and engine, and stop them together.

    Ctrl-C stops all; so does the end of any of them.
    """
    from controller.config import load

    profile, _, warnings = load(profile_path, book_path)
    for warning in warnings:
        click.echo(f"warning: {warning}", err=True)
    folder, state = run_dir_to_fill(run_dir), state_dir_to_use(state_dir)
    places = ["--run-dir", str(folder)]
    files = ["--profile", str(profile_path), "--book", str(book_path)]
    wanted: list[tuple[str, list[str], Callable[[], bool]]] = []
    if profile.board.backend == "bench":
        vessel = [] if glass is None else ["--glass", glass]
        wanted.append(
            ("bench", ["bench", "run", *files, *places, "--seed", str(seed), *vessel], lambda: _listens(folder / BENCH))
        )
    own = [*files, *places, "--state-dir", str(state)]
    wanted.append(("guard", ["guard", *own], lambda: _listens(folder / GUARD)))
    wanted.append(("engine", ["engine", *own], lambda: _is_healthy(folder)))
    with _interruptible() as interrupted:
        return _run(wanted, interrupted, folder)


def _run(wanted: list[tuple[str, list[str], Callable[[], bool]]], interrupted: threading.Event, folder: Path) -> int:
    """Start all in order, wait for the end of one or for the interruption, stop all in reverse order."""
    parts: list[Part] = []
    try:
        for name, words, is_ready in wanted:
            parts.append(_start(name, words))
            if not _wait_until(is_ready, parts, interrupted):
                break
            click.echo(f"{name:<6} | ready")
        else:
            _welcome(folder)
        while not interrupted.is_set() and _ended(parts) is None:
            interrupted.wait(LOOK_S)
        gone = _ended(parts)
    finally:
        _stop(parts)
    if gone is not None:
        raise TundishError(f"the {gone.name} ended by itself (exit code {gone.process.returncode}): all are stopped.")
    return 0


def _start(name: str, words: list[str]) -> Part:
    """Start one process in a session of its own, so that Ctrl-C reaches only us and the order of stopping is ours."""
    click.echo(f"{name:<6} | starting: tundish {shlex.join(words)}")
    process = subprocess.Popen(
        [sys.executable, "-m", "controller.cli", *words],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        start_new_session=True,
    )
    threading.Thread(target=_pass_on, args=(name, process), daemon=True).start()
    return Part(name, process)


def _pass_on(name: str, process: subprocess.Popen[str]) -> None:
    """Print what the process says, its name before every line."""
    for line in process.stdout or ():
        click.echo(f"{name:<6} | {_readable(line.rstrip())}")


def _readable(line: str) -> str:
    """A log entry in words; any other line as it is."""
    try:
        entry = json.loads(line)
        event = entry.pop("event")
    except (ValueError, KeyError, AttributeError):
        return line
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
        else:
            click.echo(f"{one.name:<6} | stopped")


def _welcome(folder: Path) -> None:
    """What to type next, in another terminal."""
    menu = Engine(folder).get("menu", tuple[MenuEntry, ...])
    ready = [one.recipe for one in menu if not one.missing]
    place = "" if Engine(None).path == folder / ENGINE else f" --run-dir {shlex.quote(str(folder))}"
    click.secho("\nAll run. In another terminal:", bold=True)
    for words, why in (
        (f"tundish status{place}", "the machine at a glance, and what each line needs"),
        (f"tundish menu{place}", f"{len(ready)} of {len(menu)} drinks can be poured now"),
        (f"tundish pour {shlex.quote((ready or [menu[0].recipe])[0])}{place}" if menu else "", "a drink"),
    ):
        if words:
            click.echo(f"  {words:<44} {why}")
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
