"""Small pictures for paper, in black and white: pulls as they were recorded, and deviations between their limits."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QPainter, QPainterPath, QPen

from benchapp.torque.trace import Trace
from benchapp.torque.units import to_nm
from benchapp.ui.format import percent, short
from benchapp.ui.paper.sheet import BLACK, HAIR, PT, SOFT, Piece, draw_lines, face, line_height
from drivers.samples import FloatArray


@dataclass(frozen=True, slots=True)
class SmallPull:
    """One pull to draw; torques in N·m, positive in its direction, None where nothing was stored.

    Attributes:
        caption: Under it, first line.
        second: Under it, second line.
        t_s: From the start of the pull.
        torque_nm: Same shape.
        reading: (seconds, torque) of the reading; None without.
        counts: False: drawn in grey.
    """

    caption: str
    second: str
    t_s: FloatArray
    torque_nm: FloatArray
    reading: tuple[float, float] | None
    counts: bool


def window_of(trace: Trace, sign: int, start_s: float, end_s: float) -> tuple[FloatArray, FloatArray]:
    """Return (t, torque) of a stored trace around its pull: seconds from its start, N·m positive in its direction."""
    torque = to_nm(np.asarray(trace.torque), trace.unit) * (trace.polarity.sign * sign)
    air = 0.15 * max(end_s - start_s, 0.1)
    inside = (trace.t_s >= start_s - air) & (trace.t_s <= end_s + air)
    if not inside.any():
        inside = np.ones(len(trace.t_s), dtype=bool)
    return trace.t_s[inside] - start_s, torque[inside]


def columns_of(t: FloatArray, v: FloatArray, low: float, high: float, n: int) -> list[tuple[float, float, float]]:
    """Reduce samples to at most `n` columns of time: (time, least, greatest); nothing between is lost to the eye.

    A column without samples is left out.
    """
    if not len(t):
        return []
    place = np.clip(((t - low) / (high - low) * n).astype(np.int64), 0, n - 1)
    starts = np.flatnonzero(np.diff(place, prepend=-1))
    least, greatest = np.minimum.reduceat(v, starts), np.maximum.reduceat(v, starts)
    return [(float(t[i]), float(a), float(b)) for i, a, b in zip(starts, least, greatest, strict=True)]


def pull_rows(
    pulls: Sequence[SmallPull], width: float, corridor: tuple[float, float] | None, *, a_row: int = 5
) -> list[Piece]:
    """Return the pulls of one checkpoint, all on one scale of torque and time, as rows that are never cut."""
    drawn = [pull for pull in pulls if len(pull.t_s)]
    low = min((float(pull.t_s[0]) for pull in drawn), default=0.0)
    high = max((float(pull.t_s[-1]) for pull in drawn), default=1.0)
    top = max([float(pull.torque_nm.max()) for pull in drawn] + ([corridor[1]] if corridor else []) + [1e-9])
    foot = min([float(pull.torque_nm.min()) for pull in drawn] + [0.0])
    high = max(high, low + 1e-3)
    gap, small = 9 * PT, face(6.8)
    wide = (width - gap * (a_row - 1)) / a_row
    tall = 46 * PT
    rows = []
    for start in range(0, len(pulls), a_row):
        part = pulls[start : start + a_row]

        def draw(painter: QPainter, x: float, y: float, part: Sequence[SmallPull] = part) -> None:
            for index, pull in enumerate(part):
                box = QRectF(x + index * (wide + gap), y, wide, tall)
                _pull(painter, pull, box, (low, high), (foot, top * 1.06), corridor)
                under = QRectF(box.left(), box.bottom() + 1.5 * PT, wide, 0)
                draw_lines(painter, [pull.caption], face(6.8, bold=pull.counts), under)
                draw_lines(painter, [pull.second], small, under.translated(0, line_height(small)), ink=SOFT)

        rows.append(Piece(tall + 2 * line_height(small) + 7 * PT, draw))
    return rows


def _pull(
    painter: QPainter,
    pull: SmallPull,
    box: QRectF,
    span: tuple[float, float],
    torque: tuple[float, float],
    corridor: tuple[float, float] | None,
) -> None:
    def at(t: float, v: float) -> QPointF:
        return QPointF(
            box.left() + (t - span[0]) / (span[1] - span[0]) * box.width(),
            box.bottom() - (v - torque[0]) / (torque[1] - torque[0]) * box.height(),
        )

    painter.setPen(QPen(HAIR, 0.35 * PT))
    painter.drawLine(at(span[0], 0.0), at(span[1], 0.0))
    if corridor is not None:
        painter.setPen(QPen(SOFT, 0.35 * PT, Qt.PenStyle.DashLine))
        for edge in corridor:
            painter.drawLine(at(span[0], edge), at(span[1], edge))
    if not len(pull.t_s):
        draw_lines(
            painter, ["no curve stored"], face(6.8), box.translated(0, box.height() / 2), align="centre", ink=SOFT
        )
        return
    n = max(2, int(box.width() / (0.4 * PT)))
    path, before = QPainterPath(), None
    reduced = columns_of(pull.t_s, pull.torque_nm, *span, n)
    gaps = np.diff(pull.t_s)
    longest = max(5 * float(np.median(gaps)), 2 * (span[1] - span[0]) / n) if len(gaps) else 1.0
    for t, least, greatest in reduced:
        first, second = (
            (least, greatest)
            if before is None or abs(before[1] - least) < abs(before[1] - greatest)
            else (
                greatest,
                least,
            )
        )
        if before is None or t - before[0] > longest:  # what was never recorded is not drawn
            path.moveTo(at(t, first))
        else:
            path.lineTo(at(t, first))
        if second != first:
            path.lineTo(at(t, second))
        before = (t, second)
    painter.setPen(QPen(BLACK if pull.counts else HAIR, 0.6 * PT, Qt.PenStyle.SolidLine, Qt.PenCapStyle.RoundCap))
    painter.setBrush(Qt.BrushStyle.NoBrush)
    painter.drawPath(path)
    if pull.reading is not None:
        painter.setPen(QPen(BLACK, 0.5 * PT))
        painter.drawEllipse(at(*pull.reading), 1.9 * PT, 1.9 * PT)


@dataclass(frozen=True, slots=True)
class Lane:
    """One checkpoint between its limits: deviations in percent, open rings for what does not count."""

    title: str
    limit: float
    counted: tuple[float, ...]
    aside: tuple[float, ...]
    mean: float | None = None
    expanded: float | None = None


def lanes(rows: Sequence[Lane], width: float) -> Piece:
    """Return deviations as one picture, a lane a checkpoint, all on one scale."""
    values = [abs(d) for row in rows for d in (*row.counted, *row.aside)]
    ends = [abs(row.mean) + row.expanded for row in rows if row.mean is not None and row.expanded is not None]
    reach = max([1.25 * row.limit for row in rows] + [1.08 * v for v in values + ends] + [1e-6])
    step = next(s for s in (0.5, 1, 2, 5, 10, 20, 50, 100, 1e9) if reach / s <= 6)
    pitch, label_wide, small = 21 * PT, 118 * PT, face(7.2)
    height = pitch * len(rows) + 15 * PT

    def draw(painter: QPainter, x: float, y: float) -> None:
        left, wide = x + label_wide, width - label_wide

        def at(value: float) -> float:
            return left + wide / 2 + value / reach * wide / 2

        foot = y + pitch * len(rows)
        for n in range(-int(0.97 * reach / step), int(0.97 * reach / step) + 1):
            painter.setPen(QPen(HAIR, (0.7 if n == 0 else 0.25) * PT))
            painter.drawLine(QPointF(at(n * step), y), QPointF(at(n * step), foot))
            text = percent(n * step, 1 if step < 1 else 0) if n else "0 %"
            draw_lines(
                painter, [text], face(6.6), QRectF(at(n * step) - 40 * PT, foot + 1 * PT, 80 * PT, 0), align="centre"
            )
        for index, row in enumerate(rows):
            middle = y + (index + 0.5) * pitch
            draw_lines(painter, [row.title], face(7.8, bold=True), QRectF(x, middle - 9.5 * PT, label_wide, 0))
            limit = f"limits ±{short(row.limit)} %"
            draw_lines(painter, [limit], small, QRectF(x, middle - 0.5 * PT, label_wide, 0), ink=SOFT)
            painter.setPen(QPen(BLACK, 1.1 * PT))
            for end, inward in ((-row.limit, 1), (row.limit, -1)):
                painter.drawLine(QPointF(at(end), middle - 7.5 * PT), QPointF(at(end), middle + 7.5 * PT))
                for edge in (-7.5, 7.5):
                    painter.drawLine(
                        QPointF(at(end), middle + edge * PT), QPointF(at(end) + inward * 3 * PT, middle + edge * PT)
                    )
            if row.mean is not None and row.expanded is not None and math.isfinite(row.expanded):
                painter.setPen(QPen(BLACK, 0.5 * PT))
                low, high = at(row.mean - row.expanded), at(row.mean + row.expanded)
                painter.drawLine(QPointF(low, middle + 4.5 * PT), QPointF(high, middle + 4.5 * PT))
                for end in (low, high, at(row.mean)):
                    painter.drawLine(QPointF(end, middle + 2.7 * PT), QPointF(end, middle + 6.3 * PT))
            painter.setPen(QPen(BLACK, 0.6 * PT))
            painter.setBrush(BLACK)
            for value in row.counted:
                painter.drawEllipse(QPointF(at(value), middle - 1.5 * PT), 1.9 * PT, 1.9 * PT)
            painter.setBrush(Qt.BrushStyle.NoBrush)
            for value in row.aside:
                painter.drawEllipse(QPointF(at(value), middle - 1.5 * PT), 2.2 * PT, 2.2 * PT)

    return Piece(height, draw)


@dataclass(frozen=True, slots=True)
class Dot:
    """One run in the life of a tool: when (days), mean deviation, U, limit, and whether it is drawn full."""

    day: float
    mean: float
    expanded: float | None
    limit: float
    full: bool


def over_years(dots: Sequence[Dot], width: float, labels: tuple[str, str], title: str) -> Piece:
    """Return deviations at one checkpoint over time between their limits; `labels` are the first and last date."""
    reach = max([1.2 * dot.limit for dot in dots] + [1.05 * (abs(dot.mean) + (dot.expanded or 0)) for dot in dots])
    first, last = min(dot.day for dot in dots), max(dot.day for dot in dots)
    span = max(last - first, 1.0)
    tall, edge = 62 * PT, 34 * PT

    def draw(painter: QPainter, x: float, y: float) -> None:
        draw_lines(painter, [title], face(8, bold=True), QRectF(x, y, width, 0))
        top = y + 13 * PT

        def at(day: float, value: float) -> QPointF:
            return QPointF(
                x + edge + 6 * PT + (day - first) / span * (width - edge - 12 * PT),
                top + tall / 2 - value / reach * tall / 2,
            )

        painter.setPen(QPen(HAIR, 0.5 * PT))
        painter.drawLine(QPointF(x + edge, at(first, 0).y()), QPointF(x + width, at(first, 0).y()))
        limit = dots[-1].limit
        ordered = sorted(dots, key=lambda dot: dot.day)
        painter.setPen(QPen(BLACK, 0.5 * PT, Qt.PenStyle.DashLine))
        for sign in (-1, 1):
            path = QPainterPath(QPointF(x + edge, at(first, sign * ordered[0].limit).y()))
            for one, after in zip(ordered, [*ordered[1:], ordered[-1]], strict=True):
                path.lineTo(at(one.day, sign * one.limit))
                path.lineTo(at(after.day, sign * one.limit))
            path.lineTo(QPointF(x + width, at(last, sign * ordered[-1].limit).y()))
            painter.drawPath(path)
            where = QRectF(x, at(first, sign * limit).y() - 5 * PT, edge - 4 * PT, 0)
            draw_lines(
                painter, [percent(sign * limit, 0 if limit == int(limit) else 1)], face(6.8), where, align="right"
            )
            painter.setPen(QPen(BLACK, 0.5 * PT, Qt.PenStyle.DashLine))
        zero = QRectF(x, at(first, 0).y() - 5 * PT, edge - 4 * PT, 0)
        draw_lines(painter, ["0 %"], face(6.8), zero, align="right")
        for dot in ordered:
            painter.setPen(QPen(BLACK, 0.5 * PT))
            if dot.expanded is not None:
                painter.drawLine(at(dot.day, dot.mean - dot.expanded), at(dot.day, dot.mean + dot.expanded))
            painter.setBrush(BLACK if dot.full else Qt.GlobalColor.white)
            painter.drawEllipse(at(dot.day, dot.mean), 1.9 * PT, 1.9 * PT)
        foot = QRectF(x + edge, top + tall + 1 * PT, width - edge, 0)
        draw_lines(painter, [labels[0]], face(6.8), foot, ink=SOFT)
        draw_lines(painter, [labels[1]], face(6.8), foot, align="right", ink=SOFT)

    return Piece(tall + 28 * PT, draw)
