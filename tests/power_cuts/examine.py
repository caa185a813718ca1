"""What the machine makes of the card after a cut, held against what people had been told by then."""

import random
import shutil
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import msgspec

from controller.clock import VirtualClock
from controller.errors import TundishError
from controller.model.messages import Edge, Event
from controller.model.requests import PourRequest
from controller.model.states import Contents, Outcome
from controller.rehearsal.virtual_machine import VirtualMachine
from controller.safety.startup import JOURNAL_DAMAGED, STOCK_DIFFERS
from tests.power_cuts.evening import PROFILE, delivered, started, told_of

WATCH_S = 30.0  # of virtual time after each restart
BEGAN_WALL_S = 1_789_000_000.0  # of the evening; a computer without a clock of its own comes up earlier
MOST_OF_NOMINAL = 1.25  # of a pump's nominal flow; common practice, no source
OVERRUN_S = 1.0  # until it is surely driven off: the reach for the last of the layers that do it
TOLERANCE_ML, TOLERANCE = 1.0, 0.03  # what a calibrated pump is known to


@dataclass
class Known:
    """What people had been told by the time of the cut, and what they had just asked for and not been told yet."""

    told: dict[str, Any] | None = None  # fault, and lines with what they carry, hold and have left
    ended: dict[str, dict[str, Any]] = field(default_factory=dict)  # operation -> outcome, delivered, hour
    weighed: dict[str, float] = field(default_factory=dict)  # operation -> mL
    settles: bool = False  # whether the weight of the last one is still to come
    keys: dict[str, tuple[str, str]] = field(default_factory=dict)  # operation -> recipe, key
    asked: set[str] = field(default_factory=set)
    under_way: str | None = None
    planned_s: dict[str, float] = field(default_factory=dict)  # of the operation under way: line -> on-time
    on: set[str] = field(default_factory=set)  # its lines that were switched on
    held_before: dict[str, float] = field(default_factory=dict)  # what containers really held when it began
    held: dict[str, float] = field(default_factory=dict)  # and hold now
    pending: set[str] = field(default_factory=set)  # the fault, or lines
    is_booked: bool = True  # whether what is left has been told since the last end

    def take(self, mark: dict[str, Any]) -> None:
        """One more mark."""
        match mark.pop("word"):
            case "told":
                self.told, self.is_booked = mark, not self.settles
            case "asked":
                self.asked.add(mark["operation"])
                if mark.get("key"):
                    self.keys[mark["operation"]] = (mark["recipe"], mark["key"])
            case "planned":
                self._plan(mark)
            case "on":
                self.on.add(str(mark["line"]))
            case "ended":
                self.ended[mark["operation"]] = mark
                self.is_booked, self.settles = False, mark.get("settles", False)
                self._over(mark["operation"])
            case "weighed":
                self.weighed[mark["operation"]], self.settles = mark["volume_ml"], False
            case "refused":
                self._over(mark["operation"])
            case "holds":
                self.held = mark["left"]
            case "asks":
                self.pending.add(_matter(mark))
            case _:  # it has been told what came of it
                self.pending.discard(_matter(mark))

    def _over(self, operation: str) -> None:
        if self.under_way == operation:
            self.under_way = None

    def _plan(self, mark: dict[str, Any]) -> None:
        if mark["operation"] != self.under_way:
            self.under_way, self.planned_s, self.on = mark["operation"], {}, set()
            self.settles = False
            self.held_before = self.held
        for line, on_s in mark["on_s"].items():
            self.planned_s[line] = self.planned_s.get(line, 0.0) + on_s


def _matter(mark: dict[str, Any]) -> str:
    return str(mark.get("change", mark.get("calibrate", "fault")))


def known(marks: bytes) -> Known:
    """From the marks written so far."""
    found = Known()
    for line in marks.splitlines():
        found.take(msgspec.json.decode(line))
    return found


def examine(image: dict[str, bytes], told: Known, folder: Path, rng: random.Random) -> list[str]:
    """Start a machine on the image; one sentence for each thing that must not be."""
    _lay_out(image, folder)
    heard: list[Event] = []
    late_s = rng.choice((-30 * 86_400.0, 0.0, 1500.0))
    clock = VirtualClock(now_s=rng.uniform(2.0, 30.0), wall_s=BEGAN_WALL_S + late_s)
    try:
        machine = started(folder, clock=clock, boot="second", hear=heard.append)
    except TundishError as error:
        return [f"no machine starts on it: {error}"]
    try:
        machine.plant.place_glass("tumbler")
        machine.pass_time(WATCH_S)
        complaints = [*_lost(machine, told), *_open(machine), *_keys(machine, told)]
        machine.pass_time(5.0)
        complaints += _moved(machine, heard)
        return complaints + ([] if told.told is None else [*_lines(machine, told), *_booked(machine, told)])
    finally:
        machine.close()


def _lay_out(image: dict[str, bytes], folder: Path) -> None:
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    for name, data in image.items():
        (folder / name).write_bytes(data)


def examine_damaged(image: dict[str, bytes], told: Known, folder: Path, rng: random.Random) -> list[str]:
    """The same on an image of which one file was damaged afterwards: without effect, or owned up to."""
    _lay_out(image, folder)
    clock = VirtualClock(now_s=rng.uniform(2.0, 30.0), wall_s=BEGAN_WALL_S)
    heard: list[Event] = []
    try:
        machine = started(folder, clock=clock, boot="second", hear=heard.append)
    except TundishError as error:
        return [f"no machine starts on it: {error}"]
    try:
        machine.pass_time(WATCH_S)
        status = machine.engine.status()
        if status.fault == STOCK_DIFFERS:
            return _moved(machine, heard)
        if status.fault == JOURNAL_DAMAGED:
            said = {int(one) for one in told.pending if one != "fault"}  # just then, and said again by the engine
            certain = [
                one.line
                for one in status.lines
                if one.contents is not Contents.UNKNOWN or (one.liquid and one.line not in said)
            ]
            complaints = [f"lines {certain} are certain although the journal is damaged"] if certain else []
        elif status.doubts:
            complaints = [] if told.told is None else _lines(machine, told)  # the lines are the guard's to know
        else:
            complaints = [*_lost(machine, told), *([] if told.told is None else _lines(machine, told))]
        return complaints + _moved(machine, heard)
    finally:
        machine.close()


def _lost(machine: VirtualMachine, told: Known) -> list[str]:
    """Operations whose end was told, and the rolling hour."""
    complaints = []
    for operation, ended in told.ended.items():
        try:
            view = machine.engine.operation(operation)
        except KeyError:
            complaints.append(f"{operation} was told to be {ended['outcome']} and is not in the ledger")
            continue
        if (view.outcome, delivered(view)) != (ended["outcome"], ended["delivered"]):
            complaints.append(f"{operation}: told {ended}, kept {view.outcome} {delivered(view)}")
        kept_ml = None if view.weighed is None else view.weighed.volume_ml
        if told.weighed.get(operation, kept_ml) != kept_ml:
            complaints.append(f"{operation}: {told.weighed[operation]} mL were told by weight, kept {kept_ml}")
    gone = [one for one in sorted(told.asked) if not _is_kept(machine, one)]
    complaints += [f"{one} was begun and is not in the ledger" for one in gone]
    servings = machine.guard.core.memory.servings
    count, ethanol_g = list(told.ended.values())[-1]["hour"] if told.ended else (0, 0.0)
    if len(servings) < count or sum(one.ethanol_g for one in servings) < ethanol_g - 1e-6:
        complaints.append(f"the hour held {count} servings with {ethanol_g} g, and now {servings}")
    return complaints


def _is_kept(machine: VirtualMachine, operation: str) -> bool:
    try:
        machine.engine.operation(operation)
    except KeyError:
        return False
    return True


def _open(machine: VirtualMachine) -> list[str]:
    left_open = [view for view in machine.engine.history(200) if view.outcome is None and not view.refused]
    return [f"{view.operation} is left open" for view in left_open]


def _keys(machine: VirtualMachine, told: Known) -> list[str]:
    """A pour asked for again with its key is answered with the first one, and never made twice."""
    complaints = []
    for operation, (recipe, key) in told.keys.items():
        if operation in told.ended:
            again = machine.engine.pour(PourRequest(recipe=recipe, key=key)).operation
            complaints += [] if again == operation else [f"{key} was poured as {operation} and would be as {again}"]
    return complaints


def _moved(machine: VirtualMachine, heard: list[Event]) -> list[str]:
    moved = {event.line for event in heard if isinstance(event, Edge)}
    closed = {line.line for line in machine.plant.report().lines if line.contact_closed}
    return [f"lines {sorted(moved | closed)} moved by themselves"] if moved or closed else []


def _lines(machine: VirtualMachine, told: Known) -> list[str]:
    """Contents, liquids, calibrations and the fault: as told; in motion a tube keeps nothing but its own liquid."""
    complaints = []
    status, before = told_of(machine.engine.status()), told.told or {}
    if status["fault"] != before["fault"] and "fault" not in told.pending:
        complaints.append(f"the fault was {before['fault']} and is {status['fault']}")
    is_cut = _outcome(machine, told.under_way) == Outcome.ABORTED
    for line, was in before["lines"].items():
        now = status["lines"][line]
        keeps = was["contents"] == now["contents"] == Contents.LIQUID and was["holds"] == was["liquid"]
        if line in told.on and is_cut and now["contents"] != Contents.UNKNOWN and not keeps:
            complaints.append(f"line {line} was in motion and counts as {now['contents']}")
        if line in told.pending:
            continue
        may_have_moved = told.under_way is not None and line in told.planned_s
        facts = ("liquid", "calibrated") if may_have_moved else ("liquid", "calibrated", "contents", "holds")
        complaints += [
            f"line {line}: {fact} was {was[fact]} and is {now[fact]}" for fact in facts if now[fact] != was[fact]
        ]
    return complaints


def _booked(machine: VirtualMachine, told: Known) -> list[str]:
    """What was told to be left, less what was under way: at least what really flowed, at most the worst case."""
    complaints: list[str] = []
    if not told.is_booked:
        return complaints
    lines = told_of(machine.engine.status())["lines"]
    for line, was in (told.told or {})["lines"].items():
        left = lines[line]["left"]
        if line in told.pending or was["left"] is None:
            continue
        if left is None:
            complaints.append(f"line {line}: nobody knows what is left")
            continue
        booked_ml = was["left"] - left
        on_s = told.planned_s.get(line, 0.0) if told.under_way else 0.0
        flow_ml_s = MOST_OF_NOMINAL * PROFILE.line(int(line)).pump.nominal_flow_ml_s
        most_ml = (on_s + OVERRUN_S) * flow_ml_s if on_s else 0.0
        drawn_ml = told.held_before.get(line, 0.0) - told.held.get(line, 0.0) if on_s else 0.0
        if not drawn_ml * (1 - TOLERANCE) - TOLERANCE_ML <= booked_ml <= most_ml + 0.01 and left > 0:
            had_flowed = f"{drawn_ml:.1f} mL had flowed, the worst is {most_ml:.1f} mL"
            complaints.append(f"line {line}: {booked_ml:.1f} mL were booked, {had_flowed}")
    return complaints


def _outcome(machine: VirtualMachine, operation: str | None) -> str | None:
    return machine.engine.operation(operation).outcome if operation and _is_kept(machine, operation) else None
