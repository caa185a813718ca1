"""The record of a machine's lines as one page to print: no scripts, nothing from elsewhere."""

import html
from datetime import datetime

from controller.cli.lines.stock import moment
from controller.model.evening import HygieneLine, HygieneRecord, RecordRow

STYLE = """
body { font: 10pt sans-serif; margin: 1.5cm; color: #111; }
h1 { font-size: 15pt; margin: 0 0 .2em; } h2 { font-size: 12pt; margin: 1.4em 0 .3em; }
p { margin: .2em 0; } table { border-collapse: collapse; width: 100%; }
th, td { text-align: left; padding: .15em .5em .15em 0; border-bottom: 1px solid #bbb; vertical-align: top; }
.sign { margin-top: 2.5em; } tr { break-inside: avoid; }
h2 { break-after: avoid; }
"""


def page(record: HygieneRecord) -> str:
    """The whole page: how the lines stand, then every line's entries in the order of time."""
    parts = [
        "<!doctype html>",
        f'<html lang="en"><head><meta charset="utf-8"><title>Hygiene record, {_text(record.machine)}</title>',
        f"<style>{STYLE}</style></head><body>",
        f"<h1>Hygiene record: {_text(record.machine)}</h1>",
        f"<p>{_text(record.book)}; from {moment(record.since_wall_s)} to {moment(record.until_wall_s)}, local time "
        f"({datetime.fromtimestamp(record.written_wall_s).astimezone().strftime('UTC%z')}).</p>",
        f"<p>A cleaning is a line full of cleaner for at least {record.contact_s / 60:.0f} min, then "
        f"{record.rinse_line_volumes} line volumes of water or more. Volumes are worked out from the pumps' running "
        "times.</p>",
        "<h2>How the lines stand</h2>",
        _table(
            ("line", "liquid", "in the tube", "since", "cleaned", "clean by", "overdue"),
            [_standing(one) for one in record.lines],
        ),
    ]
    for line in record.lines:
        rows = [one for one in record.rows if one.line == line.line]
        parts.append(f"<h2>Line {line.line}</h2>")
        parts.append(_table(("when", "what", "", "volume", "ended", "by"), [_entry(one) for one in rows]))
    parts.append(
        f'<p class="sign">Written {moment(record.written_wall_s)}. Seen by: ____________________________ '
        "Date: ______________</p></body></html>"
    )
    return "\n".join(parts) + "\n"


def _standing(one: HygieneLine) -> tuple[str, ...]:
    return (
        str(one.line),
        one.liquid or "nothing",
        one.holds or str(one.contents),
        moment(one.since_wall_s),
        moment(one.cleaned_wall_s) or "not yet",
        moment(one.clean_by_wall_s) or "not wet since",
        "; ".join(one.overdue) or "no",
    )


def _entry(one: RecordRow) -> tuple[str, ...]:
    volume = "" if one.volume_ml is None else f"{one.volume_ml:.0f} mL"
    when = datetime.fromtimestamp(one.wall_s).strftime("%Y-%m-%d %H:%M:%S")
    return when, one.event, one.text, volume, one.outcome, one.person


def _table(header: tuple[str, ...], rows: list[tuple[str, ...]]) -> str:
    if not rows:
        return "<p>No entries.</p>"
    head = "".join(f"<th>{_text(cell)}</th>" for cell in header)
    body = "".join("<tr>" + "".join(f"<td>{_text(cell)}</td>" for cell in row) + "</tr>" for row in rows)
    return f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"


def _text(text: str) -> str:
    return html.escape(text)
