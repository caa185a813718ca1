"""The runs of the operation under way: what is on, what comes next, what has been."""

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

from controller.model.plan import Interval, Operation, PlannedRun, Segment
from controller.model.states import OperationKind

ROUNDING_S = 1e-6  # edges planned for one instant may come out this far apart; offs come before ons all the same


@dataclass(frozen=True, kw_only=True)
class Due:
    """One run with its planned instants on the guard's monotonic clock."""

    line: int
    start_s: float
    end_s: float
    least_s: float  # how long it is on at the least and at the most, when its end is moved
    most_s: float

    def later(self, by_s: float) -> "Due":
        """The same run, moved."""
        return replace(self, start_s=self.start_s + by_s, end_s=self.end_s + by_s)

    def ended_at(self, end_s: float, since_s: float) -> "Due":
        """The same run with its end moved as near to end_s as its window allows; since_s: when it began, or is to."""
        return replace(self, end_s=min(max(end_s, since_s + self.least_s), since_s + self.most_s))


@dataclass(frozen=True, kw_only=True)
class Switched:
    """One edge as it was decided: due_s is when it should have been, at_s when it was."""

    line: int
    is_on: bool
    due_s: float
    at_s: float


class Progress:
    """One operation from its first start to its last end. Never keeps a channel on past its run's end."""

    def __init__(self, operation: Operation) -> None:
        self.operation = operation
        self.segment = 0
        self.switched: list[Switched] = []
        self.done: list[Interval] = []
        self._due: list[Due] = []
        self.late_s = 0.0  # by how much late starts have moved what came after them, in all
        self.is_begun = False  # whether the present segment's runs have been taken up
        self.ran_out: set[int] = set()  # lines whose containers a person has said to be empty, until it goes on
        self.drained: set[int] = set()  # those of them whose tubes may hold air
        self.liquids: dict[int, str] = {}  # of each line that has had a run
        self._began_s = 0.0
        self._spent_s = 0.0
        self._on: dict[int, tuple[float, Due]] = {}  # line -> since when, and until when
        self.next_s = math.inf  # when the next edge is due; infinity when there is none

    def begin(self, now_s: float, runs: Iterable[PlannedRun]) -> None:
        """Take up runs whose start times count from now_s."""
        self._spent_s, self._began_s = self.spent_s, now_s
        self.is_begun = True
        self.ran_out = set(self.drained)  # what holds air pours in no later segment either
        runs = list(runs)
        self.liquids |= {run.line: run.liquid for run in runs}
        dues = [
            Due(
                line=run.line,
                start_s=now_s + run.start_s,
                end_s=now_s + run.start_s + run.duration_s,
                least_s=run.least_s,
                most_s=run.most_s,
            )
            for run in runs
        ]
        self._due = sorted(dues, key=lambda due: due.start_s)
        self._look_ahead()

    @property
    def on(self) -> frozenset[int]:
        """Lines that are on."""
        return frozenset(self._on)

    @property
    def waiting(self) -> frozenset[int]:
        """Lines that are on or will be, in the present segment."""
        return self.on | {due.line for due in self._due}

    def owed_s(self, now_s: float) -> dict[int, float]:
        """How long each line is still to be on, by the runs that are on or to come."""
        owed = {line: max(0.0, due.end_s - now_s) for line, (_, due) in self._on.items()}
        for due in self._due:
            owed[due.line] = owed.get(due.line, 0.0) + due.end_s - due.start_s
        return owed

    @property
    def is_through(self) -> bool:
        """Whether nothing of the present segment is on or to come."""
        return not self._on and not self._due

    def _look_ahead(self) -> None:
        """Work `next_s` out anew, after any change of what is on or to come."""
        ends = (due.end_s for _, due in self._on.values())
        self.next_s = min((*ends, *(due.start_s for due in self._due[:1])), default=math.inf)

    @property
    def is_serving(self) -> bool:
        """Whether a glass is being filled."""
        return self.operation.kind is OperationKind.SERVE

    @property
    def present(self) -> Segment:
        """The present segment."""
        return self.operation.segments[self.segment]

    @property
    def is_last(self) -> bool:
        """Whether nothing is poured after the present segment: hand steps at the end keep nobody waiting."""
        return not any(segment.runs for segment in self.operation.segments[self.segment + 1 :])

    def enter_next(self) -> None:
        """Move on to the next segment; its runs are taken up by `begin`."""
        self.segment += 1
        self.is_begun = False

    @property
    def spent_s(self) -> float:
        """Pumps' time used up by what has been done (s): each segment from its begin to its last end."""
        return self._spent_s + max(
            (run.end_s - self._began_s for run in self.done if run.end_s > self._began_s), default=0.0
        )

    @property
    def first_s(self) -> float | None:
        """When the first channel was switched on."""
        return self.switched[0].at_s if self.switched else None

    def step(self, now_s: float, most_late_s: float) -> list[Switched]:
        """All edges that are due at now_s, offs before ons.

        A start that comes late moves everything that has not begun by as much: volumes stay, and what was planned
        apart stays apart. Once that would be more than most_late_s in all, nothing more is begun.
        """
        if now_s + ROUNDING_S < self.next_s:
            return []
        edges = self._edges_due(now_s, most_late_s)
        self._look_ahead()
        return edges

    def _edges_due(self, now_s: float, most_late_s: float) -> list[Switched]:
        ended = [(line, due) for line, (_, due) in self._on.items() if due.end_s <= now_s + ROUNDING_S]
        edges = [self._off(line, now_s, due.end_s) for line, due in ended]
        while self._due and self._due[0].start_s <= now_s:
            late_s = now_s - self._due[0].start_s
            self.late_s += late_s
            if self.late_s > most_late_s:
                return edges
            moved = [due.later(late_s) for due in self._due]
            edges.append(self._switch_on(moved[0], now_s, now_s - late_s))
            self._due = moved[1:]
        return edges

    def trim(self, now_s: float, line: int, end_s: float) -> None:
        """Move the end of the line's run, the one that is on or the next one, within its window."""
        if line in self._on:
            since_s, due = self._on[line]
            self._on[line] = since_s, due.ended_at(max(now_s, end_s), since_s)
            self._look_ahead()
            return
        for place, due in enumerate(self._due):
            if due.line == line:
                self._due[place] = due.ended_at(end_s, due.start_s)
                return

    def off(self, now_s: float) -> list[Switched]:
        """Everything off now, and nothing left to come in the present segment."""
        self._due, self.next_s = [], math.inf
        return [self._off(line, now_s, now_s) for line in list(self._on)]

    def _switch_on(self, due: Due, now_s: float, due_s: float) -> Switched:
        self._on[due.line] = (now_s, due)
        edge = Switched(line=due.line, is_on=True, due_s=due_s, at_s=now_s)
        self.switched.append(edge)
        return edge

    def _off(self, line: int, now_s: float, due_s: float) -> Switched:
        since_s, _ = self._on.pop(line)
        self.done.append(Interval(line=line, start_s=since_s, end_s=now_s))
        edge = Switched(line=line, is_on=False, due_s=due_s, at_s=now_s)
        self.switched.append(edge)
        return edge
