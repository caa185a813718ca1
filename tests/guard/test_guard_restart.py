"""What survives a restart, a crash, a damaged journal, a full disk and a wall clock that is set."""

import pytest
from msgspec.structs import replace

from controller.ledger.journal import MemoryJournal
from controller.ledger.journal_reading import JournalReading
from controller.ledger.journal_segment import JournalEntry
from controller.model.calibration import Calibration
from controller.model.messages import (
    Acknowledge,
    Assign,
    Ended,
    Event,
    FaultLatchedEvent,
    Report,
    Start,
    TakeCalibration,
    Unhold,
)
from controller.model.states import Contents, MachineState, Outcome
from controller.safety.memory import replay
from controller.safety.records import AdmittedRecord, CapChanged, Lost, Memory, Stamped, UnheldRecord
from tests.guard.guard_parts import CAPS, GLASS, Rig, admitted, profile, records, run_of, serve, with_caps

JUICE, GIN, TEA = "apple juice", "sloe gin", "cold tea"


def restart(rig: Rig, *, boot: str | None = None) -> tuple[Report, list[Event]]:
    """A new guard on the same board and journal; what it says to an engine that comes back."""
    rig.boot = boot or rig.boot
    rig.start_guard()
    rig.run(0.5, beat=False)
    return rig.hello()


def untold(ended: Ended) -> Ended:
    """Without how far the journal had come when it was told."""
    return replace(ended, journal=None)


def kinds(rig: Rig) -> list[str]:
    return [str(one.record.__struct_config__.tag) for one in records(rig.journal)]


def rules(rig: Rig, name: str, *runs) -> list[str]:
    return [event.rule for event in rig.say(Start(operation=serve(*runs, name=name))) if hasattr(event, "rule")]


def test_contents_calibrations_and_assignments_survive():
    rig = Rig().primed(1, 2)
    new = Calibration(line=1, liquid=JUICE, flow_ml_s=2.1, lag_s=0.1, u_flow_ml_s=0.01, u_lag_s=0.0, cov_flow_lag=0.0)
    rig.say(TakeCalibration(calibration=new))
    rig.say(Assign(line=2, liquid=TEA))
    before = rig.report()
    report, (ended,) = restart(rig)
    assert isinstance(ended, Ended)
    assert report.lines == before.lines
    assert report.lines[0].calibration == new
    assert untold(ended) == untold(rig.of(Ended)[1])  # the last operation, once more
    assert report.state is MachineState.IDLE


def test_the_journal_has_the_operation_before_the_first_relay_closes(monkeypatch):
    rig = Rig().primed(1)
    seen = []
    switch = rig.board.switch

    def spy(line: int, *, on: bool) -> None:
        seen.append((on, kinds(rig)[-1]))
        switch(line, on=on)

    monkeypatch.setattr(rig.board, "switch", spy)
    rig.say(Start(operation=serve(run_of(1, JUICE, 0, 5))))
    rig.run(6)
    assert seen == [(True, "admitted"), (False, "admitted")]
    assert kinds(rig)[-1] == "ended"


def test_ethanol_is_booked_with_the_admission():
    rig = Rig().primed(4)
    rig.say(Start(operation=serve(run_of(4, GIN, 0, 25))))
    # 25 s x 2 mL/s x 1.25 x 26 % x 0.78924 g/mL
    assert [one.ethanol_g for one in replayed(rig).servings] == [pytest.approx(12.825, abs=0.001)]


def test_a_serving_is_two_writes(monkeypatch):
    rig = Rig().primed(1)
    batches = []
    append = rig.journal.append

    def noted(body: bytes) -> None:
        append(body)
        batches.append(kinds(rig)[-1])

    monkeypatch.setattr(rig.journal, "append", noted)
    rig.say(Start(operation=serve(run_of(1, JUICE, 0, 5))))
    rig.run(10)
    assert batches == ["admitted", "ended"]


def test_a_crash_in_mid_pour_leaves_the_lines_with_their_liquid_and_books_the_worst_case():
    rig = Rig().primed(1, 2, 4)
    rig.say(Start(operation=serve(run_of(1, JUICE, 0, 10), run_of(4, GIN, 0.5, 8))))
    rig.run(3)
    assert rig.board.on == {1, 4}
    report, (ended,) = restart(rig)
    assert isinstance(ended, Ended)
    assert rig.board.on == set()  # driven off before anything else
    assert {line.line: line.contents for line in report.lines} == {
        1: Contents.LIQUID,
        2: Contents.LIQUID,
        3: Contents.EMPTY,
        4: Contents.LIQUID,
    }
    assert (ended.operation, ended.outcome, ended.reason) == ("s1", Outcome.ABORTED, "guard restarted")
    # 2 mL/s x 1.25 for the whole run and for the second that it may take to drive a line off.
    assert [(one.line, one.asked_ml, one.worst_ml) for one in ended.deliveries] == [
        (1, 20.0, pytest.approx(27.5)),
        (4, 16.0, pytest.approx(22.5)),
    ]
    assert rules(rig, "s1", run_of(2, "ginger syrup", 0, 5)) == ["repeated"]
    rig.run(3)
    assert rules(rig, "s2", run_of(1, JUICE, 0, 5)) == []  # its tube holds juice, however far the crash let it come
    # 22.5 mL x 26 % x 0.78924 g/mL
    booked = replayed(rig).servings
    assert [one.ethanol_g for one in booked] == [pytest.approx(4.6171, abs=1e-4), 0.0]


def test_a_crash_while_held_counts_what_was_resumed_as_well():
    rig = Rig(profile(glass=GLASS))
    rig.board.contacts["glass"] = True
    rig.primed(1)
    rig.say(Start(operation=serve(run_of(1, JUICE, 0, 10))))
    rig.run(3)
    rig.board.contacts["glass"] = False
    rig.run(1)
    rig.board.contacts["glass"] = True
    rig.run(1)
    rig.say(Unhold(operation="s1", runs=(run_of(1, JUICE, 0, 7),)))
    rig.run(1)
    (ended,) = restart(rig)[1]
    assert isinstance(ended, Ended)
    # All that was ever allowed: 2.5 mL/s for 10 s, for 7 s, and for the second until it was driven off.
    assert ended.deliveries[0].worst_ml == pytest.approx(45.0)


def test_a_second_crash_during_start_up_changes_nothing():
    rig = Rig().primed(1)
    rig.say(Start(operation=serve(run_of(1, JUICE, 0, 10))))
    rig.run(3)
    first = restart(rig)
    second = restart(rig)
    assert [untold(event) for event in second if isinstance(event, Ended)] == [
        untold(event) for event in first if isinstance(event, Ended)
    ]
    assert kinds(rig).count("ended") == 2  # the priming and the serving


def test_a_latched_fault_survives():
    rig = Rig().ready()
    rig.board.contacts["stop"] = False
    rig.run(1)
    rig.board.contacts["stop"] = True
    report = restart(rig)[0]
    assert (report.state, report.fault) == (MachineState.ABORTED, "stop pressed")
    rig.say(Acknowledge(cause="stop pressed"))
    assert rig.report().state is MachineState.IDLE
    assert restart(rig)[0].fault is None


def test_a_changed_cap_is_written_down_with_both_values():
    rig = Rig().ready()
    rig.machine = with_caps(serving_ethanol_g=30)
    restart(rig)
    changes = [one.record for one in decoded(rig) if isinstance(one.record, CapChanged)]
    assert changes == [CapChanged(cap="serving_ethanol_g", old=20.0, new=30.0)]


# --- the rolling hour and the clocks


def gin(rig: Rig, name: str) -> list[str]:
    """50 mL of sloe gin: 10.26 g as planned, with the uncalibrated pump's quarter 12.83 g."""
    found = rules(rig, name, run_of(4, GIN, 0, 25))
    rig.run(28)
    return found


def test_the_hour_survives_restarts_and_ends_in_time():
    rig = Rig(with_caps(hour_ethanol_g=30)).primed(4)
    assert (gin(rig, "s1"), gin(rig, "s2")) == ([], [])
    restart(rig)
    assert gin(rig, "s3") == ["hour_ethanol"]
    rig.run(3500)
    restart(rig)
    rig.run(120)
    assert gin(rig, "s4") == []


def test_setting_the_wall_clock_frees_nothing():
    rig = Rig(with_caps(hour_ethanol_g=30)).primed(4)
    gin(rig, "s1")
    gin(rig, "s2")
    rig.clock.set_wall(rig.clock.wall_s() + 86_400)
    assert gin(rig, "s3") == ["hour_ethanol"]
    restart(rig)  # in the same boot: the monotonic clock tells
    assert gin(rig, "s4") == ["hour_ethanol"]
    rig.clock.set_wall(rig.clock.wall_s() - 2 * 86_400)
    restart(rig)
    assert gin(rig, "s5") == ["hour_ethanol"]
    rig.run(1)
    restart(rig, boot="b2")  # another boot: between them the wall clock stood still
    assert gin(rig, "s6") == ["hour_ethanol"]


@pytest.mark.parametrize("behind_s", [3600, 86_400, 1e9])
def test_a_boot_with_a_clock_that_is_behind_and_one_with_it_right_free_nothing(behind_s):
    rig = Rig(with_caps(hour_ethanol_g=30)).primed(4)
    gin(rig, "s1")
    gin(rig, "s2")
    for boot, by_s in (("b2", -behind_s), ("b3", behind_s)):
        rig.clock.set_wall(rig.clock.wall_s() + by_s)
        restart(rig, boot=boot)
        assert "hour_ethanol" in gin(rig, f"in {boot}")


def test_a_night_switched_off_counts():
    rig = Rig(with_caps(hour_ethanol_g=30)).primed(4)
    gin(rig, "s1")
    gin(rig, "s2")
    rig.clock.set_wall(rig.clock.wall_s() + 8 * 3600)  # nobody was there to see it pass
    restart(rig, boot="b2")
    assert gin(rig, "s3") == []


# --- a disk that is full, a journal that is damaged


def test_a_full_disk_refuses_and_pumps_stay_off():
    rig = Rig().primed(1)
    rig.journal.full = True
    rig.board.trace.clear()
    assert rules(rig, "s1", run_of(1, JUICE, 0, 5)) == ["journal"]
    rig.run(5)
    assert rig.board.trace == []
    assert rig.report().state is MachineState.IDLE
    rig.journal.full = False
    assert admitted(rig.say(Start(operation=serve(run_of(1, JUICE, 0, 5))))) == ["s1"]


def test_what_was_refused_by_a_full_disk_is_never_written_later():
    """Or a restart would book a drink that nobody got, and its lines would count as having moved."""
    rig = Rig(profile(glass=GLASS))
    rig.board.contacts["glass"] = True
    rig.primed(1)
    rig.journal.full = True
    assert rules(rig, "s1", run_of(1, JUICE, 0, 5)) == ["journal"]
    rig.journal.full = False
    rig.run(3)
    assert rules(rig, "s2", run_of(1, JUICE, 0, 5)) == []
    rig.run(2)
    rig.board.contacts["glass"] = False
    rig.run(1)
    rig.board.contacts["glass"] = True
    rig.run(1)
    rig.journal.full = True
    rig.say(Unhold(operation="s2", runs=(run_of(1, JUICE, 0, 3),)))
    rig.run(1)
    rig.journal.full = False
    rig.say(Acknowledge(cause="journal"))
    rig.run(3)
    written = [one.record for one in decoded(rig)]
    assert [one.operation.operation for one in written if isinstance(one, AdmittedRecord)] == ["prime-1", "s2"]
    assert [one for one in written if isinstance(one, UnheldRecord)] == []
    assert len(replayed(rig).servings) == 1


def test_an_end_that_cannot_be_written_is_a_fault_and_is_written_later():
    rig = Rig().primed(1)
    rig.say(Start(operation=serve(run_of(1, JUICE, 0, 5))))
    rig.run(1)
    rig.journal.full = True
    rig.run(6)
    assert rig.of(FaultLatchedEvent)[-1].cause == "journal"
    assert rig.refused(Acknowledge(cause="journal")).rule == "cause"
    rig.journal.full = False
    rig.say(Acknowledge(cause="journal"))
    assert rig.report().state is MachineState.IDLE
    assert kinds(rig)[-3:] == ["ended", "fault", "acknowledged"]


class Damaged(MemoryJournal):
    """A journal that has lost its last entry, until it goes on with a checkpoint."""

    def __init__(self, entries: list[JournalEntry]) -> None:
        super().__init__()
        self.entries, self.is_damaged = entries[:-1], True

    def begin(self, body: bytes) -> None:
        super().begin(body)
        self.is_damaged = False

    def read(self) -> JournalReading:
        damage = ("entry 7 cannot be read",) if self.is_damaged else ()
        return JournalReading(entries=super().read().entries, damage=damage, is_complete=not self.is_damaged)


def test_a_damaged_journal_leaves_nothing_certain_until_a_person_has_seen_to_it():
    rig = Rig().primed(1, 2)
    rig.kept = Damaged(list(rig.journal.entries))
    report = restart(rig)[0]
    assert (report.state, report.fault) == (MachineState.ABORTED, "journal damaged")
    assert {line.contents for line in report.lines} == {Contents.UNKNOWN}
    memory = replayed(rig)
    assert sum(one.ethanol_g for one in memory.servings) == pytest.approx(CAPS.hour_ethanol_g)
    assert len(memory.servings) == CAPS.hour_servings
    assert any(isinstance(one.record, Lost) for one in decoded(rig))
    assert restart(rig)[0].fault == "journal damaged"  # written down, with all that follows from it
    rig.say(Acknowledge(cause="journal damaged"))
    assert rig.report().state is MachineState.IDLE


def test_an_entry_that_is_not_understood_counts_as_damage():
    rig = Rig().primed(1)
    body = b'[{"mono_s":1,"wall_s":2,"record":{"type":"new"}}]'
    rig.journal.entries[-1] = JournalEntry(number=len(rig.journal.entries), hash="", body=body)
    assert restart(rig)[0].fault == "journal damaged"


def test_a_long_journal_is_summed_up_once_and_at_rest():
    rig = Rig().primed(1, 2)
    rig.say(Start(operation=serve(run_of(1, JUICE, 0, 5))))
    rig.journal.is_long = True
    rig.run(4)
    assert kinds(rig)[-1] == "admitted"
    rig.run(4)
    assert kinds(rig)[-2:] == ["ended", "snapshot"]
    before = rig.report()
    rig.run(5)
    assert kinds(rig)[-1] == "snapshot"
    assert len(rig.journal.read().entries) == 1
    assert restart(rig)[0].lines == before.lines


def test_a_sum_that_cannot_be_written_waits_and_nothing_is_lost():
    rig = Rig().primed(1)
    rig.journal.is_long = rig.journal.full = True
    rig.run(1)
    assert rig.of(FaultLatchedEvent)[-1].cause == "journal"
    rig.run(5)
    rig.journal.full = False
    rig.say(Acknowledge(cause="journal"))
    assert kinds(rig).count("snapshot") == 2  # the first one when the journal was made
    assert rig.report().state is MachineState.IDLE
    assert replayed(rig) == rig.guard.core.memory


# --- helpers


def decoded(rig: Rig) -> list[Stamped]:
    return records(rig.journal)


def replayed(rig: Rig) -> Memory:
    return replay(decoded(rig))


def test_replaying_the_journal_restores_the_memory_exactly():
    rig = Rig().primed(1, 2, 4)
    gin(rig, "s1")
    rules(rig, "s2", run_of(1, TEA, 0, 5))
    rig.say(Assign(line=3, liquid=JUICE))
    restart(rig)
    rig.run(5)  # refusals are written a little later
    assert replayed(rig) == rig.guard.core.memory
    assert replayed(rig).seen == ("prime-1", "prime-2", "prime-4", "s1")
