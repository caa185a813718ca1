"""How an order goes from one state to the next: a literal table; what is not in it is refused and changes nothing."""

from collections.abc import Mapping

from controller.model.orders import OrderEvent as E
from controller.model.orders import OrderState as S

NEXT: Mapping[S, Mapping[E, S]] = {
    S.PLACED: {E.CALL: S.CALLED, E.WITHDRAW: S.WITHDRAWN, E.EXPIRE: S.EXPIRED, E.REFUSE: S.REFUSED},
    S.CALLED: {
        E.BEGIN: S.POURING,
        E.PUT_BACK: S.PLACED,
        E.WITHDRAW: S.WITHDRAWN,
        E.EXPIRE: S.EXPIRED,
        E.REFUSE: S.REFUSED,
    },
    S.POURING: {E.DONE: S.READY, E.FAIL: S.FAILED, E.PUT_BACK: S.CALLED},
    S.READY: {E.TAKE: S.TAKEN},
    S.FAILED: {E.AGAIN: S.PLACED, E.REFUSE: S.REFUSED},
    S.TAKEN: {},
    S.WITHDRAWN: {},
    S.EXPIRED: {},
    S.REFUSED: {},
}
WAITING = frozenset({S.PLACED, S.CALLED})
OPEN = frozenset({S.PLACED, S.CALLED, S.POURING, S.READY})


def after(state: S, event: E) -> S | None:
    """The state that follows; None when the event is not allowed there."""
    return NEXT[state].get(event)
