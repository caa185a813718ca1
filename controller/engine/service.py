"""The engine's process: loads the files, opens the ledger, serves HTTP on a Unix socket, keeps the guard informed."""

import asyncio
import contextlib
import os
import secrets
import signal
import socket
from collections.abc import Callable, Iterator
from pathlib import Path

import structlog
import uvicorn

from controller import logs
from controller.clock import RealClock
from controller.config import load_apart
from controller.engine.engine import Engine
from controller.engine.guard_link import GuardLink, Ticker
from controller.engine.http import application
from controller.engine.http_events import EventRing
from controller.errors import TundishError
from controller.ledger.store import Ledger
from controller.model.book import Book
from controller.model.profile import Profile

LEDGER = "ledger.db"
END_S = 2.0  # longest wait at the end for the guard to report an operation stopped


def run(profile_path: Path, book_path: Path, *, state_dir: Path, guard_socket: Path, socket_path: Path) -> None:
    """Serve until SIGTERM or SIGINT. Raises FileProblems, RecordError, TundishError when the socket is taken."""
    logs.set_up("engine")
    profile, book, _ = load_apart(profile_path, book_path)
    state_dir.mkdir(parents=True, exist_ok=True)
    with listening_socket(socket_path) as listener, contextlib.closing(Ledger(state_dir / LEDGER)) as ledger:
        failure = asyncio.run(_serve(profile, book, ledger, GuardLink(guard_socket), listener))
    if failure is not None:
        raise failure


async def _serve(
    profile: Profile, book: Book, ledger: Ledger, link: GuardLink, listener: socket.socket
) -> BaseException | None:
    """Run everything on this loop until a signal; the failure that ended it early, if any."""
    ending, failures = asyncio.Event(), list[BaseException]()

    def fail(error: BaseException) -> None:
        structlog.get_logger().error("engine_failed", exc_info=error)
        failures.append(error)
        ending.set()

    clock = RealClock()
    engine = Engine(
        profile=profile, book=book, ledger=ledger, clock=clock, send=link.send, new_id=lambda: secrets.token_hex(6)
    )
    ring, ticker = EventRing(engine), Ticker(engine, clock, fail)
    engine.subscribe(ring.publish)
    server = _Server(application(engine, ring, ticker.now))
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, ending.set)

    guard = loop.create_task(link.run(engine, ticker))
    web = loop.create_task(server.serve(sockets=[listener]))
    for task in (guard, web):
        task.add_done_callback(lambda done: _report(done, fail))
    _keep_watchdog(loop)
    notify("READY=1")
    structlog.get_logger().info("engine_ready", machine=profile.machine, book=book.title)
    await ending.wait()
    notify("STOPPING=1")
    await _end_operation(engine)
    ring.close()
    server.end()
    await asyncio.wait([web])
    guard.cancel()
    await asyncio.wait([guard])
    ticker.close()
    structlog.get_logger().info("engine_stopped")
    return failures[0] if failures else None


@contextlib.contextmanager
def listening_socket(path: Path) -> Iterator[socket.socket]:
    """A listening Unix socket for owner and group only; removed at the end.

    Raises TundishError when another process listens there; a file that a killed process left is replaced.
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
            raise TundishError(f"another engine already listens at {path}. Stop it first, or choose another --run-dir.")
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as listener:
        before = os.umask(0o117)  # the file is 0660 from its first moment
        try:
            listener.bind(str(path))
        finally:
            os.umask(before)
        listener.listen(64)
        try:
            yield listener
        finally:
            path.unlink(missing_ok=True)


def notify(message: str) -> None:
    """Tell systemd READY=1, WATCHDOG=1 or STOPPING=1; nothing when it did not start this process."""
    path = os.environ.get("NOTIFY_SOCKET")
    if path:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sock:
            sock.sendto(message.encode(), "\0" + path[1:] if path.startswith("@") else path)


class _Server(uvicorn.Server):
    """uvicorn without its ten wake-ups a second and its signal handlers: the service owns the signals."""

    def __init__(self, app: Callable[..., object]) -> None:
        super().__init__(
            uvicorn.Config(
                app,
                loop="asyncio",
                http="h11",
                ws="none",
                lifespan="off",
                log_config=None,
                access_log=False,
                server_header=False,
                date_header=False,
                timeout_keep_alive=5,
                timeout_graceful_shutdown=2,
            )
        )
        self._end = asyncio.Event()

    async def main_loop(self) -> None:
        """Serve until `end`."""
        await self._end.wait()

    def end(self) -> None:
        """Close the connections and return from `serve`."""
        self.should_exit = True
        self._end.set()

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Leave the signals alone."""
        yield


async def _end_operation(engine: Engine) -> None:
    """Stop what is under way and give the guard time to say how it ended, so that the ledger has it."""
    under_way = engine.status().operation
    if under_way is None or under_way.outcome is not None:
        return
    news = asyncio.Event()
    unsubscribe = engine.subscribe(lambda _view: news.set())
    try:
        engine.stop()
        async with asyncio.timeout(END_S):
            while engine.operation(under_way.operation).outcome is None:
                await news.wait()
                news.clear()
    except (TundishError, TimeoutError) as error:
        structlog.get_logger().warning("operation_left_open", operation=under_way.operation, error=str(error))
    finally:
        unsubscribe()


def _report(done: "asyncio.Task[None]", fail: Callable[[BaseException], None]) -> None:
    """End the service when one of its tasks failed."""
    error = None if done.cancelled() else done.exception()
    if error is not None:
        fail(error)


def _keep_watchdog(loop: asyncio.AbstractEventLoop) -> None:
    """Tell systemd from this loop, at half the interval it asks for, that the loop still turns."""
    interval_us = os.environ.get("WATCHDOG_USEC")
    if interval_us is None:
        return

    def beat() -> None:
        notify("WATCHDOG=1")
        loop.call_later(int(interval_us) / 2e6, beat)

    beat()
