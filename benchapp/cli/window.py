"""`kilter` without a command: build the objects and open the window."""

from __future__ import annotations

import argparse

from benchapp.cli.errors import CommandError


def run(args: argparse.Namespace) -> int:
    """Open the window; returns Qt's exit status."""
    raise CommandError("the window is not built yet")
