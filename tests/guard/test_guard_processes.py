"""Guard, sentinel and bench as real processes: whatever dies or freezes, every line goes off."""

import os
import signal
import time

import pytest

from controller.guard.alloff import all_off
from controller.model.messages import Ended, FaultLatchedEvent, Start, Stop
from controller.model.states import Contents, MachineState, Outcome
from tests.guard.guard_processes import SOON_S, Processes, until

# DESIGN section 7 asks for 50 ms (p99, killed) and 0.7 s (frozen); a busy test machine is given more.
KILLED_S, FROZEN_S = 1.0, 2.0


@pytest.fixture(scope="module")
def machine(tmp_path_factory):
    made = Processes(tmp_path_factory.mktemp("run"))
    yield made
    made.close()


@pytest.fixture
def voice(machine):
    """The engine's connection to a guard at rest; the guard of the test before when it still lives."""
    voice = machine.voice()
    yield voice
    machine.rest()


def test_sigterm_ends_in_good_order(machine, voice):
    machine.pour(voice)
    began_s = machine.signal(signal.SIGTERM)
    ended = voice.next(Ended)
    assert (ended.outcome, ended.reason) == (Outcome.STOPPED, "the guard was stopped")
    machine.gone()
    assert machine.guard.returncode == 0
    assert machine.driven() == set()
    assert machine.off_at_s() - began_s < KILLED_S
    assert not machine.guard_socket.exists()


def test_a_killed_guard_is_followed_by_its_sentinel(machine, voice):
    machine.pour(voice)
    killed_s = machine.signal(signal.SIGKILL)
    machine.gone()
    until(lambda: machine.driven() == set())
    assert machine.off_at_s() - killed_s < KILLED_S
    report = machine.voice().report()
    assert {line.line for line in report.lines if line.contents is Contents.UNKNOWN} >= {1, 2, 3}
    assert report.state is MachineState.IDLE


def test_a_frozen_guard_is_killed_by_its_sentinel(machine, voice):
    machine.pour(voice)
    frozen_s = machine.signal(signal.SIGSTOP)
    machine.gone()
    assert machine.guard.returncode == -signal.SIGKILL
    until(lambda: machine.driven() == set())
    assert machine.off_at_s() - frozen_s < FROZEN_S


def test_an_idle_guard_may_stand_still(machine, voice):
    """With every channel off there is no danger: a slow disk must not cost the guard its life."""
    machine.signal(signal.SIGSTOP)
    time.sleep(0.8)
    machine.signal(signal.SIGCONT)
    assert voice.report().state is MachineState.IDLE


def test_a_killed_sentinel_ends_the_operation_and_is_replaced(machine, voice):
    machine.pour(voice)
    (sentinel,) = machine.sentinels()
    killed_s = time.monotonic()
    os.kill(sentinel, signal.SIGKILL)
    ended = voice.next(Ended, FaultLatchedEvent)
    assert (ended.outcome, ended.reason) == (Outcome.ABORTED, "the sentinel has ended")
    assert machine.off_at_s() - killed_s < KILLED_S
    until(lambda: voice.report().state is MachineState.IDLE)
    assert len(machine.sentinels()) == 1
    assert machine.sentinels() != [sentinel]
    machine.pour(voice, lines=(4,))


def test_a_frozen_sentinel_is_noticed(machine, voice):
    machine.pour(voice)
    (sentinel,) = machine.sentinels()
    os.kill(sentinel, signal.SIGSTOP)
    assert voice.next(Ended).reason == "the sentinel did not answer"
    until(lambda: len(machine.sentinels()) == 1 and machine.sentinels() != [sentinel])


def test_a_sentinel_frozen_at_rest_is_noticed_before_anything_moves(machine, voice):
    (sentinel,) = machine.sentinels()
    os.kill(sentinel, signal.SIGSTOP)
    time.sleep(0.2)
    voice.send(Start(operation=machine.purge()))
    ended = voice.next(Ended)
    assert (ended.outcome, ended.reason) == (Outcome.ABORTED, "the sentinel did not answer")
    assert [one.on_s for one in ended.deliveries] == [0.0, 0.0, 0.0]
    until(lambda: voice.report().state is MachineState.IDLE)
    machine.pour(voice)


def test_sentinels_ignore_what_would_end_them_early(machine, voice):
    machine.pour(voice)
    (sentinel,) = machine.sentinels()
    os.kill(sentinel, signal.SIGTERM)
    os.kill(sentinel, signal.SIGINT)
    time.sleep(0.1)
    assert machine.sentinels() == [sentinel]
    machine.signal(signal.SIGKILL)
    machine.gone()
    until(lambda: machine.driven() == set())


def test_guard_and_sentinel_killed_leave_the_lines_to_all_off(machine, voice):
    machine.pour(voice)
    (sentinel,) = machine.sentinels()
    machine.signal(signal.SIGSTOP)  # so that it cannot notice the sentinel's end
    os.kill(sentinel, signal.SIGKILL)
    machine.signal(signal.SIGKILL)
    machine.gone()
    time.sleep(0.1)
    assert machine.driven() == {1, 2, 3}  # latched, as on the vendors' kernels
    assert all_off(machine.profile, machine.bench_socket) == []
    assert machine.driven() == set()


def test_all_off_cannot_take_the_lines_of_a_living_guard(machine, voice):
    machine.pour(voice)
    failures = all_off(machine.profile, machine.bench_socket, try_s=0.05)
    assert len(failures) == len(machine.profile.lines)
    assert "line 1, GPIO 2" in str(failures[0])
    assert machine.driven() == {1, 2, 3}
    voice.send(Stop())
    assert voice.next(Ended).outcome is Outcome.STOPPED


def test_all_off_says_when_there_is_no_bench(machine, tmp_path):
    failures = all_off(machine.profile, tmp_path / "nobody.sock", try_s=0.0)
    assert len(failures) == len(machine.profile.lines)


def test_a_second_guard_is_refused(machine, voice):
    assert machine.second_guard().wait(SOON_S) == 1
    assert "another guard already listens" in (machine.folder / "guard.log").read_text()
    assert voice.report().state is MachineState.IDLE
