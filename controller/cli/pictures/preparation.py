"""The picture of an event's preparation: volumes, queue over the event, waiting against the rate. Needs matplotlib."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from controller.catering.preparation import Preparation
from controller.cli.pictures.pictures import COLOURS, INK, LIMIT, new_figure, save
from controller.model.event import GuestEvent

if TYPE_CHECKING:
    from matplotlib.axes import Axes

BESIDE: dict[str, Any] = {"fontsize": 8, "color": INK}
ABOVE: dict[str, Any] = {
    "loc": "lower left", "bbox_to_anchor": (0.0, 1.0), "ncols": 3, "fontsize": 8, "frameon": False,
}  # fmt: skip


def draw_preparation(found: Preparation, event: GuestEvent, path: Path) -> None:
    """Draw it into a .svg or .png file. Raises TundishError."""
    rows = len(found.purchases)
    figure, (volumes, queue, waiting) = new_figure(
        path, rows=3, height_in=6.2 + 0.32 * rows, ratios=(0.5 * rows, 2.6, 2.6), share_x=False
    )
    figure.suptitle(f"{found.event}: {found.drinks:.0f} drinks to expect", color=INK, fontsize=11)
    _draw_volumes(volumes, found)
    _draw_queue(queue, found, event)
    _draw_waiting(waiting, found)
    save(figure, path)


def _draw_volumes(axes: "Axes", found: Preparation) -> None:
    names = [f"{one.line}  {one.liquid}" for one in found.purchases]
    level = f"{100 * found.service_level:g} %"
    for place, one in enumerate(found.purchases):
        bought_l = one.bought_ml / 1000
        axes.barh(place, bought_l, height=0.7, facecolor="none", edgecolor=INK, label=_once(place, "bought"))
        axes.barh(
            place,
            one.needed_ml / 1000,
            height=0.7,
            facecolor=COLOURS[0],
            edgecolor=INK,
            alpha=0.7,
            label=_once(place, f"lasts with {level}"),
        )
        axes.barh(
            place,
            one.expected_ml / 1000,
            height=0.35,
            facecolor=COLOURS[5],
            edgecolor=INK,
            hatch="//",
            alpha=0.7,
            label=_once(place, "on average"),
        )
        text = " + ".join(f"{size.count} x {size.container_ml / 1000:g} L" for size in one.containers)
        axes.annotate(text, (bought_l, place), xytext=(4, 0), textcoords="offset points", va="center", **BESIDE)
    axes.set_yticks(range(len(names)), names)
    axes.set_ylim(len(names) - 0.4, -0.6)
    axes.set_xlim(0, 1.2 * max(one.bought_ml for one in found.purchases) / 1000)
    axes.set_xlabel("volume / L")
    axes.legend(**ABOVE)


def _once(place: int, label: str) -> str | None:
    """A label for the legend, from the first bar only."""
    return label if place == 0 else None


def _draw_queue(axes: "Axes", found: Preparation, event: GuestEvent) -> None:
    from matplotlib.ticker import MaxNLocator

    hours = [one.at_s / 3600 for one in found.outlook.queue]
    axes.fill_between(
        hours,
        [one.high for one in found.outlook.queue],
        step="mid",
        facecolor=COLOURS[0],
        edgecolor=INK,
        alpha=0.4,
        label="not more in 95 of 100 events",
    )
    axes.plot(hours, [one.mean for one in found.outlook.queue], color=COLOURS[5], label="on average")
    last_h = event.lasts_s / 3600
    for at_h, lines in _changes(found, 0.035 * last_h):
        axes.axvline(at_h, color=COLOURS[6], linewidth=0.8, linestyle=":")
        axes.annotate(lines, (at_h, 1.0), xycoords=("data", "axes fraction"), ha="center", va="bottom", **BESIDE)
    axes.set_xticks(*_clock_ticks(event, last_h))
    axes.set_xlim(0, last_h)
    axes.set_ylim(bottom=0)
    axes.yaxis.set_major_locator(MaxNLocator(integer=True))
    axes.set_ylabel("people waiting")
    axes.set_xlabel("time of day; dotted: at about this time the container on the line above is changed")
    axes.legend(**(ABOVE | {"bbox_to_anchor": (0.0, 1.06)}))


def _changes(found: Preparation, near_h: float) -> list[tuple[float, str]]:
    """Times of the changes that come in half of the events and more (h), and their lines; near ones in one."""
    groups: list[list[tuple[float, int]]] = []
    for at_h, line in ((one.median_s / 3600, one.line) for one in found.outlook.changes if one.share >= 0.5):
        if groups and at_h - groups[-1][0][0] < near_h:
            groups[-1].append((at_h, line))
        else:
            groups.append([(at_h, line)])
    return [(sum(at_h for at_h, _ in one) / len(one), ", ".join(str(line) for _, line in one)) for one in groups]


def _clock_ticks(event: GuestEvent, last_h: float) -> tuple[Sequence[float], Sequence[str]]:
    step_h = 1 if last_h <= 12 else 2
    first_h = -event.opens_s / 3600 % 1
    at_h = [first_h + step_h * k for k in range(int((last_h - first_h) // step_h) + 1)]
    return at_h, [event.clock(one * 3600 + 1) for one in at_h]


def _draw_waiting(axes: "Axes", found: Preparation) -> None:
    axes.plot(
        [one.per_hour for one in found.rates],
        [one.wait_s for one in found.rates],
        marker="o",
        markersize=3,
        color=COLOURS[5],
        label="mean wait in the long run (Pollaczek and Khinchine)",
    )
    highest_s = max(found.rates[-2].wait_s, 60.0)
    for per_hour, text in (
        (found.per_hour, "mean rate"),
        (found.busiest_per_hour, "busiest hour"),
        (found.most_per_hour, "most that is possible"),
    ):
        axes.axvline(per_hour, **LIMIT)
        axes.annotate(text, (per_hour, highest_s), xytext=(-3, -2), textcoords="offset points", rotation=90, ha="right",
                      va="top", **BESIDE)  # fmt: skip
    axes.set_xlim(left=0)
    axes.set_ylim(0, highest_s)
    axes.set_xlabel("drinks an hour")
    axes.set_ylabel("mean wait / s")
    axes.legend(**ABOVE)
