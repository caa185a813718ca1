"""Whatever the engine sends by a code has a text in every language: rules, problems, faults, remarks, ends.

The codes are read from the source, so that a new one without a text fails here.
"""

import ast
from pathlib import Path
from typing import get_args

import pytest

from controller.engine.http.problems import PROBLEMS
from controller.ledger.records import NoteEvent
from controller.model.orders import Difference, OrderState
from controller.model.profile import Pump
from controller.model.remark import RemarkCode
from controller.model.states import Contents, MachineState, OperationKind, Outcome, StopCause
from controller.model.views import Due
from controller.model.weighing import Doubt, FitRemark
from controller.model.wiring import Contact, Input, LevelSwitch
from tests.page.page_texts import FOLDERS, LANGUAGES, texts

ROOT = Path(__file__).parents[2] / "controller"
ROOMS = ("engine", "guard", "safety", "metering", "sequencing", "model")  # whose refusals the engine passes on
BETWEEN_PROCESSES = {"hello", "places", "version", "protocol", "engine"}  # the guard to an engine that it does not take
OF_FILES = {"composition"}  # of a liquid in the book: by then a problem with its place in the file
OF_ORDERS = {"operator", "call", Outcome.STOPPED, Outcome.ABORTED, Outcome.FAULTED}  # why an order is over
# What takes the rule from elsewhere: another refusal, a table, a parameter with a constant default.
PASSED_ON = {
    "engine/history.py", "engine/names.py", "engine/guard_mirror.py", "engine/guard_link.py", "engine/pouring.py",
    "engine/http/problems.py", "engine/http/ordering.py",
    "engine/ordering/views.py", "engine/ordering/flow.py", "engine/ordering/queue.py",
    "ledger/store.py", "metering/calibration.py", "model/messages.py", "safety/case.py", "safety/commands.py",
    "safety/input_rules.py", "sequencing/schedule.py",
}  # fmt: skip
SAYS_RULE = {"refusal": 0, "refuse": 1, "_refuse": 1}  # functions that take the rule by its place


def calls(path):
    return [one for one in ast.walk(ast.parse(path.read_text())) if isinstance(one, ast.Call)]


def name_of(call):
    return getattr(call.func, "id", getattr(call.func, "attr", ""))


def texts_in(node):
    """The texts that an expression may be; None among them when it is none that stands there."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return [node.value]
    if isinstance(node, ast.IfExp):
        return texts_in(node.body) + texts_in(node.orelse)
    return [None]


def rules_of(path):
    if not any(word in path.read_text() for word in ("rule=", *SAYS_RULE)):
        return []  # parsing takes its time
    found = []
    for call in calls(path):
        named = [one.value for one in call.keywords if one.arg == "rule"]
        at = SAYS_RULE.get(name_of(call))
        placed = [] if at is None or len(call.args) <= at else [call.args[at]]
        found += [text for node in (*named, *placed) for text in texts_in(node)]
    return found


def all_rules():
    paths = (path for room in ROOMS for path in (ROOT / room).rglob("*.py"))
    by_path = {path.relative_to(ROOT).as_posix(): rules_of(path) for path in paths}
    unclear = {path for path, found in by_path.items() if None in found}
    assert unclear <= PASSED_ON, f"the rule of a refusal is worked out in {unclear - PASSED_ON}: name it as a constant"
    return {rule for found in by_path.values() for rule in found if rule}


def causes():
    """Constants whose line says that they are causes of faults."""
    found = set()
    for path in (ROOT / "safety").rglob("*.py"):
        lines = path.read_text().splitlines()
        for one in ast.parse(path.read_text()).body:
            if isinstance(one, ast.Assign) and "cause" in lines[(one.end_lineno or one.lineno) - 1].partition("#")[2]:
                values = one.value.elts if isinstance(one.value, ast.Tuple) else [one.value]
                found |= {text for value in values for text in texts_in(value)}
    return found


INPUTS: tuple[type[Input], ...] = (*Contact.__subclasses__(), LevelSwitch)
ROLES = [one.role for one in INPUTS]
REFUSING = {one.name.replace(" ", "_") for one in ROLES if one.effect == "refuse"}
CODES = {
    "rule": (all_rules() | OF_ORDERS | REFUSING) - BETWEEN_PROCESSES - OF_FILES,
    "problem": set(PROBLEMS),
    "fault": causes(),
    "remedy": causes(),
    "due": {*get_args(Due)} - {""},
    "state": {*OrderState},
    "told": {*OrderState},
    "changed": {*get_args(Difference.__annotations__["about"])},
    "state_machine": {*MachineState},
    "outcome": {*Outcome},
    "kind": {*OperationKind},
    "event": {*get_args(NoteEvent)},
    "remark": {*get_args(RemarkCode)},
    "ended": {*get_args(StopCause)},
    "doubt": {*get_args(Doubt.__annotations__["about"])},
    "fit": {*get_args(FitRemark.__annotations__["about"])},
    "rotation": {*get_args(Pump.__annotations__["rotation"])},
    "contents": {one.replace(" ", "_") for one in Contents} - {"liquid"},
}


def test_the_codes_are_found_in_the_source():
    assert len(CODES["rule"]) > 80
    assert {"serving_ethanol", "orders_waiting", "operation_time", "drip_tray"} <= CODES["rule"]
    assert {"no current", "stop pressed", "restored from a backup", "weighed volume"} <= CODES["fault"]


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("kind", CODES)
def test_every_code_has_a_text_in_every_language(kind, language):
    known = {key: text for folder in FOLDERS for key, text in texts(folder, language).items()}
    assert [one for one in sorted(CODES[kind]) if not known.get(f"{kind}_{one}")] == []


def test_no_text_is_left_for_a_code_that_nobody_sends():
    known = texts("rules", "en")
    assert {key.removeprefix("rule_") for key in known if key.startswith("rule_")} - CODES["rule"] == set()
    assert {key.removeprefix("problem_") for key in known if key.startswith("problem_")} == CODES["problem"]
