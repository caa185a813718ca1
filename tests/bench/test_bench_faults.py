"""Every fault, brought in and taken away again."""

from typing import get_args

import pytest

from controller.bench.faults import SIPHON_ML_S, FaultKind, InjectedFault
from controller.errors import Refused
from tests.bench import fete_machine as fete
from tests.bench.desk import Desk, ideal_truth


@pytest.fixture
def desk() -> Desk:
    one = Desk(truth=ideal_truth(fete.profile()))
    one.fill(6)
    one.plant.place_glass("tumbler")
    return one


def test_a_relay_that_sticks_on_pours_until_it_comes_free(desk):
    stuck = InjectedFault(kind="relay stuck on", line=6)
    desk.switch(6, True)
    desk.wait(1.0)
    desk.plant.inject(stuck)
    desk.switch(6, False)
    desk.wait(20.0)
    assert desk.plant.report().lines[5].contact_closed
    assert desk.plant.report().lines[5].relay_pulled_in is False
    assert desk.plant.glass_contents_ml()["soda"] > 20.0
    desk.plant.clear(stuck)
    desk.wait(1.0)
    assert not desk.plant.report().lines[5].contact_closed
    assert not desk.plant.moves()


def test_a_relay_that_sticks_off_never_pours(desk):
    desk.plant.inject(InjectedFault(kind="relay stuck off", line=6))
    assert desk.run(6, 10.0) == 0
    desk.plant.clear(InjectedFault(kind="relay stuck off", line=6))
    assert desk.run(6, 10.0) > 10.0


def test_a_slow_relay_closes_and_opens_later(desk):
    desk.plant.inject(InjectedFault(kind="relay slow", line=6, amount=0.25))
    start_s = desk.clock.now_s()
    desk.run(6, 1.0)
    closed, opened = desk.plant.trace.contacts(6)[-2:]
    line = desk.plant.truth.lines[6]
    assert closed.at_s == pytest.approx(start_s + 0.25 + line.operate_s)
    assert opened.at_s == pytest.approx(start_s + 1.25 + line.release_s)


def test_a_stalled_pump_draws_its_inrush_and_moves_nothing(desk):
    desk.switch(6, True)
    desk.wait(5.0)
    running_a = desk.plant.report().pumps_a
    desk.plant.inject(InjectedFault(kind="pump stalled", line=6))
    before_ml = desk.plant.true_delivered_ml(6)
    desk.wait(5.0)
    assert desk.plant.true_delivered_ml(6) == before_ml
    assert desk.plant.report().pumps_a > 3 * running_a
    desk.plant.clear(InjectedFault(kind="pump stalled", line=6))
    desk.wait(5.0)
    assert desk.plant.true_delivered_ml(6) > before_ml + 5.0


def test_a_tube_that_came_off_pours_into_the_tray(desk):
    desk.plant.inject(InjectedFault(kind="tube off", line=6))
    delivered_ml = desk.run(6, 10.0)
    assert desk.plant.glass_contents_ml().get("soda", 0.0) == pytest.approx(0.0, abs=1e-3)
    assert desk.plant.report().tray_ml["soda"] > 0.9 * delivered_ml


def test_a_worn_tube_delivers_that_much_less(desk):
    new_ml = desk.run(6, 20.0)
    desk.plant.inject(InjectedFault(kind="tube worn", line=6, amount=0.08))
    assert desk.run(6, 20.0) == pytest.approx(0.92 * new_ml, rel=1e-6)


def test_an_empty_container_lets_the_line_run_dry(desk):
    desk.plant.inject(InjectedFault(kind="container empty", line=6))
    tube_ml = desk.plant.truth.lines[6].suction_ml + desk.plant.truth.lines[6].delivery_ml
    assert desk.run(6, 30.0) == pytest.approx(tube_ml, abs=1e-6)
    desk.plant.clear(InjectedFault(kind="container empty", line=6))
    assert desk.run(6, 30.0) == 0
    desk.plant.hang(6, "soda", 500.0)
    assert desk.run(6, 30.0) > 20.0


@pytest.mark.parametrize("closed", [True, False])
def test_a_stuck_input_says_one_thing_whatever_happens(desk, closed):
    stuck = InjectedFault(kind="input stuck", contact="glass", closed=closed)
    desk.plant.inject(stuck)
    assert desk.plant.contacts()["glass"] is closed
    desk.plant.lift_glass()
    assert desk.plant.contacts()["glass"] is closed
    desk.plant.clear(stuck)
    assert desk.plant.contacts()["glass"] is False


def test_faults_stand_in_the_report_until_cleared_and_a_new_amount_replaces_the_old(desk):
    first, second = (InjectedFault(kind="relay slow", line=1, amount=amount) for amount in (0.1, 0.2))
    other = InjectedFault(kind="relay slow", line=2, amount=0.3)
    for fault in (first, other, second):
        desk.plant.inject(fault)
    assert set(desk.plant.report().faults) == {other, second}
    desk.plant.clear(first)
    assert desk.plant.report().faults == (other,)


@pytest.mark.parametrize("kind", get_args(FaultKind))
def test_faults_of_what_the_machine_does_not_have_are_refused(desk, kind):
    with pytest.raises(Refused, match=r"there is no (line|contact)|has no (main relay|scale)"):
        desk.plant.inject(InjectedFault(kind=kind, line=9, contact="door"))
    assert desk.plant.report().faults == ()


@pytest.mark.parametrize(("kind", "amount"), [("relay slow", -0.1), ("relay slow", 11.0), ("tube worn", 1.0)])
def test_impossible_amounts_are_refused(desk, kind, amount):
    with pytest.raises(Refused, match=r"from 0 to"):
        desk.plant.inject(InjectedFault(kind=kind, line=1, amount=amount))


def test_a_dead_pump_draws_nothing_and_stops_in_mid_run(desk):
    dead = InjectedFault(kind="pump dead", line=6)
    desk.switch(6, True)
    desk.wait(5.0)
    desk.plant.inject(dead)
    before_ml = desk.plant.true_delivered_ml(6)
    desk.wait(5.0)
    assert desk.plant.true_delivered_ml(6) - before_ml < 0.2  # it coasts
    assert desk.plant.report().pumps_a == 0
    desk.plant.clear(dead)  # the contact is still closed
    desk.wait(5.0)
    assert desk.plant.true_delivered_ml(6) - before_ml > 5.0
    desk.switch(6, False)
    desk.wait(1.0)
    desk.plant.inject(dead)
    assert desk.run(6, 5.0) == pytest.approx(0.0, abs=1e-9)


def test_a_blocked_tube_lets_its_pump_turn_and_nothing_through(desk):
    desk.plant.inject(InjectedFault(kind="tube blocked", line=6))
    desk.switch(6, True)
    before_ml = desk.plant.true_delivered_ml(6)
    desk.wait(5.0)
    assert desk.plant.report().pumps_a > 0.2
    assert desk.plant.true_delivered_ml(6) == before_ml
    desk.plant.clear(InjectedFault(kind="tube blocked", line=6))
    desk.wait(5.0)
    assert desk.plant.true_delivered_ml(6) > before_ml + 5.0


def test_a_tube_that_wears_in_mid_run_lets_the_flow_fall_at_once(desk):
    desk.switch(6, True)
    desk.wait(5.0)
    flow_ml_s = desk.plant.report().lines[5].flow_ml_s
    desk.plant.inject(InjectedFault(kind="tube worn", line=6, amount=0.5))
    assert desk.plant.report().lines[5].flow_ml_s == pytest.approx(0.5 * flow_ml_s)


def test_a_siphon_empties_its_container_through_a_pump_at_rest_and_no_further(desk):
    desk.plant.hang(6, "soda", 10.0)
    desk.plant.inject(InjectedFault(kind="siphon", line=6))
    before_ml = desk.plant.true_delivered_ml(6)
    desk.wait(4.0)
    assert desk.plant.true_delivered_ml(6) - before_ml == pytest.approx(4 * SIPHON_ML_S)
    assert desk.plant.container_ml(6) == pytest.approx(10.0 - 4 * SIPHON_ML_S)
    desk.plant.inject(InjectedFault(kind="siphon", line=6, amount=2.0))
    desk.wait(60.0)
    assert desk.plant.container_ml(6) == pytest.approx(0.0, abs=1e-6)
    assert desk.plant.true_delivered_ml(6) - before_ml == pytest.approx(10.0, abs=1e-6)
    assert not desk.plant.moves()


@pytest.mark.parametrize("line", range(1, 7))
def test_no_fault_of_one_line_reaches_another(desk, line):
    for kind in ("pump dead", "tube blocked", "siphon"):
        desk.plant.inject(InjectedFault(kind=kind, line=line))
    others = [one for one in desk.gpio if one != line]
    before_ml = {one: desk.plant.container_ml(one) for one in others}
    desk.run(others[0], 10.0)
    assert [one for one in others if desk.plant.container_ml(one) < before_ml[one]] == others[:1]
