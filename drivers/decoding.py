"""From bytes to sample blocks: framing, reading of lines, dating, and what is counted on the way.

A live link and a recorded capture are decoded by the same class.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from drivers.clock import Clock, Marks, RowGap, clock_for
from drivers.framing import LineFramer
from drivers.layouts import CodeArray, Columns, LineReader
from drivers.lines import Kind
from drivers.profile import Profile
from drivers.samples import NO_TIMES, FloatArray, Gap, IntArray, SampleBlock, Source

_log = logging.getLogger(__name__)


@dataclass(slots=True)
class Counts:
    """What a decoder has seen. ``n_lines == n_understood + n_refused``.

    Attributes:
        n_lines: Lines, empty ones left out, too long ones included.
        n_samples: Lines that carried a torque.
        n_overloads: Lines that said "overload" instead.
        n_replies: Replies to `identify`.
        n_no_match: Lines that the profile does not describe.
        n_checksum: Lines whose checksum disagrees.
        n_too_long: Lines longer than any line can be.
        n_unit_changes: Samples in another unit than the one before.
        n_gaps: Gaps told in blocks.
        n_unterminated: Unfinished lines at the end of a stream.
    """

    n_lines: int = 0
    n_samples: int = 0
    n_overloads: int = 0
    n_replies: int = 0
    n_no_match: int = 0
    n_checksum: int = 0
    n_too_long: int = 0
    n_unit_changes: int = 0
    n_gaps: int = 0
    n_unterminated: int = 0

    @property
    def n_understood(self) -> int:
        """Lines that meant something."""
        return self.n_samples + self.n_overloads + self.n_replies

    @property
    def n_refused(self) -> int:
        """Lines skipped."""
        return self.n_no_match + self.n_checksum + self.n_too_long


class Decoder:
    """Bytes of one device → sample blocks, however the bytes are cut. One thread.

    Args:
        profile: How the device talks.
        source: Goes into every block.
        drop_first: The stream begins in the middle of a line: skip up to the first terminator, uncounted.
        live: Arrival times are real; without sequence or device clock they date the samples.
    """

    def __init__(
        self, profile: Profile, source: Source = Source.LIVE, *, drop_first: bool = False, live: bool = False
    ) -> None:
        self.profile = profile
        self.source = source
        self.counts = Counts()
        self._framer = LineFramer(profile.terminator)
        self._reader = LineReader(profile)
        self._clock: Clock = clock_for(profile, live=live)
        self._drop_first = drop_first
        self._n_slots = 0
        self._n_logged = 0
        self._unit = ""
        self._last_sample_s: float | None = None
        self._n_in_hole = 0

    @property
    def identity(self) -> str:
        """What the device last called itself in reply to `identify`; empty unknown."""
        return self._reader.identity

    @property
    def interval_s(self) -> float:
        """Seconds between two samples as the clock knows them; 0 unknown."""
        return self._clock.interval_s

    @property
    def clock_notes(self) -> dict[str, int]:
        """How often the device's "time" or "sequence" went back."""
        return dict(self._clock.notes)

    def feed(self, data: bytes, arrival_s: float = 0.0) -> list[SampleBlock]:
        """Take the next bytes, the last of which arrived at `arrival_s` (monotonic), and return what they complete."""
        stretches = self._framer.feed(data)
        if len(stretches) == 1 and not self._drop_first:
            return self._read(stretches[0], arrival_s)
        blocks: list[SampleBlock] = []
        for number, body in enumerate(stretches):
            if number and not self._first_is_dropped():
                self._count_too_long()
            if body and self._first_is_dropped():
                body = body[body.find(self.profile.terminator) + len(self.profile.terminator) :]
            blocks += self._read(body, arrival_s)
        return blocks

    def _read(self, body: bytes, arrival_s: float) -> list[SampleBlock]:
        """Read and date `body`. Most often it is a line or a few as the ones before: every step costs there."""
        if not body:
            return []
        reader = self._reader
        digits = reader.read_plain(body)
        if digits is None:
            return self._blocks(reader.read(body), arrival_s)
        n, counts = len(digits), self.counts
        unit, decimals = reader.formats[reader.plain_code]
        t_s = None if self._n_in_hole or unit != self._unit else self._clock.go_on(self._n_slots, n, arrival_s)
        if t_s is None:
            return self._alike(reader.plain_code, digits, None, None, arrival_s)
        self._n_slots += n
        self._last_sample_s = t_s.item(-1)
        block = SampleBlock(counts.n_samples, t_s, digits, decimals, unit, self.source, (), NO_TIMES, arrival_s)
        counts.n_lines += n
        counts.n_samples += n
        return [block]

    def _first_is_dropped(self) -> bool:
        """True once, for the line that may have been cut at its beginning."""
        drop, self._drop_first = self._drop_first, False
        return drop

    def _count_too_long(self) -> None:
        if not self.counts.n_too_long:
            _log.info("%s: a line without an end in sight is skipped", self.profile.name)
        self.counts.n_lines += 1
        self.counts.n_too_long += 1
        self._n_slots += 1

    def reopen(self, away_s: float) -> None:
        """The link was away for `away_s` and is back: the unfinished line and the next one are not trusted."""
        self._framer.reset()
        self._drop_first = True
        self._clock.resume(away_s)

    def finish(self) -> None:
        """End of the stream: an unfinished line is dropped and counted."""
        self.counts.n_unterminated += self._framer.finish()

    def _blocks(self, columns: Columns, arrival_s: float) -> list[SampleBlock]:
        if columns.uniform is not None and columns.uniform >= 0:
            return self._alike(columns.uniform, columns.digits, columns.ticks, columns.sequence, arrival_s)
        counts, n, code = self.counts, len(columns), columns.code
        tally = np.bincount(code + 5, minlength=5)  # Kind.IDENTITY is −5
        counts.n_lines += n - int(tally[5 + Kind.EMPTY])
        counts.n_replies += int(tally[5 + Kind.IDENTITY])
        counts.n_no_match += int(tally[5 + Kind.NO_MATCH])
        counts.n_checksum += int(tally[5 + Kind.CHECKSUM])
        self._log_refused()
        is_slot = (code != Kind.EMPTY) & (code != Kind.IDENTITY)
        line = self._n_slots - 1 + np.cumsum(is_slot)
        self._n_slots += int(np.count_nonzero(is_slot))
        dated = code >= Kind.OVERLOAD
        t_s, gaps = self._clock.date(
            Marks(
                line[dated],
                None if columns.ticks is None else columns.ticks[dated],
                None if columns.sequence is None else columns.sequence[dated],
                arrival_s,
            )
        )
        return self._cut(code[dated], columns.digits[dated], t_s, gaps, arrival_s)

    def _alike(
        self, code: int, digits: IntArray, ticks: FloatArray | None, sequence: IntArray | None, arrival_s: float
    ) -> list[SampleBlock]:
        """Date rows that are all samples of one format, as they nearly always are."""
        n = len(digits)
        self.counts.n_lines += n
        line = range(self._n_slots, self._n_slots + n)
        self._n_slots += n
        t_s, gaps = self._clock.date(Marks(line, ticks, sequence, arrival_s))
        if self._n_in_hole:
            return self._cut(np.full(n, code, np.int16), digits, t_s, gaps, arrival_s)
        self._last_sample_s = float(t_s[-1])
        self.counts.n_gaps += len(gaps)
        told = tuple(gap for _, gap in gaps) if gaps else ()
        return [self._block(code, digits, t_s, told, NO_TIMES, arrival_s)]

    def _log_refused(self) -> None:
        for kind, raw in self._reader.refused[self._n_logged :]:
            _log.info("%s: line skipped (%s): %r", self.profile.name, kind.name.lower(), raw)
        self._n_logged = len(self._reader.refused)

    def _cut(
        self, code: CodeArray, digits: IntArray, t_s: FloatArray, gaps: list[RowGap], arrival_s: float
    ) -> list[SampleBlock]:
        """Cut where unit or decimals change; overloads are told in the block in which they lie."""
        counts = self.counts
        if not len(code):
            return []
        overload = code == Kind.OVERLOAD
        n_overloads = int(np.count_nonzero(overload))
        counts.n_overloads += n_overloads
        if n_overloads or self._n_in_hole:
            gaps = self._with_overloads(overload, t_s, gaps)
        else:
            self._last_sample_s = float(t_s[-1])
        counts.n_gaps += len(gaps)
        blocks: list[SampleBlock] = []
        for begin, end in _runs(code, overload if n_overloads else None):
            over: FloatArray = NO_TIMES
            row_t, row_digits, row_code = t_s[begin:end], digits[begin:end], code[begin:end]
            if n_overloads:
                mask = overload[begin:end]
                over, row_t, row_digits, row_code = row_t[mask], row_t[~mask], row_digits[~mask], row_code[~mask]
            told = tuple(gap for row, gap in gaps if begin <= row < end)
            format_code = int(row_code[0]) if len(row_code) else None
            blocks.append(self._block(format_code, row_digits, row_t, told, over, arrival_s))
        return blocks

    def _block(
        self,
        code: int | None,
        digits: IntArray,
        t_s: FloatArray,
        gaps: tuple[Gap, ...],
        overload_t_s: FloatArray,
        arrival_s: float,
    ) -> SampleBlock:
        """The next block; `code` is None when overloads are all it tells."""
        counts = self.counts
        unit, decimals = self._unit or self.profile.unit, 0
        if code is not None:
            unit, decimals = self._reader.formats[code]
            if unit != self._unit:
                counts.n_unit_changes += bool(self._unit)
                self._unit = unit
        block = SampleBlock(counts.n_samples, t_s, digits, decimals, unit, self.source, gaps, overload_t_s, arrival_s)
        counts.n_samples += len(t_s)
        return block

    def _with_overloads(self, overload: npt.NDArray[np.bool_], t_s: FloatArray, gaps: list[RowGap]) -> list[RowGap]:
        """Gaps between samples with a torque: an overload, and what is missing around it, is a gap until the next."""
        at_row = dict(gaps)
        merged: list[RowGap] = []
        for row, (is_over, now_s) in enumerate(zip(overload.tolist(), t_s.tolist(), strict=True)):
            gap = at_row.get(row)
            if self._last_sample_s is None:
                self._last_sample_s = None if is_over else now_s
            elif is_over:
                self._n_in_hole += 1 + (gap.missing if gap else 0)
            else:
                if gap or self._n_in_hole:
                    start_s = self._last_sample_s
                    missing = self._n_in_hole + (gap.missing if gap else 0)
                    merged.append((row, Gap(start_s, now_s - start_s, missing)))
                self._last_sample_s, self._n_in_hole = now_s, 0
        return merged


def _runs(code: CodeArray, overload: npt.NDArray[np.bool_] | None) -> list[tuple[int, int]]:
    """Stretches of one format; an overload belongs to the stretch before it, or to the first one."""
    if overload is None:
        if code[0] == code[-1] and (code == code[0]).all():
            return [(0, len(code))]
        changes = np.flatnonzero(np.diff(code)) + 1
    else:
        rows = np.flatnonzero(~overload)
        changes = rows[1:][np.diff(code[rows]) != 0] if len(rows) else rows
    edges = [0, *changes.tolist(), len(code)]
    return list(pairwise(edges))
