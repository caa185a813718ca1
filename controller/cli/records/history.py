"""`tundish history`: what was poured, by many sides; usage by evening, refusals by rule, and all of it as CSV."""

import csv
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import click

from controller.cli.client import Engine
from controller.cli.completion import LINE, RECIPE
from controller.cli.following import poured
from controller.cli.options import facts_options, show, table
from controller.model.evening import RuleCount, Usage
from controller.model.states import OperationKind
from controller.model.views import OperationView

PAGE = 500  # operations asked for at once when all are written
DATE = click.DateTime(["%Y-%m-%d", "%Y-%m-%d %H:%M", "%Y-%m-%dT%H:%M"])
OUTCOMES = ("done", "stopped", "aborted", "faulted", "refused")


@click.command()
@click.option("--limit", type=click.IntRange(1, 1000), default=20, show_default=True, help="How many, newest first.")
@click.option("--since", type=DATE, help="From this day or moment on.")
@click.option("--until", type=DATE, help="To the end of this day, or before this moment.")
@click.option("--recipe", type=RECIPE, help="This drink only.")
@click.option("--kind", type=click.Choice([str(kind) for kind in OperationKind]), help="This kind of operation only.")
@click.option("--outcome", type=click.Choice(OUTCOMES), help="Only what ended this way.")
@click.option("--line", type=LINE, help="Only what this line took part in.")
@click.option("--usage", is_flag=True, help="Show instead what went through, by evening and liquid.")
@click.option("--refusals", is_flag=True, help="Show instead how often each rule refused.")
@click.option("--csv", "csv_path", type=click.Path(path_type=Path, dir_okay=False, writable=True),
              help="Write all of it into this file, without limit.")  # fmt: skip
@facts_options
def history(*, run_dir: Path | None, usage: bool, refusals: bool, as_json: bool, **words: Any) -> None:
    """Show what was asked of the machine, newest first."""
    if usage and refusals:
        raise click.UsageError("--usage and --refusals are two tables: ask for one of them.")
    engine, path = Engine(run_dir), words["csv_path"]
    if usage:
        _show_usage(engine, words, path, as_json=as_json)
    elif refusals:
        counts = engine.get("refusals", tuple[RuleCount, ...], **_span(words))
        _show(counts, draw_refusals(counts), ("rule", "refusals"), path, as_json=as_json)
    elif path is not None:
        count = write_operations(pages(engine, _wanted(words)), path)
        show({"written": str(path), "operations": count}, lambda: f"{count} operations: {path}", as_json=as_json)
    else:
        found = engine.get("operations", tuple[OperationView, ...], limit=words["limit"], **_wanted(words))
        show(found, lambda: draw_history(found), as_json=as_json)


def pages(engine: Engine, query: dict[str, Any]) -> Iterator[OperationView]:
    """All operations of a query, newest first, asked for page by page."""
    before: dict[str, str] = {}
    while True:
        found = engine.get("operations", tuple[OperationView, ...], limit=PAGE, **query, **before)
        yield from found
        if len(found) < PAGE:
            return
        before = {"before": found[-1].operation}


def write_operations(operations: Iterator[OperationView], path: Path) -> int:
    """One row for each line of each operation, one for an operation without lines; how many operations they are."""
    header = ("when", "operation", "kind", "recipe", "times", "ended", "rule", "reason", "line", "liquid", "asked_ml",
              "poured_ml", "certainty", "changes")  # fmt: skip
    count = 0
    with path.open("w", newline="", encoding="utf-8") as file:
        rows = csv.writer(file)
        rows.writerow(header)
        for one in operations:
            count += 1
            when = "" if one.asked_wall_s is None else _iso(one.asked_wall_s)
            rule = one.refused[0].rule if one.refused else ""
            first = (when, one.operation, one.kind, one.recipe or "", f"{one.times:g}", _ended(one), rule, _reason(one))
            changes = " ".join(one.changes)
            for line in one.lines:
                volumes = (f"{line.asked_ml:.2f}", f"{line.delivered_ml:.2f}", "at most" if line.at_most else "")
                rows.writerow((*first, line.line, line.liquid, *volumes, changes))
            if not one.lines:
                rows.writerow((*first, "", "", "", "", "", changes))
    return count


def draw_history(operations: tuple[OperationView, ...]) -> str:
    """One row an operation."""
    if not operations:
        return "Nothing of the kind was asked of this machine yet."
    return table(("when", "operation", "what", "ended", "poured", "reason"), map(_cells, operations))


def draw_usage(found: tuple[Usage, ...]) -> str:
    """One row for each liquid of each evening."""
    if not found:
        return "Nothing went through in this time."
    rows = [
        (
            one.evening,
            one.liquid,
            str(one.doses),
            f"{one.asked_ml:.0f} mL",
            f"{one.poured_ml:.0f} mL",
            f"{100 * (one.poured_ml / one.asked_ml - 1):+.1f} %" if one.asked_ml > 0 else "",
            f"{one.other_ml:.0f} mL",
        )
        for one in found
    ]
    return table(("evening", "liquid", "doses", "asked", "poured", "off", "otherwise"), rows)


def draw_refusals(counts: tuple[RuleCount, ...]) -> str:
    """One row a rule."""
    if not counts:
        return "Nothing was refused in this time."
    return table(("rule", "refusals"), [(one.rule, str(one.refusals)) for one in counts])


def _show_usage(engine: Engine, words: dict[str, Any], path: Path | None, *, as_json: bool) -> None:
    query = _span(words) | {name: words[name] for name in ("recipe", "line") if words[name] is not None}
    found = engine.get("usage", tuple[Usage, ...], **query)
    _show(found, draw_usage(found), Usage.__struct_fields__, path, as_json=as_json)


def _show(found: tuple[Any, ...], drawn: str, header: tuple[str, ...], path: Path | None, *, as_json: bool) -> None:
    if path is not None:
        with path.open("w", newline="", encoding="utf-8") as file:
            rows = csv.writer(file)
            rows.writerow(header)
            rows.writerows([getattr(one, name) for name in header] for one in found)
    show(found, lambda: drawn if path is None else f"{len(found)} rows: {path}", as_json=as_json)


def _span(words: dict[str, Any]) -> dict[str, float]:
    """Since and until in Unix seconds; a day as `until` is meant to its end."""
    since, until = words["since"], words["until"]
    found = {} if since is None else {"since_wall_s": since.timestamp()}
    if until is not None:
        is_day = (until.hour, until.minute) == (0, 0)
        found["until_wall_s"] = (until + timedelta(days=1) if is_day else until).timestamp()
    return found


def _wanted(words: dict[str, Any]) -> dict[str, Any]:
    names = ("recipe", "kind", "outcome", "line")
    return _span(words) | {name: words[name] for name in names if words[name] is not None}


def _cells(one: OperationView) -> tuple[str, ...]:
    what = f"{one.kind} {one.recipe or ''}".strip() + (f" x {one.times:.3g}" if one.times != 1 else "")
    what += ", the rest" if one.rest_of is not None else ""
    given = ", ".join(f"{poured(line)} {line.liquid}" for line in one.lines)
    when = "" if one.asked_wall_s is None else datetime.fromtimestamp(one.asked_wall_s).strftime("%Y-%m-%d %H:%M")
    return (
        when,
        one.operation,
        what,
        _ended(one),
        given,
        " ".join([*([_reason(one)] if _reason(one) else []), *one.changes]),
    )


def _ended(one: OperationView) -> str:
    return "refused" if one.refused else "under way" if one.outcome is None else str(one.outcome)


def _reason(one: OperationView) -> str:
    return one.refused[0].reason if one.refused else one.reason


def _iso(wall_s: float) -> str:
    return datetime.fromtimestamp(wall_s).astimezone().isoformat(timespec="seconds")
