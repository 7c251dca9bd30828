"""Choose, see at once what comes of it, start.

From an empty program the way to the first pull is short: number and range of the tool, capacity of the reference, a
name, Start. All else has a sensible value that can be changed here; more can be entered in Rack and References.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from typing import TYPE_CHECKING, Final

from PySide6.QtCore import Qt, QTimer, Signal
from PySide6.QtGui import QHideEvent, QKeyEvent, QShowEvent
from PySide6.QtWidgets import QApplication, QGridLayout, QStackedLayout, QWidget

from benchapp.metrology.reference import Reference
from benchapp.metrology.tool import Tool
from benchapp.runs.model import RunPlan
from benchapp.ui import words
from benchapp.ui.bench.start.foot import Foot
from benchapp.ui.bench.start.listening import Finder
from benchapp.ui.bench.start.port import Offered
from benchapp.ui.bench.start.records import StartRecords, checked
from benchapp.ui.bench.start.reference import ReferenceCard
from benchapp.ui.bench.start.run import RunCard
from benchapp.ui.bench.start.tool import ToolCard
from benchapp.ui.context import AppContext
from benchapp.ui.settings import Settings
from benchapp.ui.theme import Sizes
from drivers.samples import Source

if TYPE_CHECKING:
    from benchapp.metrology.judgement import Geometric
    from benchapp.runs.procedure import Procedure
    from benchapp.ui.bench.influences import InfluencePanel
    from benchapp.ui.bench.origins import OriginsSheet

MOST_TOOLS: Final = 200
REPLAN_MS: Final = 60


class StartPanel(QWidget):
    """Three cards and a foot; in their place, when wanted, where the numbers come from or what handling adds.

    Args:
        context: Shared by all pages.
        settings: Remembers reference, procedure and port.
        parent: The Bench.
        list_ports: Gives (url, words) of the ports found; None: the link is opened by the composition.
        list_profiles: Gives (name, words) of the profiles known.
        find_profile: Listens to a port and gives the name of the profile that fits; None: it cannot be found.
        today: Gives the date; a test puts its own.
    """

    headline_changed = Signal()

    def __init__(
        self,
        context: AppContext,
        settings: Settings,
        parent: QWidget | None = None,
        *,
        list_ports: Offered | None = None,
        list_profiles: Offered | None = None,
        find_profile: Finder | None = None,
        today: Callable[[], dt.date] = dt.date.today,
    ) -> None:
        super().__init__(parent)
        self.context = context
        self.settings = settings
        self.today = today
        self.plan: RunPlan | None = None
        self._planned: RunPlan | None = None  # also while something that is no figure of it is missing
        self._stopped = False
        self._last_field: QWidget | None = None
        self.records = StartRecords(context)
        form = self.form = QWidget(self)
        self.tool_card = ToolCard(context, form)
        offers = list_ports, list_profiles, find_profile
        self.reference_card = ReferenceCard(context, settings, lambda: self.today(), *offers, form)
        self.run_card = RunCard(context, settings, form)
        self.cards = (self.tool_card, self.reference_card, self.run_card)
        self.foot = Foot(form)
        self.influences: InfluencePanel | None = None
        self.origins: OriginsSheet | None = None
        self._lay_out()
        self.replan_timer = QTimer(self)
        self.replan_timer.setSingleShot(True)
        self.replan_timer.setInterval(REPLAN_MS)
        self.replan_timer.timeout.connect(self.replan)
        self._connect()
        QTimer.singleShot(0, self, self.fill)

    def _lay_out(self) -> None:
        grid = self._grid = QGridLayout(self.form)
        grid.setContentsMargins(0, 0, 0, 0)
        for column, card in enumerate(self.cards):
            grid.addWidget(card, 0, column)
            grid.setColumnStretch(column, 1)
        grid.addWidget(self.foot, 1, 0, 1, len(self.cards))
        grid.setRowStretch(0, 1)
        self.restyle()  # before it is first laid out: an empty label never looks at its font again
        self._pages = QStackedLayout(self)
        self._pages.addWidget(self.form)

    def _connect(self) -> None:
        for card in self.cards:
            card.changed.connect(self._replan_soon)
            card.entered.connect(self._entered)
            card.problem.connect(self._refuse)
        self.tool_card.picked.connect(self._tool_picked)
        self.reference_card.override.given.connect(self._override_given)
        self.run_card.to_influences.clicked.connect(self.show_influences)
        self.run_card.where_from.clicked.connect(self.toggle_origins)
        self.foot.to_check.clicked.connect(self._go_to_check)
        self.foot.go.clicked.connect(self.begin)
        self.context.store_ready.connect(self.fill)
        self.context.store_changed.connect(self._store_changed)
        self.context.tool_wanted.connect(self.want_tool)
        self.context.unit_changed.connect(self._replan_soon)
        app = QApplication.instance()
        if isinstance(app, QApplication):
            app.focusChanged.connect(self._focus_changed)

    def restyle(self) -> None:
        """The palette or the window's size has changed."""
        s = Sizes.of(self.window().height())
        self._grid.setSpacing(round(s.gap))
        for part in (*self.cards, self.foot):
            part.restyle(s)
        for sheet in (self.origins, self.influences):
            if sheet is not None:
                sheet.restyle()

    def stop(self) -> None:
        """The window closes: no plan is worked out any more; may be called again."""
        self._stopped = True
        self.replan_timer.stop()
        self.reference_card.link_timer.stop()
        self.reference_card.port.stop()

    def showEvent(self, event: QShowEvent) -> None:
        """What was chosen may be judged otherwise by now."""
        super().showEvent(event)
        self.tool_card.look()

    def hideEvent(self, event: QHideEvent) -> None:
        """Nothing is worked out while nobody looks."""
        super().hideEvent(event)
        self.replan_timer.stop()

    # --------------------------------------------------------------------------------------------- in place of the form

    def _show_page(self, page: QWidget) -> None:
        self._pages.setCurrentWidget(page)
        self.headline_changed.emit()

    def _is_shown(self, page: QWidget | None) -> bool:
        return page is not None and self._pages.currentWidget() is page

    @property
    def shows_origins(self) -> bool:
        """The sheet that says where each number comes from stands in place of the form."""
        return self._is_shown(self.origins)

    def toggle_origins(self) -> None:
        """Show the figures that the run is going to be judged by, or the form again."""
        if self.shows_origins:
            self._show_page(self.form)
            self.run_card.where_from.setFocus()
            return
        procedure = self.run_card.chosen()
        if procedure is None or self._is_shown(self.influences):
            return
        if self.origins is None:
            from benchapp.ui.bench.origins import OriginsSheet

            self.origins = OriginsSheet(self)
            self._pages.addWidget(self.origins)
            self.origins.left.connect(self.toggle_origins)
        self.replan()
        try:
            tool: Tool | None = self.tool_card.tool()
        except ValueError:
            tool = None
        self._show_page(self.origins)
        self.origins.show_plan(self._planned, procedure, tool)
        self.origins.figures.setFocus()

    def show_influences(self) -> None:
        """Show the tool's geometric influences."""
        try:
            tool = self.tool_card.tool()
        except ValueError as problem:
            self._refuse(str(problem))
            return
        try:
            reference: Reference | None = self.reference_card.mounted()
        except ValueError:
            reference = None
        if self.influences is None:
            from benchapp.ui.bench.influences import InfluencePanel

            self.influences = InfluencePanel(self.context, self.settings, self)
            self._pages.addWidget(self.influences)
            self.influences.left.connect(self.hide_influences)
            self.influences.known_changed.connect(self._influences_changed)
            self.influences.headline_changed.connect(self.headline_changed)
        procedure = self.run_card.chosen()
        window = None if procedure is None else procedure.time_window_s(tool)
        self._pages.setCurrentWidget(self.influences)
        self.influences.open(tool, reference, self.run_card.who, window)
        self.headline_changed.emit()

    def hide_influences(self) -> None:
        """Back to tool, reference and run."""
        self._show_page(self.form)
        self._replan_soon()

    def _influences_changed(self, number: str) -> None:
        self.records.forget(number)
        self._replan_soon()

    @property
    def _waits_for_start(self) -> bool:
        """All is chosen, as after a scan, and nothing is being typed."""
        return self._is_shown(self.form) and self.plan is not None and self.window().focusWidget() is self.foot.go

    @property
    def takes_keys(self) -> bool:
        """A guided series is under way, or nothing is missing but the start: the two keys belong to that."""
        return self._waits_for_start or (self.influences is not None and self.influences.takes_keys)

    @property
    def asking(self) -> object:
        """What the series waits for: changes with every question it puts."""
        return (self.influences.stage, self.influences.series) if self.influences is not None else None

    def act(self, action: str) -> None:
        """Hand a key's meaning on to the series; or start, with the pedal that is pressed all along a run."""
        if self._waits_for_start:
            if action == "go":
                self.begin()
        elif self.influences is not None:
            self.influences.act(action)

    def headline(self) -> tuple[str, str] | None:
        """Instruction and detail for the top of the Bench; None: the Bench's own."""
        if self.shows_origins:
            return words.ORIGINS_HEAD, ""
        return self.influences.headline() if self.influences is not None and self._is_shown(self.influences) else None

    # ------------------------------------------------------------------------------------------------------------- fill

    def fill(self) -> None:
        """Read tools, references, people and procedures; again whenever the store says that they changed."""
        self.records.forget()
        tools, references = self.tool_card.tools, self.reference_card.references
        store = self.context.store
        if store is not None:
            names: list[str] = []
            try:
                tools = {record.tool.number: record.tool for record in store.tools(limit=MOST_TOOLS)}
                references = {reference.number: reference for reference in store.references()}
                names = [person.name for person in store.people()]
            except Exception as error:  # noqa: BLE001 (whatever the store says, the bench goes on)
                self.context.message.emit("problem", f"The records could not be read: {error}")
            self.run_card.offer_names(names)
        self.run_card.fill(is_calibrated=any(each.calibration is not None for each in references.values()))
        self.reference_card.port.fill()
        self.reference_card.offer(references)
        self.reference_card.look()
        self.tool_card.offer(tools)
        if self.isVisible() and not self.isAncestorOf(self.focusWidget() or self):
            self.take_focus()

    def take_focus(self, *, beside: bool = False) -> None:
        """Whoever types without having clicked anywhere types the tool's number; a click `beside` a field leaves it."""
        if self._is_shown(self.form):
            last = self._last_field
            (last if beside and last is not None and last.isVisible() else self.tool_card.number).setFocus()

    def _focus_changed(self, _old: QWidget | None, new: QWidget | None) -> None:
        if new is not None and self.form.isAncestorOf(new):
            self._last_field = new

    def _store_changed(self, what: str) -> None:
        if what in ("tools", "references", "people", "procedures"):
            self.fill()

    # ---------------------------------------------------------------------------------------------------------- choices

    def operator_changed(self, name: str) -> None:
        """The name was chosen elsewhere in the window."""
        self.run_card.operator.setText(name)
        self._replan_soon()

    def want_tool(self, number: str) -> None:
        """A tool was scanned or chosen for verification: take it up."""
        if self.shows_origins:
            self.toggle_origins()
        elif self._is_shown(self.influences) and not self.takes_keys:
            self.hide_influences()
        self.tool_card.take(number)
        self.replan()
        self.foot.go.setFocus() if self.plan is not None else self.tool_card.number.setFocus()

    def _tool_picked(self) -> None:
        self.replan()
        self.foot.go.setFocus() if self.run_card.who else self.run_card.operator.setFocus()

    def _override_given(self) -> None:
        self.replan()
        if self.plan is not None:
            self.foot.go.setFocus()

    def _go_to_check(self) -> None:
        self.context.page_wanted.emit("references", f"{self.reference_card.reference.currentData()}:check")

    # ------------------------------------------------------------------------------------------------------------- plan

    def _replan_soon(self, *_: object) -> None:
        self.replan_timer.start()

    def _refuse(self, sentence: str) -> None:
        self.replan_timer.stop()  # what comes of the answers would be said over it
        self.foot.say(sentence, problem=True)

    def replan(self) -> None:
        """Work out the plan from what stands in the fields, and say what comes of it."""
        self.replan_timer.stop()
        if self._stopped:
            return
        self.plan = self._planned = None
        self.foot.to_check.hide()
        self.run_card.to_influences.hide()
        self.tool_card.describe(None)
        self.run_card.describe(None)
        try:
            tool = self.tool_card.tool()
            self.tool_card.describe(tool)
            reference = self.reference_card.mounted()
            procedure = self.run_card.chosen()
            if procedure is not None:
                self.plan, said = self._plan_of(tool, reference, procedure)
                self.foot.say(said, problem=False)
        except ValueError as error:
            self.foot.say(str(error), problem=self.tool_card.is_begun)
        self.foot.go.setEnabled(self.plan is not None)

    def _plan_of(self, tool: Tool, reference: Reference, procedure: Procedure) -> tuple[RunPlan, str]:
        """Return the plan and what is to be said of it; ValueError says why there is none."""
        from benchapp.runs.planning import plan_run

        planned = plan_run(
            tool,
            reference,
            procedure,
            self.run_card.who,
            self._source(),
            tuple(self.reference_card.references.values()),
            target=self.run_card.target(tool, procedure),
            today=self.today(),
            geometric=self._influences_of(tool),
            must_be_suitable=True,
            override=self.reference_card.override.word(),
        )
        self.reference_card.override.offer(planned)
        if not isinstance(planned, RunPlan):
            raise ValueError(planned.sentence())  # noqa: TRY004 (a refusal, not a wrong type)
        planned = self._planned = self.records.with_state(planned)
        self.run_card.describe(planned, procedure)
        if not planned.operator:
            raise ValueError("Who pulls? A name or a role.")
        self.run_card.air_values()
        standing = self.records.standing(reference.number)
        if standing is None:
            return planned, summary(planned)
        planned, late, refusal = checked(planned, standing, self.today())
        self.foot.to_check.setVisible(bool(late or refusal))
        if refusal:
            raise ValueError(refusal)
        return planned, f"{summary(planned)} {late}".strip()

    def _source(self) -> Source:
        """What the samples of the run will be; ValueError where these records do not take them."""
        source = self.context.bench.view().source
        if source is None:
            source = Source.SIMULATED if self.context.is_demo else Source.LIVE
        if (source in (Source.SIMULATED, Source.REPLAYED)) is not self.context.is_demo:
            raise ValueError(words.WRONG_RECORDS[source])
        return source

    def _influences_of(self, tool: Tool) -> dict[str, Geometric]:
        from benchapp.runs.influences import kinds_of

        found = self.records.influences(tool)
        if found is None:
            return {}
        self.run_card.show_known_influences(len(found), len(kinds_of(tool)))
        return found

    # ------------------------------------------------------------------------------------------------------------ start

    def _entered(self) -> None:
        """Enter in a field: start when all is there, else go to what is missing."""
        self.replan()
        if self.plan is not None:
            self.begin()
            return
        missing = next((field for card in self.cards if (field := card.missing()) is not None), None)
        if missing is not None:
            missing.setFocus()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Enter starts from anywhere on the form; Escape leaves what stands in its place."""
        if self.shows_origins and event.key() == Qt.Key.Key_Escape:
            self.toggle_origins()
        elif self.influences is not None and self._is_shown(self.influences) and event.key() == Qt.Key.Key_Escape:
            self.influences.go_back()
        elif (
            event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter) and self.plan is not None and self._is_shown(self.form)
        ):
            self.begin()
        else:
            super().keyPressEvent(event)

    def begin(self) -> None:
        """Keep what is new, remember the choices, begin the run."""
        self.replan()
        plan = self.plan
        if plan is None:
            return
        self.settings.put("reference", plan.reference.number)
        self.reference_card.taken()
        try:
            self.records.enter(plan)
            plan = self.records.with_history(plan)
            self.context.bench.start_run(plan)
            for key, value in self.run_card.air_values().items():
                self.context.bench.set_ambient(key, value)
        except Exception as error:  # noqa: BLE001 (a store or session that refuses says why; the panel stays)
            self.fill()  # what another window has changed stands there then
            self._refuse(str(error))
            return
        self.run_card.remember(plan)
        self.tool_card.clear()
        self.reference_card.override.forget()
        self.reference_card.override.hide()
        self.plan = None
        self.foot.go.setEnabled(False)


def summary(plan: RunPlan) -> str:
    """Return what is going to be pulled, and what is to be known of it."""
    points = ", ".join(dict.fromkeys(words.plain(each.target) for each in plan.checkpoints))
    n = sum(each.n_readings for each in plan.checkpoints)
    preloads = sum(count for _, count, _ in plan.preloads)
    both = ", both directions" if len({c.direction for c in plan.checkpoints}) > 1 else ""
    many = "s" if preloads != 1 else ""
    return " ".join((f"{preloads} preload{many}, then {n} pulls at {points} {plan.tool.unit}{both}.", *plan.warnings))
