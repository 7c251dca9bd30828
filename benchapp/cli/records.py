"""`kilter records`: check the chain, export, import, read traces again."""

from __future__ import annotations

import argparse
import contextlib
import datetime as dt
import json
import os
import re
import shutil
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Final

from benchapp.cli.errors import CommandError, unread, unwritten
from benchapp.records.errors import StoreError, WrongStoreError

if TYPE_CHECKING:
    from benchapp.pulls.pull import Pull
    from benchapp.records.backup import Copy
    from benchapp.records.store import Store
    from benchapp.runs.model import CapturedPull, Run
    from benchapp.torque.trace import Trace

_HEAD: Final = re.compile(r"(?:[0-9]+:)?[0-9a-fA-F]{64}")
_GIVE_HEAD: Final = "give sequence:digest (the digest has 64 hex digits), or the file in which the newest seal was kept"

FORMATS = ("json", "csv", "xlsx", "traces")
TABLES = ("runs", "readings", "tools", "due", "tasks")


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = commands.add_parser("records", help="check, export and import the records")
    parser.add_argument("--store", metavar="FILE", help="the records; without it the live store of this account")
    parser.add_argument("--demo", action="store_true", help="the demo store (simulated and replayed runs)")
    what = parser.add_subparsers(dest="what", metavar="WHAT", required=True)
    check = what.add_parser("check", help="walk the chain, the traces and the columns that are shown")
    check.add_argument(
        "--against",
        metavar="HEAD",
        help="head kept elsewhere (sequence:digest, or a file that holds it); only this shows a chain that was cut off "
        "or built anew, which someone who can write the file is able to do",
    )
    check.add_argument("--json", action="store_true", help="print one JSON object")
    check.set_defaults(run=_check)
    export = what.add_parser("export", help="write records to a file or folder")
    export.add_argument("--format", choices=FORMATS)
    export.add_argument("--table", choices=TABLES, default="runs", help="for csv; tasks is the work list")
    export.add_argument(
        "--run", dest="runs", metavar="ID", action="append", default=[], help="for traces: only this run"
    )
    export.add_argument("-o", "--output", metavar="PATH", help="file (csv, json: standard output without it) or folder")
    export.add_argument("--schema", action="store_true", help="print the JSON Schema of the json format instead")
    export.set_defaults(run=_export)
    take = what.add_parser("import", help="import a JSON export into an empty store; the seals stay the same")
    take.add_argument("file", metavar="EXPORT.json")
    take.set_defaults(run=_import)
    copy = what.add_parser("backup", help="copy the records while they are in use; the copy is tried before it counts")
    copy.add_argument("-o", "--output", metavar="FILE", help="where to; without it beside the records")
    copy.add_argument("--daily", action="store_true", help="only when today has no good automatic copy yet")
    copy.add_argument("--list", action="store_true", help="make none; list the copies beside the records")
    copy.add_argument("--json", action="store_true", help="print one JSON object (with --list one a copy)")
    copy.set_defaults(run=_backup)
    back = what.add_parser("restore", help="put a copy in place of the records, which nobody may have open")
    back.add_argument("copy", metavar="COPY", help="the copy; it is tried first, and what it replaces is kept")
    back.set_defaults(run=_restore)
    workshop = what.add_parser("demo", help="make the demonstration workshop with its history in a new file")
    workshop.set_defaults(run=_demo)
    reread = what.add_parser("reread", help="read every stored trace again and list what comes out differently")
    how = reread.add_mutually_exclusive_group(required=True)
    how.add_argument("--dry-run", action="store_true", help="only list; nothing is written")
    how.add_argument("--keep", metavar="WHO", help="put it beside each sealed run, told as yours; its record stays")
    reread.add_argument("--json", action="store_true", help="print one JSON object a difference")
    reread.set_defaults(run=_reread)


def _path(args: argparse.Namespace) -> Path:
    if args.store:
        return Path(args.store)
    from benchapp.records.place import store_path

    return store_path(demo=args.demo)


def _open(args: argparse.Namespace, *, must_exist: bool = True) -> Store:
    path = _path(args)
    if must_exist and not path.is_file():
        raise CommandError(f"there are no records at {path}; name another file with --store")
    from benchapp.records.store import Store

    try:
        return Store.open(path, demo=args.demo)
    except WrongStoreError as error:
        raise CommandError(_other_kind(path, demo=args.demo)) from error
    except StoreError as error:
        raise CommandError(str(error)) from error


@contextlib.contextmanager
def _read(args: argparse.Namespace) -> Iterator[Store]:
    """The records for a command that changes nothing; where they cannot be written, a copy of them."""
    from benchapp.records.store import Store

    path = _path(args)
    try:
        if not path.is_file() or (os.access(path, os.W_OK) and os.access(path.parent, os.W_OK)):
            with _open(args) as store:
                yield store
            return
        with tempfile.TemporaryDirectory(prefix="kilter-") as folder:
            copy = Path(folder) / path.name
            for each in (path, Path(f"{path}-wal")):
                if each.is_file():
                    shutil.copyfile(each, copy.with_name(each.name))
            print(f"kilter: {path} cannot be written; a copy of it is read", file=sys.stderr)
            with Store.open(copy, demo=args.demo) as store:
                yield store
    except WrongStoreError as error:
        raise CommandError(_other_kind(path, demo=args.demo)) from error
    except StoreError as error:
        raise CommandError(str(error)) from error


@contextlib.contextmanager
def _whole(output: str) -> Iterator[Path]:
    """A file beside `output` that takes its place when all is written: a full disk leaves nothing like it behind.

    A device or a pipe is written as it is: nothing may take its place.
    """
    target = Path(output)
    if target.exists() and not target.is_file():
        yield target
        return
    partial = target.with_name(target.name + ".part")
    try:
        yield partial
        os.replace(partial, target)
    except BaseException:
        partial.unlink(missing_ok=True)
        raise


def _other_kind(path: Path, *, demo: bool) -> str:
    if demo:
        return f"{path} holds the records of a shop; leave --demo away"
    return f"{path} holds demonstration records; say --demo before what is to be done with them"


def _check(args: argparse.Namespace) -> int:
    against = _kept_head(args.against)
    with _read(args) as store:
        try:
            result = store.check(against)
        except StoreError as error:
            raise CommandError(str(error)) from error
    path = str(_path(args))
    if args.json:
        print(
            json.dumps(
                {
                    "store": path,
                    "holds": result.holds,
                    "head": result.head,
                    "against": against or None,
                    "entries": result.n_entries,
                    "traces": result.n_traces,
                    "bytes": result.n_bytes,
                    "findings": [_finding(each) for each in result.findings],
                    "explained": [_finding(each) for each in result.explained],
                },
                ensure_ascii=False,
            )
        )
    elif result.holds:
        print(f"{result.n_entries} entries and {result.n_traces} traces hold. Head: {result.head or 'none yet'}")
        if not against:
            print("Not compared with a head kept elsewhere (--against): a cut off or rebuilt chain would not show.")
    else:
        first, *others = result.findings
        places = [*([f"entry {first.sequence}"] if first.sequence else []), *([first.subject] if first.subject else [])]
        print(f"Does not hold: {', '.join(places) or 'the file'}: {first.detail}")
        more = f"{len(others)} further finding{'s' if len(others) > 1 else ''}; --json lists them. " if others else ""
        print(f"{more}Keep the file as it is and look in a backup.")
    return 0 if result.holds else 1


def _kept_head(given: str | None) -> str:
    """The head kept elsewhere: as typed, or from the first line of the file of that name; "" when none is asked for."""
    if given is None or _HEAD.fullmatch(given.strip()):
        return (given or "").strip()
    try:
        is_file = Path(given).is_file()
        held = Path(given).read_bytes().lstrip().partition(b"\n")[0] if is_file else b""
    except (OSError, ValueError) as error:  # also: too long for a name
        why = unread(error) if isinstance(error, OSError) else str(error)
        raise CommandError(f"--against: {given[:80]!r} is no head, and as a file it {why}") from error
    head = held.decode("utf-8", "replace").strip()
    if not is_file:
        raise CommandError(f"--against: {given[:80]!r} is no head, and no file either; {_GIVE_HEAD}")
    if not _HEAD.fullmatch(head):
        raise CommandError(f"--against: {given}: its first line is no head; {_GIVE_HEAD}")
    return head


def _finding(finding: object) -> dict[str, object]:
    names = ("what", "sequence", "subject", "detail")
    return {name: getattr(finding, name) for name in names}


def _export(args: argparse.Namespace) -> int:
    from benchapp.records import exchange

    if args.schema:
        print(json.dumps(exchange.SCHEMA, indent=2, ensure_ascii=False))
        return 0
    if args.format is None:
        raise CommandError(f"records export: choose a --format: {', '.join(FORMATS)}")
    today = dt.date.today()
    if args.format in ("xlsx", "traces") and not args.output:
        raise CommandError(f"--format {args.format} needs -o PATH")
    with _read(args) as store:
        try:
            if args.format == "json":
                if args.output:
                    with _whole(args.output) as path, path.open("w", encoding="utf-8", newline="\n") as file:
                        head = exchange.to_json(store, file)
                    print(f"{args.output}: head {head or 'none yet'}")
                else:
                    exchange.to_json(store, sys.stdout)
            elif args.format == "csv":
                text = exchange.to_csv(*exchange.table(store, args.table, today))
                if args.output:
                    with _whole(args.output) as path:
                        path.write_text(text, encoding="utf-8", newline="")
                else:
                    sys.stdout.write(text)
            elif args.format == "xlsx":
                sheets = {name: exchange.table(store, name, today) for name in exchange.TABLES}
                with _whole(args.output) as path:
                    exchange.to_xlsx(path, sheets)
            else:
                print(f"{exchange.traces_to(store, Path(args.output), args.runs)} traces written to {args.output}")
        except OSError as error:
            if not args.output:
                raise  # whoever reads standard output went away, or it is full: told for every command alike
            raise CommandError(f"export to {args.output}: {unwritten(error)}") from error
        except (StoreError, ValueError) as error:
            raise CommandError(f"export to {args.output or 'standard output'}: {error}") from error
    return 0


def _import(args: argparse.Namespace) -> int:
    from benchapp.records import exchange

    try:
        data = Path(args.file).read_bytes()
    except OSError as error:
        raise CommandError(f"{args.file}: {unread(error)}; nothing was imported") from error
    path = _path(args)
    is_new = not path.exists()
    try:
        with _open(args, must_exist=False) as store:
            head = exchange.from_json(store, data)
    except (exchange.ImportRefusedError, StoreError) as error:
        if is_new:  # records that are none would lie there
            for left in (path, Path(f"{path}-wal"), Path(f"{path}-shm")):
                left.unlink(missing_ok=True)
        raise CommandError(f"{args.file}: {error}; nothing was imported") from error
    print(f"imported; head {head or 'none'}")
    return 0


def _backup(args: argparse.Namespace) -> int:
    from benchapp.records import backup

    path, now = _path(args), dt.datetime.now().astimezone()
    if args.list:
        found = backup.copies(path)
        for each in found:
            _print_copy(each, args.json)
        if not found and not args.json:
            print(f"No copies lie beside {path}.")
        return 0
    if args.daily and args.output:
        raise CommandError("--daily and -o exclude each other; a day's copy lies beside the records")
    if not path.is_file():
        raise CommandError(f"there are no records at {path}; name another file with --store")
    target = Path(args.output) if args.output else backup.by_hand(path, now)
    if not args.daily and target.exists():
        raise CommandError(f"{target} is there already; name another file")
    try:
        made = backup.make_daily(path, now=now) if args.daily else backup.make(path, now=now, target=target)
    except StoreError as error:
        raise CommandError(str(error)) from error
    if made is not None:
        _print_copy(backup.look_into(made), args.json)
    elif args.json:
        print(json.dumps({"copy": None}))
    else:
        print("Today has a good copy already.")
    return 0


def _print_copy(copy: Copy, as_json: bool) -> None:
    if as_json:
        told = {"copy": str(copy.path), "made": copy.made, "bytes": copy.n_bytes, "entries": copy.n_entries}
        print(json.dumps({**told, "newest": copy.newest}, ensure_ascii=False))
    elif copy.n_entries is None:
        print(f"{copy.path}: {copy.made}, cannot be read")
    else:
        newest = f", newest {copy.newest[:16]}" if copy.newest else ""
        print(f"{copy.path}: {copy.made}, {copy.n_entries} entries{newest}, {copy.n_bytes / 1e6:.1f} MB")


def _restore(args: argparse.Namespace) -> int:
    from benchapp.records import backup
    from benchapp.records.store import Store

    path, copy = _path(args), Path(args.copy)
    if not copy.is_file():
        raise CommandError(f"there is no copy at {copy}; 'kilter records backup --list' lists them")
    try:
        if not path.parent.is_dir():
            raise CommandError(f"there is no folder {path.parent}; make it, or name another file with --store")
        kept = backup.restore(copy, path, now=dt.datetime.now().astimezone(), kind="demo" if args.demo else "live")
        with Store.open(path, demo=args.demo) as store:
            store.note_act("records put back from a copy", who="", details={"copy": copy.name})
    except StoreError as error:
        raise CommandError(str(error)) from error
    print(f"{path} is the copy {copy} now." + (f" What was there before is kept as {kept}." if kept else ""))
    return 0


def _demo(args: argparse.Namespace) -> int:
    from benchapp.records import demo

    args.demo = True
    path = _path(args)
    if path.exists():
        raise CommandError(f"{path} is there already; nothing was changed. Name a new file with --store")
    # A half-made one never stands under the store's name, and two windows that are opened at once make one each.
    making = path.with_name(f"{path.name}.making-{os.getpid()}")
    an_hour_ago_s = time.time() - 3600.0
    try:
        for left in path.parent.glob(f"{path.name}.making*"):
            if left.is_file() and left.stat().st_mtime < an_hour_ago_s:
                left.unlink()
        demo.make(making, today=dt.date.today())
        try:
            os.link(making, path)
        except FileExistsError:
            pass  # another window was first: everybody works in that one
        except OSError:  # a file system without such links
            making.rename(path)
        for left in path.parent.glob(f"{making.name}*"):
            left.unlink(missing_ok=True)
    except StoreError as error:
        raise CommandError(str(error)) from error
    except OSError as error:
        raise CommandError(f"{path}: {error.strerror}; give this account write permission there") from error
    print(f"{path}: the demonstration workshop")
    return 0


def _reread(args: argparse.Namespace) -> int:
    from benchapp.pulls import DETECTOR
    from benchapp.records.reread import differences, keep, read_again

    if args.keep is not None and not args.keep.strip():
        raise CommandError("--keep needs who puts it beside the records; nothing was written")
    n_read = n_kept = 0

    def read(run: Run, captured: CapturedPull, trace: Trace) -> Pull | None:
        nonlocal n_read
        n_read += 1
        return read_again(run, captured, trace)

    with _open(args) as store:
        try:
            found = list(differences(store, read, detector=DETECTOR))
            if args.keep is not None:
                n_kept = keep(store, found, who=args.keep.strip())
        except (StoreError, ValueError) as error:
            raise CommandError(str(error)) from error
    for each in found:
        if args.json:
            fields = ("run_id", "number", "stored_nm", "reread_nm", "stored_flags", "reread_flags", "detector")
            print(json.dumps({name: getattr(each, name) for name in fields}, ensure_ascii=False))
        else:
            torques = " -> ".join(_torque(torque) for torque in (each.stored_nm, each.reread_nm))
            flags = " -> ".join(" ".join(names) or "no flags" for names in (each.stored_flags, each.reread_flags))
            print(f"run {each.run_id}, pull {each.number}: {torques}; {flags}")
    if not args.json:
        kept = f"told beside {n_kept} records, which stay as they are" if args.keep else "no record was changed"
        print(f"{len(found)} of {n_read} pulls come out differently; {kept}.")
    return 1 if found and args.keep is None else 0


def _torque(torque_nm: float | None) -> str:
    return "no reading" if torque_nm is None else f"{torque_nm:.7g} N·m"
