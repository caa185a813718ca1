"""The queue against closed forms (Pollaczek-Khinchine), against hand figures, and within the hourly caps."""

import math
import random

import numpy as np
import pytest

from controller.catering.queue import QueuedGuest, mean_wait_s, take_turns
from controller.errors import Refused
from tests.catering.evening_parts import capped

CYCLE_S = 40.0


def _at_random(per_s, count, rng, cycle_s):
    at_s, guests = 0.0, []
    for _ in range(count):
        at_s += rng.expovariate(per_s)
        guests.append(QueuedGuest(at_s=at_s, cycle_s=cycle_s(rng)))
    return guests


def _long_run(per_s, cycle_s, seed):
    """Mean wait of a long queue and its standard error, from the means of long stretches."""
    turns = take_turns(_at_random(per_s, 110_000, random.Random(seed), cycle_s))[10_000:]
    means = np.array([turn.waits_s for turn in turns]).reshape(20, -1).mean(axis=1)
    return means.mean(), means.std(ddof=1) / math.sqrt(20)


@pytest.mark.parametrize("load", [0.3, 0.6, 0.8])
def test_equal_cycles_wait_as_in_an_m_d_1_queue(load):
    # M/D/1: mean wait = load * S / (2 (1 - load)). Kleinrock, Queueing Systems, vol. 1 (1975), chapter 5 (from memory).
    expected = load * CYCLE_S / (2 * (1 - load))
    found, error = _long_run(load / CYCLE_S, lambda _: CYCLE_S, seed=4)
    assert error < 0.05 * expected
    assert found == pytest.approx(expected, abs=4 * error)
    assert mean_wait_s(load / CYCLE_S, [(CYCLE_S, 1.0)]) == pytest.approx(expected)


def test_mixed_cycles_wait_as_pollaczek_khinchine_predicts():
    # Two kinds of drink: 20 s in 3 of 4, 100 s in 1 of 4. E[S] = 40 s, E[S^2] = 2800 s2; load 0.7.
    per_s = 0.7 / 40.0
    expected = per_s * 2800.0 / (2 * 0.3)
    found, error = _long_run(per_s, lambda rng: 100.0 if rng.random() < 0.25 else 20.0, seed=9)
    assert found == pytest.approx(expected, abs=4 * error)
    assert error < 0.06 * expected
    assert mean_wait_s(per_s, [(20.0, 0.75), (100.0, 0.25)]) == pytest.approx(expected)


def test_exponential_cycles_would_wait_twice_as_long():
    # M/M/1 waits load / (1 - load) * E[S], twice M/D/1: a check that the spread of the cycles counts.
    grid = [(-40.0 * math.log((k + 0.5) / 4000), 1 / 4000) for k in range(4000)]
    assert mean_wait_s(0.5 / 40.0, grid) == pytest.approx(40.0, rel=2e-3)


def test_too_many_guests_wait_for_ever_in_the_long_run():
    assert mean_wait_s(1 / CYCLE_S, [(CYCLE_S, 1.0)]) == math.inf


def test_turns_match_those_worked_by_hand():
    guests = [
        QueuedGuest(at_s=0.0, cycle_s=30.0),
        QueuedGuest(at_s=10.0, cycle_s=20.0),
        QueuedGuest(at_s=15.0, cycle_s=30.0),
    ]
    guests.append(QueuedGuest(at_s=200.0, cycle_s=30.0))
    turns = take_turns(guests, delay_s=lambda number, _: 60.0 if number == 2 else 0.0)
    assert [(turn.begins_s, turn.ends_s) for turn in turns] == [(0, 30), (30, 50), (110, 140), (200, 230)]
    assert [turn.waits_s for turn in turns] == [0, 20, 95, 0]


def test_an_hours_servings_are_capped_from_their_ends():
    guests = [QueuedGuest(at_s=float(k), cycle_s=30.0) for k in range(5)]
    turns = take_turns(guests, capped(hour_servings=3).caps)
    # The first three end at 30, 60, 90 s; the fourth waits until the first is an hour past, the fifth for the second.
    assert [turn.begins_s for turn in turns] == [0.0, 30.0, 60.0, 3630.0, 3660.0]
    assert [turn.held_s for turn in turns] == [0.0, 0.0, 0.0, 3540.0, 0.0]


def test_an_hours_ethanol_is_capped_and_drinks_without_go_on():
    guests = [
        QueuedGuest(at_s=float(k), cycle_s=30.0, ethanol_g=grams) for k, grams in enumerate((15.0, 15.0, 0.0, 15.0))
    ]
    turns = take_turns(guests, capped(hour_ethanol_g=40.0).caps)
    assert [turn.begins_s for turn in turns] == [0.0, 30.0, 60.0, 3630.0]


def test_a_drink_over_an_hours_ethanol_can_never_be_poured():
    with pytest.raises(Refused, match="more than the machine may pour in an hour"):
        take_turns([QueuedGuest(at_s=0.0, cycle_s=30.0, ethanol_g=15.0)], capped(hour_ethanol_g=10.0).caps)


@pytest.mark.parametrize("seed", range(20))
def test_turns_never_overlap_and_never_exceed_the_hour(seed):
    rng = random.Random(seed)
    caps = capped(hour_servings=rng.randint(2, 9), hour_ethanol_g=40.0).caps
    guests = sorted(
        (
            QueuedGuest(at_s=rng.uniform(0, 7200), cycle_s=rng.uniform(5, 200), ethanol_g=rng.choice((0.0, 8.0, 15.0)))
            for _ in range(40)
        ),
        key=lambda one: one.at_s,
    )
    turns = take_turns(guests, caps)
    for place, turn in enumerate(turns):
        assert turn.begins_s >= turn.at_s
        recent = [k for k in range(place) if turns[k].ends_s > turn.begins_s - 3600.0 + 1e-6]
        assert all(turns[k].ends_s <= turn.begins_s for k in recent)
        assert len(recent) + 1 <= caps.hour_servings
        grams = sum(guests[k].ethanol_g for k in recent) + guests[place].ethanol_g
        assert guests[place].ethanol_g == 0.0 or grams <= caps.hour_ethanol_g
