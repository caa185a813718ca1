"""What the guard expects of its lines by weight: readings evened out, flows that are learned and kept, halves found."""

import math
from random import Random

import pytest
from msgspec.structs import replace

from controller.safety.evened import Evened
from controller.safety.flow_watch import FlowWatch
from controller.safety.inflow import U_UNLEARNED, Flows
from controller.safety.suspects import Search
from controller.safety.weigher import Weigher
from tests.guard.guard_parts import BOOK
from tests.safety.core_parts import EXACT

LINES, FLOW_G_S = (1, 2, 3), 4.0
RATES = (10, 20, 40, 80)


def filter_s(rate: int) -> float:
    """How long a converter's filter holds a reading back: four means over one conversion each."""
    return 2.0 / rate


def evened(rate: int, load_of, *, until_s: float = 3.0) -> list[tuple[float, float]]:
    even = Evened(rate)
    found = (even.add(k / rate, load_of(k / rate)) for k in range(round(until_s * rate)))
    return [one for one in found if one is not None]


@pytest.mark.parametrize("rate", RATES)
def test_about_ten_readings_a_second_come_out_and_a_load_that_grows_evenly_keeps_its_time(rate):
    found = evened(rate, lambda at_s: 300.0 + 4.0 * at_s)
    assert len(found) == pytest.approx(30, abs=4)
    assert all(load_g == pytest.approx(300.0 + 4.0 * at_s) for at_s, load_g in found)


@pytest.mark.parametrize("hz", [5.0, 12.0])
def test_what_shakes_at_the_pace_of_rollers_is_gone(hz):
    loads_g = [load_g for _, load_g in evened(80, lambda at_s: 300.0 + math.sin(2 * math.pi * hz * at_s))]
    # the gain of a mean over T at frequency f is sin(pi f T) / (pi f T); there are four, and readings of 1/80 s in each
    gain = math.sin(math.pi * hz * 0.1) / (8 * math.sin(math.pi * hz / 80))
    assert max(map(abs, (load_g - 300.0 for load_g in loads_g))) <= gain**4 + 1e-9


def test_no_reading_is_made_of_those_before_and_after_a_gap():
    even = Evened(80)
    times_s = [k / 80 for k in range(240) if not 80 <= k < 120]
    shown_s = [one[0] for at_s in times_s if (one := even.add(at_s, 300.0)) is not None]
    assert not [at_s for at_s in shown_s if 1.0 < at_s < 1.5]
    assert max(shown_s) > 2.0


@pytest.mark.parametrize("rate", RATES)
def test_a_flow_that_falls_to_half_is_found_within_2_s_and_not_learned_as_the_usual_one(rate):
    rng, flows = Random(5), Flows(dict.fromkeys(LINES, FLOW_G_S))
    watch, fell_s = FlowWatch(flows, rate), 4.0
    for k, line in enumerate(LINES):
        watch.switched(line, True, 0.5 + 0.3 * k)
    for k in range(round(8.0 * rate)):
        shown_s = k / rate - filter_s(rate)
        poured_g = sum(FLOW_G_S * max(0.0, shown_s - 0.7 - 0.3 * n) for n in range(3))
        lost_g = FLOW_G_S / 2 * max(0.0, shown_s - fell_s)
        if watch.read(k / rate, 300.0 + poured_g - lost_g + rng.gauss(0.0, 0.1)) is not None:
            break
    else:
        pytest.fail("never found")
    assert fell_s < k / rate <= fell_s + 2.0
    assert sum(flows.g_s(line) for line in LINES) == pytest.approx(3 * FLOW_G_S, rel=0.03)


@pytest.mark.parametrize("rate", [10, 80])
def test_a_suspect_is_named_at_every_pace_of_the_converter(rate):
    """At ten readings a second a mean has two of them."""
    rng, flows = Random(5), Flows(dict.fromkeys(LINES, FLOW_G_S))
    search = Search(LINES, dict.fromkeys(LINES, 5.0), flows, 0.0)
    for k in range(round(9.0 * rate)):
        shown_s = k / rate - filter_s(rate)
        load_g = sum(
            FLOW_G_S * max(0.0, min(shown_s, one.end_s) - one.start_s - 0.1) for one in search.trials if one.line != 3
        )
        if not search.is_over:
            search.read(k / rate, 300.0 + load_g + rng.gauss(0.0, 0.1))
    assert (search.is_over, search.line) == (True, 3)


@pytest.mark.parametrize(("dead", "named"), [(2, 2), (None, 1)], ids=["another is dead", "all others are well"])
def test_a_line_that_gas_has_emptied_is_named_only_when_every_other_brings_enough(dead, named):
    flows = Flows(dict.fromkeys(LINES, FLOW_G_S), frozenset({1}))
    search = Search(LINES, dict.fromkeys(LINES, 5.0), flows, 0.0)
    for at_s in (k / 80 for k in range(720)):
        flowing = (one for one in search.trials if one.line not in (1, dead))
        load_g = sum(FLOW_G_S * max(0.0, min(at_s, one.end_s) - one.start_s - 0.1) for one in flowing)
        if not search.is_over:
            search.read(at_s, 300.0 + load_g)
    assert (search.is_over, search.line) == (True, named)


def test_a_lesson_that_is_far_off_teaches_nothing():
    flows = Flows({1: 4.0})
    flows.learn({1: 2.0}, 8.4, 0.05)
    learned_g_s = flows.g_s(1)
    assert 4.0 < learned_g_s < 4.2
    flows.learn({1: 2.0}, 4.0, 0.05)
    assert flows.g_s(1) == learned_g_s


def test_what_was_learned_stays_when_a_calibration_is_refined_and_goes_with_a_new_one():
    exact = {one.line: one for one in EXACT}
    weigher, line = Weigher(BOOK, 80), EXACT[0].line
    weigher.begin(BOOK, exact, [line], {})
    before_g_s = weigher.flows.g_s(line)
    weigher.flows.learn({line: 2.0}, 2.0 * 0.96 * before_g_s, 0.01)
    learned_g_s = weigher.flows.g_s(line)
    assert learned_g_s < 0.98 * before_g_s
    refined = replace(exact[line], flow_ml_s=exact[line].flow_ml_s * 0.97)
    weigher.begin(BOOK, exact | {line: refined}, [line], {})
    assert weigher.flows.g_s(line) == pytest.approx(learned_g_s)
    assert weigher.flows.u_g_s({line: 1.0}) < U_UNLEARNED * before_g_s / 2
    anew = replace(refined, taken_wall_s=refined.taken_wall_s + 1.0)
    weigher.begin(BOOK, exact | {line: anew}, [line], {})
    assert weigher.flows.g_s(line) == pytest.approx(0.97 * before_g_s)
    assert weigher.flows.u_g_s({line: 1.0}) > U_UNLEARNED * 0.97 * before_g_s
