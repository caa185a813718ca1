"""What handlers of the HTTP interface share: reading requests, asking the engine, waiting for the guard's word."""

import asyncio
import contextlib
from collections.abc import Callable
from typing import Any, TypeVar

import msgspec
from starlette.requests import Request
from starlette.responses import Response

from controller.engine.engine import Engine
from controller.engine.http.problems import HttpProblem, refused
from controller.engine.slices import LoopTurns, Sliced
from controller.errors import Refused
from controller.model.decoding import decode
from controller.model.fields import Value
from controller.model.messages import Refusal
from controller.model.views import Asked

BODY_BYTES = 64 * 1024
JUDGED_S = 0.2  # longest wait for what the guard says of plans: a menu does not hang on it
SETTLE_S = 2.0  # longest wait for the guard's word before answering
PATIENCE_S, AGAIN_S = 12.0, 0.5  # longest wait for a rule that patience may satisfy, and between two looks

_members = msgspec.json.Decoder(dict[str, Any])

T = TypeVar("T", bound=Value)
Result = TypeVar("Result")


class Asking:
    """Asks the engine and waits until the guard has answered."""

    def __init__(self, engine: Engine, nudge: Callable[[], None]) -> None:
        self._engine, self._nudge, self._turns = engine, nudge, LoopTurns()

    def nudge(self) -> None:
        """Let the engine do what is due after something that may have changed it."""
        self._nudge()

    async def beside(self, ask: Callable[[], Result]) -> Result:
        """Ask for something that may take long; the long part of it is computed outside the loop."""
        return await self._engine.work.ask(ask)

    async def judged(self, ask: Callable[[], Result]) -> Result:
        """Ask for plans, then once more when the guard has said what it would refuse of them."""
        result = await self.beside(ask)
        if self._engine.is_judging:
            await self._until(lambda: None, lambda _: not self._engine.is_judging, within_s=JUDGED_S)
            result = await self.beside(ask)
        return result

    async def sliced(self, question: Sliced[Result]) -> Result:
        """Ask for something that can be long, of the engine's own records."""
        return await self._turns.answer(question)

    async def begin(self, ask: Callable[[], Asked]) -> Response:
        """Ask, wait for the guard's word, and answer with the operation or the refusals."""

        def settled(asked: Asked) -> bool:
            view = self._engine.operation(asked.operation)
            return view.admitted or bool(view.refused) or view.outcome is not None

        asked = await self._until(ask, settled)
        view = self._engine.operation(asked.operation)
        if view.refused:
            return refused(view.refused)
        # An operation that the guard has not answered yet says admitted: false, and can be followed.
        return json_answer(view, 202, {"location": f"/v1/operations/{asked.operation}"})

    async def command(
        self,
        tag: str,
        ask: Callable[[], Result],
        is_done: Callable[[Result], bool],
        *,
        within_s: float | None = None,
        waits_for: tuple[str, ...] = (),
    ) -> Result:
        """Ask for something that is no operation, again while a rule of waits_for refuses it, for PATIENCE_S.

        Raises Refused when another rule or the guard refuses it.
        """
        earlier = self._engine.answer(tag)

        def refusal() -> Refusal | None:
            no = self._engine.answer(tag)
            return None if no is earlier else no

        def is_answered(got: Result) -> bool:
            return refusal() is not None or is_done(got)

        result = await self._until(ask, is_answered, within_s=within_s, waits_for=waits_for)
        if (no := refusal()) is not None:
            raise no.error()
        return result

    async def _patiently(self, ask: Callable[[], Result], waits_for: tuple[str, ...]) -> Result:
        until_s = asyncio.get_running_loop().time() + PATIENCE_S
        while True:
            try:
                return await self._engine.work.ask(ask)
            except Refused as no:
                if no.rule not in waits_for or asyncio.get_running_loop().time() > until_s:
                    raise
            await asyncio.sleep(AGAIN_S)

    async def _until(
        self,
        ask: Callable[[], Result],
        is_done: Callable[[Result], bool],
        *,
        within_s: float | None = None,
        waits_for: tuple[str, ...] = (),
    ) -> Result:
        """Ask, then wait for changes until is_done, at most within_s (SETTLE_S when not given)."""
        news = asyncio.Event()
        unsubscribe = self._engine.subscribe(lambda _view: news.set())
        try:
            result = await self._patiently(ask, waits_for)
            self._nudge()
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(SETTLE_S if within_s is None else within_s):
                    while not is_done(result):
                        await news.wait()
                        news.clear()
        finally:
            unsubscribe()
        return result


async def body_of(request: Request, kind: type[T], **from_path: Any) -> T:
    """The request's JSON body as a value; members given by the path may be left out of it but not differ."""
    if request.headers.get("content-type", "").split(";")[0].strip().lower() != "application/json":
        raise HttpProblem("media-type", "send the body as JSON, with the header Content-Type: application/json")
    raw = bytearray()
    async for chunk in request.stream():
        raw += chunk
        if len(raw) > BODY_BYTES:
            raise HttpProblem("too-large", f"the body is larger than {BODY_BYTES // 1024} KiB")
    members = decode(_members, bytes(raw))
    for name, value in from_path.items():
        if members.setdefault(name, value) != value:
            raise HttpProblem("invalid", f"{name} is {members[name]!r} in the body and {value!r} in the address")
    return msgspec.convert(members, kind)


def query_of(request: Request, kind: type[T]) -> T:
    """The request's query as a value."""
    return msgspec.convert(dict(request.query_params), kind, strict=False)


def done() -> Response:
    """Done, and nothing to say."""
    return Response(status_code=204)


def json_answer(value: Any, status: int = 200, headers: dict[str, str] | None = None) -> Response:
    """The value as JSON."""
    return Response(msgspec.json.encode(value), status, headers=headers, media_type="application/json")
