"""The guard measures how late it switches, and tells it when all channels are off again."""

import pytest

from controller.model.messages import EdgesTimed, Start
from tests.guard.guard_parts import Rig, run_of, serve


def test_every_edge_is_reported_once_with_its_lateness():
    rig = Rig().primed(1, 2)
    assert rig.of(EdgesTimed) == [EdgesTimed(late_s=(0.0, 0.0))] * 2
    rig.events.clear()
    rig.say(Start(operation=serve(run_of(1, "apple juice", 0, 4), run_of(2, "ginger syrup", 1.0, 2))))
    began_s = rig.clock.now_s()
    rig.run(0.9)
    rig.clock.move_to(began_s + 1.05)  # 50 ms after line 2 was due, so that what follows moves with it
    rig.run(5)
    (told,) = rig.of(EdgesTimed)
    assert told.late_s == pytest.approx((0.0, 0.05, 0.0, 0.0), abs=1e-6)
    assert rig.events[-1] != (None, told), "the end is told after it"


def test_nothing_is_reported_while_nothing_is_switched():
    rig = Rig().ready()
    rig.run(600)
    assert rig.of(EdgesTimed) == []
