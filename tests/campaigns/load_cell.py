"""The load cell of a campaign's machine, and a process that reads it badly: it dies, lags, repeats, counts back."""

from collections.abc import Sequence
from random import Random
from typing import TYPE_CHECKING

from msgspec.structs import replace

from controller.bench.cell_truth import CELL_EFFECTS, draw_cell
from controller.model.scale import Scale, ScaleSetting, Span
from controller.model.scale_datagram import MOST_COUNTS, RawReading
from controller.rehearsal.bench_scale import BenchScale
from tests.campaigns.plot import Plot
from tests.campaigns.troubles import LONGEST_S, Trouble

if TYPE_CHECKING:
    from tests.campaigns.house import House

CAPACITY_G, RATE = 5000.0, 10
U_SPAN = 0.002
ONLY_SCALE, WITH_TARES = 0.4, 0.5  # of machines: no glass contact; tares in the book
# What the bench's cell may have, and what the process makes of sound conversions.
OF_CELL = ("scale silent", "scale saturated", "scale repeats", "scale wrong sign", "scale overloaded", "scale drifts")
OF_PROCESS = ("dead", "late", "repeats", "flickers", "backwards", "old stamps", "no load")
UNHEARD = frozenset({"scale silent", "dead", "late", "old stamps"})  # no new reading comes


def with_scale(plot: Plot) -> Plot:
    """The same plot on a machine with a scale under the glass that somebody has spanned, and troubles of it."""
    rng = Random(f"{plot.seed} scale")
    scale = Scale(converter="bench", capacity_g=CAPACITY_G, readings_per_s=RATE)
    lines = [line.line for line in plot.profile.lines]
    cell = draw_cell(rng.randrange(10_000), lines, capacity_g=CAPACITY_G, rate_hz=RATE, effects=CELL_EFFECTS)
    span = Span(counts_per_g=cell.counts_per_g * rng.gauss(1.0, U_SPAN), u_fraction=U_SPAN, mass_g=1000.0, wall_s=0.0)
    inputs, book = plot.profile.inputs, plot.book
    if rng.random() < ONLY_SCALE:
        inputs = replace(inputs, glass=None)
    if rng.random() < WITH_TARES:
        glasses = tuple(replace(one, tare_g=40.0 + 0.8 * one.brim_ml) for one in book.glasses)
        book = replace(book, glasses=glasses)
    troubles = [
        Trouble(
            what="scale",
            choice=rng.choice(OF_CELL + OF_PROCESS),
            at_s=rng.uniform(0.3, LONGEST_S),
            lasts_s=rng.choice((0.1, 0.4, 0.7, 1.5, 5.0)),
        )
        for _ in range(rng.randint(1, 5))
    ]
    others = (one for one in plot.troubles if inputs.glass is not None or one.contact != "glass")
    return plot.on(
        profile=replace(plot.profile, scale=scale, inputs=inputs),
        book=book,
        truth=replace(plot.truth, cell=cell),
        past=replace(plot.past, scale=ScaleSetting(zero_counts=cell.zero_counts, zeroed_wall_s=0.0, span=span)),
        troubles=tuple(sorted((*others, *troubles), key=lambda one: one.at_s)),
    )


class CellPort:
    """One guard's source of readings, on the clocks of its boot; the house says what ails the process behind it."""

    def __init__(self, house: "House") -> None:
        self._house = house
        self._scale = BenchScale(house.plant, house.clock)
        self._first = 0  # the number before that of the process's first reading
        self._kept: list[RawReading] = []  # of a process that lags
        self._last: RawReading | None = None

    @property
    def due_s(self) -> float:
        """When to take again."""
        return self._house.boot_clock.boot_s(self._scale.due_s)

    def pace(self, now_s: float, *, busy: bool) -> None:
        """How many readings are wanted."""
        self._scale.pace(now_s, busy=busy)

    def take(self) -> Sequence[RawReading]:
        """What comes, as the process sends it."""
        clock, fresh = self._house.boot_clock, []
        for one in self._scale.take():
            fresh.append(one._replace(number=one.number - self._first, at_s=clock.boot_s(one.at_s)))
        sent = self._sent(fresh, self._house.scale_ails)
        self._last = fresh[-1] if fresh and self._house.scale_ails == "" else self._last
        return sent

    def _sent(self, fresh: list[RawReading], ails: str) -> Sequence[RawReading]:
        match ails:
            case "dead":
                self._first += fresh[-1].number if fresh else 0  # it begins anew at 1
                return ()
            case "late":
                self._kept += fresh
                return ()
            case "backwards":
                return [*reversed(fresh), *fresh]
            case "no load":  # a loose cable
                zero_counts = round(self._house.plot.past.scale.zero_counts)
                return [one._replace(counts=zero_counts + one.number % 5) for one in fresh]
            case "flickers":
                return [one._replace(counts=MOST_COUNTS) if one.number % 2 else one for one in fresh]
            case "repeats" | "old stamps" if self._last is not None:
                what = {"counts": self._last.counts} if ails == "repeats" else {"at_s": self._last.at_s}
                return [one._replace(**what) for one in fresh]
        kept, self._kept = self._kept, []
        return [*kept, *fresh]
