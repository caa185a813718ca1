"""One plan, two opinions: the guard's caps refuse no plan that the planner made (`python3 tests plans` draws more)."""

import pytest
from drawn_plans import refusals


@pytest.mark.parametrize("block", range(6))
def test_the_guard_refuses_no_drawn_plan(block):
    for number in range(25 * block, 25 * (block + 1)):
        assert refusals(1, number) == []
