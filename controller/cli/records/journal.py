"""`tundish journal`: what the guard wrote down, from its files alone; no service need run."""

from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import click
import msgspec

from controller.cli.options import Session, json_option, state_dir_option
from controller.cli.places import SERVICE_STATE_DIR, own_state_dir
from controller.errors import TundishError
from controller.guard.journal_operations import Happening, JournalledOperation, JournalOperations, operations_in
from controller.ledger.journal_reading import DATABASE, HEAD, read_at


@click.command()
@click.argument("path", type=click.Path(exists=True, path_type=Path), required=False)
@click.option("--limit", type=click.IntRange(1, 100_000), default=20, show_default=True, help="How many, newest last.")
@state_dir_option
@json_option
def journal(*, path: Path | None, limit: int, state_dir: Path | None, session: Session) -> int:
    """Show every operation as the guard's journal has it: asked, refused by which rules, switched when, ended how.

    Between them: figures of the book and caps that changed, faults (a stock that differs too), acknowledgements.

    PATH is the folder of a journal, or one file of it; without it, this machine's. Nothing is changed, and the guard
    may be running. Ends with 1 when part of it cannot be read.
    """
    found = operations_in(read_at(path or _usual_place(state_dir)))
    shown = found.last(limit)
    session.show(msgspec.to_builtins(shown), draw(shown))
    return 1 if found.damage else 0


def draw(shown: JournalOperations) -> str:
    """A paragraph for each operation, a line for what happened besides, then what cannot be read."""
    parts = ["\n".join(_paragraph(one)) for one in shown.in_order()] or ["Nothing was asked of this guard yet."]
    parts += [click.style(f"damage: {text}", fg="red") for text in shown.damage]
    return "\n".join(parts)


def _usual_place(state_dir: Path | None) -> Path:
    """The service's own; else the one that was written last, as `tundish up` has a folder for each machine."""
    folder = state_dir or (SERVICE_STATE_DIR if SERVICE_STATE_DIR.is_dir() else own_state_dir())
    of_service = folder / "guard"
    try:
        if any((of_service / name).is_file() for name in (HEAD, DATABASE)):
            return of_service
    except PermissionError as error:
        raise TundishError(f"{of_service} may not be read: {error.strerror}. Run it again with sudo.") from error
    found = sorted(folder.glob(f"**/{HEAD}"), key=lambda path: path.stat().st_mtime) or list(
        folder.glob(f"**/{DATABASE}")
    )
    if not found:
        raise TundishError(f"there is no journal in {folder}. Name its folder: tundish journal FOLDER")
    return found[-1].parent


def _paragraph(operation: JournalledOperation | Happening) -> Iterator[str]:
    moment = f"{datetime.fromtimestamp(operation.wall_s):%Y-%m-%d %H:%M:%S}"
    if isinstance(operation, Happening):
        yield f"{moment}  {operation.text}"
        return
    yield f"{moment}  {_headline(operation)}"
    by_line: dict[int, list[str]] = {}
    for line, is_on, at_s in operation.edges:
        by_line.setdefault(line, []).append(f"{'on' if is_on else 'off'} {at_s:.3f} s")
    for one in operation.ended.deliveries if operation.ended else ():
        edges = ", ".join(by_line.get(one.line, ["never on"]))
        yield (
            f"    line {one.line}: {one.delivered_ml:.1f} of {one.asked_ml:.1f} mL {one.liquid}, at most "
            f"{one.worst_ml:.1f} mL; {edges}"
        )


def _headline(operation: JournalledOperation) -> str:
    if operation.refused_by:
        return f"{operation.request}: refused by {', '.join(operation.refused_by)}: {operation.reason}"
    asked = operation.asked
    what = operation.request if asked is None else f"{operation.request}: {asked.kind} {asked.recipe or ''}".rstrip()
    held = f", went on {len(operation.resumed)} times after a hold" if operation.resumed else ""
    if operation.ended is None:
        return f"{what}{held}, no end is written yet"
    reason = f" ({operation.reason})" if operation.reason else ""
    return f"{what}{held}, {operation.ended.outcome}{reason}"
