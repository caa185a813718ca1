"""The picture of an event's preparation: volumes, queue over the event, waiting at each rate."""

from pathlib import Path
from typing import TYPE_CHECKING

from controller.catering.outlook import Outlook
from controller.catering.preparation import Preparation
from controller.cli.pictures.figure import (
    ABOVE,
    COLOURS,
    INK,
    LIMIT,
    ON_X,
    bars,
    clock_axis,
    count_axis,
    name_rows,
    new_figure,
    note,
    save,
)
from controller.model.event import GuestEvent

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def draw_preparation(found: Preparation, event: GuestEvent, path: Path) -> None:
    """Draw it into a .svg or .png file. Raises TundishError."""
    title = f"{found.event}: {found.drinks:.0f} drinks to expect"
    figure, (volumes, queue, waiting) = new_figure(title, (0.8 + 0.32 * len(found.purchases), 2.8, 2.8))
    _draw_volumes(volumes, found)
    _draw_queue(queue, found, event)
    _draw_waiting(waiting, found)
    save(figure, path)


def draw_expected_queue(axes: "Axes", outlook: Outlook) -> None:
    """How many wait over the event (s after its start), on average and at most."""
    at_s = [one.at_s for one in outlook.queue]
    high = [one.high for one in outlook.queue]
    band = axes.fill_between(at_s, high, step="mid", label="not more in 95 of 100 events")
    band.set(facecolor=COLOURS[0], edgecolor=INK, alpha=0.4)
    axes.plot(at_s, [one.mean for one in outlook.queue], "--", color=INK, linewidth=1.2, label="expected on average")


def _draw_volumes(axes: "Axes", found: Preparation) -> None:
    bought_l = [one.bought_ml / 1000 for one in found.purchases]
    bars(axes, bought_l, 0, facecolor="none", alpha=1.0, label="bought")
    needed_l = [one.needed_ml / 1000 for one in found.purchases]
    bars(axes, needed_l, 0, label=f"lasts with {100 * found.service_level:g} %")
    bars(axes, [one.expected_ml / 1000 for one in found.purchases], 1, height=0.35, label="on average")
    for row, one in enumerate(found.purchases):
        text = " + ".join(f"{size.count} x {size.container_ml / 1000:g} L" for size in one.containers)
        note(axes, text, (bought_l[row], row), (4, 0), va="center")
    name_rows(axes, [f"{one.line}  {one.liquid}" for one in found.purchases])
    axes.set_xlim(0, 1.2 * max(bought_l))
    axes.set_xlabel("volume / L")
    axes.legend(**ABOVE)


def _draw_queue(axes: "Axes", found: Preparation, event: GuestEvent) -> None:
    draw_expected_queue(axes, found.outlook)
    for at_s, lines in _changes(found, 0.035 * event.lasts_s):
        axes.axvline(at_s, color=COLOURS[6], linewidth=0.8, linestyle=":")
        note(axes, lines, (at_s, 1.0), (0, 0), xycoords=ON_X, ha="center", va="bottom")
    clock_axis(axes, event.starts, event.clock, event.lasts_s)
    count_axis(axes, "people waiting")
    axes.set_xlabel("time of day; dotted: at about this time the container on the line above is changed")
    axes.legend(**ABOVE | {"bbox_to_anchor": (0.0, 1.06)})


def _changes(found: Preparation, near_s: float) -> list[tuple[float, str]]:
    """Times of the changes that come in half of the events and more (s), and their lines; near ones in one."""
    groups: list[list[tuple[float, int]]] = []
    for at_s, line in ((one.median_s, one.line) for one in found.outlook.changes if one.share >= 0.5):
        if groups and at_s - groups[-1][0][0] < near_s:
            groups[-1].append((at_s, line))
        else:
            groups.append([(at_s, line)])
    return [(sum(at_s for at_s, _ in one) / len(one), ", ".join(str(line) for _, line in one)) for one in groups]


def _draw_waiting(axes: "Axes", found: Preparation) -> None:
    label = "mean wait in the long run (Pollaczek and Khinchine)"
    waits_s = [one.wait_s for one in found.rates]
    axes.plot([one.per_hour for one in found.rates], waits_s, "o-", markersize=3, color=COLOURS[5], label=label)
    highest_s = max(waits_s[-2], 60.0)
    for per_hour, text in (
        (found.per_hour, "mean rate"),
        (found.busiest_per_hour, "busiest hour"),
        (found.most_per_hour, "most that is possible"),
    ):
        axes.axvline(per_hour, **LIMIT)
        note(axes, text, (per_hour, highest_s), (-3, -2), rotation=90, ha="right", va="top")
    axes.set(xlim=(0, None), ylim=(0, highest_s), xlabel="drinks an hour", ylabel="mean wait / s")
    axes.legend(**ABOVE)
