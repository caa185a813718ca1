"""What people saw of each pump: a line that moved wrong stays out of service until somebody has seen it move right."""

from collections.abc import Iterable, Mapping

from controller.clock import Clock
from controller.errors import Refused
from controller.ledger.records import JogAnswer
from controller.ledger.store import Ledger
from controller.model.profile import Line, Profile
from controller.model.requests import JogAnswerRequest
from controller.model.states import OperationKind
from controller.model.views import JogView


class Commissioning:
    """The latest answer about every line, kept in the ledger."""

    def __init__(self, *, profile: Profile, ledger: Ledger, clock: Clock) -> None:
        self._profile, self._ledger, self._clock = profile, ledger, clock
        self._answers = {one.line: one for one in ledger.jog_answers()}

    @property
    def out_of_service(self) -> Mapping[int, str]:
        """Line -> why it is out of service, a sentence."""
        return {
            line: f"line {line} is out of service: its jog was seen to move wrong"
            + (f" ({answer.remark})" if answer.remark else "")
            for line, answer in self._answers.items()
            if not answer.is_right
        }

    def answer(self, request: JogAnswerRequest) -> None:
        """Record what a person saw of a jog; Refused when it was none that ran."""
        entry = self._ledger.entry(request.operation)
        if entry is None or entry.kind != OperationKind.JOG or not entry.deliveries:
            raise Refused(
                rule="jog",
                reason=f"operation {request.operation} is no jog that ran.",
                remedy="Jog the line, then answer.",
            )
        answer = JogAnswer(
            operation=request.operation,
            line=entry.deliveries[0].line,
            is_right=request.is_right,
            remark=request.remark,
            wall_s=self._clock.wall_s(),
        )
        self._ledger.answer_jog(answer)
        self._answers[answer.line] = answer

    def require_in_service(self, lines: Iterable[int]) -> None:
        """Refused, naming every line that was last seen to move wrong."""
        reasons = [reason for line in lines if (reason := self.out_of_service.get(line))]
        if reasons:
            raise Refused(
                rule="commissioning",
                reason="; ".join(reasons) + ".",
                remedy="Put its wiring right, jog it, and say that it moved right: tundish jog LINE",
            )

    def views(self) -> tuple[JogView, ...]:
        """Every line of the profile with the latest answer about it."""
        return tuple(_view(line, self._answers.get(line.line)) for line in self._profile.lines)


def _view(line: Line, answer: JogAnswer | None) -> JogView:
    return JogView(
        line=line.line,
        channel=line.channel,
        gpio=line.gpio,
        rotation=line.pump.rotation,
        is_right=None if answer is None else answer.is_right,
        remark="" if answer is None else answer.remark,
        wall_s=None if answer is None else answer.wall_s,
    )
