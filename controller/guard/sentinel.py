"""The process behind the guard: when the guard is gone or stands still, it drives every line off.

Run as a file (`python3 -I -S sentinel.py ...`), so that it starts in milliseconds and depends on nothing but the
standard library. It sleeps on a pipe from the guard's loop: BEAT_ARMED while a channel may be on, BEAT_AT_REST while
all are off, QUIT when the guard has ended in good order; it answers every beat. Pipe closed: every line off. Silent
while armed: the guard is killed first. SIGTERM and SIGINT are ignored; it ends when its work is done.

It speaks to the kernel's GPIO character device (uAPI v2) or to the bench, never through the guard's own code.
"""

import contextlib
import errno
import fcntl
import json
import os
import select
import signal
import socket
import struct
import sys
import time
from collections.abc import Callable, Mapping

BEAT_ARMED, BEAT_AT_REST, QUIT = b"1", b"0", b"q"
ANSWER = b"."  # to every beat, and once at the start
SILENCE_S = 0.5  # without a beat while armed, after which the guard is killed
TRY_S = 5.0  # how long to go on trying when a line is still held, or the bench does not answer
RETRY_S = 0.002
BENCH_ANSWER_S = 1.0

# include/uapi/linux/gpio.h: struct gpiochip_info is name[32], label[32], lines; struct gpio_v2_line_request is
# offsets[64], consumer[32], config (flags, num_attrs, padding[5], 10 attributes of id, padding, value, mask),
# num_lines, event_buffer_size, padding[5], fd. Request numbers by the _IOR/_IOWR rule of asm-generic/ioctl.h.
CHIP_INFO = struct.Struct("32s32sI")
LINE_REQUEST = struct.Struct("=64I32sQI20x" + "IIQQ" * 10 + "II20xi")
GET_CHIPINFO = (2 << 30) | (CHIP_INFO.size << 16) | (0xB4 << 8) | 0x01
GET_LINE = (3 << 30) | (LINE_REQUEST.size << 16) | (0xB4 << 8) | 0x07
FLAG_OUTPUT = 1 << 3
ATTRIBUTE_VALUES = 2  # initial output values, one bit for each requested line

Levels = Mapping[int, bool]  # GPIO -> level
Failures = dict[int, str]  # GPIO -> why it could not be driven
Drive = Callable[[Levels], Failures]


class Pins:
    """Where the relays hang and the level that lets each go: a chip by its label, or a bench by its socket."""

    def __init__(self, safe: Levels, *, chip: str | None = None, bench: str | None = None) -> None:
        self.safe, self.chip, self.bench = dict(safe), chip, bench

    def as_text(self) -> str:
        """For the command line."""
        return json.dumps({"chip": self.chip, "bench": self.bench, "safe": self.safe})

    @classmethod
    def from_text(cls, text: str) -> "Pins":
        """From the command line; ValueError or KeyError when it is not one of ours."""
        raw = json.loads(text)
        safe = {int(gpio): bool(level) for gpio, level in raw["safe"].items()}
        return cls(safe, chip=raw["chip"], bench=raw["bench"])


def drive_off(pins: Pins, *, try_s: float = TRY_S) -> Failures:
    """Drive every line to its safe level, each on its own; GPIO -> why it could not be, {} when all obeyed.

    try_s: how long to go on trying lines that somebody still holds (s).
    """
    deadline_s = time.monotonic() + try_s
    left = pins.safe
    while True:
        failures = _over_bench(pins.bench, left) if pins.bench else _over_chip(pins.chip or "", left)
        left = {gpio: level for gpio, level in left.items() if gpio in failures}
        if not left or time.monotonic() >= deadline_s:
            return failures
        time.sleep(RETRY_S)


def _over_chip(label: str, levels: Levels) -> Failures:
    try:
        chip = _open_chip(label)
    except OSError as problem:
        return dict.fromkeys(levels, str(problem))
    failures = {}
    for gpio, level in levels.items():
        try:
            os.close(_claim(chip, gpio, level))
        except OSError as problem:
            failures[gpio] = str(problem)
    os.close(chip)
    return failures


def _open_chip(label: str) -> int:
    """A descriptor of the GPIO chip with this label; OSError when there is none."""
    for name in sorted(os.listdir("/dev")):  # noqa: PTH208 - pathlib would be most of the start-up time
        if not name.startswith("gpiochip"):
            continue
        chip = os.open(f"/dev/{name}", os.O_RDWR | os.O_CLOEXEC)
        found = CHIP_INFO.unpack(fcntl.ioctl(chip, GET_CHIPINFO, bytes(CHIP_INFO.size)))[1]
        if found.rstrip(b"\0").decode() == label:
            return chip
        os.close(chip)
    raise OSError(errno.ENODEV, f"no GPIO chip is labelled {label!r}")


def line_request(gpio: int, level: bool) -> bytes:
    """The kernel's request for one line as an output that carries the level from the first instant."""
    offsets = (gpio, *(0,) * 63)
    attributes = (ATTRIBUTE_VALUES, 0, int(level), 1, *(0,) * 36)
    return LINE_REQUEST.pack(*offsets, b"tundish-sentinel", FLAG_OUTPUT, 1, *attributes, 1, 0, 0)


def _claim(chip: int, gpio: int, level: bool) -> int:
    answer: bytes = fcntl.ioctl(chip, GET_LINE, line_request(gpio, level))
    descriptor: int = LINE_REQUEST.unpack(answer)[-1]
    return descriptor


def _over_bench(path: str, levels: Levels) -> Failures:
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as bench:
            bench.settimeout(BENCH_ANSWER_S)
            bench.connect(path)
            with bench.makefile("rb") as answers:
                asks = [{"ask": "hello", "with": {"name": "sentinel"}}]
                asks += [{"ask": "claim_output", "with": {"gpio": gpio, "level": on}} for gpio, on in levels.items()]
                bench.sendall(b"".join(json.dumps(ask).encode() + b"\n" for ask in asks))
                answers.readline()
                refused = {gpio: json.loads(answers.readline()).get("refused") for gpio in levels}
    except (OSError, ValueError) as problem:
        return dict.fromkeys(levels, f"{path}: {problem}")
    return {gpio: text for gpio, text in refused.items() if text is not None}


def watch(beats: int, guard: int, pins: Pins) -> Failures:
    """Sleep on the pipe until the guard ends or stands still; then see to it that every line is off.

    beats: descriptor of the pipe. guard: descriptor of the guard's process (pidfd). Returns drive_off's failures.
    """
    is_armed = False
    poll = select.poll()
    poll.register(beats, select.POLLIN)
    while True:
        if not poll.poll(SILENCE_S * 1000 if is_armed else None):
            _kill(guard)
            break
        said = os.read(beats, 4096)
        if said.endswith(QUIT):
            return {}
        if not said:
            break
        is_armed = said.endswith(BEAT_ARMED)
        _answer(len(said))
    return drive_off(pins)


def _answer(beats: int) -> None:
    """Let the guard know that somebody watches, beat by beat; never wait for it to read that."""
    with contextlib.suppress(OSError):
        os.write(1, ANSWER * beats)


def _kill(guard: int) -> None:
    """Kill the guard and wait for its end: until then the kernel lets nobody else have its lines."""
    try:
        signal.pidfd_send_signal(guard, signal.SIGKILL)
    except OSError:
        return  # it has gone by itself
    ended = select.poll()
    ended.register(guard, select.POLLIN)
    ended.poll(TRY_S * 1000)


def main() -> int:
    """`sentinel.py PINS`: watch over the process that started this one, beats on standard input."""
    for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        signal.signal(number, signal.SIG_IGN)
    try:
        guard = os.pidfd_open(os.getppid())
    except OSError:
        guard = -1  # gone before we began: the pipe is closed by now
    os.set_blocking(1, False)
    _answer(1)
    failures = watch(0, guard, Pins.from_text(sys.argv[1]))
    for gpio, text in failures.items():
        os.write(2, f"GPIO {gpio} could not be driven off: {text}\n".encode())
    return 1 if failures else 0


def off() -> int:
    """`tundish-all-off NOTE`: drive every line off that a guard's note names; what runs after the guard's end.

    NOTE is the file that the guard left with its `Pins`; a guard that left none had claimed no line. Nothing but the
    standard library is loaded: it acts at once.
    """
    try:
        with open(sys.argv[1], encoding="utf-8") as note:  # noqa: PTH123 - pathlib would be most of the start-up time
            pins = Pins.from_text(note.read())
    except FileNotFoundError:
        return 0
    failures = drive_off(pins)
    for gpio, text in failures.items():
        os.write(2, f"GPIO {gpio} could not be driven off: {text}\n".encode())
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
