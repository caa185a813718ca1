"""The book's file read again while the machine runs: both processes change, or the old book stays in force."""

import asyncio
from collections.abc import Callable

import structlog

from controller.engine.engine import Engine
from controller.engine.http.asking import Asking
from controller.errors import Problem, Refused, TundishError
from controller.model.book import Book
from controller.model.profile import Profile
from controller.model.requests import GlassesRequest
from controller.model.views import BookView

WAIT_S = 120.0  # for the guard, which reads its own copy, perhaps from a slow card

Read = Callable[[], tuple[Profile, Book, list[Problem]]]


class Reloading:
    """Reads with `read` (which may take its time, and raises FileProblems) and asks the guard to do the same."""

    def __init__(self, engine: Engine, asking: Asking, profile: Profile, read: Read) -> None:
        self._engine, self._asking, self._profile, self._read = engine, asking, profile, read
        self._one_at_a_time = asyncio.Lock()

    async def confirm_glasses(self, request: GlassesRequest) -> None:
        """These glasses are as large as the book has them. Refused when nobody asks about them."""
        async with self._one_at_a_time:
            await self._asking.command(
                "take_book",
                lambda: self._engine.confirm_glasses(request),
                lambda _: not {one.glass for one in self._engine.counted_smaller()} & {*request.glasses},
                within_s=WAIT_S,
            )

    async def again(self) -> BookView:
        """Read, and work with what was read. Raises FileProblems or Refused; the old book then stays in force."""
        async with self._one_at_a_time:
            try:
                view = await self._again()
            except TundishError as error:
                structlog.get_logger().warning("book_refused", error=str(error))
                raise
        structlog.get_logger().info("book_renewed", book=view.book, recipes=view.recipes)
        return view

    async def _again(self) -> BookView:
        profile, book, warnings = await asyncio.to_thread(self._read)
        if profile != self._profile:
            raise Refused(
                rule="profile",
                reason="the profile has been changed too, and a profile is not taken over while the machine runs.",
                remedy="Restart guard and engine to work with both.",
            )
        await self._asking.command(
            "take_book",
            lambda: self._engine.renew_book(book),
            lambda _: self._engine.book == book,
            within_s=WAIT_S,
        )
        if self._engine.book != book:
            raise Refused(
                rule="guard", reason=f"the guard has not answered within {WAIT_S:g} s.", remedy="See its log."
            )
        return BookView(
            book=book.title,
            liquids=len(book.liquids),
            glasses=len(book.glasses),
            recipes=len(book.recipes),
            warnings=(*map(str, warnings), *self._hung_otherwise(book), *self._engine.held_figures()),
            larger_glasses=self._engine.counted_smaller(),
        )

    def _hung_otherwise(self, book: Book) -> list[str]:
        """Where another liquid hangs than the book says: what hangs is for people to say, not for the book."""
        hangs = {one.line: one.liquid for one in self._engine.status().lines}
        return [
            f"line {one.line}: the book says {one.liquid}, {hangs[one.line]} hangs there. When that has changed: "
            f'tundish assign {one.line} "{one.liquid}"'
            for one in book.lines
            if hangs.get(one.line) not in (None, one.liquid)
        ]
