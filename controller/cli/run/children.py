"""Processes that are started together and end together, whatever ends first: one of them, us, or our terminal."""

import contextlib
import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from types import FrameType

import click

from controller.errors import TundishError

READY_S = 20.0  # longest wait for one process, on a small board
END_S = 10.0  # longest wait for one process to end before it is killed; a guard tries 5 s on pins that do not answer
LOOK_S = 0.05


@dataclass(frozen=True)
class ProcessPlan:
    """One process to be started: `tundish` with these words.

    after: what is to be done when it has ended, however. may_end: the others go on without it.
    """

    name: str
    words: list[str]
    is_ready: Callable[[], bool]
    after: Callable[[], None] = lambda: None
    may_end: bool = False


@dataclass(frozen=True)
class RunningProcess:
    """One process of the machine."""

    name: str
    process: subprocess.Popen[str]
    reader: threading.Thread  # prints what the process says
    leash: int  # the other end of its standard input
    after: Callable[[], None]
    may_end: bool


def run_together(plans: list[ProcessPlan], welcome: Callable[[], None]) -> None:
    """Start all in order, wait for the end of one or for an interruption, stop all in reverse order.

    Raises TundishError when one was not ready in time or ended by itself.
    """
    with _interruptible() as interrupted:
        _run(plans, interrupted, welcome)


def say(text: str, *, err: bool = False) -> None:
    """Print, and go on when the terminal is gone: what runs must still be stopped."""
    with contextlib.suppress(OSError):
        click.echo(text, err=err)


def _run(plans: list[ProcessPlan], interrupted: threading.Event, welcome: Callable[[], None]) -> None:
    parts: list[RunningProcess] = []
    try:
        for one in plans:
            parts.append(_start(one, parts))
            if not _wait_until(one.is_ready, parts, interrupted):
                break
            say(f"{one.name:<6} | ready")
        else:
            welcome()
        while not interrupted.is_set() and _ended(parts) is None:
            interrupted.wait(LOOK_S)
        gone = _ended(parts)
        if gone is not None:
            gone.after()  # before the others are waited for
    finally:
        _stop(parts)
    if gone is not None:
        raise TundishError(f"the {gone.name} ended by itself (exit code {gone.process.returncode}): all are stopped.")


def _start(plan: ProcessPlan, before: list[RunningProcess]) -> RunningProcess:
    """Start one process in a session of its own, so that Ctrl-C reaches only us and the order of stopping is ours.

    Each ends when its standard input does (see `child`), whose other end we hold, and those that were started after it:
    killed ourselves, we take the last one with us, it the one before, and so on.
    """
    leash_end, leash = os.pipe()
    say(f"{plan.name:<6} | starting")
    process = subprocess.Popen(
        [sys.executable, "-m", "controller.cli.run.child", *plan.words],
        stdin=leash_end,
        pass_fds=[one.leash for one in before],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        start_new_session=True,
    )
    os.close(leash_end)
    reader = threading.Thread(target=_pass_on, args=(plan.name, process), daemon=True)
    reader.start()
    return RunningProcess(plan.name, process, reader, leash, plan.after, plan.may_end)


def _pass_on(name: str, process: subprocess.Popen[str]) -> None:
    """Print what the process says, its name before every line."""
    for line in process.stdout or ():
        say(f"{name:<6} | {_readable(line.rstrip())}")


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


def _wait_until(is_ready: Callable[[], bool], parts: list[RunningProcess], interrupted: threading.Event) -> bool:
    """Wait for the last part; False when interrupted or when a part ended. Raises TundishError after READY_S."""
    deadline_s = time.monotonic() + READY_S
    while not is_ready():
        if interrupted.is_set() or _ended(parts) is not None:
            return False
        if time.monotonic() > deadline_s:
            raise TundishError(f"the {parts[-1].name} was not ready within {READY_S:.0f} s: all are stopped.")
        time.sleep(LOOK_S)
    return True


def _ended(parts: list[RunningProcess]) -> RunningProcess | None:
    return next((one for one in parts if not one.may_end and one.process.poll() is not None), None)


def _stop(parts: list[RunningProcess]) -> None:
    """Stop in reverse order: the engine first, so that what runs ends and is booked; the bench last."""
    for one in reversed(parts):
        if one.process.poll() is None:
            one.process.terminate()
        try:
            one.process.wait(END_S)
        except subprocess.TimeoutExpired:
            say(f"{one.name:<6} | did not end within {END_S:.0f} s: killed", err=True)
            one.process.kill()
            one.process.wait()
        one.after()
        os.close(one.leash)
        one.reader.join(1.0)
        say(f"{one.name:<6} | stopped")


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
