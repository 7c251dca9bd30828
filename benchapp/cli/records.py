"""`kilter records`: check the chain, export, import, read traces again."""

from __future__ import annotations

import argparse
import datetime as dt
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from benchapp.cli.errors import CommandError
from benchapp.records.errors import StoreError

if TYPE_CHECKING:
    from benchapp.records.store import Store

FORMATS = ("json", "csv", "xlsx", "traces")


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
        default="",
        help="head kept elsewhere (sequence:digest, or a file that holds it); only this shows a chain that was cut off "
        "or built anew, which someone who can write the file is able to do",
    )
    check.add_argument("--json", action="store_true", help="print one JSON object")
    check.set_defaults(run=_check)
    export = what.add_parser("export", help="write records to a file or folder")
    export.add_argument("--format", choices=FORMATS, required=True)
    export.add_argument("--table", choices=("runs", "readings", "tools", "due"), default="runs", help="for csv")
    export.add_argument(
        "--run", dest="runs", metavar="ID", action="append", default=[], help="for traces: only this run"
    )
    export.add_argument("-o", "--output", metavar="PATH", help="file (csv, json: standard output without it) or folder")
    export.add_argument("--schema", action="store_true", help="print the JSON Schema of the json format instead")
    export.set_defaults(run=_export)
    take = what.add_parser("import", help="import a JSON export into an empty store; the seals stay the same")
    take.add_argument("file", metavar="EXPORT.json")
    take.set_defaults(run=_import)
    reread = what.add_parser("reread", help="read every stored trace again and list what comes out differently")
    reread.add_argument("--dry-run", action="store_true", required=True, help="only list; nothing is written")
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
    except StoreError as error:
        raise CommandError(str(error)) from error


def _check(args: argparse.Namespace) -> int:
    against = args.against
    if against and Path(against).is_file():
        against = Path(against).read_text(encoding="utf-8").strip()
    with _open(args) as store:
        try:
            result = store.check(against)
        except ValueError as error:
            raise CommandError(f"--against: {error}") from error
        except StoreError as error:
            raise CommandError(str(error)) from error
        path = str(store.path)
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
        print(f"Does not hold: entry {first.sequence}, {first.subject or 'no subject'}: {first.detail}")
        print(f"{len(others)} further findings; --json lists them. Keep the file as it is and look in a backup.")
    return 0 if result.holds else 1


def _finding(finding: object) -> dict[str, object]:
    names = ("what", "sequence", "subject", "detail")
    return {name: getattr(finding, name) for name in names}


def _export(args: argparse.Namespace) -> int:
    from benchapp.records import exchange

    if args.schema:
        print(json.dumps(exchange.SCHEMA, indent=2, ensure_ascii=False))
        return 0
    today = dt.date.today()
    if args.format in ("xlsx", "traces") and not args.output:
        raise CommandError(f"--format {args.format} needs -o PATH")
    with _open(args) as store:
        try:
            if args.format == "json":
                if args.output:
                    with Path(args.output).open("w", encoding="utf-8", newline="\n") as file:
                        head = exchange.to_json(store, file)
                    print(f"{args.output}: head {head or 'none yet'}")
                else:
                    exchange.to_json(store, sys.stdout)
            elif args.format == "csv":
                text = exchange.to_csv(*exchange.table(store, args.table, today))
                if args.output:
                    Path(args.output).write_text(text, encoding="utf-8", newline="")
                else:
                    sys.stdout.write(text)
            elif args.format == "xlsx":
                sheets = {name: exchange.table(store, name, today) for name in exchange.TABLES}
                exchange.to_xlsx(Path(args.output), sheets)
            else:
                print(f"{exchange.traces_to(store, Path(args.output), args.runs)} traces written to {args.output}")
        except (OSError, StoreError, ValueError) as error:
            raise CommandError(f"export to {args.output or 'standard output'}: {error}") from error
    return 0


def _import(args: argparse.Namespace) -> int:
    from benchapp.records import exchange

    try:
        data = Path(args.file).read_bytes()
    except OSError as error:
        raise CommandError(f"{args.file} cannot be read: {error.strerror}") from error
    with _open(args, must_exist=False) as store:
        try:
            head = exchange.from_json(store, data)
        except (exchange.ImportRefusedError, StoreError) as error:
            raise CommandError(f"{args.file}: {error}; nothing was imported") from error
    print(f"imported; head {head or 'none'}")
    return 0


def _reread(args: argparse.Namespace) -> int:
    from benchapp.records.reread import differences

    with _open(args) as store:
        try:
            found = list(differences(store))
        except (StoreError, ValueError) as error:
            raise CommandError(str(error)) from error
    for each in found:
        if args.json:
            fields = ("run_id", "number", "stored_nm", "reread_nm", "stored_flags", "reread_flags", "detector")
            print(json.dumps({name: getattr(each, name) for name in fields}, ensure_ascii=False))
        else:
            print(
                f"run {each.run_id}, pull {each.number}: {each.stored_nm} -> {each.reread_nm} N·m, "
                f"{' '.join(each.stored_flags) or 'no flags'} -> {' '.join(each.reread_flags) or 'no flags'}"
            )
    if not args.json:
        print(f"{len(found)} readings come out differently; nothing was written.")
    return 1 if found else 0
