"""The guard's process: loads the files, opens board, journal and socket, starts the sentinel, runs the loop."""

import gc
import grp
import math
import os
import pwd
import socket
from contextlib import ExitStack
from pathlib import Path

from controller.clock import RealClock
from controller.config import Loading, load_in_child
from controller.errors import FileProblems
from controller.guard.alloff import all_off
from controller.guard.guard import Guard
from controller.guard.log import LOG
from controller.guard.realtime import ask_for_real_time
from controller.guard.scale_port import DatagramPort
from controller.guard.sentinel import Pins
from controller.guard.sentinel_link import LOST, SentinelLink, pins_of
from controller.guard.server import Server
from controller.hal.table import open_board
from controller.ledger.journal import FileJournal
from controller.model.book import Book
from controller.model.profile import Profile
from controller.process import Watchdog, listening_socket, notify, stop_signals

NOTE = "pins.json"
ENGINE_USER = "tundish-engine"  # may be the engine, where the system has this user
SCALE_USER = "tundish-scale"  # whose readings count, where the system has this user
SCALE_SOCKET = "scale.sock"  # beside the guard's own
GROUP = "tundish"  # members may connect, where the system has this group
BOOT_ID = Path("/proc/sys/kernel/random/boot_id")
LATENESS_EVERY_S = 600.0
MOST_SAID = 4000  # characters of what is wrong with the book; the engine tells all of it
READ_S = 120.0  # longest time to read the book again, on a slow card


def run(
    profile_path: Path, book_path: Path, *, state_dir: Path, socket_path: Path, bench_socket: Path | None = None
) -> None:
    """Own the pins until SIGTERM or SIGINT; every line is off on every way out.

    Raises FileProblems, BoardError, RecordError, and TundishError when another guard listens at socket_path.
    """
    profile, book, _ = load_in_child(profile_path, book_path)
    own_socket = bench_socket if profile.board.backend == "bench" else None
    state_dir.mkdir(parents=True, exist_ok=True)
    _leave_note(pins_of(profile, own_socket))
    with listening_socket(socket_path, "guard", group=_group()) as listener, stop_signals() as stop:
        try:
            _Process(
                profile,
                book,
                files=(profile_path, book_path),
                listener=listener,
                stop=stop,
                state_dir=state_dir,
                bench_socket=own_socket,
                folder=socket_path.parent,
            ).run()
        except BaseException:
            # The board's own way out has been tried already; this one shares no code with it.
            for failure in all_off(profile, own_socket, try_s=0.1):
                LOG.error("not_driven_off", error=str(failure))
            raise


class _Process:
    """Everything that the guard's process consists of, wired together."""

    def __init__(
        self,
        profile: Profile,
        book: Book,
        *,
        files: tuple[Path, Path],
        listener: socket.socket,
        stop: socket.socket,
        state_dir: Path,
        bench_socket: Path | None,
        folder: Path,
    ) -> None:
        self._folder = folder
        self._clock = RealClock()
        self._profile, self._book = profile, book
        self._files, self._give_up_s = files, math.inf
        self._loading: Loading | None = None
        self._stop = stop
        self._state_dir, self._bench_socket = state_dir, bench_socket
        self._server = Server(
            listener, self._clock, group=_group(), engine_user=_user(ENGINE_USER), each_turn=self._each_turn
        )
        self._sentinel = SentinelLink(pins_of(profile, bench_socket), self)
        self._watchdog = Watchdog()
        self._lateness_s = self._clock.now_s() + LATENESS_EVERY_S

    def run(self) -> None:
        """Serve until stopped."""
        with ExitStack() as stack:
            board = open_board(self._profile, bench_socket=self._bench_socket)
            stack.callback(board.close)
            journal = FileJournal(self._state_dir)
            stack.callback(journal.close)
            scale = self._open_scale(stack)
            self._guard = Guard(
                self._profile,
                self._book,
                board,
                journal,
                self._clock,
                self._server.publish,
                boot=boot_id(),
                arm=self._arm,
                is_watched=lambda: self._sentinel.is_watching(self._clock.now_s()),
                read_book=self._read_book,
                scale=scale,
            )
            stack.callback(self._close)
            self._guard.block(LOST, "the sentinel is not watching yet")
            self._server.watch(self._stop.fileno(), self._server.end)
            ask_for_real_time()
            gc.freeze()  # what is loaded by now lives as long as the process
            notify("READY=1")
            LOG.info("guard_ready", machine=self._profile.machine, lines=len(self._profile.lines))
            self._server.serve(self._guard)
            notify("STOPPING=1")
            self._guard.end("the guard was stopped")
            self._server.close()
        LOG.info("guard_stopped")

    # --- the loop, as the sentinel sees it

    def watch_sentinel(self, descriptor: int) -> None:
        """Hear it whenever it says something."""
        self._server.watch(descriptor, lambda: self._sentinel.hear(self._clock.now_s()))

    def unwatch_sentinel(self, descriptor: int) -> None:
        """Hear it no more."""
        self._server.unwatch(descriptor)

    def sentinel_lost(self, text: str) -> None:
        """Nothing runs while nobody watches."""
        self._guard.block(LOST, text)

    def sentinel_found(self) -> None:
        """Operations may begin."""
        self._guard.unblock(LOST)

    # --- inside

    def _open_scale(self, stack: ExitStack) -> DatagramPort | None:
        """Where the scale's process sends to, with a scale in the profile. Its readings wake the loop by themselves."""
        if self._profile.scale is None:
            return None
        port = DatagramPort(self._folder / SCALE_SOCKET, user=_user(SCALE_USER), group=_group())
        stack.callback(port.close)
        self._server.watch(port.socket.fileno(), None)  # the loop ticks the guard, which takes them
        return port

    def _close(self) -> None:
        """A sentinel that is not told that all is well drives every line off once more."""
        is_all_off = False
        try:
            self._guard.close()
            is_all_off = True
        finally:
            self._sentinel.close(is_all_off=is_all_off)

    def _arm(self, is_armed: bool) -> None:
        self._sentinel.arm(is_armed, self._clock.now_s())

    def _each_turn(self, now_s: float) -> float:
        if now_s >= self._lateness_s:
            self._lateness_s = now_s + LATENESS_EVERY_S
            self._tell_lateness()
        if now_s >= self._give_up_s:
            self._hear_of_book(give_up=True)
        return min(self._sentinel.turn(now_s), self._watchdog.turn(now_s), self._lateness_s, self._give_up_s)

    # --- the book, read again by a child process

    def _read_book(self) -> None:
        if self._loading is not None:
            return  # what the child finds answers this request too
        try:
            self._loading = Loading(*self._files)
        except OSError as problem:
            self._guard.book_read(None, f"no child process can be started: {problem}.")
            return
        self._give_up_s = self._clock.now_s() + READ_S
        self._server.watch(self._loading.fileno(), self._hear_of_book)

    def _hear_of_book(self, *, give_up: bool = False) -> None:
        if self._loading is None or not (self._loading.hear() or give_up):
            return
        self._server.unwatch(self._loading.fileno())
        loading, self._loading, self._give_up_s = self._loading, None, math.inf
        try:
            profile, book, _ = loading.result()
        except FileProblems as problems:
            self._guard.book_read(None, str(problems)[:MOST_SAID])
            return
        if profile != self._profile:
            self._guard.book_read(None, "the profile has been changed too: restart guard and engine to work with both.")
        else:
            self._guard.book_read(book)

    def _tell_lateness(self) -> None:
        late = sorted(self._guard.lateness_s)
        self._guard.lateness_s.clear()
        if late:
            p999_s = late[math.ceil(0.999 * len(late)) - 1]
            LOG.info(
                "edge_lateness", edges=len(late), p999_ms=round(1000 * p999_s, 3), most_ms=round(1000 * late[-1], 3)
            )


def _leave_note(pins: Pins) -> None:
    """Before any line is claimed, say which there are, for whoever switches off after this process's end.

    Under a service manager only, in the folder that it gives; without the note the process must not go on.
    """
    folder = os.environ.get("RUNTIME_DIRECTORY")
    if folder:
        (Path(folder) / NOTE).write_text(pins.as_text())


def _group() -> int | None:
    try:
        return grp.getgrnam(GROUP).gr_gid
    except KeyError:
        return None


def _user(name: str) -> int | None:
    try:
        return pwd.getpwnam(name).pw_uid
    except KeyError:
        return None


def boot_id() -> str:
    """The kernel's boot id; a random one when it cannot be read, so that no two starts count as one boot."""
    try:
        return BOOT_ID.read_text().strip()
    except OSError:
        return os.urandom(8).hex()
