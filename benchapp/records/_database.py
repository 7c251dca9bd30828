"""The file: looked at before it is opened, opened, migrated with a copy made first, its errors translated."""

from __future__ import annotations

import contextlib
import logging
import shutil
import sqlite3
import threading
from collections import deque
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Final

import sqlalchemy as sa
from sqlalchemy.dialects.sqlite import dialect as sqlite_dialect

from benchapp.records import backup, schema
from benchapp.records.errors import (
    NotAllowedError,
    StoreDamagedError,
    StoreError,
    StoreFullError,
    StoreLockedError,
    StoreNewerError,
    StoreNotWritableError,
    WrongStoreError,
)

_log = logging.getLogger(__name__)

WAIT_S: Final = 5.0
"""How long a write waits for another program's write; one takes a few milliseconds."""
LOG_ROOM_BYTES: Final = 1100 * 4096
"""What the log takes up until SQLite begins it anew (after 1000 pages), and a little more."""
_LEAST_FREE_BYTES: Final = 256 * 1024 * 1024
"""Room is taken in advance only where there is plenty of it."""
_HEADER: Final = b"SQLite format 3\0"
_LOOK_THROUGH_BYTES: Final = 32 * 1024 * 1024
"""Up to this size the whole file is checked when it is opened; larger ones by the check in the background."""


class Hot:
    """A Core statement compiled once, for the path that must not wait: `run(driver connection, values)`."""

    __slots__ = ("_defaults", "_names", "_sql")

    def __init__(self, statement: Any, columns: list[str]) -> None:
        compiled = statement.compile(dialect=sqlite_dialect(paramstyle="qmark"), column_keys=columns)
        self._sql = str(compiled)
        self._names: tuple[str, ...] = tuple(compiled.positiontup or ())
        self._defaults = dict(compiled.params)  # SQLite's dialect adds an OFFSET of its own

    def run(self, raw: sqlite3.Connection, values: dict[str, Any]) -> sqlite3.Cursor:
        """Execute on the driver's connection."""
        return raw.execute(self._sql, [values[n] if n in values else self._defaults[n] for n in self._names])


def version_of(path: Path) -> int | None:
    """Version in the file's header, 0 for a file without tables, None when there is no file or an empty one.

    An empty file is what a first start leaves that was broken off at once. Where copies of a store lie beside it, it
    held records before.

    Only reads bytes: whatever is found, the file stays as it is.

    Raises:
        StoreDamagedError: No SQLite file, one of another program, or empty where there are copies.
        StoreNotWritableError: It cannot be read at all.
    """
    try:
        with path.open("rb") as file:
            head = file.read(100)
    except FileNotFoundError:
        return None
    except OSError as error:
        raise StoreNotWritableError(path, error.strerror or str(error)) from error
    if not head:
        if any(backup.folder_of(path).glob("*.sqlite")):
            raise StoreDamagedError(path, "the file is empty, yet there are copies of it", backup.newest_good(path))
        return None
    if len(head) < 100 or not head.startswith(_HEADER):
        raise StoreDamagedError(path, "it does not begin like a database", backup.newest_good(path))
    application = int.from_bytes(head[68:72], "big")
    version = int.from_bytes(head[60:64], "big")
    if application != schema.APPLICATION_ID and (application or version):
        raise StoreDamagedError(path, "it is a database of another program")
    return version


class Database:
    """Two engines on one file: one connection that writes, a pool that reads."""

    def __init__(self, path: Path, *, demo: bool) -> None:
        self.raw: sqlite3.Connection  # the driver's own connection that writes; hold `lock` while using it
        self.path = path
        self.kind = "demo" if demo else "live"
        self.lock = threading.RLock()
        self._closed = False
        self._translation = _Translation(self.error_of)
        self._writing = _Writing(self)
        self._at_once = _AtOnce(self)
        self._idle: deque[sqlite3.Connection] = deque()
        found = version_of(path)
        if found is not None:
            self._refuse_newer(found)
            self._look_read_only()
        else:
            self._make_folder()
        self._writer = _engine(path, writes=True)
        self._reader = _engine(path, writes=False)
        try:
            with self.translated():
                self._connection = self._writer.connect()
                self.raw = self._connection.connection.driver_connection  # type: ignore[assignment]
                self._prepare(is_new=found in (None, 0))
        except BaseException:
            self.close()
            raise

    # --- opening

    def _refuse_newer(self, found: int) -> None:
        if found > schema.VERSION:
            raise StoreNewerError(self.path, found, schema.VERSION)

    def _look_read_only(self) -> None:
        """What the header cannot say, asked of SQLite without leave to write."""
        waiting = Path(f"{self.path}-wal")
        unclean = waiting.exists() and waiting.stat().st_size > 0
        try:
            raw = sqlite3.connect(f"{self.path.absolute().as_uri()}?mode=ro", uri=True, timeout=WAIT_S)
        except sqlite3.Error as error:
            raise self.error_of(error) from error
        try:
            self._refuse_newer(int(raw.execute("PRAGMA user_version").fetchone()[0]))
            tables = {name for (name,) in raw.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
            if "meta" in tables:
                row = raw.execute("SELECT value FROM meta WHERE name = 'kind'").fetchone()
                kind = row[0] if row else "live"
                if kind != self.kind:
                    raise WrongStoreError(self.path, kind, "live" if self.kind == "live" else "simulated or replayed")
            if unclean or self.path.stat().st_size <= _LOOK_THROUGH_BYTES:
                answer = raw.execute("PRAGMA integrity_check(1)").fetchone()[0]
                if answer != "ok":
                    raise StoreDamagedError(self.path, backup.one_line(str(answer)), backup.newest_good(self.path))
        except sqlite3.Error as error:
            raise self.error_of(error) from error
        finally:
            raw.close()

    def _make_folder(self) -> None:
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise StoreNotWritableError(self.path, error.strerror or str(error)) from error

    def _prepare(self, *, is_new: bool) -> None:
        version = int(self._connection.exec_driver_sql("PRAGMA user_version").scalar_one())
        self._connection.rollback()
        if version == schema.VERSION:
            with self._connection.begin():  # a file that cannot be written says so now, not after the first pull
                self._connection.exec_driver_sql("UPDATE meta SET value = value WHERE name = 'kind'")
                self._connection.rollback()
            return
        from benchapp.records.migrations import upgrade  # alembic takes a tenth of a second to import

        if not is_new:
            backup.copy_before_upgrade(self.path, version)
        else:
            self.raw.execute(f"PRAGMA application_id = {schema.APPLICATION_ID}")
        upgrade(self._connection)
        with self._connection.begin():
            self._connection.execute(
                sa.text("INSERT INTO meta (name, value) VALUES ('kind', :kind) ON CONFLICT (name) DO NOTHING"),
                {"kind": self.kind},
            )
        self.raw.execute("PRAGMA wal_checkpoint(TRUNCATE)")  # the header on disk tells the version from now on
        if is_new:
            backup.sync_folder(self.path.parent)

    # --- use

    @contextlib.contextmanager
    def writing(self) -> Iterator[sa.Connection]:
        """One transaction that writes: begun at once, durable when the block ends, undone when it raises."""
        with self.lock, self.translated():
            self.must_be_open()
            with self._connection.begin():
                yield self._connection

    @contextlib.contextmanager
    def erasing(self) -> Iterator[sa.Connection]:
        """One transaction that writes; what it deletes is overwritten in the file. Copies made before keep theirs."""
        with self.lock:
            self.raw.execute("PRAGMA secure_delete = ON")  # takes effect outside of a transaction only
            try:
                with self.writing() as connection:
                    yield connection
                self.raw.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()  # the log still holds the bytes
            finally:
                self.raw.execute("PRAGMA secure_delete = OFF")

    def writing_raw(self) -> _Writing:
        """The same on the driver's connection, for the few statements that run once a pull."""
        return self._writing

    def at_once(self) -> _AtOnce:
        """The driver's connection that writes without a transaction: each statement is one, durable on return."""
        return self._at_once

    @contextlib.contextmanager
    def reading(self) -> Iterator[sa.Connection]:
        """A connection that reads; all statements in the block see one moment."""
        self.must_be_open()
        with self.translated(), self._reader.connect() as connection:
            connection.exec_driver_sql("BEGIN")
            yield connection

    @contextlib.contextmanager
    def reading_raw(self) -> Iterator[sqlite3.Connection]:
        """A driver's connection that reads, for one statement: what the window asks for while a person types."""
        self.must_be_open()
        with self.translated():
            try:
                raw = self._idle.pop()
            except IndexError:
                raw = _connect(self.path, writes=False)
            try:
                yield raw
            finally:
                if self._closed:
                    raw.close()
                else:
                    self._idle.append(raw)

    @contextlib.contextmanager
    def reading_moment(self) -> Iterator[sqlite3.Connection]:
        """The same for several statements, which all see one moment."""
        with self.reading_raw() as raw:
            raw.execute("BEGIN")
            try:
                yield raw
            finally:
                if raw.in_transaction:
                    raw.execute("COMMIT")

    def take_log_room(self) -> None:
        """Let the log take up at once what it will need, where there is plenty of space.

        A sync of a file that grows waits for the file system's journal, and with it for all that other programs write:
        measured on ext4 beside a busy disk, 0.8 to 5 ms a pull in place of 0.2. So pages are spilled into the log and
        taken back, which leaves the file as long as it was made.
        """
        log = Path(f"{self.path}-wal")
        free = _free_bytes(self.path)
        if free is None or free < _LEAST_FREE_BYTES or (log.exists() and log.stat().st_size >= LOG_ROOM_BYTES):
            return
        with self.lock:
            self.must_be_open()
            raw = self.raw
            (cache_size,) = raw.execute("PRAGMA cache_size").fetchone()
            try:
                raw.execute("PRAGMA cache_size = 20")  # more changed pages than that are spilled
                raw.execute("BEGIN IMMEDIATE")
                raw.execute("CREATE TABLE log_room (bytes)")
                raw.execute("INSERT INTO log_room VALUES (zeroblob(?))", (LOG_ROOM_BYTES + 64 * 4096,))
            except sqlite3.Error as error:  # it goes without; what is wrong with the file is told when it is written
                _log.info("no room taken for the log of %s: %s", self.path, error)
            finally:
                if raw.in_transaction:
                    raw.execute("ROLLBACK")
                raw.execute(f"PRAGMA cache_size = {cache_size}")

    def must_be_open(self) -> None:
        """Raise `StoreError` once it is closed."""
        if self._closed:
            raise StoreError(self.path, f"Records at {self.path} are closed already. Open them again.")

    def close(self) -> None:
        """Close every connection; may be called again."""
        with self.lock:
            self._closed = True
            connection = getattr(self, "_connection", None)
            with contextlib.suppress(sa.exc.SQLAlchemyError, sqlite3.Error):
                if connection is not None:
                    connection.close()
            while self._idle:
                self._idle.pop().close()
            self._reader.dispose()
            self._writer.dispose()

    # --- errors

    def translated(self) -> _Translation:
        """Turn what the database says inside a `with` into a `StoreError`."""
        return self._translation

    def error_of(self, error: sqlite3.Error) -> StoreError:
        """Return our error for SQLite's (result codes: sqlite.org/rescode.html)."""
        code = getattr(error, "sqlite_errorcode", 0) & 0xFF
        free = _free_bytes(self.path)
        if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
            return StoreLockedError(self.path, WAIT_S)
        if code == sqlite3.SQLITE_FULL or (code == sqlite3.SQLITE_IOERR and free is not None and free < 64 * 1024):
            return StoreFullError(self.path, free)
        if code in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM, sqlite3.SQLITE_CANTOPEN):
            return StoreNotWritableError(self.path, str(error))
        if code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
            return StoreDamagedError(self.path, str(error), backup.newest_good(self.path))
        if code == sqlite3.SQLITE_CONSTRAINT:
            return NotAllowedError(self.path, f"Records at {self.path}: {error}. Nothing was changed.")
        return StoreError(self.path, f"Records at {self.path}: {error}. The last step was not stored. Try it again.")


class _Translation:
    """Context manager without a state of its own; a generator would cost every pull some microseconds."""

    __slots__ = ("_error_of",)

    def __init__(self, error_of: Callable[[sqlite3.Error], StoreError]) -> None:
        self._error_of = error_of

    def __enter__(self) -> None:
        pass

    def __exit__(self, _kind: object, error: BaseException | None, _trace: object) -> None:
        said = error.orig if isinstance(error, sa.exc.DBAPIError) else error
        if isinstance(said, sqlite3.Error):
            raise self._error_of(said) from error


class _AtOnce:
    """See `Database.at_once`; no generator either."""

    __slots__ = ("_db",)

    def __init__(self, db: Database) -> None:
        self._db = db

    def __enter__(self) -> sqlite3.Connection:
        db = self._db
        db.lock.acquire()
        try:
            db.must_be_open()
        except StoreError:
            db.lock.release()
            raise
        return db.raw

    def __exit__(self, _kind: object, error: BaseException | None, _trace: object) -> None:
        db = self._db
        db.lock.release()
        if isinstance(error, sqlite3.Error):
            raise db.error_of(error) from error


class _Writing:
    """See `Database.writing_raw`; no generator either."""

    __slots__ = ("_db",)

    def __init__(self, db: Database) -> None:
        self._db = db

    def __enter__(self) -> sqlite3.Connection:
        db = self._db
        db.lock.acquire()
        try:
            db.must_be_open()
            db.raw.execute("BEGIN IMMEDIATE")
        except BaseException as error:
            db.lock.release()
            if isinstance(error, sqlite3.Error):
                raise db.error_of(error) from error
            raise
        return db.raw

    def __exit__(self, _kind: object, error: BaseException | None, _trace: object) -> None:
        db = self._db
        try:
            if error is None:
                try:
                    db.raw.execute("COMMIT")
                except sqlite3.Error as refused:
                    error = refused
            if error is not None and db.raw.in_transaction:
                db.raw.execute("ROLLBACK")
        finally:
            db.lock.release()
        if isinstance(error, sqlite3.Error):
            raise db.error_of(error) from error


def _connect(path: Path, *, writes: bool) -> sqlite3.Connection:
    raw = sqlite3.connect(path, timeout=WAIT_S, isolation_level=None, check_same_thread=False, cached_statements=256)
    try:
        raw.execute("PRAGMA foreign_keys = ON")
        raw.execute("PRAGMA synchronous = FULL")
        raw.execute("PRAGMA temp_store = MEMORY")
        if writes:
            raw.execute("PRAGMA journal_mode = WAL")
            raw.execute("PRAGMA cache_size = 128")  # pages; what one pull touches, so that it is not 2 MB after a while
        else:
            raw.execute("PRAGMA query_only = ON")
    except sqlite3.Error:
        raw.close()
        raise
    return raw


def _engine(path: Path, *, writes: bool) -> sa.Engine:
    def connect() -> sqlite3.Connection:
        return _connect(path, writes=writes)

    if not writes:
        return sa.create_engine("sqlite://", creator=connect, poolclass=sa.QueuePool, pool_size=4, max_overflow=12)
    engine = sa.create_engine("sqlite://", creator=connect, poolclass=sa.NullPool)

    @sa.event.listens_for(engine, "begin")
    def begin(connection: sa.Connection) -> None:
        connection.exec_driver_sql("BEGIN IMMEDIATE")  # Python's sqlite3 would begin late, and not at all for DDL

    return engine


def _free_bytes(path: Path) -> int | None:
    try:
        return shutil.disk_usage(path.parent).free
    except OSError:
        return None
