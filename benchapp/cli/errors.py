"""The error that ends a command with exit status 2."""

from __future__ import annotations


class CommandError(Exception):
    """The request or its input is wrong; the text is one line: what, where, what to do."""
