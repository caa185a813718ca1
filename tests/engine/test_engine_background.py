"""Long work is done beside the loop: by another process, with nothing changed before its answers are there."""

import asyncio
import os
import signal

import pytest
from msgspec.structs import replace

from controller.engine.background import Background, NotYet, Work
from controller.engine.worker import Call, WorkResult, answer
from controller.errors import OutOfRange, Refused, require_positive
from controller.model.messages import TakeCalibration
from controller.model.requests import LineRequest, PourRequest
from controller.model.states import MachineState, Outcome
from controller.sequencing import schedule
from tests.ready_machine import PROFILE, ready_machine

LINES = tuple(line.line for line in PROFILE.lines)


class OnTheSecondAsking(Work):
    """Has each answer only when it is asked for again, as the service has."""

    def __init__(self):
        self.seen = set()

    def __call__(self, function, *arguments, **named):
        call = Call(function, arguments, named)
        if call.key not in self.seen:
            self.seen.add(call.key)
            raise NotYet(call)
        return function(*arguments, **named)


class Changing(Work):
    """Work that is done by `now`, which a test sets."""

    def __init__(self):
        self.now = Work()

    def __call__(self, function, *arguments, **named):
        return self.now(function, *arguments, **named)

    def later(self, ask):
        self.now.later(ask)


@pytest.fixture
def work():
    return Changing()


@pytest.fixture
def machine(work):
    """It could pour; calibrated by the bench's truth."""
    made = ready_machine(work=work)
    yield made
    made.close()


def in_the_service(main):
    """Run main(beside) on a loop with a worker of its own."""

    async def whole():
        beside = Background()
        try:
            return await main(beside)
        finally:
            beside.close()
            await asyncio.sleep(0)  # the wire closes in the loop's next turn

    return asyncio.run(whole())


def refuse(reason):
    raise Refused(rule="test", reason=reason, asked="2", allowed="1", remedy="Ask for 1.")


def test_the_work_is_done_by_another_process_and_known_from_then_on():
    async def both(beside):
        first = await beside.ask(lambda: beside(os.getpid))
        return first, beside(os.getpid)

    first, again = in_the_service(both)
    assert first != os.getpid()
    assert again == first


def test_a_refusal_comes_back_with_its_rule_and_its_figures():
    found = answer(Call(require_positive, ("dose", -1.0, "mL")))
    with pytest.raises(OutOfRange) as caught:
        found.take()
    assert (caught.value.value, caught.value.unit) == (-1.0, "mL")
    with pytest.raises(Refused) as refused:
        answer(Call(refuse, ("too much",))).take()
    assert (refused.value.rule, refused.value.asked, refused.value.remedy) == ("test", "2", "Ask for 1.")
    assert WorkResult(value=3).take() == 3


def test_a_worker_that_is_killed_is_replaced():
    async def twice(beside):
        first = await beside.ask(lambda: beside(os.getpid))
        os.kill(first, signal.SIGKILL)
        return first, await beside.ask(lambda: beside(os.getpgid, 0))

    first, _ = in_the_service(twice)
    assert first != os.getpid()


def test_a_caller_that_gives_up_leaves_the_link_to_the_worker_intact():
    async def leave(beside):
        waiting = asyncio.create_task(beside.ask(lambda: beside(os.getpid)))
        await asyncio.sleep(0.02)
        waiting.cancel()
        with pytest.raises(asyncio.CancelledError):
            await waiting
        return await beside.ask(lambda: beside(abs, -3))

    assert in_the_service(leave) == 3


@pytest.mark.parametrize(
    "ask",
    [
        lambda engine: engine.pour(PourRequest(recipe="Orchard Fizz", key="once")),
        lambda engine: engine.run_lines(LineRequest(kind="purge", lines=LINES, jug=True, in_air=True)),
    ],
)
def test_nothing_is_begun_before_its_plan_is_there(machine, work, ask):
    """Asked as often as answers are missing, a request begins one operation."""
    before = len(machine.engine.history(50))
    work.now = OnTheSecondAsking()
    with pytest.raises(NotYet):
        ask(machine.engine)
    assert len(machine.engine.history(50)) == before
    asked = ask(machine.engine)
    assert [one.operation for one in machine.engine.history(50)][:-before] == [asked.operation]


def test_the_menu_asks_for_all_its_plans_at_once(machine, work):
    known = machine.engine.menu()
    machine.guard.handle("engine", TakeCalibration(calibration=_faster(machine)))
    machine.pass_time(1.0)
    work.now = OnTheSecondAsking()
    with pytest.raises(NotYet) as caught:
        machine.engine.menu()
    assert len(caught.value.calls) > 1
    assert [one.recipe for one in machine.engine.menu()] == [one.recipe for one in known]


def _faster(machine):
    known = machine.engine.status().lines[0].calibration
    return replace(known, flow_ml_s=1.1 * known.flow_ml_s)


def test_nothing_is_searched_on_the_loop_and_a_lifted_glass_goes_on(machine, work, monkeypatch):
    """Plan, menu, pour and the rest after the glass was lifted: all searched by the worker."""

    async def party(beside):
        engine, work.now = machine.engine, beside
        for ask in (engine.menu, lambda: engine.plan(PourRequest(recipe="Orchard Fizz"))):
            await beside.ask(ask)
        operation = (await beside.ask(lambda: engine.pour(PourRequest(recipe="Orchard Fizz")))).operation
        machine.pass_time(4.0)
        machine.plant.lift_glass()
        machine.pass_time(2.0)
        assert engine.status().state == MachineState.HELD
        machine.plant.place_glass()
        for _ in range(400):
            machine.pass_time(0.2)
            await asyncio.sleep(0.02)
            if engine.operation(operation).outcome is not None:
                break
        return engine.operation(operation)

    def fail(*_):
        raise AssertionError("searched on the loop")

    schedule.shortest.cache_clear()
    monkeypatch.setattr(schedule, "shortest", fail)
    assert in_the_service(party).outcome == Outcome.DONE
