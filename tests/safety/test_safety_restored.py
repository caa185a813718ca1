"""Two memories of the same tubes: what either knows of a tube's traces counts, by pin and by number."""

from typing import Any

from controller.model.states import Contents
from controller.safety.records import LineState, Memory
from controller.safety.restored import with_traces_of


def state(line: int, gpio: int | None, *traces: str, **more: Any) -> LineState:
    return LineState(line=line, gpio=gpio, traces=traces, contents=Contents.LIQUID, **more)


def test_traces_are_those_of_the_same_pin_and_of_the_same_number():
    restored = Memory(lines=(state(1, 2, "milk"), state(2, 4)))
    present = Memory(lines=(state(1, 4, "nuts"), state(2, 2, "eggs"), state(3, 5, "soya")))
    found = with_traces_of(restored, present)
    assert [one.traces for one in found.lines] == [("eggs", "milk", "nuts"), ("eggs", "nuts")]


def test_a_journal_without_pins_goes_by_numbers_alone():
    found = with_traces_of(
        Memory(lines=(state(1, None, "milk"),)), Memory(lines=(state(1, None, "nuts"), state(2, None)))
    )
    assert [one.traces for one in found.lines] == [("milk", "nuts")]


def test_tubes_that_only_the_present_memory_knows_are_kept_for_the_day_their_pin_is_used_again():
    present = Memory(lines=(state(3, 5, "soya", drawn=("soya drink",)),), removed=(state(4, 6, "nuts"),))
    found = with_traces_of(Memory(lines=(state(1, 2),)), present)
    assert [(one.gpio, one.traces, one.contents, one.chemical) for one in found.removed] == [
        (5, ("soya",), Contents.UNKNOWN, True),
        (6, ("nuts",), Contents.UNKNOWN, True),
    ]
