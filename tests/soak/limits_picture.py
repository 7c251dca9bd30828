"""What can be told and what can't, as pictures: depth and speed of a fall against tremor and noise; the worst failures.

    QT_QPA_PLATFORM=offscreen .venv/bin/python tests/soak/limits_picture.py limits assets/reader-limits.png
    QT_QPA_PLATFORM=offscreen .venv/bin/python tests/soak/limits_picture.py worst PICTURE.png SEED:ITEM …

The first draws pulls of its own (a straight rise of 20 %/s, a band of tremor at 7 to 12 Hz, white noise, one fall, half
of it in its first sixth, the hand going on for 0.2 s) and asks the reader what it saw; nothing in it is taken from the
reader. A reading is right within 0.25 % + 2 × noise + half a sample's rise, tremor included. The second draws items of
the labelled collection with their truth and the reading.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QFont, QGuiApplication, QImage, QPainter, QPen, QPolygonF

from benchapp.pulls import Flag, Mode, read_pulls
from simulator.collection import stretch

RATE_HZ = 1000.0
TARGET, CAPACITY = 100.0, 200.0
DEPTHS = (2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 15.0)  # % of the torque at which the tool lets go
FALLS_MS = (3.0, 5.0, 10.0, 15.0, 20.0, 30.0, 50.0)
# tremor in % RMS of the torque, noise in % of the reading
PANELS = ((0.3, 0.02), (1.0, 0.02), (2.0, 0.02), (3.0, 0.02), (0.3, 0.25), (0.3, 0.5))
EACH = 20


def pull(depth: float, fall_ms: float, tremor: float, noise: float, random: np.random.Generator):
    """(t, v, true first peak, steepest rise per second before it): depth, tremor, noise in %."""
    t = np.arange(round(9.0 * RATE_HZ)) / RATE_HZ
    fall_s = fall_ms / 1000
    trembling = np.zeros(len(t))
    for hz in np.arange(7.0, 12.01, 0.25):
        trembling += np.sin(2 * np.pi * (hz * t + random.uniform()))
    trembling *= tremor / 100 / trembling.std()
    rising = np.interp(t, [0.5, 8.5], [0, 1.6]) * (1 + trembling)
    # a mechanism lets go as soon as its setting is reached, tremor or not: on a rise, always
    click = int(np.argmax(rising >= 1.0))
    click_s = float(t[click])
    after = [0, 0.5, click_s, click_s + fall_s + 0.2, click_s + fall_s + 0.45, 9.0]
    arm = np.interp(t, after, [0, 0, 0.2 * (click_s - 0.5), 0.2 * (click_s - 0.5) + 0.04, 0, 0])
    # half of the fall in its first sixth, as a mechanism that breaks away and is caught
    fallen = (1 - np.exp(-4.0 * np.clip((t - click_s) / fall_s, 0.0, 1.0))) / (1 - np.exp(-4.0))
    v = TARGET * arm * (1 + trembling) * (1 - depth / 100 * fallen)
    slope = float(v[click] - v[click - 1]) * RATE_HZ
    return t, v + random.normal(0, noise / 100 * TARGET, len(t)), float(v[click]), slope


def measure(tremor: float, noise: float) -> np.ndarray:
    """Shape (falls, depths, 3): shares right, honest (null or unclear), wrong."""
    shares = np.zeros((len(FALLS_MS), len(DEPTHS), 3))
    for row, fall_ms in enumerate(FALLS_MS):
        for column, depth in enumerate(DEPTHS):
            random = np.random.default_rng((round(10 * tremor), round(100 * noise), row, column))
            for _ in range(EACH):
                t, v, true, slope = pull(depth, fall_ms, tremor, noise, random)
                got = read_pulls(t, v, mode=Mode.FIRST_PEAK, capacity=CAPACITY).pulls
                one = max(got, key=lambda p: p.end_s - p.start_s)
                allowed = 0.0025 * true + 2 * noise / 100 * TARGET + 0.5 * max(slope, 0.0) / RATE_HZ
                if one.reading is not None and abs(one.reading - true) <= allowed:
                    kind = 0
                else:
                    kind = 1 if one.reading is None or Flag.UNCLEAR in one.flags else 2
                shares[row, column, kind] += 1 / EACH
    return shares


def _font(painter: QPainter, size: int, *, bold: bool = False) -> None:
    font = QFont("DejaVu Sans")
    font.setPixelSize(size)
    font.setBold(bold)
    painter.setFont(font)


def limits(path: Path) -> None:
    """Draw the share read right, cell by cell, a panel for each tremor and noise."""
    cell_w, cell_h, left, top = 52, 34, 84, 96
    panel_w, panel_h = left + cell_w * len(DEPTHS) + 26, top + cell_h * len(FALLS_MS) + 44
    image = QImage(3 * panel_w, 2 * panel_h + 70, QImage.Format.Format_RGB32)
    image.fill(QColor("white"))
    painter = QPainter(image)
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    painter.setPen(QColor("#222222"))
    for number, (tremor, noise) in enumerate(PANELS):
        shares = measure(tremor, noise)
        x0, y0 = (number % 3) * panel_w + left, (number // 3) * panel_h + top
        painter.setPen(QColor("#222222"))
        _font(painter, 17, bold=True)
        painter.drawText(QPointF(x0, y0 - 46), f"tremor {tremor:g} % RMS, noise {noise:g} %")
        _font(painter, 13)
        painter.drawText(QPointF(x0, y0 - 26), "depth of the fall, % of the torque")
        painter.drawText(QPointF(x0 - left + 8, y0 - 8), "fall, ms")
        for column, depth in enumerate(DEPTHS):
            painter.drawText(QRectF(x0 + column * cell_w, y0 - 22, cell_w, 18), 0x84, f"{depth:g}")
        for row, fall_ms in enumerate(FALLS_MS):
            painter.setPen(QColor("#222222"))
            painter.drawText(QRectF(x0 - 60, y0 + row * cell_h, 50, cell_h), 0x82, f"{fall_ms:g}")
            for column in range(len(DEPTHS)):
                right, _, wrong = shares[row, column]
                place = QRectF(x0 + column * cell_w, y0 + row * cell_h, cell_w - 2, cell_h - 2)
                painter.fillRect(place, QColor.fromHsvF(0.58, 0.08 + 0.72 * right, 0.97 - 0.42 * right))
                painter.setPen(QColor("white" if right > 0.5 else "#222222"))
                text = f"{100 * right:.0f}" + (f" | {100 * wrong:.0f}" if wrong > 0.001 else "")
                painter.drawText(place, Qt.AlignmentFlag.AlignCenter, text)
        print(f"tremor {tremor:g} %, noise {noise:g} %:", end=" ")
        print(f"right {shares[..., 0].mean():.3f}, wrong {shares[..., 2].mean():.3f}")
    painter.setPen(QColor("#222222"))
    _font(painter, 14)
    y = 2 * panel_h + 24
    painter.drawText(
        QPointF(20, y),
        f"Number: share read right, % of {EACH} pulls at 1 kHz (20 %/s, tremor at 7 to 12 Hz). After the bar: share "
        "given as a wrong reading without the word unclear.",
    )
    painter.drawText(
        QPointF(20, y + 24), "The rest was told as no click or as unclear. Dark: can be told; pale: can't."
    )
    painter.end()
    if not image.save(str(path)):
        raise OSError(f"{path} can't be written")


def worst(path: Path, items: list[str]) -> None:
    """Draw the labelled curve round the true first peak, the truth and the reading, a panel for each item."""
    width, height = 1100, 320
    image = QImage(width, height * len(items), QImage.Format.Format_RGB32)
    image.fill(QColor("white"))
    painter = QPainter(image)
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    for row, name in enumerate(items):
        seed, number = (int(part) for part in name.split(":"))
        item = stretch(number, seed)
        (true,) = item.pulls
        got = read_pulls(item.t_s, item.torque, mode=Mode(item.mode), capacity=item.capacity, target=item.target).pulls
        one = max(got, key=lambda p: p.end_s - p.start_s)
        sign = 1.0 if true.direction == "clockwise" else -1.0
        places = [s for s in (true.first_peak_s, one.reading_time_s) if s is not None]
        low, high = min(places, default=true.start_s) - 0.5, max(places, default=true.end_s) + 0.4
        inside = (item.t_s >= low) & (item.t_s <= high)
        t, v = item.t_s[inside], sign * item.torque[inside]
        v_low, v_high = float(v.min()), float(v.max())
        v_low, v_high = v_low - 0.08 * (v_high - v_low), v_high + 0.12 * (v_high - v_low)
        box = QRectF(80, row * height + 44, width - 110, height - 90)

        def at(x, y, box=box, low=low, high=high, v_low=v_low, v_high=v_high):
            return QPointF(
                box.left() + (x - low) / (high - low) * box.width(),
                box.bottom() - (y - v_low) / (v_high - v_low) * box.height(),
            )

        painter.setPen(QPen(QColor("#999999"), 1))
        painter.drawRect(box)
        painter.setPen(QPen(QColor("#1f5f99"), 1.4))
        painter.drawPolyline(QPolygonF([at(x, y) for x, y in zip(t, v, strict=True)]))
        painter.setBrush(QColor("#1f5f99"))
        if len(t) < 400:
            for x, y in zip(t, v, strict=True):
                painter.drawEllipse(at(x, y), 2.2, 2.2)
        painter.setBrush(Qt.BrushStyle.NoBrush)
        _font(painter, 13)
        for what, x, y, colour in (
            ("true first peak", true.first_peak_s, true.first_peak, "#222222"),
            ("reading", one.reading_time_s, one.reading, "#c2410c"),
        ):
            if x is not None and y is not None:
                painter.setPen(QPen(QColor(colour), 2))
                painter.drawEllipse(at(x, y), 8, 8)
                painter.drawText(at(x, y) + QPointF(-50, -14 if what == "reading" else 26), what)
        error = "no reading"
        if one.reading is not None:
            error = "a reading without a letting-go"
            if true.first_peak is not None:
                error = f"{100 * (one.reading / true.first_peak - 1):+.2f} %"
        painter.setPen(QColor("#222222"))
        _font(painter, 15, bold=True)
        painter.drawText(
            QPointF(20, row * height + 26),
            f"{name}  {item.family}, {item.rate_hz:g} Hz: {error}; told: {', '.join(one.flags) or 'nothing'}",
        )
        _font(painter, 12)
        for fraction in (0.0, 0.5, 1.0):
            x, y = low + fraction * (high - low), v_low + fraction * (v_high - v_low)
            painter.drawText(QPointF(at(x, v_low).x() - 18, box.bottom() + 18), f"{x:.2f} s")
            painter.drawText(QPointF(8, at(low, y).y() + 4), f"{y:.4g} N·m")
    painter.end()
    if not image.save(str(path)):
        raise OSError(f"{path} can't be written")


def main() -> None:
    _app = QGuiApplication(sys.argv[:1])
    match sys.argv[1:]:
        case ["limits", path]:
            limits(Path(path))
        case ["worst", path, *items] if items:
            worst(Path(path), items)
        case _:
            sys.exit(__doc__)


if __name__ == "__main__":
    main()
