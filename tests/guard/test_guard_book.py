"""The book taken anew without a restart: by the guard's own reading, at rest, whole or not at all."""

import msgspec
import pytest

from controller.model.book import Glass, Liquid
from controller.model.messages import Ended, Refusal, Start, TakeBook
from controller.model.states import Outcome
from controller.safety.records import BookRead
from tests.guard.guard_parts import BOOK, Reading, Rig, prime, records, run_of, serve


def changed(**changes):
    return msgspec.structs.replace(BOOK, **changes)


def with_strength(liquid, abv_percent):
    liquids = tuple(
        msgspec.structs.replace(one, abv_percent=abv_percent) if one.liquid == liquid else one for one in BOOK.liquids
    )
    return changed(liquids=liquids)


STRONGER = with_strength("sloe gin", 40.0)


@pytest.fixture
def rig():
    return Reading().primed(4)


def refusals(events):
    return [(one.request, one.rule) for one in events if isinstance(one, Refusal)]


def test_a_book_read_again_is_in_force_and_on_record(rig):
    assert rig.say(TakeBook(mark=STRONGER.mark)) == []
    assert rig.readings == 1
    (report,) = rig.read(STRONGER)
    assert report.book == STRONGER.mark
    rig.run(1)
    read = records(rig.journal)[-1].record
    assert isinstance(read, BookRead)
    assert [(one.of, one.figure, one.old, one.new) for one in read.changed] == [("sloe gin", "abv_percent", "26", "40")]
    # 35 s x 2.5 mL/s (the pump at its most) x 40 % x 0.78924 g/mL = 27.6 g, over the cap of 20 g
    rig.say(Start(operation=serve(run_of(4, "sloe gin", 0, 35))))
    assert rig.of(Refusal)[-1].rule == "serving_ethanol"


def test_the_old_book_judges_the_same_serving_otherwise(rig):
    rig.say(Start(operation=serve(run_of(4, "sloe gin", 0, 35))))  # at 26 % it is 18.0 g
    rig.run(40)
    assert rig.of(Ended)[-1].outcome is Outcome.DONE


@pytest.mark.parametrize(
    ("book", "problem", "rule"),
    [
        (None, "book.yaml:3:1: ...", "book_file"),
        (changed(title="another"), "", "book_file"),  # not the one that the engine has read
    ],
)
def test_a_book_that_cannot_be_used_changes_nothing(rig, book, problem, rule):
    rig.say(TakeBook(mark=STRONGER.mark))
    assert refusals(rig.read(book, problem)) == [("take_book", rule)]
    assert rig.report().book == BOOK.mark


def test_a_liquid_that_is_on_the_machine_cannot_leave_the_book(rig):
    """Line 4 carries and holds sloe gin: without the book its strength would count as nothing."""
    without = changed(liquids=tuple(one for one in BOOK.liquids if one.liquid != "sloe gin"), lines=BOOK.lines[:3])
    rig.say(TakeBook(mark=without.mark))
    assert refusals(rig.read(without)) == [("take_book", "book_liquid")]
    assert rig.report().book == BOOK.mark


def test_nothing_is_read_while_an_operation_is_under_way(rig):
    rig.say(Start(operation=prime(1, "apple juice", name="p1")))
    assert refusals(rig.say(TakeBook(mark=STRONGER.mark))) == [("take_book", "state")]
    assert rig.readings == 0


def test_a_book_that_comes_while_an_operation_is_under_way_is_not_taken(rig):
    rig.say(TakeBook(mark=STRONGER.mark))
    rig.say(Start(operation=prime(1, "apple juice", name="p1")))
    assert refusals(rig.read(STRONGER)) == [("take_book", "state")]
    rig.run(30)
    assert rig.report().book == BOOK.mark


def test_a_book_that_nobody_asked_for_is_not_taken(rig):
    assert rig.read(STRONGER) == []
    assert rig.report().book == BOOK.mark


def test_only_the_engine_may_ask(rig):
    assert refusals(rig.say(TakeBook(mark=1), "stranger")) == [("take_book", "hello")]
    assert rig.readings == 0


def test_a_guard_without_files_says_so():
    rig = Rig().ready()
    assert refusals(rig.say(TakeBook(mark=STRONGER.mark))) == [("take_book", "book_file")]


def test_after_a_restart_with_a_book_that_lacks_a_liquid_that_liquid_is_not_drawn(rig):
    rig.book = changed(liquids=tuple(one for one in BOOK.liquids if one.liquid != "sloe gin"), lines=BOOK.lines[:3])
    rig.start_guard()
    rig.ready()
    rig.say(Start(operation=serve(run_of(4, "sloe gin", 0, 5))))
    assert ("s1", "liquid") in refusals(rig.of(Refusal))


def test_marks_tell_books_apart_and_the_same_book_has_the_same():
    assert BOOK.mark == msgspec.json.decode(msgspec.json.encode(BOOK), type=type(BOOK)).mark
    others = [STRONGER, changed(title="x"), changed(glasses=(Glass(glass="tumbler", brim_ml=301, usable_ml=250),))]
    others.append(changed(liquids=(*BOOK.liquids, Liquid(liquid="perry", abv_percent=5))))
    assert len({BOOK.mark, *(one.mark for one in others)}) == 5
