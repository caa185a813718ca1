"""Orders that are known: kept in memory as the ledger has them, changed by the table of states only.

In memory, and in answers, are all that are open (the house's rules bound them) and the OVER_KEPT that ended last, of
which failed ones, which wait for somebody's word, go last. The others are found in the ledger by number and by key.
"""

from contextlib import suppress
from pathlib import Path
from typing import Any

from msgspec.structs import replace

from controller.clock import Clock
from controller.errors import RecordError, Refused
from controller.ledger.orders import Guest, Order
from controller.ledger.store import Ledger
from controller.model.order_states import OPEN, WAITING, after
from controller.model.orders import OrderEvent, OrderState

OPERATOR = ""  # owner of what the operator orders
OVER_KEPT = 100
# What people say, which nobody would say again after a power cut; all else follows again from guard, glass and time.
SAID = frozenset({OrderEvent.WITHDRAW, OrderEvent.REFUSE, OrderEvent.AGAIN})


class Register:
    """Every open order, and the latest of those that are over, until their guests are forgotten."""

    def __init__(self, ledger: Ledger, clock: Clock) -> None:
        self._book, self._clock = ledger.orders, clock
        self.last_orders = self._book.last_orders
        self._open = {one.seq: one for one in self._book.open()}
        self._over = {one.seq: one for one in self._book.over(OVER_KEPT)}  # those that ended first stand first
        # When an order was placed or ended last (Unix s), of those that are known; None when there is none.
        self.touched_wall_s = max(map(_touched_wall_s, self.all()), default=None)
        self._next_seq, self._next_number = self._book.last_seq + 1, self._book.last_number + 1
        with suppress(RecordError):  # a disk without space: tried again at the next start
            ledger.empty_log()  # power may have failed between forgetting guests and emptying the log

    def all(self) -> tuple[Order, ...]:
        """Every one that is kept in memory."""
        return (*self._open.values(), *self._over.values())

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
        order = self._open.get(seq) or self._over.get(seq) or self._book.of(seq)
        if order is None or owner not in (OPERATOR, owner_of(order)):
            raise KeyError(f"order {seq}")
        return order

    def placed_with(self, key: str, owner: str) -> Order | None:
        """The order that this owner has placed with this key, however long ago that is at this event."""
        known = self._book.placed_with(owner, key)
        return None if known is None else self.of(known.seq, owner)

    def place(self, guest: Guest, **of_order: Any) -> Order:
        """A new order, behind all others; on disk when this returns."""
        order = Order(
            seq=self._next_seq,
            number=self._next_number,
            rank=1.0 + max((one.rank for one in self.waiting()), default=0.0),
            state=OrderState.PLACED,
            placed_wall_s=self._clock.wall_s(),
            guest=guest,
            **of_order,
        )
        self._book.place(order)
        self._next_seq += 1
        self._next_number += 1
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

    def forget_guests(self) -> tuple[Path, ...]:
        """Forget who placed what; the ledgers that were set aside as damaged and are deleted, since they may say it."""
        deleted = self._book.forget_guests()
        self._over.clear()
        self._open.clear()
        self.touched_wall_s, self._next_number = None, 1
        return deleted

    def forget_ended_before(self, wall_s: float) -> None:
        """Forget who placed the orders that had ended by then (Unix s), while the event goes on."""
        if self._book.forget_ended_before(wall_s):
            self._over = {seq: one for seq, one in self._over.items() if (one.ended_wall_s or wall_s) >= wall_s}

    def _keep(self, order: Order) -> Order:
        self._open.pop(order.seq, None)
        self._over.pop(order.seq, None)
        (self._open if order.state in OPEN else self._over)[order.seq] = order
        if len(self._over) > OVER_KEPT:
            done = (one.seq for one in self._over.values() if one.state is not OrderState.FAILED)
            del self._over[next(done, next(iter(self._over)))]
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
