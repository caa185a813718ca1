"""A guest's own phone may begin a pour only where the profile says so, without alcohol, just after a fresh glass."""

import dataclasses

import pytest
from msgspec.structs import replace

from controller.model.messages import InputReport
from controller.safety.glass import GlassState
from tests.guard.guard_parts import GLASS, profile, run_of, serve
from tests.safety.core_parts import refusals, situation

JUICE, GIN = "apple juice", "sloe gin"
STANDS = InputReport(stop_pressed=False, glass_present=True)
FRESH, STALE = GlassState(set_down="contact"), GlassState()


def allowing(may=True):
    machine = profile(glass=GLASS)
    return replace(machine, inputs=replace(machine.inputs, guests_may_consent=may))


def by_guest(run):
    return replace(serve(run), consent="guest")


def asked(run, *, may=True, glass=FRESH, stands_for_s=1.0, **memory):
    now = situation(allowing(may), inputs=STANDS, glass=glass, **memory)
    return set(refusals(by_guest(run), dataclasses.replace(now, stands_for_s=stands_for_s)))


def test_a_guests_phone_consents_right_after_a_fresh_glass_was_set_down():
    assert asked(run_of(1, JUICE, 0, 1)) == set()
    assert asked(run_of(1, JUICE, 0, 1), stands_for_s=15.0) == set()


@pytest.mark.parametrize("stands_for_s", [None, 15.1, 3600.0])
def test_a_guests_phone_consents_neither_later_nor_to_an_unseen_glass(stands_for_s):
    assert asked(run_of(1, JUICE, 0, 1), stands_for_s=stands_for_s) == {"consent"}


def test_a_guests_phone_does_not_consent_unless_the_profile_allows_it():
    assert asked(run_of(1, JUICE, 0, 1), may=False) == {"consent"}


def test_a_guests_phone_never_consents_to_alcohol():
    assert asked(run_of(4, GIN, 0, 1)) == {"consent"}
    assert set(refusals(serve(run_of(4, GIN, 0, 1)), situation(allowing(), inputs=STANDS, glass=FRESH))) == set()


@pytest.mark.parametrize(("pressed_for_s", "counts"), [(0.0, True), (5.0, True), (5.1, False), (None, False)])
def test_the_start_button_counts_when_the_guard_has_seen_it(pressed_for_s, counts):
    now = dataclasses.replace(situation(allowing(), inputs=STANDS, glass=FRESH), pressed_for_s=pressed_for_s)
    asked = replace(serve(run_of(4, GIN, 0, 1)), consent="button")
    assert set(refusals(asked, now)) == (set() if counts else {"consent"})


def test_no_consent_for_a_glass_that_was_poured_into():
    assert asked(run_of(1, JUICE, 0, 1), glass=STALE) == {"consent", "fresh_glass"}
