"""The engine's HTTP interface, version 1: JSON in, JSON out, problem details for every refusal.

Everything stands under /v1 save /healthz. Requests that begin an operation are answered when the guard has admitted
or refused it (202 with the operation, or a problem), at the latest after SETTLE_S.
"""

import asyncio
from collections.abc import Awaitable, Callable
from typing import Any, Protocol, TypeVar

import msgspec
import structlog
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import Response, StreamingResponse
from starlette.routing import Route

from controller.engine.http_events import EventRing, Source
from controller.engine.http_problems import PROBLEMS, Problem, from_error, plain_problem, problem, refused
from controller.errors import TundishError
from controller.model.fields import Value
from controller.model.views import (
    AcknowledgeRequest,
    Asked,
    AssignRequest,
    CalibrationRequest,
    FitView,
    JogRequest,
    LineRequest,
    MenuEntry,
    OperationView,
    PlanView,
    PourRequest,
    Status,
    TrialRequest,
    WeighingRequest,
)

BODY_BYTES = 64 * 1024
SETTLE_S = 2.0  # longest wait for the guard's word before answering
HISTORY = 50  # operations, unless asked otherwise
HISTORY_MOST = 1000

T = TypeVar("T", bound=Value)
Handler = Callable[[Request], Awaitable[Response]]


class Core(Source, Protocol):
    """The engine's core, as the HTTP interface needs it. Raises TundishError, and KeyError for an unknown name."""

    def menu(self) -> tuple[MenuEntry, ...]: ...  # noqa: D102 -- described at controller.engine.engine.Engine
    def plan(self, recipe: str, times: float) -> PlanView: ...  # noqa: D102
    def pour(self, request: PourRequest) -> Asked: ...  # noqa: D102
    def run_lines(self, request: LineRequest) -> Asked: ...  # noqa: D102
    def trial(self, request: TrialRequest) -> Asked: ...  # noqa: D102
    def jog(self, request: JogRequest) -> Asked: ...  # noqa: D102
    def weigh(self, request: WeighingRequest) -> FitView: ...  # noqa: D102
    def fit(self, line: int) -> FitView: ...  # noqa: D102
    def settle_calibration(self, request: CalibrationRequest) -> FitView: ...  # noqa: D102
    def assign(self, request: AssignRequest) -> None: ...  # noqa: D102
    def confirm(self, operation: str) -> None: ...  # noqa: D102
    def stop(self) -> None: ...  # noqa: D102
    def acknowledge(self, request: AcknowledgeRequest) -> None: ...  # noqa: D102
    def history(self, limit: int) -> tuple[OperationView, ...]: ...  # noqa: D102
    def subscribe(self, callback: Callable[[OperationView | Status], None]) -> Callable[[], None]: ...  # noqa: D102


class Api:
    """Handlers of the routes. `nudge` lets the engine do what is due after each request that may change something."""

    def __init__(self, engine: Core, ring: EventRing, nudge: Callable[[], None]) -> None:
        self._engine, self._ring, self._nudge = engine, ring, nudge

    async def health(self, _request: Request) -> Response:
        """Whether this process answers, and whether it reaches the guard."""
        connected = self._engine.status().guard_connected
        return _json({"guard_connected": connected}, 200 if connected else 503)

    async def status(self, _request: Request) -> Response:
        """GET status."""
        return _json(self._engine.status())

    async def menu(self, _request: Request) -> Response:
        """GET menu."""
        return _json(self._engine.menu())

    async def plan(self, request: Request) -> Response:
        """GET plan?recipe=NAME&times=N."""
        query = msgspec.convert(dict(request.query_params), PourRequest, strict=False)
        return _json(self._engine.plan(query.recipe, query.times))

    async def pour(self, request: Request) -> Response:
        """POST pours; the header Idempotency-Key stands for `key`."""
        asked = await _body(request, PourRequest)
        key = request.headers.get("idempotency-key", "").strip('"') or None
        if key is not None and asked.key not in (None, key):
            raise Problem("invalid", "the header Idempotency-Key and the member key differ: send one of them")
        asked = msgspec.convert(msgspec.structs.asdict(asked) | {"key": key or asked.key}, PourRequest)
        return await self._begin(lambda: self._engine.pour(asked))

    async def run_lines(self, request: Request) -> Response:
        """POST line-operations."""
        asked = await _body(request, LineRequest)
        return await self._begin(lambda: self._engine.run_lines(asked))

    async def trial(self, request: Request) -> Response:
        """POST trials."""
        asked = await _body(request, TrialRequest)
        return await self._begin(lambda: self._engine.trial(asked))

    async def jog(self, request: Request) -> Response:
        """POST jogs."""
        asked = await _body(request, JogRequest)
        return await self._begin(lambda: self._engine.jog(asked))

    async def weigh(self, request: Request) -> Response:
        """POST weighings."""
        return self._changed(self._engine.weigh(await _body(request, WeighingRequest)))

    async def fit(self, request: Request) -> Response:
        """GET calibrations/LINE."""
        return _json(self._engine.fit(request.path_params["line"]))

    async def settle_calibration(self, request: Request) -> Response:
        """POST calibrations/LINE: accept or throw away the present fit."""
        asked = await _body(request, CalibrationRequest, line=request.path_params["line"])
        return self._changed(self._engine.settle_calibration(asked))

    async def assign(self, request: Request) -> Response:
        """PUT lines/LINE: a container now hangs on this line."""
        self._engine.assign(await _body(request, AssignRequest, line=request.path_params["line"]))
        return self._changed()

    async def operations(self, request: Request) -> Response:
        """GET operations?limit=N, newest first."""
        text = request.query_params.get("limit", str(HISTORY))
        if not text.isdecimal() or not 1 <= int(text) <= HISTORY_MOST:
            raise Problem("invalid", f"limit must be a whole number from 1 to {HISTORY_MOST}, got {text!r}")
        return _json(self._engine.history(int(text)))

    async def operation(self, request: Request) -> Response:
        """GET operations/ID."""
        return _json(self._engine.operation(request.path_params["operation"]))

    async def confirm(self, request: Request) -> Response:
        """POST operations/ID/confirm: the hand step is done."""
        self._engine.confirm(request.path_params["operation"])
        return self._changed()

    async def stop(self, _request: Request) -> Response:
        """POST stop: everything off. Takes no body, so that nothing can be wrong with it."""
        self._engine.stop()
        return self._changed()

    async def acknowledge(self, request: Request) -> Response:
        """POST acknowledge: a person has seen to the latched cause."""
        self._engine.acknowledge(await _body(request, AcknowledgeRequest))
        return self._changed()

    async def events(self, request: Request) -> Response:
        """GET events: server-sent events, resumed after the header Last-Event-ID."""
        if self._ring.is_full:
            raise Problem("busy", "too many event streams are open: close one")
        frames = self._ring.stream(request.headers.get("last-event-id"))
        return StreamingResponse(frames, media_type="text/event-stream", headers={"cache-control": "no-store"})

    async def problem_type(self, request: Request) -> Response:
        """GET problems/NAME: what a problem type means."""
        status, title = PROBLEMS[request.path_params["name"]]
        return _json({"status": status, "title": title})

    def _changed(self, view: Value | None = None) -> Response:
        self._nudge()
        return Response(status_code=204) if view is None else _json(view)

    async def _begin(self, ask: Callable[[], Asked]) -> Response:
        """Ask, wait for the guard's word, and answer with the operation or the refusals."""
        news = asyncio.Event()
        unsubscribe = self._engine.subscribe(lambda _view: news.set())
        try:
            operation = ask().operation
            self._nudge()
            view = self._engine.operation(operation)
            async with asyncio.timeout(SETTLE_S):
                while not (view.admitted or view.refused or view.outcome):
                    await news.wait()
                    news.clear()
                    view = self._engine.operation(operation)
        except TimeoutError:
            pass  # the answer then says admitted: false, and the operation can be followed
        finally:
            unsubscribe()
        if view.refused:
            return refused(view.refused)
        return _json(view, 202, {"location": f"/v1/operations/{operation}"})


def application(engine: Core, ring: EventRing, nudge: Callable[[], None]) -> Starlette:
    """The whole interface; `ring` must already hear the engine's changes."""
    api = Api(engine, ring, nudge)

    def route(path: str, method: str, handler: Handler) -> Route:
        return Route(f"/v1/{path}", _guarded(handler), methods=[method])

    routes = [
        Route("/healthz", _guarded(api.health), methods=["GET"]),
        route("status", "GET", api.status),
        route("menu", "GET", api.menu),
        route("plan", "GET", api.plan),
        route("pours", "POST", api.pour),
        route("line-operations", "POST", api.run_lines),
        route("trials", "POST", api.trial),
        route("jogs", "POST", api.jog),
        route("weighings", "POST", api.weigh),
        route("calibrations/{line:int}", "GET", api.fit),
        route("calibrations/{line:int}", "POST", api.settle_calibration),
        route("lines/{line:int}", "PUT", api.assign),
        route("operations", "GET", api.operations),
        route("operations/{operation}", "GET", api.operation),
        route("operations/{operation}/confirm", "POST", api.confirm),
        route("stop", "POST", api.stop),
        route("acknowledge", "POST", api.acknowledge),
        route("events", "GET", api.events),
        route("problems/{name}", "GET", api.problem_type),
    ]
    return Starlette(routes=routes, exception_handlers={HTTPException: _http_error})


def _guarded(handler: Handler) -> Handler:
    """The handler, with everything that it may raise turned into problem details."""

    async def answer(request: Request) -> Response:
        try:
            return await handler(request)
        except Problem as told:
            return problem(told.name, told.detail)
        except TundishError as error:
            return from_error(error)
        except KeyError as error:
            return problem("unknown", f"{error.args[0] if error.args else 'this'!r} is not known")
        except msgspec.ValidationError as error:
            return problem("invalid", str(error))
        except msgspec.DecodeError as error:
            return problem("malformed", f"the body is not JSON: {error}")
        except ClientDisconnect:
            return Response(status_code=400)  # nobody reads it
        except Exception:
            structlog.get_logger().exception("request_failed", method=request.method, path=request.url.path)
            return problem("internal", "the engine failed on this request; its log says how")

    return answer


async def _http_error(_request: Request, error: Exception) -> Response:
    """Errors of the routing itself: no such address, or not with this method."""
    if not isinstance(error, HTTPException):
        raise error
    return plain_problem(error.status_code, error.detail, dict(error.headers or {}))


async def _body(request: Request, kind: type[T], **from_path: Any) -> T:
    """The request's JSON body as a value; members given by the path may be left out of it but not differ."""
    if request.headers.get("content-type", "").split(";")[0].strip().lower() != "application/json":
        raise Problem("media-type", "send the body as JSON, with the header Content-Type: application/json")
    raw = bytearray()
    async for chunk in request.stream():
        raw += chunk
        if len(raw) > BODY_BYTES:
            raise Problem("too-large", f"the body is larger than {BODY_BYTES // 1024} KiB")
    members = msgspec.json.decode(raw, type=dict[str, Any])
    for name, value in from_path.items():
        if members.setdefault(name, value) != value:
            raise Problem("invalid", f"{name} is {members[name]!r} in the body and {value!r} in the address")
    return msgspec.convert(members, kind)


def _json(value: Any, status: int = 200, headers: dict[str, str] | None = None) -> Response:
    return Response(msgspec.json.encode(value), status, headers=headers, media_type="application/json")
