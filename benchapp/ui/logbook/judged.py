"""The uncertainty of a checkpoint: shares as a picture, every figure with where it comes from."""

from __future__ import annotations

from PySide6.QtCore import QRectF, QSize, Qt
from PySide6.QtGui import QColor, QFont, QFontMetricsF, QPainter
from PySide6.QtWidgets import QHBoxLayout, QSizePolicy, QWidget

from benchapp.metrology.budget import FORMULAS
from benchapp.metrology.judgement import CheckpointJudgement
from benchapp.runs.model import Run
from benchapp.runs.standing import convention_of
from benchapp.ui import theme
from benchapp.ui.controls import Choices, Panel, label
from benchapp.ui.format import share_text
from benchapp.ui.listing import Column, Listing
from benchapp.ui.logbook.model import CheckpointLine
from benchapp.ui.verdict import OriginLine, budget_sentence, history_sentence, origin_lines

MOST_BARS = 5
LEAST_SHARE = 0.005


class SharesPicture(QWidget):
    """The shares of an uncertainty as bars, largest first; what is missing is an empty frame, not a short bar."""

    def __init__(self) -> None:
        super().__init__()
        self.judged: CheckpointJudgement | None = None
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        self.setAccessibleName("shares of the uncertainty")

    def show_judged(self, judged: CheckpointJudgement | None) -> None:
        """Show one checkpoint's."""
        self.judged = judged
        self.setAccessibleDescription("; ".join(f"{name} {text}" for name, text, _ in self.bars()))
        self.updateGeometry()
        self.update()

    def bars(self) -> list[tuple[str, str, float | None]]:
        """Return (name, text, share) of each bar; share None: missing."""
        if self.judged is None:
            return []
        budget = self.judged.budget
        shown = [(s, share) for s, share in budget.shares if share >= LEAST_SHARE][:MOST_BARS]
        rows: list[tuple[str, str, float | None]] = [
            (FORMULAS[s].about, share_text(share), share) for s, share in shown
        ]
        rest = 1 - sum(share for _, share in shown)
        if shown and rest >= LEAST_SHARE:
            rows.append(("all others", share_text(rest), rest))
        if budget.missing:
            rows.append((f"not known: {len(budget.missing)} more", "not in it", None))
        return rows

    def _pitch(self) -> float:
        return QFontMetricsF(self.font()).height() * 1.35

    def _bold(self) -> QFont:
        bold = QFont(self.font())
        bold.setBold(True)
        return bold

    def names_width(self) -> float:
        """Return the room that the names have: the first is written bold."""
        metrics = QFontMetricsF(self._bold())
        return max((metrics.horizontalAdvance(name) for name, _, _ in self.bars()), default=0) + 14

    def sizeHint(self) -> QSize:
        """As high as its bars."""
        return QSize(500, round(self._pitch() * max(1, len(self.bars())) + 8))

    def paintEvent(self, _event: object) -> None:
        """Name, bar, percent: a row each."""
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        colours, metrics, pitch = theme.palette(), QFontMetricsF(self.font()), self._pitch()
        rows = self.bars()
        bold, left = self._bold(), self.names_width()
        right = metrics.horizontalAdvance("not in it") + 10
        room = self.width() - left - right
        top_share = max((share or 0.0 for _, _, share in rows), default=1.0) or 1.0
        for i, (name, text, share) in enumerate(rows):
            row = QRectF(0, 4 + i * pitch, self.width(), pitch)
            painter.setFont(bold if i == 0 and share is not None else self.font())
            painter.setPen(QColor(colours.soft if share is None else colours.ink))
            painter.drawText(
                row.adjusted(0, 0, -(self.width() - left + 10), 0),
                Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter,
                name,
            )
            width = room * (share / top_share if share is not None else 0.06)
            bar = QRectF(left, row.top() + pitch * 0.2, max(2.0, width), pitch * 0.6)
            if share is None:
                pen = painter.pen()
                pen.setStyle(Qt.PenStyle.DashLine)
                painter.setPen(pen)
                painter.setBrush(Qt.BrushStyle.NoBrush)
                painter.drawRect(bar)
            else:
                painter.fillRect(bar, QColor(colours.accent if i == 0 else colours.rail))
            painter.setPen(QColor(colours.ink))
            painter.drawText(QRectF(bar.right() + 8, row.top(), right, pitch), Qt.AlignmentFlag.AlignVCenter, text)
        painter.end()


class JudgedPanel(Panel):
    """Pick a checkpoint; see its budget and every figure of its judgement with formula and source."""

    def __init__(self) -> None:
        super().__init__(margin=14)
        self._run: Run | None = None
        self._lines: list[CheckpointLine] = []
        self.which = Choices()
        self.which.setAccessibleName("checkpoint of the uncertainty")
        self.sentence = label("", wrap=True)
        self.history = label("", "soft", wrap=True)
        self.shares = SharesPicture()
        self.table = Listing(
            [
                Column("Figure", lambda f: f.name, width=1.5),
                Column("Value", lambda f: f.value, width=0.75, strong=True, point=True),
                Column("Share", _share, width=0.45, right=True),
                Column("Formula", lambda f: f.formula, second=lambda f: f.source, width=3.3),
            ],
            sortable=False,
            name="where each figure of the judgement comes from",
        )
        row = QHBoxLayout()
        row.addWidget(self.which)
        row.addWidget(self.sentence, 1)
        self.body.addLayout(row)
        self.body.addWidget(self.shares)
        self.body.addWidget(self.table, 1)
        self.body.addWidget(self.history)
        self.which.currentIndexChanged.connect(self._show)

    def show_judged(self, run: Run, lines: list[CheckpointLine]) -> None:
        """Show the checkpoints of a run; the one with the largest uncertainty first."""
        self._run, self._lines = run, lines
        self.which.blockSignals(True)
        self.which.clear()
        for index, line in enumerate(lines):
            self.which.addItem(line.title, index)
        widest = max(
            range(len(lines)),
            key=lambda i: lines[i].judgement.budget.expanded if lines[i].judgement else -1.0,  # type: ignore[union-attr]
            default=0,
        )
        self.which.setCurrentIndex(widest)
        self.which.blockSignals(False)
        self.history.setText(history_sentence(run.plan.history))
        self._show()

    def _show(self, *_: object) -> None:
        index = self.which.currentIndex()
        if self._run is None or not 0 <= index < len(self._lines):
            return
        line = self._lines[index]
        self.shares.show_judged(line.judgement)
        if line.judgement is None:
            self.sentence.setText(line.refused)
            self.table.show_rows([])
            return
        self.sentence.setText(budget_sentence(line.judgement))
        self.table.show_rows(origin_lines(line.judgement, convention_of(self._run)))


def _share(line: OriginLine) -> str:
    return "" if line.share is None else share_text(line.share)


def figure_listing(name: float, value: float, source: float, mark: float) -> Listing:
    """Return the listing of a procedure's figures (`FigureLine`) with columns of these shares of the width."""
    return Listing(
        [
            Column("Figure", lambda f: f.name, width=name),
            Column("Value", lambda f: f.value, width=value, strong=True),
            Column("Where it comes from", lambda f: f.source, width=source),
            Column("How sure that is", lambda f: f.mark, width=mark),
        ],
        sortable=False,
        name="figures of the procedure",
    )
