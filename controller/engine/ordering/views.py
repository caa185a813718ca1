"""Orders as people see them, and how long they wait."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from msgspec.structs import replace

from controller.engine.ordering.register import OPERATOR, owner_of
from controller.ledger.orders import Order
from controller.model.fields import like
from controller.model.orders import Difference, OrderState, OrderView, QueueView
from controller.model.remark import Remark

WAIT_STEP_S = 5.0  # waits are said in steps: nobody knows them better
SAME_S = 15.0  # an estimate that has moved by less is not told anew


@dataclass(frozen=True, kw_only=True)
class News:
    """What has changed: an order for its owner and the operator, or the queue for everybody (owner None).

    forgets: guests have been forgotten; nothing that was said of their orders before may be said again.
    """

    owner: str | None
    view: OrderView | QueueView
    forgets: bool = False


@dataclass(frozen=True, kw_only=True)
class Glance:
    """What holds for all orders at this moment."""

    at_wall_s: float
    places: Mapping[int, int]  # order -> place among those that wait
    before_s: Mapping[int, float]  # order -> until its pour begins
    next_s: float  # the same for one placed now
    lacks: Mapping[int, tuple[Remark, ...]]  # order -> what the machine lacks for it
    changed: Mapping[int, tuple[Difference, ...]]  # order -> what is no longer as ordered
    needs: tuple[Remark, ...]  # why a person is needed before anything can be poured
    call_ends_s: float | None  # until the call expires; None while the machine keeps the guest waiting
    consent_ends_s: float | None  # until when a phone may consent
    may_guests_consent: bool


def waits(waiting: Sequence[Order], *, left_s: float, handling_s: float) -> tuple[dict[int, float], float]:
    """Until the pour of each waiting order and of the next one placed begins: from plans and handling time.

    left_s: of the pour under way. waiting: in their order.
    """
    at_s, before = left_s, dict[int, float]()
    for one in waiting:
        at_s += handling_s
        before[one.seq] = WAIT_STEP_S * round(at_s / WAIT_STEP_S)
        at_s += one.drink.seconds
    return before, WAIT_STEP_S * round((at_s + handling_s) / WAIT_STEP_S)


def view(order: Order, glance: Glance) -> OrderView:
    """One order at this moment."""
    drink, at_wall_s, is_called = order.drink, glance.at_wall_s, order.state is OrderState.CALLED
    needs = _needs(order, glance) if order.seq in glance.places else ()
    return like(
        OrderView,
        order,
        drink,
        order=order.seq,
        recipe=order.request.recipe,
        at_wall_s=at_wall_s,
        name="" if order.guest is None else order.guest.name,
        times=order.request.times or 1.0,
        without=order.request.without,
        instead=order.request.instead,
        place=glance.places.get(order.seq),
        wait_s=None if needs else glance.before_s.get(order.seq),
        needs=needs,
        changed=glance.changed.get(order.seq, ()),
        call_ends_wall_s=_moment(at_wall_s, glance.call_ends_s) if is_called else None,
        may_consent=glance.may_guests_consent and drink.ethanol_g == 0 and owner_of(order) != OPERATOR,
        consent_ends_wall_s=_moment(at_wall_s, glance.consent_ends_s) if is_called else None,
    )


def _needs(order: Order, glance: Glance) -> tuple[Remark, ...]:
    """Why a person is needed before this order can be poured; nothing when not."""
    if order.seq in glance.changed:
        return (Remark(code="agreement", text="whoever placed it agrees to what has changed"),)
    if order.needs_nod:
        return (Remark(code="nod", text="the operator agrees to alcohol"),)
    return glance.needs or glance.lacks.get(order.seq, ())


def is_news(now: OrderView | QueueView, told: OrderView | QueueView | None) -> bool:
    """Whether this differs from what was told before by more than that time has passed."""
    if told is None:
        return True
    if (now.wait_s is None) != (told.wait_s is None):
        return True
    if now.wait_s is not None and told.wait_s is not None:
        moved_s = (now.at_wall_s + now.wait_s) - (told.at_wall_s + told.wait_s)
        if abs(moved_s) >= SAME_S:
            return True
    return replace(now, at_wall_s=0.0, wait_s=None) != replace(told, at_wall_s=0.0, wait_s=None)


def _moment(at_wall_s: float, in_s: float | None) -> float | None:
    return None if in_s is None else float(round(at_wall_s + in_s))
