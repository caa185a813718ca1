from itertools import product
from typing import Any

import pytest
from msgspec.structs import replace

from controller.model.labels import Label
from controller.model.states import Contents, OperationKind
from controller.safety.contents import ALLOWED, EFFECT, NEXT_STEP, assigned, crashed, drained, lost, moved
from controller.safety.records import LineState, Moment

C, K = Contents, OperationKind
TUBE_ML = 10.0
EARLIER = Moment(credited_s=100.0, wall_s=8600.0)
NOW = Moment(credited_s=500.0, wall_s=9000.0)


APPLE = Label(liquid="apple juice")
MILKY = Label(liquid="apple juice", allergens=("milk",), care="perishable")


def state(contents: Contents, **more: Any) -> LineState:
    filled: dict[str, Any] = {"holds": "apple juice", "tube": APPLE} if contents is C.LIQUID else {}
    return LineState(line=1, assigned="apple juice", container=APPLE, contents=contents, **(filled | more))


def after(before: LineState, kind: OperationKind, ml: float, *, enough_ml: float = TUBE_ML, milk: bool = False):
    """A purge with the suction tube in air."""
    label = MILKY if milk else APPLE
    return moved(before, kind, least_ml=ml, enough_ml=enough_ml, label=label, now=NOW, in_air=True)


def test_every_contents_has_its_row():
    assert set(ALLOWED) == set(NEXT_STEP) == set(Contents)


@pytest.mark.parametrize(("kind", "contents"), list(product(OperationKind, Contents)))
def test_what_is_allowed_has_an_effect_and_the_other_way_round(kind, contents):
    assert (kind in ALLOWED[contents]) == ((kind, contents) in EFFECT)


def test_serving_only_from_liquid_and_from_cleaner_only_rinsing():
    assert [contents for contents in Contents if K.SERVE in ALLOWED[contents]] == [C.LIQUID]
    assert ALLOWED[C.CLEANER] == {K.RINSE}
    assert ALLOWED[C.UNKNOWN] == {K.PURGE}


@pytest.mark.parametrize(
    ("kind", "before", "too_little", "enough"),
    [
        (K.PRIME, C.EMPTY, C.EMPTY, C.LIQUID),
        (K.PRIME, C.RINSE_WATER, C.RINSE_WATER, C.LIQUID),
        (K.PRIME, C.LIQUID, C.LIQUID, C.LIQUID),
        (K.PURGE, C.LIQUID, C.UNKNOWN, C.EMPTY),
        (K.PURGE, C.UNKNOWN, C.UNKNOWN, C.EMPTY),
        (K.PURGE, C.RINSE_WATER, C.RINSE_WATER, C.EMPTY),
        (K.CLEAN, C.EMPTY, C.CLEANER, C.CLEANER),
        (K.CLEAN, C.RINSE_WATER, C.CLEANER, C.CLEANER),
        (K.RINSE, C.CLEANER, C.CLEANER, C.RINSE_WATER),
        (K.RINSE, C.LIQUID, C.UNKNOWN, C.RINSE_WATER),
        (K.SERVE, C.LIQUID, C.LIQUID, C.LIQUID),
        (K.TRIAL, C.LIQUID, C.LIQUID, C.LIQUID),
        (K.JOG, C.EMPTY, C.EMPTY, C.EMPTY),
    ],
)
def test_contents_follow_the_volume_moved(kind, before, too_little, enough):
    assert after(state(before), kind, 9.9).contents is too_little
    assert after(state(before), kind, 10.0).contents is enough


def test_priming_in_two_goes_fills_the_line_but_other_moves_do_not_count():
    half = after(state(C.EMPTY), K.PRIME, 6)
    assert half.contents is C.EMPTY
    full = after(half, K.PRIME, 6)
    assert (full.contents, full.holds, full.filled) == (C.LIQUID, "apple juice", NOW)
    assert after(after(state(C.EMPTY), K.PURGE, 50), K.PRIME, 6).contents is C.EMPTY
    assert after(after(half, K.JOG, 1), K.PRIME, 6).contents is C.EMPTY


def test_liquid_drawn_in_leaves_its_residue_and_its_allergens():
    line = after(state(C.EMPTY), K.PRIME, 6, milk=True)
    assert (line.residues, line.traces) == (("apple juice",), ("milk",))
    rinsed = after(after(line, K.PURGE, 10), K.RINSE, 50, enough_ml=50)
    assert (rinsed.residues, rinsed.traces) == ((), ("milk",))  # water does not take an allergen away for sure


def test_cleaning_takes_everything_away_when_it_filled_the_tube_and_was_rinsed_out():
    line = state(C.EMPTY, residues=("cold tea",), traces=("milk",), doubtful=True)
    soaking = after(line, K.CLEAN, 10)
    assert (soaking.contents, soaking.chemical, soaking.soaked_s) == (C.CLEANER, True, 500.0)
    assert after(soaking, K.RINSE, 49, enough_ml=50).contents is C.CLEANER
    clean = after(after(soaking, K.RINSE, 25, enough_ml=50), K.RINSE, 25, enough_ml=50)
    assert (clean.contents, clean.residues, clean.traces) == (C.RINSE_WATER, (), ())
    assert (clean.doubtful, clean.chemical, clean.soaked_s) == (False, False, None)


def test_a_tube_half_filled_with_cleaner_is_rinsed_but_not_clean():
    line = state(C.EMPTY, traces=("milk",))
    rinsed = after(after(line, K.CLEAN, 5), K.RINSE, 50, enough_ml=50)
    assert (rinsed.contents, rinsed.traces, rinsed.chemical) == (C.RINSE_WATER, ("milk",), False)


@pytest.mark.parametrize("kind", [K.SERVE, K.PRIME, K.TRIAL, K.JOG])
def test_a_tube_that_drew_its_own_liquid_holds_it_after_a_crash_however_far_that_came(kind):
    own = state(C.LIQUID)
    line = crashed(own, kind, MILKY)
    assert (line.contents, line.holds, line.traces) == (C.LIQUID, "apple juice", ("milk",))
    assert crashed(replace(own, assigned="cold tea"), kind, MILKY).contents is C.UNKNOWN


@pytest.mark.parametrize("kind", [K.PURGE, K.RINSE])
def test_a_crash_makes_the_line_unknown_where_the_contents_were_changing(kind):
    assert crashed(state(C.LIQUID), kind, MILKY).contents is C.UNKNOWN
    assert crashed(state(C.EMPTY), K.PRIME, APPLE).contents is C.UNKNOWN


def test_a_container_that_ran_empty_leaves_air_in_the_tube_and_what_wetted_it():
    line = drained(state(C.LIQUID, residues=("apple juice",), traces=("milk",)))
    assert (line.contents, line.holds, line.filled) == (C.EMPTY, None, None)
    assert (line.residues, line.traces) == (("apple juice",), ("milk",))
    assert drained(state(C.CLEANER, chemical=True)) == state(C.CLEANER, chemical=True)


def test_a_crash_in_cleaning_leaves_what_may_be_in_it():
    in_cleaning = crashed(state(C.EMPTY), K.CLEAN, APPLE)
    assert after(in_cleaning, K.PURGE, 10).contents is C.CLEANER  # a film of cleaner: rinse before anything else


def test_a_lost_past_asks_for_purge_rinse_clean_and_rinse():
    line = after(lost(state(C.LIQUID)), K.PURGE, 10)
    assert line.contents is C.CLEANER
    rinsed = after(line, K.RINSE, 50, enough_ml=50)
    assert (rinsed.contents, rinsed.doubtful) == (C.RINSE_WATER, True)
    done = after(after(rinsed, K.CLEAN, 10), K.RINSE, 50, enough_ml=50)
    assert done.doubtful is False


def test_only_a_full_cleaning_and_its_rinse_make_a_line_clean_again():
    wet = after(state(C.EMPTY), K.PRIME, 10)
    assert (wet.wetted, wet.cleaned) == (NOW, None)
    empty = after(wet, K.PURGE, 10)
    half = after(after(empty, K.CLEAN, 9.9), K.RINSE, 50, enough_ml=50)
    assert (half.contents, half.wetted, half.cleaned) == (C.RINSE_WATER, NOW, None)
    done = after(after(empty, K.CLEAN, 10), K.RINSE, 50, enough_ml=50)
    assert (done.wetted, done.cleaned) == (None, NOW)
    assert lost(done).cleaned is None


def test_a_container_change_leaves_the_tube_as_it_is():
    line = assigned(state(C.LIQUID), Label(liquid="cold tea"), NOW)
    assert (line.assigned, line.holds, line.contents, line.opened) == ("cold tea", "apple juice", C.LIQUID, NOW)
    assert after(line, K.JOG, 1).contents is C.UNKNOWN  # drew from the new container into the old liquid


def test_liquid_topped_up_by_priming_stays_as_old_as_it_was():
    line = state(C.LIQUID, filled=EARLIER)
    assert after(line, K.PRIME, 30).filled == EARLIER


def test_a_serving_changes_nothing_worth_writing():
    wet = {"residues": ("apple juice",), "drawn": ("apple juice",)}
    line = state(C.LIQUID, filled=EARLIER, **wet)
    assert after(line, K.SERVE, 30) == line
    assert after(replace(line, moved_ml=3.0), K.SERVE, 30) == line


@pytest.mark.parametrize("kind", [K.TRIAL, K.JOG])
def test_whatever_draws_liquid_leaves_its_residue(kind):
    assert after(state(C.LIQUID), kind, 1, milk=True).residues == ("apple juice",)
    assert after(state(C.LIQUID), kind, 1, milk=True).traces == ("milk",)


def test_residues_and_traces_add_up():
    line = state(C.LIQUID, residues=("ginger syrup",), traces=("nuts",))
    served = after(line, K.SERVE, 30, milk=True)
    assert (served.residues, served.traces) == (("apple juice", "ginger syrup"), ("milk", "nuts"))


def test_a_liquid_that_has_left_the_line_is_no_longer_reported():
    line = state(C.LIQUID, filled=EARLIER)
    for ml in (1, 10):
        purged = after(line, K.PURGE, ml)
        assert (purged.holds, purged.filled) == (None, None)


def test_after_a_crash_moving_begins_anew():
    line = crashed(state(C.EMPTY, moved_ml=9.0, moved_by=K.PRIME), K.PRIME, APPLE)
    assert (line.moved_ml, line.moved_by) == (0.0, None)
