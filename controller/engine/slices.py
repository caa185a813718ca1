"""Answers worked out slice by slice on the engine's loop, which beats and answers `stop` between two slices."""

import asyncio
from collections.abc import Generator
from typing import TypeAlias, TypeVar

T = TypeVar("T")

Sliced: TypeAlias = Generator[None, None, T]  # a pause after every slice, and the answer at the end

TURNS = 4  # of the loop between two slices: about as many as it takes to read `stop`, do it and answer


def at_once(question: Sliced[T]) -> T:
    """The answer without pauses: in virtual time, where nobody waits."""
    while True:
        try:
            next(question)
        except StopIteration as over:
            answer: T = over.value
            return answer


class LoopTurns:
    """Slices of one question at a time, however many ask, with turns of everything else between them."""

    def __init__(self) -> None:
        self._one_at_a_time = asyncio.Lock()

    async def answer(self, question: Sliced[T]) -> T:
        """The answer, with turns of the loop after every slice, the last one too: it is written out next."""
        async with self._one_at_a_time:
            while True:
                try:
                    next(question)
                except StopIteration as over:
                    await self._others()
                    answer: T = over.value
                    return answer
                await self._others()

    async def _others(self) -> None:
        for _ in range(TURNS):
            await asyncio.sleep(0)
