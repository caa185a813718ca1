"""Follows one operation to its end: live bars on a terminal, plain lines elsewhere, Ctrl-C to stop."""

import contextlib
import queue
import select
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from types import FrameType, NoneType
from typing import TYPE_CHECKING, Self, TypeAlias

import click
import msgspec

from controller.cli.client import EngineClient, address
from controller.cli.options import Session, table
from controller.errors import TundishError, Unreachable
from controller.model.states import OperationKind, Outcome
from controller.model.views import LineProgress, OperationView
from controller.model.wiring import role_of

if TYPE_CHECKING:
    from controller.cli.bars import Bars

WEIGHED_S = 6.0  # longest wait for the weight of a serving that is over
LOOK_S = 0.1  # between two looks at the keyboard while a hand step waits

# Made before any thread starts: msgspec learns a type at its first use, and two threads that do so at once crash it.
_VIEW: msgspec.json.Decoder[OperationView] = msgspec.json.Decoder(OperationView)

Display: TypeAlias = "Bars | _Lines"  # where progress is shown, and what is said beside it

EXIT = {Outcome.DONE: 0, Outcome.STOPPED: 1, Outcome.ABORTED: 1, Outcome.FAULTED: 4}


def begin_and_follow(session: Session, target: str, request: object) -> int:
    """POST the request, follow its operation to its end, print how it ended; the exit code."""
    view = begin(session, target, request)
    session.show(view, draw_end)
    return exit_code(view)


def exit_code(view: OperationView) -> int:
    """0 only when the operation was done."""
    return EXIT[view.outcome] if view.outcome is not None else 1


def begin(session: Session, target: str, request: object) -> OperationView:
    """POST the request and follow its operation to its end; the operation as it ended."""
    engine = session.engine
    with _Stream(engine) as stream:
        view = engine.post(target, OperationView, request)
        with _display(as_json=session.as_json) as display, _stopping(engine, display):
            return _Following(engine, stream, display).until_end(view)


def draw_end(view: OperationView) -> str:
    """How an operation ended and what each line delivered."""
    head = ("line", "liquid", "asked", "poured", "weighed")[: 5 if any(one.weighed for one in view.lines) else 4]
    rows = [
        (str(one.line), one.liquid, f"{one.asked_ml:.1f} mL", poured(one), dose_weighed(one))[: len(head)]
        for one in view.lines
    ]
    what = f"{view.kind} {view.recipe or ''}".strip()
    end = f"{what}: {view.outcome or 'not over'}" + (f" ({view.reason})" if view.reason else "") + weighed(view)
    parts = [table(head, rows)] if rows else []
    can_go_on = view.outcome not in (None, Outcome.DONE) and view.kind is OperationKind.SERVE
    if can_go_on and any(one.delivered_ml > 0 for one in view.lines) and not any(one.at_most for one in view.lines):
        parts.append(f"To pour what it still owes: tundish pour --rest {view.operation}")
    steps = [f"now by hand: {step}" for step in view.afterwards if view.outcome == Outcome.DONE]
    return "\n".join([*parts, *view.changes, click.style(end, bold=True), *steps])


def weighed(view: OperationView) -> str:
    """What the scale said of a serving: ", weighed 94.8 +- 0.4 of 95.0 mL", or why nothing; "" without a scale."""
    found = view.weighed
    if found is None:
        return f", not weighed: {view.unweighed}" if view.unweighed else ""
    within = "" if found.u_ml is None else f" +- {2 * found.u_ml:.1f}"
    return f", weighed {found.volume_ml:.1f}{within} of {found.asked_ml:.1f} mL"


def poured(one: LineProgress) -> str:
    """What a line gave, as far as it is known."""
    return f"at most {one.delivered_ml:.1f} mL" if one.at_most else f"{one.delivered_ml:.1f} mL"


def dose_weighed(one: LineProgress) -> str:
    """What a line's doses became by weight, with k = 2; "" where nobody knows."""
    return "" if one.weighed is None else f"{one.weighed.volume_ml:.1f} +- {2 * one.weighed.u_ml:.1f} mL"


class _Following:
    def __init__(self, engine: EngineClient, stream: "_Stream", display: Display) -> None:
        self._engine, self._stream, self._display = engine, stream, display
        self._confirmed: str | None = None  # the hand step that was confirmed last, while it is still reported
        self._asked: str | None = None  # the wait that was shown last

    def until_end(self, view: OperationView) -> OperationView:
        """Show every change until the operation has an outcome.

        The stream was open before the request, so it has every change in order; the answer to the request may be ahead
        of the changes that are still on their way, and would be shown before them.
        """
        operation = view.operation
        while view.outcome is None:
            change = self._stream.next(LOOK_S)
            if change is not None and change.operation == operation:
                view = change
                self._display.show(view)
                self._see_to(view)
            elif self._asked is not None:
                self._see_to(view)
            if view.refused:
                raise TundishError("; ".join(one.reason for one in view.refused))
        self._wait_for_weight(view)
        # The ledger's word at the end: what was booked, not what was worked out on the way.
        return self._engine.get(address("operations", operation), OperationView)

    def _wait_for_weight(self, view: OperationView) -> None:
        """Once all has dripped down, the scale's word; a serving that cannot be weighed is not waited for."""
        end_s = time.monotonic() + WEIGHED_S
        while view.weighed is not None and view.weighed.u_ml is None and time.monotonic() < end_s:
            change = self._stream.next(LOOK_S)
            if change is not None and change.operation == view.operation:
                view = change
                self._display.show(view)

    def _see_to(self, view: OperationView) -> None:
        """Say what the operation waits for, and confirm a hand step when Enter is pressed."""
        waits = view.waiting_for
        if waits != self._confirmed:
            self._confirmed = None
        if waits is None or waits == self._confirmed:
            self._asked = None
            return
        if waits != self._asked:
            self._asked = waits
            self._display.say(_ask(view, waits))
        if view.waiting is not None and view.waiting.is_for_a_person and _enter_pressed():
            self._engine.post(address("operations", view.operation, "confirm"), NoneType)
            self._confirmed = waits


def _ask(view: OperationView, waits: str) -> str:
    """What a person is to do, in words."""
    waiting = view.waiting
    if waiting is not None and waiting.kind == "glass":
        return "The glass was lifted: put it back to go on."
    if waiting is not None and waiting.kind == "input":
        role = role_of(waits)
        return f"{role.reason[:1].upper()}{role.reason[1:]}. {role.remedy}"
    if waiting is None or waiting.line is None:
        return f"Now: {waits}. Then press Enter."
    number = waiting.line
    liquid = next((one.liquid for one in view.lines if one.line == number), "the same liquid")
    return (
        f"The container on line {number} is low: hang a full one of {liquid} on it, then press Enter.\n"
        f"Should its tube have drawn air: tundish stop; tundish stock refill {number}; tundish prime {number}; then "
        f"tundish pour --rest {view.operation}"
    )


class _Stream:
    """The engine's events, read by a thread of its own so that keyboard and events can be waited for together."""

    def __init__(self, engine: EngineClient) -> None:
        self._engine = engine
        self._views: queue.SimpleQueue[OperationView | TundishError | None] = queue.SimpleQueue()
        self._is_open = threading.Event()
        self._thread = threading.Thread(target=self._read, daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        self._is_open.wait()
        return self

    def __exit__(self, *_: object) -> None:
        """Nothing to close: the thread ends with the process, or with the next event."""

    def next(self, wait_s: float) -> OperationView | None:
        """The next change of an operation; None when there was none for wait_s. Raises TundishError at the end."""
        try:
            view = self._views.get(timeout=wait_s)
        except queue.Empty:
            return None
        if isinstance(view, TundishError):
            raise view
        if view is None:
            raise Unreachable(
                "the engine went away. The guard switches every pump off by itself; see tundish status, "
                "and tundish history for what was poured."
            )
        return view

    def _read(self) -> None:
        try:
            for name, document in self._engine.events():
                self._is_open.set()
                if name in ("operation", "progress"):
                    self._views.put(_VIEW.decode(document))
            self._views.put(None)
        except TundishError as error:
            self._views.put(error)
        finally:
            self._is_open.set()


@contextlib.contextmanager
def _stopping(engine: EngineClient, display: Display) -> Iterator[None]:
    """Ctrl-C stops the pumps at once and lets the following go on to the end; a second Ctrl-C leaves."""

    def stop(_number: int, _frame: FrameType | None) -> None:
        signal.signal(signal.SIGINT, signal.default_int_handler)
        display.say("Stopping.")
        engine.post("stop", NoneType)

    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, stop)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


def _enter_pressed() -> bool:
    """Whether a line can be read from standard input; it is then read. An ended input confirms nothing."""
    try:
        ready, _, _ = select.select([sys.stdin], [], [], 0)
    except (OSError, ValueError):  # not a file that can be waited for
        return False
    return bool(ready) and sys.stdin.readline() != ""


def _display(*, as_json: bool) -> Display:
    if as_json:
        return _Silent()
    if sys.stdout.isatty():
        from controller.cli.bars import Bars

        return Bars()
    return _Lines(click.echo)


class _Lines:
    """Progress in words, for outputs that are no terminal: one line when a pump starts or stops."""

    def __init__(self, echo: Callable[[str], None]) -> None:
        self._echo = echo
        self._on: dict[int, bool] = {}

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        return None

    def show(self, view: OperationView) -> None:
        """Say which lines were switched."""
        for one in view.lines:
            if self._on.get(one.line, False) != one.is_on:
                self._on[one.line] = one.is_on
                what = "on" if one.is_on else "off"
                self._echo(
                    f"{view.elapsed_s:6.1f} s  line {one.line} {what}: {one.delivered_ml:.1f} of "
                    f"{one.asked_ml:.1f} mL {one.liquid}"
                )

    def say(self, text: str) -> None:
        """Say it on a line of its own."""
        self._echo(text)


class _Silent(_Lines):
    """Says what a person must do on standard error, shows no progress."""

    def __init__(self) -> None:
        super().__init__(lambda text: click.echo(text, err=True))

    def show(self, view: OperationView) -> None:
        """Show nothing."""
