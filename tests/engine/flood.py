"""Hostile clients on the network: python3 flood.py HOST PORT TRIES_PER_S TOKEN ADDRESS...

From each source address it holds as many connections as it can and opens every one that is closed anew. They are
silent, trickle a request byte by byte, or ask with the token as fast as they are answered, in turn. Bounded in
connections, tries and time; at the end it prints what it has seen.
"""

import json
import select
import selectors
import socket
import sys
import time
from collections.abc import Iterator
from itertools import count

FREEBIND = 15  # include/uapi/linux/in.h; the whole /64 is local in the test's own network
OF_EACH = 24  # connections held from one address
REQUEST = b"GET /v1/menu HTTP/1.1\r\nHost: machine:%d\r\nAuthorization: Bearer %s\r\n\r\n"
KINDS = ("silent", "trickle", "ask")


class Flood:
    """All hostile connections of this process."""

    def __init__(self, target: tuple[str, int], sources: list[str], token: str) -> None:
        self._target, self._sources = target, sources
        self._request = REQUEST % (target[1], token.encode())
        self._held: dict[str, set[socket.socket]] = {source: set() for source in sources}
        self._selector = selectors.DefaultSelector()
        self._numbers = count()
        self.seen = {"opened": 0, "closed": 0, "answers": 0, "most_open": 0}

    def run(self, tries_per_s: float) -> None:
        """Go on while the input is open, with so many new connections a second from all addresses together."""
        is_noticed = False
        while not select.select([sys.stdin], [], [], 0)[0]:
            for source in self._sources:
                if len(self._held[source]) < OF_EACH:
                    self._open(source)
            for key, mask in self._selector.select(0):
                assert isinstance(key.fileobj, socket.socket)
                source, kind, left = key.data
                self._talk(key.fileobj, source, kind, left, mask)
            self.seen["most_open"] = max(self.seen["most_open"], sum(map(len, self._held.values())))
            if not is_noticed and self.seen["answers"] + self.seen["closed"]:
                is_noticed = True
                print("under way", flush=True)
            time.sleep(len(self._sources) / tries_per_s)

    def _open(self, source: str) -> None:
        kind = KINDS[next(self._numbers) % len(KINDS)]
        sock = socket.socket(socket.AF_INET6 if ":" in source else socket.AF_INET)
        sock.setsockopt(socket.IPPROTO_IP, FREEBIND, 1)
        sock.bind((source, 0))
        sock.setblocking(False)
        sock.connect_ex(self._target)
        self._held[source].add(sock)
        wanted = selectors.EVENT_READ | (0 if kind == "silent" else selectors.EVENT_WRITE)
        self._selector.register(sock, wanted, (source, kind, iter(self._request)))
        self.seen["opened"] += 1

    def _talk(self, sock: socket.socket, source: str, kind: str, left: Iterator[int], mask: int) -> None:
        try:
            if mask & selectors.EVENT_READ:
                data = sock.recv(65536)
                if not data:
                    raise ConnectionError
                self.seen["answers"] += data.count(b"HTTP/1.1")
            if mask & selectors.EVENT_WRITE:
                sock.send(self._request if kind == "ask" else bytes([next(left, ord("x"))]))
        except BlockingIOError:
            pass
        except OSError:
            self._selector.unregister(sock)
            sock.close()
            self._held[source].discard(sock)
            self.seen["closed"] += 1


if __name__ == "__main__":
    host, port, tries_per_s, token, *addresses = sys.argv[1:]
    flood = Flood((host, int(port)), addresses, token)
    flood.run(float(tries_per_s))
    print(json.dumps(flood.seen))
