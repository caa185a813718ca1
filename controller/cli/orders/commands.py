"""`tundish orders`: the queue, and what the operator says about the orders in it."""

import uuid
from datetime import datetime

import click

from controller.cli.client import EngineClient, address
from controller.cli.completion import RECIPE
from controller.cli.following import begin_and_follow
from controller.cli.options import Session, session_options, table
from controller.cli.pour.glass import glass_is_seen
from controller.errors import TundishError
from controller.model.orders import (
    AgreeRequest,
    ConsentRequest,
    Forgotten,
    LastOrdersRequest,
    MoveRequest,
    OrderRequest,
    Orders,
    OrderState,
    OrderView,
    PlacedOrder,
    QueueView,
    RefuseOrderRequest,
)
from controller.model.remark import said

number_argument = click.argument("number", type=click.IntRange(1))


@click.group(invoke_without_command=True)
@session_options
@click.pass_context
def orders(ctx: click.Context, session: Session) -> None:
    """Show who waits for what; the commands below act on one order, by the NUMBER that this list shows."""
    if ctx.invoked_subcommand is None:
        session.show(session.engine.get("orders", Orders), _draw)


def _word(name: str, verb: str, text: str) -> None:
    """A command that says one word about an order."""

    @orders.command(name=name, help=text)
    @number_argument
    @session_options
    def command(session: Session, number: int) -> None:
        _act(session, number, verb)


_word("call", "call", "Ask for the glass of order NUMBER now, before others.")
_word("agree", "nod", "Agree to order NUMBER, which holds alcohol.")
_word("taken", "taken", "Say that the glass of order NUMBER was taken, where no contact sees it.")
_word("again", "again", "Pour order NUMBER anew, which has failed; it has its place back.")
_word("withdraw", "withdraw", "Withdraw order NUMBER for whoever placed it.")


@orders.command()
@click.argument("recipe", type=RECIPE)
@click.option("--name", default="", help="What to call out when its glass is wanted.")
@click.option("--times", type=click.FloatRange(0, 20, min_open=True), default=1.0, show_default=True)
@click.option("--key", default=None, help="A request repeated with the same key places one order.")
@session_options
def place(session: Session, *, recipe: str, name: str, times: float, key: str | None) -> None:
    """Order RECIPE for somebody who stands at the machine."""
    request = OrderRequest(recipe=recipe, key=key or uuid.uuid4().hex, name=name, times=times)
    session.show(session.engine.post("orders", PlacedOrder, request), lambda placed: _sentence(placed.order))


@orders.command()
@number_argument
@session_options
def confirm(session: Session, number: int) -> None:
    """Whoever placed order NUMBER agrees to what has changed of it since, as this list shows it."""
    order = _of(session.engine, number)
    request = AgreeRequest(order=order.order, changed=order.changed)
    session.show(session.engine.post(address("orders", order.order, "agree"), OrderView, request), _sentence)


@orders.command()
@number_argument
@click.option("--empty-glass", is_flag=True, help="An empty glass stands under the outlet: do not ask.")
@session_options
def pour(session: Session, number: int, *, empty_glass: bool) -> int:
    """Consent: the glass of the called order NUMBER stands there. Pours it; Ctrl-C stops it at once."""
    order = _of(session.engine, number).order
    is_seen = empty_glass or (not session.as_json and glass_is_seen(session.engine))
    request = ConsentRequest(order=order, empty_glass=is_seen)
    return begin_and_follow(session, address("orders", order, "consent"), request)


@orders.command()
@number_argument
@click.argument("place", type=click.IntRange(1, 10_000))
@session_options
def move(session: Session, number: int, *, place: int) -> None:
    """Put order NUMBER on PLACE among those that wait; 1 is the next."""
    order = _of(session.engine, number).order
    _act(session, number, "move", MoveRequest(order=order, place=place))


@orders.command()
@number_argument
@click.option("--reason", default="", help="Shown to the guest.")
@session_options
def refuse(session: Session, number: int, *, reason: str) -> None:
    """Refuse order NUMBER."""
    order = _of(session.engine, number).order
    _act(session, number, "refuse", RefuseOrderRequest(order=order, reason=reason))


@orders.command()
@click.option("--open", "is_open", is_flag=True, help="Take orders again.")
@session_options
def last(session: Session, *, is_open: bool) -> None:
    """Take no new orders; those that wait are served."""
    view = session.engine.post("orders/last", QueueView, LastOrdersRequest(last_orders=not is_open))
    session.show(view, lambda one: f"Orders are {'refused' if one.last_orders else 'taken'}; {one.waiting} wait.")


@orders.command()
@session_options
def forget(session: Session) -> None:
    """The event is over: refuse what waits, take no more orders, and forget who ordered what.

    A ledger that was set aside as damaged may name guests: it is deleted. Copy it before, if you want to look into it.
    """
    session.show(session.engine.post("orders/forget", Forgotten), _forgotten)


def _act(session: Session, number: int, verb: str, request: object = None) -> None:
    order = _of(session.engine, number).order
    session.show(session.engine.post(address("orders", order, verb), OrderView, request), _sentence)


def _of(engine: EngineClient, number: int) -> OrderView:
    """The order with this number, the latest if there are several."""
    found = [one for one in engine.get("orders", Orders).orders if one.number == number]
    if not found:
        raise TundishError(f"there is no order {number}. See tundish orders")
    return max(found, key=lambda one: one.order)


def _forgotten(done: Forgotten) -> str:
    gone = [f"Deleted, since it may name guests: {one}" for one in done.deleted]
    return "\n".join(
        [*gone, "Names and phones of guests are forgotten. For the next event: tundish orders last --open"]
    )


def _sentence(one: OrderView) -> str:
    said = f"{one.number}: {one.recipe}, {one.state}"
    return f"{said} ({one.reason})" if one.reason else said


def _draw(found: Orders) -> str:
    queue = found.queue
    head = [f"Closed: {queue.closed}"] if queue.closed else []
    head += [f"Needed: {said(queue.needs)}."] if queue.needs else []
    head += [f"Will run out: {one.text}." for one in found.short]
    if not found.orders:
        return "\n".join([*head, "No orders."])
    rows = [_row(one) for one in found.orders]
    ahead = [
        f"{one.number}: {', '.join(one.ahead)}" for one in found.orders if one.state is OrderState.CALLED and one.ahead
    ]
    return "\n".join([*head, table(("no.", "drink", "name", "state", "wait", "what is needed"), rows), *ahead])


def _row(one: OrderView) -> tuple[str, ...]:
    wait = "" if one.wait_s is None else f"{one.wait_s / 60:.0f} min"
    since = "" if one.ended_wall_s is None else f"{datetime.fromtimestamp(one.ended_wall_s):%H:%M} "
    drink = one.recipe if one.times == 1.0 else f"{one.recipe} x {one.times:g}"
    needs = "; ".join((said(one.needs) or one.reason, *map(str, one.changed)))
    return (str(one.number), drink, one.name, str(one.state), wait, f"{since}{needs}")
