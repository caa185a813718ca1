"""One operation with all that its caps are checked against."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from controller.model.book import Book
from controller.model.messages import Refusal
from controller.model.plan import Interval, Operation
from controller.safety.figures import ETHANOL_G_ML, Figures
from controller.safety.records import Serving
from controller.safety.vessel import NOTHING, Poured, counts

TOLERANCE = 1e-6  # relative; sums of binary fractions


@dataclass(frozen=True, kw_only=True)
class Proposal:
    """An operation as the caps see it.

    `runs` lie ahead, from 0 s on, to their longest ends; `before` is what it has done (at times < 0).
    """

    operation: Operation
    runs: tuple[Interval, ...]
    planned: tuple[Interval, ...]  # the same, each to its planned end instead of its longest
    strengths: Mapping[int, float]  # of each line: alcohol by volume, as a fraction, of the strongest it may pour
    now_s: float  # credited clock
    before: tuple[Interval, ...] = ()
    spent_s: float = 0.0  # pumps' time already used
    takes_ml: float = 0.0  # by all hand steps

    @property
    def request(self) -> str:
        """The operation's id."""
        return self.operation.operation

    @property
    def all_runs(self) -> tuple[Interval, ...]:
        """What it has done and what lies ahead."""
        return self.before + self.runs

    @property
    def all_planned(self) -> tuple[Interval, ...]:
        """The same, as planned."""
        return self.before + self.planned


@dataclass(frozen=True, kw_only=True)
class PastUse:
    """What earlier operations have used up, on the credited clock; the operation itself left out."""

    servings: tuple[Serving, ...] = ()
    on_times: tuple[Interval, ...] = ()
    last_serving_s: float | None = None
    in_glass: Poured = NOTHING  # what is there already and counts with it
    taken_ml: float = 0.0  # by the hand steps of the serving that this one is the rest of
    jug_ml: float = 0.0  # room in the confirmed jug
    brim_ml: float = math.inf  # of the smallest glass that may stand there by its weight


@dataclass(frozen=True, kw_only=True)
class Case:
    """Everything that a cap is checked against."""

    asked: Proposal
    figures: Figures
    book: Book
    history: PastUse

    def refusal(self, rule: str, reason: str, asked: str, allowed: str, remedy: str) -> Refusal:
        """A refusal of this operation."""
        request = self.asked.request
        return Refusal(request=request, rule=rule, reason=reason, asked=asked, allowed=allowed, remedy=remedy)

    @property
    def ethanol_g(self) -> float:
        """Ethanol of the whole operation by the upper bound (g)."""
        return sum(ml * self.asked.strengths[line] * ETHANOL_G_ML for line, ml in self.upper_ml.items())

    @property
    def poured(self) -> Poured:
        """The most that the operation itself pours; into a jug no ethanol that anybody drinks."""
        ethanol_g = self.ethanol_g if counts(self.asked.operation) else 0.0
        return Poured(volume_ml=sum(self.upper_ml.values()), ethanol_g=ethanol_g)

    @property
    def upper_ml(self) -> dict[int, float]:
        """The most that each line can deliver in the whole operation (mL)."""
        return self.figures.upper_by_line_ml(self.asked.all_runs)


def exceeds(value: float, limit: float) -> bool:
    """Whether value is above limit by more than rounding."""
    return value > limit + TOLERANCE * max(abs(value), abs(limit))


def timeline(operation: Operation, *, as_planned: bool = False) -> tuple[Interval, ...]:
    """The operation's runs with its segments end to end, each run to its longest end, or as planned."""
    runs: list[Interval] = []
    offset_s = 0.0
    for segment in operation.segments:
        for run in segment.runs:
            start_s = offset_s + run.start_s
            on_s = run.duration_s if as_planned else run.most_s
            runs.append(Interval(line=run.line, start_s=start_s, end_s=start_s + on_s))
        offset_s = max((run.end_s for run in runs), default=offset_s)
    return tuple(runs)
