"""The error that ends a command with exit status 2, and the words for what the system refused."""

from __future__ import annotations

import errno


class CommandError(Exception):
    """The request or its input is wrong; the text is one line: what, where, what to do."""


def reason(error: Exception) -> str:
    """Why, in one line: the system's own words without number and file name, else the error's first line."""
    if isinstance(error, OSError) and error.strerror:
        return error.strerror
    return str(error).partition("\n")[0]


def unread(error: OSError) -> str:
    """Why a file cannot be read, and what to do."""
    if isinstance(error, PermissionError):
        todo = "have this account allowed to read it, or copy it"
    else:
        todo = (
            "give a file, not a folder" if isinstance(error, IsADirectoryError) else "look at its name and its folder"
        )
    return f"cannot be read: {reason(error)}; {todo}"


def unwritten(error: OSError) -> str:
    """Why a file cannot be written, and what to do."""
    if error.errno in (errno.ENOSPC, getattr(errno, "EDQUOT", None), errno.EFBIG):
        todo = "make room there, or name another place"
    elif isinstance(error, PermissionError) or error.errno == errno.EROFS:
        todo = "have this account allowed to write there, or name another place"
    else:
        todo = "name another place"
    return f"cannot be written: {reason(error)}; {todo}"
