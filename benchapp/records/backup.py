"""Copies of the store: made while it is in use, tried before they replace anything."""

from __future__ import annotations

import contextlib
import datetime as dt
import os
import sqlite3
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from benchapp.records.errors import (
    NotAllowedError,
    StoreDamagedError,
    StoreFullError,
    StoreNewerError,
    StoreNotWritableError,
    WrongStoreError,
)

KEPT: Final = 10
"""So many automatic copies are kept; those made before an upgrade always."""


def folder_of(path: Path) -> Path:
    """Where copies of the store at `path` lie: beside it."""
    return path.with_name(f"{path.name}-backups")


def make(path: Path, *, now: dt.datetime, target: Path | None = None, keep: int = KEPT) -> Path:
    """Copy the store at `path` with SQLite's online backup, check the copy, and only then give it its name.

    Args:
        path: The store; may be in use by any number of programs.
        now: Moment that goes into the name.
        target: Where to; None: the folder beside it, of which the oldest beyond `keep` are removed.
        keep: How many automatic copies stay, this one included; at least 1. Those made to a `target` always stay.

    Raises:
        StoreFullError, StoreNotWritableError: The copy could not be written; nothing is left of it.
        StoreDamagedError: The copy does not hold together, so the store does not either.
    """
    copy = target if target is not None else folder_of(path) / f"auto-{now:%Y%m%dT%H%M%S}.sqlite"
    _sweep(copy.parent)
    _copy(path, copy)
    if target is None:
        # The new one stays even where a clock that ran ahead has left names that sort behind it.
        others = sorted(each for each in folder_of(path).glob("auto-*.sqlite") if each != copy)
        for old in others[: max(0, len(others) - max(keep, 1) + 1)]:
            with contextlib.suppress(OSError):
                old.unlink()
    return copy


def by_hand(path: Path, now: dt.datetime) -> Path:
    """Name of a copy that somebody asks for: beside the automatic ones, and never removed with them."""
    return folder_of(path) / f"by-hand-{now:%Y%m%dT%H%M%S}.sqlite"


def make_daily(path: Path, *, now: dt.datetime, keep: int = KEPT) -> Path | None:
    """Make the day's automatic copy; None when the day has one that holds together, or there is no store yet.

    Which day a copy is of stands in its name, so a clock that was moved neither stops copies nor doubles them.

    Args:
        path: The store; may be in use.
        now: Wall time.
        keep: How many automatic copies stay.

    Raises:
        StoreFullError, StoreNotWritableError, StoreDamagedError: As `make`; no earlier copy is removed then.
    """
    if not path.exists():
        return None
    if any(not problem_of(copy) for copy in folder_of(path).glob(f"auto-{now:%Y%m%d}T*.sqlite")):
        return None
    return make(path, now=now, keep=keep)


def copy_before_upgrade(path: Path, version: int) -> Path:
    """Copy the store before its schema is changed; an older copy of that version is kept too."""
    stem = f"before-upgrade-from-{version}"
    n = 1
    while (copy := folder_of(path) / f"{stem}-{n}.sqlite").exists():
        n += 1
    _copy(path, copy)
    return copy


def problem_of(path: Path) -> str:
    """What is wrong with a file as a store, one sentence; "" when it holds together. Only reads."""
    if not path.is_file():
        return "there is no such file"
    try:
        raw = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, timeout=1.0)
    except sqlite3.Error as error:
        return str(error)
    try:
        answer = str(raw.execute("PRAGMA integrity_check(1)").fetchone()[0])
        if answer != "ok":
            return one_line(answer)
        if raw.execute("PRAGMA foreign_key_check").fetchone() is not None:
            return "a row refers to one that is missing"
        if (
            raw.execute("SELECT count(*) FROM sqlite_master WHERE name IN ('meta', 'runs', 'entries')").fetchone()[0]
            < 3
        ):
            return "it is no Kilter store"
    except sqlite3.Error as error:
        return str(error)
    finally:
        raw.close()
    return ""


def newest_good(path: Path) -> Path | None:
    """The newest copy beside the store that holds together; None without one."""
    copies = [(copy.stat().st_mtime, copy) for copy in folder_of(path).glob("*.sqlite")]
    for _, copy in sorted(copies, reverse=True):
        if not problem_of(copy):
            return copy
    return None


@dataclass(frozen=True, slots=True)
class Copy:
    """A copy of the store, as a list of them shows it.

    Attributes:
        path: The file.
        made: ISO 8601 in local time, when it was written.
        n_bytes: Its size.
        n_entries: Entries of the chain in it; None when it cannot be read.
        newest: When the newest of them was sealed, ISO 8601; "" without any.
    """

    path: Path
    made: str
    n_bytes: int
    n_entries: int | None
    newest: str


def copies(path: Path) -> list[Copy]:
    """Every copy beside the store, newest first. Looks into each, but not through it: `prepare` tries the one taken."""
    found = []
    for copy in folder_of(path).glob("*.sqlite"):
        with contextlib.suppress(OSError):
            stat = copy.stat()
            found.append((stat.st_mtime, stat.st_size, copy))
    return [_look_into(copy, written_s, size) for written_s, size, copy in sorted(found, reverse=True)]


def look_into(copy: Path) -> Copy:
    """One copy as `copies` lists it; raises OSError when it is gone."""
    stat = copy.stat()
    return _look_into(copy, stat.st_mtime, stat.st_size)


def _look_into(copy: Path, written_s: float, size: int) -> Copy:
    made = dt.datetime.fromtimestamp(written_s).astimezone().isoformat(timespec="minutes")
    try:
        raw = sqlite3.connect(f"{copy.absolute().as_uri()}?mode=ro", uri=True, timeout=1.0)
        try:
            n = int(raw.execute("SELECT count(*) FROM entries").fetchone()[0])
            row = raw.execute("SELECT sealed FROM entries ORDER BY sequence DESC LIMIT 1").fetchone()
        finally:
            raw.close()
    except sqlite3.Error:
        return Copy(copy, made, size, None, "")
    return Copy(copy, made, size, n, str(row[0]) if row else "")


def restore(copy: Path, path: Path, *, now: dt.datetime, kind: str = "") -> Path | None:
    """Put `copy` in place of the store at `path`, which nobody may have open.

    The copy is tried first (it must hold together), then copied beside the store, and only then does one rename put
    it in place. What was there is kept.

    Args:
        copy: The copy; stays as it is.
        path: The store.
        now: Goes into the name of the file that was replaced.
        kind: "live" or "demo": what the copy must be; "" takes either.

    Returns:
        Where the file that was replaced is kept; None when there was none.

    Raises:
        StoreDamagedError, StoreNewerError, WrongStoreError: The copy will not do; nothing was changed.
        NotAllowedError: Somebody has the store open; nothing was changed.
    """
    _try(copy, kind)
    _refuse_in_use(path)
    return put_in_place(prepare(copy, path, kind=kind), path, now=now)


def _try(copy: Path, kind: str) -> None:
    from benchapp.records import schema  # brings SQLAlchemy, which a copying does without

    problem = problem_of(copy)
    if problem:
        raise StoreDamagedError(copy, problem)
    try:
        with contextlib.closing(sqlite3.connect(f"{copy.absolute().as_uri()}?mode=ro", uri=True)) as raw:
            version = int(raw.execute("PRAGMA user_version").fetchone()[0])
            row = raw.execute("SELECT value FROM meta WHERE name = 'kind'").fetchone()
    except sqlite3.Error as error:
        raise StoreDamagedError(copy, str(error)) from error
    if version > schema.VERSION:
        raise StoreNewerError(copy, version, schema.VERSION)
    found = str(row[0]) if row else "live"
    if kind and found != kind:
        raise WrongStoreError(copy, found, "live" if kind == "live" else "simulated or replayed")


def prepare(copy: Path, path: Path, *, kind: str = "") -> Path:
    """Try `copy` and lay it ready beside the store at `path`, which may be in use; `put_in_place` does the rest.

    Returns:
        The file that is ready, whole and looked through; nothing else has changed.

    Raises:
        StoreDamagedError, StoreNewerError, WrongStoreError: The copy will not do.
        StoreFullError, StoreNotWritableError: It could not be laid ready.
    """
    _try(copy, kind)
    fresh = path.with_name(f"{path.name}.restoring")
    _copy(copy, fresh)
    return fresh


def put_in_place(fresh: Path, path: Path, *, now: dt.datetime) -> Path | None:
    """Let the file that `prepare` laid ready take the store's name; what was there is kept. Takes a moment only.

    Returns:
        Where the file that was replaced is kept; None when there was none.

    Raises:
        NotAllowedError: Somebody has the store open; nothing was changed.
        StoreNotWritableError: The folder cannot be written.
    """
    _refuse_in_use(path)
    kept: Path | None = None
    try:
        if path.exists():
            kept = path.with_name(f"{path.name}.replaced-{now:%Y%m%dT%H%M%S}")
            n = 1
            while kept.exists():
                n += 1
                kept = path.with_name(f"{path.name}.replaced-{now:%Y%m%dT%H%M%S}-{n}")
        for tail in ("-wal", "-shm"):  # they belong to the old file; the new one must not see them
            side = Path(f"{path}{tail}")
            if side.exists():
                side.rename(f"{kept or f'{path}.replaced-{now:%Y%m%dT%H%M%S}'}{tail}")
        if kept is not None:
            _named_too(path, kept)
        fresh.replace(path)
        sync_folder(path.parent)
    except OSError as error:
        raise StoreNotWritableError(path, error.strerror or str(error)) from error
    return kept


def _named_too(path: Path, kept: Path) -> None:
    """Give the file a second name, so that its first is never gone: a plug pulled then would look like a new store."""
    try:
        os.link(path, kept)
    except OSError:  # a file system without such links
        path.rename(kept)


def _refuse_in_use(path: Path) -> None:
    if _in_use(path):
        raise NotAllowedError(path, f"Records at {path} are in use. Nothing was changed. Close every window first.")


def _in_use(path: Path) -> bool:
    """True when another connection holds the file: in WAL mode an exclusive lock cannot be had then."""
    if not path.exists():
        return False
    raw = sqlite3.connect(path, timeout=0.2, isolation_level=None)
    try:
        raw.execute("PRAGMA locking_mode = EXCLUSIVE")
        raw.execute("BEGIN EXCLUSIVE")
        raw.execute("ROLLBACK")
        return False
    except sqlite3.OperationalError as error:
        return getattr(error, "sqlite_errorcode", 0) & 0xFF in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED)
    except sqlite3.DatabaseError:
        return False  # damaged: nobody can have it open in a useful way, and this is when a restore is wanted
    finally:
        raw.close()


def _sweep(folder: Path) -> None:
    """Take away what a copying that was broken off left more than a day ago; a younger one may still be written."""
    yesterday_s = time.time() - 86400
    for part in folder.glob("*.part*"):
        with contextlib.suppress(OSError):
            if part.stat().st_mtime < yesterday_s:
                part.unlink()


def _must_hold(copy: Path, path: Path) -> None:
    problem = problem_of(copy)
    if problem:
        raise StoreDamagedError(path, problem)


def _copy(path: Path, copy: Path) -> None:
    part = copy.with_name(f"{copy.name}.{os.getpid()}.part")  # two windows may copy within the same second
    try:
        copy.parent.mkdir(parents=True, exist_ok=True)
        _gone(part)
        source = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, timeout=5.0)
        try:
            target = sqlite3.connect(part)
            try:
                source.backup(target)
                target.execute("PRAGMA journal_mode = DELETE")  # one file, complete in itself
            finally:
                target.close()
        finally:
            source.close()
        _must_hold(part, path)
        with part.open("rb+") as file:
            os.fsync(file.fileno())
        part.replace(copy)
        sync_folder(copy.parent)
    except OSError as error:
        _gone(part)
        raise StoreNotWritableError(copy, error.strerror or str(error)) from error
    except sqlite3.Error as error:
        _gone(part)
        code = getattr(error, "sqlite_errorcode", 0) & 0xFF
        if code in (sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR):
            raise StoreFullError(copy) from error
        if code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
            raise StoreDamagedError(path, str(error), newest_good(path)) from error
        raise StoreNotWritableError(copy, str(error)) from error
    except BaseException:
        _gone(part)
        raise


def sync_folder(folder: Path) -> None:
    """Make the names in a folder durable too (POSIX: the folder is a file of its own)."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _gone(part: Path) -> None:
    """Take away a copy that was broken off, and what SQLite keeps beside it."""
    for tail in ("", "-journal", "-wal", "-shm"):
        with contextlib.suppress(OSError):
            Path(f"{part}{tail}").unlink()


def one_line(answer: str) -> str:
    r"""What SQLite's integrity check says, as part of a sentence.

    >>> one_line("*** in database main ***\nPage 2: btreeInitPage() returns error code 11")
    'Page 2: btreeInitPage() returns error code 11'
    """
    return " ".join(answer.replace("*** in database main ***", " ").split())
