"""Commands against an engine with canned answers: what they ask, print, and end with."""

import inspect
import json

import click
import pytest

from controller.cli import COMMANDS, main
from controller.cli.options import writing
from controller.errors import Unreachable

IDLE = {
    "machine": "bench six-line",
    "book": "Orchard fete",
    "guard_connected": True,
    "state": "idle",
    "fault": None,
    "operation": None,
    "lines": [
        {
            "line": 1,
            "liquid": "apple juice",
            "contents": "liquid",
            "holds": "apple juice",
            "remaining_ml": 812.4,
            "calibration": None,
            "note": "calibrate it",
            "due": "calibrate",
            "reasons": [],
        }
    ],
    "inputs": {
        "stop_pressed": False,
        "glass_present": True,
        "fresh_glass": True,
        "tray_full": None,
        "low_lines": [],
        "others": {},
    },
    "next_step": "",
    "doubts": [],
    "scale": None,
}


def operation(**changes):
    lines = changes.pop("lines", [("apple juice", 90.0, 0.0, False)])
    return {
        "operation": "op1",
        "kind": "serve",
        "recipe": "Orchard Fizz",
        "times": 1.0,
        "admitted": True,
        "refused": [],
        "waiting_for": None,
        "outcome": None,
        "reason": "",
        "lines": [
            {
                "line": number,
                "liquid": liquid,
                "asked_ml": asked,
                "delivered_ml": delivered,
                "is_on": on,
                "at_most": False,
                "weighed": None,
            }
            for number, (liquid, asked, delivered, on) in enumerate(lines, 1)
        ],
        "elapsed_s": 0.0,
        "planned_s": 40.0,
    } | changes


DONE = operation(outcome="done", lines=[("apple juice", 90.0, 90.2, False)], elapsed_s=40.0)
REFUSAL = {
    "request": "op1",
    "rule": "serving_volume",
    "reason": "a double Orchard Fizz is 420 mL, the cap is 300 mL.",
    "asked": "420 mL",
    "allowed": "300 mL",
    "remedy": "Pour a single (210 mL).",
}


def problem(name, **members):
    return {"type": f"/v1/problems/{name}", "title": "no", "status": 409, "detail": "no"} | members


def answers_to_a_pour(engine, *views):
    engine.answers["GET", "events"] = 200, [("status", IDLE), *(("operation", view) for view in views)]
    engine.answers["POST", "pours"] = 202, operation()
    engine.answers["GET", "operations/op1"] = 200, views[-1]


def test_help_lists_every_command_and_every_command_has_help(tundish):
    text = tundish("--help").output
    for name in COMMANDS:
        assert f"  {name}" in text
        assert tundish(name, "--help").exit_code == 0
    assert main.get_command(click.Context(main), "nonsense") is None


def every_command(group, path=()):
    """(words, command) of every command below a group."""
    for name in group.list_commands(None):
        command = group.get_command(None, name)
        yield (*path, name), command
        if isinstance(command, click.Group):
            yield from every_command(command, (*path, name))


def test_every_command_takes_what_its_options_give():
    """What click gives, with --run-dir and --json become one session, is what the function's parameters ask for."""
    for words, command in every_command(main):
        if command.callback is None:
            continue
        given = {parameter.name for parameter in command.params if parameter.expose_value}
        if "as_json" in given:
            given = given - {"as_json", "run_dir"} | {"session"}
        taken = inspect.signature(inspect.unwrap(command.callback)).parameters.values()
        if any(one.kind is one.VAR_KEYWORD for one in taken):
            continue
        asked = {one.name for one in taken if one.default is one.empty} - {"ctx"}
        assert asked <= given, f"{words}: {asked - given}"
        assert given <= {one.name for one in taken}, f"{words}: {given}"


def test_status_shows_the_machine_and_each_line(tundish, engine):
    engine.answers["GET", "status"] = 200, IDLE
    shown = tundish("status")
    assert shown.exit_code == 0
    for fact in (
        "bench six-line",
        "idle",
        "stop not pressed",
        "glass in place",
        "apple juice",
        "812 mL",
        "calibrate it",
    ):
        assert fact in shown.output
    assert json.loads(tundish("status", "--json").output) == IDLE


def test_status_ends_with_4_while_a_fault_is_latched(tundish, engine):
    engine.answers["GET", "status"] = 200, IDLE | {"state": "aborted", "fault": "stop pressed"}
    shown = tundish("status")
    assert shown.exit_code == 4
    assert "stop pressed" in shown.output
    assert "tundish acknowledge" in shown.output


def test_status_ends_with_3_while_the_guard_is_missing(tundish, engine):
    engine.answers["GET", "status"] = 200, IDLE | {"guard_connected": False, "state": None, "inputs": None}
    assert tundish("status").exit_code == 3


def test_status_follow_says_each_change_once_and_ends_with_the_engine(tundish, engine):
    held = operation(waiting_for="add ice", waiting={"kind": "step"})
    engine.answers["GET", "events"] = (
        200,
        [
            ("status", IDLE),
            ("status", IDLE),
            ("operation", held),
            ("progress", held),
            ("status", IDLE),
            ("operation", held),
            ("status", IDLE | {"state": "aborted", "fault": "stop pressed"}),
        ],
    )
    shown = tundish("status", "--follow")
    assert shown.exit_code == 3
    said = [line.split("  ", 1)[1] for line in shown.stdout.splitlines()]
    assert len(said) == 3
    assert said[1] == "under way: serve Orchard Fizz, waits for: add ice"
    assert said[2].startswith("aborted, FAULT: stop pressed")
    documents = [json.loads(line) for line in tundish("status", "--follow", "--json").stdout.splitlines()]
    assert len(documents) == 3


def test_no_engine_is_3_with_the_way_out_in_words_and_as_json(tundish, run_dir):
    plain = tundish("status")
    assert plain.exit_code == 3
    assert "tundish up" in plain.stderr
    assert str(run_dir) in plain.stderr
    facts = tundish("status", "--json")
    assert facts.exit_code == 3
    assert json.loads(facts.stderr)["exit_code"] == 3
    assert facts.stdout == ""


@pytest.mark.parametrize(
    "words",
    [
        ("pour",),
        ("nonsense",),
        ("pour", "Orchard Fizz", "--times", "0"),
        ("pour", "Orchard Fizz", "--times", "21"),
        ("prime",),
        ("prime", "0"),
        ("prime", "one", "--jug"),
        ("jog", "1", "--for", "2"),
        ("assign", "1", "apple juice", "2 pint"),
        ("check",),
        ("check", "--book", "/nowhere.yaml"),
    ],
)
def test_wrong_usage_is_2_and_reaches_nobody(tundish, engine, words):
    shown = tundish(*words)
    assert shown.exit_code == 2
    assert "Traceback" not in shown.output
    assert engine.asked == []
    facts = json.loads(tundish(*words, "--json").stderr)
    assert facts["exit_code"] == 2


def test_a_pour_is_followed_to_its_end(tundish, engine):
    on = operation(lines=[("apple juice", 90.0, 12.0, True)], elapsed_s=5.0)
    answers_to_a_pour(engine, on, DONE)
    shown = tundish("pour", "Orchard Fizz", "--times", "2", "--key", "k1")
    assert shown.exit_code == 0
    (body,) = engine.bodies("pours")
    assert {name: value for name, value in body.items() if value} == {
        "recipe": "Orchard Fizz",
        "times": 2.0,
        "key": "k1",
    }
    assert "line 1 on: 12.0 of 90.0 mL apple juice" in shown.output
    assert "90.2 mL" in shown.output
    assert "done" in shown.output


def test_a_pour_prints_one_json_document(tundish, engine):
    answers_to_a_pour(engine, DONE)
    assert json.loads(tundish("pour", "Orchard Fizz", "--json").stdout).items() >= DONE.items()


def test_a_pour_that_ended_early_says_how_to_pour_what_it_still_owes(tundish, engine):
    answers_to_a_pour(engine, operation(outcome="stopped", lines=[("apple juice", 90.0, 40.2, False)]))
    assert "To pour what it still owes: tundish pour --rest op1" in tundish("pour", "Orchard Fizz").output
    doubtful = operation(outcome="aborted", lines=[("apple juice", 90.0, 112.5, False)])
    doubtful["lines"][0]["at_most"] = True
    answers_to_a_pour(engine, doubtful)
    shown = tundish("pour", "Orchard Fizz").output
    assert "at most 112.5 mL" in shown
    assert "--rest" not in shown, "nobody knows what it owes"


@pytest.mark.parametrize(("outcome", "code"), [("stopped", 1), ("aborted", 1), ("faulted", 4)])
def test_a_pour_that_did_not_end_well_says_so_by_its_exit_code(tundish, engine, outcome, code):
    answers_to_a_pour(engine, operation(outcome=outcome, reason="stop pressed"))
    shown = tundish("pour", "Orchard Fizz")
    assert shown.exit_code == code
    assert "stop pressed" in shown.output


def test_two_pours_never_share_a_key(tundish, engine):
    answers_to_a_pour(engine, DONE)
    tundish("pour", "Orchard Fizz")
    tundish("pour", "Orchard Fizz")
    keys = [body["key"] for body in engine.bodies("pours")]
    assert len(set(keys)) == 2


def test_every_refusal_is_shown_with_its_way_out(tundish, engine):
    second = REFUSAL | {"rule": "run_on", "reason": "too long.", "remedy": ""}
    engine.answers["GET", "events"] = 200, [("status", IDLE)]
    engine.answers["POST", "pours"] = 422, problem("refused", refusals=[REFUSAL, second], **REFUSAL)
    shown = tundish("pour", "Orchard Fizz", "--times", "2")
    assert shown.exit_code == 1
    assert (
        "refused by serving_volume: a double Orchard Fizz is 420 mL, the cap is 300 mL. Pour a single" in shown.stderr
    )
    assert "refused by run_on: too long." in shown.stderr
    facts = json.loads(tundish("pour", "Orchard Fizz", "--json").stderr)
    assert (facts["rule"], facts["asked"], facts["allowed"]) == ("serving_volume", "420 mL", "300 mL")
    assert [one["rule"] for one in facts["refusals"]] == ["serving_volume", "run_on"]


@pytest.mark.parametrize(
    ("name", "code"),
    [("fault-latched", 4), ("guard-unreachable", 3), ("invalid", 2), ("unknown", 1), ("internal", 1), ("record", 1)],
)
def test_every_problem_has_its_exit_code(tundish, engine, name, code):
    engine.answers["GET", "menu"] = 409, problem(name, detail="said why")
    shown = tundish("menu")
    assert shown.exit_code == code
    assert "said why" in shown.stderr


def test_a_hand_step_is_confirmed_with_enter_once(tundish, engine, monkeypatch):
    waiting = operation(waiting_for="add ice", waiting={"kind": "step"})
    answers_to_a_pour(engine, waiting, waiting, operation(), DONE)
    engine.answers["POST", "operations/op1/confirm"] = 204, None
    monkeypatch.setattr("controller.cli.following._enter_pressed", lambda: True)
    shown = tundish("pour", "Orchard Fizz")
    assert shown.exit_code == 0
    assert "Now: add ice. Then press Enter." in shown.output
    assert engine.bodies("operations/op1/confirm") == [None]


def test_a_lifted_glass_is_not_confirmed_by_a_key(tundish, engine, monkeypatch):
    answers_to_a_pour(engine, operation(waiting_for="glass", waiting={"kind": "glass"}), operation(), DONE)
    monkeypatch.setattr("controller.cli.following._enter_pressed", lambda: True)
    shown = tundish("pour", "Orchard Fizz")
    assert "put it back" in shown.output
    assert engine.bodies("operations/op1/confirm") == []


def test_an_engine_that_goes_away_in_mid_pour_is_3(tundish, engine):
    answers_to_a_pour(engine, operation())
    shown = tundish("pour", "Orchard Fizz")
    assert shown.exit_code == 3
    assert "the engine went away" in shown.stderr


def test_confirm_names_what_waited(tundish, engine):
    engine.answers["GET", "status"] = (
        200,
        IDLE | {"operation": operation(waiting_for="add ice", waiting={"kind": "step"})},
    )
    engine.answers["POST", "operations/op1/confirm"] = 204, None
    assert "add ice" in tundish("confirm").output
    engine.answers["GET", "status"] = 200, IDLE
    assert tundish("confirm").exit_code == 1


def test_acknowledge_sends_back_the_very_cause(tundish, engine):
    engine.answers["GET", "status"] = 200, IDLE | {"fault": "stop pressed"}
    engine.answers["POST", "acknowledge"] = 204, None
    assert tundish("acknowledge").exit_code == 0
    assert engine.bodies("acknowledge") == [{"cause": "stop pressed"}]
    engine.answers["GET", "status"] = 200, IDLE
    assert "No fault" in tundish("acknowledge").output
    assert len(engine.bodies("acknowledge")) == 1


def test_without_a_jug_lines_do_not_run_where_nobody_can_be_asked(tundish, engine):
    shown = tundish("prime", "1", "2")
    assert shown.exit_code == 1
    assert "--jug" in shown.stderr
    assert engine.asked == []


def test_prime_with_a_jug_runs_each_line_once(tundish, engine):
    engine.answers["GET", "events"] = 200, [("operation", DONE)]
    engine.answers["POST", "line-operations"] = 202, operation()
    engine.answers["GET", "operations/op1"] = 200, DONE
    assert tundish("prime", "2", "1", "2", "--jug").exit_code == 0
    assert engine.bodies("line-operations") == [{"kind": "prime", "lines": [2, 1], "jug": True, "in_air": False}]


@pytest.mark.parametrize(
    ("words", "in_air"),
    [(("purge", "2", "--jug"), False), (("purge", "2", "--jug", "--in-air"), True), (("rinse", "2", "--jug"), False)],
)
def test_a_purge_says_whether_the_tubes_hang_in_air(tundish, engine, words, in_air):
    engine.answers["POST", "line-operations"] = 202, operation()
    engine.answers["GET", "events"] = 200, [("operation", DONE)]
    engine.answers["GET", "operations/op1"] = 200, DONE
    assert tundish(*words).exit_code == 0
    assert [one["in_air"] for one in engine.bodies("line-operations")] == [in_air]


def test_colour_stays_out_of_what_is_no_terminal(tundish, engine):
    engine.answers["GET", "status"] = 200, IDLE | {"fault": "stop pressed"}
    assert "\x1b" not in tundish("status").output


def test_an_engine_that_is_away_while_a_file_is_written_is_named_as_such(tmp_path):
    with pytest.raises(Unreachable, match="no engine answers"), writing(tmp_path / "all.csv"):
        raise Unreachable("no engine answers")
