"""One plan, two opinions: the guard's caps refuse no plan that the planner made (`python3 tests plans` draws more)."""

import pytest

from tests.sequencing.drawn_plans import refusals


@pytest.mark.parametrize("block", range(6))
def test_the_guard_refuses_no_drawn_plan(block):
    for number in range(25 * block, 25 * (block + 1)):
        assert refusals(1, number) == []


@pytest.mark.parametrize("block", range(4))
def test_the_guard_refuses_no_drawn_plan_with_twin_lines(block):
    for number in range(10 * block, 10 * (block + 1)):
        assert refusals(1, number, twins=True) == []


@pytest.mark.parametrize("number", [312, 430, 498, 639, 708, 9891])
def test_a_hand_step_that_takes_no_time_keeps_contacts_apart(number):
    """Drawn plans with a hand step between two segments, and relays that open more slowly than they close."""
    assert refusals(1, number) == []
