"""“Where does this number come from?” on the Bench: for the plan before a run, and for the verdict after it.

Loaded when first asked for. It lies over the board, takes no key from the run, and goes away with either of the two.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Final

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import QHBoxLayout, QScrollArea, QStackedWidget, QVBoxLayout, QWidget

from benchapp.metrology.tool import Tool
from benchapp.runs.model import Checkpoint, Run, RunPlan
from benchapp.runs.procedure import LOWEST, MARKS, Figure, Procedure, procedure_from_data, procedure_to_data
from benchapp.runs.standing import convention_of
from benchapp.session.view import VerdictView
from benchapp.ui import theme, words
from benchapp.ui.controls import Panel, label, plain_button
from benchapp.ui.logbook.judged import JudgedPanel, figure_listing
from benchapp.ui.logbook.model import CheckpointLine, FigureLine, figure_lines
from benchapp.ui.page import page_style
from benchapp.ui.theme import Sizes

TITLE: Final = "Where each number comes from"
OF_RUN: Final = (
    "As it stood when the run began. A figure marked M or P is to be checked against the standard before anyone relies "
    "on it."
)
OF_PLAN: Final = "What this run will ask for, first; below it every figure of the procedure that applies to the tool."
OF_PROCEDURE: Final = "Every figure of the procedure. With a tool chosen only those that apply to it stand here."


def plan_lines(plan: RunPlan) -> list[FigureLine]:
    """Return what the plan asks for, worked out for this tool, with where each figure comes from."""
    procedure, tool = procedure_from_data(plan.procedure, plan.procedure_name), plan.tool
    points = ", ".join(dict.fromkeys(words.plain(c.target) for c in plan.checkpoints))
    lines = [_line("checkpoints of this run", f"{points} {tool.unit}", *_points_origin(plan, procedure))]
    for name, n, figure in (
        ("readings at each", plan.checkpoints[0].n_readings, procedure.figure_for("readings", tool)),
        (
            "preload pulls" + (", each direction" if len(plan.preloads) > 1 else ""),
            procedure.n_preloads(tool),
            procedure.figures.get(f"preload.{tool.tool_type.value}.n"),
        ),
    ):
        asked = figure is not None and figure.value == n
        lines.append(_line(name, str(n), *(_origin(figure) if asked else ("typed for this run", ""))))
    seen: dict[float, Checkpoint] = {}
    for checkpoint in plan.checkpoints:
        seen.setdefault(checkpoint.limit_percent, checkpoint)
    for limit, checkpoint in seen.items():
        which = f", {checkpoint.direction.value}" if len(seen) > 1 else ""
        origin = _limit_origin(procedure, tool, limit)
        lines.append(_line(f"limit of each reading{which}", f"±{words.plain(limit)} %", *origin))
        demand = procedure.demand_percent(limit)
        asked_of = procedure.figures.get("reference.share_of_limit") or procedure.figures.get("reference.uncertainty")
        if demand is not None:
            name = f"uncertainty the reference may have{which}"
            lines.append(_line(name, f"{words.plain(float(f'{demand:.4g}'))} %", *_origin(asked_of)))
    return lines


def _line(name: str, value: str, source: str, mark: str) -> FigureLine:
    return FigureLine(name, value, source, f"{mark}: {MARKS[mark]}" if mark else "")


def _origin(figure: Figure | None) -> tuple[str, str]:
    if figure is None:
        return "", ""
    return (f"{figure.source}, {figure.clause}" if figure.clause else figure.source), figure.mark


def _points_origin(plan: RunPlan, procedure: Procedure) -> tuple[str, str]:
    if plan.tool.fixed:
        return "the one value of this tool, from the rack", ""
    if procedure.is_spot_check:
        return "typed for this run", ""
    at = procedure.figures["points.at"]
    source, mark = _origin(at)
    shares = [each for each in at.value if each != LOWEST]
    parts = (["its lowest mark"] if LOWEST in at.value else []) + (
        [f"{', '.join(map(words.plain, shares))} % of {words.plain(plan.tool.highest)}"] if shares else []
    )
    return f"{' and '.join(parts)}, {source}", mark


def _limit_origin(procedure: Procedure, tool: Tool, limit: float) -> tuple[str, str]:
    """Where a limit in force comes from: tighter by the tool's maker, of the other direction, or of type and range."""
    if tool.declared_percent == limit:
        return "declared for this tool, from the rack", ""
    above = Fraction(tool.highest_nm).limit_denominator(10**9) > Fraction(str(procedure.value("permissible.boundary")))
    figure = procedure.figure_for("permissible.above" if above else "permissible.up_to", tool)
    if figure is not None and figure.value == limit:
        return _origin(figure)
    other = procedure.figures.get("permissible.other_direction")
    return _origin(other) if other is not None and other.value == limit else ("typed for this run", "")


def verdict_lines(run: Run, verdict: VerdictView) -> list[CheckpointLine]:
    """Return the checkpoints as the verdict on the Bench has them, highest uncertainty or not."""
    judged = verdict.judgement.checkpoints if verdict.judgement is not None else [None] * len(verdict.checkpoints)
    return [
        CheckpointLine(
            words.checkpoint_sentence(result, run.plan.tool),
            result.checkpoint.limit_percent,
            result.deviations_percent,
            (),
            result.checkpoint.n_readings,
            each,
            "" if each is not None else verdict.judgement_problem,
            convention_of(run),
        )
        for result, each in zip(verdict.checkpoints, judged, strict=True)
    ]


class OriginsSheet(QWidget):
    """Every figure with formula or clause, source and mark; two views after a run, one before it."""

    left = Signal()

    def __init__(self, parent: QWidget) -> None:
        super().__init__(parent)
        self.setObjectName("page")  # the ground of a page beneath
        self.setAttribute(Qt.WidgetAttribute.WA_StyledBackground, True)
        self.setAccessibleName(TITLE)
        column = QVBoxLayout(self)
        head = QHBoxLayout()
        self.title = label(TITLE, "heading")
        self.other, self.back = plain_button(""), plain_button("")
        for button in (self.other, self.back):
            button.setFocusPolicy(Qt.FocusPolicy.NoFocus)  # the two keys stay with the Bench
        self.other.clicked.connect(self.turn)
        self.back.clicked.connect(self.left)
        head.addWidget(self.title, 1)
        head.addWidget(self.other)
        head.addWidget(self.back)
        column.addLayout(head)
        self.stack = QStackedWidget(self)
        self.stack.setObjectName("clear")
        column.addWidget(self.stack, 1)
        self.judged = JudgedPanel()
        room = QScrollArea()  # on a low screen the parts of the panel are scrolled, not cut
        room.setWidgetResizable(True)
        room.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        room.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        room.setWidget(self.judged)
        self.stack.addWidget(room)
        of_procedure = Panel(margin=14)
        self.about = label("", "soft", wrap=True)
        self.figures = figure_listing(1.6, 1.4, 2.2, 1.3)
        of_procedure.body.addWidget(self.about)
        of_procedure.body.addWidget(self.figures, 1)
        self.stack.addWidget(of_procedure)
        self._names = ("", "")
        self.hide()

    @property
    def has_two(self) -> bool:
        """There is a verdict, so there are two views to turn between."""
        return not self.other.isHidden()

    def show_verdict(self, run: Run, verdict: VerdictView, keys: tuple[str, str]) -> None:
        """Show how the verdict was worked out, and by which figures of the procedure."""
        self.judged.show_judged(run, verdict_lines(run, verdict))
        self.about.setText(f"{run.plan.procedure_name}. {OF_RUN}")
        self.figures.show_rows([*plan_lines(run.plan), *figure_lines(run.plan.procedure, run.plan.tool)])
        self._names = keys
        self.title.setText(TITLE)
        self.other.show()
        self.stack.setCurrentIndex(0)
        self._open()

    def show_plan(self, plan: RunPlan | None, procedure: Procedure, tool: Tool | None) -> None:
        """Show the figures a run is going to be judged by; `plan` None: nothing is planned yet."""
        self._names = ("Esc", "")
        self.other.hide()
        self.stack.setCurrentIndex(1)
        self.title.setText(procedure.name)
        self.about.setText(OF_PROCEDURE if tool is None else OF_PLAN if plan is not None else "")
        ahead = plan_lines(plan) if plan is not None else []
        self.figures.show_rows([*ahead, *figure_lines(procedure_to_data(procedure), tool)])
        self._open()

    def _open(self) -> None:
        self._name_buttons()
        self.show()
        self.raise_()
        self.restyle()

    def turn(self) -> None:
        """To the other of the two views."""
        if self.has_two:
            self.stack.setCurrentIndex(1 - self.stack.currentIndex())
            self._name_buttons()

    def _name_buttons(self) -> None:
        go, aside = self._names
        self.back.setText(f"Back  [{go}]")
        self.other.setText(f"{'Procedure' if self.stack.currentIndex() == 0 else 'Uncertainty'}  [{aside}]")

    def restyle(self) -> None:
        """The palette or the window's size has changed."""
        s = Sizes.of(self.window().height())
        px = max(14, min(20, round(self.window().height() / 54)))
        font = self.font()
        font.setPixelSize(px)
        self.setFont(font)
        self.setStyleSheet(page_style(theme.palette(), px))
        self.layout().setContentsMargins(0, 0, 0, 0)  # type: ignore[union-attr]
        self.layout().setSpacing(round(s.gap * 0.6))  # type: ignore[union-attr]
