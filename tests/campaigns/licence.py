"""What the journal allows the guard to switch."""

from collections.abc import Iterable
from dataclasses import dataclass, field

from msgspec.structs import replace

from controller.model.plan import Operation, PlannedRun

TOUCHING_S = 1e-5  # runs of one line that are no further apart are one


@dataclass
class Licence:
    """What the journal allows: the lines of one operation, each for so long at a stretch and in all."""

    operation: Operation
    longest_s: dict[int, float] = field(default_factory=dict)
    whole_s: dict[int, float] = field(default_factory=dict)
    on_s: dict[int, float] = field(default_factory=dict)
    may_switch: bool = False
    is_begun: bool = False

    def add(self, runs: Iterable[PlannedRun]) -> None:
        """These runs are allowed besides; runs of a line that touch are one stretch."""
        stretches: dict[int, tuple[float, float]] = {}
        for run in sorted(runs, key=lambda run: run.start_s):
            begin_s, end_s = stretches.get(run.line, (run.start_s, run.start_s))
            if run.start_s > end_s + TOUCHING_S:
                begin_s = run.start_s
            stretches[run.line] = begin_s, run.start_s + run.most_s
            stretch_s = run.start_s + run.most_s - begin_s
            self.longest_s[run.line] = max(self.longest_s.get(run.line, 0.0), stretch_s)
            self.whole_s[run.line] = self.whole_s.get(run.line, 0.0) + run.most_s


def end_to_end(operation: Operation) -> list[PlannedRun]:
    """All runs of an operation on one line of time, without the waits for people."""
    runs: list[PlannedRun] = []
    offset_s = 0.0
    for segment in operation.segments:
        runs += [replace(run, start_s=offset_s + run.start_s) for run in segment.runs]
        offset_s = max((run.start_s + run.most_s for run in runs), default=0.0)
    return runs
