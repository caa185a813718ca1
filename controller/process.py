"""What every process of Tundish does: listen on a socket of its own, end on a signal, keep its manager informed."""

import math
import os
import signal
import socket
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from controller.errors import TundishError


@contextmanager
def listening_socket(path: Path, what: str, *, group: int | None = None) -> Iterator[socket.socket]:
    """A listening Unix socket for owner and group only; removed at the end.

    what: the process, for messages. group: the file's group, when this user may give it. Raises TundishError when
    another such process listens there; a file that a killed one left is replaced.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as probe:
        try:
            probe.connect(str(path))
        except FileNotFoundError:
            pass
        except ConnectionRefusedError:
            path.unlink()
        else:
            raise TundishError(f"another {what} already listens at {path}. Stop it first, or choose another --run-dir.")
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as listener:
        _bind(listener, path, group)
        listener.listen(64)
        try:
            yield listener
        finally:
            path.unlink(missing_ok=True)


def datagram_socket(path: Path, *, group: int | None = None) -> socket.socket:
    """A Unix socket of datagrams for owner and group only, which never waits; it replaces what was there. OSError."""
    path.unlink(missing_ok=True)
    sock = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK)
    try:
        _bind(sock, path, group)
    except OSError:
        sock.close()
        raise
    return sock


def _bind(sock: socket.socket, path: Path, group: int | None) -> None:
    before = os.umask(0o117)  # the file is 0660 from its first moment
    try:
        sock.bind(str(path))
    finally:
        os.umask(before)
    if group is not None:
        with suppress(PermissionError):  # not one of our groups: then only our own user and root get in
            os.chown(path, -1, group)


@contextmanager
def stop_signals() -> Iterator[socket.socket]:
    """A socket that becomes readable at SIGTERM or SIGINT."""
    readable, writable = socket.socketpair()
    readable.setblocking(False)
    writable.setblocking(False)
    numbers = (signal.SIGTERM, signal.SIGINT)
    with readable, writable:
        before = {number: signal.signal(number, lambda *_: None) for number in numbers}
        wakeup = signal.set_wakeup_fd(writable.fileno())
        try:
            yield readable
        finally:
            signal.set_wakeup_fd(wakeup)
            for number, handler in before.items():
                signal.signal(number, handler)


def notify(message: str) -> None:
    """Tell systemd READY=1, WATCHDOG=1, STOPPING=1 or STATUS=...; nothing when it did not start this process.

    Never waits: a manager that does not read what it is sent must not stop a loop that watches pumps, so what finds no
    room is dropped. OSError when the manager cannot be reached. Source: sd_notify(3).
    """
    path = os.environ.get("NOTIFY_SOCKET")
    if path:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sock, suppress(BlockingIOError):
            sock.setblocking(False)
            sock.sendto(message.encode(), "\0" + path[1:] if path.startswith("@") else path)


class Watchdog:
    """Tells the manager that the loop turns, three times in every interval that it asks for."""

    def __init__(self) -> None:
        wanted_us = os.environ.get("WATCHDOG_USEC")
        self._every_s = int(wanted_us) / 3e6 if wanted_us else math.inf
        self._due_s = -math.inf

    def turn(self, now_s: float) -> float:
        """Tell it when that is due; returns when to call again (s)."""
        if self._every_s == math.inf:
            return math.inf
        if now_s >= self._due_s:
            notify("WATCHDOG=1")
            self._due_s = now_s + self._every_s
        return self._due_s
