"""How the C library keeps memory that is free: in one place, and not for long."""

from __future__ import annotations

import ctypes
from functools import lru_cache
from typing import Any, Final

_ARENA_MAX: Final = -8  # M_ARENA_MAX in glibc's malloc.h


def give_back() -> None:
    """Give back what is free between what is used; nothing happens where the C library cannot.

    Three threads take and free arrays of all sizes: what glibc keeps of that for later grows with the greatest need
    there ever was, by some MB in the first quarter of an hour. Takes a millisecond or two, without the interpreter's
    lock.
    """
    libc = _glibc()
    if libc is not None:
        libc.malloc_trim(0)


def share() -> None:
    """Let threads that start from now on take memory from one place: what one has freed another can use.

    By default glibc gives each a place of its own, so that they do not wait for each other; ours take turns anyway, for
    the interpreter.
    """
    libc = _glibc()
    if libc is not None:
        libc.mallopt(_ARENA_MAX, 1)


@lru_cache(maxsize=1)
def _glibc() -> Any:
    try:
        libc = ctypes.CDLL(None)
        return libc if hasattr(libc, "malloc_trim") and hasattr(libc, "mallopt") else None
    except (OSError, TypeError):  # no C library that is found so
        return None
