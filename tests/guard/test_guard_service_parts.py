"""What the guard's process tells the service manager, how it takes its socket, and what it does without a board."""

import math
import socket

import pytest

from controller.errors import BoardError, FileProblems, RecordError, TundishError
from controller.guard import service
from controller.ledger.journal_reading import HEAD
from controller.process import Watchdog, listening_socket, notify
from tests.guard.guard_parts import BOOK, profile
from tests.guard.guard_processes import BOOK as BOOK_FILE
from tests.guard.guard_processes import PROFILE as PROFILE_FILE


@pytest.fixture
def manager(tmp_path, monkeypatch):
    """A service manager's socket."""
    path = tmp_path / "notify"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as heard:
        heard.bind(str(path))
        heard.setblocking(False)
        monkeypatch.setenv("NOTIFY_SOCKET", str(path))
        yield heard


def test_without_a_service_manager_nothing_is_notified(monkeypatch):
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    monkeypatch.delenv("WATCHDOG_USEC", raising=False)
    notify("READY=1")
    assert Watchdog().turn(5.0) == math.inf


def test_the_watchdog_is_fed_three_times_in_its_interval(manager, monkeypatch):
    monkeypatch.setenv("WATCHDOG_USEC", "3000000")
    watchdog = Watchdog()
    assert watchdog.turn(10.0) == pytest.approx(11.0)
    assert manager.recv(100) == b"WATCHDOG=1"
    assert watchdog.turn(10.9) == pytest.approx(11.0)
    with pytest.raises(BlockingIOError):
        manager.recv(100)
    assert watchdog.turn(11.0) == pytest.approx(12.0)
    assert manager.recv(100) == b"WATCHDOG=1"


def test_a_socket_in_an_abstract_name(monkeypatch):
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as heard:
        heard.bind("\0tundish-test-notify")
        monkeypatch.setenv("NOTIFY_SOCKET", "@tundish-test-notify")
        notify("READY=1")
        assert heard.recv(100) == b"READY=1"


def test_a_socket_that_a_killed_guard_left_is_replaced(tmp_path):
    path = tmp_path / "run" / "guard.sock"
    with listening_socket(path, "guard") as first:
        assert path.stat().st_mode & 0o777 == 0o660
        with pytest.raises(TundishError, match="another guard already listens"), listening_socket(path, "guard"):
            pass
        left = first.dup()
    assert not path.exists()
    left.close()
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as dead:
        dead.bind(str(path))
    with listening_socket(path, "guard"), socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as client:
        client.connect(str(path))
    assert not path.exists()


def start(tmp_path, book_path=BOOK_FILE):
    service.run(
        PROFILE_FILE,
        book_path,
        state_dir=tmp_path / "state",
        socket_path=tmp_path / "guard.sock",
        bench_socket=tmp_path / "bench.sock",
    )


@pytest.fixture
def loaded(monkeypatch):
    """Files that are read in no time."""
    monkeypatch.setattr(service, "load_in_child", lambda *_: (profile(), BOOK, []))


def test_without_a_bench_it_ends_with_a_reason_and_leaves_no_socket(tmp_path, loaded):
    with pytest.raises((BoardError, TundishError), match="bench"):
        start(tmp_path)
    assert not (tmp_path / "guard.sock").exists()


def test_a_crash_drives_every_line_off_by_a_way_that_shares_no_code_with_the_board(
    tmp_path, loaded, monkeypatch, capfd
):
    driven = []

    def drive_off(machine, bench_socket, *, try_s):
        driven.append((machine, bench_socket, try_s))
        return [BoardError("line 2, GPIO 3: busy")]

    def crash(_process) -> None:
        raise RuntimeError("the loop has crashed")

    monkeypatch.setattr(service, "all_off", drive_off)
    monkeypatch.setattr(service._Process, "run", crash)
    with pytest.raises(RuntimeError, match="the loop has crashed"):
        start(tmp_path)
    assert driven == [(profile(), tmp_path / "bench.sock", 0.1)]
    told = capfd.readouterr().err
    assert "not_driven_off" in told
    assert "line 2, GPIO 3: busy" in told


def test_a_bad_file_is_reported_before_anything_is_opened(tmp_path):
    bad = tmp_path / "book.yaml"
    bad.write_text("title: 3\n")
    with pytest.raises(FileProblems):
        start(tmp_path, book_path=bad)
    assert not (tmp_path / "state").exists()


def test_a_journal_that_cannot_be_opened_keeps_the_guard_from_starting(tmp_path, monkeypatch, loaded):
    class Board:
        closed = False

        def close(self) -> None:
            Board.closed = True

    monkeypatch.setattr(service, "open_board", lambda profile, bench_socket: Board())
    (tmp_path / "state" / HEAD).mkdir(parents=True)
    with pytest.raises(RecordError, match="Nothing is pumped"):
        start(tmp_path)
    assert Board.closed
