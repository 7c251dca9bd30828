"""The whole run as one table: what waits for what, and what each happening leads to.

    CAUTIONS ─▶ REFERENCE ─▶ ZERO ─▶ PRELOAD ─▶ SET_TOOL ─▶ PULL ─▶ … ─▶ FINAL_ZERO ─▶ RESET_TOOL ─▶ VERDICT ─▶ SEALED
                                        ▲            ▲        │ ▲
              direction changed, ───────┘            └────────┤ └── DECIDE ─▶ REASON   (flagged, or to be set aside)
              or a pause too long       next checkpoint       └──── INDICATION         (what the tool showed)

Where a run goes next is never remembered: `standing.onwards` derives it from what has been done, so that a run
stopped anywhere, or from which a reading was taken away, finds its place by itself. Everything is walked with two keys:
`GoOn` takes what is proposed, `SetAside` proposes the next choice.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any, Final

from benchapp.runs import _handlers as do
from benchapp.runs import events as e
from benchapp.runs.model import Hold, Run, RunPlan, RunState

Handler = Callable[[Run, Any, str], do.Stepped]
S = RunState

UNDER_WAY: Final = tuple(state for state in RunState if state not in (RunState.SEALED, RunState.LEFT))

_ANYWHERE: Final[Mapping[type[e.Event], Handler]] = {
    e.ReferenceSeen: do.compare_reference,
    e.LinkLost: do.wait_for_link,
    e.LinkBack: do.link_is_back,
    e.Resumed: do.take_up_again,
    e.Waited: do.waited_too_long,
    e.Overloaded: do.hold_for_overload,
    e.AmbientTyped: do.note_ambient,
    e.Left: do.leave,
}

TABLE: Final[Mapping[tuple[RunState, type[e.Event]], Handler]] = {
    (S.CAUTIONS, e.GoOn): do.cautions_read,
    (S.REFERENCE, e.GoOn): do.confirm_reference,
    (S.ZERO, e.GoOn): do.ask_for_zero,
    (S.ZERO, e.ZeroMeasured): do.zero_taken,
    (S.PRELOAD, e.GoOn): do.take_hold,
    (S.PRELOAD, e.PullRead): do.preload_pulled,
    (S.PRELOAD, e.SetAside): do.take_back_preload,
    (S.SET_TOOL, e.GoOn): do.tool_is_set,
    (S.SET_TOOL, e.SetAside): do.propose_set_aside,
    (S.PULL, e.GoOn): do.take_hold,
    (S.PULL, e.PullRead): do.reading_pulled,
    (S.PULL, e.SetAside): do.propose_set_aside,
    (S.DECIDE, e.GoOn): do.take_proposed,
    (S.DECIDE, e.SetAside): do.propose_next,
    (S.DECIDE, e.Chosen): do.take_chosen,
    (S.REASON, e.GoOn): do.take_proposed,
    (S.REASON, e.SetAside): do.propose_next,
    (S.REASON, e.Chosen): do.take_chosen,
    (S.INDICATION, e.GoOn): do.shows_the_target,
    (S.INDICATION, e.IndicationTyped): do.indication_typed,
    (S.INDICATION, e.SetAside): do.propose_set_aside,
    **{(state, e.PullRead): do.pulled_unasked for state in (S.SET_TOOL, S.DECIDE, S.REASON, S.INDICATION)},
    (S.FINAL_ZERO, e.GoOn): do.ask_for_last_zero,
    (S.FINAL_ZERO, e.ZeroMeasured): do.last_zero_seen,
    (S.FINAL_ZERO, e.SetAside): do.propose_set_aside,
    (S.RESET_TOOL, e.GoOn): do.tool_is_reset,
    (S.RESET_TOOL, e.SetAside): do.propose_set_aside,
    (S.VERDICT, e.GoOn): do.seal,
    **{(state, event): handler for state in UNDER_WAY for event, handler in _ANYWHERE.items()},
}
"""(what the run waits for, what happened) -> what is done. A pair that is not here cannot happen."""

ACKNOWLEDGE: Final[tuple[tuple[Hold, Handler], ...]] = (
    (Hold.OVERLOAD, do.acknowledge_overload),
    (Hold.IDENTITY, do.confirm_other_reference),
)
"""While the run is held, `GoOn` acknowledges the hold, in this order, before it means anything else."""


class StepError(Exception):
    """An event that a run cannot take in its state; `state` and `event` name both."""

    def __init__(self, state: RunState, event: type[e.Event]) -> None:
        super().__init__(f"a run in state {state.value} cannot take {event.__name__}")
        self.state, self.event = state, event


def accepts(run: Run, event: type[e.Event]) -> bool:
    """Return whether the run can take such an event now."""
    return (run.state, event) in TABLE or (event is e.GoOn and _held(run) is not None)


def step(run: Run, event: e.Event, wall: str) -> tuple[Run, tuple[e.Effect, ...]]:
    """Return the run after `event`, and what is to be done in the world, in order.

    Args:
        run: As it stands; not changed.
        event: What happened.
        wall: ISO 8601 wall time of it.

    Raises:
        StepError: The pair is not in `TABLE`.
    """
    handler = _held(run) if isinstance(event, e.GoOn) else None
    handler = handler or TABLE.get((run.state, type(event)))
    if handler is None:
        raise StepError(run.state, type(event))
    after, effects = handler(run, event, wall)
    if after == run:
        return run, effects
    after = replace(after, last_step=wall)
    if not any(isinstance(effect, (e.StorePull, e.Seal)) for effect in effects):
        effects = (e.Save(), *effects)
    return after, effects


def begin(run_id: str, plan: RunPlan, wall: str) -> Run:
    """Return a new run that waits for its cautions to be read."""
    return Run(run_id=run_id, plan=plan, state=RunState.CAUTIONS, started=wall, last_step=wall)


def _held(run: Run) -> Handler | None:
    if run.state not in UNDER_WAY:
        return None
    return next((handler for hold, handler in ACKNOWLEDGE if hold in run.holds), None)
