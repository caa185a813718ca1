"""A short slice of the hostile engine's campaign, and what it finds in guards that believe the engine.

`python3 tests campaign --hostile` runs the long one.
"""

import dataclasses
from random import Random

import pytest
from msgspec.structs import replace

from controller.model.calibration import Calibration
from controller.model.messages import Assign, ConfirmJug, Refusal, Start, TakeCalibration
from controller.model.plan import Operation, PlannedRun, Segment
from controller.model.states import OperationKind
from controller.safety.figures import Figures, spread_ml
from tests.campaign import main
from tests.campaigns.hostile import Stage, draw_scene, play_hostile
from tests.campaigns.violation import Violation

SLICE = 2  # runs in each of the tests below, so that the cores share them
K = OperationKind


@pytest.mark.parametrize("first", range(1, 5, SLICE))
def test_no_cap_falls_and_no_cleaner_comes_through(first):
    findings = [play_hostile(seed) for seed in range(first, first + SLICE)]
    assert [(one.seed, one.text) for one in findings if one.text] == []
    assert sum(one.admitted for one in findings) >= 3 * SLICE  # nothing admitted would show nothing


def found(*words: str, first: int) -> bool:
    """Whether one of twenty runs finds one of these words; the first that does today comes first."""
    return any(word in text for seed in range(first, first + 20) if (text := play_hostile(seed).text) for word in words)


def test_a_guard_that_takes_volumes_from_calibrations_is_found(monkeypatch):
    def believing(self, interval):
        calibration = self.calibrations.get(interval.line)
        if calibration is None:
            return 1.25 * self.profile.line(interval.line).pump.nominal_flow_ml_s * interval.on_s
        volume_ml = max(0.0, calibration.flow_ml_s * (interval.on_s - calibration.lag_s))
        return volume_ml + spread_ml(calibration, interval.on_s, volume_ml)

    monkeypatch.setattr(Figures, "upper_ml", believing)
    assert found("mL in the glass", "g of ethanol", first=15)


def test_a_jug_that_never_fills_up_is_found(monkeypatch):
    monkeypatch.setattr("controller.safety.caps._jug", lambda _case: iter(()))
    assert found("mL in the jug", first=7)


def rinsed_by_pulses() -> list[str]:
    """A line is cleaned, rinsed by short pulses under the boldest calibration, primed and poured: the refusals."""
    scene = draw_scene(Random("rinsing"))
    hygiene = replace(scene.profile.hygiene, cleaner_contact_s=1.0, jug_ml=2000.0)
    caps = replace(scene.profile.caps, line_volume_ml=2000.0, serving_volume_ml=350.0)
    stage = Stage(dataclasses.replace(scene, profile=replace(scene.profile, caps=caps, hygiene=hygiene)), Random(1))
    on = scene.book.lines[0]
    stage.say(Assign(line=on.line, liquid=on.liquid))
    most_ml_s, refused = stage.scene.profile.flow_band(on.line).most_ml_s, []
    bold = Calibration(
        line=on.line, liquid=on.liquid, flow_ml_s=most_ml_s, lag_s=-1.0, u_flow_ml_s=0.0, u_lag_s=0.0, cov_flow_lag=0.0
    )
    stage.say(TakeCalibration(calibration=bold))
    for kind, pulses, on_s in ((K.CLEAN, 1, 6.0), (K.RINSE, 60, 0.01), (K.PRIME, 1, 0.7), (K.SERVE, 1, 3.0)):
        stage.table.hang(kind, [on.line], in_air=True)
        stage.table.take_away()
        stage.run(1.5)
        stage.table.put_there(None if kind is K.SERVE else 2000.0)
        stage.run(2.0)
        runs = tuple(
            PlannedRun(line=on.line, liquid=on.liquid, start_s=0.15 * place, duration_s=on_s, volume_ml=0.1)
            for place in range(pulses)
        )
        operation = Operation(
            operation=str(kind),
            kind=kind,
            segments=(Segment(runs=runs),),
            glass="tumbler",
            jug=kind is not K.SERVE,
            empty_glass=True,
        )
        stage.say(ConfirmJug(volume_ml=2000.0))
        stage.table.asked()
        answers = stage.say(Start(operation=operation))
        refused += [one.rule for one in answers if isinstance(one, Refusal)]
        stage.run(14.0)
        stage.table.judge(operation)
    return refused


def test_cleaner_is_not_rinsed_out_by_pulses_that_move_nothing():
    assert rinsed_by_pulses() == ["contents", "funnel", "contents"]  # nor primed, nor served


def test_a_guard_that_takes_rinses_from_calibrations_is_found(monkeypatch):
    def believing(self, interval):
        calibration = self.calibrations.get(interval.line)
        if calibration is None:
            return 0.85 * self.profile.line(interval.line).pump.nominal_flow_ml_s * interval.on_s
        return max(0.0, calibration.flow_ml_s * (interval.on_s - calibration.lag_s))

    monkeypatch.setattr(Figures, "lower_ml", believing)
    with pytest.raises(Violation, match="mL of cleaner in the glass after serve"):
        rinsed_by_pulses()


def test_a_run_is_replayed_by_its_seed(capsys):
    assert main(["--hostile", "--replay", "3"]) == 0
    first = capsys.readouterr().out
    assert main(["--hostile", "--replay", "3"]) == 0
    assert capsys.readouterr().out == first
    assert "admitted" in first
    assert "seed 3: all held" in first
