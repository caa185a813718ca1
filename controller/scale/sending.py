"""The way to the guard: a datagram a reading. It never waits; what finds no room is lost, and its number shows it."""

from contextlib import suppress
from pathlib import Path

from controller.model.scale_datagram import BUSY, PACE_LASTS_S, RawReading, pack
from controller.process import datagram_socket

RETRY_S = 0.5  # how often a guard that is not there is tried again


class Outlet:
    """A socket of our own, connected to the guard's: the kernel then lets nobody but the guard answer on it."""

    def __init__(self, guard: Path, own: Path) -> None:
        """guard: where it listens; own: where it answers. OSError when own cannot be made."""
        self._guard, self._own = guard, own
        self._busy_until_s = self._retry_s = float("-inf")
        self._is_connected = False
        self.lost = 0  # readings that nobody took
        self.socket = datagram_socket(own)

    def send(self, reading: RawReading, now_s: float) -> None:
        """Send it if there is somebody with room for it."""
        if not self._is_connected and now_s >= self._retry_s:
            self._connect(now_s)
        try:
            if self._is_connected:
                self.socket.send(pack(reading))
                return
        except BlockingIOError:
            pass  # the guard does not read at present
        except OSError:
            self._is_connected = False  # the guard has ended; the next one has another socket
        self.lost += 1

    def _connect(self, now_s: float) -> None:
        self._retry_s = now_s + RETRY_S
        with suppress(OSError):
            self.socket.connect(str(self._guard))
            self._is_connected = True

    def hear(self, now_s: float) -> None:
        """Take in what pace the guard wants."""
        with suppress(OSError):
            while True:
                word = self.socket.recv(16)
                self._busy_until_s = now_s + PACE_LASTS_S if word == BUSY else now_s

    def is_busy(self, now_s: float) -> bool:
        """Whether every reading is wanted; when the guard is silent, a few a second are enough."""
        return now_s < self._busy_until_s

    def close(self) -> None:
        """Let go of the socket. May be repeated."""
        self.socket.close()
        self._own.unlink(missing_ok=True)
