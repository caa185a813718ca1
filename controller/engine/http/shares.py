"""Who may hold how many connections and ask how much: a share for every address, and one of its own for each role.

A connection is a stranger's until a request on it carries a known token; then it belongs to the token's role, whatever
its address, since a party is often one address. Nobody is kept out by those who hold connections and say nothing: where
a share is used up, the connection that has kept the engine waiting longest is closed.
"""

import asyncio
from collections import Counter, OrderedDict, deque
from ipaddress import IPv6Address, ip_address, ip_network
from typing import Literal, Protocol

from controller.clock import Clock
from controller.engine.http.events import GUEST_STREAMS, STREAMS

Holder = Literal["local", "operator", "guest"]  # local: whoever may open the Unix socket

STRANGERS = 32  # connections without a known token, of all addresses together
OF_ONE_ADDRESS = OF_ONE_GUEST = 6  # of them, and of one guest's; browsers open six at once (common practice, no source)
SHARES: dict[Holder, int] = {
    "local": STREAMS + 32,
    "operator": STREAMS + 16,
    "guest": 2 * GUEST_STREAMS,
}  # streams stay open
ARRIVALS_PER_S, ARRIVALS_AT_ONCE = 10.0, 40.0  # new connections of one address
PARTY_PER_S, PARTY_AT_ONCE = 250.0, 250.0  # the same, of one from which a known token has come
CLIENTS_KEPT = 512


def origin_of(host: str) -> str:
    """What counts as one address: an IPv4 address, or the /64 of an IPv6 one, which one host can use as it likes."""
    address = ip_address(host.partition("%")[0])
    if isinstance(address, IPv6Address):
        return str(address.ipv4_mapped or ip_network((address, 64), strict=False))
    return str(address)


class Pace:
    """So many in a second for each client, more at once after a pause; remembers CLIENTS_KEPT clients."""

    def __init__(self, clock: Clock, per_s: float, at_once: float) -> None:
        self._clock, self._per_s, self._at_once = clock, per_s, at_once
        self._left: OrderedDict[str, tuple[float, float]] = OrderedDict()  # client -> how many are left, when

    def allows(self, client: str) -> bool:
        """Whether another one may come; it is then counted."""
        now_s = self._clock.now_s()
        left, at_s = self._left.pop(client, (self._at_once, now_s))
        left = min(self._at_once, left + (now_s - at_s) * self._per_s)
        allowed = left >= 1.0
        self._left[client] = (left - 1.0 if allowed else left, now_s)
        if len(self._left) > CLIENTS_KEPT:
            self._left.popitem(last=False)
        return allowed


class Held(Protocol):
    """A connection, as far as its place goes."""

    origin: str

    @property
    def waits_for_client(self) -> bool:
        """Whether it is the client's turn: to send a request, the rest of one, or to read the answer."""

    def abort(self) -> None:
        """Close it at once."""


class Places:
    """The places of one listener."""

    def __init__(self, clock: Clock) -> None:
        self._strangers: dict[Held, None] = {}  # the longest one first
        self._known: dict[Holder, dict[Held, None]] = {holder: {} for holder in SHARES}  # the longest idle one first
        self._arrivals = Pace(clock, ARRIVALS_PER_S, ARRIVALS_AT_ONCE)
        self._party = Pace(clock, PARTY_PER_S, PARTY_AT_ONCE)
        self._guests: dict[Held, str] = {}  # whose they are
        self._parties: OrderedDict[str, None] = OrderedDict()  # addresses from which a known token has come

    def lets_in(self, origin: str) -> bool:
        """Whether one more connection of this address may be opened now."""
        return (self._party if origin in self._parties else self._arrivals).allows(origin)

    def arrive(self, one: Held) -> None:
        """A stranger has come; it takes the place of one of its own address, else of one of the fullest."""
        origins = Counter(held.origin for held in self._strangers)
        if origins[one.origin] >= OF_ONE_ADDRESS:
            self._part_with(one.origin)
        elif len(self._strangers) >= STRANGERS:
            self._part_with(origins.most_common(1)[0][0])
        self._strangers[one] = None

    def know(self, one: Held, holder: Holder, guest: str = "") -> bool:
        """A connection has shown whose it is, now or before; False when the share is full of requests under way.

        guest: whose own token it was.
        """
        share = self._known[holder]
        self._parties[one.origin] = None
        self._parties.move_to_end(one.origin)
        if len(self._parties) > CLIENTS_KEPT:
            self._parties.popitem(last=False)
        own = [held for held in share if guest and self._guests.get(held) == guest]
        for crowd, most in ((own, OF_ONE_GUEST), (share, SHARES[holder])):
            if one not in crowd and len(crowd) >= most:
                idle = next((held for held in crowd if held.waits_for_client), None)
                if idle is None:
                    return False
                self._close(idle)
        self.leave(one)
        share[one] = None
        if guest:
            self._guests[one] = guest
        return True

    def turn_out(self) -> None:
        """Close every connection that a token has opened; not those of the Unix socket."""
        for holder in ("operator", "guest"):
            for one in tuple(self._known[holder]):
                self._close(one)

    def leave(self, one: Held) -> None:
        """It is closed. May be repeated."""
        for places in (self._strangers, *self._known.values()):
            places.pop(one, None)
        self._guests.pop(one, None)

    def _part_with(self, origin: str) -> None:
        self._close(next(held for held in self._strangers if held.origin == origin))

    def _close(self, one: Held) -> None:
        self.leave(one)
        one.abort()


class Turnstile:
    """Lets one request begin in each turn of the loop, the operator's first.

    What many ask at the same instant delays the heartbeat and the answer to a stop by one request, not by all of them.
    """

    def __init__(self) -> None:
        self._queues: tuple[deque[asyncio.Future[None]], ...] = (deque(), deque(), deque())
        self._turns = False

    async def wait(self, holder: Holder | None) -> None:
        """Return when it is this one's turn; None: a stranger's, which comes last."""
        loop = asyncio.get_running_loop()
        turn: asyncio.Future[None] = loop.create_future()
        self._queues[{"operator": 0, "guest": 1}.get(holder or "", 2)].append(turn)
        if not self._turns:
            self._turns = True
            loop.call_soon(self._turn)
        await turn

    def _turn(self) -> None:
        for queue in self._queues:
            while queue:
                turn = queue.popleft()
                if not turn.done():  # its client is still there
                    turn.set_result(None)
                    asyncio.get_running_loop().call_soon(self._turn)
                    return
        self._turns = False
