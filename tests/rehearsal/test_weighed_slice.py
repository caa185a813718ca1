"""A short slice of `python3 tests benchmarks weighed`: one machine, a few drinks, in open loop and trimmed."""

from tests.benchmarks.weighed import figures, missed, pour_all, within_ml

DRINKS = 14


def test_trimmed_doses_of_slow_pumps_are_several_times_as_exact_as_in_open_loop():
    open_loop, _ = pour_all("open loop", 14, DRINKS)
    trimmed, times = pour_all("trimmed, 80/s", 14, DRINKS)
    assert [one.asked_ml for one in open_loop] == [one.asked_ml for one in trimmed]
    late = slice(len(trimmed) // 2, None)
    assert within_ml([d.error_ml for d in trimmed[late]]) < within_ml([d.error_ml for d in open_loop[late]]) / 3
    assert figures(trimmed[late], times).outside == 0
    assert figures(open_loop[late], times).outside > 0


def test_goals_that_are_missed_are_named():
    poor = figures(*pour_all("open loop", 14, 4))
    ways = ("learning only, 80/s, no gas", "trimmed, 10/s", "trimmed, 80/s", "trimmed, 80/s, no gas")
    lacking = missed(dict.fromkeys(ways, poor))
    assert any(one.startswith("trimmed, 80/s: 50 to 150 mL within") for one in lacking)
