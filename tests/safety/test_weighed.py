"""The scale as a second pair of eyes, on a signal written down here: each judgement by itself."""

import math
from random import Random

import pytest
from msgspec.structs import replace

from controller.model.book import Liquid
from controller.model.scale import Reading
from controller.safety.flow_watch import FlowWatch
from controller.safety.inflow import U_UNLEARNED, Flows, On, Readings
from controller.safety.progress import Progress
from controller.safety.standing import Standing, matching, misfit
from controller.safety.suspects import Search
from controller.safety.weigher import HEAVIEST_G_ML, Weigher
from tests.guard.guard_parts import BOOK, run_of, serve
from tests.safety.core_parts import EXACT

RATE, FLOW_G_S = 80, 4.0
LINES = (1, 2, 3)


def seconds(from_s: float, to_s: float) -> list[float]:
    return [from_s + k / RATE for k in range(round((to_s - from_s) * RATE))]


def poured_g(at_s: float, start_s: float, end_s: float = math.inf) -> float:
    """What a line has brought: 0.2 s of way, then 4 g/s."""
    return FLOW_G_S * max(0.0, min(at_s, end_s) - start_s - 0.2)


def noise(rng: Random) -> float:
    return rng.gauss(0.0, 0.3)


def test_few_readings_that_lie_on_a_line_by_chance_do_not_stop_a_pour() -> None:
    """At 10 a second, 0.4 s after its start; the loads (g) were read on the bench, with a line that was well."""
    loads_g = (312.04, 312.04, 311.89, 311.80, 311.75, 312.12, 311.86, 311.94, 311.96, 311.63)
    watch = FlowWatch(Flows({1: 4.364}), 10)
    found = []
    for number, load_g in enumerate(loads_g):
        if number == 5:
            watch.switched(1, True, 0.496)
        found.append(watch.read(number / 10, load_g))
    assert found == [None] * len(loads_g)


GAS_LATE_G = {  # readings (g) at 10 a second, from so many seconds before the first start on, on the bench
    "alone": (
        0.295,
        "841.18 841.09 841.27 841.24 841.15 841.04 840.98 840.97 841.10 840.96 841.26 841.17 841.17 841.19 840.98"
        " 840.97 840.95 841.16",
    ),
    "beside a knock": (
        0.44,
        "858.75 858.83 858.53 858.55 858.74 858.65 858.77 858.63 858.55 858.67 859.27 859.93 860.39 861.16 861.82"
        " 861.95 862.63",
    ),
}


@pytest.mark.parametrize(
    ("read", "flows", "starts"),
    [
        ("alone", {6: 1.431}, {6: 0.0}),
        ("beside a knock", {4: 5.690, 6: 4.086}, {4: 0.0, 6: 0.3}),
    ],
)
def test_a_line_that_gas_has_emptied_at_rest_may_begin_late_by_all_that_gathers_there(read, flows, starts):
    """Line 6 is carbonated and was well both times."""
    before_s, loads_g = GAS_LATE_G[read]
    known = Flows(flows, frozenset({6}))
    for line, flow_g_s in flows.items():
        known.learn({line: 10.0}, 10.0 * flow_g_s, 0.05)
    watch, started = FlowWatch(known, 10), set()
    for number, load_g in enumerate(map(float, loads_g.split())):
        at_s = number / 10 - before_s
        for line, start_s in starts.items():
            if start_s <= at_s and line not in started:
                started.add(line)
                watch.switched(line, True, start_s)
        assert watch.read(at_s, load_g) is None


def first_find(died_s: dict[int, float], *, disturb=lambda at_s: 0.0, until_s: float = 8.0):
    """Lines start 0.3 s apart and bring nothing from died_s on: when something was missed, and what."""
    rng, watch = Random(5), FlowWatch(Flows(dict.fromkeys(LINES, FLOW_G_S)), RATE)
    starts, started = {line: 0.5 + 0.3 * k for k, line in enumerate(LINES)}, set()
    for at_s in seconds(0.0, until_s):
        for line, start_s in starts.items():
            if at_s >= start_s and line not in started:
                started.add(line)
                watch.switched(line, True, at_s)
        load_g = sum(poured_g(at_s, start_s, died_s.get(line, math.inf)) for line, start_s in starts.items())
        found = watch.read(at_s, 300.0 + load_g + disturb(at_s) + noise(rng))
        if found is not None:
            return at_s, found
    return None


def test_nothing_is_missed_where_all_lines_bring_what_they_should():
    assert first_find({}) is None


@pytest.mark.parametrize("line", LINES)
def test_a_line_dead_from_its_start_is_found_within_1_5_s_and_suspected_first(line):
    """Another one that died as this one started would weigh the same: nobody is named yet."""
    at_s, found = first_find({line: 0.0})
    assert at_s - (0.5 + 0.3 * LINES.index(line)) <= 1.5
    assert (found.suspects[0], found.is_named) == (line, False)


def test_a_line_that_runs_alone_is_named_at_once():
    rng, watch = Random(5), FlowWatch(Flows({1: FLOW_G_S}), RATE)
    watch.switched(1, True, 0.0)
    found = next(one for at_s in seconds(0.0, 3.0) if (one := watch.read(at_s, 300.0 + noise(rng))) is not None)
    assert found == ((1,), True)


def test_a_line_that_dies_later_is_found_within_1_5_s_and_nobody_named_by_weight_alone():
    at_s, found = first_find({2: 4.0})
    assert at_s - 4.2 <= 1.5
    assert (set(found.suspects), found.is_named) == (set(LINES), False)


@pytest.mark.parametrize(
    "disturb",
    [
        lambda at_s: 40.0 * math.exp(-(at_s - 3.0) / 0.1) * math.sin(60 * (at_s - 3.0)) if at_s >= 3.0 else 0.0,
        lambda at_s: 300.0 if 3.0 <= at_s < 4.5 else 0.0,
        lambda at_s: -80.0 if at_s >= 3.0 else 0.0,
        lambda at_s: 25.0 if at_s >= 3.0 else 0.0,
    ],
    ids=["knock", "hand", "something taken off", "ice"],
)
def test_a_knock_a_hand_and_ice_are_no_missing_liquid(disturb):
    assert first_find({}, disturb=disturb) is None


def searched(share: dict[int, float], *, owed_s: float = 5.0) -> Search:
    """Each suspect alone, bringing such a share of what it should."""
    rng, flows = Random(5), Flows(dict.fromkeys(LINES, FLOW_G_S))
    search = Search(LINES, dict.fromkeys(LINES, owed_s), flows, 0.0)
    for at_s in seconds(0.0, 9.0):
        load_g = sum(
            share[one.line] * FLOW_G_S * max(0.0, min(at_s, one.end_s) - one.start_s - 0.1) for one in search.trials
        )
        if not search.is_over:
            search.read(at_s, 300.0 + load_g + noise(rng))
    return search


@pytest.mark.parametrize(
    ("share", "named"),
    [
        ({1: 1.0, 2: 0.0, 3: 1.0}, 2),
        ({1: 1.0, 2: 1.0, 3: 0.5}, 3),
        ({1: 1.0, 2: 1.0, 3: 1.0}, None),  # all bring what they should
        ({1: 0.5, 2: 0.6, 3: 1.0}, None),  # which of two is not certain
    ],
)
def test_a_suspect_is_named_when_it_brings_too_little_alone_and_never_when_unsure(share, named):
    search = searched(share)
    assert (search.is_over, search.line) == (True, named)
    assert search.trials[-1].known_s <= 8.0


SLOW_G_S = 1.4


def slowly_searched(share: dict[int, float], *, disturb=lambda at_s: 0.0) -> Search:
    """The same at 10 readings a second with slow lines, of which each brings 0.84 g alone."""
    search = Search(tuple(share), dict.fromkeys(share, 5.0), Flows(dict.fromkeys(share, SLOW_G_S)), 0.0)
    for at_s in (k / 10 for k in range(90)):
        load_g = sum(
            share[one.line] * SLOW_G_S * max(0.0, min(at_s, one.end_s) - one.start_s - 0.1) for one in search.trials
        )
        if not search.is_over:
            search.read(at_s, 860.0 + load_g + 0.02 * math.sin(97.0 * at_s) + disturb(at_s))
    return search


def test_a_slow_suspect_is_not_named_by_a_weight_that_its_readings_make_uncertain():
    """Read on the bench: all were well, and of 0.9 g that were expected of each 1.1, 0.7 and 1.2 came."""
    assert slowly_searched({6: 1.27, 2: 0.7, 1: 1.33}).line is None
    assert slowly_searched({6: 1.27, 2: 0.0, 1: 1.33}).line == 2


def test_a_knock_while_a_suspect_is_weighed_does_not_name_it():
    """Read on the bench: a well line was weighed by two readings, of which a knock took 2.2 g from the second."""
    knocked_s = 2.3
    search = slowly_searched({2: 1.0, 5: 0.0, 3: 1.0}, disturb=lambda at_s: -2.2 if at_s == knocked_s else 0.0)
    assert search.trials[0].start_s < knocked_s < search.trials[1].start_s
    assert search.line == 5
    gone = slowly_searched({2: 1.0, 5: 1.0}, disturb=lambda at_s: -3.0 if at_s > 1.5 else 0.0)
    assert (gone.is_over, gone.line) == (True, None)  # less than nothing does not come from a dead line


def test_nobody_is_tried_on_more_than_it_owes():
    search = searched({1: 1.0, 2: 1.0, 3: 1.0}, owed_s=0.4)
    assert [one.on_s for one in search.trials] == [0.4, 0.4, 0.4]
    assert searched({1: 1.0, 2: 1.0, 3: 1.0}, owed_s=0.1).trials == []


GLASSES = replace(
    BOOK,
    glasses=(
        replace(BOOK.glasses[0], tare_g=250.0),
        replace(BOOK.glasses[0], glass="beaker", tare_g=290.0),
        replace(BOOK.glasses[0], glass="jar"),  # of which the book states no tare
    ),
)


@pytest.mark.parametrize(
    ("load_g", "why"),
    [
        (250.0, ""),
        (259.0, ""),
        (288.0, "an empty beaker stands there, not the tumbler"),
        (330.0, "80 g more than an empty tumbler: something is in it"),
        (200.0, "weighs 200 g, an empty tumbler 250 g"),
    ],
)
def test_the_glass_is_recognised_by_its_weight(load_g, why):
    found = misfit(GLASSES, GLASSES.glasses[0], load_g)
    assert why in found
    assert bool(found) == bool(why)


def test_glasses_that_weigh_alike_both_match():
    alike = replace(GLASSES, glasses=(GLASSES.glasses[0], replace(GLASSES.glasses[1], tare_g=262.0)))
    assert [one.glass for one in matching(alike, 256.0)] == ["tumbler", "beaker"]


def test_a_glass_is_seen_and_missed_within_0_15_s_and_a_knock_changes_nothing():
    standing = Standing(GLASSES)
    loads = {1.0: 250.0, 2.0: -60.0, 2.05: 250.0, 3.0: 0.0}
    load_g, changed = 0.0, []
    for at_s in seconds(0.0, 4.0):
        load_g = max(((s, g) for s, g in loads.items() if s <= at_s), default=(0.0, 0.0))[1]
        before = standing.is_there
        standing.read(at_s, load_g)
        if standing.is_there is not before:
            changed.append(at_s)
    assert changed == [pytest.approx(1.12, abs=0.02), pytest.approx(3.12, abs=0.02)]


def test_a_load_that_does_not_hold_still_weighs_nothing_certain():
    standing = Standing(GLASSES)
    for at_s in seconds(0.0, 1.0):
        standing.read(at_s, 250.0 + 20.0 * at_s)
    assert standing.settled_g(1.0) is None
    for at_s in seconds(1.0, 2.0):
        standing.read(at_s, 270.0)
    assert standing.settled_g(2.0) == pytest.approx(270.0)


def test_flows_are_learned_as_a_general_library_learns_them():
    """Two measurements of sums, against the closed form of least squares with a prior (numpy)."""
    np = pytest.importorskip("numpy")
    flows = Flows({1: 4.0, 2: 2.0})
    rows, grams, u = np.array([[8.0, 0.0], [4.0, 4.0]]), np.array([8.4, 8.1]), 0.1
    flows.learn({1: 2.0}, 8.4, u)
    flows.learn({1: 1.0, 2: 2.0}, 8.1, u)
    prior = np.eye(2) / U_UNLEARNED**2
    expected = np.linalg.solve(prior + rows.T @ rows / u**2, prior @ np.ones(2) + rows.T @ grams / u**2)
    assert [flows.factors[1], flows.factors[2]] == pytest.approx(list(expected))


def test_a_line_through_readings_is_that_of_least_squares():
    np = pytest.importorskip("numpy")
    rng, readings = Random(5), Readings(5.0)
    times_s = seconds(0.0, 1.0)
    loads_g = [300.0 + 2.5 * at_s + noise(rng) for at_s in times_s]
    for at_s, load_g in zip(times_s, loads_g, strict=True):
        readings.add(at_s, load_g)
    found = readings.piece(-1.0, 2.0)
    slope, _ = np.polyfit(times_s, loads_g, 1)
    assert found is not None
    assert found.slope_g_s == pytest.approx(slope)


def test_a_line_brings_nothing_before_its_way_and_all_of_its_flow_later():
    run = On(line=1, start_s=1.0)
    assert run.brought_s(1.09) == 0.0
    assert run.brought_s(11.0) - run.brought_s(10.0) == pytest.approx(1.0)


def test_so_much_of_a_drink_weighs_at_the_most_what_its_heaviest_liquids_make_of_it():
    """By hand, 3 % over the book's figures: 1.03 x 1.30 = 1.339 g/mL syrup, 1.03 x 1.05 = 1.0815 juice, 1.03 soda."""
    liquids = (
        Liquid(liquid="apple juice", density_kg_m3=1050.0),
        Liquid(liquid="ginger syrup", density_kg_m3=1300.0),
        Liquid(liquid="soda", brix=0.0),
        Liquid(liquid="cold tea"),
    )
    names = {1: "apple juice", 2: "ginger syrup", 3: "soda", 4: "cold tea"}
    calibrations = {line: replace(EXACT[0], line=line, liquid=name) for line, name in names.items()}
    weigher = Weigher(BOOK)
    most_ml = {1: 100.0, 2: 20.0, 3: 200.0}
    weigher.begin(replace(BOOK, liquids=liquids), calibrations, [1, 2, 3], most_ml)
    assert weigher.most_g(250.0) == pytest.approx(20.0 * 1.339 + 100.0 * 1.0815 + 130.0 * 1.03)
    assert weigher.most_g(400.0) == pytest.approx(20.0 * 1.339 + 100.0 * 1.0815 + 200.0 * 1.03 + 80.0 * 1.339)
    weigher.begin(replace(BOOK, liquids=liquids), calibrations, [1, 4], {1: 100.0, 4: 50.0})
    assert weigher.most_g(60.0) == pytest.approx(50.0 * HEAVIEST_G_ML + 10.0 * 1.0815)  # of the tea nothing is said


@pytest.mark.parametrize(
    "in_hold_g",
    [
        pytest.param(lambda at_s: 0.0, id="glass stays"),
        pytest.param(lambda at_s: 60.0 if at_s > 9.0 else 0.0, id="ice"),
        pytest.param(lambda at_s: -330.0 if 6.9 < at_s < 10.0 else 0.0, id="lift that causes the hold"),
    ],
)
def test_what_was_poured_before_a_hold_counts_towards_the_weighed_cap(in_hold_g):
    """Twice 5 s at 20 g/s into a glass of 300 g, with a hold between; 140 g weigh more than a cap of 90 mL may."""
    progress, weigher = Progress(serve(run_of(1, "apple juice", 0, 5))), Weigher(BOOK)
    calibrations = {one.line: one for one in EXACT}
    for begin_s in (2.0, 13.0):
        weigher.begin(BOOK, calibrations, [1], {1: 100.0})
        progress.begin(begin_s, progress.present.runs)
        for at_s in seconds(begin_s - 2.0, begin_s + 9.0):
            progress.step(at_s, 1.0)
            poured = 20.0 * sum(max(0.0, min(at_s - on_s, 5.0)) for on_s in (2.0, 13.0))
            load_g = max(0.0, 300.0 + poured + in_hold_g(at_s))
            weigher.read([Reading(number=1, at_s=at_s, counts=0, load_g=load_g)], progress, is_held=7.1 < at_s < 13.0)
        assert weigher.exceeds(90.0) is (begin_s > 2.0)
    assert weigher.weighed_g == pytest.approx(200.0, abs=12.0)
    weigher.read([Reading(number=1, at_s=23.0, counts=0, load_g=500.0)], None, is_held=False)
    assert weigher.weighed_g == 0.0
