"""Sockets and servers: the Unix socket that is always there, and the local network's when it is switched on."""

import asyncio
import contextlib
import socket
from collections.abc import Callable, Iterator
from ipaddress import IPv6Address, ip_address

import uvicorn

from controller.engine.http_access import Place
from controller.errors import TundishError

IP_FREEBIND = 15  # include/uapi/linux/in.h
LAN_CONNECTIONS = 64  # open at once from the local network; the Unix socket has its own


class HttpServer(uvicorn.Server):
    """uvicorn without its ten wake-ups a second and its signal handlers: the service owns the signals."""

    def __init__(self, app: Callable[..., object], *, most_connections: int | None = None) -> None:
        super().__init__(
            uvicorn.Config(
                app,
                loop="asyncio",
                http="h11",
                ws="none",
                lifespan="off",
                log_config=None,
                access_log=False,
                proxy_headers=False,
                server_header=False,
                date_header=False,
                limit_concurrency=most_connections,
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


@contextlib.contextmanager
def lan_socket(place: Place) -> Iterator[socket.socket]:
    """A listening socket on the local network. Raises TundishError when the port cannot be had."""
    is_v6 = isinstance(ip_address(place.host), IPv6Address)
    with socket.socket(socket.AF_INET6 if is_v6 else socket.AF_INET, socket.SOCK_STREAM) as listener:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        # The machine starts before its network is up: its address may not be there yet.
        listener.setsockopt(socket.IPPROTO_IP, IP_FREEBIND, 1)
        try:
            listener.bind((place.host, place.port))
            listener.listen(64)
        except OSError as error:
            raise TundishError(
                f"cannot listen at {place.host} port {place.port} ({error.strerror}). Choose another port above 1023."
            ) from error
        yield listener
