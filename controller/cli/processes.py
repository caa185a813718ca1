"""Commands that are processes of the machine: engine, guard, all-off."""

from pathlib import Path

import click

from controller.cli.options import existing_file, run_dir_option, state_dir_option
from controller.cli.places import ENGINE, GUARD, run_dir_to_fill, state_dir_to_use

profile_option = click.option("--profile", "profile_path", type=existing_file, required=True, help="The machine.")
book_option = click.option("--book", "book_path", type=existing_file, required=True, help="Liquids, glasses, recipes.")


@click.command()
@profile_option
@book_option
@run_dir_option
@state_dir_option
def engine(profile_path: Path, book_path: Path, run_dir: Path | None, state_dir: Path | None) -> None:
    """Run the process that plans, records and answers, until SIGTERM or Ctrl-C."""
    from controller.engine.service import run

    folder = run_dir_to_fill(run_dir)
    run(
        profile_path,
        book_path,
        state_dir=state_dir_to_use(state_dir),
        guard_socket=folder / GUARD,
        socket_path=folder / ENGINE,
    )
