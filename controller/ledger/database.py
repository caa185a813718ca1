"""One SQLite file with its transactions; what cannot be read or written becomes a RecordError."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from controller.errors import RecordError
from controller.ledger.migrations import bring_up
from controller.ledger.schema import SCHEMA_VERSION
from controller.model.messages import JournalHead

PAGE_BYTES = 512  # a serving touches few rows on many pages, and whole pages are written: small ones spare the card


class Database:
    """The file `path` (":memory:" for none). Every method raises RecordError when the file cannot be used."""

    def __init__(self, path: Path | str) -> None:
        self._path = str(path)
        self.told: JournalHead | None = None  # the last entry of the guard's journal that the engine was told of
        with self._guarded():
            self._db = sqlite3.connect(self._path, isolation_level=None)
        try:
            with self._guarded():
                self._db.execute(f"PRAGMA page_size = {PAGE_BYTES}")
                # One process alone: then the index of the write-ahead log stays in memory and off the card.
                self._db.execute("PRAGMA locking_mode = EXCLUSIVE")
                self._db.execute("PRAGMA journal_mode = WAL")
                self._db.execute("PRAGMA synchronous = FULL")
                self._prepare()
                self._db.execute("PRAGMA foreign_keys = ON")
                number, text = self._db.execute("SELECT journal_number, journal_hash FROM mark").fetchone()
                self.told = JournalHead(number=number, hash=text) if number else None
        except RecordError:
            self._db.close()
            raise

    def close(self) -> None:
        """Close the file."""
        self._db.close()

    def all(self, sql: str, arguments: tuple[object, ...] = ()) -> list[tuple[Any, ...]]:
        """Every row of a query."""
        with self._guarded():
            return self._db.execute(sql, arguments).fetchall()

    def one(self, sql: str, arguments: tuple[object, ...] = ()) -> tuple[Any, ...] | None:
        """The first row of a query, None when there is none."""
        rows = self.all(sql, arguments)
        return rows[0] if rows else None

    @contextmanager
    def transaction(self) -> Iterator[sqlite3.Connection]:
        """All that is done within it is on disk when it is left, or nothing of it."""
        with self._guarded():
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield self._db
                told = (self.told.number, self.told.hash) if self.told else (0, "")
                self._db.execute("UPDATE mark SET changes = changes + 1, journal_number = ?, journal_hash = ?", told)
                self._db.execute("COMMIT")
            except BaseException:
                if self._db.in_transaction:
                    self._db.execute("ROLLBACK")
                raise

    def _prepare(self) -> None:
        version = self._db.execute("PRAGMA user_version").fetchone()[0]
        if version > SCHEMA_VERSION:
            raise RecordError(
                f"{self._path} was written by a newer Tundish (schema version {version}, this one knows "
                f"{SCHEMA_VERSION}). Use that one, or move the file away to begin a new ledger."
            )
        if version < SCHEMA_VERSION:
            with self.transaction() as db:
                bring_up(db, version)

    @contextmanager
    def _guarded(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.Error as error:
            raise RecordError(
                f"ledger {self._path}: {error}. Check free space, ownership and the card; the pumps stay off meanwhile."
            ) from error
