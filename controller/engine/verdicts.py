"""What the guard says of a plan before anybody asks to pour it, so that menu and plan know what a pour will meet."""

from collections.abc import Sequence
from itertools import count

from controller.engine.guard_mirror import GuardMirror
from controller.model.messages import Judge, Refusal
from controller.model.plan import Operation, Segment
from controller.model.states import OperationKind

KEPT = 512  # verdicts; a book's whole menu, and what was planned beside it


class Verdicts:
    """Asks the guard about each plan once, at rest only: its loop has better to do while pumps run."""

    def __init__(self, mirror: GuardMirror) -> None:
        self._mirror = mirror
        self._numbers = count(1)
        self._asked: dict[object, str] = {}  # the plan with all that its verdict hangs on -> the question's id

    def of(self, glass: str, segments: Sequence[Segment]) -> tuple[Refusal, ...]:
        """The caps that this plan would break on an empty glass; none while the guard has not said."""
        report = self._mirror.report
        if report is None:
            return ()
        lines = {run.line for segment in segments for run in segment.runs}
        facts = [(one.line, one.liquid, one.calibration, one.labels) for one in report.lines if one.line in lines]
        plan = (glass, tuple(segments), tuple(facts), report.glasses, report.book)
        if plan not in self._asked:
            if self._mirror.is_under_way():
                return ()
            self._ask(plan, glass, segments)
        return self._mirror.judged.get(self._asked[plan], ())

    @property
    def are_open(self) -> bool:
        """Whether the guard still owes an answer."""
        return self._mirror.report is not None and not self._mirror.judged.keys() >= set(self._asked.values())

    def _ask(self, plan: object, glass: str, segments: Sequence[Segment]) -> None:
        if len(self._asked) >= KEPT:
            self._asked.clear()
            self._mirror.judged.clear()
        self._asked[plan] = name = f"judge-{next(self._numbers)}"
        kind = OperationKind.SERVE
        self._mirror.judge(Judge(operation=Operation(operation=name, kind=kind, segments=tuple(segments), glass=glass)))
