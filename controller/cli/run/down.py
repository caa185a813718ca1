"""`tundish down`: end what `tundish up` has started, wherever its terminal is."""

from pathlib import Path

import click

from controller.cli.options import run_dir_option
from controller.cli.places import SERVICE_RUN_DIR, run_dirs
from controller.cli.run.listeners import running_in
from controller.errors import TundishError


@click.command()
@run_dir_option
def down(run_dir: Path | None) -> None:
    """End `tundish up` with all that it has started; engine, guard and bench, in this order, where it is gone.

    The services of an installed machine are systemd's: sudo systemctl stop tundish-engine tundish-guard.
    """
    folders = run_dirs(run_dir)
    folder = next((one for one in folders if running_in(one)), folders[-1])
    running = running_in(folder)
    if not running:
        click.echo(f"Nothing runs in {folder}.")
        return
    if folder == SERVICE_RUN_DIR:
        raise TundishError("these are the boot services: sudo systemctl stop tundish-engine tundish-guard")
    for one in running:  # what `up` has ended meanwhile counts as stopped
        click.echo(f"{one.name:<6} | {'stopped' if one.end() else 'did not end: killed'}")
