"""The command that takes over a changed book while the machine runs."""

from pathlib import Path

import click

from controller.cli.client import Engine
from controller.cli.options import facts_options, show
from controller.model.views import BookView

WAIT_S = 300.0  # engine and guard read it one after the other, perhaps from a slow card


@click.command()
@facts_options
def reload(run_dir: Path | None, as_json: bool) -> None:
    """Read the book's file again, in guard and engine, without a restart. A drink under way must be over.

    When anything is wrong with it, every problem is told and the old book stays in force.
    """
    view = Engine(run_dir).post("book/reload", BookView, within_s=WAIT_S)

    def draw() -> str:
        found = f"In force: {view.book}, {view.liquids} liquids, {view.glasses} glasses, {view.recipes} recipes."
        return "\n".join([found, *(click.style(f"warning: {one}", fg="yellow") for one in view.warnings)])

    show(view, draw, as_json=as_json)
