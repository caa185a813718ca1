"""The command that takes over a changed book while the machine runs."""

import sys
from types import NoneType

import click

from controller.cli.options import Session, session_options
from controller.model.requests import GlassesRequest
from controller.model.views import BookView, LargerGlass

WAIT_S = 300.0  # engine and guard read it one after the other, perhaps from a slow card


@click.command()
@click.option("--larger-glass", "confirmed", multiple=True, metavar="GLASS", help="This glass did grow: do not ask.")
@session_options
def reload(session: Session, *, confirmed: tuple[str, ...]) -> None:
    """Read the book's file again, in guard and engine, without a restart. A drink under way must be over.

    When anything is wrong with it, every problem is listed and the old book stays in force.
    """
    engine = session.engine
    view = engine.post("book/reload", BookView, within_s=WAIT_S)

    def draw(view: BookView) -> str:
        found = f"In force: {view.book}, {view.liquids} liquids, {view.glasses} glasses, {view.recipes} recipes."
        return "\n".join([found, *(click.style(f"warning: {one}", fg="yellow") for one in view.warnings)])

    session.show(view, draw)
    larger = tuple(one.glass for one in view.larger_glasses if one.glass in confirmed or _is_larger(one))
    if larger:
        engine.post("book/glasses", NoneType, GlassesRequest(glasses=larger), within_s=WAIT_S)


def _is_larger(glass: LargerGlass) -> bool:
    """Ask on a terminal; elsewhere say how it can be said."""
    figures = (
        f"the {glass.glass} is {glass.brim_ml:g} mL to the brim ({glass.usable_ml:g} mL usable) in this book, and was "
        f"{glass.counted.brim_ml:g} mL ({glass.counted.usable_ml:g} mL)"
    )
    if sys.stdin.isatty():
        return click.confirm(f"{figures}. Is it the larger one?")
    remedy = f'tundish reload --larger-glass "{glass.glass}"'
    click.echo(f"{figures}; it counts as the smaller one until: {remedy}", err=True)
    return False
