"""Bringing troubles about, and taking them away again."""

from collections.abc import Callable
from operator import methodcaller
from typing import cast

from msgspec.structs import replace

from controller.bench.faults import FaultKind, InjectedFault
from controller.errors import Unreachable
from controller.model.messages import Acknowledge, Command, Confirm, ConfirmJug, Hello, Start, Stop, Unhold
from controller.model.states import OperationKind
from tests.campaigns.doubt import altered_runs, invented
from tests.campaigns.house import House
from tests.campaigns.load_cell import OF_CELL, UNHEARD
from tests.campaigns.people import Person
from tests.campaigns.troubles import Trouble

FLAP_S = 0.013  # between two changes of a loose contact


class Acts:
    """One house's troubles."""

    def __init__(self, house: House, person: Person) -> None:
        self._house, self._person = house, person
        self.is_over = False
        self._table: dict[str, Callable[[Trouble], None]] = {
            "engine killed": lambda _: self._kill_engine(),
            "engine killed in sending": lambda _: self._set(house.engine_process, "kill_in_sending", True),
            "engine frozen": self._freeze_engine,
            "guard killed": lambda _: self._kill_guard(),
            "guard killed in writing": lambda one: self._set(house.disk, "crash", one.choice),
            "guard killed in switching": self._kill_in_switching,
            "guard frozen": self._freeze_guard,
            "sentinel killed": lambda _: house.sentinel.die(),
            "sentinel frozen": lambda _: house.sentinel.freeze(),
            "sentinel and guard killed": lambda _: self._kill_in_turn(house.sentinel.die, self._kill_guard),
            "guard and engine killed": lambda _: self._kill_in_turn(self._kill_guard, self._kill_engine),
            "power cut": lambda one: None if house.is_dark else house.lose_power(one.amount, 0.5 + one.lasts_s),
            "connection broken": lambda _: self._break(),
            "disk full": lambda one: self._for_a_while(house.disk, "full", one),
            "disk slow": lambda one: self._for_a_while(house.disk, "slow_s", one, value=one.amount),
            "journal unreadable": lambda one: self._for_a_while(house.disk, "unreadable", one),
            "guard's folder damaged": self._damage_guards_folder,
            "wall clock set": lambda one: house.set_wall(one.amount),
            "main relay stuck": self._stick_main_relay,
            "input flapping": self._flap,
            "glass lifted": self._lift,
            "stop pressed": self._press_stop,
            "container empty": lambda one: self._empty(one.line),
            "tray full": self._fill_tray,
            "board deaf": lambda one: house.deafen(one.line, one.lasts_s),
            "board unreadable": lambda one: self._for_a_while(house.failures, "unreadable", one),
            "stop asked": lambda _: person.stop(),
            "second order": lambda _: person.order_meanwhile(),
            "same order again": lambda _: person.order_again(),
            "old plan again": lambda _: self._repeat(),
            "stranger speaks": lambda _: self._speak(),
            "engine in doubt": self._invent,
            "another liquid": lambda one: person.change_liquid(one.line),
            "scale": self._spoil_scale,
            "book edited": lambda one: person.edit_book(one.choice),
        }

    def bring_about(self, trouble: Trouble) -> None:
        """Let it happen now."""
        if self.is_over:
            return
        self._house.tell(f"trouble: {trouble}")
        act = self._table.get(trouble.what)
        if act is not None:
            act(trouble)
        else:
            self._inject(trouble)

    def end_all(self) -> None:
        """Calm: nothing new happens, and what lasts is over."""
        house = self._house
        self.is_over = True
        house.disk.full = house.disk.unreadable = house.failures.unreadable = False
        house.scale_ails, house.unheard_s = "", None
        house.disk.slow_s, house.disk.crash, house.failures.kill_at = 0.0, None, None
        house.failures.deaf.clear()
        house.engine_process.kill_in_sending, house.rogue = False, 0.0
        for fault in house.plant.report().faults:
            house.plant.clear(fault)
        house.plant.release_stop()
        house.plant.set_tray(full=False)
        for process in (house.guard_process, house.engine_process):
            if process.is_frozen:
                process.thaw()

    # --- processes

    def _kill_engine(self) -> None:
        if self._house.engine_process.engine is not None:
            self._house.engine_process.die("killed")

    def _kill_guard(self) -> None:
        if self._house.guard_process.guard is not None:
            self._house.guard_process.die("killed")

    def _kill_in_switching(self, trouble: Trouble) -> None:
        self._house.failures.kill_at = int(trouble.amount)
        self._house.failures.sentinel_too = trouble.choice == "with sentinel"

    def _freeze_engine(self, trouble: Trouble) -> None:
        if self._house.engine is not None:
            self._house.engine_process.freeze(trouble.lasts_s)

    def _freeze_guard(self, trouble: Trouble) -> None:
        """With nobody behind it a guard that stands still is the service manager's business: short times only."""
        process, sentinel = self._house.guard_process, self._house.sentinel
        if process.guard is None or process.is_frozen:
            return
        is_watched = sentinel.is_watching and not sentinel.is_frozen
        process.freeze(trouble.lasts_s if is_watched else min(trouble.lasts_s, 0.4))

    def _break(self) -> None:
        connection = self._house.engine_process.connection
        if connection is not None:
            connection.cut(self._house.now_s)

    # --- things that last

    def _set(self, owner: object, name: str, value: object) -> None:
        setattr(owner, name, value)

    def _for_a_while(self, owner: object, name: str, trouble: Trouble, value: object = True) -> None:
        before = getattr(owner, name)
        setattr(owner, name, value)
        self._house.later(trouble.lasts_s, lambda: setattr(owner, name, type(before)()))

    def _damage_guards_folder(self, trouble: Trouble) -> None:
        """One file of it, found out about by the next guard."""
        self._kill_guard()
        self._house.tell(self._house.disk.damage(trouble.choice))

    def _spoil_scale(self, trouble: Trouble) -> None:
        """The load cell fails, or the process that reads it; one at a time."""
        house, what = self._house, trouble.choice
        if house.scale_ails:
            return
        house.scale_ails = what
        house.unheard_s = house.now_s if what in UNHEARD else None
        if what in OF_CELL:
            house.plant.inject(InjectedFault(kind=cast(FaultKind, what)))
        house.later(trouble.lasts_s, lambda: None if self.is_over else self._mend_scale(what))

    def _mend_scale(self, what: str) -> None:
        self._house.scale_ails, self._house.unheard_s = "", None
        if what in OF_CELL:
            self._house.plant.clear(InjectedFault(kind=cast(FaultKind, what)))

    def _lift(self, trouble: Trouble) -> None:
        self._person.lift_glass()
        self._house.later(trouble.lasts_s, self._person.put_glass_back)

    def _press_stop(self, trouble: Trouble) -> None:
        self._house.plant.press_stop()
        self._house.later(trouble.lasts_s, self._house.plant.release_stop)

    def _fill_tray(self, trouble: Trouble) -> None:
        self._house.plant.set_tray(full=True)
        self._house.later(trouble.lasts_s, lambda: self._house.plant.set_tray(full=False))

    def _empty(self, line: int) -> None:
        house = self._house
        before_ml = house.plant.container_ml(line)
        house.plant.inject(InjectedFault(kind="container empty", line=line))
        house.plant.clear(InjectedFault(kind="container empty", line=line))
        house.watch.amounts.hung(line, before_ml, house.plant.container_ml(line))

    def _kill_in_turn(self, *kills: Callable[[], None]) -> None:
        for kill in kills:
            kill()

    def _inject(self, trouble: Trouble) -> None:
        house, kind = self._house, cast(FaultKind, trouble.what)
        if trouble.contact:
            house.is_glass_in_doubt |= trouble.contact == "glass"
            fault = InjectedFault(kind=kind, contact=trouble.contact, closed=trouble.choice == "closed")
        else:
            fault = InjectedFault(kind=kind, line=trouble.line, amount=trouble.amount)
            house.mark_unsound(trouble.line)
        house.plant.inject(fault)
        house.later(trouble.lasts_s, lambda: None if self.is_over else house.plant.clear(fault))

    def _stick_main_relay(self, trouble: Trouble) -> None:
        house = self._house
        if house.plot.profile.main_relay is not None:
            fault = InjectedFault(kind="main relay stuck on" if trouble.choice == "on" else "main relay stuck off")
            house.plant.inject(fault)
            house.later(trouble.lasts_s, lambda: None if self.is_over else house.plant.clear(fault))

    def _flap(self, trouble: Trouble) -> None:
        """A loose contact: it opens and closes at random."""
        house, end_s = self._house, self._house.now_s + trouble.lasts_s
        house.is_glass_in_doubt |= trouble.contact == "glass"

        def flip() -> None:
            if self.is_over or house.now_s >= end_s:
                house.plant.clear(InjectedFault(kind="input stuck", contact=trouble.contact))
                return
            closed = house.draw.random() < 0.5
            house.plant.inject(InjectedFault(kind="input stuck", contact=trouble.contact, closed=closed))
            house.later(house.draw.uniform(0.2, 2.0) * FLAP_S, flip)

        flip()

    # --- words

    def _speak(self) -> None:
        """A client that is not the engine says what only the engine may say, or stops the machine."""
        house = self._house
        licence = house.watch.licence
        name = licence.operation.operation if licence else "op1"
        commands: list[Command] = [
            Stop(),
            Confirm(operation=name),
            Unhold(operation=name, runs=()),
            Hello(version=1, role="engine"),
            Hello(version=7, role="observer"),
            Acknowledge(cause="stop pressed"),
            Start(operation=invented(OperationKind.SERVE, house.new_id(), house.plot, house.draw, besides=house.odd)),
        ]
        for command in house.draw.sample(commands, 2):
            house.watch.delivered("stranger", command)
            house.guard_process.run(methodcaller("handle", "stranger", command))
        house.guard_process.run(lambda guard: guard.client_gone("stranger"))

    def _invent(self, trouble: Trouble) -> None:
        """The engine asks for something that nobody ordered."""
        house = self._house
        licence = house.watch.licence
        kind = OperationKind.SERVE if trouble.choice == "unhold" else OperationKind(trouble.choice)
        operation = invented(kind, house.new_id(), house.plot, house.draw, besides=house.odd)
        if kind is OperationKind.SERVE and house.watch.admitted and house.draw.random() < 0.3:
            operation = replace(operation, rest_of=house.draw.choice(sorted(house.watch.admitted)))
        command: Command = Start(operation=operation)
        if trouble.choice == "unhold":
            under_way = operation if licence is None else licence.operation
            runs = altered_runs(under_way.segments[0].runs, house.plot, house.draw)
            command = Unhold(operation=under_way.operation, runs=runs)
        elif operation.jug and house.draw.random() < 0.9:
            house.is_glass_in_doubt = True  # what stands there is what was said: no sensor tells a jug from a glass
            self._say(ConfirmJug(volume_ml=house.draw.uniform(50, 2000)))
        if kind is OperationKind.CLEAN:  # what hangs there is drawn for cleaner, and no sensor tells them apart
            house.bottles.untold |= {run.line for run in operation.segments[0].runs}
        self._say(command)

    def _repeat(self) -> None:
        """A plan that was admitted earlier comes once more."""
        admitted = list(self._house.watch.admitted.values())
        if admitted:
            self._say(Start(operation=self._house.draw.choice(admitted).operation))

    def _say(self, command: Command) -> None:
        try:
            self._house.engine_process.say(command)
        except Unreachable:
            return
