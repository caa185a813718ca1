"""Orders in the ledger's database. Who placed them is kept beside them, and forgotten after the event."""

import sqlite3
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from msgspec import json
from msgspec.structs import astuple

from controller.ledger.database import Tables, insert, value_of
from controller.model.fields import Value
from controller.model.orders import OrderState
from controller.model.requests import PourRequest


class Drink(Value, frozen=True, kw_only=True):
    """What an order comes to, as whoever placed it agreed to it; None: of an order from before that was kept."""

    glass: str
    volume_ml: float
    ethanol_g: float
    seconds: float  # pumps' time
    doses_ml: dict[str, float]  # by liquid
    abv_percent: float | None = None
    allergens: tuple[str, ...] | None = None
    may_contain: tuple[str, ...] | None = None
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
_KNOWN = f"SELECT {_COLUMNS}, g.owner, g.key, g.name, g.secret FROM drink_order o LEFT JOIN guest g USING (seq)"


class OrderBook(Tables):
    """Orders, as they are placed and as they change."""

    def open(self) -> tuple[Order, ...]:
        """Those that are open, by their ranks."""
        return tuple(map(_order, self._database.all(f"{_KNOWN} WHERE o.state IN {_OPEN} ORDER BY o.rank, o.seq")))

    def over(self, limit: int) -> tuple[Order, ...]:
        """Those whose guests are not forgotten, at most so many: failed ones first, then those that ended last.

        The one that ended last stands last.
        """
        where = f"WHERE g.seq IS NOT NULL AND o.state NOT IN {_OPEN}"
        rows = self._database.all(
            f"{_KNOWN} {where} ORDER BY o.state != 'failed', o.ended_wall_s DESC, o.seq DESC LIMIT ?", (limit,)
        )
        return tuple(sorted(map(_order, rows), key=lambda one: (one.ended_wall_s or 0.0, one.seq)))

    def of(self, seq: int) -> Order | None:
        """One whose guest is not forgotten, or None."""
        row = self._database.one(f"{_KNOWN} WHERE g.seq IS NOT NULL AND o.seq = ?", (seq,))
        return None if row is None else _order(row)

    def placed_with(self, owner: str, key: str) -> Order | None:
        """The one that this owner has placed with this key, or None."""
        row = self._database.one(f"{_KNOWN} WHERE g.owner = ? AND g.key = ?", (owner, key))
        return None if row is None else _order(row)

    @property
    def last_number(self) -> int:
        """The highest that was called out at this event; 0 before the first."""
        row = self._database.one("SELECT coalesce(max(number), 0) FROM drink_order JOIN guest USING (seq)")
        return 0 if row is None else int(row[0])

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

    def forget_guests(self) -> tuple[Path, ...]:
        """Forget who placed which order: nothing of it stands in the file, its log or a damaged one set aside.

        Returns the damaged ones, which are deleted.
        """
        with self._database.transaction() as db:
            db.execute("DELETE FROM guest")
            _forget_reasons(db)
        self._database.empty_log()
        return self._database.drop_set_aside()

    def forget_ended_before(self, wall_s: float) -> bool:
        """Forget who placed the orders that had ended by then (Unix s); False, and nothing changed, without such."""
        old = f"seq IN (SELECT seq FROM drink_order WHERE state NOT IN {_OPEN} AND ended_wall_s < ?)"
        if self._database.one(f"SELECT 1 FROM guest WHERE {old} LIMIT 1", (wall_s,)) is None:
            return False
        kept = self._database.all(f"SELECT * FROM guest WHERE NOT {old}", (wall_s,))
        with self._database.transaction() as db:
            db.execute("DELETE FROM guest")  # as a whole: so no page keeps a copy of a row that was moved
            db.executemany("INSERT INTO guest VALUES (?, ?, ?, ?, ?)", kept)
            _forget_reasons(db)
        self._database.empty_log()
        return True


def _forget_reasons(db: sqlite3.Connection) -> None:
    """What the operator wrote is free text: it may name a guest."""
    db.execute(
        "UPDATE drink_order SET reason = '' WHERE rule = 'operator' AND reason != '' AND seq NOT IN"
        " (SELECT seq FROM guest)"
    )


def _order(row: Sequence[Any]) -> Order:
    guest = None if row[15] is None else value_of(Guest, row[15:])
    return value_of(Order, row[:15], request=json.decode(row[4]), drink=json.decode(row[5]), guest=guest)


def _row(order: Order) -> tuple[object, ...]:
    row = astuple(order)
    return (*row[:4], json.encode(order.request).decode(), json.encode(order.drink).decode(), *row[6:15])
