"""What can go wrong with the store. Every error carries its facts as attributes; its text says what to do."""

from __future__ import annotations

from pathlib import Path


class StoreError(Exception):
    """Something is wrong with the store file at `path`."""

    def __init__(self, path: Path | str, text: str) -> None:
        super().__init__(text)
        self.path = Path(path)


class StoreNotWritableError(StoreError):
    """The file or its folder cannot be written."""

    def __init__(self, path: Path | str, reason: str = "") -> None:
        because = f" ({reason})" if reason else ""
        super().__init__(
            path,
            f"Records at {path} cannot be written{because}. Nothing was changed. "
            "Give this account write permission on the file and its folder, or choose another place.",
        )
        self.reason = reason


class StoreLockedError(StoreError):
    """Another program holds the file for longer than we wait."""

    def __init__(self, path: Path | str, waited_s: float) -> None:
        super().__init__(
            path,
            f"Records at {path} are locked by another program; waited {waited_s:.1f} s. Nothing was changed. "
            "Close the other program or wait for it, then try again.",
        )
        self.waited_s = waited_s


class StoreFullError(StoreError):
    """No space is left where the file lies."""

    def __init__(self, path: Path | str, free_bytes: int | None = None) -> None:
        left = "" if free_bytes is None else f" ({free_bytes // 1024} kB free)"
        super().__init__(
            path,
            f"No space left for the records at {path}{left}. What was stored before is safe; the last step was not "
            "stored. Make space there, then go on.",
        )
        self.free_bytes = free_bytes


class StoreNewerError(StoreError):
    """The file was written by a newer program."""

    def __init__(self, path: Path | str, found: int, known: int) -> None:
        super().__init__(
            path,
            f"Records at {path} are version {found}, this program knows up to {known}. Nothing was changed. "
            "Install the newer program to use them.",
        )
        self.found = found
        self.known = known


class StoreDamagedError(StoreError):
    """The file is no store of ours or does not hold together."""

    def __init__(self, path: Path | str, reason: str, newest_backup: Path | None = None) -> None:
        offer = f"The newest good backup is {newest_backup}." if newest_backup else "Restore a backup."
        super().__init__(
            path, f"Records at {path} are damaged: {reason}. The file was left as it is. {offer} Keep the damaged file."
        )
        self.reason = reason
        self.newest_backup = newest_backup


class WrongStoreError(StoreError):
    """Live runs and simulated or replayed ones do not go to the same file."""

    def __init__(self, path: Path | str, kind: str, offered: str) -> None:
        where = "the live store" if kind == "demo" else "the demo store"
        super().__init__(
            path, f"Records at {path} are a {kind} store and take no {offered} data. Nothing was stored. Use {where}."
        )
        self.kind = kind
        self.offered = offered


class SealedError(StoreError):
    """A sealed run is added to, never changed."""

    def __init__(self, path: Path | str, run_id: str, wanted: str) -> None:
        super().__init__(
            path, f"Run {run_id} is sealed; {wanted} was refused. Add a remark or have the custodian void it."
        )
        self.run_id = run_id


class RunTakenError(StoreError):
    """Another window is working on this run."""

    def __init__(self, path: Path | str, run_id: str) -> None:
        super().__init__(path, f"Run {run_id} is under way in another window. Nothing was changed. Go on there.")
        self.run_id = run_id


class NotAllowedError(StoreError):
    """The change is not one that may be made, or not by this person; `why` says it."""

    def __init__(self, path: Path | str, why: str) -> None:
        super().__init__(path, why)
        self.why = why


class ChangedMeanwhileError(StoreError):
    """Somebody else saved the same thing since it was read here."""

    def __init__(self, path: Path | str, what: str) -> None:
        super().__init__(
            path, f"{what} was changed in another window since it was read here. Read it again, then save."
        )
        self.what = what
