"""What an error found now puts in doubt: the jobs done with a tool, the verifications made with a reference."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable

from PySide6.QtCore import Signal
from PySide6.QtWidgets import QStackedWidget, QVBoxLayout, QWidget

from benchapp.records import impact as found_out
from benchapp.records import worklist
from benchapp.records.errors import StoreError
from benchapp.records.model import ToolState
from benchapp.ui.calloff import CalledOff
from benchapp.ui.context import AppContext
from benchapp.ui.errand import Errand
from benchapp.ui.format import grouped, wall_text
from benchapp.ui.page import EmptyNote
from benchapp.ui.rack.impactpanels import ReferenceImpactPanels, ToolImpactPanels


class ImpactView(QWidget):
    """Opened from a run or a reference; `left` goes back to where the Rack was."""

    heading_changed = Signal()
    left = Signal()
    _looked_at = Signal(int, int)  # from the thread that judges again

    def __init__(self, context: AppContext) -> None:
        super().__init__()
        self.context = context
        self._key = ""
        self._impact: found_out.ToolImpact | found_out.ReferenceImpact | None = None
        self._since: dt.date | None = None
        self._to_stop: tuple[str, ...] = ()
        self.errand = Errand(self)
        self.views = QStackedWidget()
        outer = QVBoxLayout(self)
        outer.setContentsMargins(0, 0, 0, 0)
        outer.addWidget(self.views)
        self.refused = EmptyNote("", "", "Back")
        self.working = EmptyNote("Judging again …", "", "Back")
        self._looked_at.connect(self._say_how_far)
        self.working.wanted.connect(self.left)
        self.of_tool = ToolImpactPanels(context)
        self.of_reference = ReferenceImpactPanels(context)
        for panels in (self.of_tool, self.of_reference):
            panels.list_wanted.connect(self.put_on_list)
            panels.left.connect(self.left)
        self.of_reference.since_wanted.connect(self._begin_at)
        self.of_reference.stop_wanted.connect(self._stop_tools)
        for view in (self.refused, self.working, self.of_tool, self.of_reference):
            self.views.addWidget(view)
        self.refused.wanted.connect(self.left)

    # ---------------------------------------------------------------------------------------------------------- showing

    def heading(self) -> tuple[str, str]:
        """Return what stands above the view."""
        known = self._impact
        if isinstance(known, found_out.ToolImpact):
            return f"{known.tool} was found out", f"what was done with it since {wall_text(known.since)[:10] or 'ever'}"
        if isinstance(known, found_out.ReferenceImpact):
            return f"{known.reference} was found out", f"by calibration {known.certificate}"
        return "In doubt", ""

    def open(self, key: str) -> None:
        """Show what is in doubt: ``run:RUN``, ``reference:NUMBER`` or ``reference:NUMBER:CERTIFICATE``."""
        if key != self._key:
            self._since = self._impact = None
        self._key = key
        self.refresh()

    def stop(self) -> None:
        """Want nothing more of what is being judged."""
        self.errand.call_off()

    def refresh(self) -> None:
        """Work it out again: what a tool puts in doubt at once, runs of a reference beside the window."""
        store = self.context.store
        if store is None or not self._key:
            return
        self.errand.call_off()
        kind, _, name = self._key.partition(":")
        if kind == "run":
            try:
                self._impact = found_out.tool_impact(store, name)
                self.of_tool.show_impact(self._impact, self._listed())
                self.views.setCurrentWidget(self.of_tool)
            except StoreError as problem:
                self._refuse(problem)
            self.heading_changed.emit()
            return
        number, _, certificate = name.partition(":")
        since = self._since

        def judge_again(is_called_off: Callable[[], bool]) -> tuple[found_out.ReferenceImpact, tuple[str, ...]]:
            def look(done: int, of_all: int) -> None:
                if is_called_off():
                    raise CalledOff
                self._looked_at.emit(done, of_all)

            known = found_out.reference_impact(store, number, certificate=certificate, since=since, progress=look)
            return known, found_out.still_in_service(store, known)

        if self._impact is None:  # else what is known stays in sight until it is known anew
            self.working.sentence.setText("")
            self.views.setCurrentWidget(self.working)
            self.heading_changed.emit()
        self.errand.run(judge_again, self._judged_again)

    def _say_how_far(self, done: int, of_all: int) -> None:
        self.working.sentence.setText(f"Run {grouped(done + 1)} of {grouped(of_all)} by the corrected calibration.")

    def _judged_again(
        self, result: tuple[found_out.ReferenceImpact, tuple[str, ...]] | None, problem: Exception | None
    ) -> None:
        if result is not None:
            self._impact, self._to_stop = result
            good = self._last_good_check(self._impact)
            self.of_reference.show_impact(self._impact, self._listed(), self._to_stop, good)
            self.views.setCurrentWidget(self.of_reference)
        elif isinstance(problem, StoreError):
            self._refuse(problem)
        elif problem is not None:
            raise problem
        self.heading_changed.emit()

    def _refuse(self, problem: StoreError) -> None:
        self._impact = None
        self.refused.tell("Nothing is in doubt from here", str(problem))
        self.views.setCurrentWidget(self.refused)

    def _listed(self) -> set[str]:
        store = self.context.store
        cause = self._cause()
        return {task.subject for task in worklist.tasks(store, cause=cause)} if store is not None and cause else set()

    def _cause(self) -> str:
        known = self._impact
        if isinstance(known, found_out.ToolImpact):
            return known.run_id
        return f"reference:{known.reference}:{known.certificate}" if known is not None else ""

    # ----------------------------------------------------------------------------------------------------------- acting

    def put_on_list(self) -> None:
        """Put everything on the work list that is not there yet, and go there."""
        store, known = self.context.store, self._impact
        if store is None or known is None or not (who := self.context.named()):
            return
        try:
            worklist.open_tasks(store, known, who=who)
        except StoreError as problem:
            self.context.message.emit("problem", str(problem))
            return
        self.context.store_changed.emit("tasks")
        self.context.page_wanted.emit("rack", f"view:work:{self._cause()}")

    def _stop_tools(self) -> None:
        store, known = self.context.store, self._impact
        if store is None or not isinstance(known, found_out.ReferenceImpact) or not (who := self.context.named()):
            return
        why = f"its verdict changes with calibration {known.certificate} of {known.reference}"
        try:
            for number in self._to_stop:
                store.change_state(number, ToolState.QUARANTINED, who=who, why=why)
        except StoreError as problem:
            self.context.message.emit("problem", str(problem))
        self.context.store_changed.emit("tools")

    def _last_good_check(self, known: found_out.ReferenceImpact) -> str:
        """Return the day of the last value of its check standard within limits before that calibration; "" none."""
        store = self.context.store
        reference = store.reference(known.reference) if store is not None else None
        standing = store.check_standing(known.reference) if store is not None else None
        if reference is None or standing is None:
            return ""
        calibrated = next(c.calibrated for c in reference.calibrations if c.certificate == known.certificate)
        days = [
            point.value.at[:10]
            for point in standing.points
            if point.limits is not None and not (point.is_out or point.average_is_out)
        ]
        return max((day for day in days if day <= calibrated.isoformat()), default="")

    def _begin_at(self, day: dt.date | None) -> None:
        self._since, self._impact = day, None
        self.refresh()
