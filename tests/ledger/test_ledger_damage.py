"""Damage to any one file of the engine's folder is without effect or reported; what is readable is kept."""

import shutil
import subprocess
import sys

import pytest

from controller.cli.backup.files import RECORDS, take_ledger
from controller.errors import RecordError
from controller.ledger import database
from controller.ledger.check_file import CheckFile
from controller.ledger.records import Intent, LineNote
from controller.ledger.store import Ledger
from controller.model.messages import JournalHead
from controller.model.requests import HistoryQuery
from controller.model.states import OperationKind
from tests.ledger.ledger_parts import all_of

NAME, CHECK, LOG = "ledger.db", "ledger.check", "ledger.db-wal"


def begin(ledger: Ledger, number: int) -> None:
    ledger.begin(
        Intent(operation=f"op{number}", kind=OperationKind.SERVE, asked_wall_s=1e9 + number, recipe="Orchard Fizz")
    )


def left_running(folder, count: int = 12):
    """A folder as a kill leaves it: one checkpoint, then more in the write-ahead log."""
    made = folder / "made"
    made.mkdir()
    ledger = Ledger(made / NAME)
    for number in range(count):
        if number == count // 2:
            ledger.close()
            ledger = Ledger(made / NAME)
        begin(ledger, number)
    shutil.copytree(made, folder / "left")
    ledger.close()
    return folder / "left"


def found(folder):
    """What the next engine finds: operations, changes, damage."""
    ledger = Ledger(folder / NAME)
    try:
        operations = [one.operation for one in all_of(ledger.past.page(HistoryQuery()))]
        return operations, ledger.damage
    finally:
        ledger.close()


def every_damage(data: bytes, step: int):
    for at in range(0, len(data), step):
        yield f"bit {at % 8} flipped in byte {at}", data[:at] + bytes([data[at] ^ (1 << at % 8)]) + data[at + 1 :]
    for at in range(0, len(data), 8 * step):
        yield f"cut at {at}", data[:at]
    yield "deleted", None


@pytest.mark.parametrize(("name", "step"), [(NAME, 101), (LOG, 53), (CHECK, 3)])
def test_damage_to_any_one_file_is_without_effect_or_reported(tmp_path, name, step):
    left = left_running(tmp_path)
    shutil.copytree(left, tmp_path / "sound")
    whole = found(tmp_path / "sound")
    assert (len(whole[0]), whole[1]) == (12, ())
    reported = 0
    for what, data in every_damage((left / name).read_bytes(), step):
        folder = tmp_path / "damaged"
        shutil.copytree(left, folder)
        (folder / name).unlink() if data is None else (folder / name).write_bytes(data)
        operations, damage = found(folder)
        assert damage or operations == whole[0], what
        reported += bool(damage)
        assert name != CHECK or not damage, what
        shutil.rmtree(folder)
    assert bool(reported) == (name != CHECK)


def test_an_older_copy_of_any_one_file_is_without_effect_or_reported(tmp_path):
    older, left = tmp_path / "older", left_running(tmp_path)
    (tmp_path / "first").mkdir()
    older = left_running(tmp_path / "first", 4)
    for name in (NAME, LOG, CHECK):
        folder = tmp_path / f"with older {name}"
        shutil.copytree(left, folder)
        shutil.copy(older / name, folder / name)
        operations, damage = found(folder)
        assert bool(damage) == (name == LOG), name  # the log has every page that has changed since the older copy
        assert damage or len(operations) == 12


def test_a_ledger_opens_whatever_is_flipped_where_its_check_file_is_behind(tmp_path):
    """Checksums may be older than the ledger then, so SQLite's own check and the names of the columns are asked."""
    left = left_running(tmp_path)
    check = CheckFile(left / NAME, database.PAGE_BYTES)
    assert check.changes is not None
    check.note(check.changes - 1)
    check.close()
    data, reported = (left / NAME).read_bytes(), 0
    for at in range(0, len(data), 113):
        folder = tmp_path / "damaged"
        shutil.copytree(left, folder)
        (folder / NAME).write_bytes(data[:at] + bytes([data[at] ^ 4]) + data[at + 1 :])
        operations, damage = found(folder)
        assert damage or len(operations) == 12, at
        reported += bool(damage)
        shutil.rmtree(folder)
    assert reported > 10


def test_damage_comes_back_until_what_follows_from_it_is_on_record(tmp_path):
    left = left_running(tmp_path)
    (left / LOG).write_bytes(b"")
    for start in range(2):
        ledger = Ledger(left / NAME)
        assert "the last 6 changes are lost" in ledger.damage[0]
        begin(ledger, 77 + start)
        killed = tmp_path / f"killed {start}"
        shutil.copytree(left, killed)
        ledger.close()
        (killed / LOG).unlink()
        left = killed
    ledger = Ledger(left / NAME)
    ledger.doubt_damage(wall_s=0.0)
    ledger.close()
    assert found(left)[1] == ()


def test_an_unusable_ledger_is_kept_and_a_new_one_begun(tmp_path):
    left = left_running(tmp_path)
    (left / NAME).write_bytes(b"no database, whatever its name says" * 40)
    ledger = Ledger(left / NAME)
    assert "it is kept as ledger.db.damaged-1, and a new ledger is begun" in ledger.damage[-1]
    assert all_of(ledger.past.page(HistoryQuery())) == ()
    begin(ledger, 1)
    ledger.doubt_damage(wall_s=0.0)
    ledger.close()
    assert (left / "ledger.db.damaged-1").exists()
    assert found(left) == (["op1"], ())


def test_a_version_that_seems_newer_because_of_damage_is_damage(tmp_path):
    left = left_running(tmp_path)
    (left / LOG).unlink()
    data = bytearray((left / NAME).read_bytes())
    data[62] ^= 1  # user_version stands at 60: https://www.sqlite.org/fileformat2.html#user_version_number
    (left / NAME).write_bytes(data)
    assert found(left)[1]


def test_a_checkpoint_broken_off_at_any_step_is_no_damage(tmp_path, monkeypatch):
    left = left_running(tmp_path)
    monkeypatch.setattr(database, "LOG_BYTES", 0)
    steps = ["take", "pages_in_log"]
    for step in steps:
        folder = tmp_path / step
        shutil.copytree(left, folder)
        ledger = Ledger(folder / NAME)

        def fail(*_: object) -> None:
            raise OSError(5, "Input/output error")

        monkeypatch.setattr(CheckFile, step, fail)
        with pytest.raises(RecordError, match="Input/output error"):
            begin(ledger, 99)
        shutil.copytree(folder, tmp_path / f"after {step}")
        monkeypatch.undo()
        monkeypatch.setattr(database, "LOG_BYTES", 0)
        ledger.close()
        operations, damage = found(tmp_path / f"after {step}")
        assert (operations[0], damage) == ("op99", ())


def test_checkpoints_happen_by_themselves_and_the_log_stays_short(tmp_path):
    ledger = Ledger(tmp_path / NAME)
    longest = 0
    for number in range(400):
        begin(ledger, number)
        longest = max(longest, (tmp_path / LOG).stat().st_size)
    ledger.close()
    assert 0.9 * database.LOG_BYTES < longest < 1.1 * database.LOG_BYTES
    assert len(found(tmp_path)[0]) == 50  # a page of them


def test_while_a_drink_pours_nothing_waits_for_the_disk_and_nothing_is_lost(tmp_path):
    ledger = Ledger(tmp_path / NAME)
    ledger.wait_for_disk(False)
    ledger.notes.add(LineNote(wall_s=1.0, line=1, event="stock", text="weighed"))
    assert ledger.one("PRAGMA synchronous") == (1,)
    ledger.wait_for_disk(True)
    assert ledger.one("PRAGMA synchronous") == (2,)
    begin(ledger, 1)
    ledger.close()


def test_what_the_engine_was_told_is_kept_with_whatever_is_recorded_next(tmp_path):
    ledger = Ledger(tmp_path / NAME)
    head = JournalHead(number=41, hash="0123456789abcdef")
    ledger.note_guard_head(head)
    begin(ledger, 1)
    ledger.close()
    ledger = Ledger(tmp_path / NAME)
    assert ledger.guard_head == head
    anew = JournalHead(number=2, hash="f" * 16)
    ledger.note_guard_head(anew)
    ledger.close()
    ledger = Ledger(tmp_path / NAME)
    assert ledger.guard_head == anew  # a guard that has begun anew: at once
    ledger.close()


@pytest.mark.parametrize("ending", ["", "import os; os._exit(0)", "raise SystemExit(1)"])
def test_a_process_that_ends_without_closing_it_leaves_no_damage(tmp_path, ending):
    code = f"""
from pathlib import Path
from controller.ledger.records import Intent
from controller.ledger.store import Ledger
ledger = Ledger(Path({str(tmp_path / NAME)!r}))
ledger.begin(Intent(operation="op1", kind="serve", asked_wall_s=1.0))
{ending}
"""
    subprocess.run([sys.executable, "-c", code], check=False, timeout=60)
    assert found(tmp_path) == (["op1"], ())


def test_a_backup_with_a_damaged_ledger_is_refused_and_not_taken_for_a_new_one(tmp_path):
    left = left_running(tmp_path)
    data = bytearray((left / NAME).read_bytes())
    data[9000] ^= 1
    (left / NAME).write_bytes(data)
    (left / LOG).unlink()
    left.rename(tmp_path / RECORDS)
    with pytest.raises(RecordError, match="not as they were written"):
        take_ledger(tmp_path)
