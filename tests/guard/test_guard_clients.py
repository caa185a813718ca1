"""The guard in virtual time: who may say what, and when."""

from controller.model.calibration import Calibration
from controller.model.messages import (
    Acknowledge,
    AskReport,
    Assign,
    Heartbeat,
    Hello,
    LineChanged,
    Report,
    Start,
    TakeCalibration,
)
from tests.guard.guard_parts import JUICE_10_S, Rig, pouring, prime, run_of, serve

JUICE, SYRUP, TEA = "apple juice", "ginger syrup", "cold tea"


def test_a_client_begins_with_hello():
    rig = Rig()
    rig.run(0.5, beat=False)
    assert rig.refused(Start(operation=JUICE_10_S), "stranger").rule == "hello"
    assert rig.refused(AskReport(), "stranger").rule == "hello"


def test_one_engine_at_a_time_and_observers_only_look_and_stop():
    rig = Rig().primed(1)
    assert rig.refused(Hello(version=1, role="engine"), "second").rule == "engine"
    rig.say(Hello(version=1, role="observer"), "display")
    assert isinstance(rig.say(AskReport(), "display")[-1], Report)
    for command in (Start(operation=JUICE_10_S), Acknowledge(cause="x"), Assign(line=1, liquid=TEA), Heartbeat()):
        assert rig.refused(command, "display").rule == "engine"
    rig.guard.client_gone("engine")
    assert isinstance(rig.say(Hello(version=1, role="engine"), "second")[0], Report)


def test_another_version_is_refused():
    rig = Rig()
    rig.run(0.5, beat=False)
    refusal = rig.refused(Hello(version=2, role="engine"))
    assert (refusal.rule, refusal.allowed) == ("version", "1")
    assert rig.refused(Start(operation=JUICE_10_S)).rule == "hello"


def test_only_one_operation_at_a_time_and_each_id_once():
    rig = Rig().primed(1, 2)
    pouring(rig)
    refusal = rig.refused(Start(operation=serve(run_of(2, SYRUP, 0, 5), name="s2")))
    assert (refusal.request, refusal.rule) == ("s2", "state")
    rig.run(10)
    assert rig.refused(Start(operation=JUICE_10_S)).rule == "repeated"


def test_lines_are_not_changed_while_something_runs():
    rig = Rig().primed(1)
    pouring(rig)
    new = Calibration(line=1, liquid=JUICE, flow_ml_s=2.1, lag_s=0.1, u_flow_ml_s=0.01, u_lag_s=0.01, cov_flow_lag=0.0)
    assert rig.refused(Assign(line=2, liquid=TEA)).rule == "state"
    assert rig.refused(TakeCalibration(calibration=new)).rule == "state"
    rig.run(10)
    assert rig.say(TakeCalibration(calibration=new))[-1] == LineChanged(report=rig.report().lines[0])
    assert rig.report().lines[0].calibration == new
    rig.say(Assign(line=2, liquid=TEA))
    assert rig.report().lines[1].liquid == TEA


def test_before_the_contacts_are_known_nothing_begins():
    rig = Rig()
    rig.say(Hello(version=1, role="engine"))
    assert rig.refused(Start(operation=prime(1, JUICE))).rule == "state"
    rig.run(0.1)
    assert rig.board.trace == []
