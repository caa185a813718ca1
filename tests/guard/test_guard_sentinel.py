"""The sentinel's own parts: the kernel's structures, the chip, the pipe. As a process it is in test_guard_processes."""

import errno
import fcntl
import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from msgspec.structs import replace

from controller.guard import sentinel
from controller.guard.sentinel import (
    ANSWER,
    BEAT_ARMED,
    BEAT_AT_REST,
    QUIT,
    SILENCE_S,
    Pins,
    drive_off,
    line_request,
    watch,
)
from controller.guard.sentinel_link import REST_BEAT_S, SentinelLink, pins_of
from controller.model.wiring import MainRelay
from tests.guard.guard_parts import profile

KERNEL_HEADER = Path("/usr/include/linux/gpio.h")
PROBE = r"""
#include <linux/gpio.h>
#include <stddef.h>
#include <stdio.h>
#include <string.h>
#define REQUEST struct gpio_v2_line_request
int main(void) {
    printf("%zu %zu\n", sizeof(struct gpiochip_info), sizeof(REQUEST));
    printf("%u %u\n", (unsigned)GPIO_GET_CHIPINFO_IOCTL, (unsigned)GPIO_V2_GET_LINE_IOCTL);
    REQUEST want;
    memset(&want, 0, sizeof want);
    want.offsets[0] = 17;
    strcpy(want.consumer, "tundish-sentinel");
    want.config.flags = GPIO_V2_LINE_FLAG_OUTPUT;
    want.config.num_attrs = 1;
    want.config.attrs[0].attr.id = GPIO_V2_LINE_ATTR_ID_OUTPUT_VALUES;
    want.config.attrs[0].attr.values = 1;
    want.config.attrs[0].mask = 1;
    want.num_lines = 1;
    for (size_t k = 0; k < sizeof want; k++) printf("%02x", ((unsigned char *)&want)[k]);
    printf("\n%zu\n", offsetof(REQUEST, fd));
    return 0;
}
"""


@pytest.mark.skipif(shutil.which("cc") is None or not KERNEL_HEADER.exists(), reason="needs a C compiler and headers")
def test_structures_and_request_numbers_are_the_kernels(tmp_path):
    (tmp_path / "probe.c").write_text(PROBE)
    subprocess.run(["cc", "-o", tmp_path / "probe", tmp_path / "probe.c"], check=True, timeout=60)
    out = subprocess.run([tmp_path / "probe"], check=True, capture_output=True, text=True, timeout=60).stdout.split()
    assert [int(word) for word in out[:4]] == [
        sentinel.CHIP_INFO.size,
        sentinel.LINE_REQUEST.size,
        sentinel.GET_CHIPINFO,
        sentinel.GET_LINE,
    ]
    assert line_request(17, True).hex() == out[4]
    assert int(out[5]) == sentinel.LINE_REQUEST.size - 4


def test_structures_and_request_numbers_in_figures():
    """The same where there is no compiler: sizes and numbers of include/uapi/linux/gpio.h, from memory."""
    assert (sentinel.CHIP_INFO.size, sentinel.LINE_REQUEST.size) == (68, 592)
    assert (sentinel.GET_CHIPINFO, sentinel.GET_LINE) == (0x8044B401, 0xC250B407)


class FakeKernel:
    """GPIO chips behind ioctl; remembers what was claimed with which level."""

    def __init__(self, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self.labels = {"gpiochip0": b"other", "gpiochip4": b"header"}
        for name in self.labels:
            (folder / name).touch()
        self.claimed: list[tuple[int, int]] = []
        self.busy: dict[int, int] = {}  # gpio -> how often it is still held
        self._names: dict[int, str] = {}
        real_open = os.open
        monkeypatch.setattr(os, "listdir", lambda _: [*self.labels, "null"])
        monkeypatch.setattr(os, "open", lambda path, flags: self._open(folder, path, flags, real_open))
        monkeypatch.setattr(fcntl, "ioctl", self._ioctl)
        self._real_open, self._folder = real_open, folder

    def _open(self, folder: Path, path: str, flags: int, real_open: Callable[[Path, int], int]) -> int:
        name = path.removeprefix("/dev/")
        descriptor = real_open(folder / name, os.O_RDONLY)
        self._names[descriptor] = name
        return descriptor

    def _ioctl(self, descriptor: int, number: int, data: bytes) -> bytes:
        if number == sentinel.GET_CHIPINFO:
            return sentinel.CHIP_INFO.pack(b"", self.labels[self._names[descriptor]], 54)
        fields = sentinel.LINE_REQUEST.unpack(data)
        gpio, flags, attribute, level, mask = fields[0], fields[65], fields[67], fields[69], fields[70]
        if self.busy.get(gpio, 0) > 0:
            self.busy[gpio] -= 1
            raise OSError(errno.EBUSY, "Device or resource busy")
        assert (flags, attribute, mask) == (sentinel.FLAG_OUTPUT, sentinel.ATTRIBUTE_VALUES, 1)
        assert self.labels[self._names[descriptor]] == b"header"
        self.claimed.append((gpio, level))
        line = self._real_open(self._folder / "gpiochip4", os.O_RDONLY)
        return sentinel.LINE_REQUEST.pack(*fields[:-1], line)


@pytest.fixture
def kernel(tmp_path, monkeypatch):
    before = len(os.listdir("/proc/self/fd"))  # noqa: PTH208
    with monkeypatch.context() as patched:
        yield FakeKernel(tmp_path, patched)
    assert len(os.listdir("/proc/self/fd")) == before, "a descriptor was left open"  # noqa: PTH208


def test_every_line_is_claimed_with_its_safe_level_on_the_labelled_chip(kernel):
    assert drive_off(Pins({2: True, 17: False}, chip="header")) == {}
    assert kernel.claimed == [(2, 1), (17, 0)]


def test_a_line_that_is_still_held_is_tried_again_and_keeps_no_other_waiting(kernel):
    kernel.busy = {2: 3}
    assert drive_off(Pins({2: True, 3: True}, chip="header")) == {}
    assert kernel.claimed == [(3, 1), (2, 1)]


def test_a_line_that_stays_held_is_reported(kernel):
    kernel.busy = {2: 10**6}
    failures = drive_off(Pins({2: True, 3: True}, chip="header"), try_s=0.02)
    assert list(failures) == [2]
    assert "busy" in failures[2]
    assert kernel.claimed == [(3, 1)]


def test_a_missing_chip_is_reported_for_every_line(kernel):
    failures = drive_off(Pins({2: True, 3: True}, chip="none"), try_s=0.0)
    assert failures == dict.fromkeys((2, 3), "[Errno 19] no GPIO chip is labelled 'none'")


def test_the_pins_of_a_profile():
    bench = pins_of(profile(), Path("/run/bench.sock"))
    assert (bench.bench, bench.chip, bench.safe) == ("/run/bench.sock", None, {2: True, 3: True, 4: True, 5: True})
    machine = profile()
    relays = replace(machine.relay_board, active_level="high")
    real = pins_of(replace(machine, board=replace(machine.board, backend="gpio"), relay_board=relays), None)
    assert (real.bench, real.chip, real.safe) == (None, "pinctrl-bcm2835", {2: False, 3: False, 4: False, 5: False})
    again = Pins.from_text(real.as_text())
    assert (again.bench, again.chip, again.safe) == (real.bench, real.chip, real.safe)


def test_the_main_relay_is_driven_first():
    main = MainRelay(gpio=25, active_level="high")
    pins = pins_of(replace(profile(), main_relay=main), Path("/run/bench.sock"))
    assert list(pins.safe.items()) == [(25, False), (2, True), (3, True), (4, True), (5, True)]
    low = pins_of(replace(profile(), main_relay=replace(main, active_level="low")), None)
    assert low.safe[25] is True


# --- the pipe


class Watched:
    """A guard's stand-in, a pipe to the sentinel's watch, and what it did."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.driven: list[Pins] = []

        def driven_off(pins: Pins) -> dict[int, str]:
            self.driven.append(pins)
            return {}

        monkeypatch.setattr(sentinel, "drive_off", driven_off)
        monkeypatch.setattr(sentinel, "_answer", lambda _beats: None)
        monkeypatch.setattr(sentinel, "SILENCE_S", 0.1)
        self.guard = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(60)"])
        self.pidfd = os.pidfd_open(self.guard.pid)
        self.beats, self.pipe = os.pipe()
        self.pins = Pins({2: True}, chip="header")
        self.thread = threading.Thread(target=lambda: watch(self.beats, self.pidfd, self.pins))
        self.thread.start()

    def say(self, beat: bytes) -> None:
        os.write(self.pipe, beat)

    def end(self) -> None:
        self.thread.join(10)
        assert not self.thread.is_alive()

    def close(self) -> None:
        if self.guard.poll() is None:
            self.guard.kill()
        self.guard.wait()
        for descriptor in (self.pidfd, self.beats, self.pipe):
            os.close(descriptor)


@pytest.fixture
def watched(monkeypatch):
    made = Watched(monkeypatch)
    yield made
    made.close()


def test_a_sentinel_told_to_quit_leaves_the_lines_alone(watched):
    watched.say(BEAT_ARMED)
    watched.say(BEAT_AT_REST)
    watched.say(QUIT)
    watched.end()
    assert watched.driven == []
    assert watched.guard.poll() is None


def test_a_closed_pipe_drives_off_without_killing(watched):
    watched.say(BEAT_ARMED)
    os.close(watched.pipe)
    watched.end()
    watched.pipe = os.dup(watched.beats)
    assert watched.driven == [watched.pins]
    assert watched.guard.poll() is None


def test_silence_while_armed_kills_first(watched):
    watched.say(BEAT_ARMED)
    watched.end()
    assert watched.driven == [watched.pins]
    assert watched.guard.wait(10) == -signal.SIGKILL


def test_the_lines_are_driven_only_after_the_guard_has_ended(watched, monkeypatch):
    """Until then the kernel gives its lines to nobody else, and a guard that still runs could switch one on again."""
    at_the_drive = []

    def driven_off(_pins: Pins) -> dict[int, str]:
        at_the_drive.append(watched.guard.poll())
        return {}

    monkeypatch.setattr(sentinel, "drive_off", driven_off)

    def end_late(_pidfd: int, number: int) -> None:
        threading.Timer(0.3, lambda: watched.guard.send_signal(number)).start()

    monkeypatch.setattr(signal, "pidfd_send_signal", end_late)
    watched.say(BEAT_ARMED)
    watched.end()
    assert at_the_drive == [-signal.SIGKILL]


def test_silence_at_rest_means_nothing(watched):
    watched.say(BEAT_ARMED)
    watched.say(BEAT_AT_REST)
    time.sleep(0.3)
    assert watched.thread.is_alive()
    assert watched.guard.poll() is None
    watched.say(QUIT)
    watched.end()


# --- the guard's side


class Spoken:
    """A sentinel of which only the pipes are real: it answers when the test says so."""

    def __init__(self) -> None:
        (from_guard, guard_out), (guard_in, to_guard) = os.pipe(), os.pipe()
        self.beats, self.answers = from_guard, to_guard
        self.stdin, self.stdout = os.fdopen(guard_out, "wb", 0), os.fdopen(guard_in, "rb", 0)
        self.pid, self.returncode, self.killed = 1, None, False

    def kill(self) -> None:
        self.killed = True

    def wait(self, _within_s: float | None = None) -> int:
        return 0

    def answer(self) -> int:
        """Every beat that has come; how many there were."""
        os.set_blocking(self.beats, False)
        try:
            beats = len(os.read(self.beats, 4096))
        except BlockingIOError:
            return 0
        os.write(self.answers, ANSWER * beats)
        return beats

    def close(self) -> None:
        self.stdin.close()
        self.stdout.close()
        os.close(self.beats)
        os.close(self.answers)


class Told:
    """The loop: what it was told."""

    def __init__(self) -> None:
        self.words: list[str] = []

    def watch_sentinel(self, _descriptor: int) -> None:
        self.words.append("watch")

    def unwatch_sentinel(self, _descriptor: int) -> None:
        self.words.append("unwatch")

    def sentinel_lost(self, text: str) -> None:
        self.words.append(text)

    def sentinel_found(self) -> None:
        self.words.append("found")


@pytest.fixture
def link(monkeypatch):
    spoken = Spoken()
    monkeypatch.setattr(subprocess, "Popen", lambda *_words, **_pipes: spoken)
    told = Told()
    made = SentinelLink(Pins({2: True}, chip="header"), told)
    made.turn(0.0)
    os.write(spoken.answers, ANSWER)
    made.hear(0.1)
    assert told.words == ["watch", "found"]
    yield made, spoken, told
    spoken.close()


def test_before_anything_begins_it_must_have_answered_just_now(link):
    made, spoken, _ = link
    assert not made.is_watching(5.0), "its last word is 4.9 s old"
    assert not made.is_watching(5.0)
    assert spoken.answer() == 1, "asked once"
    made.hear(5.001)
    assert made.is_watching(5.002)


def test_an_answer_to_an_earlier_beat_is_no_answer_to_this_one(link):
    made, spoken, _ = link
    made.arm(False, 5.0)
    spoken.answer()
    made.arm(False, 5.01)  # this beat it has not answered
    made.hear(5.02)
    assert not made.is_watching(5.02)


def test_a_sentinel_frozen_at_rest_is_missed_at_rest(link):
    made, spoken, told = link
    assert made.turn(1.0) == pytest.approx(0.1 + REST_BEAT_S)
    made.turn(10.2)
    assert made.turn(10.6) == pytest.approx(10.2 + SILENCE_S)
    assert not spoken.killed
    made.turn(10.71)
    assert spoken.killed
    assert told.words[-1] == "the sentinel did not answer"


def test_the_sentinels_words_are_heard_before_its_silence_is_judged(link):
    made, spoken, told = link
    made.turn(10.2)
    spoken.answer()
    made.turn(12.7)  # a disk took its time
    assert not spoken.killed
    assert told.words == ["watch", "found"]


def test_while_armed_it_beats_and_a_missing_answer_is_noticed_after_half_a_second(link):
    made, spoken, _ = link
    made.arm(True, 1.0)
    for step in range(1, 11):
        made.turn(1.0 + 0.05 * step)
    assert not spoken.killed
    made.turn(1.51)
    assert spoken.killed
