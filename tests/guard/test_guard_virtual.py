import pytest

from controller.model.messages import Changed, Edge, Ended, Start
from controller.model.states import MachineState, Outcome
from tests.guard.guard_parts import Rig, admitted, run_of, serve


def test_a_serving_is_admitted_runs_and_ends():
    rig = Rig().primed(1, 2)
    began_s = rig.clock.now_s()
    events = rig.say(Start(operation=serve(run_of(1, "apple juice", 0, 10), run_of(2, "ginger syrup", 0.5, 4))))
    assert admitted(events) == ["s1"]
    rig.board.trace.clear()
    rig.run(12)
    assert rig.board.trace == [
        (pytest.approx(began_s + 0.5), 2, True),
        (pytest.approx(began_s + 4.5), 2, False),
        (pytest.approx(began_s + 10), 1, False),
    ]
    ended = rig.of(Ended)[-1]
    assert (ended.operation, ended.outcome) == ("s1", Outcome.DONE)
    # 2 mL/s for 10 s and for 4 s, at worst a quarter more.
    assert [(one.line, one.delivered_ml, one.worst_ml) for one in ended.deliveries] == [
        (1, pytest.approx(20), pytest.approx(25)),
        (2, pytest.approx(8), pytest.approx(10)),
    ]
    assert [(edge.line, edge.is_on, edge.at_s) for edge in rig.of(Edge)[-4:]] == [
        (1, True, 0),
        (2, True, pytest.approx(0.5)),
        (2, False, pytest.approx(4.5)),
        (1, False, pytest.approx(10)),
    ]
    assert rig.of(Changed)[-1].state is MachineState.IDLE
