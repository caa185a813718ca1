"""The engine as a process, without a guard: it serves, says so, and ends cleanly."""

import http.client
import json
import os
import signal
import socket
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from controller.cli.places import ENGINE
from controller.engine import service
from controller.errors import TundishError
from controller.process import listening_socket, notify

ROOT = Path(__file__).parents[2]


@pytest.fixture
def folder():
    with tempfile.TemporaryDirectory(prefix="tun") as name:
        yield Path(name)


def connects(path):
    with socket.socket(socket.AF_UNIX) as client:
        client.connect(str(path))


def test_the_socket_is_for_owner_and_group_and_goes_with_the_process(folder):
    path = folder / "engine.sock"
    with listening_socket(path, "engine"):
        assert path.stat().st_mode & 0o777 == 0o660
        connects(path)
    assert not path.exists()


def test_a_second_engine_is_refused_and_does_not_disturb_the_first(folder):
    path = folder / "engine.sock"
    with listening_socket(path, "engine"):
        with pytest.raises(TundishError, match="another engine"), listening_socket(path, "engine"):
            pytest.fail("two engines listen")
        connects(path)


def test_a_socket_that_a_killed_engine_left_is_replaced(folder):
    path = folder / "engine.sock"
    with socket.socket(socket.AF_UNIX) as left:
        left.bind(str(path))
    with listening_socket(path, "engine"):
        connects(path)


def test_notify_reaches_systemd_s_socket_by_path_and_by_abstract_name(folder, monkeypatch):
    """sd_notify(3): a leading @ stands for the null byte of an abstract name."""
    for name, address in ((str(folder / "n"), str(folder / "n")), (f"@{folder}/n", f"\0{folder}/n")):
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as systemd:
            systemd.bind(address)
            monkeypatch.setenv("NOTIFY_SOCKET", name)
            notify("READY=1")
            assert systemd.recv(100) == b"READY=1"
    monkeypatch.delenv("NOTIFY_SOCKET")
    notify("READY=1")


def test_a_manager_that_does_not_read_keeps_nobody_waiting(folder, monkeypatch):
    """The kernel holds a few datagrams for it (net.unix.max_dgram_qlen); a sender that may wait then stands still."""

    def too_long(*_):
        raise AssertionError("notify waits for a manager that does not read")

    monkeypatch.setenv("NOTIFY_SOCKET", str(folder / "n"))
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as systemd:
        systemd.bind(str(folder / "n"))
        before = signal.signal(signal.SIGALRM, too_long)
        signal.setitimer(signal.ITIMER_REAL, 10.0)
        try:
            for _ in range(2000):
                notify("WATCHDOG=1")
        finally:
            signal.setitimer(signal.ITIMER_REAL, 0.0)
            signal.signal(signal.SIGALRM, before)
        assert systemd.recv(100) == b"WATCHDOG=1"


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_the_process_serves_without_a_guard_and_ends_with_0(folder, number):
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as systemd:
        systemd.bind(str(folder / "notify"))
        systemd.settimeout(20)
        process = subprocess.Popen(
            [
                *(sys.executable, "-m", "controller.cli", "engine"),
                *("--profile", "hardware_profiles/bench_six_line.yaml", "--book", "demo/orchard_fete.yaml"),
                *("--run-dir", str(folder), "--state-dir", str(folder / "state")),
            ],
            cwd=ROOT,
            env=os.environ | {"NOTIFY_SOCKET": str(folder / "notify"), "WATCHDOG_USEC": "200000"},
            stderr=subprocess.PIPE,
        )
        try:
            told = {systemd.recv(100) for _ in range(3)}
            assert told == {b"WATCHDOG=1", b"READY=1"}
            assert get(folder, "/healthz") == (503, {"guard_connected": False})
            status, body = get(folder, "/v1/menu")
            assert (status, len(body)) == (200, 9)
            process.send_signal(number)
            _, log = process.communicate(timeout=10)
        finally:
            process.kill()
            process.wait()
    assert process.returncode == 0, log.decode()
    events = [json.loads(line)["event"] for line in log.splitlines()]
    assert events == ["engine_ready", "guard_missing", "engine_stopped"]
    assert not (folder / ENGINE).exists()
    assert (folder / "state" / service.LEDGER).exists()


def get(folder, path):
    connection = http.client.HTTPConnection("tundish", timeout=10)
    connection.sock = socket.socket(socket.AF_UNIX)
    connection.sock.connect(str(folder / ENGINE))
    connection.request("GET", path)
    answer = connection.getresponse()
    body = json.loads(answer.read())
    connection.close()
    return answer.status, body
