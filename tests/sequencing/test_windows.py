"""Plans for weighed servings: how far apart the starts lie, who pours alone, and how far each end may be moved."""

import random
from functools import partial
from itertools import pairwise

import pytest
from msgspec.structs import replace

from controller.metering.dose import mi008_ml
from controller.model.doses import Resolved
from controller.sequencing.plan import plan_serving
from controller.sequencing.twins import Source
from controller.sequencing.windows import APART_S, LEARNED_S, LOOK_S, plan_weighed
from tests.sequencing.drawn_drinks import LINES, machine

DRAWN = machine(random.Random(1), 5.0)
LIQUIDS = ("soda", "apple juice", "cold tea")
SOURCES = {liquid: (Source(line=LINES[liquid]),) for liquid in LIQUIDS}


def planned(doses_ml, u_flow, profile=DRAWN.profile, plan=plan_weighed, slow=None):
    """Runs of one phase, each line's flow known to a relative u_flow (its place in LIQUIDS); one line at 1.5 mL/s."""
    known = dict(DRAWN.hanging({}))
    if slow is not None:
        known[slow] = replace(known[slow], flow_ml_s=1.5)
    for liquid, u in zip(LIQUIDS, u_flow, strict=True):
        one = known[LINES[liquid]]
        known[one.line] = replace(one, u_flow_ml_s=u * one.flow_ml_s)
    doses = tuple(zip(LIQUIDS, doses_ml, strict=True))
    phase = Resolved(doses=doses, hand=None, takes_ml=0.0)
    return plan(profile, known, SOURCES, (phase,)).segments[0].runs


def alone(runs):
    """Lines that never run beside another, at longest ends."""
    return {
        one.line
        for one in runs
        if all(
            other is one or other.start_s >= one.start_s + one.most_s or one.start_s >= other.start_s + other.most_s
            for other in runs
        )
    }


def gap_s(runs):
    """The least time between two starts."""
    return min(later.start_s - earlier.start_s for earlier, later in pairwise(runs))


def test_several_lines_that_are_little_known_begin_so_far_apart_that_the_slope_tells_each():
    for doses_ml in ((40.0, 50.0, 30.0), (90.0, 12.0, 10.0)):
        assert gap_s(planned(doses_ml, (0.035, 0.035, 0.003))) >= LEARNED_S - 1e-9
        assert gap_s(planned(doses_ml, (0.003, 0.003, 0.003))) == pytest.approx(APART_S)


def test_one_line_that_is_little_known_pours_beside_the_others():
    runs = planned((40.0, 50.0, 30.0), (0.035, 0.001, 0.001))
    assert gap_s(runs) == pytest.approx(APART_S)
    assert alone(runs) == set()


@pytest.mark.parametrize("dose_ml", [10.0, 40.0, 90.0, 140.0])
def test_the_limit_is_a_quarter_of_the_tolerance_of_serving_measures(dose_ml):
    """Directive 2014/32/EU, MI-008: under 100 mL +-2 mL, from 100 mL +-3 %; expanded with k = 2."""
    limit = 0.25 * mi008_ml(dose_ml) / dose_ml / 2.0
    beyond = planned((dose_ml, 60.0, 60.0), (1.02 * limit, 0.03, 0.001))
    within = planned((dose_ml, 60.0, 60.0), (0.98 * limit, 0.03, 0.001))
    assert gap_s(beyond) >= LEARNED_S - 1e-9
    assert gap_s(within) == pytest.approx(APART_S)


def test_the_largest_dose_is_poured_alone_at_the_end_where_somebody_wants_that():
    last = partial(plan_weighed, last_alone=True)
    runs = planned((40.0, 50.0, 30.0), (0.003, 0.003, 0.003), plan=last)
    assert alone(runs) == {LINES["apple juice"]}
    assert runs[-1].line == LINES["apple juice"]
    uncertain = planned((40.0, 50.0, 30.0), (0.035, 0.003, 0.035), plan=last)
    assert alone(uncertain) == {LINES["apple juice"]}
    assert gap_s(uncertain) >= LEARNED_S - 1e-9


def test_a_phase_that_may_join_the_one_before_still_pours_its_last_dose_alone():
    phases = (
        Resolved(doses=(), hand="add ice", takes_ml=0.0),
        Resolved(doses=(("soda", 40.0), ("apple juice", 50.0)), hand=None, takes_ml=0.0, may_join=True),
    )
    found = plan_weighed(DRAWN.profile, dict(DRAWN.hanging({})), SOURCES, phases, last_alone=True)
    (runs,) = [segment.runs for segment in found.segments if segment.runs]
    assert alone(runs) == {LINES["soda"], LINES["apple juice"]}


def test_a_slow_line_runs_alone_until_a_serving_of_it_has_been_weighed():
    """Its flow would be lost among those of the others, if it were dead; a fast one is missed all the same."""
    tea, juice, known = LINES["cold tea"], LINES["apple juice"], (0.003, 0.003, 0.003)
    doses_ml = (40.0, 50.0, 10.0)
    first = partial(plan_weighed, unlearned={tea, juice})
    assert alone(planned(doses_ml, known, plan=first, slow=tea)) == {tea}
    assert alone(planned(doses_ml, known, plan=first)) == set()
    assert alone(planned(doses_ml, known, slow=tea)) == set()


def test_where_that_would_take_longer_than_the_cap_allows_they_begin_as_usual():
    doses_ml, u_flow = (80.0, 80.0, 80.0), (0.035, 0.035, 0.035)
    longest_s = max(run.start_s + run.most_s for run in planned(doses_ml, u_flow))
    for more_s, least_s in ((0.1, LEARNED_S), (-0.1, APART_S)):
        caps = replace(DRAWN.profile.caps, serving_time_s=longest_s + more_s)
        runs = planned(doses_ml, u_flow, replace(DRAWN.profile, caps=caps))
        assert gap_s(runs) == pytest.approx(least_s)
        assert all(run.least_s < run.most_s for run in runs)


def test_a_drink_that_only_its_longest_ends_take_beyond_the_cap_is_planned_without_windows():
    plain = planned((80.0, 80.0, 80.0), (0.03, 0.03, 0.03), plan=plan_serving)
    ends_s = max(run.start_s + run.duration_s for run in plain)
    assert max(run.start_s + run.most_s for run in planned((80.0, 80.0, 80.0), (0.03, 0.03, 0.03))) > ends_s + 0.5
    just = replace(DRAWN.profile, caps=replace(DRAWN.profile.caps, serving_time_s=ends_s + 0.5))
    assert planned((80.0, 80.0, 80.0), (0.03, 0.03, 0.03), just) == plain


def test_every_end_may_be_moved_both_ways_and_the_starts_lie_apart():
    runs = planned((40.0, 50.0, 30.0), (0.003, 0.003, 0.003))
    for run in runs:
        assert run.least_s < run.duration_s < run.most_s
    assert all(later.start_s - earlier.start_s >= 0.3 - 1e-9 for earlier, later in pairwise(runs))


def test_the_empty_glass_is_weighed_before_the_first_start_also_after_two_hand_steps():
    dose = Resolved(doses=(("soda", 40.0),), hand=None, takes_ml=0.0)
    steps = tuple(Resolved(doses=(), hand=hand, takes_ml=0.0) for hand in ("add ice", "add a slice of lime"))
    segments = plan_weighed(DRAWN.profile, DRAWN.hanging({}), SOURCES, (*steps, dose)).segments
    assert [len(one.runs) for one in segments] == [0, 1]
    assert segments[1].runs[0].start_s >= LOOK_S
