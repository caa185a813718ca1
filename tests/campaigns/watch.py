"""What must hold after every step, judged by the bench's own trace and by what has reached the disk.

Nothing here asks the guard what it believes; what it may do follows from the records that are on disk, from the
messages that reached it, and from the contacts as the bench has them.
"""

import math
from typing import TYPE_CHECKING

import msgspec

from controller.bench.trace import LevelEntry
from controller.guard.sentinel_link import FRESH_S
from controller.model.messages import (
    SILENCE_S,
    Admitted,
    Changed,
    Command,
    Confirm,
    Ended,
    Event,
    Report,
    Stop,
)
from controller.model.plan import Operation
from controller.model.scale import STALE_S
from controller.model.states import Contents, MachineState, OperationKind
from controller.safety.contents import DRAWS_LIQUID
from controller.safety.records import (
    AcknowledgedRecord,
    AdmittedRecord,
    BookRead,
    EndedRecord,
    FaultRecord,
    LineRecord,
    Lost,
    Record,
    Stamped,
    UnheldRecord,
)
from controller.safety.startup import JOURNAL_DAMAGED
from controller.safety.supervisor import Supervisor
from tests.campaigns.amounts import Amounts
from tests.campaigns.licence import Licence, end_to_end
from tests.campaigns.violation import Violation

if TYPE_CHECKING:
    from tests.campaigns.house import House

EPS_S = 1e-6
POLL_S = 0.2  # the longest time between two readings of the contacts
FEED_S = 0.5  # with all channels off, the main relay may stay closed for so long until that is shown
DEAD_S = 1.0  # a guard that is gone: every channel off by then, by the sentinel or by the boot service
FROZEN_S = 0.7  # a guard that stands still: by the sentinel
SETTLING = frozenset({MachineState.HOLDING, MachineState.STOPPING, MachineState.ABORTING, MachineState.COMPLETING})
DRAWS = frozenset({OperationKind.SERVE, OperationKind.PRIME, OperationKind.TRIAL})

_stamped = msgspec.json.Decoder(list[Stamped])


class Watch:
    """Watches one house. Every method raises Violation."""

    def __init__(self, house: "House") -> None:
        self._house = house
        self._caps = house.plot.profile.caps
        self._active = house.plot.profile.relay_board.active_level == "high"
        self._line_at = {line.gpio: line.line for line in house.plot.profile.lines}
        self._main = house.plot.profile.main_relay
        self._seen_entries = 0
        self._is_fed = False  # the main relay's pin
        self.on: dict[int, float] = {}  # line -> since when
        self.licence: Licence | None = None
        self._could_switch = False  # at some moment since the last look
        self._has_fault = False
        self._stop_heard = False
        self._heard_s = -math.inf  # when the engine's last message reached the guard
        self._gone_s: float | None = None
        self._frozen_s: float | None = None
        self._moving_s = 0.0  # since when the guard moves
        self._held_s: float | None = None
        self._allowed_s = 0.0  # when something was allowed to begin or to go on
        self._unsafe_s: dict[str, float | None] = {}
        self._must_own_up = False  # part of the journal is lost
        self._in_motion: dict[int, OperationKind] = {}  # lines that moved when the guard ended, and in what
        self.admitted: dict[str, AdmittedRecord] = {}  # on disk
        self.ended: dict[str, EndedRecord] = {}
        self.amounts = Amounts(house)

    # --- what happens

    def waited(self, for_s: float) -> None:
        """The guard stood still while the disk was written, with every channel off: nobody was silent meanwhile."""
        self._heard_s += for_s

    def wrote(self, body: bytes) -> None:
        """An entry has reached the disk."""
        self._scan()
        for stamped in _stamped.decode(body):
            self._wrote(stamped.record)

    def _wrote(self, record: Record) -> None:
        match record:
            case AdmittedRecord(operation=operation):
                self._admit(record, operation)
            case UnheldRecord(operation=name, runs=runs):
                if self.licence is None or self.licence.operation.operation != name:
                    raise Violation(f"{name} goes on, but nothing of it is under way")
                self.licence.add(runs)
                self._allow()
            case EndedRecord(ended=ended):
                if ended.operation in self.ended:
                    raise Violation(f"{ended.operation} has ended twice")
                self.ended[ended.operation] = record
                self.amounts.end(record)
                self.licence = self._held_s = None
            case FaultRecord():
                self._has_fault = True
            case AcknowledgedRecord():
                self._has_fault = False
            case LineRecord(state=state):
                self._house.assigned[state.line] = state.assigned
                self._house.bottles.hung(state)
            case BookRead():
                self._house.bottles.read(record)
            case Lost(lines=lines):
                self._house.bottles.lost()
                self._house.assigned.update({state.line: state.assigned for state in lines})

    def _admit(self, record: AdmittedRecord, operation: Operation) -> None:
        if operation.operation in self.admitted:
            raise Violation(f"{operation.operation} was admitted twice")
        if self.licence is not None:
            raise Violation(f"{operation.operation} was admitted while {self.licence.operation.operation} is open")
        if self._has_fault:
            raise Violation(f"{operation.operation} was admitted while a fault is latched")
        self.admitted[operation.operation] = record
        self.licence, self._stop_heard = Licence(operation), False
        self.licence.add(end_to_end(operation))
        self.amounts.begin(operation)
        if operation.segments[0].hand is None:
            self._allow()

    def _allow(self) -> None:
        if self.licence is not None:
            self.licence.may_switch = self._could_switch = True
            self._allowed_s = self._house.now_s

    def lost_journal(self) -> None:
        """Part of the journal is gone, and nobody can be held to what was on it."""
        self._must_own_up = True
        self._house.bottles.lost()
        self.admitted.clear()
        self.ended.clear()
        self.licence = None

    def delivered(self, client: str, command: Command) -> None:
        """A message is about to reach the guard."""
        if client in self._house.guard_process.connections:
            self._heard_s = self._house.now_s
        if isinstance(command, Stop):
            self._stop_heard = True
        if isinstance(command, Confirm) and self._held_s is not None:
            licence = self.licence
            if licence is not None and licence.operation.operation == command.operation:
                self._allow()

    def parted(self) -> None:
        """The guard has seen a connection end: whatever was held is over."""
        self._held_s = None

    def published(self, event: Event) -> None:
        """The guard says something to whoever listens."""
        match event:
            case Admitted(operation=name):
                if name not in self.admitted:
                    raise Violation(f"{name} was reported admitted, but is not on disk")
            case Changed(state=state):
                self._held_s = self._house.now_s if state is MachineState.HELD else None
                if state in SETTLING and self.licence is not None:
                    self.licence.may_switch = False
            case Report():
                self._check_unknown(event)
                self._house.bottles.check(event)
            case Ended():
                self.amounts.tell(event)

    def guard_began(self, core: Supervisor) -> None:
        """A new guard has read its journal: what it has lost it must say."""
        memory = core.memory
        must, self._must_own_up = self._must_own_up, False
        is_certain = any(state.contents is not Contents.UNKNOWN or state.assigned is not None for state in memory.lines)
        if must and (is_certain or memory.fault is None or memory.fault.cause != JOURNAL_DAMAGED):
            raise Violation(f"part of the journal is lost, and the guard says {memory.fault}, {memory.lines}")

    def guard_begins(self) -> None:
        """A new guard opens the board."""
        self._gone_s, self._moving_s, self._held_s = None, self._house.now_s, None

    def guard_gone(self) -> None:
        """It is dead: its licence is void, and what was moving is not known any more."""
        self._scan()
        self._gone_s, self._frozen_s, self._held_s = self._house.now_s, None, None
        self._could_switch = False
        self.amounts.disturb()
        licence = self.licence
        if licence is not None:
            self._in_motion |= dict.fromkeys([*licence.on_s, *self.on], licence.operation.kind)
            licence.may_switch = False

    def froze(self) -> None:
        """The guard stands still."""
        self._frozen_s = self._house.now_s
        self.amounts.disturb()

    def thawed(self) -> None:
        """It runs on."""
        self._frozen_s, self._moving_s = None, self._house.now_s

    # --- after every step

    def look(self, *, acted: bool) -> None:
        """Check everything; acted: whether the guard has done something in this step."""
        self._scan()
        self._note_contacts()
        if self.on or self._is_fed:
            self._check_alone()
        if acted and self._gone_s is None:
            self._check_after_its_turn()
        self._could_switch = self.licence is not None and self.licence.may_switch

    @property
    def _obeying(self) -> list[int]:
        """Lines that are on and could be switched off; line 0 is the main relay."""
        lines = [line for line in sorted(self.on) if not self._house.is_deaf(line)]
        return [0, *lines] if self._is_fed else lines

    @property
    def _silence_s(self) -> float:
        """How long the engine may be silent with what is on now."""
        return SILENCE_S if self.on else SILENCE_S + FEED_S

    def _check_alone(self) -> None:
        """What holds whatever the guard does, for as long as a channel is on."""
        now_s, jitter_s, on = self._house.now_s, self._house.plot.jitter_s, self._obeying
        if not on:
            return
        if self._gone_s is not None:
            if now_s > self._gone_s + DEAD_S + EPS_S:
                raise Violation(f"on {now_s - self._gone_s:.3f} s after the guard's end: lines {on}")
        elif self._frozen_s is not None:
            if now_s > self._frozen_s + FROZEN_S + EPS_S:
                raise Violation(f"on {now_s - self._frozen_s:.3f} s after the guard froze: lines {on}")
        elif now_s > max(self._heard_s + self._silence_s, self._moving_s) + jitter_s + EPS_S:
            raise Violation(f"on {now_s - self._heard_s:.3f} s after the engine's last word: lines {on}")

    def _check_after_its_turn(self) -> None:
        now_s, on = self._house.now_s, self._obeying
        if on:
            licence = self.licence
            if licence is None or self._has_fault or self._stop_heard:
                raise Violation(f"lines {on} are on, licence {licence}, fault {self._has_fault}")
            for line in on[1:] if self._is_fed else on:
                ran_s = now_s - self.on[line]
                if ran_s > licence.longest_s[line] + self._house.plot.jitter_s + EPS_S:
                    raise Violation(f"line {line} is on for {ran_s:.6f} s, allowed are {licence.longest_s[line]:.6f} s")
            if now_s >= self._heard_s + self._silence_s + EPS_S:
                raise Violation(f"on although the engine was silent for {now_s - self._heard_s:.3f} s")
            self._check_contacts(licence.operation.kind)
        self._stop_heard = False
        held_s = self._caps.held_s
        late_s = self._house.plot.jitter_s + EPS_S
        if self._held_s is not None and now_s > max(self._held_s + held_s, self._moving_s) + late_s:
            raise Violation(f"held for {now_s - self._held_s:.3f} s, allowed are {held_s:.3f} s")

    # --- contacts

    def _note_contacts(self) -> None:
        """Since when each contact has been in its unsafe position without a break, as the pins have it."""
        inputs, closed = self._house.plot.profile.inputs, self._house.plant.contacts()
        unsafe = {"stop": not closed["stop"]}
        if inputs.glass is not None:
            unsafe["glass"] = closed["glass"] == (inputs.glass.contact == "normally_closed")
        for level in inputs.levels:
            unsafe[f"level {level.line}"] = closed[f"level {level.line}"] == (level.contact == "normally_open")
        for name, is_unsafe in unsafe.items():
            if not is_unsafe:
                self._unsafe_s[name] = None
            elif self._unsafe_s.get(name) is None:
                self._unsafe_s[name] = self._house.now_s

    def _check_contacts(self, kind: OperationKind) -> None:
        inputs = self._house.plot.profile.inputs
        self._check_unheard(kind)
        limits = {"stop": inputs.stop.debounce_s}
        if inputs.glass is not None and kind is OperationKind.SERVE:
            limits["glass"] = inputs.glass.debounce_s
        if kind in DRAWS:
            limits |= {f"level {one.line}": one.debounce_s for one in inputs.levels if one.line in self.on}
        for name, debounce_s in limits.items():
            since_s = self._unsafe_s.get(name)
            if since_s is None:
                continue
            unsafe_s = self._house.now_s - max(since_s, self._moving_s)
            if unsafe_s > debounce_s + POLL_S + 2 * self._house.plot.jitter_s + EPS_S:
                raise Violation(f"lines {sorted(self.on)} are on {unsafe_s:.3f} s after the {name} contact told")

    def _check_unheard(self, kind: OperationKind) -> None:
        """Where the scale alone sees the glass, nothing is served while it cannot be heard."""
        profile, unheard_s = self._house.plot.profile, self._house.unheard_s
        if profile.scale is None or profile.inputs.glass is not None or kind is not OperationKind.SERVE:
            return
        if unheard_s is not None:
            unheard_s = self._house.now_s - max(unheard_s, self._moving_s)
            if unheard_s > STALE_S + POLL_S + 2 * self._house.plot.jitter_s + EPS_S:
                raise Violation(f"lines {sorted(self.on)} are on, and the scale was not heard for {unheard_s:.3f} s")

    # --- pins

    def _scan(self) -> None:
        """Take in what the pins have done since the last time."""
        trace = self._house.plant.trace
        new = trace.count - self._seen_entries
        if not new:
            return
        self._seen_entries = trace.count
        for entry in list(trace.entries)[-new:]:
            if not isinstance(entry, LevelEntry):
                continue
            if self._main is not None and entry.gpio == self._main.gpio:
                self._switched_feed(entry, entry.level == (self._main.active_level == "high"))
            elif entry.gpio in self._line_at:
                is_on, line = entry.level == self._active, self._line_at[entry.gpio]
                if is_on and line not in self.on:
                    self._switched_on(line, entry)
                elif not is_on and line in self.on:
                    self._switched_off(line, entry.at_s)

    def _switched_feed(self, entry: LevelEntry, is_fed: bool) -> None:
        if is_fed and not self._is_fed and (entry.holder != self._house.guard_process.holder or self.licence is None):
            raise Violation(f"the main relay was closed by {entry.holder}, licence {self.licence}")
        self._is_fed = is_fed

    def _switched_on(self, line: int, entry: LevelEntry) -> None:
        house, licence = self._house, self.licence
        if entry.holder != house.guard_process.holder:
            raise Violation(f"line {line} was switched on by {entry.holder}")
        if licence is None or not (licence.may_switch or self._could_switch):
            raise Violation(f"line {line} was switched on without leave: {licence}")
        if line not in licence.longest_s:
            raise Violation(f"line {line} was switched on, which is no part of {licence.operation.operation}")
        sentinel = house.sentinel
        if sentinel.is_frozen and sentinel.frozen_s < self._allowed_s - FRESH_S:
            raise Violation(f"line {line} was switched on, and the sentinel was frozen before that was asked for")
        gap_s = entry.at_s - max(self.on.values(), default=-math.inf)
        if gap_s < self._caps.start_gap_s - EPS_S:
            raise Violation(f"line {line} started {gap_s:.4f} s after another, the cap is {self._caps.start_gap_s} s")
        if not licence.is_begun:
            licence.is_begun = True
            self.amounts.first_start(licence.operation, entry.at_s)
        self.on[line] = entry.at_s
        self.amounts.switched(self.on, entry.at_s)
        house.tell(f"line {line} on")

    def _switched_off(self, line: int, at_s: float) -> None:
        ran_s = at_s - self.on.pop(line)
        self._house.tell(f"line {line} off after {ran_s:.3f} s")
        self.amounts.ran(line, at_s - ran_s, at_s)
        licence = self.licence
        if licence is not None:
            licence.on_s[line] = licence.on_s.get(line, 0.0) + ran_s
            over_s = licence.on_s[line] - licence.whole_s[line]
            if over_s > self.amounts.overrun_s + EPS_S and line not in self._house.unsound:
                raise Violation(f"line {line} was on {over_s:.4f} s longer than all its runs together")

    # --- after a restart

    def _check_unknown(self, report: Report) -> None:
        for state in report.lines:
            kind = self._in_motion.get(state.line)
            # A tube that was full of its own liquid, and drew more of it, still is; nothing else is certain.
            allowed = {Contents.UNKNOWN, Contents.LIQUID} if kind in DRAWS_LIQUID else {Contents.UNKNOWN}
            if kind is not None and state.contents not in allowed:
                raise Violation(f"line {state.line} was in motion when the guard ended, and counts as {state.contents}")
        self._in_motion.clear()
