"""What was asked of the machine: page by page, by liquid and evening, and by the rules that refused."""

from controller.engine import views
from controller.errors import Refused
from controller.ledger.records import Wanted, evening_of
from controller.ledger.store import Ledger
from controller.model.evening import RuleCount, Usage
from controller.model.views import OperationView


class History:
    """Looks back, within 0.1 s also over a hundred thousand servings."""

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger

    def page(self, wanted: Wanted) -> tuple[OperationView, ...]:
        """The operations that are wanted, newest first; Refused when `before` names none."""
        if wanted.before is not None and self._ledger.entry(wanted.before) is None:
            raise Refused(
                rule="history",
                reason=f"there is no operation {wanted.before!r}.",
                way_out="Give the last operation of the page before.",
            )
        return tuple(map(views.booked, self._ledger.past.page(wanted)))

    def usage(
        self,
        *,
        since_wall_s: float | None = None,
        until_wall_s: float | None = None,
        liquid: str | None = None,
        recipe: str | None = None,
        line: int | None = None,
    ) -> tuple[Usage, ...]:
        """What went through by evening and liquid, newest evening first; whole evenings."""
        since, until = _evenings(since_wall_s, until_wall_s)
        return self._ledger.past.usage(
            since_evening=since, until_evening=until, liquid=liquid, recipe=recipe, line=line
        )

    def refusals(
        self, *, since_wall_s: float | None = None, until_wall_s: float | None = None
    ) -> tuple[RuleCount, ...]:
        """How often each rule refused, the busiest first; whole evenings."""
        since, until = _evenings(since_wall_s, until_wall_s)
        return self._ledger.past.refusals(since_evening=since, until_evening=until)


def _evenings(since_wall_s: float | None, until_wall_s: float | None) -> tuple[str, str]:
    """The first and the last evening that a span of time (Unix s) touches."""
    since = "" if since_wall_s is None else evening_of(since_wall_s)
    return since, "9999-12-31" if until_wall_s is None else evening_of(until_wall_s - 1.0)
