"""`tundish calibrate` and `spot-check`: what is asked twice, struck, restored, and never sent."""

from contextlib import contextmanager

import click
import msgspec
import pytest
from click.testing import CliRunner

from controller.cli.calibrate import calibrate as calibrating
from controller.cli.calibrate import scales
from controller.cli.calibrate.calibrate import _sure
from controller.cli.options import Session
from controller.errors import Refused, TundishError
from controller.model.states import OperationKind, Outcome
from controller.model.views import FitView, OperationView
from controller.model.weighing import Doubt

FIT = FitView(
    line=3, liquid="ginger syrup", density_kg_m3=1230.0, trials=(), calibration=None, scatter_ml=None,
    smallest_dose_ml=None, doses=(), warnings=(), next_on_s=8.0, next_grams=48.2,
)  # fmt: skip
CANNED = {
    "line": 3, "liquid": "ginger syrup", "density_kg_m3": 1230.0, "calibration": None, "scatter_ml": None,
    "smallest_dose_ml": None, "doses": [], "warnings": [], "next_on_s": 8.0,
    "trials": [
        {"operation": "from a file", "on_s": 8.0, "grams": 496.0, "volume_ml": 403.0, "others_a": 0.0,
         "residual_ml": None, "state": "struck"},
    ],
}  # fmt: skip
ENDED = OperationView(
    operation="t1", kind=OperationKind.TRIAL, recipe=None, times=1.0, admitted=True, refused=(), waiting_for=None,
    outcome=Outcome.DONE, reason="", lines=(), elapsed_s=8.0, planned_s=8.0,
)  # fmt: skip
CHANGED = Doubt(about="change", text="20 % less than by the pump's data.")
STRIKE = "calibrations/3/trials/strike"


def answered(question, *lines):
    """What a question to a person comes to, when they type these lines; its value and what was shown."""
    found = []

    @click.command()
    def ask():
        found.append(question())

    shown = CliRunner().invoke(ask, input="".join(f"{line}\n" for line in lines), catch_exceptions=False)
    return found, shown.output


def test_a_weight_far_from_what_is_expected_is_asked_for_again():
    """35.8 for 59.8: no is what Enter says."""
    grams, shown = answered(lambda: scales.ByHand().after(59.5), "35.8", "", "59.8")
    assert grams == [59.8]
    assert "35.8 g is far from the 59.5 g" in shown
    assert "[y/N]" in shown
    assert answered(lambda: scales.ByHand().after(59.5), "35.8", "y")[0] == [35.8]
    assert answered(lambda: scales.ByHand().after(None), "35.8")[0] == [35.8]


@pytest.mark.parametrize(
    ("typed", "grams"), [("49,6", 49.6), (" 49.6 g", 49.6), ("50", 50.0)], ids=["comma", "unit", "whole"]
)
def test_weights_are_understood_as_people_type_them(typed, grams):
    assert answered(lambda: scales.ByHand().after(50.0), typed)[0] == [grams]


@pytest.mark.parametrize("typed", ["", "heavy", "-3", "49.6.1", "nan", "20000"])
def test_what_is_no_weight_is_asked_for_again_in_plain_words(typed):
    grams, shown = answered(lambda: scales.ByHand().after(50.0), *[typed] if typed else [], "49.6")
    assert grams == [49.6]
    if typed:
        assert "grams" in shown.lower() or "cannot be" in shown


@pytest.mark.parametrize(
    ("doubts", "typed", "is_sure"),
    [((), ("y",), False), ((CHANGED,), ("y", "y"), True), ((), ("",), None), ((CHANGED,), ("y", ""), None)],
    ids=["accepted", "accepted twice", "Enter is no", "Enter is no the second time"],
)
def test_accepting_defaults_to_no_and_a_doubt_asks_a_second_time(doubts, typed, is_sure):
    fit = msgspec.structs.replace(FIT, doubts=doubts)
    if is_sure is None:
        with pytest.raises(TundishError, match="not accepted; the trials are kept"):
            answered(lambda: _sure(fit), *typed)
    else:
        assert answered(lambda: _sure(fit), *typed)[0] == [is_sure]


@pytest.mark.parametrize(
    ("words", "sent"),
    [
        (("--strike", "2"), [{"line": 3, "trial": 2, "struck": True}]),
        (("--restore", "2"), [{"line": 3, "trial": 2, "struck": False}]),
        (("--start-over",), [{"line": 3, "trial": None, "struck": True}]),
        (("--restore-all",), [{"line": 3, "trial": None, "struck": False}]),
    ],
)
def test_trials_are_struck_and_restored_without_a_run(tundish, engine, words, sent):
    engine.answers["POST", STRIKE] = 200, CANNED
    shown = tundish("calibrate", "3", *words)
    assert shown.exit_code == 0
    assert "struck" in shown.output
    assert engine.bodies(STRIKE) == sent
    assert len(engine.asked) == 1


def test_start_over_and_restore_all_exclude_each_other(tundish, engine):
    assert tundish("calibrate", "3", "--start-over", "--restore-all").exit_code == 2
    assert engine.asked == []


class Jar:
    """A scale under whose funnel a person puts the jar when asked for the second time."""

    u_grams = None

    def __init__(self, engine):
        self.engine, self.steps = engine, []

    def before(self, on_s):
        self.steps.append(f"place it for {on_s:g} s")

    def missing(self, on_s):
        self.steps.append("missing")
        self.engine.answers["GET", "status"] = 200, status(glass=len(self.steps) >= 3)

    def after(self, expected_g):
        return expected_g


def status(*, glass):
    inputs = {"stop_pressed": False, "glass_present": glass}
    return {
        "machine": "m", "book": "b", "guard_connected": True, "state": "idle", "fault": None, "operation": None,
        "lines": [], "inputs": inputs,
    }  # fmt: skip


def test_nothing_runs_until_the_contact_sees_the_jar(engine, monkeypatch):
    monkeypatch.setattr(scales, "SEEN_S", 0.0)
    engine.answers["GET", "status"] = 200, status(glass=False)
    jar, ran = Jar(engine), []
    monkeypatch.setattr(scales, "begin", lambda *_, **__: ran.append(list(jar.steps)) or ENDED)
    assert scales.weigh_run(Session(run_dir=engine.folder), (3,), 8.0, jar, expected_g=48.2) == ("t1", 48.2)
    assert ran == [["place it for 8 s", "missing", "missing"]]


def test_a_scale_that_nobody_stands_at_refuses_without_the_jar(engine, monkeypatch):
    monkeypatch.setattr(scales, "SEEN_S", 0.0)
    monkeypatch.setattr(scales.OfTheBench, "before", lambda *_: None)
    engine.answers["GET", "status"] = 200, status(glass=False)
    jar = object.__new__(scales.OfTheBench)
    with pytest.raises(Refused, match="the contact sees nothing under the outlet"):
        scales.weigh_run(Session(run_dir=engine.folder), (3,), 8.0, jar)
    assert [address for _, address, _ in engine.asked] == ["status"]


def test_several_lines_are_calibrated_one_after_the_other_and_each_is_put_in_force(engine, tundish, monkeypatch):
    ran = []

    @contextmanager
    def scale(*_):
        yield Jar(engine)

    def run(_engine, lines, on_s, _scale, **_):
        ran.append((*lines, on_s))
        return f"t{len(ran)}", 48.2

    monkeypatch.setattr(calibrating, "scale_of", scale)
    monkeypatch.setattr(calibrating, "weigh_run", run)
    trial = {**CANNED["trials"][0], "state": "counts"}
    for line in (3, 5):
        engine.answers["GET", f"calibrations/{line}"] = 200, {**CANNED, "line": line, "trials": []}
        engine.answers["POST", f"calibrations/{line}"] = 200, {**CANNED, "line": line}
    engine.answers["POST", "weighings"] = 200, {**CANNED, "trials": [trial] * 3}
    shown = tundish("calibrate", "3", "5", "3", "--scale", "bench", "--runs", "3")
    assert shown.exit_code == 0, shown.output
    assert ran == [(3, 8.0), (5, 8.0)]
    assert [(one["operation"], one["line"]) for one in engine.bodies("weighings")] == [("t1", 3), ("t2", 5)]
    assert [len(engine.bodies(f"calibrations/{line}")) for line in (3, 5)] == [2, 2]


@pytest.mark.parametrize("words", [("--strike", "2"), ("--start-over",), ("--trials", __file__)])
def test_trials_of_a_file_or_to_strike_belong_to_one_line(tundish, engine, words):
    shown = tundish("calibrate", "3", "5", *words)
    assert shown.exit_code == 2
    assert "name one" in shown.stderr
    assert engine.asked == []


def test_a_file_in_doubt_is_refused_where_nobody_can_be_asked(tundish, engine, tmp_path):
    file = tmp_path / "trials.csv"
    file.write_text("on_s,grams\n4,9.31\n16,38.02\n")
    refusal = {
        "request": "", "rule": "doubt", "reason": CHANGED.text, "asked": "", "allowed": "", "remedy": "say --sure.",
    }  # fmt: skip
    problem = {"type": "/v1/problems/refused", "title": "refused", "detail": CHANGED.text, "refusals": [refusal]}
    engine.answers["POST", "calibrations/3/trials"] = 409, problem
    shown = tundish("calibrate", "3", "--trials", str(file))
    assert shown.exit_code == 1
    assert "20 % less than by the pump's data" in shown.stderr
    assert [one["sure"] for one in engine.bodies("calibrations/3/trials")] == [False]


def test_a_spot_check_is_struck(tundish, engine):
    engine.answers["POST", "spot-checks/3/strike"] = 204, None
    assert tundish("spot-check", "3", "--strike").exit_code == 0
    assert len(engine.asked) == 1


def test_the_budget_is_printed_by_its_names(tundish, engine):
    budget = {
        "dose_ml": 50.0, "u_ml": 0.5, "degrees_of_freedom": 8.0, "k": 2.31,
        "lines": [
            {"source": "scale", "evaluation": "B", "u_ml": 0.3},
            {"source": "repeatability of the dose", "evaluation": "A", "u_ml": 0.4},
        ],
    }  # fmt: skip
    engine.answers["GET", "calibrations/3"] = 200, {**CANNED, "budget": budget, "scale": "kitchen scale, 1 g steps"}
    shown = tundish("calibration", "3", "--budget").output
    for fact in (
        "kitchen scale, 1 g steps",
        "scale",
        "36 %",
        "64 %",
        "2.31 x 0.500 mL = 1.16 mL (95 %)",
        "8 effective",
    ):
        assert fact in shown
    engine.answers["GET", "calibrations/3"] = 200, CANNED
    assert "nothing to take apart" in tundish("calibration", "3", "--budget").output
