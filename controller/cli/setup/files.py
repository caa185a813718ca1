"""Commands on files, which need no running machine: check, schema."""

from pathlib import Path
from typing import Literal

import click

from controller.cli.examples import book_type, profile_type
from controller.cli.options import Session, json_option
from controller.errors import Problem, Refused
from controller.model.book import Book
from controller.model.profile import Profile


@click.command()
@click.argument("together", metavar="[PROFILE PROFILE]", type=profile_type, nargs=-1)
@click.option("--profile", "profile_path", type=profile_type, help="The machine.")
@click.option("--book", "book_path", type=book_type, help="Liquids, glasses, recipes.")
@click.option("--on-board", is_flag=True, help="Also hold the profile against the GPIO chip of this computer.")
@json_option
def check(
    together: tuple[Path, ...], profile_path: Path | None, book_path: Path | None, on_board: bool, session: Session
) -> int:
    """Check a profile, a book, or a book against a profile; every problem of both at once.

    With PROFILE PROFILE it checks machines that share one supply together: their caps on current must add up.
    Ends with 0 when both can be used (there may be warnings), with 2 otherwise; with 1 when --on-board finds a misfit.
    """
    if together:
        if len(together) < 2 or profile_path or book_path or on_board:
            raise click.UsageError("name two profiles that share a supply, or use --profile and --book.")
        return _check_together(together, session)
    if on_board and profile_path is None:
        raise click.UsageError("--on-board needs a --profile.")
    found, warnings, profile, draws = _checked(profile_path, book_path)
    misfits = _misfits(profile) if on_board and profile is not None else ()

    def draw(_facts: object) -> str:
        lines = [f"{found}: can be used."]
        lines += [click.style(f"warning: {one}", fg="yellow") for one in (*warnings, *draws)]
        lines += [click.style(f"on this board: {one}", fg="red") for one in misfits]
        if on_board and not misfits:
            lines.append("on this board: chip, line names and lines in use fit the profile.")
        return "\n".join(lines)

    facts = {"found": found, "warnings": [vars(one) for one in warnings], "suction": draws, "on_board": misfits}
    session.show(facts, draw)
    return 1 if misfits else 0


def _check_together(paths: tuple[Path, ...], session: Session) -> int:
    """Machines on one supply; 2 when they may not hang there together."""
    from controller.config import load_profile
    from controller.sequencing.shared_supply import problems

    profiles = [load_profile(path)[0] for path in paths]
    found, names = problems(profiles), " and ".join(one.machine for one in profiles)

    def draw(_facts: object) -> str:
        if not found:
            return f"{names}: can share the supply {profiles[0].supply.shared_as}."
        return "\n".join([f"{names}: cannot share a supply.", *found])

    session.show({"machines": [one.machine for one in profiles], "problems": found}, draw)
    return 2 if found else 0


def _checked(
    profile_path: Path | None, book_path: Path | None
) -> tuple[str, list[Problem], Profile | None, tuple[str, ...]]:
    """What was found, warnings, the profile, and what a pump will not draw. Raises FileProblems."""
    from controller.config import load, load_book, load_profile

    if profile_path is not None and book_path is not None:
        profile, book, warnings = load(profile_path, book_path)
        found = f"{profile.machine} with {len(profile.lines)} lines, {book.title} with {len(book.recipes)} recipes"
        return found, warnings, profile, _suction(profile, book)
    if profile_path is not None:
        profile, warnings = load_profile(profile_path)
        return f"{profile.machine} with {len(profile.lines)} lines", warnings, profile, ()
    if book_path is not None:
        book, warnings = load_book(book_path, None)
        found = f"{book.title} with {len(book.recipes)} recipes (lines were not checked: name a --profile too)"
        return found, warnings, None, ()
    raise click.UsageError("name a --profile, a --book, or both.")


def _misfits(profile: Profile) -> tuple[str, ...]:
    """What of the profile does not fit the GPIO chip of this computer; nothing is claimed and nothing is driven."""
    if profile.board.backend != "gpio":
        raise Refused(
            rule="on_board",
            reason=f"{profile.machine} is a simulated machine: there is no board to hold it against.",
            remedy="Name a profile with backend: gpio.",
        )
    from controller.hal.chip_check import compare

    return tuple(compare(profile))


def _suction(profile: Profile, book: Book) -> tuple[str, ...]:
    """What hangs on a line whose pump will not draw it, or barely, and what would help."""
    from controller.metering.suction import check_suction

    found = [check_suction(profile.line(one.line), book.liquid(one.liquid)) for one in book.lines]
    return tuple(one.text for one in found if not one.is_good)


@click.command()
@click.argument("name", type=click.Choice(["profile", "book", "event", "api"]))
def schema(name: Literal["profile", "book", "event", "api"]) -> None:
    """Print the JSON Schema of a profile, a book or an event, with which editors complete and check it.

    api: the OpenAPI 3.1 description of the engine's HTTP interface.
    """
    if name == "api":
        from controller.engine.http.openapi import openapi_text

        click.echo(openapi_text(), nl=False)
        return
    from controller.config import schema_text

    click.echo(schema_text(name), nl=False)
