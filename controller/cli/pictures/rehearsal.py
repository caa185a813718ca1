"""The pictures of a rehearsal's report: queue, waits, doses, volumes."""

from bisect import bisect_right
from collections.abc import Iterator
from itertools import count

from controller.metering.dose import mi008_ml
from controller.rehearsal.evening_record import Evening
from controller.rehearsal.report_svg import Frame, Tick, even_ticks

# Waits are counted in these classes: up to so many seconds, and how they are called.
WAITS = ((0.5, "none"), (30.0, "to 30 s"), (60.0, "to 1 min"), (120.0, "to 2 min"), (300.0, "to 5 min"),
         (600.0, "to 10 min"), (1e9, "longer"))  # fmt: skip


def queue(evening: Evening) -> str:
    """How many stood in the queue over the event, beside what preparing it expected."""
    steps = evening.queue
    expected = evening.prepared.outlook.queue
    end_s = max(evening.lasts_s, evening.last_s)
    highest = max([n for _, n in steps] + [int(one.high) for one in expected] + [1])
    frame = Frame("Length of the queue over the event", x=(0.0, end_s), y=(0.0, 1.15 * highest + 0.5), height=280.0)
    frame.ticks_y([(value, text) for value, text in even_ticks(0.0, 1.1 * highest) if value == int(value)], "waiting")
    frame.ticks_x(_hours(evening, end_s), "time of day")
    frame.band([(one.at_s, 0.0, one.high) for one in expected])
    frame.line([(one.at_s, one.mean) for one in expected], "two")
    frame.steps(steps, "one")
    top = 1.15 * highest + 0.5
    for change in evening.changes:
        frame.line([(change.at_s, 0.0), (change.at_s, 0.06 * top)], "mark")
    for letter, trouble in zip(letters(), evening.troubles, strict=False):
        frame.line([(trouble.at_s, 0.0), (trouble.at_s, top)], "limit")
        frame.note((trouble.at_s + 0.004 * end_s, top), letter, up=-10.0 - 12.0 * (ord(letter[-1]) % 2))
    return frame.svg()


def waits(evening: Evening) -> str:
    """How many guests waited how long."""
    limits = [limit for limit, _ in WAITS]
    counts = [0] * len(WAITS)
    for one in evening.served:
        counts[bisect_right(limits, one.waited_s)] += 1
    frame = Frame("How long guests waited", x=(0.0, len(WAITS)), y=(0.0, 1.15 * max([1, *counts])), height=210.0)
    frame.ticks_y([tick for tick in even_ticks(0.0, 1.1 * max([1, *counts]), 5) if tick[0] == int(tick[0])], "guests")
    frame.ticks_x([(place + 0.5, name) for place, (_, name) in enumerate(WAITS)], "wait in the queue")
    for place, ((_, name), guests) in enumerate(zip(WAITS, counts, strict=True)):
        frame.bar((place + 0.15, place + 0.85), (0.0, guests), "bar", f"{guests} guests: {name}")
        frame.note((place + 0.5, guests), str(guests), "middle")
    return frame.svg()


def doses(evening: Evening) -> str:
    """Every dose: how far it was off, against the tolerance of its volume."""
    largest_ml = max([dose.asked_ml for dose in evening.doses] + [10.0])
    limit_ml = 1.25 * max([mi008_ml(largest_ml), 2.0] + [abs(dose.error_ml) for dose in evening.doses])
    frame = Frame(
        "Error of every dose against its tolerance", x=(0.0, 1.05 * largest_ml), y=(-limit_ml, limit_ml), height=300.0
    )
    frame.ticks_y(even_ticks(-limit_ml, limit_ml), "in the glass - asked / mL")
    frame.ticks_x(even_ticks(0.0, 1.05 * largest_ml, 8), "dose asked for / mL")
    for sign in (1.0, -1.0):
        legal = [(ml, sign * mi008_ml(ml)) for ml in (0.1, 99.9, 100.0, max(100.0, 1.05 * largest_ml))]
        frame.line([point for point in legal if point[0] <= 1.05 * largest_ml], "limit")
    for one in evening.served:
        for dose in one.doses:
            says = f"{one.recipe}, {dose.liquid}: {dose.asked_ml:.1f} mL asked, {dose.error_ml:+.2f} mL off"
            frame.dot((dose.asked_ml, dose.error_ml), "dot" if dose.is_inside else "dot out", says)
    frame.note((0.1, mi008_ml(1.0)), "tolerance, Directive 2014/32/EU (MI-008)")
    return frame.svg()


def volumes(evening: Evening) -> str:
    """For every line what was bought, and where it went."""
    most_l = max(sum(line.bought) for line in evening.lines) / 1000.0
    rows = len(evening.lines)
    frame = Frame(
        "What was bought of each liquid and where it went",
        x=(0.0, 1.03 * most_l),
        y=(0.0, float(rows)),
        height=60.0 + 34.0 * rows,
        left=170.0,
    )
    frame.ticks_x(even_ticks(0.0, 1.03 * most_l, 8), "litres")
    frame.ticks_y([])
    needs = {one.line: one for one in evening.prepared.purchases}
    for place, line in enumerate(reversed(evening.lines)):
        at_l, y = 0.0, (place + 0.18, place + 0.82)
        for ml, css, what in (
            (line.glasses_ml, "bar", "in glasses"),
            (line.other_ml + line.empties_ml, "waste", "primed, poured away, spilt, left in empty containers"),
            (line.left_ml, "spare", "left over"),
        ):
            frame.bar((at_l, at_l + ml / 1000.0), y, css, f"{line.liquid}: {ml:.0f} mL {what}")
            at_l += ml / 1000.0
        need_l = needs[line.line].needed_ml / 1000.0
        frame.line([(need_l, place + 0.05), (need_l, place + 0.95)], "mark")
        frame.note((-0.01 * most_l, place + 0.5), f"{line.line} {line.liquid}", "end", up=-4.0)
    return frame.svg()


def letters() -> Iterator[str]:
    """A, B, ... Z, AA, AB, ...: names for troubles, in the picture and in the table."""
    for number in count():
        first, last = divmod(number, 26)
        yield (chr(ord("A") + first - 1) if first else "") + chr(ord("A") + last)


def _hours(evening: Evening, end_s: float) -> list[Tick]:
    """Full hours of the day, every one or every other."""
    hours, minutes = (int(part) for part in evening.opens.split(":"))
    first_s = (3600.0 - 60.0 * minutes) % 3600.0
    step_s = 3600.0 if end_s <= 12 * 3600.0 else 7200.0
    ticks, at_s = list[Tick](), first_s
    while at_s <= end_s:
        hour = (hours * 60 + minutes + round(at_s / 60.0)) // 60 % 24
        ticks.append((at_s, f"{hour:02d}:00"))
        at_s += step_s
    return ticks
