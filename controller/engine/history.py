"""What was asked of the machine: page by page, by liquid and evening, and by the rules that refused."""

from collections import Counter

from controller.engine import views
from controller.engine.slices import Sliced
from controller.errors import Refused
from controller.ledger.store import Ledger
from controller.model.evening import RuleCount, Usage
from controller.model.requests import HistoryQuery, PastQuery, UsageQuery
from controller.model.views import OperationView


class History:
    """Looks back, slice by slice, so that the engine's loop goes on over a hundred thousand servings."""

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger

    def page(self, wanted: HistoryQuery) -> Sliced[tuple[OperationView, ...]]:
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

    def usage(self, query: UsageQuery) -> Sliced[tuple[Usage, ...]]:
        """What went through by evening and liquid, newest evening first; whole evenings."""
        found: list[Usage] = []
        for part in self._ledger.past.usage(query):
            found += part
            yield
        return tuple(sorted(found, key=lambda one: one.evening, reverse=True))  # keeps the order of liquids

    def refusals(self, query: PastQuery) -> Sliced[tuple[RuleCount, ...]]:
        """How often each rule refused, the most frequent first; whole evenings."""
        counts: Counter[str] = Counter()
        for part in self._ledger.past.refusals(query):
            counts += part
            yield
        most = sorted(counts.items(), key=lambda one: (-one[1], one[0]))
        return tuple(RuleCount(rule=rule, refusals=count) for rule, count in most)
