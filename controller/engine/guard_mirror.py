"""The machine according to the guard's events: its last report, and the operation under way.

It beats while an operation is under way, plans the rest anew when a lifted glass is back, and books every end.
"""

from collections import deque
from collections.abc import Callable, Collection, Iterable, Sequence
from itertools import takewhile

import msgspec
import structlog

from controller.clock import Clock, next_beat_s
from controller.engine import menu
from controller.engine.background import Work
from controller.engine.stock_uncertainty import spreads
from controller.engine.tracking import Tracking
from controller.errors import FaultLatched, Refused
from controller.ledger.records import Intent
from controller.ledger.store import Ledger
from controller.model.calibration import Calibration
from controller.model.fields import like
from controller.model.messages import (
    HEARTBEAT_S,
    Admitted,
    AskReport,
    Changed,
    Command,
    Confirm,
    Edge,
    Ended,
    Event,
    FaultLatchedEvent,
    Heartbeat,
    InputsChanged,
    Judge,
    Judged,
    LineChanged,
    LineReport,
    RanDry,
    Refusal,
    Report,
    Start,
    Unhold,
    Weighed,
)
from controller.model.plan import PlannedRun
from controller.model.profile import Profile
from controller.model.scale import Reading, Span
from controller.model.states import MachineState, OperationKind
from controller.model.wiring import role_of
from controller.sequencing.plan import Wanted, timed
from controller.sequencing.windows import rest_weighed

READINGS_KEPT = 80 * 180  # a long serving at the fastest pace

log = structlog.get_logger()


class GuardMirror:
    """Follows one guard. `current` is the operation under way or the last one; None before the first."""

    def __init__(
        self,
        *,
        profile: Profile,
        ledger: Ledger,
        clock: Clock,
        send: Callable[[Command], None],
        work: Work,
        heartbeat_s: float = HEARTBEAT_S,
    ) -> None:
        self._heartbeat_s = heartbeat_s
        self._profile, self._ledger, self._clock, self._send, self._work = profile, ledger, clock, send, work
        self._beat_at_s = 0.0
        self.report: Report | None = None  # None while the guard cannot be reached
        self.current: Tracking | None = None
        self._unsettled: frozenset[str] | None = None  # what was open when the guard answered; None until it has
        self.readings: deque[Reading] = deque(maxlen=READINGS_KEPT)  # of the scale, the newest last
        self.judged: dict[str, tuple[Refusal, ...]] = {}  # question -> the caps that its plan would break
        self.answers: dict[str, Refusal] = {}  # the guard's last word on commands that are no operations

    def lines(self) -> dict[int, LineReport]:
        """Line -> what the guard believes of it; empty while it cannot be reached."""
        return {} if self.report is None else {one.line: one for one in self.report.lines}

    def readings_since(self, since_s: float) -> list[Reading]:
        """The scale's readings from since_s (monotonic) on, oldest first; no others are looked at."""
        return list(takewhile(lambda one: one.at_s >= since_s, reversed(self.readings)))[::-1]

    @property
    def span(self) -> Span | None:
        """The scale's span; None without one."""
        return self.report.scale.setting.span if self.report is not None and self.report.scale is not None else None

    def calibrations(self) -> dict[int, Calibration]:
        """Line -> calibration with the liquid that hangs there."""
        return menu.calibrations(self.lines())

    def is_under_way(self) -> bool:
        """Whether an operation has been asked for and has not ended."""
        return self.current is not None and self.current.outcome is None and not self.current.refused

    def require_guard(self) -> Report:
        """The guard's report; Refused while it cannot be reached."""
        if self.report is None:
            raise Refused(
                rule="guard",
                reason="the guard cannot be reached, so no pump can run.",
                remedy="Start it (tundish guard, or the boot service) and try again.",
            )
        return self.report

    def require_ready(self) -> None:
        """Refused unless the machine can take a new operation; FaultLatched when a fault waits for a person."""
        report = self.require_guard()
        if report.fault is not None:
            raise FaultLatched(
                f"the machine is stopped by a fault: {report.fault}. See to the cause, then: tundish acknowledge"
            )
        if self._unsettled:
            raise Refused(
                rule="guard",
                reason="the guard has not yet reported how the previous operation ended.",
                remedy="Try again in a moment.",
            )
        if self.is_under_way() and self.current is not None:
            raise Refused(
                rule="one_at_a_time",
                reason=f"{self.current.asked.kind} {self.current.asked.recipe or ''} is under way.".replace("  ", " "),
                remedy="Wait for its end, or: tundish stop",
            )

    def begin(self, tracking: Tracking) -> None:
        """Ask the guard for an operation that is on record."""
        self.current = tracking
        self._ledger.wait_for_disk(False)  # or a slow card would keep the heart from beating
        self._beat_at_s = next_beat_s(self._clock.now_s(), self._heartbeat_s)
        self._send(Start(operation=tracking.asked))

    def judge(self, question: Judge) -> None:
        """Ask what the guard says of a plan; its answer will stand in `judged`."""
        self._send(question)

    def ask(self, command: Command, tag: str) -> None:
        """Send a command that is no operation; a refusal of it will stand in `answers`."""
        self.answers.pop(tag, None)
        self._send(command)

    def confirm(self, operation: str) -> int | None:
        """What the operation waits for is done; the line on which another container hangs by now, if it was that."""
        current = self.current
        if current is None or current.asked.operation != operation or current.waiting_for is None:
            raise Refused(
                rule="hand_step",
                reason=f"operation {operation} does not wait for a person.",
                remedy="See tundish status.",
            )
        waiting = current.waiting
        if waiting is not None and waiting.kind == "input":
            role = role_of(current.waiting_for)
            raise Refused(rule="hand_step", reason=f"{role.reason}; no hand step is due.", remedy=role.remedy)
        if waiting is None or waiting.kind in ("glass", "step"):
            self._send(Confirm(operation=operation))
            return None
        line = waiting.line
        if line in self.require_guard().inputs.low_lines:
            raise Refused(
                rule="level",
                reason=f"the container on line {line} is still low.",
                remedy="Hang a full container of the same liquid on it, then confirm again.",
            )
        self._go_on(current)
        return line

    def ran_dry(self, line: int, *, tube_full: bool) -> None:
        """A person says that the container on this line is empty: the guard holds what draws from it."""
        self.require_guard()
        if self.current is not None and self.is_under_way() and not tube_full:
            self.current.drained.add(line)
        self.ask(RanDry(line=line, tube_full=tube_full), "ran_dry")

    def tick(self) -> float | None:
        """Beat while an operation is under way; when to call again (monotonic s), None when nothing is due."""
        if not self.is_under_way() or self.report is None:
            return None
        now_s = self._clock.now_s()
        if now_s >= self._beat_at_s:
            self._send(Heartbeat())
            self._beat_at_s = next_beat_s(now_s, self._heartbeat_s)
        return self._beat_at_s

    def lost(self) -> None:
        """The guard cannot be reached: it has switched off, and reports the end of the operation when it is back."""
        if self.report is not None:
            log.warning("guard_lost")
        self.report = self._unsettled = None
        self._ledger.wait_for_disk(True)

    def on_event(self, event: Event) -> None:
        """Take in what the guard says."""
        if isinstance(event, Report | Admitted | Ended) and event.journal is not None:
            self._ledger.note_guard_head(event.journal)
        if self.report is not None:  # else the first report, which has it, is on its way
            self.report = _after(self.report, event)
        match event:
            case Report():
                self._on_report(event)
            case Judged(operation=name, refusals=refusals):
                self.judged[name] = refusals
            case Refusal():
                self._on_refusal(event)
            case Ended():
                self._on_ended(event)
            case Admitted() | Edge() | Changed():
                self._on_progress(event)
            case FaultLatchedEvent(cause=cause, text=text):
                log.error("fault", cause=cause, text=text)
            case Weighed(readings=readings):
                self.readings.extend(readings)
            case InputsChanged():
                self._work.later(self._resume_if_input_allows)
            case _:
                pass

    def _on_report(self, report: Report) -> None:
        self.report = report
        if self._unsettled is None:
            self._miss(report.latest)
            # The guard's first answer. What it ended while we were apart follows it, and another report follows that.
            self._unsettled = frozenset(self._ledger.open_operations()) - {report.operation}
            if self._unsettled:
                log.warning("operation_ended_apart", operations=sorted(self._unsettled))
                self._send(AskReport())
        else:
            self._settle(self._unsettled)
            self._unsettled = frozenset()
        self._work.later(self._resume_if_input_allows)

    def _settle(self, unsettled: frozenset[str]) -> None:
        """What was open and has not ended by now never reached the guard, or the guard has lost its journal."""
        for operation in sorted(unsettled.intersection(self._ledger.open_operations())):
            log.warning("operation_unknown", operation=operation)
            unknown = Refusal(
                request=operation,
                rule="lost",
                reason="the guard knows nothing of it: it was lost with the connection, or with the guard's journal.",
                remedy="Ask for it again.",
            )
            self._ledger.refuse(operation, (unknown,), wall_s=self._clock.wall_s())
            if self.current is not None and self.current.asked.operation == operation:
                self.current.refused.append(unknown)

    def _on_refusal(self, refusal: Refusal) -> None:
        current = self.current
        is_open = current is not None and not current.admitted and current.outcome is None
        if current is not None and is_open and refusal.request == current.asked.operation:
            self._ledger.wait_for_disk(True)
            current.refused.append(refusal)
            self._ledger.refuse(refusal.request, current.refused, wall_s=self._clock.wall_s())
            log.info("refused", operation=refusal.request, rule=refusal.rule)
        elif current is not None and refusal.request == current.asked.operation and _has_windows(current.rest):
            # At its longest ends the rest may exceed a cap that it keeps to as planned.
            current.needs_planned_ends, current.rest = True, ()
            self._work.later(self._go_on_as_planned)
        else:
            self.answers[refusal.request] = refusal
            log.warning("guard_refused", request=refusal.request, rule=refusal.rule, reason=refusal.reason)

    def _miss(self, operation: str | None) -> None:
        """Say so when the ledger has lost what the guard admitted last."""
        if operation is not None and self._ledger.entry(operation) is None:
            why = f"the guard admitted {operation} last, of which the ledger knows nothing"
            log.error("ledger_doubtful", why=(why,))
            self._ledger.doubt(why, wall_s=self._clock.wall_s())

    def _on_ended(self, ended: Ended) -> None:
        self._ledger.wait_for_disk(True)
        current = self.current if self.current is not None and self.current.asked.operation == ended.operation else None
        if self._ledger.entry(ended.operation) is None:
            changes = ("on record by the guard alone",)
            intent = Intent(
                operation=ended.operation, kind=ended.kind, asked_wall_s=self._clock.wall_s(), changes=changes
            )
            self._ledger.begin(intent)
        booked = self._ledger.end(
            ended.operation,
            ended.outcome,
            ended.reason,
            ended.deliveries,
            wall_s=self._clock.wall_s(),
            spreads=spreads(ended.deliveries, self.calibrations()),
            lazily=current is not None and current.is_followed_by_its_weight(ended.outcome),
        )
        if booked:
            log.info("ended", operation=ended.operation, outcome=ended.outcome, reason=ended.reason)
        if current is not None:
            current.outcome, current.reason, current.cause = ended.outcome, ended.reason, ended.cause
            current.waiting_for = current.waiting = None
            current.booked = {one.line: one for one in ended.deliveries}

    def _on_progress(self, event: Admitted | Edge | Changed) -> None:
        current = self.current
        if current is None or current.asked.operation != event.operation:
            return
        if isinstance(event, Admitted):
            current.admitted = True
        elif isinstance(event, Edge):
            if event.line not in current.asked.lines:
                raise Refused(rule="protocol", reason=f"the guard switched line {event.line}, which was not asked for.")
            current.on_edge(event, self._clock.now_s())
        elif event.state in (MachineState.HOLDING, MachineState.HELD):
            current.wait_for(event.waiting_for, event.waiting)
            self._work.later(self._resume_if_input_allows)
        else:
            current.waiting_for = current.waiting = None

    def _resume_if_input_allows(self) -> None:
        """A glass stands there again, what held the operation is over, or twins can take over: ask to go on."""
        current, report = self.current, self.report
        if current is None or report is None or not self.is_under_way():
            return
        inputs, waiting = report.inputs, report.waiting
        if report.state != MachineState.HELD or waiting is None:
            return
        dry = self._dry(current)
        if waiting.kind == "container" and current.handed_over(dry, self._clock.now_s()):
            self._go_on(current, dry)
        if waiting.is_for_a_person:
            return
        is_back = inputs.glass_present and not inputs.tray_full
        if is_back if waiting.kind == "glass" else not inputs.others.get(report.waiting_for or ""):
            self._go_on(current)

    def _dry(self, current: Tracking) -> set[int]:
        """Lines whose containers ran low or empty, the one that is waited for included."""
        report = self.require_guard()
        waiting = report.waiting.line if report.waiting is not None else None
        return {*current.drained, *report.inputs.low_lines, *(() if waiting is None else (waiting,))}

    def _go_on(self, current: Tracking, dry: Collection[int] = ()) -> None:
        """Ask for what the held operation still owes; twins pour what these and other dry lines owe."""
        now_s = self._clock.now_s()
        if current.asked.kind is OperationKind.SERVE:
            dry = {*dry, *current.drained, *self.require_guard().inputs.low_lines}
            wanted = current.handed_over(dry, now_s) or current.wanted
            runs = self._rest(current, current.owed(now_s, wanted))
            current.wanted = wanted  # not before the last call of work, which may ask to be called again
        else:
            runs = current.runs_left(now_s)
        current.rest = runs
        self._send(Unhold(operation=current.asked.operation, runs=runs))

    def _go_on_as_planned(self) -> None:
        if self.current is not None and self.is_under_way():
            self._go_on(self.current)

    def _rest(self, current: Tracking, owed: Sequence[Wanted]) -> tuple[PlannedRun, ...]:
        """Runs for what is owed: with windows where the scale follows them, unless the guard has refused these."""
        so_far = current.so_far
        if so_far is not None and not current.needs_planned_ends:
            weighed: tuple[PlannedRun, ...] = self._work(
                rest_weighed, self._profile, {**current.calibrations, **so_far.calibrations}, owed
            )
            return weighed
        planned: tuple[PlannedRun, ...] = self._work(timed, self._profile, current.calibrations, owed)[1]
        return planned


def _has_windows(runs: Iterable[PlannedRun] | None) -> bool:
    return any(run.has_window for run in runs or ())


def _after(report: Report, event: Event) -> Report:
    """The guard's report with what this event changes in it."""
    match event:
        case Changed():
            is_aborted = event.state in (MachineState.ABORTING, MachineState.ABORTED)
            return like(Report, event, report, fault=report.fault if is_aborted else None)
        case LineChanged(report=line):
            lines = tuple(line if one.line == line.line else one for one in report.lines)
            return msgspec.structs.replace(report, lines=lines)
        case InputsChanged(inputs=inputs):
            return msgspec.structs.replace(report, inputs=inputs)
        case Weighed(readings=readings, silent=silent) if report.scale is not None:
            load_g, doubt = (readings[-1].load_g, readings[-1].doubt) if readings else (report.scale.load_g, "silent")
            scale = msgspec.structs.replace(report.scale, load_g=load_g, doubt="silent" if silent else doubt)
            return msgspec.structs.replace(report, scale=scale)
        case FaultLatchedEvent(cause=cause):
            return msgspec.structs.replace(report, fault=cause)
    return report
