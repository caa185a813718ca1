"""The current contact against what is commanded: every row of the table, and the times around it, worked by hand."""

import math
from pathlib import Path

import pytest
from msgspec.structs import replace

from controller.config import load_profile
from controller.safety.plausibility import CURRENT_OFF, CURRENT_UNFED, NO_CURRENT, RULES, Commanded, Feedback

ROOT = Path(__file__).resolve().parents[2]
PROFILE, _ = load_profile(ROOT / "hardware_profiles/bench_eight_line.yaml")
NO_MAIN = replace(PROFILE, main_relay=None)
BLIND = replace(PROFILE, inputs=replace(PROFILE.inputs, current=None))
NONE: frozenset[int] = frozenset()
FOUR, TWO_FOUR = frozenset({4}), frozenset({2, 4})
# The slowest of relay board (10, 5 ms) and main relay (15, 10 ms), twice, and 0.1 s; else 20 ms.
SETTLES_S, SETTLES_NO_MAIN_S = 0.13, 0.12
BEFORE_S = 1e-6


def after(on, *, is_fed, profile=PROFILE, before=()):
    """What was switched to this at 10 s, after what was switched at 5 s, 6 s, ..."""
    found = Feedback(profile, 0.0)
    for at_s, (lines, fed) in enumerate(before, start=5):
        found.switched(at_s, lines, is_fed=fed)
    found.switched(10.0, on, is_fed=is_fed)
    return found


def causes(found, at_s, flows):
    found.read(at_s, flows)
    return list(found.broken())


def test_there_is_one_rule_for_whatever_is_commanded():
    assert set(RULES) == set(Commanded)
    assert all(rule.commanded is commanded for commanded, rule in RULES.items())


@pytest.mark.parametrize(
    ("on", "is_fed", "wrong", "cause"),
    [
        (NONE, False, True, CURRENT_UNFED),
        (NONE, True, True, CURRENT_OFF),
        (FOUR, True, False, NO_CURRENT),
        (TWO_FOUR, True, False, NO_CURRENT),
    ],
)
def test_a_wrong_current_is_found_as_soon_as_it_must_have_settled(on, is_fed, wrong, cause):
    found = after(on, is_fed=is_fed, before=[(FOUR | {7}, True)])
    assert found.settled_s == pytest.approx(10.0 + SETTLES_S)
    assert causes(found, found.settled_s - BEFORE_S, wrong) == []
    assert causes(found, found.settled_s, wrong) == [cause]
    assert causes(found, 100.0, wrong) == [cause]
    assert causes(found, 100.0, not wrong) == []
    assert causes(found, 100.0, None) == []  # not settled: neither one nor the other


def test_every_edge_begins_anew_and_nothing_switched_does_not():
    found = after(FOUR, is_fed=True)
    found.switched(11.0, FOUR, is_fed=True)
    assert found.settled_s == pytest.approx(10.0 + SETTLES_S)
    found.switched(12.0, TWO_FOUR, is_fed=True)
    assert found.settled_s == pytest.approx(12.0 + SETTLES_S)
    found.switched(13.0, NONE, is_fed=False)
    assert found.settled_s == pytest.approx(13.0 + SETTLES_S)


def test_a_reading_is_asked_for_when_it_must_have_settled_and_once_only():
    found = after(FOUR, is_fed=True)
    found.read(10.05, None)
    assert found.look_s == pytest.approx(10.0 + SETTLES_S)
    found.read(found.settled_s, None)
    assert found.look_s == math.inf


@pytest.mark.parametrize("slow", ["operate_s", "release_s"])
@pytest.mark.parametrize("part", ["relay_board", "main_relay"])
def test_slow_relays_are_waited_for(part, slow):
    machine = replace(PROFILE, **{part: replace(getattr(PROFILE, part), **{slow: 0.2})})
    assert after(FOUR, is_fed=True, profile=machine).settled_s == pytest.approx(10.0 + 0.4 + 0.1)


def test_without_a_main_relay_the_feed_counts_as_closed():
    found = Feedback(NO_MAIN, 1.0)
    assert found.commanded is Commanded.OFF
    assert causes(found, 1.0 + SETTLES_NO_MAIN_S + BEFORE_S, True) == [CURRENT_OFF]
    found.switched(10.0, FOUR, is_fed=True)
    found.switched(20.0, NONE, is_fed=False)
    assert found.commanded is Commanded.OFF
    assert found.is_fed
    assert causes(found, 20.0 + SETTLES_NO_MAIN_S + BEFORE_S, True) == [CURRENT_OFF]
    assert not found.is_open_question  # there is no main relay that could wait


def test_without_a_current_contact_nothing_is_found_or_asked():
    for on, is_fed in ((NONE, False), (NONE, True), (FOUR, True)):
        found = after(on, is_fed=is_fed, profile=BLIND)
        assert causes(found, 100.0, None) == []
        assert found.look_s == math.inf
        assert not found.is_open_question


def test_the_first_start_waits_until_the_feed_has_been_seen_without_current():
    assert Feedback(PROFILE, 0.0).lead_s == pytest.approx(SETTLES_S + 0.02 + 0.03)  # its debounce, and one reading
    assert Feedback(PROFILE, 1000.0).lead_s == pytest.approx(SETTLES_S + 0.02 + 0.03)  # whatever the clock shows
    assert Feedback(BLIND, 0.0).lead_s == pytest.approx(2 * 0.015)  # only for the main relay itself
    assert Feedback(NO_MAIN, 0.0).lead_s == 0.0
    assert after(NONE, is_fed=True).lead_s == 0.0  # between two phases the feed is closed already


def test_channels_may_close_only_once_the_feed_was_seen_without_current():
    found = after(NONE, is_fed=True, before=[(NONE, False)])
    assert not found.is_proven
    for at_s, flows in ((10.0 + SETTLES_S - BEFORE_S, False), (10.2, None), (10.2, True)):
        found.read(at_s, flows)
        assert not found.is_proven
    found.read(10.2, False)
    assert found.is_proven
    found.switched(11.0, FOUR, is_fed=True)
    found.switched(12.0, NONE, is_fed=True)
    assert found.is_proven  # until the feed opens
    found.switched(13.0, NONE, is_fed=False)
    assert not found.is_proven
    assert after(NONE, is_fed=True, profile=BLIND).is_proven
    assert Feedback(NO_MAIN, 0.0).is_proven


def test_the_main_relay_stays_closed_until_no_current_has_been_seen():
    found = after(NONE, is_fed=True, before=[(FOUR, True)])
    assert found.is_open_question
    found.read(10.05, False)  # too early to count
    assert found.is_open_question
    found.read(10.2, True)
    assert found.is_open_question
    found.read(10.2, None)
    assert found.is_open_question
    found.read(10.2, False)
    assert not found.is_open_question
    assert not after(NONE, is_fed=False).is_open_question


def text_of(found, flows):
    found.read(100.0, flows)
    (text,) = found.broken().values()
    return text


def test_the_text_names_what_was_switched_off_last_and_the_wire_to_pull():
    text = text_of(after(NONE, is_fed=True, before=[(TWO_FOUR, True), (FOUR, True)]), True)
    assert "beginning with line 4 (relay channel 4), switched off last" in text
    assert "pull the pump wires" in text
    assert "main relay has been opened" in text
    assert "line 2" not in text
    both = text_of(after(NONE, is_fed=True, before=[(TWO_FOUR, True)]), True)
    assert "beginning with lines 2, 4, switched off last" in both
    nobody = text_of(after(NONE, is_fed=True), True)
    assert "switched off last" not in nobody
    assert "Switch the pumps' supply off at once" in text_of(after(FOUR - {4}, is_fed=True, profile=NO_MAIN), True)


def test_what_was_switched_off_last_outlives_the_main_relay():
    found = after(NONE, is_fed=True, before=[(FOUR, True), (NONE, True), (NONE, False)])
    assert found.last_off == FOUR


def test_the_text_of_a_pump_without_current_names_it_or_the_feed():
    one = text_of(after(FOUR, is_fed=True), False)
    assert one.startswith("line 4 (relay channel 4): no current: check its fuse and wires")
    assert one.endswith("then the main relay")
    several = text_of(after(TWO_FOUR, is_fed=True, profile=NO_MAIN), False)
    assert several.startswith("lines 2, 4: no current: none of these pumps runs")
    assert "main relay" not in several


def test_a_reading_at_the_very_moment_counts_and_the_first_one_is_waited_for():
    found = after(NONE, is_fed=True, before=[(NONE, False)])
    assert found.look_s == found.settled_s == pytest.approx(10.0 + SETTLES_S)
    found.read(found.settled_s, False)
    assert found.is_proven
    assert Feedback(PROFILE, 0.0).look_s == pytest.approx(SETTLES_S)
