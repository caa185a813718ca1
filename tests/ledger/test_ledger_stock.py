"""Containers and lines on record: what is drawn from what, and what is never overwritten."""

import sqlite3
from typing import Literal

import pytest

from controller.errors import RecordError
from controller.ledger.records import Container, Intent, LineNote, Spread
from controller.ledger.schema import SCHEMA_VERSION
from controller.ledger.store import Ledger
from controller.model.messages import Delivery
from controller.model.requests import UsageQuery
from controller.model.states import OperationKind, Outcome
from tests.ledger.ledger_parts import all_of


@pytest.fixture
def ledger():
    opened = Ledger(":memory:")
    yield opened
    opened.close()


def hang(ledger, line=1, liquid="soda", remaining_ml=1000.0, at_s=900.0, **more):
    container = Container(
        line=line, liquid=liquid, container_ml=1000.0, remaining_ml=remaining_ml, opened_wall_s=at_s, hung_wall_s=at_s,
        **more,
    )  # fmt: skip
    note = LineNote(wall_s=at_s, line=line, event="container", text=f"{liquid} hung", person="Ada")
    ledger.stock.hang(container, note)
    return container


def end(ledger, name, liquid="soda", *, outcome=Outcome.DONE, spreads=None, kind=OperationKind.SERVE):
    ledger.begin(Intent(operation=name, kind=kind, asked_wall_s=1000.0))
    one = Delivery(line=1, liquid=liquid, asked_ml=50.0, delivered_ml=49.0, worst_ml=52.0, on_s=10.0)
    ledger.end(name, outcome, "", [one], wall_s=1010.0, spreads=spreads)


@pytest.mark.parametrize("liquid", ["air", "cleaner", "rinse water"])
def test_what_is_drawn_beside_the_container_takes_nothing_from_it(ledger, liquid):
    hang(ledger)
    end(ledger, "a1", liquid, kind=OperationKind.RINSE)
    assert ledger.containers()[1].remaining_ml == 1000.0


def test_a_container_comes_back_as_it_was_hung_and_the_one_before_stays_on_record(ledger):
    first = hang(ledger, is_known=False, u_fill_ml=7.5, tare_g=210.0)
    assert ledger.containers() == {1: first}
    second = hang(ledger, liquid="perry", at_s=950.0)
    assert ledger.containers() == {1: second}
    rows = ledger.all("SELECT liquid, hung_wall_s, taken_wall_s FROM container ORDER BY seq")
    assert rows == [("soda", 900.0, 950.0), ("perry", 950.0, None)]
    assert [note.text for note in all_of(ledger.notes.between(0.0, 2000.0))] == ["soda hung", "perry hung"]


def test_spreads_add_up_until_somebody_looks(ledger):
    hang(ledger, u_fill_ml=3.0)
    for name in ("a1", "a2"):
        end(ledger, name, spreads={1: Spread(shared_ml=2.0, random_ml=1.0)})
    container = ledger.containers()[1]
    assert (container.remaining_ml, container.u_ml) == pytest.approx((902.0, (9.0 + 16.0 + 2.0) ** 0.5))
    ledger.stock.correct(1, 880.0, 1.5, 200.0, LineNote(wall_s=2.0, line=1, event="stock", text="weighed"))
    container = ledger.containers()[1]
    assert (container.remaining_ml, container.u_ml, container.tare_g) == (880.0, 1.5, 200.0)
    ledger.stock.correct(1, 0.0, 0.0, None, LineNote(wall_s=3.0, line=1, event="stock", text="empty"))
    assert ledger.containers()[1].tare_g == 200.0


def test_an_end_that_cannot_be_booked_changes_nothing(ledger):
    hang(ledger)
    ledger.begin(Intent(operation="a1", kind=OperationKind.SERVE, asked_wall_s=1000.0))
    twice = Delivery(line=1, liquid="soda", asked_ml=5.0, delivered_ml=5.0, worst_ml=5.0, on_s=1.0)
    with pytest.raises(RecordError):
        ledger.end("a1", Outcome.DONE, "", [twice, twice], wall_s=1010.0)
    assert ledger.entry("a1").outcome is None
    assert ledger.containers()[1].remaining_ml == 1000.0
    assert all_of(ledger.past.usage(UsageQuery())) == ()


def test_notes_are_found_by_line_and_kind_and_never_change(ledger):
    told: list[tuple[float, int, Literal["contents", "cleaned"]]] = [
        (1.0, 1, "contents"),
        (2.0, 2, "contents"),
        (3.0, 1, "cleaned"),
        (4.0, 1, "contents"),
    ]
    for at_s, line, event in told:
        ledger.notes.add(LineNote(wall_s=at_s, line=line, event=event, text=f"at {at_s:g}"))
    assert ledger.notes.latest(1, "contents").text == "at 4"
    assert ledger.notes.latest(1, "cleaned").text == "at 3"
    assert ledger.notes.latest(3, "contents") is None
    assert [note.wall_s for note in all_of(ledger.notes.between(2.0, 4.0))] == [2.0, 3.0]


def test_one_sequence_of_a_kind_and_line_is_open_and_survives_a_restart(tmp_path):
    path = tmp_path / "ledger.db"
    first = Ledger(path)
    first.sequences.begin("change", 3, '{"a":1}', wall_s=5.0)
    with pytest.raises(RecordError):
        first.sequences.begin("change", 3, "{}", wall_s=6.0)
    first.sequences.begin("change", 4, "{}", wall_s=6.0)
    first.close()
    again = Ledger(path)
    opened = again.sequences.open("change", "close")
    assert [(one.kind, one.line, one.body) for one in opened] == [("change", 3, '{"a":1}'), ("change", 4, "{}")]
    again.sequences.update(opened[0].seq, '{"a":2}')
    again.sequences.end(opened[1].seq, "done", wall_s=9.0)
    assert [one.body for one in again.sequences.open("change", "close")] == ['{"a":2}']
    again.sequences.begin("change", 4, "{}", wall_s=10.0)
    again.close()


def test_small_pages_and_the_schema_version_stand_in_the_file(tmp_path):
    path = tmp_path / "ledger.db"
    Ledger(path).close()
    with sqlite3.connect(path) as db:
        assert db.execute("PRAGMA user_version").fetchone() == (SCHEMA_VERSION,)
        assert db.execute("PRAGMA page_size").fetchone() == (512,)
    db.close()
