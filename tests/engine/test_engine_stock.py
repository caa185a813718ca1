"""Containers: what is booked, how sure it is, what people correct, and what the guard is told."""

import pytest
from msgspec.structs import replace

from controller.engine.stock_uncertainty import spreads
from controller.errors import Refused
from controller.metering.package_tolerance import tolerable_error_ml
from controller.model.calibration import Calibration
from controller.model.evening import EmptyRequest, RefillRequest, StockWeighingRequest
from controller.model.messages import Assign, Changed, Delivery, Ended, LineChanged, RanDry
from controller.model.requests import AssignRequest, PourRequest
from controller.model.states import MachineState, OperationKind, Outcome
from tests.engine.played_guard import LIQUIDS, Desk, report

DRINK, SYRUP = "Orchard Fizz", 3


@pytest.fixture
def desk():
    made = Desk(report())
    yield made
    made.ledger.close()


def delivery(line, delivered_ml, worst_ml):
    return Delivery(
        line=line, liquid=LIQUIDS[line], asked_ml=delivered_ml, delivered_ml=delivered_ml, worst_ml=worst_ml, on_s=6.0
    )


def ended(desk, *deliveries, outcome=Outcome.DONE):
    desk.engine.pour(PourRequest(recipe=DRINK))
    operation = desk.engine.status().operation.operation
    desk.admit(operation)
    desk.engine.on_event(
        Ended(operation=operation, kind=OperationKind.SERVE, outcome=outcome, reason="", deliveries=deliveries)
    )
    desk.engine.on_event(Changed(state=MachineState.IDLE, reason=""))


@pytest.mark.parametrize(
    ("nominal_ml", "tolerable_ml"),
    # Directive 76/211/EEC, Annex I, 2.4 (from memory): 9 %, 4.5 mL, 4.5 %, 9 mL, 3 %, 15 mL, 1.5 %.
    [(50, 4.5), (100, 4.5), (200, 9.0), (250, 9.0), (300, 9.0), (500, 15.0), (700, 15.0), (1000, 15.0), (3000, 45.0)],
)
def test_a_fresh_container_is_as_sure_as_prepackages_have_to_be(desk, nominal_ml, tolerable_ml):
    assert tolerable_error_ml(nominal_ml) == pytest.approx(tolerable_ml)
    desk.engine.assign(AssignRequest(line=SYRUP, liquid=LIQUIDS[SYRUP], container_ml=nominal_ml))
    assert desk.engine.stock.view(SYRUP).sure_ml == pytest.approx(nominal_ml - tolerable_ml)


def test_common_errors_add_up_and_random_ones_add_in_quadrature(desk):
    """GUM, JCGM 100:2008, 5.2.2, note 1: fully correlated contributions add linearly, others by the square."""
    law = Calibration(
        line=SYRUP, liquid=LIQUIDS[SYRUP], flow_ml_s=5.0, lag_s=0.0, u_flow_ml_s=0.05, u_lag_s=0.0, cov_flow_lag=0.0,
        scatter_ml=0.4, scatter_dof=20.0,
    )  # fmt: skip
    (spread,) = spreads([delivery(SYRUP, 30.0, 33.0)], {SYRUP: law}).values()
    assert (spread.shared_ml, spread.random_ml) == pytest.approx((6.0 * 0.05, 0.4))
    lines = tuple(replace(one, calibration=law) if one.line == SYRUP else one for one in report().lines)
    desk.engine.on_event(replace(report(), lines=lines))
    before = desk.engine.stock.view(SYRUP)
    for _ in range(4):
        ended(desk, delivery(SYRUP, 30.0, 33.0))
        desk.clock.move_to(desk.clock.now_s() + 10.0)
    after = desk.engine.stock.view(SYRUP)
    assert after.remaining_ml == pytest.approx(before.remaining_ml - 120.0)
    assert after.u_ml == pytest.approx((7.5**2 + (4 * 0.3) ** 2 + 4 * 0.4**2) ** 0.5)


def test_without_a_calibration_the_guards_bound_says_how_sure_a_delivery_is():
    (spread,) = spreads([delivery(SYRUP, 17.0, 20.0)], {}).values()
    assert (spread.shared_ml, spread.random_ml) == pytest.approx((1.0, 0.0))


def test_an_operation_that_ended_early_is_booked_at_worst_with_what_may_be_left(desk):
    ended(desk, delivery(SYRUP, 10.0, 12.0), outcome=Outcome.STOPPED)
    view = desk.engine.stock.view(SYRUP)
    assert view.remaining_ml == pytest.approx(700.0 - 12.0)
    assert view.perhaps_more_ml == pytest.approx(2.0)
    # After a crash nothing but the worst case is known: all of it may still be there.
    ended(desk, delivery(SYRUP, 15.0, 15.0), outcome=Outcome.ABORTED)
    assert desk.engine.stock.view(SYRUP).perhaps_more_ml == pytest.approx(17.0)


def test_weighing_corrects_what_is_left_and_keeps_the_tare(desk):
    ended(desk, delivery(SYRUP, 10.0, 12.0), outcome=Outcome.STOPPED)
    with pytest.raises(Refused, match="--tare"):
        desk.engine.stock.weigh(StockWeighingRequest(line=SYRUP, grams=800.0))
    change = desk.engine.stock.weigh(StockWeighingRequest(line=SYRUP, grams=815.0, tare_g=200.0))
    # 615 g of a 50 % sugar solution, 1229.5 kg/m3 at 20 C (CRC handbook), and 0.085 % of buoyancy: 500.6 mL.
    assert change.now.remaining_ml == pytest.approx(500.6, abs=0.2)
    assert change.booked_ml == pytest.approx(688.0)
    assert (change.now.perhaps_more_ml, change.now.tare_g) == (0.0, 200.0)
    assert change.now.u_ml < 2.0
    assert desk.engine.stock.weigh(StockWeighingRequest(line=SYRUP, grams=692.0)).now.remaining_ml < 402.0


@pytest.mark.parametrize("grams", [150.0, 1200.0])
def test_a_weight_that_cannot_be_is_refused_and_changes_nothing(desk, grams):
    before = desk.engine.stock.view(SYRUP)
    with pytest.raises(Refused, match="Check both weights"):
        desk.engine.stock.weigh(StockWeighingRequest(line=SYRUP, grams=grams, tare_g=200.0))
    assert desk.engine.stock.view(SYRUP) == before


def test_empty_is_empty_whatever_the_books_say(desk):
    assert desk.engine.stock.empty(EmptyRequest(line=SYRUP)).booked_ml == 700.0
    assert desk.of(RanDry) == [RanDry(line=SYRUP)]
    assert desk.engine.stock.view(SYRUP).sure_ml == 0.0
    with pytest.raises(Refused, match="ginger syrup: 15 mL short, 0 mL left"):
        desk.engine.pour(PourRequest(recipe=DRINK))
    change = desk.engine.stock.refill(RefillRequest(line=SYRUP))
    assert (change.now.remaining_ml, change.now.container_ml) == (700.0, 700.0)
    desk.engine.pour(PourRequest(recipe=DRINK))


def test_the_guard_is_told_how_long_ago_a_container_was_opened(desk):
    desk.engine.stock.refill(RefillRequest(line=SYRUP, container_ml=1000.0, opened_ago_s=7200.0))
    (told,) = desk.of(Assign)
    assert (told.line, told.liquid, told.opened_ago_s) == (SYRUP, LIQUIDS[SYRUP], pytest.approx(7200.0))
    assert not desk.engine.stock.view(SYRUP).is_known_to_guard
    line = next(one for one in report().lines if one.line == SYRUP)
    opened_s = desk.clock.wall_s() - 7200.0
    desk.engine.on_event(LineChanged(report=replace(line, opened_wall_s=opened_s)))
    assert desk.engine.stock.view(SYRUP).is_known_to_guard
    assert desk.of(Assign) == [told]


def test_another_liquid_is_not_hung_while_pumps_run(desk):
    desk.engine.pour(PourRequest(recipe=DRINK))
    desk.admit()
    with pytest.raises(Refused, match="only while it rests"):
        desk.engine.assign(AssignRequest(line=SYRUP, liquid="soda", container_ml=500.0))
    assert desk.engine.stock.view(SYRUP).liquid == LIQUIDS[SYRUP]
    desk.engine.stock.refill(RefillRequest(line=SYRUP))  # the same liquid may be
    assert desk.of(Assign) == []
    desk.engine.on_event(
        Ended(operation="op1", kind=OperationKind.SERVE, outcome=Outcome.STOPPED, reason="", deliveries=())
    )
    desk.engine.on_event(Changed(state=MachineState.IDLE, reason=""))
    assert len(desk.of(Assign)) == 1
