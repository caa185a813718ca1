"""Who may ask over the local network: tokens, the names in Host headers, and how often.

Off unless switched on. On the Unix socket none of this counts: there the file's permissions decide.
"""

import asyncio
import hmac
import os
import re
import stat
from collections import OrderedDict
from collections.abc import Awaitable, Callable, MutableMapping
from dataclasses import dataclass
from hashlib import sha256
from ipaddress import IPv6Address, ip_address
from pathlib import Path
from typing import Any, Literal

import structlog
from starlette.responses import Response

from controller.clock import Clock
from controller.engine.http_problems import problem
from controller.engine.http_routes import ADDRESSES
from controller.errors import FileProblems, OutOfRange, Problem

Role = Literal["operator", "guest"]
Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

# RFC 6750 section 2.1 has the characters; 24 of them are more than 128 bits when drawn at random.
TOKEN = re.compile(r"[A-Za-z0-9._~+/-]{24,200}=*")
ROLES: tuple[Role, ...] = ("operator", "guest")
BODY_S = 10.0  # longest time to send a body
PER_S, AT_ONCE = 10.0, 40.0  # requests of one client
WRONG_PER_S, WRONG_AT_ONCE = 0.2, 10.0  # wrong tokens of one client
CLIENTS_KEPT = 256
TELL_EVERY_S = 60.0  # a flood is told once a minute


@dataclass(frozen=True, kw_only=True)
class Place:
    """Where to listen on the local network, by which names people reach it, and the file of the tokens."""

    host: str
    port: int
    names: tuple[str, ...]
    tokens: Path

    @property
    def hosts(self) -> frozenset[str]:
        """Every Host header that is answered."""
        known = {name.lower() for name in self.names}
        address = ip_address(self.host)
        if not address.is_unspecified:
            known.add(f"[{address}]" if isinstance(address, IPv6Address) else str(address))
        return frozenset({f"{name}:{self.port}" for name in known} | (known if self.port == 80 else set()))


def place(text: str, names: tuple[str, ...], tokens: Path) -> Place:
    """The place that ADDRESS:PORT says. Raises OutOfRange for a port, ValueError for what is no address."""
    host, _, port = text.rpartition(":")
    found = ip_address(host.strip("[]"))
    if found.is_unspecified and not names:
        raise ValueError(f"{found} is every address: say by which name people reach the machine with --lan-name")
    if not port.isdecimal() or not 1 <= int(port) <= 65_535:
        raise OutOfRange("port", float(port) if port.isdecimal() else -1.0, 1, 65_535, "")
    return Place(host=str(found), port=int(port), names=names, tokens=tokens)


def read_tokens(path: Path) -> dict[Role, bytes]:
    """Role -> digest of its token. The file has a line for each: `operator TOKEN`, `guest TOKEN`.

    Raises FileProblems with everything that is wrong with it; no message repeats any of a token.
    """
    try:
        text, mode = path.read_text(encoding="ascii"), path.stat().st_mode
    except (OSError, UnicodeDecodeError) as error:
        raise FileProblems([Problem(file=str(path), line=1, column=1, text=f"cannot be read: {error}.")]) from error
    found: dict[Role, bytes] = {}
    problems: list[tuple[int, str]] = []
    # What systemd hands over (LoadCredential=) is closed by an access list, which the mode does not show.
    is_handed_over = str(path.parent) == os.environ.get("CREDENTIALS_DIRECTORY")
    if stat.S_IMODE(mode) & 0o077 and not is_handed_over:
        problems.append((1, f"others may read it (mode {stat.S_IMODE(mode):04o}). Close it: chmod 600 {path}"))
    for number, line in enumerate(text.splitlines(), 1):
        words = line.split()
        if not words or words[0].startswith("#"):
            continue
        role = next((one for one in ROLES if one == words[0]), None)
        if role is None or len(words) != 2:
            problems.append((number, "expected `operator TOKEN` or `guest TOKEN`."))
        elif role in found:
            problems.append((number, f"a second token for {role}."))
        elif not TOKEN.fullmatch(words[1]):
            problems.append((number, "a token has 24 to 200 letters, digits or ._~+/-: try openssl rand -hex 24"))
        else:
            found[role] = sha256(words[1].encode()).digest()
    if not problems and "operator" not in found:
        problems.append((1, "there is no token for the operator."))
    if len(set(found.values())) < len(found):
        problems.append((1, "operator and guest have the same token."))
    if problems:
        raise FileProblems([Problem(file=str(path), line=line, column=1, text=text) for line, text in problems])
    return found


class Pace:
    """So many requests in a second for each client, more at once after a pause; remembers CLIENTS_KEPT clients."""

    def __init__(self, clock: Clock, per_s: float, at_once: float) -> None:
        self._clock, self._per_s, self._at_once = clock, per_s, at_once
        self._left: OrderedDict[str, tuple[float, float]] = OrderedDict()  # client -> requests left, when

    def allows(self, client: str, *, takes: float = 1.0) -> bool:
        """Whether another request may come; it is then counted as `takes`."""
        now_s = self._clock.now_s()
        left, at_s = self._left.pop(client, (self._at_once, now_s))
        left = min(self._at_once, left + (now_s - at_s) * self._per_s)
        allowed = left >= 1.0
        self._left[client] = (left - takes if allowed else left, now_s)
        if len(self._left) > CLIENTS_KEPT:
            self._left.popitem(last=False)
        return allowed


class Door:
    """Stands before the application on the local network; says in the scope who asks (`role`)."""

    def __init__(self, app: App, known: Place, tokens: dict[Role, bytes], clock: Clock) -> None:
        self._app, self._hosts, self._tokens, self._clock = app, known.hosts, tokens, clock
        self._pace = Pace(clock, PER_S, AT_ONCE)
        self._wrong = Pace(clock, WRONG_PER_S, WRONG_AT_ONCE)
        self._told_s: dict[str, float] = {}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer the request or turn it away."""
        no = self._refusal(scope)
        if no is None:
            await self._app(scope, _in_time(receive), send)
        else:
            await no(scope, receive, send)

    def _refusal(self, scope: Scope) -> Response | None:
        headers: list[tuple[bytes, bytes]] = scope["headers"]
        client = str((scope.get("client") or ("?", 0))[0])
        hosts = [value.decode("latin-1").lower() for name, value in headers if name == b"host"]
        if len(hosts) != 1 or hosts[0] not in self._hosts:
            return self._turn_away("wrong-host", client, "ask for this machine by the name or address it listens at")
        role = self._role(headers)
        if role == "operator" and (scope["method"], scope["path"]) == ("POST", "/v1/stop"):
            return None  # stopping always works
        if not self._wrong.allows(client, takes=0.0):
            return self._turn_away("too-often", client, "too many wrong tokens: wait a minute")
        if not self._pace.allows(client):
            return self._turn_away("too-often", client, f"at most {PER_S:g} requests a second")
        if role is None:
            self._wrong.allows(client)
            return self._turn_away("no-token", client, "send the header Authorization: Bearer TOKEN")
        if role == "guest" and not _is_open_to_guests(scope):
            return self._turn_away("not-for-guests", client, "a guest may see status and menu, and ask for a drink")
        scope["role"] = role
        return None

    def _role(self, headers: list[tuple[bytes, bytes]]) -> Role | None:
        """Whose token it is. Every known one is compared, in constant time."""
        sent = [value for name, value in headers if name == b"authorization"]
        kind, _, token = sent[0].partition(b" ") if len(sent) == 1 else (b"", b"", b"")
        digest = sha256(token.strip()).digest()
        matching = [role for role, known in self._tokens.items() if hmac.compare_digest(known, digest)]
        return matching[0] if matching and kind.lower() == b"bearer" else None

    def _turn_away(self, name: str, client: str, detail: str) -> Response:
        now_s = self._clock.now_s()
        if now_s >= self._told_s.get(name, now_s):
            self._told_s[name] = now_s + TELL_EVERY_S
            structlog.get_logger().warning("lan_turned_away", reason=name, client=client)
        headers = {"no-token": {"www-authenticate": "Bearer"}, "too-often": {"retry-after": "5"}}.get(name)
        return problem(name, detail, headers=headers)


def _is_open_to_guests(scope: Scope) -> bool:
    return any(
        one.for_guests and one.is_at(scope["path"]) and scope["method"] in {one.method, "HEAD"} for one in ADDRESSES
    )


def _in_time(receive: Receive) -> Receive:
    """`receive`, but a client that has not sent its whole body after BODY_S counts as gone."""
    deadline_s: float | None = asyncio.get_running_loop().time() + BODY_S

    async def soon() -> MutableMapping[str, Any]:
        nonlocal deadline_s
        try:
            async with asyncio.timeout_at(deadline_s):
                message = await receive()
        except TimeoutError:
            return {"type": "http.disconnect"}
        if not message.get("more_body", False):
            deadline_s = None  # what comes after it is that the client is gone, which may take as long as it likes
        return message

    return soon
