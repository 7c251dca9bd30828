"""`kilter judge`: deviations, uncertainty and verdict for readings from elsewhere."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from benchapp.cli._judge_input import demand_on_reference, input_from_data
from benchapp.cli._judge_schema import SCHEMA
from benchapp.cli.errors import CommandError, unread
from benchapp.metrology.deviation import Convention, under_torques
from benchapp.metrology.errors import RefusedError
from benchapp.metrology.judgement import CheckpointJudgement, JudgeInput, Judgement, Verdict, judge
from benchapp.metrology.risk import Prior
from benchapp.metrology.rounding import rounded_pair
from benchapp.metrology.rules import RuleKind
from benchapp.runs.judging import judgement_to_data
from benchapp.torque.units import from_nm
from benchapp.ui import verdict as words
from benchapp.ui.format import short, significant
from drivers.samples import Source


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = commands.add_parser("judge", help="deviations, uncertainty and verdict for readings from elsewhere")
    parser.add_argument("file", nargs="?", metavar="RUN.json", help="readings to judge; '-' reads standard input")
    parser.add_argument("--json", action="store_true", help="print the whole judgement as one JSON object")
    parser.add_argument("--schema", action="store_true", help="print the JSON Schema of RUN.json and stop")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Judge one file: 0 in service or doubtful, 1 out, 2 not to be judged."""
    if args.schema:
        print(json.dumps(SCHEMA, ensure_ascii=False, indent=2))
        return 0
    if not args.file:
        raise CommandError("judge: no file was given; give RUN.json, or --schema to see what it must hold")
    name = "standard input" if args.file == "-" else args.file
    if args.file == "-" and sys.stdin is None:
        raise CommandError("standard input is closed; send it the readings, or give RUN.json")
    try:
        raw = sys.stdin.buffer.read() if args.file == "-" else Path(args.file).read_bytes()
        text = raw.decode("utf-8-sig")
    except OSError as error:
        raise CommandError(f"{name}: {unread(error)}") from error
    except UnicodeDecodeError as error:
        raise CommandError(f"{name}: byte {error.start} is not UTF-8; save it as UTF-8 text") from error
    try:
        data = json.loads(text, object_pairs_hook=_unique)  # NaN passes here: the check below says where it stands
        run_input, unit = input_from_data(data)
        judgement = judge(run_input)
    except json.JSONDecodeError as error:
        where = f"line {error.lineno}, column {error.colno}: {error.msg}"
        raise CommandError(f"{name}: is no JSON ({where}); correct it, --schema says what it must hold") from error
    except RecursionError as error:
        raise CommandError(f"{name}: is nested too deeply; --schema says what it must hold") from error
    except (RefusedError, ValueError) as error:
        raise CommandError(f"{name}: {str(error).splitlines()[0]}") from error
    demands = demand_on_reference(data, run_input)
    if args.json:
        told = judgement_to_data(judgement, unit, run_input)
        for checkpoint, demand in zip(told["checkpoints"], demands, strict=True):
            checkpoint["demand_on_reference"] = demand
        print(json.dumps(told, ensure_ascii=False, allow_nan=False))
    else:
        print("\n".join(_sentences(judgement, run_input, unit, demands)))
    return 1 if judgement.verdict is Verdict.OUT else 0


def _unique(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for key, value in pairs:
        if key in found:
            raise RefusedError(key, value, "once in an object", "one of the two")
        found[key] = value
    return found


def _sentences(
    judgement: Judgement, run_input: JudgeInput, unit: str, demands: Sequence[dict[str, Any] | None]
) -> list[str]:
    """Return the judgement in words: what to do, each checkpoint, what would settle a doubt, the conditions."""
    lines = [f"{words.WORDS[judgement.verdict].capitalize()}. {words.action(judgement.verdict, Source.LIVE)}"]
    titled = [(f"{short(round(from_nm(c.target_nm, unit), 9))} {unit} {c.direction}", c) for c in judgement.checkpoints]
    for (title, checkpoint), demand in zip(titled, demands, strict=True):
        lines.append(f"{title}: {_mean(checkpoint, run_input)}")
        lines += [f"  {line}" for line in _details(checkpoint, run_input, unit, demand)]
    settled = words.settle_sentence(titled)
    conditions = words.ambient_sentences(judgement.ambient_notes)
    deviation = _DEVIATION[run_input.convention]
    return [*lines, *([settled] if settled else []), *conditions, deviation]


_DEVIATION = {
    Convention.ISO: "Deviation: (indication − reading) / reading; above zero, joints get less than the tool says.",
    Convention.PRESET: "Deviation: (applied − preset) / preset; below zero, joints get less than the tool says.",
}


def _mean(judged: CheckpointJudgement, run_input: JudgeInput) -> str:
    deviation, expanded = judged.mean_deviation_percent, judged.budget.expanded
    said, interval = f"{deviation:.2f} %", f"{judged.interval_percent:.2f}"
    if expanded > 0:
        mean_text, expanded_text = rounded_pair(deviation, expanded)
        said, interval = f"{mean_text} % ± {expanded_text} %", rounded_pair(judged.interval_percent, expanded)[0]
    less = under_torques(deviation, run_input.convention)
    gets = "" if deviation == 0 else f" (joints get {'less' if less else 'more'} than it says)"
    return (
        f"mean deviation {said}{gets}, limit ±{short(judged.limit_percent)} %, W' {interval} %; "
        f"by the rule {words.OUTCOME_WORDS[judged.outcome]}; probability within limits "
        f"{words.probability_text(judged.probability)}"
    )


def _details(judged: CheckpointJudgement, run_input: JudgeInput, unit: str, demand: dict[str, Any] | None) -> list[str]:
    def torque(reading_nm: float) -> str:
        return f"{short(round(from_nm(reading_nm, unit), 9))} {unit}"

    lines = []
    for reading in judged.readings:
        told = f"{torque(reading.reading_nm)} ({reading.deviation_percent:+.2f} %)"
        if not reading.counts:
            lines.append(f"set aside: {told}: {reading.set_aside}")
        elif not reading.within:
            lines.append(f"outside: {told}")
    if any(not reading.counts for reading in judged.readings):
        all_in = "all within limits" if judged.all_within_with_set_aside else "not all within limits"
        lines.append(f"with what was set aside: mean {judged.mean_with_set_aside_percent:.2f} %, {all_in}")
    if run_input.rule.kind is not RuleKind.SIMPLE:
        lines.append(f"guard band {significant(judged.guard_band_percent, 2)} %")
    lines.append(words.budget_sentence(judged))
    if judged.tur is not None:
        lines.append(f"test uncertainty ratio (limit / U with k = 2): {significant(judged.tur, 2)}")
    if demand is not None and not demand["met"]:
        has, greatest = (significant(demand[key], 2) for key in ("value_percent", "greatest_percent"))
        lines.append(
            f"the reference is not good enough: its {demand['quantity']} is {has} %, "
            f"the procedure asks for {greatest} % at most"
        )
    if judged.risk is not None and run_input.prior is not None:
        lines.append(
            f"global risk by {_history(run_input.prior)}: false accept "
            f"{words.probability_text(judged.risk.false_accept)}, false reject "
            f"{words.probability_text(judged.risk.false_reject)}"
        )
    return lines


def _history(prior: Prior) -> str:
    return f"{prior.n} verifications (mean {prior.centre:.2f} %, spread {significant(prior.spread, 2)} %)"
