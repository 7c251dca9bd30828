"""Recorded bytes: writing a raw capture, reading it and trace files as chunks with the times at which they came."""

from __future__ import annotations

import json
import re
import threading
import time
import tomllib
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import BinaryIO, Final

import numpy as np

from drivers.decoding import Decoder
from drivers.errors import RecordingError
from drivers.layouts import LineReader
from drivers.profile import BUILT_IN, Profile, Profiles, load
from drivers.samples import SampleBlock, Source

_BLOCK_S: Final = 0.010  # arrival times closer than this are not told apart in a sidecar
_CHUNK_S: Final = 0.010

CAPTURE_BYTES: Final = 100_000_000
"""At so many bytes a capture ends: over two hours at 1,000 lines a second, and some 15 MB when packed to be sent."""


@dataclass(frozen=True, slots=True)
class Recording:
    """A file that can be replayed.

    Attributes:
        profile: How its lines are read.
        cut_start: It begins in the middle of a line.
        chunks: (seconds, bytes), oldest first; the seconds begin at 0.
        source: What the file says of where its samples came from; None unknown.
        has_arrivals: The seconds are times of arrival, not made up from a rate.
    """

    profile: Profile
    cut_start: bool
    chunks: tuple[tuple[float, bytes], ...]
    source: Source | None = None
    has_arrivals: bool = True

    @property
    def duration_s(self) -> float:
        """Seconds from the first chunk to the last."""
        return self.chunks[-1][0] - self.chunks[0][0] if self.chunks else 0.0


def read_recording(path: Path | str, profiles: Profiles, profile: Profile | None = None) -> Recording:
    """Read a raw capture (``.raw``) or a trace file (anything else).

    Args:
        path: Of the file.
        profiles: Where the profile that a sidecar names is looked up.
        profile: Wins over the sidecar; trace files have their own.

    Raises:
        RecordingError: With file, line or key, and reason.
    """
    path = Path(path)
    return read_capture(path, profiles, profile) if path.suffix.lower() == ".raw" else read_trace_rows(path)


def _bytes_of(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        todo = (
            "give a file, not a folder" if isinstance(error, IsADirectoryError) else "look at its name and its folder"
        )
        if isinstance(error, PermissionError):
            todo = "have this account allowed to read it, or copy it"
        raise RecordingError(f"{path}: cannot be read: {error.strerror or error}; {todo}") from error


# --- raw captures -----------------------------------------------------------------------------------------------------


def sidecar_of(path: Path) -> Path:
    """``NAME.raw`` → ``NAME.raw.toml``."""
    return path.with_name(path.name + ".toml")


def read_capture(path: Path, profiles: Profiles, profile: Profile | None = None) -> Recording:
    """Read ``NAME.raw`` and, if it is there, ``NAME.raw.toml``.

    Raises:
        RecordingError: The file cannot be read, the sidecar is faulty, or nobody says which profile it is.
    """
    data = _bytes_of(path)
    sidecar = sidecar_of(path)
    facts: dict[str, object] = {}
    if sidecar.exists():
        try:
            facts = tomllib.loads(_bytes_of(sidecar).decode("utf-8-sig"))
        except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
            raise RecordingError(f"{sidecar}: is not TOML: {error}; correct it, or take it away") from error
    if profile is None:
        name = facts.get("profile")
        if not isinstance(name, str) or not name:
            raise RecordingError(
                f"{path}: no profile: {sidecar.name} does not name one; give it (--profile NAME-OR-PATH)"
            )
        try:
            profile = profiles.get(name)
        except ValueError as error:
            raise RecordingError(f"{sidecar}: profile: {error}") from error
    cut_start = facts.get("cut_start", False)
    if not isinstance(cut_start, bool):
        raise RecordingError(f"{sidecar}: cut_start: must be true or false, not {cut_start!r}")
    source = facts.get("source")
    if source is not None and source not in tuple(Source):
        raise RecordingError(f"{sidecar}: source: must be one of {', '.join(Source)}, not {source!r}")
    blocks = _blocks_of(facts.get("blocks", []), sidecar, len(data))
    if blocks:
        ends = [offset for _, offset in blocks[1:]] + [len(data)]
        begin_s = blocks[0][0]
        chunks = [(at - begin_s, data[begin:end]) for (at, begin), end in zip(blocks, ends, strict=True)]
        if blocks[0][1] > 0:
            chunks.insert(0, (0.0, data[: blocks[0][1]]))
    else:
        chunks = _even_chunks(data, profile)
    return Recording(
        profile,
        cut_start,
        tuple(chunks),
        Source(str(source)) if source is not None else None,
        has_arrivals=bool(blocks),
    )


def _blocks_of(value: object, sidecar: Path, size: int) -> list[tuple[float, int]]:
    wrong = RecordingError(
        f"{sidecar}: blocks: must be a list of [time_s, byte offset], both rising, within {size} bytes"
    )
    if not isinstance(value, list):
        raise wrong
    blocks: list[tuple[float, int]] = []
    for pair in value:
        if not isinstance(pair, list) or len(pair) != 2 or not all(isinstance(part, int | float) for part in pair):
            raise wrong
        at, offset = float(pair[0]), int(pair[1])
        if not 0 <= offset <= size or (blocks and (offset < blocks[-1][1] or at < blocks[-1][0])):
            raise wrong
        blocks.append((at, offset))
    return blocks


def _even_chunks(data: bytes, profile: Profile) -> list[tuple[float, bytes]]:
    """Nobody noted when the bytes came: cut them evenly by the rate and the mean length of the first lines."""
    if not data:
        return []
    sample = data[:65536]
    mean = len(sample) / max(1, sample.count(profile.terminator))
    rate_hz = profile.rate_hz or 100.0
    size = max(1, round(mean * rate_hz * _CHUNK_S), round(mean))
    step_s = size / mean / rate_hz
    return [(number * step_s, data[at : at + size]) for number, at in enumerate(range(0, len(data), size))]


class CaptureWriter:
    """Writes bytes as they come to ``NAME.raw``, and what is known of them to ``NAME.raw.toml``. Any thread.

    The sidecar is there from the start, so that a capture cut short by a crash can still be decoded.

    Attributes:
        path: Of the file.
        n_bytes: Written so far.

    Raises:
        OSError: The files cannot be written.
    """

    def __init__(self, path: Path | str, profile: str, source: Source) -> None:
        path = Path(path)
        self.n_bytes = 0
        self.path = path if path.suffix == ".raw" else path.with_name(path.name + ".raw")
        self._profile, self._source = profile, source
        self._lock = threading.Lock()
        self._begin_s = time.monotonic()
        self._blocks: list[tuple[float, int]] = []
        self._file: BinaryIO | None = self.path.open("wb")
        self._write_sidecar()

    def write(self, data: bytes, arrival_s: float) -> None:
        """Append `data`, which arrived at `arrival_s` (monotonic)."""
        with self._lock:
            if self._file is None:
                return
            at_s = max(0.0, arrival_s - self._begin_s)
            if not self._blocks or at_s - self._blocks[-1][0] >= _BLOCK_S:
                self._blocks.append((at_s, self.n_bytes))
            self._file.write(data)
            self.n_bytes += len(data)

    def close(self) -> None:
        """Close the file and complete the sidecar; may be called again."""
        with self._lock:
            if self._file is not None:
                self._file.close()
                self._file = None
                self._write_sidecar()

    def _write_sidecar(self) -> None:
        blocks = ",\n".join(f"  [{at_s:.6f}, {offset}]" for at_s, offset in self._blocks)
        sidecar_of(self.path).write_text(
            f"profile = {json.dumps(self._profile, ensure_ascii=False)}\n"
            "cut_start = true\n"
            f'source = "{self._source}"\n'
            f"blocks = [\n{blocks}\n]\n",
            encoding="utf-8",
        )


# --- trace files ------------------------------------------------------------------------------------------------------

_FACT: Final = re.compile(r"#\s*([^:]+?)\s*:\s*(.*?)\s*")


_LONG: Final = re.compile(rb"[\d.]{17,}")


def _short_numbers(row: bytes) -> bytes:
    """Give the long numbers of a row (a program's binary fractions, `0.0010000000000000009`) 12 decimals.

    A device's own digits are never that many; more than 18 are no number of a line.
    """
    if len(row) < 17 or not _LONG.search(row):
        return row

    def shortened(match: re.Match[bytes]) -> bytes:
        try:
            return f"{float(match[0]):.12f}".rstrip("0").rstrip(".").encode()
        except ValueError:
            return match[0]

    return _LONG.sub(shortened, row)


def read_trace_rows(path: Path) -> Recording:
    """Read a trace file as lines of a device: its rows are what a transducer sent, its ``# key: value`` lines say how.

    Raises:
        RecordingError: With file, line and reason.
    """
    data = _bytes_of(path)
    if data.startswith(b"\xef\xbb\xbf"):
        data = data[3:]
    facts: dict[str, str] = {}
    rows: list[bytes] = []
    header: list[str] | None = None
    numbers: list[int] = []
    for number, line in enumerate(data.split(b"\n"), 1):
        if line.startswith(b"#"):
            match = _FACT.fullmatch(line.decode("utf-8", "replace").rstrip())
            if match:
                facts[match[1]] = match[2]
        elif header is None and line.strip():
            header = [name.strip() for name in line.decode("utf-8", "replace").split(",")]
            for name in ("time_s", "torque"):
                if header.count(name) != 1:
                    raise RecordingError(f'{path}: line {number}: the header must name "time_s" and "torque" once')
        elif line.strip():
            rows.append(_short_numbers(line))
            numbers.append(number)
    if header is None or not rows:
        raise RecordingError(f"{path}: has no rows of torque")
    profile = _trace_profile(path, header, facts)
    body = b"\n".join(rows) + b"\n"
    columns = LineReader(profile).read(body)
    if len(columns) != len(rows) or columns.ticks is None:
        raise RecordingError(f"{path}: a row of more than one line")
    bad = np.flatnonzero(columns.code < 0)
    if len(bad):
        line = rows[bad[0]][:60].decode("latin-1").strip()
        raise RecordingError(f"{path}: line {numbers[bad[0]]}: {line!r} is not a row of numbers with a point")
    back = np.flatnonzero(np.diff(columns.ticks) <= 0)
    if len(back):
        raise RecordingError(f"{path}: line {numbers[back[0] + 1]}: the time does not rise")
    at_s = columns.ticks - columns.ticks[0]
    edges = np.flatnonzero(np.diff(np.floor(at_s / _CHUNK_S + 1e-6), prepend=-1.0)).tolist()
    chunks = tuple(
        (float(at_s[end - 1]), b"\n".join(rows[begin:end]) + b"\n") for begin, end in pairwise([*edges, len(rows)])
    )
    source = facts.get("source")
    return Recording(profile, False, chunks, Source(source) if source in tuple(Source) else None)


def _trace_profile(path: Path, header: list[str], facts: dict[str, str]) -> Profile:
    profile = load(BUILT_IN / "trace-rows.toml")
    unit = profile.unit_of(facts["unit"]) if "unit" in facts else profile.unit
    if unit is None:
        raise RecordingError(f"{path}: unit: {facts['unit']!r} is no torque unit known here")
    polarity = facts.get("polarity", "clockwise")
    if polarity not in ("clockwise", "anticlockwise"):
        raise RecordingError(f"{path}: polarity: must be clockwise or anticlockwise, not {polarity!r}")
    figures: dict[str, float] = {}
    for key in ("capacity", "nominal_rate_hz"):
        if key in facts:
            try:
                figures[key] = float(facts[key])
            except ValueError:
                raise RecordingError(f"{path}: {key}: {facts[key]!r} is not a number") from None
    pattern = profile.pattern
    if header[:2] != ["time_s", "torque"]:
        number = r"[+-]?\d*\.?\d+(?:[eE][+-]?\d+)?"
        pattern = re.compile(
            r"\s*,\s*".join(f"(?P<{name}>{number})" if name in ("time_s", "torque") else "[^,]*" for name in header)
        )
    return replace(
        profile,
        unit=unit,
        capacity=figures.get("capacity"),
        clockwise_positive=polarity == "clockwise",
        rate_hz=figures.get("nominal_rate_hz", 0.0),
        pattern=pattern,
    )


def decode(recording: Recording) -> tuple[Decoder, list[SampleBlock]]:
    """Decode a recording at once: (the decoder with its counts, the sample blocks)."""
    decoder = Decoder(recording.profile, recording.source or Source.REPLAYED, drop_first=recording.cut_start)
    blocks: list[SampleBlock] = []
    for at_s, data in recording.chunks:
        blocks += decoder.feed(data, at_s)
    decoder.finish()
    return decoder, blocks
