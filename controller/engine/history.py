"""What was asked of the machine: page by page, by liquid and evening, and by the rules that refused."""

from collections import Counter

from controller.engine import views
from controller.engine.slices import Sliced
from controller.errors import Refused
from controller.ledger.records import Wanted, evening_of
from controller.ledger.store import Ledger
from controller.model.evening import RuleCount, Usage
from controller.model.views import OperationView


class History:
    """Looks back, slice by slice, so that the engine's loop goes on over a hundred thousand servings."""

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger

    def page(self, wanted: Wanted) -> Sliced[tuple[OperationView, ...]]:
        """The operations that are wanted, newest first; Refused when `before` names none."""
        if wanted.before is not None and self._ledger.entry(wanted.before) is None:
            raise Refused(
                rule="history",
                reason=f"there is no operation {wanted.before!r}.",
                remedy="Give the last operation of the page before.",
            )
        found: list[OperationView] = []
        for part in self._ledger.past.page(wanted):
            found += map(views.booked, part)
            yield
        return tuple(found)

    def usage(
        self,
        *,
        since_wall_s: float | None = None,
        until_wall_s: float | None = None,
        liquid: str | None = None,
        recipe: str | None = None,
        line: int | None = None,
    ) -> Sliced[tuple[Usage, ...]]:
        """What went through by evening and liquid, newest evening first; whole evenings."""
        since, until = _evenings(since_wall_s, until_wall_s)
        found: list[Usage] = []
        for part in self._ledger.past.usage(
            since_evening=since, until_evening=until, liquid=liquid, recipe=recipe, line=line
        ):
            found += part
            yield
        return tuple(sorted(found, key=lambda one: one.evening, reverse=True))  # keeps the order of liquids

    def refusals(
        self, *, since_wall_s: float | None = None, until_wall_s: float | None = None
    ) -> Sliced[tuple[RuleCount, ...]]:
        """How often each rule refused, the busiest first; whole evenings."""
        since, until = _evenings(since_wall_s, until_wall_s)
        counts: Counter[str] = Counter()
        for part in self._ledger.past.refusals(since_evening=since, until_evening=until):
            counts += part
            yield
        busiest = sorted(counts.items(), key=lambda one: (-one[1], one[0]))
        return tuple(RuleCount(rule=rule, refusals=count) for rule, count in busiest)


def _evenings(since_wall_s: float | None, until_wall_s: float | None) -> tuple[str, str]:
    """The first and the last evening that a span of time (Unix s) touches."""
    since = "" if since_wall_s is None else evening_of(since_wall_s)
    return since, "9999-12-31" if until_wall_s is None else evening_of(until_wall_s - 1.0)
