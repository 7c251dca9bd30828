"""What a run takes from the records before it starts, and what it enters there."""

from __future__ import annotations

import datetime as dt
import logging
from dataclasses import replace
from typing import TYPE_CHECKING

from benchapp.metrology.tool import Tool
from benchapp.runs.model import RunPlan
from benchapp.ui import words
from benchapp.ui.context import AppContext

if TYPE_CHECKING:
    from benchapp.metrology.judgement import Geometric
    from benchapp.records.check_standard import Standing

log = logging.getLogger(__name__)


class StartRecords:
    """The records as the start of a run needs them; before they are open there is nothing in them.

    Args:
        context: Has the store.
    """

    def __init__(self, context: AppContext) -> None:
        self.context = context
        self._geometric: dict[str, dict[str, Geometric]] = {}

    def forget(self, number: str | None = None) -> None:
        """Read the influences of one tool, or of all, again."""
        if number is None:
            self._geometric.clear()
        else:
            self._geometric.pop(number, None)

    def influences(self, tool: Tool) -> dict[str, Geometric] | None:
        """Return what is known of the tool's geometric influences, read once; None: it cannot be read."""
        from benchapp.runs.influences import geometric_of

        store = self.context.store
        if store is None:
            return None
        if tool.number not in self._geometric:
            from benchapp.records import influences

            try:
                self._geometric[tool.number] = geometric_of(influences.known(store, tool.number), tool)
            except Exception as error:  # the budget names what it lacks; a run does not wait for them
                log.exception("the influences of %s could not be read", tool.number)
                self.context.message.emit("problem", f"What handling adds could not be read: {error}")
                return None
        return self._geometric[tool.number]

    def standing(self, reference: str) -> Standing | None:
        """Return how a reference stands by its check standard; None: it has none."""
        store = self.context.store
        return store.check_standing(reference) if store is not None else None

    def with_state(self, plan: RunPlan) -> RunPlan:
        """The plan with the word that its tool is not in service, or in another run that is not over.

        A run within limits does not put a tool back, and no tool is on two benches.
        """
        from benchapp.records.model import Outcome, ToolState
        from benchapp.runs.outcome import not_in_service

        store = self.context.store
        if store is None:
            return plan
        for run in store.runs(tool=plan.tool.number, outcomes=(Outcome.OPEN,), limit=1):
            plan = replace(plan, warnings=(*plan.warnings, words.other_run(run.tool, run.operator, run.started)))
        record = store.tool(plan.tool.number)
        if record is None or record.state not in (ToolState.QUARANTINED, ToolState.AT_LABORATORY, ToolState.RETIRED):
            return plan
        return not_in_service(plan, record.state.value.replace("-", " "))

    def with_history(self, plan: RunPlan) -> RunPlan:
        """The plan with how such tools came out before: fixed now, so that the record keeps what the risks rest on."""
        from benchapp.records.shop_history import shop_history

        store = self.context.store
        if store is None:
            return plan
        try:
            return replace(plan, history=shop_history(store, plan.tool))
        except Exception:  # the global risks are an extra; a run does not wait for them
            log.exception("the history of tools like %s could not be read", plan.tool.number)
            return plan

    def enter(self, plan: RunPlan) -> None:
        """Enter the tool and the reference of a plan that are new; raises what the store does.

        Raises:
            ValueError: Another window has entered or changed one of them: nobody has seen the plan that comes of that.
        """
        store = self.context.store
        if store is None:
            return
        record, reference = store.tool(plan.tool.number), store.reference(plan.reference.number)
        if record is not None and record.tool != plan.tool:
            raise ValueError(words.CHANGED_ELSEWHERE.format(plan.tool.number))
        if reference is not None and reference != plan.reference:
            raise ValueError(words.CHANGED_ELSEWHERE.format(plan.reference.number))
        if record is None:
            from benchapp.records.model import ToolRecord

            store.save_tool(ToolRecord(tool=plan.tool), who=plan.operator)
            self.context.store_changed.emit("tools")
        if reference is None:
            from benchapp.records.references import keep_reference

            keep_reference(store, plan.reference, who=plan.operator)
            self.context.store_changed.emit("references")


def checked(plan: RunPlan, standing: Standing, day: dt.date) -> tuple[RunPlan, str, str]:
    """Return (the plan with how its reference stands by its check standard, what is to be said, why it is refused).

    Its own check standard may always be pulled; "" there is nothing to be said, nothing against it.
    """
    if plan.tool.number == standing.setup.standard:
        return replace(plan, reference_check=standing.sentence(day)), "", ""
    late = standing.last_on(day) is None
    said = f"{plan.reference.number} was not checked today (References, Daily check)." if late else ""
    return replace(plan, reference_check=standing.sentence(day)), said, standing.refusal()
