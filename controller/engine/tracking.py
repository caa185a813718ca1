"""One operation under way, as the engine follows it by the guard's events."""

import math
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field, replace

from msgspec import structs

from controller.ledger.records import Intent
from controller.metering.calibration import delivered_ml
from controller.model.calibration import Calibration
from controller.model.fields import like
from controller.model.messages import Delivery, Edge, Refusal, Waiting
from controller.model.plan import Interval, Operation, PlannedRun
from controller.model.profile import Profile
from controller.model.states import OperationKind, Outcome
from controller.model.sums import summed
from controller.model.views import LineProgress, OperationView
from controller.model.weighing import WeighedDose, WeighedServing
from controller.sequencing.plan import Wanted
from controller.sequencing.twins import SharedDose, Source, Sources, evenly, without

LEAST_OWED_ML = 0.2  # less than that a pump's own scatter hides: not worth a start


@dataclass(frozen=True)
class SoFar:
    """What weight says of a serving that is held: what each line has brought (mL), and its calibration as known now."""

    brought_ml: Mapping[int, float]
    calibrations: Mapping[int, Calibration]


WantedInSegments = tuple[tuple[Wanted, ...], ...]


@dataclass
class Tracking:
    """What was asked and what has happened since. Delivered volumes are worked out from the guard's switching times."""

    asked: Operation
    wanted: WantedInSegments  # of a serving
    times: float
    planned_s: float
    calibrations: Mapping[int, Calibration]
    sources: Sources  # that its liquids could be drawn from when it began
    profile: Profile
    intent: Intent  # as it went on record
    admitted: bool = False
    refused: list[Refusal] = field(default_factory=list)
    waiting_for: str | None = None
    waiting: Waiting | None = None
    outcome: Outcome | None = None
    reason: str = ""
    cause: str = ""  # the same as a word
    booked: dict[int, Delivery] = field(default_factory=dict)  # line -> what the guard said of it at the end
    drained: set[int] = field(default_factory=set)  # lines whose containers ran empty meanwhile
    segment: int = 0  # which of the asked segments is under way
    intervals: list[Interval] = field(default_factory=list)
    _stepped: bool = field(default=False, init=False)  # whether a hand step has been waited for
    origin_s: float | None = None  # the engine's clock at the operation's first start
    weighed: WeighedServing | None = None  # by the scale, so far
    unweighed: str = ""  # why the scale says nothing of it
    doses: Mapping[int, WeighedDose] = field(default_factory=dict)  # line -> what it brought by weight, once over
    rest: tuple[PlannedRun, ...] | None = None  # what took the place of the present segment's runs after a hold
    so_far: SoFar | None = None  # while it is held, once its weight is known
    needs_planned_ends: bool = False  # the guard has refused to go on with windows

    def is_followed_by_its_weight(self, outcome: Outcome) -> bool:
        """Whether, once it has ended so, its weight goes on record, or why it has none."""
        is_good = outcome in (Outcome.DONE, Outcome.STOPPED)
        return is_good and self.weighed is not None and self.asked.kind is OperationKind.SERVE

    def on_edge(self, edge: Edge, now_s: float) -> None:
        """Note that a line was switched."""
        if self.origin_s is None:
            self.origin_s = now_s - edge.at_s
        if edge.is_on:
            self.so_far = None
            self.intervals.append(Interval(line=edge.line, start_s=edge.at_s, end_s=math.inf))
            return
        for place, one in enumerate(self.intervals):
            if one.line == edge.line and one.end_s == math.inf:
                self.intervals[place] = structs.replace(one, end_s=edge.at_s)

    def wait_for(self, what: str | None, waiting: Waiting | None) -> None:
        """What is waited for, in words and by its kind; a hand step opens the next segment that has one."""
        if waiting is not None and waiting.kind == "step" and self.waiting is None:
            later = range(self.segment + (1 if self._stepped else 0), len(self.asked.segments))
            self.segment = next((k for k in later if self.asked.segments[k].hand is not None), self.segment)
            self._stepped, self.rest = True, None
        self.waiting_for, self.waiting = what, waiting

    @property
    def runs(self) -> tuple[PlannedRun, ...]:
        """The runs under way, or that come next."""
        return self.asked.segments[self.segment].runs if self.rest is None else self.rest

    def runs_left(self, now_s: float) -> tuple[PlannedRun, ...]:
        """What an operation of one segment that is no serving has still to run, all that is left from now on."""
        ran = summed((one.line, _end_s(one, self._at_s(now_s)) - one.start_s) for one in self.intervals)
        runs = self.asked.segments[self.segment].runs
        left = [structs.replace(run, duration_s=run.duration_s - ran.get(run.line, 0.0)) for run in runs]
        coming = [run for run in left if run.duration_s > 0.0]
        first_s = min((run.start_s for run in coming), default=0.0)
        return tuple(structs.replace(run, start_s=run.start_s - first_s) for run in coming)

    def delivered_ml(self, now_s: float) -> dict[int, float]:
        """Line -> mL so far: flow, lag and sag of each interval by the line's calibration."""
        at_s = self._at_s(now_s)
        ends_s = [(one, max(_end_s(one, at_s), one.start_s)) for one in self.intervals]
        return summed((one.line, self._volume_ml(one, end_s, at_s)) for one, end_s in ends_s)

    def owed(self, now_s: float, wanted: WantedInSegments | None = None) -> tuple[Wanted, ...]:
        """What the present segment still owes, by weight where that is known; less than LEAST_OWED_ML counts as given.

        wanted: in place of what is wanted now.
        """
        wanted = self.wanted if wanted is None else wanted
        delivered = self.delivered_ml(now_s) | dict(self.so_far.brought_ml if self.so_far else {})
        for one in (one for earlier in wanted[: self.segment] for one in earlier):
            delivered[one.line] = delivered.get(one.line, 0.0) - one.volume_ml
        owed = []
        for one in wanted[self.segment]:
            given_ml = min(one.volume_ml, max(0.0, delivered.get(one.line, 0.0)))
            delivered[one.line] = delivered.get(one.line, 0.0) - given_ml
            if one.volume_ml - given_ml > LEAST_OWED_ML:
                owed.append(replace(one, volume_ml=one.volume_ml - given_ml))
        return tuple(owed)

    def handed_over(self, dry: Collection[int], now_s: float) -> WantedInSegments | None:
        """What is wanted when twins pour what dry lines still owe in the present segment, by their flows.

        None when dry lines owe nothing, or twins cannot give all of it.
        """
        if not self.wanted:  # no serving
            return None
        wanted = list(self.wanted[self.segment])
        short = [one for one in self.owed(now_s) if one.line in dry]
        for one in short:
            twins = self._twins(one.liquid, wanted, dry)
            if not twins:
                return None
            shared = evenly(SharedDose(liquid=one.liquid, volume_ml=one.volume_ml, sources=twins), self.calibrations)
            if any(shared.get(twin.line, 0.0) > twin.most_ml + LEAST_OWED_ML for twin in twins):
                return None
            wanted = [replace(other, volume_ml=other.volume_ml - one.volume_ml) if _is_same(other, one) else other
                      for other in wanted]  # fmt: skip
            wanted += [replace(one, line=line, volume_ml=volume_ml) for line, volume_ml in shared.items()]
        segment = tuple(sorted(_merged(wanted), key=lambda one: one.phase))
        return (*self.wanted[: self.segment], segment, *self.wanted[self.segment + 1 :]) if short else None

    def _twins(self, liquid: str, wanted: Iterable[Wanted], dry: Collection[int]) -> tuple[Source, ...]:
        """The lines that are not dry, with what each surely holds beyond what this serving wants of it by now."""
        elsewhere = (one for k, each in enumerate(self.wanted) if k != self.segment for one in each)
        taken = summed((one.line, one.volume_ml) for one in (*wanted, *elsewhere))
        return tuple(one for one in without(self.sources.get(liquid, ()), taken) if one.line not in dry)

    def view(self, now_s: float) -> OperationView:
        """The operation as people see it."""
        delivered = self.delivered_ml(now_s) | {line: one.delivered_ml for line, one in self.booked.items()}
        runs: list[PlannedRun | Wanted] = [run for segment in self.asked.segments for run in segment.runs]
        runs += [one for each in self.wanted for one in each if one.line in self.asked.standby]  # it took over
        asked = summed((run.line, run.volume_ml) for run in runs)
        liquids = {run.line: run.liquid for run in runs}
        on = {one.line for one in self.intervals if one.end_s == math.inf and one.line not in self.booked}
        return like(
            OperationView,
            self,
            self.asked,
            self.intent,
            refused=tuple(self.refused),
            lines=tuple(
                LineProgress(
                    line=line,
                    liquid=liquids[line],
                    asked_ml=volume_ml,
                    delivered_ml=delivered.get(line, 0.0),
                    is_on=line in on,
                    at_most=self.booked[line].is_at_most if line in self.booked else line in self.drained,
                    weighed=self.doses.get(line),
                )
                for line, volume_ml in asked.items()
            ),
            elapsed_s=self._at_s(now_s),
            asked_wall_s=self.intent.asked_wall_s,
        )

    @property
    def afterwards(self) -> tuple[str, ...]:
        """Hand steps after the last run."""
        last = max((number for number, one in enumerate(self.asked.segments) if one.runs), default=0)
        return tuple(one.hand for one in self.asked.segments[last + 1 :] if one.hand is not None)

    def _at_s(self, now_s: float) -> float:
        if self.origin_s is None:
            return 0.0
        if self.outcome is not None:
            return max((one.end_s for one in self.intervals if one.end_s < math.inf), default=0.0)
        return now_s - self.origin_s

    def _volume_ml(self, one: Interval, end_s: float, at_s: float) -> float:
        on_s = end_s - one.start_s
        calibration = self.calibrations.get(one.line)
        if calibration is None:
            return on_s * self.profile.line(one.line).pump.nominal_flow_ml_s
        others_as = 0.0
        for other in self.intervals:
            if other.line != one.line:
                overlap_s = min(end_s, _end_s(other, at_s)) - max(one.start_s, other.start_s)
                others_as += max(0.0, overlap_s) * self.profile.line(other.line).pump.run_a
        return max(0.0, delivered_ml(calibration, on_s, others_as / on_s if on_s > 0 else 0.0))


def _end_s(one: Interval, at_s: float) -> float:
    """When the line went off, or at_s while it is on."""
    return at_s if one.end_s == math.inf else one.end_s


def _is_same(one: Wanted, other: Wanted) -> bool:
    return (one.line, one.phase) == (other.line, other.phase)


def _merged(wanted: Iterable[Wanted]) -> list[Wanted]:
    """One volume for each line in each phase."""
    found: dict[tuple[int, int], Wanted] = {}
    for one in wanted:
        known = found.get((one.line, one.phase))
        found[one.line, one.phase] = one if known is None else replace(known, volume_ml=known.volume_ml + one.volume_ml)
    return list(found.values())
