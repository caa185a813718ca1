"""The engine on a computer so many times slower: python slowed_engine.py TIMES BEATS WORD ... (`tundish` WORD ...)

Each step of the loop is followed by a pause that makes it TIMES as long as the processor time that it took, and so is
each answer of the worker. BEATS: a file to which every Start and Heartbeat is written as it is sent (monotonic s).
"""

import asyncio
import sys
import time
from pathlib import Path

from controller.cli import main
from controller.engine.guard_link import GuardLink
from controller.engine.worker import Call, Worker, WorkResult
from controller.model.messages import Command, Heartbeat, Start


def slow_down(times: float) -> None:
    step, do = asyncio.Handle._run, Worker.do

    def slowed(handle: asyncio.Handle) -> None:
        began_s = time.thread_time()
        step(handle)
        time.sleep((times - 1) * (time.thread_time() - began_s))

    async def slowed_answer(worker: Worker, call: Call) -> WorkResult:
        began_s = time.monotonic()
        found = await do(worker, call)
        await asyncio.sleep((times - 1) * (time.monotonic() - began_s))
        return found

    asyncio.Handle._run, Worker.do = slowed, slowed_answer  # type: ignore[method-assign, assignment]


def note_beats(path: str) -> None:
    beats, send = Path(path).open("a", buffering=1), GuardLink.send  # noqa: SIM115

    def noted(link: GuardLink, command: Command) -> None:
        if isinstance(command, Start | Heartbeat):
            beats.write(f"{type(command).__name__} {time.monotonic()}\n")
        send(link, command)

    GuardLink.send = noted  # type: ignore[method-assign, assignment]


if __name__ == "__main__":
    slow_down(float(sys.argv[1]))
    note_beats(sys.argv[2])
    sys.argv[1:] = sys.argv[3:]
    main()
