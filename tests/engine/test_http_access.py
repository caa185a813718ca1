"""The local network: off unless switched on, and then nobody gets past the door without a token."""

import asyncio
import json
from typing import cast

import pytest
import structlog
from msgspec.structs import replace

from controller.clock import VirtualClock
from controller.engine.background import Work
from controller.engine.engine import Engine as RealEngine
from controller.engine.http.access import (
    AT_ONCE,
    READER_AT_ONCE,
    STRANGER_AT_ONCE,
    Door,
    place,
)
from controller.engine.http.application import application
from controller.engine.http.events import EventRing
from controller.engine.http.shares import SHARES, Places
from controller.engine.http.tokens import ROLES, Tokens, read_tokens
from controller.errors import FileProblems
from controller.model.states import MachineState, OperationKind
from controller.model.views import Asked, MenuEntry, OperationView, Status
from tests.engine.lan_parts import GUEST, OPERATOR

STATUS = Status(
    machine="bench six-line",
    book="Orchard fete",
    guard_connected=True,
    state=MachineState.IDLE,
    fault=None,
    operation=None,
    lines=(),
    inputs=None,
)
VIEW = OperationView(
    operation="op1",
    kind=OperationKind.SERVE,
    recipe="Orchard Fizz",
    times=1.0,
    admitted=True,
    refused=(),
    waiting_for=None,
    outcome=None,
    reason="",
    lines=(),
    elapsed_s=0.0,
    planned_s=12.0,
)


def entry(recipe, *missing):
    return MenuEntry(
        recipe=recipe,
        glass="tumbler",
        volume_ml=120.0,
        abv_percent=0.0,
        ethanol_g=0.0,
        allergens=(),
        seconds=12.0,
        missing=missing,
    )


class Engine:
    """One drink can be poured, one cannot."""

    is_judging = False

    def __init__(self):
        self.poured, self.confirmed, self.stopped = [], [], 0
        self.work = Work()

    def status(self):
        return replace(STATUS, operation=VIEW)

    def menu(self):
        return (entry("Orchard Fizz"), entry("Ginger Cooler", "ginger syrup: line 3 is empty"))

    def subscribe(self, _callback):
        return lambda: None

    def operation(self, _operation):
        return VIEW

    @property
    def past(self):
        return self

    def page(self, _wanted):
        yield
        return (VIEW,)

    def pour(self, asked):
        self.poured.append(asked.recipe)
        return Asked(operation="op1")

    def confirm(self, operation):
        self.confirmed.append(operation)

    def stop(self):
        self.stopped += 1


class Held:
    """A connection that stays open, with a request under way."""

    waits_for_client = False

    def __init__(self, origin):
        self.origin = origin


class Network:
    """Speaks to the application through its door."""

    def __init__(self, tokens_file):
        self.clock, self.engine, self.places = VirtualClock(), Engine(), Places(VirtualClock())
        self.held = {}  # one connection of each client
        known = place("192.168.1.5:8080", ("tundish.local",))
        engine = cast(RealEngine, self.engine)
        app = application(engine, EventRing(engine), lambda: None)
        self.door = Door(app, known, Tokens(tokens_file, self.clock), self.clock, self.places)

    def ask(self, method, path, token=None, *, body=None, client="192.168.1.77", **headers):
        sent = {"host": "192.168.1.5:8080", "content-type": "application/json"} | headers
        if token is not None:
            sent.setdefault("authorization", f"Bearer {token}")
        scope = {
            "type": "http",
            "method": method,
            "path": path,
            "raw_path": path.encode(),
            "root_path": "",
            "query_string": b"",
            "headers": [(name.encode(), value.encode()) for name, value in sent.items() if value is not None],
            "client": (client, 40_000),
            "state": {"connection": self.held.setdefault(client, Held(client))},
        }
        answer = []

        async def receive():
            return {"type": "http.request", "body": b"" if body is None else json.dumps(body).encode()}

        async def send(message):
            answer.append(message)

        asyncio.run(self.door(scope, receive, send))
        self.headers = {name.decode(): value.decode() for name, value in answer[0]["headers"]}
        self.body = b"".join(one.get("body", b"") for one in answer[1:])
        return answer[0]["status"]


@pytest.fixture
def network(tokens_file):
    return Network(tokens_file)


def test_the_operator_may_do_everything(network):
    assert network.ask("GET", "/v1/status", OPERATOR) == 200
    assert network.ask("GET", "/v1/operations", OPERATOR) == 200
    assert network.ask("POST", "/v1/pours", OPERATOR, body={"recipe": "Orchard Fizz", "times": 2}) == 202
    assert network.ask("POST", "/v1/stop", OPERATOR) == 204
    assert (network.engine.poured, network.engine.stopped) == (["Orchard Fizz"], 1)


@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"authorization": ""},
        {"authorization": "Bearer "},
        {"authorization": f"Basic {OPERATOR}"},
        {"authorization": OPERATOR},
        {"authorization": f"Bearer {OPERATOR}x"},
        {"authorization": f"Bearer {OPERATOR[:-1]}"},
    ],
)
def test_without_a_token_nothing_is_opened(network, changes):
    for method, path in (("GET", "/v1/status"), ("POST", "/v1/stop"), ("GET", "/healthz"), ("GET", "/nowhere")):
        assert network.ask(method, path, **changes) == 401
        assert network.headers["www-authenticate"] == "Bearer"
    assert network.engine.stopped == 0


@pytest.mark.parametrize(
    ("method", "path", "status"),
    [
        ("GET", "/v1/menu", 200),
        ("GET", "/v1/status", 403),
        ("GET", "/v1/operations", 403),
        ("GET", "/v1/openapi.json", 403),
        ("GET", "/healthz", 403),
        ("POST", "/v1/line-operations", 403),
        ("POST", "/v1/acknowledge", 403),
        ("PUT", "/v1/lines/1", 403),
        ("DELETE", "/v1/status", 403),
        ("GET", "/v1/status/", 403),
        ("GET", "/v1/../v1/operations", 403),
    ],
)
def test_a_guest_sees_the_menu_and_nothing_of_the_machine(network, method, path, status):
    assert network.ask(method, path, GUEST) == status


def test_a_guest_neither_pours_nor_confirms(network):
    assert network.ask("POST", "/v1/pours", GUEST, body={"recipe": "Orchard Fizz"}) == 403
    assert network.ask("POST", "/v1/operations/op1/confirm", GUEST) == 403
    assert (network.engine.poured, network.engine.confirmed) == ([], [])


def own_token(network):
    assert network.ask("POST", "/v1/guests", GUEST) == 201
    return json.loads(network.body)["token"]


def test_the_invitation_gives_every_guest_a_token_of_their_own(network):
    first, second = own_token(network), own_token(network)
    assert first != second
    assert network.ask("GET", "/v1/menu", first) == 200
    assert network.ask("POST", "/v1/pours", first, body={"recipe": "Orchard Fizz"}) == 403
    assert network.ask("POST", "/v1/guests", first) == 403
    assert network.ask("GET", "/v1/orders", GUEST) == 403  # whose would they be?
    assert network.ask("POST", "/v1/orders", GUEST, body={"recipe": "Orchard Fizz", "key": "1"}) == 403


def test_a_guests_own_token_ends_after_a_day_and_is_no_other(network):
    token = own_token(network)
    assert network.ask("GET", "/v1/menu", token[:-2] + "AA") == 401
    assert network.ask("GET", "/v1/menu", token + "x") == 401
    network.clock.move_to(24 * 3600.0 + 1.0)
    assert network.ask("GET", "/v1/menu", token) == 401


@pytest.mark.parametrize(
    ("host", "status"),
    [
        ("192.168.1.5:8080", 200),
        ("tundish.local:8080", 200),
        ("TUNDISH.local:8080", 200),
        ("192.168.1.5", 421),
        ("192.168.1.5:80", 421),
        ("tundish.local.example:8080", 421),
        ("localhost:8080", 421),
        ("", 421),
        (None, 421),
    ],
)
def test_only_the_machine_s_own_names_are_answered(network, host, status):
    """A page elsewhere whose name is made to point at the machine sends its own name as Host."""
    assert network.ask("GET", "/v1/status", OPERATOR, host=host) == status


def test_the_pages_files_need_no_token_but_one_of_our_names(network):
    assert network.ask("GET", "/") == 200
    assert network.ask("GET", "/page/main.js") == 200
    assert network.ask("POST", "/") == 401
    assert network.ask("GET", "/page/nothing.js") == 401
    assert network.ask("GET", "/", host="tundish.example:8080") == 421


def test_a_party_behind_one_address_opens_the_page_at_once_and_a_flood_is_slowed(network):
    answers = [network.ask("GET", "/page/main.js") for _ in range(int(READER_AT_ONCE) + 5)]
    assert answers.count(200) == READER_AT_ONCE
    assert answers[-1] == 429


def test_no_answer_belongs_into_a_frame_or_is_guessed_to_be_something_else(network):
    for token in (OPERATOR, GUEST, None):
        network.ask("GET", "/v1/status", token)
        assert "frame-ancestors 'none'" in network.headers["content-security-policy"]
        assert (network.headers["x-content-type-options"], network.headers["referrer-policy"]) == (
            "nosniff",
            "no-referrer",
        )


def test_there_is_no_cors_header_and_no_preflight(network):
    assert network.ask("GET", "/v1/status", OPERATOR, origin="http://elsewhere.example") == 200
    assert not [name for name in network.headers if name.startswith("access-control")]
    assert network.ask("OPTIONS", "/v1/status", OPERATOR, origin="http://elsewhere.example") == 405


def test_too_many_requests_wait_but_stopping_always_works(network):
    answers = [network.ask("GET", "/v1/status", OPERATOR) for _ in range(int(AT_ONCE) + 1)]
    assert answers == [200] * int(AT_ONCE) + [429]
    assert network.headers["retry-after"]
    assert network.ask("POST", "/v1/stop", OPERATOR) == 204
    assert network.ask("GET", "/v1/status", OPERATOR, client="192.168.1.78") == 200  # another client does not wait
    network.clock.move_to(1.0)
    assert network.ask("GET", "/v1/status", OPERATOR) == 200


def test_stopping_works_when_every_place_of_the_operator_is_busy(network):
    for number in range(SHARES["operator"]):
        network.places.know(Held(f"192.168.1.{number}"), "operator")
    assert network.ask("GET", "/v1/status", OPERATOR) == 503
    assert network.ask("GET", "/v1/access", GUEST, client="192.168.1.78") == 200
    assert network.ask("POST", "/v1/stop", OPERATOR) == 204


def test_guessing_tokens_is_slowed_and_shuts_out_nobody_at_the_same_address(network):
    for _ in range(int(STRANGER_AT_ONCE)):
        assert network.ask("GET", "/v1/status", "x" * 30) == 401
    assert network.ask("GET", "/v1/status", "x" * 30) == 429
    assert network.headers["connection"] == "close"
    assert network.ask("GET", "/v1/status", OPERATOR) == 200
    assert network.ask("GET", "/v1/access", GUEST) == 200
    assert network.ask("POST", "/v1/stop", OPERATOR) == 204
    network.clock.move_to(2.0)
    assert network.ask("GET", "/v1/status", "x" * 30) == 401


def test_requests_for_foreign_host_names_are_slowed_too(network):
    answers = [network.ask("GET", "/v1/status", OPERATOR, host="elsewhere") for _ in range(int(STRANGER_AT_ONCE) + 1)]
    assert answers == [421] * int(STRANGER_AT_ONCE) + [429]
    assert network.ask("GET", "/v1/status", OPERATOR) == 200


def test_a_rejected_client_is_logged_and_no_token_is(network):
    with structlog.testing.capture_logs() as logs:
        network.ask("GET", "/v1/status", f"{OPERATOR}x")
        network.ask("GET", "/v1/operations", GUEST)
    assert [(one["event"], one["reason"]) for one in logs] == [
        ("lan_turned_away", "no-token"),
        ("lan_turned_away", "not-for-guests"),
    ]
    assert not any(token in str(logs) for token in (OPERATOR, GUEST))


# --- the file of the tokens


def test_both_tokens_are_read_and_only_their_digests_are_kept(tokens_file):
    found = read_tokens(tokens_file)
    assert tuple(found) == ROLES
    assert not any(token.encode() in found.values() for token in (OPERATOR, GUEST))


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "no token for the operator"),
        (f"guest {GUEST}\n", "no token for the operator"),
        (f"operator {OPERATOR}\noperator {GUEST}\n", "a second token"),
        (f"operator {OPERATOR}\nguest {OPERATOR}\n", "the same token"),
        ("operator short\n", "24 to 200"),
        (f"operator {OPERATOR} {GUEST}\n", "expected"),
        (f"admin {OPERATOR}\n", "expected"),
        ("operator " + "\u00e9" * 30, "cannot be read"),
    ],
)
def test_a_file_of_tokens_that_cannot_be_used_is_refused_without_telling_any(tmp_path, text, says):
    path = tmp_path / "tokens"
    path.write_text(text)
    path.chmod(0o600)
    with pytest.raises(FileProblems, match=says) as caught:
        read_tokens(path)
    assert not any(token in str(caught.value) for token in (OPERATOR, GUEST, "short\n"))


def test_a_file_of_tokens_that_others_may_read_is_refused(tokens_file, monkeypatch):
    tokens_file.chmod(0o640)
    with pytest.raises(FileProblems, match="chmod 600"):
        read_tokens(tokens_file)
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(tokens_file.parent))  # systemd closes it by an access list
    assert read_tokens(tokens_file)


@pytest.mark.parametrize(
    ("text", "names", "hosts"),
    [
        ("192.168.1.5:8080", (), {"192.168.1.5:8080"}),
        ("[fd00::5]:8080", ("Bar",), {"[fd00::5]:8080", "bar:8080"}),
        ("0.0.0.0:80", ("bar",), {"bar:80", "bar"}),
    ],
)
def test_the_host_names_answered_follow_from_the_listen_address(text, names, hosts):
    assert place(text, names).hosts == hosts


@pytest.mark.parametrize("text", ["8080", "bar:8080", "192.168.1.5", "192.168.1.5:0", "192.168.1.5:x", "0.0.0.0:80"])
def test_an_invalid_listen_address_is_refused(text):
    with pytest.raises(ValueError):
        place(text, ())
