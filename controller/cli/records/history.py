"""`tundish history`: what was poured, usage by evening, refusals by rule, and all of it as CSV."""

import csv
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import click

from controller.cli.client import EngineClient
from controller.cli.completion import LINE, RECIPE
from controller.cli.following import dose_weighed, poured, weighed
from controller.cli.options import (
    Session,
    date_options,
    file_option,
    iso_moment,
    moment,
    session_options,
    table,
    write_table,
    writing,
)
from controller.model.evening import RuleCount, Usage
from controller.model.states import OperationKind
from controller.model.views import LineProgress, OperationView

PAGE = 500  # operations asked for at once when all are written
OUTCOMES = ("done", "stopped", "aborted", "faulted", "refused")


@click.command()
@click.option("--limit", type=click.IntRange(1, 1000), default=20, show_default=True, help="How many, newest first.")
@date_options
@click.option("--recipe", type=RECIPE, help="This drink only.")
@click.option("--kind", type=click.Choice([str(kind) for kind in OperationKind]), help="This kind of operation only.")
@click.option("--outcome", type=click.Choice(OUTCOMES), help="Only what ended this way.")
@click.option("--line", type=LINE, help="Only what this line took part in.")
@click.option("--usage", is_flag=True, help="Show instead what went through, by evening and liquid.")
@click.option("--refusals", is_flag=True, help="Show instead how often each rule refused.")
@file_option("--csv", "path", "Write all of it into this file, without limit.")
@session_options
def history(session: Session, *, limit: int, usage: bool, refusals: bool, path: Path | None, **words: Any) -> None:
    """Show what was asked of the machine, newest first."""
    if usage and refusals:
        raise click.UsageError("--usage and --refusals are two tables: ask for one of them.")
    engine, query = session.engine, {"since_wall_s": words.pop("since"), "until_wall_s": words.pop("until")}
    if usage:
        query |= {name: words[name] for name in ("recipe", "line")}
        _show(session, engine.get("usage", tuple[Usage, ...], **query), draw_usage, path)
    elif refusals:
        _show(session, engine.get("refusals", tuple[RuleCount, ...], **query), draw_refusals, path)
    elif path is not None:
        count = write_operations(pages(engine, query | words), path)
        session.show({"written": str(path), "operations": count}, f"{count} operations: {path}")
    else:
        session.show(engine.get("operations", tuple[OperationView, ...], limit=limit, **query, **words), draw_history)


def pages(engine: EngineClient, query: dict[str, Any]) -> Iterator[OperationView]:
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
              "poured_ml", "certainty", "changes", "weighed_ml", "u_weighed_ml", "dose_weighed_ml", "u_dose_weighed_ml",
              "unweighed")  # fmt: skip
    count = 0
    with writing(path) as file:
        rows = csv.writer(file)
        rows.writerow(header)
        for count, one in enumerate(operations, start=1):  # noqa: B007 -- counted
            when = "" if one.asked_wall_s is None else iso_moment(one.asked_wall_s)
            rule = one.refused[0].rule if one.refused else ""
            first = (when, one.operation, one.kind, one.recipe or "", f"{one.times:g}", _ended(one), rule, _reason(one))
            last = (" ".join(one.changes), *_weighed(one))
            for line in one.lines:
                volumes = (f"{line.asked_ml:.2f}", f"{line.delivered_ml:.2f}", "at most" if line.at_most else "")
                rows.writerow((*first, line.line, line.liquid, *volumes, *last, *_dose_weighed(line), one.unweighed))
            if not one.lines:
                rows.writerow((*first, "", "", "", "", "", *last, "", "", one.unweighed))
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


def _show(session: Session, found: tuple[Any, ...], draw: Callable[[Any], str], path: Path | None) -> None:
    if path is not None:
        header = found[0].__struct_fields__ if found else ()
        write_table(path, header, ([getattr(one, name) for name in header] for one in found))
    session.show(found, draw if path is None else f"{len(found)} rows: {path}")


def _cells(one: OperationView) -> tuple[str, ...]:
    what = f"{one.kind} {one.recipe or ''}".strip() + (f" x {one.times:.3g}" if one.times != 1 else "")
    what += ", the rest" if one.rest_of is not None else ""
    given = ", ".join(f"{dose_weighed(line) or poured(line)} {line.liquid}" for line in one.lines) + weighed(one)
    return (
        moment(one.asked_wall_s),
        one.operation,
        what,
        _ended(one),
        given,
        " ".join([*([_reason(one)] if _reason(one) else []), *one.changes]),
    )


def _weighed(one: OperationView) -> tuple[str, str]:
    """What the scale said of a whole serving, with its standard uncertainty; empty without."""
    found = one.weighed
    return ("", "") if found is None or found.u_ml is None else (f"{found.volume_ml:.2f}", f"{found.u_ml:.2f}")


def _dose_weighed(one: LineProgress) -> tuple[str, str]:
    """What a line brought by weight, with its standard uncertainty; empty without."""
    return ("", "") if one.weighed is None else (f"{one.weighed.volume_ml:.2f}", f"{one.weighed.u_ml:.2f}")


def _ended(one: OperationView) -> str:
    return "refused" if one.refused else "under way" if one.outcome is None else str(one.outcome)


def _reason(one: OperationView) -> str:
    return one.refused[0].reason if one.refused else one.reason
