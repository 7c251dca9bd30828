"""Memory that is free, given back to the system."""

from __future__ import annotations

import ctypes
from functools import lru_cache
from typing import Any


def give_back() -> None:
    """Give back what is free between what is used; nothing happens where the C library cannot.

    Three threads take and free arrays of all sizes: what glibc keeps of that for later grows with the greatest need
    there ever was, by some MB in the first quarter of an hour. Takes a millisecond or two, without the interpreter's
    lock.
    """
    trim = _malloc_trim()
    if trim is not None:
        trim(0)


@lru_cache(maxsize=1)
def _malloc_trim() -> Any:
    try:
        return ctypes.CDLL(None).malloc_trim
    except (AttributeError, OSError, TypeError):  # no glibc
        return None
