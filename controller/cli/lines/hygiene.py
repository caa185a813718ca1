"""`tundish hygiene`: how clean the lines are, closing an event, and the record for an inspector."""

import time
from pathlib import Path
from typing import Any

import click

from controller.cli.completion import LINE
from controller.cli.lines.guided import guide, guided_options
from controller.cli.options import (
    Session,
    date_options,
    file_option,
    iso_moment,
    moment,
    quantity_option,
    session_options,
    table,
    write_table,
    writing,
)
from controller.model.evening import CloseRequest, HygieneLine, HygieneRecord


@click.group(invoke_without_command=True)
@session_options
@click.pass_context
def hygiene(ctx: click.Context, session: Session) -> int:
    """Show what every line holds, since when, and what it is due for.

    Ends with 1 when a line is overdue.
    """
    if ctx.invoked_subcommand is not None:
        return 0
    found = session.engine.get("hygiene", tuple[HygieneLine, ...])
    session.show(found, draw_hygiene)
    return 1 if any(one.overdue for one in found) else 0


@hygiene.command()
@quantity_option("--jug", "jug_ml", "mL", "Capacity of the jug.")
@click.option("--dry", is_flag=True, help="Empty the lines after the last rinse.")
@click.option("--by", "person", default="", help="Who does it, for the record.")
@click.option("--cleaner", default="", help="Which cleaner, how strong, how warm: for the record.")
@guided_options
@session_options
def close(session: Session, *, do_next: bool, is_dropped: bool, **words: Any) -> int:
    """Guide the closing of an event: purge, clean and rinse every line that was wet.

    It can be paused at any step; the same command goes on with it.
    """
    request = CloseRequest(**words)
    return guide(session, "sequences/close", request, "hygiene close", do_next=do_next, is_dropped=is_dropped)


@hygiene.command()
@date_options
@click.option("--line", type=LINE, help="This line only.")
@file_option("--csv", "csv_path", "Write the entries into this file.")
@file_option("--html", "html_path", "Write a page to print into this file.")
@session_options
def record(
    session: Session,
    *,
    since: float | None,
    until: float | None,
    line: int | None,
    csv_path: Path | None,
    html_path: Path | None,
) -> None:
    """Show what happened to the lines; as CSV, or as a page to print."""
    query = {"since_wall_s": since, "until_wall_s": until}
    found = of_line(session.engine.get("hygiene/record", HygieneRecord, **query), line)
    if csv_path is not None:
        write_csv(found, csv_path)
    if html_path is not None:
        from controller.cli.pages.hygiene_record import page

        with writing(html_path) as file:
            file.write(page(found))
    written = [str(path) for path in (csv_path, html_path) if path is not None]
    session.show(found, f"written: {', '.join(written)}" if written else draw_record)


def of_line(record_: HygieneRecord, line: int | None) -> HygieneRecord:
    """The record of one line alone, or all of it."""
    from msgspec.structs import replace

    if line is None:
        return record_
    return replace(
        record_,
        lines=tuple(one for one in record_.lines if one.line == line),
        rows=tuple(one for one in record_.rows if one.line == line),
    )


def draw_hygiene(found: tuple[HygieneLine, ...]) -> str:
    """One row a line; what is overdue stands below."""
    header = ("line", "liquid", "in the tube", "since", "keeps until", "cleaned", "clean by", "to do")
    parts = [table(header, map(_cells, found))]
    parts += [click.style(f"OVERDUE  {reason}", fg="red") for one in found for reason in one.overdue]
    return "\n".join(parts)


def draw_record(record_: HygieneRecord) -> str:
    """One row an entry."""
    if not record_.rows:
        return "Nothing happened to the lines in this time."
    rows = [
        (
            time.strftime("%Y-%m-%d %H:%M:%S", time.localtime(one.wall_s)),
            str(one.line),
            one.event,
            one.text,
            "" if one.volume_ml is None else f"{one.volume_ml:.0f} mL",
            one.outcome,
            one.person,
        )
        for one in record_.rows
    ]
    return table(("when", "line", "what", "", "volume", "ended", "by"), rows)


def write_csv(record_: HygieneRecord, path: Path) -> None:
    """The entries as a table, times with their offset from UTC."""
    header = ("when", "line", "event", "text", "volume_ml", "outcome", "person")
    rows = []
    for one in record_.rows:
        volume = "" if one.volume_ml is None else f"{one.volume_ml:.1f}"
        rows.append((iso_moment(one.wall_s), one.line, one.event, one.text, volume, one.outcome, one.person))
    write_table(path, header, rows)


def _cells(one: HygieneLine) -> tuple[str, ...]:
    return (
        str(one.line),
        one.liquid or "nothing",
        one.holds or str(one.contents),
        moment(one.since_wall_s),
        moment(one.keeps_until_wall_s),
        moment(one.cleaned_wall_s) or "not yet",
        moment(one.clean_by_wall_s),
        one.next_step,
    )
