"""The journal's files: what is written comes back whole, and what was lost or altered shows."""

import os
import shutil
import subprocess
import sys
import textwrap
from hashlib import blake2b
from pathlib import Path

import pytest

from controller.errors import RecordError
from controller.ledger import journal as journal_module
from controller.ledger.journal import FileJournal, MemoryJournal
from controller.ledger.journal_reading import read_at
from controller.ledger.journal_segment import head_line
from controller.model.messages import JournalHead

FIRST, SECOND = "journal-0000000001.log", "journal-0000000005.log"


@pytest.fixture(params=["file", "memory"])
def journal(request, tmp_path):
    made = FileJournal(tmp_path) if request.param == "file" else MemoryJournal()
    yield made
    made.close()


def filled(folder: Path) -> Path:
    """Two segments: entries 1 to 4, and 5 to 8."""
    journal = FileJournal(folder)
    for number in range(1, 9):
        (journal.begin if number in (1, 5) else journal.append)(b'["entry %d"]' % number)
    journal.close()
    return folder


def opened(folder: Path):
    """Numbers and damage as the next guard finds them."""
    journal = FileJournal(folder)
    found = journal.read()
    journal.close()
    return [entry.number for entry in found.entries], found.damage


def test_entries_come_back_in_order(journal):
    assert (journal.read().entries, journal.read().is_complete) == ((), False)
    journal.begin(b"[1]")
    journal.append(b"[2,3]")
    assert journal.head.number == 2
    if isinstance(journal, FileJournal):
        journal.close()
        journal = FileJournal(journal._folder)
    found = journal.read()
    assert [(entry.number, entry.body) for entry in found.entries] == [(1, b"[1]"), (2, b"[2,3]")]
    assert (found.damage, found.is_complete) == ((), True)
    assert journal.head == found.entries[-1].head
    journal.close()


def test_reading_begins_at_the_last_checkpoint(journal):
    for write, body in ((journal.begin, b"[1]"), (journal.append, b"[2]"), (journal.begin, b"[3]")):
        write(body)
    journal.append(b"[4]")
    if isinstance(journal, FileJournal):
        journal.close()
        journal = FileJournal(journal._folder)
    assert [entry.body for entry in journal.read().entries] == [b"[3]", b"[4]"]
    journal.close()


def test_the_chain_can_be_followed_with_a_hash_function_alone(tmp_path):
    """RFC 7693 by hashlib: the hash of an entry covers the one before, its number and its body."""
    filled(tmp_path)
    before = b"0" * 16
    for name in (FIRST, SECOND):
        for line in (tmp_path / name).read_bytes().splitlines()[1:]:
            mark, number, body = line.split(b" ", 2)
            assert mark == blake2b(before + b" " + number + b" " + body, digest_size=8).hexdigest().encode()
            before = mark
    assert (tmp_path / "journal.head").read_bytes().split()[:2] == [b"%020d" % 8, before]


def test_segments_that_are_put_away_are_never_touched_again(tmp_path):
    filled(tmp_path)
    first = tmp_path / FIRST
    before = first.read_bytes(), first.stat().st_mtime_ns
    journal = FileJournal(tmp_path)
    journal.append(b"[]")
    journal.begin(b"[]")
    journal.close()
    assert (first.read_bytes(), first.stat().st_mtime_ns) == before
    first.unlink()
    assert opened(tmp_path) == ([10], ())
    assert "entries 1 to 4 are not there" in read_at(tmp_path).damage[0]


def test_a_segment_is_long_when_it_has_its_bytes(tmp_path, monkeypatch):
    monkeypatch.setattr(journal_module, "SEGMENT_BYTES", 200)
    journal = FileJournal(tmp_path)
    journal.begin(b"[]")
    assert not journal.is_long
    while not journal.is_long:
        journal.append(b"[]")
    assert (tmp_path / FIRST).stat().st_size >= 200
    journal.begin(b"[]")
    assert not journal.is_long
    journal.close()


# --- damage to one file


def every_damage(data: bytes):
    """What one file may come to: bits flipped, cut, emptied, deleted, zeros behind or instead of its end."""
    for at in range(0, len(data), 3):
        yield f"bit flipped in byte {at}", data[:at] + bytes([data[at] ^ (1 << at % 8)]) + data[at + 1 :]
    for at in range(0, len(data), 17):
        yield f"cut at {at}", data[:at]
        yield f"zeros from {at}", data[:at] + bytes(len(data) - at)
    yield "deleted", None


@pytest.mark.parametrize("name", [SECOND, "journal.head", FIRST])
def test_damage_to_any_one_file_is_without_effect_or_reported(tmp_path, name):
    filled(tmp_path)
    before = opened(tmp_path)
    assert before == ([5, 6, 7, 8], ())
    kept = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    found = set()
    for what, data in every_damage(kept[name]):
        for one, content in kept.items():
            (tmp_path / one).write_bytes(content)
        (tmp_path / name).unlink() if data is None else (tmp_path / name).write_bytes(data)
        numbers, damage = opened(tmp_path)
        assert damage or (numbers, damage) == before, what
        found.add(bool(damage))
    assert found == {name == SECOND}, "of the others none is needed"


def test_an_older_copy_of_any_one_file_is_without_effect_or_reported(tmp_path):
    journal = FileJournal(tmp_path / "journal")
    copies: list[dict[str, bytes]] = [{}]
    for number in range(1, 13):
        (journal.begin if number in (1, 5, 9) else journal.append)(b"[%d]" % number)
        copies.append({path.name: path.read_bytes() for path in journal._folder.iterdir()})
    journal.close()
    last = copies.pop()
    for number, older in enumerate(copies):
        for name in last:
            folder = tmp_path / f"{number}-{name}"
            shutil.copytree(tmp_path / "journal", folder)
            (folder / name).unlink()
            if name in older:
                (folder / name).write_bytes(older[name])
            numbers, damage = opened(folder)
            assert damage or numbers == [9, 10, 11, 12], (number, name)
            assert bool(damage) == (name == "journal-0000000009.log")


def test_no_number_is_given_twice_after_damage(tmp_path):
    filled(tmp_path)
    path = tmp_path / SECOND
    path.write_bytes(path.read_bytes()[:-10])
    journal = FileJournal(tmp_path)
    assert "up to 8 none can be read after 7" in journal.read().damage[0]
    with pytest.raises(RecordError, match="checkpoint only"):
        journal.append(b"[]")
    journal.begin(b"[]")
    assert journal.head.number == 9
    journal.close()
    assert opened(tmp_path) == ([9], ())
    assert "entries 8 to 8 are not there" in read_at(tmp_path).damage[0]


def test_damage_comes_back_until_a_checkpoint_has_followed_it(tmp_path):
    filled(tmp_path)
    (tmp_path / SECOND).unlink()
    assert opened(tmp_path)[1] == opened(tmp_path)[1] != ()


# --- what others were told of


def test_it_holds_what_it_wrote_and_nothing_else(tmp_path):
    filled(tmp_path)
    journal = FileJournal(tmp_path)
    heads = [JournalHead(number=entry.number, hash=entry.hash) for entry in read_at(tmp_path).entries]
    assert all(map(journal.holds, heads))
    assert not any(journal.holds(JournalHead(number=head.number, hash="f" * 16)) for head in heads)
    assert not journal.holds(JournalHead(number=9, hash=heads[-1].hash))
    (tmp_path / FIRST).unlink()
    assert all(map(journal.holds, heads)), "what was put away cannot be held against it"
    journal.close()


def test_a_new_journal_holds_nothing_of_the_one_before(tmp_path):
    old = filled(tmp_path / "old")
    told = FileJournal(old).head
    new = filled(tmp_path / "new")
    with_other_bodies = FileJournal(new)
    with_other_bodies.append(b'["something else"]')
    assert with_other_bodies.holds(told)  # the same entries as yet
    shutil.rmtree(new)
    again = FileJournal(new)
    for number in range(20):
        (again.append if number else again.begin)(b"[%d]" % number)
    assert not again.holds(told)


# --- power cuts, full disks, kills


def test_every_torn_write_leaves_a_prefix(tmp_path):
    """The present segment cut at any byte behind what others have been told of, as a power cut may leave it."""
    filled(tmp_path)
    data, head = (tmp_path / SECOND).read_bytes(), (tmp_path / "journal.head").read_bytes()
    journal = FileJournal(tmp_path)
    journal.append(b'["under way"]')
    journal.close()
    longer = (tmp_path / SECOND).read_bytes()
    for cut in range(len(data), len(longer) + 1):
        (tmp_path / SECOND).write_bytes(longer[:cut])
        (tmp_path / "journal.head").write_bytes(head)
        assert opened(tmp_path) == ([5, 6, 7, 8] + [9] * (cut == len(longer)), ())
        journal = FileJournal(tmp_path)
        journal.append(b"[]")
        journal.close()
        assert opened(tmp_path) == ([5, 6, 7, 8, 9] + [10] * (cut == len(longer)), ())


def test_damage_shows_after_a_power_cut_too_when_the_last_entrys_name_is_older(tmp_path):
    """A write that was broken off leaves no end of a line: only what hides that one end passes for a broken write."""
    fifth = next(one for one in read_at(filled(tmp_path)).entries if one.number == 5)
    data, older = (tmp_path / SECOND).read_bytes(), head_line(fifth.head)
    hidden = []
    for at in range(data.index(b"\n") + 1, len(data)):
        (tmp_path / SECOND).write_bytes(data[:at] + bytes([data[at] ^ 4]) + data[at + 1 :])
        (tmp_path / "journal.head").write_bytes(older)
        numbers, damage = opened(tmp_path)
        if not damage:
            hidden.append((at - len(data), numbers))
    assert hidden == [(-1, [5, 6, 7])]


@pytest.mark.parametrize("left", [b"", b"tundish-journal 2 8", bytes(512)])
def test_a_segment_that_was_only_begun_is_as_if_it_had_not(tmp_path, left):
    filled(tmp_path)
    torn = tmp_path / "journal-0000000009.log"
    torn.write_bytes(left)
    assert opened(tmp_path) == ([5, 6, 7, 8], ())
    assert not torn.exists()
    for path in tmp_path.iterdir():
        path.unlink()
    (tmp_path / FIRST).write_bytes(left)
    assert opened(tmp_path) == ([], ())


def test_a_full_disk_is_a_record_error_and_nothing_is_half_written(tmp_path, monkeypatch):
    filled(tmp_path)
    journal = FileJournal(tmp_path)

    def half(descriptor, data, at):
        write(descriptor, data[: len(data) // 2], at)
        raise OSError(28, "No space left on device")

    write = os.pwrite
    monkeypatch.setattr(os, "pwrite", half)
    with pytest.raises(RecordError, match=r"No space left.*Nothing is pumped"):
        journal.append(b'["does not fit in any more"]')
    with pytest.raises(RecordError, match="No space left"):
        journal.begin(b"[]")
    monkeypatch.undo()
    assert not (tmp_path / "journal-0000000009.log").exists()
    journal.append(b"[9]")
    journal.close()
    assert opened(tmp_path) == ([5, 6, 7, 8, 9], ())


def test_a_newer_format_is_refused_with_a_way_out(tmp_path):
    filled(tmp_path)
    newer = b"tundish-journal 3 4 0123456789abcdef"
    check = blake2b(newer, digest_size=8).hexdigest().encode()
    (tmp_path / SECOND).write_bytes(newer + b" " + check + b"\nanything\n")
    with pytest.raises(RecordError, match="newer version"):
        FileJournal(tmp_path)


def test_a_folder_that_cannot_be_made_is_refused(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(RecordError, match="Nothing is pumped"):
        FileJournal(tmp_path / "file" / "journal")


def test_two_guards_cannot_write_the_same_journal(tmp_path):
    journal = FileJournal(tmp_path)
    with pytest.raises(RecordError, match="another guard"):
        FileJournal(tmp_path)
    journal.close()
    FileJournal(tmp_path).close()


def test_an_appended_entry_survives_sigkill(tmp_path):
    code = textwrap.dedent("""
        import os, signal, sys
        from pathlib import Path
        from controller.ledger.journal import FileJournal
        journal = FileJournal(Path(sys.argv[1]))
        journal.begin(b"[0]")
        for number in range(1, 50):
            journal.append(b"[%d]" % number)
        os.kill(os.getpid(), signal.SIGKILL)
    """)
    done = subprocess.run([sys.executable, "-c", code, str(tmp_path)], check=False, timeout=60)
    assert done.returncode == -9
    assert [entry.body for entry in read_at(tmp_path).entries] == [b"[%d]" % number for number in range(50)]


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write everywhere")
def test_a_read_only_folder_is_refused(tmp_path):
    filled(tmp_path)
    tmp_path.chmod(0o500)
    (tmp_path / "journal.head").chmod(0o400)
    try:
        with pytest.raises(RecordError):
            FileJournal(tmp_path)
    finally:
        tmp_path.chmod(0o700)
