"""Sockets and servers: the Unix socket that is always there, and the local network's when it is switched on."""

import asyncio
import contextlib
import socket
import ssl
import struct
from collections.abc import Callable, Iterator
from ipaddress import IPv6Address, ip_address

import structlog
import uvicorn

from controller.engine.http.access import ListenAddress
from controller.engine.http.connection import HttpConnection
from controller.engine.http.shares import Places, origin_of
from controller.errors import TundishError

IP_FREEBIND = 15  # include/uapi/linux/in.h
WAITING = 256  # connections that the kernel keeps until they are taken
AT_ONCE = 16  # taken in one turn of the loop
HEAD_BYTES = 16 * 1024  # of a request
HANDSHAKE_S = 5.0  # longest for TLS
PAUSE_S = 1.0  # after the system had no descriptor left
RESET = struct.pack("ii", 1, 0)  # SO_LINGER: who is turned away leaves nothing behind


class HttpServer(uvicorn.Server):
    """uvicorn without its ten wake-ups a second and its signal handlers, whose connections have their places.

    The service owns the signals.
    """

    def __init__(self, app: Callable[..., object], places: Places, tls: ssl.SSLContext | None = None) -> None:
        super().__init__(
            uvicorn.Config(
                app,
                loop="asyncio",
                http=HttpConnection,
                ws="none",
                lifespan="off",
                log_config=None,
                access_log=False,
                proxy_headers=False,
                server_header=False,
                date_header=False,
                h11_max_incomplete_event_size=HEAD_BYTES,
                timeout_graceful_shutdown=2,
            )
        )
        self._places, self._tls = places, tls
        self._end = asyncio.Event()
        self._opening: set[asyncio.Task[object]] = set()

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Listen, in place of asyncio's servers: those take every connection and ask nobody."""
        self.servers = []
        for listener in sockets or []:
            listener.setblocking(False)
            self._listen(listener)
        self.started = True

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """Listen no more, and close the connections."""
        for listener in sockets or []:
            asyncio.get_running_loop().remove_reader(listener)
        await super().shutdown(sockets)

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

    def _listen(self, listener: socket.socket) -> None:
        if not self.should_exit:
            asyncio.get_running_loop().add_reader(listener, self._accept, listener)

    def _accept(self, listener: socket.socket) -> None:
        loop = asyncio.get_running_loop()
        for _ in range(AT_ONCE):
            try:
                connection, address = listener.accept()
            except (BlockingIOError, ConnectionAbortedError):
                return
            except OSError as error:
                structlog.get_logger().error("not_accepted", error=str(error))
                loop.remove_reader(listener)
                loop.call_later(PAUSE_S, self._listen, listener)
                return
            origin = origin_of(address[0]) if isinstance(address, tuple) else ""
            if origin and not self._places.lets_in(origin):
                structlog.get_logger().warning("lan_turned_away", reason="too-many-connections", client=origin)
                connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, RESET)
                connection.close()
                continue
            connection.setblocking(False)
            opening = loop.create_task(self._open(connection, origin))
            self._opening.add(opening)
            opening.add_done_callback(self._opening.discard)

    async def _open(self, connection: socket.socket, origin: str) -> None:
        def protocol() -> HttpConnection:
            return HttpConnection(self._places, origin, config=self.config, server_state=self.server_state)

        with contextlib.suppress(OSError):  # gone again
            await asyncio.get_running_loop().connect_accepted_socket(
                protocol, connection, ssl=self._tls, ssl_handshake_timeout=HANDSHAKE_S if self._tls else None
            )


BAD_CHAINS = {  # what OpenSSL says, in words
    "KEY_VALUES_MISMATCH": "the key does not belong to the certificate",
    "BAD_DECRYPT": "the key has a password: write it without, openssl pkey -in KEY -out NEW",
    "NO_START_LINE": "one of them is not in PEM form",
}


def tls_context(place: ListenAddress) -> ssl.SSLContext | None:
    """TLS with the operator's certificate; None without one. Raises TundishError when it cannot be used."""
    if place.certificate is None:
        return None
    certificate, key = place.certificate
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    try:
        context.load_cert_chain(certificate, key, password="")  # nobody is there to be asked for one
    except ssl.SSLError as error:
        why = BAD_CHAINS.get(
            error.reason or "", "one of them is not in PEM form, is cut off, or the key has a password"
        )
        raise TundishError(f"certificate {certificate} with key {key} cannot be used: {why} ({error}).") from error
    except OSError as error:
        raise TundishError(f"certificate {certificate} or key {key} cannot be read: {error.strerror}.") from error
    return context


@contextlib.contextmanager
def lan_socket(place: ListenAddress) -> Iterator[socket.socket]:
    """A listening socket on the local network. Raises TundishError when the port cannot be had."""
    is_v6 = isinstance(ip_address(place.host), IPv6Address)
    with socket.socket(socket.AF_INET6 if is_v6 else socket.AF_INET, socket.SOCK_STREAM) as listener:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        # The machine starts before its network is up: its address may not be there yet.
        listener.setsockopt(socket.IPPROTO_IP, IP_FREEBIND, 1)
        try:
            listener.bind((place.host, place.port))
            listener.listen(WAITING)
        except OSError as error:
            raise TundishError(
                f"cannot listen at {place.host} port {place.port} ({error.strerror}). Choose another port above 1023."
            ) from error
        yield listener
