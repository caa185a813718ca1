"""`tundish journal`: every operation as the guard wrote it down, from its file alone; no service need run."""

from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import click
import msgspec

from controller.cli.options import existing_file, json_option, show, state_dir_option
from controller.cli.places import JOURNAL, SERVICE_STATE_DIR, own_state_dir
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
    """The service's own; else the one that was written last, as `tundish up` has a folder for each machine."""
    folder = state_dir or (SERVICE_STATE_DIR if SERVICE_STATE_DIR.is_dir() else own_state_dir())
    of_service = folder / "guard" / JOURNAL
    try:
        if of_service.is_file():
            return of_service
    except PermissionError as error:
        raise TundishError(f"{of_service} may not be read: {error.strerror}. Run it again with sudo.") from error
    found = sorted(folder.glob(f"**/{JOURNAL}"), key=lambda path: path.stat().st_mtime)
    if not found:
        raise TundishError(f"there is no {JOURNAL} in {folder}. Name the file: tundish journal FILE")
    return found[-1]


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
