"""What speaks against an operation beside the caps: shape, machine, lines; and the smaller requests."""

import math

import pytest
from msgspec.structs import replace

from controller.model.book import Liquid
from controller.model.messages import Assign, InputReport, TakeCalibration
from controller.model.plan import Operation, Segment
from controller.model.profile import FlowBand
from controller.model.states import Contents, OperationKind
from controller.safety.admission import start
from controller.safety.records import Moment
from controller.safety.requests import assign, take_calibration
from tests.guard.guard_parts import BOOK, GLASS, LEVEL_1, TRAY, prime, profile, run_of, serve
from tests.safety.core_parts import NOW_S, WALL_S, calibration, filled, refusals, situation

JUICE, SYRUP, TEA, GIN = "apple juice", "ginger syrup", "cold tea", "sloe gin"
SOUND = InputReport(stop_pressed=False)


def of_kind(kind: OperationKind, *runs) -> Operation:
    return Operation(operation="x1", kind=kind, segments=(Segment(runs=runs),), jug=True)


@pytest.mark.parametrize(
    "run",
    [
        run_of(9, JUICE, 0, 1),
        run_of(1, JUICE, -0.1, 1),
        run_of(1, JUICE, 0, 0),
        run_of(1, JUICE, 0, -1),
        run_of(1, JUICE, math.nan, 1),
        run_of(1, JUICE, 0, math.inf),
        replace(run_of(1, JUICE, 0, 1), volume_ml=math.nan),
        replace(run_of(1, JUICE, 0, 1), volume_ml=-1.0),
    ],
)
def test_a_malformed_run_is_refused(run):
    assert {one.rule for one in start(serve(run), situation())} == {"plan"}


def test_malformed_operations_are_refused():
    operation = serve(run_of(1, JUICE, 0, 1))
    for wrong in (
        replace(operation, operation=""),
        replace(operation, operation="x" * 81),
        replace(operation, segments=()),
        replace(operation, segments=(Segment(runs=()),)),
        replace(operation, segments=(replace(operation.segments[0], takes_ml=math.nan),)),
        replace(operation, segments=(replace(operation.segments[0], takes_ml=-1.0),)),
        serve(*(run_of(1, JUICE, k, 0.5) for k in range(257))),
        serve(run_of(1, JUICE, 0, 2), run_of(1, JUICE, 1.5, 2)),
    ):
        assert {one.rule for one in start(wrong, situation())} == {"plan"}, wrong


def test_as_many_runs_as_are_allowed():
    runs = (run_of(1 + k % 4, [JUICE, SYRUP, TEA, GIN][k % 4], 0.11 * k, 0.1) for k in range(256))
    assert {one.rule for one in start(serve(*runs), situation())} == set()


def test_an_operation_is_accepted_once():
    assert set(refusals(serve(run_of(1, JUICE, 0, 1)), situation(seen=("s0", "s1")))) == {"repeated"}


def test_a_serving_needs_a_glass_and_a_tray_with_room():
    machine = profile(glass=GLASS, drip_tray=TRAY)
    operation = serve(run_of(1, JUICE, 0, 5))
    inputs = replace(SOUND, glass_present=False, tray_full=True)
    assert set(refusals(operation, situation(machine, inputs=inputs))) == {"glass", "drip_tray"}
    inputs = replace(SOUND, glass_present=True, tray_full=False)
    assert refusals(operation, situation(machine, inputs=inputs)) == {}
    inputs = replace(SOUND, glass_present=False, tray_full=True)
    assert refusals(of_kind(OperationKind.PURGE, run_of(1, "air", 0, 5)), situation(machine, inputs=inputs)) == {}


def test_a_low_container_is_not_drawn_from():
    now = situation(profile(levels=(LEVEL_1,)), inputs=replace(SOUND, low_lines=(1,)))
    assert set(refusals(serve(run_of(1, JUICE, 0, 5)), now)) == {"level"}
    assert refusals(serve(run_of(2, SYRUP, 0, 5)), now) == {}
    assert refusals(of_kind(OperationKind.PURGE, run_of(1, "air", 0, 5)), now) == {}


@pytest.mark.parametrize(
    ("contents", "remedy"),
    [
        (Contents.EMPTY, "Prime the line."),
        (Contents.CLEANER, "Rinse the line."),
        (Contents.RINSE_WATER, "Prime the line."),
        (Contents.UNKNOWN, "Purge the line."),
    ],
)
def test_serving_only_from_liquid(contents, remedy):
    found = refusals(serve(run_of(1, JUICE, 0, 5)), situation(lines=filled(contents=contents, holds=None)))
    assert found["contents"].remedy == remedy


def test_another_container_needs_purge_and_rinse_before_priming():
    changed = filled(assigned=GIN)
    assert set(refusals(serve(run_of(1, GIN, 0, 5)), situation(lines=changed, calibrations=()))) == {"contents"}
    assert set(refusals(of_kind(OperationKind.PRIME, run_of(1, GIN, 0, 5)), situation(lines=changed))) == {"rinsing"}
    rinsed = filled(assigned=GIN, contents=Contents.RINSE_WATER, holds=None, residues=())
    assert refusals(of_kind(OperationKind.PRIME, run_of(1, GIN, 0, 5)), situation(lines=rinsed)) == {}


def test_a_foreign_allergen_needs_cleaning_but_not_for_a_liquid_that_has_it_anyway():
    rinsed = filled(contents=Contents.RINSE_WATER, holds=None, residues=(), traces=("milk",))
    found = refusals(of_kind(OperationKind.PRIME, run_of(1, JUICE, 0, 5)), situation(lines=rinsed))
    assert "milk" in found["cleaning"].reason
    same = tuple(replace(state, assigned=TEA) if state.line == 1 else state for state in rinsed)
    assert refusals(of_kind(OperationKind.PRIME, run_of(1, TEA, 0, 5)), situation(lines=same)) == {}


def test_a_line_with_an_unknown_past_needs_cleaning():
    line = filled(contents=Contents.RINSE_WATER, holds=None, residues=(), doubtful=True)
    assert set(refusals(of_kind(OperationKind.PRIME, run_of(1, JUICE, 0, 5)), situation(lines=line))) == {"cleaning"}


def test_liquid_past_its_time_is_not_served():
    liquids = (Liquid(liquid=JUICE, density_kg_m3=1045, opened_life_s=6 * 3600), *BOOK.liquids[1:])
    book = replace(BOOK, liquids=liquids)
    operation = serve(run_of(1, JUICE, 0, 5))

    def rules(**state: object) -> set[str]:
        now = situation(lines=filled(**state))
        return {one.rule for one in start(operation, replace_book(now, book))}

    def ago(credited_h: float, wall_h: float) -> Moment:
        return Moment(credited_s=NOW_S - credited_h * 3600, wall_s=WALL_S - wall_h * 3600)

    assert rules(filled=ago(5.9, 5.9)) == set()
    assert rules(filled=ago(6.1, 6.1)) == {"freshness"}
    assert rules(filled=ago(0.1, 0.1), opened=ago(6.1, 6.1)) == {"freshness"}
    assert rules(filled=ago(0.1, 6.1)) == {"freshness"}  # switched off over night
    assert rules(filled=ago(6.1, -20.0)) == {"freshness"}  # the wall clock was set back


def replace_book(now, book):
    return type(now)(**{**{f: getattr(now, f) for f in now.__dataclass_fields__}, "book": book})


def test_rinsing_waits_for_the_cleaners_contact_time():
    # 20 min static contact; it filled the tube 12 min ago on the credited clock.
    soaking = filled(contents=Contents.CLEANER, holds=None, chemical=True, soaked_s=NOW_S - 720)
    found = refusals(of_kind(OperationKind.RINSE, run_of(1, "rinse water", 0, 5)), situation(lines=soaking))
    assert (found["cleaner_contact"].asked, found["cleaner_contact"].remedy) == ("12.0 min", "Rinse in 8.0 min.")
    done = filled(contents=Contents.CLEANER, holds=None, chemical=True, soaked_s=NOW_S - 1200)
    assert refusals(of_kind(OperationKind.RINSE, run_of(1, "rinse water", 0, 5)), situation(lines=done)) == {}


def test_trials_need_a_primed_line_with_the_assigned_liquid():
    assert set(refusals(of_kind(OperationKind.TRIAL, run_of(1, GIN, 0, 5)), situation(lines=filled(assigned=GIN)))) == {
        "contents"
    }
    empty = situation(lines=filled(contents=Contents.EMPTY, holds=None))
    assert set(refusals(of_kind(OperationKind.TRIAL, run_of(1, JUICE, 0, 5)), empty)) == {"contents"}
    assert refusals(prime(1, JUICE), empty) == {}


@pytest.mark.parametrize(
    ("figures", "rules"),
    [
        ({}, set()),
        ({"flow_ml_s": 2.5}, set()),  # nominal 2 mL/s, as bought 25 % either way
        ({"flow_ml_s": 2.51}, {"calibration_flow"}),
        ({"flow_ml_s": 1.49}, {"calibration_flow"}),
        ({"lag_s": -1.0}, set()),
        ({"lag_s": 1.01}, {"calibration_lag"}),
        ({"lag_s": -1.01}, {"calibration_lag"}),
        ({"sag_per_a": 0.1}, set()),
        ({"sag_per_a": 0.11}, {"calibration_sag"}),
        ({"sag_per_a": -0.01}, {"calibration_sag"}),
        ({"flow_ml_s": 9.0, "lag_s": 2.0}, {"calibration_flow", "calibration_lag"}),
        ({"u_flow_ml_s": -0.1}, {"calibration"}),
        ({"scatter_ml": -0.1}, {"calibration"}),
        ({"cov_flow_lag": math.inf}, {"calibration"}),
        ({"flow_ml_s": math.nan}, {"calibration"}),
    ],
)
def test_a_calibration_outside_the_band_is_refused(figures, rules):
    command = TakeCalibration(calibration=calibration(1, JUICE, **figures))
    assert {one.rule for one in take_calibration(command, situation(calibrations=()))} == rules


def test_a_calibration_outside_the_lines_own_band_is_refused():
    known = replace(profile(), lines=(replace(profile().lines[0], flow=FlowBand(least_ml_s=1.8, most_ml_s=2.1)),))
    now = situation(known, calibrations=())
    for flow_ml_s, is_refused in ((1.79, True), (1.8, False), (2.1, False), (2.11, True)):
        found = take_calibration(TakeCalibration(calibration=calibration(1, JUICE, flow_ml_s=flow_ml_s)), now)
        assert [(one.rule, one.allowed) for one in found] == [("calibration_flow", "1.800 to 2.100 mL/s")] * is_refused


def test_a_calibration_of_nothing_known_is_refused():
    assert take_calibration(TakeCalibration(calibration=calibration(9, JUICE)), situation())
    assert take_calibration(TakeCalibration(calibration=calibration(1, "water")), situation())


def test_a_calibration_counts_for_its_own_liquid_only():
    # Calibrated with juice at 2.4 mL/s, above its band; with gin it counts by the band again: 2 mL/s x 42 s = 84 mL.
    known = (calibration(1, JUICE, flow_ml_s=2.4),)
    juice = of_kind(OperationKind.PRIME, run_of(1, JUICE, 0, 42))
    assert refusals(juice, situation(calibrations=known))["line_volume"].asked == "100.8 mL"
    lines = filled(assigned=GIN, contents=Contents.RINSE_WATER, holds=None, residues=())
    gin = of_kind(OperationKind.PRIME, run_of(1, GIN, 0, 42))
    assert refusals(gin, situation(lines=lines, calibrations=known)) == {}


def test_assignments_are_checked():
    assert assign(Assign(line=1, liquid=GIN), situation()) == []
    rules = [one.rule for one in assign(Assign(line=9, liquid="water"), situation())]
    assert rules == ["line", "liquid"]
