"""`tundish journal`: every operation as the guard wrote it down, from its file alone; no service need run."""

from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import click
import msgspec

from controller.cli.options import existing_file, json_option, show, state_dir_option
from controller.cli.places import JOURNAL, state_dir_to_use
from controller.errors import TundishError
from controller.guard.chronicle import Chapter, Chronicle, chronicle
from controller.ledger.journal import read_file


@click.command()
@click.argument("file", type=existing_file, required=False)
@click.option("--limit", type=click.IntRange(1, 100_000), default=20, show_default=True, help="How many, newest last.")
@state_dir_option
@json_option
def journal(*, file: Path | None, limit: int, state_dir: Path | None, as_json: bool) -> int:
    """Tell every operation as the guard's journal has it: asked, refused by which rules, switched when, ended how.

    FILE is a journal or a copy of one; without it, that of this machine. Nothing is changed, and the guard may be
    running. Ends with 1 when part of it cannot be read.
    """
    path = file or _usual_place(state_dir)
    found = chronicle(read_file(path))
    told = Chronicle(chapters=found.chapters[-limit:], damage=found.damage)
    show(msgspec.to_builtins(told), lambda: draw_chronicle(told), as_json=as_json)
    return 1 if found.damage else 0


def draw_chronicle(told: Chronicle) -> str:
    """A paragraph for each operation, then what cannot be read."""
    parts = ["\n".join(_paragraph(one)) for one in told.chapters] or ["Nothing was asked of this guard yet."]
    parts += [click.style(f"damage: {text}", fg="red") for text in told.damage]
    return "\n".join(parts)


def _usual_place(state_dir: Path | None) -> Path:
    """The services have a folder each; `tundish up` has one for both."""
    folder = state_dir_to_use(state_dir)
    places = [folder / "guard" / JOURNAL, folder / JOURNAL]
    try:
        return next(path for path in places if path.is_file())
    except PermissionError as error:
        raise TundishError(f"{folder} may not be read: {error.strerror}. Run it again with sudo.") from error
    except StopIteration:
        raise TundishError(
            f"there is no journal at {places[0]} or {places[1]}. Name the file: tundish journal FILE"
        ) from None


def _paragraph(chapter: Chapter) -> Iterator[str]:
    yield f"{datetime.fromtimestamp(chapter.wall_s):%Y-%m-%d %H:%M:%S}  {_headline(chapter)}"
    by_line: dict[int, list[str]] = {}
    for line, is_on, at_s in chapter.edges:
        by_line.setdefault(line, []).append(f"{'on' if is_on else 'off'} {at_s:.3f} s")
    for one in chapter.ended.deliveries if chapter.ended else ():
        edges = ", ".join(by_line.get(one.line, ["never on"]))
        yield (
            f"    line {one.line}: {one.delivered_ml:.1f} of {one.asked_ml:.1f} mL {one.liquid}, at most "
            f"{one.worst_ml:.1f} mL; {edges}"
        )


def _headline(chapter: Chapter) -> str:
    if chapter.refused_by:
        return f"{chapter.request}: refused by {', '.join(chapter.refused_by)}: {chapter.reason}"
    asked = chapter.asked
    what = chapter.request if asked is None else f"{chapter.request}: {asked.kind} {asked.recipe or ''}".rstrip()
    held = f", went on {len(chapter.resumed)} times after a hold" if chapter.resumed else ""
    if chapter.ended is None:
        return f"{what}{held}, no end is written yet"
    reason = f" ({chapter.reason})" if chapter.reason else ""
    return f"{what}{held}, {chapter.ended.outcome}{reason}"
