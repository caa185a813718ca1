"""Addresses of orders and of the guests who place them."""

from controller.engine.http.addresses import Address, get, post
from controller.engine.ordering.queue import OrderQueue
from controller.model.orders import (
    AgreeRequest,
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
from controller.model.views import Asked

ORDERS: tuple[Address, ...] = (
    post(
        "/v1/guests",
        "welcome",
        "A guest's own token, for the token of the invitation.",
        answers=GuestToken,
        status=201,
        for_guests=True,
    ),
    get(
        "/v1/orders",
        "orders",
        "The queue: all orders for the operator, a guest's own.",
        answers=Orders,
        for_guests=True,
    ),
    post(
        "/v1/orders",
        "place_order",
        "Order a drink; a request that comes again with its key is answered with the order that was placed before.",
        takes=OrderRequest,
        answers=PlacedOrder,
        status=201,
        for_guests=True,
    ),
    get("/v1/orders/{order}", "order", "One order, a guest's own.", answers=OrderView, for_guests=True),
    get(
        "/v1/orders/{order}/plan",
        "order_plan",
        "The plan of an order that is poured, a guest's own; empty for one that is not.",
        answers=tuple[Segment, ...],
        for_guests=True,
    ),
    post(
        "/v1/orders/{order}/agree",
        "agree_to_order",
        "Agree to what has changed of an order since.",
        takes=AgreeRequest,
        answers=OrderView,
        for_guests=True,
    ),
    post(
        "/v1/orders/{order}/withdraw",
        "withdraw_order",
        "Withdraw an order that waits.",
        answers=OrderView,
        for_guests=True,
    ),
    post(
        "/v1/orders/{order}/consent",
        "consent",
        "The glass of the called order stands there: pour it. Guests where the profile allows it, by the secret.",
        takes=ConsentRequest,
        answers=Asked,
        for_guests=True,
    ),
    post("/v1/orders/{order}/call", "call_order", "Ask for the glass of this order now.", OrderQueue.call),
    post("/v1/orders/{order}/nod", "nod", "Agree to an order with alcohol.", OrderQueue.nod),
    post("/v1/orders/{order}/taken", "take_order", "The glass of an order was taken.", OrderQueue.taken),
    post(
        "/v1/orders/{order}/again", "order_again", "Pour a failed order anew; it has its place back.", OrderQueue.again
    ),
    post(
        "/v1/orders/{order}/move",
        "move_order",
        "Put a waiting order on another place.",
        lambda engine, asked: engine.orders.move(asked.order, asked.place),
        takes=MoveRequest,
        answers=OrderView,
    ),
    post(
        "/v1/orders/{order}/refuse",
        "refuse_order",
        "Refuse an order.",
        lambda engine, asked: engine.orders.refuse(asked.order, asked.reason),
        takes=RefuseOrderRequest,
        answers=OrderView,
    ),
    post(
        "/v1/orders/last",
        "last_orders",
        "Take no new orders, or take them again.",
        lambda engine, asked: engine.orders.set_last_orders(asked.last_orders),
        takes=LastOrdersRequest,
        answers=QueueView,
    ),
    post(
        "/v1/orders/forget",
        "forget_guests",
        "The event is over: forget who ordered what, and delete ledgers that were set aside as damaged.",
        OrderQueue.forget_guests,
    ),
)
