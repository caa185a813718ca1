"""The files of a machine: copied to rest in one folder, checked with this program, put in place of those there."""

import os
import pwd
import shutil
import sqlite3
from contextlib import closing, suppress
from datetime import datetime
from importlib.metadata import version
from itertools import chain, count
from pathlib import Path

from controller.config import load, load_profile
from controller.engine.service import LEDGER, TOKENS
from controller.errors import RecordError, TundishError
from controller.guard.restoring import remembered
from controller.ledger.archive import Listed, copy_at_rest, pack
from controller.ledger.check_file import CheckFile
from controller.ledger.database import PAGE_BYTES
from controller.ledger.store import Ledger
from controller.model.book import Book
from controller.model.profile import Profile

FILES, RECORDS = "files", "records"  # the two folders of a copy
PROFILE, BOOK = "profile.yaml", "book.yaml"
COPIES = "backups"  # in the folder of the records: what upgrades and restores keep
BENCH_MEMORY = "bench.json"  # what a simulated machine's tubes really hold: no more part of a backup than real tubes
JOURNALS = ("journal.db", "journal-*.log")
USERS = {"guard": "tundish-guard", "engine": "tundish-engine"}


def collect(config_dir: Path, state: Path, copy: Path) -> None:
    """Copy all files and records into `copy`, each folder as it was at one instant. OSError."""
    for folder, place, names in ((state, RECORDS, _records(state)), (config_dir, FILES, _files(config_dir))):
        (copy / place).mkdir(mode=0o700, parents=True)
        copy_at_rest(folder, copy / place, names)
    forget_people(copy)


def forget_people(copy: Path) -> None:
    """Take tokens and all that says who ordered what out of a copy: a backup outlasts the event. OSError."""
    folder = _own_folder(copy / RECORDS, "engine")
    # A renewal that was cut off leaves new tokens; a ledger set aside as damaged keeps its guests.
    for pattern in (TOKENS, f".{TOKENS}.new", f"{LEDGER}.damaged-*"):
        for one in folder.glob(pattern):
            one.unlink()
    ledger = folder / LEDGER
    if not ledger.exists():
        return
    with closing(CheckFile(ledger, PAGE_BYTES)) as check:
        is_whole = not check.damage()
    with suppress(sqlite3.DatabaseError), closing(sqlite3.connect(ledger, isolation_level=None)) as db:
        if db.execute("SELECT count(*) FROM sqlite_master WHERE name = 'guest'").fetchone()[0]:
            db.execute("PRAGMA secure_delete = ON")
            db.execute("DELETE FROM guest")
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    if is_whole:
        ledger.with_suffix(".check").unlink(missing_ok=True)  # of the file before the log was moved into it


def _records(state: Path) -> list[str]:
    """The folders of guard and engine; where `tundish up` keeps all in one, its files. Nothing else there is ours."""
    folders = [name for name in USERS if (state / name).is_dir()]
    return folders or [name for name in _files(state) if name != BENCH_MEMORY]


def _files(folder: Path) -> list[str]:
    return [path.name for path in folder.iterdir() if path.is_file()] if folder.is_dir() else []


def free_name(folder: Path, what: str) -> Path:
    """A name in this folder for an archive made now."""
    stamp = f"{what}-{datetime.now():%Y%m%d-%H%M%S}"
    suffixes = chain([""], (f"-{number}" for number in count(2)))
    return next(one for suffix in suffixes if not (one := folder / f"{stamp}{suffix}.tar.gz").exists())


def guard_folder(copy: Path) -> Path:
    """Where the journal is: in the guard's own folder, or beside the ledger as `tundish up` has it."""
    return _own_folder(copy / RECORDS, "guard")


def _own_folder(records: Path, name: str) -> Path:
    return records / name if (records / name).is_dir() else records


def has_records(copy: Path) -> bool:
    """Whether there is a journal."""
    return any(path for pattern in JOURNALS for path in guard_folder(copy).glob(pattern))


def pack_all(copy: Path, archive: Path) -> Listed:
    """Write the copy to an archive, under the name that its profile gives the machine. OSError."""
    try:
        machine = load_profile(copy / FILES / PROFILE)[0].machine
    except TundishError:
        machine = "a machine whose profile cannot be used"
    return pack(copy, archive, program=version("tundish"), machine=machine)


def check(copy: Path) -> tuple[str, ...]:
    """What this program could not take over as it is. The copy is brought up to this version by that."""
    problems: list[str] = []
    for part in (lambda: take_files(copy), lambda: take_ledger(copy)):
        try:
            part()
        except TundishError as error:
            problems.append(str(error))
    try:
        problems += filter(None, [remembered(guard_folder(copy))[1]])
    except RecordError as error:
        problems.append(str(error))
    return tuple(one.replace(f"{copy}/", "") for one in problems)


def take_files(copy: Path) -> tuple[Profile, Book]:
    """Profile and book of the copy. FileProblems."""
    profile, book, _ = load(copy / FILES / PROFILE, copy / FILES / BOOK)
    return profile, book


def take_ledger(copy: Path) -> None:
    """Bring the copy's ledger up to this version, and hold it against its own rules. RecordError."""
    path = _own_folder(copy / RECORDS, "engine") / LEDGER
    if not path.exists():
        return
    with closing(Ledger(path)) as ledger:
        found = [*ledger.damage]
    with closing(sqlite3.connect(path)) as db:
        found += [str(row[0]) for row in db.execute("PRAGMA integrity_check") if row[0] != "ok"]
        found += [f"{row[0]} row {row[1]} refers to nothing" for row in db.execute("PRAGMA foreign_key_check")]
    if found:
        raise RecordError(f"ledger {path} is damaged: {'; '.join(found[:5])}.")


def put_in_place(copy: Path, state: Path, config_dir: Path, replaced: Path) -> None:
    """Move records and files to where they belong, and what was there to `replaced`. OSError.

    The guard's come first: after a power cut in between the engine's ledger does not fit the journal, which the guard
    finds at the engine's hello.
    """
    replaced.mkdir()
    os.sync()
    there = [state / name for name in _records(state)]
    owners = {path.name: (path.stat().st_uid, path.stat().st_gid) for path in there}
    names = {path.name for path in (*there, *(copy / RECORDS).iterdir())}
    for name in sorted(names, key=lambda name: (name != "guard", name)):
        if name in owners:
            (state / name).rename(replaced / name)
        if (copy / RECORDS / name).exists():
            _give(copy / RECORDS / name, owners.get(name) or _service_user(name))
            (copy / RECORDS / name).rename(state / name)
    config_dir.mkdir(parents=True, exist_ok=True)
    for source in sorted((copy / FILES).iterdir()):
        _replace(source, config_dir / source.name)
    os.sync()


def _give(place: Path, owner: tuple[int, int] | None) -> None:
    if owner is not None:
        for path in (place, *place.rglob("*")):
            os.chown(path, *owner)


def _service_user(name: str) -> tuple[int, int] | None:
    try:
        user = pwd.getpwnam(USERS[name])
    except KeyError:
        return None
    return user.pw_uid, user.pw_gid


def _replace(source: Path, place: Path) -> None:
    """In one motion, with the rights that were there; what is new and no YAML may hold secrets."""
    mode = place.stat().st_mode if place.exists() else 0o644 if source.suffix == ".yaml" else 0o600
    copy = place.with_name(f".{place.name}.new")
    shutil.copyfile(source, copy)
    copy.chmod(mode)
    copy.replace(place)
