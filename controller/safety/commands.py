"""What clients may say, and what comes of it."""

import math
from collections.abc import Callable, Mapping

from controller.model.book import Book
from controller.model.fields import like
from controller.model.labels import label_of
from controller.model.messages import (
    VERSION,
    Acknowledge,
    AskReport,
    Assign,
    Command,
    Confirm,
    ConfirmJug,
    Hello,
    InputReport,
    Judge,
    Judged,
    LineChanged,
    RanDry,
    Refusal,
    Start,
    Stop,
    TakeBook,
    TakeCalibration,
    TakeScale,
    Trim,
    Unhold,
)
from controller.model.plan import PlannedRun
from controller.model.states import AT_REST, Outcome
from controller.model.states import MachineState as S
from controller.safety import admission, input_rules, requests
from controller.safety.contents import assigned, drained
from controller.safety.machine import StateMachine
from controller.safety.progress import Progress
from controller.safety.reading import reading
from controller.safety.records import (
    AcknowledgedRecord,
    AdmittedRecord,
    CalibrationRecord,
    LearnedRecord,
    LineRecord,
    RefusedRecord,
    ScaleRecord,
    UnheldRecord,
)
from controller.safety.startup import compare_stock, forget
from controller.safety.states import Trigger


class Desk:
    """Hears the clients. One of them at a time is the engine; anyone may stop the machine."""

    def __init__(self, machine: StateMachine) -> None:
        self._machine = machine
        self._clients: set[str] = set()
        self._engine: str | None = None
        self._inputs = InputReport(stop_pressed=True)
        self._troubles: Mapping[str, str] = {}
        self.beat_s = 0.0  # when the engine was last heard
        self.resumed_runs: tuple[PlannedRun, ...] = ()
        self.wanted_book: TakeBook | None = None  # the book that is to be read
        self._acts: dict[type[Command], Callable[..., None]] = {
            Start: self._start,
            Confirm: self._confirm,
            Unhold: self._unhold,
            Trim: self._trim,
            ConfirmJug: self._confirm_jug,
            Acknowledge: self._acknowledge,
            TakeCalibration: self._take_calibration,
            TakeScale: self._take_scale,
            Assign: self._assign,
            RanDry: self._ran_dry,
            TakeBook: self._take_book,
            Judge: self._judge,
        }

    @property
    def has_clients(self) -> bool:
        """Whether anyone has said hello and is still there."""
        return bool(self._clients)

    def receive(
        self, client: str, command: Command, inputs: InputReport, troubles: Mapping[str, str], damage: str = ""
    ) -> None:
        """Act on one command. inputs: the debounced contacts; troubles: causes of faults that are there now.

        damage: what the memory lacks of what the engine that says hello has been told.
        """
        self._inputs, self._troubles = inputs, troubles
        if client == self._engine:
            self.beat_s = self._machine.now_s
        if isinstance(command, Stop):
            self._machine.stop(Outcome.STOPPED, "stopped by a person", "person")
        elif isinstance(command, Hello):
            self._hello(client, command, damage)
        elif client not in self._clients:
            self._refuse(_name(command), "hello", "a client begins with hello.", remedy="Send hello first.")
        elif isinstance(command, AskReport):
            self._machine.say(self._machine.report(inputs))
        elif client != self._engine:
            self._refuse(
                _name(command), "engine", f"only the engine may send {_tag(command)}.", remedy="Ask the engine."
            )
        else:
            self._from_engine(command)

    def forget(self, client: str) -> bool:
        """The client is gone; whether it was the engine."""
        self._clients.discard(client)
        was_engine = client == self._engine
        if was_engine:
            self._engine = None
        return was_engine

    def _from_engine(self, command: Command) -> None:
        act = self._acts.get(type(command))  # none for a heartbeat: its arrival has been noted
        if act is not None:
            act(command)

    def _take_book(self, command: TakeBook) -> None:
        self.wanted_book = command if self._at_rest("take_book") else None

    def _refuse(self, request: str, rule: str, reason: str, *, allowed: str = "", remedy: str = "") -> None:
        self._machine.say(Refusal(request=request, rule=rule, reason=reason, allowed=allowed, remedy=remedy))

    def _refuse_all(self, request: str, refusals: list[Refusal]) -> bool:
        """Send and record them; whether there were any."""
        if not refusals:
            return False
        for refusal in refusals:
            self._machine.say(refusal)
        rules = tuple(refusal.rule for refusal in refusals)
        self._machine.record(RefusedRecord(request=request, rules=rules, reason=refusals[0].reason))
        return True

    # --- single commands

    def _hello(self, client: str, command: Hello, damage: str) -> None:
        if command.version != VERSION:
            reason = f"this guard speaks version {VERSION}, not {command.version}."
            self._refuse("hello", "version", reason, allowed=str(VERSION), remedy="Update the older side.")
            return
        if command.role == "engine":
            if self._engine not in (None, client):
                remedy = "Stop the other engine, or say hello as an observer."
                self._refuse("hello", "engine", "another engine is connected.", remedy=remedy)
                return
            self._engine, self.beat_s = client, self._machine.now_s
            if damage:
                forget(self._machine, damage)
            compare_stock(self._machine, command.stock)
        self._clients.add(client)
        led_to = self._machine.take_events()
        self._machine.say(self._machine.report(self._inputs))  # first, so that what follows is about something known
        for event in led_to:
            self._machine.say(event)
        if command.role == "engine" and self._machine.memory.last_ended is not None:
            # The engine may have been away when it ended; by its id it can tell whether it knows already.
            self._machine.say(self._machine.memory.last_ended)

    def _start(self, command: Start) -> None:
        machine, operation = self._machine, command.operation
        request = operation.operation
        if machine.state is not S.IDLE:
            self._refuse_all(request, [self._wrong_state(request, "start")])
            return
        now = machine.situation(self._inputs)
        if self._refuse_all(request, admission.start(operation, now)):
            return
        most = admission.case_of(operation, now).poured
        machine.progress = Progress(operation)
        machine.propose(
            AdmittedRecord(
                operation=operation, ethanol_g=most.ethanol_g, volume_ml=most.volume_ml, fresh=machine.is_fresh
            )
        )
        machine.go(Trigger.START)

    def _wrong_state(self, request: str, what: str) -> Refusal:
        machine = self._machine
        fault = machine.memory.fault
        reason = f"the machine is {machine.state}: it does not accept {what} now."
        if fault is not None:
            reason = f"the machine is {machine.state} by a fault ({fault.text})."
            return Refusal(
                request=request, rule="state", reason=reason, remedy=f"See to it, then acknowledge {fault.cause!r}."
            )
        if self._troubles:
            reason = f"the machine is {machine.state}: {'; '.join(self._troubles.values())}."
        remedy = "Wait for the operation to end." if machine.progress else "See to the inputs, then try again."
        return Refusal(request=request, rule="state", reason=reason, asked=what, allowed="", remedy=remedy)

    def _held(self, request: str, what: str) -> Progress | None:
        """The held operation if it is this one; refuses otherwise."""
        machine, progress = self._machine, self._machine.progress
        if machine.state is not S.HELD or progress is None:
            self._refuse_all(request, [self._wrong_state(request, what)])
            return None
        if progress.operation.operation != request:
            reason = f"operation {progress.operation.operation} is held, not {request}."
            self._refuse(request, "operation", reason, remedy="Ask for a report.")
            return None
        return progress

    def _confirm(self, command: Confirm) -> None:
        machine = self._machine
        progress = self._held(command.operation, "confirm")
        if progress is None:
            return
        segment = progress.present
        if progress.is_begun:
            reason = f"the operation waits for {machine.waiting_for}, not for a hand step."
            self._refuse(command.operation, "operation", reason, remedy="Send unhold with what is left to pour.")
            return
        blocked = [*input_rules.blocked(command.operation, self._inputs)]
        if progress.is_serving:
            blocked += input_rules.vessel(command.operation, self._inputs)
        if self._refuse_all(command.operation, blocked):
            return
        self.resumed_runs = segment.runs
        machine.hold = None
        machine.go(Trigger.UNHOLD, "hand step confirmed")

    def _unhold(self, command: Unhold) -> None:
        machine = self._machine
        progress = self._held(command.operation, "unhold")
        if progress is None:
            return
        if not progress.is_begun:
            reason = f"the operation waits for a hand step: {machine.waiting_for}."
            self._refuse(command.operation, "operation", reason, remedy="Confirm the hand step.")
            return
        now = machine.situation(self._inputs)
        if self._refuse_all(command.operation, requests.unhold(command, progress, now)):
            return
        most = requests.case_of_rest(command, progress, now).poured
        self.resumed_runs = command.runs
        machine.hold = None
        machine.propose(
            UnheldRecord(
                operation=command.operation, runs=command.runs, ethanol_g=most.ethanol_g, volume_ml=most.volume_ml
            )
        )
        machine.go(Trigger.UNHOLD)

    def _trim(self, command: Trim) -> None:
        machine, progress = self._machine, self._machine.progress
        if not math.isfinite(command.end_s):
            self._refuse("trim", "plan", "an end must be finite.", remedy="Leave the planned end as it is.")
        elif progress and machine.state is S.EXECUTE and progress.operation.operation == command.operation:
            progress.trim(machine.now_s, command.line, command.end_s + (progress.first_s or machine.now_s))

    def _acknowledge(self, command: Acknowledge) -> None:
        machine, fault = self._machine, self._machine.memory.fault
        if fault is None or machine.state is not S.ABORTED:
            reason = f"no fault waits to be acknowledged; the machine is {machine.state}."
            self._refuse("acknowledge", "state", reason)
        elif command.cause != fault.cause:
            reason = f"the latched fault is {fault.cause!r}, not {command.cause!r}."
            self._refuse("acknowledge", "cause", reason, allowed=fault.cause, remedy="Acknowledge the present cause.")
        elif fault.cause in self._troubles:
            reason = f"the cause is still there: {self._troubles[fault.cause]}."
            self._refuse("acknowledge", "cause", reason, remedy="See to it first, then acknowledge.")
        else:
            machine.record(AcknowledgedRecord(cause=fault.cause))
            machine.go(Trigger.CLEAR, f"{fault.cause} acknowledged")

    def _confirm_jug(self, command: ConfirmJug) -> None:
        machine = self._machine
        if not self._at_rest("confirm_jug"):
            return
        if self._refuse_all("confirm_jug", requests.confirm_jug(command, machine.situation(self._inputs))):
            return
        machine.jug_ml = command.volume_ml
        # Where no contact tells when a glass is lifted: it cannot stand there any more.
        machine.is_fresh = machine.is_fresh or machine.profile.inputs.glass is None

    def _take_calibration(self, command: TakeCalibration) -> None:
        machine = self._machine
        if not self._at_rest("take_calibration"):
            return
        if self._refuse_all("take_calibration", requests.take_calibration(command, machine.situation(self._inputs))):
            return
        new = command.calibration
        learned = like(LearnedRecord, new)
        is_learned = new in [learned.of(held) for held in machine.memory.calibrations]
        machine.record(learned if is_learned else CalibrationRecord(calibration=new))
        self._tell_line(new.line)

    def _take_scale(self, command: TakeScale) -> None:
        machine = self._machine
        if not self._at_rest("take_scale"):
            return
        if not self._refuse_all("take_scale", requests.take_scale(command, machine.profile.scale)):
            machine.record(ScaleRecord(setting=command.setting))
            machine.say(machine.report(self._inputs))

    def _assign(self, command: Assign) -> None:
        machine = self._machine
        if not self._at_rest("assign"):
            return
        if self._refuse_all("assign", requests.assign(command, machine.situation(self._inputs))):
            return
        opened = machine.moment.earlier(command.opened_ago_s)
        label = label_of(machine.book.liquid(command.liquid))
        state = assigned(machine.memory.line(command.line), label, opened)
        machine.record(LineRecord(state=state))
        self._tell_line(command.line)

    def _judge(self, command: Judge) -> None:
        """At rest only, so that nothing that people ask keeps an edge waiting."""
        name = command.operation.operation
        if self._machine.progress is not None:
            self._machine.say(self._wrong_state(name, "judge"))
            return
        refusals = admission.judge(command.operation, self._machine.situation(self._inputs))
        self._machine.say(Judged(operation=name, refusals=tuple(refusals)))

    def _ran_dry(self, command: RanDry) -> None:
        """Also while pumps run: a run from that container is held."""
        machine, progress = self._machine, self._machine.progress
        if command.line not in {line.line for line in machine.profile.lines}:
            self._refuse("ran_dry", "line", f"the profile has no line {command.line}.")
            return
        if progress is not None:
            progress.ran_out.add(command.line)
        before = machine.memory.line(command.line)
        after = before if command.tube_full else drained(before)
        if after != before:
            if progress is not None:
                progress.drained.add(command.line)
            machine.record(LineRecord(state=after))
            self._tell_line(command.line)

    def take_book(self, book: Book | None, problem: str, inputs: InputReport) -> None:
        """The book's file has been read again; `problem` says why it cannot be used, when it cannot."""
        machine, wanted = self._machine, self.wanted_book
        self.wanted_book = None
        if wanted is None or not self._at_rest("take_book"):
            return
        if book is None:
            self._refuse("take_book", "book_file", problem, remedy="The old book stays in force: correct the file.")
        elif not self._refuse_all("take_book", requests.take_book(book, wanted.mark, machine.situation(inputs))):
            machine.book = book
            machine.record(reading(book, machine.memory, wanted.larger_glasses))
            machine.say(machine.report(inputs))

    def _at_rest(self, what: str) -> bool:
        if self._machine.state in AT_REST:
            return True
        self._refuse_all(what, [self._wrong_state(what, what)])
        return False

    def _tell_line(self, line: int) -> None:
        machine = self._machine
        machine.say(LineChanged(report=machine.line_report(machine.memory.line(line))))


def _tag(command: Command) -> str:
    return str(command.__struct_config__.tag)


def _name(command: Command) -> str:
    """The request's name in a refusal: the operation's id, or the command's tag."""
    if isinstance(command, Start):
        return command.operation.operation
    return command.operation if isinstance(command, Confirm | Unhold) else _tag(command)
