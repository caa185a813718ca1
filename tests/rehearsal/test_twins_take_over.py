"""A twin takes over from a line that ran dry wherever it stands: idle, through with its share, in a later part."""

import pytest
from msgspec.structs import replace

from controller.guard.contacts import POLL_UNDER_WAY_S
from controller.model.book import Dose, Phase, Recipe
from controller.model.evening import EmptyRequest, RefillRequest
from controller.model.requests import PourRequest
from controller.model.states import MachineState, Outcome
from tests.ready_machine import BOOK, PROFILE, ready_machine
from tests.rehearsal.test_virtual_machine import is_any_on

JUICE, TWIN = 1, 5
DOSE_ML = 80.0
TWO_PARTS = Recipe(
    recipe="juice in two parts",
    glass="tall glass",
    phases=(
        Phase(doses=(Dose(liquid="apple juice", volume_ml=DOSE_ML),)),
        Phase(hand="stir"),
        Phase(doses=(Dose(liquid="apple juice", volume_ml=DOSE_ML),)),
    ),
)
PLAIN = replace(TWO_PARTS, recipe="juice", phases=TWO_PARTS.phases[:1])


def made(*, at_once: int):
    """A machine with juice on two lines, of which so many may pour at once."""
    lines = tuple(replace(one, liquid="apple juice") if one.line == TWIN else one for one in BOOK.lines)
    profile = replace(PROFILE, caps=replace(PROFILE.caps, concurrent=at_once))
    book = replace(BOOK, lines=lines, recipes=(*BOOK.recipes, PLAIN, TWO_PARTS))
    return ready_machine(profile, book, poll_under_way_s=POLL_UNDER_WAY_S)


@pytest.fixture
def one_at_once():
    """No plan shares a dose: every twin is idle."""
    machine = made(at_once=1)
    yield machine
    machine.close()


def begun(machine, recipe, seconds=3.0):
    operation = machine.engine.pour(PourRequest(recipe=recipe)).operation
    machine.pass_time(seconds)
    return operation


def lines_of(machine, operation):
    return {one.line: one for one in machine.engine.operation(operation).lines}


def runs_dry(machine, line):
    machine.engine.stock.empty(EmptyRequest(line=line))
    machine.pass_time(1.0)


def in_glass_ml(machine):
    machine.pass_time(2.0)
    return machine.plant.glass_contents_ml()["apple juice"]


@pytest.mark.parametrize("is_lifted", [False, True])
def test_an_idle_twin_takes_over(one_at_once, is_lifted):
    operation = begun(one_at_once, "juice")
    (pouring,) = lines_of(one_at_once, operation)
    idle = TWIN if pouring == JUICE else JUICE
    if is_lifted:
        one_at_once.plant.lift_glass()
        one_at_once.pass_time(0.5)
    runs_dry(one_at_once, pouring)
    assert is_any_on(one_at_once) is not is_lifted
    if is_lifted:
        one_at_once.plant.place_glass()
    view = one_at_once.finish(operation)
    assert view.outcome == Outcome.DONE
    poured = {one.line: one for one in view.lines}
    assert poured[idle].delivered_ml == pytest.approx(poured[idle].asked_ml, abs=1.0)
    assert in_glass_ml(one_at_once) == pytest.approx(DOSE_ML, abs=2.0)


def test_what_took_over_is_booked_from_its_own_container(one_at_once):
    before = {line: one_at_once.plant.container_ml(line) for line in (JUICE, TWIN)}
    booked = {one.line: one.remaining_ml for one in one_at_once.engine.status().lines}
    operation = begun(one_at_once, "juice")
    (pouring,) = lines_of(one_at_once, operation)
    idle = TWIN if pouring == JUICE else JUICE
    runs_dry(one_at_once, pouring)
    one_at_once.finish(operation)
    one_at_once.pass_time(2.0)
    after = {one.line: one.remaining_ml for one in one_at_once.engine.status().lines}
    drawn_ml = before[idle] - one_at_once.plant.container_ml(idle)
    assert drawn_ml > 20.0
    assert booked[idle] - after[idle] == pytest.approx(drawn_ml, abs=2.0)


def test_a_line_that_ran_dry_is_replaced_in_a_later_part_too(one_at_once):
    operation = begun(one_at_once, "juice in two parts")
    (pouring,) = lines_of(one_at_once, operation)
    runs_dry(one_at_once, pouring)
    while one_at_once.engine.operation(operation).waiting_for != "stir":
        one_at_once.pass_time(0.5)
    one_at_once.engine.confirm(operation)
    view = one_at_once.finish(operation)
    assert view.outcome == Outcome.DONE
    assert {one.line: one for one in view.lines}[pouring].delivered_ml < DOSE_ML / 2
    assert in_glass_ml(one_at_once) == pytest.approx(2 * DOSE_ML, abs=3.0)


def test_a_twin_with_too_little_left_does_not_take_over(one_at_once):
    for line in (JUICE, TWIN):  # enough for either to begin, for neither to end what the other began
        one_at_once.engine.stock.refill(RefillRequest(line=line, container_ml=1.1 * DOSE_ML, tube_full=True))
    one_at_once.pass_time(0.5)
    operation = begun(one_at_once, "juice in two parts")
    pouring = next(iter(lines_of(one_at_once, operation)))
    runs_dry(one_at_once, pouring)
    one_at_once.pass_time(5.0)
    assert not is_any_on(one_at_once)
    assert one_at_once.engine.operation(operation).waiting_for == f"container on line {pouring}"


def test_with_both_dry_the_pour_waits_for_a_container():
    machine = made(at_once=4)
    operation = begun(machine, "juice", 2.0)
    runs_dry(machine, JUICE)
    assert is_any_on(machine)
    runs_dry(machine, TWIN)
    machine.pass_time(5.0)
    assert not is_any_on(machine)
    assert machine.engine.status().state == MachineState.HELD
    assert machine.engine.operation(operation).waiting_for == f"container on line {TWIN}"
    machine.engine.stop()
    assert machine.finish(operation).outcome == Outcome.STOPPED
    machine.close()
