"""Judgement of a whole run: every reading by the plain limits, every checkpoint's mean by budget and decision rule.

Single readings are judged by the permissible deviation alone. Guard band, W' and probability belong to the mean.
`s_percent` is a single reading's own spread; w_re = s/√n is the mean's.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum

from benchapp.metrology import budget as b
from benchapp.metrology.budget import Budget, Contribution, Coverage, GivenBy
from benchapp.metrology.deviation import Convention, deviation_percent, without_error
from benchapp.metrology.errors import RefusedError, finite, not_negative, positive
from benchapp.metrology.risk import Prior, Risk, normal_risk
from benchapp.metrology.rules import (
    Outcome,
    Rule,
    RuleKind,
    conformance_probability,
    decide,
    guard_band,
    tur,
    within,
)
from benchapp.metrology.statistics import mean, standard_deviation
from benchapp.metrology.suitability import ReferenceUse
from benchapp.torque.direction import Direction


@dataclass(frozen=True, slots=True)
class ReadingInput:
    """One reading.

    Attributes:
        reading_nm: X_r, N·m, > 0.
        indication_nm: X_a; None: the checkpoint's target.
        set_aside: Why it does not count; None: it counts.
        flags: What was noticed about the pull.
        set_aside_by: Who decided.
    """

    reading_nm: float
    indication_nm: float | None = None
    set_aside: str | None = None
    flags: tuple[str, ...] = ()
    set_aside_by: str = ""


@dataclass(frozen=True, slots=True)
class Geometric:
    """A geometric influence b: how far means lie apart when one thing is changed.

    Attributes:
        spread_nm: b, N·m, >= 0.
        given_by: Measured, model, typed or not applicable.
        reason: Needed for typed and not applicable.
        at_nm: Mean reading at which it was found (the lowest value); None: the checkpoint's own mean.
    """

    spread_nm: float
    given_by: GivenBy = GivenBy.MEASURED
    reason: str = ""
    at_nm: float | None = None


@dataclass(frozen=True, slots=True)
class Dynamic:
    """What stream and profile say about one checkpoint; None or 0: unknown, then the budget names the term as missing.

    Attributes:
        rate_percent_per_s: Loading rate at the reading, percent of the reading per second.
        interval_s: Sampling interval.
        filter_hz: The device's own low-pass.
        zero_drift_nm: Last zero minus first.
        temperature_percent_per_k: Of the reference.
        temperature_difference_k: From its calibration.
        stands_still: Readings were held: how fast the torque got there hides nothing of them.
    """

    rate_percent_per_s: float | None = None
    interval_s: float | None = None
    filter_hz: float | None = None
    zero_drift_nm: float | None = None
    temperature_percent_per_k: float | None = None
    temperature_difference_k: float | None = None
    stands_still: bool = False

    @property
    def expected(self) -> tuple[str, ...]:
        """Symbols of the terms that belong into the budget, known or not."""
        moving = () if self.stands_still else ("w_sampling", "w_filter")
        return (*moving, "w_zero", "w_temp")


@dataclass(frozen=True, slots=True)
class CheckpointInput:
    """One checkpoint with all its readings, oldest first; torques in N·m.

    `dynamic` is None for readings from elsewhere whose stream nobody knows: then nothing of it is expected.
    """

    target_nm: float
    limit_percent: float
    readings: tuple[ReadingInput, ...]
    direction: Direction = Direction.CLOCKWISE
    n_required: int = 1
    reference: ReferenceUse | None = None
    dynamic: Dynamic | None = None


@dataclass(frozen=True, slots=True)
class Ambient:
    """Temperature (°C) and relative humidity (%), None where nobody noted it, and what the procedure allows."""

    start_c: float | None = None
    end_c: float | None = None
    humidity_percent: float | None = None
    lowest_c: float | None = None
    highest_c: float | None = None
    change_c: float | None = None
    greatest_humidity_percent: float | None = None


@dataclass(frozen=True, slots=True)
class JudgeInput:
    """Everything a judgement needs, fixed by tool, reference and procedure before the first pull.

    Attributes:
        checkpoints: At least one.
        convention: Which deviation.
        resolution_nm: Of the tool's scale or display; None: it has none, or nobody noted it (then w_r is missing).
        geometric: By symbol: "w_rep", "w_od", "w_int", "w_l".
        rule: Decision rule.
        coverage: How k is found.
        ambient: Conditions.
        prior: From the shop's history, for global risk; None: too short.
    """

    checkpoints: tuple[CheckpointInput, ...]
    convention: Convention = Convention.ISO
    resolution_nm: float | None = None
    geometric: dict[str, Geometric] = field(default_factory=dict)
    rule: Rule = field(default_factory=Rule)
    coverage: Coverage = field(default_factory=Coverage)
    ambient: Ambient = field(default_factory=Ambient)
    prior: Prior | None = None


@dataclass(frozen=True, slots=True)
class ReadingJudgement:
    """One reading by the plain limits."""

    reading_nm: float
    indication_nm: float
    deviation_percent: float
    within: bool
    counts: bool
    flags: tuple[str, ...]
    set_aside: str | None


@dataclass(frozen=True, slots=True)
class Unsettled:
    """What would settle a doubtful checkpoint.

    Attributes:
        key: "more-readings" (value: how many in all), "better-reference" (value: its greatest U in percent, k = 2),
            "budget" (value: greatest U of the mean in percent at which the rule accepts), "repeat" (readings set aside
            without a flag decide the verdict).
        value: See key; None for "repeat".
    """

    key: str
    value: float | None = None


@dataclass(frozen=True, slots=True)
class CheckpointJudgement:
    """One checkpoint. Percent unless named otherwise.

    Attributes:
        target_nm: Target.
        direction: Direction.
        limit_percent: Permissible deviation.
        readings: All of them, also those set aside.
        n: How many count.
        mean_reading_nm: X̄_r.
        mean_deviation_percent: ā_s, mean of the deviations.
        s_percent: Sample standard deviation of the deviations; None with fewer than two.
        all_within: Every counted reading lies within the plain limits.
        budget: Of the mean.
        error_percent: b_ep.
        interval_percent: W'.
        guard_band_percent: w of the rule.
        outcome: Of the rule, for the mean.
        probability: That the tool is within limits here (JCGM 106), as far as the budget knows, with a known error of
            the reference taken out of the mean; None when the budget has nothing of the reference in it: every
            probability would be too sure of itself.
        tur: Limit over expanded uncertainty with k = 2; None when that is 0, or has nothing of the reference in it.
        risk: Global risks; None without prior or without reference.
        mean_with_set_aside_percent: ā_s over all readings.
        all_within_with_set_aside: The same question over all readings.
        settle: What would settle it, when it is doubtful.
    """

    target_nm: float
    direction: Direction
    limit_percent: float
    readings: tuple[ReadingJudgement, ...]
    n: int
    mean_reading_nm: float
    mean_deviation_percent: float
    s_percent: float | None
    all_within: bool
    budget: Budget
    error_percent: float
    interval_percent: float
    guard_band_percent: float
    outcome: Outcome
    probability: float | None
    tur: float | None
    risk: Risk | None
    mean_with_set_aside_percent: float
    all_within_with_set_aside: bool
    settle: tuple[Unsettled, ...] = ()


class Verdict(StrEnum):
    """What to do with the tool."""

    IN_SERVICE = "in-service"
    OUT = "out"  # quarantine, send to a calibration laboratory
    DOUBTFUL = "doubtful"


@dataclass(frozen=True, slots=True)
class AmbientNote:
    """Something about the conditions that belongs in the record: key, value, limit."""

    key: str
    value: float | None = None
    limit: float | None = None


@dataclass(frozen=True, slots=True)
class Judgement:
    """The whole: verdict, checkpoints in the order given, notes on the conditions."""

    verdict: Verdict
    checkpoints: tuple[CheckpointJudgement, ...]
    ambient_notes: tuple[AmbientNote, ...]


def judge(run: JudgeInput) -> Judgement:
    """Judge a run.

    The verdict is out when a reading that counts lies outside the plain limits, or the mean does for certain;
    doubtful when the rule does not accept a mean that lies within, or when readings set aside without a flag were
    outside; else in service.

    Raises:
        RefusedError: Input nothing honest can be computed from: field, value, limit, what would be accepted.
    """
    if not run.checkpoints:
        raise RefusedError("checkpoints", None, "at least one", "one checkpoint or more")
    for symbol, given in run.geometric.items():
        _check_geometric(symbol, given)
    if run.resolution_nm is not None:
        positive("resolution", run.resolution_nm)
    judged = tuple(_judge_checkpoint(run, c, f"checkpoints[{i}]") for i, c in enumerate(run.checkpoints))
    verdicts = [_verdict_of(c) for c in judged]
    for verdict in (Verdict.OUT, Verdict.DOUBTFUL):
        if verdict in verdicts:
            break
    else:
        verdict = Verdict.IN_SERVICE
    return Judgement(verdict, judged, ambient_notes(run.ambient))


def _judge_checkpoint(run: JudgeInput, checkpoint: CheckpointInput, at: str) -> CheckpointJudgement:
    positive(f"{at}.target", checkpoint.target_nm)
    positive(f"{at}.limit_percent", checkpoint.limit_percent)
    readings = tuple(
        _judge_reading(run.convention, checkpoint, r, f"{at}.readings[{i}]") for i, r in enumerate(checkpoint.readings)
    )
    counted = [r for r in readings if r.counts]
    needed = max(1, checkpoint.n_required, 1 if run.rule.kind is RuleKind.SIMPLE else 2)
    if len(counted) < needed:
        raise RefusedError(f"{at}.readings", len(counted), f"at least {needed} that count", "more readings")
    if run.rule.kind is not RuleKind.SIMPLE and checkpoint.reference is None:
        raise RefusedError(
            f"{at}.reference",
            None,
            f"an uncertainty, for the rule {run.rule.kind.value}",
            "the reference's uncertainty",
        )
    deviations = [r.deviation_percent for r in counted]
    centre, s = mean(deviations), standard_deviation(deviations) if len(deviations) > 1 else None
    mean_reading = mean([r.reading_nm for r in counted])
    known = b.combine(_contributions(run, checkpoint, counted, mean_reading, s), run.coverage, _expected(checkpoint))
    error = checkpoint.reference.error_percent if checkpoint.reference is not None else 0.0
    unknown = checkpoint.reference is None
    best = without_error(centre, error, run.convention) if error else centre
    limit = checkpoint.limit_percent
    # decided here (mark D): a known error of the reference that is left widens the guard band, as it widens W'
    outcome = decide(run.rule, centre, limit, known.expanded + abs(error))
    judged = CheckpointJudgement(
        target_nm=checkpoint.target_nm,
        direction=checkpoint.direction,
        limit_percent=limit,
        readings=readings,
        n=len(counted),
        mean_reading_nm=mean_reading,
        mean_deviation_percent=centre,
        s_percent=s,
        all_within=all(r.within for r in counted),
        budget=known,
        error_percent=error,
        interval_percent=b.interval_percent(centre, known.expanded, error),
        guard_band_percent=guard_band(run.rule, known.expanded + abs(error)),
        outcome=outcome,
        probability=None if unknown else conformance_probability(best, known.standard, -limit, limit),
        tur=None if unknown or known.standard == 0 else tur(limit, 2 * known.standard),
        risk=None if unknown else _risk(run, limit, known, error),
        mean_with_set_aside_percent=mean([r.deviation_percent for r in readings]),
        all_within_with_set_aside=all(r.within for r in readings),
    )
    return replace(judged, settle=_settle(run.rule, judged)) if _verdict_of(judged) is Verdict.DOUBTFUL else judged


def _judge_reading(
    convention: Convention, checkpoint: CheckpointInput, reading: ReadingInput, at: str
) -> ReadingJudgement:
    positive(at, reading.reading_nm)
    indication = checkpoint.target_nm if reading.indication_nm is None else reading.indication_nm
    positive(f"{at}.indication", indication)
    deviation = deviation_percent(indication, reading.reading_nm, convention)
    if not math.isfinite(deviation):
        raise RefusedError(at, reading.reading_nm, f"a torque of the size of {indication:g} N·m", "the reading again")
    return ReadingJudgement(
        reading.reading_nm,
        indication,
        deviation,
        within(deviation, checkpoint.limit_percent),
        reading.set_aside is None,
        reading.flags,
        reading.set_aside,
    )


_GEOMETRIC = {"w_rep": b.w_rep, "w_od": b.w_od, "w_int": b.w_int, "w_l": b.w_l}


def _check_geometric(symbol: str, given: Geometric) -> None:
    if symbol not in _GEOMETRIC:
        raise RefusedError(f"geometric.{symbol}", symbol, "a known contribution", ", ".join(_GEOMETRIC))
    not_negative(f"geometric.{symbol}", given.spread_nm)
    if given.given_by in (GivenBy.TYPED, GivenBy.NOT_APPLICABLE) and not given.reason.strip():
        raise RefusedError(f"geometric.{symbol}.reason", None, "a reason for a typed value", "one sentence: why")


def _contributions(
    run: JudgeInput,
    checkpoint: CheckpointInput,
    counted: Sequence[ReadingJudgement],
    mean_reading: float,
    s: float | None,
) -> list[Contribution]:
    lines: list[Contribution] = []
    use = checkpoint.reference
    if use is not None:
        lines.append(Contribution("w_md", b.w_md(use.expanded_percent, use.coverage_factor)))
        finite("reference.error_percent", use.error_percent)
        if use.drift_percent is not None:
            lines.append(Contribution("w_drift", b.w_drift(use.drift_percent)))
        if use.residual_percent:
            lines.append(Contribution("w_interp", b.w_interp(use.residual_percent)))
    if run.resolution_nm is not None:
        indication = mean([r.indication_nm for r in counted])
        lines.append(Contribution("w_r", b.w_r(run.resolution_nm, indication), given_by=GivenBy.TYPED))
    for symbol, given in run.geometric.items():
        percent = _GEOMETRIC[symbol](given.spread_nm, mean_reading if given.at_nm is None else given.at_nm)
        lines.append(Contribution(symbol, percent, given_by=given.given_by, reason=given.reason))
    if s is not None:
        n = len(counted)
        lines.append(Contribution("w_re", b.w_re(s, n), float(n - 1), GivenBy.READINGS))
    return lines if checkpoint.dynamic is None else lines + _dynamic(checkpoint.dynamic, mean_reading)


def _expected(checkpoint: CheckpointInput) -> tuple[str, ...]:
    use, found = checkpoint.reference, list(b.EXPECTED)
    if use is not None and use.residual_percent is None:
        found.append("w_interp")
    if checkpoint.dynamic is not None:
        found += ("w_drift",) if use is not None else ()
        found += checkpoint.dynamic.expected
    return tuple(found)


def _dynamic(dynamic: Dynamic, mean_reading: float) -> list[Contribution]:
    lines = []
    rate = dynamic.rate_percent_per_s
    if rate is not None and dynamic.interval_s:
        lines.append(("w_sampling", b.w_sampling(rate, dynamic.interval_s)))
    if rate is not None and dynamic.filter_hz:
        lines.append(("w_filter", b.w_filter(rate, dynamic.filter_hz)))
    if dynamic.zero_drift_nm is not None:
        lines.append(("w_zero", b.w_zero(dynamic.zero_drift_nm, mean_reading)))
    if dynamic.temperature_percent_per_k is not None and dynamic.temperature_difference_k is not None:
        lines.append(("w_temp", b.w_temp(dynamic.temperature_percent_per_k, dynamic.temperature_difference_k)))
    return [Contribution(symbol, percent, given_by=GivenBy.STREAM) for symbol, percent in lines]


def _risk(run: JudgeInput, limit: float, known: Budget, error: float) -> Risk | None:
    if run.prior is None or known.standard == 0 or run.prior.spread <= 0:
        return None
    acceptance = limit - guard_band(run.rule, known.expanded + abs(error))
    if run.rule.kind is RuleKind.FOUR_WAY:
        acceptance = limit  # conditional pass is an acceptance with a larger risk, told as such
    if acceptance <= 0:
        return None
    return normal_risk(run.prior.centre, run.prior.spread, known.standard, (-limit, limit), (-acceptance, acceptance))


def _verdict_of(checkpoint: CheckpointJudgement) -> Verdict:
    mean_within = within(checkpoint.mean_deviation_percent, checkpoint.limit_percent)
    if not checkpoint.all_within or not mean_within:
        return Verdict.OUT
    if checkpoint.outcome is not Outcome.PASS:
        return Verdict.DOUBTFUL
    return Verdict.DOUBTFUL if _unflagged_outside(checkpoint) else Verdict.IN_SERVICE


def _unflagged_outside(checkpoint: CheckpointJudgement) -> bool:
    return any(not r.counts and not r.flags and not r.within for r in checkpoint.readings)


def _settle(rule: Rule, judged: CheckpointJudgement) -> tuple[Unsettled, ...]:
    if judged.outcome is Outcome.PASS:
        return (Unsettled("repeat"),)
    known = judged.budget
    room = judged.limit_percent - abs(judged.mean_deviation_percent)
    allowed = room / rule.r - abs(judged.error_percent)  # greatest U at which the rule accepts this mean
    found = [Unsettled("budget", max(allowed, 0.0))]
    square = {c.symbol: c.percent**2 for c in known.contributions}
    allowed_square = (allowed / known.factor) ** 2 if allowed > 0 else -1.0
    others = known.standard**2 - square.get("w_re", 0.0)
    if allowed_square > others and square.get("w_re"):
        n = math.ceil(judged.n * square["w_re"] / (allowed_square - others))
        if n <= 10 * judged.n:
            found.append(Unsettled("more-readings", float(max(n, judged.n + 1))))
    left = allowed_square - (known.standard**2 - square.get("w_md", 0.0))
    if left > 0 and "w_md" in square:
        found.append(Unsettled("better-reference", 2 * math.sqrt(left)))
    return tuple(found)


def ambient_notes(ambient: Ambient) -> tuple[AmbientNote, ...]:
    """Return what is outside limits or missing: it belongs in the record and on the verdict page."""
    notes: list[AmbientNote] = []
    temperatures = [t for t in (ambient.start_c, ambient.end_c) if t is not None]
    if len(temperatures) < 2:
        notes.append(AmbientNote("temperature-missing"))
    for t in temperatures:
        finite("ambient.temperature", t)
        if ambient.lowest_c is not None and t < ambient.lowest_c:
            notes.append(AmbientNote("too-cold", t, ambient.lowest_c))
        if ambient.highest_c is not None and t > ambient.highest_c:
            notes.append(AmbientNote("too-warm", t, ambient.highest_c))
    if len(temperatures) == 2 and ambient.change_c is not None:
        change = abs(temperatures[1] - temperatures[0])
        if change > ambient.change_c:
            notes.append(AmbientNote("temperature-changed", change, ambient.change_c))
    if ambient.humidity_percent is None:
        notes.append(AmbientNote("humidity-missing"))
    elif ambient.greatest_humidity_percent is not None and ambient.humidity_percent > ambient.greatest_humidity_percent:
        notes.append(AmbientNote("too-humid", ambient.humidity_percent, ambient.greatest_humidity_percent))
    return tuple(notes)
