"""Liquids on lines: against exhaustive search, and scipy's assignment."""

import math
import random
from itertools import combinations, permutations

import numpy as np
import pytest
from scipy.optimize import linear_sum_assignment

from controller.catering.hanging import as_in_book, hang_freely, most_of_the_menu
from controller.catering.pairing import can_pair, least_cost
from controller.errors import Refused
from controller.metering.suction import check_suction
from tests.catering.evening_parts import book, profile


def _menu(rng, liquids, recipes, lines, *, chance):
    names = [f"liquid {k}" for k in range(liquids)]
    needs = {f"recipe {k}": frozenset(rng.sample(names, rng.randint(1, min(4, liquids)))) for k in range(recipes)}
    weights = {recipe: rng.randint(1, 5) for recipe in needs}
    shares = {recipe: weight / sum(weights.values()) for recipe, weight in weights.items()}
    able = {one: frozenset(line for line in range(1, lines + 1) if rng.random() < chance) for one in names}
    return needs, shares, able


def _pairs(liquids, able):
    """Whether some order of lines suits the liquids, by trying them all."""
    lines = frozenset().union(*able.values())
    return any(
        all(line in able[liquid] for liquid, line in zip(liquids, order, strict=True))
        for order in permutations(lines, len(liquids))
    )


def _exhaustive(needs, shares, able):
    lines = frozenset().union(*able.values())
    best = 0.0
    for count in range(min(len(lines), len(able)) + 1):
        for chosen in combinations(able, count):
            if _pairs(chosen, able):
                best = max(best, sum(shares[one] for one in needs if needs[one] <= set(chosen)))
    return best


@pytest.mark.parametrize("seed", range(30))
def test_no_choice_of_liquids_opens_more_of_the_menu(seed):
    rng = random.Random(seed)
    needs, shares, able = _menu(rng, rng.randint(3, 6), rng.randint(2, 9), rng.randint(2, 4), chance=0.75)
    kept, proven = most_of_the_menu(needs, shares, able)
    assert proven
    assert sum(shares[one] for one in kept) == pytest.approx(_exhaustive(needs, shares, able))
    liquids = frozenset().union(*(needs[one] for one in kept)) if kept else frozenset()
    assert _pairs(tuple(liquids), able)


def test_sixteen_lines_are_exact():
    needs, shares, able = _menu(random.Random(5), 24, 40, 16, chance=0.9)
    kept, proven = most_of_the_menu(needs, shares, able)
    assert proven
    liquids = frozenset().union(*(needs[one] for one in kept))
    assert can_pair(liquids, able)
    # No single exchange of liquids opens more, which any better choice of this kind would allow.
    share = sum(shares[one] for one in kept)
    for out in liquids:
        for into in able.keys() - liquids:
            changed = liquids - {out} | {into}
            assert sum(shares[one] for one in needs if needs[one] <= changed) <= share + 1e-9


@pytest.mark.parametrize("seed", range(40))
def test_pairing_matches_scipys_linear_sum_assignment(seed):
    rng = random.Random(seed)
    rows = rng.randint(1, 7)
    costs = [[rng.uniform(0, 9) if rng.random() < 0.8 else math.inf for _ in range(9)] for _ in range(rows)]
    found = least_cost(costs)
    try:
        of_rows, columns = linear_sum_assignment(np.array(costs))
    except ValueError:
        assert found is None
        return
    assert found is not None
    assert len(set(found)) == rows
    assert sum(costs[row][column] for row, column in enumerate(found)) == pytest.approx(
        np.array(costs)[of_rows, columns].sum()
    )


def test_an_impossible_pairing_is_none():
    assert least_cost([[1.0, math.inf], [2.0, math.inf]]) is None


def test_a_liquid_leaves_its_line_only_for_a_much_faster_one():
    machine, menu = profile(), book()
    needs = {"Blackcurrant Spritz": frozenset({"blackcurrant cordial", "soda"})}
    shares, volumes_ml = {"Blackcurrant Spritz": 1.0}, {"blackcurrant cordial": 2000.0, "soda": 8000.0}
    hanging = hang_freely(machine, menu, needs, shares, volumes_ml)
    assert hanging == as_in_book(menu, needs, shares)


def test_free_lines_take_the_least_pump_time_of_all_ways():
    machine, menu = profile(), book()
    needs = {one.recipe: frozenset(d.liquid for phase in one.phases for d in phase.doses) for one in menu.recipes}
    shares = {recipe: 1 / len(needs) for recipe in needs}
    volumes_ml = {one.liquid: 1000.0 * (1 + place) for place, one in enumerate(menu.liquids)}
    hanging = hang_freely(machine, menu, needs, shares, volumes_ml)
    home = {one.liquid: one.line for one in menu.lines}

    def seconds(lines):
        total = 0.0
        for liquid, number in lines.items():
            line = machine.line(number)
            flow = line.pump.nominal_flow_ml_s * check_suction(line, menu.liquid(liquid)).flow_fraction
            total += volumes_ml[liquid] / flow * (0.9 if home[liquid] == number else 1.0)
        return total

    numbers = [line.line for line in machine.lines]
    least = min(seconds(dict(zip(volumes_ml, order, strict=True))) for order in permutations(numbers))
    assert seconds(hanging.lines) == pytest.approx(least)


def test_nothing_to_pour_is_refused_with_the_way_out():
    machine = profile()
    menu = book()
    needs = {"everything": frozenset(f"liquid {k}" for k in range(7))}
    with pytest.raises(Refused, match="more liquids than there are lines"):
        hang_freely(machine, menu, needs, {"everything": 1.0}, {})
