"""A run as data: its plan, what was pulled, and where it stands. The step function is in `machine.py`."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

from benchapp.metrology.judgement import Geometric
from benchapp.metrology.reference import Reference
from benchapp.metrology.risk import ShopHistory
from benchapp.metrology.tool import Tool
from benchapp.pulls.pull import Flag, Mode, Pull
from benchapp.torque.direction import Direction
from drivers.samples import Source


class RunState(StrEnum):
    """What a run waits for."""

    CAUTIONS = "cautions"  # the person reads the cautions
    REFERENCE = "reference"  # the person confirms which reference is mounted (it could not tell)
    ZERO = "zero"  # tool off, still; zero is taken
    PRELOAD = "preload"  # pulls at maximum that never count
    SET_TOOL = "set-tool"  # the person sets the tool to the checkpoint's target
    PULL = "pull"  # waiting for, or inside, a pull that counts
    DECIDE = "decide"  # a flagged pull or a request to set aside: repeat, keep, …
    REASON = "reason"  # why it is set aside: short list
    INDICATION = "indication"  # the value the tool shows is to be typed
    FINAL_ZERO = "final-zero"  # tool off again, zero looked at
    RESET_TOOL = "reset-tool"  # reminder: back to the lowest mark
    VERDICT = "verdict"  # shown; sealed on going on
    SEALED = "sealed"
    LEFT = "left"  # left with a reason; stays in the tool's history


class Hold(StrEnum):
    """Why a run waits whatever its state."""

    LINK = "link"  # no data
    OVERLOAD = "overload"  # until acknowledged
    IDENTITY = "identity"  # another transducer came back


class PullKind(StrEnum):
    """What a pull was for."""

    PRELOAD = "preload"
    READING = "reading"


class Band(StrEnum):
    """Where a reading lies against the corridor: what the tool delivered against what it was set to."""

    LOW = "LOW"
    IN = "IN"
    HIGH = "HIGH"


@dataclass(frozen=True, slots=True)
class Checkpoint:
    """One target.

    Attributes:
        target: In the tool's own unit, on a mark that it has.
        target_nm: The same in N·m.
        direction: Direction of the pulls.
        n_readings: How many count.
        limit_percent: Permissible deviation, ± percent, in force here.
        percent_of_highest: What the procedure asked for (20, 60, 100); None for a spot check or fixed tool.
        low_nm: Lower edge of the corridor: the smallest reading within limits, N·m.
        high_nm: Upper edge.
    """

    target: float
    target_nm: float
    direction: Direction
    n_readings: int
    limit_percent: float
    percent_of_highest: float | None
    low_nm: float
    high_nm: float


@dataclass(frozen=True, slots=True)
class CapturedPull:
    """A pull in a run, kept whether it counts or not.

    Attributes:
        number: Running number in the run, from 1; also the key of its trace in the store.
        kind: Preload or reading.
        checkpoint_index: Which checkpoint; None for a preload.
        pull: As read, N·m.
        indication_nm: X_a; None until it is typed (indicating tools with memory) or for a preload.
        deviation_percent: By the procedure's formula; None without reading or indication.
        band: Where the reading lies; None without reading.
        set_aside: Reason why it does not count; None: it counts (unless a preload).
        set_aside_by: Who decided: the person who pulled, or the program.
        kept_despite: True when the person kept a flagged pull.
        set_aside_allowed_by: The custodian whose word it needed; "" it needed none.
    """

    number: int
    kind: PullKind
    checkpoint_index: int | None
    pull: Pull
    indication_nm: float | None = None
    deviation_percent: float | None = None
    band: Band | None = None
    set_aside: str | None = None
    set_aside_by: str = ""
    kept_despite: bool = False
    set_aside_allowed_by: str = ""

    @property
    def set_aside_names(self) -> str:
        """Who set it aside and, where it needed a custodian's word, who allowed it."""
        allowed = f", allowed by {self.set_aside_allowed_by}" if self.set_aside_allowed_by else ""
        return f"{self.set_aside_by}{allowed}"


@dataclass(frozen=True, slots=True)
class ZeroTaken:
    """One look at the rest level with the tool off.

    Attributes:
        zero_nm: Level that was subtracted from then on, N·m, relative to the device's own zero.
        noise_nm: Standard deviation while measuring.
        drift_nm: Change over the measuring time.
        t_s: When, on the link's axis.
        wall: ISO 8601 wall time.
    """

    zero_nm: float
    noise_nm: float
    drift_nm: float
    t_s: float
    wall: str


@dataclass(frozen=True, slots=True)
class RunPlan:
    """Everything that was fixed before the first pull.

    Attributes:
        tool: As it was in the rack.
        reference: As it was, with its calibrations.
        procedure: The whole procedure as it was: canonical TOML data as a nested mapping, figures with source and mark.
        procedure_name: Name for people, e.g. "ISO 6789:2003, three readings".
        mode: How readings are taken.
        checkpoints: In pulling order.
        preloads: (direction, n, target_nm) in pulling order; repeated after a change of direction.
        operator: Who pulls.
        source: Live, simulated or replayed.
        warnings: Sentences about suitability that were accepted before the start.
        detector: Name and version of the pull reader.
        geometric: Geometric influences known before the run, by symbol ("w_rep", "w_od", "w_int", "w_l").
        reference_check: How the reference stood by its check standard, one sentence; "" it has none.
        history: How such tools came out in this shop before; None: nobody looked.
    """

    tool: Tool
    reference: Reference
    procedure: dict[str, object]
    procedure_name: str
    mode: Mode
    checkpoints: tuple[Checkpoint, ...]
    preloads: tuple[tuple[Direction, int, float], ...]
    operator: str
    source: Source
    warnings: tuple[str, ...] = ()
    detector: str = ""
    geometric: dict[str, Geometric] = field(default_factory=dict)
    reference_check: str = ""
    history: ShopHistory | None = None


@dataclass(frozen=True, slots=True)
class Choice:
    """One branch at DECIDE or REASON; `key` is for the machine, the sentence is written in `ui`."""

    key: str


@dataclass(frozen=True, slots=True)
class Run:
    """One execution of a procedure on one tool.

    Attributes:
        run_id: Unique text (UUID).
        plan: Fixed before the first pull.
        state: What it waits for.
        started: ISO 8601 wall time.
        holds: Reasons to wait, beside the state.
        checkpoint_index: Where it stands; len(checkpoints) after the last.
        preload_index: Which entry of `plan.preloads` is under way.
        n_preloads_done: Pulls done of that entry.
        pulls: Every pull captured, oldest first.
        zeros: Every zero taken, oldest first; the last is in force.
        choices: What can be chosen now (DECIDE, REASON); empty otherwise.
        choice_index: Which of them is proposed.
        pending: Flags that made the machine ask; empty otherwise.
        reference_confirmed: How the reference was recognised: "identified", "confirmed by NAME", "".
        resume: What must be seen to again after a break, e.g. ("reference", "zero", "preload").
        ambient: Temperature and humidity as typed: keys "start_c", "end_c", "humidity_percent".
        ambient_from: Where each of `ambient` comes from, same keys: "typed" (also if absent) or "thermometer: NAME".
        remarks: Further things that belong in the record, as (wall time, sentence).
        left_reason: Why it was left; "" otherwise.
        finished: ISO 8601; "" while running.
        asked_about: Number of the pull that DECIDE, REASON or INDICATION is about; 0 otherwise.
        tool_set_index: Checkpoint to which the tool was last set; −1: not set, or turned away by a preload.
        closing: What was done after the last reading: "zero", "reset".
        last_step: ISO 8601 wall time of the newest step; from it a pause is measured.
        allowed_by: The custodian who allows the reading that is asked about to be set aside; "" otherwise.
        stream: Of the link over the pulls, at its worst: keys "rate_hz" and "filter_hz"; absent where unknown.
    """

    run_id: str
    plan: RunPlan
    state: RunState
    started: str
    holds: frozenset[Hold] = frozenset()
    checkpoint_index: int = 0
    preload_index: int = 0
    n_preloads_done: int = 0
    pulls: tuple[CapturedPull, ...] = ()
    zeros: tuple[ZeroTaken, ...] = ()
    choices: tuple[Choice, ...] = ()
    choice_index: int = 0
    pending: tuple[Flag, ...] = ()
    reference_confirmed: str = ""
    resume: tuple[str, ...] = ()
    ambient: dict[str, float] = field(default_factory=dict)
    remarks: tuple[tuple[str, str], ...] = ()
    left_reason: str = ""
    finished: str = ""
    asked_about: int = 0
    tool_set_index: int = -1
    closing: tuple[str, ...] = ()
    last_step: str = ""
    stream: dict[str, float] = field(default_factory=dict)
    ambient_from: dict[str, str] = field(default_factory=dict)
    allowed_by: str = ""
