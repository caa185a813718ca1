"""The hygiene record of a machine's lines as a page to print."""

from datetime import datetime
from html import escape

from controller.cli.options import moment
from controller.cli.pages import html
from controller.model.evening import HygieneLine, HygieneRecord, RecordRow


def page(record: HygieneRecord) -> str:
    """The whole page: how the lines stand, then every line's entries in the order of time."""
    offset = datetime.fromtimestamp(record.written_wall_s).astimezone().strftime("UTC%z")
    parts = [
        f"<p>{escape(record.book)}; from {moment(record.since_wall_s)} to {moment(record.until_wall_s)}, local time "
        f"({offset}).</p><p>A cleaning is a line full of cleaner for at least {record.contact_s / 60:.0f} min, then "
        f"{record.rinse_line_volumes} line volumes of water or more. Volumes are worked out from the pumps' running "
        "times; where a jug on the scale has caught them, what it weighed stands beside.</p>",
        html.section(
            "How the lines stand",
            "",
            html.table(
                ("line", "liquid", "in the tube", "since", "cleaned", "clean by", "overdue"),
                map(_standing, record.lines),
            ),
        ),
    ]
    for line in record.lines:
        rows = [_entry(one) for one in record.rows if one.line == line.line]
        table = html.table(("when", "what", "", "volume", "ended", "by"), rows) if rows else "<p>No entries.</p>"
        parts.append(html.section(f"Line {line.line}", "", table))
    parts.append(
        f'<p class="sign">Written {moment(record.written_wall_s)}. Seen by: ____________________________ '
        "Date: ______________</p>"
    )
    return html.page(f"Hygiene record: {record.machine}", *parts)


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
