"""`tundish stock`: containers on the lines, what is left in them, and what people say about it."""

from datetime import datetime
from typing import Any

import click

from controller.cli.client import address
from controller.cli.completion import LINE, LIQUID
from controller.cli.lines.guided import guide, guided_options
from controller.cli.options import Decimal, Session, moment, quantity, session_options, table
from controller.model.evening import (
    ChangeRequest,
    EmptyRequest,
    RefillRequest,
    StockChange,
    StockView,
    StockWeighingRequest,
)

opened_option = click.option(
    "--opened", "opened_ago_s", metavar="AGO", default="0 s", callback=quantity("s"),
    help='How long ago it was opened, as "2 days".',
)  # fmt: skip


@click.group(invoke_without_command=True)
@session_options
@click.pass_context
def stock(ctx: click.Context, session: Session) -> None:
    """Show what hangs on the lines and how much is left; the commands below say what has changed."""
    if ctx.invoked_subcommand is None:
        found = session.engine.get("stock", tuple[StockView, ...])
        session.show(found, draw_stock)


@stock.command()
@click.argument("line", type=LINE)
@click.argument("container_ml", metavar="[VOLUME]", required=False, callback=quantity("mL"))
@opened_option
@click.option("--tube-full/--tube-dry", default=None, help="Whether air got into the tube; else by the books.")
@session_options
def refill(session: Session, *, line: int, **words: Any) -> None:
    """Say that a fresh container of the same liquid hangs on LINE, of the same size unless VOLUME is given."""
    _report(session, line, "refill", RefillRequest(line=line, **words))


@stock.command()
@click.argument("line", type=LINE)
@click.argument("grams", type=Decimal(0, 100_000))
@click.option("--tare", "tare_g", type=Decimal(0, 100_000), help="Grams of the empty container; kept.")
@click.option("--scale", "u_grams", type=Decimal(0, 100, min_open=True), default=1.0, show_default=True,
              help="Standard uncertainty of the scale, g.")  # fmt: skip
@session_options
def weigh(session: Session, *, line: int, **words: Any) -> None:
    """Say that the container on LINE weighs GRAMS with what is left in it."""
    _report(session, line, "weighing", StockWeighingRequest(line=line, **words))


@stock.command()
@click.argument("line", type=LINE)
@click.option("--tube-full", is_flag=True, help="The tube holds no air: nothing was drawn since it ran low.")
@session_options
def empty(session: Session, *, line: int, tube_full: bool) -> None:
    """Say that the container on LINE is empty now: a pour from it is held, and the line must be primed."""
    _report(session, line, "empty", EmptyRequest(line=line, tube_full=tube_full))


@stock.command()
@click.argument("line", type=LINE)
@click.argument("liquid", type=LIQUID, required=False)
@click.argument("container_ml", metavar="[CONTAINER]", required=False, callback=quantity("mL"))
@opened_option
@guided_options
@session_options
def change(session: Session, *, line: int, do_next: bool, is_dropped: bool, **words: Any) -> int:
    """Guide LINE to another LIQUID from a CONTAINER: purge, clean and rinse as needed, then prime.

    It can be paused at any step; the same command with LINE alone goes on with it.
    """
    target, request = address("lines", line, "change"), ChangeRequest(line=line, **words)
    return guide(session, target, request, f"stock change {line}", do_next=do_next, is_dropped=is_dropped)


@stock.command()
@click.argument("lines", metavar="LINE...", type=LINE, nargs=-1, required=True)
@session_options
def confirm(session: Session, *, lines: tuple[int, ...]) -> None:
    """Say that what the stock has on each LINE does hang there, where the guard knows otherwise."""
    engine = session.engine
    found = tuple(engine.post(address("stock", line, "confirm"), StockView) for line in dict.fromkeys(lines))
    session.show(found, draw_stock)


def draw_stock(found: tuple[StockView, ...]) -> str:
    """One row a container."""
    if not found:
        return "Nothing hangs on any line, as far as anybody has said."
    header = ("line", "liquid", "left", "give or take", "of", "opened", "keeps until", "")
    return table(header, map(_cells, found))


def _cells(one: StockView) -> tuple[str, ...]:
    notes = []
    if one.keeps_until_wall_s is not None and one.keeps_until_wall_s < datetime.now().timestamp():
        notes.append("past its time")
    if one.perhaps_more_ml >= 0.5:
        notes.append(f"perhaps {one.perhaps_more_ml:.0f} mL more: weigh it")
    if not one.is_known_to_guard:
        notes.append("the guard will know once the pumps rest")
    return (
        str(one.line),
        one.liquid,
        f"{one.remaining_ml:.0f} mL",
        f"{2 * one.u_ml:.0f} mL",
        f"{one.container_ml:.0f} mL",
        moment(one.opened_wall_s),
        moment(one.keeps_until_wall_s),
        "; ".join(notes),
    )


def _report(session: Session, line: int, what: str, request: object) -> None:
    """POST what a person says about a container, and print what the stock holds now."""
    change_ = session.engine.post(address("stock", line, what), StockChange, request)
    now = change_.now
    session.show(
        change_,
        f"Line {now.line}: {now.remaining_ml:.0f} mL of {now.liquid} (give or take {2 * now.u_ml:.0f} mL); "
        f"by the books it was {change_.booked_ml:.0f} mL.",
    )
