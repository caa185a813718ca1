"""A short slice of the fuzzing of all sockets; `python3 tests fuzz` runs the long one."""

import sys

import pytest

from controller.clock import VirtualClock
from controller.errors import TundishError
from controller.guard.guard import Guard
from controller.model import decoding
from controller.safety.supervisor import Supervisor
from tests.fuzz import fuzz_engine, fuzz_guard, main
from tests.fuzz_network import fuzz_bench, fuzz_http


def test_whatever_clients_say_lines_are_switched_off_on_time(tmp_path):
    assert fuzz_guard(21, 60, tmp_path).startswith("60 conversations")


def test_whatever_a_guard_says_the_engine_can_still_say_how_things_stand():
    assert fuzz_engine(21, 40).endswith("refused")


def test_whatever_is_asked_over_http_no_error_leaks_and_the_good_client_is_answered(tmp_path):
    assert fuzz_http(21, 150, tmp_path).startswith("150 conversations")


def test_the_bench_survives_whatever_it_is_asked(tmp_path):
    assert fuzz_bench(21, 150, tmp_path) == "150 conversations"


@pytest.mark.parametrize("fuzz", [fuzz_guard, fuzz_bench])
def test_nesting_without_a_bound_is_found(tmp_path, monkeypatch, fuzz):
    """Sabotage: what others write may be nested as deeply as they like."""
    monkeypatch.setattr(decoding, "MOST_DEPTH", sys.maxsize)
    with pytest.raises((RecursionError, AssertionError, TundishError), match=r"recursion|does not answer|no bench"):
        fuzz(21, 600, tmp_path)


def test_a_guard_that_is_late_because_of_what_clients_say_is_found(tmp_path, monkeypatch):
    """Sabotage: every refused message costs the guard's loop 0.1 s."""
    handle, clocks, begin = Guard.handle, [], VirtualClock.__init__

    def remembered(clock, **values):
        begin(clock, **values)
        clocks.append(clock)

    def slow(guard, client, command):
        if client != "c1":  # the good engine is the first client
            clocks[0].move_to(clocks[0].now_s() + 0.1)
        handle(guard, client, command)

    monkeypatch.setattr(VirtualClock, "__init__", remembered)
    monkeypatch.setattr(Guard, "handle", slow)
    with pytest.raises(AssertionError, match=r"instead of|brought about a fault"):
        fuzz_guard(21, 60, tmp_path)


def test_a_traceback_ends_it_with_the_seed(monkeypatch, capsys):
    def broken(*_args, **_kwargs):
        raise ZeroDivisionError("planted")

    monkeypatch.setattr(Supervisor, "receive", broken)
    assert main(["--seed", "4", "--runs", "2"]) == 1
    assert "seed 4" in capsys.readouterr().err
