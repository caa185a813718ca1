"""A laboratory balance on a serial line that speaks the standard interface command set (SICS).

Source: "MT-SICS Interface Command, Reference Manual", Mettler-Toledo 11781363L (12/2018), levels 0 and 1: lines of
ASCII ended by CR LF, one command at a time, `S` answers with the stable weight. Speed and parity are set at the
balance; 9600 baud, 8 bits, no parity here, as most leave the factory (common practice, no source).
"""

import math
import re
import time
from types import TracebackType
from typing import Protocol, Self

import click

from controller.errors import TundishError

BAUD = 9600
STABLE_S = 30.0  # longest wait for a stable weight; a balance gives up by itself, by default later than most weigh
START_S = 3.0
LINE_BYTES = 200
IN_GRAMS = {"g": 1.0, "kg": 1000.0, "mg": 0.001}
NOT_NOW = {
    "I": "it is busy, or the weight does not come to rest: keep draughts and hands away",
    "L": "it does not understand the command",
    "+": "the load is more than it carries",
    "-": "the load is too little: is its pan in place?",
}


class SerialLine(Protocol):
    """What serial.Serial offers, as far as it is used."""

    def write(self, data: bytes, /) -> int | None: ...  # noqa: D102
    def read_until(self, expected: bytes = ..., size: int | None = ...) -> bytes: ...  # noqa: D102
    def close(self) -> None: ...  # noqa: D102


class Balance:
    """A jar is weighed empty and full; a person carries it between balance and outlet, and types nothing."""

    u_grams: float | None = None  # that of the profile's weighing scale

    def __init__(self, line: SerialLine) -> None:
        """Greet it; TundishError when nothing answers. line: reads wait for half a second."""
        self._line = line
        self._empty_g = 0.0
        self._ask("@", "I4 A", START_S)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._line.close()

    def grams(self) -> float:
        """The stable weight now, g; TundishError says why there is none."""
        answer = self._ask("S", "S ", STABLE_S)
        words = answer.split()
        if len(words) == 4 and words[1] == "S":  # a value that is no number is an error code of the balance
            value = _number(words[2])
            if value is not None and words[3] in IN_GRAMS:
                return value * IN_GRAMS[words[3]]
        why = NOT_NOW.get(words[1]) if len(words) == 2 else None
        raise TundishError(f"the balance gives no weight: {why or f'it answers {answer!r}'}.")

    # --- as a JarScale

    def before(self, on_s: float) -> None:
        """Weigh the empty jar, then have it placed."""
        click.prompt(
            "\nSet the empty jar on the balance, then Enter", default="", show_default=False, prompt_suffix=" "
        )
        self._empty_g = self.grams()
        self.missing(on_s)

    def missing(self, on_s: float) -> None:
        """Have the jar placed under the outlet."""
        text = f"{self._empty_g:g} g. Put it under the funnel; Enter runs it for {on_s:g} s"
        click.prompt(text, default="", show_default=False, prompt_suffix=" ")

    def after(self, _expected_g: float | None) -> float:
        """Weigh the jar again."""
        click.prompt("Set the jar on the balance, then Enter", default="", show_default=False, prompt_suffix=" ")
        grams = self.grams() - self._empty_g
        click.echo(f"{grams:g} g")
        return max(0.0, grams)

    # --- inside

    def _ask(self, command: str, begins: str, within_s: float) -> str:
        """Send one command and wait for its answer; what else comes meanwhile is left aside."""
        self._line.write(command.encode() + b"\r\n")
        until_s = time.monotonic() + within_s
        while time.monotonic() < until_s:
            answer = self._line.read_until(b"\r\n", LINE_BYTES).decode("ascii", "replace").strip()
            if answer in ("ES", "ET", "EL"):
                raise TundishError(f"the balance does not take {command!r} ({answer}): set its line to {BAUD} 8N1.")
            if answer.startswith(begins):
                return answer
        raise TundishError(f"the balance does not answer {command!r} in {within_s:g} s: look at cable and settings.")


def open_balance(port: str) -> Balance:
    """The balance on this serial port; TundishError without pyserial, or when the port cannot be used."""
    try:
        import serial
    except ImportError as missing:
        raise TundishError("the package pyserial is missing: pip install 'tundish[balance]'") from missing
    try:
        return Balance(serial.Serial(port, BAUD, timeout=0.5))
    except OSError as error:  # serial.SerialException is one
        raise TundishError(f"cannot use {port}: {error}") from error


def _number(text: str) -> float | None:
    return float(text) if re.fullmatch(r"-?\d+(\.\d+)?", text) and math.isfinite(float(text)) else None
