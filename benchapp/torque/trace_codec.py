"""A trace as few bytes, and back to the last bit.

Torque is kept in the device's own steps: differences from sample to sample, small whole numbers, zigzag (0, −1, 1, −2 …
become 0, 1, 2, 3 …) in as few bytes as the largest needs, all low bytes first, then zlib (RFC 1950), written by ISA-L.
Noise is all that is left then, and no slower compressor gets more out of it (measured in tests/bench/test_codec.py).
Times are kept as counts of a clock where they are one, to the last bit, and then cost next to nothing; otherwise as the
bits they are.

Layout: ``KTR``, version, CRC-32 of all that follows, length of the head, zlib of head (JSON), times and torque.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterator
from types import MappingProxyType
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from isal import isal_zlib

from benchapp.torque.direction import Direction
from benchapp.torque.trace import Trace
from benchapp.torque.units import FACTORS
from drivers.samples import FloatArray, Gap, IntArray, Source

MAGIC: Final = b"KTR"
VERSION: Final = 1
_PREFIX: Final = len(MAGIC) + 1 + 4 + 4
_MOST_PLACES: Final = 12
_MOST_DIGITS: Final = 2.0**53
_JSON: Final = json.JSONEncoder(ensure_ascii=False, separators=(",", ":"))
_PROBE: Final = 40  # samples that tell whether a way of writing them is worth trying on all
_LEVEL: Final = 1  # of ISA-L's 0 to 3; 2 and 3 take longer and gain nothing on noise
_ZIGZAG: Final = bytes((2 * byte) & 0xFF if byte < 0x80 else ~(2 * byte) & 0xFF for byte in range(256))


class TraceCodecError(ValueError):
    """Bytes that are no trace, are damaged, or come from a newer version."""


def encode(trace: Trace) -> bytes:
    """Return a trace as bytes; the same trace gives the same bytes on the same machine.

    >>> t = np.arange(5000) / 1000.0
    >>> digits = np.arange(5000) * 2
    >>> trace = Trace(t, digits / 100.0, "N·m", Source.LIVE, digits=digits, decimals=2)
    >>> blob = encode(trace)
    >>> len(blob) < 400, bool((decode(blob).t_s == t).all())
    (True, True)
    """
    times, time_head = _encode_times(trace)
    values, value_head = _encode_values(trace)
    head: dict[str, Any] = {"n": len(trace), "unit": trace.unit, "source": trace.source.value}
    head |= {"t": time_head, "v": value_head}
    optional = {
        "capacity": trace.capacity,
        "rate": trace.nominal_rate_hz,
        "recorded": trace.recorded,
        "polarity": None if trace.polarity is Direction.CLOCKWISE else trace.polarity.value,
        "gaps": [[gap.start_s, gap.duration_s, gap.missing] for gap in trace.gaps] or None,
        "notes": list(trace.notes) or None,
        "extra": dict(trace.extra) or None,
        "columns": {name: list(cells) for name, cells in trace.columns.items()} or None,
    }
    head |= {name: value for name, value in optional.items() if value is not None}
    told = _JSON.encode(head).encode()
    rest = len(told).to_bytes(4, "little") + isal_zlib.compress(told + times + values, _LEVEL)
    return MAGIC + bytes([VERSION]) + zlib.crc32(rest).to_bytes(4, "little") + rest


def is_encoded(blob: bytes) -> bool:
    """True for bytes that begin as those of `encode` do."""
    return blob.startswith(MAGIC)


def decode(blob: bytes) -> Trace:
    """Return the trace of `encode`, equal to the last bit.

    Raises:
        TraceCodecError: Bytes that `encode` did not give, or one of them changed, or a newer version.
    """
    if not is_encoded(blob) or len(blob) < _PREFIX:
        raise TraceCodecError("these bytes are no trace")
    if blob[len(MAGIC)] != VERSION:
        raise TraceCodecError(f"a trace of version {blob[len(MAGIC)]}; this program reads version {VERSION}")
    if zlib.crc32(blob[8:]) != int.from_bytes(blob[4:8], "little"):
        raise TraceCodecError("the bytes of this trace are damaged: their checksum does not fit")
    try:
        size = int.from_bytes(blob[8:_PREFIX], "little")
        whole = zlib.decompress(blob[_PREFIX:])
        return _trace(json.loads(whole[:size]), whole[size:])
    except (zlib.error, ValueError, KeyError, TypeError, IndexError, OverflowError) as error:
        raise TraceCodecError(f"the bytes of this trace make no trace: {error}") from error


def _trace(head: dict[str, Any], body: bytes) -> Trace:
    n = int(head["n"])
    time_head, value_head = head["t"], head["v"]
    n_time = n * int(time_head["size"])
    expected = n_time + n * int(value_head["size"])
    if len(body) != expected:
        raise TraceCodecError(f"{len(body)} bytes of samples where {expected} belong")
    if head["unit"] not in FACTORS:
        raise TraceCodecError(f"unit {head['unit']!r} is not known here")
    t_s = _decode_times(body[:n_time], n, time_head)
    torque, digits, decimals = _decode_values(body[n_time:], n, value_head)
    columns = {name: tuple(cells) for name, cells in head.get("columns", {}).items()}
    return Trace(
        t_s=t_s,
        torque=torque,
        unit=head["unit"],
        source=Source(head["source"]),
        digits=digits,
        decimals=decimals,
        capacity=head.get("capacity"),
        polarity=Direction(head.get("polarity", Direction.CLOCKWISE)),
        nominal_rate_hz=head.get("rate"),
        recorded=head.get("recorded"),
        gaps=tuple(Gap(*gap) for gap in head.get("gaps", ())),
        notes=tuple(head.get("notes", ())),
        extra=MappingProxyType(head.get("extra", {})),
        columns=MappingProxyType(columns),
    )


# ---- whole numbers as few bytes


def _pack(numbers: IntArray) -> tuple[bytes, int]:
    """(zigzag numbers, low bytes first; bytes each), for numbers of any sign."""
    least, greatest = (int(numbers.min()), int(numbers.max())) if len(numbers) else (0, 0)
    most = max(greatest, -least - 1)
    size = next(each for each in (1, 2, 4, 8) if most < 1 << (8 * each - 1))
    numbers = numbers.astype(f"<i{size}")  # first, so that all that follows moves fewer bytes
    if size == 1:
        return numbers.tobytes().translate(_ZIGZAG), size
    zigzag = (numbers << 1) ^ (numbers >> (8 * size - 1))
    return zigzag.view(np.uint8).reshape(-1, size).T.tobytes(), size


def _unpack(raw: bytes, n: int, size: int) -> IntArray:
    if size not in (1, 2, 4, 8):
        raise TraceCodecError(f"{size} bytes a number are none of ours")
    planes = np.frombuffer(raw, dtype=np.uint8).reshape(size, n)
    zigzag = np.ascontiguousarray(planes.T).view(f"<u{size}").reshape(n).astype(np.uint64)
    return (zigzag >> np.uint64(1)).view(np.int64) ^ -(zigzag & np.uint64(1)).view(np.int64)


def _steps(numbers: IntArray, order: int) -> tuple[IntArray, list[int]]:
    """Differences of `order`, and the numbers that they begin with; whole numbers wrap around, so nothing is lost."""
    begins = []
    for _ in range(order):
        begins.append(int(numbers[0]) if len(numbers) else 0)
        steps = np.empty_like(numbers)
        steps[:1] = 0
        np.subtract(numbers[1:], numbers[:-1], out=steps[1:])
        numbers = steps
    return numbers, begins


def _sums(steps: IntArray, begins: list[int]) -> IntArray:
    for begin in reversed(begins):
        if len(steps):
            steps = steps.copy()
            steps[0] = begin
        steps = np.cumsum(steps, dtype=np.int64)
    return steps


# ---- times


def _encode_times(trace: Trace) -> tuple[bytes, dict[str, Any]]:
    t_s = trace.t_s
    begin_s = float(t_s[0]) if len(t_s) else 0.0
    some: list[float] | None = None
    tried = set()
    for kind, way, unit in _ways(trace):
        if kind in tried:
            continue
        offset_s = begin_s if way == "after" else 0.0
        head: dict[str, Any] = {"way": way, "unit": unit, "offset_s": offset_s}
        first, step = _ticks(t_s, way, unit, offset_s)
        # nearly always: the clock ticks on and nothing is missing
        if step is not None and _same_bits(_seconds(_regular(len(t_s), first, step), way, unit, offset_s), t_s):
            return b"", {**head, "begins": [first, step], "size": 0}
        if some is None:
            some = t_s[:: max(len(t_s) // _PROBE, 1)].tolist()
        # a clock that fits some and not all will not fit with more decimal places either
        if not all(_fits(each_s, way, unit, offset_s) for each_s in some):
            continue
        tried.add(kind)
        if step is not None:
            continue
        counts = _counts(t_s, way, unit, offset_s)
        if counts is not None:
            steps, begins = _steps(counts, 2)
            raw, size = _pack(steps)
            return raw, {**head, "begins": begins, "size": size}
    steps, begins = _steps(np.ascontiguousarray(t_s).view(np.int64), 2)
    raw, size = _pack(steps)
    return raw, {"way": "bits", "begins": begins, "size": size}


def _ticks(t_s: FloatArray, way: str, unit: float, offset_s: float) -> tuple[int, int | None]:
    """(first count, step) of a clock on which the first two times and the last lie evenly; step None: they do not."""
    n = len(t_s)
    if not n:
        return 0, None
    first = _count(t_s.item(0), way, unit, offset_s)
    second = _count(t_s.item(min(1, n - 1)), way, unit, offset_s)
    last = _count(t_s.item(n - 1), way, unit, offset_s)
    if first is None or second is None or last is None:
        return 0, None
    return first, second - first if last == first + (second - first) * (n - 1) else None


def _ways(trace: Trace) -> Iterator[tuple[str, str, float]]:
    """Yield (kind, way, unit): counts over a rate, decimal places, counts after a begin, ticks of so many seconds."""
    rate = float(trace.nominal_rate_hz or 0.0)
    if rate:
        yield "rate", "over", rate
    for places in range(_MOST_PLACES + 1):
        if 10.0**places != rate:
            yield "decimal", "over", 10.0**places
    if rate:
        yield "after", "after", rate
    for places in (3, 6):
        if 10.0**places != rate:
            yield f"after {places}", "after", 10.0**places
    for places in range(3, 10):
        yield "ticks", "times", 10.0**-places


def _regular(n: int, first: int, step: int) -> IntArray:
    if step == 1:
        return np.arange(first, first + n, dtype=np.int64)
    counts = np.arange(n, dtype=np.int64)
    counts *= step
    if first:
        counts += first
    return counts


def _fits(time_s: float, way: str, unit: float, offset_s: float) -> bool:
    return _count(time_s, way, unit, offset_s) is not None


def _count(time_s: float, way: str, unit: float, offset_s: float) -> int | None:
    """The count of this clock that one time is to the last bit: what `_counts` asks of all, in 1 µs; or None."""
    after_s = time_s - offset_s
    ticks = after_s / unit if way == "times" else after_s * unit
    if not abs(ticks) < _MOST_DIGITS:
        return None
    whole = round(ticks)
    return whole if (whole * unit if way == "times" else whole / unit) + offset_s == time_s else None


def _seconds(counts: IntArray, way: str, unit: float, offset_s: float) -> FloatArray:
    seconds: FloatArray = np.multiply(counts, unit) if way == "times" else np.divide(counts, unit)
    if way == "after":
        seconds += offset_s
    return seconds


def _counts(t_s: FloatArray, way: str, unit: float, offset_s: float = 0.0) -> IntArray | None:
    """The counts that give these times to the last bit, or None."""
    with np.errstate(over="ignore", invalid="ignore"):
        after_s = t_s - offset_s if way == "after" else t_s
        scaled = np.rint(after_s / unit if way == "times" else after_s * unit)
        if len(scaled) and not max(-float(scaled.min()), float(scaled.max())) < _MOST_DIGITS:
            return None
    counts = scaled.astype(np.int64)
    return counts if _same_bits(_seconds(counts, way, unit, offset_s), t_s) else None


def _decode_times(raw: bytes, n: int, head: dict[str, Any]) -> FloatArray:
    size = int(head["size"])
    counts = _regular(n, *head["begins"]) if size == 0 else _sums(_unpack(raw, n, size), head["begins"])
    if head["way"] == "bits":
        return counts.view(np.float64)
    if head["way"] not in ("over", "times", "after"):
        raise TraceCodecError(f"times written as {head['way']!r} are not known here")
    return _seconds(counts, head["way"], float(head["unit"]), float(head["offset_s"]))


# ---- torque


def _encode_values(trace: Trace) -> tuple[bytes, dict[str, Any]]:
    if trace.digits is not None and _same_bits(trace.digits / 10.0**trace.decimals, trace.torque):
        steps, begins = _steps(trace.digits, 1)
        raw, size = _pack(steps)
        return raw, {"way": "digits", "places": trace.decimals, "begins": begins, "size": size}
    if trace.digits is not None:  # a trace that broke its promise: both are kept as they are
        digits = _planes(np.ascontiguousarray(trace.digits).view(np.uint64))
        floats = _planes(np.ascontiguousarray(trace.torque).view(np.uint64))
        return digits + floats, {"way": "both", "places": trace.decimals, "size": 16}
    for places in range(_MOST_PLACES + 1):
        if not all(_fits(torque, "over", 10.0**places, 0.0) for torque in trace.torque[:_PROBE].tolist()):
            continue
        counts = _counts(trace.torque, "over", 10.0**places)
        if counts is not None:
            steps, begins = _steps(counts, 1)
            raw, size = _pack(steps)
            return raw, {"way": "decimal", "places": places, "begins": begins, "size": size}
    return _planes(np.ascontiguousarray(trace.torque).view(np.uint64)), {"way": "bits", "size": 8}


def _decode_values(raw: bytes, n: int, head: dict[str, Any]) -> tuple[FloatArray, IntArray | None, int]:
    """(torque, digits or None, decimals)."""
    way = head["way"]
    if way == "bits":
        return _from_planes(raw, n).view(np.float64), None, 0
    if way == "both":
        digits, bits = _from_planes(raw[: 8 * n], n), _from_planes(raw[8 * n :], n)
        return bits.view(np.float64), digits.view(np.int64), int(head["places"])
    if way not in ("digits", "decimal"):
        raise TraceCodecError(f"torque written as {way!r} is not known here")
    counts = _sums(_unpack(raw, n, int(head["size"])), head["begins"])
    torque = counts / 10.0 ** int(head["places"])
    return (torque, counts, int(head["places"])) if way == "digits" else (torque, None, 0)


def _planes(bits: npt.NDArray[np.uint64]) -> bytes:
    return bits.astype("<u8").view(np.uint8).reshape(-1, 8).T.tobytes()


def _from_planes(raw: bytes, n: int) -> npt.NDArray[np.uint64]:
    planes = np.frombuffer(raw, dtype=np.uint8).reshape(8, n)
    return np.ascontiguousarray(planes.T).view("<u8").reshape(n).astype(np.uint64)


def _same_bits(one: FloatArray, other: FloatArray) -> bool:
    """True for equal bits: −0.0 is not 0.0, and a NaN is itself."""
    return one.tobytes() == other.tobytes()
