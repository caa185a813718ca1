"""Orders: one drink that somebody wants, from the phone or the counter to the glass that is taken."""

from enum import StrEnum
from typing import Annotated, Literal

from msgspec import Meta

from controller.model.book import House
from controller.model.fields import Value
from controller.model.remark import Remark
from controller.model.views import Key, Swap, Times

# One line without control characters (C1 too: U+009B commands a terminal, ECMA-48 section 5.3), without what markup
# begins with or what turns the direction of text; "$" alone lets a last line feed pass.
NAME = r"^[^\x00-\x1f\x7f-\x9f<>&\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069]*$(?!\n)"
GuestName = Annotated[str, Meta(max_length=40, pattern=NAME)]
Secret = Annotated[str, Meta(min_length=1, max_length=80)]


class OrderState(StrEnum):
    """Where an order stands."""

    PLACED = "placed"  # waits in the queue
    CALLED = "called"  # its glass is asked for
    POURING = "pouring"
    READY = "ready"  # poured, the glass stands there
    TAKEN = "taken"
    WITHDRAWN = "withdrawn"  # by whoever placed it
    EXPIRED = "expired"  # called, and no glass came in time
    REFUSED = "refused"  # by a rule or the operator
    FAILED = "failed"  # the pour ended with part of it in the glass


class OrderEvent(StrEnum):
    """What happens to an order."""

    CALL = "call"
    PUT_BACK = "put back"  # another one is called instead, or nothing was poured
    BEGIN = "begin"
    DONE = "done"
    FAIL = "fail"
    TAKE = "take"
    WITHDRAW = "withdraw"
    EXPIRE = "expire"
    REFUSE = "refuse"
    AGAIN = "again"  # a failed one gets its place back


class OrderRequest(Value, frozen=True, kw_only=True):
    """One drink. Repeated with the same key by the same person it is answered with the order that was placed before.

    without, instead: what the recipe allows. name: what is to be called out, forgotten after the event.
    """

    recipe: str
    key: Key
    name: GuestName = ""
    times: Times = 1.0
    without: tuple[str, ...] = ()
    instead: tuple[Swap, ...] = ()


class ConsentRequest(Value, frozen=True, kw_only=True):
    """The called glass stands under the outlet and its pour may begin.

    secret: of the order, from a guest's phone. empty_glass: the operator has seen an empty glass there; wanted where
    there is no glass contact.
    """

    order: int
    secret: Secret | None = None
    empty_glass: bool = False


class MoveRequest(Value, frozen=True, kw_only=True):
    """Put a waiting order on another place of the queue; 1 is the next to be called."""

    order: int
    place: Annotated[int, Meta(ge=1, le=10_000)]


class RefuseOrderRequest(Value, frozen=True, kw_only=True):
    """The operator refuses an order."""

    order: int
    reason: Annotated[str, Meta(max_length=200)] = ""


class LastOrdersRequest(Value, frozen=True, kw_only=True):
    """Whether the last orders have been taken: those that wait are served, new ones are refused."""

    last_orders: bool


class Difference(Value, frozen=True, kw_only=True):
    """What of a drink is no longer as it was when it was ordered.

    about: dose (of the liquid `what`, mL), alcohol (g), strength (% vol), made_with and traces (the allergen `what` is
    new), gone (it cannot be had as ordered; `what` says why).
    """

    about: Literal["dose", "alcohol", "strength", "made_with", "traces", "gone"]
    what: str = ""
    now: float = 0.0
    then: float = 0.0

    def __str__(self) -> str:
        return {
            "dose": f"{self.what}: {self.now:.0f} mL instead of {self.then:.0f} mL",
            "alcohol": f"{self.now:.1f} g of alcohol instead of {self.then:.1f} g",
            "strength": f"{self.now:.1f} % vol instead of {self.then:.1f} % vol",
            "made_with": f"made with {self.what}",
            "traces": f"traces of {self.what} possible",
            "gone": self.what,
        }[self.about]


class AgreeRequest(Value, frozen=True, kw_only=True):
    """Whoever placed an order agrees to what has changed of it, as it was shown; another change is asked about anew."""

    order: int
    changed: Annotated[tuple[Difference, ...], Meta(max_length=100)]


class OrderView(Value, frozen=True, kw_only=True):
    """One order. Moments are Unix s by the machine's clock, as it shows `at_wall_s` now."""

    order: int
    number: int  # short, to call out
    recipe: str
    state: OrderState
    at_wall_s: float
    name: str = ""
    times: float = 1.0
    glass: str = ""
    volume_ml: float = 0.0
    ethanol_g: float = 0.0
    changes: tuple[str, ...] = ()  # what of the recipe is left out or replaced, in this order; then what was rounded
    without: tuple[str, ...] = ()
    instead: tuple[Swap, ...] = ()
    ahead: tuple[str, ...] = ()  # hand steps: what a person can prepare before the glass is wetted
    place: int | None = None  # in the queue, 1 is the next; None when it waits no more
    wait_s: float | None = None  # until its pour begins, from at_wall_s; None when that hangs on a person
    needs: tuple[Remark, ...] = ()  # why a person is needed before it can be poured
    needs_nod: bool = False  # alcohol waits for the operator's nod
    changed: tuple[Difference, ...] = ()  # since it was ordered; it waits until whoever placed it agrees
    seconds: float = 0.0  # pumps' time
    placed_wall_s: float = 0.0
    called_wall_s: float | None = None
    call_ends_wall_s: float | None = None  # when it expires without a glass
    began_wall_s: float | None = None
    ended_wall_s: float | None = None
    operation: str | None = None  # that pours it
    may_consent: bool = False  # whether the guest's own phone may say that the glass stands there
    consent_ends_wall_s: float | None = None  # until when the phone may say so, once a glass was set down
    rule: str = ""  # why it is over: the rule that refused it, operator, call (it expired), how its pour ended
    reason: str = ""  # why it is withdrawn, expired, refused or failed


class PlacedOrder(Value, frozen=True, kw_only=True):
    """The answer to whoever placed an order; nobody else gets the secret."""

    order: OrderView
    secret: Secret


class QueueView(Value, frozen=True, kw_only=True):
    """The queue in short: what a new order would meet. `closed`: why no order is taken, "" when one is."""

    at_wall_s: float
    closed: str
    waiting: int
    wait_s: float | None  # of a new order; None when that hangs on a person
    needs: tuple[Remark, ...]  # why a person is needed
    last_orders: bool
    house: House
    book: str = ""  # its title


class Forgotten(Value, frozen=True, kw_only=True):
    """Guests are forgotten; deleted: ledgers that had been set aside as damaged and may have named them."""

    queue: QueueView
    deleted: tuple[str, ...]


class Orders(Value, frozen=True, kw_only=True):
    """The queue and its orders: a guest's own ones, or all for the operator.

    open ones first in the order of the queue, then those that are over, the latest first. short: containers that will
    run out within the queue, for the operator.
    """

    queue: QueueView
    orders: tuple[OrderView, ...]
    short: tuple[Remark, ...] = ()


class GuestToken(Value, frozen=True, kw_only=True):
    """A guest's own token, given for the token of the invitation."""

    token: str
    expires_wall_s: float
