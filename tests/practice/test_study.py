"""A study of person or tool: the order, what is repeated, breaks, the result on the published example, refusals."""

from __future__ import annotations

import csv
import io
from collections import Counter
from dataclasses import replace
from importlib import resources

import numpy as np
import pytest

from benchapp.metrology.tool import Tool, ToolType
from benchapp.practice.study import (
    DAMAGED,
    OTHER_SETTING,
    Quantity,
    StudyPull,
    StudyRefusedError,
    StudyTool,
    csv_text,
    evaluate,
    next_step,
    outlook,
    plan_study,
    take,
    why_again,
    without,
)
from benchapp.pulls.pull import Flag, Mode, Pull
from benchapp.torque.direction import Direction
from drivers.samples import Source


def tool(number: str, target: float = 60.0, unit: str = "N·m") -> StudyTool:
    return StudyTool(Tool(number, ToolType.SETTING, "A", unit, 20.0, 100.0), target)


PEOPLE = ("fitter 1", "fitter 2", "fitter 3")
TOOLS = (tool("OCF-005"), tool("OCF-014"), tool("OCF-021", 40.0), tool("OCF-030"))
PULL = Pull(0.0, 2.0, Direction.CLOCKWISE, Mode.FIRST_PEAK, 60.3, 1.0, 66.0, 60.3, 0.0, 0.0, 0.9, 10.0)


def walk(plan, percents):
    """All pulls of a plan, with the deviation that `percents(i, j, round)` says."""
    pulls: list[StudyPull] = []
    while not (step := next_step(plan, pulls)).is_done:
        i, j = plan.order[step.index]
        target = step.tool.target_nm
        torque = target * (1 + percents(i, j, step.round - 1) / 100)
        pull = replace(PULL, reading=torque, peak=torque * 1.05)
        pulls.append(take(plan, pulls, step, pull, at="2026-03-04T09:00:00+00:00", source=Source.SIMULATED))
    return pulls


def test_every_round_holds_everybody_with_every_tool_once_in_an_order_of_its_own():
    plan = plan_study(PEOPLE, TOOLS, 3, seed=7)
    rounds = [plan.order[k : k + plan.n_cells] for k in range(0, len(plan.order), plan.n_cells)]
    assert len(rounds) == 3
    assert all(Counter(one) == Counter(rounds[0]) and len(set(one)) == 12 for one in rounds)
    assert len(set(rounds)) == 3


def test_the_order_follows_from_the_seed_alone():
    assert plan_study(PEOPLE, TOOLS, 3, seed=7) == plan_study(PEOPLE, TOOLS, 3, seed=7)
    assert plan_study(PEOPLE, TOOLS, 3, seed=7).order != plan_study(PEOPLE, TOOLS, 3, seed=8).order


def test_every_place_of_a_round_is_as_likely_for_everybody():
    """2,000 seeds: who pulls first in a round is even (chi-squared, 2 degrees of freedom, 13.8 is p = 0.001)."""
    first = Counter(plan_study(PEOPLE, TOOLS, 2, seed=seed).order[0][0] for seed in range(2000))
    assert sum((n - 2000 / 3) ** 2 / (2000 / 3) for n in first.values()) < 13.8


@pytest.mark.parametrize(
    ("people", "tools", "n", "says"),
    [
        (PEOPLE[:1], TOOLS, 3, "People: 1; at least 2"),
        (PEOPLE, TOOLS[:1], 3, "Tools: 1; at least 2"),
        (PEOPLE, TOOLS, 1, "Rounds: 1; at least 2"),
        (PEOPLE, TOOLS, 40, "480 pulls; at most 400"),
        (("fitter 1", "fitter 1"), TOOLS, 3, "twice"),
        (PEOPLE, (tool("OCF-005"), tool("OCF-014", 120.0)), 3, "not on the scale of OCF-014: 20 to 100 N·m"),
    ],
)
def test_too_few_too_many_and_off_the_scale_are_refused_with_numbers(people, tools, n, says):
    with pytest.raises(StudyRefusedError, match=says):
        plan_study(people, tools, n, seed=1)


def test_small_studies_are_told_what_they_can_tell():
    """One degree of freedom: 0.45 to 31.9 times (chi-squared tables, common to every statistics text)."""
    assert "0.45 to 31.9 times" in outlook(2, 5, 3)
    # three people are no small study, and still two degrees of freedom: it is not kept from anybody
    assert outlook(3, 5, 3).startswith("The difference found between 3 people can be 0.52 to 6.3 times")
    assert "Few" not in outlook(3, 5, 3)
    assert outlook(1, 5, 3) == ""


@pytest.mark.parametrize("flag", DAMAGED)
def test_a_damaged_pull_is_kept_and_pulled_again(flag):
    plan = plan_study(PEOPLE, TOOLS, 2, seed=1)
    step = next_step(plan, [])
    bad = take(plan, [], step, replace(PULL, flags=(flag,)), at="", source=Source.LIVE)
    assert bad is not None
    assert not bad.counts
    again = next_step(plan, [bad])
    assert (again.index, again.person, again.tool, again.tries) == (step.index, step.person, step.tool, 1)


def test_how_a_person_pulls_counts_unless_the_study_says_otherwise():
    jerky = replace(PULL, flags=(Flag.JERKY,))
    assert why_again(plan_study(PEOPLE, TOOLS, 2, seed=1), jerky, 60.0) is None
    assert why_again(plan_study(PEOPLE, TOOLS, 2, seed=1, repeats_manner=True), jerky, 60.0) is Flag.JERKY


@pytest.mark.parametrize("share", [0.5, 0.79, 1.21, 2.0])
def test_a_pull_with_another_tool_or_setting_is_made_again(share):
    """Blind as the study is nobody would see it: a wrench at twice its setting, evaluated, drowned all else."""
    plan = plan_study(PEOPLE, TOOLS, 2, seed=1)
    step = next_step(plan, [])
    torque = share * step.tool.target_nm
    other = replace(PULL, reading=torque, first_peak=torque, peak=1.05 * torque)
    assert why_again(plan, other, step.tool.target_nm) == OTHER_SETTING
    kept = take(plan, [], step, other, at="", source=Source.LIVE)
    assert not kept.counts
    near = replace(PULL, reading=1.1 * step.tool.target_nm)
    assert take(plan, [], step, near, at="", source=Source.LIVE).counts


def test_a_knock_or_the_other_way_round_is_no_pull():
    plan = plan_study(PEOPLE, TOOLS, 2, seed=1)
    step = next_step(plan, [])
    for pull in (replace(PULL, peak=2.0, reading=None), replace(PULL, direction=Direction.ANTICLOCKWISE)):
        assert take(plan, [], step, pull, at="", source=Source.LIVE) is None


def test_a_break_is_due_after_so_many_pulls_of_one_person_and_then_over():
    plan = plan_study(PEOPLE, TOOLS, 3, seed=2, break_every=4)
    pulls = walk(plan, lambda i, j, k: 0.1 * k)
    n = next(k for k in range(len(pulls)) if next_step(plan, pulls[:k]).break_due)
    person = next_step(plan, pulls[:n]).person
    assert sum(pull.person == person for pull in pulls[:n]) == 4
    assert not next_step(plan, pulls[:n], rested_at=n).break_due


MSA = """ 0.29 -0.56 1.34 0.47 -0.80  0.02 0.59 -0.31 2.26 -1.36
 0.41 -0.68 1.17 0.50 -0.92 -0.11 0.75 -0.20 1.99 -1.25
 0.64 -0.58 1.27 0.64 -0.84 -0.21 0.66 -0.17 2.01 -1.31
 0.08 -0.47 1.19 0.01 -0.56 -0.20 0.47 -0.63 1.80 -1.68
 0.25 -1.22 0.94 1.03 -1.20  0.22 0.55  0.08 2.12 -1.62
 0.07 -0.68 1.34 0.20 -1.28  0.06 0.83 -0.34 2.19 -1.50
 0.04 -1.38 0.88 0.14 -1.46 -0.29 0.02 -0.46 1.77 -1.49
-0.11 -1.13 1.09 0.20 -1.07 -0.67 0.01 -0.56 1.45 -1.77
-0.15 -0.96 0.67 0.11 -1.45 -0.49 0.21 -0.49 1.87 -2.16"""
VALUES = np.array([float(x) for x in MSA.split()]).reshape(3, 3, 10).transpose(0, 2, 1)


def test_the_published_example_pulled_as_a_study_gives_its_published_figures():
    """AIAG, Measurement Systems Analysis, 4th ed.: 10 parts, 3 appraisers, 3 trials (data from memory, reproduced).

    Its values stand for deviations in percent; the pulls come in this study's own random order.
    """
    tools = tuple(tool(f"OCF-{n:03d}", 50.0) for n in range(10))
    plan = plan_study(PEOPLE, tools, 3, seed=99)
    found = evaluate(plan, walk(plan, lambda i, j, k: VALUES[i, j, k]))
    assert found.values == pytest.approx(VALUES, abs=1e-9)
    a = found.analysis
    assert [x.sd for x in (a.repeatability, a.reproducibility, a.both, a.tools, a.all)] == pytest.approx(
        [0.199933, 0.226838, 0.302372, 1.042327, 1.085300], abs=6e-7
    )
    assert a.pooled
    # published spreads squared: 0.226838² / 1.085300² = 4.4 %, 1.042327² / 1.085300² = 92.2 %
    assert found.sentence.startswith("About one twentieth of the spread is who pulls: 4 %, 95 % interval")
    assert "About nine tenths is which tool (92 %), almost none is from pull to pull (3 %)." in found.sentence
    assert any("p = 0.97, above 0.25" in remark for remark in found.remarks)


def test_a_nist_set_pulled_as_a_study_gives_its_certified_figures():
    """NIST StRD SmLs01 (9 groups of 21, as SciPy ships it): its groups are people with 3 tools in 7 rounds.

    Through plan, pulls, deviations and `evaluate`, as in the window. Certified: sum of squares between 1.68, within
    1.8, F 21.
    """
    lines = (resources.files("scipy.stats.tests") / "data" / "nist_anova" / "SmLs01.dat").read_text("ascii")
    rows = [line.split() for line in lines.splitlines()[60:] if len(line.split()) == 2]
    values = np.array([float(v) for _, v in rows]).reshape(9, 3, 7)
    people = tuple(f"fitter {n}" for n in range(9))
    plan = plan_study(people, tuple(tool(f"OCF-{n:03d}") for n in range(3)), 7, seed=4, break_every=0)
    a = evaluate(plan, walk(plan, lambda i, j, k: values[i, j, k])).analysis
    within = [a.tool, a.interaction, a.within]
    squares = sum(line.squares for line in within)
    assert (a.person.squares, squares) == pytest.approx((1.68, 1.8), rel=1e-9)
    assert a.person.mean_square / (squares / sum(line.dof for line in within)) == pytest.approx(21.0, rel=1e-9)


def test_one_third_who_pulls_is_said_as_one_third():
    """Made so: people differ with the same variance as tools and as pulls of one cell, many of each."""
    random = np.random.default_rng(21)
    people = tuple(f"fitter {n}" for n in range(8))
    tools = tuple(tool(f"OCF-{n:03d}") for n in range(8))

    def standard(n: int) -> np.ndarray:
        x = random.normal(size=n)
        return (x - x.mean()) / x.std(ddof=1)

    a, b = standard(8), standard(8)
    noise = random.normal(size=(8, 8, 3))
    plan = plan_study(people, tools, 3, seed=3)
    found = evaluate(plan, walk(plan, lambda i, j, k: a[i] + b[j] + noise[i, j, k]))
    assert found.sentence.startswith("About one third of the spread is who pulls")
    share = found.analysis.shares.reproducibility
    assert share.low < 100 / 3 < share.high


def test_people_who_do_not_differ_are_not_told_to():
    random = np.random.default_rng(22)
    plan = plan_study(PEOPLE, TOOLS, 3, seed=3)
    noise = random.normal(size=(3, 4, 3))
    noise -= noise.mean(axis=(1, 2), keepdims=True)
    found = evaluate(plan, walk(plan, lambda i, j, k: 2 * j + noise[i, j, k]))
    assert found.sentence.startswith("No difference between people can be told from chance")
    assert any("came out below zero" in remark for remark in found.remarks)


def test_the_peak_is_evaluated_beside_the_reading():
    plan = plan_study(PEOPLE, TOOLS, 2, seed=3)
    pulls = walk(plan, lambda i, j, k: i + 0.1 * j + 0.01 * k)
    reading, peak = (evaluate(plan, pulls, quantity) for quantity in Quantity)
    assert peak.values == pytest.approx((reading.values / 100 + 1) * 105 - 100)


def test_a_study_broken_off_is_evaluated_by_its_whole_rounds():
    plan = plan_study(PEOPLE, TOOLS, 4, seed=5)
    pulls = walk(plan, lambda i, j, k: i + 0.3 * j + 0.1 * ((7 * i + 3 * j + 5 * k) % 4))
    found = evaluate(plan, pulls[:29])
    assert (found.n_counted, found.n_left_out) == (24, 5)
    assert any("5 pulls of a round" in remark for remark in found.remarks)
    with pytest.raises(StudyRefusedError, match=r"Two whole rounds are 24 pulls; so far 23 count\. Go on: 1 to go"):
        evaluate(plan, pulls[:23])


def leaving(people, plan, n_before, who, percents):
    """All pulls of a plan that somebody leaves after so many."""
    pulls: list[StudyPull] = []
    while not (step := next_step(plan, pulls)).is_done:
        if len(pulls) == n_before:
            plan = without(plan, who)
            step = next_step(plan, pulls)
        i = people.index(step.person)
        j = [one.tool.number for one in plan.tools].index(step.tool.tool.number)
        torque = step.tool.target_nm * (1 + percents(i, j, step.round - 1) / 100)
        pull = replace(PULL, reading=torque, peak=torque)
        pulls.append(take(plan, pulls, step, pull, at="2026-03-04T09:00:00+00:00", source=Source.SIMULATED))
    return plan, pulls


@pytest.mark.parametrize("n_before", [0, 1, 7, 12, 20, 35])
def test_when_somebody_leaves_the_others_go_on_and_are_evaluated_as_if_they_were_alone(n_before):
    """Whenever it happens, the values are those of a study of the two who stay, pull for pull."""

    def percents(i, j, k):
        return 1.7 * i + 0.4 * j + 0.13 * ((5 * i + 3 * j + 7 * k) % 5)

    whole = plan_study(PEOPLE, TOOLS, 3, seed=11)
    plan, pulls = leaving(PEOPLE, whole, n_before, "fitter 2", percents)
    assert plan.staying == ("fitter 1", "fitter 3")
    assert sum(pull.counts and pull.person != "fitter 2" for pull in pulls) == 2 * 4 * 3
    last = next_step(plan, pulls)
    assert (last.is_done, last.n_done, last.n_steps) == (True, 24, 24)
    found = evaluate(plan, pulls)
    assert found.values == pytest.approx(
        np.array([[[percents(i, j, k) for k in range(3)] for j in range(4)] for i in (0, 2)])
    )
    assert (found.n_counted, found.n_left_out) == (24, 0)
    assert any(remark.startswith("fitter 2 left before the end") for remark in found.remarks)
    rows = list(csv.DictReader(io.StringIO(csv_text(plan, pulls))))
    assert len(rows) == len(pulls)
    assert {row["round"] for row in rows} == {"1", "2", "3"}


def test_two_people_must_stay_and_who_left_has_left():
    plan = without(plan_study(PEOPLE, TOOLS, 2, seed=1), "fitter 2")
    with pytest.raises(StudyRefusedError, match="1 of 3 people would be left without fitter 1; at least 2"):
        without(plan, "fitter 1")
    with pytest.raises(StudyRefusedError, match="fitter 2 is not in this study"):
        without(plan, "fitter 2")


def test_no_spread_at_all_is_refused():
    plan = plan_study(PEOPLE, TOOLS, 2, seed=5)
    pulls = [replace(pull, reading_nm=pull.target_nm) for pull in walk(plan, lambda i, j, k: 1.0)]
    with pytest.raises(StudyRefusedError, match="no spread"):
        evaluate(plan, pulls)


def test_export_holds_every_pull_with_its_numbers_and_reads_back():
    plan = plan_study(PEOPLE, (tool("OCF-005"), tool("OCF-014", 50.0, "lbf·ft")), 2, seed=5)
    pulls = walk(plan, lambda i, j, k: i + j + k)
    pulls.append(replace(pulls[-1], number=99, counts=False, reading_nm=None, flags=(Flag.NO_CLICK,)))
    rows = list(csv.DictReader(io.StringIO(csv_text(plan, pulls))))
    assert len(rows) == len(pulls)
    assert {row["seed"] for row in rows} == {"5"}
    for row, pull in zip(rows, pulls, strict=True):
        assert row["person"] == pull.person
        assert float(row["target"]) == pytest.approx(60.0 if pull.tool == "OCF-005" else 50.0)
        if pull.counts:
            deviation = 100 * (float(row["let_go_at"]) / float(row["target"]) - 1)
            assert float(row["reading_deviation_percent"]) == pytest.approx(deviation, abs=1e-6)
    assert (rows[-1]["counts"], rows[-1]["let_go_at"], rows[-1]["flags"]) == ("no", "", "no-click")
