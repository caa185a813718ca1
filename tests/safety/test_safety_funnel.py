"""All lines end over one funnel: cleaner that has run through it must be rinsed out before anybody is served."""

import pytest
from msgspec.structs import replace

from controller.model.messages import Refusal, Start, Stop
from controller.model.plan import Operation, Segment
from controller.model.states import Contents, OperationKind
from tests.guard.guard_parts import Rig, exact, profile, run_of, serve
from tests.safety.core_parts import filled, refusals, situation

JUICE = "apple juice"
K = OperationKind
CONTACT_S, RINSE_S = 1200.0, 38.0  # five tubes of 12.6 mL at 2 mL/s, twice begun: 31.6 s
DRINK = serve(run_of(1, JUICE, 0, 5))


def do(rig: Rig, kind: OperationKind, line: int, seconds: float, *, run_s: float | None = None) -> list[str]:
    """One operation of one line; the rules that refuse it."""
    draws = {K.CLEAN: "cleaner", K.RINSE: "rinse water", K.PURGE: "air"}.get(kind, JUICE)
    runs = (run_of(line, draws, 0, seconds),)
    name = f"op{len(rig.events)}"
    asked = Operation(operation=name, kind=kind, segments=(Segment(runs=runs),), jug=True)
    if kind is K.SERVE:
        asked = replace(asked, glass="tumbler", empty_glass=True)
    refused = [event.rule for event in rig.say(Start(operation=asked)) if isinstance(event, Refusal)]
    rig.run(seconds + 3 if run_s is None else run_s)
    return refused


@pytest.fixture
def rig():
    """Line 1 is ready to serve, line 2 has just been cleaned: the cleaner stands in it, and in the funnel."""
    made = Rig(exact(profile())).primed(1)
    assert do(made, K.CLEAN, 2, 10) == []
    return made


def test_nothing_is_served_after_cleaner_until_a_rinse_is_complete(rig):
    assert do(rig, K.SERVE, 1, 5) == ["funnel"]
    assert do(rig, K.PRIME, 1, 5) == []  # into a jug
    assert do(rig, K.SERVE, 1, 5) == ["funnel"]  # which took nothing away
    rig.run(CONTACT_S)
    assert do(rig, K.RINSE, 2, RINSE_S / 2) == []
    assert do(rig, K.SERVE, 1, 5) == ["funnel"]
    assert do(rig, K.RINSE, 2, RINSE_S / 2) == []
    assert do(rig, K.SERVE, 1, 5) == []


def test_water_that_is_not_rinsing_a_cleaned_line_clears_nothing(rig):
    assert do(rig, K.RINSE, 3, RINSE_S) == []
    assert do(rig, K.SERVE, 1, 5) == ["funnel"]


def test_the_funnel_is_remembered_over_restarts_and_crashes(rig):
    rig.start_guard()
    rig.ready()
    assert do(rig, K.SERVE, 1, 5) == ["funnel"]
    rig.run(CONTACT_S)
    do(rig, K.RINSE, 2, RINSE_S, run_s=10)
    rig.start_guard()  # killed while it rinsed
    rig.ready()
    rig.run(5)
    assert rig.report().lines[1].contents is Contents.UNKNOWN
    assert do(rig, K.SERVE, 1, 5) == ["funnel"]
    assert do(rig, K.PURGE, 2, 10) == []  # what it pushes out is cleaner
    assert do(rig, K.SERVE, 1, 5) == ["funnel"]


def test_cleaning_that_is_stopped_or_killed_counts_as_cleaning():
    for way in ("stop", "kill"):
        rig = Rig().primed(1)
        do(rig, K.CLEAN, 2, 10, run_s=1)
        if way == "stop":
            rig.say(Stop())
        else:
            rig.start_guard()
            rig.ready()
        rig.run(3)
        assert do(rig, K.SERVE, 1, 5) == ["funnel"], way


def test_cleaning_that_never_moved_changes_nothing():
    rig = Rig().primed(1)
    rig.journal.full = True
    assert do(rig, K.CLEAN, 2, 10) == ["journal"]
    rig.journal.full = False
    assert do(rig, K.SERVE, 1, 5) == []


def test_only_servings_are_refused():
    now = situation(funnel_chemical=True)
    assert set(refusals(DRINK, now)) == {"funnel"}
    purge = Operation(operation="x", kind=K.PURGE, segments=DRINK.segments, jug=True)
    assert refusals(purge, now) == {}
    assert refusals(DRINK, situation(lines=filled(chemical=False))) == {}
