"""Records of every earlier version are taken over whole: each version has a file here, as its program wrote it.

`versions/` holds ledgers and journals as SQL. A new schema version needs a new file there, and a way up from the last.
"""

import sqlite3
from pathlib import Path

import msgspec
import pytest

from controller.errors import RecordError
from controller.guard.journal_operations import operations_in
from controller.guard.journal_writer import JournalWriter
from controller.ledger import migrations, schema
from controller.ledger.journal import FileJournal
from controller.ledger.journal_reading import read_at
from controller.ledger.store import Ledger
from controller.model.requests import HistoryQuery, UsageQuery
from controller.model.states import Contents, OperationKind
from controller.model.weighing import WeighedDose
from controller.safety.records import Stamped
from tests.ledger.ledger_parts import all_of

VERSIONS = Path(__file__).parent / "versions"
JUICE, CORDIAL = "apple juice", "blackcurrant cordial"


def rebuilt(name, folder, file="records.db"):
    path = folder / file
    database = sqlite3.connect(path)
    database.executescript((VERSIONS / f"{name}.sql").read_text())
    database.close()
    return path


def tables(path):
    database = sqlite3.connect(path)
    rows = database.execute("SELECT type, name, tbl_name, sql FROM sqlite_master ORDER BY name").fetchall()
    sound = (
        database.execute("PRAGMA integrity_check").fetchall(),
        database.execute("PRAGMA foreign_key_check").fetchall(),
    )
    database.close()
    assert sound == ([("ok",)], [])
    return rows


ledgers = pytest.mark.parametrize("version", range(1, schema.SCHEMA_VERSION + 1))


@ledgers
def test_a_ledger_of_every_version_keeps_all_that_was_on_record(tmp_path, version):
    path = rebuilt(f"ledger_v{version}", tmp_path)
    for _ in range(2):  # the second time it is of the present version already
        ledger = Ledger(path)
        entries = all_of(ledger.past.page(HistoryQuery()))
        assert [(one.operation[-1], one.kind, one.recipe, one.times, one.outcome) for one in entries] == [
            ("7", "serve", "Blackcurrant Spritz", 1.0, None),
            ("6", "serve", "Blackcurrant Spritz", 1.0, "stopped"),
            ("5", "serve", "Blackcurrant Spritz", 2.0, "refused"),
            ("4", "serve", "Blackcurrant Spritz", 1.0, "done"),
            ("3", "jog", None, 1.0, "done"),
            ("2", "trial", None, 1.0, "done"),
            ("1", "prime", None, 1.0, "done"),
        ]
        done = entries[3]
        assert [(one.liquid, one.asked_ml, one.delivered_ml, one.worst_ml, one.on_s) for one in done.deliveries] == [
            (JUICE, 90.0, 90.4, 95.0, 18.6),
            (CORDIAL, 25.0, 24.9, 27.0, 4.9),
        ]
        assert (done.asked_wall_s, done.ended_wall_s) == (1_789_000_200.0, 1_789_000_220.0)
        assert [(one.rule, one.asked, one.allowed) for one in entries[2].refusals] == [("run_on", "46.1 s", "45.0 s")]
        assert ledger.operation_of_key("table 4") == "a1b2c3000004"
        assert ledger.open_operations() == ("a1b2c3000007",)
        left = {one.line: (one.liquid, one.container_ml, one.remaining_ml) for one in ledger.containers().values()}
        assert left == {1: (JUICE, 3000.0, 2810.4), 2: (CORDIAL, 700.0, pytest.approx(672.7))}
        assert [(one.flow_ml_s, one.taken_by) for one in ledger.calibrations(1)] == [(4.91, "a maker")]
        counted = [one for one in ledger.open_weighings(1, liquid=JUICE) if not one.is_struck]
        assert [(one.grams, one.u_grams, one.factor, one.u_factor) for one in counted] == [(40.87, 0.05, 1.0, 0.0)]
        assert [one.grams for one in ledger.open_weighings(2, "spot check", liquid=CORDIAL)] == [22.3]
        assert [(one.line, one.is_right, one.remark) for one in ledger.jog_answers()] == [
            (2, True, "turns the right way")
        ]
        poured = {
            one.liquid: (one.doses, one.poured_ml, round(one.other_ml, 6))
            for one in all_of(ledger.past.usage(UsageQuery()))
        }
        assert poured == {JUICE: (1, 90.4, 15 + 39.2 + 40.4), CORDIAL: (1, 24.9, 2.4)}
        ledger.close()


def test_a_struck_weighing_and_the_scale_it_was_read_on_are_kept(tmp_path):
    ledger = Ledger(rebuilt("ledger_v4", tmp_path))
    (struck,) = [one for one in ledger.open_weighings(1, liquid=JUICE) if one.is_struck]
    assert (struck.grams, struck.step_g, struck.u_factor) == (0.0, 1.0, 0.0058)
    ledger.close()


def test_what_a_serving_s_lines_weighed_and_why_one_was_not_weighed_are_kept(tmp_path):
    ledger = Ledger(rebuilt("ledger_v9", tmp_path))
    weighed, unweighed = ledger.entry("a1b2c3000004"), ledger.entry("a1b2c3000006")
    assert weighed is not None and unweighed is not None
    assert weighed.doses == {2: WeighedDose(volume_ml=25.1, u_ml=0.15)}
    assert unweighed.unweighed == "the glass was taken before its weight had settled"
    ledger.close()


def test_orders_and_their_guests_are_kept(tmp_path):
    ledger = Ledger(rebuilt("ledger_v6", tmp_path))
    (failed,), (placed,) = ledger.orders.over(9), ledger.orders.open()
    assert (failed.state, failed.operation, failed.reason) == ("failed", "a1b2c3000006", "stopped by a person")
    assert failed.guest is not None and placed.guest is not None
    assert (failed.guest.name, placed.guest.owner, placed.state) == ("Robin", "", "placed")
    ledger.close()


@ledgers
def test_the_throughput_of_its_lines_is_added_up_from_every_version(tmp_path, version):
    ledger = Ledger(rebuilt(f"ledger_v{version}", tmp_path))
    for line in (1, 2):
        for since_s in (0.0, 1_789_000_100.0, 1_789_000_200.0, 1_789_100_000.0):
            row = ledger.one(
                "SELECT total(delivered_ml), total(on_s) FROM delivery WHERE line = ? AND asked_wall_s >= ?",
                (line, since_s),
            )
            assert ledger.past.throughput(line, since_s) == pytest.approx(row)
    assert ledger.past.throughput(1, 0.0)[0] > 100.0
    ledger.close()


@ledgers
def test_an_upgraded_ledger_has_the_schema_of_a_new_one(tmp_path, version):
    path = rebuilt(f"ledger_v{version}", tmp_path)
    Ledger(path).close()
    Ledger(tmp_path / "new.db").close()
    assert tables(path) == tables(tmp_path / "new.db")


def test_an_upgrade_that_fails_half_way_changes_nothing(tmp_path, monkeypatch):
    path = rebuilt("ledger_v1", tmp_path)
    before = tables(path)

    from_1 = migrations._from_1

    def fail(database):
        from_1(database)
        raise sqlite3.OperationalError("disk I/O error")

    monkeypatch.setattr(migrations, "_from_1", fail)
    with pytest.raises(RecordError, match="disk I/O error"):
        Ledger(path)
    assert tables(path) == before
    monkeypatch.undo()
    Ledger(path).close()


def test_a_ledger_of_a_newer_program_is_left_alone(tmp_path):
    path = tmp_path / "records.db"
    database = sqlite3.connect(path)
    database.execute("CREATE TABLE of_the_future (what)")
    database.execute(f"PRAGMA user_version = {schema.SCHEMA_VERSION + 1}")
    database.commit()
    database.close()
    before = tables(path)
    with pytest.raises(RecordError, match=f"newer.*{schema.SCHEMA_VERSION + 1}"):
        Ledger(path)
    assert tables(path) == before


# --- the guard's journal, which used to be a database

KINDS_OF_1 = {
    "snapshot", "started", "cap_changed", "admitted", "unheld", "refused", "ended", "line", "calibration", "fault",
    "acknowledged", "clock", "note", "lost",
}  # fmt: skip


@pytest.fixture
def database(tmp_path):
    return rebuilt("journal_v1", tmp_path, "journal.db")


def test_a_journal_database_is_understood_to_the_last_record(database):
    reading = read_at(database)
    stamped = [one for entry in reading.entries for one in msgspec.json.decode(entry.body, type=list[Stamped])]
    assert {str(type(one.record).__struct_config__.tag) for one in stamped} == KINDS_OF_1
    told = operations_in(reading)
    assert told.damage == ()
    assert [(one.request[-1], one.refused_by, one.ended and one.ended.outcome) for one in told.operations] == [
        ("1", (), "done"),
        ("4", (), "done"),
        ("5", ("run_on", "serving_time"), None),
        ("7", (), None),
    ]
    assert len(told.operations[1].resumed) == 1
    assert len(told.operations[1].edges) == 6


def test_a_journal_database_is_taken_over_once_and_kept(database):
    before = database.read_bytes()
    for start in range(2):
        journal = FileJournal(database.parent)
        writer = JournalWriter(journal)
        remembered = writer.remember()
        memory = remembered.memory
        assert (remembered.damage, remembered.wants_snapshot) == ("", start == 0)
        assert [(one.line, one.assigned, one.contents) for one in memory.lines] == [
            (1, JUICE, Contents.LIQUID),
            (2, CORDIAL, Contents.UNKNOWN),
        ]
        assert [one.flow_ml_s for one in memory.calibrations] == [4.91]
        assert memory.fault is None
        assert memory.unfinished is not None
        assert memory.unfinished.operation.operation == "a1b2c3000007"
        assert memory.unfinished.operation.kind is OperationKind.SERVE
        assert memory.seen == ("a1b2c3000001", "a1b2c3000004", "a1b2c3000007")
        assert len(memory.servings) == 3  # one poured, one that counts for what was lost, one begun
        writer.take([Stamped(mono_s=memory.mono_s, wall_s=memory.wall_s, record=memory)] if start == 0 else [])
        assert writer.write(0.0, is_urgent=True) is None
        writer.close()
    assert database.read_bytes() == before
    assert len(operations_in(read_at(database.parent)).operations) == 4


@pytest.mark.parametrize(
    ("meddling", "text"),
    [
        ("UPDATE entry SET body = x'00' WHERE seq = 5", "entry 5 does not match its checksum"),
        ("UPDATE entry SET body = 'text' WHERE seq = 5", "entry 5 does not match its checksum"),
        ("DELETE FROM entry WHERE seq = 5", "entries 5 to 5 are missing"),
        ("DROP TABLE entry", "no such table"),
    ],
)
def test_damage_to_a_journal_database_is_reported(database, meddling, text):
    connection = sqlite3.connect(database)
    connection.execute(meddling)
    connection.commit()
    connection.close()
    assert text in JournalWriter(FileJournal(database.parent)).remember().damage


def test_a_file_that_is_no_database_is_reported(database):
    database.write_bytes(b"no database, whatever its name says" * 40)
    assert "cannot be read as a journal" in JournalWriter(FileJournal(database.parent)).remember().damage
