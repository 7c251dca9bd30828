"""A pull made ready for the store, on any thread: so that whoever writes has only writing to do."""

from __future__ import annotations

import dataclasses
import hashlib
import json
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final

from benchapp.records import _blob, shown
from benchapp.runs.codec import to_data
from benchapp.runs.model import CapturedPull, Run
from benchapp.torque.trace import Trace
from drivers.samples import Source


@dataclass(frozen=True, slots=True)
class PackedPull:
    """A pull with its trace as they will be stored.

    Attributes:
        pull: The pull.
        row: Its columns that are shown, in the order of `shown.PULL_COLUMNS`, and the pull as JSON.
        blob: The bytes of its trace.
        sha256: Their SHA-256 (FIPS 180-4) as 64 hex digits.
        n_samples: How many samples they hold.
        source: Where the samples came from.
    """

    pull: CapturedPull
    row: tuple[Any, ...]
    blob: bytes
    sha256: str
    n_samples: int
    source: Source


def packed(run: Run, pull: CapturedPull, trace: Trace) -> PackedPull:
    """Return a pull of `run` with its trace packed; raises `CodecError` for a number that is not finite."""
    blob = _blob.encode(trace)
    return PackedPull(pull, row_of(run, pull), blob, hashlib.sha256(blob).hexdigest(), len(trace), trace.source)


def row_of(run: Run, pull: CapturedPull) -> tuple[Any, ...]:
    """Return `PackedPull.row`."""
    return (*shown.pull_columns(run, pull).values(), text_of(pull))


def text_of(value: object) -> str:
    """Return what `to_data` makes of a run's parts as JSON, without making it: half the time, with every pull."""
    try:
        return _ENCODER.encode(value)
    except ValueError:
        to_data(value)  # says where
        raise


@lru_cache(maxsize=64)
def _field_names(cls: type) -> tuple[str, ...] | None:
    return tuple(each.name for each in dataclasses.fields(cls)) if dataclasses.is_dataclass(cls) else None


def _plain(value: object) -> object:
    """What the JSON encoder does not know of a run: its dataclasses, field by field, and what `to_data` knows."""
    cls: Any = type(value)
    names = _field_names(cls)
    return to_data(value) if names is None else {name: getattr(value, name) for name in names}


_ENCODER: Final = json.JSONEncoder(
    ensure_ascii=False, separators=(",", ":"), allow_nan=False, check_circular=False, default=_plain
)
