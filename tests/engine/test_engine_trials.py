"""Weighed trials of one line: the fit they make, the calibration that the guard gets, and what stays on record."""

import msgspec
import pytest

from controller.errors import Refused
from controller.model.messages import Delivery, Ended, LineChanged, TakeCalibration
from controller.model.requests import CalibrationRequest, TrialRequest, TrialsRequest, WeighedTrial, WeighingRequest
from controller.model.states import OperationKind, Outcome
from tests.engine.played_guard import LIQUIDS, Desk, report


@pytest.fixture
def desk():
    made = Desk(report())
    yield made
    made.ledger.close()


def test_weighed_trials_become_a_calibration_for_guard_and_ledger(desk):
    """Water-like juice of known density: grams computed here from 4.8 mL/s and a lag of 0.1 s."""
    density = desk.engine.calibrating.fit(1).density_kg_m3
    for number, on_s in enumerate((4.0, 16.0, 8.0, 16.0), start=1):
        desk.engine.trial(TrialRequest(lines=(1,), on_s=on_s, jug=True))
        operation = f"op{number}"
        desk.admit(operation, OperationKind.TRIAL)
        delivery = Delivery(
            line=1, liquid=LIQUIDS[1], asked_ml=5 * on_s, delivered_ml=5 * on_s, worst_ml=6 * on_s, on_s=on_s
        )
        desk.engine.on_event(
            Ended(
                operation=operation,
                kind=OperationKind.TRIAL,
                outcome=Outcome.DONE,
                reason="",
                deliveries=(delivery,),
            )
        )
        grams = 4.8 * (on_s - 0.1) * density / 1000.0 * (1 - 0.00106)  # air buoyancy, about 0.106 % for water
        desk.engine.calibrating.weigh(WeighingRequest(operation=operation, line=1, grams=grams, u_grams=0.05))
    desk.engine.calibrating.settle(CalibrationRequest(line=1, by="a tester"))
    (taken,) = desk.of(TakeCalibration)
    assert taken.calibration.flow_ml_s == pytest.approx(4.8, rel=1e-3)
    assert taken.calibration.lag_s == pytest.approx(0.1, abs=0.01)
    assert desk.ledger.calibrations(1) == (taken.calibration,)
    assert desk.engine.calibrating.fit(1).trials == ()
    in_force = msgspec.structs.replace(report().lines[0], calibration=taken.calibration)
    desk.engine.on_event(LineChanged(report=in_force))
    behind = desk.engine.calibrating.fit(1).behind
    assert [one.on_s for one in behind] == [4.0, 16.0, 8.0, 16.0]
    assert [one.residual_ml for one in behind] == pytest.approx([0.0] * 4, abs=0.01)
    with pytest.raises(Refused, match="no open trials"):
        desk.engine.calibrating.settle(CalibrationRequest(line=1))


def test_trials_from_a_file_fit_like_trials_run_here(desk):
    rows = tuple(WeighedTrial(on_s=on_s, grams=4.9 * on_s) for on_s in (4.0, 8.0, 16.0))
    view = desk.engine.calibrating.weigh_rows(TrialsRequest(line=2, trials=rows))
    assert len(view.trials) == 3
    assert view.calibration is not None
    desk.engine.calibrating.settle(CalibrationRequest(line=2, accept=False))
    assert desk.engine.calibrating.fit(2).trials == ()
    assert desk.of(TakeCalibration) == []


def test_before_the_first_trial_the_design_of_trials_is_shown_with_its_reason(desk):
    fresh = desk.engine.calibrating.fit(3)
    assert "runs of" in fresh.design
    assert "mL in all" in fresh.design
    rows = (WeighedTrial(on_s=8.0, grams=40.0),)
    assert desk.engine.calibrating.weigh_rows(TrialsRequest(line=3, trials=rows)).design == ""
