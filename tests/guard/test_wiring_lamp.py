"""A lamp that is on while any pump runs, on the bench."""

from msgspec.structs import replace

from controller.errors import BoardError
from controller.guard.sentinel_link import pins_of
from controller.model.messages import FaultLatchedEvent, Start, Stop
from controller.model.wiring import Lamp, Outputs
from tests.guard.bench_rig import BenchRig
from tests.guard.guard_parts import prime, profile

GPIO = 26
LIT = replace(profile(), outputs=Outputs(lamp=Lamp(gpio=GPIO, active_level="high")))


def lit_rig() -> BenchRig:
    return BenchRig(LIT).ready()


def levels(rig: BenchRig) -> list[tuple[float, bool]]:
    return [(round(one.at_s, 2), one.level) for one in rig.plant.trace.levels(GPIO) if one.mode == "output"]


def test_the_lamp_is_dark_from_the_first_instant_and_lit_while_a_pump_runs():
    rig = lit_rig()
    assert [level for _, level in levels(rig)] == [False]  # claimed with its safe level
    rig.say(Start(operation=prime(1, "apple juice")))
    begun_s = rig.clock.now_s()
    rig.run(5)
    assert rig.plant.report().outputs == {"lamp": True}
    rig.say(Stop())
    rig.run(1)
    assert levels(rig)[1:] == [(round(begun_s, 2), True), (round(begun_s + 5, 2), False)]
    assert rig.plant.report().outputs == {"lamp": False}


def test_the_sentinel_and_a_guard_that_ends_leave_it_dark():
    assert pins_of(LIT, None).safe[GPIO] is False
    rig = lit_rig()
    rig.say(Start(operation=prime(1, "apple juice")))
    rig.run(2)
    rig.guard.close()
    assert levels(rig)[-1][1] is False


def test_a_lamp_that_cannot_be_switched_is_a_fault_of_the_board(monkeypatch):
    rig = lit_rig()

    def broken(name: str, *, on: bool) -> None:
        raise BoardError(f"{name} cannot be switched")

    monkeypatch.setattr(rig.wired, "signal", broken)
    monkeypatch.setattr(rig.wired, "switch", lambda line, *, on: None)
    rig.say(Start(operation=prime(1, "apple juice")))
    rig.run(1)
    assert rig.of(FaultLatchedEvent)[-1].cause == "board"
    monkeypatch.undo()
