"""Addresses of orders and of the guests who place them."""

from typing import Any

from controller.engine.http.addresses import Address, begin, get, post
from controller.model.fields import Value
from controller.model.orders import (
    ConsentRequest,
    GuestToken,
    LastOrdersRequest,
    MoveRequest,
    OrderRequest,
    Orders,
    OrderView,
    PlacedOrder,
    QueueView,
    RefuseOrderRequest,
)
from controller.model.plan import Segment


def _order(verb: str, name: str, says: str, takes: type[Value] | None = None, **more: Any) -> Address:
    return post(f"/v1/orders/{{order}}/{verb}", name, says, takes, OrderView, **more)


ORDERS: tuple[Address, ...] = (
    post(
        "/v1/guests",
        "welcome",
        "A guest's own token, for the token of the invitation.",
        None,
        GuestToken,
        status=201,
        for_guests=True,
    ),
    get("/v1/orders", "orders", "The queue: all orders for the operator, a guest's own.", Orders, for_guests=True),
    post(
        "/v1/orders",
        "place_order",
        "Order a drink; a request that comes again with its key is answered with the order that was placed before.",
        OrderRequest,
        PlacedOrder,
        status=201,
        for_guests=True,
    ),
    get("/v1/orders/{order}", "order", "One order, a guest's own.", OrderView, for_guests=True),
    get(
        "/v1/orders/{order}/plan",
        "order_plan",
        "The plan of an order that is poured, a guest's own; empty for one that is not.",
        tuple[Segment, ...],
        for_guests=True,
    ),
    _order("withdraw", "withdraw_order", "Withdraw an order that waits.", for_guests=True),
    begin(
        "/v1/orders/{order}/consent",
        "consent",
        "The glass of the called order stands there: pour it. Guests where the profile allows it, by the secret.",
        ConsentRequest,
        for_guests=True,
    ),
    _order(
        "call",
        "call_order",
        "Ask for the glass of this order now.",
        ask=lambda engine, order: engine.orders.call(order),
    ),
    _order("nod", "nod", "Agree to an order with alcohol.", ask=lambda engine, order: engine.orders.nod(order)),
    _order(
        "taken", "take_order", "The glass of an order was taken.", ask=lambda engine, order: engine.orders.taken(order)
    ),
    _order(
        "again",
        "order_again",
        "Pour a failed order anew; it has its place back.",
        ask=lambda engine, order: engine.orders.again(order),
    ),
    _order(
        "move",
        "move_order",
        "Put a waiting order on another place.",
        MoveRequest,
        ask=lambda engine, asked: engine.orders.move(asked.order, asked.place),
    ),
    _order(
        "refuse",
        "refuse_order",
        "Refuse an order.",
        RefuseOrderRequest,
        ask=lambda engine, asked: engine.orders.refuse(asked.order, asked.reason),
    ),
    post(
        "/v1/orders/last",
        "last_orders",
        "Take no new orders, or take them again.",
        LastOrdersRequest,
        QueueView,
        ask=lambda engine, asked: engine.orders.set_last_orders(asked.last_orders),
    ),
    post(
        "/v1/orders/forget",
        "forget_guests",
        "The event is over: forget who ordered what.",
        None,
        QueueView,
        ask=lambda engine, _: engine.orders.forget_guests(),
    ),
)
