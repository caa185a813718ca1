"""Addresses for stock, hygiene, guided sequences and history."""

from controller.engine.history import History
from controller.engine.http.addresses import Address, GuardCommand, get, post
from controller.engine.hygiene import LineHygiene
from controller.engine.sequences import Sequences
from controller.engine.stock import Stock
from controller.model.evening import StockView
from controller.model.views import Asked

EVENING: tuple[Address, ...] = (
    get("/v1/stock", "stock", "What hangs on the lines, and how much is left.", Stock.views),
    post("/v1/stock/{line}/refill", "refill", "A fresh container of the same liquid hangs on this line.", Stock.refill),
    post("/v1/stock/{line}/weighing", "weigh_container", "What the container on this line weighs.", Stock.weigh),
    post(
        "/v1/stock/{line}/empty",
        "empty_container",
        "The container on this line is empty; a pour from it is held.",
        Stock.empty,
    ),
    post(
        "/v1/stock/{line}/confirm",
        "confirm_container",
        "Guard and stock disagree about this line; somebody has looked, and the stock is right.",
        Stock.confirm,
        answers=StockView,
        then=lambda engine, line: engine.stock.view(line),
        command=GuardCommand(tag="assign", is_done=lambda engine, line, _: engine.stock.view(line).is_known_to_guard),
    ),
    get("/v1/hygiene", "hygiene", "What every line holds, and what it is due for.", LineHygiene.lines),
    get("/v1/hygiene/record", "hygiene_record", "What happened to the lines, for an inspector.", LineHygiene.record),
    get("/v1/sequences", "sequences", "Guided sequences under way.", Sequences.views),
    post("/v1/sequences/close", "close", "Begin to close for the night, or continue.", Sequences.close),
    post(
        "/v1/sequences/close/next",
        "close_next",
        "The person's part of this closing step is done: run it.",
        lambda engine, _: engine.sequences.next("close"),
        answers=Asked,
    ),
    post(
        "/v1/sequences/close/drop", "close_drop", "Abandon closing.", lambda engine, _: engine.sequences.drop("close")
    ),
    post("/v1/lines/{line}/change", "change", "Begin a change of liquid on this line, or continue.", Sequences.change),
    post(
        "/v1/lines/{line}/change/next",
        "change_next",
        "The person's part of this step of the change is done: run it.",
        lambda engine, line: engine.sequences.next("change", line),
        answers=Asked,
    ),
    post(
        "/v1/lines/{line}/change/drop",
        "change_drop",
        "Abandon the change.",
        lambda engine, line: engine.sequences.drop("change", line),
    ),
    get("/v1/usage", "usage", "What went through the machine, by evening and liquid.", History.usage),
    get("/v1/refusals", "refusals", "How often each rule has refused.", History.refusals),
)
