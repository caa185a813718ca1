"""One SQLite file with its transactions; what cannot be read or written becomes a RecordError."""

import sqlite3
import weakref
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager, suppress
from functools import cache
from pathlib import Path
from typing import Any, TypeVar

import msgspec

from controller.errors import RecordError
from controller.ledger.check_file import CheckFile
from controller.ledger.migrations import bring_up
from controller.ledger.schema import SCHEMA_VERSION
from controller.model.fields import Value
from controller.model.messages import JournalHead

PAGE_BYTES = 512  # a serving touches few rows on many pages, and whole pages are written: small ones spare the card
T = TypeVar("T", bound=Value)

LOG_BYTES = 512 * 1024  # of the write-ahead log, before it is moved into the file


# Fields whose columns have another name, as the first ledgers had them.
_COLUMNS = {"is_known": "told", "is_struck": "struck"}


def columns_of(kind: type[Value]) -> str:
    """The columns that hold a value's fields, in their order."""
    return ", ".join(_COLUMNS.get(name, name) for name in kind.__struct_fields__)


def insert(db: sqlite3.Connection, table: str, value: Value, *, or_replace: bool = False, **more: object) -> None:
    """Put a value's fields into a new row; `more`: other columns, or other content. or_replace: one with its key."""
    row = {_COLUMNS.get(name, name): field for name, field in msgspec.structs.asdict(value).items()} | more
    marks = ", ".join("?" * len(row))
    verb = "INSERT OR REPLACE" if or_replace else "INSERT"
    db.execute(f"{verb} INTO {table} ({', '.join(row)}) VALUES ({marks})", tuple(row.values()))


def value_of(kind: type[T], row: Sequence[Any], **more: object) -> T:
    """A value whose fields, in their order, begin this row; `more` gives further ones."""
    fields = zip(_fields(kind), row, strict=False)
    named = {name: bool(found) if is_bool else found for (name, is_bool), found in fields}
    return msgspec.convert(named | more, kind)


@cache
def _fields(kind: type[Value]) -> tuple[tuple[str, bool], ...]:
    return tuple((one.name, one.type is bool) for one in msgspec.structs.fields(kind))


class Database:
    """The file `path` (":memory:" for none). Every method raises RecordError when the file cannot be used.

    A file that cannot be used any more because it is damaged is renamed and kept, and a new one begun.

    Attributes:
        damage: what was found damaged or lost when it was opened, a sentence each.
        guard_head: the last entry of the guard's journal that the engine has heard of, None when of none.
    """

    def __init__(self, path: Path | str) -> None:
        self._path = str(path)
        self.guard_head: JournalHead | None = None
        self.damage: tuple[str, ...] = ()
        self._changes, self._waits = 0, True
        self._check: CheckFile | None = None
        with self._guarded():
            if self._path != ":memory:":
                self._check = CheckFile(Path(path), PAGE_BYTES)
            altered = self._check.damage() if self._check else ""
            self._db = sqlite3.connect(self._path, isolation_level=None)
            try:
                self._open()
            except (sqlite3.DatabaseError, RecordError, UnicodeError) as failure:
                if not altered and isinstance(failure, sqlite3.OperationalError | RecordError):
                    self._db.close()
                    raise  # full, locked, read-only, of a newer version: nothing is broken
                altered = altered or str(failure)
            else:
                altered = self._unsound() if altered and self._check and self._is_older(self._check) else altered
            if altered:
                self._set_aside(Path(path), altered)
            elif self._check is not None:
                self._compare(self._check)
        # Also at the end of a process that has not closed it: SQLite alone would empty its log and take no checksums.
        self._closing = weakref.finalize(self, _close, self._db, self._check)

    def close(self) -> None:
        """Close the file. May be repeated."""
        self._closing()

    def all(self, sql: str, arguments: tuple[object, ...] = ()) -> list[tuple[Any, ...]]:
        """Every row of a query."""
        with self._guarded():
            return self._db.execute(sql, arguments).fetchall()

    def one(self, sql: str, arguments: tuple[object, ...] = ()) -> tuple[Any, ...] | None:
        """The first row of a query, None when there is none."""
        rows = self.all(sql, arguments)
        return rows[0] if rows else None

    def values(self, kind: type[T], rest: str, *arguments: object) -> tuple[T, ...]:
        """Values of this kind, one for each row; rest: the query from its FROM on."""
        return tuple(value_of(kind, row) for row in self.all(f"SELECT {columns_of(kind)} {rest}", arguments))

    def change(self, sql: str, *arguments: object) -> None:
        """One statement as a transaction."""
        with self.transaction() as db:
            db.execute(sql, arguments)

    @contextmanager
    def transaction(self, *, lazily: bool = False) -> Iterator[sqlite3.Connection]:
        """All that is done within it is on disk when it is left, or nothing of it.

        lazily: for what would follow again by itself: it goes there with the next that waits.
        """
        waits = self._waits and not lazily
        with self._guarded(), self._synchronous(waits):
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield self._db
                if waits:  # what may not be on disk yet is not counted: the mark would be a page more to write
                    head = (self.guard_head.number, self.guard_head.hash) if self.guard_head else (0, "")
                    self._db.execute(
                        "UPDATE mark SET changes = ?, journal_number = ?, journal_hash = ?", (self._changes + 1, *head)
                    )
                self._db.execute("COMMIT")
            except BaseException:
                if self._db.in_transaction:
                    self._db.execute("ROLLBACK")
                raise
            if waits:
                self._changes += 1
                self._noted()

    def _noted(self) -> None:
        """Note beside the file how many changes are on disk: after a power cut that may be behind, never ahead."""
        if self._check is not None and not self.damage:
            self._check.note(self._changes)
            if self._check.log_bytes > LOG_BYTES:
                _checkpoint(self._db, self._check, self._check.pages_in_log())

    def wait_for_disk(self, waits: bool) -> None:
        """Whether a transaction waits until it is on disk, as it should; else it goes there with the next that does.

        While a drink pours nobody may wait for a slow card.
        """
        with self._guarded():
            self._waits = waits
            self._db.execute(f"PRAGMA synchronous = {'FULL' if waits else 'NORMAL'}")

    @contextmanager
    def _synchronous(self, waits: bool) -> Iterator[None]:
        """Whether the transaction within waits for the disk."""
        if waits is self._waits:
            yield
            return
        self._db.execute(f"PRAGMA synchronous = {'FULL' if waits else 'NORMAL'}")
        try:
            yield
        finally:
            self._db.execute(f"PRAGMA synchronous = {'FULL' if self._waits else 'NORMAL'}")

    def empty_log(self) -> None:
        """Move all that is in the write-ahead log into the file, so that nothing forgotten stands there any more."""
        if self._check is not None and not self.damage:
            with self._guarded():
                _checkpoint(self._db, self._check, self._check.pages_in_log())

    def drop_set_aside(self) -> tuple[Path, ...]:
        """Delete ledgers that were set aside as damaged, which may name guests; which ones."""
        path = Path(self._path)
        found = sorted(path.parent.glob(f"{path.name}.damaged-*")) if self._check is not None else []
        with self._guarded():
            for one in found:
                one.unlink()
        return tuple(found)

    def settle_damage(self) -> None:
        """What follows from the damage is on record: it need not be found again at the next start."""
        if self._check is not None and self.damage:
            with self._guarded():
                _checkpoint(self._db, self._check, None)
                self._check.note(self._changes)
        self.damage = ()

    # --- opening

    def _open(self) -> None:
        self._db.execute(f"PRAGMA page_size = {PAGE_BYTES}")
        # One process alone: then the index of the write-ahead log stays in memory and off the card.
        self._db.execute("PRAGMA locking_mode = EXCLUSIVE")
        self._db.execute("PRAGMA journal_mode = WAL")
        self._db.execute("PRAGMA synchronous = FULL")
        self._db.execute("PRAGMA wal_autocheckpoint = 0")
        self._db.execute("PRAGMA secure_delete = ON")  # what is forgotten is overwritten
        self._prepare()
        self._db.execute("PRAGMA foreign_keys = ON")
        self._changes, number, text = self._db.execute("SELECT * FROM mark").fetchone()
        self.guard_head = JournalHead(number=number, hash=text) if number else None

    def _prepare(self) -> None:
        version = self._db.execute("PRAGMA user_version").fetchone()[0]
        if version > SCHEMA_VERSION:
            raise RecordError(
                f"{self._path} was written by a newer Tundish (schema version {version}, this one knows "
                f"{SCHEMA_VERSION}). Use that one, or move the file away to begin a new ledger."
            )
        if version < SCHEMA_VERSION:
            self._db.execute("BEGIN IMMEDIATE")
            try:
                bring_up(self._db, version)
                self._db.execute("COMMIT")
            except BaseException:
                self._db.execute("ROLLBACK")
                raise

    def _is_older(self, check: CheckFile) -> bool:
        """Whether the check file is behind the ledger, so that its checksums may be as well."""
        return check.changes is not None and check.changes < self._changes

    def _unsound(self) -> str:
        """What is wrong by SQLite's own check, or with the tables, where checksums are no witness."""
        wrong = [str(text) for (text,) in self._db.execute("PRAGMA integrity_check(1)") if text != "ok"]
        with closing(sqlite3.connect(":memory:")) as new:
            bring_up(new, 0)
            return wrong[0] if wrong else "" if _columns(new) == _columns(self._db) else "its tables are not its own"

    def _set_aside(self, path: Path, why: str) -> None:
        """Keep a damaged file under another name, and begin anew: right and wrong figures could not be told apart."""
        self._db.close()
        if self._check is not None:
            self._check.close()
        number = 1
        while (kept := path.with_name(f"{path.name}.damaged-{number}")).exists():
            number += 1
        for suffix in ("", "-wal", "-shm"):
            with suppress(FileNotFoundError):
                path.with_name(path.name + suffix).rename(kept.with_name(kept.name + suffix))
        self.damage = (f"{path} is damaged ({why}); it is kept as {kept.name}, and a new ledger is begun",)
        if self._check is not None:
            self._check = CheckFile(path, PAGE_BYTES)
        self._db = sqlite3.connect(self._path, isolation_level=None)
        self._open()

    def _compare(self, check: CheckFile) -> None:
        """Hold the transactions against those that were noted; a ledger of which none was noted is taken as it is."""
        if check.changes is not None and check.changes > self._changes:
            self.damage = (f"{self._path}: the last {check.changes - self._changes} changes are lost",)
        elif check.changes != self._changes:
            _checkpoint(self._db, check, None)
            check.note(self._changes)

    @contextmanager
    def _guarded(self) -> Iterator[None]:
        try:
            yield
        except (sqlite3.Error, OSError) as error:
            raise RecordError(
                f"ledger {self._path}: {error}. Check free space, ownership and the card; the pumps stay off meanwhile."
            ) from error


class Tables:
    """Some tables of a ledger's database."""

    def __init__(self, database: Database) -> None:
        self._database = database


def _columns(db: sqlite3.Connection) -> set[tuple[str, str]]:
    """Table and name of every column."""
    return set(db.execute("SELECT m.name, c.name FROM sqlite_master AS m JOIN pragma_table_info(m.name) AS c"))


def _checkpoint(db: sqlite3.Connection, check: CheckFile, pages: set[int] | None) -> None:
    """Move the write-ahead log into the file. It is emptied last: until then its pages count as it has them."""
    is_busy, in_log, moved = db.execute("PRAGMA wal_checkpoint(FULL)").fetchone()
    if is_busy or in_log != moved:
        raise sqlite3.OperationalError("the write-ahead log cannot be moved into the file")
    check.take(pages)
    db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()


def _close(db: sqlite3.Connection, check: CheckFile | None) -> None:
    if check is not None:
        with suppress(sqlite3.Error, OSError):  # what is in the log stays there, and is found again
            _checkpoint(db, check, check.pages_in_log())
    db.close()
    if check is not None:
        check.close()
