"""What happens to orders by itself: the next is called, calls expire, pours end, glasses are taken."""

from msgspec.structs import replace

from controller.clock import Clock
from controller.engine.guard_mirror import GuardMirror
from controller.engine.ordering.register import Register
from controller.engine.pouring import Pouring
from controller.ledger.orders import Order
from controller.ledger.records import REFUSED
from controller.ledger.store import Ledger
from controller.model.book import House
from controller.model.messages import InputReport
from controller.model.orders import Difference, OrderEvent, OrderState
from controller.model.remark import Remark
from controller.model.states import OperationKind, Outcome


class Flow:
    """Follows the machine for the queue's sake.

    Attributes:
        set_down_s: since when a fresh glass stands under the outlet, None when none does.
    """

    def __init__(self, *, register: Register, ledger: Ledger, clock: Clock, mirror: GuardMirror) -> None:
        self._register, self._ledger, self._clock, self._mirror = register, ledger, clock, mirror
        self.set_down_s: float | None = None
        self._called_s = clock.now_s()
        self._patient_s = clock.now_s()  # the called guest could not be served before
        self._changed: dict[int, tuple[Difference, ...]] = {}
        self._house: House
        self._pouring: Pouring

    def work_with(self, house: House, pouring: Pouring) -> None:
        """The book was read, at the start or again."""
        self._house, self._pouring = house, pouring

    def needs(self) -> tuple[Remark, ...]:
        """Why a person is needed before anything can be poured; nothing when not."""
        report, current = self._mirror.report, self._mirror.current
        if report is None:
            return (Remark(code="silent", text="the machine does not answer"),)
        if report.fault is not None:
            return (Remark(code="fault", text="the machine has stopped by a fault"),)
        if self._mirror.is_under_way() and current is not None and current.asked.kind is not OperationKind.SERVE:
            return (Remark(code="busy", text=f"the machine is not serving now ({current.asked.kind})"),)
        if report.inputs.tray_full:
            return (Remark(code="tray", text="the drip tray is full"),)
        return ()

    def call_ends_s(self) -> float | None:
        """Until the call expires (s); None while the machine keeps the called guest waiting."""
        if self._is_busy():
            return None
        return self._patient_s + self._house.call_lasts_s - self._clock.now_s()

    def stands_for_s(self) -> float | None:
        """Since when a fresh glass stands there that was set down after the call (s); None when none does."""
        if self.set_down_s is None or self.set_down_s < self._called_s:
            return None
        return self._clock.now_s() - self.set_down_s

    def note(self) -> None:
        """Take in what the guard has said of the glass and of the pour."""
        inputs = self._inputs()
        stands = inputs is not None and bool(inputs.glass_present and inputs.fresh_glass)
        if not stands:
            self.set_down_s = None
        elif self.set_down_s is None:
            self.set_down_s = self._clock.now_s()
        for order in self._register.in_state(OrderState.POURING):
            self._note_pour(order)
        if inputs is not None and inputs.glass_present is False:
            for order in self._register.in_state(OrderState.READY):
                self._register.change(order, OrderEvent.TAKE)

    def compare(self) -> None:
        """See which of the orders that wait are no longer what was ordered; without the guard nobody knows."""
        if self._mirror.report is None:
            return
        self._changed = {
            one.seq: found
            for one in self._register.waiting()
            if (found := self._pouring.changed(one.request, one.drink))
        }

    @property
    def changed(self) -> dict[int, tuple[Difference, ...]]:
        """Order -> what is no longer as ordered, of those that wait, as `compare` found it."""
        return {one.seq: self._changed[one.seq] for one in self._register.waiting() if one.seq in self._changed}

    def go_on(self) -> None:
        """A call that nobody answers expires; without one the next order that can be poured is called."""
        self._expire()
        called = self._register.called()
        if called is not None and called.seq in self._changed:
            self._register.change(called, OrderEvent.PUT_BACK)
        if self._register.called() is None and not self.needs():
            following = self._next()
            if following is not None:
                self.call(following)

    def call(self, order: Order) -> Order:
        """Ask for this order's glass."""
        self._called_s = self._patient_s = self._clock.now_s()
        return self._register.change(order, OrderEvent.CALL, called_wall_s=self._clock.wall_s())

    def _next(self) -> Order | None:
        agreed = [one for one in self._register.waiting() if not one.needs_nod and one.seq not in self._changed]
        lacks = self._pouring.lacks([one.drink.doses_ml for one in agreed])
        return next((one for one, lacking in zip(agreed, lacks, strict=True) if not lacking), None)

    def _expire(self) -> None:
        called = self._register.called()
        if self._is_busy():
            self._patient_s = self._clock.now_s()
        elif called is not None and self._clock.now_s() >= self._patient_s + self._house.call_lasts_s:
            self._register.change(called, OrderEvent.EXPIRE, rule="call", reason="called, and no glass was set down")

    def _is_busy(self) -> bool:
        """Whether the called guest has to wait for the machine, or the machine for consent, not for the glass."""
        is_ready = bool(self._register.in_state(OrderState.READY))
        return self._mirror.is_under_way() or is_ready or self.set_down_s is not None or bool(self.needs())

    def _note_pour(self, order: Order) -> None:
        current = self._mirror.current
        if current is not None and current.asked.operation == order.operation:
            outcome = REFUSED if current.refused else current.outcome
            reason = current.refused[0].reason if current.refused else current.reason
            deliveries = tuple(current.booked.values())
            if current.admitted and order.began_wall_s is None:
                order = self._register.save(replace(order, began_wall_s=self._clock.wall_s()), lazily=True)
        else:
            entry = self._ledger.entry(order.operation or "")
            outcome = REFUSED if entry is None else entry.outcome
            reason, deliveries = ("", ()) if entry is None else (entry.reason, entry.deliveries)
        if outcome is None:
            return
        if outcome == Outcome.DONE:
            self._register.change(order, OrderEvent.DONE)
        elif any(one.on_s > 0 for one in deliveries):
            self._register.change(order, OrderEvent.FAIL, rule=str(outcome), reason=reason or str(outcome))
        else:  # nothing was poured: it may be asked for again
            self._patient_s = self._clock.now_s()
            self._register.change(
                order, OrderEvent.PUT_BACK, attempt=order.attempt + 1, operation=None, began_wall_s=None, reason=reason
            )

    def _inputs(self) -> InputReport | None:
        return None if self._mirror.report is None else self._mirror.report.inputs
