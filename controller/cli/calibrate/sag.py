"""`tundish sag`: several lines into one jar, to learn how much they slow each other down."""

from pathlib import Path

import click

from controller.cli.calibrate.scales import scale_of, weigh_run
from controller.cli.client import Engine
from controller.cli.completion import LINE
from controller.cli.options import Decimal, facts_options, show
from controller.model.requests import TogetherRequest
from controller.model.views import SagView


@click.command()
@click.argument("lines", nargs=-1, required=True, type=LINE)
@click.option("--for", "on_s", type=Decimal(2.0, 60.0), default=10.0, show_default=True, help="Seconds.")
@click.option(
    "--scale",
    type=click.Choice(["by-hand", "bench"]),
    default="by-hand",
    show_default=True,
    help="Type the weight, or read it from the simulated scale.",
)
@click.option("--by", default="", help="Who weighs, for the record.")
@facts_options
def sag(*, lines: tuple[int, ...], on_s: float, scale: str, by: str, run_dir: Path | None, as_json: bool) -> None:
    """Run calibrated LINES together into one jar, weigh it, and learn how much the pumps slow each other down.

    They share a supply and wires, so one figure serves every line of the machine.
    """
    engine = Engine(run_dir)
    with scale_of(scale, run_dir) as jar:
        operation, grams = weigh_run(engine, lines, on_s, jar, as_json=as_json)
    request = TogetherRequest(operation=operation, grams=grams, u_grams=jar.u_grams, by=by)
    view = engine.post("weighings/together", SagView, request)
    show(view, lambda: draw_sag(view), as_json=as_json)


def draw_sag(view: SagView) -> str:
    """The sag in words, with its uncertainty."""
    names = ", ".join(map(str, view.lines))
    told = [
        f"Lines {names} together: {view.grams:.2f} g; had each run alone: {view.expected_grams:.2f} g.",
        f"Flow falls by {100 * view.sag_per_a:.2f} % (standard uncertainty {100 * view.u_sag_per_a:.2f} %) "
        "per ampere that other pumps draw.",
        "All calibrated lines now count with it.",
    ]
    return "\n".join([*told, *view.warnings])
