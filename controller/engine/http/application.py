"""The engine's HTTP interface, version 1: JSON in, JSON out, problem details for every refusal.

Everything stands under /v1 save /healthz. Requests that begin an operation are answered when the guard has admitted
or refused it (202 with the operation, or a problem), at the latest after two seconds.
"""

from collections.abc import Awaitable, Callable

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
from controller.engine.http.asking import Asking, body_of, done, json_answer, query_of
from controller.engine.http.evening import EveningApi
from controller.engine.http.events import EventRing
from controller.engine.http.openapi import openapi_text
from controller.engine.http.page import page_routes
from controller.engine.http.problems import PROBLEMS, Problem, from_error, plain_problem, problem
from controller.engine.http.routes import ADDRESSES, METRICS_TYPE, Access, Health, HistoryQuery, PlanQuery, ProblemType
from controller.engine.metrics import Metrics
from controller.engine.reloading import Reloading
from controller.errors import Refused, TundishError
from controller.ledger.records import Wanted
from controller.model.messages import CONTAINER
from controller.model.requests import (
    AcknowledgeRequest,
    AssignRequest,
    CalibrationRequest,
    GlassesRequest,
    JogAnswerRequest,
    JogRequest,
    LineRequest,
    PourRequest,
    SpotCheckRequest,
    TogetherRequest,
    TrialRequest,
    TrialsRequest,
    WeighingRequest,
)
from controller.model.views import FitView, SagView
from controller.model.weighing import StrikeRequest

Handler = Callable[[Request], Awaitable[Response]]


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


class Api(EveningApi):
    """Handlers of the routes. `nudge` lets the engine do what is due after each request that may change something."""

    def __init__(
        self, engine: Engine, ring: EventRing, nudge: Callable[[], None], metrics: Metrics, reloading: Reloading | None
    ) -> None:
        super().__init__(engine, Asking(engine, nudge))
        self._ring, self._nudge, self._metrics, self._reloading = ring, nudge, metrics, reloading

    async def health(self, _request: Request) -> Response:
        """Whether this process answers, and whether it reaches the guard."""
        connected = self._engine.status().guard_connected
        return json_answer(Health(guard_connected=connected), 200 if connected else 503)

    async def metrics(self, _request: Request) -> Response:
        """Figures for a monitoring system."""
        await self._metrics.load()
        return Response(self._metrics.text(), media_type=METRICS_TYPE)

    async def access(self, request: Request) -> Response:
        """GET access: whose token it is."""
        return json_answer(Access(role=request.scope.get("role") or "operator"))

    async def status(self, _request: Request) -> Response:
        """GET status."""
        return json_answer(self._engine.status())

    async def menu(self, _request: Request) -> Response:
        """GET menu."""
        return json_answer(await self._asking.judged(self._engine.menu))

    async def names(self, _request: Request) -> Response:
        """GET names."""
        return json_answer(self._engine.names())

    async def plan(self, request: Request) -> Response:
        """GET plan?recipe=NAME&times=N."""
        query = query_of(request, PlanQuery)
        return json_answer(
            await self._asking.judged(lambda: self._engine.plan(PourRequest(recipe=query.recipe, times=query.times)))
        )

    async def pour(self, request: Request) -> Response:
        """POST pours; the header Idempotency-Key stands for `key`."""
        asked = await body_of(request, PourRequest)
        key = request.headers.get("idempotency-key", "").strip('"') or None
        if key is not None and asked.key not in (None, key):
            raise Problem("invalid", "the header Idempotency-Key and the member key differ: send one of them")
        asked = msgspec.convert(msgspec.structs.asdict(asked) | {"key": key or asked.key}, PourRequest)
        if request.scope.get("role") == "guest":
            await self._require_on_offer(asked)
        return await self._asking.begin(lambda: self._engine.pour(asked))

    async def _require_on_offer(self, asked: PourRequest) -> None:
        """A guest may ask for what the menu offers at this moment, as it is."""
        offered = {one.recipe for one in await self._asking.judged(self._engine.menu) if not one.missing}
        as_it_is = PourRequest(recipe=asked.recipe, key=asked.key, times=asked.times, empty_glass=asked.empty_glass)
        if asked.empty_glass and not self._engine.may_guests_vouch:
            raise Problem("not-for-guests", "whether an empty glass stands under the outlet is for the operator to say")
        if asked.recipe not in offered or asked.times not in (None, 1.0) or asked != as_it_is:
            raise Problem("not-for-guests", "a guest may ask for what the menu offers now, in its own size")

    async def run_lines(self, request: Request) -> Response:
        """POST line-operations."""
        asked = await body_of(request, LineRequest)
        return await self._asking.begin(lambda: self._engine.run_lines(asked))

    async def trial(self, request: Request) -> Response:
        """POST trials."""
        asked = await body_of(request, TrialRequest)
        return await self._asking.begin(lambda: self._engine.trial(asked))

    async def jog(self, request: Request) -> Response:
        """POST jogs."""
        asked = await body_of(request, JogRequest)
        return await self._asking.begin(lambda: self._engine.jog(asked))

    async def jogs(self, _request: Request) -> Response:
        """GET jogs: which lines somebody has seen move the right way."""
        return json_answer(self._engine.jogs())

    async def answer_jog(self, request: Request) -> Response:
        """POST jogs/answers."""
        return json_answer(self._engine.answer_jog(await body_of(request, JogAnswerRequest)))

    async def weigh(self, request: Request) -> Response:
        """POST weighings."""
        asked = await body_of(request, WeighingRequest)
        self._engine.calibrating.record_weight(asked)
        return json_answer(await self._asking.beside(lambda: self._engine.calibrating.fit(asked.line)))

    async def weigh_rows(self, request: Request) -> Response:
        """POST calibrations/LINE/trials: trials that were run and weighed earlier."""
        asked = await body_of(request, TrialsRequest, line=request.path_params["line"])
        if not asked.accept:
            self._engine.calibrating.record_weights(asked)
            return json_answer(await self._asking.beside(lambda: self._engine.calibrating.fit(asked.line)))
        return json_answer(
            await self._asking.command(
                "take_calibration", lambda: self._engine.calibrating.weigh_rows(asked), self._took
            )
        )

    async def strike_trial(self, request: Request) -> Response:
        """POST calibrations/LINE/trials/strike."""
        asked = await body_of(request, StrikeRequest, line=request.path_params["line"])
        return json_answer(await self._asking.beside(lambda: self._engine.calibrating.strike_trial(asked)))

    async def strike_spot_check(self, request: Request) -> Response:
        """POST spot-checks/LINE/strike."""
        self._engine.calibrating.strike_spot_check(request.path_params["line"])
        return done()

    async def weigh_sag_trials(self, request: Request) -> Response:
        """POST weighings/together: several lines' one jar, which teaches the sag."""
        asked = await body_of(request, TogetherRequest)

        def took(view: SagView) -> bool:
            known = {one.line: one.calibration for one in self._engine.status().lines}
            return all((found := known[line]) is not None and found.sag_per_a == view.sag_per_a for line in view.lines)

        return json_answer(
            await self._asking.command(
                "take_calibration", lambda: self._engine.calibrating.weigh_sag_trials(asked), took
            )
        )

    async def spot_check(self, request: Request) -> Response:
        """POST spot-checks."""
        return json_answer(self._engine.calibrating.spot_check(await body_of(request, SpotCheckRequest)))

    async def calibration_history(self, request: Request) -> Response:
        """GET calibrations/LINE/history, oldest first."""
        return json_answer(self._engine.calibrating.calibrations(request.path_params["line"]))

    async def fit(self, request: Request) -> Response:
        """GET calibrations/LINE."""
        return json_answer(await self._asking.beside(lambda: self._engine.calibrating.fit(request.path_params["line"])))

    async def settle_calibration(self, request: Request) -> Response:
        """POST calibrations/LINE: accept or throw away the present fit."""
        asked = await body_of(request, CalibrationRequest, line=request.path_params["line"])
        if not asked.accept:
            return json_answer(await self._asking.beside(lambda: self._engine.calibrating.settle(asked)))
        return json_answer(
            await self._asking.command("take_calibration", lambda: self._engine.calibrating.settle(asked), self._took)
        )

    async def assign(self, request: Request) -> Response:
        """PUT lines/LINE: a container now hangs on this line."""
        asked = await body_of(request, AssignRequest, line=request.path_params["line"])

        def hangs(_: None) -> bool:
            hung = {one.line: one.liquid or "" for one in self._engine.status().lines}
            return hung.get(asked.line, "").casefold() == asked.liquid.casefold()

        await self._asking.command("assign", lambda: self._engine.assign(asked), hangs)
        return done()

    async def operations(self, request: Request) -> Response:
        """GET operations?limit=N, newest first, by many sides."""
        query = query_of(request, HistoryQuery)
        page = self._engine.past.page(Wanted(**msgspec.structs.asdict(query)))
        return json_answer(await self._asking.sliced(page))

    async def operation(self, request: Request) -> Response:
        """GET operations/ID."""
        return json_answer(self._engine.operation(request.path_params["operation"]))

    async def operation_plan(self, request: Request) -> Response:
        """GET operations/ID/plan."""
        return json_answer(self._engine.plan_under_way(request.path_params["operation"]))

    async def confirm(self, request: Request) -> Response:
        """POST operations/ID/confirm: the hand step is done. Whoever may pour may say so; containers are not theirs."""
        operation = request.path_params["operation"]
        current = self._engine.status().operation
        waits = (current.waiting_for if current is not None else None) or ""
        if request.scope.get("role") == "guest" and waits.startswith(CONTAINER):
            raise Problem("not-for-guests", "a guest may confirm a hand step, not a change of container")
        await self._asking.beside(lambda: self._engine.confirm(operation))
        self._nudge()
        return done()

    async def reload(self, _request: Request) -> Response:
        """POST book/reload."""
        if self._reloading is None:
            raise Refused(rule="book", reason="this engine was not started from files.")
        return json_answer(await self._reloading.again())

    async def confirm_glasses(self, request: Request) -> Response:
        """POST book/glasses."""
        if self._reloading is None:
            raise Refused(rule="book", reason="this engine was not started from files.")
        await self._reloading.confirm_glasses(await body_of(request, GlassesRequest))
        return done()

    async def stop(self, _request: Request) -> Response:
        """POST stop: everything off. Takes no body, so that nothing can be wrong with it."""
        self._engine.stop()
        self._nudge()
        return done()

    async def acknowledge(self, request: Request) -> Response:
        """POST acknowledge: a person has seen to the latched cause."""
        asked = await body_of(request, AcknowledgeRequest)
        await self._asking.command(
            "acknowledge", lambda: self._engine.acknowledge(asked), lambda _: self._engine.status().fault is None
        )
        return done()

    async def events(self, request: Request) -> Response:
        """GET events: server-sent events, resumed after the header Last-Event-ID."""
        if self._ring.is_full:
            raise Problem("busy", "too many event streams are open: close one")
        frames = self._ring.stream(request.headers.get("last-event-id"))
        return StreamingResponse(frames, media_type="text/event-stream", headers={"cache-control": "no-store"})

    async def openapi(self, _request: Request) -> Response:
        """GET openapi.json."""
        described = await self._asking.beside(lambda: self._engine.work(openapi_text))
        return Response(described, media_type="application/json")

    async def problem_type(self, request: Request) -> Response:
        """GET problems/NAME: what a problem type means."""
        status, title = PROBLEMS[request.path_params["name"]]
        return json_answer(ProblemType(status=status, title=title))

    def _took(self, view: FitView) -> bool:
        """Whether the guard now works with the calibration of this view."""
        wanted = view.calibration
        return any(
            one.line == view.line
            and wanted is not None
            and one.calibration is not None
            and (one.calibration.flow_ml_s, one.calibration.lag_s) == (wanted.flow_ml_s, wanted.lag_s)
            for one in self._engine.status().lines
        )


def application(
    engine: Engine,
    ring: EventRing,
    nudge: Callable[[], None],
    metrics: Metrics | None = None,
    reloading: Reloading | None = None,
) -> Starlette:
    """The whole interface; `ring` must already hear the engine's changes, and `metrics` the guard's events."""
    metrics = metrics or Metrics(engine, RealClock())
    api = Api(engine, ring, nudge, metrics, reloading)

    routes = [
        Route(
            address.path.replace("{line}", "{line:number}"),
            _guarded(getattr(api, address.handler), metrics),
            methods=[address.method],
        )
        for address in ADDRESSES
    ]
    return Starlette(routes=[*routes, *page_routes()], exception_handlers={HTTPException: _http_error})


def _guarded(handler: Handler, metrics: Metrics) -> Handler:
    """The handler, with everything that it may raise turned into problem details."""

    async def answer(request: Request) -> Response:
        try:
            return await handler(request)
        except Problem as told:
            return problem(told.name, told.detail)
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
