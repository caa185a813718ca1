"""A rehearsal as one page of HTML: pictures and tables, everything inside, no script, no network."""

from collections import Counter
from html import escape
from statistics import fmean, pstdev

from controller.cli.pages import html
from controller.cli.pictures import rehearsal as pictures
from controller.metering.dose import mi008_ml
from controller.rehearsal.evening_record import Evening, Served

WORST = 10  # doses that are listed


def page(evening: Evening) -> str:
    """The whole page."""
    title = f"Rehearsal: {evening.prepared.event}"
    sections = [
        _head(evening),
        html.section(
            "The queue",
            "How many waited. Short red marks at the bottom: a container was changed. Red lines with a letter: "
            "a fault, see below.",
            pictures.queue(evening),
            pictures.waits(evening),
        ),
        html.section(
            "The doses",
            "Every dose of every drink that was taken away: what the bench says is in the glass, less what was asked.",
            pictures.doses(evening),
            _worst(evening),
        ),
        html.section(
            "What was used",
            "Red mark: what the service level calls for in the glasses.",
            pictures.volumes(evening),
            _lines(evening),
        ),
        _changes(evening),
        _troubles(evening),
        _refusals(evening),
        _drinks(evening),
    ]
    return html.page(title, *sections)


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
    waits_s, off_s = evening.waits_s, evening.off_s
    facts = [
        (f"{len(evening.served)} of {evening.orders}", "drinks served"),
        (duration(fmean(waits_s)), f"mean wait; longest {duration(max(waits_s))}"),
        (duration(fmean(off_s)), f"how far off was the wait that guests were shown; at most {duration(max(off_s))}"),
        (str(max(length for _, length in evening.queue)), "longest queue"),
        (f"{inside} of {len(evening.doses)}", "doses within tolerance"),
        (str(len(evening.changes)), "containers changed"),
        (evening.clock(evening.last_s), "last glass taken"),
        (duration(evening.cleaning_s), "cleaning after it"),
    ]
    shown = "".join(f"<li><b>{escape(value)}</b>{escape(what)}</li>" for value, what in facts)
    return (
        f"<p>{escape(evening.prepared.machine)}, {escape(evening.prepared.book)}, from {evening.opens} to "
        f"{evening.clock(evening.lasts_s)}.</p>"
        f'<p class="quiet">A simulated machine and simulated guests (seed {evening.seed}), served by the code that '
        "runs the real one. Guests, their tastes and the machine's true figures are drawn at random: another seed "
        f'gives another evening, and so will the real one.</p><ul class="facts">{shown}</ul>'
    )


def _worst(evening: Evening) -> str:
    errors = [dose.error_ml for dose in evening.doses]
    if not errors:
        return "<p>No drink was served.</p>"
    doses = [(one, dose) for one in evening.served for dose in one.doses]
    doses.sort(key=lambda pair: -abs(pair[1].error_ml) / mi008_ml(pair[1].asked_ml))
    rows = [
        (
            evening.clock(one.ended_s),
            one.recipe,
            dose.liquid,
            f"{dose.asked_ml:.1f}",
            f"{dose.error_ml:+.2f}",
            f"{mi008_ml(dose.asked_ml):.1f}",
            "inside" if dose.is_inside else "OUTSIDE",
        )
        for one, dose in doses[:WORST]
    ]
    table = html.table(("time", "drink", "liquid", "asked / mL", "off by / mL", "tolerance / mL", ""), rows)
    return (
        f"<p>{len(errors)} doses: on average {fmean(errors):+.2f} mL off, spread (standard deviation) "
        f"{pstdev(errors):.2f} mL, the worst {max(map(abs, errors)):.2f} mL.</p>"
        f"{_weighed(evening)}"
        f"<details><summary>The {len(rows)} worst by their tolerance</summary>{table}</details>"
    )


def _weighed(evening: Evening) -> str:
    """What the machine's scale said of the drinks, held against the bench; "" without a scale."""
    pairs = [(one.weighed, sum(dose.glass_ml for dose in one.doses)) for one in evening.served if one.weighed]
    if not pairs:
        return ""
    off_ml = sorted(abs(weighed.volume_ml - true_ml) for weighed, true_ml in pairs)
    inside = sum(abs(one.volume_ml - true_ml) <= 2.0 * (one.u_ml or 0.0) for one, true_ml in pairs)
    return (
        f"<p>{len(pairs)} of {len(evening.served)} drinks were weighed as they were poured: the weight was off by "
        f"{off_ml[len(off_ml) // 2]:.2f} mL in the middle, at most {off_ml[-1]:.2f} mL, and within what it said "
        f"of itself in {100 * inside / len(pairs):.0f} %.</p>"
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
    return html.table(header, rows)


def _changes(evening: Evening) -> str:
    rows = [
        (
            evening.clock(one.at_s),
            str(one.line),
            one.liquid,
            f"{one.container_ml:g} mL",
            f"{one.left_ml:.0f} mL",
            one.why,
        )
        for one in evening.changes
    ]
    if not rows:
        return html.section("Containers changed", "None: the first ones lasted.")
    return html.section(
        "Containers changed",
        "",
        html.table(("time", "line", "liquid", "fresh container", "left in the old one", "why"), rows),
    )


def _troubles(evening: Evening) -> str:
    if not evening.troubles:
        return ""
    rows = [
        (
            letter,
            evening.clock(one.at_s),
            one.what,
            "never" if one.noticed_s is None else evening.clock(one.noticed_s),
            one.how,
            "never" if one.repaired_s is None else evening.clock(one.repaired_s),
        )
        for letter, one in zip(pictures.letters(), evening.troubles, strict=False)
    ]
    return html.section("Faults", "", html.table(("", "since", "what", "noticed", "by what", "repaired"), rows))


def _refusals(evening: Evening) -> str:
    parts = []
    if evening.refusals:
        counts = Counter(one.rule for one in evening.refusals)
        first = {one.rule: one for one in reversed(evening.refusals)}
        refused = [(rule, str(n), evening.clock(first[rule].at_s), first[rule].reason) for rule, n in counts.items()]
        parts.append(html.table(("rule", "times", "first", "what was said then"), refused))
    if evening.lost:
        rows = [(evening.clock(one.came_s), one.recipe, one.reason) for one in evening.lost]
        parts.append(f"<p>{len(rows)} drinks that could not be served:</p>")
        parts.append(html.table(("asked for", "drink", "why not"), rows))
    if evening.prepared.left_out:
        parts.append(f"<p>Not on the menu, for want of lines: {escape(', '.join(evening.prepared.left_out))}.</p>")
    return html.section("Refusals", "" if parts else "Nothing was refused.", *parts)


def _drinks(evening: Evening) -> str:
    rows = [_drink(evening, number, one) for number, one in enumerate(evening.served, start=1)]
    header = ("", "came", "waited", "drink", "taken", "doses: asked, off by / mL", "remarks")
    table = html.table(header, rows)
    return html.section("Every drink", "", f"<details><summary>{len(rows)} drinks</summary>{table}</details>")


def _drink(evening: Evening, number: int, one: Served) -> tuple[str, ...]:
    doses = "; ".join(f"{dose.liquid} {dose.asked_ml:.1f}, {dose.error_ml:+.2f}" for dose in one.doses)
    remarks = [f"refused {one.refused} times"] * bool(one.refused) + [f"made again {one.made_again} times"] * bool(
        one.made_again
    )
    return (
        str(number),
        evening.clock(one.came_s),
        duration(one.waited_s),
        one.recipe,
        evening.clock(one.left_s),
        doses,
        ", ".join(remarks),
    )
