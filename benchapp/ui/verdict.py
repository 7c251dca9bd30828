"""The verdict in words, the same on the Bench and in the Logbook: what to do, what would settle it, where it is from.

Pure: no Qt. Dots on verdict pictures lie by what the tool *delivered* against what it was set to or showed, so that
"above" is to the right or upward everywhere; the standard's deviation, whose sign may be the other, is told by name.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from benchapp.metrology.budget import FORMULAS, GivenBy
from benchapp.metrology.deviation import Convention
from benchapp.metrology.judgement import AmbientNote, CheckpointJudgement, Judgement, Verdict
from benchapp.metrology.risk import FEWEST_TOOLS, SHORTEST_HISTORY, ShopHistory
from benchapp.metrology.rounding import rounded, rounded_pair
from benchapp.metrology.rules import Outcome
from benchapp.runs.model import Run
from benchapp.runs.procedure import MARKS
from benchapp.ui.format import percent, plural, short, significant
from drivers.samples import Source

WORDS: Final = {
    Verdict.IN_SERVICE: "WITHIN LIMITS",
    Verdict.OUT: "OUT OF LIMITS",
    Verdict.DOUBTFUL: "IN DOUBT",
}
HEADLINES: Final = {
    Verdict.IN_SERVICE: "{} is within its limits",
    Verdict.OUT: "{} is out of limits",
    Verdict.DOUBTFUL: "{}: the result is in doubt",
}


def standing(within: bool, judgement: Judgement | None) -> Verdict:
    """Return the verdict to show: by the plain limits where there is no judgement; the worse of both where there is."""
    if not within:
        return Verdict.OUT
    return Verdict.IN_SERVICE if judgement is None else judgement.verdict


def action(verdict: Verdict, source: Source | None, *, stays_out: bool = False) -> str:
    """Return what to do with the tool, one sentence; `stays_out`: it was out of service when the run began."""
    if verdict is Verdict.OUT:
        return "Out of service: quarantine it and send it to a calibration laboratory."
    if verdict is Verdict.DOUBTFUL:
        return "Keep it out of service until this is settled."
    if source is not Source.LIVE:
        return "A demonstration: no tool changes its state by it."
    if stays_out:
        return "It stays out of service until it is put back in the Rack."
    return "In service: it may go on being used."


def figure_with(value: float, expanded: float, *, signed: bool = False) -> str:
    """Return a percentage to the last place that its expanded uncertainty has in two digits; to 0.01 % without one.

    >>> figure_with(1.4623, 2.9), figure_with(-0.90858, 0.898939, signed=True), figure_with(3.476, 2.98)
    ('1.5 %', '−0.91 %', '3.5 %')
    """
    text = rounded_pair(abs(value), expanded)[0] if expanded > 0 else f"{rounded(abs(value), -2):f}"
    sign = "" if not text.strip("0.") else "−" if value < 0 else "+" if signed else ""
    return f"{sign}{text} %"


def delivered_percent(deviation: float, convention: Convention) -> float:
    """Return (reading − indication) / indication in percent for a deviation of the procedure's convention.

    >>> round(delivered_percent(-3.846153846, Convention.ISO), 6), delivered_percent(4.0, Convention.PRESET)
    (4.0, 4.0)
    """
    if convention is Convention.PRESET:
        return deviation
    return (1 / (1 + deviation / 100) - 1) * 100 if deviation > -100 else float("inf")


def delivered_short(deviation: float, convention: Convention) -> str:
    """Return what the tool delivered against what it says, in words.

    >>> delivered_short(0.909, Convention.ISO), delivered_short(-4.0, Convention.ISO)
    ('0.9 % below', '4.2 % above')
    >>> delivered_short(0.0, Convention.ISO)
    'right on it'
    """
    share = delivered_percent(deviation, convention)
    return "right on it" if abs(share) < 0.05 else f"{abs(share):.1f} % {'above' if share > 0 else 'below'}"


# ---------------------------------------------------------------------------------------------- what would settle it


def aside_sentence(n: int, n_noticed: int, *, within: bool, within_with: bool) -> str:
    """Return what setting readings aside has changed, or "".

    Args:
        n: How many were.
        n_noticed: How many of them had a flag or no reading; what they would have changed is not said.
        within: The verdict.
        within_with: The same with the others.

    >>> aside_sentence(3, 0, within=True, within_with=True)
    '3 readings were set aside. With them the verdict is the same.'
    >>> aside_sentence(3, 2, within=True, within_with=False)
    '3 readings were set aside, 2 for what was noticed about the pull. With the other the tool would be out of limits.'
    >>> aside_sentence(1, 1, within=True, within_with=True)
    '1 reading was set aside for what was noticed about its pull.'
    """
    if n == 0:
        return ""
    said, n_plain = f"{n} reading{'s were' if n > 1 else ' was'} set aside", n - n_noticed
    if n_plain == 0:
        return f"{said} for what was noticed about {'their pulls' if n > 1 else 'its pull'}."
    if n_noticed:
        said += f", {n_noticed} for what was noticed about the pull"
        those = "the other" if n_plain == 1 else f"the other {n_plain}"
    else:
        those = "them" if n > 1 else "it"
    same = within == within_with
    change = "the verdict is the same" if same else f"the tool would be {'within' if within_with else 'out of'} limits"
    return f"{said}. With {those} {change}."


def settle_sentence(titled: Sequence[tuple[str, CheckpointJudgement]]) -> str:
    """Return what would settle a doubtful verdict, with figures; "" when nothing is in doubt.

    Args:
        titled: (name of the checkpoint, its judgement), of all of them.
    """
    said = [_settle(title, judged) for title, judged in titled if judged.settle]
    return " ".join(part for part in said if part)


def _settle(title: str, judged: CheckpointJudgement) -> str:
    figures = {each.key: each.value for each in judged.settle}
    if "repeat" in figures:
        return (
            f"At {title} a reading without a flag was set aside that lay outside the limits: "
            f"pull this checkpoint again, {plural(max(judged.n, 1), 'reading')}, with nothing set aside."
        )
    mean, limit = judged.mean_deviation_percent, judged.limit_percent
    margin = limit - abs(mean)
    head = (
        f"At {title} the mean ({percent(mean, 2)}) lies {significant(margin, 2)} % inside its limit of "
        f"±{short(limit)} %, less than the guard band of {significant(judged.guard_band_percent, 2)} %."
    )
    ways = []
    wanted = figures.get("more-readings")
    if wanted is not None:
        ways.append(f"{plural(int(wanted) - judged.n, 'more reading')} ({int(wanted)} in all)")
    reference = figures.get("better-reference")
    if reference is not None:
        now = next((c.percent * 2 for c in judged.budget.contributions if c.symbol == "w_md"), None)
        than = f" instead of {significant(now, 2)} %" if now is not None else ""
        ways.append(f"a reference of at most {significant(reference, 2)} % (k = 2){than}")
    if ways:
        spread = " if they spread as these did" if wanted is not None else ""
        return f"{head} It would be settled by {' or by '.join(ways)}{spread}."
    allowed = figures.get("budget")
    if allowed:
        largest = judged.budget.largest
        most = f"; most of it is {FORMULAS[largest[0]].about}" if largest and largest[0] in FORMULAS else ""
        return (
            f"{head} Neither more readings nor a better reference can settle it: the whole uncertainty would have to "
            f"be {significant(allowed, 2)} % at most, and is {significant(judged.budget.expanded, 2)} %{most}. "
            "A calibration laboratory can."
        )
    return f"{head} Nothing measured here can settle it: the mean lies on its limit. A calibration laboratory can."


# ------------------------------------------------------------------------------------------------- conditions, history


def ambient_sentences(notes: Sequence[AmbientNote], noted: Mapping[str, float] | None = None) -> list[str]:
    """Return what is to be said of temperature and humidity: outside limits, or not noted.

    Args:
        notes: Of the judgement.
        noted: `Run.ambient`: tells which temperature is missing; None: where that is not known.
    """
    return [_ambient(note, noted) for note in notes]


def _ambient(note: AmbientNote, noted: Mapping[str, float] | None) -> str:
    when = "both start and end"
    if noted is not None:
        when = " and at ".join(
            f"the {end}" for key, end in (("start_c", "start"), ("end_c", "end")) if key not in noted
        )
    value = "" if note.value is None else short(round(note.value, 2))
    limit = "" if note.limit is None else short(note.limit)
    return {
        "temperature-missing": f"Temperature was not noted at {when}.",
        "humidity-missing": "Humidity was not noted.",
        "too-cold": f"Too cold: {value} °C, at least {limit} °C is asked for.",
        "too-warm": f"Too warm: {value} °C, at most {limit} °C is asked for.",
        "temperature-changed": f"Temperature changed by {value} °C during the run; at most {limit} °C is asked for.",
        "too-humid": f"Too humid: {value} %, at most {limit} % is asked for.",
    }.get(note.key, note.key)


def ambient_origin(run: Run) -> str:
    """Return where temperatures and humidity come from, once a thermometer gave one of them; "" all were typed."""
    names = {"start_c": "temperature at the start", "end_c": "temperature at the end", "humidity_percent": "humidity"}
    said: dict[str, list[str]] = {}
    for key, name in names.items():
        if key in run.ambient:
            said.setdefault(run.ambient_from.get(key, "typed"), []).append(name)
    if set(said) <= {"typed"}:
        return ""
    parts = []
    for source, what in said.items():
        how = source if source == "typed" else f"from {source.replace(': ', ' ', 1)}"
        parts.append(f"{', '.join(what)} {how}")
    text = "; ".join(parts)
    return f"{text[0].upper()}{text[1:]}."


def history_sentence(history: ShopHistory | None) -> str:
    """Return on what the global risks rest, or why there are none."""
    if history is None:
        return "No history of such tools was looked at, so no global risk is stated."
    span = f" from {history.since} to {history.until}" if history.since else ""
    seen = f"{plural(history.n, 'verification')} on {plural(history.n_tools, 'such tool')}{span}"
    if history.n < SHORTEST_HISTORY or history.n_tools < FEWEST_TOOLS:
        return (
            f"The shop's history is too short for a global risk: {seen}; {SHORTEST_HISTORY} on at least "
            f"{FEWEST_TOOLS} tools are needed."
        )
    if history.prior is None:
        return f"No global risk: {seen} spread no more than the measurement itself does."
    return (
        f"From {seen}, each tool counted alike: such tools lie at {percent(history.prior.centre, 2)} with a spread of "
        f"{significant(history.prior.spread, 2)} %."
    )


# --------------------------------------------------------------------------------------------- every figure's origin


@dataclass(frozen=True, slots=True)
class OriginLine:
    """One figure of a checkpoint's judgement with where it comes from.

    Attributes:
        name: What it is, for people.
        value: With its unit; "unknown" for a missing contribution.
        share: Of the whole uncertainty, 0 to 1; None where that has no sense.
        formula: As text, symbols with it.
        source: Standard, clause and mark in words.
    """

    name: str
    value: str
    share: float | None
    formula: str
    source: str


GIVEN_BY_WORDS: Final = {
    GivenBy.CERTIFICATE: "from the certificate",
    GivenBy.READINGS: "from these readings",
    GivenBy.MEASURED: "measured on this tool",
    GivenBy.MODEL: "value of the model",
    GivenBy.TYPED: "typed",
    GivenBy.STREAM: "from the samples",
    GivenBy.NOT_APPLICABLE: "does not apply",
}

OUTCOME_WORDS: Final = {
    Outcome.PASS: "accepted",
    Outcome.CONDITIONAL_PASS: "inside, but within the guard band",
    Outcome.CONDITIONAL_FAIL: "outside, but within the guard band",
    Outcome.FAIL: "not accepted",
}


def origin_lines(judged: CheckpointJudgement, convention: Convention) -> list[OriginLine]:
    """Return every figure of a checkpoint: contributions largest first, those missing, then what is made of them."""
    lines = []
    shares = dict(judged.budget.shares)
    for c in sorted(judged.budget.contributions, key=lambda each: -each.percent):
        given = GIVEN_BY_WORDS[c.given_by] + (f": {c.reason}" if c.reason else "")
        figure = significant(round(c.percent, 9), 3)  # what is smaller is how a computer rounds
        lines.append(_line(c.symbol, f"{figure} %", shares.get(c.symbol, 0.0), given))
    lines += [_line(symbol, "unknown", None, "nobody gave it; not zero") for symbol in judged.budget.missing]
    b = judged.budget
    dof = "" if b.dof == float("inf") else f", ν_eff = {significant(b.dof, 3)}"
    cut = " cut to a whole number" if b.coverage.truncate else ""
    how = f"k = {significant(b.factor, 3)}" + (
        dof if b.coverage.factor is not None else f" from t at {b.coverage.probability * 100:g} %{dof}{cut}"
    )
    if judged.s_percent is not None:
        lines.append(
            OriginLine(
                "spread of a single reading",
                f"s = {significant(judged.s_percent, 2)} %",
                None,
                "s of the deviations; a single reading's own, not the mean's s/√n",
                _mark("JCGM 100:2008", "4.2.2", "M"),
            )
        )
    lines += [
        OriginLine(
            "mean deviation",
            figure_with(judged.mean_deviation_percent, b.expanded, signed=True),
            None,
            "mean of (X_a − X_r)/X_r" if convention is Convention.ISO else "mean of (applied − preset)/preset",
            _mark(*_DEVIATION_SOURCE[convention]),
        ),
        _line("W", f"{significant(b.expanded, 2)} %", None, how),
        _line("W'", figure_with(judged.interval_percent, b.expanded), None, ""),
        OriginLine(
            "guard band",
            f"{significant(judged.guard_band_percent, 2)} %" if judged.guard_band_percent else "none",
            None,
            "w = TL − AL = r·U; the mean must lie this far inside the limit",
            f"{_mark('w = TL − AL: ILAC-G8:09/2019', 'page 8', 'C')}; {_mark('r·U', '', 'R')}",
        ),
        OriginLine("rule's answer", OUTCOME_WORDS[judged.outcome], None, "fixed in the procedure before the run", ""),
        OriginLine(
            "probability within limits",
            probability_text(judged.probability),
            None,
            "Φ((T_U − y)/u) − Φ((T_L − y)/u), y the mean",
            _mark("JCGM 106:2012", "7", "M"),
        ),
    ]
    if judged.tur is not None:
        lines.append(
            OriginLine(
                "test uncertainty ratio",
                f"{significant(judged.tur, 2)} : 1",
                None,
                "permissible deviation / expanded uncertainty with k = 2",
                _mark("ANSI/NCSL Z540.3", "", "C2"),
            )
        )
    if judged.risk is not None:
        for name, value, what in (
            ("global false-accept risk", judged.risk.false_accept, "such a tool is outside and accepted"),
            ("global false-reject risk", judged.risk.false_reject, "such a tool is within and refused"),
        ):
            lines.append(OriginLine(name, probability_text(value), None, what, _mark("JCGM 106:2012", "9", "M")))
    return lines


_DEVIATION_SOURCE: Final = {
    Convention.ISO: ("ISO 6789-1:2017", "7.1", "C2"),
    Convention.PRESET: ("an SAE aerospace standard", "", "C"),
}


def _line(symbol: str, value: str, share: float | None, given: str) -> OriginLine:
    f = FORMULAS[symbol]
    formula = f"{symbol} = {f.text}" + (f"; {given}" if given else "")
    return OriginLine(f.about, value, share, formula, _mark(f.source, f.clause, f.mark))


def _mark(source: str, clause: str, mark: str) -> str:
    where = f"{source}, {clause}" if clause else source
    return f"{where}; {mark}: {MARKS.get(mark, '')}"


def probability_text(value: float | None) -> str:
    """Return a probability as a percentage that never claims certainty; None: the reference's part is unknown.

    >>> probability_text(0.99997), probability_text(0.954), probability_text(0.0002), probability_text(None)
    ('> 99.9 %', '95.4 %', '< 0.1 %', 'not stated')
    """
    if value is None:
        return "not stated"
    if value > 0.999:
        return "> 99.9 %"
    return "< 0.1 %" if value < 0.001 else f"{value * 100:.1f} %"


_CLOSE: Final = {
    "w_md": "nothing at the wrench will help",
    "w_r": "the tool cannot be set finer than that",
    "w_re": "more readings make it smaller",
}


def budget_sentence(judged: CheckpointJudgement) -> str:
    """Return the sentence that matters about a budget: what most of it comes from, and what is not in it."""
    largest = judged.budget.largest
    if largest is None:
        said = "Nothing is known of the uncertainty here."
    else:
        symbol, share = largest
        what = "your reference" if symbol == "w_md" else FORMULAS[symbol].about
        close = f"; {_CLOSE[symbol]}" if symbol in _CLOSE else ""
        said = f"{share_words(share)} of this uncertainty is {what}{close}."
    missing = [FORMULAS[s].about for s in judged.budget.missing]
    return f"{said} Not known, so not in it: {', '.join(missing)}." if missing else said


def share_words(share: float) -> str:
    """Return a share in words.

    >>> share_words(0.96), share_words(0.76), share_words(0.55), share_words(0.36)
    ('Nearly all', 'Three quarters', 'More than half', 'A good third')
    """
    for least, word in ((0.93, "Nearly all"), (0.82, "Most"), (0.7, "Three quarters"), (0.62, "Two thirds")):
        if share >= least:
            return word
    if share >= 0.5:
        return "More than half"
    return "A good third" if share >= 1 / 3 else "The largest part"
