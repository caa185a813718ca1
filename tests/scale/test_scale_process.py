"""The scale's process: numbers and stamps, names what it lacks, rests when it may, waits for nobody."""

import errno
import itertools
import json
import socket
import subprocess
import sys
import threading
import time
from contextlib import contextmanager
from types import SimpleNamespace

import pytest

from controller.guard.scale_port import DatagramPort
from controller.model.scale_datagram import OK, SILENT, UNREADABLE, RawReading
from controller.scale.__main__ import main
from controller.scale.bench import BenchConverter
from controller.scale.converter import ConverterError
from controller.scale.process import RESTART_S, Sampler, serve
from controller.scale.sending import RETRY_S, Outlet


class Scripted:
    """A converter that gives what it is told to, in turn; the last one for ever, each so long after the one before."""

    period_s = 1 / 80

    def __init__(self, *script: int | Exception | None) -> None:
        self.script = list(script)
        self.starts = self.closes = 0
        self.fails_to_start: Exception | None = None
        self.next_s = 0.0

    def start(self) -> None:
        self.starts += 1
        if self.fails_to_start:
            raise self.fails_to_start

    def read(self) -> int | None:
        self.next_s = time.monotonic() + self.period_s
        one = self.script.pop(0) if len(self.script) > 1 else self.script[0]
        if isinstance(one, Exception):
            raise one
        return one

    def close(self) -> None:
        self.closes += 1


class Clock:
    now = 100.0

    def __call__(self) -> float:
        return self.now


def test_readings_are_numbered_and_stamped_and_what_is_missing_is_named():
    clock = Clock()
    said: list[str] = []
    sampler = Sampler(Scripted(11, None, 12), now_s=clock, tell=said.append)
    assert [tuple(sampler.next()) for _ in range(3)] == [(1, 100.0, 11, OK), (2, 100.0, 0, SILENT), (3, 100.0, 12, OK)]
    assert said == ["the converter answers"]


def test_a_lost_converter_is_reported_once_and_retried_now_and_then():
    clock = Clock()
    said: list[str] = []
    converter = Scripted(11, OSError("no answer"), 12)
    sampler = Sampler(converter, now_s=clock, tell=said.append)
    assert [sampler.next().converter for _ in range(4)] == [OK, UNREADABLE, UNREADABLE, UNREADABLE]
    converter.fails_to_start = ConverterError("no answer")
    clock.now += RESTART_S
    assert sampler.next().converter == UNREADABLE
    clock.now += RESTART_S
    converter.fails_to_start = None
    assert sampler.next()[2:] == (12, OK)
    assert converter.closes == 2  # its bus may be another one by then
    assert (converter.starts, said) == (3, ["the converter answers", "no answer", "the converter answers"])


@pytest.mark.parametrize(("number", "ends"), [(errno.EPERM, True), (errno.EACCES, False), (errno.ENOENT, False)])
def test_it_ends_when_the_service_manager_did_not_know_the_bus_at_its_start(tmp_path, monkeypatch, capfd, number, ends):
    """The device list of a unit holds what is there as it starts (systemd.resource-control(5), DeviceAllow=)."""

    def refuse(_bus):
        raise OSError(number, "refused")

    monkeypatch.setitem(sys.modules, "smbus2", SimpleNamespace(SMBus=refuse))  # an extra that tests go without
    stop, leash = socket.socketpair()
    monkeypatch.setattr(sys, "stdin", leash)
    if not ends:
        stop.close()  # else it would go on trying
    words = ["--leashed", "i2c", "7", "10", str(tmp_path / "guard.sock"), str(tmp_path / "own.sock")]
    assert main(words) == (1 if ends else 0)
    assert ("came after this service" if ends else "cannot open I2C bus 7") in capfd.readouterr().err
    stop.close()
    leash.close()


@pytest.fixture
def outlet(tmp_path):
    outlet = Outlet(tmp_path / "guard.sock", tmp_path / "own.sock")
    yield outlet
    outlet.close()


def reading_of(outlet: Outlet, number: int, now_s: float) -> None:
    outlet.send(Sampler(Scripted(number), now_s=lambda: now_s, tell=lambda _: None).next(), now_s)


def test_without_a_guard_readings_are_lost_and_a_new_guard_is_found(outlet: Outlet, tmp_path):
    reading_of(outlet, 1, 0.0)
    assert outlet.lost == 1
    for start_s in (1.0, 2.0):  # the second guard's socket is another one
        port = DatagramPort(tmp_path / "guard.sock", user=None)
        reading_of(outlet, 2, start_s)
        reading_of(outlet, 3, start_s + RETRY_S)
        assert port.take()[-1].counts == 3
        port.close()
    assert outlet.lost == 2


def test_a_guard_that_does_not_read_keeps_nobody_waiting(outlet: Outlet, tmp_path):
    port = DatagramPort(tmp_path / "guard.sock", user=None)
    for number in range(2000):
        reading_of(outlet, number, 1.0)
    assert outlet.lost > 1000
    port.close()


def test_only_the_guard_is_heard(outlet: Outlet, tmp_path):
    port = DatagramPort(tmp_path / "guard.sock", user=None)
    reading_of(outlet, 1, 1.0)
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as stranger, pytest.raises(PermissionError):
        stranger.sendto(b"busy", str(tmp_path / "own.sock"))
    outlet.hear(1.0)
    assert not outlet.is_busy(1.0)
    port.take()
    port.pace(1.0, busy=True)
    outlet.hear(1.0)
    assert outlet.is_busy(1.0)
    assert not outlet.is_busy(60.0)  # a guard that has gone silent
    port.close()


@contextmanager
def serving(converter: Scripted, outlet: Outlet, tmp_path):
    """The guard's end while the process serves; at the end it is told to end, and has."""
    port = DatagramPort(tmp_path / "guard.sock", user=None)
    stop, stopped = socket.socketpair()
    thread = threading.Thread(target=serve, args=(converter, outlet, [stopped]), kwargs={"ready": lambda: None})
    thread.start()
    try:
        yield port
    finally:
        stop.send(b"x")
        thread.join(5.0)
        stop.close()
        stopped.close()
        port.close()
    assert not thread.is_alive()


def test_the_process_rests_until_more_is_wanted_and_ends_at_once(outlet: Outlet, tmp_path):
    with serving(Scripted(5), outlet, tmp_path) as port:
        taken = within(port, lambda readings: len(readings) >= 3)
        assert taken[2].at_s - taken[1].at_s == pytest.approx(0.2, abs=0.15)  # the first lies between two beats
        port.pace(1.0, busy=True)
        quick = within(port, lambda readings: len(readings) >= 20)
        assert quick[-1].at_s - quick[-11].at_s < 1.0  # ten at 80 a second; at rest they would take two seconds
        assert [one.number for one in taken + quick] == list(range(1, len(taken + quick) + 1))


def test_it_looks_when_the_converter_says_that_the_next_conversion_comes(outlet: Outlet, tmp_path):
    converter = Scripted(5)
    converter.period_s = 0.15
    with serving(converter, outlet, tmp_path) as port:
        within(port, lambda readings: len(readings) >= 1)
        port.pace(1.0, busy=True)
        taken = within(port, lambda readings: len(readings) >= 5)
    assert all(later.at_s - one.at_s >= 0.15 for one, later in itertools.pairwise(taken))


def test_it_ends_also_when_every_conversion_is_late(outlet: Outlet, tmp_path):
    converter = Scripted(5)
    converter.period_s = -1.0
    with serving(converter, outlet, tmp_path) as port:
        within(port, lambda readings: len(readings) >= 1)
        port.pace(1.0, busy=True)
        within(port, lambda readings: len(readings) >= 100)


def within(port: DatagramPort, enough, limit_s: float = 10.0):
    taken: list[RawReading] = []
    end_s = time.monotonic() + limit_s
    while not enough(taken) and time.monotonic() < end_s:
        taken += port.take()
        time.sleep(0.005)
    assert enough(taken)
    return taken


@pytest.mark.parametrize(
    ("answer", "expected"),
    [
        (b'{"answer":{"number":7,"at_s":1.0,"counts":42}}', 42),
        (b"{}", None),  # no newer conversion
        (b'{"refused":"this machine has no scale","rule":"bench_scale"}', OSError),
        (b"nonsense", OSError),
    ],
)
def test_the_bench_is_asked_over_its_socket_for_what_is_newer_than_the_last(tmp_path, answer, expected):
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as listener:
        listener.bind(str(tmp_path / "bench.sock"))
        listener.listen()
        converter = BenchConverter(str(tmp_path / "bench.sock"), 80)
        converter.start()
        bench, _ = listener.accept()
        heard = []

        def play() -> None:
            for question in bench.makefile("rb"):
                heard.append(json.loads(question))
                bench.sendall(answer + b"\n")

        playing = threading.Thread(target=play)
        playing.start()
        if expected is OSError:
            with pytest.raises(OSError):
                converter.read()
        else:
            assert [converter.read(), converter.read()] == [expected, expected]
            assert converter.next_s == (1.0 + 1 / 80 if expected else 0.0)  # by the bench's stamp: it is asked once
        converter.close()
        playing.join()
        bench.close()
    assert heard[0] == {"ask": "convert", "with": {"after": -1}}
    assert heard[-1]["with"]["after"] == (7 if expected == 42 else -1)


def test_the_process_loads_nothing_but_the_standard_library():
    code = (
        "import sys, controller.scale.__main__;"
        "from controller.scale import bench, kernel, nau7802;"
        "print(*sorted({name.split('.')[0] for name in sys.modules}))"
    )
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.split()
    foreign = {one for one in loaded if one not in sys.stdlib_module_names and not one.startswith("_")}
    assert foreign == {"controller"}
