"""The evening that is cut off: people at a machine in virtual time, and everything that they do and are told.

What is done and told stands in the file of marks, one JSON object a line, in its order: a mark `asks` goes before what
people do, `told` after the machine has said it.
"""

import os
import random
from pathlib import Path
from typing import Any

import msgspec
from msgspec.structs import replace

from controller.clock import VirtualClock
from controller.errors import TundishError
from controller.ledger.journal import FileJournal
from controller.metering.density import liquid_kg_m3
from controller.model.messages import Edge, Event, Start, Unhold
from controller.model.requests import (
    AcknowledgeRequest,
    AssignRequest,
    CalibrationRequest,
    LineRequest,
    PourRequest,
    TrialsRequest,
    WeighedTrial,
)
from controller.model.scale import Scale
from controller.model.states import MachineState
from controller.model.views import OperationView, Status
from controller.rehearsal.virtual_machine import VirtualMachine
from controller.rehearsal.weighing import span_scale
from tests.power_cuts.card import MARKS
from tests.shipped import shipped

BARE, BOOK = shipped("bench_six_line", "harvest_supper")
PROFILE = replace(BARE, scale=Scale(converter="bench", capacity_g=5000.0, readings_per_s=10))
LINES = tuple(line.line for line in PROFILE.lines)
LEDGER = "ledger.db"
LONGEST_S = 150.0  # nobody waits longer for a drink


def started(folder: Path, *, clock: VirtualClock | None = None, boot: str = "", hear: Any = None) -> VirtualMachine:
    """A machine on the records in this folder."""
    journal = FileJournal(folder)
    return VirtualMachine(
        PROFILE, BOOK, seed=3, ledger_path=folder / LEDGER, journal=journal, clock=clock, boot=boot, listen=hear
    )


def told_of(status: Status) -> dict[str, Any]:
    """What a status tells of what must outlast a power cut."""
    lines = {
        str(one.line): {
            "liquid": one.liquid,
            "contents": one.contents,
            "holds": one.holds,
            "calibrated": None if one.calibration is None else one.calibration.taken_wall_s,
            "left": one.remaining_ml,
        }
        for one in status.lines
    }
    return {"fault": status.fault, "lines": lines}


def delivered(view: OperationView) -> dict[str, float]:
    """Line -> mL, to the thousandth."""
    return {str(line.line): round(line.delivered_ml, 3) for line in view.lines}


class Evening:
    """People who commission a machine, then pour, stop, lift glasses, change containers, press the button."""

    def __init__(self, folder: Path, seed: int) -> None:
        self._rng = random.Random(seed)
        self._marks = os.open(folder / MARKS, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
        self._told: dict[str, Any] = {}
        self._over: set[str] = set()
        self._settled: set[str] = set()
        self._number = 0
        self.machine = started(folder, boot="first", hear=self._hear_guard)
        self.machine.engine.subscribe(self._hear)
        handle = self.machine.guard.handle

        def overhear(client: str, command: Any) -> None:
            self._overhear(command)
            handle(client, command)

        self.machine.guard.handle = overhear  # type: ignore[method-assign]  # what it hears is what is marked

    # --- what is marked

    def mark(self, word: str, **facts: Any) -> None:
        os.write(self._marks, msgspec.json.encode({"word": word, **facts}) + b"\n")

    def _hear_guard(self, event: Event) -> None:
        if isinstance(event, Edge) and event.is_on:
            self.mark("on", operation=event.operation, line=event.line)

    def _overhear(self, command: Any) -> None:
        """Runs that the guard is asked for: the worst case is that all of them are made in full."""
        if isinstance(command, Start):
            runs = [run for segment in command.operation.segments for run in segment.runs]
            self.mark("planned", operation=command.operation.operation, kind=command.operation.kind, on_s=_on_s(runs))
        elif isinstance(command, Unhold):
            self.mark("planned", operation=command.operation, on_s=_on_s(command.runs))

    def _hear(self, view: OperationView | Status) -> None:
        if isinstance(view, Status):
            told = told_of(view)
            if view.guard_connected and told != self._told:
                self._told = told
                self.mark("told", **told)
        elif view.outcome is not None and view.operation not in self._over:
            self._over.add(view.operation)
            servings = self.machine.guard.core.memory.servings
            facts = {"operation": view.operation, "outcome": view.outcome, "delivered": delivered(view)}
            hour = [len(servings), sum(one.ethanol_g for one in servings)]
            self.mark("ended", **facts, hour=hour, settles=view.weighed is not None)
        elif view.weighed is not None and view.weighed.u_ml is not None and view.operation not in self._settled:
            self._settled.add(view.operation)
            self.mark("weighed", operation=view.operation, volume_ml=view.weighed.volume_ml)

    def _drawn(self) -> None:
        drawn = {str(line): round(self.machine.plant.container_ml(line), 3) for line in LINES}
        self.mark("holds", left=drawn)

    # --- what people do

    def commission(self) -> None:
        machine = self.machine
        span_scale(machine)
        machine.plant.place_glass(brim_ml=2000.0)
        self.wait(3.0)
        request = LineRequest(kind="prime", lines=LINES, jug=True)
        self._operate(lambda: machine.engine.run_lines(request), meddling="")
        machine.plant.lift_glass()
        for line in LINES:
            self.calibrate(line)

    def act(self, count: int) -> None:
        for _ in range(count):
            what = self._rng.choice((self.pour,) * 6 + (self.change, self.press, self.purge, self.recalibrate))
            what()
            self.rest()

    def wait(self, seconds: float) -> None:
        """Let time pass in steps, and mark what is left in the containers as it goes."""
        end_s = self.machine.clock.now_s() + seconds
        while self.machine.clock.now_s() < end_s:
            self.machine.pass_time(min(self._rng.uniform(0.2, 1.5), end_s - self.machine.clock.now_s()))
            self._drawn()

    def rest(self) -> None:
        for _ in range(60):
            if self.machine.engine.status().state in (MachineState.IDLE, MachineState.ABORTED):
                break
            self.wait(2.0)
        self.machine.pass_time(PROFILE.caps.serving_pause_s + 1.0)

    def pour(self) -> None:
        recipe = self._rng.choice(BOOK.recipes)
        self._number += 1
        key = f"table {self._number}" if self._rng.random() < 0.5 else None
        times = self._rng.choice((1.0, 1.0, 1.0, 2.0))
        machine = self.machine
        machine.plant.place_glass(recipe.glass)
        self.wait(2.0)
        request = PourRequest(recipe=recipe.recipe, times=times, key=key)
        self._operate(lambda: machine.engine.pour(request), key=key, recipe=recipe.recipe)
        if self._rng.random() < 0.7:
            self.wait(4.0)  # until its weight has settled
        machine.plant.lift_glass()

    def change(self) -> None:
        """Another container of the same liquid."""
        line = self._rng.choice(LINES)
        liquid = BOOK.lines[line - 1].liquid
        self.machine.plant.hang(line, liquid, 2000.0)
        self.mark("asks", change=line)
        self._try(lambda: self.machine.engine.assign(AssignRequest(line=line, liquid=liquid, container_ml=2000.0)))
        self.wait(1.0)
        self.mark("changed", change=line)

    def press(self) -> None:
        """The stop button; turned out again, and acknowledged, by somebody who takes his time."""
        self.mark("asks", button=True)
        self.machine.plant.press_stop()
        self.wait(1.0)
        self.mark("pressed")
        self.wait(self._rng.uniform(1.0, 3.0))
        self.machine.plant.release_stop()
        self.wait(1.0)
        fault = self.machine.engine.status().fault
        self.mark("asks", acknowledge=True)
        self._try(lambda: self.machine.engine.acknowledge(AcknowledgeRequest(cause=str(fault))))
        self.wait(1.0)
        self.mark("acknowledged")

    def purge(self) -> None:
        """Emptied and filled again with the same."""
        line, machine = self._rng.choice(LINES), self.machine
        machine.plant.place_glass(brim_ml=2000.0)
        self.wait(2.0)
        hangs = machine.plant.container_ml(line)
        machine.plant.unhang(line)
        self.mark("asks", change=line)
        self._operate(lambda: machine.engine.run_lines(LineRequest(kind="purge", lines=(line,), jug=True)))
        machine.plant.hang(line, BOOK.lines[line - 1].liquid, hangs)
        self._operate(lambda: machine.engine.run_lines(LineRequest(kind="prime", lines=(line,), jug=True)))
        self.mark("changed", change=line)
        machine.plant.lift_glass()

    def recalibrate(self) -> None:
        self.calibrate(self._rng.choice(LINES))

    def calibrate(self, line: int) -> None:
        """Weighed trials from a list, as somebody at the desk would type them; true within a few hundredths."""
        true = self.machine.plant.truth_report()[line - 1]
        flow = true.flow_ml_s * self._rng.uniform(0.975, 1.0)
        density = 0.001 * liquid_kg_m3(BOOK.liquid(true.liquid), 20.0)[0]  # g/mL
        rows = tuple(
            WeighedTrial(on_s=on_s, grams=density * flow * (on_s - true.lag_s)) for on_s in (2.0, 4.0, 8.0, 12.0, 16.0)
        )
        self.mark("asks", calibrate=line)
        self._try(lambda: self.machine.engine.calibrating.weigh_rows(TrialsRequest(line=line, trials=rows)))
        self._try(
            lambda: self.machine.engine.calibrating.settle(CalibrationRequest(line=line, sure=True, by="a maker"))
        )
        self.wait(0.5)
        self.mark("calibrated", calibrate=line)

    # --- operations

    def _operate(self, ask: Any, meddling: str | None = None, **facts: Any) -> None:
        """Begin it, meddle with it at times, and see it to its end."""
        asked = self._try(ask)
        if asked is None:
            return
        operation = asked.operation
        self.mark("asked", operation=operation, **facts)
        if meddling is None:
            meddling = self._rng.choice(("", "", "", "stop", "lift", "button"))
        begun_s = self.machine.clock.now_s()
        while self.machine.clock.now_s() < begun_s + LONGEST_S:
            self.wait(self._rng.uniform(0.5, 4.0))
            view = self.machine.engine.operation(operation)
            if view.refused:
                self.mark("refused", operation=operation)
            if view.outcome is not None or view.refused:
                return
            if view.waiting is not None and view.waiting.is_for_a_person:
                self._try(lambda: self.machine.engine.confirm(operation))
            elif meddling and self._rng.random() < 0.5:
                self._meddle(meddling)
                meddling = ""

    def _meddle(self, how: str) -> None:
        if how == "stop":
            self.machine.engine.stop()
        elif how == "button":
            self.press()
        else:
            self.machine.plant.lift_glass()
            self.wait(self._rng.uniform(0.5, 3.0))
            self.machine.plant.place_glass()

    def _try(self, act: Any) -> Any:
        """What is refused is refused: people try something else."""
        try:
            return act()
        except TundishError:
            return None


def _on_s(runs: Any) -> dict[str, float]:
    found: dict[str, float] = {}
    for run in runs:
        found[str(run.line)] = found.get(str(run.line), 0.0) + run.duration_s
    return found


def act(folder: Path, seed: int, actions: int) -> None:
    """The whole evening. Nothing is closed: whoever pulls the plug does not wait for it."""
    evening = Evening(folder, seed)
    evening.commission()
    evening.act(actions)
