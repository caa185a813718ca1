"""Two machines on one supply: what both may draw adds up to what it gives, figures worked by hand."""

from msgspec.structs import replace

from controller.sequencing.budget import standing_a
from controller.sequencing.shared_supply import problems
from tests.sequencing.eight_lines import PROFILE


def machine(name, current_a, rated_a=20.0, shared_as="bench supply"):
    supply = replace(PROFILE.supply, rated_a=rated_a, continuous_fraction=1.0, shared_as=shared_as)
    return replace(PROFILE, machine=name, supply=supply, caps=replace(PROFILE.caps, current_a=current_a))


def test_caps_and_all_that_is_on_besides_add_up_to_the_supply():
    left, right = machine("left", 3.0), machine("right", 2.0)
    needed_a = 3.0 + 2.0 + standing_a(left) + standing_a(right)
    fits = [replace(one, supply=replace(one.supply, rated_a=needed_a)) for one in (left, right)]
    assert problems(fits) == ()
    small = [replace(one, supply=replace(one.supply, rated_a=needed_a - 0.1)) for one in (left, right)]
    assert any("0.10 A too much" in one for one in problems(small))


def test_profiles_that_do_not_mean_one_supply_are_named_together():
    found = problems([machine("left", 3.0), machine("left", 3.0, 10.0, None)])
    assert len(found) == 3
    assert [
        word for word in ("same supply", "one machine", "rated_a differs") if any(word in one for one in found)
    ] == ["same supply", "one machine", "rated_a differs"]
