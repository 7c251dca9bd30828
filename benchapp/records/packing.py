"""A pull made ready for the store, on any thread: so that whoever writes has only writing to do."""

from __future__ import annotations

import dataclasses
import hashlib
import json
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final

from benchapp.records import _blob
from benchapp.runs.codec import to_data
from benchapp.runs.model import CapturedPull, Run
from benchapp.torque.trace import Trace
from drivers.samples import Source

_STATE_FIELDS: Final = tuple(f.name for f in dataclasses.fields(Run) if f.name not in ("plan", "pulls"))


@dataclass(frozen=True, slots=True)
class PackedPull:
    """A pull with its trace as they will be stored.

    Attributes:
        run: As it stands with the pull in it.
        pull: The pull.
        state: The run without plan and pulls, as JSON.
        data: The pull as JSON.
        blob: The bytes of its trace.
        sha256: Their SHA-256 (FIPS 180-4) as 64 hex digits.
        n_samples: How many samples they hold.
        source: Where the samples came from.
    """

    run: Run
    pull: CapturedPull
    state: str
    data: str
    blob: bytes
    sha256: str
    n_samples: int
    source: Source


def packed(run: Run, pull: CapturedPull, trace: Trace) -> PackedPull:
    """Return a pull of `run` with its trace packed; raises `CodecError` for a number that is not finite."""
    blob = _blob.encode(trace)
    sha256 = hashlib.sha256(blob).hexdigest()
    return PackedPull(run, pull, state_of(run), text_of(pull), blob, sha256, len(trace), trace.source)


def state_of(run: Run) -> str:
    """Return a run without plan and pulls as JSON."""
    return text_of({name: getattr(run, name) for name in _STATE_FIELDS})


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
