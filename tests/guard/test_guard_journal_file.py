import os
import shutil
import sqlite3
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest

from controller.errors import RecordError
from controller.ledger.journal import Draft, FileJournal, MemoryJournal


def drafts(*bodies: str, kind: str = "admitted") -> list[Draft]:
    return [Draft(kind=kind, body=body.encode()) for body in bodies]


def bodies(path: Path, since: str = "snapshot") -> list[str]:
    journal = FileJournal(path)
    try:
        return [entry.body.decode() for entry in journal.read(since).entries]
    finally:
        journal.close()


def filled(path: Path, count: int = 6) -> Path:
    journal = FileJournal(path)
    for number in range(count):
        journal.append(1000.0 + number, drafts(f"body {number}", f"more {number}"))
    journal.close()
    return path


def meddle(path: Path, statement: str) -> None:
    connection = sqlite3.connect(path)
    connection.execute(statement)
    connection.commit()
    connection.close()


@pytest.fixture(params=["file", "memory"])
def journal(request, tmp_path):
    made = FileJournal(tmp_path / "journal.db") if request.param == "file" else MemoryJournal()
    yield made
    made.close()


def test_entries_come_back_in_order_with_their_times(journal):
    assert journal.read("snapshot").entries == ()
    journal.append(5.0, drafts("a", "b"))
    journal.append(6.5, drafts("c", kind="ended"))
    found = journal.read("snapshot")
    assert [(e.seq, e.wall_s, e.kind, e.body) for e in found.entries] == [
        (1, 5.0, "admitted", b"a"),
        (2, 5.0, "admitted", b"b"),
        (3, 6.5, "ended", b"c"),
    ]
    assert found.damage == ()


def test_reading_begins_at_the_last_snapshot(journal):
    journal.append(1.0, drafts("old"))
    journal.append(2.0, drafts("s1", kind="snapshot"))
    journal.append(3.0, drafts("s2", kind="snapshot"))
    journal.append(4.0, drafts("new"))
    assert [entry.body for entry in journal.read("snapshot").entries] == [b"s2", b"new"]


def test_it_goes_on_where_it_ended(tmp_path):
    path = filled(tmp_path / "journal.db", 1)
    journal = FileJournal(path)
    journal.append(9.0, drafts("later"))
    found = journal.read("snapshot")
    journal.close()
    assert ([entry.seq for entry in found.entries], found.damage) == ([1, 2, 3], ())


@pytest.mark.parametrize(
    ("statement", "lost", "told"),
    [
        ("UPDATE entry SET body = x'00' WHERE seq = 5", {5}, "entry 5 does not match its checksum"),
        ("UPDATE entry SET wall_s = wall_s + 1 WHERE seq = 5", {5}, "entry 5 does not match its checksum"),
        ("UPDATE entry SET kind = 'ended' WHERE seq = 5", {5}, "entry 5 does not match its checksum"),
        ("DELETE FROM entry WHERE seq = 5", {5}, "entries 5 to 5 are missing"),
        ("DELETE FROM entry WHERE seq BETWEEN 3 AND 7", set(range(3, 8)), "entries 3 to 7 are missing"),
        ("DELETE FROM entry WHERE seq = 1", {1}, "entries 1 to 1 are missing"),
    ],
)
def test_what_was_altered_or_lost_is_reported_and_the_rest_is_read(tmp_path, statement, lost, told):
    path = filled(tmp_path / "journal.db")
    meddle(path, statement)
    journal = FileJournal(path)
    found = journal.read("snapshot")
    journal.close()
    assert [entry.seq for entry in found.entries] == [seq for seq in range(1, 13) if seq not in lost]
    assert len(found.damage) == 1
    assert told in found.damage[0]


def test_entries_exchanged_with_another_journals_do_not_pass(tmp_path):
    path = filled(tmp_path / "journal.db")
    meddle(path, "UPDATE entry SET body = (SELECT body FROM entry WHERE seq = 3) WHERE seq = 5")
    journal = FileJournal(path)
    assert "entry 5" in journal.read("snapshot").damage[0]
    journal.close()


def test_damage_before_the_last_snapshot_does_not_matter(tmp_path):
    path = tmp_path / "journal.db"
    journal = FileJournal(path)
    journal.append(1.0, drafts("a", "b"))
    journal.append(2.0, drafts("sum", kind="snapshot"))
    journal.close()
    meddle(path, "DELETE FROM entry WHERE seq = 1")
    journal = FileJournal(path)
    found = journal.read("snapshot")
    journal.close()
    assert ([entry.body for entry in found.entries], found.damage) == ([b"sum"], ())


@pytest.mark.parametrize("content", [b"", b"this is not a database, whatever its name says" * 40])
def test_a_file_that_is_no_database_is_kept_and_replaced(tmp_path, content):
    path = tmp_path / "journal.db"
    path.write_bytes(content)
    journal = FileJournal(path)
    journal.append(1.0, drafts("a"))
    found = journal.read("snapshot")
    journal.close()
    assert [entry.body for entry in found.entries] == [b"a"]
    if content:
        assert "journal.db.damaged-1" in found.damage[0]
        assert (tmp_path / "journal.db.damaged-1").read_bytes() == content
    else:
        assert found.damage == ()  # an empty file is a new database


def test_every_torn_write_leaves_a_prefix(tmp_path):
    """The write-ahead log cut off at any byte, as a power cut may leave it: whole appends or none."""
    source = tmp_path / "journal.db"
    journal = FileJournal(source)
    for number in range(3):
        journal.append(float(number), drafts(f"first {number}", f"second {number}"))
    wal = source.with_name("journal.db-wal").read_bytes()
    whole = [text for number in range(3) for text in (f"first {number}", f"second {number}")]
    lengths = set()
    for cut in [*range(0, len(wal), 97), len(wal) - 1, len(wal)]:
        folder = tmp_path / f"cut{cut}"
        folder.mkdir()
        shutil.copy(source, folder / "journal.db")
        (folder / "journal.db-wal").write_bytes(wal[:cut])
        found = bodies(folder / "journal.db")
        assert found == whole[: len(found)]
        assert len(found) % 2 == 0
        lengths.add(len(found))
    journal.close()
    assert lengths == {0, 2, 4, 6}


def test_flipped_bytes_never_pass_unseen(tmp_path):
    source = filled(tmp_path / "journal.db", 8)
    data = source.read_bytes()
    whole = bodies(source)
    for at in range(0, len(data), 211):
        path = tmp_path / f"flip{at}" / "journal.db"
        path.parent.mkdir()
        path.write_bytes(data[:at] + bytes([data[at] ^ 0x41]) + data[at + 1 :])
        try:
            journal = FileJournal(path)
        except RecordError:
            continue  # refused as a whole, and said so
        try:
            found = journal.read("snapshot")
        except RecordError:
            continue
        finally:
            journal.close()
        assert found.damage or [entry.body.decode() for entry in found.entries] == whole, at


def test_a_newer_schema_is_refused_with_a_way_out(tmp_path):
    path = filled(tmp_path / "journal.db")
    meddle(path, "PRAGMA user_version = 99")
    with pytest.raises(RecordError, match="newer version"):
        FileJournal(path)


def test_a_folder_that_is_not_there_is_refused(tmp_path):
    with pytest.raises(RecordError, match=r"unable to open database file.*Nothing is pumped"):
        FileJournal(tmp_path / "nowhere" / "journal.db")


def test_a_full_disk_is_a_record_error_and_nothing_is_half_written(tmp_path):
    journal = FileJournal(tmp_path / "journal.db")
    journal.append(1.0, drafts("a"))
    pages = journal._connection.execute("PRAGMA page_count").fetchone()[0]
    journal._connection.execute(f"PRAGMA max_page_count = {pages}")  # SQLite's own way to be full
    with pytest.raises(RecordError, match="full"):
        journal.append(2.0, drafts("x" * 5000, "y" * 5000))
    assert [entry.body for entry in journal.read("snapshot").entries] == [b"a"]
    journal._connection.execute("PRAGMA max_page_count = 100000")
    journal.append(3.0, drafts("b"))
    found = journal.read("snapshot")
    journal.close()
    assert ([entry.body for entry in found.entries], found.damage) == ([b"a", b"b"], ())


def test_what_was_appended_survives_sigkill(tmp_path):
    code = textwrap.dedent("""
        import os, signal, sys
        from pathlib import Path
        from controller.ledger.journal import Draft, FileJournal
        journal = FileJournal(Path(sys.argv[1]))
        for number in range(50):
            journal.append(float(number), [Draft(kind="note", body=str(number).encode())])
        os.kill(os.getpid(), signal.SIGKILL)
    """)
    path = tmp_path / "journal.db"
    done = subprocess.run([sys.executable, "-c", code, str(path)], check=False, timeout=60)
    assert done.returncode == -9
    assert bodies(path) == [str(number) for number in range(50)]


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write everywhere")
def test_a_read_only_folder_is_refused(tmp_path):
    path = filled(tmp_path / "journal.db")
    tmp_path.chmod(0o500)
    try:
        with pytest.raises(RecordError):
            FileJournal(path)
    finally:
        tmp_path.chmod(0o700)
