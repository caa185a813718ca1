"""Logs: every word is in the table, the journal can sort them, an idle machine says nothing."""

import ast
import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
import structlog

from controller import log_lines
from controller.config import load
from controller.ledger.journal import MemoryJournal
from controller.model.requests import HistoryQuery
from controller.rehearsal.virtual_machine import VirtualMachine
from controller.rehearsal.weighing import prime_all

ROOT = Path(__file__).resolve().parents[2]
LEVELS = {"debug", "info", "warning", "error", "exception", "critical"}
LOGGER = re.compile(r"(^|\.)_?(log|LOG)$|get_logger\(\)(\.bind\(.*\))?$")


def log_calls():
    """(file:line, first argument) of every call of a logger in the package."""
    for path in sorted((ROOT / "controller").rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text())):
            if not isinstance(node, ast.Call) or not isinstance(node.func, ast.Attribute):
                continue
            if node.func.attr in LEVELS and LOGGER.search(ast.unparse(node.func.value)):
                yield f"{path.relative_to(ROOT)}:{node.lineno}", node.args[0]


def test_every_log_call_uses_a_word_of_the_table_and_every_word_is_used():
    calls = dict(log_calls())
    assert len(calls) >= 20
    words = {where: getattr(argument, "value", None) for where, argument in calls.items()}
    assert {where: word for where, word in words.items() if word not in log_lines.EVENTS} == {}
    assert set(log_lines.EVENTS) == set(words.values())


def test_every_module_that_logs_does_it_by_structlog():
    others = [
        path for path in (ROOT / "controller").rglob("*.py") if re.search(r"^import logging", path.read_text(), re.M)
    ]
    assert [path.name for path in others] == ["logs.py"]


def test_keys_are_128_bits_each_its_own_and_never_change():
    """Whoever filters a journal by a key does so for years: these stand here so that a change is seen."""
    keys = [key for key, _ in log_lines.EVENTS.values()]
    assert all(re.fullmatch(r"[0-9a-f]{32}", key) for key in keys)
    assert len(set(keys)) == len(keys)
    assert log_lines.EVENTS["fault"][0] == "e6bf7f984b3c4683ac1b609d67a33e2a"
    assert log_lines.EVENTS["guard_lost"][0] == "a990c5bcf8584ad6a4cd25b4d158672e"


BEGINNING = """
import os, sys
if sys.argv[1] == "journal":
    found = os.fstat(2)
    os.environ["JOURNAL_STREAM"] = f"{found.st_dev}:{found.st_ino}"
"""
BY_STRUCTLOG = """
import structlog
from controller import logs
logs.set_up("guard")
log = structlog.get_logger()
log.debug("not logged")
"""
BY_ITSELF = """
from controller.log_lines import Log
log = Log("guard")
"""
ENTRIES = """
log.info("guard_ready", lines=6)
log.warning("not_allowed", refused=["real-time priority"])
log.error("sentinel_lost", reason="gone")
"""
EXCEPTION = """
try:
    1 / 0
except ZeroDivisionError:
    log.exception("request_failed")
"""


@pytest.fixture(params=[BY_STRUCTLOG, BY_ITSELF], ids=["structlog", "itself"])
def program(request):
    """A program that logs three entries: as the guard does, and as everybody else does."""
    return BEGINNING + request.param + ENTRIES


def logged(program, how, **more):
    done = subprocess.run([sys.executable, "-c", program, how], capture_output=True, text=True, check=True, **more)
    return done.stderr.splitlines()


def test_to_a_file_it_is_json_lines(program):
    first, second, third = map(json.loads, logged(program, "file"))
    assert (first["event"], first["process"], first["level"], first["lines"]) == ("guard_ready", "guard", "info", 6)
    assert first["message_id"] == log_lines.EVENTS["guard_ready"][0]
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d+Z", first["timestamp"])
    assert second["refused"] == ["real-time priority"]
    assert (third["level"], third["reason"]) == ("error", "gone")


def test_an_exception_is_logged_with_its_traceback():
    (entry,) = logged(BEGINNING + BY_STRUCTLOG + EXCEPTION, "file")
    assert "ZeroDivisionError" in json.loads(entry)["exception"]


def test_to_the_journal_every_line_begins_with_its_level(program):
    """sd-daemon(3): <6> is informational, <4> a warning, <3> an error."""
    lines = logged(program, "journal")
    assert [line[:3] for line in lines] == ["<6>", "<4>", "<3>"]
    assert json.loads(lines[0][3:])["event"] == "guard_ready"


def test_a_flood_of_one_word_is_counted_and_other_words_pass():
    now_s = [0.0]
    bound, passed = log_lines.Bound(lambda: now_s[0]), []

    def say(word):
        left_out = bound(word)
        if left_out is not None:
            passed.append((word, left_out))

    for _ in range(1000):
        say("client_dropped")
    say("fault")
    now_s[0] = log_lines.EVERY_S
    say("client_dropped")
    say("fault")
    assert passed == [
        *[("client_dropped", 0)] * log_lines.MOST,
        ("fault", 0),
        ("client_dropped", 1000 - log_lines.MOST),
        ("fault", 0),
    ]


def test_suppressed_entries_are_counted_in_the_next_one():
    flood = "from controller import log_lines\nlog_lines.EVERY_S = 0.2\n"
    again = "for _ in range(30): log.info('guard_ready')\nimport time; time.sleep(0.3); log.info('guard_ready')\n"
    for way in (BY_STRUCTLOG, BY_ITSELF):
        entries = [json.loads(line) for line in logged(BEGINNING + way + flood + again, "file")]
        assert [one.get("left_out") for one in entries] == [None] * log_lines.MOST + [10]


def test_the_guard_loads_no_library_for_its_log():
    code = "import sys, controller.guard.service; print({'structlog', 'rich', 'asyncio', 'ssl'} & sys.modules.keys())"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "set()"


def test_on_a_terminal_it_is_for_people(program):
    reader, terminal = os.openpty()
    subprocess.run([sys.executable, "-c", program, "terminal"], stderr=terminal, check=True)
    text = os.read(reader, 100_000).decode()
    os.close(reader)
    os.close(terminal)
    assert "guard_ready" in text
    assert "message_id" not in text


def test_a_reader_that_went_away_does_not_end_the_process(program):
    reader, writer = os.pipe()
    os.close(reader)
    done = subprocess.run([sys.executable, "-c", program, "file"], stderr=writer, check=False)
    os.close(writer)
    assert done.returncode == 0


@pytest.fixture
def journal():
    return MemoryJournal()


@pytest.fixture
def machine(journal):
    profile, book, _ = load(ROOT / "hardware_profiles/bench_six_line.yaml", ROOT / "demo/orchard_fete.yaml")
    made = VirtualMachine(profile, book, seed=3, journal=journal)
    yield made
    made.close()


def test_idle_hours_are_silent_and_write_nothing(machine, journal):
    """Time passes in the real guard's and engine's code; only the clock is virtual."""
    prime_all(machine, (1, 2))
    machine.pass_time(60.0)
    ledger = machine.ledger
    before = len(journal.entries), tuple(ledger.past.page(HistoryQuery(limit=100)))
    with structlog.testing.capture_logs() as entries:
        machine.pass_time(2 * 3600.0)
    assert entries == []
    assert (len(journal.entries), tuple(ledger.past.page(HistoryQuery(limit=100)))) == before


def test_an_operation_is_logged_once(machine):
    with structlog.testing.capture_logs() as entries:
        prime_all(machine, (1, 2))
        machine.pass_time(60.0)
    assert [(one["event"], one["log_level"]) for one in entries] == [("ended", "info")]
