"""Orders that are known: kept in memory as the ledger has them, changed by the table of states only."""

from contextlib import suppress
from typing import Any

from msgspec.structs import replace

from controller.clock import Clock
from controller.errors import RecordError, Refused
from controller.ledger.orders import Guest, Order
from controller.ledger.store import Ledger
from controller.model.order_states import OPEN, WAITING, after
from controller.model.orders import OrderEvent, OrderState

OPERATOR = ""  # owner of what the operator orders
# What people say, which nobody would say again after a power cut; all else follows again from guard, glass and time.
SAID = frozenset({OrderEvent.WITHDRAW, OrderEvent.REFUSE, OrderEvent.AGAIN})


class Register:
    """Every open order, and those that are over until their guests are forgotten."""

    def __init__(self, ledger: Ledger, clock: Clock) -> None:
        self._book, self._clock = ledger.orders, clock
        self.last_orders = self._book.last_orders
        self._orders = {one.seq: one for one in self._book.known()}
        self._open = {one.seq: one for one in self._orders.values() if one.state in OPEN}
        # When an order was placed or ended last (Unix s), of those that are known; None when there is none.
        self.touched_wall_s = max(map(_touched_wall_s, self._orders.values()), default=None)
        self._next_seq = self._book.last_seq + 1
        if not self._orders:
            with suppress(RecordError):  # a disk without space: tried again at the next start
                ledger.empty_log()  # power may have failed between forgetting guests and emptying the log

    def all(self) -> tuple[Order, ...]:
        """Every one."""
        return tuple(self._orders.values())

    def in_state(self, *states: OrderState) -> list[Order]:
        """Those in one of these states, in which an order is open."""
        return [one for one in self._open.values() if one.state in states]

    def waiting(self) -> list[Order]:
        """Those that wait, in the order of the queue."""
        return sorted(self.in_state(*WAITING), key=lambda one: (one.rank, one.seq))

    def called(self) -> Order | None:
        """The one whose glass is asked for."""
        return next(iter(self.in_state(OrderState.CALLED)), None)

    def of(self, seq: int, owner: str) -> Order:
        """One order; KeyError when there is none of this number, or it is somebody else's."""
        order = self._orders.get(seq)
        if order is None or owner not in (OPERATOR, owner_of(order)):
            raise KeyError(f"order {seq}")
        return order

    def placed_with(self, key: str, owner: str) -> Order | None:
        """The order that this owner has placed with this key."""
        wanted = (owner, key)
        return next(
            (one for one in self.all() if one.guest is not None and (one.guest.owner, one.guest.key) == wanted), None
        )

    def place(self, guest: Guest, **of_order: Any) -> Order:
        """A new order, behind all others; on disk when this returns."""
        order = Order(
            seq=self._next_seq,
            number=1 + max((one.number for one in self.all()), default=0),
            rank=1.0 + max((one.rank for one in self.waiting()), default=0.0),
            state=OrderState.PLACED,
            placed_wall_s=self._clock.wall_s(),
            guest=guest,
            **of_order,
        )
        self._book.place(order)
        self._next_seq += 1
        return self._keep(order)

    def change(self, order: Order, event: OrderEvent, **more: Any) -> Order:
        """What follows from this event; Refused, and nothing changed, where the table does not have it."""
        state = after(order.state, event)
        if state is None:
            raise not_now(order, str(event))
        ended = {} if state in OPEN else {"ended_wall_s": self._clock.wall_s()}
        return self.save(replace(order, state=state, **ended, **more), lazily=event not in SAID)

    def save(self, order: Order, *, lazily: bool = False) -> Order:
        """Put on record what has become of an order."""
        self._book.save(order, lazily=lazily)
        return self._keep(order)

    def move(self, order: Order, place: int) -> Order:
        """Put a waiting order on this place (from 1) among those that wait."""
        others = [one for one in self.waiting() if one.seq != order.seq]
        before, behind = others[: place - 1], others[place - 1 :]
        if before and behind:
            rank = (before[-1].rank + behind[0].rank) / 2
        elif before or behind:
            rank = before[-1].rank + 1.0 if before else behind[0].rank - 1.0
        else:
            rank = order.rank
        return self.save(replace(order, rank=rank))

    def set_last_orders(self, is_last: bool) -> None:
        """Whether new orders are refused; remembered over restarts."""
        self._book.set_last_orders(is_last)
        self.last_orders = is_last

    def forget_guests(self) -> None:
        """Forget who placed what."""
        self._book.forget_guests()
        self._orders.clear()
        self._open.clear()
        self.touched_wall_s = None

    def _keep(self, order: Order) -> Order:
        self._orders[order.seq] = order
        self._open.pop(order.seq, None)
        if order.state in OPEN:
            self._open[order.seq] = order
        self.touched_wall_s = max(self.touched_wall_s or 0.0, _touched_wall_s(order))
        return order


def _touched_wall_s(order: Order) -> float:
    return order.placed_wall_s if order.ended_wall_s is None else order.ended_wall_s


def owner_of(order: Order) -> str:
    """Who placed it; the operator when that is forgotten."""
    return OPERATOR if order.guest is None else order.guest.owner


def not_now(order: Order, what: str) -> Refused:
    """The refusal of what an order's state does not allow."""
    return Refused(rule="order_state", reason=f"order {order.number} is {order.state}: no {what} now.")
