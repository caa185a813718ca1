"""The person at a rehearsed machine: lets time pass, hangs containers, primes, sees faults and repairs them.

A host knows what people know: what engine and guard say, and what the eye sees, such as an empty container or a drink
that is short. Only the record looks further into the bench.
"""

import math
from bisect import insort
from collections.abc import Callable, Collection, Mapping, Sequence
from functools import partial

import msgspec

from controller.bench.faults import InjectedFault
from controller.bench.fluids import CLEANER
from controller.model.evening import CloseRequest, EmptyRequest
from controller.model.event import GuestEvent
from controller.model.messages import Changed, Ended, Event, FaultLatchedEvent, Refusal
from controller.model.requests import AcknowledgeRequest, AssignRequest, LineRequest
from controller.model.states import MachineState
from controller.model.views import OperationView
from controller.rehearsal.closing import Stuck, carry_out
from controller.rehearsal.evening_faults import PlannedFault
from controller.rehearsal.evening_record import ContainerChange, Trouble
from controller.rehearsal.virtual_machine import VirtualMachine
from controller.rehearsal.weighing import JAR_ML

PERSON = "rehearsal"
SEEN_EMPTY_ML = 1.0  # a container with less is seen to be empty
LONGEST_S = 900.0  # no operation takes longer, holds included
AT_REST = (MachineState.IDLE, MachineState.ABORTED)


class Attendant:
    """Acts on a machine in the event's time (s after its start). lines: liquid -> where it hangs.

    stock: liquid -> sizes of its containers, mL.

    machine: makes the machine, given what listens to the guard's events.

    `opens_in` must be called once the machine is ready for the event.
    """

    def __init__(
        self,
        event: GuestEvent,
        lines: Mapping[str, tuple[int, ...]],
        stock: Mapping[str, tuple[float, ...]],
        faults: Sequence[PlannedFault],
        machine: Callable[..., VirtualMachine],
    ) -> None:
        self.event, self.lines, self.stock = event, lines, stock
        self.liquids = {line: liquid for liquid, each in lines.items() for line in each}
        self.used = dict.fromkeys(stock, 0)
        self.changes: list[ContainerChange] = []
        self.troubles: list[Trouble] = []
        self._coming: list[tuple[float, Callable[[], None]]] = []  # when, in the event's time, and what happens then
        for one in faults:
            self.expect(one.at_s, partial(self._inject, one.fault))
        self._present: list[tuple[int, InjectedFault]] = []  # place in troubles, fault
        self._opened_s = math.inf  # the machine's clock at the event's start
        self._latched: str | None = None
        self._has_news = False
        self.machine = machine(listen=self.hear)

    def hear(self, event: Event) -> None:
        """Every event of the guard."""
        if isinstance(event, FaultLatchedEvent):
            self._latched = event.cause
            now_s = self.now_s
            trouble = Trouble(at_s=now_s, what=event.text, noticed_s=now_s, repaired_s=None, how="latched by the guard")
            self.troubles.append(trouble)
        self._has_news = self._has_news or isinstance(event, Changed | Ended | Refusal | FaultLatchedEvent)

    # --- time

    @property
    def now_s(self) -> float:
        """In the event's time; infinitely long before it until it is near."""
        return self.machine.clock.now_s() - self._opened_s

    def opens_in(self, seconds: float) -> None:
        """The event starts so many seconds from now."""
        self._opened_s = self.machine.clock.now_s() + seconds

    def expect(self, at_s: float, happens: Callable[[], None]) -> None:
        """Something happens at at_s, in the event's time, whatever the host does then."""
        insort(self._coming, (at_s, happens), key=lambda one: one[0])

    def pass_time(self, seconds: float) -> None:
        """Let so many seconds (>= 0) pass."""
        clock = self.machine.clock
        end_s = clock.now_s() + seconds
        while self._coming and self._opened_s + self._coming[0][0] <= end_s:
            self.machine.pass_time(max(0.0, self._opened_s + self._coming[0][0] - clock.now_s()))
            self._coming.pop(0)[1]()
        self.machine.pass_time(max(0.0, end_s - clock.now_s()))

    def pass_until(self, at_s: float) -> None:
        """Let time pass until at_s, if that is yet to come."""
        self.pass_time(max(0.0, at_s - self.now_s))

    def _until(self, is_reached: Callable[[], bool], within_s: float) -> None:
        """As the machine's run_until; faults come about on the way."""
        clock = self.machine.clock
        end_s = clock.now_s() + within_s
        while self._coming and self._opened_s + self._coming[0][0] <= end_s:
            due_s = max(clock.now_s(), self._opened_s + self._coming[0][0])
            self.machine.run_until(lambda: is_reached() or clock.now_s() >= due_s, due_s - clock.now_s())  # noqa: B023
            if clock.now_s() < due_s:
                return
            self._coming.pop(0)[1]()
        self.machine.run_until(is_reached, end_s - clock.now_s())

    # --- operations

    def follow(self, operation: str) -> OperationView:
        """Do what the operation waits for, until it is over and the machine at rest or in a fault."""
        view = self._next(operation)
        while not view.refused and view.outcome is None:
            if view.waiting is not None and view.waiting.line is not None:
                self._exchange_while_held(operation, view.waiting.line)
            elif view.waiting is not None and view.waiting.is_for_a_person:
                self.pass_time(self.event.handling.hand_step_s)
                if self.machine.engine.operation(operation).waiting_for is not None:
                    self.machine.engine.confirm(operation)
            view = self._next(operation)
        self._until(lambda: self.machine.engine.status().state in AT_REST, LONGEST_S)
        self.pass_time(self.event.handling.hand_step_s * len(view.afterwards))
        return view

    def _next(self, operation: str) -> OperationView:
        """The operation when next something has happened to it."""
        self._has_news = False
        try:
            self._until(lambda: self._has_news, LONGEST_S)
        except TimeoutError as error:
            raise Stuck(f"operation {operation} did not end: {self.machine.engine.operation(operation)}") from error
        return self.machine.engine.operation(operation)

    def run_lines(self, request: LineRequest) -> OperationView:
        """Prime, purge, clean or rinse into a jug of its own."""
        self.machine.plant.place_glass(brim_ml=JAR_ML)
        self.pass_time(1.0)
        view = self.follow(self.machine.engine.run_lines(request).operation)
        self.pass_time(1.0)
        self.machine.plant.lift_glass()
        return view

    # --- containers

    def hang_first(self) -> None:
        """The first container of every liquid, and prime from it."""
        for line, liquid in self.liquids.items():
            self._hang(liquid, line)
        self.run_lines(LineRequest(kind="prime", lines=tuple(self.liquids), jug=True))

    def shortage(self, liquid: str, volume_ml: float) -> tuple[int, str] | None:
        """The line whose container must be changed before the next dose of this liquid, and why; None for none."""
        inputs, stock = self.machine.engine.status().inputs, self.machine.engine.stock
        low = () if inputs is None else inputs.low_lines
        lines = self.lines[liquid]
        bad = {line: "low by its contact" for line in lines if line in low}
        bad |= {line: "empty to the eye" for line in lines if self.machine.plant.container_ml(line) < SEEN_EMPTY_ML}
        if bad and (self.has_another(liquid) or len(bad) == len(lines)):
            return next(iter(bad.items()))
        left_ml = {line: stock.view(line).sure_ml for line in lines}
        for line in (one for one in bad if left_ml[one] > 0.0):  # its twins go on without it
            stock.empty(EmptyRequest(line=line))
            left_ml[line] = 0.0
        emptiest = min(left_ml, key=lambda line: left_ml[line])
        return (emptiest, "too little left for a dose") if sum(left_ml.values()) < volume_ml else None

    def has_another(self, liquid: str) -> bool:
        """Whether there is an unopened container of this liquid."""
        return self.used[liquid] < len(self.stock[liquid])

    def change(self, line: int, why: str) -> None:
        """Hang the line's next container and prime from it; needs one, and an empty place under the funnel."""
        begun_s, liquid = self.now_s, self.liquids[line]
        self._note_change(line, why)
        self._hang(liquid, line)
        for place, fault in tuple(self._present):
            if fault.kind == "container empty" and fault.line == line:
                self._clear(place, fault, begun_s, why)
        self.run_lines(LineRequest(kind="prime", lines=(line,), jug=True))
        self.pass_until(begun_s + self.event.handling.container_s)

    def _hang(self, liquid: str, line: int) -> None:
        container_ml = self.stock[liquid][self.used[liquid]]
        self.used[liquid] += 1
        self.machine.plant.hang(line, liquid, container_ml)
        self.machine.engine.assign(AssignRequest(line=line, liquid=liquid, container_ml=container_ml))
        self.pass_time(0.1)

    def _exchange_while_held(self, operation: str, line: int) -> None:
        """A drink is held because its container is low: hang the next and go on; without one, the drink is stopped."""
        liquid = self.liquids[line]
        if not self.has_another(liquid):
            self.machine.engine.stop()
            return
        self.pass_time(self.event.handling.container_s)
        self._note_change(line, "low in the middle of a drink")
        self._hang(liquid, line)
        self.pass_time(1.0)
        self.machine.engine.confirm(operation)

    def _note_change(self, line: int, why: str) -> None:
        liquid = self.liquids[line]
        self.changes.append(
            ContainerChange(
                at_s=self.now_s,
                line=line,
                liquid=liquid,
                left_ml=self.machine.plant.container_ml(line),
                container_ml=self.stock[liquid][self.used[liquid]],
                why=why,
            )
        )

    def close(self) -> None:
        """Empty, clean and rinse all lines, as the engine guides it."""
        view = self.machine.engine.sequences.close(CloseRequest(person=PERSON, cleaner=CLEANER))
        hand_s = self.event.handling.hand_step_s
        carry_out(self.machine, view, pass_time=self.pass_time, finish=self.follow, hand_s=hand_s)

    # --- faults

    @property
    def is_latched(self) -> bool:
        """Whether the guard waits for a fault to be acknowledged."""
        return self._latched is not None

    def is_troubled(self, lines: Collection[int] = ()) -> bool:
        """Whether there is a fault to be found at these lines (without any: at a contact), or one that is latched."""
        return self.is_latched or any(_is_found(fault, lines) for _, fault in self._present)

    def look(self) -> None:
        """A pump that runs by itself is seen, and repaired."""
        if self.machine.plant.moves():
            running = {one.line for one in self.machine.plant.report().lines if one.contact_closed}
            if running:
                self.repair(f"pump {', '.join(map(str, sorted(running)))} ran by itself", running)

    def empty_tray(self) -> None:
        """Empty the drip tray and put it back."""
        self.pass_time(self.event.handling.take_s)
        self.machine.plant.set_tray(full=False)
        self.pass_time(1.0)

    def repair(self, how: str, lines: Collection[int] = ()) -> None:
        """See to these lines, or without any to the contacts; then acknowledge the guard's fault, if there is one."""
        noticed_s = self.now_s
        self.pass_time(self.event.handling.repair_s)
        for place, fault in tuple(self._present):
            if _is_found(fault, lines):
                self._clear(place, fault, noticed_s, how)
        self.empty_tray()
        if self._latched is None:
            return
        self.machine.engine.acknowledge(AcknowledgeRequest(cause=self._latched))
        try:
            self._until(lambda: self.machine.engine.status().state == MachineState.IDLE, 10.0)
        except TimeoutError as error:
            raise Stuck(f"the fault {self._latched!r} could not be acknowledged.") from error
        self._latched = None
        self.troubles[-1] = msgspec.structs.replace(self.troubles[-1], repaired_s=self.now_s)

    def _clear(self, place: int, fault: InjectedFault, noticed_s: float, how: str) -> None:
        self.machine.plant.clear(fault)
        self._present.remove((place, fault))
        known = self.troubles[place]
        self.troubles[place] = msgspec.structs.replace(known, noticed_s=noticed_s, repaired_s=self.now_s, how=how)

    def _inject(self, fault: InjectedFault) -> None:
        self.machine.plant.inject(fault)
        where = fault.contact or f"line {fault.line}"
        self._present.append((len(self.troubles), fault))
        self.troubles.append(
            Trouble(at_s=self.now_s, what=f"{fault.kind}, {where}", noticed_s=None, repaired_s=None, how="not noticed")
        )


def _is_found(fault: InjectedFault, lines: Collection[int]) -> bool:
    """Whether who looks at these lines (without any: at the contacts) finds the fault; a main relay is always found."""
    if fault.line is not None:
        return fault.line in lines
    return fault.contact is None or not lines
