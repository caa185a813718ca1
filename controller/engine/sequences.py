"""Guided sequences: the change of a liquid, and closing for the night. What is under way stands in the ledger."""

from collections.abc import Callable, Mapping, Sequence
from typing import Literal

import msgspec

from controller.engine.common import Common
from controller.engine.hygiene import LineHygiene
from controller.engine.line_care import Fill, Kind, to_close, to_fill, within_jug
from controller.engine.names import as_listed
from controller.engine.stock import Stock
from controller.errors import Refused
from controller.ledger.records import OpenSequence
from controller.model.evening import ChangeRequest, CloseRequest, SequenceView, StepView
from controller.model.fields import Value, like
from controller.model.plan import PlannedRun
from controller.model.requests import AssignRequest
from controller.model.states import OperationKind, Outcome
from controller.model.views import Asked
from controller.sequencing.line_runs import longest_s, most_ml

KINDS = ("change", "close")
ALL_LINES = 0  # the line of a sequence that is about the whole machine
JUG_FILLED = 0.95  # the guard adds what a calibration does not know for certain
HANGS = {"purge": "in air", "clean": "in cleaner", "rinse": "in clean water"}  # where the suction tubes are
Runs = Callable[[OperationKind, tuple[int, ...]], tuple[PlannedRun, ...]]


class ChangeState(Value, frozen=True, kw_only=True):
    """The state of a change of liquid, as the ledger keeps it."""

    liquid: str
    container_ml: float
    opened_ago_s: float
    at_least: Literal["prime", "rinse", "clean"]
    hung: bool = False
    operation: str | None = None  # the last one asked for


class CloseState(CloseRequest, frozen=True, kw_only=True):
    """The state of closing for the night, as the ledger keeps it."""

    jug_ml: float
    operation: str | None = None


class Sequences:
    """Works out steps from what the lines hold, and carries them out one at a time."""

    def __init__(self, common: Common, stock: Stock, hygiene: LineHygiene, runs: Runs) -> None:
        self._profile, self._book, self._operation_start = common.profile, common.strict, common.operation_start
        self._ledger, self._clock, self._mirror = common.ledger, common.clock, common.mirror
        self._stock, self._hygiene, self._runs = stock, hygiene, runs

    def views(self) -> tuple[SequenceView, ...]:
        """Every sequence under way with its next step."""
        return tuple(self._view(one) for one in self._ledger.sequences.open(*KINDS))

    def end_done(self) -> None:
        """End every sequence that has no step left, once the guard has reported and nothing runs."""
        if self._mirror.report is None or self._mirror.is_under_way():
            return
        for known in self._ledger.sequences.open(*KINDS):
            if not self._needs(known)[1]:
                self._ledger.sequences.end(known.seq, "done", wall_s=self._clock.wall_s())

    def change(self, request: ChangeRequest) -> SequenceView:
        """Begin a change of liquid on a line, or continue the one under way there."""
        self._mirror.require_guard()
        known = self._open("change", request.line)
        if known is None:
            known = self._begin_change(request)
        elif request.liquid not in (None, _change(known).liquid):
            raise Refused(
                rule="sequence",
                reason=f"a change to {_change(known).liquid} is under way on line {request.line}.",
                remedy=f"Continue it, or abandon it: tundish stock change {request.line} --drop",
            )
        return self._view_then_end(known)

    def close(self, request: CloseRequest) -> SequenceView:
        """Begin to close for the night, or continue."""
        self._mirror.require_guard()
        known = self._open("close", ALL_LINES)
        if known is None:
            self._require_jug(request.jug_ml)
            jug_ml = self._profile.hygiene.jug_ml if request.jug_ml is None else request.jug_ml
            known = self._begin("close", ALL_LINES, like(CloseState, request, jug_ml=jug_ml))
        return self._view_then_end(known)

    def next(self, kind: str, line: int = ALL_LINES) -> Asked:
        """What the next step asks of a person is done: let the machine do its part. Refused when it has to wait."""
        known = self._require(kind, line)
        view = self._view(known)
        if view.step is None:
            raise Refused(rule="sequence", reason="all its steps are done.", remedy="There is nothing left to do.")
        if view.step.kind == "wait":
            raise Refused(
                rule="cleaner_contact",
                reason=f"the cleaner has to stand for another {view.step.seconds / 60:.1f} min.",
                remedy="Wait, then go on.",
            )
        self._mirror.require_ready()
        kind_of_run = OperationKind(view.step.kind)
        runs = self._runs(kind_of_run, view.step.lines)
        if view.step.kind == "prime" and view.liquid is not None:
            known = self._hang(known)
            # The guard hears of the new container first; its report, from which the runs are made, comes later.
            runs = tuple(msgspec.structs.replace(run, liquid=view.liquid) for run in runs)
        asked = self._operation_start.runs(
            kind_of_run, runs, jug=True, jug_ml=self._jug_ml(known), in_air=view.step.kind == "purge"
        )
        self._keep(known, msgspec.structs.replace(_body(known), operation=asked.operation))
        return asked

    def drop(self, kind: str, line: int = ALL_LINES) -> None:
        """Abandon a sequence; the lines stay as they are."""
        known = self._require(kind, line)
        self._ledger.sequences.end(known.seq, "dropped", wall_s=self._clock.wall_s())

    def signature(self) -> tuple[str, str]:
        """Who closes, and with which cleaner; "" where nobody has said."""
        known = self._open("close", ALL_LINES)
        return ("", "") if known is None else (_close(known).person, _close(known).cleaner)

    # --- steps

    def _view_then_end(self, known: OpenSequence) -> SequenceView:
        """The sequence as it was found; there may have been nothing to do."""
        view = self._view(known)
        self.end_done()
        return view

    def _view(self, known: OpenSequence) -> SequenceView:
        lines, needs = self._needs(known)
        change = _change(known) if known.kind == "change" else None
        step = self._step(known, needs)
        return SequenceView(
            kind="close" if known.kind == "close" else "change",
            line=None if known.line == ALL_LINES else known.line,
            liquid=None if change is None else change.liquid,
            container_ml=None if change is None else change.container_ml,
            begun_wall_s=known.begun_wall_s,
            step=step,
            lines=lines,
            done_lines=tuple(line for line in lines if line not in needs),
        )

    def _needs(self, known: OpenSequence) -> tuple[tuple[int, ...], dict[int, Kind]]:
        """All lines of a sequence, and what those that are not through need next."""
        reports = self._mirror.lines()
        if known.kind == "close":
            dry = _close(known).dry
            found = {line: to_close(one, known.begun_wall_s, dry=dry) for line, one in sorted(reports.items())}
            needs = {line: need for line, need in found.items() if need is not None}
            return tuple(found), needs
        body = _change(known)
        if known.line not in reports or self._is_filled(body):
            return (known.line,), {}
        goal = Fill(liquid=body.liquid, begun_wall_s=known.begun_wall_s, at_least=body.at_least)
        return (known.line,), {known.line: to_fill(reports[known.line], goal, self._book)}

    def _is_filled(self, body: ChangeState) -> bool:
        """Whether the last step, to prime from the new container, has come to its end."""
        entry = None if body.operation is None else self._ledger.entry(body.operation)
        return body.hung and entry is not None and (entry.kind, entry.outcome) == (OperationKind.PRIME, Outcome.DONE)

    def _step(self, known: OpenSequence, needs: Mapping[int, Kind]) -> StepView | None:
        """What comes next: emptying before cleaning before rinsing, as many lines at once as the jug takes."""
        if not needs:
            return None
        waits = {line: self._soak_s(line) for line, need in needs.items() if need == "rinse"}
        soaking = [line for line, wait_s in waits.items() if wait_s > 0.0]
        order: tuple[Kind, ...] = ("purge", "clean", "rinse", "prime")
        for kind in order:
            lines = [line for line, need in needs.items() if need == kind and line not in soaking]
            if lines:
                return self._step_of(known, kind, lines)
        return StepView(
            kind="wait",
            lines=tuple(soaking),
            asks=("Leave the lines alone: the cleaner has to stand in them.",),
            volume_ml=0.0,
            seconds=max(waits[line] for line in soaking),
        )

    def _step_of(self, known: OpenSequence, kind: Kind, candidates: list[int]) -> StepView:
        wanted = self._runs(OperationKind(kind), tuple(candidates))
        lines = within_jug([(run.line, self._most_ml([run])) for run in wanted], JUG_FILLED * self._jug_ml(known))
        runs = self._runs(OperationKind(kind), lines)
        volume_ml = self._most_ml(runs)
        return StepView(
            kind=kind,
            lines=lines,
            asks=(
                self._ask_of(known, kind, lines),
                f"Put an empty jug under the outlet: up to {volume_ml:.0f} mL will come.",
            ),
            volume_ml=volume_ml,
            seconds=longest_s(runs),
        )

    def _require_jug(self, jug_ml: float | None) -> None:
        largest_ml = self._profile.hygiene.jug_ml
        if jug_ml is not None and jug_ml > largest_ml:
            raise Refused(
                rule="jug",
                reason=f"the profile's jug takes {largest_ml:g} mL, not {jug_ml:g} mL.",
                remedy="Close in more steps with less at a time, or state the larger jug in the profile.",
            )

    def _jug_ml(self, known: OpenSequence) -> float:
        return _close(known).jug_ml if known.kind == "close" else self._profile.hygiene.jug_ml

    def _most_ml(self, runs: Sequence[PlannedRun]) -> float:
        """What the guard counts into the jug, mL."""
        return most_ml(self._profile, self._mirror.calibrations(), runs)

    def _ask_of(self, known: OpenSequence, kind: Kind, lines: tuple[int, ...]) -> str:
        if kind == "prime":
            body = _change(known)
            return f"Hang {body.container_ml:g} mL of {body.liquid} on line {known.line}."
        tubes = f"the suction tube of line {lines[0]}"
        if len(lines) > 1:
            tubes = f"the suction tubes of lines {', '.join(map(str, lines[:-1]))} and {lines[-1]}"
        return f"Hang {tubes} {HANGS[kind]}."

    def _soak_s(self, line: int) -> float:
        """How long the cleaner in this line still has to stand, s."""
        soaked_s = self._mirror.lines()[line].soaked_wall_s
        if soaked_s is None:
            return 0.0
        return max(0.0, soaked_s + self._profile.hygiene.cleaner_contact_s - self._clock.wall_s())

    # --- beginning and keeping

    def _begin_change(self, request: ChangeRequest) -> OpenSequence:
        if request.line not in self._mirror.lines():
            raise Refused(rule="line", reason=f"the machine has no line {request.line}.")
        if request.liquid is None or request.container_ml is None:
            raise Refused(
                rule="sequence",
                reason=f"no change is under way on line {request.line}.",
                remedy=f"Begin one: tundish stock change {request.line} LIQUID CONTAINER",
            )
        liquids = (one.liquid for one in self._book.liquids)
        liquid = as_listed("liquid", request.liquid, liquids, rule="assignment")
        body = like(ChangeState, request, liquid=liquid, at_least=self._hygiene.care_due(request.line))
        return self._begin("change", request.line, body)

    def _hang(self, known: OpenSequence) -> OpenSequence:
        """The new container is on the line: say so, once."""
        if known.kind != "change" or _change(known).hung:
            return known
        body = _change(known)
        self._stock.assign(like(AssignRequest, known, body))
        return self._keep(known, msgspec.structs.replace(body, hung=True))

    def _require(self, kind: str, line: int) -> OpenSequence:
        known = self._open(kind, line)
        if known is None:
            what = "no closing" if kind == "close" else f"no change of line {line}"
            raise Refused(rule="sequence", reason=f"{what} is under way.", remedy="Begin it first.")
        return known

    def _open(self, kind: str, line: int) -> OpenSequence | None:
        return next((one for one in self._ledger.sequences.open(*KINDS) if (one.kind, one.line) == (kind, line)), None)

    def _begin(self, kind: str, line: int, body: ChangeState | CloseState) -> OpenSequence:
        self._ledger.sequences.begin(kind, line, msgspec.json.encode(body).decode(), wall_s=self._clock.wall_s())
        known = self._open(kind, line)
        if known is None:
            raise RuntimeError("a sequence that was just begun is not there")
        return known

    def _keep(self, known: OpenSequence, body: ChangeState | CloseState) -> OpenSequence:
        text = msgspec.json.encode(body).decode()
        self._ledger.sequences.update(known.seq, text)
        return msgspec.structs.replace(known, body=text)


def _change(known: OpenSequence) -> ChangeState:
    return msgspec.json.decode(known.body, type=ChangeState)


def _close(known: OpenSequence) -> CloseState:
    return msgspec.json.decode(known.body, type=CloseState)


def _body(known: OpenSequence) -> ChangeState | CloseState:
    return _close(known) if known.kind == "close" else _change(known)
