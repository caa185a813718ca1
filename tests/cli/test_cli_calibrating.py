"""`tundish calibrate` and `spot-check`: what is asked twice, struck, restored, and never sent."""

from contextlib import contextmanager
from typing import Any, cast

import click
import msgspec
import pytest
from click.testing import CliRunner

from controller.cli.calibrate import calibrate as calibrating
from controller.cli.calibrate import scales
from controller.cli.calibrate.calibrate import _sure
from controller.cli.calibrate.scales import ByHand
from controller.cli.options import Session
from controller.errors import Refused, TundishError
from controller.model.states import OperationKind, Outcome
from controller.model.views import FitView, OperationView
from controller.model.weighing import Doubt

FIT = FitView(
    line=3, liquid="ginger syrup", density_kg_m3=1230.0, trials=(), calibration=None, scatter_ml=None,
    smallest_dose_ml=None, doses=(), warnings=(), next_on_s=8.0, next_grams=48.2,
)  # fmt: skip
CANNED: dict[str, Any] = {
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
def test_text_that_is_no_weight_is_asked_for_again_in_plain_words(typed):
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
    jar = Jar(engine)
    ran: list[list[str]] = []

    def begin(*_: object, **__: object) -> object:
        ran.append(list(jar.steps))
        return ENDED

    monkeypatch.setattr(scales, "begin", begin)
    assert scales.weigh_run(Session(run_dir=engine.folder), (3,), 8.0, cast(ByHand, jar), expected_g=48.2) == (
        "t1",
        48.2,
    )
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


LINES = [{"line": 1, "liquid": "apple juice", "state": "under way", "trials": 2}]
STEP = {"state": "trial", "text": "Line 1 runs into the jar.", "lines": LINES, "line": 1, "again_s": 0.0}
DONE = {
    "state": "done", "text": "All lines are through: take the jar away.", "running_s": 59.0, "touches": 1,
    "lines": [{**LINES[0], "state": "calibrated", "trials": 6}],
}  # fmt: skip


def test_all_lines_are_calibrated_on_the_machines_scale_and_only_a_jar_is_asked_for(engine, tundish):
    jar = {"state": "jar", "text": "Set the empty jar under the outlet: it takes 1500 mL.", "lines": LINES}
    engine.answers = {
        ("POST", "hands-free"): (200, {**jar, "again_s": 0.0}),
        ("POST", "hands-free/next"): (200, DONE),
    }
    shown = tundish("calibrate", "--all", "--jar", "1.5 L", "--by", "Ann")
    assert shown.exit_code == 0
    assert "Set the empty jar" in shown.output
    assert "calibrated" in shown.output
    assert engine.bodies("hands-free") == [
        {"purpose": "calibrate", "jar_ml": 1500.0, "lines": [], "adopt": False, "most_ml": 250.0, "by": "Ann"}
    ]


def test_a_line_that_fails_is_named_and_ends_the_command_with_1(engine, tundish):
    failed = {**LINES[0], "state": "failed", "says": "3 trials do not bring every dose inside its tolerance."}
    engine.answers[("POST", "hands-free")] = 200, {**DONE, "lines": [failed]}
    shown = tundish("spot-check", "1", "--scale", "machine")
    assert shown.exit_code == 1
    assert failed["says"] in shown.output
    assert engine.bodies("hands-free")[0]["purpose"] == "check"


def test_ctrl_c_stops_the_pump_and_says_how_to_go_on(engine, tundish, monkeypatch):
    def interrupted(_seconds):
        raise KeyboardInterrupt

    monkeypatch.setattr("time.sleep", interrupted)
    engine.answers = {("POST", "hands-free"): (200, STEP), ("POST", "stop"): (204, None)}
    shown = tundish("calibrate", "--all")
    assert shown.exit_code == 1
    assert ("POST", "stop", None) in engine.asked
    assert "Take it up again with: tundish calibrate --all" in shown.output


@pytest.mark.parametrize("command", ["calibrate", "spot-check"])
def test_without_a_line_and_without_all_the_usage_says_so(tundish, command):
    shown = tundish(command)
    assert shown.exit_code == 2
    assert "--all" in shown.output


def test_options_for_weighing_by_hand_are_refused_with_all(tundish):
    shown = tundish("calibrate", "--all", "--strike", "3")
    assert shown.exit_code == 2
    assert "weighed by hand" in shown.output


def test_calibrate_from_a_file_sends_its_rows_and_accepts(tundish, engine, tmp_path):
    file = tmp_path / "trials.csv"
    file.write_text("on_s, grams\n4, 9.31\n16,38.02\n")
    fit = {
        "line": 3, "liquid": "ginger syrup", "density_kg_m3": 1230.0, "trials": [], "calibration": None,
        "scatter_ml": None, "smallest_dose_ml": None, "doses": [], "warnings": [], "next_on_s": None,
    }  # fmt: skip
    engine.answers["POST", "calibrations/3/trials"] = 200, fit
    assert tundish("calibrate", "3", "--trials", str(file), "--by", "Ann").exit_code == 0
    (sent,) = engine.bodies("calibrations/3/trials")
    assert [(one["on_s"], one["grams"]) for one in sent["trials"]] == [(4.0, 9.31), (16.0, 38.02)]
    assert (sent["line"], sent["accept"], sent["sure"], sent["by"]) == (3, True, False, "Ann")


def test_every_bad_row_of_a_trial_file_is_named(tundish, engine, tmp_path):
    file = tmp_path / "trials.csv"
    file.write_text("on_s,grams\n4,9.31\n8\n16,inf\n-1,2\n4,5,6\n")
    shown = tundish("calibrate", "3", "--trials", str(file))
    assert shown.exit_code == 2
    for line in (3, 4, 5, 6):
        assert f"trials.csv:{line}:1:" in shown.stderr
    assert ":2:" not in shown.stderr
    assert engine.asked == []
    file.write_text("seconds,grams\n4,9.31\n")
    assert tundish("calibrate", "3", "--trials", str(file)).exit_code == 2


def test_calibrating_by_hand_needs_a_terminal(tundish, engine):
    shown = tundish("calibrate", "3")
    assert shown.exit_code == 1
    assert "--trials" in shown.stderr
    assert engine.asked == []
