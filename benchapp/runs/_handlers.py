"""What each happening does to a run; `machine.TABLE` says when. All pure: run in, run and effects out."""

from __future__ import annotations

from dataclasses import replace
from math import isfinite
from typing import Final

from benchapp.pulls.pull import Flag, Mode, Pull
from benchapp.runs import events as e
from benchapp.runs.model import CapturedPull, Choice, Hold, PullKind, Run, RunState
from benchapp.runs.standing import BY_PROGRAM, PRELOAD_SHARE, counts, expected, judged, onwards, procedure_of

Stepped = tuple[Run, tuple[e.Effect, ...]]

KNOCK_SHARE: Final = 0.2
"""A pull that stays below this share of its target is a knock or the tool being seated: told only (practice)."""
OWN_SHARE: Final = 0.95
"""A pull that came so near to the reference's capacity may be the one that overloaded it (our own choice)."""
UNASKED_SHARE: Final = 0.5
"""What comes so far while nobody asked for it was a pull, no tool that is seated or turned to its mark (practice)."""
WRONG_SETTING: Final = "wrong-setting"
REASONS: Final = ("poor-pull", "drive-slipped", WRONG_SETTING, "disturbed", "knock", "reference", "other")
"""The short list at REASON, the likeliest first."""
HICCUP_S: Final = 10.0
"""A silence shorter than this on a port that stayed open makes nothing void (practice)."""
AMBIENT_NAMES: Final = {
    "start_c": "temperature at the start",
    "end_c": "temperature at the end",
    "humidity_percent": "humidity",
}
TYPED: Final = "typed"

_WALKS: Final = (RunState.REFERENCE, RunState.ZERO, RunState.PRELOAD, RunState.SET_TOOL, RunState.PULL)
"""States in which a break sends the run back to reference and zero at once; in others it does so later."""


# ------------------------------------------------------------------------------------------------ before the pulls


def cautions_read(run: Run, event: e.GoOn, wall: str) -> Stepped:
    """The person has read them; once a run."""
    return onwards(run), ()


def confirm_reference(run: Run, event: e.GoOn, wall: str) -> Stepped:
    """The person says that the reference planned is the one mounted."""
    return onwards(_confirmed(run, f"confirmed by {run.plan.operator or 'the operator'}", wall)), ()


def compare_reference(run: Run, event: e.ReferenceSeen, wall: str) -> Stepped:
    """The transducer has said who it is: the one planned, another one, or it cannot tell."""
    wanted, number = run.plan.reference.identity, run.plan.reference.number
    if event.identity and not wanted:
        sentence = f"the transducer says it is {event.identity}; for {number} no such answer is entered"
        is_told = any(told == sentence for _, told in run.remarks)
        return run if is_told else _remark(run, wall, sentence), ()
    if not event.identity:
        return run, ()
    if event.identity == wanted:
        run = replace(run, holds=run.holds - {Hold.IDENTITY})
        run = _confirmed(run, f"identified as {wanted}", wall)
        return (onwards(run) if run.state is RunState.REFERENCE else run), ()
    run = replace(run, holds=run.holds | {Hold.IDENTITY})
    run = _remark(run, wall, f"transducer {event.identity} answered; {run.plan.reference.number} is {wanted}")
    return run, (e.Sound("wrong"),)


def confirm_other_reference(run: Run, event: e.GoOn, wall: str) -> Stepped:
    """The person says that it is the reference planned although its answer differs; the record says so."""
    run = replace(run, holds=run.holds - {Hold.IDENTITY})
    how = f"confirmed by {run.plan.operator or 'the operator'} against its answer"
    run = _confirmed(run, how, wall)
    return (onwards(run) if run.state is RunState.REFERENCE else run), ()


def _confirmed(run: Run, how: str, wall: str) -> Run:
    if run.reference_confirmed != how or "reference" in run.resume:
        run = _remark(run, wall, f"reference {run.plan.reference.number} {how}")
    return replace(run, reference_confirmed=how, resume=tuple(x for x in run.resume if x != "reference"))


def ask_for_zero(run: Run, event: e.GoOn, wall: str) -> Stepped:
    """Tool off and hands off, the person says: measure."""
    return run, (e.TakeZero(),)


def zero_taken(run: Run, event: e.ZeroMeasured, wall: str) -> Stepped:
    """It was still; the level is subtracted from now on."""
    run = replace(run, zeros=(*run.zeros, event.zero), resume=tuple(x for x in run.resume if x != "zero"))
    return onwards(run), ()


def tool_is_set(run: Run, event: e.GoOn, wall: str) -> Stepped:
    """The person has set the tool to the target."""
    return onwards(replace(run, tool_set_index=run.checkpoint_index)), ()


# ------------------------------------------------------------------------------------------------------- the pulls


def take_hold(run: Run, event: e.GoOn, wall: str) -> Stepped:
    """Foot switch while holding: this is the reading. A click tool needs no key."""
    return run, ((e.TakeHold(),) if run.plan.mode is Mode.HOLD else ())


def preload_pulled(run: Run, event: e.PullRead, wall: str) -> Stepped:
    """A pull at maximum: kept, never counted as a reading."""
    refused = _not_a_pull(run, event.pull, PullKind.PRELOAD, None)
    if refused is not None:
        return refused
    _, _, target_nm = run.plan.preloads[run.preload_index]
    run, captured = _capture(run, CapturedPull(len(run.pulls) + 1, PullKind.PRELOAD, None, event.pull))
    if event.pull.peak < PRELOAD_SHARE * target_nm:
        return run, (e.StorePull(captured.number), e.Sound("flagged"), e.Tell("preload-too-low"))
    run = replace(run, n_preloads_done=run.n_preloads_done + 1, tool_set_index=-1)
    return onwards(run), (e.StorePull(captured.number), e.Sound("closed"))


def take_back_preload(run: Run, event: e.SetAside, wall: str) -> Stepped:
    """The last preload was no good: one more. Without one, the last reading is meant."""
    last = run.pulls[-1] if run.pulls else None
    if last is None or last.kind is not PullKind.PRELOAD or last.set_aside is not None or run.n_preloads_done == 0:
        return propose_set_aside(run, event, wall)
    run = _replace_pull(run, replace(last, set_aside="poor-pull", set_aside_by=run.plan.operator))
    return replace(run, n_preloads_done=run.n_preloads_done - 1), ()


def reading_pulled(run: Run, event: e.PullRead, wall: str) -> Stepped:
    """A pull that may count: without a flag it does at once, with one the person is asked."""
    refused = _not_a_pull(run, event.pull, PullKind.READING, run.checkpoint_index)
    if refused is not None:
        return refused
    captured = CapturedPull(len(run.pulls) + 1, PullKind.READING, run.checkpoint_index, event.pull)
    if run.plan.mode is not Mode.PEAK or not run.plan.tool.has_memory:
        captured = judged(run, captured, run.plan.checkpoints[run.checkpoint_index].target_nm)
    run, captured = _capture(run, captured)
    if event.pull.flags or event.pull.reading is None:
        run = replace(
            run,
            state=RunState.DECIDE,
            pending=event.pull.flags,
            asked_about=captured.number,
            choices=_choices_about(run, captured),
            choice_index=0,
        )
        return run, (e.StorePull(captured.number), e.Sound("flagged"))
    return onwards(run), (e.StorePull(captured.number), e.Sound("closed"))


def pulled_unasked(run: Run, event: e.PullRead, wall: str) -> Stepped:
    """A pull while a question stands or before the tool was said to be set: it stays in the record, never counts."""
    index = min(run.checkpoint_index, len(run.plan.checkpoints) - 1)
    if event.pull.peak < UNASKED_SHARE * run.plan.checkpoints[index].target_nm:
        return run, ()
    return _captured_aside(run, event.pull, PullKind.READING, index, "not-asked")


def _not_a_pull(run: Run, pull: Pull, kind: PullKind, checkpoint_index: int | None) -> Stepped | None:
    """Return what to do with a knock, a pull the other way, or one under a hold; None for a pull to capture."""
    wanted = expected(run)
    if wanted is None or pull.peak < KNOCK_SHARE * wanted[1]:
        return run, (e.Tell("knock"),)
    if Hold.IDENTITY in run.holds or Hold.LINK in run.holds or _is_after_overload(run, pull):
        return _captured_aside(run, pull, kind, checkpoint_index, "waiting")
    if pull.direction is not wanted[0]:
        return _captured_aside(run, pull, kind, checkpoint_index, "wrong-direction")
    return None


def _is_after_overload(run: Run, pull: Pull) -> bool:
    """An overload still stands to be seen, and this is not the pull that made it."""
    is_its_own = Flag.OVERLOAD in pull.flags or pull.peak >= OWN_SHARE * run.plan.reference.capacity_nm
    return Hold.OVERLOAD in run.holds and not is_its_own


def _captured_aside(run: Run, pull: Pull, kind: PullKind, checkpoint_index: int | None, why: str) -> Stepped:
    captured = CapturedPull(len(run.pulls) + 1, kind, checkpoint_index, pull, set_aside=why, set_aside_by=BY_PROGRAM)
    run, captured = _capture(run, captured)
    return run, (e.StorePull(captured.number), e.Sound("wrong"), e.Tell(why))


def _capture(run: Run, captured: CapturedPull) -> tuple[Run, CapturedPull]:
    return replace(run, pulls=(*run.pulls, captured)), captured


def indication_typed(run: Run, event: e.IndicationTyped, wall: str) -> Stepped:
    """What the pointer or memory showed."""
    if not isfinite(event.indication_nm) or event.indication_nm <= 0:
        return run, (e.Tell("not-offered"),)
    pull = run.pulls[run.asked_about - 1]
    return onwards(_replace_pull(run, judged(run, pull, event.indication_nm))), ()


def shows_the_target(run: Run, event: e.GoOn, wall: str) -> Stepped:
    """The proposed indication is the target: the person brought the tool to it."""
    pull = run.pulls[run.asked_about - 1]
    target_nm = run.plan.checkpoints[pull.checkpoint_index or 0].target_nm
    return onwards(_replace_pull(run, judged(run, pull, target_nm))), ()


# ----------------------------------------------------------------------------------------------------- the choices


def _choices_about(run: Run, captured: CapturedPull) -> tuple[Choice, ...]:
    if captured.pull.reading is None:  # nothing to keep, and pulling again hides nothing: no limit on it
        return (Choice("repeat"), Choice("leave"))
    if n_repeats(run, captured.number) >= procedure_of(run).max_repeats:
        return (Choice("keep"), Choice("leave"))
    return (Choice("repeat"), Choice("keep"), Choice("set-aside"))


def n_repeats(run: Run, number: int) -> int:
    """Return how many readings before pull `number` were set aside in a row by a person at its checkpoint."""
    index = run.pulls[number - 1].checkpoint_index
    n = 0
    for pull in reversed(run.pulls[: number - 1]):
        if pull.kind is not PullKind.READING or pull.checkpoint_index != index or counts(pull):
            break
        n += pull.pull.reading is not None and pull.set_aside_by != BY_PROGRAM
    return n


def propose_set_aside(run: Run, event: e.SetAside, wall: str) -> Stepped:
    """The other key between pulls: is the last reading to be set aside?"""
    last = next((p for p in reversed(run.pulls) if counts(p)), None)
    if last is None:
        return run, (e.Tell("nothing-to-set-aside"),)
    procedure = procedure_of(run)
    if not last.pull.flags:
        if procedure.set_aside_unflagged == "nobody":
            return run, (e.Tell("never-set-aside"),)
        if procedure.set_aside_unflagged == "custodian" and not event.custodian:
            return run, (e.Tell("custodian-only"),)
    if n_repeats(run, last.number) >= procedure.max_repeats:
        return run, (e.Tell("repeats-used"),)
    choices = (Choice("set-aside"), Choice("back"))
    if run.state in (RunState.SET_TOOL, RunState.RESET_TOOL, RunState.FINAL_ZERO):
        run = replace(run, tool_set_index=-1)  # the person may have begun to turn the tool away
    run = replace(run, state=RunState.DECIDE, asked_about=last.number, choices=choices, choice_index=0, pending=())
    return replace(run, allowed_by="" if last.pull.flags else event.custodian), ()


def propose_next(run: Run, event: e.SetAside, wall: str) -> Stepped:
    """In a choice, the other key moves to the next one, round and round."""
    return replace(run, choice_index=(run.choice_index + 1) % len(run.choices)), ()


def take_proposed(run: Run, event: e.GoOn, wall: str) -> Stepped:
    """In a choice, the key that goes on takes what is proposed."""
    return _take(run, run.choices[run.choice_index].key, wall)


def take_chosen(run: Run, event: e.Chosen, wall: str) -> Stepped:
    """A choice was pointed at."""
    if all(choice.key != event.key for choice in run.choices):
        return run, (e.Tell("not-offered"),)
    return _take(run, event.key, wall)


def _take(run: Run, key: str, wall: str) -> Stepped:
    pull = run.pulls[run.asked_about - 1]
    if run.state is RunState.REASON:
        if key == "back":
            return _ask_again(run, pull), ()
        if key == WRONG_SETTING:
            run = replace(run, tool_set_index=-1)  # it is set anew before the next pull
        return onwards(_put_aside(run, pull, key)), ()
    if key == "repeat":
        return onwards(_put_aside(run, pull, pull.pull.flags[0].value if pull.pull.flags else "no-reading")), ()
    if key == "keep":
        return onwards(_replace_pull(run, replace(pull, kept_despite=True))), ()
    if key == "set-aside":
        choices = tuple(Choice(reason) for reason in (*REASONS, "back"))
        return replace(run, state=RunState.REASON, choices=choices, choice_index=0), ()
    if key == "leave":
        run = _put_aside(run, pull, "no-reading") if pull.pull.reading is None else run
        return leave(run, e.Left("no good reading could be taken"), wall)
    return onwards(run), ()  # back


def _ask_again(run: Run, pull: CapturedPull) -> Run:
    if not run.pending:
        return onwards(run)
    return replace(run, state=RunState.DECIDE, choices=_choices_about(run, pull), choice_index=0)


def _put_aside(run: Run, pull: CapturedPull, reason: str) -> Run:
    return _replace_pull(
        run,
        replace(
            pull,
            set_aside=reason,
            set_aside_by=run.plan.operator,
            set_aside_allowed_by=run.allowed_by,
            kept_despite=False,
        ),
    )


def _replace_pull(run: Run, pull: CapturedPull) -> Run:
    return replace(run, pulls=(*run.pulls[: pull.number - 1], pull, *run.pulls[pull.number :]))


# --------------------------------------------------------------------------------------------------------- the end


def ask_for_last_zero(run: Run, event: e.GoOn, wall: str) -> Stepped:
    """Tool off again: has zero moved?"""
    return run, (e.TakeZero(look_only=True),)


def last_zero_seen(run: Run, event: e.ZeroMeasured, wall: str) -> Stepped:
    """The level at the end, kept beside the ones before."""
    run = replace(run, zeros=(*run.zeros, event.zero), closing=(*run.closing, "zero"))
    if len(run.zeros) > 1:
        moved = event.zero.zero_nm - run.zeros[-2].zero_nm
        run = _remark(run, wall, f"zero at the end differs by {moved:+.6g} N·m")
    return onwards(run), ()


def tool_is_reset(run: Run, event: e.GoOn, wall: str) -> Stepped:
    """The tool is back at its lowest mark."""
    return onwards(replace(run, closing=(*run.closing, "reset"))), ()


def seal(run: Run, event: e.GoOn, wall: str) -> Stepped:
    """The verdict was seen; the run is closed."""
    return replace(run, state=RunState.SEALED, finished=wall), (e.Seal(),)


# ------------------------------------------------------------------------------------------ what may come any time


def leave(run: Run, event: e.Left, wall: str) -> Stepped:
    """The person leaves the run; what was captured stays. A pull that nobody decided about does not count."""
    if run.asked_about:
        pull = run.pulls[run.asked_about - 1]
        undecided = run.pending or run.state is RunState.INDICATION or pull.indication_nm is None
        if undecided and pull.set_aside is None:
            run = _replace_pull(run, replace(pull, set_aside="undecided", set_aside_by=BY_PROGRAM))
    return replace(
        run,
        state=RunState.LEFT,
        left_reason=event.reason.strip() or "no reason given",
        finished=wall,
        choices=(),
        choice_index=0,
        pending=(),
        asked_about=0,
        allowed_by="",
        holds=frozenset(),
    ), (e.Seal(),)


def wait_for_link(run: Run, event: e.LinkLost, wall: str) -> Stepped:
    """No data: the run waits where it is."""
    if Hold.LINK in run.holds:
        return run, ()
    run = replace(run, holds=run.holds | {Hold.LINK})
    what = "link lost in the middle of a pull, which is not counted" if event.was_pulling else "link lost"
    run = _remark(run, wall, what + (f": {event.reason}" if event.reason else ""))
    return run, (e.Sound("wrong"), *((e.Tell("pull-lost"),) if event.was_pulling else ()))


def link_is_back(run: Run, event: e.LinkBack, wall: str) -> Stepped:
    """Data again: reference and zero are seen to again, as after a break of the program."""
    run = _remark(replace(run, holds=run.holds - {Hold.LINK}), wall, f"link back after {event.pause_s:.0f} s")
    if not event.reopened and event.pause_s < HICCUP_S:
        return run, ()
    return _void(run, event.pause_s), ()


def waited_too_long(run: Run, event: e.Waited, wall: str) -> Stepped:
    """Nobody did anything for longer than the procedure's limit: zero and preload are done again."""
    if run.state not in _WALKS or not run.zeros:
        return run, ()
    run = _remark(run, wall, f"nothing happened for {event.pause_s:.0f} s")
    return _void(run, event.pause_s, ("zero",)), ()


def take_up_again(run: Run, event: e.Resumed, wall: str) -> Stepped:
    """The program was started again: the run goes on at the same pull."""
    run = replace(run, holds=run.holds & {Hold.OVERLOAD})
    after = f"after {max(0.0, event.pause_s):.0f} s" if isfinite(event.pause_s) else "after a break that no clock tells"
    return _void(_remark(run, wall, f"taken up again {after}"), event.pause_s), ()


def _void(run: Run, pause_s: float, also: tuple[str, ...] = ("reference", "zero")) -> Run:
    """Mark what a break of `pause_s` makes void and go there, unless the person is being asked something."""
    if run.state is RunState.CAUTIONS:
        return run
    void = list(also)
    if pause_s > procedure_of(run).pause_limit_s and run.plan.preloads:
        void.append("preload")
        run = replace(run, n_preloads_done=0, tool_set_index=-1)
    run = replace(run, resume=tuple(x for x in ("reference", "zero", "preload") if x in void or x in run.resume))
    return onwards(run) if run.state in _WALKS else run


def hold_for_overload(run: Run, event: e.Overloaded, wall: str) -> Stepped:
    """The reference is overloaded: said until acknowledged, and recorded."""
    how = "it says so" if event.percent is None else f"{event.percent:.1f} % of its capacity"
    if Hold.OVERLOAD in run.holds:  # it went on rising
        return _remark(run, wall, f"the overload of {run.plan.reference.number} reached {how}"), ()
    run = replace(run, holds=run.holds | {Hold.OVERLOAD})
    return _remark(run, wall, f"overload of {run.plan.reference.number}: {how}"), (e.Sound("overload"),)


def acknowledge_overload(run: Run, event: e.GoOn, wall: str) -> Stepped:
    """The person has seen it."""
    run = replace(run, holds=run.holds - {Hold.OVERLOAD})
    return _remark(run, wall, f"overload seen by {run.plan.operator or 'the operator'}"), ()


def note_ambient(run: Run, event: e.AmbientTyped, wall: str) -> Stepped:
    """Temperature or humidity, typed or from a thermometer; what was typed stands."""
    if event.key not in AMBIENT_NAMES or not isfinite(event.value):
        return run, (e.Tell("not-offered"),)
    if event.source != TYPED and event.key in run.ambient and run.ambient_from.get(event.key, TYPED) == TYPED:
        return run, ()
    if event.is_late:
        run = _remark(run, wall, f"{AMBIENT_NAMES[event.key]} noted late: no thermometer spoke before")
    sources = {**run.ambient_from, event.key: event.source}
    return replace(run, ambient={**run.ambient, event.key: float(event.value)}, ambient_from=sources), ()


def _remark(run: Run, wall: str, sentence: str) -> Run:
    return replace(run, remarks=(*run.remarks, (wall, sentence)))
