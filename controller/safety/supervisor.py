"""The guard's core: pure. It takes the time, the contacts and what clients say; it answers with levels and events.

The loop around it keeps one order: switch the levels (offs first), put `take_records()` on disk, publish the events.
An operation begins only when the loop says that its record is on disk (`recorded`).
"""

import math
from collections.abc import Iterable, Mapping

from msgspec.structs import replace

from controller.model.book import Book
from controller.model.messages import (
    SILENCE_S,
    Admitted,
    ButtonPressed,
    Command,
    Event,
    InputReport,
    InputsChanged,
    Waiting,
)
from controller.model.profile import Profile
from controller.model.scale_datagram import RawReading
from controller.model.states import MachineState as S
from controller.model.states import Outcome
from controller.model.wiring import StopContact
from controller.safety import weighed_watch
from controller.safety.commands import Desk
from controller.safety.holding import hold_due
from controller.safety.input_rules import refuse
from controller.safety.inputs import Contacts
from controller.safety.lift import Lift
from controller.safety.machine import Hold, StateMachine
from controller.safety.outcome import Ending
from controller.safety.plausibility import Feedback
from controller.safety.progress import Progress
from controller.safety.records import Memory, Note, Stamped
from controller.safety.startup import wake
from controller.safety.states import SWITCHING_OFF, Trigger

# A channel switched off later than this is a fault: the loop was not running when it had to. Starts that come later
# than this, taken together, end the operation.
LATE_S = 0.1
STOP_PRESSED, INPUTS, LATE, BOARD, JOURNAL = "stop pressed", "inputs", "late", "board", "journal"  # causes of faults
PASSING = frozenset({S.COMPLETE, S.RESETTING})  # left by themselves
LEFT_AT_ONCE = SWITCHING_OFF | PASSING
FED = frozenset({S.EXECUTE, S.COMPLETING})  # the main relay is closed; COMPLETING lasts until no current flows


class Supervisor:
    """Decides which lines are on. Reads no clock, file, socket or pin; every method takes the monotonic time."""

    def __init__(
        self,
        profile: Profile,
        book: Book,
        memory: Memory,
        *,
        now_s: float,
        wall_s: float,
        boot: str = "",
        damage: str = "",
        snapshot: bool = False,
    ) -> None:
        """Wake with this memory; damage: what of the journal could not be read; snapshot: whether to sum it up."""
        self._contacts = Contacts(profile.inputs)
        self._inputs = self._contacts.report()
        self._seen: tuple[InputReport, bool | None, bool | None] | None = None  # what the inputs were made of
        self._machine = StateMachine(profile, book, memory, now_s, wall_s)
        self._feedback = Feedback(profile, now_s)
        self._machine.lead_s = self._feedback.lead_s
        self._desk = Desk(self._machine)
        self._troubles: dict[str, str] = {}  # what the loop has reported and not yet taken back
        self._blocks: dict[str, str] = {}  # what is missing for any operation; not a fault
        self._held_s = 0.0
        self._lift = Lift()
        self._shown_off = False
        self.due_s: tuple[float, ...] = ()  # when the edges of the last `advance` should have been
        wake(self._machine, self._inputs, boot=boot, damage=damage, snapshot=snapshot)

    @property
    def state(self) -> S:
        """The present machine state."""
        return self._machine.state

    @property
    def memory(self) -> Memory:
        """All that must survive a restart."""
        return self._machine.memory

    @property
    def is_heard(self) -> bool:
        """Whether any client has said hello."""
        return self._desk.has_clients

    @property
    def is_under_way(self) -> bool:
        """Whether there is an operation."""
        return self._machine.progress is not None

    @property
    def proposal(self) -> str | None:
        """The operation that waits for `recorded` or `record_failed`."""
        progress = self._machine.progress
        waits = self.state in (S.STARTING, S.UNHOLDING)
        return progress.operation.operation if progress and waits else None

    @property
    def next_edge_s(self) -> float:
        """When the next channel is to be switched (s); infinity when none is."""
        progress = self._machine.progress
        may_switch = self.state is S.EXECUTE and self._feedback.is_proven
        return progress.next_s if progress and may_switch else math.inf

    @property
    def is_fed(self) -> bool:
        """Whether the main relay, where there is one, must be closed; decided by `advance`."""
        return self._feedback.is_fed

    @property
    def look_s(self) -> float:
        """When a fresh reading of the contacts is wanted at the latest (s)."""
        return min(self._contacts.look_s, self._feedback.look_s)

    def take_records(self) -> list[Stamped]:
        """What must be on disk before the events returned so far are published."""
        return self._machine.take_records()

    def sum_up(self, now_s: float) -> None:
        """Record the memory as a whole: what was recorded before it is not needed any more."""
        self._machine.at(now_s)
        self._machine.record(self._machine.memory)

    def note_wall(self, now_s: float, wall_s: float) -> None:
        """The wall clock shows wall_s at now_s."""
        self._machine.at(now_s)
        self._machine.note_wall(wall_s)

    # --- from clients

    def receive(self, now_s: float, client: str, command: Command, *, damage: str = "") -> list[Event]:
        """One command of one client; refusals and reports among the events are for that client only.

        damage: with the hello of an engine, what the journal must have lost by what the engine has heard.
        """
        self._machine.at(now_s)
        troubles = self._blocks | self._troubles | self._present()
        self._desk.receive(client, command, self._inputs, troubles, damage)
        return self._machine.take_events()

    @property
    def wants_book(self) -> bool:
        """Whether the book's file is to be read again; `take_book` brings what came of it."""
        return self._desk.wanted_book is not None

    def take_book(self, now_s: float, book: Book | None, problem: str = "") -> list[Event]:
        """The book as its file has it now; None when it cannot be used, and why."""
        self._machine.at(now_s)
        self._desk.take_book(book, problem, self._inputs)
        self._machine.weigher.standing.know(self._machine.book)
        return self._machine.take_events()

    def client_gone(self, now_s: float, client: str) -> list[Event]:
        """A client's connection is closed; when it was the engine's, everything goes off."""
        self._machine.at(now_s)
        if self._desk.forget(client) and self.is_under_way:
            self._machine.stop(Outcome.ABORTED, "engine connection lost", "engine")
        return self._machine.take_events()

    # --- from the loop

    def stood_still(self, for_s: float) -> None:
        """The loop could hear nobody for so long, with every channel off: that was no silence of the engine."""
        self._desk.beat_s += for_s

    def recorded(self, now_s: float, operation: str) -> list[Event]:
        """The record that allows this operation to begin or to go on is on disk, and a sentinel watches."""
        machine, progress = self._machine, self._machine.progress
        machine.at(now_s)
        if progress is None or self.proposal != operation:
            return []
        machine.settle()
        if self.state is S.STARTING:
            machine.say(Admitted(operation=operation, kind=progress.operation.kind))
            machine.go(Trigger.DONE)
            self._enter_segment()
        else:
            machine.go(Trigger.DONE)
            weighed_watch.begin(machine, self._desk.resumed_runs)
            progress.begin(machine.now_s + machine.lead_s, self._desk.resumed_runs)
        return machine.take_events()

    def record_failed(self, now_s: float, text: str) -> list[Event]:
        """The record could not be written: nothing begins."""
        machine, progress = self._machine, self._machine.progress
        machine.at(now_s)
        if progress is None or self.proposal is None:
            return []
        machine.withdraw()
        reason = f"the journal cannot be written: {text}"
        remedy = "Free some disk space or repair the disk; nothing is pumped until then."
        machine.say(refuse(progress.operation.operation, "journal", reason, remedy=remedy))
        if self.state is S.STARTING:
            machine.progress = None
        machine.stop(Outcome.ABORTED, "the journal cannot be written", "journal")
        return machine.take_events()

    def trouble(self, now_s: float, cause: str, text: str) -> list[Event]:
        """The loop cannot do its part (cause: BOARD or JOURNAL): everything off, fault latched."""
        self._machine.at(now_s)
        self._troubles[cause] = text
        self._machine.trip(cause, text)
        return self._machine.take_events()

    def block(self, now_s: float, cause: str, text: str) -> list[Event]:
        """Something that every operation needs is missing: what is under way ends, and nothing begins."""
        self._machine.at(now_s)
        self._blocks[cause] = text
        self._machine.record(Note(text=text))
        self._machine.stop(Outcome.ABORTED, text, "sentinel")
        return self._machine.take_events()

    def unblock(self, cause: str) -> None:
        """It is there again."""
        self._blocks.pop(cause, None)

    def end(self, now_s: float, reason: str) -> list[Event]:
        """The process is about to end: what is under way ends as stopped."""
        self._machine.at(now_s)
        if self.is_under_way:
            self._machine.stop(Outcome.STOPPED, reason, "service")
        return self._machine.take_events()

    def sound(self, cause: str) -> None:
        """The loop can do its part again. The fault stays until it is acknowledged."""
        self._troubles.pop(cause, None)

    def weigh(self, now_s: float, raw: Iterable[RawReading]) -> list[Event]:
        """The scale's readings since the last call, none when none have come."""
        machine = self._machine
        machine.at(now_s)
        weighed_watch.take(machine, raw)
        return machine.take_events()

    def advance(self, now_s: float, contacts: Mapping[str, bool] | None = None) -> tuple[frozenset[int], list[Event]]:
        """Time has come to now_s; contacts: a fresh reading (name -> closed), None when there is none this time.

        Returns the lines that must be on, and the events. Every other line must be off.
        """
        machine = self._machine
        machine.at(now_s)
        if contacts is not None:
            self._contacts.read(machine.now_s, contacts)
            self._feedback.read(machine.now_s, self._contacts.current_flows)
            for button in self._contacts.pressed:
                machine.pressed_s = machine.now_s
                machine.say(ButtonPressed(button=button))
        self.due_s = ()
        seen = self._contacts.report()
        self._lift.note(machine, is_absent=self._contacts.settled and weighed_watch.glass_absent(machine, seen))
        self._tell_inputs(weighed_watch.glass_present(machine, seen))
        self._watch()
        self._settle()
        self._run()
        levels = machine.progress.on if machine.progress and self.state is S.EXECUTE else frozenset()
        self._shown_off = self.state in SWITCHING_OFF
        self._feedback.switched(machine.now_s, levels, is_fed=self.state in FED)
        machine.lead_s = self._feedback.lead_s
        return levels, machine.take_events()

    def next_deadline_s(self) -> float:
        """When `advance` must be called again (s); infinity when only a message or a contact can change anything."""
        machine, progress = self._machine, self._machine.progress
        deadline_s = self.look_s
        if self._asks_feedback:
            return min(deadline_s, self._contacts.stale_s)
        if self.state in LEFT_AT_ONCE or (self.state is S.STOPPED and self._is_ready):
            return machine.now_s
        if progress is None:
            return deadline_s
        deadline_s = min(deadline_s, self._desk.beat_s + SILENCE_S, self._contacts.stale_s)
        if self.state is S.HELD:
            return min(deadline_s, self._held_until_s(progress))
        return min(deadline_s, self.next_edge_s)

    # --- watching

    def _present(self) -> dict[str, str]:
        """Causes of faults that are there at this moment."""
        present = {}
        if self._contacts.stop_open:
            present[STOP_PRESSED] = StopContact.role.reason
        doubt = self._contacts.doubt(self._machine.now_s, moving=self.is_under_way)
        if doubt:
            present[INPUTS] = doubt
        return present | self._feedback.broken()

    @property
    def is_weighing(self) -> bool:
        """Whether the scale is wanted at its full pace though nothing is under way."""
        return self._machine.weigher.is_watching(self._machine.now_s)

    def _tell_inputs(self, glass: bool | None) -> None:
        machine, contacts = self._machine, self._contacts.report()
        fresh = None if glass is None else machine.memory.is_glass_fresh
        seen = (contacts, glass, fresh)
        if seen == self._seen:
            return
        self._seen = seen
        inputs = replace(contacts, glass_present=glass, fresh_glass=fresh)
        if inputs != self._inputs:
            self._inputs = inputs
            machine.say(InputsChanged(inputs=inputs))

    def _watch(self) -> None:
        machine, progress = self._machine, self._machine.progress
        for cause, text in (self._present() | self._troubles | weighed_watch.faults(machine)).items():
            machine.trip(cause, text)
        if progress is None or self.state in SWITCHING_OFF:
            return
        if machine.now_s >= self._desk.beat_s + SILENCE_S:
            machine.stop(Outcome.ABORTED, f"no heartbeat from the engine for {SILENCE_S:g} s", "silence")
        elif self.state is S.HELD and machine.now_s >= self._held_until_s(progress):
            held_s = self._held_until_s(progress) - self._held_s
            machine.stop(Outcome.ABORTED, f"held for {held_s:g} s, waiting for {machine.waiting_for}", "waited")
        elif self.state is S.EXECUTE and (hold := hold_due(machine, self._inputs)) is not None:
            self._hold(hold)

    def _held_until_s(self, progress: Progress) -> float:
        """When a hold ends the operation: a hand step may have a time of its own."""
        within_s = None if progress.is_begun else progress.present.within_s
        return self._held_s + (self._machine.profile.caps.held_s if within_s is None else within_s)

    def _hold(self, hold: Hold) -> None:
        machine = self._machine
        machine.all_off()
        machine.hold = hold
        machine.go(Trigger.HOLD, hold.reason)

    # --- states that are left by themselves

    @property
    def _is_ready(self) -> bool:
        return self._contacts.settled and not (self._blocks or self._troubles or self._present())

    @property
    def _asks_feedback(self) -> bool:
        """Whether what is done must still be shown to have gone off before the main relay opens."""
        return self.state is S.COMPLETING and self._shown_off and self._feedback.is_open_question

    def _settle(self) -> None:
        machine = self._machine
        if self._asks_feedback:
            return
        if self.state in SWITCHING_OFF and self._shown_off:
            if self.state is S.HOLDING:
                self._held_s = machine.now_s
            else:
                machine.finish(self._inputs)
            machine.go(Trigger.DONE, machine.waiting_for or "")
        if self.state is S.COMPLETE or (self.state is S.STOPPED and self._is_ready):
            machine.go(Trigger.RESET)
        if self.state is S.RESETTING:
            machine.go(Trigger.DONE)

    # --- runs

    def _enter_segment(self) -> None:
        """Begin the present segment, or hold until a person has done its hand step."""
        machine, progress = self._machine, self._machine.progress
        if progress is None:
            return
        segment = progress.present
        if segment.hand is not None:
            self._hold(Hold(Waiting(kind="step"), segment.hand, "a hand step is due"))
        else:
            weighed_watch.begin(machine, segment.runs)
            progress.begin(machine.now_s + machine.lead_s, segment.runs)

    def _run(self) -> None:
        machine, progress = self._machine, self._machine.progress
        if progress is None or self.state is not S.EXECUTE or not self._feedback.is_proven:
            return
        edges = progress.step(machine.now_s, LATE_S)
        self.due_s = tuple(edge.due_s for edge in edges)
        machine.tell_edges(edges)
        late_s = max((edge.at_s - edge.due_s for edge in edges if not edge.is_on), default=0.0)
        if late_s > LATE_S:
            machine.trip(LATE, f"a channel was switched off {late_s:.3f} s late")
        elif progress.late_s > LATE_S:
            text = f"starts came {progress.late_s:.3f} s late: the computer was busy elsewhere"
            machine.stop(Outcome.ABORTED, text, "busy")
        elif progress.is_through and machine.weigher.search is None:
            if progress.is_last:
                machine.ending = Ending(Outcome.DONE)
                machine.go(Trigger.DONE)
            else:
                progress.enter_next()
                self._enter_segment()
