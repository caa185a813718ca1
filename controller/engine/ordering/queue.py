"""The queue of orders: what guests and the operator ask of it.

No order moves a pump by itself. After the call a glass is set down and somebody at the machine consents; then the order
is poured as any drink is, and the guard has the last word.
"""

import secrets
from collections.abc import Callable

import structlog
from msgspec.structs import replace

from controller.clock import Clock
from controller.engine.background import Work
from controller.engine.guard_mirror import GuardMirror
from controller.engine.ordering import rules, views
from controller.engine.ordering.flow import Flow
from controller.engine.ordering.register import OPERATOR, Register, not_now, owner_of
from controller.engine.ordering.views import Glance, News
from controller.engine.pouring import Pouring
from controller.errors import Refused, TundishError
from controller.ledger.orders import Drink, Guest, Order
from controller.ledger.store import Ledger
from controller.model.book import House
from controller.model.order_states import OPEN, WAITING
from controller.model.orders import (
    AgreeRequest,
    ConsentRequest,
    Difference,
    Forgotten,
    OrderEvent,
    OrderRequest,
    Orders,
    OrderState,
    OrderView,
    PlacedOrder,
    QueueView,
)
from controller.model.plan import CONSENT_S, Consent, Segment
from controller.model.profile import Profile
from controller.model.remark import Remark, said
from controller.model.requests import PourRequest
from controller.model.sums import summed
from controller.model.views import Asked

log = structlog.get_logger()

LOOK_S = 5.0  # between two looks at what is due while orders wait
FORGET_S = 12 * 3600.0  # after the last order of an event was placed or ended, its guests are forgotten
# After an order's end whoever placed it is forgotten though the event goes on: the token that placed it has ended.
FORGET_EACH_S, FORGET_LOOK_S = 24 * 3600.0, 3600.0


class OrderQueue:
    """Takes orders, calls them in turn and pours those that somebody consents to."""

    def __init__(self, *, profile: Profile, ledger: Ledger, clock: Clock, mirror: GuardMirror, work: Work) -> None:
        self._profile, self._clock, self._mirror, self._work = profile, clock, mirror, work
        self._register = Register(ledger, clock)
        self._flow = Flow(register=self._register, ledger=ledger, clock=clock, mirror=mirror)
        self._pouring: Pouring
        self._title, self._house = "", House()
        self._look_s = self._forget_look_s = 0.0
        self._listeners: list[Callable[[News], None]] = []
        self._told: dict[int, OrderView] = {}
        self._told_queue: QueueView | None = None

    def work_with(self, title: str, house: House, pouring: Pouring) -> None:
        """The book of this title was read, at the start or again."""
        self._title, self._house, self._pouring = title, house, pouring
        self._flow.work_with(house, pouring)

    def plan(self, seq: int, owner: str) -> tuple[Segment, ...]:
        """The plan of the order that is poured; empty for one that is not."""
        order, current = self._register.of(seq, owner), self._mirror.current
        is_under_way = current is not None and current.asked.operation == order.operation
        return current.asked.segments if current is not None and is_under_way else ()

    def is_poured_by(self, operation: str, owner: str) -> bool:
        """Whether this operation pours, or has poured, an order of this owner."""
        return any(one.operation == operation and owner_of(one) == owner for one in self._register.all())

    def subscribe(self, listener: Callable[[News], None]) -> None:
        """Call listener with every change from now on."""
        self._listeners.append(listener)

    # --- what people see

    def view(self, seq: int, owner: str) -> OrderView:
        """One order; KeyError when there is none of this number, or it is somebody else's."""
        return views.view(self._register.of(seq, owner), self._glance())

    def queue(self) -> QueueView:
        """The queue in short."""
        return self._queue(self._glance())

    def orders(self, owner: str) -> Orders:
        """All orders for the operator, a guest's own ones."""
        seen = [one for one in self._register.all() if owner in (OPERATOR, owner_of(one))]
        is_open = sorted((one for one in seen if one.state in OPEN), key=_in_line)
        is_over = sorted((one for one in seen if one.state not in OPEN), key=lambda one: -(one.ended_wall_s or 0.0))
        glance = self._glance()
        return Orders(
            queue=self._queue(glance),
            orders=tuple(views.view(one, glance) for one in (*is_open, *is_over)),
            short=self._short() if owner == OPERATOR else (),
        )

    # --- what guests ask

    def check(self, request: OrderRequest, owner: str) -> None:
        """Refused when this order would be; nothing is placed."""
        if self._register.placed_with(request.key, owner) is None:
            rules.require_place(self._register, self._house, owner)
            self._pouring.drink(_pour(request))

    def place(self, request: OrderRequest, owner: str) -> PlacedOrder:
        """Place an order. Repeated with the same key by the same owner it answers with the one placed before."""
        order = self._register.placed_with(request.key, owner)
        if order is None:
            rules.require_place(self._register, self._house, owner)
            drink = self._pouring.drink(_pour(request))
            if lacks := self._pouring.lacks((drink.doses_ml,))[0]:
                raise Refused(rule="readiness", reason=said(lacks) + ".", remedy="Choose another drink.")
            order = self._register.place(
                Guest(owner=owner, key=request.key, name=request.name, secret=secrets.token_urlsafe(18)),
                request=_pour(request),
                drink=drink,
                needs_nod=self._needs_nod(drink, owner),
            )
            self._go_on()
        secret = "" if order.guest is None else order.guest.secret
        return PlacedOrder(order=self.view(order.seq, owner), secret=secret)

    def agree(self, request: AgreeRequest, owner: str) -> OrderView:
        """Whoever placed an order agrees to what has changed of it since; nothing happens when nothing has."""
        order = self._register.of(request.order, owner)
        if order.state not in WAITING:
            raise not_now(order, "change")
        changed = self._pouring.changed(order.request, order.drink)
        if changed:
            if changed != request.changed:
                raise _order_changed(changed)
            drink = self._pouring.drink(order.request)
            self._register.save(replace(order, drink=drink, needs_nod=self._needs_nod(drink, owner_of(order))))
            self._compare()
        return self.view(request.order, owner)

    def withdraw(self, seq: int, owner: str) -> OrderView:
        """Withdraw an order that waits."""
        order = self._register.of(seq, owner)
        rule = "" if owner == owner_of(order) else "operator"
        return self._changed(seq, OrderEvent.WITHDRAW, OrderState.WITHDRAWN, owner, rule=rule)

    # --- what people at the machine say

    def call(self, seq: int) -> OrderView:
        """Ask for this order's glass now; one that was called before it waits again."""
        order, other = self._register.of(seq, OPERATOR), self._register.called()
        if other is None or other.seq != seq:
            if order.state is not OrderState.PLACED:
                raise not_now(order, str(OrderEvent.CALL))
            if changed := self._pouring.changed(order.request, order.drink):
                raise _order_changed(changed)
            if order.needs_nod:
                raise Refused(rule="nod", reason="nobody has agreed to its alcohol.", remedy="Agree to it first.")
            if other is not None:
                self._register.change(other, OrderEvent.PUT_BACK)
            self._flow.call(order)
            self._tell()
        return self.view(seq, OPERATOR)

    def nod(self, seq: int) -> OrderView:
        """The operator agrees to an order with alcohol."""
        order = self._register.of(seq, OPERATOR)
        if order.needs_nod:
            self._register.save(replace(order, needs_nod=False))
            self._go_on()
        return self.view(seq, OPERATOR)

    def move(self, seq: int, place: int) -> OrderView:
        """Put a waiting order on this place among those that wait."""
        order = self._register.of(seq, OPERATOR)
        if order.state not in WAITING:
            raise not_now(order, "move")
        self._register.move(order, place)
        self._go_on()
        return self.view(seq, OPERATOR)

    def refuse(self, seq: int, reason: str) -> OrderView:
        """The operator refuses an order."""
        return self._changed(seq, OrderEvent.REFUSE, OrderState.REFUSED, OPERATOR, rule="operator", reason=reason)

    def taken(self, seq: int) -> OrderView:
        """The glass was taken."""
        return self._changed(seq, OrderEvent.TAKE, OrderState.TAKEN, OPERATOR)

    def again(self, seq: int) -> OrderView:
        """A failed order is to be poured anew; it has its place back."""
        attempt = self._register.of(seq, OPERATOR).attempt + 1
        more = {
            "attempt": attempt,
            "operation": None,
            "began_wall_s": None,
            "ended_wall_s": None,
            "rule": "",
            "reason": "",
        }
        return self._changed(seq, OrderEvent.AGAIN, OrderState.PLACED, OPERATOR, **more)

    def set_last_orders(self, is_last: bool) -> QueueView:
        """Whether new orders are refused from now on."""
        self._register.set_last_orders(is_last)
        self._tell()
        return self.queue()

    def forget_guests(self) -> Forgotten:
        """The event is over: no more orders, what waits is refused, and who placed which order is forgotten."""
        if self._register.in_state(OrderState.POURING):
            raise Refused(rule="one_at_a_time", reason="an order is being poured.", remedy="Wait for its end.")
        self._register.set_last_orders(True)
        deleted = self._forget()
        return Forgotten(queue=self.queue(), deleted=deleted)

    def consent(self, request: ConsentRequest, *, who: Consent, owner: str = OPERATOR) -> Asked:
        """Somebody at the machine says that the called glass stands there: pour it. Repeated, it is poured once."""
        order = self._register.of(request.order, owner)
        if order.operation is not None and order.state in (OrderState.POURING, OrderState.READY):
            return Asked(operation=order.operation)
        if order.state in WAITING and (changed := self._pouring.changed(order.request, order.drink)):
            self._compare()
            raise _order_changed(changed)
        if order.state is not OrderState.CALLED:
            raise not_now(order, "pour")
        if who == "guest":
            rules.require_own_phone(order, request, self._profile, self._flow.stands_for_s())
        is_seen = who == "button" or (request.empty_glass and who == "operator")
        asked = self._pouring.pour(replace(order.request, key=order.key, empty_glass=is_seen), who)
        for other in self._register.in_state(OrderState.READY):
            self._register.change(other, OrderEvent.TAKE)  # another glass stands there
        self._register.change(order, OrderEvent.BEGIN, operation=asked.operation)
        self._flow.note()  # a pour that was asked for before may be over
        self._go_on()
        return asked

    def consent_by_button(self) -> None:
        """The start button at the machine was pressed: consent to the called order, if its glass was set down."""
        called = self._register.called()
        sees_glass = self._profile.inputs.glass is not None or self._profile.scale is not None
        if called is None or self._mirror.is_under_way() or (sees_glass and self._flow.stands_for_s() is None):
            return
        try:
            self.consent(ConsentRequest(order=called.seq), who="button")
        except TundishError as error:
            log.warning("button_refused", order=called.seq, reason=str(error))

    # --- driven by the engine

    def on_change(self) -> None:
        """The guard has said something, or is gone: see what it means for orders."""
        self._flow.note()
        self._compare()

    def tick(self) -> float | None:
        """See what is due; when to call again (monotonic s), None when nothing is."""
        touched_wall_s, now_s = self._register.touched_wall_s, self._clock.now_s()
        if touched_wall_s is None:
            return None
        if now_s >= self._forget_look_s:
            self._forget_look_s = now_s + FORGET_LOOK_S
            self._register.forget_ended_before(self._clock.wall_s() - FORGET_EACH_S)
        left_s = touched_wall_s + FORGET_S - self._clock.wall_s()
        if left_s <= 0 and not self._register.in_state(OrderState.POURING):
            self._forget()
            return None
        if self._register.in_state(*WAITING):
            if now_s >= self._look_s:
                self._look_s = now_s + LOOK_S
                self._go_on()
            return self._look_s
        return now_s + min(max(left_s, LOOK_S), FORGET_LOOK_S)  # the wall clock may be set meanwhile

    # --- inside

    def _forget(self) -> tuple[str, ...]:
        for order in self._register.in_state(*WAITING):
            self._register.change(order, OrderEvent.REFUSE, rule="last_orders", reason="the event is over")
        for order in self._register.in_state(OrderState.READY):
            self._register.change(order, OrderEvent.TAKE)
        self._tell()
        deleted = tuple(map(str, self._register.forget_guests()))
        if deleted:
            log.warning("damaged_ledger_deleted", files=deleted)
        self._told.clear()
        self._told_queue = self.queue()
        self._say(News(owner=None, view=self._told_queue, forgets=True))
        return deleted

    def _compare(self) -> None:
        self._flow.compare()
        self._go_on()

    def _needs_nod(self, drink: Drink, owner: str) -> bool:
        return owner != OPERATOR and drink.ethanol_g > 0 and self._house.alcohol == "nod"

    def _go_on(self) -> None:
        self._flow.go_on()
        self._tell()

    def _changed(self, seq: int, event: OrderEvent, to: OrderState, owner: str, **more: object) -> OrderView:
        """An order after an event that leads to this state; nothing happens when it is there already."""
        order = self._register.of(seq, owner)
        if order.state is not to:
            self._register.change(order, event, **more)
            self._go_on()
        return self.view(seq, owner)

    def _short(self) -> tuple[Remark, ...]:
        """Containers that will not last for the orders that wait."""
        needed = summed(dose for one in self._register.waiting() for dose in one.drink.doses_ml.items())
        return self._pouring.lacks((needed,))[0]

    def _queue(self, glance: Glance) -> QueueView:
        return QueueView(
            at_wall_s=glance.at_wall_s,
            closed=rules.closed(self._register, self._house),
            waiting=len(glance.places),
            wait_s=None if glance.needs else glance.next_s,
            needs=glance.needs,
            last_orders=self._register.last_orders,
            house=self._house,
            book=self._title,
        )

    def _glance(self) -> Glance:
        now_s, waiting, current = self._clock.now_s(), self._register.waiting(), self._mirror.current
        left_s = 0.0
        if current is not None and self._mirror.is_under_way():
            under_way = current.view(now_s)
            left_s = max(0.0, under_way.planned_s - under_way.elapsed_s)
        before_s, next_s = views.waits(waiting, left_s=left_s, handling_s=self._house.handling_s)
        lacks = self._pouring.lacks([one.drink.doses_ml for one in waiting])
        stands_for_s = self._flow.stands_for_s()
        return Glance(
            at_wall_s=self._clock.wall_s(),
            places={one.seq: number for number, one in enumerate(waiting, 1)},
            before_s=before_s,
            next_s=next_s,
            lacks={one.seq: lacking for one, lacking in zip(waiting, lacks, strict=True)},
            changed=self._flow.changed,
            needs=self._flow.needs(),
            call_ends_s=self._flow.call_ends_s(),
            consent_ends_s=None if stands_for_s is None else CONSENT_S - stands_for_s,
            may_guests_consent=self._profile.inputs.guests_may_consent,
        )

    def _tell(self) -> None:
        """Tell of every order that has changed, and of the queue."""
        if not self._listeners:
            return
        glance, known = self._glance(), self._register.all()
        self._told = {one.seq: self._told[one.seq] for one in known if one.seq in self._told}
        for order in known:
            told = self._told.get(order.seq)
            if told is not None and told.state is order.state and order.state not in OPEN:
                continue  # nothing happens to it any more
            view = views.view(order, glance)
            if views.is_news(view, told):
                self._told[order.seq] = view
                self._say(News(owner=owner_of(order), view=view))
        queue = self._queue(glance)
        if views.is_news(queue, self._told_queue):
            self._told_queue = queue
            self._say(News(owner=None, view=queue))

    def _say(self, news: News) -> None:
        for listener in self._listeners:
            listener(news)


def _order_changed(changed: tuple[Difference, ...]) -> Refused:
    return Refused(
        rule="order_changed",
        reason="this drink is no longer what was ordered.",
        asked="; ".join(map(str, changed)),
        remedy="Whoever ordered it agrees to that (tundish orders confirm), or withdraws it.",
    )


def _pour(request: OrderRequest) -> PourRequest:
    return PourRequest(recipe=request.recipe, times=request.times, without=request.without, instead=request.instead)


def _in_line(order: Order) -> tuple[bool, float, int]:
    return (order.state in WAITING, order.rank, order.seq)
