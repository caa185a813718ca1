"""The machine's state with everything it leads to: events to publish, records to write, faults, the operation's end."""

from typing import NamedTuple, Self

from controller.model.book import Book
from controller.model.fields import like
from controller.model.labels import Label, label_in, size_of, strictest
from controller.model.messages import (
    Changed,
    Edge,
    Event,
    FaultLatchedEvent,
    InputReport,
    LineChanged,
    LineReport,
    Report,
    Waiting,
)
from controller.model.profile import Profile
from controller.model.states import Contents, MachineState, Outcome, StopCause
from controller.safety import outcome
from controller.safety.admission import Situation, calibrations
from controller.safety.load import Load
from controller.safety.memory import apply, booked, credited_s
from controller.safety.progress import Progress, Switched
from controller.safety.records import (
    AdmittedRecord,
    ClockRecord,
    EndedRecord,
    Fault,
    FaultRecord,
    LineState,
    Memory,
    Moment,
    Record,
    Stamped,
    UnheldRecord,
)
from controller.safety.states import Trigger, after
from controller.safety.vessel import counts
from controller.safety.weigher import Weigher

WALL_STEP_S = 1.0  # a wall clock that moves by more than this against the monotonic clock was set


class Hold(NamedTuple):
    """Why what runs is held, and what it waits for."""

    waiting: Waiting
    waiting_for: str
    reason: str

    @classmethod
    def for_container(cls, line: int, reason: str) -> Self:
        """Until another container hangs on this line."""
        return cls(Waiting(kind="container", line=line), f"container on line {line}", reason)


class StateMachine:
    """State, memory and the operation under way. Time comes in with `at`; nothing here decides on its own."""

    def __init__(self, profile: Profile, book: Book, memory: Memory, now_s: float, wall_s: float) -> None:
        self.profile = profile
        self.book = book
        self.memory = memory
        self.state = MachineState.ABORTED if memory.fault else MachineState.STOPPED
        self.progress: Progress | None = None
        self.hold: Hold | None = None  # why the operation is held, None while it is not
        self.ending = outcome.Ending(Outcome.DONE)
        self.now_s = now_s
        self.lead_s = 0.0  # from now to the first start of runs that begin now: what the main relay takes
        self.jug_ml = 0.0  # room in the jug that a person has confirmed under the outlet
        self.pressed_s: float | None = None  # when the start button was pressed last
        self.set_down_s: float | None = None  # when the glass that stands there was set down, if that was seen
        self.is_fresh = False  # whether what stood there when something was last poured is gone
        self.load = Load(profile.scale, now_s) if profile.scale else None  # what stands on the scale, if there is one
        self.weigher = Weigher(book, profile.scale.readings_per_s) if profile.scale else Weigher(book)
        self._wall_offset_s = wall_s - now_s
        self._before: Memory | None = None
        self._was_fresh = False
        self._events: list[Event] = []
        self._records: list[Stamped] = []

    def at(self, now_s: float) -> None:
        """Time has come to now_s; it never goes back."""
        self.now_s = max(self.now_s, now_s)

    @property
    def is_weighed(self) -> bool:
        """Whether there is a scale that can be believed now."""
        return self.load is not None and not self.load.doubt(self.now_s)

    @property
    def wall_s(self) -> float:
        """Unix seconds at now_s."""
        return self.now_s + self._wall_offset_s

    @property
    def moment(self) -> Moment:
        """This instant, as records of lines keep it."""
        return Moment(credited_s=credited_s(self.memory, self.now_s), wall_s=self.wall_s)

    def note_wall(self, wall_s: float) -> None:
        """The wall clock shows wall_s at now_s."""
        stepped_s = wall_s - self.wall_s
        self._wall_offset_s += stepped_s
        if abs(stepped_s) > WALL_STEP_S:
            self.record(ClockRecord(stepped_s=stepped_s))

    @property
    def strict_book(self) -> Book:
        """The book with the stricter figures that hold for what hangs on the lines and stands in them."""
        labels = (label for state in self.memory.lines for label in (state.container, state.tube) if label is not None)
        return strictest(self.book, labels, self.memory.glasses)

    def situation(self, inputs: InputReport) -> Situation:
        """What a request is judged by."""
        return Situation(
            profile=self.profile,
            book=self.strict_book,
            memory=self.memory,
            inputs=inputs,
            jug_ml=self.jug_ml,
            is_fresh=self.is_fresh,
            pressed_for_s=None if self.pressed_s is None else self.now_s - self.pressed_s,
            is_weighed=self.is_weighed,
            load_g=self.weigher.standing.settled_g(self.now_s) if self.is_weighed else None,
            stands_for_s=None if self.set_down_s is None else self.now_s - self.set_down_s,
            now_s=self.now_s,
            wall_s=self.wall_s,
        )

    # --- what goes out

    def say(self, event: Event) -> None:
        """Publish once the records made so far are on disk."""
        self._events.append(event)

    def take_events(self) -> list[Event]:
        """The events since the last call."""
        events, self._events = self._events, []
        return events

    def record(self, record: Record) -> None:
        """Remember it and have it written down."""
        stamped = Stamped(mono_s=self.now_s, wall_s=self.wall_s, record=record)
        self.memory = apply(self.memory, stamped)
        self._records.append(stamped)

    def take_records(self) -> list[Stamped]:
        """The records since the last call, oldest first."""
        records, self._records = self._records, []
        return records

    def propose(self, record: AdmittedRecord | UnheldRecord) -> None:
        """Record what may begin only once it is on disk. A jug gets no room back: it may be taken away meanwhile."""
        more_ml = record.volume_ml - (booked(self.memory).volume_ml if isinstance(record, UnheldRecord) else 0.0)
        self._before, self._was_fresh = self.memory, self.is_fresh
        self.record(record)
        under_way = self.memory.unfinished
        into_jug = under_way is not None and not counts(under_way.operation)
        self.jug_ml = max(0.0, self.jug_ml - max(0.0, more_ml)) if into_jug else 0.0
        self.is_fresh = False

    def settle(self) -> None:
        """The last proposal is on disk: there is no way back from it."""
        self._before = None

    def withdraw(self) -> None:
        """The last proposal could not be written: forget it."""
        if self._before is not None:
            self.memory, self._before = self._before, None
            self.is_fresh = self._was_fresh

    # --- state

    def go(self, trigger: Trigger, reason: str = "") -> None:
        """Follow the table; IllegalTransition changes nothing. A state that stays is not announced."""
        following = after(self.state, trigger)
        if following is self.state:
            return
        self.state = following
        operation = self.progress.operation.operation if self.progress else None
        self.say(
            Changed(
                state=following, reason=reason, operation=operation, waiting_for=self.waiting_for, waiting=self.waiting
            )
        )

    @property
    def waiting_for(self) -> str | None:
        """What the held operation waits for, in words."""
        return self.hold.waiting_for if self.hold else None

    @property
    def waiting(self) -> Waiting | None:
        """What kind of thing that is."""
        return self.hold.waiting if self.hold else None

    def stop(self, result: Outcome, reason: str, cause: StopCause) -> None:
        """Everything off; the operation, if any, ends this way."""
        if self.state in (MachineState.STOPPING, MachineState.ABORTING):
            return  # it is ending already; its first reason stands
        self.ending, self.hold = outcome.Ending(result, reason, cause), None
        self.all_off()
        self.go(Trigger.STOP, reason)

    def trip(self, cause: str, text: str) -> None:
        """Everything off, fault latched. The first cause stays until a person has seen to it."""
        self.all_off()
        if self.memory.fault is not None:
            return
        self.ending, self.hold = outcome.Ending(Outcome.FAULTED, text, cause), None
        self.record(FaultRecord(fault=Fault(cause=cause, text=text)))
        self.say(FaultLatchedEvent(cause=cause, text=text))
        self.go(Trigger.ABORT, text)

    def all_off(self) -> None:
        """No channel on from here, and none to come in the present segment."""
        if self.progress:
            self.tell_edges(self.progress.off(self.now_s))

    def tell_edges(self, edges: list[Switched]) -> None:
        """Announce what was switched."""
        if self.progress is None:
            return
        first_s = self.progress.first_s or 0.0
        for edge in edges:
            self.say(
                Edge(
                    operation=self.progress.operation.operation,
                    line=edge.line,
                    is_on=edge.is_on,
                    at_s=edge.at_s - first_s,
                )
            )

    def finish(self, inputs: InputReport) -> None:
        """The operation is over: say so, once it is on disk."""
        if self.progress is None:
            return
        self.book_end(outcome.ended(self.progress, self.ending, self.situation(inputs)))
        self.progress = None

    def book_end(self, record: EndedRecord) -> None:
        """Record the end of an operation and announce it with all that it changed."""
        self.record(record)
        for state in record.lines:
            self.say(LineChanged(report=self.line_report(state)))
        self.say(record.ended)

    # --- reports

    def line_report(self, state: LineState) -> LineReport:
        """One line as others may see it."""
        soaked_s = None if state.soaked_s is None else self.moment.credited_s - state.soaked_s
        return like(
            LineReport,
            state,
            liquid=state.assigned,
            holds=state.holds if state.contents is Contents.LIQUID else None,
            is_on=self.progress is not None and state.line in self.progress.on,
            calibration=calibrations(self.memory).get(state.line),
            opened_wall_s=self._since(state.opened),
            filled_wall_s=self._since(state.filled),
            wetted_wall_s=self._since(state.wetted),
            cleaned_wall_s=self._since(state.cleaned),
            soaked_wall_s=None if soaked_s is None else self.wall_s - soaked_s,
            labels=self._stricter_labels(state),
        )

    def _since(self, moment: Moment | None) -> float | None:
        """When it was by the present wall clock, by its age: whichever clock makes it older counts."""
        return None if moment is None else self.wall_s - moment.age_s(self.moment)

    def _stricter_labels(self, state: LineState) -> tuple[Label, ...]:
        labels = dict.fromkeys(one for one in (state.container, state.tube) if one is not None)
        return tuple(one for one in labels if one != label_in(self.book, one.liquid))

    def report(self, inputs: InputReport) -> Report:
        """The whole machine."""
        known = {line.line for line in self.profile.lines}
        return Report(
            state=self.state,
            fault=self.memory.fault.cause if self.memory.fault else None,
            operation=self.progress.operation.operation if self.progress else None,
            waiting_for=self.waiting_for,
            waiting=self.waiting,
            lines=tuple(self.line_report(state) for state in self.memory.lines if state.line in known),
            inputs=inputs,
            book=self.book.mark,
            glasses=tuple(size_of(one) for one in self.strict_book.glasses if one not in self.book.glasses),
            latest=self.memory.seen[-1] if self.memory.seen else None,
            scale=self.load.report(self.now_s, self.memory.scale) if self.load else None,
        )
