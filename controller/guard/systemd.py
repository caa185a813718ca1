"""What the service manager is told. Nothing happens when it did not start this process."""

import math
import os
import socket


def notify(message: str) -> None:
    """Send READY=1, WATCHDOG=1, STOPPING=1 or STATUS=...; OSError when the manager cannot be reached."""
    path = os.environ.get("NOTIFY_SOCKET")
    if path:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sock:
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
