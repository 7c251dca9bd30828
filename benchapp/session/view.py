"""What the Bench shows, as data. The window mirrors one `BenchView` after another and adds only words and pixels.

All torques in N·m, clockwise positive, corrected and zeroed, ready to be shown in whatever unit the person chose.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from benchapp.metrology.judgement import Judgement
from benchapp.metrology.reference import Reference
from benchapp.pulls.pull import Mode, Pull
from benchapp.runs.model import Band, Checkpoint, Hold, PullKind, Run, RunState
from benchapp.runs.outcome import CheckpointResult as CheckpointResult
from benchapp.torque.direction import Direction
from drivers.samples import FloatArray, Source
from drivers.status import CaptureStatus


class Phase(StrEnum):
    """What the hand does right now."""

    REST = "rest"  # nobody pulls
    RISING = "rising"  # inside a pull, before the click
    RELEASED = "released"  # clicked; not back at rest: ease back to zero
    HELD = "held"  # mode hold: steady; the reading is known


@dataclass(frozen=True, slots=True)
class LinkView:
    """The link as people see it.

    Attributes:
        state: "closed", "opening", "streaming", "silent", "lost", "refused".
        url: As opened; empty when none.
        reason: One sentence when not streaming.
        rate_hz: Measured; 0 unknown.
        n_lines: Lines understood.
        n_refused: Lines skipped.
        n_gaps: Gaps seen.
        identity: What the transducer says it is; "" when it has not said.
        capture: The recording of its bytes for a fault report; None: none runs, nor has one ended by itself.
    """

    state: str
    url: str = ""
    reason: str = ""
    rate_hz: float = 0.0
    n_lines: int = 0
    n_refused: int = 0
    n_gaps: int = 0
    identity: str = ""
    capture: CaptureStatus | None = None


@dataclass(frozen=True, slots=True)
class ReplayView:
    """A recording in place of a transducer.

    Attributes:
        is_paused: Held still.
        is_over: Its end has been reached.
        speed: 1 is as it was recorded.
        back_to: URL of the port that "back" opens again; empty when none was open before.
    """

    is_paused: bool = False
    is_over: bool = False
    speed: float = 1.0
    back_to: str = ""


@dataclass(frozen=True, slots=True)
class Card:
    """The capture card: the last reading and what was noticed.

    Attributes:
        pull_number: Of the checkpoint, from 1 (as told to the person), or of the preload.
        kind: Preload or reading.
        torque_nm: The reading; while `provisional` the click just heard.
        provisional: Click heard, pull not closed yet.
        stored: Durable in the store.
        band: Against the corridor; None for a preload or without reading.
        deviation_percent: The procedure's deviation; None without reading.
        delivered_percent: (reading − target) / target, what the sentence says: "6.3 % above its setting".
        limit_percent: Permissible deviation.
        formula: Name of the deviation's formula, e.g. "ISO 6789".
        pull: As read; None while provisional.
        set_aside: Reason; None if it counts.
        kept: Something was noticed, and the person has kept it all the same.
        heard_s: When, on the samples' own clock, while `provisional`; None afterwards.
    """

    pull_number: int
    kind: PullKind
    torque_nm: float | None
    provisional: bool
    stored: bool
    band: Band | None = None
    deviation_percent: float | None = None
    delivered_percent: float | None = None
    limit_percent: float | None = None
    formula: str = ""
    pull: Pull | None = None
    set_aside: str | None = None
    kept: bool = False
    heard_s: float | None = None


@dataclass(frozen=True, slots=True)
class Dot:
    """A reading on a rung of the ladder: its band, or None while still to come; `set_aside` ones are not shown."""

    band: Band | None
    flagged: bool = False


@dataclass(frozen=True, slots=True)
class Rung:
    """One checkpoint on the ladder."""

    checkpoint: Checkpoint
    dots: tuple[Dot, ...]
    is_current: bool


@dataclass(frozen=True, slots=True)
class VerdictView:
    """The first verdict: in or out, by reading, checkpoint, tool, and the judgement with its uncertainty.

    Attributes:
        within: Every reading that counts is within limits.
        within_with_set_aside: The same with readings that were set aside without a flag.
        checkpoints: Each judged by its limits.
        n_set_aside: How many readings somebody set aside.
        n_noticed: How many of them had a flag or no reading.
        judgement: With uncertainty and decision rule; None when there is none.
        judgement_problem: Why there is none, one sentence; the verdict by the limits stands.
    """

    within: bool
    within_with_set_aside: bool
    checkpoints: tuple[CheckpointResult, ...]
    n_set_aside: int
    judgement: Judgement | None = None
    judgement_problem: str = ""
    n_noticed: int = 0


@dataclass(frozen=True, slots=True)
class PracticeAim:
    """What a pull outside of a run is read for: practice, or a study of person or tool. Never becomes a record.

    Attributes:
        reference: Its correction and capacity act as in a run; None: samples as they come.
        mode: How the reading is taken.
        direction: Of the pulls that count.
        target_nm: Set on the tool or to be reached by eye; None: none.
        time_window_s: (shortest, longest) for the last fifth; None: the reader's own.
    """

    reference: Reference | None
    mode: Mode = Mode.FIRST_PEAK
    direction: Direction = Direction.CLOCKWISE
    target_nm: float | None = None
    time_window_s: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class PracticePull:
    """A closed pull outside of a run.

    Attributes:
        pull: As read, N·m.
        t_s: Times of its stretch, from a second before its start to its end; shape (n,).
        torque_nm: Corrected and zeroed, clockwise positive, N·m; shape (n,).
        source: Where the samples came from.
        wall: When it closed, ISO 8601.
    """

    pull: Pull
    t_s: FloatArray
    torque_nm: FloatArray
    source: Source
    wall: str


@dataclass(frozen=True, slots=True)
class Asked:
    """What a run asks of the person at one moment. A press is an answer to this and to nothing that came later.

    Attributes:
        run_id: Of the run; "" without one.
        state: What it waits for.
        to_see: Holds that the key acknowledges first.
        checkpoint_index: Under way.
        n_pulls: Captured so far.
        asked_about: Number of the pull that a choice or an indication is about; 0 none.
        choice: Key of the choice proposed; "" none.
    """

    run_id: str = ""
    state: RunState | None = None
    to_see: frozenset[Hold] = frozenset()
    checkpoint_index: int = 0
    n_pulls: int = 0
    asked_about: int = 0
    choice: str = ""


def asked_of(run: Run | None, *, any_choice: bool = False) -> Asked:
    """Return what `run` asks now; `any_choice`: whichever of its choices is proposed."""
    if run is None:
        return Asked()
    proposed = "" if any_choice or not run.choices else run.choices[run.choice_index].key
    to_see = run.holds & {Hold.OVERLOAD, Hold.IDENTITY}
    return Asked(run.run_id, run.state, to_see, run.checkpoint_index, len(run.pulls), run.asked_about, proposed)


@dataclass(frozen=True, slots=True)
class BenchView:
    """Everything the Bench shows, once per change (not per sample).

    Attributes:
        serial: Counts changes; equal serials mean equal views.
        source: Where the samples come from; None before the first.
        link: The link.
        run: The run under way; None: nothing chosen yet.
        state: Of the run; None without a run.
        holds: Reasons to wait.
        phase: What the hand does.
        direction: Direction of the checkpoint or preload under way.
        mode: How the reading is taken.
        target_nm: Torque the corridor is drawn around (preload: the tool's maximum); None without one.
        target: The same in the tool's own unit.
        checkpoint: Under way; None in a preload.
        pull_index: Pull i (from 1) …
        n_pulls: … of n, of the checkpoint or preload.
        rungs: Ladder, lowest torque first.
        card: Last capture; None before the first.
        capacity_nm: Of the reference; None unknown.
        time_window_s: (shortest, longest) time for 80 to 100 % of the load; None when the procedure has none.
        eighty_s: Time at which the running pull passed 80 % of the target; None before.
        zero_wall: "HH:MM" of the zero in force; "" none.
        zero_problem: Why zero could not be taken, one sentence; "" if fine.
        verdict: At VERDICT and SEALED.
        overload_percent: 0 below 95 % of capacity, else percent of capacity reached; infinite where the transducer says
            overload and nobody knows how much.
        store_problem: Why nothing can be stored at the moment, one sentence; "" if fine.
        n_unstored: Steps (pulls, states, seals) that wait in memory because of it.
        identity_problem: Which transducer answered and which was expected; "" if fine.
        notice: Key of something told in passing (`runs.events.Tell`), e.g. "wrong-direction", "knock"; "" none.
        zero_nm: Level subtracted from the samples at the moment, N·m.
        is_zeroing: The rest level is being measured.
        replay: The recording being replayed; None: none.
    """

    serial: int
    source: Source | None
    link: LinkView
    run: Run | None = None
    state: RunState | None = None
    holds: frozenset[Hold] = frozenset()
    phase: Phase = Phase.REST
    direction: Direction = Direction.CLOCKWISE
    mode: Mode = Mode.FIRST_PEAK
    target_nm: float | None = None
    target: float | None = None
    checkpoint: Checkpoint | None = None
    pull_index: int = 0
    n_pulls: int = 0
    rungs: tuple[Rung, ...] = ()
    card: Card | None = None
    capacity_nm: float | None = None
    time_window_s: tuple[float, float] | None = None
    eighty_s: float | None = None
    zero_wall: str = ""
    zero_problem: str = ""
    verdict: VerdictView | None = None
    overload_percent: float = 0.0
    store_problem: str = ""
    n_unstored: int = 0
    identity_problem: str = ""
    notice: str = ""
    zero_nm: float = 0.0
    is_zeroing: bool = False
    replay: ReplayView | None = None
