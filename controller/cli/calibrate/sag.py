"""`tundish sag`: several lines into one jar, to learn how much they slow each other down."""

import click

from controller.cli.calibrate.scales import scale_of, scale_option, weigh_run
from controller.cli.completion import LINE
from controller.cli.options import Decimal, Session, session_options
from controller.model.requests import TogetherRequest
from controller.model.views import SagView


@click.command()
@click.argument("lines", nargs=-1, required=True, type=LINE)
@click.option("--for", "on_s", type=Decimal(2.0, 60.0), default=10.0, show_default=True, help="Seconds.")
@scale_option
@click.option("--by", default="", help="Who weighs, for the record.")
@session_options
def sag(session: Session, *, lines: tuple[int, ...], on_s: float, scale: str, by: str) -> None:
    """Run calibrated LINES together into one jar, weigh it, and learn how much the pumps slow each other down.

    They share a supply and wires, so one figure serves every line of the machine.
    """
    with scale_of(scale, session.run_dir) as jar:
        operation, grams = weigh_run(session, lines, on_s, jar)
    request = TogetherRequest(operation=operation, grams=grams, u_grams=jar.u_grams, by=by)
    session.show(session.engine.post("weighings/together", SagView, request), draw_sag)


def draw_sag(view: SagView) -> str:
    """The sag in words, with its uncertainty."""
    names = ", ".join(map(str, view.lines))
    text = [
        f"Lines {names} together: {view.grams:.2f} g; had each run alone: {view.expected_grams:.2f} g.",
        f"Flow falls by {100 * view.sag_per_a:.2f} % (standard uncertainty {100 * view.u_sag_per_a:.2f} %) "
        "per ampere that other pumps draw.",
        "All calibrated lines now count with it.",
    ]
    return "\n".join([*text, *view.warnings])
