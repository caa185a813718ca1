"""The engine's HTTP interface, version 1: JSON in, JSON out, problem details for every refusal.

Everything stands under /v1 save /healthz. Requests that begin an operation are answered when the guard has admitted
or refused it (202 with the operation, or a problem), at the latest after two seconds.
"""

import math
import re
from collections.abc import Awaitable, Callable, Generator
from functools import partial
from typing import Any

import msgspec
import structlog
from starlette.applications import Starlette
from starlette.convertors import Convertor, register_url_convertor
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import Response, StreamingResponse
from starlette.routing import Route

from controller.clock import RealClock
from controller.engine.engine import Engine
from controller.engine.http.addresses import Address, Ask
from controller.engine.http.asking import Asking, body_of, done, json_answer, query_of
from controller.engine.http.events import STREAM_S, EventRing
from controller.engine.http.network import Network, NetworkApi
from controller.engine.http.openapi import openapi_text
from controller.engine.http.orders import OrdersApi, owner_of
from controller.engine.http.page import page_routes
from controller.engine.http.problems import PROBLEMS, HttpProblem, from_error, plain_problem, problem
from controller.engine.http.routes import ADDRESSES, METRICS_TYPE, Access, Health, ProblemType
from controller.engine.metrics import Metrics
from controller.engine.reloading import Reloading
from controller.errors import Refused, TundishError
from controller.model.requests import GlassesRequest, PourRequest

Handler = Callable[[Request], Awaitable[Response]]
NUMBERED = re.compile(r"{(line|order)}")  # parameters of paths that are numbers


class NumberInPath(Convertor[int]):
    """A number in an address. One with more digits than any of ours can have is an address that is not there."""

    regex = "[0-9]{1,9}"

    def convert(self, value: str) -> int:
        """The number."""
        return int(value)

    def to_string(self, value: int) -> str:
        """Its digits."""
        return str(value)


register_url_convertor("number", NumberInPath())


class Api(OrdersApi, NetworkApi):
    """Answers requests: a row of the table says what the engine is asked, else the method that has the row's name.

    `nudge` lets the engine do what is due after each request that may change something.
    """

    def __init__(
        self,
        engine: Engine,
        ring: EventRing,
        nudge: Callable[[], None],
        *,
        metrics: Metrics,
        reloading: Reloading | None,
        network: Network | None,
    ) -> None:
        self._engine, self._asking, self._nudge = engine, Asking(engine, nudge), nudge
        self._ring, self._metrics, self._reloading, self._network = ring, metrics, reloading, network

    async def answer(self, address: Address, asks: Ask, request: Request) -> Response:
        """Answer by the row alone."""
        asked, engine = await _asked(address, request), self._engine
        ask = partial(asks, engine, asked)
        if address.status == 202:
            return await self._asking.begin(ask)
        if address.command is not None:
            is_done, waits_for = address.command.is_done, address.command.waits_for
            ask = partial(ask, engine.now_s()) if waits_for else ask
            result = await self._asking.command(
                address.command.tag, ask, lambda got: is_done(engine, asked, got), waits_for=waits_for
            )
        else:
            result = await (self._asking.judged if address.is_judged else self._asking.beside)(ask)
            if isinstance(result, Generator):
                result = await self._asking.sliced(result)
            if address.method != "GET":
                self._nudge()
        if result is None and address.then is not None:
            result = await self._asking.beside(partial(address.then, engine, asked))
        return done() if address.answers is None else json_answer(result)

    # --- what a row alone does not say

    async def health(self, _request: Request) -> Response:
        """Whether this process answers, and whether it reaches the guard."""
        connected = self._engine.status().guard_connected
        return json_answer(Health(guard_connected=connected), 200 if connected else 503)

    async def metrics(self, _request: Request) -> Response:
        """Figures for a monitoring system."""
        await self._metrics.load()
        return Response(self._metrics.text(), media_type=METRICS_TYPE)

    async def access(self, request: Request) -> Response:
        """Whose token it is."""
        return json_answer(Access(role=request.scope.get("role") or "operator"))

    async def pour(self, request: Request) -> Response:
        """The header Idempotency-Key stands for `key`."""
        asked = await body_of(request, PourRequest)
        key = request.headers.get("idempotency-key", "").strip('"') or None
        if key is not None and asked.key not in (None, key):
            raise HttpProblem("invalid", "the header Idempotency-Key and the member key differ: send one of them")
        asked = msgspec.convert(msgspec.structs.asdict(asked) | {"key": key or asked.key}, PourRequest)
        return await self._asking.begin(lambda: self._engine.pour(asked))

    async def reload(self, _request: Request) -> Response:
        """Both processes read the book's file."""
        return json_answer(await self._require_files().again())

    async def confirm_glasses(self, request: Request) -> Response:
        """The guard is asked again, with the glasses that were confirmed."""
        await self._require_files().confirm_glasses(await body_of(request, GlassesRequest))
        return done()

    def _require_files(self) -> Reloading:
        if self._reloading is None:
            raise Refused(rule="book", reason="this engine was not started from files.")
        return self._reloading

    async def events(self, request: Request) -> Response:
        """Server-sent events, resumed after the header Last-Event-ID."""
        owner = owner_of(request)
        if self._ring.is_full(owner):
            raise HttpProblem("busy", "too many event streams are open: close one")
        lasts_s = STREAM_S if request.scope.get("role") else math.inf
        frames = self._ring.stream(request.headers.get("last-event-id"), owner, lasts_s)
        return StreamingResponse(frames, media_type="text/event-stream", headers={"cache-control": "no-store"})

    async def openapi(self, _request: Request) -> Response:
        """The table as OpenAPI; written outside the loop."""
        described = await self._asking.beside(lambda: self._engine.work(openapi_text))
        return Response(described, media_type="application/json")

    async def problem_type(self, request: Request) -> Response:
        """The status and title of a problem type."""
        status, title = PROBLEMS[request.path_params["name"]]
        return json_answer(ProblemType(status=status, title=title))


async def _asked(address: Address, request: Request) -> Any:
    """The body with what the path says, the query, or the path's parameter."""
    if address.takes is not None:
        return await body_of(request, address.takes, **request.path_params)
    if address.query is not None:
        return query_of(request, address.query)
    return next(iter(request.path_params.values()), None)


def application(
    engine: Engine,
    ring: EventRing,
    nudge: Callable[[], None],
    *,
    metrics: Metrics | None = None,
    reloading: Reloading | None = None,
    network: Network | None = None,
) -> Starlette:
    """The whole interface; `ring` must already hear the engine's changes, and `metrics` the guard's events."""
    metrics = metrics or Metrics(engine, RealClock())
    api = Api(engine, ring, nudge, metrics=metrics, reloading=reloading, network=network)

    def handler(address: Address) -> Handler:
        by_row = address.ask and partial(api.answer, address, address.ask)
        return _guarded(by_row or getattr(api, address.name), metrics)

    routes = [
        Route(NUMBERED.sub(r"{\1:number}", address.path), handler(address), methods=[address.method])
        for address in ADDRESSES
    ]
    return Starlette(routes=[*routes, *page_routes()], exception_handlers={HTTPException: _http_error})


def _guarded(handler: Handler, metrics: Metrics) -> Handler:
    """The handler, with everything that it may raise turned into problem details."""

    async def answer(request: Request) -> Response:
        try:
            return await handler(request)
        except HttpProblem as known:
            return problem(known.name, known.detail)
        except TundishError as error:
            if isinstance(error, Refused):
                metrics.refused(error.rule)
            return from_error(error)
        except KeyError as error:
            return problem("unknown", f"{error.args[0] if error.args else 'this'!r} is not known")
        except msgspec.ValidationError as error:
            return problem("invalid", str(error))
        except msgspec.DecodeError as error:
            return problem("malformed", f"the body is not JSON that can be read: {error}")
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
