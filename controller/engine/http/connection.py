"""One HTTP connection: uvicorn's protocol within deadlines and in its place."""

import asyncio
from typing import Any, Literal

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol, RequestResponseCycle

from controller.engine.http.problems import plain_problem
from controller.engine.http.shares import Places

HEADERS_S = 5.0  # longest time to send a request's head, from the connection's begin or the end of the last answer
BODY_S = 10.0  # longest time to send a body
READ_S = 10.0  # longest time to read nothing of an answer that waits

Phase = Literal["head", "body", "answer"]
DEADLINES: dict[Phase, float | None] = {"head": HEADERS_S, "body": BODY_S, "answer": None}


class HttpConnection(H11Protocol):
    """Closed at once when its client keeps it waiting for too long, or when its place is needed."""

    def __init__(self, places: Places, origin: str, **of_uvicorn: Any) -> None:
        """origin: what counts as the client's address; "" on the Unix socket."""
        super().__init__(**of_uvicorn, app_state={"connection": self})
        self.origin = origin
        self._places = places
        self._phase: tuple[Phase, RequestResponseCycle | None] | None = None
        self._deadline: asyncio.TimerHandle | None = None
        self._reading: asyncio.TimerHandle | None = None

    @property
    def waits_for_client(self) -> bool:
        """Whether it is the client's turn: to send a request, the rest of one, or to read the answer."""
        return self._present_phase != "answer" or self.flow.write_paused

    def abort(self) -> None:
        """Close it at once."""
        self.transport.abort()

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Take a place."""
        super().connection_made(transport)
        if self.origin:
            self._places.arrive(self)
        elif not self._places.know(self, "local"):
            self.abort()
            return
        self._watch()

    def connection_lost(self, exc: Exception | None) -> None:
        """Leave the place to others."""
        super().connection_lost(exc)
        self._places.leave(self)
        for timer in (self._deadline, self._reading):
            if timer is not None:
                timer.cancel()

    def data_received(self, data: bytes) -> None:
        """Take what has come."""
        super().data_received(data)
        self._watch()

    def on_response_complete(self) -> None:
        """Go on to the next request."""
        super().on_response_complete()
        self._watch()

    def pause_writing(self) -> None:
        """The client does not read."""
        super().pause_writing()
        self._reading = self.loop.call_later(READ_S, self.abort)

    def resume_writing(self) -> None:
        """It does again."""
        super().resume_writing()
        if self._reading is not None:
            self._reading.cancel()

    def send_400_response(self, msg: str) -> None:
        """Answer what is no HTTP request, as a problem like every other."""
        if self.conn.our_state in {h11.IDLE, h11.SEND_RESPONSE}:
            answer = plain_problem(400, msg, {"connection": "close"})
            head = h11.Response(status_code=400, headers=answer.raw_headers, reason=b"Bad Request")
            for event in (head, h11.Data(data=bytes(answer.body)), h11.EndOfMessage()):
                self.transport.write(self.conn.send(event) or b"")
        self.transport.close()

    @property
    def _present_phase(self) -> Phase:
        if self.cycle is None or self.cycle.response_complete:
            return "head"
        return "body" if self.cycle.more_body else "answer"

    def _watch(self) -> None:
        """Begin a new deadline with every new phase; what trickles in within one does not put it off."""
        phase = (self._present_phase, self.cycle)
        if phase == self._phase:
            return
        self._phase = phase
        if self._deadline is not None:
            self._deadline.cancel()
        within_s = DEADLINES[phase[0]]
        self._deadline = None if within_s is None else self.loop.call_later(within_s, self.abort)
