"""A short slice of the campaign of drawn troubles; `python3 tests campaign` runs the long one."""

import os
import subprocess
import sys

import pytest

from controller.errors import BoardError
from controller.safety.supervisor import Supervisor
from tests.campaign import main
from tests.campaigns.runs import play
from tests.campaigns.troubles import Trouble

SLICE = 7  # runs in each of the tests below, so that the cores share them
# Each guard with something missing is tried from the first seed on that finds it today.


@pytest.mark.parametrize("first", range(1, 15, SLICE))
def test_nothing_forbidden_happens(first):
    findings = [play(seed) for seed in range(first, first + SLICE)]
    assert [(one.seed, one.text) for one in findings if one.text] == []
    assert sum(one.admitted for one in findings) >= SLICE // 2  # a slice in which nothing moves would show nothing


@pytest.mark.parametrize("first", range(1, 8, SLICE))
def test_nothing_forbidden_happens_when_the_scale_fails(first):
    findings = [play(seed, weighed=True) for seed in range(first, first + SLICE)]
    assert [(one.seed, one.text) for one in findings if one.text] == []
    assert sum(one.admitted for one in findings) >= SLICE // 2


def test_a_seed_replays_exactly_whatever_the_process():
    """Other processes order sets of strings differently."""
    here = play(4)
    there = subprocess.run(
        [sys.executable, "-m", "tests.campaign", "--replay", "4"],
        env={**os.environ, "PYTHONHASHSEED": "7"},
        capture_output=True,
        text=True,
        check=True,
    )
    assert len(here.story) > 10
    assert there.stdout.splitlines()[:-1] == list(here.story)


def test_a_guard_that_forgets_silence_is_found(monkeypatch):
    """The watch must see what it is there for: here a guard that does not mind an engine's silence."""
    monkeypatch.setattr("controller.safety.supervisor.SILENCE_S", 30.0)
    assert any("engine" in play(seed).text for seed in range(63, 120))


def test_a_guard_that_books_no_worst_case_is_found(monkeypatch):
    monkeypatch.setattr("controller.safety.outcome.worst_runs", lambda _record, _resumed: [])
    assert any("in motion" in play(seed).text or "booked" in play(seed).text for seed in range(22, 60))


def test_a_guard_that_forgets_the_glass_is_found(monkeypatch):
    """The bench knows what was in the glass at the begin of every serving."""
    monkeypatch.setattr("controller.safety.admission._fresh_glass", lambda _operation, _now: iter(()))
    monkeypatch.setattr("controller.engine.pouring.Pouring._require_glass", lambda _self, _request: None)
    assert any("was served into a glass" in play(seed).text for seed in range(31, 90))


def test_a_guard_that_forgets_what_the_bottles_are_is_found(monkeypatch):
    """A typist writes a twentieth of the strength, and the guard believes the book."""
    edits = tuple(Trouble(what="book edited", at_s=at_s, choice="weaker") for at_s in (0.1, 0.45, 0.9, 2.0))
    monkeypatch.setattr("tests.campaigns.plot.draw_troubles", lambda _profile, _rng: edits)
    assert [play(seed).text for seed in (23, 27, 34)] == [""] * 3
    monkeypatch.setattr("controller.safety.machine.strictest", lambda book, _labels, _glasses=(): book)
    assert any("by the bottles' labels" in play(seed).text for seed in range(23, 60))


def test_a_guard_that_crashes_is_reported_with_its_seed(monkeypatch, capsys):
    def broken(*_args, **_kwargs):
        raise ZeroDivisionError("planted")

    monkeypatch.setattr(Supervisor, "advance", broken)
    assert main(["--seed", "5", "--runs", "1", "--jobs", "1"]) == 1
    told = capsys.readouterr().out
    assert "seed 5" in told
    assert "planted" in told
    assert "--replay 5" in told


def test_a_line_switched_on_by_anybody_else_is_found(monkeypatch):
    """Sabotage behind the guard's back: the boot service drives a line on instead of off."""

    def sabotage(profile, plant, _failures, holder):
        try:
            plant.claim_output(profile.lines[0].gpio, profile.relay_board.active_level == "high", holder=holder)
        except BoardError:
            return

    monkeypatch.setattr("tests.campaigns.guard_process.drive_off", sabotage)
    assert any("was switched on by" in play(seed).text for seed in range(22, 60))
