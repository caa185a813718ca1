"""Readings of the scale on their way into the guard: only that user's, never waited for."""

import json
import os
import socket
from pathlib import Path

import pytest

from controller.guard.scale_port import MOST_AT_ONCE, DatagramPort
from controller.model.scale_datagram import BUSY, OK, REST, RawReading, pack, unpack

READING = RawReading(7, 12.5, -123_456, OK)


@pytest.fixture
def port(tmp_path):
    port = DatagramPort(tmp_path / "scale.sock", user=None)
    yield port
    port.close()


@pytest.fixture
def sender(tmp_path):
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sock:
        sock.settimeout(1.0)
        sock.bind(str(tmp_path / "sender.sock"))
        yield sock


def test_a_reading_survives_the_way(port: DatagramPort, sender: socket.socket, tmp_path: Path):
    sender.sendto(pack(READING), str(tmp_path / "scale.sock"))
    assert port.take() == [READING]
    assert port.take() == []


def told(capsys) -> list[tuple[str, str, int]]:
    """What the guard's log says since: word, reason, process."""
    return [(one["event"], one["reason"], one["pid"]) for one in map(json.loads, capsys.readouterr().err.splitlines())]


def test_readings_of_another_user_are_refused_and_the_log_says_whose(sender: socket.socket, tmp_path: Path, capsys):
    port = DatagramPort(tmp_path / "scale.sock", user=os.geteuid() + 1)
    sender.sendto(pack(READING), str(tmp_path / "scale.sock"))
    assert port.take() == []
    assert told(capsys) == [("scale_refused", "another user's", os.getpid())]
    port.close()


@pytest.mark.parametrize(
    "datagram",
    [b"", b"x", pack(READING)[:-1], pack(READING) + b"x", b"\x09" + pack(READING)[1:], b"y" * 60_000],
)
def test_a_datagram_that_is_no_reading_is_refused_and_logged(
    port: DatagramPort, sender: socket.socket, tmp_path: Path, datagram: bytes, capsys
):
    sender.sendto(datagram, str(tmp_path / "scale.sock"))
    assert port.take() == []
    assert told(capsys) == [("scale_refused", "no reading", os.getpid())]


@pytest.mark.parametrize(
    "reading",
    [READING._replace(converter=9), READING._replace(at_s=float("nan")), READING._replace(counts=2**23)],
)
def test_figures_that_no_converter_gives_are_refused(reading: RawReading):
    with pytest.raises(ValueError, match="not a reading"):
        unpack(pack(reading))


def test_a_flood_is_taken_in_parts(port: DatagramPort, sender: socket.socket, tmp_path: Path):
    sender.setblocking(False)
    sent = 0
    with pytest.raises(BlockingIOError):
        while True:
            sender.sendto(pack(READING), str(tmp_path / "scale.sock"))
            sent += 1
    taken: list[RawReading] = []
    while part := port.take():
        assert len(part) <= MOST_AT_ONCE
        taken += part
    assert len(taken) == sent


def test_the_sender_hears_the_pace(port: DatagramPort, sender: socket.socket, tmp_path: Path):
    port.pace(0.0, busy=True)  # nobody is there yet
    sender.sendto(pack(READING), str(tmp_path / "scale.sock"))
    port.take()
    port.pace(1.0, busy=True)
    assert sender.recv(16) == BUSY
    port.pace(1.5, busy=True)
    port.pace(2.0, busy=True)
    port.pace(2.1, busy=False)
    assert [sender.recv(16), sender.recv(16)] == [BUSY, REST]
    sender.setblocking(False)
    with pytest.raises(BlockingIOError):
        sender.recv(16)
