"""A book edited while bottles hang, and memories that differ, through real engine and guard, on the bench."""

import pytest
from msgspec.structs import replace

from controller.errors import FaultLatched, Refused
from controller.ledger.journal import MemoryJournal
from controller.model.calibration import Calibration
from controller.model.evening import ChangeRequest
from controller.model.messages import TakeCalibration
from controller.model.requests import AcknowledgeRequest, AssignRequest, LineRequest, PourRequest
from controller.model.states import Contents, Outcome
from controller.rehearsal.closing import carry_out
from controller.rehearsal.virtual_machine import VirtualMachine
from controller.rehearsal.weighing import prime_all
from tests.shipped import shipped

PROFILE, BOOK = shipped("bench_six_line", "harvest_supper")
FIZZ, GIN, JUICE = "Sloe Fizz", "sloe gin", "apple juice"  # 50 mL of gin at 26 %: 10.26 g of ethanol
GIN_LINE, JUICE_LINE, PERRY_LINE = 2, 1, 4


def edited(liquid, **figures):
    """The book with other figures of one liquid."""
    liquids = tuple(replace(one, **figures) if one.liquid == liquid else one for one in BOOK.liquids)
    return replace(BOOK, liquids=liquids)


def calibrate(machine):
    """By the bench's own truth."""
    for one in machine.plant.truth_report():
        known = {name: getattr(one, name) for name in ("line", "liquid", "flow_ml_s", "lag_s", "sag_per_a")}
        calibration = Calibration(**known, u_flow_ml_s=0.01, u_lag_s=0.01, cov_flow_lag=0.0)
        machine.guard.handle("engine", TakeCalibration(calibration=calibration))


@pytest.fixture
def machine():
    made = VirtualMachine(PROFILE, BOOK, seed=3)
    prime_all(made, tuple(line.line for line in PROFILE.lines))
    calibrate(made)
    made.plant.place_glass("tall glass")
    made.pass_time(3.0)
    yield made
    made.close()


def entry(machine, recipe=FIZZ):
    return next(one for one in machine.engine.menu() if one.recipe == recipe)


def pour(machine, recipe=FIZZ, times=1.0):
    if machine.plant.report().glass is not None:
        machine.plant.lift_glass()
    machine.plant.place_glass("tall glass")
    machine.pass_time(3.0)
    return machine.finish(machine.engine.pour(PourRequest(recipe=recipe, times=times)).operation)


def test_a_typist_who_writes_one_percent_pours_no_more_than_before(machine):
    weak = edited(GIN, abv_percent=1.0)
    assert entry(machine).ethanol_g == pytest.approx(50 * 0.26 * 0.78924)
    machine.restart(weak)
    assert entry(machine).ethanol_g == pytest.approx(50 * 0.26 * 0.78924)
    machine.plant.lift_glass()
    machine.plant.place_glass("tall glass")
    machine.pass_time(3.0)
    asked = machine.engine.pour(PourRequest(recipe=FIZZ, times=2.2)).operation
    machine.run_until(lambda: bool(machine.engine.operation(asked).refused), 5.0)
    assert "serving_ethanol" in {one.rule for one in machine.engine.operation(asked).refused}
    # A new bottle, and the tube purged: from then on the book of now counts.
    machine.engine.assign(AssignRequest(line=GIN_LINE, liquid=GIN, container_ml=700.0))
    machine.pass_time(1.0)
    assert entry(machine).ethanol_g == pytest.approx(50 * 0.26 * 0.78924)  # the tube still holds the old one
    run_jug(machine)
    purge = LineRequest(kind="purge", lines=(GIN_LINE,), jug=True, in_air=True)
    machine.plant.unhang(GIN_LINE)
    machine.finish(machine.engine.run_lines(purge).operation)
    machine.plant.hang(GIN_LINE, GIN, 700.0)
    assert entry(machine).ethanol_g == pytest.approx(50 * 0.01 * 0.78924)


def run_jug(machine):
    if machine.plant.report().glass is not None:
        machine.plant.lift_glass()
    machine.plant.place_glass(brim_ml=5000.0)
    machine.pass_time(1.0)


def test_an_allergen_told_late_is_on_every_menu_at_once_and_has_the_line_cleaned_before_another_liquid(machine):
    machine.restart(edited(JUICE, allergens=("nuts",)))
    assert "nuts" in entry(machine).may_contain
    view = machine.engine.sequences.change(ChangeRequest(line=JUICE_LINE, liquid=GIN, container_ml=700.0))
    kinds = [step.kind for step in carry_out(machine, view)]
    assert kinds == ["purge", "clean", "wait", "rinse", "prime"]
    assert "nuts" not in entry(machine).may_contain


def test_an_allergen_that_was_struck_out_stays_with_the_bottle(machine):
    machine.restart(edited("perry", allergens=()))
    assert "sulphites" in entry(machine, "Sloe Perry").allergens


def test_a_reassigned_line_and_a_lost_journal_end_in_a_question(machine):
    """Perry goes to the line of the juice; then the guard knows its book only, and the stock knows better."""
    view = machine.engine.sequences.change(ChangeRequest(line=JUICE_LINE, liquid="perry", container_ml=700.0))
    carry_out(machine, view)
    assert pour(machine, "Perry Spritz").outcome is Outcome.DONE
    machine.restart(BOOK, journal=MemoryJournal())
    status = machine.engine.status()
    assert status.fault is not None
    with pytest.raises(FaultLatched):
        machine.engine.pour(PourRequest(recipe="Orchard Vermouth"))
    machine.engine.acknowledge(AcknowledgeRequest(cause=status.fault))
    machine.pass_time(1.0)
    line = next(one for one in machine.engine.status().lines if one.line == JUICE_LINE)
    assert (line.liquid, line.contents) == (None, Contents.UNKNOWN)
    assert "tundish stock confirm 1" in line.note
    for recipe in ("Orchard Vermouth", "Perry Spritz"):
        assert entry(machine, recipe).missing
        assert "sulphites" in {*entry(machine, recipe).allergens, *entry(machine, recipe).may_contain}
    machine.engine.stock.confirm(JUICE_LINE)
    machine.pass_time(1.0)
    line = next(one for one in machine.engine.status().lines if one.line == JUICE_LINE)
    assert (line.liquid, line.contents) == ("perry", Contents.UNKNOWN)
    assert machine.engine.stock.view(JUICE_LINE).is_known_to_guard
    run_jug(machine)
    with pytest.raises(Refused, match="unknown"):  # until it is purged, cleaned and rinsed
        machine.finish(machine.engine.run_lines(LineRequest(kind="prime", lines=(JUICE_LINE,), jug=True)).operation)


def test_a_purge_from_the_bottle_leaves_syrup_in_the_tube_and_the_machine_knows(machine):
    """Nobody has lifted the suction tube: on the bench the tube is full, and the guard has it wetted."""
    run_jug(machine)
    machine.finish(machine.engine.run_lines(LineRequest(kind="purge", lines=(PERRY_LINE,), jug=True)).operation)
    (bench,) = [one for one in machine.plant.remember().lines if one.line == PERRY_LINE]
    assert sum(ml for fluid, ml in bench.tube if fluid == "perry") > 0.9 * sum(ml for _, ml in bench.tube)
    asked = AssignRequest(line=PERRY_LINE, liquid=JUICE, container_ml=3000.0)
    machine.engine.assign(asked)
    machine.pass_time(1.0)
    with pytest.raises(Refused, match="sulphites"):
        machine.finish(machine.engine.run_lines(LineRequest(kind="prime", lines=(PERRY_LINE,), jug=True)).operation)
