"""The HTTP interface against an engine that answers as told."""

import asyncio
import json
from urllib.parse import urlencode

import msgspec
import pytest

from controller.engine.background import Work
from controller.engine.http.application import application
from controller.engine.http.asking import BODY_BYTES
from controller.engine.http.events import EventRing
from controller.errors import FaultLatched, IllegalTransition, OutOfRange, RecordError, Refused, Unreachable
from controller.model.messages import Refusal
from controller.model.requests import PourRequest
from controller.model.states import Contents, MachineState, OperationKind
from controller.model.views import Asked, LineView, OperationView, Status


def operation_view(operation="op1", **changes):
    values = {
        "operation": operation,
        "kind": OperationKind.SERVE,
        "recipe": "orchard cooler",
        "times": 1.0,
        "admitted": True,
        "refused": (),
        "waiting_for": None,
        "outcome": None,
        "reason": "",
        "lines": (),
        "elapsed_s": 0.0,
        "planned_s": 12.0,
    }
    return OperationView(**values | changes)


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


class FakeEngine:
    """Notes what was asked; answers with `view`, or raises `error`."""

    def __init__(self):
        self.asked = []
        self.view = operation_view()
        self.error = None
        self.after_ask = lambda: None
        self.callbacks = []
        self.answers = {}
        self.present = STATUS
        self.work = Work()

    def status(self):
        return self.present

    def answer(self, command):
        return self.answers.get(command)

    def tell(self):
        for callback in self.callbacks:
            callback(self.view)

    def operation(self, operation):
        if operation != self.view.operation:
            raise KeyError(operation)
        return self.view

    @property
    def past(self):
        return self

    def page(self, wanted):
        self.asked.append(wanted)
        return (self.view,)

    def subscribe(self, callback):
        self.callbacks.append(callback)
        return lambda: self.callbacks.remove(callback)

    def _note(self, *asked):
        if self.error is not None:
            raise self.error
        self.asked.append(asked[0] if len(asked) == 1 else asked)
        self.after_ask()
        return Asked(operation="op1")

    is_judging = False

    @property
    def calibrating(self):
        return self

    pour = run_lines = trial = jog = weigh = plan = fit = settle = _note
    assign = confirm = acknowledge = stop = _note


@pytest.fixture
def engine():
    return FakeEngine()


@pytest.fixture
def nudges():
    return []


class Answer:
    """What an ASGI application sent back."""

    def __init__(self, messages):
        start, *bodies = messages
        self.status_code = start["status"]
        self.headers = {name.decode(): value.decode() for name, value in start["headers"]}
        self.text = b"".join(one.get("body", b"") for one in bodies).decode()

    def json(self):
        return json.loads(self.text)


class Client:
    """Speaks ASGI to the application, without a socket between."""

    def __init__(self, engine, nudge):
        self._app = application(engine, EventRing(engine), nudge)

    def get(self, path, **params):
        return self.request("GET", path, query=urlencode(params))

    def post(self, path, **changes):
        return self.request("POST", path, **changes)

    def put(self, path, **changes):
        return self.request("PUT", path, **changes)

    def request(self, method, path, *, query="", members=None, content=b"", headers=None):
        sent = {"content-type": "application/json"} | {name.lower(): text for name, text in (headers or {}).items()}
        scope = {
            "type": "http",
            "asgi": {"version": "3.0"},
            "http_version": "1.1",
            "scheme": "http",
            "method": method,
            "path": path,
            "raw_path": path.encode(),
            "root_path": "",
            "query_string": query.encode(),
            "headers": [(name.encode(), text.encode()) for name, text in sent.items()],
            "client": None,
            "server": ("tundish", None),
        }
        body = content if members is None else json.dumps(members).encode()
        return asyncio.run(self._speak(scope, body))

    async def _speak(self, scope, body):
        chunks = [body[at : at + 4096] for at in range(0, len(body), 4096)] or [b""]
        incoming = [{"type": "http.request", "body": one, "more_body": True} for one in chunks]
        incoming[-1]["more_body"] = False
        answer = []

        async def receive():
            return incoming.pop(0)

        async def send(message):
            answer.append(message)

        await self._app(scope, receive, send)
        return Answer(answer)


@pytest.fixture
def client(engine, nudges):
    return Client(engine, lambda: nudges.append(1))


def refusal(rule, reason="no"):
    return Refusal(request="op1", rule=rule, reason=reason, asked="31.2 g", allowed="20.0 g", remedy="Pour a single.")


def test_a_pour_is_answered_with_its_operation_once_the_guard_admits_it(client, engine, nudges):
    answer = client.post("/v1/pours", members={"recipe": "orchard cooler", "times": 2})
    assert answer.status_code == 202
    assert answer.headers["location"] == "/v1/operations/op1"
    assert msgspec.convert(answer.json(), OperationView).admitted
    assert (engine.asked[0].recipe, engine.asked[0].times) == ("orchard cooler", 2.0)
    assert nudges, "the engine must keep its deadlines after a request"
    assert engine.callbacks == [], "the request must not stay subscribed"


def test_the_answer_waits_for_the_guards_word(client, engine):
    """The engine first knows only that it asked; the guard's refusal comes with a later change."""
    engine.view = operation_view(admitted=False)

    def later():
        engine.view = operation_view(admitted=False, refused=(refusal("serving_ethanol"),))
        engine.tell()

    engine.after_ask = lambda: asyncio.get_running_loop().call_soon(later)
    answer = client.post("/v1/pours", members={"recipe": "sloe and tonic"})
    assert answer.status_code == 422


def test_an_operation_without_a_word_is_answered_as_not_yet_admitted(client, engine, monkeypatch):
    monkeypatch.setattr("controller.engine.http.asking.SETTLE_S", 0.02)
    engine.view = operation_view(admitted=False)
    answer = client.post("/v1/pours", members={"recipe": "orchard cooler"})
    assert (answer.status_code, answer.json()["admitted"]) == (202, False)


def test_a_cap_refuses_with_all_its_facts_and_all_refusals(client, engine):
    engine.view = operation_view(
        admitted=False, refused=(refusal("serving_ethanol", "too strong"), refusal("run_on", "too long"))
    )
    answer = client.post("/v1/pours", members={"recipe": "orchard cooler"})
    assert answer.status_code == 422
    assert answer.headers["content-type"] == "application/problem+json"
    body = answer.json()
    assert body["status"] == 422
    assert body["detail"] == "too strong; too long"
    assert (body["rule"], body["asked"], body["allowed"]) == ("serving_ethanol", "31.2 g", "20.0 g")
    assert body["remedy"] == "Pour a single."
    assert [one["rule"] for one in body["refusals"]] == ["serving_ethanol", "run_on"]


@pytest.mark.parametrize(
    ("error", "status", "name"),
    [
        (Refused(rule="contents", reason="line 3 is empty"), 409, "refused-now"),
        (Refused(rule="serving_volume", reason="too much"), 422, "refused"),
        (IllegalTransition("execute", "start"), 409, "illegal-transition"),
        (FaultLatched("stop pressed"), 409, "fault-latched"),
        (OutOfRange("times", 30.0, 0.0, 20.0, ""), 422, "invalid"),
        (Unreachable("the guard does not answer"), 503, "guard-unreachable"),
        (RecordError("disk full"), 500, "record"),
        (KeyError("no such recipe"), 404, "unknown"),
    ],
)
def test_every_expected_error_has_its_problem(client, engine, error, status, name):
    engine.error = error
    answer = client.post("/v1/pours", members={"recipe": "orchard cooler"})
    assert answer.status_code == answer.json()["status"] == status
    assert answer.json()["type"] == f"/v1/problems/{name}"
    assert client.get(answer.json()["type"]).json()["title"] == answer.json()["title"]


def test_an_error_in_the_engine_itself_tells_the_client_nothing_of_it(client, engine, capsys):
    engine.error = ZeroDivisionError("secret detail")
    answer = client.post("/v1/stop")
    assert answer.status_code == 500
    assert "secret" not in answer.text
    assert "Traceback" not in answer.text
    assert "secret detail" in capsys.readouterr().out, "the log has it"


@pytest.mark.parametrize(
    ("method", "path", "status"),
    [
        *(
            ("GET", "/nowhere", 404),
            ("GET", "/v1/pours", 405),
            ("DELETE", "/v1/status", 405),
            ("GET", "/v1/plan/x", 404),
        ),
        *(("GET", f"/v1/calibrations/{'9' * 5000}", 404), ("PUT", f"/v1/lines/{'9' * 5000}", 404)),
    ],
)
def test_wrong_addresses_and_methods_are_problems_too(client, method, path, status):
    answer = client.request(method, path)
    assert answer.status_code == answer.json()["status"] == status
    assert answer.headers["content-type"] == "application/problem+json"
    assert (status != 405) or answer.headers["allow"]


@pytest.mark.parametrize(
    ("body", "content_type", "status"),
    [
        (b"{", "application/json", 400),
        (b"", "application/json", 400),
        (b"\xff\xfe", "application/json", 400),
        (b"[]", "application/json", 422),
        (b"{}", "application/json", 422),
        (b'{"recipe": "a", "tmes": 2}', "application/json", 422),
        (b'{"recipe": "a", "times": "2"}', "application/json", 422),
        (b'{"recipe": "a", "times": 0}', "application/json", 422),
        (b'{"recipe": "a", "times": 1e999}', "application/json", 422),
        (b'{"recipe": "a", "times": NaN}', "application/json", 400),
        (b'{"recipe": "a"}', "text/plain", 415),
        (b'{"recipe": "a"}', "application/x-www-form-urlencoded", 415),
        (b" " * (BODY_BYTES + 1), "application/json", 413),
        (b'{"a":' * 5000, "application/json", 400),
        (b'{"recipe": "a", "x": ' + b"[" * 5000 + b"]" * 5000 + b"}", "application/json", 400),
        (b'{"recipe": "a", "times": ' + b"9" * 5000 + b"}", "application/json", 422),
    ],
)
def test_a_body_that_cannot_be_used_is_refused_and_reaches_nobody(client, engine, body, content_type, status):
    answer = client.post("/v1/pours", content=body, headers={"content-type": content_type})
    assert answer.status_code == status
    assert answer.headers["content-type"] == "application/problem+json"
    assert engine.asked == []


def test_a_body_of_exactly_the_limit_is_read(client, engine):
    body = b'{"recipe": "a"}'.ljust(BODY_BYTES)
    assert client.post("/v1/pours", content=body, headers={"content-type": "application/json"}).status_code == 202


def test_the_idempotency_key_comes_by_header_or_member_but_not_both_ways(client, engine):
    pour = {"recipe": "a"}
    client.post("/v1/pours", members=pour, headers={"Idempotency-Key": '"k-1"'})
    client.post("/v1/pours", members=pour | {"key": "k-2"})
    client.post("/v1/pours", members=pour | {"key": "k-3"}, headers={"Idempotency-Key": "k-3"})
    client.post("/v1/pours", members=pour)
    assert [one.key for one in engine.asked] == ["k-1", "k-2", "k-3", None]
    answer = client.post("/v1/pours", members=pour | {"key": "k-4"}, headers={"Idempotency-Key": "k-5"})
    assert answer.status_code == 422
    long_key = client.post("/v1/pours", members=pour, headers={"Idempotency-Key": "k" * 81})
    assert long_key.status_code == 422
    assert len(engine.asked) == 4


def hung(liquid):
    line = LineView(
        line=3, liquid=liquid, contents=Contents.EMPTY, holds=None, remaining_ml=None, calibration=None, note=""
    )
    return msgspec.structs.replace(STATUS, lines=(line,))


def test_a_command_is_answered_when_the_guard_has_taken_it(client, engine):
    def later():
        engine.present = hung("apple juice")
        engine.tell()

    engine.after_ask = lambda: asyncio.get_running_loop().call_soon(later)
    assert client.put("/v1/lines/3", members={"liquid": "apple juice", "container_ml": 1000}).status_code == 204
    assert engine.present.lines


def test_a_command_that_the_guard_refuses_is_a_problem(client, engine):
    def later():
        engine.answers["acknowledge"] = Refusal(request="acknowledge", rule="fault", reason="the stop is still pressed")
        engine.tell()

    engine.present = msgspec.structs.replace(STATUS, fault="stop pressed")
    engine.after_ask = lambda: asyncio.get_running_loop().call_soon(later)
    answer = client.post("/v1/acknowledge", members={"cause": "stop pressed"})
    assert (answer.status_code, answer.json()["detail"]) == (409, "the stop is still pressed")


def test_the_line_of_the_address_may_be_left_out_of_the_body_but_not_differ(client, engine):
    engine.present = hung("apple juice")
    hang = {"liquid": "apple juice", "container_ml": 1000}
    assert client.put("/v1/lines/3", members=hang).status_code == 204
    assert client.put("/v1/lines/3", members=hang | {"line": 3}).status_code == 204
    assert client.put("/v1/lines/3", members=hang | {"line": 4}).status_code == 422
    assert [one.line for one in engine.asked] == [3, 3]
    assert client.put("/v1/lines/three", members=hang).status_code == 404


def test_a_plan_is_asked_for_in_the_address(client, engine):
    assert client.get("/v1/plan", recipe="orchard cooler", times="2").status_code == 200
    assert engine.asked == [PourRequest(recipe="orchard cooler", times=2.0)]
    for wrong in ({}, {"recipe": "a", "times": "nan"}, {"recipe": "a", "times": "two"}, {"recipe": "a", "x": "1"}):
        assert client.get("/v1/plan", **wrong).status_code == 422


@pytest.mark.parametrize("limit", ["0", "-1", "1001", "ten", "1.5"])
def test_history_has_a_length_within_reason(client, engine, limit):
    assert client.get("/v1/operations", limit=limit).status_code == 422
    assert engine.asked == []


def test_an_unknown_operation_is_not_found(client):
    assert client.get("/v1/operations/op1").status_code == 200
    assert client.get("/v1/operations/op2").status_code == 404


def test_health_says_whether_the_guard_is_there(client, engine):
    assert client.get("/healthz").status_code == 200
    engine.present = msgspec.structs.replace(STATUS, guard_connected=False)
    assert client.get("/healthz").status_code == 503
