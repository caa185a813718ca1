"""`tundish stock`: containers on the lines, what is left in them, and what people say about it."""

from datetime import datetime
from pathlib import Path

import click

from controller.cli.client import Engine, address
from controller.cli.completion import LINE, LIQUID
from controller.cli.lines.guided import drop, guide
from controller.cli.options import Decimal, facts_options, quantity, show, table
from controller.model.evening import (
    ChangeRequest,
    EmptyRequest,
    RefillRequest,
    SequenceView,
    StockChange,
    StockView,
    StockWeighingRequest,
)

opened_option = click.option(
    "--opened", "opened_ago_s", metavar="AGO", callback=quantity("s"), help='How long ago it was opened, as "2 days".'
)


@click.group(invoke_without_command=True)
@facts_options
@click.pass_context
def stock(ctx: click.Context, run_dir: Path | None, as_json: bool) -> None:
    """Show what hangs on the lines and how much is left; the commands below say what has changed."""
    if ctx.invoked_subcommand is None:
        found = Engine(run_dir).get("stock", tuple[StockView, ...])
        show(found, lambda: draw_stock(found), as_json=as_json)


@stock.command()
@click.argument("line", type=LINE)
@click.argument("container_ml", metavar="[VOLUME]", required=False, callback=quantity("mL"))
@opened_option
@click.option("--tube-full/--tube-dry", default=None, help="Whether air got into the tube; else by the books.")
@facts_options
def refill(
    *,
    run_dir: Path | None,
    line: int,
    container_ml: float | None,
    opened_ago_s: float | None,
    tube_full: bool | None,
    as_json: bool,
) -> None:
    """Say that a fresh container of the same liquid hangs on LINE, of the same size unless VOLUME is given."""
    request = RefillRequest(line=line, container_ml=container_ml, opened_ago_s=opened_ago_s or 0.0, tube_full=tube_full)
    _tell(Engine(run_dir).post(address("stock", line, "refill"), StockChange, request), as_json=as_json)


@stock.command()
@click.argument("line", type=LINE)
@click.argument("grams", type=Decimal(0, 100_000))
@click.option("--tare", "tare_g", type=Decimal(0, 100_000), help="Grams of the empty container; kept.")
@click.option("--scale", "u_grams", type=Decimal(0, 100, min_open=True), default=1.0, show_default=True,
              help="Standard uncertainty of the scale, g.")  # fmt: skip
@facts_options
def weigh(
    *, run_dir: Path | None, line: int, grams: float, tare_g: float | None, u_grams: float, as_json: bool
) -> None:
    """Say that the container on LINE weighs GRAMS with what is left in it."""
    request = StockWeighingRequest(line=line, grams=grams, tare_g=tare_g, u_grams=u_grams)
    _tell(Engine(run_dir).post(address("stock", line, "weighing"), StockChange, request), as_json=as_json)


@stock.command()
@click.argument("line", type=LINE)
@click.option("--tube-full", is_flag=True, help="The tube holds no air: nothing was drawn since it ran low.")
@facts_options
def empty(run_dir: Path | None, line: int, tube_full: bool, as_json: bool) -> None:
    """Say that the container on LINE is empty now: a pour from it is held, and the line wants priming."""
    request = EmptyRequest(line=line, tube_full=tube_full)
    _tell(Engine(run_dir).post(address("stock", line, "empty"), StockChange, request), as_json=as_json)


@stock.command()
@click.argument("line", type=LINE)
@click.argument("liquid", type=LIQUID, required=False)
@click.argument("container_ml", metavar="[CONTAINER]", required=False, callback=quantity("mL"))
@opened_option
@click.option("--next", "do_next", is_flag=True, help="What the step asked for is done: go on by one step.")
@click.option("--drop", "is_dropped", is_flag=True, help="Forget the change; the line stays as it is.")
@facts_options
def change(
    *,
    run_dir: Path | None,
    line: int,
    liquid: str | None,
    container_ml: float | None,
    opened_ago_s: float | None,
    do_next: bool,
    is_dropped: bool,
    as_json: bool,
) -> int:
    """Guide LINE to another LIQUID from a CONTAINER: purge, clean and rinse as needed, then prime.

    It can be left at any step, and is taken up again by the same command with LINE alone.
    """
    engine, target = Engine(run_dir), address("lines", line, "change")
    if is_dropped:
        return drop(engine, target, as_json=as_json)
    request = ChangeRequest(line=line, liquid=liquid, container_ml=container_ml, opened_ago_s=opened_ago_s or 0.0)
    view = engine.post(target, SequenceView, request)
    return guide(engine, target, view, f"stock change {line}", do_next=do_next, as_json=as_json)


@stock.command()
@click.argument("lines", metavar="LINE...", type=LINE, nargs=-1, required=True)
@facts_options
def confirm(run_dir: Path | None, lines: tuple[int, ...], as_json: bool) -> None:
    """Say that what the stock has on each LINE does hang there, where the guard knows otherwise."""
    engine = Engine(run_dir)
    found = tuple(engine.post(address("stock", line, "confirm"), StockView) for line in dict.fromkeys(lines))
    show(found, lambda: draw_stock(found), as_json=as_json)


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
        notes.append("the guard is told when the pumps rest")
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


def moment(wall_s: float | None) -> str:
    """A moment as people write it, local time."""
    return "" if wall_s is None else datetime.fromtimestamp(wall_s).strftime("%Y-%m-%d %H:%M")


def _tell(change_: StockChange, *, as_json: bool) -> None:
    now = change_.now
    text = (
        f"Line {now.line}: {now.remaining_ml:.0f} mL of {now.liquid} (give or take {2 * now.u_ml:.0f} mL); "
        f"by the books it was {change_.booked_ml:.0f} mL."
    )
    show(change_, lambda: text, as_json=as_json)
