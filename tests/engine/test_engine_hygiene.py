"""Due times by the profile's intervals, what is overdue, and what goes on record; and the rest of a drink by hand."""

import pytest
from msgspec.structs import replace

from controller.engine.pouring import owed
from controller.engine.slices import at_once
from controller.errors import Refused
from controller.model.doses import Resolved
from controller.model.messages import (
    Changed,
    Delivery,
    Edge,
    Ended,
    InputReport,
    InputsChanged,
    LineChanged,
    Start,
    Unhold,
    Waiting,
)
from controller.model.requests import LineRequest, PastQuery, PourRequest
from controller.model.states import Contents, MachineState, OperationKind, Outcome
from tests.engine.played_guard import LIQUIDS, PROFILE, Desk, report

DAY_S, HOUR_S = 86_400.0, 3_600.0
JUICE, TEA, SODA = 1, 5, 6  # ordinary, tea, ordinary with 12 h of life once opened
LOW = Changed(
    state=MachineState.HELD,
    reason="low",
    operation="op1",
    waiting_for=f"container on line {SODA}",
    waiting=Waiting(kind="container", line=SODA),
)


@pytest.fixture
def desk():
    made = Desk()
    made.engine.on_event(with_times(made))
    yield made
    made.ledger.close()


def with_times(desk, **changes):
    """Every line opened, filled and first wetted now."""
    now_s = desk.clock.wall_s()
    times = {"opened_wall_s": now_s, "filled_wall_s": now_s, "wetted_wall_s": now_s}
    lines = tuple(replace(one, **(times | {"residues": (one.liquid,)} | changes)) for one in report().lines)
    return replace(report(), lines=lines)


def line(desk, number):
    return next(one for one in desk.engine.hygiene.lines() if one.line == number)


def change(desk, number, **changes):
    lines = with_times(desk).lines
    desk.engine.on_event(LineChanged(report=replace(next(one for one in lines if one.line == number), **changes)))


def test_every_line_is_due_by_what_it_carries(desk):
    now_s = desk.clock.wall_s()
    # 14 days: draught beer line practice (Brewers Association); 24 h: FDA Food Code 4-602.11(E), iced tea dispensers.
    assert line(desk, JUICE).clean_by_wall_s - now_s == 14 * DAY_S
    assert line(desk, TEA).clean_by_wall_s - now_s == 24 * HOUR_S
    # Tea that was in the tube before the juice still counts, until the line is cleaned.
    change(desk, JUICE, residues=("apple juice", "cold tea"))
    assert line(desk, JUICE).clean_by_wall_s - now_s == 24 * HOUR_S
    change(desk, JUICE, contents=Contents.RINSE_WATER, holds=None, residues=(), wetted_wall_s=None)
    assert line(desk, JUICE).clean_by_wall_s is None


def test_a_liquid_keeps_from_when_it_was_opened_or_filled_whichever_was_first(desk):
    now_s = desk.clock.wall_s()
    assert line(desk, SODA).keeps_until_wall_s - now_s == 12 * HOUR_S
    change(desk, SODA, opened_wall_s=now_s - 5 * HOUR_S)
    assert line(desk, SODA).keeps_until_wall_s - now_s == 7 * HOUR_S
    change(desk, SODA, filled_wall_s=now_s - 6 * HOUR_S)
    assert line(desk, SODA).keeps_until_wall_s - now_s == 6 * HOUR_S


def test_overdue_lines_do_not_serve_and_say_since_when(desk):
    desk.clock.move_to(26 * HOUR_S)
    assert line(desk, TEA).overdue == (
        "line 5: cold tea is 2.0 h past its time",  # its life, once opened, is a day as well
        "line 5: cleaning due since 2.0 h",
    )
    assert line(desk, JUICE).overdue == ()
    assert line(desk, TEA).next_step == "purge it, then clean and rinse it"
    at_a_glance = next(one for one in desk.engine.status().lines if one.line == TEA)
    assert at_a_glance.note == "cold tea is 2.0 h past its time; cleaning due since 2.0 h"
    with pytest.raises(Refused, match=r"cleaning due since 2\.0 h") as told:
        desk.engine.pour(PourRequest(recipe="Marquee Tea"))
    assert told.value.rule == "readiness"
    assert desk.of(Start) == []
    # What is purged is not served, and so not overdue; what it needs stands in the next step.
    change(desk, TEA, contents=Contents.EMPTY, holds=None)
    assert line(desk, TEA).overdue == ()


def test_a_cleaner_says_when_it_may_be_rinsed_out(desk):
    change(desk, JUICE, contents=Contents.CLEANER, holds=None, soaked_wall_s=desk.clock.wall_s() - 300.0)
    assert line(desk, JUICE).next_step == "rinse it in 15 min"
    desk.clock.move_to(PROFILE.hygiene.cleaner_contact_s)
    assert line(desk, JUICE).next_step == "rinse it"


def test_what_lines_hold_goes_on_record_once(desk):
    before = len(at_once(desk.engine.hygiene.record(PastQuery())).rows)
    desk.engine.on_event(with_times(desk))  # the same again
    assert len(at_once(desk.engine.hygiene.record(PastQuery())).rows) == before
    desk.clock.move_to(60.0)
    change(desk, JUICE, contents=Contents.UNKNOWN, holds=None)
    (newest,) = at_once(desk.engine.hygiene.record(PastQuery(since_wall_s=desk.clock.wall_s() - 1.0))).rows
    assert (newest.line, newest.event, newest.text) == (JUICE, "contents", "holds something unknown")
    assert line(desk, JUICE).since_wall_s == desk.clock.wall_s()


def test_a_cleaning_is_on_record_with_how_long_the_cleaner_stood(desk):
    now_s = desk.clock.wall_s()
    change(desk, JUICE, contents=Contents.CLEANER, holds=None, soaked_wall_s=now_s)
    desk.clock.move_to(1500.0)
    desk.engine.run_lines(LineRequest(kind="rinse", lines=(JUICE,), jug=True))
    desk.clock.move_to(1530.0)
    change(
        desk, JUICE, contents=Contents.RINSE_WATER, holds=None, residues=(), wetted_wall_s=None,
        cleaned_wall_s=desk.clock.wall_s(),
    )  # fmt: skip
    (row,) = [row for row in at_once(desk.engine.hygiene.record(PastQuery())).rows if row.event == "cleaned"]
    assert row.text == "cleaned and rinsed; the cleaner stood 25 min"


def test_a_prime_held_by_a_low_container_goes_on_with_what_is_left_of_it(desk):
    desk.engine.run_lines(LineRequest(kind="prime", lines=(JUICE, SODA), jug=True))
    desk.admit("op1", OperationKind.PRIME)
    runs = {run.line: run for run in desk.of(Start)[0].operation.segments[0].runs}
    first = min(runs.values(), key=lambda run: run.start_s)
    desk.engine.on_event(Edge(operation="op1", line=first.line, is_on=True, at_s=0.0))
    desk.clock.move_to(1.0)
    desk.engine.on_event(Edge(operation="op1", line=first.line, is_on=False, at_s=1.0))
    desk.engine.on_event(LOW)
    assert desk.engine.operation("op1").waiting == LOW.waiting
    desk.engine.confirm("op1")
    (unhold,) = desk.of(Unhold)
    left = {run.line: run.duration_s for run in unhold.runs}
    assert left[first.line] == pytest.approx(first.duration_s - 1.0)
    assert min(run.start_s for run in unhold.runs) == 0.0
    assert desk.engine.stock.view(SODA).remaining_ml == 5000.0  # a fresh one is taken to hang there


def test_a_container_that_is_still_low_is_not_gone_on_with(desk):
    desk.engine.pour(PourRequest(recipe="Orchard Fizz"))
    desk.admit()
    desk.engine.on_event(LOW)
    low = InputReport(stop_pressed=False, glass_present=True, low_lines=(SODA,))
    desk.engine.on_event(InputsChanged(inputs=low))
    with pytest.raises(Refused, match="still low"):
        desk.engine.confirm("op1")
    assert desk.of(Unhold) == []


# --- the rest of a drink

PHASES = (
    Resolved(doses=(), hand="add ice", takes_ml=60.0),
    Resolved(doses=(("tea", 100.0), ("juice", 60.0)), hand=None, takes_ml=0.0),
    Resolved(doses=(), hand="stir", takes_ml=0.0),
    Resolved(doses=(("juice", 20.0),), hand=None, takes_ml=0.0),
)


@pytest.mark.parametrize(
    ("delivered", "hands", "doses"),
    [
        ({"tea": 30.0}, [None, "stir", None], [{"tea": 70.0, "juice": 60.0}, {}, {"juice": 20.0}]),
        ({"tea": 100.0, "juice": 60.0}, ["stir", None], [{}, {"juice": 20.0}]),
        # What is delivered counts for the earliest dose; the stirring was done before the last one began.
        ({"tea": 100.0, "juice": 65.0}, [None], [{"juice": 15.0}]),
        # A trace is not worth a start.
        ({"tea": 99.9, "juice": 60.0}, ["stir", None], [{}, {"juice": 20.0}]),
        ({"tea": 100.0, "juice": 80.0}, [], []),
    ],
)
def test_what_is_owed_follows_from_what_was_delivered(delivered, hands, doses):
    rest = owed(PHASES, delivered)
    assert [phase.hand for phase in rest] == hands
    assert [dict(phase.doses) for phase in rest] == [pytest.approx(one) for one in doses]


def ended(desk, outcome, **delivered):
    """A served drink that ended this way, with so much of it delivered (mL, and what the guard takes for the most)."""
    desk.engine.pour(PourRequest(recipe="Blackcurrant Spritz"))
    operation = desk.engine.status().operation.operation
    desk.admit(operation)
    numbers = {liquid: number for number, liquid in LIQUIDS.items()}
    deliveries = tuple(
        Delivery(line=numbers[name], liquid=name, asked_ml=95.0, delivered_ml=ml, worst_ml=worst_ml, on_s=ml / 5.0)
        for name, (ml, worst_ml) in {key.replace("_", " "): both for key, both in delivered.items()}.items()
    )
    desk.engine.on_event(
        Ended(operation=operation, kind=OperationKind.SERVE, outcome=outcome, reason="", deliveries=deliveries)
    )
    desk.engine.on_event(Changed(state=MachineState.IDLE, reason=""))
    return operation


def rest_of(desk, operation):
    desk.engine.pour(PourRequest(recipe="Blackcurrant Spritz", rest_of=operation))
    runs = desk.of(Start)[-1].operation.segments[0].runs
    return {run.liquid: pytest.approx(run.volume_ml) for run in runs}


def test_the_rest_of_a_stopped_drink_is_what_was_not_delivered_and_so_is_the_rest_of_that(desk):
    first = ended(desk, Outcome.STOPPED, blackcurrant_cordial=(10.0, 11.0), soda=(20.0, 21.0))
    assert rest_of(desk, first) == {"blackcurrant cordial": 15.0, "soda": 75.0}
    second = desk.engine.status().operation.operation
    desk.admit(second)
    soda = Delivery(line=SODA, liquid="soda", asked_ml=75.0, delivered_ml=50.0, worst_ml=51.0, on_s=10.0)
    desk.engine.on_event(
        Ended(operation=second, kind=OperationKind.SERVE, outcome=Outcome.STOPPED, reason="", deliveries=(soda,))
    )
    desk.engine.on_event(Changed(state=MachineState.IDLE, reason=""))
    assert rest_of(desk, second) == {"blackcurrant cordial": 15.0, "soda": 25.0}


@pytest.mark.parametrize(
    ("outcome", "delivered", "words"),
    [
        (Outcome.DONE, {"soda": (95.0, 96.0)}, "did not end early: done"),
        (Outcome.STOPPED, {"soda": (0.0, 0.0)}, "poured nothing"),
        (Outcome.ABORTED, {"soda": (96.0, 96.0)}, "how far .* came is not known"),
    ],
)
def test_a_rest_that_is_not_known_is_not_poured(desk, outcome, delivered, words):
    operation = ended(desk, outcome, **delivered)
    with pytest.raises(Refused, match=words):
        rest_of(desk, operation)
    with pytest.raises(Refused, match="is no serving"):
        rest_of(desk, "nonsense")
