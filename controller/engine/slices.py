"""Answers worked out slice by slice on the engine's loop, which beats and answers `stop` between two slices."""

import asyncio
from collections.abc import Generator
from typing import TypeAlias, TypeVar

T = TypeVar("T")

Sliced: TypeAlias = Generator[None, None, T]  # a pause after every slice, and the answer at the end


def at_once(question: Sliced[T]) -> T:
    """The answer without pauses: in virtual time, where nobody waits."""
    while True:
        try:
            next(question)
        except StopIteration as over:
            answer: T = over.value
            return answer


class Turns:
    """Slices of one question at a time, however many ask: one slice between two turns of everything else."""

    def __init__(self) -> None:
        self._one_at_a_time = asyncio.Lock()

    async def answer(self, question: Sliced[T]) -> T:
        """The answer, with a turn of the loop between two slices."""
        async with self._one_at_a_time:
            while True:
                try:
                    next(question)
                except StopIteration as over:
                    answer: T = over.value
                    return answer
                await asyncio.sleep(0)
