"""Every cap with numbers worked by hand. All pumps: 2 mL/s, 0.5 A, inrush 1.5 A for 0.1 s."""

import dataclasses

import pytest
from msgspec.structs import replace

from controller.model.plan import Interval, Operation, Segment
from controller.model.states import Contents, OperationKind
from controller.safety.admission import start
from controller.safety.records import LineState, Serving
from tests.guard.guard_parts import line, prime, profile, run_of, serve, with_caps
from tests.safety.core_parts import NOW_S, calibration, filled, refusals, situation

JUICE, SYRUP, TEA, GIN = "apple juice", "ginger syrup", "cold tea", "sloe gin"


def of_kind(kind: OperationKind, *runs, jug: bool = True) -> Operation:
    return Operation(operation="x1", kind=kind, segments=(Segment(runs=runs),), jug=jug)


def test_a_serving_within_every_cap_is_admitted():
    assert refusals(serve(run_of(1, JUICE, 0, 25), run_of(2, SYRUP, 0.2, 5))) == {}


def test_every_violation_is_named_at_once():
    found = start(serve(run_of(1, JUICE, 0, 130), run_of(4, GIN, 0, 100)), situation())
    assert sorted(one.rule for one in found) == [
        "glass", "operation_on", "run_on", "run_on", "serving_ethanol", "serving_time", "serving_volume", "start_gap",
    ]  # fmt: skip


def test_serving_volume():
    # 2 mL/s for 100 s and for 101 s: 402 mL.
    found = refusals(serve(run_of(1, JUICE, 0, 85), run_of(2, SYRUP, 0.2, 85), run_of(3, TEA, 0.4, 31)))
    assert (found["serving_volume"].asked, found["serving_volume"].allowed) == ("402.0 mL", "400.0 mL")
    assert "serving_volume" not in refusals(
        serve(run_of(1, JUICE, 0, 85), run_of(2, SYRUP, 0.2, 85), run_of(3, TEA, 0.4, 30))
    )


def test_an_uncalibrated_pump_counts_by_the_upper_edge_of_its_band():
    # As bought 25 % more than 2 mL/s: for 80 s on two lines 400 mL; a second more is over.
    now = situation(calibrations=())
    assert "serving_volume" not in refusals(serve(run_of(1, JUICE, 0, 80), run_of(2, SYRUP, 0.2, 80)), now)
    found = refusals(serve(run_of(1, JUICE, 0, 80), run_of(2, SYRUP, 0.2, 81)), now)
    assert found["serving_volume"].asked == "402.5 mL"


def test_no_calibration_talks_a_volume_down():
    # A lag of 1 s, sag, a flow at the lower edge: the pump may move 2.5 mL/s for 26 s all the same, twice.
    small = tuple(calibration(n, name, flow_ml_s=1.5, lag_s=1.0, sag_per_a=0.1) for n, name in ((1, JUICE), (2, SYRUP)))
    operation = serve(run_of(1, JUICE, 0, 26), run_of(2, SYRUP, 0.1, 26))
    now = situation(with_caps(serving_volume_ml=129.9), calibrations=())
    now = dataclasses.replace(now, memory=replace(now.memory, calibrations=small))
    assert refusals(operation, now)["serving_volume"].asked == "130.0 mL"


def test_a_hundred_short_pulses_count_in_full():
    # 57 pulses of 1 s with a lag of 1 s: by the calibration nothing, by the band 57 x (1 s + 60 ms / 2) x 2.5 mL/s.
    pulses = [run_of(1, JUICE, 2 * k, 1.0) for k in range(57)]
    coasting = replace(profile(), lines=(replace(profile().lines[0], pump=replace(line(1).pump, coast_s=0.06)),))
    machine = replace(coasting, caps=replace(coasting.caps, serving_volume_ml=146.0))
    now = situation(machine, calibrations=())
    now = dataclasses.replace(now, memory=replace(now.memory, calibrations=(calibration(1, JUICE, lag_s=1.0),)))
    assert refusals(serve(*pulses), now)["serving_volume"].asked == "146.8 mL"


def test_glass_with_what_hand_steps_take():
    # The tumbler: usable 250 mL, brim 300 mL. 2 mL/s x 76 s = 152 mL and 100 mL of ice.
    ice = Segment(runs=(run_of(1, JUICE, 0, 76),), hand="add ice", takes_ml=100)
    operation = replace(serve(run_of(1, JUICE, 0, 1)), segments=(ice,))
    assert refusals(operation)["glass"].asked == "252.0 mL"
    fits = replace(ice, runs=(run_of(1, JUICE, 0, 75),))
    assert refusals(replace(operation, segments=(fits,))) == {}


def test_glass_at_worst_must_stay_under_the_brim():
    # 100 mL as planned, but u(flow) = 0.7 mL/s: at worst 2 x 50 + 3 x 0.7 x 50 = 205 mL. With 100 mL of ice: 305 mL.
    now = situation(calibrations=(calibration(1, JUICE, u_flow_ml_s=0.7),))
    ice = Segment(runs=(run_of(1, JUICE, 0, 50),), hand="add ice", takes_ml=100)
    operation = replace(serve(run_of(1, JUICE, 0, 1)), segments=(ice,))
    assert "at worst 305.0 mL" in refusals(operation, now)["glass"].reason


def test_a_glass_that_the_book_does_not_know():
    assert refusals(serve(run_of(1, JUICE, 0, 1), glass="bucket"))["glass"].allowed == "tumbler"


def test_serving_time():
    runs = [run_of(1, JUICE, 0, 10), run_of(2, SYRUP, 80, 41)]
    assert refusals(serve(*runs))["serving_time"].asked == "121.0 s"
    assert refusals(serve(runs[0], run_of(2, SYRUP, 80, 40))) == {}


def test_time_is_counted_over_all_segments_end_to_end():
    operation = replace(
        serve(run_of(1, JUICE, 0, 1)),
        segments=(Segment(runs=(run_of(1, JUICE, 0, 61),)), Segment(runs=(run_of(2, SYRUP, 0, 60),), hand="stir")),
    )
    assert refusals(operation)["serving_time"].asked == "121.0 s"


def test_serving_ethanol():
    # 50 mL at 26 % vol: 50 x 0.26 x 0.78924 g/mL = 10.26 g; 100 mL: 20.52 g.
    assert "serving_ethanol" not in refusals(serve(run_of(4, GIN, 0, 25)))
    found = refusals(serve(run_of(4, GIN, 0, 50)))["serving_ethanol"]
    assert (found.asked, found.allowed, found.remedy) == ("20.5 g", "20.0 g", "Pour at most 0.97 of it.")


def test_hour_ethanol():
    # 50.4 g within the hour and 10.26 g more: 60.66 g. What is an hour old does not count.
    recent = tuple(Serving(at_s=NOW_S - 3599 + i, ethanol_g=16.8) for i in range(3))
    operation = serve(run_of(4, GIN, 0, 25))
    found = refusals(operation, situation(servings=recent))["hour_ethanol"]
    assert (found.asked, found.allowed) == ("60.7 g", "60.0 g")
    gone = (replace(recent[0], at_s=NOW_S - 3600), *recent[1:])
    assert refusals(operation, situation(servings=gone)) == {}
    assert refusals(serve(run_of(1, JUICE, 0, 25)), situation(servings=recent)) == {}  # without alcohol


def test_hour_servings():
    recent = tuple(Serving(at_s=NOW_S - 1800, ethanol_g=0.0) for _ in range(30))
    found = refusals(serve(run_of(1, JUICE, 0, 1)), situation(servings=recent))["hour_servings"]
    assert (found.asked, found.allowed) == ("31", "30")
    assert found.remedy == "The oldest serving leaves the hour in 30 min."
    assert refusals(serve(run_of(1, JUICE, 0, 1)), situation(servings=recent[1:])) == {}


def test_serving_pause():
    operation = serve(run_of(1, JUICE, 0, 1))
    found = refusals(operation, situation(last_serving_s=NOW_S - 1.5))["serving_pause"]
    assert (found.asked, found.allowed, found.remedy) == ("1.5 s", "2.0 s", "Wait 0.5 s.")
    assert refusals(operation, situation(last_serving_s=NOW_S - 2.0)) == {}


def test_run_on():
    found = refusals(serve(run_of(1, JUICE, 0, 90.5)))["run_on"]
    assert (found.asked, found.allowed) == ("90.5 s", "90.0 s")
    # One part in a million is rounding, a little more is not.
    assert refusals(serve(run_of(1, JUICE, 0, 90 * (1 + 0.9e-6)))) == {}
    assert set(refusals(serve(run_of(1, JUICE, 0, 90 * (1 + 1.1e-6))))) == {"run_on"}


def test_operation_on():
    found = refusals(serve(run_of(1, JUICE, 0, 60), run_of(1, JUICE, 61, 41)))
    assert (found["operation_on"].asked, found["operation_on"].allowed) == ("101.0 s", "100.0 s")
    assert "run_on" not in found


def test_duty():
    # 600 s of 1200 s are allowed. 550 s were used in the last 1100 s; 60 s more make 610 s within the window.
    past = (Interval(line=1, start_s=NOW_S - 1100, end_s=NOW_S - 550),)
    found = refusals(serve(run_of(1, JUICE, 0, 60)), situation(on_times=past))["duty"]
    assert (found.asked, found.allowed) == ("610 s", "600 s")
    assert refusals(serve(run_of(2, SYRUP, 0, 60)), situation(on_times=past)) == {}
    # The window moves on while the operation runs: 1150 s ago only 540 s of the past are inside when it ends.
    earlier = (Interval(line=1, start_s=NOW_S - 1150, end_s=NOW_S - 600),)
    assert refusals(serve(run_of(1, JUICE, 0, 60)), situation(on_times=earlier)) == {}


def test_start_gap():
    found = refusals(serve(run_of(1, JUICE, 0, 10), run_of(2, SYRUP, 0.06, 10)))["start_gap"]
    assert (found.asked, found.allowed) == ("60 ms", "100 ms")
    assert refusals(serve(run_of(1, JUICE, 0, 10), run_of(2, SYRUP, 0.1, 10))) == {}
    assert refusals(serve(run_of(1, JUICE, 0, 10), run_of(2, SYRUP, 0.3, 10), run_of(3, TEA, 0.3 - 0.1, 10))) == {}


def test_start_gap_later_on_and_over_segments():
    found = refusals(serve(run_of(1, JUICE, 0.9, 10), run_of(2, SYRUP, 0.96, 10)))["start_gap"]
    assert found.asked == "60 ms"
    short = replace(
        serve(run_of(1, JUICE, 0, 1)),
        segments=(Segment(runs=(run_of(1, JUICE, 0, 0.07),)), Segment(runs=(run_of(2, SYRUP, 0, 5),))),
    )
    assert refusals(short)["start_gap"].asked == "70 ms"


def test_current_with_inrush():
    # Three running (1.5 A) and one starting (1.5 A) are 3.0 A, the cap; 2.99 A is less than that.
    runs = [run_of(n, name, n * 0.2, 10) for n, name in ((1, JUICE), (2, SYRUP), (3, TEA), (4, GIN))]
    assert refusals(serve(*runs)) == {}
    found = refusals(serve(*runs), situation(with_caps(current_a=2.99)))["current"]
    assert (found.asked, found.allowed) == ("3.00 A", "2.99 A")
    # Two inrushes at once: 0.5 + 1.5 + 1.5 = 3.5 A.
    together = [run_of(1, JUICE, 0, 10), run_of(2, SYRUP, 0.5, 10), run_of(3, TEA, 0.55, 10)]
    assert refusals(serve(*together), situation(with_caps(start_gap_s=0)))["current"].asked == "3.50 A"


def test_a_slow_relay_keeps_drawing_after_its_end():
    # Released after 30 ms, closed after 10 ms: a pump that ends as another starts runs on beside it for 20 ms.
    relays = replace(profile().relay_board, release_s=0.030)
    machine = replace(with_caps(current_a=1.9), relay_board=relays)
    operation = serve(run_of(1, JUICE, 0, 10), run_of(2, SYRUP, 10, 10))
    assert refusals(operation, situation(machine))["current"].asked == "2.00 A"
    assert refusals(operation, situation(with_caps(current_a=1.9))) == {}


def test_flow():
    runs = [run_of(n, name, n * 0.2, 10) for n, name in ((1, JUICE), (2, SYRUP), (3, TEA))]
    found = refusals(serve(*runs), situation(with_caps(flow_ml_s=5.9)))["flow"]
    assert (found.asked, found.allowed) == ("6.00 mL/s", "5.90 mL/s")
    one_after_another = [runs[0], runs[1], replace(runs[2], start_s=10.2)]
    assert refusals(serve(*one_after_another), situation(with_caps(flow_ml_s=5.9))) == {}


def test_concurrent():
    runs = [run_of(n, name, n * 0.2, 10) for n, name in ((1, JUICE), (2, SYRUP), (3, TEA))]
    found = refusals(serve(*runs), situation(with_caps(concurrent=2)))["concurrent"]
    assert (found.asked, found.allowed) == ("3", "2")
    # One ends at the very instant at which the next starts: two at a time.
    runs[2] = replace(runs[2], start_s=runs[0].start_s + runs[0].duration_s)
    assert refusals(serve(*runs), situation(with_caps(concurrent=2))) == {}


@pytest.mark.parametrize("kind", [OperationKind.PRIME, OperationKind.PURGE, OperationKind.RINSE, OperationKind.TRIAL])
def test_line_volume(kind):
    found = refusals(of_kind(kind, run_of(1, JUICE, 0, 51)))["line_volume"]
    assert (found.asked, found.allowed) == ("102.0 mL", "100.0 mL")
    assert "12.6 mL" in found.reason  # pi/4 x 4 mm x 4 mm x 1 m
    assert refusals(of_kind(kind, run_of(1, JUICE, 0, 50))) == {}


def test_jog():
    assert refusals(of_kind(OperationKind.JOG, run_of(1, JUICE, 0, 1), jug=False)) == {}
    assert refusals(of_kind(OperationKind.JOG, run_of(1, JUICE, 0, 1.5)))["jog"].asked == "1.50 s"
    two = of_kind(OperationKind.JOG, run_of(1, JUICE, 0, 0.4), run_of(2, SYRUP, 1, 0.4))
    assert "2 runs" in refusals(two)["jog"].reason


@pytest.mark.parametrize(
    ("kind", "contents"),
    [
        (OperationKind.PRIME, Contents.EMPTY),
        (OperationKind.PURGE, Contents.LIQUID),
        (OperationKind.CLEAN, Contents.EMPTY),
        (OperationKind.RINSE, Contents.LIQUID),
    ],
)
def test_a_jug_must_be_confirmed(kind, contents):
    now = situation(lines=filled(contents=contents))
    assert set(refusals(of_kind(kind, run_of(1, JUICE, 0, 5), jug=False), now)) == {"jug"}
    assert refusals(of_kind(kind, run_of(1, JUICE, 0, 5)), now) == {}


def test_serving_caps_do_not_bind_other_operations():
    now = situation(last_serving_s=NOW_S, servings=tuple(Serving(at_s=NOW_S, ethanol_g=60.0) for _ in range(30)))
    assert refusals(of_kind(OperationKind.TRIAL, run_of(4, GIN, 0, 50)), now) == {}


def test_liquid_must_be_the_assigned_one():
    found = refusals(serve(run_of(1, TEA, 0, 5)))["liquid"]
    assert (found.asked, found.allowed) == (TEA, JUICE)
    nothing = (LineState(line=1), *filled()[1:])
    assert "no liquid" in refusals(prime(1, JUICE), situation(lines=nothing))["liquid"].reason
