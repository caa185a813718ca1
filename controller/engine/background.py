"""What takes longer than the engine's loop may stand still, done beside it.

The loop beats for the guard and answers `stop`; so plans are searched and calibrations fitted in a worker process. The
engine's code does not know: it calls `work(function, ...)`. In virtual time that is an ordinary call (`Work`). In
the service it raises NotYet until the answer is there, and whoever asked has it fetched and asks again (`Background`).
So nothing may be changed before the last call of `work`: a question asked again must still be the same question.
"""

import asyncio
from collections import OrderedDict
from collections.abc import Callable
from typing import Any, TypeVar

import structlog

from controller.engine.worker import Call, Worker, WorkResult
from controller.errors import TundishError

KEPT = 256  # answers kept for questions asked again

T = TypeVar("T")


class Work:
    """How the engine has a pure function called with values: here at once, in virtual time and inside the worker."""

    def __call__(self, function: Callable[..., T], *arguments: Any, **named: Any) -> T:
        """What the function gives or raises; NotYet when that is still to be worked out."""
        assert Call(function, arguments, named).key  # a call that the service could not keep fails here, too
        return function(*arguments, **named)

    def later(self, ask: Callable[[], None]) -> None:
        """Do something that needs answers, as soon as they are there; once, if it is asked for again meanwhile."""
        ask()

    async def ask(self, ask: Callable[[], T]) -> T:
        """The same for somebody who waits."""
        return ask()

    def close(self) -> None:
        """No more work."""


class NotYet(Exception):
    """Answers that are not there yet; `calls` says which."""

    def __init__(self, *calls: Call) -> None:
        super().__init__(*(one.function.__qualname__ for one in calls))
        self.calls = calls


class Background(Work):
    """Work for the service: known answers at once, others from the worker process."""

    def __init__(self) -> None:
        self._known: OrderedDict[bytes, WorkResult] = OrderedDict()
        self._worker = Worker()
        self._waiting: dict[Callable[[], None], asyncio.Task[None]] = {}

    def __call__(self, function: Callable[..., T], *arguments: Any, **named: Any) -> T:
        """The answer, if it is known; else NotYet."""
        call = Call(function, arguments, named)
        known = self._known.get(call.key)
        if known is None:
            raise NotYet(call)
        value: T = known.take()
        return value

    async def ask(self, ask: Callable[[], T]) -> T:
        """Ask the engine as often as answers of the worker are missing."""
        while True:
            try:
                return ask()
            except NotYet as missing:
                await self._fetch(missing.calls)

    def later(self, ask: Callable[[], None]) -> None:
        """Do it now if all answers are there, else when they are."""
        if ask in self._waiting:
            return
        try:
            ask()
        except NotYet:
            self._waiting[ask] = asyncio.get_running_loop().create_task(self._ask_later(ask))

    async def _ask_later(self, ask: Callable[[], None]) -> None:
        try:
            await self.ask(ask)
        except TundishError as error:
            structlog.get_logger().error("work_failed", error=str(error))
        finally:
            del self._waiting[ask]

    async def _fetch(self, calls: tuple[Call, ...]) -> None:
        for call in calls:
            if call.key not in self._known:
                # A client that has gone away must not leave half an answer on the wire.
                self._known[call.key] = await asyncio.shield(asyncio.ensure_future(self._worker.do(call)))
        while len(self._known) > KEPT:
            self._known.popitem(last=False)

    def close(self) -> None:
        """End the worker."""
        self._worker.close()
