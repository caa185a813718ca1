"""Who may ask over the local network: tokens, the names in Host headers, and how often.

Off unless switched on. On the Unix socket none of this counts: there the file's permissions decide.
"""

from collections.abc import Awaitable, Callable, MutableMapping
from dataclasses import dataclass
from ipaddress import IPv6Address, ip_address
from pathlib import Path
from typing import Any

import structlog
from starlette.responses import Response

from controller.clock import Clock
from controller.engine.http.page import is_page
from controller.engine.http.problems import problem
from controller.engine.http.routes import ADDRESSES
from controller.engine.http.shares import Pace, Places, Turnstile, origin_of
from controller.engine.http.tokens import Role, Tokens
from controller.errors import OutOfRange

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

PER_S, AT_ONCE = 10.0, 40.0  # requests on one connection whose token is known
GUEST_PER_S, GUEST_AT_ONCE = 4.0, 30.0  # requests of one guest, on all connections
STRANGER_PER_S, STRANGER_AT_ONCE = 0.5, 20.0  # requests without a known token, of one address
READER_PER_S, READER_AT_ONCE = (
    60.0,
    600.0,
)  # of these, for the page's files: a party behind one address opens it at once
ANSWER_HEADERS = (
    (b"content-security-policy", b"default-src 'none'; frame-ancestors 'none'"),
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
)
HEADERS = {
    "no-token": {"www-authenticate": "Bearer"},
    "too-often": {"retry-after": "5", "connection": "close"},
    "busy": {"retry-after": "1", "connection": "close"},
}


@dataclass(frozen=True, kw_only=True)
class ListenAddress:
    """Where to listen on the local network, and by which names people reach it."""

    host: str
    port: int
    names: tuple[str, ...]
    certificate: tuple[Path, Path] | None = None  # of the operator, with its key: then everything is encrypted

    @property
    def is_encrypted(self) -> bool:
        """Whether it speaks TLS."""
        return self.certificate is not None

    @property
    def hosts(self) -> frozenset[str]:
        """Every Host header that is answered."""
        known = {name.lower() for name in self.names}
        address = ip_address(self.host)
        if not address.is_unspecified:
            known.add(f"[{address}]" if isinstance(address, IPv6Address) else str(address))
        return frozenset(
            {f"{name}:{self.port}" for name in known}
            | (known if self.port == (443 if self.is_encrypted else 80) else set())
        )


def place(text: str, names: tuple[str, ...], certificate: tuple[Path, Path] | None = None) -> ListenAddress:
    """The place that ADDRESS:PORT says. Raises OutOfRange for a port, ValueError for what is no address."""
    host, _, port = text.rpartition(":")
    found = ip_address(host.strip("[]"))
    if found.is_unspecified and not names:
        raise ValueError(f"{found} is every address: say by which name people reach the machine with --lan-name")
    if not port.isdecimal() or not 1 <= int(port) <= 65_535:
        raise OutOfRange("port", float(port) if port.isdecimal() else -1.0, 1, 65_535, "")
    return ListenAddress(host=str(found), port=int(port), names=names, certificate=certificate)


class Door:
    """Stands before the application on the local network; says in the scope who asks (`role`)."""

    def __init__(self, app: App, known: ListenAddress, tokens: Tokens, clock: Clock, places: Places) -> None:
        self._app, self._hosts, self._tokens, self._places = app, known.hosts, tokens, places
        self._turnstile = Turnstile()
        self._each_guest = Pace(clock, GUEST_PER_S, GUEST_AT_ONCE)
        self._known, self._strangers = Pace(clock, PER_S, AT_ONCE), Pace(clock, STRANGER_PER_S, STRANGER_AT_ONCE)
        self._readers = Pace(clock, READER_PER_S, READER_AT_ONCE)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer the request or turn it away."""
        role, owner = self._bearer(scope["headers"])
        is_stop = role == "operator" and (scope["method"], scope["path"]) == ("POST", "/v1/stop")
        if not is_stop:  # stopping always works, at once
            await self._turnstile.wait(role)
        no = self._refusal(scope, role, owner, is_stop=is_stop)
        scope["role"], scope["owner"], scope["guests"] = role, owner, self._tokens.guests
        await (self._app if no is None else no)(scope, receive, _closed_to_frames(send))

    def _refusal(self, scope: Scope, role: Role | None, owner: str, *, is_stop: bool) -> Response | None:
        client, port = scope.get("client") or ("0.0.0.0", 0)
        hosts = [value.decode("latin-1").lower() for name, value in scope["headers"] if name == b"host"]
        is_ours = len(hosts) == 1 and hosts[0] in self._hosts
        opens_page = is_ours and is_page(scope["method"], scope["path"])
        pace = self._readers if opens_page else self._strangers
        if (role is None or not is_ours) and not pace.allows(origin_of(client)):
            return self._turn_away("too-often", client, "too many requests without a known token: wait a minute")
        if not is_ours:
            return self._turn_away("wrong-host", client, "ask for this machine by the name or address it listens at")
        if opens_page:
            return None
        if role is None:
            return self._turn_away("no-token", client, "send the header Authorization: Bearer TOKEN")
        has_place = self._places.know(scope["state"]["connection"], role, owner)
        if is_stop:
            return None
        if not has_place:
            return self._turn_away("busy", client, "too many connections are busy with this token")
        if not self._known.allows(f"{client} {port}"):
            return self._turn_away("too-often", client, f"at most {PER_S:g} requests a second")
        if owner and not self._each_guest.allows(owner):
            return self._turn_away("too-often", client, f"at most {GUEST_PER_S:g} requests a second of one guest")
        if role == "guest" and not _is_open_to_guests(scope):
            return self._turn_away(
                "not-for-guests", client, "a guest may see the menu, and place, watch and withdraw own orders"
            )
        return None

    def _bearer(self, headers: list[tuple[bytes, bytes]]) -> tuple[Role | None, str]:
        """Whose token the request carries, and of a guest's own one, whose."""
        sent = [value for name, value in headers if name == b"authorization"]
        kind, _, token = sent[0].partition(b" ") if len(sent) == 1 else (b"", b"", b"")
        return self._tokens.whose(token.strip()) if kind.lower() == b"bearer" else (None, "")

    def _turn_away(self, name: str, client: str, detail: str) -> Response:
        structlog.get_logger().warning("lan_turned_away", reason=name, client=client)
        return problem(name, detail, headers=HEADERS.get(name))


def _closed_to_frames(send: Send) -> Send:
    """Every answer on the network says that it belongs into no frame, and is what it says it is."""

    async def sent(message: MutableMapping[str, Any]) -> None:
        if message["type"] == "http.response.start":
            there = {name for name, _ in message["headers"]}
            message["headers"] = [*message["headers"], *(one for one in ANSWER_HEADERS if one[0] not in there)]
        await send(message)

    return sent


def _is_open_to_guests(scope: Scope) -> bool:
    return any(
        one.for_guests and one.is_at(scope["path"]) and scope["method"] in {one.method, "HEAD"} for one in ADDRESSES
    )
