"""`tundish hygiene`: how clean the lines are, the end of an evening, and the record for an inspector."""

import csv
import time
from datetime import datetime
from pathlib import Path

import click

from controller.cli.client import Engine
from controller.cli.completion import LINE
from controller.cli.lines.guided import drop, guide
from controller.cli.lines.stock import moment
from controller.cli.options import facts_options, quantity, show, table
from controller.model.evening import CloseRequest, HygieneLine, HygieneRecord, SequenceView

FILE = click.Path(path_type=Path, dir_okay=False, writable=True)
DATE = click.DateTime(["%Y-%m-%d", "%Y-%m-%d %H:%M", "%Y-%m-%dT%H:%M"])


@click.group(invoke_without_command=True)
@facts_options
@click.pass_context
def hygiene(ctx: click.Context, run_dir: Path | None, as_json: bool) -> int:
    """Show what every line holds, since when, and what it is due for.

    Ends with 1 when a line is overdue.
    """
    if ctx.invoked_subcommand is not None:
        return 0
    found = Engine(run_dir).get("hygiene", tuple[HygieneLine, ...])
    show(found, lambda: draw_hygiene(found), as_json=as_json)
    return 1 if any(one.overdue for one in found) else 0


@hygiene.command()
@click.option("--jug", "jug_ml", metavar="VOLUME", callback=quantity("mL"), help="What the jug takes.")
@click.option("--dry", is_flag=True, help="Empty the lines after the last rinse.")
@click.option("--by", "person", default="", help="Who does it, for the record.")
@click.option("--cleaner", default="", help="Which cleaner, how strong, how warm: for the record.")
@click.option("--next", "do_next", is_flag=True, help="What the step asked for is done: go on by one step.")
@click.option("--drop", "is_dropped", is_flag=True, help="Forget it; the lines stay as they are.")
@facts_options
def close(
    *,
    run_dir: Path | None,
    jug_ml: float | None,
    dry: bool,
    person: str,
    cleaner: str,
    do_next: bool,
    is_dropped: bool,
    as_json: bool,
) -> int:
    """Guide the end of an evening: purge, clean and rinse every line that was wet.

    It can be left at any step, and is taken up again by the same command.
    """
    engine, target = Engine(run_dir), "sequences/close"
    if is_dropped:
        return drop(engine, target, as_json=as_json)
    request = CloseRequest(jug_ml=jug_ml, dry=dry, person=person, cleaner=cleaner)
    view = engine.post(target, SequenceView, request)
    return guide(engine, target, view, "hygiene close", do_next=do_next, as_json=as_json)


@hygiene.command()
@click.option("--since", type=DATE, help="From this day or moment on.")
@click.option("--until", type=DATE, help="Before this day or moment.")
@click.option("--line", type=LINE, help="This line only.")
@click.option("--csv", "csv_path", type=FILE, help="Write the entries into this file.")
@click.option("--html", "html_path", type=FILE, help="Write a page to print into this file.")
@facts_options
def record(
    *,
    run_dir: Path | None,
    since: datetime | None,
    until: datetime | None,
    line: int | None,
    csv_path: Path | None,
    html_path: Path | None,
    as_json: bool,
) -> None:
    """Show what happened to the lines; as CSV, or as a page to print."""
    query = {} if since is None else {"since_wall_s": since.timestamp()}
    query |= {} if until is None else {"until_wall_s": until.timestamp()}
    found = of_line(Engine(run_dir).get("hygiene/record", HygieneRecord, **query), line)
    if csv_path is not None:
        write_csv(found, csv_path)
    if html_path is not None:
        from controller.cli.pages.hygiene_record import page

        html_path.write_text(page(found), encoding="utf-8")
    written = [str(path) for path in (csv_path, html_path) if path is not None]
    show(found, lambda: f"written: {', '.join(written)}" if written else draw_record(found), as_json=as_json)


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
    with path.open("w", newline="", encoding="utf-8") as file:
        rows = csv.writer(file)
        rows.writerow(("when", "line", "event", "text", "volume_ml", "outcome", "person"))
        for one in record_.rows:
            when = datetime.fromtimestamp(one.wall_s).astimezone().isoformat(timespec="seconds")
            volume = "" if one.volume_ml is None else f"{one.volume_ml:.1f}"
            rows.writerow((when, one.line, one.event, one.text, volume, one.outcome, one.person))


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
