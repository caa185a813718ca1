"""Commands on files, which need no running machine: check, schema."""

from pathlib import Path
from typing import Literal

import click

from controller.cli.options import existing_file, json_option, show
from controller.model.book import Book
from controller.model.profile import Profile


@click.command()
@click.option("--profile", "profile_path", type=existing_file, help="The machine.")
@click.option("--book", "book_path", type=existing_file, help="Liquids, glasses, recipes.")
@json_option
def check(profile_path: Path | None, book_path: Path | None, as_json: bool) -> None:
    """Check a profile, a book, or a book against a profile; every problem of both at once.

    Ends with 0 when both can be used (there may be warnings), with 2 otherwise.
    """
    from controller.config import load, load_book, load_profile

    draws: tuple[str, ...] = ()
    if profile_path is not None and book_path is not None:
        profile, book, warnings = load(profile_path, book_path)
        found = f"{profile.machine} with {len(profile.lines)} lines, {book.title} with {len(book.recipes)} recipes"
        draws = _suction(profile, book)
    elif profile_path is not None:
        profile, warnings = load_profile(profile_path)
        found = f"{profile.machine} with {len(profile.lines)} lines"
    elif book_path is not None:
        book, warnings = load_book(book_path, None)
        found = f"{book.title} with {len(book.recipes)} recipes (lines were not checked: name a --profile too)"
    else:
        raise click.UsageError("name a --profile, a --book, or both.")

    def draw() -> str:
        lines = [f"{found}: can be used."]
        return "\n".join(lines + [click.style(f"warning: {one}", fg="yellow") for one in (*warnings, *draws)])

    facts = {"found": found, "warnings": [vars(one) for one in warnings], "suction": draws}
    show(facts, draw, as_json=as_json)


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
        from controller.engine.http_openapi import openapi_text

        click.echo(openapi_text(), nl=False)
        return
    from controller.config import schema_text

    click.echo(schema_text(name), nl=False)
