"""The ledger: intent, end, containers, and files that cannot be used."""

import shutil
import sqlite3
from contextlib import closing
from functools import partial

import msgspec
import pytest

from controller.errors import RecordError
from controller.ledger.records import Container, Intent, LineNote, Weighing
from controller.ledger.store import Ledger
from controller.model.calibration import Calibration
from controller.model.messages import Delivery, Refusal
from controller.model.requests import HistoryQuery
from controller.model.states import OperationKind, Outcome
from tests.ledger.ledger_parts import all_of


@pytest.fixture
def path(tmp_path):
    return tmp_path / "ledger.db"


@pytest.fixture
def ledger(path):
    opened = Ledger(path)
    yield opened
    opened.close()


def begin(ledger, operation="a1", key=None):
    ledger.begin(
        Intent(operation=operation, kind=OperationKind.SERVE, asked_wall_s=1000.0, recipe="orchard fizz", key=key)
    )


def delivery(line=1, asked=50.0, delivered=49.5, worst=52.0):
    return Delivery(line=line, liquid="apple juice", asked_ml=asked, delivered_ml=delivered, worst_ml=worst, on_s=10.0)


def container(line=1, remaining=1000.0):
    return Container(
        line=line,
        liquid="apple juice",
        container_ml=1000.0,
        remaining_ml=remaining,
        opened_wall_s=900.0,
        hung_wall_s=900.0,
    )


def hang(ledger, one):
    ledger.stock.hang(one, LineNote(wall_s=one.hung_wall_s, line=one.line, event="container", text="hung"))


def test_an_intent_survives_in_the_file_without_a_clean_end(path, ledger):
    begin(ledger)
    left = path.with_name("left.db")  # what a killed process leaves
    for suffix in ("", "-wal"):
        shutil.copy(f"{path}{suffix}", f"{left}{suffix}")
    other = Ledger(left)
    assert all_of(other.past.page(HistoryQuery()))[0].operation == "a1"
    entry = other.entry("a1")
    assert entry is not None and entry.outcome is None
    other.close()


def test_a_done_operation_takes_what_it_delivered(ledger):
    hang(ledger, container())
    begin(ledger)
    assert ledger.end("a1", Outcome.DONE, "", [delivery()], wall_s=1010.0)
    assert ledger.containers()[1].remaining_ml == pytest.approx(1000.0 - 49.5)
    assert ledger.entry("a1").deliveries == (delivery(),)
    assert ledger.entry("a1").ended_wall_s == 1010.0


def test_an_interrupted_operation_takes_the_worst_case(ledger):
    hang(ledger, container())
    begin(ledger)
    ledger.end("a1", Outcome.ABORTED, "engine silent", [delivery()], wall_s=1010.0)
    assert ledger.containers()[1].remaining_ml == pytest.approx(1000.0 - 52.0)


def test_an_end_told_twice_is_booked_once(ledger):
    hang(ledger, container())
    begin(ledger)
    assert ledger.end("a1", Outcome.DONE, "", [delivery()], wall_s=1010.0)
    assert not ledger.end("a1", Outcome.DONE, "", [delivery()], wall_s=1011.0)
    assert ledger.containers()[1].remaining_ml == pytest.approx(1000.0 - 49.5)


def test_a_container_never_goes_below_empty(ledger):
    hang(ledger, container(remaining=20.0))
    begin(ledger)
    ledger.end("a1", Outcome.DONE, "", [delivery()], wall_s=1010.0)
    assert ledger.containers()[1].remaining_ml == 0.0


def test_a_key_belongs_to_one_operation(ledger):
    begin(ledger, "a1", key="k")
    assert ledger.operation_of_key("k") == "a1"
    assert ledger.operation_of_key("other") is None
    with pytest.raises(RecordError, match="UNIQUE"):
        begin(ledger, "a2", key="k")
    assert ledger.entry("a2") is None


def test_refusals_are_kept_with_rule_and_figures(ledger):
    begin(ledger)
    refusal = Refusal(
        request="a1", rule="serving_volume", reason="too much", asked="400 mL", allowed="350 mL", remedy="pour one"
    )
    ledger.refuse("a1", [refusal], wall_s=1001.0)
    assert ledger.entry("a1").refusals == (refusal,)
    assert ledger.entry("a1").outcome == "refused"
    assert not ledger.end("a1", Outcome.DONE, "", [], wall_s=1002.0)


def test_calibrations_are_added_never_replaced(ledger):
    first = Calibration(
        line=1, liquid="soda", flow_ml_s=5.0, lag_s=0.05, u_flow_ml_s=0.01, u_lag_s=0.01, cov_flow_lag=0.0
    )
    second = Calibration(
        line=1, liquid="soda", flow_ml_s=5.1, lag_s=0.05, u_flow_ml_s=0.01, u_lag_s=0.01, cov_flow_lag=0.0
    )
    ledger.add_calibration(first)
    ledger.add_calibration(second)
    assert ledger.calibrations(1) == (first, second)
    assert ledger.calibrations(2) == ()


def test_history_is_newest_first_and_limited(ledger):
    for number in range(5):
        ledger.begin(Intent(operation=f"a{number}", kind=OperationKind.PRIME, asked_wall_s=number))
    assert [entry.operation for entry in all_of(ledger.past.page(HistoryQuery(limit=2)))] == ["a4", "a3"]


def test_one_process_alone_holds_the_file_and_nothing_is_shared_beside_it(path, monkeypatch):
    """The shared index of the write-ahead log would be written to the card again and again."""
    monkeypatch.setattr(sqlite3, "connect", partial(sqlite3.connect, timeout=0.05))
    ledger = Ledger(path)
    begin(ledger)
    assert {one.name for one in path.parent.iterdir()} == {path.name, f"{path.name}-wal", "ledger.check"}
    with pytest.raises(RecordError, match="locked"):
        Ledger(path)
    ledger.close()
    Ledger(path).close()


def test_a_newer_schema_is_refused_and_left_alone(path):
    Ledger(path).close()
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA user_version = 99")
    path.with_suffix(".check").unlink()  # a program that writes it keeps its checksums right
    with pytest.raises(RecordError, match="schema version 99"):
        Ledger(path)
    with sqlite3.connect(path) as again:
        assert again.execute("PRAGMA user_version").fetchone() == (99,)
    again.close()


def test_a_file_that_is_no_ledger_is_kept_and_a_new_one_begun(path):
    path.write_text("orchard fete\n" * 400)
    ledger = Ledger(path)
    assert "is damaged (file is not a database); it is kept as" in ledger.damage[0]
    begin(ledger)
    ledger.close()
    assert path.with_name(f"{path.name}.damaged-1").read_text() == "orchard fete\n" * 400


def grams_of(weighings):
    return [one.grams for one in weighings]


def test_weighings_stay_open_until_settled_and_a_corrected_one_replaces_the_first(ledger):
    begin(ledger, "t1")
    first = Weighing(operation="t1", line=1, on_s=10.0, grams=48.0, u_grams=0.05, wall_s=1.0, liquid="soda")
    corrected = msgspec.structs.replace(first, grams=49.0, wall_s=2.0)
    from_file = Weighing(
        operation=None, line=1, on_s=5.0, grams=24.0, u_grams=0.3, wall_s=3.0, liquid="soda",
        step_g=1.0, factor=1.002, u_factor=0.005,
    )  # fmt: skip
    other_line = msgspec.structs.replace(from_file, line=2)
    other_liquid = msgspec.structs.replace(from_file, liquid="apple juice")
    ledger.weigh([first])
    ledger.weigh([corrected, from_file, other_line, other_liquid])
    kept = ledger.open_weighings(1, liquid="soda")
    assert [msgspec.structs.replace(one, seq=0) for one in kept] == [corrected, from_file]
    ledger.settle_weighings(1, "soda", accepted=True)
    assert ledger.open_weighings(1, liquid="soda") == ()
    assert ledger.open_weighings(1, liquid="apple juice") == ()
    assert len(ledger.open_weighings(2, liquid="soda")) == 1


def test_a_struck_weighing_stays_on_record_and_is_restored(ledger):
    rows = [
        Weighing(operation=None, line=1, on_s=5.0, grams=grams, u_grams=0.05, wall_s=1.0, liquid="soda")
        for grams in (24.0, 496.0, 25.0)
    ]
    ledger.weigh(rows)
    wrong = ledger.open_weighings(1, liquid="soda")[1]
    ledger.strike([wrong.seq], struck=True)
    assert [one.is_struck for one in ledger.open_weighings(1, liquid="soda")] == [False, True, False]
    ledger.strike([wrong.seq], struck=False)
    assert not any(one.is_struck for one in ledger.open_weighings(1, liquid="soda"))
    ledger.strike([wrong.seq], struck=True)
    ledger.settle_weighings(1, "soda", accepted=True)
    assert grams_of(ledger.weighings_behind(1, "soda")) == [24.0, 25.0]


def test_what_a_calibration_was_accepted_from_is_kept_with_it(ledger):
    def weigh(liquid, grams, purpose="calibration"):
        ledger.weigh(
            [
                Weighing(
                    operation=None, line=1, on_s=5.0, grams=grams, u_grams=0.05, wall_s=1.0, liquid=liquid,
                    purpose=purpose,
                )
            ]
        )  # fmt: skip

    weigh("soda", 24.0)
    ledger.settle_weighings(1, "soda", accepted=True)
    weigh("soda", 24.5, "spot check")
    weigh("soda", 31.0)
    ledger.settle_weighings(1, "soda", accepted=False)  # thrown away: nothing else changes
    assert grams_of(ledger.weighings_behind(1, "soda")) == [24.0]
    assert grams_of(ledger.open_weighings(1, "spot check", liquid="soda")) == [24.5]
    weigh("apple juice", 25.0)
    ledger.settle_weighings(1, "apple juice", accepted=True)
    assert ledger.open_weighings(1, "spot check", liquid="soda") == ()
    weigh("soda", 23.0)
    ledger.settle_weighings(1, "soda", accepted=True)
    assert grams_of(ledger.weighings_behind(1, "soda")) == [23.0]
    assert grams_of(ledger.weighings_behind(1, "apple juice")) == [25.0]
    assert ledger.weighings_behind(2, "soda") == ()
