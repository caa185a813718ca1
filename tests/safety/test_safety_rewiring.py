"""The profile is edited at random, and every tube's allergens stay with its pin."""

import random
from typing import Any

import pytest
from msgspec.structs import replace

from controller.model.calibration import Calibration
from controller.model.profile import Profile
from controller.model.states import Contents
from controller.safety.memory import apply
from controller.safety.records import LineState, Memory, Moment, Stamped, Started
from controller.safety.rewiring import rewired
from tests.guard.guard_parts import BOOK, line, profile

NOW = Moment(credited_s=0.0, wall_s=0.0)


def wired(pins: dict[int, int]) -> Profile:
    """A machine whose lines (number -> pin) are these."""
    lines = tuple(replace(line(1), line=number, gpio=pin, channel=number) for number, pin in sorted(pins.items()))
    return replace(profile(), lines=lines)


def started(memory: Memory, machine: Profile) -> Memory:
    found = rewired(machine, BOOK, memory, NOW)
    record = Started(boot="b", caps={}, lines=found.lines, renumbered=found.renumbered, removed=found.removed)
    return apply(memory, Stamped(mono_s=0.0, wall_s=0.0, record=record))


def wetted(memory: Memory, number: int, allergen: str) -> Memory:
    """Something with this allergen was drawn into the tube of this line."""
    state = memory.line(number)
    touched = replace(state, contents=Contents.LIQUID, holds=allergen, traces=tuple(sorted({*state.traces, allergen})))
    return replace(memory, lines=tuple(touched if one.line == number else one for one in memory.lines))


@pytest.mark.parametrize("seed", range(60))
def test_no_edit_of_the_profile_forgets_what_has_been_in_a_tube(seed):
    rng = random.Random(seed)
    pins = {number: number for number in range(1, 5)}
    memory, truth = started(Memory(), wired(pins)), dict[int, set[str]]()
    for step in range(12):
        number = rng.choice(list(pins))
        allergen = f"allergen {step}"
        memory = wetted(memory, number, allergen)
        truth.setdefault(pins[number], set()).add(allergen)
        chosen = rng.sample(range(1, 9), rng.randint(1, 5))  # pumps come, go, and are called otherwise
        pins = dict(zip(rng.sample(range(1, 7), len(chosen)), chosen, strict=True))
        memory = started(memory, wired(pins))
        for now, pin in pins.items():
            state = memory.line(now)
            assert state.gpio == pin
            assert truth.get(pin, set()) <= {*state.traces}, f"seed {seed}, step {step}: pin {pin}"
            assert not truth.get(pin) or state.contents is not Contents.EMPTY


def calibration(number: int, flow_ml_s: float) -> Calibration:
    exact: dict[str, Any] = {"lag_s": 0.0, "u_flow_ml_s": 0.0, "u_lag_s": 0.0, "cov_flow_lag": 0.0}
    return Calibration(line=number, liquid="apple juice", flow_ml_s=flow_ml_s, **exact)


def test_a_calibration_goes_with_its_pump_and_not_with_the_number():
    memory = started(Memory(), wired({1: 5, 2: 6}))
    memory = replace(memory, calibrations=(calibration(1, 2.0), calibration(2, 3.0)))
    memory = started(memory, wired({1: 6, 3: 7}))
    assert {one.line: one.flow_ml_s for one in memory.calibrations} == {1: 3.0}


def test_what_hangs_on_a_renumbered_line_is_for_a_person_to_say_and_a_pump_on_another_pin_keeps_its_bottle():
    memory = started(Memory(), wired({1: 5, 2: 6}))
    moved = started(memory, wired({2: 6, 7: 5}))
    assert (memory.line(1).assigned, moved.line(7).assigned) == ("apple juice", None)
    repinned = started(memory, wired({1: 9, 2: 6}))
    assert (repinned.line(1).gpio, repinned.line(1).assigned) == (9, "apple juice")


def test_cleaner_behind_either_number_or_pin_makes_the_line_unknown():
    full = LineState(line=1, gpio=5, contents=Contents.LIQUID, holds="apple juice")
    soaking = LineState(line=2, gpio=6, contents=Contents.CLEANER, chemical=True)
    memory = started(Memory(lines=(full, soaking)), wired({1: 6, 2: 5}))
    assert (memory.line(1).contents, memory.line(1).chemical) == (Contents.CLEANER, True)
    assert (memory.line(2).contents, memory.line(2).chemical) == (Contents.UNKNOWN, True)


def test_a_journal_of_an_earlier_version_knows_numbers_only_and_learns_the_pins():
    memory = started(Memory(lines=(LineState(line=1, traces=("milk",)),)), wired({1: 5}))
    assert (memory.line(1).gpio, memory.line(1).traces) == (5, ("milk",))
    assert started(memory, wired({4: 5})).line(4).traces == ("milk",)
