"""Which liquid hangs on a line: guard and engine compare at every hello, and never disagree in silence."""

import pytest

from controller.ledger.journal import MemoryJournal
from controller.model.messages import (
    Acknowledge,
    Assign,
    FaultLatchedEvent,
    Hello,
    Hung,
    LineReport,
    Report,
    Start,
)
from controller.model.states import Contents
from tests.guard.guard_parts import BOOK, Rig, admitted, prime, run_of, serve

JUICE, GIN, TEA = "apple juice", "sloe gin", "cold tea"


def stock(**other: str) -> tuple[Hung, ...]:
    """What the book says, but for the lines named (line_2="sloe gin")."""
    hangs = {one.line: one.liquid for one in BOOK.lines} | {int(name[5:]): liquid for name, liquid in other.items()}
    return tuple(Hung(line=line, liquid=liquid) for line, liquid in hangs.items())


def hello(rig: Rig, said: tuple[Hung, ...]) -> Report:
    rig.guard.client_gone("engine")
    rig.run(0.5, beat=False)
    (report,) = [one for one in rig.say(Hello(version=1, role="engine", stock=said)) if isinstance(one, Report)]
    return report


def line(rig: Rig, number: int) -> LineReport:
    return rig.report().lines[number - 1]


def test_a_reassigned_line_after_the_journal_is_lost_is_unknown_until_a_person_says_what_hangs_there():
    """The guard falls back to its book, the stock still names what was hung."""
    rig = Rig().primed(2)
    rig.say(Assign(line=2, liquid=TEA))
    rig.kept = MemoryJournal()
    rig.start_guard()
    report = hello(rig, stock(line_2=TEA))
    assert report.fault == "stock differs"
    said = "line 2 carries ginger syrup as the guard knows, cold tea as the stock has it"
    assert said in rig.of(FaultLatchedEvent)[-1].text
    assert [(one.contents, one.liquid) for one in report.lines] == [
        (Contents.EMPTY, JUICE), (Contents.UNKNOWN, None), (Contents.EMPTY, TEA), (Contents.EMPTY, GIN)
    ]  # fmt: skip
    rig.say(Acknowledge(cause="stock differs"))
    rig.run(0.5)
    assert admitted(rig.say(Start(operation=prime(2, TEA, name="p2")))) == []
    rig.say(Assign(line=2, liquid=TEA))
    found = line(rig, 2)
    assert (found.liquid, found.contents, found.doubtful) == (TEA, Contents.UNKNOWN, True)
    assert admitted(rig.say(Start(operation=prime(2, TEA, name="p3")))) == []  # purged and cleaned first


def test_allergens_of_both_count():
    rig = Rig().ready()
    hello(rig, stock(line_1=TEA))
    found = line(rig, 1)
    assert (found.traces, found.drawn) == (("milk",), (JUICE, TEA))


def test_nothing_is_poured_from_a_line_in_dispute_and_the_others_pour_on():
    rig = Rig().primed(1, 4)
    hello(rig, stock(line_4=JUICE))
    rig.say(Acknowledge(cause="stock differs"))
    rig.run(3)
    assert admitted(rig.say(Start(operation=serve(run_of(4, GIN, 0, 5), name="s1")))) == []
    assert admitted(rig.say(Start(operation=serve(run_of(1, JUICE, 0, 5), name="s2")))) != []


@pytest.mark.parametrize("said", [stock(), (), stock()[:2], (*stock(), Hung(line=40, liquid=GIN))])
def test_where_both_agree_or_only_one_says_something_nothing_changes(said):
    """A ledger that is lost says nothing: the lines stay as the guard knows them."""
    rig = Rig().primed(1)
    before = rig.report().lines
    report = hello(rig, said)
    assert (report.fault, report.lines) == (None, before)


def test_a_settled_dispute_stays_settled_and_an_open_one_stays_open():
    rig = Rig().ready()
    hello(rig, stock(line_2=TEA))
    rig.say(Acknowledge(cause="stock differs"))
    rig.run(0.5)
    report = hello(rig, stock(line_2=TEA))  # nobody has said anything yet: the line waits, and is no new fault
    assert (report.fault, report.lines[1].liquid) == (None, None)
    rig.say(Assign(line=2, liquid=TEA))
    report = hello(rig, stock(line_2=TEA))
    assert (report.fault, report.lines[1].liquid) == (None, TEA)


def test_an_observer_cannot_dispute():
    rig = Rig().ready()
    rig.say(Hello(version=1, role="observer", stock=stock(line_2=TEA)), "display")
    assert line(rig, 2).liquid == "ginger syrup"
