"""The engine's process: loads the files, opens the ledger, serves HTTP, keeps the guard informed."""

import asyncio
import contextlib
import gc
import os
import secrets
import signal
import socket
from pathlib import Path

import structlog

from controller import logs
from controller.clock import Clock, RealClock
from controller.config import load_in_child
from controller.engine.background import Background
from controller.engine.engine import Engine
from controller.engine.guard_link import GuardLink, Ticker
from controller.engine.http.access import Door, ListenAddress
from controller.engine.http.application import application
from controller.engine.http.asking import Asking
from controller.engine.http.events import EventRing
from controller.engine.http.network import Network
from controller.engine.http.server import HttpServer, lan_socket, tls_context
from controller.engine.http.shares import Places
from controller.engine.http.tokens import Tokens
from controller.engine.metrics import Metrics
from controller.engine.reloading import Read, Reloading
from controller.errors import TundishError
from controller.ledger.store import Ledger
from controller.model.book import Book
from controller.model.profile import Profile
from controller.process import listening_socket, notify

LEDGER, TOKENS = "ledger.db", "tokens"
END_S = 2.0  # longest wait at the end for the guard to report an operation stopped

Listeners = list[tuple[socket.socket, HttpServer]]


def run(
    profile_path: Path,
    book_path: Path,
    *,
    state_dir: Path,
    guard_socket: Path,
    socket_path: Path,
    lan: ListenAddress | None = None,
    tokens_path: Path | None = None,
) -> None:
    """Serve until SIGTERM or SIGINT; on the local network only when `lan` says where.

    tokens_path: the file of the network's tokens, in the folder of the records when not given. Raises FileProblems,
    RecordError, and TundishError when a socket cannot be had.
    """
    logs.set_up("engine")
    profile, book, _ = load_in_child(profile_path, book_path)
    state_dir.mkdir(parents=True, exist_ok=True)
    with contextlib.ExitStack() as stack:
        listener = stack.enter_context(listening_socket(socket_path, "engine"))
        lan_listener = None if lan is None else stack.enter_context(lan_socket(lan))
        ledger = stack.enter_context(contextlib.closing(Ledger(state_dir / LEDGER)))
        link, clock = GuardLink(guard_socket), RealClock()
        places, tls = Places(clock), None if lan is None else tls_context(lan)
        tokens = _tokens(lan, state_dir / TOKENS, tokens_path, clock)
        engine = _engine(profile, book, ledger, link, clock)

        async def serve() -> BaseException | None:
            network = None if lan is None or tokens is None else Network(lan, tokens, places)
            process = _EngineProcess(engine, clock, profile, lambda: load_in_child(profile_path, book_path), network)
            listeners = [(listener, HttpServer(process.app, Places(clock)))]
            if lan is not None and tokens is not None and lan_listener is not None:
                door = Door(process.app, lan, tokens, clock, places)
                listeners.append((lan_listener, HttpServer(door, places, tls)))
                structlog.get_logger().info("lan_listens", host=lan.host, port=lan.port, encrypted=lan.is_encrypted)
            return await process.run(link, listeners)

        failure = asyncio.run(serve())
    if failure is not None:
        raise failure


def _tokens(lan: ListenAddress | None, own: Path, given: Path | None, clock: Clock) -> Tokens | None:
    """The network's tokens, in the file given, else our own; without a network nobody is let in any more."""
    if lan is not None:
        return Tokens(given or own, clock)
    own.unlink(missing_ok=True)
    return None


def _engine(profile: Profile, book: Book, ledger: Ledger, link: GuardLink, clock: Clock) -> Engine:
    """The engine, out of the garbage collector's way.

    What is there by now stays: without this the collector walks it all again and again, tens of milliseconds on a
    small board, in which no heartbeat goes out.
    """
    engine = Engine(
        profile=profile,
        book=book,
        ledger=ledger,
        clock=clock,
        send=link.send,
        new_id=lambda: secrets.token_hex(6),
        work=Background(),
    )
    gc.collect()
    gc.freeze()
    return engine


class _EngineProcess:
    """Everything that the engine's process consists of, on one loop."""

    def __init__(self, engine: Engine, clock: Clock, profile: Profile, read: Read, network: Network | None) -> None:
        self._engine = engine
        self._ending, self._failures = asyncio.Event(), list[BaseException]()
        self._ring, self._ticker = EventRing(engine), Ticker(engine, clock, self._fail)
        engine.subscribe(self._ring.publish)
        engine.orders.subscribe(self._ring.publish_order)
        self._metrics = Metrics(engine, clock)
        engine.subscribe(self._metrics.on_view)
        self._reloading = Reloading(engine, Asking(engine, self._ticker.now), profile, read)
        self._reloads: set[asyncio.Task[None]] = set()
        self.app = application(
            engine,
            self._ring,
            self._ticker.now,
            metrics=self._metrics,
            reloading=self._reloading,
            network=network,
        )

    async def run(self, link: GuardLink, listeners: Listeners) -> BaseException | None:
        """Run until a signal; the failure that ended it early, if any."""
        loop = asyncio.get_running_loop()
        for number in (signal.SIGTERM, signal.SIGINT):
            loop.add_signal_handler(number, self._ending.set)
        loop.add_signal_handler(signal.SIGHUP, self._reload)
        guard = loop.create_task(link.run(self._engine, self._ticker, self._metrics.on_event))
        webs = [loop.create_task(server.serve(sockets=[listener])) for listener, server in listeners]
        for task in (guard, *webs):
            task.add_done_callback(self._watch)
        _keep_watchdog(loop)
        notify("READY=1")
        status = self._engine.status()
        structlog.get_logger().info("engine_ready", machine=status.machine, book=status.book)
        await self._ending.wait()
        notify("STOPPING=1")
        await _end_operation(self._engine)
        self._ring.close()
        for _, server in listeners:
            server.end()
        await asyncio.wait(webs)
        guard.cancel()
        await asyncio.wait([guard])
        self._engine.work.close()
        self._ticker.close()
        structlog.get_logger().info("engine_stopped")
        return self._failures[0] if self._failures else None

    def _reload(self) -> None:
        """SIGHUP: read the book again; the log has the result."""

        async def again() -> None:
            with contextlib.suppress(TundishError):
                await self._reloading.again()

        task = asyncio.get_running_loop().create_task(again())
        self._reloads.add(task)
        task.add_done_callback(self._reloads.discard)
        task.add_done_callback(self._watch)

    def _watch(self, done: "asyncio.Task[None]") -> None:
        """End the service when one of its tasks failed."""
        error = None if done.cancelled() else done.exception()
        if error is not None:
            self._fail(error)

    def _fail(self, error: BaseException) -> None:
        structlog.get_logger().error("engine_failed", exc_info=error)
        self._failures.append(error)
        self._ending.set()


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


def _keep_watchdog(loop: asyncio.AbstractEventLoop) -> None:
    """Notify systemd from this loop, at half the interval it asks for, that the loop still turns."""
    interval_us = os.environ.get("WATCHDOG_USEC")
    if interval_us is None:
        return

    def beat() -> None:
        notify("WATCHDOG=1")
        loop.call_later(int(interval_us) / 2e6, beat)

    beat()
