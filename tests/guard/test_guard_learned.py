"""Learned flows in the guard's journal: written with what comes next, told again when they are lost."""

import msgspec
from msgspec.structs import replace

from controller.guard.journal_writer import MOST_WAITING
from controller.model.calibration import Calibration
from controller.model.messages import Start, TakeCalibration
from tests.guard.guard_parts import Rig, run_of, serve
from tests.guard.test_guard_restart import JUICE, kinds, restart

OLD = Calibration(line=1, liquid=JUICE, flow_ml_s=2.0, lag_s=0.1, u_flow_ml_s=0.01, u_lag_s=0.01, cov_flow_lag=0.0)


def calibrated() -> Rig:
    rig = Rig().primed(1)
    rig.say(TakeCalibration(calibration=OLD))
    return rig


def test_what_was_learned_of_a_calibration_is_written_with_what_comes_next():
    rig, learned = calibrated(), replace(OLD, flow_ml_s=1.95, u_flow_ml_s=0.004)
    before = len(rig.journal.entries)
    rig.say(TakeCalibration(calibration=learned))
    assert rig.report().lines[0].calibration == learned
    assert len(rig.journal.entries) == before
    assert restart(rig)[0].lines[0].calibration == OLD  # after a power cut: the engine tells it again
    rig.say(TakeCalibration(calibration=learned))
    rig.say(Start(operation=serve(run_of(1, JUICE, 0, 5))))
    assert kinds(rig)[-2:] == ["learned", "admitted"]
    assert restart(rig)[0].lines[0].calibration == learned


def test_a_new_calibration_and_other_changes_of_one_are_written_at_once():
    rig = calibrated()
    for new in (replace(OLD, taken_wall_s=60.0, flow_ml_s=1.95), replace(OLD, sag_per_a=0.01)):
        rig.say(TakeCalibration(calibration=new))
        assert kinds(rig)[-1] == "calibration"
        assert restart(rig)[0].lines[0].calibration == new


def test_nobody_fills_the_memory_with_what_waits_to_be_written():
    rig = calibrated()
    before = len(rig.journal.entries)
    for step in range(2 * MOST_WAITING):
        rig.say(TakeCalibration(calibration=replace(OLD, flow_ml_s=1.95 + step / 1e6)))
    written = [len(msgspec.json.decode(one.body)) for one in rig.journal.entries[before:]]
    assert written
    assert max(written) <= MOST_WAITING + 1
