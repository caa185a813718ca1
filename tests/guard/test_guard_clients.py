"""The guard in virtual time: who may say what, and when."""

from controller.model.calibration import Calibration
from controller.model.messages import (
    Acknowledge,
    AskReport,
    Assign,
    Heartbeat,
    Hello,
    Report,
    Start,
    TakeCalibration,
)
from tests.guard.guard_parts import JUICE_10_S, Rig, pouring, prime, run_of, serve

JUICE, SYRUP, TEA = "apple juice", "ginger syrup", "cold tea"


def test_a_client_begins_with_hello():
    rig = Rig()
    rig.run(0.5, beat=False)
    assert rig.say(Start(operation=JUICE_10_S), "stranger")[-1].rule == "hello"
    assert rig.say(AskReport(), "stranger")[-1].rule == "hello"


def test_one_engine_at_a_time_and_observers_only_look_and_stop():
    rig = Rig().primed(1)
    assert rig.say(Hello(version=1, role="engine"), "second")[-1].rule == "engine"
    rig.say(Hello(version=1, role="observer"), "display")
    assert isinstance(rig.say(AskReport(), "display")[-1], Report)
    for command in (Start(operation=JUICE_10_S), Acknowledge(cause="x"), Assign(line=1, liquid=TEA), Heartbeat()):
        assert rig.say(command, "display")[-1].rule == "engine"
    rig.guard.client_gone("engine")
    assert isinstance(rig.say(Hello(version=1, role="engine"), "second")[0], Report)


def test_another_version_is_refused():
    rig = Rig()
    rig.run(0.5, beat=False)
    refusal = rig.say(Hello(version=2, role="engine"))[-1]
    assert (refusal.rule, refusal.allowed) == ("version", "1")
    assert rig.say(Start(operation=JUICE_10_S))[-1].rule == "hello"


def test_only_one_operation_at_a_time_and_each_id_once():
    rig = Rig().primed(1, 2)
    pouring(rig)
    refusal = rig.say(Start(operation=serve(run_of(2, SYRUP, 0, 5), name="s2")))[-1]
    assert (refusal.request, refusal.rule) == ("s2", "state")
    rig.run(10)
    assert rig.say(Start(operation=JUICE_10_S))[-1].rule == "repeated"


def test_lines_are_not_changed_while_something_runs():
    rig = Rig().primed(1)
    pouring(rig)
    new = Calibration(line=1, liquid=JUICE, flow_ml_s=2.1, lag_s=0.1, u_flow_ml_s=0.01, u_lag_s=0.01, cov_flow_lag=0.0)
    assert rig.say(Assign(line=2, liquid=TEA))[-1].rule == "state"
    assert rig.say(TakeCalibration(calibration=new))[-1].rule == "state"
    rig.run(10)
    assert rig.say(TakeCalibration(calibration=new))[-1].report.calibration == new
    assert rig.say(Assign(line=2, liquid=TEA))[-1].report.liquid == TEA


def test_before_the_contacts_are_known_nothing_begins():
    rig = Rig()
    rig.say(Hello(version=1, role="engine"))
    assert rig.say(Start(operation=prime(1, JUICE)))[-1].rule == "state"
    rig.run(0.1)
    assert rig.board.trace == []
