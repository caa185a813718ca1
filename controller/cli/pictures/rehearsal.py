"""The pictures of a rehearsal's report, as markup: queue, waits, doses, volumes."""

from bisect import bisect_right
from collections.abc import Iterator
from itertools import count, product
from string import ascii_uppercase
from typing import Any

from controller.cli.pictures.figure import (
    ABOVE,
    COLOURS,
    INK,
    LIMIT,
    ON_X,
    bars,
    clock_axis,
    count_axis,
    draw_tolerance,
    explain,
    inline_svg,
    name_rows,
    new_figure,
    note,
)
from controller.cli.pictures.preparation import draw_expected_queue
from controller.rehearsal.evening_record import Evening

# Waits are counted in these classes: up to so many seconds, and how they are called.
WAITS = ((0.5, "none"), (30.0, "to 30 s"), (60.0, "to 1 min"), (120.0, "to 2 min"), (300.0, "to 5 min"),
         (600.0, "to 10 min"), (1e9, "longer"))  # fmt: skip
CHANGE: dict[str, Any] = {"color": COLOURS[6], "linewidth": 2}


def queue(evening: Evening) -> str:
    """How many stood in the queue over the event, beside what preparing it expected."""
    figure, (axes,) = new_figure("", (2.9,))
    draw_expected_queue(axes, evening.prepared.outlook)
    at_s, waiting = zip(*evening.queue, strict=True)
    axes.step(at_s, waiting, where="post", color=COLOURS[5], label="this rehearsal")
    for change in evening.changes:
        axes.axvline(change.at_s, ymax=0.06, **CHANGE)
    for letter, trouble in zip(letters(), evening.troubles, strict=False):
        axes.axvline(trouble.at_s, **LIMIT)
        note(axes, letter, (trouble.at_s, 1.0 - 0.1 * (ord(letter[-1]) % 2)), (3, -9), xycoords=ON_X)
    clock_axis(axes, evening.opens, evening.clock, max(evening.lasts_s, evening.last_s))
    count_axis(axes, "waiting")
    axes.set_xlabel("time of day")
    axes.legend(**ABOVE)
    return inline_svg(figure, "Length of the queue over the event")


def waits(evening: Evening) -> str:
    """How many guests waited how long."""
    counts = [0] * len(WAITS)
    for one in evening.served:
        counts[bisect_right([limit for limit, _ in WAITS], one.waited_s)] += 1
    figure, (axes,) = new_figure("", (2.3,))
    drawn = axes.bar([name for _, name in WAITS], counts, width=0.7, facecolor=COLOURS[0], edgecolor=INK)
    axes.bar_label(drawn, fontsize=8, color=INK)
    for bar, (_, name), guests in zip(drawn, WAITS, counts, strict=True):
        explain(bar, f"{guests} guests: {name}")
    count_axis(axes, "guests")
    axes.set_xlabel("wait in the queue")
    return inline_svg(figure, "How long guests waited")


def doses(evening: Evening) -> str:
    """Every dose: its error, beside the tolerance of its volume."""
    figure, (axes,) = new_figure("", (3.1,))
    draw_tolerance(axes, 1.05 * max([dose.asked_ml for dose in evening.doses], default=100.0))
    for one in evening.served:
        for dose in one.doses:
            marker, colour = ("o", COLOURS[5]) if dose.is_inside else ("X", COLOURS[6])
            (mark,) = axes.plot(dose.asked_ml, dose.error_ml, marker, color=colour, markersize=5, alpha=0.6)
            explain(mark, f"{one.recipe}, {dose.liquid}: {dose.asked_ml:.1f} mL asked, {dose.error_ml:+.2f} mL off")
    axes.set(xlabel="dose asked for / mL", ylabel="in the glass - asked / mL")
    axes.legend(**ABOVE)
    return inline_svg(figure, "Error of every dose against its tolerance")


def volumes(evening: Evening) -> str:
    """For every line what was bought, and where it went."""
    figure, (axes,) = new_figure("", (0.9 + 0.36 * len(evening.lines),))
    left_l = [0.0] * len(evening.lines)
    for style, what, volumes_ml in (
        (0, "in glasses", [one.glasses_ml for one in evening.lines]),
        (1, "primed, poured away, spilt, left in empty containers", [o.other_ml + o.empties_ml for o in evening.lines]),
        (2, "left over", [one.left_ml for one in evening.lines]),
    ):
        lengths_l = [volume_ml / 1000.0 for volume_ml in volumes_ml]
        for bar, line, volume_ml in zip(
            bars(axes, lengths_l, style, left=left_l, label=what), evening.lines, volumes_ml, strict=True
        ):
            explain(bar, f"{line.liquid}: {volume_ml:.0f} mL {what}")
        left_l = [left + length for left, length in zip(left_l, lengths_l, strict=True)]
    needed_ml = {one.line: one.needed_ml for one in evening.prepared.purchases}
    for row, line in enumerate(evening.lines):
        axes.plot([needed_ml[line.line] / 1000.0] * 2, [row - 0.45, row + 0.45], **CHANGE)
    name_rows(axes, [f"{one.line} {one.liquid}" for one in evening.lines])
    axes.set_xlabel("litres")
    axes.legend(**ABOVE)
    return inline_svg(figure, "What was bought of each liquid and where it went")


def letters() -> Iterator[str]:
    """A, B, ... Z, AA, AB, ...: names for troubles, in the picture and in the table."""
    return ("".join(one) for length in count(1) for one in product(ascii_uppercase, repeat=length))
