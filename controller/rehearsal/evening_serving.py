"""Guests at a rehearsed machine: order, call, glass, pour, hand steps, taking the glass; and what goes wrong."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial

from controller.catering.arrivals import DrinkRequest
from controller.catering.service import Service
from controller.engine.ordering.queue import OrderQueue
from controller.engine.ordering.register import OPERATOR
from controller.errors import FaultLatched, Refused
from controller.metering.dose import mi008_ml
from controller.model.book import Book
from controller.model.orders import ConsentRequest, OrderRequest, OrderState, OrderView
from controller.model.states import Outcome
from controller.model.sums import summed
from controller.model.views import OperationView
from controller.rehearsal.evening_host import Attendant
from controller.rehearsal.evening_record import PouredDose, RefusedDrink, Served, UnservedDrink

# Refusals that time cures: after how long a person tries again, s.
RETRY_S = {
    "glass": 0.5,  # set down this instant
    "serving_pause": 2.0,
    "state": 2.0,
    "duty": 15.0,
    "hour_servings": 30.0,
    "hour_ethanol": 30.0,
}
SEES_S = 0.01  # after which a guest who has come is seen
# From taking a glass to setting the next one down, at least: what the guard asks for, seen in two readings of a scale
# at rest and its turns, takes 1.6 s.
EXCHANGE_S = 2.0
MOST_TRIES = 1000  # of one drink: more than an hour's cap can take
MOST_GLASSES = 3  # poured for one drink before the guest is turned away
VISIBLY_OFF = 0.2  # a dose that misses by this share of itself, and by more than its tolerance, is seen in the glass


@dataclass
class GuestTurns:
    """Takes the guests' orders, serves them as the queue calls them, and keeps the record."""

    host: Attendant
    book: Book
    services: Mapping[str, Service]
    served: list[Served] = field(default_factory=list)
    lost: list[UnservedDrink] = field(default_factory=list)
    refusals: list[RefusedDrink] = field(default_factory=list)
    wasted_ml: dict[str, float] = field(default_factory=dict)  # in glasses that were poured away
    _sent_away: list[tuple[str, DrinkRequest, int]] = field(default_factory=list)  # until a container is changed
    _wanted: dict[int, DrinkRequest] = field(default_factory=dict)  # by order
    _turn_s: dict[int, float] = field(default_factory=dict)  # since when a container was changed for it
    _said_s: dict[int, float | None] = field(default_factory=dict)  # the wait that each was told

    def serve_all(self, wanted: Sequence[DrinkRequest], report: Callable[[int], None]) -> None:
        """Let guests order when they come, and serve until everyone is. report: hears how many have ordered."""
        for number, one in enumerate(wanted):
            self.host.expect(one.at_s, partial(self._order, f"guest {number}", one))
        coming = sorted((one.at_s for one in wanted), reverse=True)
        while coming or self._sent_away or self._next() is not None:
            while coming and coming[-1] <= self.host.now_s:
                coming.pop()
            order = self._next()
            if self._sent_away:
                self._order_again(*self._sent_away.pop(0))
            elif order is not None:
                self._serve(order)
            elif coming:
                self.host.pass_until(coming[-1] + SEES_S)
            report(len(wanted) - len(coming))

    @property
    def _orders(self) -> OrderQueue:
        return self.host.machine.engine.orders

    def _order(self, guest: str, wanted: DrinkRequest, *, tries: int = 1, turn_s: float | None = None) -> None:
        """A guest comes and orders; the operator agrees to alcohol at once."""
        try:
            placed = self._orders.place(OrderRequest(recipe=wanted.recipe, key=guest), guest).order
        except Refused as no:
            if no.rule == "readiness" and tries < MOST_GLASSES:
                self._sent_away.append((guest, wanted, tries + 1))
                return
            now_s = self.host.now_s
            self.refusals.append(RefusedDrink(at_s=now_s, recipe=wanted.recipe, rule=no.rule, reason=no.reason))
            self._lose(wanted, now_s, no.reason)
            return
        self._orders.nod(placed.order)
        self._wanted[placed.order] = wanted
        # The engine says how long until the pour begins; the guest steps up before, with the glass.
        order_s = self.host.event.handling.order_s
        self._said_s[placed.order] = None if placed.wait_s is None else max(0.0, placed.wait_s - order_s)
        if turn_s is not None:
            self._turn_s[placed.order] = turn_s

    def _order_again(self, guest: str, wanted: DrinkRequest, tries: int) -> None:
        """A container is short for what a guest would like: change it, and let the guest order after all."""
        turn_s, reason = self.host.now_s, self._make_ready(wanted.recipe)
        if reason is None:
            self._order(guest, wanted, tries=tries, turn_s=turn_s)
        else:
            self._lose(wanted, self.host.now_s, reason)

    def _next(self) -> OrderView | None:
        """The order whose glass is called, else the first that waits; None when none does."""
        waiting = [one for one in self._orders.orders(OPERATOR).orders if one.place is not None]
        return next((one for one in waiting if one.state is OrderState.CALLED), next(iter(waiting), None))

    def _serve(self, order: OrderView) -> None:
        """Serve one order, or note why it could not be."""
        host, refused_before = self.host, len(self.refusals)
        turn_s = self._turn_s.get(order.order, host.now_s)
        wanted = self._wanted[order.order]
        host.look()
        for glasses in range(MOST_GLASSES):
            reason = self._make_ready(order.recipe)
            view = None if reason else self._pour(order)
            if view is None:
                reason = reason or self.refusals[-1].reason
                break
            ended_s = host.now_s
            host.pass_time(host.event.handling.take_s)
            weighed = host.machine.engine.operation(view.operation).weighed
            doses = self._take_glass(view)
            if view.outcome == Outcome.DONE and not any(map(_is_visibly_off, doses)):
                self.served.append(
                    Served(
                        recipe=order.recipe,
                        came_s=wanted.at_s,
                        turn_s=turn_s,
                        said_s=self._said_s[order.order],
                        ended_s=ended_s,
                        left_s=host.now_s,
                        refused=len(self.refusals) - refused_before,
                        made_again=glasses,
                        doses=doses,
                        weighed=weighed if weighed is not None and weighed.u_ml is not None else None,
                    )
                )
                return
            self._pour_away(view, doses)
            order = self._again(order)
            reason = f"{MOST_GLASSES} glasses of it went wrong"
        if self._orders.view(order.order, OPERATOR).state is not OrderState.EXPIRED:  # called for too long meanwhile
            self._orders.refuse(order.order, reason or "")
        self._lose(wanted, turn_s, reason or "")

    def _again(self, order: OrderView) -> OrderView:
        """The same drink once more, before all others: the order that failed, or a new one for a drink that is off."""
        if self._orders.view(order.order, OPERATOR).state is OrderState.FAILED:
            return self._orders.again(order.order)
        self.host.pass_time(1.0)  # until the glass is seen to be gone
        key = f"{order.order} again"
        again = self._orders.place(OrderRequest(recipe=order.recipe, key=key), OPERATOR).order
        self._wanted[again.order], self._said_s[again.order] = self._wanted[order.order], self._said_s[order.order]
        return self._orders.move(again.order, 1)

    def _lose(self, wanted: DrinkRequest, turn_s: float, reason: str) -> None:
        self.lost.append(
            UnservedDrink(
                recipe=wanted.recipe, came_s=wanted.at_s, turn_s=turn_s, gave_up_s=self.host.now_s, reason=reason
            )
        )

    def _make_ready(self, recipe: str) -> str | None:
        """Change the containers that are short; why the drink cannot be made, if it cannot."""
        for liquid, volume_ml in self.services[recipe].doses_ml.items():
            short = self.host.shortage(liquid, volume_ml)
            if short is not None:
                if not self.host.has_another(liquid):
                    return f"{liquid} is sold out"
                self.host.change(*short)
        return None

    def _pour(self, order: OrderView) -> OperationView | None:
        """The operation that was poured, well or not; None when the machine refuses for good."""
        host, recipe = self.host, order.recipe
        host.pass_time(EXCHANGE_S)
        host.machine.plant.place_glass(self.book.recipe(recipe).glass)
        host.pass_time(max(RETRY_S["glass"], host.event.handling.order_s - EXCHANGE_S))
        was_repaired = False
        for _ in range(MOST_TRIES):
            view, refused = self._consent(order)
            if view is not None:
                return view
            wait_s = _cured_after_s(refused)
            if wait_s is not None and not host.is_latched:
                host.pass_time(wait_s)
            elif any(one.rule == "drip_tray" for one in refused) and not host.is_troubled():
                host.empty_tray()
            elif any(one.rule == "fresh_glass" for one in refused) and not host.is_latched:
                self._set_down_another(recipe)
            elif host.is_troubled() and not was_repaired:
                host.repair(f"refused by {refused[0].rule}")
                was_repaired = True
            else:
                break
        host.machine.plant.lift_glass()
        return None

    def _set_down_another(self, recipe: str) -> None:
        """What stands there may have caught something while a fault was seen to."""
        plant = self.host.machine.plant
        plant.lift_glass()
        self.host.pass_time(EXCHANGE_S)
        plant.place_glass(self.book.recipe(recipe).glass)
        self.host.pass_time(RETRY_S["glass"])

    def _consent(self, order: OrderView) -> tuple[OperationView | None, Sequence[RefusedDrink]]:
        """Consent once: the operation when it is over, or the refusals."""
        host, recipe = self.host, order.recipe
        try:
            if self._orders.view(order.order, OPERATOR).state is not OrderState.CALLED:
                self._orders.call(order.order)
            begun = self._orders.consent(ConsentRequest(order=order.order), who="operator")
            view = host.follow(begun.operation)
            found = [(one.rule, one.reason) for one in view.refused]
        except Refused as error:
            view, found = None, [(error.rule, error.reason)]
        except FaultLatched as error:
            view, found = None, [("fault", str(error))]
        refused = [RefusedDrink(at_s=host.now_s, recipe=recipe, rule=rule, reason=reason) for rule, reason in found]
        self.refusals += refused
        return None if refused else view, refused

    def _take_glass(self, view: OperationView) -> tuple[PouredDose, ...]:
        held = self.host.machine.plant.lift_glass()
        asked = summed((one.liquid, one.asked_ml) for one in view.lines)
        return tuple(
            PouredDose(liquid=liquid, asked_ml=asked_ml, glass_ml=held.get(liquid, 0.0))
            for liquid, asked_ml in asked.items()
        )

    def _pour_away(self, view: OperationView, doses: Sequence[PouredDose]) -> None:
        """The drink is spoilt: find out why before the next try."""
        for dose in doses:
            self.wasted_ml[dose.liquid] = self.wasted_ml.get(dose.liquid, 0.0) + dose.glass_ml
        off = [dose.liquid for dose in doses if _is_visibly_off(dose)]
        lines = {line for liquid in off for line in self.host.lines[liquid]}
        if self.host.is_troubled(lines):
            self.host.repair(f"{', '.join(off)} visibly off" if off else view.reason, lines)


def _cured_after_s(refused: Sequence[RefusedDrink]) -> float | None:
    """After how long it is worth trying again, s; None when time cures nothing."""
    waits_s = [RETRY_S.get(one.rule, -1.0) for one in refused]
    return None if min(waits_s) < 0 else max(waits_s)


def _is_visibly_off(dose: PouredDose) -> bool:
    return abs(dose.error_ml) > max(VISIBLY_OFF * dose.asked_ml, mi008_ml(dose.asked_ml))
