"""Fuzzing of all that reads what others write: sockets of guard, engine and bench, the engine's ear, and the files.

python3 tests fuzz [--seed S] [--runs N]     N conversations with each of them, N of each file

Bounded and repeatable: the sockets are real, the clock is not. While clients say whatever they like, a good engine has
lines run over and over; each must be switched off on time. Ends with 1, the seed and the run at the first failure.
"""

import argparse
import random
import socket
import sys
import tempfile
import traceback
from collections.abc import Callable, Iterator
from functools import partial
from itertools import count
from pathlib import Path

import msgspec
import structlog

from controller.clock import VirtualClock
from controller.engine.engine import Engine
from controller.errors import TundishError
from controller.guard.guard import Guard
from controller.guard.server import Server
from controller.ledger.journal import MemoryJournal
from controller.ledger.store import Ledger
from controller.model.calibration import Calibration
from controller.model.decoding import decode
from controller.model.messages import (
    MAX_BYTES,
    Acknowledge,
    Admitted,
    AskReport,
    Assign,
    Changed,
    Command,
    Confirm,
    ConfirmJug,
    Delivery,
    Edge,
    Ended,
    Event,
    FaultLatchedEvent,
    Heartbeat,
    Hello,
    InputReport,
    InputsChanged,
    LineChanged,
    LineReport,
    Refusal,
    Report,
    Start,
    Stop,
    TakeCalibration,
    Unhold,
)
from controller.model.plan import Operation, Segment
from controller.model.requests import LineRequest
from controller.model.states import Contents, MachineState, OperationKind, Outcome
from tests.fuzz_network import fuzz_bench, fuzz_http, hostile_json
from tests.guard.guard_parts import BOOK, FakeBoard, prime, run_of, serve, with_caps
from tests.mutations import EXAMPLES, campaign, mutate

EVENT: msgspec.json.Decoder[Event] = msgspec.json.Decoder(Event)
TURN_S = 0.01  # of virtual time
RUN_S = 0.5  # of each line that the good engine has run
MOST_SAID = 25  # chunks in one conversation
CALIBRATION = Calibration(
    line=1, liquid="apple juice", flow_ml_s=2.0, lag_s=0.1, u_flow_ml_s=0.01, u_lag_s=0.01, cov_flow_lag=0.0
)
COMMANDS: tuple[Command, ...] = (
    Hello(version=1, role="observer"),
    Hello(version=1, role="engine"),
    Heartbeat(),
    Start(operation=prime(1, "apple juice")),
    Start(operation=serve(run_of(1, "apple juice", 0.0, 5.0), run_of(2, "ginger syrup", 0.5, 3.0))),
    Confirm(operation="s1"),
    Unhold(operation="s1", runs=(run_of(1, "apple juice", 0.0, 5.0),)),
    Stop(),
    Acknowledge(cause="stop pressed"),
    TakeCalibration(calibration=CALIBRATION),
    Assign(line=1, liquid="cold tea"),
    AskReport(),
)
LINE = LineReport(line=1, liquid="apple juice", contents=Contents.LIQUID, holds="apple juice", is_on=False)
INPUTS = InputReport(stop_pressed=False, glass_present=True)
REPORT = Report(state=MachineState.IDLE, fault=None, operation=None, waiting_for=None, lines=(LINE,), inputs=INPUTS)
DELIVERY = Delivery(line=1, liquid="apple juice", asked_ml=9.0, delivered_ml=9.0, worst_ml=9.5, on_s=4.0)
EVENTS: tuple[Event, ...] = (
    REPORT,
    Admitted(operation="op1", kind=OperationKind.PURGE),
    Refusal(request="op1", rule="state", reason="the machine is stopped."),
    Edge(operation="op1", line=1, is_on=True, at_s=0.0),
    Edge(operation="op1", line=1, is_on=False, at_s=4.0),
    Changed(state=MachineState.EXECUTE, reason="", operation="op1"),
    Changed(state=MachineState.HELD, reason="the glass was lifted", operation="op1", waiting_for="glass"),
    Ended(operation="op1", kind=OperationKind.PURGE, outcome=Outcome.DONE, reason="", deliveries=(DELIVERY,)),
    LineChanged(report=LINE),
    InputsChanged(inputs=INPUTS),
    FaultLatchedEvent(cause="stop pressed", text="the stop contact is open"),
)


# --- the guard


def bytes_of(rng: random.Random) -> bytes:
    """Something to say to the guard: a command, changed or not, several at once, or no command at all."""
    line = msgspec.json.encode(rng.choice(COMMANDS))
    match rng.randrange(14):
        case 0:
            return line + b"\n"
        case 1:
            return rng.randbytes(rng.randrange(1, 400))
        case 2:
            return b"\n" * rng.randrange(1, 50)
        case 3:
            return line[: rng.randrange(len(line))]  # and no end of line
        case 4:
            return b"[" * rng.randrange(1, 3 * MAX_BYTES)
        case 8:
            return with_hostile_member(line, rng) + b"\n"
        case 9:
            return b'{"colour":' + hostile_json(rng) + b"," + line[1:] + b"\n"
        case 5:
            return b'{"type":"assign","line":' + b"9" * rng.randrange(1, 5000) + b',"liquid":"x"}\n'
        case 6:
            return (line + b"\n") * rng.randrange(2, 700)
        case 7:
            return b'"' + b"x" * rng.choice((MAX_BYTES - 2, MAX_BYTES - 1, MAX_BYTES)) + b'"\n'
        case _:
            return mutate(line, rng) + rng.choice((b"\n", b"\n", b"\n", b"", b"\r\n", b"\0\n"))


def conversation(path: str, rng: random.Random) -> Iterator[None]:
    """One client, turn by turn: it says hello or not, talks, listens or not, and leaves in one way or another."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as client:
        client.connect(path)
        client.setblocking(False)
        if rng.random() < 0.5:
            client.send(msgspec.json.encode(COMMANDS[0]) + b"\n")
        listens = rng.random() < 0.7
        for _ in range(rng.randrange(1, MOST_SAID)):
            try:
                client.send(bytes_of(rng))
                if listens:
                    heard(client.recv(1 << 20))
            except BlockingIOError:
                pass
            except OSError:
                return  # the guard has parted with it
            yield
        if rng.random() < 0.5:
            client.shutdown(socket.SHUT_WR)
            yield


def with_hostile_member(line: bytes, rng: random.Random) -> bytes:
    """The same, and a member that it should not have."""
    return line[:-1] + b',"colour":' + hostile_json(rng) + b"}"


def heard(data: bytes) -> None:
    """What the guard says is always sound, whoever it speaks to (the first line and the last may not be whole)."""
    for line in data.split(b"\n")[:-1]:
        if line.startswith(b"{"):
            msgspec.json.decode(line, type=Event)


class GoodEngine:
    """Beats, and has one line run again and again."""

    def __init__(self, path: str, clock: VirtualClock) -> None:
        self._clock, self._numbers = clock, count(1)
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._socket.connect(path)
        self._socket.setblocking(False)
        self._rest = b""
        self._state = MachineState.STOPPED
        self.ended = 0
        self._say(Hello(version=1, role="engine"))

    def turn(self) -> None:
        """Listen, beat, ask for the next run when the machine is free."""
        self._listen()
        if self._state == MachineState.IDLE:
            number = next(self._numbers)
            segment = Segment(runs=(run_of(1 + number % 4, "air", 0.0, RUN_S),))
            asked = Operation(operation=f"good{number}", kind=OperationKind.PURGE, segments=(segment,), jug=True)
            self._say(ConfirmJug(volume_ml=2000.0))
            self._say(Start(operation=asked))
            self._state = MachineState.STARTING
        elif self._state == MachineState.ABORTED:
            raise AssertionError("a client has brought about a fault")
        self._say(Heartbeat())

    def close(self) -> None:
        """Hang up."""
        self._socket.close()

    def _say(self, command: Command) -> None:
        self._socket.send(msgspec.json.encode(command) + b"\n")

    def _listen(self) -> None:
        try:
            self._rest += self._socket.recv(1 << 20)
        except BlockingIOError:
            return
        *lines, self._rest = self._rest.split(b"\n")
        for event in (msgspec.json.decode(line, type=Event) for line in lines):
            if isinstance(event, Changed | Report):
                self._state = event.state
            if isinstance(event, Ended):
                self.ended += 1


def fuzz_guard(seed: int, runs: int, folder: Path) -> str:
    """Let clients talk; what came of it. AssertionError when the guard is late, ends, or is brought into a fault."""
    path, clock = str(folder / "guard.sock"), VirtualClock(now_s=1000.0)
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as listener:
        listener.bind(path)
        listener.listen(64)
        board, turns = FakeBoard(clock), count()
        script = (step for run in range(runs) for step in conversation(path, random.Random(f"{seed} guard {run}")))
        engine = GoodEngine(path, clock)

        def turn(now_s: float) -> float:
            clock.move_to(now_s + TURN_S)
            engine.turn()
            next(turns)
            if next(script, StopIteration) is StopIteration:
                server.end()
            return clock.now_s()

        server = Server(listener, clock, each_turn=turn)
        guard = Guard(with_caps(duty_fraction=1.0), BOOK, board, MemoryJournal(), clock, server.publish)
        try:
            server.serve(guard)
        finally:
            server.close()
            engine.close()
            guard.close()
    longest_s = longest_on_s(board.trace)
    assert longest_s <= RUN_S + 2 * TURN_S, f"a line was on for {longest_s:.3f} s instead of {RUN_S} s"
    assert engine.ended > 0, "no run came to its end"
    return (
        f"{runs} conversations in {next(turns)} turns, {engine.ended} runs beside them, the longest {longest_s:.3f} s"
    )


def longest_on_s(trace: list[tuple[float, int, bool]]) -> float:
    """The longest time that a line was on (s)."""
    since: dict[int, float] = {}
    longest_s = 0.0
    for at_s, line, is_on in trace:
        if is_on:
            since[line] = at_s
        elif line in since:
            longest_s = max(longest_s, at_s - since.pop(line))
    return longest_s


# --- the engine


def fuzz_engine(seed: int, runs: int) -> str:
    """Let a guard out of its mind talk to the engine; it takes it in or refuses, and can still say how things stand."""
    taken = refused = 0
    for run in range(runs):
        rng = random.Random(f"{seed} engine {run}")
        ledger = Ledger(":memory:")
        try:
            for was_taken in hear_out(new_engine(ledger), rng):
                taken, refused = taken + was_taken, refused + (not was_taken)
        except Exception as error:
            raise RuntimeError(f"engine: seed {seed}, run {run}") from error
        finally:
            ledger.close()
    return f"{taken} events taken in, {refused} refused"


def new_engine(ledger: Ledger) -> Engine:
    """An engine that has its first report and has asked for something."""
    engine = Engine(
        profile=with_caps(),
        book=BOOK,
        ledger=ledger,
        clock=VirtualClock(),
        send=lambda _: None,
        new_id=map("op{}".format, count(1)).__next__,
    )
    engine.on_event(REPORT)
    engine.run_lines(LineRequest(kind="purge", lines=(1,), jug=True))
    return engine


def hear_out(engine: Engine, rng: random.Random) -> Iterator[bool]:
    """Say some events to it, as guard_link does; whether each was taken in."""
    for _ in range(rng.randrange(1, MOST_SAID)):
        line = msgspec.json.encode(rng.choice(EVENTS))
        if rng.random() < 0.7:
            line = rng.choice((mutate, mutate, mutate, with_hostile_member))(line, rng)
        try:
            engine.on_event(decode(EVENT, line))
            engine.tick()
            yield True
        except (TundishError, msgspec.DecodeError, ValueError):
            yield False
            engine.guard_lost()
            engine.on_event(REPORT)
        engine.status()
        engine.menu()


# --- all of it


def main(argv: list[str]) -> int:
    """Fuzz everything and print what came of it."""
    parser = argparse.ArgumentParser(prog="python3 tests fuzz", description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--runs", type=int, default=300)
    asked = parser.parse_args(argv)
    structlog.configure(processors=[], logger_factory=structlog.ReturnLoggerFactory())
    with tempfile.TemporaryDirectory(prefix="fuzz") as name:
        parts: list[tuple[str, Callable[[], object]]] = [
            ("guard's socket", lambda: fuzz_guard(asked.seed, asked.runs, Path(name))),
            ("engine's ear", lambda: fuzz_engine(asked.seed, asked.runs)),
            ("engine's HTTP interface", lambda: fuzz_http(asked.seed, asked.runs, Path(name))),
            ("bench's socket", lambda: fuzz_bench(asked.seed, asked.runs, Path(name))),
        ]
        parts += [(path.name, partial(campaign, path, asked.seed, asked.runs, Path(name))) for path in EXAMPLES]
        for what, part in parts:
            try:
                print(f"{what:28} {part()}", flush=True)
            except Exception as error:
                traceback.print_exc()
                print(f"failed: {what}, seed {asked.seed}: {error}", file=sys.stderr)
                return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
