"""A bench in another process, asked over its socket; the same calls as Plant's."""

import socket
from collections.abc import Callable
from functools import wraps
from inspect import signature
from pathlib import Path
from typing import Any, Concatenate, ParamSpec, TypeVar, get_type_hints

import msgspec

from controller.bench.asks import Answer
from controller.bench.plant import Plant
from controller.errors import BoardError, Refused, Unreachable

ANSWER_S = 2.0  # an answer that takes longer does not come

P = ParamSpec("P")
R = TypeVar("R")


def _asked(method: Callable[Concatenate[Plant, P], R]) -> Callable[Concatenate["BenchClient", P], R]:
    """The same method of the plant in the bench's process."""
    returns, (_, *names) = get_type_hints(method)["return"], signature(method).parameters

    @wraps(method)
    def ask(client: "BenchClient", /, *args: P.args, **words: P.kwargs) -> R:
        named = dict(zip(names, args, strict=False))
        answer: R = msgspec.convert(client.ask(method.__name__, **named, **words), returns)
        return answer

    return ask


class BenchClient:
    """A connection to the bench that listens at a socket; Unreachable when none does.

    Every method raises BoardError for what the board cannot do, Refused for what the bench will not do, and Unreachable
    once the bench is gone. The pins that it claims are let go when it is closed, or when its process ends.
    """

    def __init__(self, path: Path, *, name: str = "desk") -> None:
        self._path = path
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._socket.settimeout(ANSWER_S)
        self._unread = bytearray()
        self._decoder = msgspec.json.Decoder(Answer)
        try:
            self._socket.connect(str(path))
            self.ask("hello", name=name)
        except OSError as exc:
            self._socket.close()
            raise Unreachable(f"no bench answers at {path}: {exc}. Start one with `tundish bench run`.") from exc

    def __enter__(self) -> "BenchClient":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of everything. May be repeated."""
        self._socket.close()

    def ask(self, what: str, **arguments: object) -> Any:
        """Ask anything that controller.bench.asks lists; the answer as plain JSON values."""
        try:
            self._socket.sendall(msgspec.json.encode({"ask": what, "with": arguments}) + b"\n")
            answer = self._decoder.decode(self._line())
        except (OSError, msgspec.MsgspecError) as exc:
            self._socket.close()  # an answer that comes late would be taken for the next one's
            raise Unreachable(f"the bench at {self._path} does not answer: {exc}") from exc
        if answer.refused is None:
            return answer.answer
        if answer.rule:
            raise Refused(rule=answer.rule, reason=answer.refused, remedy=answer.remedy)
        raise BoardError(answer.refused)

    def _line(self) -> bytes:
        while b"\n" not in self._unread:
            received = self._socket.recv(32 * 1024)  # a larger buffer is mapped anew for every answer
            if not received:
                raise ConnectionError("it has closed the connection")
            self._unread += received
        line, _, self._unread = self._unread.partition(b"\n")
        return bytes(line)

    # --- pins: together these make a BenchLink; the bench knows by the connection who claims

    claim_output = _asked(Plant.claim_output)
    claim_input = _asked(Plant.claim_input)
    set_pin = _asked(Plant.set_pin)
    release_pin = _asked(Plant.release_pin)
    read_pin = _asked(Plant.read_pin)

    # --- what an operator does

    place_glass = _asked(Plant.place_glass)
    lift_glass = _asked(Plant.lift_glass)
    empty_glass = _asked(Plant.empty_glass)
    add_ice = _asked(Plant.add_ice)
    place_mass = _asked(Plant.place_mass)
    knock = _asked(Plant.knock)
    lean = _asked(Plant.lean)
    hang = _asked(Plant.hang)
    unhang = _asked(Plant.unhang)
    press_stop = _asked(Plant.press_stop)
    release_stop = _asked(Plant.release_stop)
    set_tray = _asked(Plant.set_tray)
    set_input = _asked(Plant.set_input)
    inject = _asked(Plant.inject)
    clear = _asked(Plant.clear)

    # --- what can be seen

    scale_g = _asked(Plant.scale_g)
    conversions = _asked(Plant.conversions)
    tare = _asked(Plant.tare)
    glass_contents_ml = _asked(Plant.glass_contents_ml)
    true_delivered_ml = _asked(Plant.true_delivered_ml)
    container_ml = _asked(Plant.container_ml)
    moves = _asked(Plant.moves)
    contacts = _asked(Plant.contacts)
    report = _asked(Plant.report)
    truth_report = _asked(Plant.truth_report)
    newest_entries = _asked(Plant.newest_entries)
