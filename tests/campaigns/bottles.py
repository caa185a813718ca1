"""What bottles and tubes really hold, by every book since they were hung: edits of the book change no bottle."""

from typing import TYPE_CHECKING

from msgspec.structs import replace

from controller.model.book import Book, Liquid
from controller.model.messages import Report
from controller.safety.records import BookRead, LineState
from tests.campaigns.violation import Violation

if TYPE_CHECKING:
    from random import Random

    from tests.campaigns.house import House

EDITS = ("weaker", "stronger", "allergen told", "allergen struck out", "larger glass")
TRACE_ML = 1.0  # of a liquid in a tube: less may be left where the guard counts it as rinsed out


def edited(book: Book, edit: str, title: str, draw: "Random") -> Book:
    """The book as a tired typist leaves it."""
    one = draw.choice(
        [one for one in book.liquids if one.abv_percent or edit not in ("weaker", "stronger")] or book.liquids
    )
    match edit:
        case "weaker":
            other = replace(one, abv_percent=one.abv_percent / 20)
        case "stronger":
            other = replace(one, abv_percent=min(96.0, 2 * one.abv_percent))
        case "allergen told":
            other = replace(one, allergens=tuple(sorted({*one.allergens, "nuts"})))
        case "allergen struck out":
            other = replace(one, allergens=())
        case _:
            glasses = tuple(
                replace(glass, brim_ml=2 * glass.brim_ml, usable_ml=2 * glass.usable_ml) for glass in book.glasses
            )
            return replace(book, title=title, glasses=glasses)
    return replace(book, title=title, liquids=tuple(other if each is one else each for each in book.liquids))


class Bottles:
    """Follows the books that the guard works with, as they reach the disk. Every check raises Violation."""

    def __init__(self, house: "House") -> None:
        self._house = house
        self.book = house.plot.book  # the guard's
        self._is_on_record = True
        self.untold: set[int] = set()  # lines on which something hung that nobody told of
        self._strengths = {line: self._abv(liquid) for line, liquid in house.assigned.items()}
        self.brims_ml = {one.glass: one.brim_ml for one in self.book.glasses}

    def abv(self, line: int) -> float:
        """The most that any book has said of this line's bottle since it was hung, as a fraction."""
        return self._strengths.get(line, 0.0)

    def read(self, record: BookRead) -> None:
        """The guard works with another book."""
        before, self.book = self.book, self._house.books[record.title]
        if self._is_on_record:
            told = {(one.of, one.figure) for one in record.changed}
            missing = [
                one.liquid for one in before.liquids if self._differs(one) and (one.liquid, "abv_percent") not in told
            ]
            if missing:
                raise Violation(f"another strength of {', '.join(missing)} is not on record")
        self._is_on_record = True
        for line, liquid in self._house.assigned.items():
            self._strengths[line] = max(self.abv(line), self._abv(liquid))

    def hung(self, state: LineState) -> None:
        """A container was hung and told of."""
        self._strengths[state.line] = self._abv(state.assigned)

    def lost(self) -> None:
        """The guard has forgotten which figures it knew."""
        self._is_on_record = False

    def check(self, report: Report) -> None:
        """Every allergen of what stands in a tube, by the guard's book, is among the line's traces."""
        if self._house.watch.licence is not None:
            return  # what is being drawn is told at the end
        tubes = {one.line: one.tube for one in self._house.plant.remember().lines}
        allergens = {one.liquid: {*one.allergens} for one in self.book.liquids}
        for line in report.lines:
            if line.doubtful or line.line in self.untold | self._house.unsound:
                continue
            for fluid, volume_ml in tubes[line.line]:
                hidden = allergens.get(fluid, set()) - {*line.traces}
                if volume_ml > TRACE_ML and hidden:
                    raise Violation(f"{volume_ml:.1f} mL of {fluid} in line {line.line}, and no trace of {hidden} told")

    def _differs(self, before: Liquid) -> bool:
        now = {one.liquid: one.abv_percent for one in self.book.liquids}
        return now.get(before.liquid, before.abv_percent) != before.abv_percent

    def _abv(self, liquid: str | None) -> float:
        return next((one.abv_percent / 100 for one in self.book.liquids if one.liquid == liquid), 0.0)
