"""Which liquid on which line, so that most of what is asked for can be poured, and with the least pump time.

First the liquids: of all sets that fit the machine's lines, the one with which the recipes poured make up the largest
share of the menu (branch and bound over the liquids to leave out). Then the lines: the pairing of these liquids with
lines that takes the least pump time (assignment by shortest augmenting paths).
"""

import math
from collections.abc import Mapping, Sequence

from msgspec import field
from msgspec.structs import replace

from controller.catering.pairing import can_pair, least_cost
from controller.catering.spare_lines import SpareLine
from controller.errors import Refused
from controller.metering.suction import Draw, check_suction
from controller.model.book import Book
from controller.model.fields import Value
from controller.model.profile import Line, Profile

_NODES = 200_000  # looked at before the search gives up proving that nothing opens more
# A liquid's line in the book counts as this much faster: hanging it elsewhere costs a purge, a cleaning and a
# calibration. Common practice, no source.
_KEPT = 0.1


class Hanging(Value, frozen=True, kw_only=True):
    """Liquid -> line; the recipes that can be poured then, and their share of all drinks.

    twins: liquid -> further lines with it, which share its doses. proven: no other way opens more of the menu.
    """

    lines: dict[str, int]
    recipes: tuple[str, ...]
    share: float
    proven: bool
    twins: dict[str, tuple[int, ...]] = field(default_factory=dict)

    @property
    def all_lines(self) -> dict[str, tuple[int, ...]]:
        """Liquid -> every line that it hangs on."""
        return {liquid: (line, *self.twins.get(liquid, ())) for liquid, line in self.lines.items()}


def as_in_book(book: Book, needs: Mapping[str, frozenset[str]], shares: Mapping[str, float]) -> Hanging:
    """The lines as the book has them; a liquid on several lines has twins.

    needs: recipe -> its liquids; shares: recipe -> share of all drinks.
    """
    lines: dict[str, int] = {}
    twins: dict[str, tuple[int, ...]] = {}
    for one in sorted(book.lines, key=lambda hung: hung.line):
        if one.liquid in lines:
            twins[one.liquid] = (*twins.get(one.liquid, ()), one.line)
        lines.setdefault(one.liquid, one.line)
    found = _hanging(lines, needs, shares, proven=True)
    return replace(found, twins={liquid: twins[liquid] for liquid in found.lines if liquid in twins})


def with_spare_lines(hanging: Hanging, spares: Sequence[SpareLine]) -> Hanging:
    """The same with these liquids on lines that were to spare."""
    twins = dict(hanging.twins)
    for one in spares:
        twins[one.liquid] = (*twins.get(one.liquid, ()), one.line)
    return replace(hanging, twins=twins)


def hang_freely(
    profile: Profile,
    book: Book,
    needs: Mapping[str, frozenset[str]],
    shares: Mapping[str, float],
    volumes_ml: Mapping[str, float],
) -> Hanging:
    """The lines as opens most of the menu and, with that, takes the least pump time.

    volumes_ml: liquid -> mL to expect. A pump that starves on a liquid is not paired with it. Refused when no recipe
    can be poured at all.
    """
    draws = {
        (liquid, line.line): check_suction(line, book.liquid(liquid)) for liquid in volumes_ml for line in profile.lines
    }
    able = {
        liquid: frozenset(line.line for line in profile.lines if draws[liquid, line.line].verdict != "starves")
        for liquid in volumes_ml
    }
    kept, proven = most_of_the_menu(needs, shares, able)
    if not kept:
        reason = (
            "each recipe of the menu needs more liquids than there are lines for them, or one that no pump can draw."
        )
        remedy = "Take other recipes, wider tubes, or a machine with more lines."
        raise Refused(rule="assignment", reason=reason, remedy=remedy)
    liquids = sorted(frozenset().union(*(needs[recipe] for recipe in kept)))
    at_home = {(one.liquid, one.line) for one in book.lines}

    def cost_s(liquid: str, line: Line) -> float:
        if line.line not in able[liquid]:
            return math.inf
        seconds = _seconds(line, draws[liquid, line.line], volumes_ml[liquid])
        return seconds * (1.0 - _KEPT) if (liquid, line.line) in at_home else seconds

    pairs = least_cost([[cost_s(liquid, line) for line in profile.lines] for liquid in liquids])
    if pairs is None:
        raise RuntimeError("the liquids were chosen so that they can be paired with lines")
    lines = {liquid: profile.lines[place].line for liquid, place in zip(liquids, pairs, strict=True)}
    return _hanging(lines, needs, shares, proven=proven)


def _seconds(line: Line, draw: Draw, volume_ml: float) -> float:
    """Pump time to expect for a volume, s."""
    return volume_ml / (line.pump.nominal_flow_ml_s * max(draw.flow_fraction, 1e-3))


def _hanging(
    lines: dict[str, int], needs: Mapping[str, frozenset[str]], shares: Mapping[str, float], *, proven: bool
) -> Hanging:
    recipes = tuple(recipe for recipe in needs if needs[recipe] <= lines.keys())
    used = frozenset().union(*(needs[recipe] for recipe in recipes))
    return Hanging(
        lines={liquid: line for liquid, line in sorted(lines.items(), key=lambda pair: pair[1]) if liquid in used},
        recipes=recipes,
        share=sum(shares[recipe] for recipe in recipes),
        proven=proven,
    )


def most_of_the_menu(
    needs: Mapping[str, frozenset[str]], shares: Mapping[str, float], able: Mapping[str, frozenset[int]]
) -> tuple[tuple[str, ...], bool]:
    """The recipes with the largest share whose liquids can all hang at once; and whether that is proven.

    able: liquid -> lines that it can hang on. Exact unless the search is cut short, which `proven` tells.
    """
    search = _Search(needs, shares, able)
    search.run()
    kept = tuple(recipe for recipe in needs if recipe in search.best)
    return kept, search.nodes <= _NODES


class _Search:
    """Depth first over recipes, heaviest first: each is either poured, and its liquids hang, or left off."""

    def __init__(
        self, needs: Mapping[str, frozenset[str]], shares: Mapping[str, float], able: Mapping[str, frozenset[int]]
    ) -> None:
        self._needs, self._shares, self._able = needs, shares, able
        self._room = len(frozenset().union(*able.values()))
        self.best: frozenset[str] = frozenset()
        self.nodes = 0
        self._best_share = 0.0

    def run(self) -> None:
        """Search; `best` then holds the recipes."""
        order = sorted(self._needs, key=lambda one: (-self._shares[one], len(self._needs[one]), one))
        self._look(frozenset(), frozenset(), order)

    def _look(self, recipes: frozenset[str], liquids: frozenset[str], rest: Sequence[str]) -> None:
        self.nodes += 1
        # What needs nothing new comes for free; what no longer fits is gone.
        recipes |= {one for one in rest if self._needs[one] <= liquids}
        rest = [one for one in rest if one not in recipes and len(liquids | self._needs[one]) <= self._room]
        share = sum(self._shares[one] for one in recipes)
        if share > self._best_share + 1e-12:
            self.best, self._best_share = recipes, share
        if not rest or self.nodes > _NODES or share + self._most(liquids, rest) <= self._best_share + 1e-12:
            return
        first, *others = rest
        if can_pair(liquids | self._needs[first], self._able):
            self._look(recipes | {first}, liquids | self._needs[first], others)
        self._look(recipes, liquids, others)

    def _most(self, liquids: frozenset[str], rest: Sequence[str]) -> float:
        """No choice of recipes from `rest` can add more: each shares its weight out to the liquids it still needs."""
        worth: dict[str, float] = {}
        for one in rest:
            new = self._needs[one] - liquids
            for liquid in new:
                worth[liquid] = worth.get(liquid, 0.0) + self._shares[one] / len(new)
        return sum(sorted(worth.values(), reverse=True)[: self._room - len(liquids)])
