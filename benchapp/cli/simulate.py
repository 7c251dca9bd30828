"""`kilter simulate`: the simulated transducer as a server of its own, on a pty or over TCP."""

from __future__ import annotations

import argparse
import signal
import sys
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from benchapp.cli.errors import CommandError, reason

if TYPE_CHECKING:
    from types import FrameType


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "simulate",
        help="serve a simulated transducer with a hand and a tool on it",
        description="Prints one line of JSON with the addresses of data and control channel, then runs until it is "
        "ended. Everything it sends is simulated.",
    )
    where = parser.add_mutually_exclusive_group(required=True)
    where.add_argument("--tcp", type=int, metavar="PORT", help="serve over TCP on this machine; 0: any free port")
    where.add_argument("--pty", action="store_true", help="serve on a pseudo-terminal")
    parser.add_argument("--link", type=Path, metavar="PATH", help="with --pty: where the port's link is put")
    parser.add_argument("--control", type=int, default=0, metavar="PORT", help="control channel; 0: any free port")
    parser.add_argument("--profile", default="signed-value-unit", metavar="SHAPE", help="shape of the lines")
    parser.add_argument("--unit", default="N·m", help="unit of the lines")
    parser.add_argument("--rate", type=float, default=1000.0, metavar="HZ", help="lines a second")
    parser.add_argument("--seed", type=int, default=1, help="same seed, same script: same bytes")
    parser.add_argument("--script", type=Path, metavar="FILE", help="what to do when: TOML, or JSON by its ending")
    parser.add_argument("--capacity", type=float, default=250.0, metavar="N·m", help="of the transducer")
    parser.add_argument("--tool", default="click-wrench", metavar="KIND", help="what is in the hand")
    parser.add_argument("--tool-max", type=float, metavar="N·m", help="the tool's maximum")
    parser.add_argument("--set", type=float, metavar="N·m", dest="setting", help="where the tool is set")
    parser.add_argument("--error", type=float, default=0.0, metavar="PERCENT", help="the tool delivers that much more")
    parser.add_argument("--noise", type=float, default=5e-5, metavar="SHARE", help="of capacity, standard deviation")
    parser.add_argument("--hum", type=float, default=0.0, metavar="SHARE", help="mains hum, share of capacity")
    parser.add_argument("--fast", action="store_true", help="as fast as it is read, not in real time")
    parser.add_argument("--until-stdin-ends", action="store_true", help="end when standard input is closed")
    parser.set_defaults(run=run)


def _tell(script: Path, refused: str) -> None:
    print(f"kilter: simulate: {script}: {refused}; the other steps go on", file=sys.stderr, flush=True)


def run(args: argparse.Namespace) -> int:
    """Serve; returns 0 when ended."""
    from simulator.server import PtyPort, Server, TcpPort, announce, end_of_parent
    from simulator.simulation import RequestError, make_simulation

    if args.link and not args.pty:
        raise CommandError("simulate: --link is the place of a pseudo-terminal; give it with --pty")
    try:
        simulation = make_simulation(
            seed=args.seed,
            shape=args.profile,
            rate_hz=args.rate,
            capacity_nm=args.capacity,
            tool=args.tool,
            tool_max_nm=args.tool_max,
            setting_nm=args.setting,
            error_percent=args.error,
            unit=args.unit,
            noise=args.noise,
            hum=args.hum,
            script=args.script,
        )
    except RequestError as error:
        raise CommandError(f"simulate: {error}") from error
    try:
        port = PtyPort(args.link) if args.pty else TcpPort(args.tcp)
    except (OSError, ImportError, AttributeError) as error:
        wanted = f"TCP port {args.tcp}" if not args.pty else f"pseudo-terminal{f' at {args.link}' if args.link else ''}"
        instead = "another --link" if args.link else "--tcp 0"
        raise CommandError(f"simulate: {wanted} cannot be had ({reason(error)}); try {instead}") from error
    try:
        stdin = end_of_parent() if args.until_stdin_ends else None
        server = Server(simulation, port, args.control, fast=args.fast, stdin=stdin, tell=partial(_tell, args.script))
    except OSError as error:
        port.close()
        raise CommandError(
            f"simulate: control port {args.control} cannot be had ({reason(error)}); try --control 0"
        ) from error

    def end(signum: int, frame: FrameType | None) -> None:
        server.stop()

    for name in ("SIGTERM", "SIGINT", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), end)
    print(announce(server, port), flush=True)
    server.run()
    return 0
