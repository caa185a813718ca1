"""Handlers for stock, hygiene, guided sequences and the past."""

from starlette.requests import Request
from starlette.responses import Response

from controller.engine.engine import Engine
from controller.engine.http.asking import Asking, body_of, done, json_answer, query_of
from controller.engine.http.routes import PastQuery, UsageQuery
from controller.model.evening import (
    ChangeRequest,
    CloseRequest,
    EmptyRequest,
    RefillRequest,
    StockView,
    StockWeighingRequest,
)
from controller.model.requests import PourRequest


class EveningApi:
    """What people ask around the drinks themselves."""

    def __init__(self, engine: Engine, asking: Asking) -> None:
        self._engine, self._asking = engine, asking

    async def plan_of(self, request: Request) -> Response:
        """POST plans: the plan of a drink, scaled and changed as a pour may be."""
        asked = await body_of(request, PourRequest)
        return json_answer(await self._asking.judged(lambda: self._engine.plan(asked)))

    # --- stock

    async def stock(self, _request: Request) -> Response:
        """GET stock."""
        return json_answer(self._engine.stock.views())

    async def refill(self, request: Request) -> Response:
        """POST stock/LINE/refill: a fresh container of the same liquid."""
        asked = await body_of(request, RefillRequest, line=request.path_params["line"])
        return json_answer(self._engine.stock.refill(asked))

    async def weigh_container(self, request: Request) -> Response:
        """POST stock/LINE/weighing."""
        asked = await body_of(request, StockWeighingRequest, line=request.path_params["line"])
        return json_answer(self._engine.stock.weigh(asked))

    async def empty_container(self, request: Request) -> Response:
        """POST stock/LINE/empty."""
        asked = await body_of(request, EmptyRequest, line=request.path_params["line"])
        return json_answer(self._engine.stock.empty(asked))

    async def confirm_container(self, request: Request) -> Response:
        """POST stock/LINE/confirm."""
        line = request.path_params["line"]

        def is_known(_: StockView) -> bool:
            return self._engine.stock.view(line).is_known_to_guard

        await self._asking.command("assign", lambda: self._engine.stock.confirm(line), is_known)
        return json_answer(self._engine.stock.view(line))

    # --- hygiene and sequences

    async def hygiene(self, _request: Request) -> Response:
        """GET hygiene."""
        return json_answer(self._engine.hygiene.lines())

    async def hygiene_record(self, request: Request) -> Response:
        """GET hygiene/record?since_wall_s=S&until_wall_s=S."""
        query = query_of(request, PastQuery)
        record = self._engine.hygiene.record(query.since_wall_s, query.until_wall_s)
        return json_answer(await self._asking.sliced(record))

    async def sequences(self, _request: Request) -> Response:
        """GET sequences: those under way."""
        return json_answer(await self._asking.beside(self._engine.sequences.views))

    async def close(self, request: Request) -> Response:
        """POST sequences/close: begin the evening's end, or take it up."""
        asked = await body_of(request, CloseRequest)
        return json_answer(await self._asking.beside(lambda: self._engine.sequences.close(asked)))

    async def close_next(self, _request: Request) -> Response:
        """POST sequences/close/next: what the step asks of a person is done."""
        return await self._asking.begin(lambda: self._engine.sequences.next("close"))

    async def close_drop(self, _request: Request) -> Response:
        """POST sequences/close/drop."""
        self._engine.sequences.drop("close")
        return done()

    async def change(self, request: Request) -> Response:
        """POST lines/LINE/change: begin a change of liquid, or take it up."""
        asked = await body_of(request, ChangeRequest, line=request.path_params["line"])
        return json_answer(await self._asking.beside(lambda: self._engine.sequences.change(asked)))

    async def change_next(self, request: Request) -> Response:
        """POST lines/LINE/change/next: what the step asks of a person is done."""
        line = request.path_params["line"]
        return await self._asking.begin(lambda: self._engine.sequences.next("change", line))

    async def change_drop(self, request: Request) -> Response:
        """POST lines/LINE/change/drop."""
        self._engine.sequences.drop("change", request.path_params["line"])
        return done()

    # --- the past

    async def usage(self, request: Request) -> Response:
        """GET usage: what went through, by evening and liquid."""
        query = query_of(request, UsageQuery)
        usage = self._engine.past.usage(
            since_wall_s=query.since_wall_s,
            until_wall_s=query.until_wall_s,
            liquid=query.liquid,
            recipe=query.recipe,
            line=query.line,
        )
        return json_answer(await self._asking.sliced(usage))

    async def refusals(self, request: Request) -> Response:
        """GET refusals: how often each rule refused."""
        query = query_of(request, PastQuery)
        refusals = self._engine.past.refusals(since_wall_s=query.since_wall_s, until_wall_s=query.until_wall_s)
        return json_answer(await self._asking.sliced(refusals))
