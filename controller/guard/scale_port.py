"""Where the scale's readings enter the guard: a socket of datagrams, or the bench in virtual time. Neither waits."""

import os
import socket
import struct
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import Protocol

from controller.guard.log import LOG
from controller.model.scale_datagram import BUSY, BYTES, PACE_S, REST, RawReading, unpack
from controller.process import datagram_socket

MOST_AT_ONCE = 32  # datagrams taken in one turn; a scale that sends more is behind anyway
_CREDENTIALS = struct.Struct("3i")


class ScalePort(Protocol):
    """A source of readings."""

    @property
    def due_s(self) -> float:
        """When to take again at the latest (s); infinity when readings announce themselves."""

    def take(self) -> Sequence[RawReading]:
        """What has come since, oldest first; never waits, never raises."""

    def pace(self, now_s: float, *, busy: bool) -> None:
        """Say how many readings are wanted: every one, or a few a second. Called in every turn; never waits."""


class DatagramPort:
    """Readings from the scale's process: a Unix datagram socket that takes them from one user only.

    The kernel vouches for the sender of every datagram (SO_PASSCRED, unix(7)).
    """

    due_s = float("inf")

    def __init__(self, path: Path, *, user: int | None, group: int | None = None) -> None:
        """Listen at path; user: whose readings count, our own and root's when None. group: may send. OSError."""
        self._users = {0, os.geteuid()} if user is None else {user}
        self._path = path
        self._peer: str | bytes | None = None
        self._busy, self._told_s = False, 0.0
        self.socket = datagram_socket(path, group=group)
        self.socket.setsockopt(socket.SOL_SOCKET, socket.SO_PASSCRED, 1)

    def take(self) -> Sequence[RawReading]:
        """What has come since, at most MOST_AT_ONCE."""
        readings = []
        for _ in range(MOST_AT_ONCE):
            try:
                data, about, _, peer = self.socket.recvmsg(BYTES + 1, socket.CMSG_SPACE(_CREDENTIALS.size))
            except OSError:
                break
            reading = self._accepted(data, about)
            if reading is None:
                continue
            readings.append(reading)
            if peer and peer != self._peer:
                self._peer, self._told_s = peer, -PACE_S  # it has just started: it does not know the pace
        return readings

    def _accepted(self, data: bytes, about: list[tuple[int, int, bytes]]) -> RawReading | None:
        for level, kind, content in about:
            if (level, kind) == (socket.SOL_SOCKET, socket.SCM_CREDENTIALS) and len(content) == _CREDENTIALS.size:
                process, user, _ = _CREDENTIALS.unpack(content)
                if user not in self._users:
                    LOG.warning("scale_refused", reason="another user's", user=user, pid=process)
                    return None
                try:
                    return unpack(data)
                except ValueError:
                    LOG.warning("scale_refused", reason="no reading", user=user, pid=process)
        return None

    def pace(self, now_s: float, *, busy: bool) -> None:
        """Tell the scale's process when the pace changes, and BUSY again every PACE_S."""
        if self._peer is None or (busy == self._busy and not (busy and now_s >= self._told_s + PACE_S)):
            return
        self._busy, self._told_s = busy, now_s
        with suppress(OSError):  # gone, or not reading: it will fall back to its rest
            self.socket.sendto(BUSY if busy else REST, self._peer)

    def close(self) -> None:
        """Stop listening. May be repeated."""
        self.socket.close()
        self._path.unlink(missing_ok=True)
