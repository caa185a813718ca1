import pytest

from controller.guard.journal_operations import operations_in
from controller.ledger.journal_segment import JournalEntry
from controller.model.messages import Start, Stop, Unhold
from controller.model.states import Outcome
from tests.guard.guard_parts import GLASS, Rig, another_glass, profile, run_of, serve

JUICE = "apple juice"


def test_every_operation_can_be_read_back():
    rig = Rig(profile(glass=GLASS))
    rig.board.contacts["glass"] = True
    rig.primed(1)
    rig.say(Start(operation=serve(run_of(1, JUICE, 0, 5), name="done")))
    rig.run(8)
    another_glass(rig)
    rig.say(Start(operation=serve(run_of(1, "cold tea", 0, 95), name="refused")))
    rig.say(Start(operation=serve(run_of(1, JUICE, 0, 5), name="stopped")))
    rig.run(2)
    rig.say(Stop())
    rig.run(3)
    another_glass(rig)
    held = serve(run_of(1, JUICE, 0, 5), name="held")
    rig.say(Start(operation=held))
    rig.run(1)
    rig.board.contacts["glass"] = False
    rig.run(1)
    rig.board.contacts["glass"] = True
    rig.run(1)
    rig.say(Unhold(operation="held", runs=(run_of(1, JUICE, 0, 4),)))
    rig.run(8)
    another_glass(rig)
    rig.say(Start(operation=serve(run_of(1, JUICE, 0, 5), name="cut short")))
    told = operations_in(rig.journal.read())

    by_name = {operation.request: operation for operation in told.operations}
    assert list(by_name) == ["prime-1", "done", "refused", "stopped", "held", "cut short"]
    assert told.damage == ()
    assert {name: one.ended.outcome for name, one in by_name.items() if one.ended}["done"] is Outcome.DONE
    assert by_name["done"].edges == ((1, True, 0.0), (1, False, 5.0))
    assert by_name["refused"].refused_by == ("liquid", "run_on")
    assert by_name["refused"].asked is None
    assert by_name["stopped"].ended is not None
    assert (by_name["stopped"].ended.outcome, by_name["stopped"].edges[-1]) == (Outcome.STOPPED, (1, False, 2.0))
    assert by_name["held"].asked == held
    assert [[run.duration_s for run in runs] for runs in by_name["held"].resumed] == [[4]]
    assert [is_on for _, is_on, _ in by_name["held"].edges] == [True, False, True, False]
    assert by_name["held"].edges[1][2] == pytest.approx(1.03, abs=0.02)
    assert by_name["cut short"].ended is None


def test_an_entry_that_cannot_be_understood_is_reported():
    rig = Rig().primed(1)
    last = rig.journal.entries[-1]
    rig.journal.entries[-1] = JournalEntry(number=last.number, hash=last.hash, body=b"[{}]")
    told = operations_in(rig.journal.read())
    assert [operation.ended for operation in told.operations] == [None]
    assert f"entry {last.number} is not understood" in told.damage[0]
