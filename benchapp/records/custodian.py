"""The custodian's lock: a passphrase that only a slow hash of is kept, attempts slowed down, a way back that shows.

It keeps honest people from doing by mistake what is the custodian's; someone who can write the file can write
anything (the head kept elsewhere shows it). Everything that matters here becomes an entry of the chain.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import hmac
import os
import sqlite3
from dataclasses import dataclass
from typing import Final

from benchapp.records._followed import LEFT_OUT, PASSPHRASES
from benchapp.records._held import hold_rows, passphrase_told
from benchapp.records.canonical import parse_written
from benchapp.records.errors import NotAllowedError
from benchapp.records.model import Seal
from benchapp.records.store import Store

N: Final = 2**15
R: Final = 8
P: Final = 1
"""Cost of scrypt (RFC 7914): 32 MB and about a tenth of a second; N = 2¹⁵ is common practice for a login."""
FREE_ATTEMPTS: Final = 3
LONGEST_WAIT_S: Final = 300.0
SHORTEST: Final = 8
IDLE_S: Final = 600.0
"""After so long without use the lock closes again (our own choice)."""


class TooSoonError(NotAllowedError):
    """After failed attempts one has to wait; `wait_s` says how long still."""

    def __init__(self, store: Store, wait_s: float) -> None:
        super().__init__(store.path, f"Too many wrong passphrases. Wait {wait_s:.0f} s, then try again.")
        self.wait_s = wait_s


def has_passphrase(store: Store) -> bool:
    """True once a passphrase was set, even where its row did not come with an import or was taken away since."""
    return _row(store) is not None or _was_set(store)


def set_passphrase(store: Store, new: str, *, who: str, old: str = "") -> Seal:
    """Set the first passphrase, or change it with the old one.

    Raises:
        NotAllowedError: `who` is no custodian, the new one is too short, or the old one is wrong.
        TooSoonError: After failed attempts.
    """
    _must_be_custodian(store, who)
    if has_passphrase(store) and not check(store, old):
        raise NotAllowedError(store.path, "The old passphrase is wrong. Nothing was changed.")
    return _put(store, new, who, "passphrase set")


def check(store: Store, passphrase: str) -> bool:
    """True when the passphrase is right. Wrong ones are counted in the file and slow the next attempts down.

    Raises:
        NotAllowedError: No passphrase was set yet, or the one that was set is not in the file.
        TooSoonError: It is not time for another attempt; this one was not looked at.
    """
    row = _row(store)
    if row is None and not _was_set(store):
        raise NotAllowedError(store.path, "No passphrase was set yet. The custodian sets it first.")
    if row is None or row[:2] == LEFT_OUT:
        why = "did not come with the import" if row is not None else "is not in these records any more"
        raise NotAllowedError(store.path, f"The passphrase {why}. Replace it like a lost one, before a second person.")
    salt, digest, n, r, p, n_failed, failed_s = row
    now_s = store.now().timestamp()
    wait_s = failed_s + _wait(n_failed) - now_s
    # A clock set back must not lock the custodian out for longer than the longest wait.
    if 0 < wait_s <= LONGEST_WAIT_S:
        raise TooSoonError(store, wait_s)
    right = hmac.compare_digest(_scrypt(passphrase, salt, n, r, p), digest)
    with store._db.writing_raw() as raw:
        if right:
            raw.execute("UPDATE custodian SET n_failed = 0 WHERE key = 1")
        else:
            raw.execute("UPDATE custodian SET n_failed = n_failed + 1, failed_s = ? WHERE key = 1", (now_s,))
    return right


def replace_lost(store: Store, new: str, *, who: str, witness: str, why: str) -> Seal:
    """The way back when the passphrase is lost: two people, one of them custodian, and an entry that says so for ever.

    Raises:
        NotAllowedError: `who` is no custodian, the witness is nobody of the people or the same, or no reason is given.
    """
    _must_be_custodian(store, who)
    other = store.person(witness)
    if other is None or not other.active or other.name == who:
        raise NotAllowedError(store.path, "A lost passphrase is replaced before a second person of this workshop.")
    if not why.strip():
        raise NotAllowedError(store.path, "Replacing a lost passphrase needs a reason.")
    return _put(store, new, who, "lost passphrase replaced", {"witness": other.name, "why": why})


@dataclass(frozen=True, slots=True)
class Replaced:
    """That the passphrase in force came in place of a lost one.

    Attributes:
        at: ISO 8601 wall time.
        who: The custodian who replaced it.
        witness: The second person, as named.
        why: The reason.
    """

    at: str
    who: str
    witness: str
    why: str


def replaced(store: Store) -> Replaced | None:
    """How the passphrase in force came in place of a lost one; None when it was set or changed in the ordinary way."""
    for entry in reversed(store.entries("")):
        content = parse_written(entry.body)["content"]
        if content.get("act") in PASSPHRASES:
            told = content.get("details") or {}
            if "witness" in told:
                return Replaced(entry.seal.sealed, entry.who, told["witness"], told["why"])
            return None
    return None


class Lock:
    """Open for a while after the right passphrase; the window asks it before everything that is the custodian's.

    Only what is done under it counts as use: at a bench where others go on pulling it closes all the same.

    Attributes:
        was_closed: It was closed by a person, not by its idle time (or was never open).
    """

    def __init__(self, store: Store, *, idle_s: float = IDLE_S) -> None:
        self._store = store
        self._idle = dt.timedelta(seconds=idle_s)
        self._who = ""
        self._last: dt.datetime | None = None
        self.was_closed = True

    @property
    def who(self) -> str:
        """Who opened it last."""
        return self._who

    @property
    def idle_s(self) -> float:
        """After so many seconds without use it closes."""
        return self._idle.total_seconds()

    def open(self, passphrase: str, *, who: str) -> bool:
        """Open it for a custodian; False for a wrong passphrase. Raises as `check`."""
        _must_be_custodian(self._store, who)
        if not check(self._store, passphrase):
            return False
        self._who, self._last = who, self._store.now()
        self.was_closed = False
        return True

    def close(self) -> None:
        """Close it at once."""
        self._last = None
        self.was_closed = True

    def left_s(self) -> float:
        """Seconds until it closes by itself when nothing is done under it; 0 when it is closed. Asking is no use."""
        if self._last is None:
            return 0.0
        idle = self._store.now() - self._last
        if not dt.timedelta(0) <= idle <= self._idle:
            return 0.0
        return max((self._idle - idle).total_seconds(), 0.0)

    def custodian(self) -> str:
        """Who has it open, which also counts as use; "" when it is closed or was idle for too long."""
        if self._last is None:
            return ""
        now = self._store.now()
        if not dt.timedelta(0) <= now - self._last <= self._idle:
            self._last = None
            return ""
        self._last = now
        return self._who


def _wait(n_failed: int) -> float:
    """Seconds to wait after so many failures in a row: none for the first three, then 1, 2, 4 … 300."""
    return 0.0 if n_failed < FREE_ATTEMPTS else min(2.0 ** min(n_failed - FREE_ATTEMPTS, 16), LONGEST_WAIT_S)


def _scrypt(passphrase: str, salt: bytes, n: int, r: int, p: int) -> bytes:
    return hashlib.scrypt(passphrase.encode(), salt=salt, n=n, r=r, p=p, maxmem=256 * n * r, dklen=32)


def _row(store: Store) -> tuple[bytes, bytes, int, int, int, int, float] | None:
    with store._db.reading_raw() as raw:
        row: tuple[bytes, bytes, int, int, int, int, float] | None = raw.execute(
            "SELECT salt, digest, n, r, p, n_failed, failed_s FROM custodian WHERE key = 1"
        ).fetchone()
    return row


def _was_set(store: Store) -> bool:
    """True when the chain tells of a passphrase."""
    acts = [f'"act":"{act}"' for act in PASSPHRASES]
    with store._db.reading_raw() as raw:
        found = raw.execute(
            "SELECT 1 FROM entries WHERE subject = '' AND kind = 'act' AND "
            "(instr(body, CAST(? AS BLOB)) OR instr(body, CAST(? AS BLOB))) LIMIT 1",
            acts,
        ).fetchone()
    return found is not None


def leave_out(raw: sqlite3.Connection) -> None:
    """Keep a row that says that the passphrase did not come along, so that the lock opens by the way back only."""
    raw.execute(
        "INSERT INTO custodian (key, salt, digest, n, r, p, n_failed, failed_s, changed) VALUES (1,?,?,?,?,?,0,0,'')",
        (*LEFT_OUT, N, R, P),
    )


def _put(store: Store, new: str, who: str, act: str, details: dict[str, object] | None = None) -> Seal:
    if len(new) < SHORTEST:
        raise NotAllowedError(
            store.path,
            f"A passphrase has at least {SHORTEST} characters; this one has {len(new)}. Nothing was changed.",
        )
    salt = os.urandom(16)
    digest = _scrypt(new, salt, N, R, P)
    changed = store.now().isoformat(timespec="seconds")
    with store._db.writing_raw() as raw:
        hold_rows(store)
        raw.execute(
            "INSERT OR REPLACE INTO custodian (key, salt, digest, n, r, p, n_failed, failed_s, changed) "
            "VALUES (1,?,?,?,?,?,0,0,?)",
            (salt, digest, N, R, P, changed),
        )
        told = {**(details or {}), **passphrase_told(salt, digest, N, R, P, changed)}
        return store.note_act_within(raw, act, who=who, details=told)


def _must_be_custodian(store: Store, who: str) -> None:
    person = store.person(who)
    if person is None or person.name != who or not person.is_custodian or not person.active:
        raise NotAllowedError(store.path, f"{who or 'Nobody'} is no custodian. Nothing was changed.")
