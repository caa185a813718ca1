"""Orders in the ledger's database. Who placed them is kept beside them, and forgotten after the event."""

from msgspec import json
from msgspec.structs import astuple

from controller.ledger.database import Tables, insert, value_of
from controller.model.fields import Value
from controller.model.orders import OrderState
from controller.model.requests import PourRequest


class Drink(Value, frozen=True, kw_only=True):
    """What an order comes to, as it was planned when it was placed."""

    glass: str
    volume_ml: float
    ethanol_g: float
    seconds: float  # pumps' time
    doses_ml: dict[str, float]  # by liquid
    changes: tuple[str, ...] = ()
    ahead: tuple[str, ...] = ()  # hand steps


class Guest(Value, frozen=True, kw_only=True):
    """Who placed an order; owner is "" for the operator. The secret is the phone's alone."""

    owner: str
    key: str
    name: str
    secret: str


class Order(Value, frozen=True, kw_only=True):
    """One order on record. rank: its place among those that wait, the lowest first; attempt: counts its pours."""

    seq: int
    number: int
    rank: float
    state: OrderState
    request: PourRequest
    drink: Drink
    needs_nod: bool
    placed_wall_s: float
    called_wall_s: float | None = None
    began_wall_s: float | None = None
    ended_wall_s: float | None = None
    attempt: int = 1
    operation: str | None = None
    rule: str = ""
    reason: str = ""
    guest: Guest | None = None  # None once forgotten

    @property
    def key(self) -> str:
        """By which its present pour is asked for, so that none is poured twice."""
        return f"order {self.seq}, {self.attempt}"


_COLUMNS = (
    "o.seq, o.number, o.rank, o.state, o.request, o.drink, o.needs_nod, o.placed_wall_s, o.called_wall_s,"
    " o.began_wall_s, o.ended_wall_s, o.attempt, o.operation, o.rule, o.reason"
)
_OPEN = "('placed', 'called', 'pouring', 'ready')"


class OrderBook(Tables):
    """Orders, as they are placed and as they change."""

    def known(self) -> tuple[Order, ...]:
        """Those that are open, and those whose guests are not forgotten, in the order of their ranks."""
        rows = self._database.all(
            f"SELECT {_COLUMNS}, g.owner, g.key, g.name, g.secret FROM drink_order o LEFT JOIN guest g USING (seq)"
            f" WHERE o.state IN {_OPEN} OR g.seq IS NOT NULL ORDER BY o.rank, o.seq"
        )
        return tuple(
            value_of(
                Order,
                row[:15],
                request=json.decode(row[4]),
                drink=json.decode(row[5]),
                guest=None if row[15] is None else value_of(Guest, row[15:]),
            )
            for row in rows
        )

    @property
    def last_seq(self) -> int:
        """Of the order that was placed last, whenever that was; 0 before the first."""
        row = self._database.one("SELECT coalesce(max(seq), 0) FROM drink_order")
        return 0 if row is None else int(row[0])

    @property
    def last_orders(self) -> bool:
        """Whether the last orders have been taken."""
        row = self._database.one("SELECT last_orders FROM house")
        return row is not None and bool(row[0])

    def set_last_orders(self, is_last: bool) -> None:
        """Record whether the last orders have been taken."""
        self._database.change("UPDATE house SET last_orders = ?", is_last)

    def place(self, order: Order) -> None:
        """Record a new order with its guest; on disk when this returns."""
        guest = order.guest
        with self._database.transaction() as db:
            db.execute(f"INSERT INTO drink_order VALUES ({', '.join('?' * 15)})", _row(order))
            if guest is not None:
                insert(db, "guest", guest, seq=order.seq)

    def save(self, order: Order, *, lazily: bool = False) -> None:
        """Record what has become of an order; lazily: what would follow again after a power cut."""
        with self._database.transaction(lazily=lazily) as db:
            db.execute(f"INSERT OR REPLACE INTO drink_order VALUES ({', '.join('?' * 15)})", _row(order))

    def forget_guests(self) -> None:
        """Forget who placed which order: nothing of it stands in the file or its log when this returns."""
        with self._database.transaction() as db:
            db.execute("DELETE FROM guest")
            db.execute("UPDATE drink_order SET reason = '' WHERE rule = 'operator'")  # free text: it may name somebody
        self._database.empty_log()


def _row(order: Order) -> tuple[object, ...]:
    row = astuple(order)
    return (*row[:4], json.encode(order.request).decode(), json.encode(order.drink).decode(), *row[6:15])
