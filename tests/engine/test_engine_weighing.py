"""Weighed trials at the engine's desk: wrong ones are left out, struck, restored; what is in doubt is asked about."""

import random

import msgspec
import pytest

from controller.errors import Refused
from controller.metering.gravimetry import displayed_g_per_ml
from controller.model.messages import TakeCalibration
from controller.model.requests import CalibrationRequest, TrialsRequest, WeighedTrial
from controller.model.scales import KnownMass, WeighingScale
from controller.model.weighing import StrikeRequest
from tests.engine.played_guard import BOOK, LIQUIDS, PROFILE, Desk, report

TIMES_S = (2.0, 3.0, 4.0, 6.0, 8.0, 10.0, 12.0, 12.0)


@pytest.fixture
def desk():
    made = Desk(report())
    yield made
    made.ledger.close()


def grams(desk, flow_ml_s=4.8, lag_s=0.1, seed=1):
    """Weights to 0.1 g of a pump that scatters by 0.05 mL and 0.3 %."""
    rng = random.Random(seed)
    volumes = [flow_ml_s * (on_s - lag_s) for on_s in TIMES_S]
    in_air = displayed_g_per_ml(desk.engine.calibrating.fit(1).density_kg_m3)
    return [round((volume + rng.gauss(0.0, 0.05 + 0.003 * volume)) * in_air, 1) for volume in volumes]


def rows(weights, times_s=TIMES_S):
    return tuple(
        WeighedTrial(on_s=on_s, grams=weight, u_grams=0.05) for on_s, weight in zip(times_s, weights, strict=False)
    )


def add(desk, weights):
    return desk.engine.calibrating.weigh_rows(TrialsRequest(line=1, trials=rows(weights)))


def accept_file(desk, weights, **more):
    return desk.engine.calibrating.weigh_rows(TrialsRequest(line=1, trials=rows(weights), accept=True, **more))


def states(view):
    return [one.state for one in view.trials]


def test_a_wrong_digit_among_eight_is_left_out_named_and_not_behind_the_calibration(desk):
    good = grams(desk)
    with_typo = [*good[:6], round(good[6] - 24.0, 1), good[7]]
    view = add(desk, with_typo)
    assert states(view) == ["counts"] * 6 + ["left out", "counts"]
    assert view.warnings[0].text.startswith("Trial 7 (12 s) does not fit")
    assert view.doubts == ()
    desk.engine.calibrating.settle(CalibrationRequest(line=1))
    (taken,) = desk.of(TakeCalibration)
    assert taken.calibration.flow_ml_s == pytest.approx(4.8, rel=0.01)
    assert taken.calibration.note == "7 weighed trials"
    assert len(desk.ledger.weighings_behind(1, LIQUIDS[1])) == 7


@pytest.mark.parametrize("bad", [0.0, 496.0, 9999.0])
def test_no_stored_row_makes_a_command_fail_and_a_struck_one_does_not_count(desk, bad):
    view = add(desk, [bad])
    assert len(view.trials) == 1
    view = add(desk, grams(desk)[:2])
    assert len(view.trials) == 3
    view = desk.engine.calibrating.strike_trial(StrikeRequest(line=1, trial=1))
    assert states(view) == ["struck", "counts", "counts"]
    assert view.calibration.flow_ml_s == pytest.approx(4.8, rel=0.05)
    assert states(desk.engine.calibrating.strike_trial(StrikeRequest(line=1, trial=1, struck=False)))[0] != "struck"


def test_trials_are_struck_and_restored_as_a_whole(desk):
    add(desk, [150.0 + one for one in grams(desk)])  # a jar that nobody tared
    view = desk.engine.calibrating.strike_trial(StrikeRequest(line=1))
    assert set(states(view)) == {"struck"}
    assert (view.calibration, view.warnings) == (None, ())
    assert view.next_on_s == pytest.approx(8.0)
    view = add(desk, grams(desk))
    assert view.calibration.flow_ml_s == pytest.approx(4.8, rel=0.01)
    assert len(view.trials) == 16
    assert view.trials[8].state == "counts"
    assert "struck" not in states(desk.engine.calibrating.strike_trial(StrikeRequest(line=1, struck=False)))
    with pytest.raises(Refused, match="no open trial 17"):
        desk.engine.calibrating.strike_trial(StrikeRequest(line=1, trial=17))


def test_numbers_in_the_warnings_are_those_of_the_list(desk):
    add(desk, [7.7, *grams(desk)[1:]])
    desk.engine.calibrating.strike_trial(StrikeRequest(line=1, trial=1))
    view = add(desk, [*grams(desk)[:1], 3.0])
    assert states(view)[9] == "left out"
    assert view.warnings[0].text.startswith("Trial 10 (3 s)")


def test_a_refused_file_leaves_nothing_behind(desk):
    good = grams(desk)
    untared = [150.0 + one for one in good]
    for bad in ([0.0] * 8, untared, untared[:4], [1.9 * one for one in good], list(reversed(good))):
        with pytest.raises(Refused):
            accept_file(desk, bad)
        assert desk.engine.calibrating.fit(1).trials == ()
    assert desk.of(TakeCalibration) == []
    assert desk.ledger.calibrations(1) == ()


def test_a_file_is_a_calibration_of_its_own_and_open_trials_are_thrown_away(desk):
    add(desk, [150.0 + one for one in grams(desk)])
    view = accept_file(desk, grams(desk))
    assert view.calibration.flow_ml_s == pytest.approx(4.8, rel=0.01)
    assert desk.engine.calibrating.fit(1).trials == ()
    assert len(desk.ledger.weighings_behind(1, LIQUIDS[1])) == 8


def test_a_change_of_more_than_15_percent_asks_again_once(desk):
    """The first calibration is held against the pump's data (5 mL/s), later ones against the last."""
    slow = grams(desk, flow_ml_s=4.0)
    with pytest.raises(Refused, match=r"20 % less than by the pump's data|2. % less") as refused:
        accept_file(desk, slow)
    assert refused.value.rule == "doubt"
    accept_file(desk, slow, sure=True)
    again = grams(desk, flow_ml_s=4.05, seed=2)
    assert accept_file(desk, again).doubts == ()
    with pytest.raises(Refused, match=r"more than by the last calibration"):
        accept_file(desk, grams(desk, flow_ml_s=4.9))


def test_a_fit_with_which_no_dose_would_be_right_needs_a_second_yes_that_no_file_can_give(desk):
    rng = random.Random(4)
    wild = [round(one * rng.uniform(0.85, 1.15), 1) for one in grams(desk)][:5]
    with pytest.raises(Refused, match=r"no dose of .* would stay inside its tolerance"):
        accept_file(desk, wild, sure=True)
    view = add(desk, wild)
    assert "dose" in {one.about for one in view.doubts}
    with pytest.raises(Refused, match="would stay inside its tolerance"):
        desk.engine.calibrating.settle(CalibrationRequest(line=1))
    assert desk.of(TakeCalibration) == []
    desk.engine.calibrating.settle(CalibrationRequest(line=1, sure=True))
    assert len(desk.of(TakeCalibration)) == 1


def test_a_wild_trial_that_counts_among_few_is_a_doubt(desk):
    good = grams(desk)[3:7]
    view = add(desk, [good[0] * 0.6, *good[1:]])
    assert states(view) == ["counts"] * 4
    assert "trial" in {one.about for one in view.doubts}


def test_what_the_guard_would_refuse_is_refused_before_the_trials_are_settled(desk):
    add(desk, [40.0 + one for one in grams(desk)])
    with pytest.raises(Refused, match="lag of") as refused:
        desk.engine.calibrating.settle(CalibrationRequest(line=1, sure=True))
    assert "tared" in refused.value.remedy
    assert len(desk.engine.calibrating.fit(1).trials) == 8
    assert desk.ledger.calibrations(1) == ()


def weighed_on(scale, weights):
    """The fit of these weights on a machine whose profile describes this scale."""
    desk = Desk(report(), profile=msgspec.structs.replace(PROFILE, weighing=scale))
    trials = tuple(WeighedTrial(on_s=on_s, grams=weight) for on_s, weight in zip(TIMES_S, weights, strict=True))
    view = desk.engine.calibrating.weigh_rows(TrialsRequest(line=1, trials=trials))
    desk.ledger.close()
    return view


def test_the_scale_of_the_profile_is_part_of_the_measurement(desk):
    weights = grams(desk)
    coarse, fine = (
        weighed_on(WeighingScale(kind=kind), [round(one) for one in weights] if kind == "kitchen" else weights)
        for kind in ("kitchen", "pocket")
    )
    assert (coarse.scale, fine.scale) == ("kitchen scale, 1 g steps", "pocket scale, 0.1 g steps")
    u_coarse, u_fine = (one.calibration.u_flow_ml_s for one in (coarse, fine))
    assert u_coarse > 1.5 * u_fine
    # The scale factor of a kitchen scale alone: 0.58 %.
    assert coarse.calibration.u_common == pytest.approx(0.0058, rel=0.02)
    assert u_coarse > 0.0058 * coarse.calibration.flow_ml_s


def test_a_check_with_a_known_mass_corrects_the_readings(desk):
    weights = grams(desk)
    plain = weighed_on(WeighingScale(kind="pocket"), weights)
    checked = weighed_on(
        WeighingScale(kind="pocket", checked=KnownMass(mass_g=500.0, shown_g=505.0, uncertainty_g=0.1)), weights
    )
    assert checked.calibration.flow_ml_s == pytest.approx(plain.calibration.flow_ml_s / 1.01, rel=1e-4)
    assert checked.calibration.u_common < plain.calibration.u_common


def test_the_budget_names_what_iso_8655_6_names_and_adds_up_to_the_error_of_the_dose(desk):
    view = weighed_on(WeighingScale(), [round(one) for one in grams(desk)])
    budget = view.budget
    assert [one.source for one in budget.lines] == [
        "scale",
        "calibration of the scale",
        "density",
        "temperature",
        "buoyancy",
        "evaporation",
        "hold-up in the funnel",
        "repeatability of the trials",
        "repeatability of the dose",
    ]
    assert {one.evaluation for one in budget.lines[-2:]} == {"A"}
    assert sum(one.u_ml**2 for one in budget.lines) == pytest.approx(budget.u_ml**2, rel=1e-3)
    expected = next(one for one in view.doses if one.dose_ml == budget.dose_ml)
    assert budget.k * budget.u_ml == pytest.approx(expected.u95_ml)
    assert next(one for one in budget.lines if one.source == "calibration of the scale").u_ml == pytest.approx(
        0.0058 * 50.0, rel=0.02
    )


def test_liquid_changed_in_between_leaves_its_trials_out(desk):
    """Trials of another liquid are not mixed into the fit."""
    other = next(one.liquid for one in BOOK.liquids if one.liquid != LIQUIDS[1])
    add(desk, grams(desk))
    row = desk.ledger.open_weighings(1, liquid=LIQUIDS[1])[0]
    desk.ledger.weigh([msgspec.structs.replace(row, liquid=other, grams=500.0)])
    assert len(desk.engine.calibrating.fit(1).trials) == 8
