"""The verdict in words: what would settle a doubt with figures that hold, and one convention for every picture."""

from dataclasses import replace

import pytest

from benchapp.metrology.budget import GivenBy
from benchapp.metrology.deviation import Convention, corridor, deviation_percent
from benchapp.metrology.judgement import (
    Ambient,
    CheckpointInput,
    Geometric,
    JudgeInput,
    ReadingInput,
    Verdict,
    ambient_notes,
    judge,
)
from benchapp.metrology.risk import Prior, ShopHistory
from benchapp.metrology.rules import Rule, RuleKind
from benchapp.metrology.suitability import ReferenceUse
from benchapp.ui import verdict
from drivers.samples import Source

GUARDED = Rule(RuleKind.GUARD_BAND)


def _judged(readings, w_md=1.0, geometric=(), **changes):
    checkpoint = CheckpointInput(100.0, 4.0, tuple(map(ReadingInput, readings)), reference=ReferenceUse(w_md))
    given = {name: Geometric(value, GivenBy.MEASURED) for name, value in geometric}
    return judge(JudgeInput((checkpoint,), resolution_nm=0.1, geometric=given, rule=GUARDED, **changes))


def _said(judgement):
    return verdict.settle_sentence([("100 N·m", judgement.checkpoints[0])])


def test_the_better_reference_that_is_named_does_settle_it():
    readings = (96.9, 97.0, 96.95, 97.05, 97.0)
    doubtful = _judged(readings, w_md=1.4)
    assert doubtful.verdict is Verdict.DOUBTFUL
    (wanted,) = [each.value for each in doubtful.checkpoints[0].settle if each.key == "better-reference"]
    said = _said(doubtful)
    assert f"at most {wanted:.2g} % (k = 2) instead of 1.4 %" in said
    assert _judged(readings, w_md=wanted * 0.999).verdict is Verdict.IN_SERVICE
    assert _judged(readings, w_md=wanted * 1.02).verdict is Verdict.DOUBTFUL


def test_so_many_more_readings_do_settle_it_when_they_spread_alike():
    readings = (97.7, 96.3, 97.7, 96.2, 96.2)
    doubtful = _judged(readings, w_md=0.3)
    assert doubtful.verdict is Verdict.DOUBTFUL
    (wanted,) = [each.value for each in doubtful.checkpoints[0].settle if each.key == "more-readings"]
    more = int(wanted) - 5
    assert f"{more} more reading" in _said(doubtful)
    assert f"({int(wanted)} in all) if they spread as these did" in _said(doubtful) or "or by" in _said(doubtful)
    times = -(-int(wanted) // 5)
    assert _judged(readings * times, w_md=0.3).verdict is Verdict.IN_SERVICE


def test_what_nothing_here_can_settle_says_so_with_the_figure_it_would_take():
    doubtful = _judged((96.9, 97.0, 96.95, 97.05, 97.0), w_md=0.3, geometric=[("w_l", 4.0)])
    assert doubtful.verdict is Verdict.DOUBTFUL
    said = _said(doubtful)
    assert "Neither more readings nor a better reference can settle it" in said
    (allowed,) = [each.value for each in doubtful.checkpoints[0].settle if each.key == "budget"]
    assert f"be {verdict.significant(allowed, 2)} % at most" in said
    assert "loading point" in said


def test_a_reading_set_aside_without_a_flag_asks_for_the_checkpoint_again():
    readings = (*(ReadingInput(99.0) for _ in range(5)), ReadingInput(90.0, set_aside="slip"))
    checkpoint = CheckpointInput(100.0, 4.0, readings, reference=ReferenceUse(0.3))
    judgement = judge(JudgeInput((checkpoint,), rule=GUARDED))
    assert judgement.verdict is Verdict.DOUBTFUL
    assert "pull this checkpoint again" in _said(judgement)


@pytest.mark.parametrize("convention", list(Convention))
def test_pictures_lie_by_what_was_delivered_whatever_the_conventions_sign(convention):
    low, high = corridor(100.0, 4.0, convention)
    for reading in (90.0, low, 99.0, 100.0, 101.0, high, 110.0):
        deviation = deviation_percent(100.0, reading, convention)
        assert verdict.delivered_percent(deviation, convention) == pytest.approx(reading - 100.0, abs=1e-9)


def test_the_worse_of_limits_and_rule_is_shown_and_each_has_an_action():
    doubtful = _judged((96.9, 97.0, 96.95, 97.05, 97.0), w_md=1.4)
    assert verdict.standing(True, doubtful) is Verdict.DOUBTFUL
    assert verdict.standing(False, doubtful) is Verdict.OUT
    assert verdict.standing(True, None) is Verdict.IN_SERVICE
    assert "quarantine" in verdict.action(Verdict.OUT, Source.LIVE)
    assert "calibration laboratory" in verdict.action(Verdict.OUT, Source.LIVE)
    assert verdict.action(Verdict.IN_SERVICE, Source.SIMULATED).startswith("A demonstration")


def test_every_figure_has_a_formula_and_missing_ones_are_unknown_not_zero():
    judgement = _judged((99.0, 99.4, 98.8, 99.2, 99.1), prior=Prior(0.0, 2.0, 40))
    lines = verdict.origin_lines(judgement.checkpoints[0], Convention.ISO)
    by_name = {line.name: line for line in lines}
    assert by_name["loading point ±10 mm"].value == "unknown"
    assert by_name["loading point ±10 mm"].share is None
    assert by_name["spread of a single reading"].value.startswith("s = ")
    assert "not the mean's" in by_name["spread of a single reading"].formula
    assert by_name["test uncertainty ratio"].formula == "permissible deviation / expanded uncertainty with k = 2"
    assert by_name["global false-accept risk"].source.startswith("JCGM 106:2012, 9")
    assert sum(line.share or 0 for line in lines) == pytest.approx(1.0)
    shares = [line.share for line in lines if line.share is not None]
    assert shares == sorted(shares, reverse=True)


def test_a_contribution_that_is_nothing_but_a_computers_rounding_is_no_figure():
    use = ReferenceUse(1.0, residual_percent=3.8e-14)  # of a certificate whose points lie on a line
    at = CheckpointInput(100.0, 4.0, tuple(map(ReadingInput, (99.0, 99.4, 98.8))), reference=use)
    lines = verdict.origin_lines(judge(JudgeInput((at,), resolution_nm=0.1)).checkpoints[0], Convention.ISO)
    assert {line.name: line.value for line in lines}["correction curve of the reference"] == "0 %"


def test_the_sentence_that_matters_names_the_reference():
    judgement = _judged((99.0, 99.4, 98.8, 99.2, 99.1), w_md=1.5)
    assert "your reference; nothing at the wrench will help" in verdict.budget_sentence(judgement.checkpoints[0])


def test_conditions_outside_or_missing_are_sentences_with_their_figures():
    limits = {"lowest_c": 18.0, "highest_c": 28.0, "change_c": 1.0, "greatest_humidity_percent": 90.0}
    notes = ambient_notes(Ambient(16.5, 29.0, 95.0, **limits))
    said = " ".join(verdict.ambient_sentences(notes, {"start_c": 16.5, "end_c": 29.0}))
    for part in ("16.5 °C, at least 18 °C", "29 °C, at most 28 °C", "changed by 12.5 °C", "95 %, at most 90 %"):
        assert part in said
    for noted, where in (
        ({"start_c": 20.0}, "at the end."),
        ({"end_c": 20.0}, "at the start."),
        ({}, "at the start and at the end."),
    ):
        said = " ".join(verdict.ambient_sentences(ambient_notes(replace(Ambient(**limits), **noted)), noted))
        assert said == f"Temperature was not noted {where} Humidity was not noted."


def test_a_short_history_says_how_short_and_gives_no_risk():
    said = verdict.history_sentence(ShopHistory(7, 3, "2025-01-10", "2026-02-01"))
    assert "too short" in said
    assert "7 verifications on 3 such tools from 2025-01-10 to 2026-02-01; 20 on at least 5 tools are needed" in said
    long = verdict.history_sentence(ShopHistory(47, 10, "2022-02-03", "2026-02-24", Prior(0.4, 1.9, 47)))
    assert "47 verifications on 10 such tools from 2022-02-03 to 2026-02-24, each tool counted alike" in long
    few_tools = verdict.history_sentence(ShopHistory(47, 2, "2022-02-03", "2026-02-24"))
    assert "too short" in few_tools
    assert "47 verifications on 2 such tools" in few_tools


@pytest.mark.parametrize(
    ("value", "expanded", "said"),
    [
        (1.46, 2.9, "+1.5 %"),
        (0.3676, 0.8, "+0.37 %"),
        (-2.45, 1.2, "−2.4 %"),  # half even on the decimal text; in binary it lies above the half
        (2.675, 0.12, "+2.68 %"),  # in binary below it
        (-0.004, 0.5, "0.00 %"),
        (0.123456, 0.0, "+0.12 %"),
    ],
)
def test_a_mean_is_shown_to_the_last_place_of_its_uncertainty(value, expanded, said):
    """JCGM 100:2008, 7.2.6: two digits of U at most, the value to the same place."""
    assert verdict.figure_with(value, expanded, signed=True) == said
