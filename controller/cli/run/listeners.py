"""Which processes of a machine run, and ending them: whoever listens at a socket is found by the kernel's word."""

import os
import select
import signal
import socket
import struct
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from controller.cli.places import BENCH, ENGINE, GUARD, UP
from controller.errors import TundishError

# In the order in which they are ended: whoever has started all, which stops them; the engine before the guard, so that
# what runs ends and is booked; the bench last.
SOCKETS = {"up": UP, "engine": ENGINE, "guard": GUARD, "bench": BENCH}
END_S = 10.0  # longest wait for one to end; a guard tries 5 s on pins that do not answer
UP_END_S = 45.0  # the same for `tundish up`, which waits for the end of each


@dataclass(frozen=True)
class Running:
    """A process that listens."""

    name: str
    pid: int

    def end(self) -> bool:
        """Ask it to end, and kill it if it does not; whether it ended by itself. TundishError when we may not."""
        try:
            process = os.pidfd_open(self.pid)
        except ProcessLookupError:
            return True
        try:
            signal.pidfd_send_signal(process, signal.SIGTERM)
            if _ends(process, UP_END_S if self.name == "up" else END_S):
                return True
            signal.pidfd_send_signal(process, signal.SIGKILL)
            _ends(process, END_S)
        except ProcessLookupError:
            return True
        except PermissionError as error:
            raise TundishError(f"the {self.name} (process {self.pid}) is another user's: {error.strerror}.") from error
        finally:
            os.close(process)
        return False


def running_in(folder: Path) -> list[Running]:
    """The machine's processes that listen in this folder, in the order in which they are ended."""
    return [Running(name, pid) for name, path in SOCKETS.items() if (pid := listener_of(folder / path)) is not None]


def listener_of(path: Path) -> int | None:
    """The process that listens at a Unix socket, None when nobody does. PermissionError is raised on."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as probe:
        probe.settimeout(1.0)
        try:
            probe.connect(str(path))
        except PermissionError:
            raise
        except OSError:
            return None
        pid: int = struct.unpack("3i", probe.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, 12))[0]
        return pid


@contextmanager
def listening(path: Path) -> Iterator[None]:
    """Be found at this socket by `listener_of`."""
    path.unlink(missing_ok=True)
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as here:
        here.bind(str(path))
        here.listen()
        visitors = threading.Thread(target=_show_out, args=(here,), daemon=True)
        visitors.start()
        try:
            yield
        finally:
            path.unlink(missing_ok=True)
            here.shutdown(socket.SHUT_RDWR)
            visitors.join()


def _show_out(here: socket.socket) -> None:
    with suppress(OSError):  # closed
        while True:
            here.accept()[0].close()


def _ends(process: int, within_s: float) -> bool:
    ended = select.poll()
    ended.register(process, select.POLLIN)
    return bool(ended.poll(within_s * 1000))
