"""Rules at their very edges, and each at the place where it alone speaks."""

import dataclasses
import math

import pytest
from msgspec.structs import replace

from controller.model.book import Liquid
from controller.model.messages import InputReport
from controller.model.plan import Operation, Segment
from controller.model.states import Contents, OperationKind
from controller.safety.admission import MAX_RUNS, case_of, start
from controller.safety.caps import violations
from controller.safety.case import exceeds, timeline
from controller.safety.records import Moment, Serving
from tests.guard.guard_parts import BOOK, LEVEL_1, profile, run_of, serve, with_caps
from tests.safety.core_parts import NOW_S, WALL_S, filled, refusals, situation

JUICE, SYRUP, GIN = "apple juice", "ginger syrup", "sloe gin"
K = OperationKind


def of_kind(kind: OperationKind, *runs) -> Operation:
    return Operation(operation="x1", kind=kind, segments=(Segment(runs=runs),), jug=True, empty_glass=True)


# --- shape


def test_a_malformed_run_is_named_once_whatever_else_is_wrong_with_it():
    found = start(serve(run_of(9, JUICE, -1, 0), run_of(9, JUICE, math.nan, 1)), situation())
    assert [one.rule for one in found] == ["plan", "plan"]


def test_with_far_too_many_runs_nothing_else_is_looked_at():
    runs = tuple(run_of(9, JUICE, -1, 0) for _ in range(MAX_RUNS + 1))
    assert [one.rule for one in start(serve(*runs), situation())] == ["plan"]


def test_a_run_of_no_volume_and_one_that_begins_within_rounding_of_the_last_are_well_formed():
    nothing = replace(run_of(1, JUICE, 0, 1), volume_ml=0.0)
    assert refusals(serve(nothing)) == {}
    assert refusals(serve(run_of(1, JUICE, 0, 1), run_of(1, JUICE, 1.0 - 1e-9, 1))) == {}
    assert set(refusals(serve(run_of(1, JUICE, 0, 1), run_of(1, JUICE, 1.0 - 2e-9, 1)))) == {"plan"}


def test_an_id_may_have_1_to_80_characters_and_a_plan_256_runs():
    operation = serve(run_of(1, JUICE, 0, 1))
    for name in ("a", "a" * 80):
        assert refusals(replace(operation, operation=name)) == {}
    short = tuple(run_of(1, JUICE, k * 0.2, 0.1) for k in range(MAX_RUNS))
    assert "plan" not in refusals(serve(*short))


# --- lines


@pytest.mark.parametrize(
    ("state", "words"),
    [
        ({"contents": Contents.EMPTY, "holds": None}, "line 1 holds nothing:"),
        ({"contents": Contents.UNKNOWN, "holds": None}, "line 1 holds something unknown:"),
        ({"contents": Contents.CLEANER, "holds": None}, "line 1 holds cleaner:"),
    ],
)
def test_the_contents_of_a_line_are_reported(state, words):
    assert words in refusals(serve(run_of(1, JUICE, 0, 5)), situation(lines=filled(**state)))["contents"].reason


def test_the_liquid_in_the_line_is_reported_by_name():
    found = refusals(of_kind(K.CLEAN, run_of(1, "cleaner", 0, 5)), situation())
    assert "line 1 holds apple juice:" in found["contents"].reason
    assert found["contents"].allowed == "jog, prime, purge, rinse, serve, trial"


@pytest.mark.parametrize("kind", [K.SERVE, K.PRIME, K.TRIAL])
def test_nothing_that_draws_from_a_container_draws_from_a_low_one(kind):
    now = situation(profile(levels=(LEVEL_1,)), inputs=InputReport(stop_pressed=False, low_lines=(1,)))
    operation = replace(of_kind(kind, run_of(1, JUICE, 0, 5)), glass="tumbler")
    assert set(refusals(operation, now)) == {"level"}


def test_what_is_not_in_the_book_is_not_drawn():
    now = situation(lines=filled(assigned="cider", holds="cider", residues=("cider",)), calibrations=())
    found = start(serve(run_of(1, "cider", 0, 5)), now)
    assert [(one.rule, "its strength is not known" in one.reason) for one in found] == [("liquid", True)]
    assert case_of(serve(run_of(1, "cider", 0, 5)), now).asked.strengths == {1: 1.0}  # it counts as pure


def test_liquid_keeps_to_the_very_end_of_its_time():
    liquids = (Liquid(liquid=JUICE, density_kg_m3=1045, opened_life_s=3600.0), *BOOK.liquids[1:])
    for age_s, rules in ((3600.0, set()), (3600.5, {"freshness"})):
        now = situation(lines=filled(filled=Moment(credited_s=NOW_S - age_s, wall_s=WALL_S - age_s)))
        now = dataclasses.replace(now, book=replace(BOOK, liquids=liquids))
        assert {one.rule for one in start(serve(run_of(1, JUICE, 0, 5)), now)} == rules


def test_a_tube_that_was_never_full_of_cleaner_may_be_rinsed_at_once():
    half = filled(contents=Contents.CLEANER, holds=None, chemical=True, soaked_s=None)
    assert refusals(of_kind(K.RINSE, run_of(1, "rinse water", 0, 5)), situation(lines=half)) == {}
    rinsed = filled(contents=Contents.RINSE_WATER, holds=None, chemical=True, soaked_s=NOW_S - 1)
    assert refusals(of_kind(K.RINSE, run_of(1, "rinse water", 0, 5)), situation(lines=rinsed)) == {}


# --- caps


def test_meeting_a_limit_exactly_does_not_exceed_it():
    assert not exceeds(0.0, 0.0)
    assert not exceeds(350.0, 350.0)
    assert not exceeds(350.0001, 350.0)  # sums of binary fractions
    assert exceeds(350.001, 350.0)


def test_serving_time_counts_from_the_begin():
    operation = serve(run_of(1, JUICE, 0.5, 30), run_of(2, SYRUP, 1.0, 90))
    assert refusals(operation, situation(with_caps(serving_time_s=91.0))) == {}
    found = refusals(operation, situation(with_caps(serving_time_s=90.0)))
    assert found["serving_time"].asked == "91.0 s"


def test_nothing_left_to_pour_takes_no_time():
    case = case_of(serve(run_of(1, JUICE, 0, 5)), situation())
    asked = dataclasses.replace(case.asked, runs=(), spent_s=119.5)
    assert violations(dataclasses.replace(case, asked=asked)) == []


def test_segments_lie_end_to_end_from_zero_on():
    segments = (
        Segment(runs=(run_of(1, JUICE, 1, 9), run_of(2, SYRUP, 0, 4))),
        Segment(runs=(run_of(1, JUICE, 2, 3),), hand="stir"),
        Segment(runs=(), hand="add ice"),
        Segment(runs=(run_of(2, SYRUP, 0, 1),)),
    )
    operation = replace(serve(run_of(1, JUICE, 0, 1)), segments=segments)
    spans = [(run.line, run.start_s, run.end_s) for run in timeline(operation)]
    assert spans == [(1, 1.0, 10.0), (2, 0.0, 4.0), (1, 12.0, 15.0), (2, 15.0, 16.0)]


def test_the_hour_tells_when_the_oldest_serving_leaves_it():
    recent = tuple(Serving(at_s=NOW_S - age_s, ethanol_g=30.0) for age_s in (3000, 1200, 600))
    found = refusals(serve(run_of(4, GIN, 0, 5)), situation(servings=recent))
    assert found["hour_ethanol"].remedy == "The oldest serving leaves the hour in 10 min."


def test_an_hour_over_its_cap_refuses_every_drop_of_alcohol_and_nothing_without():
    recent = (Serving(at_s=NOW_S - 60, ethanol_g=61.0),)
    assert refusals(serve(run_of(1, JUICE, 0, 5)), situation(servings=recent)) == {}
    found = refusals(serve(run_of(4, GIN, 0, 0.1)), situation(servings=recent))  # 0.04 g
    assert set(found) == {"hour_ethanol"}
