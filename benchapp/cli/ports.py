"""`kilter ports`: the ports found, with what is known of each."""

from __future__ import annotations

import argparse
import json
import re
import sys
from dataclasses import asdict
from typing import Final

from benchapp.cli._profiles import user_profiles
from benchapp.cli.errors import CommandError
from drivers.errors import UrlError
from drivers.ports import PortInfo, find_profile, list_ports, why_none_fits
from drivers.transport import OpenError

TRIED_AGAIN: Final = re.compile(r"; it is tried again(?=\.)| It is tried again\.")
"""What a link says that goes on trying; this command tries once."""


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = commands.add_parser("ports", help="the ports found, with what is known of each")
    parser.add_argument("--listen", metavar="PORT", help="listen to this port for two seconds and say what fits")
    parser.add_argument("--json", action="store_true", help="print one JSON object a port")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """List ports, or listen to one; 1 when no profile fits what was heard."""
    return _list(args.json) if args.listen is None else _listen(args.listen, args.json)


def _list(as_json: bool) -> int:
    ports = list_ports()
    for port in ports:
        print(json.dumps(asdict(port), ensure_ascii=False) if as_json else _line(port))
    if not ports and not as_json:
        print("no serial port found; plug the transducer in, or open socket://HOST:PORT")
    return 0


def _line(port: PortInfo) -> str:
    known = [port.description]
    if port.usb_vendor is not None and port.usb_product is not None:
        known.append(f"USB {port.usb_vendor:04x}:{port.usb_product:04x}")
    if port.serial_number:
        known.append(f"serial number {port.serial_number}")
    if port.location:
        known.append(f"at {port.location}")
    if port.busy:
        known.append("in use by another program")
    if port.usable is False:
        known.append("no permission")
    return "\t".join([port.url, ", ".join(part for part in known if part)]).rstrip()


def _listen(url: str, as_json: bool) -> int:
    profiles = user_profiles()
    for problem in profiles.problems:  # one that is refused cannot fit
        print(f"kilter: {problem}", file=sys.stderr)
    heard: list[bytes] = []
    try:
        scores = find_profile(url, profiles, heard=heard)
    except (OpenError, UrlError) as error:
        raise CommandError(TRIED_AGAIN.sub("", str(error.args[0]))) from error
    for score in scores:
        told = {
            "profile": score.profile.name,
            "baud": score.profile.serial.baud,
            "score": round(score.score, 3),
            "lines": score.n_lines,
            "understood": score.n_understood,
        }
        print(
            json.dumps(told, ensure_ascii=False)
            if as_json
            else f"{told['profile']}\t{told['understood']} of {told['lines']} lines understood"
        )
    if not scores:
        print(f"{url}: no profile fits. {why_none_fits(heard)}", file=sys.stderr if as_json else sys.stdout)
    return 0 if scores else 1
