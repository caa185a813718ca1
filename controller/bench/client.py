"""A bench in another process, asked over its socket; the same calls as Plant's."""

import socket
from pathlib import Path
from typing import Any, TypeVar

import msgspec

from controller.bench.asks import Answer
from controller.bench.faults import InjectedFault
from controller.bench.load_cell import Conversion
from controller.bench.report import BenchReport, LineTruthReport
from controller.bench.trace import Entry
from controller.errors import BoardError, Refused, Unreachable
from controller.hal.board import Pull

ANSWER_S = 2.0  # an answer that takes longer does not come

Expected = TypeVar("Expected")


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
            received = self._socket.recv(256 * 1024)
            if not received:
                raise ConnectionError("it has closed the connection")
            self._unread += received
        line, _, self._unread = self._unread.partition(b"\n")
        return bytes(line)

    def _value(self, expected: type[Expected], what: str, **arguments: object) -> Expected:
        return msgspec.convert(self.ask(what, **arguments), expected)

    # --- pins: together these make a BenchLink

    def claim_output(self, gpio: int, level: bool) -> None:
        """Make a pin an output that carries this level from the first instant."""
        self.ask("claim_output", gpio=gpio, level=level)

    def claim_input(self, gpio: int, pull: Pull) -> None:
        """Make a pin an input with this pull."""
        self.ask("claim_input", gpio=gpio, pull=pull)

    def set_pin(self, gpio: int, level: bool) -> None:
        """Drive a claimed output."""
        self.ask("set_pin", gpio=gpio, level=level)

    def read_pin(self, gpio: int) -> bool:
        """The level at a pin."""
        return self._value(bool, "read_pin", gpio=gpio)

    def release_pin(self, gpio: int) -> None:
        """Let go of a claimed pin."""
        self.ask("release_pin", gpio=gpio)

    # --- what an operator does

    def place_glass(
        self, name: str | None = None, *, brim_ml: float | None = None, empty_g: float | None = None
    ) -> None:
        """Put a glass under the funnel: a fresh one of the book or of this brim volume (mL), else the lifted one."""
        self.ask("place_glass", name=name, brim_ml=brim_ml, empty_g=empty_g)

    def lift_glass(self) -> dict[str, float]:
        """Take the glass away; what it holds, in mL by liquid."""
        return self._value(dict[str, float], "lift_glass")

    def empty_glass(self) -> dict[str, float]:
        """Pour the glass away; what it held, in mL by liquid."""
        return self._value(dict[str, float], "empty_glass")

    def add_ice(self, grams: float) -> None:
        """Put ice or garnish into the glass that stands there."""
        self.ask("add_ice", grams=grams)

    def place_mass(self, grams: float) -> None:
        """Have a mass of so many g on the platform, in place of the one before; 0 takes it away."""
        self.ask("place_mass", grams=grams)

    def knock(self, grams: float) -> None:
        """Knock against the platform, with a peak of so many g."""
        self.ask("knock", grams=grams)

    def lean(self, grams: float, for_s: float) -> None:
        """Rest a hand on the platform for so long (s)."""
        self.ask("lean", grams=grams, for_s=for_s)

    def hang(self, line: int, liquid: str, volume_ml: float) -> None:
        """Hang a container of this liquid on a line."""
        self.ask("hang", line=line, liquid=liquid, volume_ml=volume_ml)

    def unhang(self, line: int) -> None:
        """Take the container away: the line draws air."""
        self.ask("unhang", line=line)

    def press_stop(self) -> None:
        """Press the stop button."""
        self.ask("press_stop")

    def release_stop(self) -> None:
        """Turn the stop button out again."""
        self.ask("release_stop")

    def set_tray(self, *, full: bool) -> None:
        """Fill the drip tray, or empty it."""
        self.ask("set_tray", full=full)

    def set_input(self, name: str, *, active: bool) -> None:
        """Hold an input active, or let go of it."""
        self.ask("set_input", name=name, active=active)

    def inject(self, fault: InjectedFault) -> None:
        """Bring in a fault."""
        self.ask("inject", fault=fault)

    def clear(self, fault: InjectedFault) -> None:
        """Take a fault away again."""
        self.ask("clear", fault=fault)

    # --- what can be seen

    def scale_g(self) -> float:
        """The display of a person's scale (g)."""
        return self._value(float, "scale_g")

    def conversions(self, after: int = -1) -> list[Conversion]:
        """What the load cell's converter has given since conversion number `after`, of the last two seconds."""
        return self._value(list[Conversion], "conversions", after=after)

    def tare(self) -> None:
        """Set the scale to zero."""
        self.ask("tare")

    def glass_contents_ml(self) -> dict[str, float]:
        """What is in the glass, mL by liquid."""
        return self._value(dict[str, float], "glass_contents_ml")

    def true_delivered_ml(self, line: int) -> float:
        """All liquid that has ever left this line's outlet (mL)."""
        return self._value(float, "true_delivered_ml", line=line)

    def container_ml(self, line: int) -> float:
        """What is left in the container on this line (mL)."""
        return self._value(float, "container_ml", line=line)

    def moves(self) -> bool:
        """Whether any pump turns or any relay is about to change."""
        return self._value(bool, "moves")

    def contacts(self) -> dict[str, bool]:
        """Contact name -> whether it is closed."""
        return self._value(dict[str, bool], "contacts")

    def report(self) -> BenchReport:
        """The whole bench now."""
        return self._value(BenchReport, "report")

    def truth_report(self) -> tuple[LineTruthReport, ...]:
        """What a perfect calibration of every line with a container would find. For benchmarks only."""
        return self._value(tuple[LineTruthReport, ...], "truth_report")

    def newest_entries(self, count: int = 200) -> list[Entry]:
        """The newest entries of the trace, oldest first."""
        return self._value(list[Entry], "newest_entries", count=count)
