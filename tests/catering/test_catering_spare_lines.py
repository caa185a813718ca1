"""What should hang on spare lines, and what the next part would change."""

from pathlib import Path

import pytest

from controller.catering.parts import MOST_WAIT_S, parts, spare_lines
from controller.catering.preparation import hang
from controller.config import load_event

ROOT = Path(__file__).resolve().parents[2]
EVENT, PROFILE, BOOK, _ = load_event(
    ROOT / "demo/supper_event.yaml", ROOT / "hardware_profiles/eight_line.yaml", ROOT / "demo/harvest_supper.yaml"
)


def test_each_spare_line_gets_a_liquid_that_shortens_drinks_further():
    """The supper's book leaves lines 7 and 8 free; its longest doses are soda, perry and apple juice."""
    found = spare_lines(EVENT, PROFILE, BOOK, hang(EVENT, PROFILE, BOOK))
    assert sorted(one.line for one in found) == [7, 8]
    assert {one.liquid for one in found} <= {"soda", "perry", "apple juice"}
    assert all(one.saved_s > 0 for one in found)
    assert found[1].before_s == pytest.approx(found[0].then_s)


def test_a_machine_whose_lines_are_all_in_use_has_none_to_spare():
    hanging = hang(EVENT, PROFILE, BOOK, twins=True)
    assert {line for lines in hanging.all_lines.values() for line in lines} == set(range(1, 9))
    assert spare_lines(EVENT, PROFILE, BOOK, hanging) == ()


def test_every_part_is_named_with_its_wait_and_the_best_comes_first():
    as_it_is, *others = parts(EVENT, PROFILE, BOOK, hang(EVENT, PROFILE, BOOK))
    assert as_it_is.part == "as it is"
    assert len(others) == 4
    waits_s = [one.wait_s for one in others if one.wait_s is not None]
    assert len(waits_s) == 4
    assert waits_s == sorted(waits_s)
    twins = next(one for one in others if "line 7" in one.part)
    assert twins.pumps_s < as_it_is.pumps_s
    assert twins.wait_s is not None and as_it_is.wait_s is not None
    assert twins.wait_s < as_it_is.wait_s < MOST_WAIT_S
    second = next(one for one in others if "second machine" in one.part)
    assert second.guests == pytest.approx(2 * as_it_is.guests, abs=1)
