"""A rehearsal as one page of HTML: pictures and tables, everything inside, no script, no network."""

from collections import Counter
from collections.abc import Iterable, Sequence
from html import escape
from statistics import fmean, pstdev

from controller.cli.pictures import rehearsal as pictures
from controller.metering.dose import mi008_ml
from controller.rehearsal.evening_record import Evening, Served
from controller.rehearsal.report_svg import PATTERNS
from controller.rehearsal.report_svg import STYLE as PICTURE_STYLE

WORST = 10  # doses that are listed

STYLE = """
:root { --ink: #222; --paper: #fff; --faint: #ddd; --shade: #f4f4f2; --blue: #0072b2;
  color-scheme: light dark; }
@media (prefers-color-scheme: dark) {
  :root { --ink: #ddd; --paper: #1b1b1b; --faint: #444; --shade: #262626; --blue: #56b4e9; } }
@media print {
  :root { --ink: #000; --paper: #fff; --faint: #ccc; --shade: #fff; --blue: #0072b2; }
  details { break-inside: avoid; } }
body { background: var(--paper); color: var(--ink); font: 15px/1.45 system-ui, sans-serif;
  max-width: 900px; margin: 2em auto; padding: 0 1em; }
h1 { font-size: 1.5em; margin-bottom: 0; } h2 { font-size: 1.15em; margin: 1.8em 0 0.3em; }
section { overflow-x: auto; } p { margin: 0.3em 0; } .quiet { opacity: 0.8; }
.facts { display: flex; flex-wrap: wrap; gap: 0.6em; padding: 0; list-style: none; margin: 1em 0; }
.facts li { background: var(--shade); border: 1px solid var(--faint); padding: 0.4em 0.8em; min-width: 8em; }
.facts b { display: block; font-size: 1.3em; }
table { border-collapse: collapse; width: 100%; margin: 0.4em 0; font-size: 0.93em; }
th, td { text-align: left; padding: 0.2em 1.1em 0.2em 0; border-bottom: 1px solid var(--faint); vertical-align: top; }
td.n, th.n { text-align: right; font-variant-numeric: tabular-nums; }
summary { cursor: pointer; margin: 0.6em 0; }
"""


def page(evening: Evening) -> str:
    """The whole page."""
    title = f"Rehearsal: {evening.prepared.event}"
    sections = [
        _head(evening),
        _section(
            "The queue",
            "How many waited. Solid: this rehearsal. Dashed: what to expect on average, shaded: in 95 of 100 events. "
            "Short red marks at the bottom: a container was changed. Red lines with a letter: trouble, see below.",
            pictures.queue(evening),
            pictures.waits(evening),
        ),
        _section(
            "The doses",
            "Every dose of every drink that was taken away: what the bench says is in the glass, less what was asked.",
            pictures.doses(evening),
            _worst(evening),
        ),
        _section(
            "What it took",
            "Blue: in glasses. Slanted: primed, poured away, spilt, or left in empty containers. Dotted: left over. "
            "Red mark: what the service level calls for in the glasses.",
            pictures.volumes(evening),
            _lines(evening),
        ),
        _changes(evening),
        _troubles(evening),
        _refusals(evening),
        _drinks(evening),
    ]
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(title)}</title><style>{STYLE}{PICTURE_STYLE}</style></head><body>{PATTERNS}"
        f"<h1>{escape(title)}</h1>{''.join(sections)}</body></html>\n"
    )


def clock(evening: Evening, at_s: float) -> str:
    """The time of day at at_s, as "16:30"."""
    hours, minutes = (int(part) for part in evening.opens.split(":"))
    passed = int((3600.0 * hours + 60.0 * minutes + at_s) // 60) % 1440
    return f"{passed // 60:02d}:{passed % 60:02d}"


def duration(seconds: float) -> str:
    """Seconds for people: "45 s", "3 min 20 s", "1 h 05 min"."""
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60:02d} s"
    return f"{whole // 3600} h {whole % 3600 // 60:02d} min"


def _head(evening: Evening) -> str:
    inside = sum(dose.is_inside for dose in evening.doses)
    waits_s = [one.waited_s for one in evening.served] or [0.0]
    facts = [
        (f"{len(evening.served)} of {evening.orders}", "drinks served"),
        (duration(fmean(waits_s)), f"mean wait; longest {duration(max(waits_s))}"),
        (str(max(length for _, length in evening.queue)), "longest queue"),
        (f"{inside} of {len(evening.doses)}", "doses within tolerance"),
        (str(len(evening.changes)), "containers changed"),
        (clock(evening, evening.last_s), "last glass taken"),
        (duration(evening.cleaning_s), "cleaning after it"),
    ]
    shown = "".join(f"<li><b>{escape(value)}</b>{escape(what)}</li>" for value, what in facts)
    return (
        f"<p>{escape(evening.prepared.machine)}, {escape(evening.prepared.book)}, from {evening.opens} to "
        f"{clock(evening, evening.lasts_s)}.</p>"
        f'<p class="quiet">A simulated machine and simulated guests (seed {evening.seed}), served by the code that '
        "runs the real one. Guests, their tastes and the machine's true figures are drawn at random: another seed "
        f'gives another evening, and so will the real one.</p><ul class="facts">{shown}</ul>'
    )


def _section(title: str, text: str, *parts: str) -> str:
    said = f'<p class="quiet">{escape(text)}</p>' if text else ""
    return f"<section><h2>{escape(title)}</h2>{said}{''.join(parts)}</section>"


def _table(header: Sequence[str], rows: Iterable[Sequence[str]], numbers: Iterable[int] = ()) -> str:
    """A table; `numbers` are the columns set right."""
    right = {*numbers}

    def cells(row: Sequence[str], tag: str) -> str:
        return "".join(
            f"<{tag}{' class=n' if place in right else ''}>{escape(cell)}</{tag}>" for place, cell in enumerate(row)
        )

    body = "".join(f"<tr>{cells(row, 'td')}</tr>" for row in rows)
    return f"<table><thead><tr>{cells(header, 'th')}</tr></thead><tbody>{body}</tbody></table>"


def _worst(evening: Evening) -> str:
    errors = [dose.error_ml for dose in evening.doses]
    if not errors:
        return "<p>No drink was served.</p>"
    doses = [(one, dose) for one in evening.served for dose in one.doses]
    doses.sort(key=lambda pair: -abs(pair[1].error_ml) / mi008_ml(pair[1].asked_ml))
    rows = [
        (
            clock(evening, one.ended_s),
            one.recipe,
            dose.liquid,
            f"{dose.asked_ml:.1f}",
            f"{dose.error_ml:+.2f}",
            f"{mi008_ml(dose.asked_ml):.1f}",
            "inside" if dose.is_inside else "OUTSIDE",
        )
        for one, dose in doses[:WORST]
    ]
    table = _table(("time", "drink", "liquid", "asked / mL", "off by / mL", "tolerance / mL", ""), rows, (3, 4, 5))
    return (
        f"<p>{len(errors)} doses: on average {fmean(errors):+.2f} mL off, spread (standard deviation) "
        f"{pstdev(errors):.2f} mL, the worst {max(map(abs, errors)):.2f} mL.</p>"
        f"<details><summary>The {len(rows)} worst by their tolerance</summary>{table}</details>"
    )


def _lines(evening: Evening) -> str:
    rows = [
        (
            str(one.line),
            one.liquid,
            f"{one.calibration.flow_ml_s:.3f}",
            ", ".join(f"{count} x {ml:g} mL" for ml, count in Counter(one.bought).items()),
            str(one.used),
            f"{one.asked_ml:.0f}",
            f"{one.glasses_ml:.0f}",
            f"{one.other_ml:.0f}",
            f"{one.left_ml:.0f}",
        )
        for one in evening.lines
    ]
    header = ("line", "liquid", "flow / mL/s", "bought", "opened", "asked / mL", "in glasses", "other", "left over")
    return _table(header, rows, (2, 4, 5, 6, 7, 8))


def _changes(evening: Evening) -> str:
    rows = [
        (
            clock(evening, one.at_s),
            str(one.line),
            one.liquid,
            f"{one.container_ml:g} mL",
            f"{one.left_ml:.0f} mL",
            one.why,
        )
        for one in evening.changes
    ]
    if not rows:
        return _section("Containers changed", "None: the first ones lasted.")
    return _section(
        "Containers changed",
        "",
        _table(("time", "line", "liquid", "fresh container", "left in the old one", "why"), rows, (3, 4)),
    )


def _troubles(evening: Evening) -> str:
    if not evening.troubles:
        return ""
    rows = [
        (
            letter,
            clock(evening, one.at_s),
            one.what,
            "never" if one.noticed_s is None else clock(evening, one.noticed_s),
            one.how,
            "never" if one.mended_s is None else clock(evening, one.mended_s),
        )
        for letter, one in zip(pictures.letters(), evening.troubles, strict=False)
    ]
    return _section("Trouble", "", _table(("", "since", "what", "noticed", "by what", "mended"), rows))


def _refusals(evening: Evening) -> str:
    parts = []
    if evening.refusals:
        counts = Counter(one.rule for one in evening.refusals)
        first = {one.rule: one for one in reversed(evening.refusals)}
        refused = [(rule, str(n), clock(evening, first[rule].at_s), first[rule].reason) for rule, n in counts.items()]
        parts.append(_table(("rule", "times", "first", "what was said then"), refused, (1,)))
    if evening.lost:
        rows = [(clock(evening, one.came_s), one.recipe, one.reason) for one in evening.lost]
        parts.append(f"<p>{len(rows)} drinks that could not be served:</p>")
        parts.append(_table(("asked for", "drink", "why not"), rows))
    if evening.prepared.left_out:
        parts.append(f"<p>Not on the menu, for want of lines: {escape(', '.join(evening.prepared.left_out))}.</p>")
    return _section("Refusals", "" if parts else "Nothing was refused.", *parts)


def _drinks(evening: Evening) -> str:
    rows = [_drink(evening, number, one) for number, one in enumerate(evening.served, start=1)]
    header = ("", "came", "waited", "drink", "taken", "doses: asked, off by / mL", "remarks")
    table = _table(header, rows, (0, 2))
    return _section("Every drink", "", f"<details><summary>{len(rows)} drinks</summary>{table}</details>")


def _drink(evening: Evening, number: int, one: Served) -> tuple[str, ...]:
    doses = "; ".join(f"{dose.liquid} {dose.asked_ml:.1f}, {dose.error_ml:+.2f}" for dose in one.doses)
    remarks = [f"refused {one.refused} times"] * bool(one.refused) + [f"made again {one.made_again} times"] * bool(
        one.made_again
    )
    return (
        str(number),
        clock(evening, one.came_s),
        duration(one.waited_s),
        one.recipe,
        clock(evening, one.left_s),
        doses,
        ", ".join(remarks),
    )
