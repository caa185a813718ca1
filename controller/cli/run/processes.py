"""Commands that are processes of the machine: engine, guard, all-off."""

from pathlib import Path

import click

from controller.cli.examples import machine_options, profile_option
from controller.cli.options import (
    Session,
    certificate_of,
    existing_file,
    run_dir_option,
    session_options,
    state_dir_option,
)
from controller.cli.places import BENCH, ENGINE, GUARD, run_dir_to_fill, run_dir_to_use, state_dir_to_use
from controller.errors import BoardError


@click.command()
@machine_options
@run_dir_option
@state_dir_option
@click.option(
    "--lan",
    metavar="ADDRESS:PORT",
    envvar="TUNDISH_LAN",
    help="Listen on the local network too, at this address of the machine; off without it.",
)
@click.option(
    "--lan-name",
    "lan_names",
    multiple=True,
    envvar="TUNDISH_LAN_NAMES",
    help="A name by which people reach the machine there, such as its host name; may be repeated.",
)
@click.option(
    "--tokens",
    type=existing_file,
    envvar="TUNDISH_TOKENS",
    help="File with the tokens that open it, in place of those that tundish network renew draws. Mode 0600.",
)
@click.option(
    "--certificate", type=existing_file, envvar="TUNDISH_CERTIFICATE", help="For TLS there: your certificate."
)
@click.option("--key", type=existing_file, envvar="TUNDISH_KEY", help="And its private key.")
def engine(
    *,
    profile_path: Path,
    book_path: Path,
    run_dir: Path | None,
    state_dir: Path | None,
    lan: str | None,
    lan_names: tuple[str, ...],
    tokens: Path | None,
    certificate: Path | None,
    key: Path | None,
) -> None:
    """Run the process that plans, records and answers, until SIGTERM or Ctrl-C."""
    from controller.engine.http.access import place
    from controller.engine.service import run

    place_on_lan = None
    if lan is not None:
        try:
            place_on_lan = place(lan, lan_names, certificate_of(certificate, key))
        except ValueError as error:
            raise click.BadParameter(f"{error}. Write it as 192.168.1.5:8080.", param_hint="--lan") from error
    folder = run_dir_to_fill(run_dir)
    run(
        profile_path,
        book_path,
        state_dir=state_dir_to_use(state_dir),
        guard_socket=folder / GUARD,
        socket_path=folder / ENGINE,
        lan=place_on_lan,
        tokens_path=tokens,
    )


@click.command()
@machine_options
@run_dir_option
@state_dir_option
def guard(profile_path: Path, book_path: Path, run_dir: Path | None, state_dir: Path | None) -> None:
    """Run the process that owns the pins and enforces every limit, until SIGTERM or Ctrl-C."""
    from controller.guard.service import run

    folder = run_dir_to_fill(run_dir)
    run(
        profile_path,
        book_path,
        state_dir=state_dir_to_use(state_dir),
        socket_path=folder / GUARD,
        bench_socket=folder / BENCH,
    )


@click.command()
@profile_option
@session_options
def all_off(profile_path: Path, session: Session) -> None:
    """Drive every line off without guard or engine, as the boot service does after the guard's end.

    A guard that runs holds the lines: stop it instead.
    """
    from controller.config import load_profile
    from controller.guard.alloff import all_off as drive_all_off

    profile, _ = load_profile(profile_path)
    failures = drive_all_off(profile, run_dir_to_use(session.run_dir) / BENCH)
    if failures:
        raise BoardError("\n".join(map(str, failures)))
    lines = [line.line for line in profile.lines]
    session.show({"off": lines}, f"Every line is off: {', '.join(map(str, lines))}.")
